"""Photographs in which no screen can be judged: rooms, pictures, windows, boards, accidents."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from synth import (
    artwork,
    closeups,
    content,
    household,
    matter,
    outdoors,
    photos,
    sketch,
    surfaces,
)
from synth.arrays import Bytes
from synth.body import Body
from synth.canvas import Canvas, picture
from synth.colour import to_linear
from synth.dice import Dice
from synth.fields import fractal, grid, polygon
from synth.geometry import Pose
from synth.light import torch_mirror
from synth.panel import Panel
from synth.scene import Room, background, clutter, uneven_light
from synth.text import hand, paragraph, sentence, write

Picture = Bytes
SCENES = {
    "view": 0.09,
    "things": 0.1,
    "closeup": 0.11,
    "covered": 0.04,
    "room": 0.1,
    "framed_picture": 0.2,
    "window": 0.18,
    "board": 0.04,
    "photo": 0.02,
    "document": 0.03,
    "whiteboard": 0.02,
    "cabinet": 0.03,
    "dark_glass": 0.03,
    "black": 0.01,
}
#: Content of screens that also hangs in frames and shows through panes.
_SHOWN = ("ramp", "plain", "stripes", "photo", "night", "scenery", "figure", "dots", "split")


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


def whiteboard(dice: Dice, h: int, w: int) -> Picture:
    """A board with writing and boxes by felt pen, badly wiped."""
    out = np.full((h, w, 3), dice.i(205, 245), np.uint8)
    smear = fractal(dice, (h, w), cells=4, octaves=4) * dice.u(0, 14)
    out = np.clip(out + smear[..., None], 0, 255).astype(np.uint8)
    style = hand(dice)
    for _ in range(dice.i(0, 14)):
        ink = dice.pick(((20, 25, 40), (25, 50, 130), (150, 30, 30), (25, 100, 55)))
        x, y, size = dice.u(0, 0.8) * w, dice.u(0.1, 0.95) * h, h * dice.u(0.04, 0.12)
        if dice.p(0.7):
            write(out, sentence(dice, style, dice.i(1, 4)), x, y, size, ink, style)
        else:
            pts = np.cumsum(np.array([[x, y], *(dice.normal((5, 2)) * h * 0.1)]), 0)
            cv2.polylines(out, [pts.astype(np.int32)], dice.p(0.5), ink, 2, cv2.LINE_AA)
    return out


def artful(dice: Dice, h: int, w: int) -> tuple[Picture, str | None]:
    """What hangs in frames and on walls; the picture and the bundled photograph it is, if any."""
    kind = dice.weighted(
        {"photo": 0.2, "art": 0.33, "view": 0.18, "things": 0.09, "closeup": 0.05, "dark": 0.05,
         "shown": 0.1}
    )  # fmt: skip
    if kind == "photo":
        name = dice.pick(photos.PICTURES)
        return photos.crop(dice, photos.load(name), (h, w)), name
    if kind == "art":
        return artwork.paint(dice, (h, w)), None
    if kind == "dark":
        image = artwork.paint(dice, (h, w))
        return (image * dice.u(0.05, 0.3)).astype(np.uint8), None
    if kind == "shown":
        return shown(dice, h, w)
    make = {"view": outdoors.view, "things": household.things, "closeup": closeups.close}[kind]
    return make(dice, h, w), None


def shown(dice: Dice, h: int, w: int) -> tuple[Picture, str | None]:
    """What a screen might show, on paper or behind a pane; as :func:`artful` gives it."""
    painted = content.render(dice, (h, w), kind=dice.pick(_SHOWN))
    return painted.picture, painted.photo


def _quad(x0: float, y0: float, x1: float, y1: float, z: float) -> NDArray[np.float64]:
    return np.array([[x0, y0, z], [x1, y0, z], [x1, y1, z], [x0, y1, z]])


def _frame_colour(dice: Dice) -> NDArray[np.float32]:
    kind = dice.weighted({"wood": 0.4, "black": 0.25, "white": 0.15, "gold": 0.08, "any": 0.12})
    if kind == "wood":
        return matter.wood_colour(dice)
    if kind == "any":
        return surfaces.paint_colour(dice, wall=False)
    tone = {"black": (0.02, 0.02, 0.02), "white": (0.75, 0.74, 0.7), "gold": (0.35, 0.22, 0.07)}
    return np.array(tone[kind], np.float32) * np.float32(dice.u(0.7, 1.2))


def _glass(canvas: Canvas, panel: Panel, quad: NDArray[np.float64], gain: float = 1.0) -> None:
    """What a glossy flat front mirrors of the torch, `gain` times as strong as a screen does."""
    if canvas.rig.torch.kind == "none":
        return
    v = canvas.view
    pts = v.project(quad)
    box = canvas.roi(pts)
    if box is None:
        return
    x0, y0, x1, y1 = box
    px, py = np.meshgrid(np.linspace(x0, x1 - 1, 48), np.linspace(y0, y1 - 1, 36))
    z = float(quad[:, 2].mean())
    lobe = torch_mirror(canvas.rig.torch, panel, v, v.on_plane(px, py, 2, z))
    inside = polygon((y1 - y0, x1 - x0), pts - (x0, y0)) * np.float32(gain)
    shine = cv2.resize(lobe, (x1 - x0, y1 - y0)) * inside
    canvas.image[y0:y1, x0:x1] += shine[..., None] * canvas.rig.torch.colour


def _place(dice: Dice, panel: Panel) -> tuple[float, float, float, float]:
    """Centre and half sizes of something on the wall: about as big as the set, or small."""
    w, h = panel.width_m / 2 * dice.u(0.6, 1.0), panel.height_m / 2 * dice.u(0.6, 1.1)
    if dice.p(0.5):
        k = dice.u(0.3, 0.7) if dice.p(0.5) else dice.u(1.0, 1.4)
        w, h = w * k, h * k
    if dice.p(0.2):
        w, h = min(w, h * 0.75), h
    return dice.n(0, 0.1) * panel.width_m, dice.n(-0.05, 0.08) * panel.height_m, w, h


def _framed(
    dice: Dice, canvas: Canvas, panel: Panel, z: float, image: Picture, *, poster: bool = False
) -> None:
    """A picture with frame and mount, or a poster or glossy print without either."""
    cx, cy, w, h = _place(dice, panel)
    if not poster:
        rim = dice.u(0.01, 0.06) * (w + h)
        colour = _frame_colour(dice)
        low, high = np.array([cx - w - rim, cy - h - rim, z - 0.01]), np.array(
            [cx + w + rim, cy + h + rim, z + 0.02]
        )  # fmt: skip
        canvas.box(low, high, colour, gloss=dice.u(0, 0.03))
        inner = rim * dice.u(0.1, 0.5)
        lip = _quad(cx - w - inner, cy - h - inner, cx + w + inner, cy + h + inner, z - 0.011)
        canvas.face(lip, colour * np.float32(dice.u(0.4, 1.5)), np.array([0, 0, -1.0]))
        if dice.p(0.45):
            mount = np.float32(0.75) if dice.p(0.8) else surfaces.natural(dice)
            sheet = _quad(cx - w, cy - h, cx + w, cy + h, z - 0.012)
            canvas.face(sheet, np.ones(3, np.float32) * mount, np.array([0, 0, -1.0]))
            m = dice.u(0.06, 0.3) * min(w, h)
            w, h = w - m, h - m
    quad = _quad(cx - w, cy - h, cx + w, cy + h, z - 0.013)
    picture(canvas, quad, image)
    if dice.p(0.45):  # picture glass and glossy prints mirror the torch too
        _glass(canvas, panel, quad, dice.u(0.3, 1.0))


def _window(dice: Dice, canvas: Canvas, panel: Panel, z: float, image: Picture) -> None:
    """A window or a glazed door with jambs, sill, bars and sometimes curtains; day or night."""
    cx, cy, w, h = _place(dice, panel)
    if dice.p(0.25):  # a door
        w, h = min(w, h) * 0.8, h * 1.4
    colour = _frame_colour(dice)
    rim = dice.lu(0.012, 0.1)
    canvas.box(
        np.array([cx - w - rim, cy - h - rim, z - 0.02]),
        np.array([cx + w + rim, cy + h + rim, z + 0.02]),
        colour,
    )
    night = dice.p(0.25)
    bright = dice.lu(0.02, 1.0) if night else dice.lu(20, 2500)
    pane = _quad(cx - w, cy - h, cx + w, cy + h, z - 0.021)
    if dice.p(0.3):
        image = _frosted(dice, image)
    picture(canvas, pane, image, emission=bright)
    _glass(canvas, panel, pane)
    _reveal(dice, canvas, pane, colour)
    _bars(dice, canvas, pane, colour)
    if dice.p(0.4):  # the sill
        out = rim + dice.u(0, 0.05)
        low = np.array([cx - w - out, cy + h + rim * dice.u(0.2, 1), z - dice.u(0.03, 0.15)])
        canvas.box(low, np.array([cx + w + out, low[1] + dice.u(0.01, 0.04), z]), colour)
    if dice.p(0.3):
        cloth = matter.curtain(dice, 160, 120, surfaces.paint_colour(dice, wall=True))
        image = sketch.finish(cloth)
        for side in (-1, 1):
            x = cx + side * w
            edge = sorted((x - side * w * dice.u(0, 0.5), x + side * w * 0.5))
            picture(canvas, _quad(edge[0], cy - h * 1.2, edge[1], cy + h * 1.4, z - 0.06), image)


def _frosted(dice: Dice, image: Picture) -> Picture:
    """A view through frosted glass, thin curtains or mist: soft shades, nearly plain, no detail."""
    soft = cv2.GaussianBlur(image, (0, 0), image.shape[1] * dice.lu(0.01, 0.2))
    pale = dice.u(0, 0.9)
    return (soft * (1 - pale) + 235 * pale).astype(np.uint8)


def _reveal(
    dice: Dice, canvas: Canvas, pane: NDArray[np.float64], colour: NDArray[np.float32]
) -> None:
    """The inner sides of a frame round a pane, dark against it or lit by it."""
    (x0, y0, z), (x1, y1, _) = pane[0], pane[2]
    wide = dice.u(0.0, 0.06) * min(x1 - x0, y1 - y0)
    for k, side in enumerate(
        (
            _quad(x0, y0, x1, y0 + wide, z - 0.001),
            _quad(x0, y1 - wide, x1, y1, z - 0.001),
            _quad(x0, y0, x0 + wide, y1, z - 0.0015),
            _quad(x1 - wide, y0, x1, y1, z - 0.0015),
        )
    ):
        if wide > 0 and (k < 2 or dice.p(0.8)):
            canvas.face(side, colour * np.float32(dice.u(0.2, 1.2)), np.array([0, 0, -1.0]))


def _bars(
    dice: Dice, canvas: Canvas, pane: NDArray[np.float64], colour: NDArray[np.float32]
) -> None:
    """Bars across a pane: none, a cross, an even lattice, or a few anywhere; each way its own."""
    (x0, y0, z), (x1, y1, _) = pane[0], pane[2]
    thick = dice.lu(0.004, 0.035)
    kind = dice.weighted({"none": 0.1, "cross": 0.2, "lattice": 0.45, "any": 0.25})
    most = {"none": 0, "cross": 1, "lattice": 6, "any": 3}[kind]
    for along in (0, 1):
        low, high = ((x0, x1), (y0, y1))[along]
        n = dice.i(0, most) if kind != "cross" else int(dice.p(0.75))
        for k in range(n):
            share = (k + 1) / (n + 1) if kind != "any" else dice.u(0.08, 0.92)
            if kind == "cross":
                share = dice.pick((0.5, 0.5, 0.3, 0.7))
            at = low + share * (high - low)
            depth = z - dice.u(0.005, 0.03)
            first = (at - thick, y0, depth) if along == 0 else (x0, at - thick, depth)
            last = (at + thick, y1, z - 0.002) if along == 0 else (x1, at + thick, z - 0.002)
            canvas.box(np.array(first), np.array(last), colour)


def _cabinet(dice: Dice, canvas: Canvas, panel: Panel, room: Room, z: float) -> None:
    """A cupboard with doors or drawers and knobs."""
    colour = matter.wood_colour(dice) if dice.p(0.5) else surfaces.paint_colour(dice, wall=True)
    w, h = panel.width_m / 2 * dice.u(0.6, 1.2), panel.height_m / 2 * dice.u(0.8, 1.3)
    front = -0.3 if z > -0.2 else z
    canvas.box(
        np.array([-w, -h, front]), np.array([w, room.bench, z + 0.2]), colour * np.float32(0.8)
    )
    cols, rows = dice.i(1, 3), dice.i(1, 4)
    cw, ch = 2 * w / cols, (room.bench + h) / rows
    for k in range(cols * rows):
        x, y = -w + cw * (k % cols), -h + ch * (k // cols)
        door = _quad(x + 0.012, y + 0.012, x + cw - 0.012, y + ch - 0.012, front - 0.005)
        canvas.face(door, colour * np.float32(dice.u(0.9, 1.1)), np.array([0, 0, -1.0]), gloss=0.02)
        canvas.ball(np.array([x + cw * 0.5, y + ch * 0.5, front - 0.015]), 0.012, np.full(3, 0.4))


def _dark_glass(dice: Dice, canvas: Canvas, panel: Panel, room: Room, z: float) -> None:
    """An oven, a microwave, a mirror, a pane or a glossy black picture: dark glass, no screen."""
    w, h = panel.width_m / 2 * dice.u(0.4, 0.9), panel.height_m / 2 * dice.u(0.5, 1.0)
    case, front = surfaces.natural(dice), z - dice.u(0.02, 0.3)
    if canvas.view.centre[2] > front - 0.2:
        front = z
    canvas.box(np.array([-w, -h, front]), np.array([w, h, z + 0.1]), case, gloss=0.02)
    right = w * (dice.u(0.4, 0.75) if dice.p(0.6) else 0.92)
    top = -h * (0.9 if dice.p(0.6) else dice.u(0.3, 0.7))
    pane = _quad(-w * 0.92, top, right, h * 0.88, front - 0.002)
    kind = dice.weighted({"black": 0.5, "rack": 0.25, "mirror": 0.25})
    tone = np.full((120, 200, 3), dice.i(4, 40), np.uint8)
    if kind == "rack":
        tone[:: dice.i(6, 20)] += np.uint8(30)
    if kind == "mirror":
        tone = cv2.GaussianBlur(household.table(dice, 240, 400), (0, 0), dice.u(2, 8))
    picture(canvas, pane, tone)
    _glass(canvas, panel, pane, dice.u(0.3, 1))
    for k in range(dice.i(1, 12)):
        at = np.array([(right + w) / 2, -h * 0.7 + 1.4 * h * k / 12, front - 0.004])
        if right < w * 0.8:
            s = min((w - right) * 0.3, h * 0.05)
            key = _quad(at[0] - s, at[1] - s * 0.7, at[0] + s, at[1] + s * 0.7, at[2])
            canvas.face(key, case * np.float32(dice.u(0.4, 2)), np.array([0, 0, -1.0]))
    if dice.p(0.6):  # the handle
        y = top - 0.015
        bar = np.array([-w * 0.8, y - 0.01, front - 0.04]), np.array([right, y + 0.01, front])
        canvas.box(*bar, np.full(3, 0.35, np.float32), gloss=0.1)


_PLACED = ("room", "framed_picture", "window", "board", "document", "whiteboard", "cabinet",
           "dark_glass")  # fmt: skip


def _flood(dice: Dice, canvas: Canvas, image: Picture) -> None:
    """A picture fills the frame, at the brightness of daylight or of a lit room."""
    rig = canvas.rig
    base = rig.on(np.array([[0.0, 0, 0]]), np.array([0, 0, -1.0]))[0] / np.float32(np.pi)
    level = max(float(base.mean()), 0.5) * dice.u(0.7, 2)
    if rig.torch.kind == "none" and dice.p(0.5):
        level = dice.lu(60, 4000)
    canvas.image[:] = to_linear(image) * np.float32(level)
    if rig.torch.kind != "none" and dice.p(0.35):  # close enough for the torch to draw its spot
        h, w = image.shape[:2]
        lux = canvas.light((0, 0, w, h), 2, 0.0, np.array([0, 0, -1.0]))
        canvas.image[:] *= lux / np.float32(max(float(lux.mean()), 1e-6))


def _wall(dice: Dice, canvas: Canvas, z: float) -> None:
    canvas.plane(
        2,
        z,
        None,
        surfaces.surface(dice, wall=True),
        np.array([0, 0, -1.0]),
        texture_size=dice.u(0.4, 3),
    )


def _placed(dice: Dice, canvas: Canvas, panel: Panel, room: Room, kind: str) -> str | None:
    """Something in a room; returns the bundled photograph in it, or None."""
    used, bench = None, dice.p(0.6)
    if bench or kind == "room":
        background(dice, canvas, panel, None, room)
        pools = dice.child("pools")
        if pools.p(0.6):
            uneven_light(pools, canvas)
    else:
        _wall(dice.child("wall"), canvas, room.wall)
    z = min(room.wall - 0.02, 0.0) if dice.p(0.5) else room.wall - 0.02
    if kind == "framed_picture":
        image, used = artful(dice, 300, 480)
        _framed(dice, canvas, panel, z, image, poster=dice.p(0.25))
    elif kind == "window":
        if dice.p(0.15):
            image, used = shown(dice, 300, 480)
        else:
            day = outdoors.view if dice.p(0.6) else closeups.facade
            image = day(dice, 300, 480)
        _window(dice, canvas, panel, z, image)
    elif kind == "cabinet":
        _cabinet(dice, canvas, panel, room, z)
    elif kind == "dark_glass":
        _dark_glass(dice, canvas, panel, room, z)
    elif kind == "whiteboard":
        _framed(dice, canvas, panel, z, whiteboard(dice, 300, 480))
    elif kind == "board":
        w, h = panel.width_m * dice.u(0.4, 0.7), panel.height_m * dice.u(0.4, 0.8)
        make = circuit_board if dice.p(0.5) else household.circuit
        picture(canvas, _quad(-w, -h, w, h, z), make(dice, 500, 700))
    elif kind == "document":
        h = panel.height_m * dice.u(0.3, 0.5)
        page = document(dice, 700, 500) if dice.p(0.6) else household.page(dice, 700, 500)
        picture(canvas, _quad(-h * 0.7, -h, h * 0.7, h, z), page)
    if kind != "document" or bench:
        clutter(dice, canvas, panel, None, room)
    return used


def draw_nonscreen(
    dice: Dice, canvas: Canvas, panel: Panel, body: Body, room: Room, pose: Pose
) -> tuple[str, str | None]:
    """Draw one scene without a screen on the canvas. Returns its name and
    the bundled photograph in it, or None.
    """
    kind = dice.weighted(SCENES)
    h, w = canvas.image.shape[:2]
    if kind in _PLACED:
        return kind, _placed(dice, canvas, panel, room, kind)
    if kind == "view":
        _flood(dice, canvas, outdoors.view(dice, h, w))
    elif kind == "things":
        _flood(dice, canvas, household.things(dice, h, w))
    elif kind == "photo":
        image, used = artful(dice, h, w)
        _flood(dice, canvas, image)
        return kind, used
    elif kind == "covered":
        _flood(dice, canvas, closeups.finger(dice, h, w))
    elif kind == "black":
        x, _ = grid((h, w))
        leak = 1 + 0.5 * fractal(dice, (h, w), cells=2, octaves=2) + dice.u(-0.5, 0.5) * x
        canvas.image[:] = np.float32(dice.lu(0.0005, 0.02)) * leak[..., None]
    elif dice.p(0.2):
        _wall(dice, canvas, 0.0)
    else:
        _flood(dice, canvas, closeups.close(dice, h, w))
    return kind, None
