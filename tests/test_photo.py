"""Reading photos: formats, orientation, bit depth, profiles, limits, broken files."""

import io
import warnings

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms, ImageOps

from panelvision.errors import PhotoError
from panelvision.photo import from_array, read_photo
from tests import tally


def corners_picture(width=96, height=64):
    """A picture whose four corners differ, so that every turn and flip shows."""
    pixels = np.zeros((height, width, 3), np.uint8)
    pixels[:32, :48] = (250, 10, 10)
    pixels[:32, 48:] = (10, 250, 10)
    pixels[32:, :48] = (10, 10, 250)
    pixels[32:, 48:] = (240, 240, 240)
    return pixels


def encoded(pixels, form, **options):
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, form, **options)
    return buffer.getvalue()


@pytest.mark.parametrize(
    ("form", "options"),
    [
        ("JPEG", {"quality": 95, "subsampling": 0}),
        ("JPEG", {"quality": 95, "progressive": True, "subsampling": 0}),
        ("PNG", {}),
        ("WEBP", {"lossless": True}),
        ("TIFF", {}),
        ("HEIF", {"quality": 95}),
    ],
)
def test_formats_give_the_same_picture(form, options):
    photo = read_photo(encoded(corners_picture(), form, **options), name="a")
    assert (photo.width, photo.height) == (96, 64)
    difference = np.abs(photo.pixels.astype(int) - corners_picture())
    # Lossy codecs ring at the borders of the patches; their insides must agree.
    assert np.median(difference) <= 3
    assert difference[8:24, 8:40].max() <= 12


# Exif 2.32, tag 0x0112: how rows and columns of the stored picture lie in the upright one.
TURNS = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.transpose(1, 0, 2),
    6: lambda a: np.rot90(a, 1),
    7: lambda a: a[::-1, ::-1].transpose(1, 0, 2),
    8: lambda a: np.rot90(a, -1),
}


@pytest.mark.parametrize("orientation", TURNS)
def test_exif_orientation_is_honoured(orientation):
    # Stored such that a reader who honours the tag sees corners_picture().
    upright = corners_picture()
    stored = np.ascontiguousarray(TURNS[orientation](upright))
    exif = Image.Exif()
    exif[0x0112] = orientation
    photo = read_photo(encoded(stored, "PNG", exif=exif.tobytes()), name="a")
    assert np.array_equal(photo.pixels, upright)
    assert photo.orientation == orientation
    assert photo.sensor_rows_are_columns == (orientation >= 5)


@pytest.mark.parametrize("orientation", TURNS)
def test_a_jpeg_is_turned_and_decoded_as_pillow_does(orientation):
    # Pillow's own decoding and turning is the reference; the values must be the same.
    exif = Image.Exif()
    exif[0x0112] = orientation
    stored = np.random.default_rng(0).integers(0, 256, (50, 70, 3)).astype(np.uint8)
    data = encoded(stored, "JPEG", exif=exif.tobytes())
    with Image.open(io.BytesIO(data)) as image:
        expected = np.array(ImageOps.exif_transpose(image))
    assert np.array_equal(read_photo(data, name="a").pixels, expected)


@pytest.mark.parametrize("orientation", TURNS)
def test_a_large_jpeg_has_a_draft_that_shows_the_same(orientation):
    # The whole photo, averaged down, is the reference: a wrong turn would be off by far more.
    upright = cv2.resize(corners_picture(), (2400, 1760), interpolation=cv2.INTER_LINEAR)
    exif = Image.Exif()
    exif[0x0112] = orientation
    stored = np.ascontiguousarray(TURNS[orientation](upright))
    data = encoded(stored, "JPEG", quality=92, exif=exif.tobytes())
    seen = []
    photo = read_photo(data, name="a", on_draft=lambda draft, size: seen.append((draft, size)))
    assert photo.small is photo.draft is seen[0][0]
    assert seen[0][1] == (photo.width, photo.height) == (2400, 1760)
    assert photo.draft.shape == (880, 1200, 3)
    small = cv2.resize(photo.pixels, (1200, 880), interpolation=cv2.INTER_AREA)
    assert np.abs(photo.draft - small.astype(float)).mean() < 1


def test_a_photo_that_is_not_large_is_its_own_small_copy():
    photo = read_photo(encoded(corners_picture(), "JPEG"), name="a", on_draft=pytest.fail)
    assert photo.draft is None and photo.small is photo.pixels


def test_sixteen_bit_grey_keeps_its_depth():
    ramp = np.tile(np.linspace(0, 65535, 80).astype(np.uint16), (40, 1))
    photo = read_photo(encoded(ramp, "PNG"), name="ramp")
    assert photo.pixels.dtype == np.uint16
    assert np.array_equal(photo.pixels[..., 1], ramp)


def test_alpha_is_laid_on_black_and_said():
    rgba = np.dstack([corners_picture(), np.full((64, 96), 0, np.uint8)])
    photo = read_photo(encoded(rgba, "PNG"), name="a")
    assert photo.pixels.max() == 0
    assert "transparency laid on black" in photo.notes


def test_cmyk_is_converted():
    cmyk = Image.fromarray(corners_picture()).convert("CMYK")
    buffer = io.BytesIO()
    cmyk.save(buffer, "JPEG", quality=95)
    photo = read_photo(buffer.getvalue(), name="a")
    assert photo.pixels[10, 10, 0] > 200
    assert photo.pixels[10, 10, 1] < 60


def test_palette_picture():
    image = Image.fromarray(corners_picture()).convert("P", palette=Image.Palette.ADAPTIVE)
    buffer = io.BytesIO()
    image.save(buffer, "PNG")
    assert np.abs(read_photo(buffer.getvalue()).pixels.astype(int) - corners_picture()).max() <= 8


def test_profile_that_is_srgb_changes_nothing():
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    photo = read_photo(encoded(corners_picture(), "PNG", icc_profile=profile))
    assert np.array_equal(photo.pixels, corners_picture())


def test_broken_profile_is_said_and_ignored():
    photo = read_photo(encoded(corners_picture(), "PNG", icc_profile=b"nonsense" * 20))
    assert np.array_equal(photo.pixels, corners_picture())
    assert any("profile could not be read" in note for note in photo.notes)


def test_a_photo_of_too_many_pixels_is_refused():
    with pytest.raises(PhotoError, match="more than 0 megapixels; send a smaller copy"):
        read_photo(encoded(corners_picture(), "PNG"), name="a", max_pixels=1000)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "the file is empty"),
        (b"not a photo at all", "not a photo that can be read"),
        (b"\xff\xd8\xff\xe0garbage", "a.jpg: "),
    ],
)
def test_bad_bytes_give_one_line(data, message):
    with pytest.raises(PhotoError, match=message) as caught:
        read_photo(data, name="a.jpg")
    assert "\n" not in str(caught.value)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(PhotoError, match="no such file"):
        read_photo(tmp_path / "absent.jpg")
    with pytest.raises(PhotoError, match="is a folder"):
        read_photo(tmp_path)


def test_same_bytes_same_identity():
    data = encoded(corners_picture(), "PNG")
    assert read_photo(data).sha256 == read_photo(io.BytesIO(data)).sha256


def test_array_must_be_a_picture():
    with pytest.raises(PhotoError, match="uint8 or uint16"):
        from_array(np.zeros((64, 64, 3), np.float32))


def test_every_odd_file_gets_an_answer_or_one_line(bad_files):
    seen = 0
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for path in sorted(bad_files.iterdir()):
            seen += 1
            try:
                with tally.tried(), tally.nothing_left():
                    photo = read_photo(path)
            except PhotoError as fault:
                assert "\n" not in str(fault)
                assert path.name[:20] in str(fault)
            else:
                assert photo.pixels.ndim == 3
                assert photo.pixels.shape[2] == 3
    assert seen > 40
