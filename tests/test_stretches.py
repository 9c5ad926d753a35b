"""Stretches between edges: their sums against direct computation, and the scorers' file."""

import numpy as np
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier

import panelvision.measure.scorers as scorers
from models.export import arrays_of
from models.train_panel import _labels, _line_labels
from panelvision.errors import ModelError
from panelvision.measure import line_scores
from panelvision.measure.columns import column_candidates
from panelvision.measure.profile import strip_profile
from panelvision.measure.rows import row_candidates
from panelvision.measure.stretches import NAMES, _Sums
from tests.screens import HEIGHT, WIDTH, picture, seen


def block(light, lo, hi, fill):
    light = light.copy()
    light[:, round(lo * WIDTH) : round(hi * WIDTH)] = fill
    return light


@pytest.mark.parametrize("span", [(0.0, 0.5), (0.2, 0.27), (0.6, 1.0)])
def test_prefix_sums_give_what_direct_computation_gives(span):
    _, view = seen(picture(3))
    profile = strip_profile(view, "vertical")
    got = _Sums(profile).measure(np.array([span[0]]), np.array([span[1]]))
    n = profile.length
    guard = min(3, max(1, int((span[1] - span[0]) * n / 6)))
    lo, hi = round(span[0] * n) + guard, round(span[1] * n) - guard
    part = profile.signal[1:-1, lo:hi].astype(float)
    rows = part.mean(axis=1)
    np.testing.assert_allclose(got["colour"][0], np.median(rows, axis=0), atol=1e-6)
    assert got["along"][0] == pytest.approx(profile.along[1:-1, lo:hi].mean(), abs=1e-6)
    # Spread within a strip: E[x^2] - mean^2, largest channel.
    spread = np.sqrt(((part - rows[:, None]) ** 2).mean(axis=(0, 1))).max()
    assert got["flatness"][0] == pytest.approx(spread, rel=1e-4)
    t = np.linspace(-1, 1, len(rows))
    trend = np.stack([np.ones_like(t), t, t**2], axis=1)
    rest = rows - trend @ np.linalg.lstsq(trend, rows, rcond=None)[0]
    assert got["variation"][0] == pytest.approx(np.sqrt((rest**2).mean(axis=0)).max(), rel=1e-4)
    # Doubly centred logarithm of blocks of four positions.
    first, last = -(-lo // 4), hi // 4
    mean = profile.signal[1:-1, first * 4 : last * 4].reshape(len(rows), last - first, 4, 3)
    log = np.log(mean.mean(axis=2).astype(float) + 0.05)
    log = log - log.mean(axis=0) - log.mean(axis=1, keepdims=True) + log.mean(axis=(0, 1))
    assert got["texture"][0] == pytest.approx(np.sqrt((log**2).mean(axis=(0, 1))).max(), rel=1e-3)


def test_a_blank_half_is_among_the_stretches_and_unlike_the_rest():
    found = column_candidates(*seen(block(picture(4), 0.5, 1.0, 0.2))).stretches
    half = np.flatnonzero(found.column("half") > 0)
    spans = [found.span(int(i)) for i in half]
    right = half[[a > 0.4 for a, _ in spans]]
    assert len(right) == 1
    assert found.column("texture_apart_blank")[right[0]] > 1
    assert found.column("rest_texture")[right[0]] < -1
    assert found.column("at_end")[right[0]] == 1


def test_a_stretch_on_a_driver_grid_is_nearer_to_it_than_one_beside_it():
    def grid(lo, hi):
        found = column_candidates(*seen(block(picture(5), lo, hi, 0.02))).stretches
        i = min(
            range(len(found)),
            key=lambda k: abs(found.span(k)[0] - lo) + abs(found.span(k)[1] - hi),
        )
        assert found.span(i) == pytest.approx((lo, hi), abs=0.002)
        return found.column("grid")[i]

    assert grid(0.375, 0.5) < grid(0.352, 0.447) - 0.7


def test_film_bars_mirror_each_other_and_a_dead_block_mirrors_nothing():
    light = picture(6)
    bars = light.copy()
    bars[:70] = bars[-70:] = 0.003
    _, view = seen(bars)
    found = row_candidates(view).stretches
    top = int(np.flatnonzero((found.column("at_start") > 0) & (found.column("width") < 0.2))[0])
    assert found.column("mirror_edge")[top] < np.log(0.01)
    light[: HEIGHT // 8] = 0.003
    _, view = seen(light)
    found = row_candidates(view).stretches
    top = int(np.flatnonzero(found.column("at_start") > 0)[0])
    assert found.column("mirror_edge")[top] > np.log(0.1)


def test_what_was_drawn_is_told_from_what_only_covers_it():
    found = column_candidates(*seen(block(picture(7), 0.25, 0.375, 0.2))).stretches
    spans = [found.span(i) for i in range(len(found))]
    labels = _labels(found, [(0.25, 0.375)])
    right = [a == pytest.approx(0.25, abs=0.004) and b == pytest.approx(0.375, abs=0.004)
             for a, b in spans]  # fmt: skip
    np.testing.assert_array_equal(labels == 1, right)
    assert sum(right) == 1
    # An edge somewhere else by a fortieth of the width: neither a fault nor picture.
    assert (_labels(found, [(0.25, 0.4)])[np.flatnonzero(right)] == -1).all()


@pytest.fixture(scope="module")
def numbers():
    rng = np.random.default_rng(1)
    values = rng.normal(size=(300, len(NAMES)))
    label = values[:, 0] + values[:, 1] > 0
    out = {"members": np.array(2), "names": np.array(NAMES), "thresholds": np.array([0.5, 1.0])}
    fitted = []
    for i in range(2):
        member = HistGradientBoostingClassifier(max_iter=20, random_state=i).fit(values, label)
        out.update({f"{i}.{k}": v for k, v in arrays_of(member).items()})
        fitted.append(member)
    return out, fitted, values


def test_the_scorers_give_scikit_learns_log_odds(numbers):
    stored, fitted, values = numbers
    read = scorers.read_scorers(stored, NAMES)
    for axis, member in zip(scorers.AXES, fitted, strict=True):
        np.testing.assert_allclose(
            read[axis].log_odds(values), member.decision_function(values), atol=1e-4
        )
    assert read["horizontal"].threshold == 1.0


@pytest.mark.parametrize("damage", ["cut", "names", "empty", "members", "missing"])
def test_a_damaged_file_of_scorers_is_refused(tmp_path, numbers, damage):
    stored = dict(numbers[0])
    if damage == "names":
        stored["names"] = stored["names"][::-1]
    if damage == "members":
        stored["members"] = np.array(1)
    path = tmp_path / "scorers.npz"
    if damage != "missing":
        np.savez(path, **stored)
    if damage == "cut":
        path.write_bytes(path.read_bytes()[:2000])
    if damage == "empty":
        path.write_bytes(b"")
    with pytest.raises(ModelError, match=r"learned numbers cannot be read .*; reinstall") as told:
        scorers.load_scorers(str(path), NAMES)
    assert "\n" not in str(told.value)


def lined(places, *, width=2, value=1.0):
    light = picture(8)
    for x in places:
        light[:, round(x * WIDTH) : round(x * WIDTH) + width] = value
    return column_candidates(*seen(light))


def test_lines_in_company_are_told_from_a_lone_one():
    names = list(line_scores.NAMES)
    one, many = lined([0.4]), lined([0.2, 0.3, 0.4, 0.5, 0.6, 0.7])
    alone = line_scores.line_numbers(one.line_profile, one.lines)
    row = {n: alone[np.argmax(alone[:, names.index("contrast")]), names.index(n)] for n in names}
    assert row["full"] == 1
    assert row["lift"] > 0.1
    assert row["reaches"] == 1
    together = line_scores.line_numbers(many.line_profile, many.lines)
    place = [x.position for x in many.lines]
    i = int(np.argmin(np.abs(np.array(place) - 0.4)))
    assert place[i] == pytest.approx(0.401, abs=0.002)
    assert np.expm1(together[i, names.index("count_full")]) > 5.9
    # Gaps of a tenth on both sides.
    assert together[i, names.index("even_spacing")] == pytest.approx(0, abs=0.05)
    assert np.exp(together[i, names.index("nearest")]) == pytest.approx(0.1, abs=0.004)


def test_a_line_is_the_drawn_one_only_at_its_place_and_length():
    found = lined([0.4]).lines
    near = [abs(x.position - 0.401) < 0.006 for x in found]
    np.testing.assert_array_equal(_line_labels(found, [(0.401, 0.0, 1.0)], []) == 1, near)
    assert any(near)
    assert not _line_labels(found, [(0.45, 0.0, 1.0)], []).any()
    # Inside a faulty stretch a line teaches nothing.
    assert (_line_labels(found, [], [(0.3, 0.5)])[np.flatnonzero(near)] == -1).all()
