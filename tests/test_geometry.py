"""Plane projective geometry against published formulas and reference libraries.

Numbers of the worked example: made once by projecting a rectangle through a pinhole camera
(R = Rz(3 deg) Ry(25 deg) Rx(15 deg), f = 3000) and kept with the formulas of Z. Zhang and
L. He, MSR-TR-03-39, "Whiteboard scanning and image enhancement".
"""

import cv2
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from skimage.transform import ProjectiveTransform

from panelvision import geometry

# tl, tr, br, bl of the worked example; its formula numbers m1, m2, m4, m3.
WORKED = np.array(
    [
        [1349.9305, 1031.7058],
        [2877.4001, 996.8985],
        [2867.7173, 1981.9503],
        [1435.7904, 1821.2007],
    ]
)
PRINCIPAL = (2000.0, 1500.0)


def test_worked_example_gives_focal_length_and_ratio():
    focal, ratio = geometry.focal_and_aspect(WORKED, PRINCIPAL)
    assert focal == pytest.approx(3000.0, abs=0.01)
    assert ratio == pytest.approx(16 / 9, abs=2e-6)


@pytest.mark.parametrize(("digits", "focal", "ratio"), [(2, 3000.0107, 1.7777944)])
def test_worked_example_rounded(digits, focal, ratio):
    got = geometry.focal_and_aspect(np.round(WORKED, digits), PRINCIPAL)
    assert got == pytest.approx((focal, ratio), rel=1e-6)


def test_whole_pixels_leave_the_ratio_within_a_fifth_of_a_per_cent():
    whole = np.array([[1350, 1032], [2877, 997], [2868, 1982], [1436, 1821]], dtype=float)
    focal, ratio = geometry.focal_and_aspect(whole, PRINCIPAL)
    assert focal == pytest.approx(3007.696, abs=0.01)
    assert ratio == pytest.approx(1.7798018, abs=1e-6)
    assert abs(ratio / (16 / 9) - 1) < 0.002


def test_side_lengths_alone_would_be_six_per_cent_wrong():
    # The naive mean-edge ratio of the same corners is 1.6685620: the test would catch code
    # that compares side lengths.
    edge = np.hypot(*(np.roll(WORKED, -1, axis=0) - WORKED).T)
    naive = (edge[0] + edge[2]) / (edge[1] + edge[3])
    assert naive == pytest.approx(1.6685620, abs=1e-6)
    assert abs(geometry.focal_and_aspect(WORKED, PRINCIPAL)[1] - naive) > 0.1


def test_corner_noise_spreads_the_ratio_as_published():
    # Interquartile half-range 0.0032 at 1 px: of the worked example's table.
    dice = np.random.default_rng(1)
    ratios = []
    for _ in range(600):
        got = geometry.focal_and_aspect(WORKED + dice.normal(0, 1, (4, 2)), PRINCIPAL)
        ratios.append(got[1])
    low, high = np.percentile(ratios, [25, 75])
    assert (high - low) / 2 == pytest.approx(0.0032, rel=0.2)


def _seen(yaw: float, pitch: float, *, focal: float = 3000.0, aspect: float = 16 / 9) -> np.ndarray:
    a, b = np.radians([yaw, pitch])
    ry = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    rx = np.array([[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]])
    half = np.array([[-aspect, -1], [aspect, -1], [aspect, 1], [-aspect, 1]]) * 4.5
    world = np.column_stack([half, np.zeros(4)]) @ (ry @ rx).T + [0.5, -0.3, 30]
    return world[:, :2] / world[:, 2:] * focal + PRINCIPAL


def test_turned_about_one_axis_only_the_focal_length_is_unknown():
    # k3 = 1 exactly there, so f is 0/0; the answer must be "unknown", never a number.
    assert geometry.focal_and_aspect(_seen(25, 0), PRINCIPAL) is None
    assert geometry.focal_and_aspect(_seen(0, 0), PRINCIPAL) is None


@pytest.mark.parametrize("yaw", [0.0, 12.0, 25.0])
@pytest.mark.parametrize("aspect", [16 / 9, 4 / 3, 9 / 16])
def test_known_focal_length_gives_the_ratio_at_any_tilt(yaw, aspect):
    corners = _seen(yaw, 0.0, aspect=aspect)
    assert geometry.aspect_with_focal(corners, 3000.0, PRINCIPAL) == pytest.approx(aspect, rel=1e-9)


def test_homography_by_hand():
    # Unit square to a trapezium: H = [[4, 2, 0], [0, 4, 0], [0, 1, 1]]; its centre goes to the
    # crossing of the diagonals (2, 4/3), not to the mean of the corners (2, 1).
    square = np.array([[0, 0], [1, 0], [0, 1], [1, 1]], dtype=float)
    target = np.array([[0, 0], [4, 0], [1, 2], [3, 2]], dtype=float)
    matrix = geometry.homography(square, target)
    np.testing.assert_allclose(matrix, [[4, 2, 0], [0, 4, 0], [0, 1, 1]], atol=1e-9)
    centre = geometry.project(matrix, np.array([0.5, 0.5]))
    np.testing.assert_allclose(centre, [2, 4 / 3], atol=1e-9)


def test_homography_agrees_with_two_libraries():
    target = np.array([[0, 0], [1920, 0], [1920, 1080], [0, 1080]], dtype=float)
    ours = geometry.homography(WORKED, target)
    theirs = cv2.getPerspectiveTransform(WORKED.astype(np.float32), target.astype(np.float32))
    np.testing.assert_allclose(ours, theirs, rtol=2e-5)
    skimage = ProjectiveTransform.from_estimate(WORKED, target)
    inside = WORKED.mean(axis=0) + np.array([[0, 0], [300, 100], [-200, 50]])
    np.testing.assert_allclose(geometry.project(ours, inside), skimage(inside), atol=1e-6)


def test_cross_ratio_of_equal_blocks_survives_the_view():
    # Four equally spaced points have the cross ratio 4/3 in every perspective.
    matrix = geometry.unit_square_to(WORKED)
    points = geometry.project(matrix, np.array([[k / 8, 0.4] for k in (2, 3, 4, 5)]))
    a, b, c, d = np.hypot(*(points - points[0]).T)
    assert (c - a) * (d - b) / ((c - b) * (d - a)) == pytest.approx(4 / 3, abs=1e-9)


def test_three_points_on_a_line_are_refused():
    flat = np.array([[0, 0], [1, 0], [2, 0], [0, 1]], dtype=float)
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=float)
    with pytest.raises(ValueError, match="one line"):
        geometry.homography(square, flat)


def test_convexity_and_area():
    assert geometry.is_convex(WORKED)
    assert not geometry.is_convex(WORKED[::-1])
    assert not geometry.is_convex(WORKED[[0, 2, 1, 3]])
    assert geometry.area(np.array([[0, 0], [4, 0], [4, 3], [0, 3]])) == 12


# --- any quadrilateral --------------------------------------------------------------------------


@st.composite
def quads(draw) -> np.ndarray:
    """Four corners clockwise around a centre, convex, none of them nearly on a line of two."""
    turn = draw(st.floats(0, 360))
    angles = [turn + 90 * i + draw(st.floats(-40, 40)) for i in range(4)]
    radii = [draw(st.floats(0.3, 1)) for _ in range(4)]
    size, x, y = draw(st.floats(1, 1e4)), draw(st.floats(-1e4, 1e4)), draw(st.floats(-1e4, 1e4))
    a = np.radians(angles)
    corners = np.column_stack([np.cos(a), np.sin(a)]) * np.array(radii)[:, None]
    edge = np.roll(corners, -1, axis=0) - corners
    after = np.roll(edge, -1, axis=0)
    assume((edge[:, 0] * after[:, 1] - edge[:, 1] * after[:, 0] > 0.02).all())
    return corners * size + [x, y]


FRACTIONS = np.array([[u, v] for u in (0, 0.2, 0.5, 1) for v in (0, 0.3, 0.5, 1)], dtype=float)


@settings(max_examples=200, deadline=None)
@given(quads())
def test_any_quadrilateral_there_and_back(corners):
    assert geometry.is_convex(corners) and not geometry.is_convex(corners[::-1])
    there = geometry.project(geometry.unit_square_to(corners), FRACTIONS)
    assert np.isfinite(there).all()
    size = np.ptp(corners, axis=0).max()
    np.testing.assert_allclose(there[[0, 12, 15, 3]], corners, atol=1e-6 * size)
    # the inverse, and the homography fitted the other way, both lead back
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=float)
    for back in (
        np.linalg.inv(geometry.unit_square_to(corners)),
        geometry.homography(corners, square),
    ):
        np.testing.assert_allclose(geometry.project(back, there), FRACTIONS, atol=1e-6)


@settings(max_examples=200, deadline=None)
@given(quads(), st.integers(1, 3))
def test_another_starting_corner_turns_the_square_and_nothing_else(corners, quarter):
    turned = np.roll(corners, -quarter, axis=0)
    assert geometry.is_convex(turned)
    assert geometry.area(turned) == pytest.approx(geometry.area(corners), rel=1e-6)
    assert geometry.area(corners[::-1]) == pytest.approx(geometry.area(corners), rel=1e-6)
    u, v = FRACTIONS.T
    for _ in range(quarter):  # (u, v) counted from the next corner
        u, v = 1 - v, u
    np.testing.assert_allclose(
        geometry.project(geometry.unit_square_to(turned), FRACTIONS),
        geometry.project(geometry.unit_square_to(corners), np.column_stack([u, v])),
        atol=1e-6 * np.ptp(corners, axis=0).max(),
    )


@settings(max_examples=200, deadline=None)
@given(quads(), st.floats(300, 10_000))
def test_focal_length_and_ratio_are_numbers_or_unknown(corners, focal):
    ratio = geometry.aspect_with_focal(corners, focal, PRINCIPAL)
    assert np.isfinite(ratio) and ratio > 0
    turned = geometry.aspect_with_focal(np.roll(corners, -1, axis=0), focal, PRINCIPAL)
    assert turned == pytest.approx(1 / ratio, rel=1e-4)
    told = geometry.focal_and_aspect(corners, PRINCIPAL)
    assert told is None or (np.isfinite(told).all() and min(told) > 0)


@settings(max_examples=100, deadline=None)
@given(
    st.floats(8, 45), st.floats(8, 45), st.sampled_from([-1, 1]), st.floats(0.5, 2.4),
    st.integers(0, 3),
)  # fmt: skip
def test_a_true_rectangle_is_found_from_any_corner(yaw, pitch, side, aspect, quarter):
    corners = np.roll(_seen(yaw * side, pitch, aspect=aspect), -quarter, axis=0)
    focal, ratio = geometry.focal_and_aspect(corners, PRINCIPAL)
    assert focal == pytest.approx(3000, rel=1e-6)
    assert ratio == pytest.approx(1 / aspect if quarter % 2 else aspect, rel=1e-6)
