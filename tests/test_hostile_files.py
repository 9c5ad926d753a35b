"""Broken and hostile photo files: an answer or one line, within bounds."""

import io
import json
import os
import resource
import struct
import zipfile
import zlib
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms

from panelvision.cases import open_store
from panelvision.cli import main
from panelvision.errors import PanelvisionError, PhotoError
from panelvision.files import TEMPORARY_PREFIX, write_atomically
from panelvision.photo import MAX_PIXELS, read_photo
from panelvision.settings import Settings, save_settings
from panelvision.triage import sort_photos
from tests import tally, toy_pipeline
from tests.case_store_suite import full_case
from tests.fuzz_targets import packed

FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "HEIF", "GIF")


def picture(form: str) -> bytes:
    rng = np.random.default_rng(1)
    pixels = rng.integers(0, 256, (48, 64, 3), dtype=np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, form)
    return buffer.getvalue()


WHOLE = {form: picture(form) for form in FORMATS}


def answer(data: bytes) -> str:
    """ "read", or the one line that was said instead."""
    try:
        with tally.tried():
            photo = read_photo(data, name="x.jpg")
    except PhotoError as fault:
        assert "\n" not in str(fault)
        assert str(fault).startswith("x.jpg: ")
        assert len(str(fault)) < 220
        return str(fault)
    assert photo.pixels.ndim == 3
    return "read"


@pytest.mark.parametrize("form", FORMATS)
def test_every_hundredth_of_the_length(form):
    data = WHOLE[form]
    said = [answer(data[: len(data) * i // 100]) for i in range(100)]
    # A file that was cut never passes for a whole one without a word.
    assert "read" not in said


@pytest.mark.parametrize("form", FORMATS)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_flipped_bits(form, data):
    whole = bytearray(WHOLE[form])
    flips = data.draw(st.lists(st.integers(0, len(whole) * 8 - 1), min_size=1, max_size=8))
    for bit in flips:
        whole[bit // 8] ^= 1 << (bit % 8)
    answer(bytes(whole))


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes(data):
    assert answer(data) != ""


@settings(max_examples=80, deadline=None)
@given(st.sampled_from(FORMATS), st.binary(max_size=200))
def test_any_bytes_behind_a_true_beginning(form, tail):
    answer(WHOLE[form][:24] + tail)


def png_bomb(width: int, height: int) -> bytes:
    """A PNG that claims a size and holds next to nothing."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        check = zlib.crc32(kind + body)
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", check)

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0" * 1000))
        + chunk(b"IEND", b"")
    )


def jpeg_bomb(width: int, height: int) -> bytes:
    """A JPEG whose frame header claims a size."""
    data = bytearray(WHOLE["JPEG"])
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


def tiff_bomb(width: int, height: int) -> bytes:
    """A TIFF whose directory claims a size."""
    entries = [(256, 4, width), (257, 4, height), (258, 3, 8), (259, 3, 1), (262, 3, 1)]
    entries += [(273, 4, 8), (277, 3, 1), (278, 4, height), (279, 4, 1)]
    body = struct.pack("<H", len(entries))
    for tag, kind, value in entries:
        body += struct.pack("<HHII", tag, kind, 1, value)
    return b"II*\0" + struct.pack("<I", 8) + body + b"\0\0\0\0"


def webp_bomb(width: int, height: int) -> bytes:
    """A WebP whose extended header claims a canvas, up to 2^24 a side (RFC 9649, 2.7)."""
    body = b"VP8X" + struct.pack("<I", 10) + b"\0\0\0\0"
    body += struct.pack("<I", width - 1)[:3] + struct.pack("<I", height - 1)[:3]
    body = b"WEBP" + body + WHOLE["WEBP"][12:]
    return b"RIFF" + struct.pack("<I", len(body)) + body


def heic_bomb(width: int, height: int) -> bytes:
    """A HEIC whose image extents (box ``ispe``, ISO/IEC 23008-12) claim a size."""
    data = bytearray(WHOLE["HEIF"])
    at = -1
    while (at := data.find(b"ispe", at + 1)) >= 0:
        data[at + 8 : at + 16] = struct.pack(">II", width, height)
    return bytes(data)


BOMBS = (png_bomb, jpeg_bomb, tiff_bomb, webp_bomb, heic_bomb)


@pytest.mark.parametrize("bomb", BOMBS)
def test_a_claimed_size_is_refused_before_decoding(bomb):
    side = 20_000
    assert side * side > MAX_PIXELS
    said = answer(bomb(side, side))
    if bomb is heic_bomb:  # the decoder sees for itself that no picture fills the claim
        assert "damaged or incomplete" in said
    else:
        assert "megapixels; send a smaller copy" in said


def test_a_webp_frame_of_the_largest_size_stays_within_the_limit():
    # The format's own header cannot say more than 16383 x 16383 (14 bits a side, RFC 9649).
    data = bytearray(WHOLE["WEBP"])
    at = data.index(b"\x9d\x01\x2a") if b"\x9d\x01\x2a" in data else None
    if at is None:
        pytest.skip("this Pillow writes another kind of WebP")
    data[at + 3 : at + 7] = struct.pack("<HH", 16383, 16383)
    assert answer(bytes(data)) != "read"


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="needs Linux's /proc")
def test_bombs_take_no_memory(tmp_path):
    for bomb in BOMBS:
        (tmp_path / f"{bomb.__name__}.jpg").write_bytes(bomb(20_000, 20_000))
    (tmp_path / "fine.jpg").write_bytes(WHOLE["JPEG"])
    found = tally.memory_of(
        f"""
from pathlib import Path
from panelvision.errors import PhotoError
from panelvision.photo import read_photo
def once():
    for path in Path({str(tmp_path)!r}).iterdir():
        try:
            read_photo(path)
        except PhotoError:
            pass
""",
        repeats=3,
    )
    # chosen: a picture of the claimed size would take 1200 MB; codecs' own tables are allowed for
    tally.check_bound(found["peak"] - found["high"], 40, "reading files that claim 400 megapixels")


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="needs Linux's /proc")
def test_packed_bombs_take_no_memory(tmp_path):
    """Zeros and lying sizes in zip files, a case archive, a mailbox of nothing but beginnings."""
    zeros = b"\0" * 60_000_000
    with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("zeros.jpg", zeros)
        archive.writestr("in.zip", packed({"zeros.tif": zeros}, zipfile.ZIP_DEFLATED))
    raw = bytearray((tmp_path / "a.zip").read_bytes())
    struct.pack_into("<I", raw, raw.index(b"PK\x01\x02") + 24, 1000)
    (tmp_path / "b.zip").write_bytes(raw)
    (tmp_path / "c.mbox").write_bytes(b"From \n\n" * 2_000_000)
    manifest = b'{"format": "panelvision cases 1"}'
    cases = packed({"manifest.json": manifest, "cases.json": zeros, "customers.json": b"[]"},
                   zipfile.ZIP_DEFLATED)  # fmt: skip
    (tmp_path / "cases.zip").write_bytes(cases)
    found = tally.memory_of(
        f"""
from itertools import islice
from pathlib import Path
from panelvision.cases import open_store
from panelvision.errors import PanelvisionError
from panelvision.inbox import Incoming, read_inbox
folder = Path({str(tmp_path)!r})
store = open_store(folder / "s.sqlite")
def once():
    for name in ("a.zip", "b.zip", "c.mbox"):
        for item in islice(read_inbox([folder / name]), 3):
            try:
                isinstance(item, Incoming) and item.read()
            except PanelvisionError:
                pass
    try:
        store.import_archive(folder / "cases.zip")
        raise SystemExit("taken")
    except PanelvisionError:
        pass
""",
    )
    # chosen: an entry of the largest size allowed for a mail or a photo, read once, stays below
    tally.check_bound(found["peak"] - found["high"], 200, "reading packed bombs")


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="needs Linux's /proc")
def test_broken_photos_leave_no_memory_behind(tmp_path):
    for form, data in WHOLE.items():
        (tmp_path / f"whole.{form}").write_bytes(data)
        (tmp_path / f"cut.{form}").write_bytes(data[: len(data) * 2 // 3])
        (tmp_path / f"turned.{form}").write_bytes(data[:200] + data[200:][::-1])
    found = tally.memory_of(
        f"""
from pathlib import Path
from panelvision.errors import PhotoError
from panelvision.photo import read_photo
files = [path.read_bytes() for path in sorted(Path({str(tmp_path)!r}).iterdir())]
def once():
    for data in files:
        try:
            read_photo(data)
        except PhotoError:
            pass
""",
        warm_up=10,
        repeats=200,
    )
    # 1200 whole photos of 9 kB are 11 MB: were each kept, or its decoder, this would show
    tally.check_bound(found["growth"], 5, "after reading 1200 whole and 2400 broken photos")


@pytest.mark.parametrize("form", FORMATS)
def test_a_single_pixel_is_too_small(form):
    buffer = io.BytesIO()
    Image.new("RGB", (1, 1)).save(buffer, form)
    assert "too small to judge" in answer(buffer.getvalue())


@pytest.mark.parametrize(
    "name",
    [
        "with space.jpg", "umlaut-ä-日本.jpg", "new\nline.jpg", "a" * 240 + ".jpg", "-dash.jpg",
        "a" * 300 + ".jpg", "[bold]x.jpg", "\x1b[31m.jpg",
    ],
)  # fmt: skip
def test_odd_names_are_one_line(tmp_path, name, capsys):
    path = tmp_path / name
    with suppress(OSError):  # no file system takes 300 characters
        path.write_bytes(b"nothing")
    with pytest.raises(PhotoError) as caught, tally.tried():
        read_photo(path)
    assert str(caught.value).isprintable()
    with tally.tried():
        assert main(["examine", str(path), "--jsonl", "-"]) == 1
    shown = capsys.readouterr()
    (line,) = shown.out.splitlines()
    told = json.loads(line)["error"]
    assert told.replace(" ", "") in "".join(shown.err.split())  # to people in the same words


def test_wrong_extension_is_read_by_its_content(tmp_path):
    path = tmp_path / "photo.png"
    path.write_bytes(WHOLE["JPEG"])
    assert read_photo(path).format == "JPEG"


def test_a_link_in_a_circle_and_a_pipe_are_refused(tmp_path):
    loop = tmp_path / "loop.jpg"
    loop.symlink_to(loop)
    with pytest.raises(PhotoError), tally.tried():
        read_photo(loop)
    (tmp_path / "nowhere.jpg").symlink_to(tmp_path / "absent.jpg")
    with pytest.raises(PhotoError, match="no such file"), tally.tried():
        read_photo(tmp_path / "nowhere.jpg")
    (tmp_path / "whole.jpg").write_bytes(WHOLE["JPEG"])
    (tmp_path / "link.jpg").symlink_to(tmp_path / "whole.jpg")
    assert read_photo(tmp_path / "link.jpg").width == 64
    pipe = tmp_path / "pipe.jpg"
    os.mkfifo(pipe)
    with pytest.raises(PhotoError, match="no such file"):
        read_photo(pipe)


@pytest.mark.parametrize("form", ["TIFF", "GIF", "WEBP", "HEIF", "PNG", "AVIF"])
def test_first_of_several_frames_is_said(form):
    """Pages of a TIFF, moving GIF, WebP and PNG, and several pictures in one HEIC."""
    frames = [Image.new("RGB", (64, 48), c) for c in ("red", "blue", "green")]
    buffer = io.BytesIO()
    frames[0].save(buffer, form, save_all=True, append_images=frames[1:])
    with tally.tried():
        photo = read_photo(buffer.getvalue())
    assert "first of 3 frames" in photo.notes
    assert photo.pixels.shape == (48, 64, 3)
    assert np.abs(photo.pixels[20, 20].astype(int) - (255, 0, 0)).max() <= 6


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "TIFF"])
@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_absurd_orientation_and_profile_cost_nothing(form, orientation):
    exif = Image.Exif()
    exif[0x0112] = orientation
    buffer = io.BytesIO()
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes() + b"x" * 500_000
    image = Image.new("RGB", (64, 48), "red")
    image.save(buffer, form, exif=exif.tobytes(), icc_profile=profile)
    with tally.tried():
        photo = read_photo(buffer.getvalue())
    assert (photo.orientation, photo.width, photo.height) == (1, 64, 48)
    assert np.abs(photo.pixels[20, 20].astype(int) - (255, 0, 0)).max() <= 6


@pytest.mark.skipif(not Path("/proc/self/mem").exists(), reason="needs Linux's /proc")
def test_unreadable_and_vanishing_files_are_one_line(tmp_path, monkeypatch):
    # the first bytes of a process's own memory: opens, and cannot be read, even by root
    with pytest.raises(PhotoError, match="mem: cannot be opened"), tally.tried():
        read_photo("/proc/self/mem")
    going = tmp_path / "going.jpg"
    going.write_bytes(WHOLE["JPEG"])
    whole_read = Path.read_bytes

    def too_late(path: Path) -> bytes:
        going.unlink()
        return whole_read(path)

    monkeypatch.setattr(Path, "read_bytes", too_late)
    tally.add(tally.FAULTS)
    with pytest.raises(PhotoError, match=r"going.jpg: cannot be opened \(No such file"):
        read_photo(going)


# --- a disk that is full, a folder that takes nothing -------------------------------------------


@contextmanager
def full_disk(after: int):
    """No file of this process grows beyond ``after`` bytes: the error of a full disk, nearly."""
    usual = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (after, usual[1]))
    tally.add(tally.FAULTS)
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, usual)


def writers(store, folder: Path):
    """What writes files of the user's: name of the file, and the writing."""
    return [
        ("settings.toml", lambda p: save_settings(Settings(shop="x" * 150), p)),
        ("out.zip", store.export),
        ("results.jsonl", lambda p: write_atomically(p, b"{}" * 5000)),
        ("sorted", lambda p: sort_photos([folder / "box"], out=p, workers=0,
                                         examine=toy_pipeline.examine,
                                         compare=toy_pipeline.compare,
                                         version=toy_pipeline.version)),
    ]  # fmt: skip


@pytest.fixture
def shop(tmp_path):
    """A folder with photos to sort, and a store with a case."""
    (tmp_path / "box").mkdir()
    (tmp_path / "box" / "a.png").write_bytes(toy_pipeline.photo("normal", 1))
    with open_store(tmp_path / "s.sqlite") as store:
        store.save_case(full_case(store))
        yield store


@pytest.mark.parametrize("which", range(4))
@pytest.mark.parametrize("after", [0, 100])
def test_a_full_disk_leaves_the_old_file_and_nothing_half_written(tmp_path, shop, which, after):
    name, write = writers(shop, tmp_path)[which]
    target = tmp_path / "out" / name
    write(target)
    before = {p: p.read_bytes() for p in tally.files_in(tmp_path / "out") if p.is_file()}
    with tally.nothing_left(tmp_path / "out"):
        with full_disk(after), pytest.raises((PanelvisionError, OSError)) as caught:
            write(target)
    if which != 2:  # the plain helper passes on what the system says
        assert isinstance(caught.value, PanelvisionError)
    assert "\n" not in str(caught.value)
    after_ = {p: p.read_bytes() for p in tally.files_in(tmp_path / "out") if p.is_file()}
    assert after_ == before


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs Linux's /proc")
@pytest.mark.parametrize("which", [0, 1, 3])
def test_a_folder_that_takes_nothing_is_one_line(tmp_path, shop, which):
    name, write = writers(shop, tmp_path)[which]
    # the superuser may write into any folder of a disk, and yet not into this one
    folders = [Path("/proc")] if os.geteuid() == 0 else [Path("/proc"), _read_only(tmp_path)]
    for folder in folders:
        tally.add(tally.FAULTS)
        with pytest.raises(PanelvisionError, match=r"^[^\n]+$"):
            write(folder / name)
        tally.check_left(p for p in folder.iterdir() if p.name.startswith(TEMPORARY_PREFIX))


def _read_only(folder: Path) -> Path:
    shut = folder / "shut"
    shut.mkdir()
    shut.chmod(0o500)
    return shut


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_disk_is_one_line(tmp_path, capsys):
    broken = tmp_path / "a.jpg"
    broken.write_bytes(b"nothing")
    assert main(["examine", str(broken), "--jsonl", "/dev/full"]) == 2
    error = capsys.readouterr().err.strip().splitlines()[-1]
    assert "cannot be written" in error


def test_a_folder_that_cannot_be_made_is_one_line(tmp_path, capsys):
    blocker = tmp_path / "file"
    blocker.write_text("")
    assert main(["examine", "a.jpg", "--overlay", str(blocker / "sub")]) == 2
    assert "cannot be made" in capsys.readouterr().err
