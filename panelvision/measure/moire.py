"""Moire by its spectrum: off-axis fringes between the panel's sub-pixels and the sensor.

Fringes show as narrow peaks in the spectrum of small tiles taken at the photo's
own resolution, away from the panel's axes (where text, grids and blocks put
theirs), at a frequency that changes from tile to tile as the scale changes.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray
from panelvision.geometry import project, unit_square_to
from panelvision.measure.reduced import NAN
from panelvision.order_statistics import median
from panelvision.photo import Photo
from panelvision.squareup import ScreenView

_TILE = 128
_GRID = (4, 3)
# chosen: fringes slower than 4 per tile are shading; above 0.42 cycles per pixel the
# phone's demosaicing and JPEG leave little.
_SLOWEST, _FASTEST = 4 / _TILE, 0.42
# chosen: half-angle about the panel's and the photo's axes that is left to content and JPEG.
_AXIS_DEG = 7.0


@dataclass(frozen=True)
class Moire:
    """Spectral peaks off the axes.

    Attributes
    ----------
    contrast : float
        Amplitude over mean of the fringe in the tile where it stands out most; NaN if no
        tile could be taken.
    prominence : float
        log10 of peak power over the mean power about it, best tile.
    prominence_median : float
        The same, median tile.
    colour_prominence : float
        The same for red minus green, best tile.
    spread : float
        Spread of the peak frequency between prominent tiles over its mean.
    frequency : float
        Cycles per photo pixel of the best tile's peak.
    tiles : int
        How many tiles were used.
    """

    contrast: float
    prominence: float
    prominence_median: float
    colour_prominence: float
    spread: float
    frequency: float
    tiles: int

    @property
    def strong(self) -> bool:
        """Strong enough to disturb measuring."""
        return bool(self.contrast > 0.008 and self.prominence > 2.3)

    def features(self) -> dict[str, float]:
        """Named numbers; NaN where not measured."""
        return {
            "camera_moire_prominence": self.prominence,
            "camera_moire_prominence_median": self.prominence_median,
            "camera_moire_colour_prominence": self.colour_prominence,
            "camera_moire_spread": self.spread,
            "camera_moire_frequency": self.frequency,
        }


def measure_moire(photo: Photo, view: ScreenView) -> Moire:
    """Look for fringes in tiles of the active area at the photo's own resolution."""
    to_photo = unit_square_to(view.outline.corners)
    fx = (np.arange(_GRID[0]) + 0.5) / _GRID[0]
    fy = (np.arange(_GRID[1]) + 0.5) / _GRID[1]
    centres = project(to_photo, np.stack(np.meshgrid(fx, fy), axis=-1).reshape(-1, 2))
    tl, tr, br, bl = view.outline.corners
    angles = (
        np.degrees(np.arctan2(*((tr - tl) + (br - bl))[::-1])),
        np.degrees(np.arctan2(*((bl - tl) + (br - tr))[::-1])),
    )
    keep = _search_area(angles)
    rows = []
    for x, y in centres:
        if not (np.isfinite(x) and np.isfinite(y)):
            continue
        x0, y0 = round(x) - _TILE // 2, round(y) - _TILE // 2
        if x0 < 0 or y0 < 0 or x0 + _TILE > photo.width or y0 + _TILE > photo.height:
            continue
        tile = photo.pixels[y0 : y0 + _TILE, x0 : x0 + _TILE]
        codes = tile.astype(np.float32) / (1.0 if tile.dtype == np.uint8 else 257.0)
        if (codes >= 250).mean() > 0.5 or codes.mean() < 6:
            continue
        grey = codes @ np.array([0.3, 0.6, 0.1], np.float32)
        rows.append(
            (*_peak(grey, keep), _peak(codes[..., 0] - codes[..., 1], keep)[0], float(grey.mean()))
        )
    if not rows:
        return Moire(NAN, NAN, NAN, NAN, NAN, NAN, 0)
    table = np.array(rows)
    best = int(np.argmax(table[:, 0]))
    prominent = table[:, 0] > 1.6
    frequencies = table[prominent, 1]
    return Moire(
        # sRGB codes have slope d ln(light) = 2.2 d ln(code), near enough for a contrast.
        contrast=float(2.2 * table[best, 2] / max(table[best, 4], 1.0)),
        prominence=float(table[best, 0]),
        prominence_median=float(median(table[:, 0])),
        colour_prominence=float(table[:, 3].max()),
        spread=float(frequencies.std() / frequencies.mean()) if prominent.sum() >= 3 else NAN,
        frequency=float(table[best, 1]),
        tiles=len(rows),
    )


_FY = np.fft.fftfreq(_TILE)[:, None]
_FX = np.fft.rfftfreq(_TILE)[None, :]
_RADIUS = np.hypot(_FX, _FY)


def _search_area(panel_angles: tuple[float, float]) -> BoolArray:
    """Where to look in a tile's spectrum."""
    angle = np.degrees(np.arctan2(_FY, _FX))
    keep = (_RADIUS >= _SLOWEST) & (_RADIUS <= _FASTEST)
    for axis in (0.0, 90.0, *panel_angles):
        off = np.abs((angle - axis + 90) % 180 - 90)
        keep &= off > _AXIS_DEG
    return keep


_WINDOW = np.outer(np.hanning(_TILE), np.hanning(_TILE)).astype(np.float32)


def _peak(tile: FloatArray, keep: BoolArray) -> tuple[float, float, float]:
    """log10 prominence, frequency (cycles per pixel) and amplitude of the best peak of a tile."""
    smooth = cv2.blur(tile, (25, 25))
    power = np.abs(np.fft.rfft2((tile - smooth) * _WINDOW)) ** 2
    # A fringe is a narrow peak; a picture's edges are streaks, its texture a hill. So a peak
    # counts against its own surroundings: the ring between 5 x 5 and 9 x 9 bins about it.
    shifted = np.fft.fftshift(power, axes=0).astype(np.float32)
    wide = cv2.boxFilter(
        shifted, cv2.CV_32F, (9, 9), normalize=False, borderType=cv2.BORDER_REFLECT
    )
    near = cv2.boxFilter(
        shifted, cv2.CV_32F, (5, 5), normalize=False, borderType=cv2.BORDER_REFLECT
    )
    around = np.fft.ifftshift((wide - near) / (81 - 25), axes=0)
    # Rounding to whole codes alone has variance 1/12 a pixel: the floor of any power.
    floor = float((_WINDOW**2).sum()) / 12
    values = power[keep]
    ratio = values / np.maximum(around[keep], floor)
    best = int(np.argmax(ratio))
    amplitude = 2 * float(np.sqrt(values[best])) / float(_WINDOW.sum())
    return float(np.log10(max(ratio[best], 1e-3))), float(_RADIUS[keep][best]), amplitude
