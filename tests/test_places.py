"""Where in a glance a drawn fault is; what the network is shown besides the label."""

import numpy as np
import pytest

import synth
from models.glance import _loss_of_places
from models.places import FAULT, HEALTHY, PLACES, UNKNOWN, fault_places

WHOLE = np.array([[0, 0], [1600, 0], [1600, 900], [0, 900]], float)


def changed(rows=slice(None), columns=slice(None)):
    out = np.zeros((36, 64), np.uint8)
    out[rows, columns] = 200
    return out


def test_the_right_half_of_the_screen_is_the_right_half_of_its_places():
    places = fault_places("half-screen", changed(columns=slice(32, 64)), WHOLE, WHOLE)
    # The active area is 288 of the glance's 320 columns (a margin of one eighteenth of it on
    # each side): columns 4 to 76 of 80 places, its middle at 40.
    assert places.shape == PLACES
    assert (places[5:40, 41:75] == FAULT).all()
    assert (places[:, :39] == HEALTHY).all()
    assert (places[:, 77:] == HEALTHY).all()


def test_places_follow_the_outline_that_was_found():
    # Found too wide by a third: the true screen's right edge is at three quarters of it.
    found = WHOLE * [4 / 3, 1]
    places = fault_places("vertical-lines", changed(columns=slice(62, 64)), WHOLE, found)
    columns = np.flatnonzero((places == FAULT).any(axis=0))
    true = 4 + 72 * 0.75 * np.array([62, 64]) / 64
    assert columns[0] == pytest.approx(true[0], abs=1)
    assert columns[-1] + 1 == pytest.approx(true[1], abs=1)


@pytest.mark.parametrize(
    ("symptom", "change", "outline", "value"),
    [
        ("normal", None, WHOLE, HEALTHY),
        ("no-image", None, WHOLE, FAULT),
        ("not-a-screen", None, None, FAULT),
        ("cracked", changed(), None, UNKNOWN),
        ("cracked", None, WHOLE, UNKNOWN),  # a shop's own photo carries no map
        ("cracked", changed() // 20, WHOLE, UNKNOWN),  # nothing that anyone could see
        ("cracked", changed(), WHOLE + 5000, UNKNOWN),  # something else was taken for the screen
    ],
)
def test_places_of_whole_photos(symptom, change, outline, value):
    corners = None if symptom == "not-a-screen" else WHOLE
    assert (fault_places(symptom, change, corners, outline) == value).all()


def test_a_drawn_fault_is_where_its_truth_says():
    for seed in range(4_100, 4_104):
        sample = synth.draw(seed, symptom="vertical-bands", quick=True)
        map_ = sample.changed.max(axis=0)
        inside = np.zeros(64, bool)
        near = np.zeros(64, bool)
        for start, end in sample.truth["band_edges"]:
            inside[int(np.ceil(start * 64)) + 1 : int(end * 64) - 1] = True
            near[max(0, int(start * 64) - 1) : int(np.ceil(end * 64)) + 1] = True
        assert (map_[inside] > 0).mean() > 0.9
        assert not map_[~near].any()
    assert synth.draw(4_100, symptom="normal", quick=True).changed is None


def test_the_loss_of_places_is_the_cross_entropy_by_hand():
    torch = pytest.importorskip("torch", reason='PyTorch is not installed (".[train]")')
    # One photo of label 3: of 2 x 2 places of 16 pixels, one shows it. All scores are 0 but that
    # the place with the fault says its label with odds e, so its share is e / (e + 12).
    there = torch.zeros(1, 13, 2, 2)
    there[0, 3, 0, 0] = 1.0
    places = torch.zeros(1, 24, 24, dtype=torch.uint8)
    places[0, :4, :4] = FAULT
    loss = _loss_of_places(torch, there, places, torch.tensor([3]))
    fault = -np.log(np.e / (np.e + 12))
    assert float(loss) == pytest.approx((fault + np.log(13)) / 2, rel=1e-5)
    unknown = torch.full_like(places, UNKNOWN)
    assert float(_loss_of_places(torch, there, unknown, torch.tensor([3]))) == 0
