"""Shared fixtures. Material outside the repo is optional: tests that need it say so and skip."""

import json
import os
import sys
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import settings

from tests import tally

# The same inputs in every run.
settings.register_profile("same", derandomize=True)
settings.load_profile("same")

SHARED = Path(os.environ.get("PANELVISION_SHARED", Path(__file__).resolve().parents[2] / "shared"))


@pytest.fixture(scope="session", autouse=True)
def _nobodys_shop(tmp_path_factory):
    """The settings, prices and cases of whoever runs the tests are neither read nor touched."""
    folder = tmp_path_factory.mktemp("nobody")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PANELVISION_CONFIG", str(folder / "config"))
        patch.setenv("XDG_DATA_HOME", str(folder / "data"))
        for name in ("PANELVISION_STORE", "PANELVISION_PHOTOS"):
            patch.delenv(name, raising=False)
        yield


_MAIN = sys.modules["__main__"]


@pytest.fixture(autouse=True)
def _keep_main():
    """Page tests run a script as the main module; processes that later tests spawn need the old."""
    yield
    sys.modules["__main__"] = _MAIN


def shared_folder(name: str) -> Path:
    """The folder of test material, or a skip that says what is missing."""
    folder = SHARED / name
    if not folder.is_dir():
        pytest.skip(f"needs the test material '{name}' beside the repo (../shared/{name})")
    return folder


@pytest.fixture(scope="session")
def photos() -> Path:
    """Folder of real photographs with truth.jsonl."""
    return shared_folder("photos")


@pytest.fixture(scope="session")
def renders() -> Path:
    """Folder of independently rendered photographs with truth.jsonl."""
    return shared_folder("renders")


@pytest.fixture(scope="session")
def bad_files() -> Path:
    """Folder of broken and odd image files."""
    return shared_folder("bad-files")


def truth_of(folder: Path) -> list[dict]:
    """The objects of a folder's truth.jsonl."""
    with open(folder / "truth.jsonl", encoding="utf-8") as lines:
        return [json.loads(line) for line in lines if line.strip()]


# --- what the hostile tests did, over all workers of a run --------------------------------------

_BY_WORKERS: Counter[str] = Counter()


def pytest_sessionfinish(session: pytest.Session) -> None:
    """A worker hands its counts to the process that started it."""
    output = getattr(session.config, "workeroutput", None)
    if output is not None:
        output["tally"] = tally.counts()


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node) -> None:
    """A worker's counts arrive; one that died hands over nothing, and is a crash itself."""
    output = getattr(node, "workeroutput", None)
    _BY_WORKERS.update({tally.CRASHES: 1} if output is None else output.get("tally", {}))


def pytest_terminal_summary(terminalreporter) -> None:
    """The one line at the end."""
    total = _BY_WORKERS + Counter(tally.counts())
    if total:
        terminalreporter.write_line(tally.line(total))
