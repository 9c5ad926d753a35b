"""Decoder blocks and broken glass, made by hand on a known picture."""

import cv2
import numpy as np
import pytest

from panelvision.measure.blocks import find_blocks
from panelvision.measure.cracks import find_cracks
from panelvision.measure.texture import measure_texture
from tests.surface_views import grid, odd_views, photo_of, picture, view_of


def _corrupt(light: np.ndarray, block_px: int, share: float, seed: int = 0) -> np.ndarray:
    """Squares of ``block_px`` panel pixels (of 1920) in two patches, in wild colours."""
    rng = np.random.default_rng(seed)
    out = light.copy()
    h, w = light.shape[:2]
    size = block_px * w / 1920
    for row in range(int(h / size)):
        for column in range(int(w / size)):
            cx, cy = (column + 0.5) * size / w, (row + 0.5) * size / h
            near = min(np.hypot(cx - 0.3, cy - 0.4), np.hypot(cx - 0.75, cy - 0.6))
            if near > 0.25 or rng.random() > share:
                continue
            y0, x0 = round(row * size), round(column * size)
            y1, x1 = round((row + 1) * size), round((column + 1) * size)
            out[y0:y1, x0:x1] = rng.uniform(0.02, 0.9, 3)
    return out


@pytest.mark.parametrize("block_px", [16, 32, 64])
def test_blocks_are_found_with_their_size(block_px: int) -> None:
    photo = photo_of(_corrupt(picture(), block_px, 0.5), noise=1.0)
    blocks = find_blocks(view_of(photo))
    assert blocks.found
    assert blocks.size == pytest.approx(block_px / 1920, rel=0.02)
    # The grid starts at the panel's corner.
    assert abs(blocks.phase_x) < 0.2 and abs(blocks.phase_y) < 0.2


def test_blocks_in_a_part_of_a_smooth_picture_are_found() -> None:
    """Where most of the picture has no edge at all, the usual edge is none of nothing."""
    ramp = np.linspace(0.2, 0.5, 960)[None, :, None] * np.ones((540, 1, 3))
    light, rng = ramp.astype(np.float32), np.random.default_rng(1)
    for y in range(160, 400, 8):
        for x in range(320, 640, 8):
            if rng.random() < 0.5:
                light[y : y + 8, x : x + 8] = rng.uniform(0.02, 0.9, 3)
    blocks = find_blocks(view_of(photo_of(light, noise=1.0)))
    assert blocks.found
    assert blocks.size == pytest.approx(16 / 1920, rel=0.02)


def test_the_photos_own_jpeg_grid_is_not_decoder_blocks() -> None:
    """JPEG blocks lie on the photo's 8 x 8 grid; the screen is tilted and scaled against it."""
    from panelvision.photo import from_array
    from panelvision.squareup import Outline, square_up

    light = picture(1)
    turn = cv2.getRotationMatrix2D((479.5, 269.5), 3.0, 0.93)
    turn[:, 2] += (60, 60)
    frame = cv2.warpAffine(light, turn, (1080, 660), borderValue=(0.004,) * 3)
    from panelvision.light import encode

    done, data = cv2.imencode(".jpg", encode(frame)[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 25])
    assert done
    photo = from_array(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])
    box = np.array([[-0.5, -0.5, 1], [959.5, -0.5, 1], [959.5, 539.5, 1], [-0.5, 539.5, 1]])
    view = square_up(photo, Outline(box @ turn.T, 1.0, np.full(4, np.nan)))
    assert not find_blocks(view).found


def test_checkers_and_grids_of_a_test_page_are_not_blocks() -> None:
    x, y = grid()
    checker = ((np.floor(x * 24) + np.floor(y * 13.5)) % 2)[..., None]
    page = np.repeat(0.05 + 0.6 * checker, 3, axis=2).astype(np.float32)
    assert not find_blocks(view_of(photo_of(page, noise=1.0))).found


def _broken(light: np.ndarray, at: tuple[float, float], seed: int = 0) -> np.ndarray:
    """Thin cracks out of a point in 10 directions, and a ragged black patch beside it."""
    rng = np.random.default_rng(seed)
    h, w = light.shape[:2]
    out = light.copy()
    start = np.array([at[0] * w, at[1] * h])
    for k in range(10):
        angle = 2 * np.pi * (k + rng.uniform(0.2, 0.8)) / 10
        end = start + np.array([np.cos(angle), np.sin(angle)]) * rng.uniform(0.12, 0.25) * w
        cv2.line(
            out,
            start.astype(int).tolist(),
            end.astype(int).tolist(),
            (0.9, 0.9, 0.9),
            1,
            cv2.LINE_AA,
        )
    theta = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    radius = 0.055 * w * (1 + 0.35 * np.sin(5 * theta + 1) + 0.2 * rng.standard_normal(60))
    shape = start + 0.06 * w + np.stack([np.cos(theta), np.sin(theta)], 1) * np.abs(radius)[:, None]
    cv2.fillPoly(out, [shape.astype(np.int32)], (0.002, 0.002, 0.002))
    return out


def test_star_and_ink_are_found_at_their_place() -> None:
    x, _ = grid()
    page = np.repeat((0.25 + 0.1 * x)[..., None], 3, axis=2).astype(np.float32)
    photo = photo_of(_broken(page, (0.45, 0.45)), noise=1.0)
    cracks = find_cracks(view_of(photo))
    assert cracks.found and cracks.impact is not None
    assert np.hypot(cracks.impact[0] - 0.45, cracks.impact[1] - 0.45) < 0.04
    assert cracks.ink is not None and cracks.ink_score > 0.3


def test_plain_page_and_boxes_are_not_cracks() -> None:
    light = np.full((540, 960, 3), 0.3, np.float32)
    light[100:240, 200:500] = 0.002
    light[300:302, 100:800] = 0.9
    cracks = find_cracks(view_of(photo_of(light, noise=1.0)))
    assert not cracks.found and cracks.ink_score < 0.1


def test_odd_views_never_raise_and_keep_the_names() -> None:
    names = None
    for name, photo, view in odd_views():
        features = measure_texture(photo, view).features()
        names = names or list(features)
        assert list(features) == names, name
        assert not any(np.isinf(v) for v in features.values()), name
