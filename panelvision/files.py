"""Files that are either the old or the new one, whatever happens in between."""

import io
import itertools
import json
import os
import secrets
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, BinaryIO

from panelvision.arrays import IntArray
from panelvision.errors import PanelvisionError

TEMPORARY_PREFIX = ".partial-"


def check_json_target(target: str) -> None:
    """Refuse to write JSON lines over a file that holds something else, such as a photo.

    Raises
    ------
    PanelvisionError
        When ``target`` is an existing file that neither is empty nor starts with ``{``.
    """
    path = Path(target)
    try:
        if not path.is_file():
            return
        with path.open("rb") as file:
            start = file.read(1)
    except OSError:  # opening it for writing will tell
        return
    if start not in (b"", b"{"):
        raise PanelvisionError(
            f"{target}: holds something other than JSON lines and is left as it is; "
            "name the output file right after --jsonl"
        )


def write_atomically(path: Path, data: bytes, *, mode: int = 0o600) -> None:
    """Write ``data`` to ``path``: complete and on the disk, or not at all.

    Written beside the target, flushed to the disk, then renamed over it, and the folder's
    entry flushed too (POSIX ``rename`` is atomic within one file system).
    """
    with replacing(path, mode=mode) as file:
        file.write(data)


@contextmanager
def replacing(path: Path, *, mode: int = 0o600) -> Iterator[BinaryIO]:
    """A file to write into, readable and writable, that takes ``path``'s place on success."""
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.parent / f"{TEMPORARY_PREFIX}{os.getpid()}-{secrets.token_hex(6)}"
    handle = os.open(temporary, os.O_RDWR | os.O_CREAT | os.O_EXCL, mode)
    try:
        with os.fdopen(handle, "w+b") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    flush_folder(path.parent)


def flush_folder(folder: Path) -> None:
    """Bring a folder's entries (names created, replaced, removed) to the disk."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # some systems cannot open folders; there the rename is all we have
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)


def sweep_temporaries(
    folder: Path, *, older_than_s: float, now: float, dead_writers: bool = False
) -> int:
    """Remove what a killed writer left behind below ``folder``; returns how many files.

    ``dead_writers``: also younger files whose writer no longer runs on this machine; only where
    no other machine writes.
    """
    removed = 0
    for left in folder.rglob(f"{TEMPORARY_PREFIX}*"):
        try:
            old = now - left.stat().st_mtime > older_than_s
            if old or (dead_writers and not writer_runs(left.name)):
                left.unlink()
                removed += 1
        except OSError:
            continue
    return removed


def writer_runs(name: str, prefix: str = TEMPORARY_PREFIX) -> bool:
    """Whether the process that a temporary file is named after still runs; True if not known."""
    writer = name.removeprefix(prefix).partition("-")[0]
    if os.name != "posix" or not writer.isascii() or not writer.isdigit():
        return True
    try:
        os.kill(int(writer), 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def make_folder(folder: Path) -> None:
    """Make a folder that is not there yet.

    Raises
    ------
    PanelvisionError
        One line, when it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise PanelvisionError(
            f"{folder}: cannot be made ({fault.strerror}); choose another folder"
        ) from None


def write_picture(
    folder: Path, source: str, kind: str, pixels: IntArray, written: set[Path]
) -> None:
    """Write ``<name of the source>-<kind>.png``, uint8 RGB (h, w, 3), whole or not at all.

    Parameters
    ----------
    written : set of Path
        Files written before, which are not written over; the new one is added.

    Raises
    ------
    PanelvisionError
        One line, when it cannot be written.
    """
    from PIL import Image

    stem = "".join(c if c.isalnum() or c in "-_." else "_" for c in Path(source).stem)[:80]
    # Photos of one name from two folders, or in two formats, have a picture each.
    for number in itertools.count(1):
        more = "" if number == 1 else f"-{number}"
        target = folder / f"{stem or 'photo'}{more}-{kind}.png"
        if target not in written:
            break
    written.add(target)
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "PNG", compress_level=3)
    try:
        # Written beside and renamed, so that a full disk leaves no half picture.
        write_atomically(target, buffer.getvalue(), mode=0o644)
    except OSError as fault:
        raise PanelvisionError(f"{target.name}: cannot be written ({fault.strerror})") from None


def json_line(record: Mapping[str, Any]) -> str:
    """A record as one line of JSON without its end."""
    text = json.dumps(record, ensure_ascii=False)
    # A file's name may hold bytes that are no letters; JSON has an escape for those.
    return text.encode("utf-8", "backslashreplace").decode("utf-8")
