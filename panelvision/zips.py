"""Opening zip files that strangers packed, with a bound on what their list of entries takes."""

import io
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

# Of an entry in the list, without its name (PKWARE, APPNOTE.TXT section 4.3.12).
ENTRY_BYTES = 46


class DirectoryTooLarge(ValueError):
    """A zip file whose list of entries is larger than any honest one."""


class _Guarded(io.BufferedReader):
    """Refuses reads in one piece beyond ``most`` bytes, whatever the file claims of itself."""

    most: int | None = None

    def read(self, size: int | None = -1, /) -> bytes:
        if self.most is not None and size is not None and size > self.most:
            raise DirectoryTooLarge(
                f"its list of entries takes more than {self.most // 1_000_000} MB"
            )
        return super().read(size)


@contextmanager
def opened_zip(
    source: Path | bytes, *, entries: int, name_bytes: int = 255
) -> Iterator[zipfile.ZipFile]:
    """A zip file, from the disk or from memory, for reading.

    ``zipfile`` reads the list of entries as a whole, before anybody can count them; here it
    may take no more than ``entries`` with names of ``name_bytes`` do. Entries that are
    fewer but not few enough are the caller's to count.

    Raises
    ------
    DirectoryTooLarge
        When the list takes more.
    OSError, zipfile.BadZipFile, and whatever else a hostile list makes zipfile raise.
    """
    raw = io.BytesIO(source) if isinstance(source, bytes) else io.FileIO(source)
    with _Guarded(raw) as file:
        file.most = entries * (ENTRY_BYTES + name_bytes)
        with zipfile.ZipFile(file) as archive:
            file.most = None  # the list has been read
            yield archive
