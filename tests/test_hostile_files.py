"""Broken and hostile photo files: an answer or one line, within bounds."""

import io
import os
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from panelvision.cli import main
from panelvision.errors import PhotoError
from panelvision.photo import MAX_PIXELS, read_photo

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
    assert len(said) == 100
    # A file cut in its first half never passes for a whole one without a word, save formats
    # whose decoders fill up (and then the picture has its full size).
    assert said[0] != "read"


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


@pytest.mark.parametrize("bomb", [png_bomb, jpeg_bomb, tiff_bomb])
def test_a_claimed_size_is_refused_before_decoding(bomb):
    side = 20_000
    assert side * side > MAX_PIXELS
    said = answer(bomb(side, side))
    assert "megapixels; send a smaller copy" in said


def test_a_webp_frame_of_the_largest_size_stays_within_the_limit():
    # The format's own header cannot say more than 16383 x 16383 (14 bits a side, RFC 9649).
    data = bytearray(WHOLE["WEBP"])
    at = data.index(b"\x9d\x01\x2a") if b"\x9d\x01\x2a" in data else None
    if at is None:
        pytest.skip("this Pillow writes another kind of WebP")
    data[at + 3 : at + 7] = struct.pack("<HH", 16383, 16383)
    assert answer(bytes(data)) != "read"


@pytest.mark.parametrize(
    "name",
    ["with space.jpg", "umlaut-ä-日本.jpg", "new\nline.jpg", "a" * 240 + ".jpg", "-dash.jpg"],
)
def test_odd_names_are_one_line(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(b"nothing")
    with pytest.raises(PhotoError) as caught:
        read_photo(path)
    assert "\n" not in str(caught.value)


def test_wrong_extension_is_read_by_its_content(tmp_path):
    path = tmp_path / "photo.png"
    path.write_bytes(WHOLE["JPEG"])
    assert read_photo(path).format == "JPEG"


def test_a_link_in_a_circle_and_a_pipe_are_refused(tmp_path):
    loop = tmp_path / "loop.jpg"
    loop.symlink_to(loop)
    with pytest.raises(PhotoError):
        read_photo(loop)
    pipe = tmp_path / "pipe.jpg"
    os.mkfifo(pipe)
    with pytest.raises(PhotoError, match="no such file"):
        read_photo(pipe)


def test_first_of_several_frames_is_said():
    frames = [Image.new("RGB", (64, 48), c) for c in ("red", "blue")]
    buffer = io.BytesIO()
    frames[0].save(buffer, "TIFF", save_all=True, append_images=frames[1:])
    photo = read_photo(buffer.getvalue())
    assert "first of 2 frames" in photo.notes
    assert photo.pixels[0, 0].tolist() == [255, 0, 0]


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
