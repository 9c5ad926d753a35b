"""What the camera added: rolling-shutter bars in the sensor's frame, and moire.

A pulsed backlight (or room lamp) seen by a rolling shutter leaves bars that run
along the *sensor's* rows; a panel's faults run along the panel. The two frames
differ as soon as the phone is tilted, and a bar's light comes and goes softly
whatever the picture shows. So bars are sought as a function of the photo's row
(or column, for a phone held upright) that is common to independent strips of
the screen, in the derivative of log light, where a static picture drops out of
the median across a strip.
"""

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.geometry import project, unit_square_to
from panelvision.light import LUMINANCE_WEIGHTS, averaged, decode
from panelvision.measure.moire import Moire, measure_moire
from panelvision.measure.reduced import NAN, reduce_view
from panelvision.order_statistics import median
from panelvision.photo import Photo
from panelvision.squareup import ScreenView

# chosen: samples along the bars' normal; 25 samples a period at 16 bars across the screen.
_SAMPLES = 400
_STRIPS = 8
_FLOOR = 2e-3  # chosen: linear light of about code 6; keeps dark noise out of the logarithm
# chosen: from a little under one bar on the screen (100 Hz light on a phone's slow
# readout, checks of the rolling shutter) to 24.
_CYCLES = np.arange(0.7, 24.01, 0.1)
# chosen: harmonics of a bar's period that are told from the picture; light pulsed in short flashes
# has more, each smaller than the one before.
_HARMONICS = 5
# chosen: periods over all samples by which the search can be off, with room.
_PERIOD_ERROR = 0.15
# chosen: a step of log light between neighbouring samples beyond which it is picture:
# a bar of full depth with 16 periods has 2 pi 16 / 400 = 0.25.
_STEEPEST = 0.15


@dataclass(frozen=True)
class Bars:
    """Bars along one axis of the photo.

    Attributes
    ----------
    along_rows : bool
        The bars run along the photo's rows (so they follow each other downwards).
    period_px : float
        Distance of neighbouring bars in photo pixels (rows or columns).
    modulation : float
        Amplitude of the fundamental over the mean light, 0..1.
    coherence : float
        0..1, how well the strips of the screen agree in amplitude and phase.
    snr : float
        Power of the peak over the median power at the other periods.
    tilt_deg : float
        Angle of the bars to the sensor's axis, degrees; 0 for rolling shutter.
    panel_tilt_deg : float
        Angle of the panel's rows (or columns) to the same axis, degrees.
    agreement : float
        Mean correlation of the strips' slopes in the sensor's frame, -1..1.
    agreement_panel : float
        The same in the panel's frame.
    cycles : float
        Periods on the screen.
    """

    along_rows: bool
    period_px: float
    modulation: float
    coherence: float
    snr: float
    tilt_deg: float
    panel_tilt_deg: float
    agreement: float
    agreement_panel: float
    cycles: float

    @property
    def told_apart(self) -> bool:
        """Better explained by the sensor's frame than by the panel's."""
        return self.agreement > self.agreement_panel + 0.03

    @property
    def convincing(self) -> bool:
        """Coherent, well above the other periods, and better explained by the sensor's frame.

        When the phone was held level the two frames coincide; then only several bars tell
        a pulsed light from a slope of the picture.
        """
        many = self.cycles > 2.5 and self.snr > 40 and self.agreement > self.agreement_panel - 0.1
        return bool(
            self.modulation > 0.02
            and self.coherence > 0.75
            and self.snr > 12
            and abs(self.tilt_deg) < 2.0 + abs(self.panel_tilt_deg) / 2
            and (self.told_apart or many)
        )


@dataclass(frozen=True)
class CameraArtefacts:
    """What the camera added to the screen.

    Attributes
    ----------
    rolling_shutter_banding : float
        Modulation (amplitude over mean, 0..1) of convincing bars; 0 when none are there;
        NaN when it could not be measured.
    period_rows : float
        Period in sensor rows of the photo as decoded; NaN without bars.
    moire : float
        Contrast of the strongest moire fringe, amplitude over mean; NaN if not measured.
    bars : tuple of Bars
        The best bars along rows and along columns, whether convincing or not.
    fringes : Moire
    along_rows : bool
        The convincing bars run along the photo's rows.
    told_apart : bool
        Whether the bars are the sensor's rather than the panel's; False with the phone held
        level, where the two look alike.
    retake : tuple of str
        Hints as full sentences.
    gain_profile : ndarray or None
        Gain of the bars at each photo row (or column), mean 1; None without bars.
    """

    rolling_shutter_banding: float
    period_rows: float
    moire: float
    bars: tuple[Bars, ...]
    fringes: Moire
    along_rows: bool
    told_apart: bool = True
    retake: tuple[str, ...] = ()
    gain_profile: FloatArray | None = None

    def gain(self, view: ScreenView) -> FloatArray | None:
        """Gain of the bars at each view pixel, float32 of shape (h, w), or None without bars."""
        if self.gain_profile is None:
            return None
        x = np.arange(view.width, dtype=np.float32)
        y = np.arange(view.height, dtype=np.float32)[:, None]
        m = view.to_photo.astype(np.float32)
        row = m[1] if self.along_rows else m[0]
        with np.errstate(divide="ignore", invalid="ignore"):
            at = (row[0] * x + row[1] * y + row[2]) / (m[2, 0] * x + m[2, 1] * y + m[2, 2])
        # What lies behind the camera has no place in the photo; the view is not valid there.
        at = np.nan_to_num(np.clip(at, 0, self.gain_profile.size - 1))
        profile = self.gain_profile.astype(np.float32)
        whole = np.minimum(at.astype(np.int32), profile.size - 2)
        part = at - whole.astype(np.float32)
        gain: FloatArray = profile[whole] + part * np.diff(profile)[whole]
        return gain

    def discount(self, view: ScreenView) -> ScreenView:
        """The view with the bars divided out of its light; the same view without bars."""
        gain = self.gain(view)
        if gain is None:
            return view
        # chosen: a bar darker than a twentieth leaves only noise to be divided.
        return replace(view, linear=view.linear / np.clip(gain, 0.05, 20)[..., None])

    def features(self) -> dict[str, float]:
        """Named numbers; NaN where not measured."""
        out: dict[str, float] = {
            "camera_banding": self.rolling_shutter_banding,
            "camera_moire": self.moire,
        }
        for name, rows in (("rows", True), ("columns", False)):
            bar = next((b for b in self.bars if b.along_rows == rows), None)
            out[f"camera_{name}_modulation"] = bar.modulation if bar else NAN
            out[f"camera_{name}_coherence"] = bar.coherence if bar else NAN
            out[f"camera_{name}_log_snr"] = float(np.log10(max(bar.snr, 1e-3))) if bar else NAN
            out[f"camera_{name}_tilt"] = bar.tilt_deg if bar else NAN
            out[f"camera_{name}_tilt_to_panel"] = bar.tilt_deg - bar.panel_tilt_deg if bar else NAN
            out[f"camera_{name}_agreement"] = bar.agreement if bar else NAN
            out[f"camera_{name}_agreement_panel"] = bar.agreement_panel if bar else NAN
            out[f"camera_{name}_agreement_gain"] = (
                bar.agreement - bar.agreement_panel if bar else NAN
            )
            out[f"camera_{name}_cycles"] = bar.cycles if bar else NAN
        out.update(self.fringes.features())
        return out

    def to_json(self) -> dict[str, Any]:
        """Plain numbers for the machine-readable output; None where not measured."""

        def plain(value: float) -> float | None:
            return round(float(value), 5) if np.isfinite(value) else None

        return {
            "moire": plain(self.moire),
            "rolling_shutter_banding": plain(self.rolling_shutter_banding),
            "period_rows": plain(self.period_rows),
            "bars_along": None
            if not np.isfinite(self.period_rows)
            else ("rows" if self.along_rows else "columns"),
        }


def measure_camera(photo: Photo, view: ScreenView) -> CameraArtefacts:
    """Find rolling-shutter bars and moire on the active area of a photo."""
    bars: list[Bars] = []
    profiles: dict[bool, FloatArray | None] = {}
    prepared = _screen_in_photo(photo, view)
    if prepared is not None:
        light, mask, offset, shrink = prepared
        straight = reduce_view(view, 240)
        log_panel = np.log(straight.luminance + _FLOOR)
        steady = straight.valid & ~straight.clipped
        for along_rows in (True, False):
            found = _bars(light, mask, log_panel, steady, along_rows, offset, shrink, photo, view)
            if found is not None:
                bars.append(found[0])
                profiles[along_rows] = found[1]
    fringes = measure_moire(photo, view)
    chosen = _choose(bars, photo)
    banding, period, profile, along = NAN if not bars else 0.0, NAN, None, True
    told_apart = True
    if chosen is not None and chosen.convincing:
        banding, period, along = chosen.modulation, chosen.period_px, chosen.along_rows
        profile, told_apart = profiles[along], chosen.told_apart
    return CameraArtefacts(
        rolling_shutter_banding=banding,
        period_rows=period,
        moire=fringes.contrast,
        bars=tuple(bars),
        fringes=fringes,
        along_rows=along,
        told_apart=told_apart,
        retake=_hints(banding, fringes, told_apart=told_apart),
        gain_profile=profile,
    )


def _hints(banding: float, fringes: Moire, *, told_apart: bool) -> tuple[str, ...]:
    hints = []
    if banding > 0.04 and not told_apart:
        hints.append(
            "The stripes across the screen may be made by the camera: turn the phone by a few "
            "degrees and take a second photo; stripes that turn with the phone are the camera's."
        )
    elif banding > 0.04:
        hints.append(
            "The stripes across the screen are made by the camera: use a slower shutter "
            "(1/50 s or 1/100 s), or turn the phone a little and take a second photo."
        )
    if fringes.strong:
        hints.append(
            "The wavy colour pattern is made by the camera: step back or come a little closer "
            "and take the photo again."
        )
    return tuple(hints)


def _choose(bars: list[Bars], photo: Photo) -> Bars | None:
    """The bars along the sensor's rows; both axes when the file does not say how it was held."""
    if photo.sensor_rows_are_columns:
        allowed = [b for b in bars if not b.along_rows]
    elif photo.width >= photo.height and photo.orientation != 1:
        allowed = [b for b in bars if b.along_rows]
    else:
        # Messengers turn the pixels and drop the tag, so an upright frame says nothing.
        allowed = bars
    return max(allowed, key=lambda b: b.coherence * np.log(max(b.snr, 1.0)), default=None)


def _screen_in_photo(
    photo: Photo, view: ScreenView
) -> tuple[FloatArray, BoolArray, tuple[int, int], tuple[float, float]] | None:
    """Log light of the screen's bounding box in the photo, its mask, offset and shrink factors."""
    corners = view.outline.corners
    # Bars are smooth over many pixels: the small copy shows them.
    per = photo.width / photo.small.shape[1]
    last = (photo.width - 2, photo.height - 2)
    x0, y0 = (int(v / per) for v in np.clip(corners.min(axis=0), 0, last))
    x1, y1 = (int(np.ceil(v / per)) for v in np.clip(corners.max(axis=0), 1, last))
    if (x1 - x0) * per < 48 or (y1 - y0) * per < 48:
        return None
    # Sides that can be halved twice.
    x1, y1 = x1 - (x1 - x0) % 4, y1 - (y1 - y0) % 4
    crop = photo.small[y0:y1, x0:x1]
    size = (min(_SAMPLES, crop.shape[1]), min(_SAMPLES, crop.shape[0]))
    light = np.log(decode(averaged(crop, size)) @ LUMINANCE_WEIGHTS + _FLOOR)
    x0, y0, x1, y1 = (round(v * per) for v in (x0, y0, x1, y1))
    shrink = ((x1 - x0) / size[0], (y1 - y0) / size[1])
    inner = project(
        unit_square_to(corners),
        np.array([[0.03, 0.04], [0.97, 0.04], [0.97, 0.96], [0.03, 0.96]]),
    )
    polygon = (inner - [x0, y0] + 0.5) / shrink - 0.5
    mask = np.zeros(light.shape, np.uint8)
    cv2.fillConvexPoly(mask, np.rint(polygon).astype(np.int32), 1)
    if mask.sum() < 0.02 * mask.size:
        return None
    return light.astype(np.float32), mask.astype(bool), (x0, y0), shrink


def _strip_slopes(log_light: FloatArray, mask: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Median slope of log light down the rows of each strip, (strips, rows - 1), and centres."""
    both = mask[1:] & mask[:-1]
    used = np.flatnonzero(both.any(axis=0))
    slopes = np.full((_STRIPS, log_light.shape[0] - 1), np.nan, np.float32)
    if used.size < 2 * _STRIPS:
        return slopes, np.full(_STRIPS, np.nan)
    step = np.where(both, np.diff(log_light, axis=0), np.nan).astype(np.float32)
    edges = np.linspace(used[0], used[-1] + 1, _STRIPS + 1).astype(int)
    centres = (edges[1:] + edges[:-1] - 1) / 2
    for s in range(_STRIPS):
        # Every second column: neighbours say nearly the same.
        part = step[:, edges[s] : edges[s + 1] : 2]
        enough = np.isfinite(part).sum(axis=1) >= max(3, part.shape[1] // 3)
        if enough.any():
            # Sorting puts NaN last, so the middle of the finite ones is found without a warning.
            rows = np.sort(part[enough], axis=1)
            counts = np.isfinite(rows).sum(axis=1)
            slopes[s, enough] = rows[np.arange(rows.shape[0]), counts // 2]
    return np.clip(slopes, -_STEEPEST, _STEEPEST), centres


def _agreement(slopes: FloatArray) -> float:
    """Mean correlation between the smoothed slopes of different strips; NaN with too few."""
    seen = np.isfinite(slopes)
    rows = seen.mean(axis=0) >= 0.5
    keep = seen[:, rows].mean(axis=1) > 0.6 if rows.any() else np.zeros(len(slopes), bool)
    if rows.sum() < 24 or keep.sum() < 4:
        return NAN
    smooth = cv2.GaussianBlur(
        np.nan_to_num(slopes[keep][:, rows]),
        (0, 0),
        sigmaX=max(1.0, rows.sum() * 0.012),
        sigmaY=0.01,
    )
    smooth = smooth - smooth.mean(axis=1, keepdims=True)
    norm = np.sqrt((smooth**2).sum(axis=1, keepdims=True))
    unit = smooth / np.maximum(norm, 1e-9)
    n = len(unit)
    total = float((unit.sum(axis=0) ** 2).sum())
    return (total - n) / (n * (n - 1))


def _bars(
    light: FloatArray,
    mask: BoolArray,
    log_panel: FloatArray,
    steady: BoolArray,
    along_rows: bool,
    offset: tuple[int, int],
    shrink: tuple[float, float],
    photo: Photo,
    view: ScreenView,
) -> tuple[Bars, FloatArray | None] | None:
    if not along_rows:
        light, mask = light.T, mask.T
    # On a screen that lies on its side the panel's columns run along the photo's rows.
    turned = view.outline.quarter_turns % 2 == 1
    if along_rows == turned:
        log_panel, steady = log_panel.T, steady.T
    slopes, centres = _strip_slopes(light, mask)
    seen = np.isfinite(slopes)
    rows = np.flatnonzero(seen.sum(axis=0) >= _STRIPS // 2)
    if rows.size < 48:
        return None
    rows = np.arange(rows[0], rows[-1] + 1)
    d = np.nan_to_num(slopes[:, rows])
    w = seen[:, rows].astype(np.float32)
    # A slow trend over the whole screen is vignetting or the picture, not a bar.
    d = d - (d * w).sum(axis=1, keepdims=True) / np.maximum(w.sum(axis=1, keepdims=True), 1)
    d *= w * np.hanning(rows.size + 2)[1:-1]
    good = w.mean(axis=1) > 0.6
    if good.sum() < 4:
        return None
    omega = 2 * np.pi * _CYCLES / rows.size
    wave = np.exp(-1j * np.outer(rows, omega))
    amplitude = (
        (d[good] @ wave)
        * 2
        / np.maximum((w[good] * np.hanning(rows.size + 2)[1:-1]).sum(axis=1, keepdims=True), 1)
    )
    power = np.abs(amplitude.mean(axis=0)) ** 2
    coherence = power / np.maximum((np.abs(amplitude) ** 2).mean(axis=0), 1e-18)
    best = int(np.argmax(power * coherence))
    away = np.abs(_CYCLES - _CYCLES[best]) > 2
    snr = float(power[best] / max(float(median(power[away])), 1e-14))
    # The slope of exp(i w r) is i w exp(i w r): back from slopes to light.
    fundamental = amplitude[:, best] / (1j * omega[best])
    mean = fundamental.mean()
    shrink_along = shrink[1] if along_rows else shrink[0]
    shrink_across = shrink[0] if along_rows else shrink[1]
    shift = -_phase_slope(fundamental, centres[good]) / omega[best]
    tilt = float(np.degrees(np.arctan(shift * shrink_along / shrink_across)))
    start = offset[1] if along_rows else offset[0]
    bars = Bars(
        along_rows=along_rows,
        period_px=float(2 * np.pi * shrink_along / omega[best]),
        modulation=float(min(abs(mean), 1.0)),
        coherence=float(coherence[best]),
        snr=snr,
        tilt_deg=tilt,
        panel_tilt_deg=_panel_tilt(view, along_rows, turned=turned),
        agreement=_agreement(slopes),
        agreement_panel=_agreement(_strip_slopes(log_panel, steady)[0]),
        cycles=float(_CYCLES[best]),
    )
    if not bars.convincing:
        return bars, None
    length = photo.height if along_rows else photo.width
    log_gain = _periodic(_common_light(slopes[good], rows), float(omega[best]))
    position = start + (rows[0] + np.arange(log_gain.size) + 0.5) * shrink_along - 0.5
    gain = np.exp(np.interp(np.arange(length), position, log_gain))
    return bars, (gain / gain.mean()).astype(np.float32)


def _phase_slope(values: FloatArray, at: FloatArray) -> float:
    """Radians per unit of ``at``, by the product of neighbours (so nothing is unwrapped)."""
    turn = values[1:] * np.conj(values[:-1])
    step = np.diff(at)
    total = turn.sum()
    if not np.isfinite(total) or abs(total) == 0 or not step.size:
        return NAN
    return float(np.angle(total) / step.mean())


def _panel_tilt(view: ScreenView, along_rows: bool, *, turned: bool) -> float:
    """Mean angle of the screen's sides that follow the photo's rows (or columns), degrees."""
    tl, tr, br, bl = view.outline.corners
    across, down = (tr - tl) + (br - bl), (bl - tl) + (br - tr)
    side = down if along_rows == turned else across
    along, off = side if along_rows else side[::-1]
    # Which of the two ways a side is gone along is no part of its angle.
    return float(np.degrees(np.arctan2(off * np.sign(along), abs(along))))


def _common_light(slopes: FloatArray, rows: IntArray) -> FloatArray:
    """Log light along the photo's axis from the strips' common slope, slow trends taken out."""
    seen = np.isfinite(slopes[:, rows])
    count = np.maximum(seen.sum(axis=0), 1)
    common = np.nan_to_num(slopes[:, rows]).sum(axis=0) / count
    log_light: FloatArray = np.concatenate([[0.0], np.cumsum(common)])
    at = np.arange(log_light.size, dtype=np.float64)
    log_light -= np.polyval(np.polyfit(at, log_light, 2), at)
    return log_light


def _periodic(log_light: FloatArray, omega: float) -> FloatArray:
    """What of log light repeats with the bars' period: a dead strip among the bars does not.

    Parameters
    ----------
    log_light : ndarray of shape (n,)
    omega : float
        Radians a sample, to about a tenth of a period over all samples.

    Returns
    -------
    ndarray of shape (n,)
        Least-squares fit of the period and its harmonics.
    """
    n = log_light.size
    at = np.arange(n) - (n - 1) / 2
    best: tuple[float, FloatArray] | None = None
    for step in np.linspace(-_PERIOD_ERROR, _PERIOD_ERROR, 21):
        phase = np.outer(at, np.arange(1, _HARMONICS + 1) * (omega + 2 * np.pi * step / n))
        waves = np.hstack([np.cos(phase), np.sin(phase)])
        fitted: FloatArray = waves @ np.linalg.lstsq(waves, log_light, rcond=None)[0]
        rest = float(((log_light - fitted) ** 2).sum())
        if best is None or rest < best[0]:
            best = rest, fitted
    assert best is not None
    return best[1]
