"""Shared fixtures. Material outside the repo is optional: tests that need it say so and skip."""

import json
import os
import sys
from pathlib import Path

import pytest

SHARED = Path(os.environ.get("PANELVISION_SHARED", Path(__file__).resolve().parents[2] / "shared"))


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
