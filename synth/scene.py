"""The room around the set: wall, floor, bench, and the clutter on them."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from synth import artwork, closeups, content, household, outdoors, surfaces
from synth.arrays import Bytes
from synth.body import Body
from synth.canvas import Canvas, picture
from synth.dice import Dice
from synth.fields import fractal, mix, polygon
from synth.geometry import Points
from synth.light import Rig
from synth.panel import Panel


def shadow_on_wall(rig: Rig, low: NDArray, high: NDArray, wall: float) -> Points | None:
    """Where a front rectangle (low, high corners) hides the torch from the plane z = wall."""
    t = rig.torch
    if t.kind == "none" or t.position[2] >= low[2] - 0.05:
        return None
    corners = np.array(
        [
            [low[0], low[1], low[2]],
            [high[0], low[1], low[2]],
            [high[0], high[1], low[2]],
            [low[0], high[1], low[2]],
        ]
    )
    s = (wall - t.position[2]) / (corners[:, 2] - t.position[2])
    return t.position + s[:, None] * (corners - t.position)


@dataclass(frozen=True)
class Room:
    """Where the big surfaces are, metres: wall z, bench top y, its front edge z and its ends x."""

    wall: float
    bench: float
    front: float
    ends: tuple[float, float]
    floor: float


def draw_room(dice: Dice, panel: Panel, body: Body, camera: NDArray) -> Room:
    """Wall close behind, bench under the stand, its front edge between the set and the camera."""
    h = panel.height_m / 2
    bench = h + body.bottom + body.stand_height
    if body.stand == "wall":
        bench = h + body.bottom + dice.u(0.15, 1.2)
    reach = -min(dice.u(0.15, 0.75), 0.75 * abs(camera[2]))
    span = panel.width_m / 2
    ends = (-span - dice.u(0.05, 1.5), span + dice.u(0.05, 1.5))
    wall = body.depth + (dice.lu(0.02, 0.8) if body.stand != "wall" else 0.01)
    return Room(wall, bench, reach, ends, bench + dice.u(0.5, 0.9))


def background(dice: Dice, canvas: Canvas, panel: Panel, body: Body | None, room: Room) -> None:
    """Wall with things on it, floor, bench with things on it."""
    rig, w = canvas.rig, panel.width_m
    shadow = None
    if body is not None:
        low = np.array([-w / 2 - body.left, -panel.height_m / 2 - body.top, -body.lip])
        high = np.array([w / 2 + body.right, panel.height_m / 2 + body.bottom, body.depth])
        shadow = shadow_on_wall(rig, low, high, room.wall)
    soft = canvas.view.f * 0.01 / max(abs(canvas.view.centre[2]), 0.3) * dice.u(0.2, 3)
    towards = np.array([0, 0, -1.0])
    canvas.plane(
        2,
        room.wall,
        None,
        surfaces.surface(dice.child("wall"), wall=True),
        towards,
        texture_size=dice.u(0.6, 3.0),
        shadow=shadow,
        shadow_soft=soft,
    )
    if dice.p(0.25):  # a side wall
        side = dice.pick((-1, 1)) * (w / 2 + dice.u(0.2, 1.5))
        axis_far = np.array(
            [[side, -3, room.wall], [side, -3, -1.0], [side, 3, -1.0], [side, 3, room.wall]]
        )
        if canvas.view.depth(axis_far).min() > 0.05:
            canvas.plane(
                0,
                side,
                axis_far,
                surfaces.paint_colour(dice, wall=True),
                np.array([-np.sign(side), 0, 0.0]),
            )
    behind = dice.child("behind")
    if behind.p(0.3):
        _crowded(behind, canvas, room)
    for _ in range(dice.pick((0, 0, 1, 1, 2, 3))):
        _wall_thing(dice, canvas, panel, room)
    if body is not None and body.stand == "wall" and dice.p(0.6):
        return
    up = np.array([0, -1.0, 0])
    near = max(canvas.view.centre[2] + 0.25, -6.0)
    if near < room.front - 0.05:
        floor = np.array(
            [
                [-4, room.floor, room.wall],
                [4, room.floor, room.wall],
                [4, room.floor, near],
                [-4, room.floor, near],
            ]
        )
        if canvas.view.centre[1] < room.floor:
            canvas.plane(
                1,
                room.floor,
                floor,
                surfaces.surface(dice.child("floor"), wall=False),
                up,
                axes=(0, 2),
            )
    x0, x1 = room.ends
    top = np.array(
        [
            [x0, room.bench, room.wall],
            [x1, room.bench, room.wall],
            [x1, room.bench, room.front],
            [x0, room.bench, room.front],
        ]
    )
    thick = dice.u(0.02, 0.05)
    board = surfaces.surface(dice.child("bench"), wall=False)
    below = np.array(
        [
            [x0, room.bench, room.front],
            [x1, room.bench, room.front],
            [x1, room.floor, room.front],
            [x0, room.floor, room.front],
        ]
    )
    canvas.plane(
        2,
        room.front,
        below,
        surfaces.paint_colour(dice, wall=False) if dice.p(0.7) else board,
        towards,
    )
    rim = below.copy()
    rim[2:, 1] = room.bench + thick
    canvas.plane(2, room.front, rim, board.mean((0, 1)) * np.float32(0.8), towards)
    if canvas.view.centre[1] < room.bench:
        contact = None
        if body is not None:
            contact = np.array(
                [
                    [-w / 2, room.bench, -0.03],
                    [w / 2, room.bench, -0.03],
                    [w / 2, room.bench, room.wall],
                    [-w / 2, room.bench, room.wall],
                ]
            )
        canvas.plane(
            1,
            room.bench,
            top,
            board,
            up,
            axes=(0, 2),
            texture_size=dice.u(0.5, 2),
            shadow=contact,
            shadow_soft=soft * 3,
            dark=0.5,
        )


def _wall_thing(dice: Dice, canvas: Canvas, panel: Panel, room: Room) -> None:
    """A picture, a socket, a shelf or a window on the wall, mostly beside the set."""
    w, h = panel.width_m, panel.height_m
    side = dice.pick((-1, 1))
    cx = side * (w / 2 + dice.u(0.05, 0.9)) if dice.p(0.8) else dice.u(-w, w)
    cy = -h / 2 + dice.u(-0.6, h)
    tw, th = dice.u(0.12, 0.6), dice.u(0.1, 0.5)
    z = room.wall - 0.01
    n = np.array([0, 0, -1.0])
    rect = np.array(
        [
            [cx - tw / 2, cy - th / 2, z],
            [cx + tw / 2, cy - th / 2, z],
            [cx + tw / 2, cy + th / 2, z],
            [cx - tw / 2, cy + th / 2, z],
        ]
    )
    if canvas.view.depth(rect).min() < 0.1:
        return
    canvas.face(rect, surfaces.paint_colour(dice, wall=False), n)
    rim = dice.u(0.01, 0.04)
    inner = rect + np.array(
        [[rim, rim, -0.002], [-rim, rim, -0.002], [-rim, -rim, -0.002], [rim, -rim, -0.002]]
    )
    kind = dice.i(0, 3)
    if kind <= 1:
        picture(canvas, inner, artwork.paint(dice, (96, 128)))
    else:
        canvas.face(inner, surfaces.paint_colour(dice, wall=True), n)


_AROUND = ((-1, -1), (1, -1), (1, 1), (-1, 1))
_BEHIND = {"shelves": 0.35, "things": 0.2, "notices": 0.1, "facade": 0.15, "outdoors": 0.2}


def _crowded(dice: Dice, canvas: Canvas, room: Room) -> None:
    """What stands close behind in a lived-in room or a workshop: shelves, heaps, a window wall."""
    kind = dice.weighted(_BEHIND)
    make = {
        "shelves": household.shelves,
        "things": household.things,
        "notices": closeups.notices,
        "facade": closeups.facade,
        "outdoors": outdoors.view,
    }[kind]
    image = make(dice, 360, 560)
    wide = dice.u(1.2, 4.0)
    tall, cx, cy = wide * 360 / 560, dice.u(-1, 1), dice.u(-0.6, 0.4)
    z = room.wall - 0.005
    quad = np.array(
        [
            [cx - wide / 2, cy - tall / 2, z],
            [cx + wide / 2, cy - tall / 2, z],
            [cx + wide / 2, cy + tall / 2, z],
            [cx - wide / 2, cy + tall / 2, z],
        ]
    )
    window = kind in ("facade", "outdoors") and canvas.rig.torch.kind == "none"
    # As bright as a white wall of this room, or many times that.
    daylight = canvas.rig.ambient / np.pi * dice.lu(0.5, 20) if window else 0.0
    if canvas.view.depth(quad).min() > 0.1:
        picture(canvas, quad, image, emission=daylight)


def uneven_light(dice: Dice, canvas: Canvas) -> None:
    """Pools of lamps, patches of sun and shadows of what stands outside the photo."""
    h, w = canvas.image.shape[:2]
    size = max(h // 8, 2), max(w // 8, 2)
    amount = dice.u(0.1, 0.8)
    field = np.float32(amount) * fractal(dice, size, cells=dice.u(1, 4), octaves=2)
    for _ in range(dice.pick((0, 0, 1, 1, 2, 3))):
        at = np.array([dice.u(0, size[1]), dice.u(0, size[0])])
        half = np.array([dice.u(0.05, 0.4) * size[1], dice.u(0.05, 0.4) * size[0]])
        lean = dice.u(-0.5, 0.5) * half[1]
        corners = at + np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
        corners[:2, 0] += lean
        patch = polygon(size, corners)
        soft = dice.lu(0.3, 20)
        field += np.float32(dice.u(0.5, 1.6) * dice.pick((-1, 1))) * cv2.GaussianBlur(
            patch, (0, 0), soft
        )
    gain = cv2.resize(np.exp(field), (w, h), interpolation=cv2.INTER_LINEAR)
    canvas.image *= gain[..., None]


def clutter(dice: Dice, canvas: Canvas, panel: Panel, body: Body | None, room: Room) -> None:
    """Boxes, balls, cans, tools and cables on the bench; some stand before the set."""
    count = dice.pick((0, 1, 2, 3, 4, 6, 10))
    half = panel.width_m / 2
    things = []
    for _ in range(count):
        z = dice.u(room.front + 0.02, max(room.wall - 0.06, room.front + 0.03))
        x = dice.u(room.ends[0], room.ends[1])
        if z > -0.02 and abs(x) < half + 0.05 and body is not None:
            z = dice.u(room.front + 0.01, -0.03) if room.front < -0.05 else room.front
        things.append((z, x, dice.i(0, 4)))
    for z, x, kind in sorted(things, reverse=True):
        albedo = surfaces.paint_colour(dice, wall=False)
        foot = np.array([x, room.bench, z])
        tall = dice.u(0.01, 0.06) if abs(x) < half else dice.u(0.02, 0.3)
        if kind == 0:
            r = min(dice.u(0.01, 0.07), tall)
            canvas.ball(foot - (0, r, 0), r, albedo)
        elif kind == 1:
            canvas.can(foot, dice.u(0.01, 0.05), tall, albedo)
        elif kind == 2:
            wide, deep = dice.u(0.02, 0.15), dice.u(0.01, 0.08)
            canvas.box(foot - (wide, tall, deep), foot + np.array([wide, 0, 0]), albedo)
        elif kind == 3:  # a tool lying down
            a, n = dice.u(0, np.pi), dice.u(0.03, 0.12)
            d = np.array([np.cos(a), 0, np.sin(a)]) * n
            s = np.array([-np.sin(a), 0, np.cos(a)]) * dice.u(0.004, 0.012)
            canvas.face(
                np.array([foot - d - s, foot + d - s, foot + d + s, foot - d + s]) - (0, 0.006, 0),
                albedo,
                np.array([0, -1.0, 0]),
                gloss=0.05,
            )
        else:
            _cable(dice, canvas, foot)


def in_front(dice: Dice, canvas: Canvas, panel: Panel, image: Bytes) -> None:
    """A card or a circuit board leaning before the lower part of the screen."""
    w, h = panel.width_m, panel.height_m
    a = dice.u(0.15, 0.4) * h
    cx, cy = dice.u(-0.5, 0.5) * w, h / 2 + dice.u(-0.15, 0.2) * h
    turn, z = dice.u(-0.5, 0.5), -dice.u(0.03, 0.12)
    c, s = np.cos(turn) * a, np.sin(turn) * a * 0.7
    quad = np.array(
        [
            [cx - c, cy - a + s, z],
            [cx + c, cy - a - s, z],
            [cx + c + s, cy + a * 0.6, z],
            [cx - c + s, cy + a * 0.6, z],
        ]
    )
    if canvas.view.depth(quad).min() > 0.1:
        picture(canvas, quad, image)


def another_screen(dice: Dice, canvas: Canvas, panel: Panel, body: Body) -> None:
    """A smaller screen that works, beside the set: a bench's monitor, or the next one in a shop."""
    wide = panel.width_m * dice.u(0.35, 0.8)
    tall = wide / dice.pick((16 / 9, 16 / 9, 1.6, 4 / 3))
    side = dice.pick((-1, 1))
    cx = side * (panel.width_m / 2 + max(body.left, body.right) + dice.lu(0.01, 0.3) + wide / 2)
    cy = panel.height_m / 2 - tall / 2 + dice.u(-0.2, 0.1) * panel.height_m
    z, rim = dice.u(-0.02, 0.1), dice.lu(0.004, 0.03)

    def quad(pad: float, depth: float) -> NDArray:
        x, y = wide / 2 + pad, tall / 2 + pad
        return np.array([[cx + a * x, cy + b * y, depth] for a, b in _AROUND])

    if canvas.view.depth(quad(rim, z)).min() < 0.1:
        return
    canvas.face(quad(rim, z), np.full(3, dice.lu(0.012, 0.1), np.float32), np.array([0, 0, -1.0]))
    shown = content.render(dice, (round(320 * tall / wide), 320)).picture
    picture(canvas, quad(0.0, z - 0.002), shown, emission=dice.lu(60, 350))


def _cable(dice: Dice, canvas: Canvas, foot: NDArray) -> None:
    pts3 = foot + np.cumsum(
        np.array([[0, 0, 0]] + [[dice.n(0, 0.08), 0, dice.n(0, 0.04)] for _ in range(8)]), 0
    )
    if canvas.view.depth(pts3).min() < 0.1:
        return
    pts = canvas.view.project(pts3)
    lux = canvas.rig.on(foot[None], np.array([0, -1.0, 0]))[0]
    tone = lux * surfaces.paint_colour(dice, wall=False) * np.float32(0.3 / np.pi)
    thick = max(int(canvas.view.f * 0.004), 1)
    box = canvas.roi(pts, pad=thick + 2)
    if box is None:
        return
    x0, y0, x1, y1 = box
    mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
    line = np.rint((pts - (x0, y0)) * 16).astype(np.int32)
    cv2.polylines(mask, [line], False, 255, thick, cv2.LINE_AA, 4)
    mix(canvas.image[y0:y1, x0:x1], tone, mask.astype(np.float32) / 255)
