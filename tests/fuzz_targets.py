"""Everything that reads what strangers wrote, as functions of bytes, with valid seeds of each.

A target either takes its input, and then the result is checked, or refuses it with a
PanelvisionError of one line. Anything else is a crash.
"""

import io
import json
import random
import re
import shutil
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from email.message import EmailMessage
from pathlib import Path

import av
import numpy as np
from PIL import Image, ImageCms

from models.measure import read_truth
from panelvision.advise_cli import read_observations
from panelvision.cases import open_store
from panelvision.clip import read_clip
from panelvision.errors import PanelvisionError, PhotoError
from panelvision.inbox import Trouble, read_inbox
from panelvision.isolate import advise
from panelvision.knowledge import DATA_FOLDER, load_knowledge
from panelvision.labels import SYMPTOMS
from panelvision.photo import read_photo
from panelvision.settings import load_settings
from tests.case_store_suite import full_case

# chosen: decoding stays quick; the limit of the program itself is tested in a process of its own
_PIXELS = 1_000_000
_KNOWLEDGE = ("faults", "bench_tests", "parts", "cautions", "meters")
_SHOP = (
    b"[economy]\nlabour_per_hour = 60\nset_value = 90\n[part.timing-board]\nprice = [45, 55]\n"
    b"[test.torch]\nminutes = 9\nrisk = 0.5\n[opening.back-off]\nminutes = 30\n"
)
_SETTINGS = (
    b'shop = "Lamp"\ncontact = "1 Lane"\ncurrency = "kr"\nlabour_per_hour = 5.5\ntheme = "dark"\n'
)
_OBSERVATIONS = (
    b'{"photo": {"faint-image": 0.9, "no-image": 0.1}, "observations": {"sound": "yes"}, '
    b'"done_tests": ["torch"], "set_value": 150}'
)
# A digit more, and no sum can hold them.
_LONG_NUMBERS = (
    b'{"photo": {"no-image": 1}, "observations": {"main-rails": %d}, "set_value": %d}'
    % (10**307, 10**307)
)
_BETWEEN = b"\n--\n"

Reader = Callable[[bytes], None]


@dataclass(frozen=True)
class Target:
    """One reader: its valid inputs, and how it is set up in a folder of its own."""

    name: str
    seeds: Callable[[], list[bytes]]
    reader: Callable[[Path], Reader]


def attempt(read: Reader, data: bytes) -> str:
    """``"valid"`` or ``"refused"``; every other outcome is an exception, and so a crash."""
    try:
        read(data)
    except PanelvisionError as fault:
        assert "\n" not in str(fault), f"more than one line: {str(fault)[:200]!r}"
        assert str(fault).strip(), "a refusal without a word"
        return "refused"
    return "valid"


# --- photos -----------------------------------------------------------------------------------


def picture(form: str, frames: int = 1, mode: str = "RGB", **options: object) -> bytes:
    """A small photo file of noise, with as many frames as asked for."""
    dice = np.random.default_rng(1)
    images = [
        Image.fromarray(dice.integers(0, 256, (40, 48, 3), dtype=np.uint8)).convert(mode)
        for _ in range(frames)
    ]
    if frames > 1:
        options |= {"save_all": True, "append_images": images[1:]}
    file = io.BytesIO()
    images[0].save(file, form, **options)
    return file.getvalue()


def exif(orientation: int = 6) -> bytes:
    """An EXIF block with an orientation, a place and a maker."""
    tags = Image.Exif()
    tags[0x0112], tags[0x010F] = orientation, "maker"
    tags.get_ifd(0x8825)[1] = "N"
    return tags.tobytes()


def photos() -> list[bytes]:
    """A photo of every format and of every way through the decoder's front."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    wide = io.BytesIO()
    Image.fromarray(np.arange(40 * 48, dtype=np.uint16).reshape(40, 48) * 30).save(wide, "PNG")
    return [
        picture("JPEG", exif=exif()), picture("JPEG", mode="CMYK"),
        picture("JPEG", icc_profile=profile), picture("JPEG", progressive=True),
        picture("PNG"), picture("PNG", mode="P"), picture("PNG", mode="RGBA"),
        picture("PNG", icc_profile=profile), picture("PNG", 2), wide.getvalue(),
        picture("WEBP"), picture("WEBP", 2), picture("WEBP", lossless=True, exif=exif(3)),
        picture("TIFF"), picture("TIFF", 2), picture("TIFF", compression="tiff_lzw"),
        picture("TIFF", mode="F"), picture("HEIF"), picture("HEIF", 2), picture("GIF", 3),
        picture("BMP"), picture("PPM"), picture("AVIF"),
    ]  # fmt: skip


def _photo(_: Path) -> Reader:
    def read(data: bytes) -> None:
        photo = read_photo(data, name="x.jpg", max_pixels=_PIXELS)
        assert photo.pixels.ndim == 3 and photo.pixels.shape[2] == 3
        assert photo.width * photo.height <= _PIXELS and 1 <= photo.orientation <= 8

    return read


def clips() -> list[bytes]:
    """A short clip of each kind of container that phones make."""
    dice = np.random.default_rng(1)
    made = []
    for form, codec in (("mp4", "mpeg4"), ("mov", "mjpeg"), ("matroska", "mpeg4")):
        file = io.BytesIO()
        with av.open(file, "w", format=form) as out:
            stream = out.add_stream(codec, rate=10)
            stream.width, stream.height = 64, 48
            stream.pix_fmt = "yuvj420p" if codec == "mjpeg" else "yuv420p"
            for _ in range(5):
                pixels = dice.integers(0, 256, (48, 64, 3), dtype=np.uint8)
                out.mux(stream.encode(av.VideoFrame.from_ndarray(pixels, format="rgb24")))
            out.mux(stream.encode())
        made.append(file.getvalue())
    return made


def _clip(folder: Path) -> Reader:
    def read(data: bytes) -> None:
        path = folder / "clip.mp4"
        path.write_bytes(data)
        assert all(photo.pixels.ndim == 3 for photo in read_clip(path, most=4))

    return read


# --- what customers sent ----------------------------------------------------------------------


def packed(files: dict[str, bytes], method: int = zipfile.ZIP_STORED) -> bytes:
    """A zip file of the given entries."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", method) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return file.getvalue()


def mail(sender: str = "Ann <ann@example.org>", **files: bytes) -> bytes:
    """A mail with the given attachments; ``_`` in a name stands for the dot."""
    message = EmailMessage()
    message["From"], message["Subject"] = sender, "=?utf-8?q?T=C3=BC?="
    message.set_content("It went dark.")
    for name, data in files.items():
        message.add_attachment(
            data, maintype="image", subtype="jpeg", filename=name.replace("_", ".")
        )
    return message.as_bytes()


def zips() -> list[bytes]:
    """Zip files: stored, packed, nested, with a mail inside."""
    small = picture("JPEG", quality=5)
    return [
        packed({"a.jpg": small, "b/c.png": b"\x89PNG\r\n\x1a\n", "m.eml": mail(a_jpg=small)}),
        packed({"in.zip": packed({"x.jpg": small}), "e.jpg": b""}, zipfile.ZIP_DEFLATED),
        packed({"a.tif": small}, zipfile.ZIP_LZMA), packed({"a.gif": small}, zipfile.ZIP_BZIP2),
        packed({}),
    ]  # fmt: skip


def mails() -> list[bytes]:
    """Single mails: attachments, a forwarded mail, an archive, nothing."""
    small = picture("JPEG", quality=5)
    outer = EmailMessage()
    outer["From"] = "bob@example.org"
    outer.set_content("see below")
    inner = EmailMessage()
    inner.set_content("original")
    inner.add_attachment(small, maintype="image", subtype="jpeg")
    outer.add_attachment(inner)
    return [mail(a_jpg=small), mail(p_zip=packed({"x.jpg": small})), outer.as_bytes(), mail()]


def mailboxes() -> list[bytes]:
    """Mailboxes with one and several messages and both line ends."""
    small = picture("JPEG", quality=5)
    two = b"From x\n" + mail(a_jpg=small) + b"\nFrom y\n" + mail("b@x.org", b_jpg=small)
    return [two, two.replace(b"\n", b"\r\n"), b"From x\n\n"]


def _inbox(name: str) -> Callable[[Path], Reader]:
    def reader(folder: Path) -> Reader:
        path = folder / name

        def read(data: bytes) -> None:
            path.write_bytes(data)
            for item in read_inbox([path]):
                assert item.name.isprintable() and ".." not in item.name.split("/"), item.name
                if isinstance(item, Trouble):
                    assert "\n" not in item.reason
                    continue
                try:
                    item.read()
                except PhotoError as fault:
                    assert "\n" not in str(fault)

        return read

    return reader


# --- data files -------------------------------------------------------------------------------


def knowledge_files() -> list[bytes]:
    """Each knowledge file behind one byte that says which it is."""
    return [
        b"%d" % i + (DATA_FOLDER / f"{name}.toml").read_bytes() for i, name in enumerate(_KNOWLEDGE)
    ]


def _knowledge(folder: Path) -> Reader:
    whole = {name: (DATA_FOLDER / f"{name}.toml").read_bytes() for name in _KNOWLEDGE}
    for name, text in whole.items():
        (folder / f"{name}.toml").write_bytes(text)

    def read(data: bytes) -> None:
        name = _KNOWLEDGE[(data[0] - ord("0")) % len(_KNOWLEDGE) if data else 0]
        path = folder / f"{name}.toml"
        path.write_bytes(data[1:])
        try:
            known = load_knowledge(folder=folder)
        finally:
            path.write_bytes(whole[name])
        assert abs(known.prior.sum() - 1) < 1e-9 and np.isfinite(known.joint).all()
        for table in known.likelihoods.values():
            assert np.isfinite(table).all() and np.allclose(table.sum(axis=0), 1)

    return read


def _shop(folder: Path) -> Reader:
    def read(data: bytes) -> None:
        (folder / "shop.toml").write_bytes(data)
        known = load_knowledge(folder / "shop.toml")
        assert np.isfinite([known.repair_cost(part) for part in known.parts.values()]).all()

    return read


def _settings(folder: Path) -> Reader:
    def read(data: bytes) -> None:
        (folder / "settings.toml").write_bytes(data)
        load_settings(folder / "settings.toml")

    return read


def truths() -> list[bytes]:
    """A truth file with every label."""
    rows = [{"file": "a.jpg", "symptom": s, "fully_visible": True, "n": 1.5} for s in SYMPTOMS]
    return ["\n".join(map(json.dumps, rows)).encode(), b'{"file": "a.jpg", "symptom": "normal"}\n']


def _truth(folder: Path) -> Reader:
    (folder / "a.jpg").write_bytes(b"x")

    def read(data: bytes) -> None:
        (folder / "truth.jsonl").write_bytes(data)
        assert all(truth["symptom"] in SYMPTOMS for truth in read_truth(folder))

    return read


# --- the case store's archive -----------------------------------------------------------------


def archives() -> list[bytes]:
    """A true archive of two cases."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with open_store(folder / "s.sqlite") as store:
            for seed in (1, 2):
                store.save_case(full_case(store, seed))
            store.export(folder / "out.zip")
        return [(folder / "out.zip").read_bytes()]


def archive_texts() -> list[bytes]:
    """The JSON files of a true archive, one behind the other: the way past the checksums."""
    with zipfile.ZipFile(io.BytesIO(archives()[0])) as archive:
        return [_BETWEEN.join(archive.read(f"{n}.json") for n in _PARTS)]


_PARTS = ("cases", "customers", "manifest")


def _archive(folder: Path) -> Reader:
    store = open_store(folder / "s.sqlite")

    def read(data: bytes) -> None:
        (folder / "in.zip").write_bytes(data)
        before = len(store.search())
        try:
            store.import_archive(folder / "in.zip")
        except PanelvisionError:
            assert len(store.search()) == before, "a refused archive changed the store"
            raise

    return read


def _archive_text(folder: Path) -> Reader:
    read = _archive(folder)
    with zipfile.ZipFile(io.BytesIO(archives()[0])) as archive:
        rest = {n: archive.read(n) for n in archive.namelist() if not n.endswith(".json")}
        usual = [archive.read(f"{n}.json") for n in _PARTS]

    def read_text(data: bytes) -> None:
        texts = data.split(_BETWEEN, 2)
        texts += usual[len(texts) :]
        files = {f"{n}.json": text for n, text in zip(_PARTS, texts, strict=True)}
        read(packed(files | rest))

    return read_text


def _observations(folder: Path) -> Reader:
    known = load_knowledge()

    def read(data: bytes) -> None:
        path = folder / "seen.json"
        path.write_bytes(data)
        seen = read_observations(path)
        advice = advise(
            seen.photo, seen.observations, done_tests=seen.done, set_value=seen.set_value,
            knowledge=known,
        )  # fmt: skip
        assert abs(sum(advice.suspects.assemblies.values()) - 1) < 1e-6

    return read


TARGETS = {
    target.name: target
    for target in (
        Target("photo", photos, _photo),
        Target("clip", clips, _clip),
        Target("zip", zips, _inbox("x.zip")),
        Target("eml", mails, _inbox("x.eml")),
        Target("mbox", mailboxes, _inbox("x.mbox")),
        Target("knowledge", knowledge_files, _knowledge),
        Target("shop", lambda: [_SHOP], _shop),
        Target("settings", lambda: [_SETTINGS], _settings),
        Target("observations", lambda: [_OBSERVATIONS, _LONG_NUMBERS], _observations),
        Target("truth", truths, _truth),
        Target("archive", archives, _archive),
        Target("archive-text", archive_texts, _archive_text),
    )
}


# --- mutation ---------------------------------------------------------------------------------

_ODD = (
    b"", b"0", b"-1", b"1e999", b"nan", b"true", b"null", b"[]", b"{}", b'""', b"\0", b"\xff",
    b"99999999999999999999", b"\r\n", b'"', b"[[", b"'''", b"9999-12-31T23:59:59+14:00",
    b"0001-01-01T00:00:00+14:00", b'"\\ud800"', b"\xff\xff\xff\xff", b"\x7f\xff\xff\xff",
)  # fmt: skip
_WORD = re.compile(rb"[-\w.+]+|\"[^\"\n]*\"|\[[^\[\]\n]*\]|\{[^{}]*\}")


def mutated(data: bytes, dice: random.Random, others: list[bytes]) -> bytes:
    """The input with one to four changes of bytes, blocks, words or lines."""
    for _ in range(dice.choice((1, 1, 1, 2, 4))):
        data = dice.choice(_CHANGES)(data, dice, others)
    return data


def _some_bytes(data: bytes, dice: random.Random, _: list[bytes]) -> bytes:
    changed = bytearray(data or b"\0")
    for _i in range(dice.choice((1, 1, 2, 8))):
        changed[dice.randrange(len(changed))] = dice.choice(
            (0, 1, 127, 128, 255, dice.getrandbits(8))
        )
    return bytes(changed)


def _a_bit(data: bytes, dice: random.Random, _: list[bytes]) -> bytes:
    changed = bytearray(data or b"\0")
    changed[dice.randrange(len(changed))] ^= 1 << dice.randrange(8)
    return bytes(changed)


def _a_block(data: bytes, dice: random.Random, others: list[bytes]) -> bytes:
    """A block left out, doubled, or put in from another input."""
    a, b = sorted(dice.randrange(len(data) + 1) for _ in range(2))
    b = min(b, a + dice.choice((1, 4, 64, 4096)))
    other = dice.choice(others)
    at = dice.randrange(len(other) + 1)
    middle = dice.choice((b"", data[a:b] * 2, other[at : at + b - a], dice.choice(_ODD)))
    return data[:a] + middle + data[b:]


def _cut(data: bytes, dice: random.Random, _: list[bytes]) -> bytes:
    return data[: dice.randrange(len(data) + 1)]


def _a_word(data: bytes, dice: random.Random, _: list[bytes]) -> bytes:
    """A word, text, list or object replaced by another of the same input or by an odd one."""
    words = list(_WORD.finditer(data[:200_000]))
    if not words:
        return data
    old, new = dice.choice(words), dice.choice((dice.choice(words)[0], dice.choice(_ODD)))
    return data[: old.start()] + new + data[old.end() :]


def _a_line(data: bytes, dice: random.Random, _: list[bytes]) -> bytes:
    lines = data.split(b"\n")
    i, j = dice.randrange(len(lines)), dice.randrange(len(lines))
    lines[i : i + 1] = dice.choice(([], [lines[i]] * 2, [lines[j]], [lines[j], lines[i]]))
    return b"\n".join(lines)


_CHANGES = (_some_bytes, _a_bit, _a_block, _cut, _a_word, _a_word, _a_line)


def fresh_folder(folder: Path) -> Path:
    """The folder, empty."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    return folder
