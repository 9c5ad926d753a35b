"""Transfer function and luminance against the standards."""

import cv2
import numpy as np
import pytest

from panelvision.light import averaged, decode, encode, linear_to_srgb, luminance, srgb_to_linear

# IEC 61966-2-1, values of the published formula; codes 10 and 11 straddle the knee,
# which tells a plain power law (code 10 -> 8.0e-4) from the standard.
DECODED = {
    0: 0.0,
    1: 3.035270e-4,
    10: 3.035270e-3,
    11: 3.346536e-3,
    54: 0.0368895,
    118: 0.1811642,
    127: 0.2122308,
    128: 0.2158605,
    188: 0.5028865,
    200: 0.5775804,
    254: 0.9911021,
    255: 1.0,
}


@pytest.mark.parametrize(("code", "light"), DECODED.items())
def test_decode_follows_the_standard(code, light):
    assert srgb_to_linear(np.array(code / 255)) == pytest.approx(light, abs=1e-7)
    assert decode(np.array([code], np.uint8))[0] == pytest.approx(light, abs=1e-7)


@pytest.mark.parametrize(
    ("light", "value"),
    [(0.001, 0.01292), (0.01, 0.0998528), (0.18, 0.4613561), (0.214041, 0.5), (0.5, 0.7353570)],
)
def test_encode_follows_the_standard(light, value):
    assert linear_to_srgb(np.array(light)) == pytest.approx(value, abs=1e-6)


def test_every_code_survives_the_round_trip():
    codes = np.arange(256, dtype=np.uint8)
    assert np.array_equal(encode(decode(codes)), codes)


def test_sixteen_bit_agrees_with_eight_bit():
    codes = np.arange(256, dtype=np.uint8)
    wide = codes.astype(np.uint16) * 257
    np.testing.assert_allclose(decode(wide), decode(codes), atol=1e-7)


def test_luminance_weights_are_for_linear_light():
    # ITU-R BT.709 item 3.2: pure red, green and blue.
    assert luminance(np.eye(3, dtype=np.float32)) == pytest.approx([0.2126, 0.7152, 0.0722])


def test_decode_refuses_other_types():
    with pytest.raises(TypeError, match="uint8 or uint16"):
        decode(np.zeros(3, np.int32))


@pytest.mark.parametrize("shape", [(2000, 2600), (1999, 2601), (600, 800)])
def test_averaging_by_halves_is_averaging(shape):
    # OpenCV's area average of the same values as floats, in one step, is the reference. What
    # halving changes at a wave's slopes is no shift: a shift would leave the picture's gradient.
    y, x = np.mgrid[: shape[0], : shape[1]]
    waves = 128 + 120 * np.cos((x + 2 * y)[..., None] / [60, 70, 80])
    pixels = np.rint(waves).astype(np.uint8)
    size = (277, 211)
    expected = cv2.resize(pixels.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    off = averaged(pixels, size) - expected
    assert np.sqrt((off**2).mean()) < 1.5
    down, across = np.gradient(expected, axis=(0, 1))
    slopes = np.column_stack([down.ravel(), across.ravel()])
    shift = np.linalg.lstsq(slopes, off.ravel(), rcond=None)
    assert np.abs(shift[0]).max() < 0.05
