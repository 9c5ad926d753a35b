"""The state of one content drawing, and the overlays that sets and channels put on a picture."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from synth import artwork, faces, nature, photos
from synth.arrays import Bytes
from synth.colour import hsv, random_colour
from synth.dice import Dice
from synth.fields import filled
from synth.shapes import grade
from synth.text import Hand, hand, sentence, word, write

Picture = Bytes


class Painter:
    """Draws with one dice and remembers which bundled photograph it used.

    A lifelike painter's pictures are landscapes, faces and photographs whose true colours a viewer
    knows; otherwise they are anything.
    """

    def __init__(self, dice: Dice, shape: tuple[int, int], *, lifelike: bool = False) -> None:
        self.dice = dice
        self.lifelike = lifelike
        self.h, self.w = shape
        self.style: Hand = hand(dice)
        self.photo_name: str | None = None
        self._photo_choice = dice.pick(photos.LIFELIKE if lifelike else photos.PICTURES)

    def picture(self, h: int | None = None, w: int | None = None) -> Picture:
        """A photograph or a procedural picture; one scene shows at most one photograph."""
        shape = (h or self.h, w or self.w)
        if self.dice.p(0.5):
            self.photo_name = self._photo_choice
            return self._photograph(shape)
        if self.lifelike:
            draw = self.dice.pick((nature.scenery, nature.scenery, faces.portrait))
            return artwork.enlarged(draw, self.dice, shape, 640)
        return artwork.paint(self.dice, shape)

    def _photograph(self, shape: tuple[int, int]) -> Picture:
        """The bundled photograph, cropped and graded anew each time it is shown."""
        d, (h, w) = self.dice, shape
        whole = photos.load(self._photo_choice)
        if d.p(0.45):
            ph, pw = whole.shape[:2]
            ch, cw = int(ph * d.u(0.35, 0.9)), int(pw * d.u(0.35, 0.9))
            y, x = d.i(0, ph - ch), d.i(0, pw - cw)
            whole = whole[y : y + ch, x : x + cw]
        scale = min(1.0, 900 / max(shape))
        out = photos.crop(d, whole, (max(int(h * scale), 8), max(int(w * scale), 8)))
        if d.p(0.06):
            out = np.ascontiguousarray(out[::-1])
        if d.p(0.02 if self.lifelike else 0.12):
            out = cv2.cvtColor(out, cv2.COLOR_RGB2GRAY)[..., None].repeat(3, 2)
        if d.p(0.75):
            out = grade(d, out, strength=1.3)
        return np.asarray(cv2.resize(out, (w, h), interpolation=cv2.INTER_CUBIC))

    def flat(self, colour: NDArray | tuple) -> Picture:
        return filled((self.h, self.w), colour, np.uint8)

    # --- overlays -----------------------------------------------------------------
    def menu_box(self, out: Picture, *, full: bool = False) -> None:
        """A settings menu: title, rows, a highlighted one, sliders or values."""
        d, h, w = self.dice, self.h, self.w
        bw, bh = (w, h) if full else (int(w * d.u(0.25, 0.65)), int(h * d.u(0.45, 0.9)))
        x0 = 0 if full else int((w - bw) * d.pick((0.04, 0.5, 0.96, d.u(0, 1))))
        y0 = 0 if full else int((h - bh) * d.u(0.02, 0.98))
        dark = d.p(0.6)
        ground = (
            hsv(d.u(0, 1), d.u(0, 0.8), d.u(0.02, 0.35))
            if dark
            else hsv(d.u(0, 1), d.u(0, 0.2), d.u(0.8, 1))
        )
        ink = (
            hsv(d.u(0, 1), d.u(0, 0.2), d.u(0.85, 1))
            if dark
            else hsv(d.u(0, 1), d.u(0, 0.5), d.u(0, 0.3))
        )
        accent = hsv(d.u(0, 1), d.u(0.3, 0.9), d.u(0.4, 0.9))
        part = out[y0 : y0 + bh, x0 : x0 + bw]
        alpha = 1.0 if full or d.p(0.5) else d.u(0.6, 0.97)
        cover = filled((part.shape[0], part.shape[1]), ground, np.uint8)
        part[:] = cv2.addWeighted(part, 1 - alpha, cover, alpha, 0)
        rows = d.i(4, 13)
        step = bh / (rows + 2.2)
        size = step * d.u(0.42, 0.62)
        pad = bw * d.u(0.04, 0.09)
        write(
            out,
            sentence(d, self.style, d.i(1, 2)),
            x0 + pad,
            y0 + step * 1.15,
            size * 1.35,
            ink,
            self.style,
        )
        if d.p(0.6):
            cv2.line(
                out,
                (int(x0 + pad), int(y0 + step * 1.45)),
                (int(x0 + bw - pad), int(y0 + step * 1.45)),
                tuple(int(c) for c in accent),
                max(int(size / 10), 1),
            )
        chosen = d.i(0, rows - 1)
        sliders, values = d.p(0.5), d.p(0.5)
        bar_x = x0 + bw * d.u(0.55, 0.7)
        for k in range(rows):
            y = y0 + step * (k + 2.3)
            if k == chosen:
                out[
                    int(y - step * 0.68) : int(y + step * 0.3),
                    int(x0 + pad / 2) : int(x0 + bw - pad / 2),
                ] = accent
            room = max(int((bar_x - x0 - pad) / (size * 0.62)), 3) if sliders or values else 60
            write(
                out, sentence(d, self.style, d.i(1, 3))[:room], x0 + pad, y, size, ink, self.style
            )
            if sliders and d.p(0.85):
                end = x0 + bw - pad
                ty0, ty1 = int(y - size * 0.5), int(y - size * 0.15) + 1
                out[ty0:ty1, int(bar_x) : int(end)] = (ground * 0.5 + ink * 0.5).astype(np.uint8)
                out[ty0:ty1, int(bar_x) : int(bar_x + (end - bar_x) * d.u(0, 1))] = ink
            elif values:
                write(out, word(d, self.style), bar_x, y, size, ink, self.style)

    def subtitle(self, out: Picture) -> None:
        d = self.dice
        size = self.h * d.u(0.035, 0.065)
        ink = d.pick((np.array([250, 250, 250]), np.array([250, 235, 60])))
        text = sentence(d, self.style, d.i(3, 7))
        x, y = self.w * d.u(0.12, 0.3), self.h * d.u(0.86, 0.95)
        for dx, dy in ((-1, 0), (1, 0), (0, -1), (0, 1)):
            write(out, text, x + dx * size / 14, y + dy * size / 14, size, (0, 0, 0), self.style)
        write(out, text, x, y, size, ink, self.style)

    def banner(self, out: Picture) -> None:
        d = self.dice
        y0 = int(self.h * d.u(0.8, 0.9))
        y1 = int(min(y0 + self.h * d.u(0.06, 0.12), self.h))
        out[y0:y1] = hsv(d.u(0, 1), d.u(0.2, 1), d.u(0.15, 0.6))
        head = int(self.w * d.u(0, 0.2))
        out[y0:y1, :head] = random_colour(d, vivid=0.9)
        write(
            out,
            sentence(d, self.style, 14),
            head + 8,
            y1 - (y1 - y0) * 0.3,
            (y1 - y0) * 0.55,
            (245, 245, 245),
            self.style,
        )

    def badge(self, out: Picture) -> None:
        """A channel mark or a clock in a corner."""
        d = self.dice
        size = self.h * d.u(0.025, 0.06)
        x, y = d.pick((0.04, 0.82)) * self.w, d.pick((0.09, 0.95)) * self.h
        write(
            out,
            word(d, self.style) if d.p(0.5) else f"{d.i(0, 23)}:{d.i(0, 59):02d}",
            x,
            y,
            size,
            (235, 235, 235),
            self.style,
        )
