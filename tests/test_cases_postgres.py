"""The case store on a real PostgreSQL server, which this module starts."""

from pathlib import Path

import pytest

from panelvision.cases import Case, Customer, SetDescription, open_store
from panelvision.errors import StoreError
from tests.case_store_suite import CaseStoreSuite
from tests.postgres_server import running_server

pytestmark = pytest.mark.server


@pytest.fixture(scope="module")
def server():
    with running_server() as started:
        yield started


@pytest.fixture
def url(server):
    return server.new_database()


@pytest.fixture
def other_url(server):
    return server.new_database()


class TestPostgres(CaseStoreSuite):
    """The whole suite, on PostgreSQL."""

    def test_a_deleted_customer_is_gone_from_the_table_files(self, store, server):
        name = "Zzyzx Unmistakable"
        saved = store.save_case(Case(customer=Customer(name), set=SetDescription("", None, name)))
        server.run("psql", "-h", str(server.folder), "-U", server.user, "-c", "CHECKPOINT",
                   str(store.engine.url.database))  # fmt: skip
        assert _files_with(server.folder / "data" / "base", name)
        store.delete_customer(saved.customer.id)
        assert not _files_with(server.folder / "data" / "base", name)


def _files_with(folder: Path, text: str) -> list[Path]:
    wanted = text.encode()
    return [p for p in folder.rglob("*") if p.is_file() and wanted in p.read_bytes()]


def test_a_server_that_is_not_there_is_one_line(tmp_path):
    with pytest.raises(StoreError, match=r"^case store postgresql[^\n]+$") as fault:
        open_store(f"postgresql://u:secret@/x?host={tmp_path}", photos=tmp_path / "p")
    assert "secret" not in str(fault.value)
