"""Tone and colour wrong everywhere: lost bits, lost link pairs, gamma or panel supplies."""

from __future__ import annotations

import numpy as np

from synth.colour import decode, encode
from synth.dice import Dice
from synth.faults.state import Screen

MODES = {
    "inverted": 0.2,
    "solarised": 0.15,
    "posterised": 0.16,
    "channel_missing": 0.22,
    "channels_swapped": 0.07,
    "cast": 0.1,
    "washed": 0.05,
    "gamma": 0.02,
}


def _lut(drive: np.ndarray, curve: np.ndarray) -> np.ndarray:
    """Apply a code-value curve (256 entries, 0..1 codes) to linear drive through 10-bit indices."""
    index = np.minimum((np.sqrt(drive) * 1023), 1023).astype(np.uint16)
    codes = encode((np.arange(1024) / 1023.0) ** 2)
    table = decode(np.clip(np.interp(codes, np.linspace(0, 1, 256), curve), 0, 1)).astype(
        np.float32
    )
    return table[index]


def tone(dice: Dice, screen: Screen, mode: str | None = None) -> None:
    """One tone fault over the whole panel; the mode is drawn when it is not given."""
    mode = mode or dice.weighted(MODES)
    v = np.linspace(0, 1, 256)
    d = screen.drive
    if mode == "inverted":
        d[:] = _lut(d, 1 - v * dice.u(0.85, 1.0))
    elif mode == "solarised":
        turn = dice.u(0.3, 0.7)
        if dice.p(0.5):
            curve = np.where(v < turn, v / turn, (1 - v) / (1 - turn))
        else:
            curve = (v * dice.pick((2, 2, 3, 4))) % 1.0
        d[:] = _lut(d, curve)
    elif mode == "posterised":
        levels = dice.i(2, 5)
        d[:] = _lut(d, np.round(v * (levels - 1) + dice.u(-0.2, 0.2)) / (levels - 1))
    elif mode == "channel_missing":
        k = dice.i(0, 2)
        d[..., k] = 0.0 if dice.p(0.75) else 1.0 if dice.p(0.5) else d[..., k] * 0.15
        screen.truth["channel"] = "rgb"[k]
    elif mode == "channels_swapped":
        d[:] = d[..., list(dice.pick(((1, 0, 2), (2, 1, 0), (0, 2, 1), (1, 2, 0), (2, 0, 1))))]
    elif mode == "cast":
        strong = np.array(
            dice.pick(
                (
                    (1, 0.25, 0.3),
                    (0.3, 1, 0.3),
                    (0.3, 0.35, 1),
                    (1, 0.35, 1),
                    (1, 0.9, 0.25),
                    (0.3, 1, 1),
                )
            ),
            np.float32,
        )
        d *= strong ** np.float32(dice.u(0.5, 1.2))
    elif mode == "washed":
        d[:] = d * dice.u(0.2, 0.5) + dice.u(0.1, 0.35)
    else:
        d[:] = _lut(d, v ** dice.pick((0.35, 0.45, 2.8, 3.5)))
    screen.truth["mode"] = mode
