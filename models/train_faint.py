"""``python -m models.train_faint``: teach the faint-picture detector on drawn dark screens.

Two kinds of scorers say of each tile of the glass whether it shows picture, taught where the
drawn picture is known to stand above the noise: a small one from the tile's own statistics, and
convolutions that see what surrounds it. One more says of the whole photo, from the tiles' scores
and the photo's own numbers. The threshold and the false-alarm rate come from
photos that the judging fold's scorers never saw and in which a screen was found, the detection
limit's allowance from scenes that nothing was taught on; half of these set it, the other half say
how well it holds.
"""

import argparse
import json
import math
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import joblib
import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.isotonic import IsotonicRegression
from sklearn.linear_model import LogisticRegression
from sklearn.neural_network import MLPClassifier

import synth
from models.binning import binned
from models.convolutions import pytorch
from models.export import arrays_of
from models.faint_network import Glass, fit_network
from models.geometry_truth import overlap, seen_in_view
from models.measure import LOCATED, SQUARED, cache_folder, drawn_shard, kept_rows, sources
from models.metrics import area_under_curve, wilson
from models.shipping import Contents, Worth, ship, written
from panelvision.arrays import BoolArray, FloatArray
from panelvision.errors import PanelvisionError
from panelvision.examine import whole_frame
from panelvision.light import LUMINANCE_WEIGHTS
from panelvision.locate import locate
from panelvision.measure import faint, faint_network
from panelvision.measure.combiner import FORMAT, Network, network_from
from panelvision.measure.faint_features import WORK_WIDTH, Prepared, prepare_view, whiten
from panelvision.measure.faint_limit import KINDS, inject, pattern
from panelvision.measure.faint_tiles import CELL, TILE_INPUTS, pool_cells, tile_inputs
from panelvision.measure.row_noise import rows_run_upright
from panelvision.measure.scorers import MISSING
from panelvision.order_statistics import median
from panelvision.photo import read_photo
from panelvision.quality import assess
from panelvision.squareup import Outline, square_up

TARGET = Path(faint.__file__).with_name(faint.MODEL_FILE)
GLASS = TARGET.with_name(faint_network.MODEL_FILE)
# What the tiles of a dark screen depend on, beside the drawing.
SOURCES = (
    *SQUARED,
    *LOCATED,
    *(
        f"measure/{name}.py"
        for name in (
            "faint",
            "faint_contours",
            "faint_features",
            "faint_network",
            "faint_tiles",
            "illumination",
            "noise",
            "reduced",
            "row_noise",
        )
    ),
)
# The labels of a shard's photos.
ORDER = ("no-image", "faint-image") * 10
SHARD = len(ORDER)
FIRST_SEED = 700_000_000
# Scenes for the detection limit, all with a picture; nothing is taught on them.
LIMIT_SEED = 720_000_000
LIMIT_ORDER = ("faint-image",) * SHARD
LIMIT_SCENES = 800
# Photos without a picture, a shard's half at a time, that show how the score rises when one is
# injected; and the contrasts injected, in units of the noise per pixel. chosen
RISE_SHARDS = 6
RISE_AT = (0.15, 0.3, 0.6, 1.2, 2.4)
FOLDS = 3
# The convolutions take minutes a fold. chosen
GLASS_FOLDS = 2
FALSE_ALARMS = 0.05
# A tile shows picture when its structure correlates so well with the picture drawn there. chosen:
# noise, dirt and compression alone exceed it in one tile of twenty.
TILE_SHOWS = 0.3
# chosen: noise units; what stands out further counts no more.
_SPECK = 6.0
# Pictures that nobody could see teach nothing: least SNR of the truth to count as positive.
LEAST_SNR = 0.7
# chosen by cross-validation over drawn photos: a picture below this SNR counts in proportion.
FULL_SNR = 4.0
# An outline that agrees so well with the true one is right (the usual bound of an outline found).
# Beyond a wrong one lie the rim and the room, whose sharp edges teach that edges are no picture:
# such photos count less. chosen by cross-validation over drawn photos, of 1, 0.3, 0.1 and 0.
RIGHT_OUTLINE = 0.9
WRONG_OUTLINE_WEIGHT = 0.1
# chosen: how often the trees of a photo's scorer are fitted, each time by other features.
BOOSTED = 2


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m models.train_faint", description=__doc__)
    parser.add_argument("--count", type=int, default=3000, help="dark photos to draw")
    parser.add_argument("--jobs", type=int, default=-1)
    parser.add_argument("--force", action="store_true", help="replace a better one all the same")
    parser.add_argument(
        "--keep-networks",
        action="store_true",
        help="keep the shipped convolutions, which take ten minutes to teach",
    )
    parser.add_argument(
        "--limit-only",
        action="store_true",
        help="keep the shipped scorers; learn the detection limit's numbers anew",
    )
    args = parser.parse_args(argv)
    if args.limit_only:
        model = json.loads(TARGET.read_text(encoding="utf-8"))
        model["limit"] = limit_numbers(model, jobs=args.jobs)
        os.replace(written(TARGET, json.dumps(model)), TARGET)
        return 0
    try:
        if not args.keep_networks:
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
    networks, odds = kept_glass(rows) if args.keep_networks else teach_glass(rows)
    model, figures = fit(rows, odds)
    model["limit"] = limit_numbers(model, jobs=args.jobs)
    # Side by side: the witness's weights speak of these networks and of no others.
    files: dict[Path, Contents] = {GLASS: networks, TARGET: json.dumps(model)}
    drawn = f"drawing version {synth.VERSION}, measured by {sources(*SOURCES)}"
    return ship(Worth("faint", figures, len(rows), drawn), files, force=args.force)


def measured_shard(first: int) -> list[dict[str, Any]]:
    """Tile statistics, truth per tile and the photo's numbers of one shard; cached."""
    cv2.setNumThreads(1)
    made = sources(*SOURCES, by=("train_faint", "geometry_truth"))
    path = cache_folder() / f"faint-{synth.VERSION}-{made}" / f"shard-{first}.npz"
    return kept_rows(path, lambda: [_measure(*photo) for photo in _drawn(first, ORDER)])


def _drawn(first: int, order: tuple[str, ...]) -> list[tuple[bytes, dict[str, Any]]]:
    return drawn_shard(first, order=order, kept_in="faint-drawn")


@dataclass(frozen=True)
class Dark:
    """A drawn dark screen as the pipeline sees it.

    Attributes
    ----------
    prepared : Prepared
        Of the view by the outline that was found, or of the whole frame where there was none.
    outline : Outline
    focus : float
        As :func:`panelvision.measure.faint.with_detection_limit` takes it.
    frame : ndarray of shape (4, 2)
        Corners of the whole photo.
    """

    prepared: Prepared
    outline: Outline
    focus: float
    frame: FloatArray


def dark_photo(jpeg: bytes, truth: dict[str, Any]) -> Dark:
    """Find the screen of a drawn photo and square it up."""
    photo = read_photo(jpeg, name=f"seed-{truth['seed']}")
    location = locate(photo)
    outline = location.outline or whole_frame(photo)
    view = square_up(photo, outline, aspect=location.aspect, aspect_source=location.aspect_source)
    prepared = prepare_view(view, upright=rows_run_upright(photo))
    focus = assess(photo, view).focus_share
    return Dark(prepared, outline, focus, whole_frame(photo).corners)


def _measure(jpeg: bytes, truth: dict[str, Any]) -> dict[str, Any]:
    dark = dark_photo(jpeg, truth)
    prepared = dark.prepared
    measured = faint.measure_tiles(prepared)
    shows = np.zeros(measured.share.shape, np.float32)
    if truth["symptom"] == "faint-image":
        shows = tiles_that_show(truth, dark)
    return {
        "statistics": measured.statistics.astype(np.float32),
        "share": measured.share.astype(np.float32),
        "white": faint_network.quantised(prepared.white, prepared.flat.use),
        "shows": shows.astype(np.float32),
        "numbers": np.array(list(measured.described.values()), np.float64),
        "contours": np.array(list(measured.contours.values()), np.float64),
        "pictured": float(truth["symptom"] == "faint-image"),
        "snr": float(truth.get("faint_snr_feature") or 0.0),
        "seed": float(truth["seed"]),
        "sure": float(dark.outline.sure),
        "agrees": overlap(dark.outline.corners, np.array(truth["corners"]), within=dark.frame),
    }


def tiles_that_show(truth: dict[str, Any], dark: Dark) -> FloatArray:
    """How well each tile's structure agrees with the picture drawn there: correlation, -1..1.

    What glare veils, noise hides or compression takes away does not show.
    """
    # At another width another picture would be drawn.
    width = int(truth["texture_width"])
    picture, _ = synth.draw_screen(int(truth["seed"]), "faint-image", width=width)
    if width > WORK_WIDTH:
        shrunk = (WORK_WIDTH, round(WORK_WIDTH * picture.shape[0] / width))
        picture = cv2.resize(picture, shrunk, interpolation=cv2.INTER_AREA)
    pattern = picture - picture.mean(axis=(0, 1))
    luma = pattern @ LUMINANCE_WEIGHTS.astype(np.float32)
    pattern *= float(truth["faint_contrast"]) / max(float(luma.std()), 1e-9)
    prepared = dark.prepared
    h, w = prepared.flat.use.shape
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    there = seen_in_view(truth["corners"], dark.outline.corners, unit) * (w, h) - 0.5
    here = unit * np.float32(pattern.shape[1::-1]) - np.float32(0.5)
    onto = cv2.getPerspectiveTransform(here, there.astype(np.float32))
    # Beyond the panel there is no picture.
    drawn, _ = whiten(cv2.warpPerspective(pattern, onto, (w, h)), prepared.sigma)
    seen = prepared.flat.use.astype(np.float32)[..., None]
    a, b = (_without_shading(x) * seen for x in (drawn, prepared.white))

    def pooled(product: FloatArray) -> FloatArray:
        size = (w // CELL, h // CELL)
        return pool_cells(cv2.resize(product.sum(axis=-1), size, interpolation=cv2.INTER_AREA))

    return pooled(a * b) / np.sqrt(pooled(a * a) * pooled(b * b) + 1e-6)


def _without_shading(white: FloatArray) -> FloatArray:
    """The structure that counts: no specks, nothing as fine as noise, none as wide as shading."""
    held = np.clip(white, -_SPECK, _SPECK)
    return cv2.GaussianBlur(held, (0, 0), 1.5) - cv2.GaussianBlur(held, (0, 0), 10)


def teach_glass(rows: list[dict[str, Any]]) -> tuple[dict[str, np.ndarray], list[FloatArray]]:
    """The convolutions' numbers, and each photo's odds from those that never saw it."""
    glasses = []
    for row in rows:
        pictured = (row["pictured"] > 0) & (row["shows"] > TILE_SHOWS)
        # Tiles of a picture's photo where it does not show belong to neither side.
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


def kept_glass(
    rows: list[dict[str, Any]],
) -> tuple[dict[str, np.ndarray], list[FloatArray]]:
    """The same from the networks that ship, which were taught on these photos in this order."""
    with np.load(GLASS, allow_pickle=False) as stored:
        numbers = {name: stored[name] for name in stored.files}
    networks = faint_network.read_networks(numbers)
    odds = [networks[i // 2 % GLASS_FOLDS].of_quantised(r["white"]) for i, r in enumerate(rows)]
    return numbers, odds


def fit(
    rows: list[dict[str, Any]], glass: list[FloatArray]
) -> tuple[dict[str, Any], dict[str, float]]:
    """The model file's contents, and areas under the curve over photos held out.

    ``glass``: the convolutions' odds of each photo's tiles.
    """
    fold = np.arange(len(rows)) // 2 % FOLDS
    tiles = _TileTable(rows)
    networks = [tiles.fit(fold != f, seed=f) for f in range(FOLDS)]
    odds = np.zeros(len(tiles.inputs))
    for f in range(FOLDS):
        mine = fold[tiles.owner] == f
        odds[mine] = tiles.network([networks[f]]).log_odds(tiles.inputs[mine])
    plain, figures = _photo_scorer(rows, tiles, odds, networks, None)
    witness, others = _photo_scorer(rows, tiles, odds, networks, glass)
    figures |= {f"{name}, with the networks": area for name, area in others.items()}
    return {"format": FORMAT, **plain, "limit": {}, "witness": {**witness, "limit": {}}}, figures


def _photo_scorer(
    rows: list[dict[str, Any]],
    tiles: "_TileTable",
    odds: FloatArray,
    networks: list[MLPClassifier],
    glass: list[FloatArray] | None,
) -> tuple[dict[str, Any], dict[str, float]]:
    """A scorer of whole photos, with its tile scorer, and areas under the curve."""
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
                *(() if glass else r["contours"]),
            ]
            for i, r in enumerate(rows)
        ]
    )
    table[~np.isfinite(table)] = np.nan
    centre = np.nanmedian(table, axis=0)
    scale = np.nanstd(table, axis=0) + 1e-6
    inputs = np.clip(np.nan_to_num((table - centre) / scale), -6, 6)
    teaching = ~pictured | (snr >= LEAST_SNR)
    right = np.array([r["agrees"] > RIGHT_OUTLINE for r in rows])
    weight = np.where(pictured, np.minimum(snr / FULL_SNR, 1.0), 1.0)
    weight = weight * np.where(right, 1.0, WRONG_OUTLINE_WEIGHT)
    full = binned(np.nan_to_num(table, nan=MISSING))
    scores = np.zeros(n)
    for f in range(FOLDS):
        member = _whole(inputs, pictured, weight, teaching & (fold != f))
        scores[fold == f] = member.decision_function(inputs[fold == f])
        if glass is None:
            boosted = _boosted(full, pictured, weight, teaching & (fold != f))
            others = np.mean([_log_odds(b, full[fold == f]) for b in boosted], axis=0)
            scores[fold == f] = (scores[fold == f] + others) / 2
    seen = np.isfinite(table[:, 0])
    # What is said of a photo without an outline is not relied on.
    sure = seen & np.array([r["sure"] > 0 for r in rows])
    null = np.sort(scores[~pictured & sure])
    whole = _whole(inputs, pictured, weight, teaching)
    clear = pictured & sure & (snr >= 5)
    figures = {
        "all": area_under_curve(scores[pictured & sure], null),
        "SNR >= 5": area_under_curve(scores[clear], null),
    }
    print(
        f"  held-out area under the curve{' with the networks' if glass else ''}, screen found: "
        f"all {figures['all']:.3f}, "
        f"SNR >= 5 {figures['SNR >= 5']:.3f} ({int(clear.sum())} photos)"
    )
    empty = scores[~pictured & sure & right]
    print(
        f"    rightly found: all {area_under_curve(scores[pictured & sure & right], empty):.3f}, "
        f"SNR >= 5 {area_under_curve(scores[clear & right], empty):.3f}"
    )
    parts = {
        "tile": _plain(tiles.centre, tiles.scale, networks),
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
    }
    if glass is None:
        arrays: dict[str, np.ndarray] = {"members": np.array(BOOSTED)}
        for k, member in enumerate(_boosted(full, pictured, weight, teaching)):
            arrays |= {f"{k}.{name}": values for name, values in arrays_of(member).items()}
        parts["trees"] = {name: values.tolist() for name, values in arrays.items()}
    return parts, figures


def _whole(
    inputs: FloatArray, pictured: BoolArray, weight: FloatArray, use: BoolArray
) -> LogisticRegression:
    """The photo's scorer; both sides count alike, as its probability is said to."""
    return LogisticRegression(C=0.03, max_iter=800).fit(
        inputs[use], pictured[use], sample_weight=_balanced(pictured, weight, use)[use]
    )


def _boosted(
    inputs: FloatArray, pictured: BoolArray, weight: FloatArray, use: BoolArray
) -> list[HistGradientBoostingClassifier]:
    """The same as boosted trees. chosen: few and small ones, for two thousand photos."""
    return [
        HistGradientBoostingClassifier(
            max_iter=150,
            learning_rate=0.05,
            max_leaf_nodes=8,
            min_samples_leaf=20,
            l2_regularization=5.0,
            max_features=0.3,
            random_state=k,
        ).fit(inputs[use], pictured[use], sample_weight=_balanced(pictured, weight, use)[use])
        for k in range(BOOSTED)
    ]


def _log_odds(member: HistGradientBoostingClassifier, inputs: FloatArray) -> FloatArray:
    return np.asarray(member.decision_function(inputs))


def _balanced(pictured: BoolArray, weight: FloatArray, use: BoolArray) -> FloatArray:
    """Weights by which both sides of those used count alike."""
    share = np.where(pictured, weight[pictured & use].sum(), weight[~pictured & use].sum())
    return weight / share * use.sum()


class _TileTable:
    """All tiles of all photos, one row each."""

    def __init__(self, rows: list[dict[str, Any]]) -> None:
        self.inputs = np.concatenate([tile_inputs(r["statistics"], r["share"]) for r in rows])
        shows = np.concatenate([r["shows"].ravel() for r in rows])
        share = np.concatenate([r["share"].ravel() for r in rows])
        self.owner = np.concatenate([np.full(r["share"].size, i) for i, r in enumerate(rows)])
        pictured = np.array([r["pictured"] > 0 for r in rows])[self.owner]
        self.label: BoolArray = pictured & (shows > TILE_SHOWS)
        # Tiles of a picture's photo where it does not show belong to neither side.
        self.clear: BoolArray = (share > 0.6) & (~pictured | (shows > TILE_SHOWS))
        self.centre = np.nan_to_num(self.inputs[self.clear]).mean(axis=0)
        self.scale = np.nan_to_num(self.inputs[self.clear]).std(axis=0) + 1e-6

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
        return network_from(_plain(self.centre, self.scale, members))


def _plain(centre: FloatArray, scale: FloatArray, members: list[MLPClassifier]) -> dict[str, Any]:
    return {
        "names": list(TILE_INPUTS),
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


def limit_numbers(
    model: dict[str, Any],
    *,
    scenes: int = LIMIT_SCENES,
    jobs: int,
) -> dict[str, float]:
    """The limit's numbers, with the allowance at which nine pictures in ten are found.

    For fresh faint pictures the limit without allowance is computed and compared with the
    contrast that was really there.
    """
    learned = {**_rise(model, jobs=jobs), "offset": 0.0}
    starts = [LIMIT_SEED + i * SHARD for i in range(math.ceil(scenes / SHARD))]
    work = joblib.Parallel(n_jobs=jobs)(
        joblib.delayed(_limits)({**model, "limit": learned}, first) for first in starts
    )
    rows = np.array([row for shard in work for row in shard if np.isfinite(row).all()])
    x, found = rows[:, 0], rows[:, 1] > 0
    half = np.arange(len(x)) % 2 == 0
    hits = count = 0
    for name, set_, check in (("first half", half, ~half), ("second half", ~half, half)):
        offset = nine_in_ten(x[set_], found[set_])
        near = check & (np.abs(x - offset) < 0.3)
        hits, count = hits + int(found[near].sum()), count + int(near.sum())
        low, high = wilson(int(found[near].sum()), int(near.sum()))
        print(
            f"  detection limit from the {name}: offset {offset:.2f} (ln); of the other half's "
            f"{int(near.sum())} pictures at the limit {found[near].mean():.3f} found "
            f"[{low:.2f}, {high:.2f}]"
        )
    checked = {"checked_pictures": float(count), "checked_found": float(hits)}
    return {**learned, "offset": nine_in_ten(x, found), **checked}


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


def _rise(model: dict[str, Any], *, jobs: int) -> dict[str, float]:
    """How steeply the score rises with ln contrast where an injected picture crosses the
    threshold, and the usual crossing in units of the noise per pixel."""
    work = joblib.Parallel(n_jobs=jobs)(
        joblib.delayed(_rises)(model, FIRST_SEED + i * SHARD) for i in range(RISE_SHARDS)
    )
    rows = np.array([row for shard in work for row in shard])
    return {"slope": float(np.median(rows[:, 0])), "first": float(np.exp(np.median(rows[:, 1])))}


def _rises(model: dict[str, Any], first: int) -> list[tuple[float, float]]:
    """Slope at the crossing, and ln of the crossing's contrast in units of the noise, of each
    kind of picture in each of a shard's photos without one; left out where none is crossed."""
    cv2.setNumThreads(1)
    scorers = faint.scorers_from(model)
    at = np.log(RISE_AT)
    out = []
    for jpeg, truth in _drawn(first, ORDER):
        if truth["symptom"] == "faint-image":
            continue
        prepared = dark_photo(jpeg, truth).prepared
        noise = float(median(prepared.scale[..., 0][prepared.flat.use]))
        for kind in KINDS:
            picture = pattern(kind, prepared.flat.use.shape)
            above = [
                faint.score_prepared(scorers, inject(prepared, picture, share * noise))[0]
                - scorers.threshold
                for share in RISE_AT
            ]
            for k in range(len(at) - 1):
                if above[k] <= 0 < above[k + 1]:
                    slope = (above[k + 1] - above[k]) / (at[k + 1] - at[k])
                    out.append((slope, float(at[k] - above[k] / slope)))
                    break
    return out


def _limits(model: dict[str, Any], first: int) -> list[FloatArray]:
    """Of each of a shard's photos with a picture: ln of the true contrast over the limit without
    allowance, and whether it was found. NaN where the screen was not."""
    cv2.setNumThreads(1)
    scorers = faint.scorers_from(model)
    out = []
    for jpeg, truth in _drawn(first, LIMIT_ORDER):
        dark = dark_photo(jpeg, truth)
        score = faint.score_prepared(scorers, dark.prepared)[0]
        limit = faint.limit_of(scorers, dark.prepared, score, dark.focus)
        contrast = max(float(truth["faint_contrast"]), 1e-5) if dark.outline.sure else math.nan
        out.append(np.array([np.log(contrast / limit), float(score > scorers.threshold)]))
    return out


if __name__ == "__main__":
    sys.exit(main())
