"""Results that outlive the run: one file each, named by the photo's content and the model."""

import contextlib
import hashlib
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from panelvision.errors import PanelvisionError
from panelvision.files import sweep_temporaries, write_atomically

# Raised when the files' layout changes, so that old ones are not misread.
_LAYOUT = 1
_ABOUT = b"""Finished results of 'panelvision sort', so that a second run does only what is
new. They hold small copies of the photos. Delete the folder to start afresh.
"""


class OutputError(PanelvisionError, OSError):
    """An output folder that cannot be used."""


class ResultFiles:
    """A folder of finished results.

    A result is written whole or not at all, so whatever is there after a kill is good, and what
    is not there is simply done again.
    """

    def __init__(self, folder: Path, version: str) -> None:
        self.folder = folder
        self.version = version
        self._tag = hashlib.sha256(f"{_LAYOUT}\n{version}".encode()).hexdigest()[:12]
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            if not (folder / "README.txt").exists():
                write_atomically(folder / "README.txt", _ABOUT, mode=0o644)
        except OSError as fault:
            raise _unwritable(folder, fault) from None

    def key(self, *sha256: str) -> str:
        """Name of the result for these photos and this model."""
        content = sha256[0] if len(sha256) == 1 else hashlib.sha256(
            "\n".join(sha256).encode()
        ).hexdigest()  # fmt: skip
        return f"{content}-{len(sha256)}-{self._tag}"

    def _path(self, key: str) -> Path:
        return self.folder / key[:2] / f"{key}.json"

    def get(self, key: str) -> dict[str, Any] | None:
        """A finished result, or None."""
        try:
            record = json.loads(self._path(key).read_bytes())
        except (OSError, ValueError):
            return None
        return record if isinstance(record, dict) else None

    def put(self, key: str, record: dict[str, Any]) -> None:
        """Keep a finished result."""
        text = json.dumps(record, ensure_ascii=False, allow_nan=False)
        try:
            write_atomically(self._path(key), text.encode("utf-8", "replace"))
        except OSError as fault:
            raise OutputError(
                f"{self.folder}: cannot be written ({fault.strerror}); free space and run again: "
                "what is done is kept"
            ) from None

    def sweep(self, now: float) -> None:
        """Remove what killed runs left half-written; this run holds the folder alone."""
        sweep_temporaries(self.folder, older_than_s=3600, now=now, dead_writers=True)


@contextlib.contextmanager
def only_run(out: Path) -> Iterator[None]:
    """Hold the output folder; a second run into it at the same time is refused.

    A folder that is not there yet is made for its owner only.
    """
    try:
        out.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as fault:
        raise _unwritable(out, fault) from None
    try:
        import fcntl
    except ImportError:  # not on this system: two runs at once stay the user's affair
        yield
        return
    try:
        handle = os.open(out / ".running", os.O_RDWR | os.O_CREAT, 0o600)
    except OSError as fault:
        raise _unwritable(out, fault) from None
    try:
        try:
            # the lock ends with the process, however it ends
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise OutputError(
                f"{out}: another run is writing there; wait for it or choose another --out"
            ) from None
        yield
    finally:
        os.close(handle)


def _unwritable(folder: Path, fault: OSError) -> OutputError:
    return OutputError(f"{folder}: cannot be written ({fault.strerror}); choose another --out")
