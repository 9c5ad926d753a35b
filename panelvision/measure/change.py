"""Two photos of the same dark screen: did anything change on the panel?

What both frames share cancels: panel structure, dirt, scratches. What moves with torch and
camera is smooth or out of focus and is divided out or discounted. What is left is sensor
noise, and the change of picture if there was one.
"""

from dataclasses import dataclass, field

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.measure.combiner import load_numbers, network_from
from panelvision.measure.faint import POOLED, pool_tiles, score_glass
from panelvision.measure.faint_features import Prepared, prepare, shrink, whiten
from panelvision.measure.faint_network import load_networks
from panelvision.measure.faint_tiles import tile_inputs, tile_statistics
from panelvision.measure.registration import Registration, register
from panelvision.order_statistics import quantile
from panelvision.photo import Photo
from panelvision.squareup import Outline, ScreenView, square_up

MODEL_FILE = "change_model.json"
# chosen: registration leaves about a third of a pixel of the 480-column view.
_SLIP = 0.35
# chosen: dirt scatters differently when torch and camera move; this share of what both
# frames show in common may differ.
_UNSHARED = 0.25
SIGNIFICANCE = 0.05
_TAIL = 0.1  # chosen: the highest tenth of unchanged pairs shapes the tail of the p-value
# chosen: below this share of the glass seen in both photos nothing can be said.
LEAST_SEEN = 0.1


@dataclass(frozen=True)
class PanelChange:
    """Whether the picture on a dark panel differs between two frames.

    Attributes
    ----------
    changed : bool
        ``p_value`` at or below 0.05.
    score : float
        Log-odds of a change, trained with equal shares; NaN when not measurable.
    p_value : float
        Share of unchanged pairs with a score as high or higher; uniform on 0..1 when nothing
        changed. NaN when not measurable.
    usable : bool
        Both frames show enough of the same glass.
    reason : str
        Why not, in one sentence; empty when usable.
    registration : Registration
        How the second outline was matched to the first.
    map : ndarray of shape (rows, columns)
        Log-odds of a change per tile, tiles spread evenly over the active area; NaN unseen.
    """

    changed: bool
    score: float
    p_value: float
    usable: bool
    reason: str
    registration: Registration | None
    map: FloatArray = field(repr=False)
    numbers: dict[str, float] = field(repr=False, default_factory=dict)

    def features(self) -> dict[str, float]:
        """Named numbers; finite or NaN."""
        return {"change_score": self.score, "change_p_value": self.p_value, **self.numbers}


def compare(photo_a: Photo, view_a: ScreenView, photo_b: Photo, view_b: ScreenView) -> PanelChange:
    """Look for a change of picture between two frames whose outlines are known."""
    return _compare(photo_a, view_a, photo_b, register(photo_a, view_a, photo_b, view_b))


def _compare(
    photo_a: Photo, view_a: ScreenView, photo_b: Photo, match: Registration
) -> PanelChange:
    first = square_up(photo_a, view_a.outline, aspect=view_a.aspect)
    second = square_up(photo_b, match.outline, aspect=view_a.aspect)
    a = prepare(*shrink(first.linear, first.clipped, first.valid))
    b = prepare(*shrink(second.linear, second.clipped, second.valid))
    return judge(a, b, match)


def compare_photos(
    photo_a: Photo,
    photo_b: Photo,
    *,
    corners: tuple[FloatArray | None, FloatArray | None] = (None, None),
) -> PanelChange:
    """Find the screen in both photos and compare; one found outline serves for both if need be.

    ``corners``: (4, 2) each, where the user has marked the screen; they are refined. Two photos
    that cannot be laid on each other tell nothing: what differs between them may be anything.

    Raises
    ------
    DataError
        When the corners are not four points around a screen.
    """
    outline_a, aspect_a = _outline(photo_a, corners[0])
    outline_b, aspect_b = _outline(photo_b, corners[1])
    if outline_a is None and outline_b is None:
        return nothing(
            "No screen was found in either photo; take both with the whole screen in view."
        )
    a_is_surer = outline_b is None or (
        outline_a is not None and outline_a.confidence >= outline_b.confidence
    )
    aspect = aspect_a if a_is_surer else aspect_b
    alike = photo_a.pixels.shape == photo_b.pixels.shape
    if alike:
        # Hand-held frames lie within a few percent: the better outline stands in for a lost one.
        outline_a = outline_a or outline_b
        outline_b = outline_b or outline_a
    if outline_a is None or outline_b is None:
        missing = "first" if outline_a is None else "second"
        return nothing(f"No screen was found in the {missing} photo; take it again like the other.")

    def lined_up(one: Outline, two: Outline) -> tuple[ScreenView, Registration]:
        first = square_up(photo_a, one, aspect=aspect)
        return first, register(photo_a, first, photo_b, square_up(photo_b, two, aspect=aspect))

    view, match = lined_up(outline_a, outline_b)
    if alike and not match.trusted:
        # And for one that is wrong: no two outlines of one screen stay apart.
        surer = outline_a if a_is_surer else outline_b
        other_view, other_match = lined_up(surer, surer)
        if other_match.trusted:
            view, match = other_view, other_match
    if not match.trusted:
        return nothing(
            "The two photos could not be laid on each other; take both from the same place, with "
            "the whole screen in view."
        )
    return _compare(photo_a, view, photo_b, match)


def _outline(photo: Photo, corners: FloatArray | None) -> tuple[Outline | None, float]:
    """Where the screen is, and the active area's width over its height."""
    from panelvision.locate import aspect_of, locate, refine

    if corners is None:
        found = locate(photo)
        # A guess would be registered too, whatever it lies on.
        sure = found.outline is not None and found.outline.sure
        return found.outline if sure else None, found.aspect
    outline = refine(photo, corners)
    return outline, aspect_of(outline.corners, (photo.width, photo.height))[0]


def nothing(reason: str) -> PanelChange:
    """The answer when a comparison cannot be made."""
    nan = float("nan")
    return PanelChange(False, nan, nan, False, reason, None, np.full((1, 1), nan))


def judge(a: Prepared, b: Prepared, match: Registration | None) -> PanelChange:
    """Compare two prepared frames that lie on each other pixel for pixel."""
    difference, use = noise_normalised_difference(a, b)
    if use.mean() < LEAST_SEEN:
        return nothing("Glare hides most of the glass in one of the photos; move the torch aside.")
    model = load_numbers(MODEL_FILE)
    numbers, odds, share = change_numbers(a, b, difference, use)
    whole = network_from(model["whole"])
    score = float(whole.log_odds(np.array([[numbers[n] for n in whole.names]], np.float32))[0])
    null = np.array(model["null_scores"], np.float64)
    p_value = p_value_of(score, null)
    return PanelChange(
        p_value <= SIGNIFICANCE,
        score,
        p_value,
        True,
        "",
        match,
        np.where(share > 0.6, odds, np.nan),
        {f"change_{k}": v for k, v in numbers.items()},
    )


def p_value_of(score: float, null: FloatArray) -> float:
    """Share of unchanged pairs that would score as high or higher.

    The rank among the drawn unchanged pairs; beyond their highest tenth an exponential tail
    with that tenth's mean excess (peaks over threshold, Pickands 1975; shape 0 assumed), since
    a rank among n pairs can never fall below 1 / (n + 1) and a clip tests several moments.

    Parameters
    ----------
    score : float
    null : ndarray of shape (n,)
        Scores of unchanged pairs, each from a scorer that did not learn from it.
    """
    n = len(null)
    rank = (np.count_nonzero(null >= score) + 1) / (n + 1)
    start = float(quantile(null, 1 - _TAIL))
    if score <= start:
        return float(rank)
    excess = float((null[null > start] - start).mean())
    share = (np.count_nonzero(null > start) + 1) / (n + 1)
    return float(share * np.exp(-(score - start) / excess))


def noise_normalised_difference(a: Prepared, b: Prepared) -> tuple[FloatArray, BoolArray]:
    """Difference of two frames in units of everything that may differ without a change.

    Sensor noise of both, the slip of registration across steep structure, and dirt that
    scatters a little differently.

    Returns
    -------
    white : ndarray of shape (h, w, 3)
        Light, red-green and blue-yellow parts in units of noise.
    use : ndarray of shape (h, w), bool
        Seen in both frames.
    """
    use = a.flat.use & b.flat.use
    shared = _shared(a, b)
    gx = cv2.Sobel(shared, cv2.CV_32F, 1, 0, ksize=1) / 2
    gy = cv2.Sobel(shared, cv2.CV_32F, 0, 1, ksize=1) / 2
    slip = _SLIP**2 * (gx * gx + gy * gy)
    dirt = (_UNSHARED * np.maximum(shared, 0)) ** 2
    extra = cv2.GaussianBlur(slip + dirt, (0, 0), 1.5)
    variance = a.sigma**2 + b.sigma**2 + extra[..., None]
    difference = np.where(use[..., None], b.flat.residual - a.flat.residual, 0)
    white, _ = whiten(difference.astype(np.float32), np.sqrt(variance))
    return white, use


def _shared(a: Prepared, b: Prepared) -> FloatArray:
    """Structure in light that both frames show with the same sign (h, w), relative."""
    one, two = (cv2.GaussianBlur(p.white[..., 0] * p.scale[..., 0], (0, 0), 1.0) for p in (a, b))
    same = (one > 0) == (two > 0)
    return np.where(same, np.sign(one) * np.minimum(np.abs(one), np.abs(two)), 0).astype(np.float32)


def change_numbers(
    a: Prepared, b: Prepared, difference: FloatArray, use: BoolArray
) -> tuple[dict[str, float], FloatArray, FloatArray]:
    """Pooled evidence of a change, log-odds per tile, and the share of each tile seen.

    Whether the difference looks like a picture, to the scorers of a single photo's tiles; by
    how much one frame shows more of a picture than the other; how far the difference's power
    varies over the glass; and how far the frames agree with each other, since a picture that
    stays is in both and one that goes is in one.
    """
    faint = load_numbers("faint_model.json")
    statistics, share = tile_statistics(difference, use)
    odds = network_from(faint["tile"]).log_odds(tile_inputs(statistics, share))
    odds = odds.reshape(share.shape)
    numbers = pool_tiles(odds, share)
    networks = load_networks()
    numbers |= pool_tiles(score_glass(networks, difference, use), share, prefix="glass")
    each = (pool_tiles(score_glass(networks, p.white, use), share) for p in (a, b))
    one, two = (tuple(pooled.values()) for pooled in each)
    numbers |= {f"apart_{n}": abs(y - x) for n, x, y in zip(POOLED, one, two, strict=True)}
    numbers |= _by_scale(a, b, difference, use)
    return numbers, odds, share


_PARTS = ("light", "redgreen", "blueyellow")
_SCALES = (1, 3)  # chosen: sigma of the finer blur of each band, pixels of the 480-column view
_CELL = 24  # chosen: pixels of that view; a letter of a menu, a shape of a picture
_KINDS = ("power", "excess", "agreement", "agreement_low", "agreement_high")


def _by_scale(a: Prepared, b: Prepared, difference: FloatArray, use: BoolArray) -> dict[str, float]:
    """Power of the difference and agreement of the frames, per band of scales and part of light."""
    out: dict[str, float] = {}
    mask = cv2.erode(use.astype(np.uint8), np.ones((5, 5), np.uint8)).astype(np.float32)
    size = (use.shape[1] // _CELL, use.shape[0] // _CELL)
    seen = cv2.resize(mask, size, interpolation=cv2.INTER_AREA) > 0.7

    def band(values: FloatArray, sigma: float) -> FloatArray:
        field = np.clip(values, -5, 5) * mask[..., None]
        fine: FloatArray = cv2.GaussianBlur(field, (0, 0), sigma)
        return fine - cv2.GaussianBlur(field, (0, 0), 4 * sigma)

    def cells(values: FloatArray) -> FloatArray:
        pooled: FloatArray = cv2.resize(values, size, interpolation=cv2.INTER_AREA)
        return pooled[seen]

    for sigma in _SCALES:
        one, two, apart = (band(v, sigma) for v in (a.white, b.white, difference))
        powers = [cells(v) for v in (one * one, two * two, one * two, apart * apart)]
        for c, part in enumerate(_PARTS):
            found = _statistics(*(p[:, c] for p in powers))
            out |= {f"{kind}_{part}_{sigma}": v for kind, v in found.items()}
    return out


def _statistics(
    one: FloatArray, two: FloatArray, both: FloatArray, apart: FloatArray
) -> dict[str, float]:
    """Numbers of one band from the cells' mean squares (n,), mean product, and difference's.

    ``power`` of the usual cell's difference and ``excess`` of the strongest over it, log10;
    ``agreement``: correlation of the frames over all cells, and its lowest and highest tenth.
    """
    if len(one) < 12:
        return dict.fromkeys(_KINDS, float("nan"))
    low, high = quantile(apart, [0.25, 0.95])
    each = quantile(both / np.sqrt(one * two + 1e-9), [0.1, 0.9])
    whole = both.sum() / np.sqrt(one.sum() * two.sum() + 1e-9)
    values = (np.log10(low + 1e-6), np.log10((high + 1e-6) / (low + 1e-6)), whole, *each)
    return {kind: float(v) for kind, v in zip(_KINDS, values, strict=True)}


_INPUTS_POOLED = ("top", "p95", "p75", "median", "cluster", "mean")
CHANGE_NUMBERS = (
    *(f"{scorer}_{n}" for scorer in ("tile", "glass", "apart") for n in _INPUTS_POOLED),
    *(f"{kind}_{part}_{s}" for s in _SCALES for part in _PARTS for kind in _KINDS),
)
