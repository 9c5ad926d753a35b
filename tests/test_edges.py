"""Where a step lies: against the Cramer-Rao bound, textbook change points and other libraries."""

import numpy as np
import pytest
from scipy.stats import norm

from panelvision.measure.profile import StripProfile, strip_profile
from panelvision.measure.step_fit import fit_step, step_bound
from panelvision.measure.steps import full_length_edges, straightened
from tests.screens import picture, seen


@pytest.mark.parametrize(
    ("rise", "width", "noise", "bound"),
    # R. W. Gatherer, Stanford CSL-TR-93-560 (1993); values computed from its formula.
    [(10, 1, 0.5, 0.0941), (10, 1, 2, 0.3766), (10, 2, 2, 0.5325), (0.5, 1, 1, 3.766)],
)
def test_bound(rise, width, noise, bound):
    assert step_bound(noise, rise, width) == pytest.approx(bound, rel=1e-3)


def test_bound_is_the_information_of_the_samples():
    # Independent: sigma^2 over the sum of squared slopes (Kay 1993, chapter 3).
    x = np.arange(-40, 41)
    slope = 10 * norm.pdf(x / 1.0)
    assert step_bound(0.5, 10, 1.0) == pytest.approx(0.5 / np.sqrt((slope**2).sum()), rel=1e-3)


def test_fit_error_sits_at_the_bound():
    rng = np.random.default_rng(7)
    x = np.arange(41)
    errors, claimed = [], []
    for _ in range(400):
        place = 20 + rng.uniform(-0.5, 0.5)
        y = 3 + 10 * norm.cdf(x - place) + rng.normal(0, 0.5, x.size)
        fit = fit_step(y)
        errors.append(fit.position - place)
        claimed.append(fit.sigma)
    bound = step_bound(0.5, 10, 1.0)
    # Four parameters cost a little over the known shape: 0.0978 against 0.0941 (simulated
    # with another fit, same model); a smaller error than the bound would be a mistake.
    assert 0.95 * bound < np.std(errors) < 1.15 * bound
    # What the fit claims is what it makes.
    assert np.median(claimed) == pytest.approx(np.std(errors), rel=0.15)


def test_fit_needs_a_step():
    assert fit_step(np.ones(20)) is None
    assert fit_step(np.array([1.0, 2.0])) is None
    assert fit_step(np.full(20, np.nan)) is None


def _strips(values, noise=0.0, strips=36, seed=0):
    rng = np.random.default_rng(seed)
    signal = np.repeat(np.asarray(values, dtype=float)[None, :, None], strips, axis=0)
    signal = np.repeat(signal, 3, axis=2) + rng.normal(0, noise, (strips, len(values), 3))
    shape = signal.shape[:2]
    zero = np.zeros(shape, dtype=np.float32)
    return StripProfile(
        "vertical",
        signal.astype(np.float32),
        np.ones(shape, dtype=bool),
        zero,
        zero,
        max(noise, 0.5 / 255),
        signal[[0, -1]].astype(np.float32),
    )


def test_textbook_step_is_not_moved_to_a_grid_of_five():
    # ruptures' default jump of 5 answers 50 and 55 for this signal; the change is at 52.
    edges = full_length_edges(_strips([0.1] * 52 + [0.6] * 48))
    assert [round(e.position * 100) for e in edges] == [52]
    rpt = pytest.importorskip("ruptures")
    y = np.array([0.0] * 52 + [5.0] * 48)
    assert rpt.Pelt(model="l2", jump=1, min_size=1).fit_predict(y, pen=1)[0] == 52


def test_finer_and_fewer_false_alarms_than_change_points_of_the_mean_profile():
    rpt = pytest.importorskip("ruptures")
    light = picture(3)
    light[:, 360:480] = 0.02
    _, view = seen(light)
    profile = strip_profile(view, "vertical")
    edges = [e for e in full_length_edges(profile) if e.support > 0.85]
    own = np.array([e.position * 960 for e in edges if 0.02 < e.position < 0.98])
    assert own.size == 2
    assert np.abs(own - [360, 480]).max() < 0.5
    mean = profile.signal.mean(axis=(0, 2))
    noise = np.median(np.abs(np.diff(mean))) / 0.6745 / np.sqrt(2)
    penalty = 3 * noise**2 * np.log(mean.size)
    found = rpt.Pelt(model="l2", jump=1, min_size=2).fit_predict(mean, pen=penalty)
    # The picture's own changes of the mean are change points too.
    assert len(found) > 10


def test_error_of_a_full_height_edge_falls_with_the_strips():
    rng = np.random.default_rng(5)
    x = np.arange(200) + 0.5
    errors, claimed = [], []
    for k in range(60):
        place = 100 + rng.uniform(-0.5, 0.5)
        values = 0.2 + 0.05 * norm.cdf(x - place)
        edge = next(e for e in full_length_edges(_strips(values, 0.004, seed=k)) if e.support > 0.8)
        errors.append(edge.position * 200 - place)
        claimed.append(edge.sigma * 200)
    # 36 strips of 3 channels, each with the bound of one row of samples.
    bound = step_bound(0.004, 0.05, 1.0) / np.sqrt(36 * 3)
    assert np.std(errors) < 2.5 * bound
    assert abs(np.mean(errors)) < 0.03
    # Claimed errors are not smaller than the real ones.
    assert np.median(claimed) > 0.7 * np.std(errors)


def test_soft_edges_and_ramps_are_no_edges():
    x = np.arange(960)
    dim = 0.5 - 0.3 * norm.cdf((x - 480) / 40)
    assert not [e for e in full_length_edges(_strips(dim, 0.002)) if 0.05 < e.position < 0.95]
    ramp = np.linspace(0.1, 0.9, 960)
    assert not [e for e in full_length_edges(_strips(ramp, 0.002)) if 0.05 < e.position < 0.95]


@pytest.mark.parametrize("blur", [1.0, 2.0, 3.0])
def test_width_of_a_known_edge(blur):
    x = np.arange(400) + 0.5
    values = 0.2 + 0.4 * norm.cdf((x - 200.3) / blur)
    edge = next(e for e in full_length_edges(_strips(values, 0.002)) if e.support > 0.8)
    # A pixel averages over its own width (variance 1/12) and the aligned mean interpolates.
    assert edge.width * 400 == pytest.approx(np.hypot(blur, 0.45), rel=0.12)


def test_tilt_is_measured_and_taken_out():
    light = picture(4)
    rows = np.arange(540)
    for i in rows:
        lo = round(300 + 8 * (i / 539 - 0.5))
        light[i, lo : lo + 160] = 0.3
    _, view = seen(light)
    profile = strip_profile(view, "vertical")
    edges = [e for e in full_length_edges(profile) if e.support > 0.85 and 0.1 < e.position < 0.9]
    assert [e.tilt * 960 for e in edges] == pytest.approx([8, 8], abs=1.0)
    level = full_length_edges(straightened(profile, tuple(edges)))
    level = [e for e in level if e.support > 0.85 and 0.1 < e.position < 0.9]
    assert np.abs([e.tilt * 960 for e in level]).max() < 1.0
    assert [e.position for e in level] == pytest.approx([e.position for e in edges], abs=5e-4)
