"""The set: its panel grid, its optics, its backlight.

The panel's transmittance is linear in the shown (decoded) light plus a leak of 1/contrast; the
backlight is rows of LEDs seen through a diffuser whose point spread is given in millimetres.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.arrays import Floats
from synth.dice import Dice
from synth.fields import Field, fractal, grid

#: Columns x 3 / channels per source driver gives these block counts (domain.md; check values in
#: the addressing tables of public panel data sheets). Left-filled odd grids are `uneven`.
DRIVER_COUNTS = {
    1366: (3, 4, 5, 6, 8, 9, 10),
    1920: (3, 4, 5, 6, 8, 9, 12, 15),
    3840: (6, 8, 10, 12, 15, 16, 18, 24),
}


ASPECTS = {"16:9": 16 / 9, "16:10": 1.6, "4:3": 4 / 3, "5:4": 1.25, "21:9": 64 / 27}


@dataclass(frozen=True)
class Panel:
    """A panel and its backlight.

    columns, rows: picture elements. drivers: source drivers side by side. aspect: width/height of
    the active area. diagonal_inch. t_max: white transmittance 0..1. contrast: white over black.
    reflectance: of the stack behind the cell, 0..1. gap_mm: blur (Gaussian sigma) of light on its
    way in. haze: diffuse reflectance of the front, 0..1. gloss: roughness alpha of the glass.
    mirror: Fresnel reflectance of the front.
    inner: strength of the second reflection from inside the cell, share of the first.
    peak: white luminance in cd/m2. kind: "strips", "edge". strips: rows of LEDs. per_strip: LEDs in
    each. spread: diffuser point spread as a share of the strip pitch.
    white: linear RGB of the backlight, luminance 1.
    """

    columns: int
    rows: int
    drivers: int
    aspect: float
    diagonal_inch: float
    t_max: float
    contrast: float
    reflectance: float
    gap_mm: float
    haze: float
    gloss: float
    mirror: float
    inner: float
    peak: float
    kind: str
    strips: int
    per_strip: int
    spread: float
    white: Floats

    @property
    def width_m(self) -> float:
        """Width of the active area in metres."""
        return self.diagonal_inch * 0.0254 * self.aspect / float(np.hypot(1, self.aspect))

    @property
    def height_m(self) -> float:
        """Height of the active area in metres."""
        return self.width_m / self.aspect


def draw_panel(dice: Dice, *, turned: bool = False) -> Panel:
    """A set as they come to the bench, or a public display hung upright when `turned`.

    Ranges from memory of the trade (transmittance, reflectance, contrast, haze), widened.
    """
    columns = dice.pick((1366, 1366, 1920, 1920, 1920, 3840, 3840))
    aspect = ASPECTS[
        dice.weighted({"16:9": 0.76, "16:10": 0.09, "4:3": 0.06, "5:4": 0.03, "21:9": 0.06})
    ]
    if turned:
        aspect, columns = 1 / aspect, 1080
    ips = dice.p(0.4)
    tone = np.array([np.exp(dice.n(0, 0.06)), 1.0, np.exp(dice.n(0.05, 0.1))], np.float32)
    matt = dice.p(0.3)
    return Panel(
        columns=columns,
        rows=round(columns / aspect),
        drivers=dice.pick(DRIVER_COUNTS.get(columns, (6,))),
        aspect=aspect,
        diagonal_inch=dice.pick(
            (10, 15, 19, 22, 24, 26, 28, 32, 32, 37, 40, 42, 43, 46, 49, 50, 55, 55, 60, 65, 75)
        )
        + dice.u(-0.5, 0.5),
        t_max=dice.u(0.04, 0.085),
        contrast=dice.lu(700, 1500) if ips else dice.lu(1200, 5500),
        reflectance=dice.u(0.55, 0.92),
        gap_mm=dice.lu(0.8, 8),
        haze=dice.lu(0.003, 0.02),
        gloss=dice.lu(0.12, 0.4) if matt else dice.lu(0.02, 0.14),
        mirror=dice.u(0.01, 0.045),
        inner=dice.lu(0.01, 0.15),
        peak=dice.lu(120, 480),
        kind=dice.weighted({"strips": 0.75, "edge": 0.25}),
        strips=dice.i(2, 8),
        per_strip=dice.i(5, 14),
        spread=dice.u(0.25, 0.7),
        white=tone / float(tone @ np.array([0.2126, 0.7152, 0.0722], np.float32)),
    )


#: The backlight is smooth, so it is drawn this coarsely (cells across the width) and enlarged.
BACKLIGHT_CELLS = 240


def backlight(
    dice: Dice,
    panel: Panel,
    *,
    dead: Floats | None = None,
    ripple: float | None = None,
    swing: float = 0.25,
) -> Field:
    """Backlight luminance (h, w) relative to its healthy mean, on a coarse grid.

    `dead` (strips, per_strip) scales each LED group, 1 = healthy. `ripple` is the visible part of
    the strip pattern for a healthy set, 0..1 (None: drawn), and `swing` the most that it may make
    between brightest and darkest row, share of the mean. Healthy sets are not flat: corners fall
    off and low-frequency unevenness of 5..15 % is common (checks.md section 2).
    """
    w = BACKLIGHT_CELLS
    h = max(int(w / panel.aspect), 16)
    x, y = grid((h, w))
    out = np.ones((h, w), np.float32)
    if panel.kind == "strips":
        drive = np.ones((panel.strips, panel.per_strip), np.float32) if dead is None else dead
        centres = (np.arange(panel.strips, dtype=np.float32) + 0.5) / panel.strips
        sd = panel.spread / panel.strips
        rows = np.exp(-0.5 * ((y - centres[None, :]) / sd) ** 2)
        # the box around the LEDs is a reflector: light that leaves at the rim comes back
        for edge in (0.0, 2.0):
            rows += np.exp(-0.5 * ((y - (edge - centres)[None, :]) / sd) ** 2)
        across = (np.arange(panel.per_strip, dtype=np.float32) + 0.5) / panel.per_strip
        sdx = max(panel.spread * 0.9 / panel.per_strip, 0.5 * sd / panel.aspect)
        cols = np.exp(-0.5 * ((x.T - across[None, :]) / sdx) ** 2)
        for edge in (0.0, 2.0):
            cols += np.exp(-0.5 * ((x.T - (edge - across)[None, :]) / sdx) ** 2)
        even = rows.sum(1, keepdims=True) @ np.ones((1, w), np.float32)
        flat_cols = cols.sum(1)[None, :]
        lit = (rows @ drive) @ cols.T
        healthy = even * flat_cols
        out = lit / healthy
        seen = dice.u(0.0, 0.25) ** 1.5 if ripple is None else ripple
        wave = even / float(even.mean())
        pattern = seen * (wave - 1) * 3
        out *= 1 + pattern * min(1.0, swing / max(float(np.ptp(pattern)), 1e-6))
    else:
        side = dice.pick((0, 0, 1, 2))
        d = {0: np.minimum(y, 1 - y) + 0 * x, 1: (1 - y) + 0 * x, 2: np.minimum(x, 1 - x) + 0 * y}[
            side
        ]
        out *= 1 + dice.u(0, 0.25) * np.exp(-d / dice.u(0.05, 0.3)) - dice.u(0, 0.08)
        if dead is not None:
            strip = dead.reshape(-1)
            n = len(strip)
            pos = (np.arange(n, dtype=np.float32) + 0.5) / n
            reach = np.exp(-0.5 * ((x.T - pos[None, :]) / (0.8 / n)) ** 2)
            out *= ((reach @ strip) / reach.sum(1))[None, :]
    corner = dice.u(0.0, 0.35)
    rr = ((x - 0.5) / 0.5) ** 2 * ((y - 0.5) / 0.5) ** 2
    fall = np.float32(dice.u(0, 0.15)) * (((x - 0.5) * 2) ** 2 + ((y - 0.5) * 2) ** 2) / 2
    out *= (1 - corner * rr) * (1 - fall)
    out *= 1 + dice.lu(0.005, 0.06) * fractal(dice, (h, w), cells=3, octaves=2)
    return np.maximum(out, 0).astype(np.float32)


def spread_mm(panel: Panel, texture_width: int, millimetres: float) -> float:
    """A length on the glass in texture pixels."""
    return millimetres / 1000 / panel.width_m * texture_width


def transmit(panel: Panel, drive: Floats) -> Floats:
    """Transmittance 0..t_max of each colour for a linear drive 0..1 (contrast leak included)."""
    leak = 1.0 / panel.contrast
    return np.float32(panel.t_max * (1 - leak)) * drive + np.float32(panel.t_max * leak)


def driver_edges(panel: Panel) -> NDArray[np.float64]:
    """Boundaries of the driver blocks as fractions of the width, length drivers + 1.

    Blocks are equal in whole columns, as ceil(columns / drivers) from the left with the spare
    outputs unused on the last one when the division leaves a remainder.
    """
    if panel.columns % panel.drivers == 0:
        return np.arange(panel.drivers + 1) / panel.drivers
    step = -(-panel.columns // panel.drivers)
    return np.minimum(np.arange(panel.drivers + 1) * step, panel.columns) / panel.columns


def enlarge(field: Field, shape: tuple[int, int]) -> Field:
    """A coarse map at texture size."""
    return cv2.resize(field, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)


def spot(field: Field, cx: float, cy: float, radius: float, gain: float, aspect: float) -> None:
    """Add a round bright spot in place: a missing lens (radius as a share of the height)."""
    x, y = grid((field.shape[0], field.shape[1]))
    d2 = ((x - cx) * aspect) ** 2 + (y - cy) ** 2
    field *= 1 + gain * np.exp(-0.5 * d2 / radius**2)
