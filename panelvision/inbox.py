"""What customers sent: folders, zip files and mail files, read as a stream of photos.

Nothing is ever unpacked to the disk, so a name inside an archive cannot lead anywhere; names
are labels only. Sizes are counted while reading, because headers lie.
"""

import email
import email.header
import email.policy
import email.utils
import hashlib
import os
import stat
import zipfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass, field, replace
from email.message import Message
from itertools import islice
from pathlib import Path, PurePosixPath

from panelvision.errors import PanelvisionError, PhotoError
from panelvision.photo import MAX_BYTES
from panelvision.zips import DirectoryTooLarge, opened_zip

PHOTO_SUFFIXES = frozenset(
    ".jpg .jpeg .jpe .jfif .png .webp .heic .heif .hif .avif .tif .tiff .gif .bmp .pgm .ppm .pnm "
    ".mpo".split()
)
CLIP_SUFFIXES = tuple(".mp4 .mov .m4v .3gp .3g2 .webm .mkv .avi .mts .m2ts .wmv".split())
# Pictures that no decoder here reads: not sorted, but not passed over in silence either.
_UNREAD_SUFFIXES = frozenset(
    ".ico .cur .sgi .rgb .tga .psd .xcf .pcx .dds .eps .jp2 .j2k .jpx .jxl .djvu .wmf .emf .pict "
    ".raw .cr3 .raf .orf .rw2 .x3f".split()
)
_MAIL_SUFFIXES = frozenset((".eml",))
_MAILBOX_SUFFIXES = frozenset((".mbox", ".mbx"))
# Entries of a zip whose first bytes are looked at; a photo without a suffix is still a photo.
_LOOKED_INTO = frozenset().union(
    PHOTO_SUFFIXES, _UNREAD_SUFFIXES, CLIP_SUFFIXES, _MAIL_SUFFIXES, _MAILBOX_SUFFIXES,
    {".zip", ""},
)  # fmt: skip
# chosen: mail servers commonly refuse more than 25 to 50 MB; base64 adds a third.
MAX_MESSAGE_BYTES = 150_000_000
# chosen: a zip in a mail in a zip; deeper is not how customers send photos.
MAX_DEPTH = 3
# chosen: a hundred times the largest day of a shop; a bound against archives of dust.
MAX_ENTRIES = 100_000
# chosen: more than photos ever take; what a compressed archive may swell to in all.
MAX_TOTAL_BYTES = 200_000_000_000
# Photos are compressed already; DEFLATE itself cannot exceed 1032 (zlib, "Technical Details").
MAX_RATIO = 200
_RATIO_FREE_BYTES = 5_000_000
_Opener = Callable[[], AbstractContextManager[zipfile.ZipFile]]


@dataclass(frozen=True)
class Incoming:
    """One photo as it came in.

    Attributes
    ----------
    name : str
        Its path below the given folder, or the archive's or message's name and its own.
    group : str
        What it belongs to: ``"mail:ADDRESS"``, or ``"folder:MARK:PATH"`` and ``"mail:MARK:PATH"``
        with a mark of the source that was given, since folders of two customers may have one
        name; empty for a loose photo.
    sender : str
        The mail address it came from, or empty.
    subject : str
        Of the mail, or empty.
    read : callable
        Returns its bytes; raises PhotoError in one line.
    """

    name: str
    group: str
    read: Callable[[], bytes] = field(repr=False, compare=False)
    sender: str = ""
    subject: str = ""


@dataclass(frozen=True)
class Trouble:
    """Something that is not among the photos and is therefore reported.

    Attributes
    ----------
    name : str
    reason : str
        One line why.
    wanted : str
        What would help instead (a key of ``messages.WANTED``): ``"file"`` of what came damaged,
        ``"kind"`` of what came whole and is not sorted, ``"single"`` of what was not opened.
    group, sender, subject : str
        As of :class:`Incoming`.
    """

    name: str
    reason: str
    wanted: str = "single"
    group: str = ""
    sender: str = ""
    subject: str = ""


class InboxError(PanelvisionError, ValueError):
    """A source that cannot be read at all."""


def read_inbox(sources: Iterable[str | Path]) -> Iterator[Incoming | Trouble]:
    """The photos below the given folders and files, in a fixed order.

    Folders are walked (links are not followed), zip, .eml and .mbox files opened, also inside
    one another. Files that are neither photos nor archives by name or content are passed over.

    Raises
    ------
    InboxError
        When a source does not exist.
    """
    counter = _Counter()
    for source in sources:
        path = Path(source)
        try:
            mode = path.stat().st_mode
        except (OSError, ValueError) as fault:
            reason = getattr(fault, "strerror", None) or str(fault)
            shown = "".join(c if c.isprintable() else "?" for c in str(path))
            raise InboxError(f"{shown}: cannot be read ({reason}); check the path") from None
        if stat.S_ISDIR(mode):
            found = _folder(path, counter)
        else:
            # named on the command line: taken for a photo unless it is a container
            found = _file(path, path.name, "", 0, counter, named=True)
        mark = hashlib.sha256(os.fsencode(os.path.realpath(path))).hexdigest()[:8]
        for item in found:
            kind, _, place = item.group.partition(":")
            own = not item.group or item.sender
            yield item if own else replace(item, group=f"{kind}:{mark}:{place}")


class _Counter:
    """Counts entries and unpacked bytes over one run."""

    def __init__(self) -> None:
        self.entries = 0
        self.bytes = 0

    def entry(self) -> bool:
        self.entries += 1
        return self.entries <= MAX_ENTRIES


def label(name: str) -> str:
    """A name fit for one line: printable, without leading slashes, drive or parent folders."""
    parts = [
        part
        for part in PurePosixPath(name.replace("\\", "/")).parts
        if part not in ("/", "..", ".")
    ]
    text = "/".join(parts) or "photo"
    text = "".join(c if c.isprintable() else "?" for c in text)
    text = text.encode("utf-8", "replace").decode("utf-8")
    return text if len(text) <= 200 else text[:120] + "..." + text[-70:]


# --- folders ----------------------------------------------------------------------------------


def _folder(root: Path, counter: _Counter) -> Iterator[Incoming | Trouble]:
    troubles: list[Trouble] = []

    def unreadable(fault: OSError) -> None:
        name = os.path.relpath(str(fault.filename), root)
        troubles.append(Trouble(label(name), f"cannot be opened ({fault.strerror})"))

    for folder, subfolders, files in os.walk(root, onerror=unreadable, followlinks=False):
        yield from troubles
        troubles.clear()
        subfolders[:] = sorted(d for d in subfolders if not _ignored(d))
        below = os.path.relpath(folder, root)
        group = "" if below == "." else f"folder:{label(f'{root.absolute().name}/{below}')}"
        for file in sorted(files):
            if _ignored(file):
                continue
            path = Path(folder) / file
            name = label(file if below == "." else f"{below}/{file}")
            yield from _of(group, _file(path, name, group, 0, counter))
    yield from troubles


def _of(
    group: str, items: Iterable[Incoming | Trouble], sender: str = "", subject: str = ""
) -> Iterator[Incoming | Trouble]:
    """The items; what belongs to nobody yet belongs to this group."""
    for item in items:
        if item.sender or (item.group and not sender):
            yield item
        else:
            yield replace(item, group=group, sender=sender, subject=subject)


def _ignored(name: str) -> bool:
    # hidden files, what Finder and Explorer leave behind, and our own output
    return name.startswith((".", "__MACOSX")) or name.lower() in ("thumbs.db", "desktop.ini")


def _file(
    path: Path, name: str, group: str, depth: int, counter: _Counter, *, named: bool = False
) -> Iterator[Incoming | Trouble]:
    try:
        status = path.lstat()
        if stat.S_ISLNK(status.st_mode) and not named:
            if path.suffix.lower() in PHOTO_SUFFIXES:
                yield Trouble(name, "is a link; links are not followed: copy the photo itself")
            return
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            if named or path.suffix.lower() in PHOTO_SUFFIXES:
                yield Trouble(name, "is not a regular file")
            return
        with open(path, "rb") as file:
            head = file.read(32)
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or str(fault)
        yield Trouble(name, f"cannot be opened ({reason}); check its permissions")
        return
    kind = _kind(name, head, named=named)
    if kind == "mailbox":
        yield from _mailbox(path, name, depth, counter)
    elif kind == "zip":
        yield from _zip(lambda: opened_zip(path, entries=MAX_ENTRIES), name, group, depth, counter)
    elif kind == "mail":
        if status.st_size > MAX_MESSAGE_BYTES:
            yield Trouble(name, f"mail larger than {MAX_MESSAGE_BYTES // 1_000_000} MB")
        else:
            yield from _mail(_file_reader(path, name, MAX_MESSAGE_BYTES), name, depth, counter)
    elif kind == "photo":
        if counter.entry():
            yield Incoming(name, group, _file_reader(path, name, MAX_BYTES))
        else:
            yield Trouble(name, f"left out: more than {MAX_ENTRIES} photos at once")
    elif kind:
        yield _unsorted(kind, name)


def _file_reader(path: Path, name: str, limit: int) -> Callable[[], bytes]:
    def read() -> bytes:
        try:
            with open(path, "rb") as file:
                data = file.read(limit + 1)
        except (OSError, ValueError) as fault:
            reason = getattr(fault, "strerror", None) or str(fault)
            raise PhotoError(f"{name}: cannot be opened ({reason})") from None
        if len(data) > limit:
            raise PhotoError(f"{name}: larger than {limit // 1_000_000} MB; send a smaller copy")
        return data

    return read


def _kind(name: str, head: bytes, *, named: bool = False) -> str:
    """What a file is, by content, then by name; empty for what has nothing to do with photos.

    ``"photo"``, ``"zip"``, ``"mail"``, ``"mailbox"``, or ``"clip"`` and ``"unread"`` for what
    shows something and is not sorted.
    """
    suffix = PurePosixPath(name).suffix.lower()
    if head[:4] in (b"PK\x03\x04", b"PK\x05\x06"):
        # a zip by content; office documents and programs are zips too, and hold no photos of sets
        return "zip" if suffix in (".zip", "") or named else ""
    if suffix == ".zip":
        return "zip"
    if suffix in _MAIL_SUFFIXES:
        return "mail"
    if suffix in _MAILBOX_SUFFIXES or (suffix == "" and head[:5] == b"From "):
        return "mailbox"
    if suffix in PHOTO_SUFFIXES or _looks_like_a_photo(head) or named:
        return "photo"
    if is_clip(name):
        return "clip"
    return "unread" if suffix in _UNREAD_SUFFIXES else ""


def is_clip(name: str) -> bool:
    """Whether a file's name says that it is a video."""
    return PurePosixPath(name).suffix.lower() in CLIP_SUFFIXES


def _unsorted(kind: str, name: str) -> Trouble:
    """Why a clip or an unknown kind of picture is not among the sorted photos."""
    if kind == "clip":
        why = "is a clip; clips are not sorted: give it to the photo page by itself"
    else:
        why = "is a kind of picture that is not read; ask for the photo as JPEG"
    return Trouble(name, why, wanted="kind")


def _looks_like_a_photo(head: bytes) -> bool:
    return (
        head[:3] == b"\xff\xd8\xff"
        or head[:8] == b"\x89PNG\r\n\x1a\n"
        or (head[:4] == b"RIFF" and head[8:12] == b"WEBP")
        or (head[4:8] == b"ftyp" and head[8:12] in (b"heic", b"heix", b"mif1", b"msf1", b"avif"))
        or head[:4] in (b"II*\0", b"MM\0*")
    )


# --- zip --------------------------------------------------------------------------------------


def _zip(
    open_: _Opener, name: str, group: str, depth: int, counter: _Counter
) -> Iterator[Incoming | Trouble]:
    if depth >= MAX_DEPTH:
        yield Trouble(name, f"archives are nested more than {MAX_DEPTH} deep; unpack it first")
        return
    with ExitStack() as stack:
        try:
            archive = stack.enter_context(open_())
        except PhotoError as fault:
            yield Trouble(name, str(fault))
            return
        except DirectoryTooLarge as fault:
            yield Trouble(name, f"{fault}; left out")
            return
        except Exception as fault:  # a hostile directory can raise nearly anything
            reason = " ".join(str(fault).split())[:80] or type(fault).__name__
            yield Trouble(
                name, f"not a zip file that can be read ({reason}); ask for it again", "file"
            )
            return
        entries = archive.infolist()
        if len(entries) > MAX_ENTRIES:
            yield Trouble(name, f"holds more than {MAX_ENTRIES} entries; left out")
            return
        for entry in sorted(entries, key=lambda e: e.filename):
            folder = "/".join(label(entry.filename).split("/")[:-1])
            own_group = group or (f"folder:{name}/{folder}" if folder else "")
            found = _zip_entry(open_, archive, entry, name, own_group, depth, counter)
            yield from _of(own_group, found)


def _zip_entry(
    open_: _Opener,
    archive: zipfile.ZipFile,
    entry: zipfile.ZipInfo,
    name: str,
    group: str,
    depth: int,
    counter: _Counter,
) -> Iterator[Incoming | Trouble]:
    inner = label(entry.filename)
    # not is_dir(), which trips over an empty name
    if entry.filename.endswith("/") or any(_ignored(part) for part in inner.split("/")):
        return
    full = f"{name}/{inner}"
    suffix = PurePosixPath(inner).suffix.lower()
    wanted = suffix in _LOOKED_INTO
    if stat.S_ISLNK(entry.external_attr >> 16):
        if wanted:
            yield Trouble(full, "is a link; links are not followed")
        return
    if not wanted:
        return
    if entry.flag_bits & 1:
        yield Trouble(full, "is encrypted; ask for the photo without a password")
        return
    if entry.file_size > _RATIO_FREE_BYTES and entry.file_size > MAX_RATIO * max(
        entry.compress_size, 1
    ):
        yield Trouble(full, "swells absurdly when unpacked; left out")
        return
    read = _zip_reader(open_, entry, full, counter)
    try:
        with archive.open(entry) as file:
            head = file.read(32)
    except Exception as fault:
        reason = " ".join(str(fault).split())[:80] or type(fault).__name__
        yield Trouble(full, f"damaged in the archive ({reason}); ask for the photo again", "file")
        return
    kind = _kind(inner, head)
    if kind == "photo":
        if counter.entry():
            yield Incoming(full, group, read)
        else:
            yield Trouble(full, f"left out: more than {MAX_ENTRIES} photos at once")
    elif kind:
        yield from _nested(kind, read, full, group, depth + 1, counter)


def _zip_reader(
    open_: _Opener, member: zipfile.ZipInfo, name: str, counter: _Counter
) -> Callable[[], bytes]:
    def read() -> bytes:
        try:
            with open_() as archive, archive.open(member) as file:
                data = file.read(MAX_MESSAGE_BYTES + 1)
        except PhotoError:
            raise
        except Exception as fault:  # decompressors raise errors of their own
            reason = " ".join(str(fault).split())[:80] or type(fault).__name__
            raise PhotoError(
                f"{name}: damaged in the archive ({reason}); ask for the photo again"
            ) from None
        if len(data) > MAX_BYTES:
            raise PhotoError(f"{name}: larger than {MAX_BYTES // 1_000_000} MB; left out")
        counter.bytes += len(data)
        if counter.bytes > MAX_TOTAL_BYTES:
            raise PhotoError(f"{name}: the archives swell beyond any sense; left out")
        return data

    return read


def _nested(
    kind: str, read: Callable[[], bytes], name: str, group: str, depth: int, counter: _Counter
) -> Iterator[Incoming | Trouble]:
    """What is inside a container and no photo; containers are opened in memory."""
    if kind in ("clip", "unread"):
        yield _unsorted(kind, name)
    elif kind == "zip":
        yield from _zip(
            lambda: opened_zip(read(), entries=MAX_ENTRIES), name, group, depth, counter
        )
    elif depth >= MAX_DEPTH:
        yield Trouble(name, f"archives are nested more than {MAX_DEPTH} deep; unpack it first")
    elif kind == "mail":
        yield from _mail(read, name, depth, counter)
    else:
        yield Trouble(name, "a mailbox inside an archive; unpack it first")


# --- mail -------------------------------------------------------------------------------------


def _mailbox(path: Path, name: str, depth: int, counter: _Counter) -> Iterator[Incoming | Trouble]:
    try:
        spans = list(islice(_message_spans(path), MAX_ENTRIES + 1))
    except OSError as fault:
        yield Trouble(name, f"cannot be read ({fault.strerror})")
        return
    if not spans:
        yield Trouble(name, "no message found; export the mail again as .mbox")
    if len(spans) > MAX_ENTRIES:
        yield Trouble(name, f"holds more than {MAX_ENTRIES} messages; the rest is left out")
    for number, (start, end) in enumerate(spans[:MAX_ENTRIES], 1):
        here = f"{name}/message {number}"
        if end - start > MAX_MESSAGE_BYTES:
            yield Trouble(here, f"mail larger than {MAX_MESSAGE_BYTES // 1_000_000} MB; left out")
        else:
            yield from _mail(_span_reader(path, here, start, end), here, depth, counter)


def _message_spans(path: Path) -> Iterator[tuple[int, int]]:
    """Where each message begins and ends, in bytes, without the line ``From ...`` before it.

    A message begins at a line ``From `` at the start or after an empty line (RFC 4155,
    appendix A, and what programs do). Lines are read in bounded pieces.
    """
    with open(path, "rb") as file:
        start: int | None = None
        at = 0
        previous_empty, line_start = True, True
        while True:
            piece = file.readline(1_000_000)
            if not piece:
                break
            if line_start and previous_empty and piece.startswith(b"From "):
                if start is not None:
                    yield start, at
                start = at + len(piece)
            if line_start:
                previous_empty = piece in (b"\n", b"\r\n")
            line_start = piece.endswith(b"\n")
            at += len(piece)
        if start is not None:
            yield start, at


def _span_reader(path: Path, name: str, start: int, end: int) -> Callable[[], bytes]:
    def read() -> bytes:
        try:
            with open(path, "rb") as file:
                file.seek(start)
                return file.read(end - start)
        except OSError as fault:
            raise PhotoError(f"{name}: cannot be read ({fault.strerror})") from None

    return read


def _mail(
    read: Callable[[], bytes], name: str, depth: int, counter: _Counter
) -> Iterator[Incoming | Trouble]:
    try:
        message = _parsed(read())
        sender, subject = _sender(message), _header(message, "Subject")
        parts = list(_attachments(message))
    except PhotoError as fault:
        yield Trouble(name, str(fault))
        return
    except Exception as fault:  # the mail library trips over some broken messages
        reason = " ".join(str(fault).split())[:80] or type(fault).__name__
        yield Trouble(name, f"mail that cannot be understood ({reason}); open it by hand", "file")
        return
    group = f"mail:{sender}" if sender else f"mail:{name}"
    for index, (file_name, head) in parts:
        full = f"{name}/{file_name}"
        part = _part_reader(read, index, full)
        kind = _kind(file_name, head)
        found: Iterable[Incoming | Trouble] = ()
        if kind == "photo" and counter.entry():
            found = [Incoming(full, group, part, sender, subject)]
        elif kind == "photo":
            found = [Trouble(full, f"left out: more than {MAX_ENTRIES} photos at once")]
        elif kind:
            found = _nested(kind, part, full, group, depth + 1, counter)
        yield from _of(group, found, sender, subject)


def _parsed(data: bytes) -> Message:
    # The older policy: the newer one raises on many malformed headers while reading them.
    return email.message_from_bytes(data, policy=email.policy.compat32)


def _header(message: Message, name: str) -> str:
    """A header decoded, in one printable line of at most 200 characters."""
    raw = message.get(name)
    if raw is None:
        return ""
    try:
        text = str(email.header.make_header(email.header.decode_header(raw)))
    except Exception:  # unknown character sets, broken encodings
        text = str(raw)
    return _plain(text)


def _plain(text: str) -> str:
    """One printable line of at most 200 characters."""
    text = "".join(c if c.isprintable() else " " for c in text)
    text = text.encode("utf-8", "replace").decode("utf-8")
    return " ".join(text.split())[:200]


def _sender(message: Message) -> str:
    # A form on a web page writes for all customers; who asked is whom the answer goes to
    # (RFC 5322, section 3.6.2).
    for name in ("Reply-To", "From", "Sender"):
        # As it came: a name decoded first may hold a comma ("Surname, First") and pass for two.
        for text in (str(message.get(name) or ""), _header(message, name)):
            address = email.utils.parseaddr(text)[1]
            if "@" in address:
                return _plain(address).casefold()
    return ""


def _attachments(message: Message) -> Iterator[tuple[int, tuple[str, bytes]]]:
    """Index in walking order, name and first bytes of every part that has content of its own."""
    for index, part in enumerate(_walk(message)):
        if part.is_multipart():
            continue
        kind = part.get_content_type()
        file_name = _part_name(part)
        if not file_name and not kind.startswith("image/"):
            continue
        body = _body(part)
        if not file_name:
            file_name = f"photo{index}.{kind.partition('/')[2] or 'jpg'}"
        yield index, (label(file_name).rpartition("/")[2], body[:32])


def _walk(message: Message) -> Iterator[Message]:
    """All parts, also of forwarded messages; no recursion for a hostile mail to exhaust."""
    waiting: list[Message] = [message]
    count = 0
    while waiting and count < 10_000:
        part = waiting.pop(0)
        count += 1
        yield part
        if part.is_multipart():
            waiting[:0] = [p for p in part.get_payload() if isinstance(p, Message)]


def _part_name(part: Message) -> str:
    raw = part.get_filename()
    if not raw:
        return ""
    try:
        return str(email.header.make_header(email.header.decode_header(raw)))
    except Exception:
        return str(raw)


def _body(part: Message) -> bytes:
    payload = part.get_payload(decode=True)
    return payload if isinstance(payload, bytes) else b""


def _part_reader(read: Callable[[], bytes], index: int, name: str) -> Callable[[], bytes]:
    def body() -> bytes:
        for i, part in enumerate(_walk(_parsed(read()))):
            if i == index:
                data = _body(part)
                if len(data) > MAX_BYTES:
                    raise PhotoError(f"{name}: larger than {MAX_BYTES // 1_000_000} MB; left out")
                return data
        raise PhotoError(f"{name}: no longer in the mail; was the file changed meanwhile?")

    return body
