"""``python -m models.train_faint``: teach the faint-picture detector on drawn dark screens.

Two kinds of scorers say of each tile of the glass whether it shows picture, taught where the
drawn picture is known to stand above the noise: a small one from the tile's own statistics, and
convolutions that see what surrounds it. One more says of the whole photo, from the tiles' scores
and the photo's own numbers. The threshold and the false-alarm rate come from
photos that the judging fold's scorers never saw, the detection limit's allowance from scenes
that nothing was taught on; half of these set it, the other half say how well it holds.
"""

import argparse
import json
import math
import os
import sys
from pathlib import Path
from typing import Any

import cv2
import joblib
import numpy as np
from sklearn.isotonic import IsotonicRegression
from sklearn.linear_model import LogisticRegression
from sklearn.neural_network import MLPClassifier

import synth
from models.convolutions import pytorch
from models.faint_network import Glass, fit_network
from models.measure import SQUARED, cache_folder, kept_rows, sources
from models.metrics import area_under_curve, wilson
from panelvision.arrays import BoolArray, FloatArray
from panelvision.errors import PanelvisionError
from panelvision.measure import faint, faint_network
from panelvision.measure.combiner import FORMAT, Network, network_from
from panelvision.measure.faint_features import Prepared, feature_names, prepare, shrink
from panelvision.measure.faint_limit import detection_limit
from panelvision.measure.faint_tiles import CELL, pool_cells, tile_inputs
from panelvision.photo import read_photo
from panelvision.squareup import Outline, square_up

TARGET = Path(faint.__file__).with_name(faint.MODEL_FILE)
GLASS = TARGET.with_name(faint_network.MODEL_FILE)
# What the tiles of a dark screen depend on, beside the drawing.
SOURCES = (
    *SQUARED,
    *(
        f"measure/{name}.py"
        for name in (
            "faint",
            "faint_features",
            "faint_network",
            "faint_tiles",
            "illumination",
            "noise",
            "reduced",
        )
    ),
)
SHARD = 20
FIRST_SEED = 700_000_000
# Scenes for the detection limit; nothing is taught on them.
LIMIT_SEED = 720_000_000
LIMIT_SCENES = 800
FOLDS = 3
# The convolutions take minutes a fold. chosen
GLASS_FOLDS = 2
FALSE_ALARMS = 0.05
# A tile shows picture when the picture's power there is above this share of the noise's. chosen
TILE_POWER = 0.05
# Pictures that nobody could see teach nothing: least SNR of the truth to count as positive.
LEAST_SNR = 0.7
# chosen by cross-validation over drawn photos: a picture below this SNR counts in proportion.
FULL_SNR = 4.0


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m models.train_faint", description=__doc__)
    parser.add_argument("--count", type=int, default=3000, help="dark photos to draw")
    parser.add_argument("--jobs", type=int, default=-1)
    parser.add_argument(
        "--limit-only",
        action="store_true",
        help="keep the shipped scorers; learn the detection limit's numbers anew",
    )
    args = parser.parse_args(argv)
    if args.limit_only:
        model = json.loads(TARGET.read_text(encoding="utf-8"))
        return _write({**model, "limit": allowance(model, jobs=args.jobs)})
    try:
        pytorch()  # told now, and not after ten minutes of drawing
    except PanelvisionError as fault:
        print(f"models.train_faint: {fault}", file=sys.stderr)
        return 2
    starts = [FIRST_SEED + i * SHARD for i in range(math.ceil(args.count / SHARD))]
    rows: list[dict[str, Any]] = []
    work = joblib.Parallel(n_jobs=args.jobs, return_as="generator")(
        joblib.delayed(measured_shard)(s) for s in starts
    )
    for k, shard in enumerate(work):
        rows += shard
        if k % 5 == 4:
            print(f"  {len(rows)} dark photos measured", flush=True)
    networks, odds = teach_glass(rows)
    model = fit(rows, odds)
    model["limit"] = allowance(model, jobs=args.jobs)
    part = GLASS.with_suffix(".part.npz")
    np.savez_compressed(part, allow_pickle=False, **networks)
    # Side by side: the witness's weights speak of these networks and of no others.
    os.replace(part, GLASS)
    return _write(model)


def _write(model: dict[str, Any]) -> int:
    part = TARGET.with_suffix(".part")
    part.write_text(json.dumps(model), encoding="utf-8")
    os.replace(part, TARGET)
    print(f"wrote {TARGET.name}, {TARGET.stat().st_size // 1024} KiB")
    return 0


def measured_shard(first: int) -> list[dict[str, Any]]:
    """Tile statistics, truth per tile and the photo's numbers of one shard; cached."""
    cv2.setNumThreads(1)
    made = sources(*SOURCES, by=("train_faint",))
    path = cache_folder() / f"faint-{synth.VERSION}-{made}" / f"shard-{first}.npz"
    return kept_rows(path, lambda: [_measure(first + k) for k in range(SHARD)])


def dark_photo(seed: int) -> tuple[Prepared, dict[str, Any]]:
    """A drawn dark screen, squared up with an outline as far off as a found one."""
    symptom = "faint-image" if seed % 2 else "no-image"
    rng = np.random.default_rng(seed)
    size = ((1200, 900), (1600, 1200), (1280, 960), (1440, 1080))[int(rng.integers(4))]
    sample = synth.draw(seed, symptom=symptom, size=size if rng.random() < 0.7 else size[::-1])
    photo = read_photo(sample.jpeg, name=f"seed-{seed}")
    corners = np.asarray(sample.truth["corners"], dtype=np.float64)
    diagonal = float(np.hypot(*(corners[2] - corners[0])))
    shift = rng.choice([0.0, 0.003, 0.006]) * diagonal / math.sqrt(2)
    corners = corners + rng.normal(0, 1, (4, 2)) * shift
    view = square_up(
        photo, Outline(corners, 1.0, np.full(4, np.nan)), aspect=sample.truth["aspect"]
    )
    return prepare(*shrink(view.linear, view.clipped, view.valid)), sample.truth


def _measure(seed: int) -> dict[str, Any]:
    prepared, truth = dark_photo(seed)
    measured = faint.measure_tiles(prepared)
    power = np.zeros(measured.share.shape, np.float32)
    if truth["symptom"] == "faint-image":
        power = _power(seed, prepared, float(truth["faint_contrast"]))
    return {
        "statistics": measured.statistics.astype(np.float32),
        "share": measured.share.astype(np.float32),
        "white": faint_network.quantised(prepared.white, prepared.flat.use),
        "power": power,
        "numbers": np.array(list(measured.described.values()), np.float64),
        "pictured": float(truth["symptom"] == "faint-image"),
        "snr": float(truth.get("faint_snr_feature") or 0.0),
        "contrast": float(truth.get("faint_contrast") or 0.0),
        "seed": float(seed),
    }


def _power(seed: int, prepared: Prepared, contrast: float) -> FloatArray:
    """Power of the drawn picture per tile, in units of the noise's."""
    picture, _ = synth.draw_screen(seed, "faint-image", width=480)
    h, w = prepared.flat.use.shape
    pattern = cv2.resize(picture, (w, h), interpolation=cv2.INTER_AREA)
    pattern = pattern - pattern.mean(axis=(0, 1))
    luma = pattern @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    pattern *= contrast / max(float(luma.std()), 1e-9)
    # What shading cannot be told from does not count.
    pattern = pattern - cv2.GaussianBlur(pattern, (0, 0), 20)
    power = (pattern**2 / prepared.scale[..., :1] ** 2).mean(axis=-1).astype(np.float32)
    return pool_cells(cv2.resize(power, (w // CELL, h // CELL), interpolation=cv2.INTER_AREA))


def teach_glass(rows: list[dict[str, Any]]) -> tuple[dict[str, np.ndarray], list[FloatArray]]:
    """The convolutions' numbers, and each photo's odds from those that never saw it."""
    glasses = []
    for row in rows:
        pictured = (row["pictured"] > 0) & (row["power"] > TILE_POWER)
        # Tiles of a picture's photo where the picture is too weak belong to neither side.
        known = (row["share"] > 0.6) & (pictured | (row["pictured"] <= 0))
        glasses.append(Glass(row["white"], pictured, known))
    fold = np.arange(len(rows)) // 2 % GLASS_FOLDS
    numbers: dict[str, np.ndarray] = {}
    odds: dict[int, FloatArray] = {}
    for f in range(GLASS_FOLDS):
        taught = fit_network(
            [glasses[i] for i in np.flatnonzero(fold != f)],
            seed=f,
            progress=lambda epoch, of, loss: print(f"  epoch {epoch}/{of}: {loss:.4f}", flush=True),
        )
        network = faint_network.read_network(taught)
        for i in np.flatnonzero(fold == f).tolist():
            odds[i] = network.of_quantised(glasses[i].white)
        numbers |= {f"{f}.{name}": value for name, value in taught.items()}
    return numbers, [odds[i] for i in range(len(rows))]


def fit(rows: list[dict[str, Any]], glass: list[FloatArray]) -> dict[str, Any]:
    """The model file's contents; ``glass``: the convolutions' odds of each photo's tiles."""
    fold = np.arange(len(rows)) // 2 % FOLDS
    tiles = _TileTable(rows)
    networks = [tiles.fit(fold != f, seed=f) for f in range(FOLDS)]
    odds = np.zeros(len(tiles.inputs))
    for f in range(FOLDS):
        mine = fold[tiles.owner] == f
        odds[mine] = tiles.network([networks[f]]).log_odds(tiles.inputs[mine])
    plain = _photo_scorer(rows, tiles, odds, networks, None)
    witness = _photo_scorer(rows, tiles, odds, networks, glass)
    scores, seen = plain.pop("scores"), plain.pop("seen")
    del witness["scores"], witness["seen"]
    contrast = np.array([float(r["contrast"]) for r in rows])
    pictured = np.array([r["pictured"] > 0 for r in rows])
    limit = _first_guess(scores, contrast, pictured & seen, plain["threshold"], rows)
    return {"format": FORMAT, **plain, "limit": limit, "witness": {**witness, "limit": {}}}


def _photo_scorer(
    rows: list[dict[str, Any]],
    tiles: "_TileTable",
    odds: FloatArray,
    networks: list[MLPClassifier],
    glass: list[FloatArray] | None,
) -> dict[str, Any]:
    """A scorer of whole photos, with its tile scorer; held-out ``scores`` and who was ``seen``."""
    n = len(rows)
    fold = np.arange(n) // 2 % FOLDS
    pictured = np.array([r["pictured"] > 0 for r in rows])
    snr = np.array([float(r["snr"]) for r in rows])
    table = np.array(
        [
            [
                *faint.pool_tiles(
                    odds[tiles.owner == i].reshape(r["share"].shape), r["share"]
                ).values(),
                *(faint.pool_tiles(glass[i], r["share"]).values() if glass else ()),
                *r["numbers"],
            ]
            for i, r in enumerate(rows)
        ]
    )
    table[~np.isfinite(table)] = np.nan
    centre = np.nanmedian(table, axis=0)
    scale = np.nanstd(table, axis=0) + 1e-6
    inputs = np.clip(np.nan_to_num((table - centre) / scale), -6, 6)
    teaching = ~pictured | (snr >= LEAST_SNR)
    weight = np.where(pictured, np.minimum(snr / FULL_SNR, 1.0), 1.0)
    scores = np.zeros(n)
    for f in range(FOLDS):
        member = _whole(inputs, pictured, weight, teaching & (fold != f))
        scores[fold == f] = member.decision_function(inputs[fold == f])
    seen = np.isfinite(table[:, 0])
    null = np.sort(scores[~pictured & seen])
    whole = _whole(inputs, pictured, weight, teaching)
    print(
        f"  held-out area under the curve{' with the networks' if glass else ''}: "
        f"all {area_under_curve(scores[pictured], null):.3f}, "
        f"SNR >= 5 {area_under_curve(scores[pictured & (snr >= 5)], null):.3f} "
        f"({int((pictured & (snr >= 5)).sum())} photos)"
    )
    return {
        "tile": _plain(tiles.names, tiles.centre, tiles.scale, networks),
        "whole": {
            "names": list(faint.whole_names(glass=glass is not None)),
            "centre": np.round(centre, 5).tolist(),
            "scale": np.round(scale, 5).tolist(),
            "members": [
                [
                    {
                        "weights": np.round(whole.coef_.T, 5).tolist(),
                        "bias": np.round(whole.intercept_, 5).tolist(),
                    }
                ]
            ],
        },
        "threshold": float(np.quantile(null, 1 - FALSE_ALARMS, method="higher")),
        "false_alarm_rate": FALSE_ALARMS,
        "null_scores": np.round(null, 4).tolist(),
        "scores": scores,
        "seen": seen,
    }


def _whole(
    inputs: FloatArray, pictured: BoolArray, weight: FloatArray, use: BoolArray
) -> LogisticRegression:
    """The photo's scorer; both sides count alike, as its probability is said to."""
    weight = np.where(
        pictured, weight / weight[pictured & use].sum(), weight / (~pictured & use).sum()
    )
    weight = weight * use.sum()
    return LogisticRegression(C=0.03, max_iter=800).fit(
        inputs[use], pictured[use], sample_weight=weight[use]
    )


class _TileTable:
    """All tiles of all photos, one row each."""

    def __init__(self, rows: list[dict[str, Any]]) -> None:
        self.inputs = np.concatenate([tile_inputs(r["statistics"], r["share"]) for r in rows])
        power = np.concatenate([r["power"].ravel() for r in rows])
        share = np.concatenate([r["share"].ravel() for r in rows])
        self.owner = np.concatenate([np.full(r["share"].size, i) for i, r in enumerate(rows)])
        pictured = np.array([r["pictured"] > 0 for r in rows])[self.owner]
        self.label: BoolArray = pictured & (power > TILE_POWER)
        # Tiles of a picture's photo where the picture is too weak belong to neither side.
        self.clear: BoolArray = (share > 0.6) & (~pictured | (power > TILE_POWER))
        self.centre = np.nan_to_num(self.inputs[self.clear]).mean(axis=0)
        self.scale = np.nan_to_num(self.inputs[self.clear]).std(axis=0) + 1e-6
        self.names = [str(i) for i in range(self.inputs.shape[1])]

    def fit(self, photos: BoolArray, *, seed: int) -> MLPClassifier:
        rng = np.random.default_rng(seed)
        rows = rng.permutation(np.flatnonzero(self.clear & photos[self.owner]))[:90_000]
        z = (np.nan_to_num(self.inputs[rows]) - self.centre) / self.scale
        return MLPClassifier(
            (24,),
            alpha=1e-2,
            learning_rate_init=2e-3,
            max_iter=8,
            batch_size=256,
            random_state=seed,
        ).fit(np.clip(z, -6, 6), self.label[rows])

    def network(self, members: list[MLPClassifier]) -> Network:
        return network_from(_plain(self.names, self.centre, self.scale, members))


def _plain(
    names: list[str], centre: FloatArray, scale: FloatArray, members: list[MLPClassifier]
) -> dict[str, Any]:
    return {
        "names": names,
        "centre": np.round(centre, 5).tolist(),
        "scale": np.round(scale, 6).tolist(),
        "members": [
            [
                {"weights": np.round(w, 4).tolist(), "bias": np.round(b, 4).tolist()}
                for w, b in zip(m.coefs_, m.intercepts_, strict=True)
            ]
            for m in members
        ],
    }


def _noise(rows: list[dict[str, Any]]) -> FloatArray:
    """Noise per pixel of each photo (the ``noise`` number is its decimal logarithm)."""
    at = feature_names().index("noise")
    return 10 ** (np.array([float(r["numbers"][at]) for r in rows]))


def _first_guess(
    scores: FloatArray,
    contrast: FloatArray,
    pictured: BoolArray,
    threshold: float,
    rows: list[dict[str, Any]],
) -> dict[str, float]:
    """Slope of the score over ln contrast, and the contrast that injections begin with."""
    ratio = np.log(np.maximum(contrast, 1e-5) / _noise(rows))
    near = pictured & np.isfinite(ratio) & (np.abs(scores - threshold) < 3)
    slope = max(float(np.polyfit(ratio[near], scores[near], 1)[0]), 0.3)
    level = float(np.median(scores[near] - slope * ratio[near]))
    return {"slope": slope, "first": math.exp((threshold - level) / slope), "offset": 0.0}


def allowance(model: dict[str, Any], *, scenes: int = LIMIT_SCENES, jobs: int) -> dict[str, float]:
    """The limit's numbers, with the allowance at which nine pictures in ten are found.

    For fresh faint pictures the limit without allowance is computed and compared with the
    contrast that was really there.
    """
    learned = {**model["limit"], "offset": 0.0}
    work = joblib.Parallel(n_jobs=jobs)(
        joblib.delayed(_one_limit)(model, LIMIT_SEED + 2 * k + 1, learned) for k in range(scenes)
    )
    rows = np.array([row for row in work if np.isfinite(row).all()])
    x, found = rows[:, 0], rows[:, 1] > 0
    half = np.arange(len(x)) % 2 == 0
    for name, set_, check in (("first half", half, ~half), ("second half", ~half, half)):
        offset = nine_in_ten(x[set_], found[set_])
        near = check & (np.abs(x - offset) < 0.3)
        hits, count = int(found[near].sum()), int(near.sum())
        low, high = wilson(hits, count)
        print(
            f"  detection limit from the {name}: offset {offset:.2f} (ln); of the other half's "
            f"pictures at the limit {hits}/{count} found [{low:.2f}, {high:.2f}]"
        )
    return {**learned, "offset": nine_in_ten(x, found)}


def nine_in_ten(x: FloatArray, found: BoolArray, *, share: float = 0.9) -> float:
    """Smallest x from which on the share found, smoothed over x and made monotonic, is reached.

    Parameters
    ----------
    x : ndarray of shape (n,)
        ln of contrast over the crossing of the photo's injections.
    found : ndarray of shape (n,), bool
    share : float

    A logistic curve would be pulled by its tails: some pictures are missed at any contrast
    (glare over them), some chance finds are made at none.
    """
    grid = np.linspace(float(x.min()), float(x.max()), 400)
    # chosen: a kernel of 0.35 in ln contrast holds some tens of pictures where it matters.
    weight = np.exp(-0.5 * ((grid[:, None] - x) / 0.35) ** 2)
    smooth = (weight * found).sum(axis=1) / weight.sum(axis=1)
    rising = IsotonicRegression().fit_transform(grid, smooth, sample_weight=weight.sum(axis=1))
    reached = np.flatnonzero(rising >= share)
    return float(grid[reached[0]] if reached.size else grid[-1])


def _one_limit(model: dict[str, Any], seed: int, learned: dict[str, float]) -> FloatArray:
    """ln of the true contrast over the limit without allowance, and whether it was found."""
    cv2.setNumThreads(1)
    prepared, truth = dark_photo(seed)
    scorers = faint.scorers_from(model)
    threshold = float(model["threshold"])
    score = faint.score_prepared(scorers, prepared)[0]
    limit = detection_limit(
        prepared, lambda p: faint.score_prepared(scorers, p)[0], score, threshold, learned
    )
    contrast = max(float(truth.get("faint_contrast") or 0.0), 1e-5)
    return np.array([np.log(contrast / limit), float(score > threshold)])


if __name__ == "__main__":
    sys.exit(main())
