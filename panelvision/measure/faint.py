"""Is a faint picture there on a dark screen, and what is the faintest this photo would have shown?

The torch test: with the backlight off, torch light that crosses the cell and returns shows
the panel's picture at 0.5 to 25 % contrast. A positive says that panel, timing board and main
board make a picture; a negative says something only with its detection limit.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.errors import ModelError
from panelvision.evaluators import Trees, read_members
from panelvision.measure.combiner import Network, load_numbers, network_from
from panelvision.measure.faint_contours import CONTOURS, contours
from panelvision.measure.faint_features import (
    WORK_WIDTH,
    Prepared,
    describe,
    feature_names,
    prepare_view,
)
from panelvision.measure.faint_limit import USUAL_FOCUS, detection_limit
from panelvision.measure.faint_network import FaintNetwork, load_networks
from panelvision.measure.faint_tiles import CELL, TILE_INPUTS, tile_inputs, tile_statistics
from panelvision.measure.row_noise import rows_run_upright
from panelvision.measure.scorers import MISSING
from panelvision.measure.visibility import jnd_of_contrast
from panelvision.order_statistics import median, quantile
from panelvision.photo import Photo
from panelvision.squareup import ScreenView

MODEL_FILE = "faint_model.json"
POOLED = (
    "top",
    "p98",
    "p95",
    "p90",
    "p75",
    "median",
    "cluster",
    "mean",
)
_FEATURES = (
    *("faint_score", "faint_p_value", "faint_contrast"),
    *(f"faint_{name}" for name in feature_names()),
    *(f"faint_tile_{name}" for name in POOLED),
    *(f"faint_glass_{name}" for name in POOLED),
    "faint_witness_score",
)
# A working panel under a usual torch shows 0.5 to 25 % (domain notes, from memory), half of the
# drawn ones less than this (median `faint_contrast` of the 1500 that `models.train_faint` draws):
# a photo that would have missed a picture of this contrast cannot say "no picture".
WORKING_PANEL_CONTRAST = 0.026
# Luminance of torch-lit glass taken for the visibility figure, cd/m2. Assumption: a torch of a
# few hundred lux on glass of about 1 % reflectance; the photo itself carries no absolute scale.
GLASS_LUMINANCE = 1.0
# chosen: pixels of a 480-column view by which noise is smoothed before contrast is taken.
_SOFT = 1.5
# chosen: chance of a picture below which a tile is taken for empty glass, and how many such tiles
# tell the noise.
_EMPTY = 0.2
_ENOUGH_EMPTY = 8


@dataclass(frozen=True)
class FaintPicture:
    """Whether a torch-lit dark screen shows a faint picture.

    Attributes
    ----------
    score : float
        Log-odds of a picture against none, as trained with equal shares; NaN when too little
        of the glass can be seen.
    found : bool
        Score above the threshold whose false-alarm rate is ``false_alarm_rate``.
    p_value : float
        Share of photos without a picture that score as high or higher, 0..1; NaN without a score.
    false_alarm_rate : float
        Of the threshold, on held-out drawn photos without a picture.
    contrast : float
        RMS contrast of what was found, share of the local light; NaN when nothing was found.
    detection_limit : float
        RMS contrast of a picture that would have been found nine times in ten; NaN when not
        measurable.
    conclusive : bool
        Found, or a working panel's picture would have been.
    hint : str
        What to do differently in the next photo; empty when conclusive.
    visibility_jnd : float
        Just-noticeable differences that ``contrast`` spans for the eye on glass of
        ``GLASS_LUMINANCE`` (DICOM PS3.14 greyscale standard display function).
    tiles : ndarray of shape (rows, columns)
        Log-odds per tile that it shows a picture; NaN where the glass cannot be seen. Tiles
        are spread evenly over the active area.
    """

    score: float
    found: bool
    p_value: float
    false_alarm_rate: float
    contrast: float
    detection_limit: float
    conclusive: bool
    hint: str
    visibility_jnd: float
    tiles: FloatArray = field(repr=False)
    _features: dict[str, float] = field(repr=False)
    _prepared: Prepared | None = field(default=None, repr=False)

    def to_json(self) -> dict[str, Any]:
        """The ``faint`` object of the machine-readable record; null for what was not measured."""

        def number(value: float) -> float | None:
            return round(float(value), 5) if np.isfinite(value) else None

        return {
            "score": number(self.score),
            "found": self.found,
            "contrast": number(self.contrast),
            "detection_limit": number(self.detection_limit),
            "p_value": number(self.p_value),
            "false_alarm_rate": self.false_alarm_rate,
            "conclusive": self.conclusive,
            "visibility_jnd": number(self.visibility_jnd),
        }

    def features(self) -> dict[str, float]:
        """Named numbers for the symptom classifier; finite or NaN."""
        return dict(self._features)


@dataclass(frozen=True)
class Scorers:
    """What was learned: ``models.train_faint`` writes it.

    Attributes
    ----------
    tile, whole : Network
        Log-odds of a picture in a tile and in the photo.
    trees : tuple of Trees
        The same of the photo by boosted trees, to be averaged; their mean and ``whole`` weigh
        alike. Empty where they have no say.
    glass : tuple of FaintNetwork
        The same of a tile with its surroundings, to be averaged; empty where it has no say.
    threshold : float
        Score above which a picture counts as found; ``false_alarm_rate`` of photos without
        one exceed it.
    null_scores : ndarray of shape (n,)
        Scores of held-out photos without a picture.
    limit : dict
        Numbers of the detection limit.
    """

    tile: Network
    whole: Network
    trees: tuple[Trees, ...]
    glass: tuple[FaintNetwork, ...]
    threshold: float
    false_alarm_rate: float
    null_scores: FloatArray
    limit: dict[str, float]


@dataclass(frozen=True)
class Measured:
    """Numbers of the glass that every scorer reads.

    Attributes
    ----------
    described : dict of str to float
        Of the photo as a whole, as :func:`describe` gives them.
    contours : dict of str to float
        As :func:`panelvision.measure.faint_contours.contours` gives them.
    statistics : ndarray of shape (rows, columns, n_statistics)
    share : ndarray of shape (rows, columns)
        Of each tile, as :func:`tile_statistics` gives them.
    """

    described: dict[str, float]
    contours: dict[str, float]
    statistics: FloatArray = field(repr=False)
    share: FloatArray = field(repr=False)


@lru_cache(maxsize=1)
def load_scorers() -> Scorers:
    """What says whether a picture is found.

    Raises
    ------
    ModelError
        When a file is missing, damaged, or was taught on other measurements.
    """
    return scorers_from(load_numbers(MODEL_FILE))


@lru_cache(maxsize=1)
def _witness() -> Scorers:
    """What the classifier hears besides: here the networks have a say.

    They tell more pictures on screens like those they were taught on, but raised more false
    alarms on other drawings, so what is said to be found, and the detection limit, stay with the
    tiles' statistics.
    """
    return scorers_from(load_numbers(MODEL_FILE).get("witness", {}), load_networks())


def scorers_from(data: Mapping[str, Any], glass: tuple[FaintNetwork, ...] = ()) -> Scorers:
    """Scorers from their plain form; ModelError when they were taught on other measurements."""
    try:
        tile, whole = network_from(data["tile"]), network_from(data["whole"])
    except KeyError as missing:
        raise ModelError(f"{MODEL_FILE}: has no {missing}; reinstall or retrain") from None
    try:
        # Without the networks the trees are half of the score.
        trees = () if glass else _trees_from(data["trees"], len(whole.names))
    except (KeyError, TypeError, ValueError) as fault:
        raise ModelError(f"{MODEL_FILE}: trees: {fault}; reinstall or retrain") from None
    if tile.names != TILE_INPUTS or whole.names != whole_names(glass=bool(glass)):
        raise ModelError(f"{MODEL_FILE}: taught on other measurements; reinstall or retrain")
    return Scorers(
        tile,
        whole,
        trees,
        glass,
        float(data["threshold"]),
        float(data["false_alarm_rate"]),
        np.array(data["null_scores"], np.float64),
        dict(data["limit"]),
    )


def _trees_from(data: Mapping[str, Any], inputs: int) -> tuple[Trees, ...]:
    """Trees from the arrays that ``models.export`` makes of them, as lists."""
    members = read_members({name: np.array(value) for name, value in data.items()}, 1, inputs)
    trees = tuple(member for member in members if isinstance(member, Trees))
    if not trees or len(trees) < len(members):
        raise ValueError("something else stands in their place")
    return trees


def find_faint(
    photo: Photo, view: ScreenView, *, limit: bool = True, focus: float = float("nan")
) -> FaintPicture:
    """Look for a faint picture on a dark screen.

    Parameters
    ----------
    photo : Photo
        Not looked at beyond its view, but for how the sensor's rows run.
    view : ScreenView
        Without margin; about 960 columns wide.
    limit : bool
        Whether to find the detection limit as well, which takes four times as long as the
        rest. Without it ``detection_limit`` is NaN and a negative is not conclusive, until
        :func:`with_detection_limit`.
    focus : float
        As :func:`with_detection_limit` takes it.

    Returns
    -------
    FaintPicture
        Meaningful for screens whose backlight is off; on a lit screen the score only says
        that there is a picture.
    """
    model = load_scorers()
    prepared = prepare_view(view, upright=rows_run_upright(photo))
    measured = measure_tiles(prepared)
    score, tiles, _ = score_prepared(model, prepared, measured)
    found = bool(np.isfinite(score) and score > model.threshold)
    contrast = picture_contrast(prepared, tiles) if found else float("nan")
    witness, _, heard = score_prepared(_witness(), prepared, measured)
    features = {
        "faint_score": score,
        "faint_p_value": _p_value(model, score),
        "faint_contrast": contrast,
        **{f"faint_{name}": value for name, value in heard.items() if name not in CONTOURS},
        "faint_witness_score": witness,
    }
    if not np.isfinite(score):
        return FaintPicture(
            float("nan"),
            False,
            float("nan"),
            model.false_alarm_rate,
            float("nan"),
            float("nan"),
            False,
            "Take the photo again with the whole screen in the frame and the torch's image "
            "off the glass.",
            float("nan"),
            tiles,
            features,
        )
    picture = FaintPicture(
        float(score),
        found,
        _p_value(model, score),
        model.false_alarm_rate,
        contrast,
        float("nan"),
        found,
        "" if found else retake_hint(prepared, view),
        jnd_of_contrast(contrast, GLASS_LUMINANCE),
        tiles,
        features,
        prepared,
    )
    return with_detection_limit(picture, focus=focus) if limit else picture


def with_detection_limit(picture: FaintPicture, *, focus: float = float("nan")) -> FaintPicture:
    """The same with the faintest picture that would have been found; as it is without a score.

    focus: standard deviation of the photo's line spread as a share of the screen's width; NaN
    where it is not known, and a usual one is taken.
    """
    if picture._prepared is None:
        return picture
    least = limit_of(load_scorers(), picture._prepared, picture.score, focus)
    conclusive = bool(picture.found or least <= WORKING_PANEL_CONTRAST)
    return replace(
        picture,
        detection_limit=least,
        conclusive=conclusive,
        hint="" if conclusive else picture.hint,
    )


def limit_of(model: Scorers, prepared: Prepared, score: float, focus: float) -> float:
    """Contrast that these scorers would have found in a photo; see :func:`detection_limit`."""
    blur = focus * WORK_WIDTH
    beyond = math.sqrt(max(blur**2 - USUAL_FOCUS**2, 0.0)) if math.isfinite(blur) else 0.0
    return detection_limit(
        prepared,
        lambda changed: score_prepared(model, changed)[0],
        score,
        model.threshold,
        model.limit,
        blur=beyond,
    )


def not_looked_for() -> FaintPicture:
    """What is said of a lit screen, on which a faint picture is no question."""
    nan = float("nan")
    return FaintPicture(
        nan,
        False,
        nan,
        load_scorers().false_alarm_rate,
        nan,
        nan,
        False,
        "",
        nan,
        np.full((1, 1), nan),
        dict.fromkeys(_FEATURES, nan),
    )


def _p_value(model: Scorers, score: float) -> float:
    if not np.isfinite(score):
        return 1.0
    null = model.null_scores
    return float((np.count_nonzero(null >= score) + 1) / (len(null) + 1))


def measure_tiles(prepared: Prepared) -> Measured:
    """The numbers behind every score."""
    white, use = prepared.white, prepared.flat.use
    return Measured(describe(prepared), contours(white, use), *tile_statistics(white, use))


def score_prepared(
    model: Scorers, prepared: Prepared, measured: Measured | None = None
) -> tuple[float, FloatArray, dict[str, float]]:
    """Log-odds of the photo, log-odds of its tiles, and the numbers behind them.

    ``measured``: what :func:`measure_tiles` says of ``prepared``, where it is known already.
    """
    known = measure_tiles(prepared) if measured is None else measured
    share = known.share
    odds = model.tile.log_odds(tile_inputs(known.statistics, share)).reshape(share.shape)
    numbers = {**known.described, **pool_tiles(odds, share)}
    if model.glass:
        wide = score_glass(model.glass, prepared.white, prepared.flat.use)
        numbers |= pool_tiles(wide, share, prefix="glass")
    numbers |= known.contours
    tiles = np.where(share > 0.6, odds, np.nan)
    if not np.isfinite(numbers["tile_top"]):
        return float("nan"), tiles, numbers
    inputs = np.array([[numbers[name] for name in model.whole.names]])
    score = float(model.whole.log_odds(inputs)[0])
    if model.trees:
        full = np.nan_to_num(inputs, nan=MISSING)
        score = (score + float(np.mean([t.scores(full)[0, 0] for t in model.trees]))) / 2
    return score, tiles, numbers


def score_glass(
    networks: tuple[FaintNetwork, ...], white: FloatArray, use: BoolArray
) -> FloatArray:
    """Log-odds (rows, columns) of the same tiles by what surrounds them; 0 on too small a view."""
    if min(use.shape) < 2 * CELL:
        return np.zeros(tuple(max(1, n // CELL - 1) for n in use.shape), np.float32)
    return np.mean([network.log_odds(white, use) for network in networks], axis=0)


def pool_tiles(odds: FloatArray, share: FloatArray, *, prefix: str = "tile") -> dict[str, float]:
    """One set of numbers from all tiles: a picture may fill the screen or one corner."""
    pooled = tuple(f"{prefix}_{name}" for name in POOLED)
    good = share > 0.6
    values = np.sort(odds[good])
    n = len(values)
    if n < 8:
        return dict.fromkeys(pooled, float("nan"))
    filled = np.where(good, odds, median(values))
    # Three by three tiles agree where a picture is; a speck makes one tile speak.
    padded = np.pad(filled, 1, mode="edge")
    cluster = sum(
        padded[i : i + odds.shape[0], j : j + odds.shape[1]] for i in range(3) for j in range(3)
    )
    at = [values[-1]] + [values[n - 1 - int(q * n)] for q in (0.02, 0.05, 0.1, 0.25)]
    mean = float(np.log(np.mean(1 / (1 + np.exp(-values))) + 1e-4))
    numbers = [*at, median(values), np.max(cluster) / 9, mean]
    return {name: float(v) for name, v in zip(pooled, numbers, strict=True)}


def picture_contrast(prepared: Prepared, tiles: FloatArray) -> float:
    """RMS contrast of the structure in the tiles that look like a picture, noise taken off.

    The noise is that of the tiles which look like none; where a picture fills the glass, white
    noise of the photo's strength is taken for it.

    Parameters
    ----------
    prepared : Prepared
    tiles : ndarray of shape (rows, columns)
        Log-odds per tile; NaN where not seen.

    Returns
    -------
    float
        Over all the glass seen, as a share of the local light.
    """
    import cv2

    use = prepared.flat.use
    grey = np.where(use, (prepared.white[..., 0] * prepared.scale[..., 0]), 0).astype(np.float32)
    soft = cv2.GaussianBlur(grey, (0, 0), _SOFT)
    limit = 4 * float(quantile(np.abs(soft[use]), 0.9)) if use.any() else 0.0
    power = np.clip(soft, -limit, limit) ** 2
    size = tiles.shape[1], tiles.shape[0]
    cells = cv2.resize(power, size, interpolation=cv2.INTER_AREA)
    seen = np.isfinite(tiles)
    if seen.sum() < 4:
        return float("nan")
    weight = 1 / (1 + np.exp(-np.where(seen, tiles, -9)))
    empty = cells[seen & (weight < _EMPTY)]
    # A Gaussian of sigma s leaves 1 / (4 pi s^2) of white noise's power.
    quiet = (
        float(median(empty))
        if empty.size >= _ENOUGH_EMPTY
        else float(median(prepared.scale[..., 0]) ** 2) / (4 * np.pi * _SOFT**2)
    )
    excess = float((weight * np.maximum(cells - quiet, 0))[seen].mean())
    return float(np.sqrt(excess))


def retake_hint(prepared: Prepared, view: ScreenView) -> str:
    """The change that would help the next photo most, one sentence."""
    if view.in_frame < 0.97 or any(view.outline.cut):
        # As the photo's quality says it.
        return "Step back a little: the whole screen with all four corners must be in the frame."
    if prepared.flat.glare.mean() > 0.2:
        return (
            "Hold the torch further to the side (30 to 45 degrees) so that its image leaves the "
            "glass."
        )
    if median(prepared.flat.light[..., 1]) < 0.004:
        return (
            "Bring the torch closer or use a brighter one: too little light returns from the glass."
        )
    if median(prepared.scale[..., 0]) > 0.06:
        return (
            "Bring the torch closer or use a brighter one, and rest the phone on something: this "
            "photo is too noisy."
        )
    return (
        "Darken the room, open the set's menu, and take the photo from closer, square to the "
        "screen."
    )


def whole_names(*, glass: bool) -> tuple[str, ...]:
    """Inputs of the photo's scorer, in order; ``glass``: of the one that hears the networks."""
    prefixes = ("tile", "glass") if glass else ("tile",)
    pooled = (f"{prefix}_{name}" for prefix in prefixes for name in POOLED)
    return (*pooled, *feature_names(), *(() if glass else CONTOURS))
