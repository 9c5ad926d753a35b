"""Outline and findings drawn on the photo, for a phone's screen and for every eye.

Each mark is told apart three ways: by its pattern, by a numbered label and by colour
(the eight-colour set of M. Okabe and K. Ito, "Color universal design", 2008, which
colour-blind people can tell apart), every stroke on a dark halo so that it shows on
any picture.
"""

from dataclasses import replace

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from panelvision.arrays import FloatArray, IntArray
from panelvision.geometry import project, unit_square_to
from panelvision.marks import Finding, Mark
from panelvision.photo import Photo
from panelvision.squareup import Outline

Colour = tuple[int, int, int]

# Okabe and Ito (2008), without black and without the blue that is too dark on a dark screen.
PALETTE: dict[str, Colour] = {
    "orange": (230, 159, 0),
    "sky": (86, 180, 233),
    "green": (0, 158, 115),
    "yellow": (240, 228, 66),
    "vermilion": (213, 94, 0),
    "purple": (204, 121, 167),
}
_KIND_COLOUR = {
    "half": "orange",
    "band": "yellow",
    "line": "sky",
    "rows": "purple",
    "zone": "green",
    "spot": "green",
    "colour": "vermilion",
    "blocks": "vermilion",
    "crack": "vermilion",
    "faint": "sky",
}
_HALO: Colour = (12, 12, 12)
_WHITE: Colour = (255, 255, 255)
# A phone is about 390 CSS pixels wide; there a stroke of 2 and letters of 13 pixels can
# be read (common practice, no source). Everything scales with the picture's width.
_PHONE = 390.0
_STROKE, _LETTERS = 1.6, 13.0
# chosen: more marks than this hide the picture.
_MOST = 9


def draw_overlay(
    photo: Photo,
    outline: Outline | None,
    findings: tuple[Finding, ...],
    *,
    width: int = 1280,
) -> IntArray:
    """The photo with its outline and findings, uint8 RGB, at most ``width`` pixels wide.

    Without an outline the marks have no place and the photo is returned as it is.
    """
    scale = min(1.0, width / photo.width)
    size = (max(1, round(photo.width * scale)), max(1, round(photo.height * scale)))
    pixels = (
        photo.pixels if photo.pixels.dtype == np.uint8 else (photo.pixels >> 8).astype(np.uint8)
    )
    picture = np.asarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    if outline is None:
        return picture
    # Pixel centres: the photo's (x + 0.5) * scale - 0.5.
    corners = (outline.corners + 0.5) * scale - 0.5
    return _draw(picture, corners, findings)


def _draw(picture: IntArray, corners: FloatArray, findings: tuple[Finding, ...]) -> IntArray:
    image = Image.fromarray(np.ascontiguousarray(picture))
    pen = _Pen(image, corners)
    pen.outline()
    # Numbered as the sentences are, of which some have no place.
    marked = [(n, f.mark, f.kind) for n, f in enumerate(findings, 1) if f.mark is not None][:_MOST]
    for _, mark, kind in marked:
        for box in (*mark.more, mark.box):
            pen.mark(replace(mark, box=box), PALETTE[_KIND_COLOUR.get(kind, "yellow")])
    # Labels last, so that no mark crosses a word.
    for number, mark, kind in marked:
        pen.label(mark, f"{number} {mark.label}", _KIND_COLOUR.get(kind, "yellow"))
    return np.asarray(image).copy()


class _Pen:
    """Draws in fractions of the active area on a picture."""

    def __init__(self, image: Image.Image, corners: FloatArray) -> None:
        self._canvas = ImageDraw.Draw(image)
        self._size = image.size
        self._to_picture = unit_square_to(corners)
        unit = image.size[0] / _PHONE
        self._stroke = max(1.5, _STROKE * unit)
        self._font = ImageFont.load_default(size=max(11.0, _LETTERS * unit))
        self._taken: list[tuple[float, float, float, float]] = []

    def _at(self, points: FloatArray) -> list[tuple[float, float]]:
        return [
            (float(x), float(y)) for x, y in project(self._to_picture, np.asarray(points, float))
        ]

    def _line(self, points: FloatArray, colour: Colour, *, wide: float = 1.0) -> None:
        path = self._at(points)
        self._canvas.line(path, fill=_HALO, width=round(self._stroke * wide * 2.4), joint="curve")
        self._canvas.line(
            path, fill=colour, width=max(1, round(self._stroke * wide)), joint="curve"
        )

    def _dashed(self, start: FloatArray, end: FloatArray, colour: Colour, *, dash: float) -> None:
        """Dashes of ``dash`` strokes between two points given as fractions."""
        a, b = (np.array(p) for p in self._at(np.array([start, end])))
        length = float(np.hypot(*(b - a)))
        step = max(dash * self._stroke, 3.0)
        for k in range(max(1, int(length / (2 * step)))):
            p, q = (
                a + (b - a) * (2 * k * step / length),
                a + (b - a) * min(1.0, (2 * k + 1) * step / length),
            )
            path = [tuple(map(float, p)), tuple(map(float, q))]
            self._canvas.line(path, fill=_HALO, width=round(self._stroke * 2.4))
            self._canvas.line(path, fill=colour, width=max(1, round(self._stroke)))

    def outline(self) -> None:
        """The active area's border: white dashes with round corners' dots."""
        square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=float)
        for a, b in zip(square, np.roll(square, -1, axis=0), strict=True):
            self._dashed(a, b, _WHITE, dash=5)
        r = self._stroke * 2
        for x, y in self._at(square):
            self._canvas.ellipse((x - r, y - r, x + r, y + r), fill=_WHITE, outline=_HALO)

    def mark(self, mark: Mark, colour: Colour) -> None:
        """One mark in its pattern."""
        x0, y0, x1, y1 = mark.box
        if mark.shape == "band":
            self._hatch(mark.box, colour)
            ring = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1], [x0, y0]])
            self._line(ring, colour)
        elif mark.shape == "line":
            self._pointers(mark.box, colour)
        elif mark.shape == "zone":
            self._ring(mark.box, colour, corner=0.25, dotted=True)
        elif mark.shape == "spot":
            self._ring(mark.box, colour, corner=1.0, dotted=False)
        else:
            self._star((x0 + x1) / 2, (y0 + y1) / 2, colour)

    def _hatch(self, box: tuple[float, float, float, float], colour: Colour) -> None:
        """Wide-spaced slanted lines: rising for upright bands, falling for level ones."""
        x0, y0, x1, y1 = box
        upright = (x1 - x0) <= (y1 - y0)
        aspect = 16 / 9
        step = 0.09
        w, h = (x1 - x0) * aspect, y1 - y0
        count = int((w + h) / step) + 1
        for k in range(1, count):
            c = k * step
            # The line u + v = c inside the box [0, w] x [0, h].
            u0, u1 = max(0.0, c - h), min(w, c)
            if u1 <= u0:
                continue
            v0, v1 = c - u0, c - u1
            if not upright:
                v0, v1 = h - v0, h - v1
            points = np.array(
                [[x0 + u0 / aspect, y0 + v0], [x0 + u1 / aspect, y0 + v1]], dtype=float
            )
            path = self._at(points)
            self._canvas.line(path, fill=_HALO, width=max(2, round(self._stroke * 1.3)))
            self._canvas.line(path, fill=colour, width=max(1, round(self._stroke * 0.6)))

    def _pointers(self, box: tuple[float, float, float, float], colour: Colour) -> None:
        """Arrow heads at the line's ends and ticks beside it; the line itself stays visible."""
        x0, y0, x1, y1 = box
        ends = (
            np.array([[(x0 + x1) / 2, y0], [(x0 + x1) / 2, y1]])
            if (y1 - y0) >= (x1 - x0)
            else np.array([[x0, (y0 + y1) / 2], [x1, (y0 + y1) / 2]])
        )
        a, b = (np.array(p) for p in self._at(ends))
        along = (b - a) / max(float(np.hypot(*(b - a))), 1e-6)
        side = np.array([-along[1], along[0]])
        s = self._stroke
        for tip, back in ((a, along), (b, -along)):
            base = tip - back * 0.0
            triangle = [base + back * 9 * s, base + side * 4 * s, base - side * 4 * s]
            self._canvas.polygon(
                [tuple(map(float, p)) for p in triangle], fill=colour, outline=_HALO
            )
        gap = 4.0 * s
        for direction in (side, -side):
            p, q = a + direction * gap, b + direction * gap
            length = float(np.hypot(*(q - p)))
            step = 4 * s
            for k in range(int(length / (2.5 * step))):
                u, v = p + along * 2.5 * step * k, p + along * (2.5 * step * k + step)
                path = [tuple(map(float, u)), tuple(map(float, v))]
                self._canvas.line(path, fill=_HALO, width=round(s * 2.2))
                self._canvas.line(path, fill=colour, width=max(1, round(s)))

    def _ring(
        self, box: tuple[float, float, float, float], colour: Colour, *, corner: float, dotted: bool
    ) -> None:
        x0, y0, x1, y1 = box
        t = np.linspace(0, 2 * np.pi, 97)
        # A superellipse: exponent 2 is an ellipse, larger ones a rounded box.
        power = 2.0 / (2.0 if corner >= 1 else 5.0)
        c, s = np.cos(t), np.sin(t)
        x = (x0 + x1) / 2 + (x1 - x0) / 2 * np.sign(c) * np.abs(c) ** power
        y = (y0 + y1) / 2 + (y1 - y0) / 2 * np.sign(s) * np.abs(s) ** power
        points = np.stack([x, y], axis=1)
        if not dotted:
            self._line(points, colour)
            return
        r = self._stroke * 1.1
        path = np.array(self._at(points))
        travelled = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
        for d in np.arange(0, travelled[-1], 6 * r):
            px, py = (float(np.interp(d, travelled, path[:, k])) for k in (0, 1))
            self._canvas.ellipse(
                (px - 1.6 * r, py - 1.6 * r, px + 1.6 * r, py + 1.6 * r), fill=_HALO
            )
            self._canvas.ellipse((px - r, py - r, px + r, py + r), fill=colour)

    def _star(self, x: float, y: float, colour: Colour) -> None:
        for angle in np.arange(0, np.pi, np.pi / 4):
            dx, dy = 0.05 * np.cos(angle), 0.05 * np.sin(angle) * 16 / 9
            self._line(np.array([[x - dx, y - dy], [x + dx, y + dy]]), colour)

    def label(self, mark: Mark, text: str, colour: str) -> None:
        """A plate with dark letters beside the mark, moved until it covers no other plate."""
        x0, y0, x1, y1 = mark.box
        (px, py), (_, low) = self._at(np.array([[(x0 + x1) / 2, (y0 + y1) / 2], [x0, y1]]))
        left, top, right, bottom = self._canvas.textbbox((0, 0), text, font=self._font)
        pad = self._stroke * 2.5
        w, h = right - left + 2 * pad, bottom - top + 2 * pad
        if mark.shape == "spot":  # small: the plate would hide it
            py = low + h / 2 + pad
        # Room to try: the middle, then up and down in steps of one plate.
        for k in range(13):
            dy = (k + 1) // 2 * (h + pad) * (1 if k % 2 else -1)
            bx = min(max(px - w / 2, 0.0), max(self._size[0] - w, 0.0))
            by = min(max(py - h / 2 + dy, 0.0), max(self._size[1] - h, 0.0))
            plate = (bx, by, bx + w, by + h)
            if not any(_overlap(plate, other) for other in self._taken):
                break
        self._taken.append(plate)
        self._canvas.rounded_rectangle(
            plate,
            radius=pad,
            fill=PALETTE[colour],
            outline=_HALO,
            width=max(1, round(self._stroke)),
        )
        self._canvas.text((bx + pad - left, by + pad - top), text, font=self._font, fill=_HALO)


def _overlap(a: tuple[float, float, float, float], b: tuple[float, float, float, float]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
