"""Can this photo answer the question, and if not, what should be done differently?"""

from dataclasses import dataclass, replace

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.geometry import area, is_convex
from panelvision.light import highest, lowest
from panelvision.measure.edges import NO_EDGES, EdgeSpread, edge_points, spread_of
from panelvision.measure.reduced import NAN, codes_of, noise_sigma, reduce_view
from panelvision.order_statistics import median, quantile
from panelvision.photo import Photo
from panelvision.squareup import ScreenView

# common practice, no source: the size of set that comes to a workshop most often.
ASSUMED_DIAGONAL_INCH = 43.0
# Limits below which no measure of this program means anything. Chosen: 160 photo pixels
# across leave 12 columns at 1 pixel to a driver block of 12.
_FEWEST_PIXELS_ACROSS = 160
_LEAST_IN_FRAME = 0.45
_MOST_CLIPPED = 0.6
_DARKEST_CODE = 2.5
# chosen: a blur of 1.5 % of the width still shows halves and wide bands; half of that
# already hides lines, so it earns a hint.
_BLUR_UNUSABLE, _BLUR_HINT = 0.015, 0.006
_TILE = 208
_TILES = 5


@dataclass(frozen=True)
class PhotoQuality:
    """Quality of one photo for judging its screen.

    Attributes
    ----------
    usable : bool
        False when no answer should be given from this photo.
    retake : tuple of str
        What to do differently, as full sentences; empty when nothing is wrong.
    focus_px : float
        Standard deviation of the sharpest edges' line spread, photo pixels; NaN when the
        photo has no edge to measure it on.
    motion_px, motion_deg : float
        Length (photo pixels) and direction (degrees, 0 = along rows) of camera shake; NaN
        when it could not be told from the edges.
    exposure : float
        Median sRGB code value of the active area, 0..255.
    brightest : float
        99th percentile of the code values of the active area.
    clipped_share : float
        Share of the active area with a channel at the sensor's end, 0..1.
    glare_share : float
        Share of the active area in one bright, colourless patch that is not the picture's
        general level, 0..1.
    in_frame : float
        Share of the active area inside the photo, 0..1.
    pixels_across : float
        Photo pixels along the screen's width.
    mm_per_px : float
        Millimetres on the screen that one photo pixel spans, for a diagonal of
        ``assumed_diagonal_inch``.
    noise_sigma : float
        Noise of single photo pixels, sRGB code values.
    view_noise : float
        Noise of one view pixel over the median light, linear, after averaging.
    """

    usable: bool
    retake: tuple[str, ...]
    focus_px: float
    motion_px: float
    motion_deg: float
    exposure: float
    brightest: float
    clipped_share: float
    glare_share: float
    in_frame: float
    pixels_across: float
    mm_per_px: float
    noise_sigma: float
    view_noise: float
    edge_strength: float
    assumed_diagonal_inch: float = ASSUMED_DIAGONAL_INCH

    @property
    def focus_share(self) -> float:
        """``focus_px`` as a share of the screen's width; NaN when it was not measured."""
        return self.focus_px / self.pixels_across if self.pixels_across > 0 else NAN

    def features(self) -> dict[str, float]:
        """Named numbers, independent of the photo's size; NaN where not measured."""
        across = self.pixels_across if self.pixels_across > 0 else NAN
        return {
            "quality_focus": 100 * self.focus_px / across,
            "quality_motion": 100 * self.motion_px / across,
            "quality_exposure": self.exposure,
            "quality_brightest": self.brightest,
            "quality_clipped": self.clipped_share,
            "quality_glare": self.glare_share,
            "quality_in_frame": self.in_frame,
            "quality_log_pixels_across": float(np.log10(across)) if across > 0 else NAN,
            "quality_noise": self.noise_sigma,
            "quality_view_noise": self.view_noise,
            "quality_edge_strength": float(np.log10(max(self.edge_strength, 1e-3)))
            if np.isfinite(self.edge_strength)
            else NAN,
        }


def mm_per_photo_px(
    pixels_across: float, aspect: float, *, diagonal_inch: float = ASSUMED_DIAGONAL_INCH
) -> float:
    """Millimetres on the screen per photo pixel; NaN unless both numbers are positive."""
    if not (pixels_across > 0 and aspect > 0):
        return NAN
    width_mm = diagonal_inch * 25.4 * aspect / np.hypot(1, aspect)
    return float(width_mm / pixels_across)


def assess(photo: Photo, view: ScreenView) -> PhotoQuality:
    """Judge a photo; ``view`` is the squared-up screen, or the whole frame where none was found."""
    noise, edges = _native(photo, view)
    across = _pixels_across(view)
    small = reduce_view(view, 240)
    seen = small.valid
    light = small.luminance[seen]
    codes = codes_of(light) if light.size else np.array([NAN])
    clipped = float(view.clipped.sum() / max(int(view.valid.sum()), 1))
    middle = view.luminance[
        view.height // 8 : -view.height // 8, view.width // 8 : -view.width // 8
    ]
    grain = noise_sigma(np.ascontiguousarray(middle))
    level = float(median(light)) if light.size else NAN
    made = PhotoQuality(
        usable=True,
        retake=(),
        focus_px=edges.sigma_px,
        motion_px=edges.motion_px,
        motion_deg=edges.motion_deg,
        exposure=float(median(codes)),
        brightest=float(quantile(codes, 0.99)),
        clipped_share=clipped,
        glare_share=_glare(small.light, seen),
        in_frame=view.in_frame,
        pixels_across=across,
        mm_per_px=mm_per_photo_px(across, view.aspect),
        noise_sigma=noise,
        view_noise=grain / max(level, 1e-5) if np.isfinite(level) else NAN,
        edge_strength=edges.strength,
    )
    return _judged(made, fills=_fills(photo, view), cut=any(view.outline.cut))


def _pixels_across(view: ScreenView) -> float:
    tl, tr, br, bl = view.outline.corners
    return float((np.hypot(*(tr - tl)) + np.hypot(*(br - bl))) / 2)


def _fills(photo: Photo, view: ScreenView) -> float:
    """Share of the photo's side that the screen's width spans."""
    dx, dy = np.abs(view.outline.corners[1] - view.outline.corners[0])
    return float(_pixels_across(view) / (photo.width if dx >= dy else photo.height))


def _judged(q: PhotoQuality, *, fills: float, cut: bool) -> PhotoQuality:
    """The same with hints and the verdict."""
    hints: list[str] = []
    usable = True
    if q.in_frame < 0.97 or cut:
        hints.append(
            "Step back a little: the whole screen with all four corners must be in the frame."
        )
        usable &= q.in_frame >= _LEAST_IN_FRAME
    if q.pixels_across < 400:
        usable &= q.pixels_across >= _FEWEST_PIXELS_ACROSS
        # chosen: from here on nobody can come much closer; the file is small.
        if fills > 0.6:
            hints.append(
                f"This is a small copy, with {q.pixels_across:.0f} pixels across the screen: send "
                "the original photo, not a preview."
            )
        elif not hints:
            hints.append("Go closer, or do not zoom out: the screen should fill most of the frame.")
    blur = q.focus_px / q.pixels_across
    shake = q.motion_px / np.sqrt(12) / q.pixels_across
    if blur > _BLUR_HINT:
        hints.append("The photo is out of focus: tap on the screen to focus on the glass.")
        usable &= not blur > _BLUR_UNUSABLE
    if shake > _BLUR_HINT:
        hints.append("The photo is shaken: rest the phone on something and hold still.")
        usable &= not shake > _BLUR_UNUSABLE
    if q.clipped_share > 0.35 and q.exposure > 245:
        hints.append("The screen is overexposed: tap on its brightest part, or lower the exposure.")
        usable &= q.clipped_share <= _MOST_CLIPPED or q.exposure < 250
    elif q.glare_share > 0.12:
        hints.append(
            "A light is mirrored in the glass: hold the torch further to the side, "
            "switch off the lamps in the room, or stand at another angle."
        )
        usable &= q.glare_share <= _MOST_CLIPPED
    if q.brightest < 25:
        hints.append(
            "The photo is very dark: use a torch from the side, or hold the phone steady for a "
            "longer exposure."
        )
        usable &= q.brightest >= _DARKEST_CODE
    return replace(q, usable=bool(usable), retake=tuple(hints))


def _glare(light: FloatArray, seen: BoolArray) -> float:
    """Share of the area in colourless patches far above the median, as a torch's image is."""
    if not seen.any():
        return NAN
    lum = light @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    level = float(median(lum[seen]))
    high, low = highest(light), lowest(light)
    # chosen: six times the median light and near white; a lit picture's white parts stand
    # less far above its median, a torch's image on a dark screen further.
    bright = seen & (lum > max(6 * level, 0.02)) & (low > 0.7 * high)
    # Opened by a disc: letters and lines of a picture are thin, a mirrored light is not.
    size = max(3, round(0.05 * lum.shape[1])) | 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
    bright = cv2.morphologyEx(bright.astype(np.uint8), cv2.MORPH_OPEN, disc)
    return float(bright.sum() / seen.sum())


def _native(photo: Photo, view: ScreenView) -> tuple[float, EdgeSpread]:
    """Noise (codes) and edge spread, from the tiles of the photo with the strongest edges."""
    h, w = photo.height, photo.width
    if is_convex(view.outline.corners) and area(view.outline.corners) > 0:
        x0, y0 = view.outline.corners.min(axis=0) - 0.02 * w
        x1, y1 = view.outline.corners.max(axis=0) + 0.02 * w
    else:
        x0, y0, x1, y1 = 0, 0, w, h
    x0, y0 = int(np.clip(x0, 0, w - 1)), int(np.clip(y0, 0, h - 1))
    x1, y1 = int(np.clip(x1, x0 + 1, w)), int(np.clip(y1, y0 + 1, h))
    if x1 - x0 < 32 or y1 - y0 < 32:
        x0, y0, x1, y1 = 0, 0, w, h
    columns = max(1, min((x1 - x0) // _TILE, 8))
    rows = max(1, min((y1 - y0) // _TILE, 6))
    size = (min(_TILE, x1 - x0), min(_TILE, y1 - y0))
    lefts = np.linspace(x0, x1 - size[0], columns).astype(int)
    tops = np.linspace(y0, y1 - size[1], rows).astype(int)
    busy = []
    for top in tops:
        for left in lefts:
            tile = photo.pixels[top : top + size[1] : 4, left : left + size[0] : 4, 1]
            slope = cv2.norm(tile[:, 1:], tile[:, :-1], cv2.NORM_INF)
            slope += cv2.norm(tile[1:], tile[:-1], cv2.NORM_INF)
            busy.append((float(slope), int(top), int(left)))
    busy.sort(reverse=True)
    step = max(1, len(busy) // 3)
    wanted = {*busy[:_TILES], *busy[::step]}
    tiles = {at: _grey(photo, at[1], at[2], size) for at in wanted}
    noises = {at: noise_sigma(tile) for at, tile in tiles.items()}
    points = [_spread_points(tiles[at], noises[at]) for at in busy[:_TILES]]
    stack = np.vstack(points) if points else np.empty((0, 3))
    finite = [n for n in noises.values() if np.isfinite(n)]
    return (float(median(finite)) if finite else NAN), (
        spread_of(stack) if len(stack) else NO_EDGES
    )


def _spread_points(grey: FloatArray, noise: float) -> FloatArray:
    """Edge points with sigma in photo pixels; wide blur is measured on the tile at quarter size."""
    fine = edge_points(grey, noise)
    # Above about 3 px the further blur of 1.5 px changes the slope by less than the noise does.
    if len(fine) and quantile(fine[:, 0], 0.2) < 3:
        return fine
    coarse = cv2.resize(grey, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    points = edge_points(coarse)
    points[:, 0] *= 4
    return points if len(points) else fine


def _grey(photo: Photo, top: int, left: int, size: tuple[int, int]) -> FloatArray:
    tile = photo.pixels[top : top + size[1], left : left + size[0]]
    grey = tile.astype(np.float32) @ np.array([0.299, 0.587, 0.114], np.float32)
    return grey if tile.dtype == np.uint8 else grey / 257
