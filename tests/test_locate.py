"""Finding the active area: drawn scenes with exact corners, and the rendered photographs."""

import cv2
import numpy as np
import pytest

from models.geometry_truth import overlap
from panelvision.errors import DataError, ModelError
from panelvision.geometry import homography, project
from panelvision.light import encode
from panelvision.locate import (
    FOCAL_OVER_DIAGONAL,
    aspect_of,
    extend,
    locate,
    measured_aspect,
    refine,
)
from panelvision.outline_candidates import candidates, ordered, work_image
from panelvision.outline_refine import refine_corners
from panelvision.outline_score import aspect_given_focal, square_maps
from panelvision.outline_trees import Trees, load_trees
from panelvision.photo import Photo, from_array, read_photo
from tests.conftest import truth_of

CORNERS = np.array([[212.3, 170.8], [1010.6, 122.4], [1034.7, 640.2], [190.4, 610.9]])
SIZE = (1280, 800)
INWARDS = np.array([[1.0, 1], [-1, 1], [-1, -1], [1, -1]])
UNIT = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=float)


def scene(
    *, inside: float, border: float, bezel: float, wall: float, noise: float = 0.004, seed: int = 0
) -> Photo:
    """A set in front of a wall in linear light, drawn four times finer and averaged down."""
    fine = 4
    canvas = np.full((SIZE[1] * fine, SIZE[0] * fine), wall, np.float32)
    to_fine = homography(UNIT, (CORNERS + 0.5) * fine - 0.5)
    for margin, light in ((0.05, bezel), (0.012, border), (0.0, inside)):
        wide = np.array([margin * 9 / 16, margin])
        ring = project(to_fine, UNIT * (1 + 2 * wide) - wide)
        cv2.fillConvexPoly(canvas, np.rint(ring * 16).astype(np.int32), light, cv2.LINE_8, 4)
    light = cv2.resize(canvas, SIZE, interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), 0.8)
    light = light + np.random.default_rng(seed).normal(0, noise, light.shape) * np.sqrt(
        light + 0.01
    )
    return from_array(np.repeat(encode(light)[..., None], 3, axis=2), name="scene")


LIT = dict(inside=0.5, border=0.004, bezel=0.03, wall=0.08)
DARK = dict(inside=0.03, border=0.015, bezel=0.15, wall=0.3)


@pytest.mark.parametrize("light", [LIT, DARK], ids=["lit", "dark under a torch"])
def test_finds_the_active_area_not_the_bezel(light):
    found = locate(scene(**light))
    assert found.outline is not None
    assert overlap(found.outline.corners, CORNERS) > 0.97
    assert found.outline.confidence > 0.5
    assert found.aspect == pytest.approx(16 / 9)


@pytest.mark.parametrize("turns", [1, 3], ids=["turned left", "turned right"])
def test_a_screen_on_its_side_is_laid_down(turns):
    upright = scene(**LIT)
    photo = from_array(np.rot90(upright.pixels, turns), name="turned")
    found = locate(photo)
    assert found.outline is not None
    assert found.on_its_side
    assert found.aspect == pytest.approx(16 / 9)
    top, right = np.diff(found.outline.corners[:3], axis=0)
    assert abs(top[1]) > abs(top[0]), "the screen's top runs down the photo"
    assert np.hypot(*top) > np.hypot(*right), "and is the longer side"
    assert not locate(upright).on_its_side


def test_corners_to_a_fraction_of_a_pixel():
    moved = CORNERS + np.array([[4, -3], [-3, 4], [3, 3], [-4, 2]])
    corners, sigma, sides = refine_corners(scene(**LIT).pixels, moved)
    assert all(side.found for side in sides)
    # Drawn exactly to a quarter of a pixel; blur and noise leave less.
    assert np.hypot(*(corners - CORNERS).T).max() < 0.6
    assert np.all(sigma > 0)


def test_noise_makes_the_standard_error_larger():
    quiet = refine_corners(scene(**LIT, noise=0.002).pixels, CORNERS)[1]
    loud = refine_corners(scene(**LIT, noise=0.05).pixels, CORNERS)[1]
    assert np.nanmean(loud) > np.nanmean(quiet)


def test_follows_a_lens_that_bends_the_sides():
    photo = scene(**LIT)
    k = 0.03  # barrel: a point moves inwards with the square of its distance from the centre
    centre, unit = np.array([SIZE[0] - 1, SIZE[1] - 1]) / 2, SIZE[0] / 2
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))
    d = (np.stack([x, y], axis=-1) - centre) / unit
    source = (d * (1 + k * (d**2).sum(axis=-1, keepdims=True)) * unit + centre).astype(np.float32)
    bent = cv2.remap(photo.pixels, source[..., 0], source[..., 1], cv2.INTER_LINEAR)
    true = (CORNERS - centre) / unit
    for _ in range(20):
        true = ((CORNERS - centre) / unit) / (1 + k * (true**2).sum(axis=1, keepdims=True))
    true = true * unit + centre
    corners, _, sides = refine_corners(bent, true + 2 * INWARDS)
    assert np.hypot(*(corners - true).T).max() < 1.5
    assert max(side.bow for side in sides) > 0.5  # outwards


def test_users_corners_stay_where_nothing_is_seen():
    flat = from_array(np.full((600, 800, 3), 90, np.uint8))
    given = np.array([[100.0, 100], [700, 110], [690, 500], [110, 480]])
    outline = refine(flat, given)
    np.testing.assert_array_equal(outline.corners, given)
    assert outline.source == "user"
    assert np.isnan(outline.sigma).all()


def test_users_corners_are_moved_onto_a_clear_edge():
    outline = refine(scene(**LIT), CORNERS + 3 * INWARDS)
    assert np.hypot(*(outline.corners - CORNERS).T).max() < 0.8
    assert outline.source == "user"


@pytest.mark.parametrize("bad", [CORNERS[::-1], CORNERS[:3], CORNERS[[0, 2, 1, 3]]])
def test_users_corners_in_a_wrong_order_are_refused(bad):
    with pytest.raises(DataError, match="top-left, top-right"):
        refine(from_array(np.zeros((900, 1300, 3), np.uint8)), bad)


@pytest.mark.parametrize("away", [3000, -3000])
def test_users_corners_outside_the_photo_are_refused(away):
    with pytest.raises(DataError, match="outside the photo, which has 1300 x 900 pixels"):
        refine(from_array(np.zeros((900, 1300, 3), np.uint8)), CORNERS + away)


@pytest.mark.parametrize(
    "corners",
    [
        [[0, 0], [1e9, 0], [1e9, 1e9], [0, 1e9]],
        [[0, 0], [1e200, 0], [1e200, 1e200], [0, 1e200]],
        [[0, 0], [100, 0], [200, 1e-8], [0, 100]],
        [[500, 50], [520, 50], [520, 850], [500, 850]],
        [[50, 500], [1250, 500], [1250, 505], [50, 505]],
    ],
)
def test_corners_of_no_screen_are_refused_in_one_line(corners):
    with pytest.raises(DataError, match=r"^corners: .*(outside the photo|so narrow)"):
        refine(from_array(np.zeros((900, 1300, 3), np.uint8)), np.array(corners, float))


def test_corners_that_are_no_numbers_are_refused_without_a_word_from_numpy(recwarn):
    bad = np.array([[np.inf, 0], [100, 0], [100, 100], [0, 100]])
    with pytest.raises(DataError, match="top-left, top-right"):
        refine(from_array(np.zeros((900, 1300, 3), np.uint8)), bad)
    assert not recwarn.list


def test_nothing_in_an_empty_photo():
    dice = np.random.default_rng(3)
    noise = np.clip(dice.normal(120, 6, (600, 800, 3)), 0, 255).astype(np.uint8)
    found = locate(from_array(noise))
    assert found.outline is None or found.outline.confidence < 0.3
    features = found.features()
    assert features["outline_confidence"] < 0.3
    assert features.keys() == locate(scene(**LIT)).features().keys()


def test_same_answer_twice_and_at_half_the_size():
    photo = scene(**LIT)
    first, again = locate(photo), locate(photo)
    np.testing.assert_array_equal(first.outline.corners, again.outline.corners)
    half = from_array(cv2.resize(photo.pixels, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA))
    small = (locate(half).outline.corners + 0.5) * 2 - 0.5
    assert overlap(small, first.outline.corners) > 0.98


def _camera(aspect: float, focal: float, size: tuple[int, int], *, yaw: float, pitch: float):
    a, b = np.radians([yaw, pitch])
    ry = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    rx = np.array([[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]])
    half = np.array([[-aspect, -1], [aspect, -1], [aspect, 1], [-aspect, 1]]) / 2
    world = np.column_stack([half, np.zeros(4)]) @ (ry @ rx).T + [0.1, -0.05, 1.9]
    return world[:, :2] / world[:, 2:] * focal + (np.array(size) - 1) / 2


@pytest.mark.parametrize(
    ("true", "answer", "source"),
    [
        (16 / 9, 16 / 9, "prior"),
        (16 / 9 * 1.03, 16 / 9, "prior"),
        (4 / 3, 4 / 3, "perspective"),
        (9 / 16, 9 / 16, "perspective"),
        (3.5, 3.5, "perspective"),
    ],
)
def test_aspect_snaps_to_a_format_unless_none_fits(true, answer, source):
    size = (1600, 1200)
    focal = FOCAL_OVER_DIAGONAL * 2000
    corners = _camera(true, focal, size, yaw=14, pitch=-8)
    aspect, why = aspect_of(corners, size)
    assert aspect == pytest.approx(answer, rel=0.03)
    assert why == source


def test_aspect_error_grows_with_tilt():
    size, focal = (1600, 1200), FOCAL_OVER_DIAGONAL * 2000
    frontal = measured_aspect(_camera(16 / 9, focal, size, yaw=0, pitch=0), size)[1]
    turned = measured_aspect(_camera(16 / 9, focal, size, yaw=30, pitch=0), size)[1]
    assert turned > frontal


def test_many_aspects_at_once_agree_with_the_formula_for_one():
    size, focal = (1600, 1200), 1234.0
    quads = np.stack(
        [_camera(r, focal, size, yaw=y, pitch=p) for r, y, p in ((1.6, 20, 5), (0.7, -9, 11))]
    )
    got = aspect_given_focal(quads, (np.array(size) - 1) / 2, focal)
    np.testing.assert_allclose(got, [1.6, 0.7], rtol=1e-9)
    for k, quad in enumerate(quads):
        np.testing.assert_allclose(project(square_maps(quads)[k], UNIT), quad, atol=1e-8)


@pytest.mark.parametrize("side", range(4))
def test_a_cut_screen_is_completed_from_its_aspect(side):
    size = (1600, 1200)
    true = _camera(16 / 9, FOCAL_OVER_DIAGONAL * 2000, size, yaw=-18, pitch=7)
    # Cut off 30 % at the given side, along the neighbouring sides.
    cut = true.copy()
    for k, opposite in ((side, (side - 1) % 4), ((side + 1) % 4, (side + 2) % 4)):
        cut[k] = true[k] + 0.3 * (true[opposite] - true[k])
    np.testing.assert_allclose(extend(cut, side, 16 / 9, size), true, atol=1e-6)


def test_corner_order_of_a_turned_quadrilateral():
    shuffled = CORNERS[[2, 0, 3, 1]]
    np.testing.assert_array_equal(ordered(shuffled), CORNERS)


def test_candidates_contain_the_screen_among_clutter():
    photo = scene(**DARK)
    pixels = photo.pixels.copy()
    cv2.rectangle(pixels, (1060, 60), (1240, 300), (180, 120, 90), 6)
    cv2.line(pixels, (0, 720), (1279, 700), (200, 190, 170), 5)
    work = work_image(pixels)
    found = work.to_photo(candidates(work))
    assert max(overlap(q, CORNERS) for q in found) > 0.95


def test_trees_by_hand():
    # One tree: x0 <= 1 -> 10, else x1 <= 5 -> 20, else 30; and a constant.
    trees = Trees(
        ("x0", "x1"),
        np.array([[0, 0, 1, 0, 0]]),
        np.array([[1, 1, 3, 3, 4]]),
        np.array([[2, 1, 4, 3, 4]]),
        np.array([[1.0, 0, 5.0, 0, 0]]),
        np.array([[0, 10.0, 0, 20.0, 30.0]]),
        0.5,
        2,
        np.empty(0),
    )
    table = np.array([[0.0, 9.0], [1.0, 9.0], [2.0, 5.0], [2.0, 6.0]])
    np.testing.assert_allclose(trees.sum(table), [10.5, 10.5, 20.5, 30.5])


def test_missing_trees_say_so():
    with pytest.raises(ModelError, match="reinstall"):
        load_trees("no-such")


def test_rendered_photographs(renders):
    # A tenth of the validation set, as a guard; the figure comes from the benchmark.
    rows = [t for t in truth_of(renders) if t["fully_visible"]][::10]
    hits = []
    for truth in rows:
        found = locate(read_photo(renders / truth["file"]))
        hits.append(
            found.outline is not None
            and overlap(found.outline.corners, np.array(truth["corners"])) > 0.9
        )
    assert np.mean(hits) >= 0.8
