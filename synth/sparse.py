"""Screens with little on them: blank pages, line drawings, one figure on black."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from synth.colour import hsv, random_colour
from synth.fields import fractal, grid
from synth.painter import Painter, Picture
from synth.shapes import box, ink_on, rgb
from synth.text import sentence, word, write

_PRIMARY = ((1, 0, 0), (0, 1, 0), (0, 0, 1), (1, 1, 0), (1, 0, 1), (0, 1, 1))


def bare(p: Painter) -> Picture:
    """A white or grey page with nothing on it, at most the pointer: what lights are judged by."""
    d = p.dice
    level = 255 if d.p(0.6) else d.i(60, 250)
    out = p.flat((level, level, level))
    if d.p(0.15):
        _cursor(
            out,
            p.w * d.u(0.03, 0.9),
            p.h * d.u(0.05, 0.9),
            p.h * d.u(0.02, 0.05),
            ink_on(out[0, 0]),
        )
    return out


def blank(p: Painter) -> Picture:
    """A solid page with at most a small word, cursor or bar on it; mostly white and greys."""
    d = p.dice
    kind = d.weighted({"white": 0.3, "light": 0.2, "grey": 0.15, "primary": 0.2, "logo": 0.15})
    if kind == "white":
        out = p.flat((255, 255, 255))
    elif kind == "light":
        out = p.flat(hsv(d.u(0, 1), d.pick((0.0, d.u(0, 0.12))), d.u(0.8, 0.98)))
    elif kind == "grey":
        out = p.flat(hsv(d.u(0, 1), d.pick((0.0, d.u(0, 0.1))), d.u(0.3, 0.75)))
    elif kind == "primary":
        out = p.flat(np.array(d.pick(_PRIMARY)) * d.pick((255, 255, d.i(150, 255))))
    else:
        out = p.flat((0, 0, 0))
        _logo(p, out)
        return out
    extra = d.weighted({"none": 0.35, "word": 0.2, "cursor": 0.15, "bar": 0.2, "edge": 0.1})
    ink = ink_on(out[0, 0])
    x, y = p.w * d.u(0.03, 0.8), p.h * d.u(0.06, 0.95)
    size = min(p.h, p.w) * d.u(0.02, 0.06)
    if extra == "word":
        write(out, sentence(d, p.style, d.i(1, 3)), x, y, size, ink, p.style)
    elif extra == "cursor":
        _cursor(out, x, y, size, ink)
    elif extra == "bar":
        tall = p.h * d.u(0.02, 0.08)
        top = 0 if d.p(0.5) else p.h - tall
        box(out, 0, top, p.w, top + tall, random_colour(d, vivid=0.3))
        write(out, word(d, p.style), p.w * 0.02, top + tall * 0.75, tall * 0.6, ink, p.style)
    elif extra == "edge":
        box(out, 0, 0, p.w * d.u(0.1, 0.3), p.h, hsv(d.u(0, 1), d.u(0, 0.6), d.u(0.05, 0.4)))
    return out


def _cursor(out: Picture, x: float, y: float, size: float, ink: NDArray) -> None:
    arrow = np.array(
        [(0, 0), (0, 1), (0.24, 0.78), (0.42, 1.15), (0.56, 1.08), (0.4, 0.72), (0.7, 0.7)]
    )
    cv2.fillPoly(out, [np.rint(arrow * size + (x, y)).astype(np.int32)], rgb(ink), cv2.LINE_AA)


def _logo(p: Painter, out: Picture) -> None:
    """An invented mark and word in the middle of a black page."""
    d = p.dice
    size = min(p.h, p.w) * d.u(0.04, 0.16)
    cx, cy = p.w // 2, int(p.h * d.u(0.35, 0.6))
    colour = d.pick((np.full(3, 235), random_colour(d, vivid=1.0)))
    if d.p(0.6):
        for k in range(d.i(1, 3)):
            start = d.u(0, 360)
            r = int(size * (1 - 0.28 * k))
            cv2.ellipse(
                out,
                (cx, cy),
                (r, r),
                start,
                0,
                d.u(120, 360),
                rgb(colour),
                max(r // 6, 2),
                cv2.LINE_AA,
            )
        cy += int(size * 1.9)
    if d.p(0.7):
        text = word(d, p.style, syllables=(2, 3))
        write(out, text, cx - size * 0.28 * len(text), cy, size * 0.8, colour, p.style)


# --- drawings -------------------------------------------------------------------------
def _solid(name: str, n: int) -> tuple[NDArray, list[tuple[int, int]]]:
    """Corners (N, 3) and edges of a wire figure."""
    if name == "box":
        pts = np.array([(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], float)
        edges = [(a, b) for a in range(8) for b in range(a) if bin(a ^ b).count("1") == 1]
        return pts, edges
    if name == "cone":
        ring = np.linspace(0, 2 * np.pi, n, endpoint=False)
        pts = np.stack([np.cos(ring), np.full(n, 0.8), np.sin(ring)], 1)
        pts = np.concatenate([pts, [(0.0, -1.0, 0.0)]])
        return pts, [(k, (k + 1) % n) for k in range(n)] + [(k, n) for k in range(n)]
    u, v = np.meshgrid(np.arange(n), np.arange(n), indexing="ij")
    a, b = 2 * np.pi * u / n, (np.pi if name == "ball" else 2 * np.pi) * v / n
    if name == "ball":
        pts = np.stack([np.sin(b) * np.cos(a), np.cos(b), np.sin(b) * np.sin(a)], -1)
    else:
        r = 0.75 + 0.35 * np.cos(b)
        pts = np.stack([r * np.cos(a), 0.35 * np.sin(b), r * np.sin(a)], -1)
    edges = [(k * n + j, ((k + 1) % n) * n + j) for k in range(n) for j in range(n)]
    edges += [(k * n + j, k * n + (j + 1) % n) for k in range(n) for j in range(n - 1)]
    return pts.reshape(-1, 3), edges


def _wire(p: Painter, out: Picture, colours: list[NDArray], thick: int) -> None:
    d = p.dice
    name = d.pick(("box", "box", "cone", "ball", "torus"))
    pts, edges = _solid(name, d.i(4, 16))
    a, b = d.u(0, 6.3), d.u(-0.9, 0.9)
    ry = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    rx = np.array([[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]])
    q = pts @ ry.T @ rx.T
    scale = min(p.h, p.w) * d.u(0.12, 0.42)
    centre = np.array([p.w * d.u(0.35, 0.65), p.h * d.u(0.4, 0.6)])
    flat = q[:, :2] / (1 + 0.2 * q[:, 2:3]) * scale / 1.3 + centre
    for k, (i, j) in enumerate(edges):
        u, v = flat[i].astype(int).tolist(), flat[j].astype(int).tolist()
        cv2.line(out, u, v, rgb(colours[k % len(colours)]), thick, cv2.LINE_AA)


def drawing(p: Painter) -> Picture:
    """A few thin lines, rings, curves or a wire figure on black, white or a plain colour."""
    d = p.dice
    ground = d.pick((np.zeros(3), np.zeros(3), np.full(3, 255), hsv(d.u(0, 1), d.u(0.3, 1), 0.3)))
    out = p.flat(ground)
    ink = ink_on(ground)
    colours: list[NDArray] = (
        [ink] if d.p(0.5) else [hsv(d.u(0, 1), d.u(0.6, 1), 0.95) for _ in range(3)]
    )
    thick = max(int(min(p.h, p.w) * d.lu(0.002, 0.012)), 1)
    kind = d.weighted({"wire": 1.2, "rings": 0.8, "lines": 0.8, "curve": 0.8, "shapes": 0.8})
    if kind == "wire":
        for _ in range(d.pick((1, 1, 2))):
            _wire(p, out, colours, thick)
    elif kind == "rings":
        c = (int(p.w * d.u(0.3, 0.7)), int(p.h * d.u(0.4, 0.6)))
        n, full = d.i(1, 8), min(p.h, p.w) * d.u(0.2, 0.48)
        bold = max(int(full / n * d.u(0.1, 0.8)), 1)
        for k in range(n):
            r = int(full * (k + 1) / n)
            cv2.circle(out, c, r, rgb(colours[k % len(colours)]), bold, cv2.LINE_AA)
    elif kind == "lines":
        for k in range(d.i(2, 14)):
            a = (d.i(0, p.w), d.i(0, p.h))
            b = (d.i(0, p.w), d.i(0, p.h))
            cv2.line(out, a, b, rgb(colours[k % len(colours)]), thick, cv2.LINE_AA)
    elif kind == "curve":
        t = np.linspace(0, 2 * np.pi, 800)
        m, n = d.i(1, 7), d.i(1, 7)
        x = p.w * (0.5 + d.u(0.15, 0.45) * np.sin(m * t + d.u(0, 6)))
        y = p.h * (0.5 + d.u(0.15, 0.45) * np.sin(n * t))
        pts = np.stack([x, y], 1).astype(np.int32)
        cv2.polylines(out, [pts], False, rgb(colours[0]), thick, cv2.LINE_AA)
    else:
        for k in range(d.i(1, 6)):
            c = (d.i(p.w // 6, p.w * 5 // 6), d.i(p.h // 6, p.h * 5 // 6))
            n, reach = d.i(3, 8), min(p.h, p.w) * d.u(0.04, 0.25)
            turn = d.u(0, 6.3) + np.arange(n) * 2 * np.pi / n
            pts = np.rint(np.stack([np.cos(turn), np.sin(turn)], 1) * reach + c).astype(np.int32)
            tone = rgb(colours[k % len(colours)])
            if d.p(0.4):
                cv2.fillPoly(out, [pts], tone, cv2.LINE_AA)
            else:
                cv2.polylines(out, [pts], True, tone, thick, cv2.LINE_AA)
    if d.p(0.25):
        p.badge(out)
    return out


# --- one figure -----------------------------------------------------------------------
def figure(p: Painter) -> Picture:
    """One bright figure or moon over a large black ground, within a grey surround perhaps."""
    d = p.dice
    out = p.flat(d.pick(((0, 0, 0), (0, 0, 0), (8, 8, 14), (0, 0, 30))))
    if d.p(0.4):
        _moon(p, out)
    else:
        _shadow_figure(p, out)
    if d.p(0.3):
        tone = hsv(d.u(0, 1), 0.0, d.u(0.2, 0.6))
        side = p.w * d.u(0.04, 0.16)
        box(out, 0, 0, side, p.h, tone)
        box(out, p.w - side, 0, p.w, p.h, tone)
    return out


def _moon(p: Painter, out: Picture) -> None:
    d = p.dice
    r = int(min(p.h, p.w) * d.u(0.05, 0.22))
    cx, cy = int(p.w * d.u(0.25, 0.75)), int(p.h * d.u(0.2, 0.6))
    x, y = grid((2 * r, 2 * r))
    dx, dy = 2 * x - 1, 2 * y - 1
    z = np.sqrt(np.clip(1 - dx * dx - dy * dy, 0, 1))
    side = d.u(-0.9, 0.9)
    light = np.clip(side * dx + 0.2 * dy + 0.75 * z, 0, 1) * np.clip(z * 8, 0, 1)
    skin = 0.75 + 0.3 * fractal(d, (2 * r, 2 * r), cells=5, octaves=5, gain=0.6)
    tone = hsv(d.u(0, 1), d.pick((0.0, 0.1, 0.6)), 1.0).astype(np.float32)
    ball = np.clip((light * skin * d.u(1.0, 1.7))[..., None] * tone, 0, 255).astype(np.uint8)
    y0, x0 = max(cy - r, 0), max(cx - r, 0)
    y1, x1 = min(cy + r, p.h), min(cx + r, p.w)
    out[y0:y1, x0:x1] = ball[y0 - cy + r : y1 - cy + r, x0 - cx + r : x1 - cx + r]
    if d.p(0.5):
        line = int(p.h * d.u(0.6, 0.8))
        land = fractal(d, ((p.h - line) // 2 + 1, p.w // 2 + 1), cells=14, octaves=5, gain=0.7)
        relief = cv2.Sobel(land, cv2.CV_32F, 1, 1, ksize=3)
        land = np.clip(0.4 + 0.25 * land + 1.2 * relief, 0, 1) * d.u(100, 220)
        soil = cv2.resize(land.astype(np.uint8), (p.w, p.h - line))
        out[line:] = soil[..., None]


def _shadow_figure(p: Painter, out: Picture) -> None:
    """A small blob-limbed being, all of one or a few bright colours."""
    d = p.dice
    tall = min(p.h, p.w) * d.u(0.15, 0.5)
    cx, cy = p.w * d.u(0.3, 0.7), p.h * d.u(0.35, 0.65)
    colours = [np.full(3, d.i(220, 255))]
    if d.p(0.5):
        colours = [hsv(d.u(0, 1), d.u(0.2, 1), d.u(0.75, 1)) for _ in range(4)]
    joints = [np.array([cx, cy])]
    for k in range(d.i(5, 14)):
        a = joints[d.i(0, len(joints) - 1)]
        turn, reach = d.u(0, 6.3), tall * d.u(0.15, 0.5)
        b = a + reach * np.array([np.cos(turn), np.sin(turn)])
        joints.append(b)
        bold = max(int(tall * d.lu(0.03, 0.22)), 2)
        tone = rgb(colours[k % len(colours)])
        cv2.line(out, a.astype(int).tolist(), b.astype(int).tolist(), tone, bold, cv2.LINE_AA)
    cv2.circle(
        out,
        joints[-1].astype(int).tolist(),
        int(tall * d.u(0.08, 0.2)),
        rgb(colours[0]),
        -1,
        cv2.LINE_AA,
    )
