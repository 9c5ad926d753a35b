"""How close the faint-picture detector comes to the ideal observer.

``python -m tests.benchmarks.faint_limit [--quick] [--plot FILE]``: torch-lit dark screens are
drawn with pictures of known contrast. Three observers look, each with its threshold at 5 %
false alarms on screens without a picture: the detector; plain CLAHE with edge energy; and the
matched filter that is told the picture, the light and the noise (d' = c |w|, with w the
whitened picture; found with probability Phi(d' - 1.645), area under the curve
Phi(d' / sqrt 2); ``tests/test_ideal_observer.py`` checks both). Contrast is given as a multiple
of the one at which the matched filter finds half, scene by scene; the factor of an observer is the
multiple at which it does. The noise that the filter is told is what its output spreads by on the
screens without a picture: JPEG, denoising and dirt leave noise correlated, so that as many
independent pixels as the formula for white noise counts are not there. The formula also supposes
that every contrast reaches the file; what is less than a code and drowned in no noise does not, so
the factor over the matched filter as it was run on the same photos is given too. All this is also
said by the photos' noise, in thirds of the scenes from the quietest to the noisiest.
"""

import argparse
import json
from pathlib import Path

import cv2
import numpy as np
from scipy.stats import norm

from models.metrics import area_under_curve
from panelvision.enhance import enhance
from panelvision.light import LUMINANCE_WEIGHTS, encode
from panelvision.measure.faint import load_scorers, score_prepared
from panelvision.measure.faint_features import Prepared, prepare_view, whiten
from panelvision.measure.row_noise import rows_run_upright
from panelvision.photo import from_array
from panelvision.squareup import Outline, ScreenView, square_up
from tests import ideal_observer
from tests.faint_scenes import Scene, draw

MULTIPLES = (1.0, 2.0, 3.0, 4.5, 7.0, 10.0, 15.0, 22.0, 33.0, 50.0)
FALSE_ALARMS = 0.05
KINDS = ("menu", "text", "shapes", "bars")
NOISE = ("quiet", "middling", "noisy")


def seen(scene: Scene) -> tuple[ScreenView, Prepared]:
    """The squared-up view of a drawn scene and what the detector makes of it."""
    outline = Outline(scene.corners, 1.0, np.full(4, np.nan))
    photo = from_array(scene.pixels)
    view = square_up(photo, outline)
    return view, prepare_view(view, upright=rows_run_upright(photo))


def clahe_energy(view: ScreenView) -> float:
    """The plain recipe: CLAHE on grey, mean gradient magnitude where nothing is clipped."""
    grey = cv2.cvtColor(encode(view.linear), cv2.COLOR_RGB2GRAY)
    flat = cv2.createCLAHE(2.0, (8, 8)).apply(grey).astype(np.float32)
    size = np.hypot(cv2.Sobel(flat, cv2.CV_32F, 1, 0), cv2.Sobel(flat, cv2.CV_32F, 0, 1))
    return float(size[view.valid & ~view.clipped].mean())


def template(scene: Scene, prepared: Prepared) -> np.ndarray:
    """The whitened picture at a contrast of 1, as the matched filter is told it."""
    h, w = prepared.flat.use.shape
    pattern = cv2.resize(scene.pattern, (w, h), interpolation=cv2.INTER_AREA)
    spread = float((pattern @ LUMINANCE_WEIGHTS).std())
    change = pattern / max(spread, 1e-9)
    change = change - cv2.GaussianBlur(change, (0, 0), 0.075 * w)
    white, _ = whiten(
        np.where(prepared.flat.use[..., None], change, 0).astype(np.float32), prepared.sigma
    )
    return white


def matched(white: np.ndarray, filter_: np.ndarray, use: np.ndarray) -> float:
    """Output of the matched filter in units of its noise when the noise is white."""
    if filter_.shape != white.shape:
        filter_ = cv2.resize(filter_, use.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return ideal_observer.statistic(white, filter_ * use[..., None])


def crossing(multiples: np.ndarray, share: np.ndarray) -> float:
    """Multiple at which half is found, by interpolation in its logarithm; inf when never."""
    above = np.nonzero(share >= 0.5)[0]
    if above.size == 0:
        return float("inf")
    i = int(above[0])
    if i == 0:
        return float(multiples[0])
    x = np.log(multiples[i - 1 : i + 1])
    t = (0.5 - share[i - 1]) / max(share[i] - share[i - 1], 1e-9)
    return float(np.exp(x[0] + t * (x[1] - x[0])))


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--plot", type=Path)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    nulls, scenes = (24, 8) if args.quick else (120, 48)
    scorers = load_scorers()
    null: dict[str, list[float]] = {"detector": [], "clahe": []}
    empty: list[tuple[np.ndarray, np.ndarray]] = []
    for seed in range(nulls):
        view, prepared = seen(draw(500_000 + seed))
        null["detector"].append(score_prepared(scorers, prepared)[0])
        null["clahe"].append(clahe_energy(view))
        empty.append((prepared.white, prepared.flat.use))
    limit = {k: float(np.quantile(v, 1 - FALSE_ALARMS)) for k, v in null.items()}
    found = {k: np.zeros((scenes, len(MULTIPLES))) for k in ("detector", "clahe", "matched")}
    noise = np.zeros(scenes)
    contrast = np.zeros(scenes)
    signal: list[float] = []
    spreads: list[float] = []
    twice: dict[str, list[float]] = {k: [] for k in found}
    for seed in range(scenes):
        kind = KINDS[seed % len(KINDS)]
        first = draw(600_000 + seed, kind=kind, contrast=0.02)
        _, prepared = seen(first)
        filter_ = template(first, prepared)
        outputs = [matched(white, filter_, use) for white, use in empty]
        spread = float(1.4826 * np.median(np.abs(outputs - np.median(outputs))))
        spreads.append(spread)
        null.setdefault("matched", []).extend(np.array(outputs) / spread)
        strength = ideal_observer.detectability(filter_ * prepared.flat.use[..., None]) / spread
        half = norm.ppf(1 - FALSE_ALARMS) / strength
        noise[seed], contrast[seed] = in_codes(prepared), half
        for i, multiple in enumerate(MULTIPLES):
            view, now = seen(draw(600_000 + seed, kind=kind, contrast=float(half * multiple)))
            score = score_prepared(scorers, now)[0]
            output = matched(now.white, filter_, now.flat.use) / spread
            found["detector"][seed, i] = score > limit["detector"]
            found["clahe"][seed, i] = clahe_energy(view) > limit["clahe"]
            found["matched"][seed, i] = output > norm.ppf(1 - FALSE_ALARMS)
            if multiple == 2.0:
                signal.append(output)
                twice["matched"].append(output)
                twice["detector"].append(score)
                twice["clahe"].append(clahe_energy(view))
    print(
        f"{nulls} screens without a picture; spread of the matched filter "
        f"{np.median(spreads):.2f} times that of white noise"
    )
    share = {k: v.mean(axis=0) for k, v in found.items()}
    half_found = norm.ppf(1 - FALSE_ALARMS)
    ideal = ideal_observer.found(np.array(MULTIPLES) * half_found, false_alarms=FALSE_ALARMS)
    print("multiple   " + "  ".join(f"{m:5.1f}" for m in MULTIPLES))
    print("ideal      " + "  ".join(f"{p:5.2f}" for p in ideal))
    for name, values in share.items():
        print(f"{name:10s} " + "  ".join(f"{p:5.2f}" for p in values))
    # At twice the contrast of which the matched filter finds half.
    areas = {
        k: round(area_under_curve(np.array(v), np.array(null[k])), 3) for k, v in twice.items()
    }
    print(f"areas under the curve at twice the ideal's contrast: {areas}")
    by_noise = {}
    thirds: dict[str, dict[str, np.ndarray]] = {}
    for name, some in zip(NOISE, np.array_split(np.argsort(noise), len(NOISE)), strict=True):
        thirds[name] = {k: v[some].mean(axis=0) for k, v in found.items()}
        codes, half = float(np.median(noise[some])), float(np.median(contrast[some]))
        by_noise[name] = {
            "noise_in_codes": round(codes, 3),
            "half_by_formula": round(half, 6),
            "scenes": len(some),
            **factors_of(thirds[name]),
        }
        print(f"{name}: noise of {codes:.2f} codes, the formula's contrast {half:.4%}")
        for observer, values in thirds[name].items():
            print(f"{observer:10s} " + "  ".join(f"{p:5.2f}" for p in values))
    if args.plot:
        plot(args.plot, {"all": share, **thirds}, ideal)
    print(
        json.dumps(
            {
                **factors_of(share),
                "by_noise": by_noise,
                "matched_output_over_formula": round(float(np.mean(signal)) / (2 * half_found), 3),
                "areas_under_curve": areas,
                "area_of_formula": round(float(ideal_observer.area_under_curve(2 * half_found)), 3),
                "scenes": scenes,
                "screens_without": nulls,
                "enhancement_cnr": enhancement_table(4 if args.quick else 16),
            }
        )
    )


def in_codes(prepared: Prepared) -> float:
    """The noise per pixel of a prepared view, in 8-bit codes at its median level."""
    return float(np.median(prepared.scale[..., 0][prepared.flat.use])) / prepared.noise.quantum


def factors_of(share: dict[str, np.ndarray]) -> dict[str, float | None]:
    """Multiples at which half are found; None where that is so at none of them.

    JSON knows no infinity.
    """
    at = {k: crossing(np.array(MULTIPLES), v) for k, v in share.items()}
    named = {
        "contrast_over_ideal": at["detector"],
        "contrast_over_ideal_clahe": at["clahe"],
        "matched_filter_as_run": at["matched"],
        "contrast_over_matched_as_run": at["detector"] / at["matched"],
    }
    return {k: round(v, 3) if np.isfinite(v) else None for k, v in named.items()}


def enhancement_table(scenes: int) -> dict[str, float]:
    """Contrast-to-noise of a known faint picture in the shown image, by method (medians)."""
    out: dict[str, list[float]] = {}
    for seed in range(scenes):
        scene = draw(700_000 + seed, kind="shapes", contrast=0.05, nuisances=())
        view, _ = seen(scene)
        plain = encode(view.linear)
        pattern = cv2.resize(
            scene.pattern @ LUMINANCE_WEIGHTS, plain.shape[1::-1], interpolation=cv2.INTER_AREA
        )
        use = view.valid & ~view.clipped
        for name, picture in {
            "plain": plain,
            "ours": enhance(view, strength=0.7),
            "clahe": _clahe(plain),
            "retinex": _retinex(plain),
            "nl means": cv2.fastNlMeansDenoisingColored(_clahe(plain), None, 6, 6, 5, 15),
        }.items():
            out.setdefault(name, []).append(contrast_to_noise(picture, pattern, use))
    table = {name: round(float(np.median(v)), 3) for name, v in out.items()}
    print("contrast-to-noise of a known picture: " + json.dumps(table))
    return table


def contrast_to_noise(picture: np.ndarray, pattern: np.ndarray, use: np.ndarray) -> float:
    """Difference of the picture's bright and dark parts over the spread inside them."""
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float32)
    # Broad light is not the picture's: it is taken off before parts are compared.
    grey = grey - cv2.GaussianBlur(grey, (0, 0), 60)
    low, high = np.quantile(pattern[use], [0.3, 0.7])
    dark, bright = grey[use & (pattern <= low)], grey[use & (pattern >= high)]
    noise = np.sqrt((dark.var() + bright.var()) / 2)
    return float((bright.mean() - dark.mean()) / max(noise, 1e-6))


def _clahe(picture: np.ndarray) -> np.ndarray:
    lab = cv2.cvtColor(picture, cv2.COLOR_RGB2LAB)
    lab[..., 0] = cv2.createCLAHE(4.0, (8, 8)).apply(np.ascontiguousarray(lab[..., 0]))
    return cv2.cvtColor(lab, cv2.COLOR_LAB2RGB)


def _retinex(picture: np.ndarray) -> np.ndarray:
    """Multi-scale retinex (Jobson, Rahman, Woodell 1997): scales 15, 80, 250 px, equal weights."""
    log = np.log1p(picture.astype(np.float32))
    out = sum(log - np.log1p(cv2.GaussianBlur(picture.astype(np.float32), (0, 0), s))
              for s in (15, 80, 250)) / 3  # fmt: skip
    low, high = np.percentile(out, [1, 99])
    return np.clip((out - low) / max(high - low, 1e-6) * 255, 0, 255).astype(np.uint8)


def plot(path: Path, share: dict[str, dict[str, np.ndarray]], ideal: np.ndarray) -> None:
    """Detection probability against contrast, by the photos' noise, as a picture."""
    import altair
    import pandas

    rows = [
        {"contrast over the ideal's": m, "found": float(p), "observer": name, "noise": noise}
        for noise, observers in share.items()
        for name, values in {**observers, "formula": ideal}.items()
        for m, p in zip(MULTIPLES, values, strict=True)
    ]
    chart = (
        altair.Chart(pandas.DataFrame(rows))
        .mark_line(point=True)
        .encode(
            x=altair.X("contrast over the ideal's", scale=altair.Scale(type="log")),
            y="found",
            color="observer",
            strokeDash="observer",
            column=altair.Column("noise", sort=list(share)),
        )
    )
    chart.save(str(path))


if __name__ == "__main__":
    main()
