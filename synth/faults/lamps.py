"""Faults behind the diffuser: dead strips and zones, missing lenses, ageing. Edges are soft."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from synth.dice import Dice
from synth.faults.state import Screen
from synth.fields import filled, grid
from synth.panel import Panel, backlight, spot

MODES = {"strips": 0.27, "zone": 0.17, "spots": 0.26, "corner": 0.15, "edges": 0.15}


def _soft_rect(shape: tuple[int, int], zone: list[float], soft: float, aspect: float) -> np.ndarray:
    x, y = grid(shape)

    def rise(position: np.ndarray, at: float, width: float) -> np.ndarray:
        return 1 / (1 + np.exp(np.clip((at - position) / width * 4, -50, 50)))

    sx, sy = soft / aspect, soft
    fx = rise(x, zone[0], sx) * (1 - rise(x, zone[2], sx))
    fy = rise(y, zone[1], sy) * (1 - rise(y, zone[3], sy))
    return (fx * fy).astype(np.float32)


def zones(dice: Dice, screen: Screen, mode: str | None = None) -> None:
    """Part of the backlight dark or over-bright; the mode is drawn when it is not given."""
    panel: Panel = screen.panel
    mode = mode or dice.weighted(MODES)
    left = dice.lu(0.02, 0.75)
    if mode == "strips" and panel.kind == "edge" and dice.p(0.5):
        # A string of LEDs along the edge: the light plate carries its gap across the screen.
        n = dice.i(3, 8)
        groups = np.ones((1, n), np.float32)
        at = dice.i(0, n - 1)
        wide = dice.pick((1, 1, 2))
        groups[0, at : at + wide] = left
        _lose(dice, screen, panel, groups)
        screen.truth.update(zones=[[round(at / n, 4), 0.0, round(min(at + wide, n) / n, 4), 1.0]])
    elif mode == "strips":
        panel = replace(panel, kind="strips")
        n = panel.strips
        dead = sorted(dice.sample(range(n), min(dice.pick((1, 1, 1, 2, 2, 3)), max(n - 1, 1))))
        drive = np.ones((n, panel.per_strip), np.float32)
        out = []
        part = dice.weighted({"whole": 0.5, "left": 0.2, "right": 0.2, "group": 0.1})
        for k in dead:
            a, b = {
                "whole": (0, panel.per_strip),
                "left": (0, panel.per_strip // 2),
                "right": (panel.per_strip // 2, panel.per_strip),
                "group": (panel.per_strip // 3, 2 * panel.per_strip // 3),
            }[part]
            drive[k, a:b] = left
            out.append(
                [
                    round(a / panel.per_strip, 4),
                    round(k / n, 4),
                    round(b / panel.per_strip, 4),
                    round((k + 1) / n, 4),
                ]
            )
        _lose(dice, screen, panel, drive)
        screen.truth.update(strips=n, dead=[int(k) for k in dead], zones=out)
    elif mode == "zone":
        out = []
        glow = screen.glow
        for _ in range(dice.pick((1, 1, 1, 2, 3))):
            cx, cy, rx, ry = dice.u(0, 1), dice.u(0, 1), dice.u(0.08, 0.35), dice.u(0.12, 0.45)
            zone = [max(cx - rx, 0.0), max(cy - ry, 0.0), min(cx + rx, 1.0), min(cy + ry, 1.0)]
            m = _soft_rect((glow.shape[0], glow.shape[1]), zone, dice.lu(0.04, 0.25), panel.aspect)
            glow *= 1 - (1 - left) * m
            out.append([round(v, 4) for v in zone])
        screen.truth.update(zones=out)
    elif mode == "edges":
        # The plate yellows or its LEDs age from the rim inwards: smooth, on one to four sides.
        glow = screen.glow
        x, y = grid((glow.shape[0], glow.shape[1]))
        far = {"left": x + 0 * y, "right": 1 - x + 0 * y, "top": y + 0 * x, "bottom": 1 - y + 0 * x}
        sides = dice.sample(list(far), dice.pick((1, 2, 3, 4, 4)))
        reach = dice.u(0.06, 0.3)
        rim: dict[str, tuple[float, float, float, float]] = {
            "left": (0, 0, reach, 1),
            "right": (1 - reach, 0, 1, 1),
            "top": (0, 0, 1, reach),
            "bottom": (0, 1 - reach, 1, 1),
        }
        for side in sides:
            glow *= 1 - (1 - left) * np.exp(-((far[side] / reach) ** 2) * dice.u(0.8, 1.6))
        screen.truth.update(zones=[[round(float(v), 4) for v in rim[side]] for side in sides])
    elif mode == "corner":
        glow = screen.glow
        right, bottom = dice.p(0.5), dice.p(0.5)
        rx, ry = dice.u(0.12, 0.45), dice.u(0.15, 0.5)
        zone = [
            1 - rx if right else 0.0,
            1 - ry if bottom else 0.0,
            1.0 if right else rx,
            1.0 if bottom else ry,
        ]
        x, y = grid((glow.shape[0], glow.shape[1]))
        d = np.sqrt(
            (((1.0 if right else 0.0) - x) / rx) ** 2 + (((1.0 if bottom else 0.0) - y) / ry) ** 2
        )
        glow *= 1 - (1 - left) * np.clip(1.3 - d, 0, 1) ** dice.u(0.6, 1.5)
        screen.truth.update(zones=[[round(v, 4) for v in zone]])
    else:
        panel = replace(panel, kind="strips")
        glow = screen.glow
        out = []
        gain, radius = dice.lu(0.4, 2.6), dice.u(0.025, 0.07)
        # the lens spread the light; without it the surroundings get less
        for _ in range(dice.pick((1, 2, 2, 3, 4, 6, 9))):
            cx = (dice.i(0, panel.per_strip - 1) + 0.5) / panel.per_strip
            cy = (dice.i(0, panel.strips - 1) + 0.5) / panel.strips
            spot(glow, cx, cy, radius * 3, -0.12, panel.aspect)
            spot(glow, cx, cy, radius * dice.u(0.85, 1.15), gain, panel.aspect)
            out.append([round(cx, 4), round(cy, 4)])
        screen.truth.update(spots=out)
    screen.truth["mode"] = mode


def _lose(dice: Dice, screen: Screen, panel: Panel, drive: np.ndarray) -> None:
    """Take the light of dead LEDs from the set's own; all else of its glow stays as it is."""
    dead, healthy = (
        backlight(dice.child("glow"), panel, dead=d, ripple=0.0)
        for d in (drive, np.ones_like(drive))
    )
    screen.glow *= dead / np.maximum(healthy, 1e-3)


def glow_no_image(dice: Dice, screen: Screen) -> None:
    """Backlight on, cells undriven: white, grey, bluish or dark, even or uneven."""
    mode = dice.weighted({"white": 0.38, "grey": 0.3, "bluish": 0.16, "dark": 0.16})
    level = {
        "white": dice.u(0.6, 1),
        "grey": dice.u(0.08, 0.5),
        "bluish": dice.u(0.03, 0.5),
        "dark": dice.lu(0.002, 0.03),
    }[mode]
    tint = np.array([1, 1, 1], np.float32)
    if mode == "bluish":
        tint = np.array([dice.u(0.45, 0.85), dice.u(0.6, 0.95), 1.0], np.float32)
    elif dice.p(0.4):
        tint = np.array([dice.u(0.9, 1.0), dice.u(0.93, 1.0), dice.u(0.9, 1.0)], np.float32)
    screen.drive = filled(screen.shape, level * tint, np.float32)
    if dice.p(0.45):
        ripple = dice.u(0.1, 0.9)
        screen.glow = backlight(
            dice.child("glow"),
            replace(screen.panel, kind="strips", spread=dice.u(0.22, 0.45)),
            ripple=ripple,
            swing=dice.u(0.1, 1.2),
        )
    if dice.p(0.35):  # clouding: light leaking at corners and edges, strong on a dark glow
        x, y = grid((screen.glow.shape[0], screen.glow.shape[1]))
        for cx in (0.0, 1.0):
            for cy in (0.0, 1.0):
                amount = dice.u(0, 2.5 if mode == "dark" else 0.4)
                d2 = ((x - cx) / dice.u(0.08, 0.3)) ** 2 + ((y - cy) / dice.u(0.08, 0.3)) ** 2
                screen.glow *= 1 + amount * np.exp(-d2)
    screen.truth["mode"] = mode


def ageing(dice: Dice, screen: Screen) -> None:
    """Mild blue or purple cast along the strips of a tired but working set."""
    if screen.glow.ndim == 2:
        wave = screen.glow / float(screen.glow.mean())
        amount = dice.u(0.0, 0.08)
        screen.glow = np.stack(
            [screen.glow, screen.glow * (1 - amount * 0.5), screen.glow * (1 + amount * wave)], -1
        ).astype(np.float32)
