"""The tables of the case store, and how to reach them: SQLite by default, PostgreSQL by URL."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from panelvision.errors import StoreError

# The newest revision in panelvision/migrations/versions; a test keeps the two together.
REVISION = "0003"
# chosen: longer than any write of ours, shorter than a technician's patience.
_BUSY_TIMEOUT_S = 30
# An arbitrary number that names our lock among a PostgreSQL server's advisory locks.
ADVISORY_LOCK = 7_305_991_461

metadata = sa.MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "ix": "ix_%(table_name)s_%(column_0_name)s",
    }
)

# Times are kept as text, ISO 8601 in UTC with microseconds: the same on both databases,
# sortable, and never shifted by a server's time zone.

customers = sa.Table(
    "customers",
    metadata,
    sa.Column("id", sa.String(32), primary_key=True),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("contact", sa.Text, nullable=False),
    sa.Column("consent", sa.Boolean, nullable=False),
    sa.Column("search_text", sa.Text, nullable=False),
    sa.Column("created", sa.String(32), nullable=False),
    sa.Column("updated", sa.String(32), nullable=False),
    # Of the consent alone; empty where it was last set before this was kept.
    sa.Column("consent_set", sa.String(32)),
)

cases = sa.Table(
    "cases",
    metadata,
    sa.Column("id", sa.String(32), primary_key=True),
    sa.Column(
        "customer_id", sa.String(32), sa.ForeignKey("customers.id", ondelete="CASCADE"), index=True
    ),
    sa.Column("label", sa.Text, nullable=False),
    sa.Column("size_inch", sa.Float),
    sa.Column("worth", sa.Float),
    sa.Column("notes", sa.Text, nullable=False),
    sa.Column("symptom", sa.String(32), nullable=False),
    sa.Column("observations", sa.JSON, nullable=False),
    sa.Column("done_tests", sa.JSON, nullable=False),
    sa.Column("advice", sa.JSON(none_as_null=True)),
    sa.Column("verdict", sa.String(32), nullable=False),
    sa.Column("outcome_assembly", sa.String(32)),
    sa.Column("outcome_fault", sa.Text),
    sa.Column("outcome_symptom", sa.String(32)),
    sa.Column("outcome_notes", sa.Text),
    sa.Column("costs", sa.JSON, nullable=False),
    sa.Column("search_text", sa.Text, nullable=False),
    sa.Column("created", sa.String(32), nullable=False),
    sa.Column("updated", sa.String(32), nullable=False, index=True),
    sa.Column("closed", sa.String(32), index=True),
    sa.Column("revision", sa.Integer, nullable=False),
)

photos = sa.Table(
    "photos",
    metadata,
    sa.Column("sha256", sa.String(64), primary_key=True),
    sa.Column("extension", sa.String(4), nullable=False),
    sa.Column("size_bytes", sa.BigInteger, nullable=False),
    sa.Column("width", sa.Integer, nullable=False),
    sa.Column("height", sa.Integer, nullable=False),
    sa.Column("created", sa.String(32), nullable=False),
)

case_photos = sa.Table(
    "case_photos",
    metadata,
    sa.Column(
        "case_id", sa.String(32), sa.ForeignKey("cases.id", ondelete="CASCADE"), primary_key=True
    ),
    sa.Column(
        "sha256",
        sa.String(64),
        sa.ForeignKey("photos.sha256", ondelete="RESTRICT"),
        primary_key=True,
        index=True,
    ),
    sa.Column("position", sa.Integer, nullable=False),
    sa.Column("source_sha256", sa.String(64), nullable=False),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("examination", sa.JSON(none_as_null=True)),
)

# Photos whose rows are gone and whose files must still go: written in the transaction that
# removes the rows, so that a crash in between cannot leave a deleted customer's photo behind.
photo_removals = sa.Table(
    "photo_removals",
    metadata,
    sa.Column("sha256", sa.String(64), primary_key=True),
    sa.Column("extension", sa.String(4), nullable=False),
)


def make_engine(url: sa.URL) -> sa.Engine:
    """An engine for ``url`` with the project's settings for its kind of database."""
    backend = url.get_backend_name()
    if backend == "sqlite":
        engine = sa.create_engine(url, connect_args={"timeout": _BUSY_TIMEOUT_S})
        _arrange_sqlite(engine)
        return engine
    if backend != "postgresql":
        raise StoreError(
            f"case store: '{backend}' is not supported; give a path for SQLite or a URL "
            "postgresql://user@host/name"
        )
    if url.drivername == "postgresql":
        url = url.set(drivername="postgresql+psycopg")
    try:
        return sa.create_engine(url, pool_pre_ping=True, connect_args={"connect_timeout": 10})
    except ModuleNotFoundError:
        raise StoreError(
            "case store: PostgreSQL needs its driver; install it with "
            "pip install 'panelvision[postgres]'"
        ) from None


def _arrange_sqlite(engine: sa.Engine) -> None:
    @sa.event.listens_for(engine, "connect")
    def settings(connection: sqlite3.Connection, _record: Any) -> None:
        # The driver must not begin transactions on its own: SQLAlchemy's events do below.
        connection.isolation_level = None
        cursor = connection.cursor()
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.execute("PRAGMA journal_mode = WAL")
        # FULL: in WAL mode a commit that was reported survives a power cut (sqlite.org/wal.html)
        cursor.execute("PRAGMA synchronous = FULL")
        # What is deleted is overwritten with zeros, not merely unlinked.
        cursor.execute("PRAGMA secure_delete = ON")
        cursor.close()

    @sa.event.listens_for(engine, "begin")
    def begin(connection: sa.Connection) -> None:
        # A writer takes the write lock at once: a read lock that is upgraded later can fail
        # at once with "database is locked", whatever the timeout.
        immediate = connection.get_execution_options().get("writing", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if immediate else "BEGIN")


@contextmanager
def writing(engine: sa.Engine) -> Iterator[sa.Connection]:
    """One write transaction: committed at the end, rolled back on any error."""
    with (
        engine.connect().execution_options(writing=True) as connection,
        connection.begin(),
    ):
        yield connection


@contextmanager
def reading(engine: sa.Engine) -> Iterator[sa.Connection]:
    """One read transaction: all queries inside see the same state."""
    with engine.connect() as connection:
        if engine.dialect.name == "postgresql":
            connection = connection.execution_options(isolation_level="REPEATABLE READ")
        with connection.begin():
            yield connection


def lock_photo_files(connection: sa.Connection) -> None:
    """Until this transaction ends, no other process adds or removes photo files.

    SQLite's write lock does that already.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(ADVISORY_LOCK)))


def insert_if_absent(connection: sa.Connection, table: sa.Table, values: dict[str, Any]) -> None:
    """Insert a row unless its primary key is taken, even if another process is inserting it."""
    if connection.dialect.name == "postgresql":
        connection.execute(postgresql.insert(table).values(values).on_conflict_do_nothing())
    else:
        connection.execute(sqlite.insert(table).values(values).on_conflict_do_nothing())


def migrate(engine: sa.Engine) -> None:
    """Bring the tables to this version's revision; nothing changes if they are there already.

    Raises
    ------
    StoreError
        If the tables were made by a newer version of the program.
    """
    if _revision_of(engine) == REVISION:
        return
    # Only now, because the migration tool takes longer to import than to do nothing.
    from alembic import command
    from alembic.config import Config
    from alembic.util import CommandError

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parents[1] / "migrations"))
    config.set_main_option("path_separator", "os")
    try:
        with writing(engine) as connection:
            lock_photo_files(connection)
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
    except CommandError:
        raise StoreError(
            "case store: made by a newer version of panelvision; update the program"
        ) from None


def _revision_of(engine: sa.Engine) -> str | None:
    with reading(engine) as connection:
        if not sa.inspect(connection).has_table("alembic_version"):
            return None
        return connection.execute(sa.text("SELECT version_num FROM alembic_version")).scalar()


def check_integrity(engine: sa.Engine) -> None:
    """Raise StoreError if SQLite finds its file damaged or a reference that leads nowhere."""
    if engine.dialect.name != "sqlite":
        return
    file = Path(engine.url.database or "").name
    remedy = (
        f"move {file} and what is named {file}-... beside it away, then bring the last backup back "
        "with 'panelvision cases restore FILE'"
    )
    try:
        with reading(engine) as connection:
            verdict = connection.exec_driver_sql("PRAGMA quick_check(1)").scalar()
            dangling = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
    except sa.exc.OperationalError as fault:
        if "malformed" not in str(fault.orig):
            raise StoreError(
                f"case store: {file} cannot be used now ({fault.orig}); close what else uses it, "
                "check that it is a file you may write, or choose another place with "
                "PANELVISION_STORE"
            ) from None
        raise StoreError(f"case store: the file is damaged ({fault.orig}); {remedy}") from None
    except sa.exc.DatabaseError as fault:
        raise StoreError(f"case store: the file is damaged ({fault.orig}); {remedy}") from None
    if verdict != "ok":
        what = " ".join(str(verdict).split())
        raise StoreError(f"case store: the file is damaged ({what}); {remedy}")
    if dangling is not None:
        raise StoreError(f"case store: a reference in table {dangling[0]} is broken; {remedy}")
