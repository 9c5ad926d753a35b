"""The room around the set: wall, bench, clutter, and the set's own body, as light to the camera."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from synth import content, surfaces
from synth.colour import to_linear
from synth.dice import Dice
from synth.fields import blur, mix, polygon
from synth.geometry import Points, View
from synth.light import Rig, Torch
from synth.panel import Panel

Array = NDArray[np.float32]


@dataclass(frozen=True)
class Body:
    """The set's body, metres. left..bottom: bezel widths. gap: black rim around the active area.

    lip: how far the bezel stands out before the glass. depth: behind it. albedo: linear (3,).
    stand: "feet", "foot", "wall" or "none". stand_height. led: linear RGB of a standby lamp or None.
    """

    left: float
    right: float
    top: float
    bottom: float
    gap: float
    lip: float
    depth: float
    albedo: Array
    bevel: float
    stand: str
    stand_height: float
    led: Array | None
    shine: float


def draw_body(dice: Dice, panel: Panel) -> Body:
    """From frameless to wide old frames, black first but any colour."""
    wide = dice.p(0.3)
    side = dice.u(0.025, 0.09) * max(panel.width_m, 0.5) if wide else dice.lu(0.003, 0.022)
    chin = side * (dice.u(1, 2.2) if dice.p(0.5) else 1.0) + (dice.u(0, 0.03) if dice.p(0.3) else 0)
    if dice.p(0.62):
        albedo = np.full(3, dice.lu(0.012, 0.12), np.float32) * (1 + 0.1 * dice.array(-1, 1, (3,)))
    elif dice.p(0.6):
        albedo = np.full(3, dice.u(0.25, 0.8), np.float32) * (1 + 0.06 * dice.array(-1, 1, (3,)))
    else:
        albedo = surfaces.paint_colour(dice, wall=False)
    stand = dice.weighted({"feet": 0.42, "foot": 0.33, "wall": 0.13, "none": 0.12})
    led = None
    if dice.p(0.45):
        led = np.array(dice.pick(((1, 0.05, 0.03), (0.05, 0.9, 0.15), (0.1, 0.3, 1), (1, 0.5, 0.05), (0.9, 0.95, 1))), np.float32)
    return Body(side, side, side * dice.u(0.8, 1.2), chin, dice.lu(0.0005, 0.012), dice.u(0.0, 0.012), dice.u(0.02, 0.1),
                albedo.astype(np.float32), dice.u(0, 0.6) if dice.p(0.5) else 0.0, stand,
                dice.u(0.01, 0.12) if stand != "none" else 0.003, led, dice.u(0, 0.08))


class Canvas:
    """Draws lit surfaces on a radiance image (h, w, 3) in cd/m2, far things first."""

    def __init__(self, view: View, rig: Rig) -> None:
        self.view, self.rig = view, rig
        self.image = np.zeros((view.height, view.width, 3), np.float32)

    def roi(self, pts: Points, pad: int = 2) -> tuple[int, int, int, int] | None:
        """Pixel box (x0, y0, x1, y1) of projected points, or None when out of frame."""
        x0 = max(int(np.floor(pts[:, 0].min())) - pad, 0)
        y0 = max(int(np.floor(pts[:, 1].min())) - pad, 0)
        x1 = min(int(np.ceil(pts[:, 0].max())) + pad + 1, self.view.width)
        y1 = min(int(np.ceil(pts[:, 1].max())) + pad + 1, self.view.height)
        return (x0, y0, x1, y1) if x1 > x0 + 1 and y1 > y0 + 1 else None

    def light(self, box: tuple[int, int, int, int], axis: int, value: float, normal: NDArray, *,
              step: int = 14) -> Array:
        """Illuminance (h, w, 3) over a pixel box on an axis-parallel plane, computed coarsely."""
        x0, y0, x1, y1 = box
        nx, ny = max((x1 - x0) // step, 2), max((y1 - y0) // step, 2)
        px, py = np.meshgrid(np.linspace(x0, x1 - 1, nx), np.linspace(y0, y1 - 1, ny))
        points = self.view.on_plane(px, py, axis, value)
        coarse = self.rig.on(points, normal)
        return cv2.resize(coarse, (x1 - x0, y1 - y0), interpolation=cv2.INTER_LINEAR)

    def plane(self, axis: int, value: float, outline: Points | None, albedo: Array, normal: NDArray, *,
              texture_size: float = 1.5, axes: tuple[int, int] = (0, 1), shadow: Points | None = None,
              shadow_soft: float = 8, dark: float = 0.85) -> None:
        """An axis-parallel surface bounded by `outline` (N, 3), or the whole frame when None.

        albedo: (3,) or a texture repeated every `texture_size` metres. shadow: outline (N, 3) on
        the plane from which the torch is hidden.
        """
        v = self.view
        pts = v.project(outline) if outline is not None else np.array([[0, 0], [v.width, v.height]], float)
        box = self.roi(pts)
        if box is None:
            return
        x0, y0, x1, y1 = box
        lux = self.light(box, axis, value, normal)
        if shadow is not None and self.rig.torch.kind != "none":
            mask = polygon((y1 - y0, x1 - x0), v.project(shadow) - (x0, y0))
            mask = blur(mask, shadow_soft)[..., None] * np.float32(dark)
            rest = Rig(_off(self.rig), self.rig.ambient, self.rig.ambient_colour, self.rig.tilt, self.rig.name,
                       self.rig.screen_light, self.rig.screen_area)
            saved, self.rig = self.rig, rest
            lux += mask * (self.light(box, axis, value, normal) - lux)
            self.rig = saved
        if albedo.ndim == 1:
            lux *= albedo * np.float32(1 / np.pi)
        else:
            n = albedo.shape[0]
            hom = v.plane_homography(axis, value, axes)
            scale = np.diag([texture_size / n, texture_size / n, 1.0])
            shift = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1.0]])
            m = np.linalg.inv(shift @ hom @ scale)
            gx, gy = np.meshgrid(np.arange(0, x1 - x0 + 16, 16, dtype=np.float64), np.arange(0, y1 - y0 + 16, 16, dtype=np.float64))
            den = m[2, 0] * gx + m[2, 1] * gy + m[2, 2]
            den = np.where(np.abs(den) < 1e-9, 1e-9, den)
            u = ((m[0, 0] * gx + m[0, 1] * gy + m[0, 2]) / den).astype(np.float32)
            w = ((m[1, 0] * gx + m[1, 1] * gy + m[1, 2]) / den).astype(np.float32)
            big = (u.shape[1] * 16, u.shape[0] * 16)
            # a coarse map enlarged: planes are smooth, and remap wraps around for us
            mu = _upsample(u, big)[:y1 - y0, :x1 - x0]
            mw = _upsample(w, big)[:y1 - y0, :x1 - x0]
            tone = cv2.remap(albedo, np.mod(mu, n), np.mod(mw, n), cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
            lux *= tone
            lux *= np.float32(1 / np.pi)
        if outline is None:
            self.image[y0:y1, x0:x1] = lux
        else:
            mix(self.image[y0:y1, x0:x1], lux, polygon((y1 - y0, x1 - x0), pts - (x0, y0)))

    def face(self, corners: Points, albedo: Array, normal: NDArray, *, gain: float = 1.0, gloss: float = 0.0) -> None:
        """A small flat face (N, 3) lit evenly from its corners' mean illuminance, with a gradient."""
        pts = self.view.project(corners)
        if self.view.depth(corners).min() < 0.03:
            return
        box = self.roi(pts)
        if box is None:
            return
        x0, y0, x1, y1 = box
        lux = self.rig.on(corners, np.asarray(normal, np.float64))
        a = polygon((y1 - y0, x1 - x0), pts - (x0, y0))
        scale = (albedo * np.float32(gain) + np.float32(gloss)) * np.float32(1 / np.pi)
        if len(corners) == 4 and (x1 - x0) * (y1 - y0) > 900:
            # a plane through the corners' illuminances, evaluated at the box's own corners
            basis = np.c_[np.ones(4), pts - (x0, y0)]
            fit = np.linalg.lstsq(basis, lux * scale, rcond=None)[0]
            ends = np.array([[1, 0, 0], [1, x1 - x0, 0], [1, 0, y1 - y0], [1, x1 - x0, y1 - y0]]) @ fit
            ends = np.clip(ends, (lux * scale).min(0), (lux * scale).max(0))
            value = cv2.resize(ends.reshape(2, 2, 3).astype(np.float32), (x1 - x0, y1 - y0), interpolation=cv2.INTER_LINEAR)
            mix(self.image[y0:y1, x0:x1], value, a)
        else:
            mix(self.image[y0:y1, x0:x1], (lux.mean(0) * scale).astype(np.float32), a)

    def box(self, low: NDArray, high: NDArray, albedo: Array, *, gloss: float = 0.0, front: bool = True) -> None:
        """An upright box between two corners: the faces the camera can see, far ones first."""
        x0, y0, z0 = low
        x1, y1, z1 = high
        c = self.view.centre
        if c[0] < x0:
            self.face(np.array([[x0, y0, z1], [x0, y0, z0], [x0, y1, z0], [x0, y1, z1]]), albedo, np.array([-1, 0, 0]), gain=0.9)
        elif c[0] > x1:
            self.face(np.array([[x1, y0, z0], [x1, y0, z1], [x1, y1, z1], [x1, y1, z0]]), albedo, np.array([1, 0, 0]), gain=0.9)
        if c[1] < y0:
            self.face(np.array([[x0, y0, z1], [x1, y0, z1], [x1, y0, z0], [x0, y0, z0]]), albedo, np.array([0, -1, 0]), gloss=gloss)
        elif c[1] > y1:
            self.face(np.array([[x0, y1, z0], [x1, y1, z0], [x1, y1, z1], [x0, y1, z1]]), albedo, np.array([0, 1, 0]))
        if front:
            self.face(np.array([[x0, y0, z0], [x1, y0, z0], [x1, y1, z0], [x0, y1, z0]]), albedo, np.array([0, 0, -1]), gloss=gloss)

    def ball(self, centre: NDArray, radius: float, albedo: Array) -> None:
        """A ball, shaded from above and from the torch."""
        p = self.view.project(centre[None])[0]
        d = float(self.view.depth(centre[None])[0])
        if d < 0.1:
            return
        r = self.view.f * radius / d
        box = self.roi(np.array([p - r, p + r]))
        if box is None or r < 1:
            return
        x0, y0, x1, y1 = box
        y, x = np.mgrid[y0:y1, x0:x1].astype(np.float32)
        dx, dy = (x - p[0]) / r, (y - p[1]) / r
        d2 = dx * dx + dy * dy
        z = np.sqrt(np.clip(1 - d2, 0, 1))
        lux = self.rig.on(centre[None], np.array([0, 0, -1.0]))[0]
        side = self.rig.on(centre[None], np.array([0, -1.0, 0]))[0]
        tone = lux * z[..., None] + side * np.clip(-dy, 0, 1)[..., None] * 0.5 + 0.1 * lux
        shine = np.clip(z * 0.8 - dx * 0.3 - dy * 0.5, 0, 1) ** 40
        value = tone * albedo / np.pi + 0.3 * shine[..., None] * lux / np.pi
        mix(self.image[y0:y1, x0:x1], value.astype(np.float32), np.clip((1 - np.sqrt(d2)) * r + 0.5, 0, 1))

    def can(self, foot: NDArray, radius: float, height: float, albedo: Array) -> None:
        """An upright cylinder standing on `foot`."""
        k = np.linspace(0, 2 * np.pi, 20, endpoint=False)
        ring = np.stack([foot[0] + radius * np.cos(k), np.full(20, foot[1]), foot[2] + radius * np.sin(k)], 1)
        top = ring - (0, height, 0)
        pts = self.view.project(np.vstack([ring, top]))
        if self.view.depth(ring).min() < 0.1:
            return
        box = self.roi(pts)
        if box is None:
            return
        x0, y0, x1, y1 = box
        hull = cv2.convexHull(pts.astype(np.float32))[:, 0] - (x0, y0)
        x = np.linspace(-1, 1, x1 - x0, dtype=np.float32)[None, :, None]
        lux = self.rig.on(foot[None] - (0, height / 2, 0), np.array([0, 0, -1.0]))[0]
        value = lux * albedo / np.float32(np.pi) * (0.25 + 0.75 * np.sqrt(np.clip(1 - (x * 0.95 + 0.2) ** 2, 0, 1)))
        mix(self.image[y0:y1, x0:x1], np.broadcast_to(value, (y1 - y0, x1 - x0, 3)), polygon((y1 - y0, x1 - x0), hull))
        self.face(top, albedo, np.array([0, -1.0, 0]))


def _upsample(coarse: NDArray[np.float32], size: tuple[int, int]) -> NDArray[np.float32]:
    """Enlarge a map sampled every 16 px from pixel 0, exactly linear between samples."""
    m = np.array([[1 / 16, 0, 0], [0, 1 / 16, 0]], np.float64)
    return cv2.warpAffine(coarse, m, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REPLICATE)


def _off(rig: Rig) -> Torch:
    return replace(rig.torch, kind="none")


def shadow_on_wall(rig: Rig, low: NDArray, high: NDArray, wall: float) -> Points | None:
    """Where a front rectangle (low, high corners) hides the torch from the plane z = wall."""
    t = rig.torch
    if t.kind == "none" or t.position[2] >= low[2] - 0.05:
        return None
    corners = np.array([[low[0], low[1], low[2]], [high[0], low[1], low[2]], [high[0], high[1], low[2]], [low[0], high[1], low[2]]])
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
    canvas.plane(2, room.wall, None, surfaces.surface(dice.child("wall"), wall=True), towards,
                 texture_size=dice.u(0.6, 3.0), shadow=shadow, shadow_soft=soft)
    if dice.p(0.25):  # a side wall
        side = dice.pick((-1, 1)) * (w / 2 + dice.u(0.2, 1.5))
        axis_far = np.array([[side, -3, room.wall], [side, -3, -1.0], [side, 3, -1.0], [side, 3, room.wall]])
        if canvas.view.depth(axis_far).min() > 0.05:
            canvas.plane(0, side, axis_far, surfaces.paint_colour(dice, wall=True), np.array([-np.sign(side), 0, 0.0]))
    for _ in range(dice.pick((0, 0, 1, 1, 2, 3))):
        _wall_thing(dice, canvas, panel, room)
    if body is not None and body.stand == "wall" and dice.p(0.6):
        return
    up = np.array([0, -1.0, 0])
    near = max(canvas.view.centre[2] + 0.25, -6.0)
    if near < room.front - 0.05:
        floor = np.array([[-4, room.floor, room.wall], [4, room.floor, room.wall], [4, room.floor, near], [-4, room.floor, near]])
        if canvas.view.centre[1] < room.floor:
            canvas.plane(1, room.floor, floor, surfaces.surface(dice.child("floor"), wall=False), up, axes=(0, 2))
    x0, x1 = room.ends
    top = np.array([[x0, room.bench, room.wall], [x1, room.bench, room.wall], [x1, room.bench, room.front], [x0, room.bench, room.front]])
    thick = dice.u(0.02, 0.05)
    board = surfaces.surface(dice.child("bench"), wall=False)
    below = np.array([[x0, room.bench, room.front], [x1, room.bench, room.front], [x1, room.floor, room.front], [x0, room.floor, room.front]])
    canvas.plane(2, room.front, below, surfaces.paint_colour(dice, wall=False) if dice.p(0.7) else board, towards)
    rim = below.copy()
    rim[2:, 1] = room.bench + thick
    canvas.plane(2, room.front, rim, board.mean((0, 1)) * np.float32(0.8), towards)
    if canvas.view.centre[1] < room.bench:
        contact = None
        if body is not None:
            contact = np.array([[-w / 2, room.bench, -0.03], [w / 2, room.bench, -0.03], [w / 2, room.bench, room.wall], [-w / 2, room.bench, room.wall]])
        canvas.plane(1, room.bench, top, board, up, axes=(0, 2), texture_size=dice.u(0.5, 2), shadow=contact, shadow_soft=soft * 3, dark=0.5)


def _wall_thing(dice: Dice, canvas: Canvas, panel: Panel, room: Room) -> None:
    """A picture, a socket, a shelf or a window on the wall, mostly beside the set."""
    w, h = panel.width_m, panel.height_m
    side = dice.pick((-1, 1))
    cx = side * (w / 2 + dice.u(0.05, 0.9)) if dice.p(0.8) else dice.u(-w, w)
    cy = -h / 2 + dice.u(-0.6, h)
    tw, th = dice.u(0.12, 0.6), dice.u(0.1, 0.5)
    z = room.wall - 0.01
    n = np.array([0, 0, -1.0])
    rect = np.array([[cx - tw / 2, cy - th / 2, z], [cx + tw / 2, cy - th / 2, z], [cx + tw / 2, cy + th / 2, z], [cx - tw / 2, cy + th / 2, z]])
    if canvas.view.depth(rect).min() < 0.1:
        return
    canvas.face(rect, surfaces.paint_colour(dice, wall=False), n)
    rim = dice.u(0.01, 0.04)
    inner = rect + np.array([[rim, rim, -0.002], [-rim, rim, -0.002], [-rim, -rim, -0.002], [rim, -rim, -0.002]])
    kind = dice.i(0, 3)
    if kind <= 1:
        picture(canvas, inner, content.artwork.paint(dice, (96, 128)))
    else:
        canvas.face(inner, surfaces.paint_colour(dice, wall=True), n)


def picture(canvas: Canvas, corners: Points, image: NDArray[np.uint8], *, emission: float = 0.0) -> None:
    """A printed picture on a quad (4, 3): reflects, or emits `emission` cd/m2 at white (a window)."""
    pts = canvas.view.project(corners)
    box = canvas.roi(pts)
    if box is None:
        return
    x0, y0, x1, y1 = box
    ih, iw = image.shape[:2]
    src = np.array([[-0.5, -0.5], [iw - 0.5, -0.5], [iw - 0.5, ih - 0.5], [-0.5, ih - 0.5]], np.float32)
    hom = cv2.getPerspectiveTransform(src, (pts - (x0, y0)).astype(np.float32))
    tone = cv2.warpPerspective(to_linear(image), hom, (x1 - x0, y1 - y0), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    if emission > 0:
        value = tone * np.float32(emission)
    else:
        value = tone * canvas.light(box, 2, float(corners[:, 2].mean()), np.array([0, 0, -1.0])) * np.float32(0.85 / np.pi)
    mix(canvas.image[y0:y1, x0:x1], value, polygon((y1 - y0, x1 - x0), pts - (x0, y0)))


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
            canvas.box(foot - (wide, tall, deep), foot + (wide, 0, 0), albedo)
        elif kind == 3:  # a tool lying down
            a, n = dice.u(0, np.pi), dice.u(0.03, 0.12)
            d = np.array([np.cos(a), 0, np.sin(a)]) * n
            s = np.array([-np.sin(a), 0, np.cos(a)]) * dice.u(0.004, 0.012)
            canvas.face(np.array([foot - d - s, foot + d - s, foot + d + s, foot - d + s]) - (0, 0.006, 0), albedo, np.array([0, -1.0, 0]), gloss=0.05)
        else:
            _cable(dice, canvas, foot)


def in_front(dice: Dice, canvas: Canvas, panel: Panel, image: NDArray[np.uint8]) -> None:
    """A card or a circuit board leaning before the lower part of the screen."""
    w, h = panel.width_m, panel.height_m
    a = dice.u(0.15, 0.4) * h
    cx, cy = dice.u(-0.5, 0.5) * w, h / 2 + dice.u(-0.15, 0.2) * h
    turn, z = dice.u(-0.5, 0.5), -dice.u(0.03, 0.12)
    c, s = np.cos(turn) * a, np.sin(turn) * a * 0.7
    quad = np.array([[cx - c, cy - a + s, z], [cx + c, cy - a - s, z], [cx + c + s, cy + a * 0.6, z], [cx - c + s, cy + a * 0.6, z]])
    if canvas.view.depth(quad).min() > 0.1:
        picture(canvas, quad, image)


def _cable(dice: Dice, canvas: Canvas, foot: NDArray) -> None:
    pts3 = foot + np.cumsum(np.array([[0, 0, 0]] + [[dice.n(0, 0.08), 0, dice.n(0, 0.04)] for _ in range(8)]), 0)
    if canvas.view.depth(pts3).min() < 0.1:
        return
    pts = canvas.view.project(pts3)
    lux = canvas.rig.on(foot[None], np.array([0, -1.0, 0]))[0]
    tone = lux * surfaces.paint_colour(dice, wall=False) * np.float32(0.3 / np.pi)
    mask = np.zeros(canvas.image.shape[:2], np.uint8)
    cv2.polylines(mask, [np.rint(pts * 16).astype(np.int32)], False, 255, max(int(canvas.view.f * 0.004), 1), cv2.LINE_AA, 4)
    mix(canvas.image, tone, mask.astype(np.float32) / 255)


def stand(dice: Dice, canvas: Canvas, panel: Panel, body: Body, room: Room) -> None:
    """Feet or a foot between the set and the bench."""
    y0 = panel.height_m / 2 + body.bottom
    albedo = body.albedo * np.float32(dice.u(0.6, 1.1))
    if body.stand == "foot":
        neck = dice.u(0.03, 0.12)
        canvas.box(np.array([-neck, y0 - 0.01, 0.0]), np.array([neck, room.bench, 0.05]), albedo)
        wide = panel.width_m * dice.u(0.13, 0.3)
        canvas.box(np.array([-wide, room.bench - 0.012, -0.12]), np.array([wide, room.bench, 0.1]), albedo, gloss=0.03)
    elif body.stand == "feet":
        at, wide = panel.width_m * dice.u(0.22, 0.45), dice.u(0.01, 0.04)
        for side in (-1, 1):
            canvas.box(np.array([side * at - wide, y0 - 0.005, -0.08]), np.array([side * at + wide, room.bench, 0.08]), albedo)


def set_body(dice: Dice, canvas: Canvas, panel: Panel, body: Body) -> None:
    """The frame around the screen and the black rim inside it (the screen itself comes later)."""
    w, h = panel.width_m / 2, panel.height_m / 2
    z = -body.lip
    low = np.array([-w - body.left, -h - body.top, z])
    high = np.array([w + body.right, h + body.bottom, body.depth])
    canvas.box(low, high, body.albedo, front=False)
    g = body.gap

    def ring(x: float, y0: float, y1: float, depth: float) -> Points:
        return np.array([[-x, -y0, depth], [x, -y0, depth], [x, y1, depth], [-x, y1, depth]])

    outer = np.array([[low[0], low[1], z], [high[0], low[1], z], [high[0], high[1], z], [low[0], high[1], z]])
    inner = ring(w + g, h + g, h + g, z)
    # only the frame is drawn: the screen covers the middle. Its inside reaches a little too far
    # in, because a lip that stands out hides part of the rim behind it.
    under = ring(max(w - 0.02, 0.01), max(h - 0.02, 0.01), max(h - 0.02, 0.01), 0.0)
    rim = ring(w + g, h + g, h + g, 0.0)
    tilts = np.array([[0, 0.5, -1], [-0.5, 0, -1], [0, -0.5, -1], [0.5, 0, -1.0]]) * (1, body.bevel, 1)
    tilts[:, 0] *= body.bevel
    for k in range(4):
        j = (k + 1) % 4
        canvas.face(np.array([rim[k], rim[j], under[j], under[k]]), np.full(3, 0.008, np.float32), np.array([0, 0, -1.0]))
    for k in range(4):
        j = (k + 1) % 4
        canvas.face(np.array([outer[k], outer[j], inner[j], inner[k]]), body.albedo, tilts[k] / np.linalg.norm(tilts[k]), gloss=body.shine)
    if body.bottom > 0.012 and dice.p(0.5):  # an invented badge on the chin
        bw, bh = dice.u(0.02, 0.07), min(body.bottom * 0.2, 0.006)
        y = h + body.bottom * 0.55
        canvas.face(np.array([[-bw, y - bh, z - 0.001], [bw, y - bh, z - 0.001], [bw, y + bh, z - 0.001], [-bw, y + bh, z - 0.001]]),
                    np.clip(body.albedo + 0.25, 0, 0.9).astype(np.float32), np.array([0, 0, -1.0]))
    if body.led is not None:
        at = np.array([[dice.u(-0.95, 0.95) * w, h + body.bottom * 0.6, z - 0.002]])
        p = canvas.view.project(at)[0]
        r = max(canvas.view.f * 0.0025 / max(float(canvas.view.depth(at)[0]), 0.1), 1.0)
        box = canvas.roi(np.array([p - 6 * r, p + 6 * r]))
        if box is not None:
            x0, y0, x1, y1 = box
            yy, xx = np.mgrid[y0:y1, x0:x1].astype(np.float32)
            d2 = ((xx - p[0]) ** 2 + (yy - p[1]) ** 2) / r**2
            canvas.image[y0:y1, x0:x1] += (np.exp(-d2 * 2) + 0.02 * np.exp(-d2 / 8))[..., None] * body.led * np.float32(dice.lu(3, 60))


