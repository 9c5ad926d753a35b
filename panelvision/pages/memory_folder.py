"""A folder for what only a path can be given for: in memory where the system offers that."""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath

from panelvision.files import writer_runs

# Linux keeps this in memory; elsewhere the usual temporary folder is used. Either way what was
# written is gone when the work on it is done.
_IN_MEMORY = Path("/dev/shm")
_PREFIX = "panelvision-"


@contextmanager
def memory_folder() -> Iterator[Path]:
    """A private folder (mode 700) that is deleted at the end, whatever happens."""
    base = _IN_MEMORY if os.access(_IN_MEMORY, os.W_OK) else Path(tempfile.gettempdir())
    sweep(base)
    with tempfile.TemporaryDirectory(prefix=f"{_PREFIX}{os.getpid()}-", dir=base) as folder:
        yield Path(folder)


def sweep(base: Path) -> None:
    """Delete the folders of servers that were killed at work: they hold customers' photos."""
    for left in base.glob(f"{_PREFIX}*"):
        if not writer_runs(left.name, _PREFIX):
            shutil.rmtree(left, ignore_errors=True)


def own_name(number: int, given: str) -> str:
    """A file name of our own for an upload: a number, and the ending if it is a plain one."""
    suffix = PurePosixPath(given.replace("\\", "/")).suffix.lower()
    plain = suffix[1:].isascii() and suffix[1:].isalnum() and len(suffix) <= 6
    return f"{number:04d}{suffix if plain else ''}"
