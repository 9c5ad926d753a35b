"""Photo files under the hash of their content, each written once, whole or not at all."""

import contextlib
import hashlib
import os
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from panelvision.cases.strip import CleanPhoto
from panelvision.errors import StoreError
from panelvision.files import TEMPORARY_PREFIX, flush_folder, sweep_temporaries


@dataclass(frozen=True)
class StoredPhoto:
    """A kept photo: hash of the kept file, its extension, its size and its pixels."""

    sha256: str
    extension: str
    size_bytes: int
    width: int
    height: int

    @classmethod
    def of(cls, clean: CleanPhoto) -> "StoredPhoto":
        """The record of a stripped photo."""
        digest = hashlib.sha256(clean.data).hexdigest()
        return cls(digest, clean.extension, len(clean.data), clean.width, clean.height)


class PhotoFiles:
    """A folder of photo files; the first two digits of the hash make the subfolders."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, sha256: str, extension: str) -> Path:
        """Where a photo is, or would be."""
        return self.folder / sha256[:2] / f"{sha256}.{extension}"

    @contextlib.contextmanager
    def prepared(self, stored: StoredPhoto, data: bytes) -> Iterator[Callable[[], None]]:
        """Write the bytes to a temporary file now; the given function moves it into place.

        So the slow part happens before the database is locked, and the quick one inside.
        """
        target = self.path(stored.sha256, stored.extension)
        temporary = target.parent / f"{TEMPORARY_PREFIX}{os.getpid()}-{secrets.token_hex(6)}"
        try:
            self._write(temporary, data)
            yield lambda: self._place(temporary, target)
        except OSError as fault:
            raise StoreError(
                f"photo folder {self.folder} cannot be written ({fault.strerror}); "
                "free space or choose another with PANELVISION_PHOTOS"
            ) from None
        finally:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)

    def _write(self, temporary: Path, data: bytes) -> None:
        temporary.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())

    def _place(self, temporary: Path, target: Path) -> None:
        os.replace(temporary, target)
        flush_folder(target.parent)
        flush_folder(self.folder)

    def read(self, path: Path, sha256: str) -> bytes:
        """A file's bytes, or StoreError if it is gone or altered."""
        try:
            data = path.read_bytes()
        except OSError as fault:
            raise StoreError(
                f"photo {sha256[:12]} cannot be read ({fault.strerror}); restore the last backup"
            ) from None
        if hashlib.sha256(data).hexdigest() != sha256:
            raise StoreError(
                f"photo {sha256[:12]} was altered on the disk; restore the last backup"
            )
        return data

    def remove(self, sha256: str, extension: str) -> None:
        """Remove a photo's file if it is there."""
        target = self.path(sha256, extension)
        target.unlink(missing_ok=True)
        if target.parent.is_dir():
            flush_folder(target.parent)

    def sweep(self, *, older_than_s: float, now: float) -> None:
        """Remove what killed writers left."""
        sweep_temporaries(self.folder, older_than_s=older_than_s, now=now)
