"""Block corruption made where the video is decoded; menus drawn after it stay clean."""

from __future__ import annotations

import cv2
import numpy as np

from synth.colour import to_linear
from synth.dice import Dice
from synth.encode import decode_rgb, jpeg
from synth.faults.state import Screen
from synth.fields import fractal


def blocks(dice: Dice, screen: Screen) -> None:
    """Macroblocks displaced, flat, coloured or frozen, in patches, bands or all over."""
    h, w = screen.shape
    size = dice.pick((8, 16, 16, 16, 32, 32, 64))
    share = size / 1920
    cell = max(share * w, 2.2)
    n, m = int(np.ceil(w / cell)), int(np.ceil(h / cell))
    where = dice.weighted({"patches": 0.6, "all": 0.2, "bands": 0.2})
    amount = dice.u(0.06, 0.45)
    f = fractal(dice, (m, n), cells=dice.u(2, 6), octaves=2) + 0.35 * dice.array(-1, 1, (m, n))
    if where == "all":
        bad = dice.rng.random((m, n)) < amount
    else:
        if where == "bands":
            f = f + 1.2 * fractal(dice, (m, 4), cells=2, octaves=3)[:, :1]
        bad = f > np.quantile(f, 1 - amount)
    if dice.p(0.35):  # whole slices go: a run of blocks to the right of each error
        reach = dice.i(2, 12)
        run = bad.copy()
        for k in range(1, reach):
            run[:, k:] |= bad[:, :-k] & (dice.rng.random((m, n))[:, k:] < 0.7)
        bad = run
    style = dice.weighted(
        {"mixed": 0.4, "moved": 0.2, "flat": 0.15, "coloured": 0.15, "frozen": 0.1}
    )
    kinds = {
        "mixed": (0, 1, 2, 3, 4),
        "moved": (0,),
        "flat": (1,),
        "coloured": (2, 4),
        "frozen": (3,),
    }[style]
    kind = np.array(kinds)[dice.rng.integers(0, len(kinds), (m, n))]
    bright = to_linear((dice.rng.random((m, n, 3)) * 255).astype(np.uint8))
    vivid = dice.rng.random((m, n, 3)) < 0.5
    colours = np.where(vivid, bright, (bright > 0.25).astype(np.float32)).astype(np.float32)
    xs = np.rint(np.arange(n + 1) * cell).astype(int).clip(0, w)
    ys = np.rint(np.arange(m + 1) * cell).astype(int).clip(0, h)
    source = screen.drive.copy()
    old = cv2.flip(source, 1) if dice.p(0.5) else np.roll(source, w // 3, 1)
    reach_px = max(int(w * dice.u(0.01, 0.1)), 4)
    todo = np.argwhere(bad)
    if len(todo) > 6000:
        todo = todo[dice.rng.permutation(len(todo))[:6000]]
        kept = np.zeros_like(bad)
        kept[todo[:, 0], todo[:, 1]] = True
        bad = kept
    jump = dice.rng.integers(-reach_px, reach_px + 1, (len(todo), 2))
    # most error styles are shared by neighbours, which look like streaks
    for (r, c), (jx, jy) in zip(todo, jump, strict=True):
        y0, y1, x0, x1 = ys[r], ys[r + 1], xs[c], xs[c + 1]
        if y1 <= y0 or x1 <= x0:
            continue
        k = kind[r, c]
        part = screen.drive[y0:y1, x0:x1]
        if k == 0:
            sy, sx = min(max(y0 + jy, 0), h - (y1 - y0)), min(max(x0 + jx, 0), w - (x1 - x0))
            part[:] = source[sy : sy + y1 - y0, sx : sx + x1 - x0]
        elif k == 1:
            part[:] = cv2.mean(part)[:3]
        elif k == 2:
            part[:] = colours[r, c]
        elif k == 3:
            part[:] = old[y0:y1, x0:x1]
        else:
            part *= np.float32(0.4)
            part += colours[r, c] * np.float32(0.6)
    screen.truth.update(block_px=size, block=round(share, 5), share=round(float(bad.mean()), 4))


def mosquito(dice: Dice, screen: Screen) -> None:
    """Healthy but heavily compressed broadcast: mild 8x8 blocking, a hard negative."""
    code = np.rint(np.sqrt(np.clip(screen.drive, 0, 1)) * 255).astype(np.uint8)
    again = decode_rgb(jpeg(code, quality=dice.i(12, 45))).astype(np.float32) / 255
    screen.drive[:] = again * again
