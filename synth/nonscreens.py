"""Photographs in which no screen can be judged: rooms, pictures, windows, boards, accidents."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from synth import artwork, photos, surfaces
from synth.arrays import Bytes
from synth.body import Body
from synth.canvas import Canvas, picture
from synth.colour import to_linear
from synth.dice import Dice
from synth.fields import fractal, grid, mix
from synth.geometry import Pose
from synth.light import Rig, torch_mirror
from synth.panel import Panel
from synth.scene import Room, background, clutter
from synth.text import hand, paragraph, sentence, write

Picture = Bytes
SCENES = {
    "room": 0.14,
    "framed_picture": 0.16,
    "window": 0.12,
    "board": 0.1,
    "wall": 0.07,
    "finger": 0.06,
    "photo": 0.12,
    "document": 0.07,
    "whiteboard": 0.05,
    "cabinet": 0.05,
    "black": 0.03,
    "fabric": 0.03,
}


def circuit_board(dice: Dice, h: int, w: int) -> Picture:
    """Tracks, pads and parts on green, blue or brown."""
    out = np.empty((h, w, 3), np.uint8)
    ground = np.array(
        dice.pick(((20, 70, 35), (25, 45, 90), (90, 70, 30), (15, 40, 20), (120, 20, 20)))
    )
    out[:] = ground
    for _ in range(dice.i(60, 250)):
        x, y = dice.i(0, w), dice.i(0, h)
        tone = tuple(int(v) for v in np.clip(ground * dice.u(1.1, 1.7) + 10, 0, 255))
        for _ in range(dice.i(1, 4)):
            nx, ny = (
                (x + dice.i(-w // 5, w // 5), y)
                if dice.p(0.5)
                else (x, y + dice.i(-h // 5, h // 5))
            )
            cv2.line(out, (x, y), (nx, ny), tone, max(dice.i(1, w // 250 + 1), 1))
            x, y = nx, ny
    for _ in range(dice.i(40, 220)):
        x, y, a, b = dice.i(0, w), dice.i(0, h), dice.i(2, w // 14), dice.i(2, h // 12)
        tone = dice.pick(
            (
                (20, 20, 22),
                (25, 25, 25),
                (190, 180, 150),
                (200, 200, 205),
                (150, 110, 60),
                (60, 60, 70),
                (30, 60, 140),
            )
        )
        if dice.p(0.8):
            cv2.rectangle(out, (x, y), (x + a, y + b), tone, -1)
            for k in range(0, a, 5):
                cv2.line(out, (x + k, y - 2), (x + k, y), (190, 190, 190), 1)
        else:
            cv2.circle(out, (x, y), a // 2 + 1, tone, -1, cv2.LINE_AA)
            cv2.circle(out, (x, y), a // 4, (150, 150, 150), 1, cv2.LINE_AA)
    return out


def document(dice: Dice, h: int, w: int) -> Picture:
    """A printed page or a label."""
    out = np.full((h, w, 3), dice.i(215, 250), np.uint8)
    style = hand(dice)
    size = h * dice.u(0.018, 0.05)
    write(out, sentence(dice, style, 3), w * 0.1, h * 0.1, size * 1.8, (20, 20, 30), style)
    paragraph(out, dice, style, (w * 0.1, h * 0.15, w * 0.9, h * 0.93), size, (30, 30, 35))
    return out


def _quad(x0: float, y0: float, x1: float, y1: float, z: float) -> NDArray[np.float64]:
    return np.array([[x0, y0, z], [x1, y0, z], [x1, y1, z], [x0, y1, z]])


def _framed(
    dice: Dice, canvas: Canvas, panel: Panel, z: float, image: Picture, *, emission: float = 0.0
) -> None:
    w, h = panel.width_m / 2 * dice.u(0.6, 1.0), panel.height_m / 2 * dice.u(0.6, 1.1)
    rim = dice.u(0.01, 0.08)
    canvas.box(
        np.array([-w - rim, -h - rim, z - 0.01]),
        np.array([w + rim, h + rim, z + 0.02]),
        surfaces.paint_colour(dice, wall=False),
    )
    if dice.p(0.4) and emission == 0:
        m = dice.u(0.02, 0.08)
        canvas.face(
            _quad(-w, -h, w, h, z - 0.012), np.full(3, 0.8, np.float32), np.array([0, 0, -1.0])
        )
        w, h = max(w - m, 0.05), max(h - m, 0.05)
    picture(canvas, _quad(-w, -h, w, h, z - 0.013), image, emission=emission)
    if emission > 0:
        bars = surfaces.paint_colour(dice, wall=False)
        for k in range(1, dice.i(1, 4)):
            x = -w + 2 * w * k / 3
            canvas.box(
                np.array([x - 0.015, -h, z - 0.03]), np.array([x + 0.015, h, z - 0.013]), bars
            )
        if dice.p(0.5):
            y = dice.u(-0.5, 0.5) * h
            canvas.box(
                np.array([-w, y - 0.012, z - 0.03]), np.array([w, y + 0.012, z - 0.013]), bars
            )
    elif dice.p(0.4) and canvas.rig.torch.kind != "none":  # picture glass mirrors the torch too
        v = canvas.view
        box = canvas.roi(v.project(_quad(-w, -h, w, h, z)))
        if box is not None:
            x0, y0, x1, y1 = box
            px, py = np.meshgrid(np.linspace(x0, x1 - 1, 48), np.linspace(y0, y1 - 1, 36))
            lobe = torch_mirror(canvas.rig.torch, panel, v, v.on_plane(px, py, 2, z))
            canvas.image[y0:y1, x0:x1] += (
                cv2.resize(lobe, (x1 - x0, y1 - y0))[..., None] * canvas.rig.torch.colour
            )


def draw_nonscreen(
    dice: Dice, canvas: Canvas, panel: Panel, body: Body, room: Room, pose: Pose
) -> tuple[str, str | None]:
    """Draw one scene without a screen on the canvas. Returns its name and
    the bundled photograph in it, or None.
    """
    kind = dice.weighted(SCENES)
    h, w = canvas.image.shape[:2]
    rig: Rig = canvas.rig
    used = None
    bench = dice.p(0.6)

    def image(ih: int, iw: int) -> Picture:
        nonlocal used
        if dice.p(0.5):
            used = dice.pick(photos.PICTURES)
            return photos.crop(dice, photos.load(used), (ih, iw))
        return artwork.paint(dice, (ih, iw))

    if kind in ("room", "framed_picture", "window", "whiteboard", "cabinet", "board", "document"):
        if bench or kind == "room":
            background(dice, canvas, panel, None, room)
        else:
            canvas.plane(
                2,
                room.wall,
                None,
                surfaces.surface(dice.child("wall"), wall=True),
                np.array([0, 0, -1.0]),
                texture_size=dice.u(0.6, 3),
            )
        z = min(room.wall - 0.02, 0.0) if dice.p(0.5) else room.wall - 0.02
        if kind == "framed_picture":
            _framed(dice, canvas, panel, z, image(300, 480))
        elif kind == "window":
            _framed(
                dice,
                canvas,
                panel,
                z,
                image(240, 400) if dice.p(0.5) else artwork.ridges(dice, 240, 400),
                emission=dice.lu(20, 2500),
            )
        elif kind == "whiteboard":
            _framed(dice, canvas, panel, z, np.full((200, 320, 3), dice.i(200, 250), np.uint8))
        elif kind == "board":
            picture(
                canvas,
                _quad(
                    -panel.width_m * 0.7,
                    -panel.height_m * 0.8,
                    panel.width_m * 0.7,
                    panel.height_m * 0.8,
                    z,
                ),
                circuit_board(dice, 500, 700),
            )
        elif kind == "document":
            picture(
                canvas,
                _quad(
                    -panel.height_m * 0.35,
                    -panel.height_m * 0.5,
                    panel.height_m * 0.35,
                    panel.height_m * 0.5,
                    z,
                ),
                document(dice, 700, 500),
            )
        elif kind == "cabinet":
            colour = surfaces.paint_colour(dice, wall=False)
            ww, hh = panel.width_m / 2, panel.height_m / 2
            canvas.box(
                np.array([-ww, -hh, -0.3 if z > -0.2 else z]),
                np.array([ww, room.bench, z + 0.2]),
                colour * np.float32(0.8),
            )
            n = dice.i(1, 3)
            for k in range(n):
                canvas.face(
                    _quad(
                        -ww + 2 * ww * k / n + 0.02,
                        -hh + 0.03,
                        -ww + 2 * ww * (k + 1) / n - 0.02,
                        room.bench - 0.03,
                        -0.305,
                    ),
                    colour,
                    np.array([0, 0, -1.0]),
                    gloss=0.03,
                )
        if kind != "document" or bench:
            clutter(dice, canvas, panel, None, room)
        return kind, used
    base = rig.on(np.array([[0.0, 0, 0]]), np.array([0, 0, -1.0]))[0] / np.float32(np.pi)
    if kind == "wall":
        canvas.plane(
            2,
            0.0,
            None,
            surfaces.surface(dice, wall=True),
            np.array([0, 0, -1.0]),
            texture_size=dice.u(0.4, 3),
        )
    elif kind == "finger":
        x, y = grid((h, w))
        skin = np.array([0.7, 0.22, 0.14], np.float32) * np.float32(dice.lu(0.3, 3))
        canvas.image[:] = (
            base * skin * (1 + 0.7 * fractal(dice, (h, w), cells=2, octaves=2))[..., None]
        )
        if dice.p(0.5):
            mix(
                canvas.image,
                base * np.float32(0.1),
                np.clip(dice.u(1, 4) * (x * dice.u(-1, 1) + y * dice.u(-1, 1)), 0, 1).astype(
                    np.float32
                )
                * np.ones((h, w), np.float32),
            )
    elif kind == "photo":
        canvas.image[:] = to_linear(image(h, w)) * np.float32(max(float(base.mean()), 0.5) * 2)
    elif kind == "black":
        canvas.image[:] = (
            base
            * np.float32(0.003)
            * (1 + 0.5 * fractal(dice, (h, w), cells=2, octaves=2))[..., None]
        )
    else:
        canvas.plane(
            2,
            0.0,
            None,
            surfaces.cloth(dice, surfaces.paint_colour(dice, wall=False)),
            np.array([0, 0, -1.0]),
            texture_size=dice.u(0.3, 1),
        )
    return kind, used
