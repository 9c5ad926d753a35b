"""What surfaces are made of: seamless albedo textures (H, W, 3), float32, linear, about 0..1.

Every texture wraps around at its edges, so that a repeated one shows no seam.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.arrays import Floats
from synth.dice import Dice
from synth.fields import tinted

Texture = Floats


def noise(dice: Dice, shape: tuple[int, int], cells: float, *, stretch: float = 1.0) -> Floats:
    """Smooth noise (H, W), roughly -1..1, that wraps around.

    About `cells` features across the width; `stretch` > 1 draws them out along x.
    """
    h, w = shape
    gw = max(round(cells / stretch), 1)
    gh = max(round(cells * h / w), 1)
    if gw * 24 < w and gh * 24 < h:  # nothing fine to show: a quarter of the size will do
        small = noise(dice, (h // 4, w // 4), cells, stretch=stretch)
        return cv2.resize(small, (w, h), interpolation=cv2.INTER_LINEAR)
    coarse = np.pad(dice.array(-1, 1, (gh, gw)), 2, mode="wrap")
    # the exact scale, not the rounded size, makes the period h by w
    wide = cv2.resize(coarse, None, fx=w / gw, fy=h / gh, interpolation=cv2.INTER_CUBIC)
    y, x = int(1.5 * h / gh), int(1.5 * w / gw)
    return np.ascontiguousarray(wide[y : y + h, x : x + w])


def cloud(
    dice: Dice,
    shape: tuple[int, int],
    cells: float = 3,
    octaves: int = 4,
    *,
    gain: float = 0.5,
    stretch: float = 1.0,
) -> Floats:
    """Sum of `noise` of rising frequency, roughly -1..1, that wraps around."""
    out = np.zeros(shape, np.float32)
    total = 0.0
    for k in range(octaves):
        out += gain**k * noise(dice, shape, cells * 2**k, stretch=stretch)
        total += gain**k
    out /= total
    return out


def relief(height: Floats, depth: float, angle: float = -0.8) -> Floats:
    """Brightness (H, W) around 1 of a bumpy surface lit from the side; `height` wraps."""
    dx = height - np.roll(height, 1, 1)
    dy = height - np.roll(height, 1, 0)
    tilt = np.cos(angle) * dx + np.sin(angle) * dy
    return np.clip(1 + depth * tilt, 0.3, 1.9).astype(np.float32)


def wood_colour(dice: Dice) -> Floats:
    """Linear albedo (3,) of a wood from pale birch to dark walnut, now and then weathered grey."""
    if dice.p(0.15):
        return (dice.u(0.12, 0.4) * np.array([1.0, 0.94, 0.86])).astype(np.float32)
    tone = dice.lu(0.07, 0.6)
    red = dice.u(0.0, 1.0)
    return (tone * np.array([1.0, 0.68 - 0.13 * red, 0.42 - 0.22 * red])).astype(np.float32)


def plain(dice: Dice, h: int, w: int, base: Floats) -> Texture:
    """Painted wall: roller texture, a little dirt."""
    tone = 1 + dice.u(0.0, 0.07) * cloud(dice, (h, w), 4, 5)
    grain = relief(noise(dice, (h, w), dice.u(60, 160)), dice.u(0, 0.08))
    return tinted(tone * grain, base)


def plaster(dice: Dice, h: int, w: int, base: Floats) -> Texture:
    """Rough cast or trowelled plaster."""
    bumps = cloud(dice, (h, w), dice.u(10, 50), 4, gain=dice.u(0.5, 0.8))
    tone = relief(bumps, dice.u(0.3, 1.6), dice.u(-2, 0))
    return tinted(tone * (1 + 0.12 * cloud(dice, (h, w), 2, 3)), base)


def concrete(dice: Dice, h: int, w: int, base: Floats) -> Texture:
    """Concrete: blotches, fine pores, the odd crack."""
    base = np.float32(base.mean()) * np.array([1.02, 1.0, 0.96], np.float32)
    tone = 1 + 0.25 * cloud(dice, (h, w), 3, 6, gain=0.65)
    pores = noise(dice, (h, w), w / 4)
    tone *= 1 - 0.5 * np.clip(pores - dice.u(0.6, 0.9), 0, 1)
    crack = np.abs(cloud(dice, (h, w), 2, 4))
    if dice.p(0.4):
        tone *= 1 - 0.4 * np.clip(1 - crack * 60, 0, 1)
    return base * tone[..., None].astype(np.float32)


def wallpaper(dice: Dice, h: int, w: int, base: Floats) -> Texture:
    """Stripes or a small repeated motif, quiet."""
    x = (np.arange(w, dtype=np.float32) / w)[None, :]
    y = (np.arange(h, dtype=np.float32) / h)[:, None]
    n = dice.i(3, 14)
    if dice.p(0.55):
        on = ((x * n) % 1 < dice.u(0.2, 0.6)) * np.float32(1)
        if dice.p(0.4):
            on = np.maximum(on, 0.6 * (((x * n * 3) % 1) < 0.1))
        on = np.broadcast_to(on, (h, w))
    else:
        u, v = 2 * np.pi * n * x, 2 * np.pi * n * y
        a, b = dice.i(1, 3), dice.i(1, 3)
        f = np.cos(u) * np.cos(v) + 0.6 * np.cos(a * u + b * v) * np.cos(b * u - a * v)
        on = np.clip((f - dice.u(0, 0.7)) * 4, 0, 1)
    other = base * np.float32(dice.u(0.55, 0.92)) * (1 + dice.array(-0.06, 0.06, (3,)))
    return plain(dice, h, w, np.ones(3, np.float32)) * (base + on[..., None] * (other - base))


def planks(dice: Dice, h: int, w: int, base: Floats) -> Texture:
    """Wooden boards along x, each of its own tone, with grain and knots."""
    del base
    count = dice.i(1, 8)
    y = (np.arange(h, dtype=np.float32) / h)[:, None] * count
    row = np.clip(np.floor(y).astype(int), 0, count - 1)[:, 0]
    shift = dice.array(0, 1, (count,))
    warp = noise(dice, (h, w), 3 * count, stretch=dice.u(3, 6))
    rings = dice.i(4, 12)
    phase = (y + shift[row][:, None]) * rings + warp * dice.u(0.5, 2.5)
    figure = 0.5 + 0.5 * np.sin(phase * np.float32(2 * np.pi / 2))
    fine = noise(dice, (h, w), w / 3, stretch=16) + 0.6 * noise(dice, (h, w), w / 6, stretch=10)
    tone = 1 - dice.u(0.05, 0.35) * figure**2 + dice.u(0.04, 0.12) * fine
    tone *= (1 + dice.u(0.03, 0.25) * (shift[row] - 0.5) * 2)[:, None]
    gap = np.abs(y % 1 - 0.5) > 0.5 - dice.u(0.006, 0.02)
    if count > 1 or dice.p(0.4):
        tone = np.where(gap, tone * dice.u(0.15, 0.6), tone)
    out = tinted(np.clip(tone, 0.05, 2), wood_colour(dice))
    out *= cv2.merge([1 - np.float32(0.3 * warm) * figure for warm in (0.0, 0.05, 0.12)])
    return out


def _courses(
    dice: Dice, h: int, w: int, rows: int, across: int, joint: float, offset: float
) -> tuple[NDArray, NDArray, NDArray]:
    """Brick layout: row and column index of each pixel and how far it is inside a joint (0..1)."""
    wobble = 0.012 * cloud(dice, (h, w), 12, 3)
    y = (np.arange(h, dtype=np.float32) / h)[:, None] * rows + wobble * rows * 0.4
    row = np.floor(y).astype(int) % rows
    x = (np.arange(w, dtype=np.float32) / w)[None, :] * across + offset * (row % 2)
    x = x + wobble * across * 0.3
    col = np.floor(x).astype(int) % across
    dx = (0.5 - np.abs(x % 1 - 0.5)) * (w / across)
    dy = (0.5 - np.abs(y % 1 - 0.5)) * (h / rows)
    edge = np.minimum(dx, dy)
    return row, col, np.clip((joint - edge) / 1.5 + 0.5, 0, 1).astype(np.float32)


def bricks(dice: Dice, h: int, w: int, base: Floats) -> Texture:
    """A brick wall: red, yellow, grey or whitewashed."""
    rows = 2 * dice.i(3, 9)
    across = max(round(rows * w / h * dice.u(0.3, 0.45)), 1)
    row, col, gap = _courses(dice, h, w, rows, across, h / rows * dice.u(0.04, 0.1), 0.5)
    clay = dice.pick(
        ((0.34, 0.13, 0.08), (0.42, 0.26, 0.14), (0.28, 0.26, 0.24), (0.2, 0.09, 0.06))
    )
    stone = base if dice.p(0.25) else np.array(clay, np.float32)
    tones = dice.array(0.65, 1.25, (rows, across))[row, col]
    hue = dice.array(-0.12, 0.12, (rows, across))[row, col]
    rough = cloud(dice, (h, w), 24, 4, gain=0.7)
    tone = tones * (1 + 0.3 * rough) * relief(rough - gap, dice.u(0.2, 0.8))
    out = stone * tone[..., None]
    out[..., 2] *= 1 - hue
    mortar = np.float32(dice.u(0.15, 0.5)) * (1 + 0.2 * rough)
    return out + gap[..., None] * (mortar[..., None] - out)


def tiles(dice: Dice, h: int, w: int, base: Floats) -> Texture:
    """Ceramic or stone tiles with joints."""
    n = 2 * dice.i(1, 5)
    across = max(round(n * w / h / dice.pick((1.0, 1.0, 2.0))), 1)
    row, col, gap = _courses(dice, h, w, n, across, h / n * 0.02, dice.pick((0.0, 0.0, 0.5)))
    spread = dice.u(0.0, 0.12)
    tones = dice.array(1 - spread, 1 + spread, (n, across))[row, col]
    if dice.p(0.15):
        tones = tones * np.where((row + col) % 2, 1.0, dice.u(0.2, 0.7))
    vein = 1 + dice.u(0, 0.15) * cloud(dice, (h, w), 4, 5, gain=0.6)
    out = base * (tones * vein).astype(np.float32)[..., None]
    return out + gap[..., None] * (np.float32(dice.u(0.1, 0.6)) * base.mean() - out)


def stones(dice: Dice, h: int, w: int, base: Floats) -> Texture:
    """A wall or a path of natural stones."""
    n = dice.i(5, 14)
    m = max(round(n * h / w), 2)
    seeds = np.full((h, w), 255, np.uint8)
    gx, gy = np.meshgrid(np.arange(n), np.arange(m))
    px = ((gx + dice.array(0.15, 0.85, gx.shape) + 0.5 * (gy % 2)) / n * w).astype(int) % w
    py = ((gy + dice.array(0.2, 0.8, gx.shape)) / m * h).astype(int) % h
    seeds[py, px] = 0
    wide = np.pad(seeds, ((h // 3, h // 3), (w // 3, w // 3)), mode="wrap")
    far, _ = cv2.distanceTransformWithLabels(wide, cv2.DIST_L2, 5)
    far = far[h // 3 : h // 3 + h, w // 3 : w // 3 + w]
    label = np.zeros((h, w), np.float32)
    edge = cv2.morphologyEx(far, cv2.MORPH_TOPHAT, np.ones((5, 5), np.uint8))
    ridge = np.clip(far / (0.5 * w / n), 0, 1.4)
    label += cloud(dice, (h, w), n, 3)
    rough = cloud(dice, (h, w), 30, 4, gain=0.7)
    tone = (1 + 0.35 * label + 0.25 * rough) * relief(-ridge * 4 + rough, 0.35)
    tone = tone * np.clip(1.35 - ridge**3 - 0.1 * edge, 0.15, 1.2)
    tint = np.stack([1 + 0.08 * label, np.ones_like(label), 1 - 0.1 * label], -1)
    grey = base if dice.p(0.3) else np.float32(dice.u(0.15, 0.4)) * np.array([1, 0.93, 0.8])
    return (grey * tint * tone[..., None]).astype(np.float32)


def carpet(dice: Dice, h: int, w: int, base: Floats) -> Texture:
    """Carpet or lawn-like pile."""
    pile = noise(dice, (h, w), w / 2.5) + 0.7 * noise(dice, (h, w), w / 6)
    tone = 1 + dice.u(0.15, 0.45) * pile + 0.2 * cloud(dice, (h, w), 3, 3)
    tint = noise(dice, (h, w), w / 5)[..., None] * dice.array(-0.15, 0.15, (3,))
    return base * np.clip(tone, 0.1, 2)[..., None] * (1 + tint)


def cloth(dice: Dice, h: int, w: int, base: Floats) -> Texture:
    """Woven cloth with soft creases, perhaps checked."""
    n = dice.i(40, 120)
    x = (np.arange(w, dtype=np.float32) / w)[None, :]
    y = (np.arange(h, dtype=np.float32) / h)[:, None]
    weave = np.sin(2 * np.pi * n * x) * np.sin(2 * np.pi * max(round(n * h / w), 1) * y)
    crease = cloud(dice, (h, w), dice.u(2, 4), 4, gain=0.45)
    tone = relief(crease, dice.u(3, 14), dice.u(-3, 3)) * (1 + dice.u(0.02, 0.15) * weave)
    out = base * tone[..., None]
    if dice.p(0.25):
        k = dice.i(3, 10)
        check = ((x * k) % 1 < 0.4) * 0.5 + ((y * k) % 1 < 0.4) * 0.5
        out = out * (1 - dice.u(0.2, 0.6) * check)[..., None]
    return out.astype(np.float32)


def curtain(dice: Dice, h: int, w: int, base: Floats) -> Texture:
    """A hanging curtain: vertical folds that wander a little."""
    x = (np.arange(w, dtype=np.float32) / w)[None, :]
    drift = 0.02 * noise(dice, (h, w), 2) + 0.05 * noise(dice, (2, w), 3)[:1]
    n = dice.i(4, 12)
    u = 2 * np.pi * (x + drift)
    fold = np.sin(n * u) + 0.4 * np.sin((2 * n + 1) * u + 1)
    tone = 0.62 + 0.3 * fold + 0.05 * noise(dice, (h, w), w / 4)
    return base * np.clip(tone, 0.08, 1.3)[..., None]


def fur(dice: Dice, h: int, w: int, base: Floats) -> Texture:
    """Hair or fur: streaks along a bending flow."""
    flow = cloud(dice, (h, w), 2, 3) * w * dice.u(0.02, 0.12)
    streak = noise(dice, (h, w), w / 2, stretch=dice.u(10, 25)) + 0.7 * noise(
        dice, (h, w), w / 5, stretch=12
    )
    gx, gy = np.meshgrid(np.arange(w, dtype=np.float32), np.arange(h, dtype=np.float32))
    bent = cv2.remap(
        streak, np.mod(gx + 0.5 * flow, w), np.mod(gy + flow, h), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_WRAP,
    )  # fmt: skip
    patch = np.clip(cloud(dice, (h, w), 3, 3) * 3, -0.6, 0.6) * dice.u(0, 1)
    tone = np.clip((0.75 + 0.4 * bent) * (1 + patch), 0.03, 2)
    return base * tone[..., None]
