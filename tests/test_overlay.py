"""The overlay: right place, right size, readable on a phone and by every eye."""

import numpy as np
import pytest

from panelvision.light import linear_to_srgb, luminance, srgb_to_linear
from panelvision.marks import Finding, Mark
from panelvision.overlay import PALETTE, draw_overlay
from panelvision.photo import from_array
from panelvision.squareup import Outline

SHAPES = ("band", "line", "zone", "spot", "point")


def _photo(level=90, width=1600, height=1200):
    return from_array(np.full((height, width, 3), level, np.uint8))


def _outline():
    corners = np.array([[200.0, 150], [1400, 200], [1380, 900], [220, 850]])
    return Outline(corners, 0.9, np.full(4, 2.0))


def _finding(shape="band", box=(0.25, 0.0, 0.375, 1.0), kind="band"):
    return Finding("A dark band.", kind, 0.9, Mark(shape, box, "block 3/8"))


@pytest.mark.parametrize("width", [390, 1280])
def test_size(width):
    picture = draw_overlay(_photo(), _outline(), (_finding(),), width=width)
    assert picture.shape == (round(1200 * width / 1600), width, 3)
    assert picture.dtype == np.uint8


def test_small_photos_are_not_enlarged():
    photo = _photo(width=640, height=480)
    outline = Outline(_outline().corners * 0.4, 0.9, np.full(4, 2.0))
    assert draw_overlay(photo, outline, (), width=1280).shape == (480, 640, 3)


def test_sixteen_bit_photos_are_drawn_on():
    photo = from_array(np.full((480, 640, 3), 30000, np.uint16))
    picture = draw_overlay(photo, None, ())
    assert picture.dtype == np.uint8
    assert picture[0, 0, 0] == 30000 >> 8


def test_without_an_outline_the_photo_is_left_alone():
    picture = draw_overlay(_photo(), None, (_finding(),), width=800)
    assert (picture == 90).all()


@pytest.mark.parametrize("shape", SHAPES)
def test_a_mark_is_drawn_where_it_belongs(shape):
    bare = draw_overlay(_photo(), _outline(), (), width=800)
    picture = draw_overlay(
        _photo(), _outline(), (_finding(shape, (0.6, 0.3, 0.8, 0.7), "zone"),), width=800
    )
    changed = np.argwhere((picture != bare).any(axis=2))
    if shape == "spot":  # its label hangs below, on a plate of its own
        plate = (picture == np.array(PALETTE["green"])).all(axis=2)
        changed = changed[changed[:, 0] < np.flatnonzero(plate.sum(axis=1) > 40).min() - 4]
    # The box's middle, 0.7 and 0.5 of a nearly upright screen from x 100 to 700 (half size).
    middle = changed.mean(axis=0)
    assert middle[1] == pytest.approx(100 + 0.7 * 600, abs=25)
    assert middle[0] == pytest.approx(262, abs=25)
    # The rest of the picture is untouched.
    assert changed[:, 1].min() > 380


def test_the_outline_is_drawn_along_its_corners():
    picture = draw_overlay(_photo(), _outline(), (), width=800)
    for x, y in _outline().corners / 2:
        patch = picture[int(y) - 3 : int(y) + 4, int(x) - 3 : int(x) + 4]
        assert patch.max() == 255


def test_a_mark_carries_the_number_of_its_sentence(monkeypatch):
    """A sentence without a place counts: the page and the report number them all."""
    nowhere = Finding("Bars come from the camera.", "camera", 0.7, None)
    band = _finding()
    told = []
    monkeypatch.setattr(
        "panelvision.overlay._Pen.label", lambda self, mark, text, colour: told.append(text)
    )
    draw_overlay(_photo(), _outline(), (nowhere, band), width=800)
    assert told == ["2 block 3/8"]


def test_labels_do_not_cover_each_other():
    two = tuple(_finding(box=(0.4 + d, 0.0, 0.45 + d, 1.0)) for d in (0.0, 0.01))
    one = draw_overlay(_photo(), _outline(), two[:1], width=800)
    both = draw_overlay(_photo(), _outline(), two, width=800)
    plate = np.array(PALETTE["yellow"])
    count = [int((p == plate).all(axis=2).sum()) for p in (one, both)]
    assert count[1] > 1.6 * count[0]


def test_every_spot_is_marked_and_the_first_stays_visible_beside_its_label():
    places = ((0.2, 0.2, 0.26, 0.3), (0.7, 0.6, 0.76, 0.7))
    spots = Finding("Two.", "spot", 0.9, Mark("spot", places[0], "hot spots", places[1:]))
    plain = draw_overlay(_photo(), _outline(), (), width=800)
    drawn = draw_overlay(_photo(), _outline(), (spots,), width=800)
    changed = (plain != drawn).any(axis=2)
    a, _, b, _ = _outline().corners / 2
    for x0, y0, x1, y1 in places:
        (left, top), (right, bottom) = (a + (b - a) * np.array(p) for p in ((x0, y0), (x1, y1)))
        inside = changed[int(top) - 3 : int(bottom) + 4, int(left) - 3 : int(right) + 4]
        assert inside.any()
        middle = changed[
            int(top + (bottom - top) * 0.4) : int(top + (bottom - top) * 0.6),
            int(left + (right - left) * 0.4) : int(left + (right - left) * 0.6),
        ]
        assert not middle.any()


def test_letters_on_a_phone_are_large_enough():
    # 390 wide is a phone; letters of a label stand on a plate at least 14 pixels high.
    picture = draw_overlay(
        _photo(), _outline(), (_finding("spot", (0.4, 0.4, 0.6, 0.6)),), width=390
    )
    plate = (picture == np.array(PALETTE["yellow"])).all(axis=2)
    rows = np.flatnonzero(plate.sum(axis=1) > 25)
    assert rows.max() - rows.min() >= 14


def _contrast(a, b):
    la, lb = sorted(float(luminance(srgb_to_linear(np.array(c) / 255.0))) for c in (a, b))
    return (lb + 0.05) / (la + 0.05)


@pytest.mark.parametrize("name", list(PALETTE))
def test_every_colour_stands_out_from_its_halo_and_carries_dark_letters(name):
    # WCAG 2.1, success criteria 1.4.3 (letters, 4.5) and 1.4.11 (graphics, 3).
    assert _contrast(PALETTE[name], (12, 12, 12)) >= 4.5


# Full protanopia and deuteranopia in linear RGB: Machado, Oliveira and Fernandes (2009),
# severity 1.0; from memory.
_BLIND = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.011820, 0.042940, 0.968881]],
}  # fmt: skip


@pytest.mark.parametrize("kind", list(_BLIND))
def test_colours_that_mean_different_things_differ_for_colour_blind_eyes(kind):
    from skimage.color import rgb2lab

    from panelvision.overlay import _KIND_COLOUR

    used = sorted({_KIND_COLOUR[k] for k in ("half", "band", "line", "rows", "zone", "crack")})
    lab = {}
    for name in used:
        light = np.array(_BLIND[kind]) @ srgb_to_linear(np.array(PALETTE[name]) / 255.0)
        lab[name] = rgb2lab(linear_to_srgb(light)[None, None])[0, 0]
    pairs = [(a, b) for i, a in enumerate(used) for b in used[i + 1 :]]
    # A colour difference of 2.3 is just noticed (M. Mahy et al. 1994); five times that.
    closest = min(float(np.linalg.norm(lab[a] - lab[b])) for a, b in pairs)
    assert closest > 11.5


def test_shapes_differ_without_any_colour():
    pictures = []
    for shape in SHAPES:
        finding = _finding(shape, (0.3, 0.2, 0.6, 0.8))
        grey = draw_overlay(_photo(), _outline(), (finding,), width=800).mean(axis=2)
        pictures.append(grey)
    for i, a in enumerate(pictures):
        for b in pictures[i + 1 :]:
            assert (np.abs(a - b) > 30).sum() > 300
