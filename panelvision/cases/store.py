"""The case store: every case, its customer and its photos, in one database and one folder."""

import contextlib
import dataclasses
import os
import time
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import platformdirs
import sqlalchemy as sa

from panelvision.cases import schema
from panelvision.cases.customers import NEVER, Stated, merged
from panelvision.cases.model import (
    Case,
    CasePhoto,
    Customer,
    Outcome,
    SetDescription,
    check_case,
)
from panelvision.cases.photo_files import PhotoFiles, StoredPhoto
from panelvision.cases.schema import reading, writing
from panelvision.cases.strip import clean_photo
from panelvision.errors import DataError, StoreError

if TYPE_CHECKING:
    from panelvision.cases.accuracy import Accuracy
    from panelvision.cases.archive import ArchiveSummary, ImportSummary

# chosen: a photo that was uploaded but not saved with a case within a day was given up.
_GIVEN_UP_AFTER_S = 24 * 3600
# chosen: fewer values than any supported database allows in one statement.
_BATCH = 500


@dataclasses.dataclass(frozen=True)
class CustomerEntry:
    """A customer with the number of open and of all cases, and since when it is as it is."""

    customer: Customer
    open_cases: int
    all_cases: int
    stated: Stated


@dataclasses.dataclass(frozen=True)
class Deletion:
    """What a deletion removed: number of cases, and of photos that no other case holds."""

    cases: int
    photos: int


def default_folder() -> Path:
    """Where the store lives unless told otherwise: the user's data folder."""
    return Path(platformdirs.user_data_dir("panelvision", appauthor=False))


def open_store(url: str | Path | None = None, *, photos: str | Path | None = None) -> "CaseStore":
    """Open the case store, making or upgrading its tables as needed.

    Parameters
    ----------
    url : str or path, optional
        A database URL (``postgresql://user@host/name``), or the path of an SQLite file. By
        default the environment variable PANELVISION_STORE, else ``cases.sqlite`` in the
        user's data folder.
    photos : path, optional
        Folder of the photo files. By default beside the SQLite file; for PostgreSQL the
        environment variable PANELVISION_PHOTOS, else the user's data folder. Machines that
        share a PostgreSQL server must share this folder too.

    Raises
    ------
    StoreError
        One line that says what to do, when the store cannot be opened, is damaged, or was
        made by a newer version.
    """
    given = url if url is not None else os.environ.get("PANELVISION_STORE") or None
    if given is None:
        given = default_folder() / "cases.sqlite"
    if isinstance(given, str) and "://" in given:
        try:
            parsed = sa.make_url(given)
        except sa.exc.ArgumentError:
            raise StoreError("case store: the database URL cannot be understood") from None
    else:
        parsed = sa.URL.create("sqlite", database=str(Path(given).expanduser().absolute()))
    folder = _photo_folder(parsed, photos)
    try:
        if parsed.get_backend_name() == "sqlite":
            if not parsed.database or parsed.database == ":memory:":
                raise StoreError("case store: give the path of a file; memory would forget")
            path = Path(parsed.database)
            path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            if not path.exists():
                path.touch(mode=0o600)
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as fault:
        raise StoreError(
            f"case store: {fault.filename or folder} cannot be written ({fault.strerror}); "
            "choose another place with PANELVISION_STORE"
        ) from None
    engine = schema.make_engine(parsed)
    with _told(engine):
        schema.check_integrity(engine)
        schema.migrate(engine)
    store = CaseStore(engine, PhotoFiles(folder))
    store.sweep()
    return store


def _photo_folder(url: sa.URL, given: str | Path | None) -> Path:
    chosen = given if given is not None else os.environ.get("PANELVISION_PHOTOS") or None
    if chosen is not None:
        return Path(chosen).expanduser().absolute()
    if url.get_backend_name() == "sqlite" and url.database:
        path = Path(url.database)
        return path.with_name(path.stem + "-photos")
    return default_folder() / "photos"


@contextlib.contextmanager
def _told(engine: sa.Engine) -> Iterator[None]:
    """Database faults as one line for the user."""
    try:
        yield
    except sa.exc.DBAPIError as fault:
        reason = " ".join(str(fault.orig).split())[:160]
        place = engine.url.render_as_string(hide_password=True)
        raise StoreError(f"case store {place}: {reason}") from fault


def _now() -> str:
    return _stamp(datetime.now(UTC))


def _stamp(moment: datetime) -> str:
    if moment.tzinfo is None:
        raise DataError("a time without its zone cannot be kept; give UTC")
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def _moment(stamp: str | None) -> datetime | None:
    return None if stamp is None else datetime.fromisoformat(stamp)


def _folded(*texts: str) -> str:
    return "\n".join(texts).casefold()


class CaseStore:
    """The shop's memory. Made by `open_store`; may be used from several threads."""

    def __init__(self, engine: sa.Engine, files: PhotoFiles) -> None:
        self.engine = engine
        self.files = files

    def __repr__(self) -> str:
        return f"<CaseStore {self.engine.url.render_as_string(hide_password=True)}>"

    def __enter__(self) -> "CaseStore":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def told(self) -> contextlib.AbstractContextManager[None]:
        """A block whose database faults become one line for the user."""
        return _told(self.engine)

    def close(self) -> None:
        """Let go of the database's connections."""
        self.engine.dispose()

    # --- photos -------------------------------------------------------------------------

    def add_photo(self, data: bytes, *, name: str = "photo") -> StoredPhoto:
        """Keep a photo without its metadata; the same picture is kept once.

        A photo that no case refers to within a day is swept away.

        Raises
        ------
        PhotoError
            If the file cannot be decoded.
        """
        clean = clean_photo(data, name=name)
        stored = StoredPhoto.of(clean)
        self.keep(stored, clean.data)
        return stored

    def keep(self, stored: StoredPhoto, data: bytes) -> None:
        """Keep a file that `clean_photo` made."""
        with self.told(), self.files.prepared(stored, data) as put_in_place:
            with writing(self.engine) as connection:
                schema.lock_photo_files(connection)
                self._insert_photo(connection, stored)
                # The file before the row's commit: a row never lacks its file.
                put_in_place()

    def _insert_photo(self, connection: sa.Connection, stored: StoredPhoto) -> None:
        table = schema.photos
        known = connection.execute(
            sa.update(table).where(table.c.sha256 == stored.sha256).values(created=_now())
        ).rowcount
        if not known:
            connection.execute(
                sa.insert(table).values(created=_now(), **dataclasses.asdict(stored))
            )
        removals = schema.photo_removals
        connection.execute(sa.delete(removals).where(removals.c.sha256 == stored.sha256))

    def photo_path(self, sha256: str) -> Path:
        """Path of a kept photo's file (read only, please)."""
        table = schema.photos
        with self.told(), reading(self.engine) as connection:
            extension = connection.execute(
                sa.select(table.c.extension).where(table.c.sha256 == sha256)
            ).scalar()
        if extension is None:
            raise StoreError(f"no photo {sha256[:12]} in the store")
        return self.files.path(sha256, extension)

    def photo_bytes(self, sha256: str) -> bytes:
        """A kept photo's file, checked against its hash."""
        return self.files.read(self.photo_path(sha256), sha256)

    # --- cases --------------------------------------------------------------------------

    def save_case(self, case: Case) -> Case:
        """Save a new case, or a changed one; returns it with its times and new revision.

        Raises
        ------
        StoreError
            If somebody else has saved the case since it was read: read it again, so that
            neither change is lost. Also if it refers to a photo that was never added.
        DataError
            If a field cannot be kept.
        """
        case = check_case(case)
        with self.told(), writing(self.engine) as connection:
            saved = self.put_case(connection, case)
        return saved

    def put_case(self, connection: sa.Connection, case: Case, *, keep_times: bool = False) -> Case:
        """Insert or update a checked case in a write transaction, as `save_case` says."""
        now = _now()
        if case.customer is not None:
            self.put_customer(connection, case.customer, keep_existing=keep_times)
        created = now if case.created is None else _stamp(case.created)
        updated = _stamp(case.updated) if keep_times and case.updated else now
        outcome = case.outcome
        values: dict[str, Any] = {
            "customer_id": case.customer.id if case.customer else None,
            "label": case.set.label,
            "size_inch": case.set.size_inch,
            "worth": case.set.worth,
            "notes": case.set.notes,
            "symptom": case.symptom,
            "observations": dict(case.observations),
            "done_tests": [dict(test) for test in case.done_tests],
            "advice": case.advice,
            "verdict": case.verdict,
            "outcome_assembly": outcome.assembly if outcome else None,
            "outcome_fault": outcome.fault if outcome else None,
            "outcome_symptom": outcome.symptom if outcome else None,
            "outcome_notes": outcome.notes if outcome else None,
            "costs": dict(case.costs),
            "search_text": _folded(case.set.label, case.set.notes, case.symptom, case.id),
            "created": created,
            "updated": updated,
            "closed": None if case.closed is None else _stamp(case.closed),
        }
        table = schema.cases
        if case.revision == 0:
            revision = 1
            try:
                connection.execute(sa.insert(table).values(id=case.id, revision=revision, **values))
            except sa.exc.IntegrityError:
                raise StoreError(
                    f"case {case.id[:8]} is in the store already; read it again before changing it"
                ) from None
        else:
            revision = case.revision + 1
            changed = connection.execute(
                sa.update(table)
                .where(table.c.id == case.id, table.c.revision == case.revision)
                .values(revision=revision, **values)
            ).rowcount
            if not changed:
                raise StoreError(
                    f"case {case.id[:8]} was changed or deleted elsewhere meanwhile; "
                    "read it again and repeat the change"
                )
        self._put_photos(connection, case)
        return dataclasses.replace(
            case, revision=revision, created=_moment(created), updated=_moment(updated)
        )

    def put_customer(
        self, connection: sa.Connection, customer: Customer, *, keep_existing: bool = False
    ) -> None:
        """Insert or update a customer in a write transaction; or leave an existing one alone."""
        table, now = schema.customers, _now()
        values = _columns_of(customer)
        # That nobody has been asked yet is no word against a consent that stands elsewhere.
        said = now if customer.consent else _stamp(NEVER)
        schema.insert_if_absent(
            connection,
            table,
            {"id": customer.id, "created": now, "updated": now, "consent_set": said, **values},
        )
        held = connection.execute(sa.select(table).where(table.c.id == customer.id)).one()
        if not keep_existing and any(getattr(held, key) != value for key, value in values.items()):
            if held.consent != customer.consent:
                values["consent_set"] = now
            connection.execute(
                sa.update(table).where(table.c.id == customer.id).values(updated=now, **values)
            )

    def bring_customer(
        self, connection: sa.Connection, theirs: Stated, *, newer: bool = False
    ) -> None:
        """Insert a customer of an archive in a write transaction, or merge it with the one here.

        newer: as `customers.merged` says.
        """
        table = schema.customers

        def columns(stated: Stated) -> dict[str, Any]:
            since = stated.consent_set
            return {
                **_columns_of(stated.customer),
                "updated": _stamp(stated.updated),
                "consent_set": None if since is None else _stamp(since),
            }

        mine = table.c.id == theirs.customer.id
        schema.insert_if_absent(
            connection,
            table,
            {"id": theirs.customer.id, "created": _now(), **columns(theirs)},
        )
        held = _stated_of(connection.execute(sa.select(table).where(mine)).one())
        now = merged(held, theirs, newer=newer)
        if now != held:
            connection.execute(sa.update(table).where(mine).values(**columns(now)))

    def _put_photos(self, connection: sa.Connection, case: Case) -> None:
        table = schema.case_photos
        wanted = [photo.sha256 for photo in case.photos]
        if wanted:
            schema.lock_photo_files(connection)
        kept = set(
            connection.execute(
                sa.select(schema.photos.c.sha256).where(schema.photos.c.sha256.in_(wanted))
            ).scalars()
        )
        for photo in case.photos:
            if photo.sha256 not in kept:
                raise StoreError(f"photo {photo.sha256[:12]} is not in the store; add it first")
        connection.execute(sa.delete(table).where(table.c.case_id == case.id))
        if case.photos:
            connection.execute(
                sa.insert(table),
                [
                    {
                        "case_id": case.id,
                        "sha256": photo.sha256,
                        "position": position,
                        "source_sha256": photo.source_sha256,
                        "name": photo.name,
                        "examination": photo.examination,
                    }
                    for position, photo in enumerate(case.photos)
                ],
            )

    def get(self, case_id: str) -> Case:
        """A case by its identity, or by a beginning of it that is no other's.

        Raises
        ------
        StoreError
            If there is none, or more than one.
        """
        table = schema.cases
        wanted = case_id.strip().lower()
        if not wanted or not set(wanted) <= set("0123456789abcdef"):
            raise StoreError(f"'{case_id[:40]}' is not a case number; see 'panelvision cases list'")
        with self.told(), reading(self.engine) as connection:
            found = (
                connection.execute(
                    sa.select(table.c.id).where(table.c.id.startswith(wanted)).limit(2)
                )
                .scalars()
                .all()
            )
            if not found:
                raise StoreError(f"no case {wanted[:32]} in the store")
            if len(found) > 1:
                raise StoreError(f"case {wanted[:32]}: several begin so; give more digits")
            return self._read(connection, [found[0]])[0]

    def search(
        self, text: str = "", *, open_only: bool = False, limit: int | None = None
    ) -> list[Case]:
        """Cases in which every word of ``text`` occurs, the last changed first.

        Looked at: customer's name and contact, label, notes, symptom, case number. Upper and
        lower case are the same.
        """
        table, people = schema.cases, schema.customers
        query = (
            sa.select(table.c.id)
            .outerjoin(people, people.c.id == table.c.customer_id)
            .order_by(table.c.updated.desc(), table.c.id)
        )
        for word in text.casefold().split():
            query = query.where(
                table.c.search_text.contains(word, autoescape=True)
                | people.c.search_text.contains(word, autoescape=True)
            )
        if open_only:
            query = query.where(table.c.closed.is_(None))
        if limit is not None:
            query = query.limit(limit)
        with self.told(), reading(self.engine) as connection:
            return self._read(connection, list(connection.execute(query).scalars()))

    def _read(self, connection: sa.Connection, ids: list[str]) -> list[Case]:
        table, people, held = schema.cases, schema.customers, schema.case_photos
        found: dict[str, Case] = {}
        for batch in _batches(ids):
            pictures: dict[str, list[CasePhoto]] = {}
            for row in connection.execute(
                sa.select(held).where(held.c.case_id.in_(batch)).order_by(held.c.position)
            ):
                pictures.setdefault(row.case_id, []).append(
                    CasePhoto(row.sha256, row.source_sha256, row.name, row.examination)
                )
            for row in connection.execute(
                sa.select(table, people.c.name, people.c.contact, people.c.consent)
                .outerjoin(people, people.c.id == table.c.customer_id)
                .where(table.c.id.in_(batch))
            ):
                found[row.id] = _case_of(row, tuple(pictures.get(row.id, ())))
        return [found[i] for i in ids if i in found]

    def close_case(
        self, case_id: str, outcome: Outcome, *, costs: dict[str, float] | None = None
    ) -> Case:
        """Close a case with what it turned out to be."""
        return self._change(
            case_id,
            lambda case: dataclasses.replace(
                case,
                outcome=outcome,
                closed=datetime.now(UTC),
                costs=case.costs if costs is None else costs,
            ),
        )

    def reopen(self, case_id: str) -> Case:
        """Open a closed case again; its outcome is taken back."""
        return self._change(
            case_id, lambda case: dataclasses.replace(case, outcome=None, closed=None)
        )

    def _change(self, case_id: str, change: Any) -> Case:
        # Read and write are two steps; another's save in between is met by trying again.
        for attempt in range(20):
            case = self.get(case_id)
            try:
                return self.save_case(change(case))
            except StoreError:
                if self.get(case.id).revision == case.revision or attempt == 19:
                    raise
        raise AssertionError("unreachable")

    # --- customers ----------------------------------------------------------------------

    def customers(self) -> list[CustomerEntry]:
        """All customers by name, with how many cases they have."""
        table, people = schema.cases, schema.customers
        query = (
            sa.select(
                people.c.id,
                people.c.name,
                people.c.contact,
                people.c.consent,
                people.c.updated,
                people.c.consent_set,
                sa.func.count(table.c.id).label("all_cases"),
                sa.func.count(
                    sa.case((table.c.closed.is_(None) & table.c.id.is_not(None), 1))
                ).label("open_cases"),
            )
            .outerjoin(table, table.c.customer_id == people.c.id)
            .group_by(people.c.id)
            .order_by(people.c.search_text, people.c.id)
        )
        with self.told(), reading(self.engine) as connection:
            return [
                CustomerEntry(
                    Customer(row.name, row.contact, row.consent, row.id),
                    row.open_cases,
                    row.all_cases,
                    _stated_of(row),
                )
                for row in connection.execute(query)
            ]

    def delete_customer(self, customer_id: str) -> Deletion:
        """Delete a customer for good: rows, photos that no other case holds, and their traces.

        Freed database pages are overwritten (SQLite) or rewritten (PostgreSQL). Archives and
        backups made earlier still hold the customer; so do a PostgreSQL server's own
        write-ahead log and backups until they are recycled.
        """
        people, table = schema.customers, schema.cases
        with self.told(), writing(self.engine) as connection:
            schema.lock_photo_files(connection)
            if not connection.execute(
                sa.select(people.c.id).where(people.c.id == customer_id)
            ).first():
                raise StoreError(f"no customer {customer_id[:32]} in the store")
            deleted = self._delete_cases(connection, table.c.customer_id == customer_id)
            connection.execute(sa.delete(people).where(people.c.id == customer_id))
        self.finish_deletion()
        return deleted

    def delete_case(self, case_id: str) -> Deletion:
        """Delete one case for good, as :meth:`delete_customer` does all of a customer's.

        case_id: whole, or the beginning of it. The customer stays.
        """
        case = self.get(case_id)
        with self.told(), writing(self.engine) as connection:
            schema.lock_photo_files(connection)
            deleted = self._delete_cases(connection, schema.cases.c.id == case.id)
        self.finish_deletion()
        return deleted

    def _delete_cases(self, connection: sa.Connection, which: sa.ColumnElement[bool]) -> Deletion:
        table, held = schema.cases, schema.case_photos
        mine = sa.select(table.c.id).where(which)
        pictures = list(
            connection.execute(
                sa.select(held.c.sha256).where(held.c.case_id.in_(mine)).distinct()
            ).scalars()
        )
        # Not left to ON DELETE CASCADE alone, so that the count is known.
        connection.execute(sa.delete(held).where(held.c.case_id.in_(mine)))
        count = connection.execute(sa.delete(table).where(which)).rowcount
        return Deletion(count, self.give_up_photos(connection, pictures))

    def finish_deletion(self) -> None:
        """Remove given-up files and the deleted rows' traces in the database's free space."""
        self._remove_files()
        self._forget_pages()

    def give_up_photos(self, connection: sa.Connection, candidates: Iterable[str]) -> int:
        """Move photos that no case refers to into the list of files to remove."""
        table, held, removals = schema.photos, schema.case_photos, schema.photo_removals
        given_up = 0
        for batch in _batches(list(candidates)):
            rows = connection.execute(
                sa.select(table.c.sha256, table.c.extension).where(
                    table.c.sha256.in_(batch),
                    ~sa.exists().where(held.c.sha256 == table.c.sha256),
                )
            ).all()
            if rows:
                gone = [row.sha256 for row in rows]
                connection.execute(sa.delete(removals).where(removals.c.sha256.in_(gone)))
                connection.execute(sa.insert(removals), [dict(row._mapping) for row in rows])
                connection.execute(sa.delete(table).where(table.c.sha256.in_(gone)))
                given_up += len(gone)
        return given_up

    def _remove_files(self) -> None:
        removals = schema.photo_removals
        with self.told():
            with reading(self.engine) as connection:
                if not connection.execute(sa.select(removals).limit(1)).first():
                    return
            with writing(self.engine) as connection:
                schema.lock_photo_files(connection)
                for row in connection.execute(sa.select(removals)).all():
                    self.files.remove(row.sha256, row.extension)
                connection.execute(sa.delete(removals))

    def _forget_pages(self) -> None:
        """Rewrite the tables so that deleted rows are not left in free space."""
        with self.told(), self.engine.connect() as connection:
            if self.engine.dialect.name == "sqlite":
                raw = connection.connection.cursor()
                raw.execute("VACUUM")
                raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                raw.close()
            else:
                automatic = connection.execution_options(isolation_level="AUTOCOMMIT")
                for table in ("customers", "cases", "case_photos", "photos"):
                    automatic.exec_driver_sql(f"VACUUM FULL {table}")
                with contextlib.suppress(sa.exc.DBAPIError):  # for privileged users only
                    automatic.exec_driver_sql("CHECKPOINT")

    def sweep(self) -> None:
        """Finish interrupted removals; drop uploads that were given up and torn files."""
        table, held = schema.photos, schema.case_photos
        before = _stamp(datetime.now(UTC) - timedelta(seconds=_GIVEN_UP_AFTER_S))
        stale = sa.select(table.c.sha256).where(
            table.c.created < before, ~sa.exists().where(held.c.sha256 == table.c.sha256)
        )
        with self.told():
            with reading(self.engine) as connection:
                old = list(connection.execute(stale).scalars())
            if old:
                with writing(self.engine) as connection:
                    schema.lock_photo_files(connection)
                    # asked again under the lock: a case may have taken one meanwhile
                    self.give_up_photos(connection, connection.execute(stale).scalars().all())
        self._remove_files()
        self.files.sweep(older_than_s=_GIVEN_UP_AFTER_S, now=time.time())

    # --- what the outcomes teach ----------------------------------------------------------

    def outcomes(self) -> list[dict[str, Any]]:
        """What closed cases turned out to be, for learning.

        One dict a case: ``case``, ``fault`` (may be empty), ``assembly``, ``symptom`` (as the
        technician settled it, or empty: a reading would confirm itself), ``observations`` (name
        to value), ``done_tests``, ``suspects`` (as last advised), ``photo`` (mean of the photos'
        symptom probabilities, or empty), ``closed`` (datetime).
        """
        records = []
        for case in self._closed():
            assert case.outcome is not None
            records.append(
                {
                    "case": case.id,
                    "fault": case.outcome.fault,
                    "assembly": case.outcome.assembly,
                    "symptom": case.outcome.symptom,
                    "observations": dict(case.observations),
                    "done_tests": [dict(test) for test in case.done_tests],
                    "suspects": case.suspects,
                    "photo": _mean_probabilities(case.photos),
                    "closed": case.closed,
                }
            )
        return records

    def training_photos(self) -> Iterator[tuple[bytes, str]]:
        """Photos, each with its confirmed symptom, whose customers agreed to their use.

        Of a set's photos not all show its fault: those that were read as no screen, or as a
        screen without fault, are left out unless that is what was confirmed.
        """
        for case in self._closed():
            if case.customer is None or not case.customer.consent:
                continue
            if case.outcome is not None and case.outcome.symptom:
                for photo in case.photos:
                    read = (photo.examination or {}).get("symptom")
                    if read not in ("normal", "not-a-screen") or read == case.outcome.symptom:
                        yield self.photo_bytes(photo.sha256), case.outcome.symptom

    def _closed(self) -> list[Case]:
        table = schema.cases
        query = (
            sa.select(table.c.id)
            .where(table.c.closed.is_not(None), table.c.outcome_assembly.is_not(None))
            .order_by(table.c.closed, table.c.id)
        )
        with self.told(), reading(self.engine) as connection:
            return self._read(connection, list(connection.execute(query).scalars()))

    def accuracy(self) -> "Accuracy":
        """How often the first and the second suspect were right, and how well calibrated."""
        from panelvision.cases.accuracy import judge

        return judge(self._closed())

    # --- moving house -----------------------------------------------------------------------

    def export(self, path: str | Path) -> "ArchiveSummary":
        """Write all cases and photos to a zip file: JSON, CSV and the photo files."""
        from panelvision.cases.archive import write_archive

        return write_archive(self, Path(path))

    def backup(self, folder: str | Path) -> Path:
        """Write a dated archive into ``folder``, checked by reading it; returns its path."""
        from panelvision.cases.archive import backup

        return backup(self, Path(folder))

    def import_archive(self, path: str | Path) -> "ImportSummary":
        """Add the cases of an archive; of a case that is here too, the later changed one stays.

        So it is with customers. A consent stays only where it was certainly given later than it
        was refused.
        """
        from panelvision.cases.archive import read_archive

        return read_archive(self, Path(path), replace=False)

    def restore(self, path: str | Path) -> "ImportSummary":
        """Make the store what it was when the archive was written; all or nothing."""
        from panelvision.cases.archive import read_archive

        return read_archive(self, Path(path), replace=True)


def _columns_of(customer: Customer) -> dict[str, Any]:
    return {
        "name": customer.name,
        "contact": customer.contact,
        "consent": customer.consent,
        "search_text": _folded(customer.name, customer.contact),
    }


def _stated_of(row: Any) -> Stated:
    return Stated(
        Customer(row.name, row.contact, row.consent, row.id),
        datetime.fromisoformat(row.updated),
        _moment(row.consent_set),
    )


def _case_of(row: Any, pictures: tuple[CasePhoto, ...]) -> Case:
    outcome = None
    if row.outcome_assembly is not None:
        outcome = Outcome(
            row.outcome_assembly, row.outcome_fault, row.outcome_symptom, row.outcome_notes
        )
    customer = None
    if row.customer_id is not None:
        customer = Customer(row.name, row.contact, row.consent, row.customer_id)
    return Case(
        customer=customer,
        set=SetDescription(row.label, row.size_inch, row.notes, row.worth),
        photos=pictures,
        observations=row.observations,
        done_tests=tuple(row.done_tests),
        advice=row.advice,
        verdict=row.verdict,
        outcome=outcome,
        costs=row.costs,
        id=row.id,
        created=_moment(row.created),
        updated=_moment(row.updated),
        closed=_moment(row.closed),
        revision=row.revision,
    )


def _mean_probabilities(pictures: tuple[CasePhoto, ...]) -> dict[str, float]:
    given = [
        record["symptom_probabilities"]
        for photo in pictures
        if (record := photo.examination or {}).get("usable") and record.get("symptom_probabilities")
    ]
    if not given:
        return {}
    return {label: sum(p.get(label) or 0.0 for p in given) / len(given) for label in given[0]}


def _batches(values: list[str]) -> Iterator[list[str]]:
    for start in range(0, len(values), _BATCH):
        yield values[start : start + _BATCH]
