"""From the panel's state to light leaving the glass, and the figures of the faint picture."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.arrays import Floats
from synth.colour import LUMINANCE
from synth.faults.state import Screen
from synth.fields import Field, blur
from synth.geometry import View
from synth.light import Rig, torch_mirror
from synth.panel import Panel, enlarge, spread_mm, transmit

Array = Floats


def panel_points(panel: Panel, shape: tuple[int, int]) -> NDArray[np.float64]:
    """World positions (h, w, 3) of a grid over the active area, cell centres."""
    h, w = shape
    x = ((np.arange(w) + 0.5) / w - 0.5) * panel.width_m
    y = ((np.arange(h) + 0.5) / h - 0.5) * panel.height_m
    return np.stack(np.broadcast_arrays(x[None, :], y[:, None], 0.0), -1)


def emitted(screen: Screen, view: View) -> Array:
    """Light (H, W, 3) in cd/m2 of a lit panel, with loss and tint towards grazing angles."""
    panel = screen.panel
    points = panel_points(panel, (9, 16))
    ray = view.centre - points
    cos = np.clip(-ray[..., 2] / np.linalg.norm(ray, axis=-1), 0.05, 1)
    loss = (cos[..., None] ** np.array([1.4, 1.25, 1.35])).astype(np.float32)
    glow = screen.glow if screen.glow.ndim == 3 else screen.glow[..., None]
    level = (
        enlarge(loss, (glow.shape[0], glow.shape[1]))
        * glow
        * (panel.white * np.float32(panel.peak))
    )
    leak = np.float32(1 / panel.contrast)
    light = screen.drive * (1 - leak)
    light += leak
    light *= enlarge(level, screen.shape)
    return light


def faint_term(screen: Screen) -> Array:
    """R T (T conv h), (H, W, 3): the torch's light through the cell, returned, and out again."""
    panel = screen.panel
    out = transmit(panel, screen.drive)
    inward = blur(out, max(spread_mm(panel, screen.shape[1], panel.gap_mm), 0.2))
    # the way in is scattered by the stack, and behind a diffuser the cavity mixes it further
    out *= inward
    out *= np.float32(panel.reflectance)
    return out


def returned(screen: Screen, rig: Rig, dirt: Field | None, *, faint: Array | None) -> Array:
    """Diffuse light (H, W, 3) in cd/m2 that the screen returns: E/pi [haze + dirt + R T T*h]."""
    shape = screen.shape
    lux = rig_on_panel(screen.panel, rig) * np.float32(1 / np.pi)
    haze = np.float32(screen.panel.haze)
    if faint is None:
        # a lit panel outshines what the torch brings back of the picture: its mean will do
        mean = transmit(screen.panel, screen.drive[::4, ::4].mean((0, 1)))
        total = screen.panel.reflectance * mean * mean + haze
        if dirt is None:
            return enlarge(lux * total, shape)
        out: Array = cv2.merge([dirt + level for level in total.astype(np.float32)])
    else:
        out = faint + haze
        if dirt is not None:
            cv2.add(out, cv2.merge([dirt, dirt, dirt]), dst=out)
    out *= enlarge(lux, shape)
    return out


def front_light(panel: Panel, rig: Rig, dirt: Field | None) -> Array:
    """Diffuse light (h, w, 3) in cd/m2 that the front of the glass returns, at a quarter's size."""
    shape = (135, 240) if dirt is None else (dirt.shape[0] // 4, dirt.shape[1] // 4)
    light = enlarge(rig_on_panel(panel, rig) * np.float32(1 / np.pi), shape)
    over = np.full(shape, panel.haze, np.float32)
    if dirt is not None:
        over += cv2.resize(dirt, shape[::-1], interpolation=cv2.INTER_AREA)
    light *= over[..., None]
    return light


def rig_on_panel(panel: Panel, rig: Rig) -> Array:
    """Illuminance (27, 48, 3) over the active area (not from the screen itself)."""
    return rig.on(panel_points(panel, (27, 48)), np.array([0, 0, -1.0]))


@dataclass(frozen=True)
class FaintFigures:
    """contrast: RMS of the faint picture over the local light, whole screen. local: the same after
    removing everything wider than a twentieth of the width. snr: contrast over noise of one photo
    pixel. snr_feature: local contrast over noise after averaging over the picture's own feature
    size; wider parts do not count, because the light's own shading hides them.
    """

    contrast: float
    local: float
    snr: float
    snr_feature: float


def faint_figures(
    screen: Screen,
    faint: Array,
    rig: Rig,
    dirt: Field | None,
    view: View,
    room: float,
    *,
    electrons_per_cd_s: float,
    read_e: float,
    pixels_across: float,
) -> FaintFigures:
    """Noise-free figures of the faint picture.

    room: mean mirrored room light, cd/m2. electrons_per_cd_s: electrons of a photo pixel per cd/m2
    for this exposure. pixels_across: width of the screen in photo pixels. Feature size is
    pi sd(s)/sd(grad s) of the local part, half the period of its RMS spatial frequency.
    """
    panel = screen.panel
    w = 480
    h = max(int(w / panel.aspect), 8)
    picture = cv2.resize(faint, (w, h), interpolation=cv2.INTER_AREA) @ LUMINANCE
    lux = enlarge(rig_on_panel(panel, rig) @ LUMINANCE, (h, w)) / np.pi
    base = lux * (panel.haze + float(picture.mean())) + room
    if dirt is not None:
        base = base + lux * cv2.resize(dirt, (w, h), interpolation=cv2.INTER_AREA)
    if rig.torch.kind != "none":
        base = base + enlarge(
            torch_mirror(rig.torch, panel, view, panel_points(panel, (54, 96))), (h, w)
        )
    s = lux * (picture - float(picture.mean())) / np.maximum(base, 1e-9)
    contrast = float(s.std())
    if contrast < 1e-9:
        return FaintFigures(0.0, 0.0, 0.0, 0.0)
    high = s - blur(s, w / 20)
    level = float(np.median(base)) * electrons_per_cd_s
    noise = np.sqrt(level + read_e**2) / max(level, 1e-6)
    local = float(high.std())
    gy, gx = np.gradient(high)
    slope = max(float(np.sqrt((gx * gx + gy * gy).mean())), 1e-12)
    feature = max(np.pi * local / slope * pixels_across / w, 1.0)
    snr = contrast / float(noise)
    return FaintFigures(contrast, local, snr, local / float(noise) * feature)
