"""Edge localisation against the Cramer-Rao bound: ``python -m tests.benchmarks.edges [--quick]``.

Two figures. ``fit_over_bound``: one row of samples of a Gaussian-blurred step in white
noise, place fitted with all four parameters unknown. ``error_over_bound``: the whole way
of a full-height edge of a panel (strips, tilt search, straight line, fit) on strips with
the same step, against the bound for all strips and channels together. 1 is the best any
unbiased method can do; the bound is for a known shape, so a little over 1 is expected.
"""

import argparse
import json

import numpy as np
from scipy.stats import norm

from panelvision.measure.profile import StripProfile
from panelvision.measure.step_fit import fit_step, step_bound
from panelvision.measure.steps import full_length_edges

_SAMPLES, _STRIPS = 200, 36


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="fewer repeats, for CI")
    repeats = 60 if parser.parse_args().quick else 400
    rng = np.random.default_rng(20)
    cases = []
    for width in (0.8, 1.0, 1.5, 2.0):
        for noise_over_rise in (0.02, 0.05, 0.1):
            cases.append(_case(rng, width, noise_over_rise, repeats))
            print(
                "blur {width:.1f} px, noise/rise {noise_over_rise:.2f}: fit {fit:.2f}, "
                "edge {edge:.2f} x bound, claimed/real {claimed_over_real:.2f}, "
                "found {found:.2f}".format(**cases[-1]),
                flush=True,
            )
    print(
        json.dumps(
            {
                "error_over_bound": round(float(np.median([c["edge"] for c in cases])), 3),
                "fit_over_bound": round(float(np.median([c["fit"] for c in cases])), 3),
                "claimed_over_real": round(
                    float(np.median([c["claimed_over_real"] for c in cases])), 3
                ),
                "found": round(float(np.mean([c["found"] for c in cases])), 4),
                "worst_error_over_bound": round(max(c["edge"] for c in cases), 3),
                "repeats": repeats,
                "cases": cases,
            }
        )
    )


def _case(
    rng: np.random.Generator, width: float, noise_over_rise: float, repeats: int
) -> dict[str, float]:
    rise = 0.2
    noise = noise_over_rise * rise
    fit_errors, edge_errors, claimed = [], [], []
    for _ in range(repeats):
        place = _SAMPLES / 2 + rng.uniform(-0.5, 0.5)
        # Samples are pixel centres; positions of edges are pixel borders, half a pixel on.
        clean = 0.3 + rise * norm.cdf((np.arange(_SAMPLES) + 0.5 - place) / width)
        window = clean[_SAMPLES // 2 - 16 : _SAMPLES // 2 + 17]
        fit = fit_step(window + rng.normal(0, noise, window.size))
        if fit is not None:
            fit_errors.append(fit.position + _SAMPLES // 2 - 16 + 0.5 - place)
        edges = full_length_edges(_profile(rng, clean, noise))
        near = [e for e in edges if abs(e.position * _SAMPLES - place) < 3]
        if near:
            best = max(near, key=lambda e: e.support)
            edge_errors.append(best.position * _SAMPLES - place)
            claimed.append(best.sigma * _SAMPLES)
    bound = step_bound(noise, rise, width)
    together = bound / np.sqrt(_STRIPS * 3)
    real = float(np.sqrt(np.mean(np.square(edge_errors))))
    return {
        "width": width,
        "noise_over_rise": noise_over_rise,
        "fit": round(float(np.sqrt(np.mean(np.square(fit_errors)))) / bound, 3),
        "edge": round(real / together, 3),
        "claimed_over_real": round(float(np.median(claimed)) / real, 3),
        "found": len(edge_errors) / repeats,
    }


def _profile(rng: np.random.Generator, clean: np.ndarray, noise: float) -> StripProfile:
    signal = clean[None, :, None] + rng.normal(0, noise, (_STRIPS, _SAMPLES, 3))
    signal = signal.astype(np.float32)
    nothing = np.zeros((_STRIPS, _SAMPLES), dtype=np.float32)
    valid = np.ones((_STRIPS, _SAMPLES), dtype=bool)
    return StripProfile("vertical", signal, valid, nothing, nothing, noise, signal[[0, -1]])


if __name__ == "__main__":
    main()
