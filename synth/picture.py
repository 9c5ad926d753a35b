"""Take the photograph: put set, room, light and camera together and keep the truth of it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from synth import encode, optics, phone, sensor
from synth.arrays import Bytes, Floats
from synth.body import Body, set_body, stand
from synth.canvas import Canvas
from synth.dice import Dice
from synth.dirt import draw_dirt
from synth.faults.state import Screen
from synth.fields import Field, blur, mix, quad_mask, scale
from synth.geometry import Pose, View, draw_pose, glass_corners, panel_corners
from synth.lens import PINHOLE, distort_points, finish_optics, moire, native_sampling
from synth.light import Rig, Torch, draw_torch, room_image, torch_mirror
from synth.nonscreens import circuit_board, document, draw_nonscreen
from synth.scene import another_screen, background, clutter, draw_room, in_front, uneven_light
from synth.setup import DARK, Setup, draw_panel_picture, draw_setup, scene_id

Array = Floats
SIZES = {
    "1600x1200": 0.34,
    "1200x1600": 0.1,
    "2016x1512": 0.07,
    "1512x2016": 0.04,
    "1280x960": 0.08,
    "960x1280": 0.05,
    "1400x1050": 0.06,
    "1920x1080": 0.06,
    "1080x1920": 0.03,
    "1024x768": 0.04,
    "1500x1500": 0.01,
    "1800x1350": 0.02,
    "800x600": 0.04,
    "600x800": 0.02,
    "640x480": 0.04,
    "420x316": 0.02,
}


#: Least `faint_snr_feature` of a dark set's photo, drawn for each; 2 is about the limit of sight.
_CLEAR = (0.7, 5.0)
#: Share of the photos that are cut before they are sent. chosen
_CROPPED = 0.07
_TRIES = 2


@dataclass(frozen=True)
class Sample:
    """One drawn photograph. jpeg: encoded bytes. truth: see the package docstring. changed: where
    the fault changed the panel's picture, as of `synth.faults.state.Screen`.
    """

    jpeg: bytes
    truth: dict[str, Any]
    changed: Bytes | None = None


@dataclass(frozen=True)
class Frame:
    """A photograph before the sensor: radiance (H, W, 3) cd/m2 without noise, and its truth."""

    radiance: Array
    truth: dict[str, Any]


def _size(dice: Dice, size: tuple[int, int] | None, quick: bool) -> tuple[int, int]:
    if size is None:
        w, h = (int(v) for v in dice.weighted(SIZES).split("x"))
    else:
        w, h = size
        if min(w, h) < 160:
            raise ValueError(f"size must be at least 160 x 160 pixels, got {w} x {h}")
    if quick and size is None:
        shrink = 800 / max(w, h)
        w, h = round(w * shrink), round(h * shrink)
    return w - w % 2, h - h % 2


def texture_shape(corners: NDArray, aspect: float) -> tuple[int, int]:
    """Texture (h, w) with about one and a sixth texels to the photo pixel at the widest place."""
    c = np.asarray(corners)
    sides = [np.hypot(*(c[a] - c[b])) for a, b in ((0, 1), (3, 2))]
    uprights = [np.hypot(*(c[a] - c[b])) * aspect for a, b in ((0, 3), (1, 2))]
    return shape_of_width(int(np.clip(1.15 * max(*sides, *uprights), 320, 2200)), aspect)


def shape_of_width(width: int, aspect: float) -> tuple[int, int]:
    """Rows and columns of a panel's picture of a width."""
    return max(round(width / aspect), 180), width


def _glass_reach(dice: Dice, body: Body) -> float:
    """How far the front glass goes beyond the active area, metres: over the rim, or to the edge."""
    narrow = min(body.left, body.top, body.bottom)
    return narrow * 0.95 if narrow < 0.022 and dice.p(0.35) else body.gap


def _warp(
    texture: Array,
    corners: NDArray,
    box: tuple[int, int, int, int],
    border: int = cv2.BORDER_REPLICATE,
) -> Array:
    """Texture onto the quad `corners`, for the pixel box only; beyond the quad as `border` says."""
    th, tw = texture.shape[:2]
    x0, y0, x1, y1 = box
    src = np.array(
        [[-0.5, -0.5], [tw - 0.5, -0.5], [tw - 0.5, th - 0.5], [-0.5, th - 0.5]], np.float32
    )
    hom = cv2.getPerspectiveTransform(src, (np.asarray(corners) - (x0, y0)).astype(np.float32))
    return cv2.warpPerspective(
        texture, hom, (x1 - x0, y1 - y0), flags=cv2.INTER_LINEAR, borderMode=border
    )


@dataclass(frozen=True)
class Shot:
    """How one frame of a set differs from another: pose, torch, picture, random stream."""

    pose: Pose
    torch: Torch
    screen: Screen
    screen_truth: dict[str, Any]
    dirt: Field | None
    dirt_kinds: list[str]
    dice: Dice
    drift: float = 0.0
    hidden: Screen | None = None  # what a set without a picture might have shown


def _flicker(
    dice: Dice, radiance: Array, corners: NDArray, exposure_s: float
) -> dict[str, Any] | None:
    """A dimmed backlight seen through the rolling shutter: bars along the sensor's rows, in place.

    The sensor is held landscape in the phone's terms, so its rows are the columns of an upright
    photo that is taller than wide. Returns the truth, or None for a steady light.
    """
    if not dice.p(0.4):
        return None
    h, w = radiance.shape[:2]
    upright = h > w
    rows = w if upright else h
    frequency, duty = (
        dice.pick((100.0, 120.0, 180.0, 200.0, 240.0, 360.0, 480.0, 960.0)),
        dice.u(0.25, 0.95),
    )
    gain = sensor.banding(
        rows,
        row_s=dice.u(0.012, 0.032) / rows,
        exposure_s=exposure_s,
        frequency=frequency,
        duty=duty,
        phase_s=dice.u(0, 0.01),
    )
    if dice.p(0.5):  # most of the current is steady
        gain = 1 + np.float32(dice.u(0.1, 0.7)) * (gain - 1)
    mask = quad_mask((h, w), corners)
    ripple = float((gain.max() - gain.min()) / (2 * gain.mean()))
    if ripple > 1e-3:
        mask *= (gain[None, :] if upright else gain[:, None]) - 1
        mask += 1
        scale(radiance, mask)
    return {
        "freq_hz": frequency,
        "duty": round(duty, 3),
        "ripple": round(ripple, 4),
        "parallel_to": "columns" if upright else "rows",
    }


def render(setup: Setup, shot: Shot) -> Frame:
    """Noise-free light on the sensor for a set, and everything true about it but the camera."""
    panel, body = setup.panel, setup.body
    view = shot.pose.view
    dark = setup.symptom in DARK
    w, h = view.width, view.height
    corners = view.project(panel_corners(panel))
    fixed = Dice(setup.seed, "room")
    area = panel.width_m * panel.height_m
    if dark:
        light = np.zeros((1, 1, 3), np.float32)
        shown = np.zeros(3, np.float32)
    else:
        light = optics.emitted(shot.screen, view)
        shown = light[::8, ::8].mean((0, 1))
    rig = Rig(
        shot.torch,
        setup.light.lux,
        setup.light.colour,
        setup.light.tilt,
        setup.light.name,
        shown,
        area,
    )
    room = draw_room(fixed.child("place"), panel, body, view.centre)
    back = Canvas(view.scaled(0.5), rig)
    background(fixed.child("background"), back, panel, body, room)
    pools = fixed.child("pools")
    if pools.p(0.6):
        uneven_light(pools, back)
    clutter_dice = fixed.child("clutter")
    canvas = Canvas(view, rig)
    cv2.resize(back.image, (w, h), dst=canvas.image, interpolation=cv2.INTER_LINEAR)
    beside = fixed.child("beside")
    if beside.p(0.05):
        another_screen(beside, canvas, panel, body)
    stand(fixed.child("stand"), canvas, panel, body, room.bench)
    set_body(fixed.child("body"), canvas, panel, body)
    outer = view.project(glass_corners(panel, _glass_reach(fixed.child("glass"), body)))
    box = canvas.roi(outer)
    faint = optics.faint_term(shot.screen) if dark else None
    room_mean = 0.0
    if box is not None:
        x0, y0, x1, y1 = box
        own = rig if dark else replace(rig, screen_area=0.0)
        texture = optics.returned(shot.screen, own, shot.dirt, faint=faint)
        if not dark:
            texture += light
        glass = _warp(texture, corners, box)
        skin = _warp(
            optics.front_light(panel, own, shot.dirt), corners, box, border=cv2.BORDER_REFLECT
        )
        gh, gw = max((y1 - y0) // 6, 2), max((x1 - x0) // 6, 2)
        mirror = room_image(
            fixed.child("mirror"), rig, (gh, gw), lit_room=setup.light.name != "dark"
        )
        if shot.drift:
            mirror = np.roll(mirror, (int(shot.drift * gh * 0.4), int(shot.drift * gw)), (0, 1))
        mirror *= np.float32(panel.mirror)
        room_mean = float(mirror.mean())
        if rig.torch.kind != "none":
            px, py = np.meshgrid(
                x0 + (np.arange(gw) + 0.5) * 6 - 0.5, y0 + (np.arange(gh) + 0.5) * 6 - 0.5
            )
            lobe = torch_mirror(rig.torch, panel, view, view.on_plane(px, py, 2, 0.0))
            mirror = mirror + lobe[..., None] * rig.torch.colour
        if "reflections" not in setup.without:
            shine = cv2.resize(mirror, (x1 - x0, y1 - y0), interpolation=cv2.INTER_LINEAR)
            glass += shine
            skin += shine
        active = quad_mask((y1 - y0, x1 - x0), corners, offset=(x0, y0))
        # What lies on the glass, or is mirrored by it, does not end where the picture ends.
        rim = np.maximum(quad_mask((y1 - y0, x1 - x0), outer, offset=(x0, y0)) - active, 0)
        canvas.image[y0:y1, x0:x1] += skin * rim[..., None]
        mix(canvas.image[y0:y1, x0:x1], glass, active)
    clutter(clutter_dice, canvas, panel, body, room)
    front = fixed.child("in front")
    if not dark and front.p(0.07):
        in_front(
            front,
            canvas,
            panel,
            circuit_board(front, 240, 320) if front.p(0.5) else document(front, 320, 240),
        )
    return Frame(
        canvas.image, {"corners": corners, "rig": rig, "room_mean": room_mean, "faint": faint}
    )


class TooFaint(Exception):
    """A photo in which a faint picture is not, or would not have been, as clear as asked for."""


def photograph(setup: Setup, shot: Shot, *, quick: bool = False, least_snr: float = 0.0) -> Sample:
    """The whole way from a set to JPEG bytes with truth.

    Raises TooFaint where a dark set's picture, or the one that it might have shown, has a
    `faint_snr_feature` below `least_snr`.
    """
    frame = render(setup, shot)
    return _finish(setup, shot, frame, quick=quick, least_snr=least_snr)


def _finish(
    setup: Setup,
    shot: Shot,
    frame: Frame,
    *,
    quick: bool,
    least_snr: float = 0.0,
    scene_name: str | None = None,
    photo: str | None = None,
) -> Sample:
    dice = shot.dice.child("camera")
    view = shot.pose.view
    w, h = view.width, view.height
    dark, panel = setup.symptom in DARK, setup.panel
    has_screen = scene_name is None
    without = setup.without
    blurs, lens = finish_optics(dice.child("lens"), (w, h), quick=quick)
    if "lens" in without:
        blurs, radiance = PINHOLE, frame.radiance
    else:
        radiance = lens(frame.radiance)
    corners = distort_points(frame.truth["corners"], blurs, (w, h)) if has_screen else None
    chip = sensor.draw_sensor(
        dice.child("sensor"), night=setup.light.name != "lit" and shot.torch.kind != "none"
    )
    if "noise" in without:
        chip = sensor.noiseless(chip)
    exposure = sensor.meter(dice.child("meter"), radiance, chip)
    figures = None
    if dark and corners is not None:
        hidden = shot.hidden or shot.screen
        figures = optics.faint_figures(
            hidden,
            frame.truth["faint"] if shot.hidden is None else optics.faint_term(hidden),
            frame.truth["rig"],
            shot.dirt,
            view,
            frame.truth["room_mean"],
            electrons_per_cd_s=chip.electrons_per_cd * exposure.seconds,
            read_e=chip.read_e,
            pixels_across=float(np.hypot(*(corners[1] - corners[0]))),
        )
        if figures.snr_feature < least_snr:
            raise TooFaint
    moire_depth, pwm = 0.0, None
    if corners is not None and not dark:
        pwm = _flicker(dice.child("pwm"), radiance, corners, exposure.seconds)
    if corners is not None and not dark and not quick:
        sampling = native_sampling(dice.child("grid"), blurs, (w, h))
        moire_depth = moire(radiance, corners, panel, sampling)
    raw = sensor.expose(dice.child("noise"), radiance, chip, exposure)
    taste = phone.draw_processing(dice.child("phone"), exposure.iso)
    taste = phone.adapted(dice.child("white"), taste, radiance)
    if "phone" in without:
        taste = phone.PLAIN
    grey = 0.1 * chip.full_well * 50 / exposure.iso
    noise_hint = 255 * 0.45 * float(np.sqrt(grey + chip.read_e**2)) / grey * 0.35
    picture = phone.develop(sensor.demosaic(raw), chip, taste, noise_hint=noise_hint)
    crop = Dice(setup.seed, "crop")
    if corners is not None:
        picture, corners = _cropped(crop, picture, corners)
    else:
        picture = _cut(crop, picture)
    h, w = picture.shape[:2]
    out = dice.child("file")
    messenger = out.p(0.22) and "file" not in without
    if messenger:
        if out.p(0.6):  # the phone's own file is a JPEG already
            picture = encode.decode_rgb(encode.jpeg(picture, quality=out.i(85, 96)))
        long_side = out.pick((1600, 1280, 1280, 1024, 960))
        if long_side < max(w, h):
            s = long_side / max(w, h)
            nw, nh = round(w * s), round(h * s)
            picture = cv2.resize(picture, (nw, nh), interpolation=cv2.INTER_AREA)
            if corners is not None:
                corners = (corners + 0.5) * np.array([nw / w, nh / h]) - 0.5
            w, h = nw, nh
    quality = out.i(55, 80) if messenger else out.i(62, 97)
    if "file" in without:
        quality = 97
    orientation = int(out.weighted({"1": 0.62, "3": 0.12, "6": 0.16, "8": 0.1}))
    data = encode.jpeg(picture, quality=quality, orientation=orientation, subsample=out.p(0.85))
    truth: dict[str, Any] = {"file": f"s{setup.seed:09d}.jpg", "symptom": setup.symptom}
    if has_screen:
        truth.update({k: v for k, v in shot.screen_truth.items() if k != "scene"})
        assert corners is not None
        inside = bool(
            (corners >= -0.5).all()
            and (corners[:, 0] <= w - 0.5).all()
            and (corners[:, 1] <= h - 0.5).all()
        )
        if dark:
            truth["panel"] = {
                "haze": round(panel.haze, 5),
                "T_max": round(panel.t_max, 5),
                "R": round(panel.reflectance, 5),
                "contrast": round(panel.contrast, 5),
                "gap_mm": round(panel.gap_mm, 5),
            }
            assert figures is not None
            if shot.hidden is not None:
                truth["hidden_snr_feature"] = round(figures.snr_feature, 3)
                figures = optics.FaintFigures(0.0, 0.0, 0.0, 0.0)
            truth.update(
                faint_contrast=round(figures.contrast, 5),
                faint_contrast_local=round(figures.local, 5),
                faint_snr=round(figures.snr, 4),
                faint_snr_feature=round(figures.snr_feature, 3),
                texture_width=shot.screen.shape[1],
            )
        else:
            truth.update(
                moire=round(moire_depth, 4) if moire_depth >= 0.01 else False,
                pwm=pwm,
                peak_cd_m2=round(panel.peak),
                faint_contrast=None,
                faint_snr=None,
            )
        truth.update(
            corners=[[round(float(x), 2), round(float(y), 2)] for x, y in corners],
            fully_visible=inside,
            aspect=round(panel.aspect, 4),
            diagonal_inch=round(panel.diagonal_inch, 1),
            gloss_alpha=round(panel.gloss, 3),
            dirt=shot.dirt_kinds,
            scene=shot.screen_truth["scene"],
        )
    else:
        truth.update(
            scene=scene_id(setup.seed, photo),
            scene_name=scene_name,
            corners=None,
            fully_visible=False,
        )
    truth.update(
        size=[w, h],
        torch=shot.torch.kind,
        ambient=setup.light.name,
        ambient_lux=round(setup.light.lux, 4),
        yaw=round(shot.pose.yaw, 2),
        pitch=round(shot.pose.pitch, 2),
        roll=round(shot.pose.roll, 2),
        blur={"defocus_px": round(blurs.defocus, 2), "motion_px": round(blurs.motion, 2)},
        exposure_s=round(exposure.seconds, 5),
        iso=round(exposure.iso),
        jpeg_quality=quality,
        messenger=messenger,
        exif_orientation=orientation,
        gps=False,
        pair_id=None,
        changed=None,
        seed=setup.seed,
    )
    return Sample(data, truth, None if shot.screen is None else shot.screen.changed)


def _cut(dice: Dice, picture: Bytes) -> Bytes:
    """The same of a photo without a screen, as often: its shape must not tell that it has none."""
    if not dice.p(_CROPPED):
        return picture
    h, w = picture.shape[:2]
    wide = dice.u(0.35, 1.0) * w
    wide, tall = int(wide), int(min(wide / dice.lu(0.7, 2.3), h))
    if min(wide, tall) < 240:
        return picture
    x, y = dice.i(0, w - wide), dice.i(0, h - tall)
    return np.ascontiguousarray(picture[y : y + tall, x : x + wide])


def _cropped(dice: Dice, picture: Bytes, corners: NDArray) -> tuple[Bytes, NDArray]:
    """Some people cut a photo to the screen before they send it; its corners move with it."""
    if not dice.p(_CROPPED):
        return picture, corners
    h, w = picture.shape[:2]
    margin = dice.array(-0.01, 0.05, (4,)) * float(np.ptp(corners, axis=0).max())
    low = np.clip(np.rint(corners.min(0) - margin[:2]), 0, (w, h)).astype(int)
    high = np.clip(np.rint(corners.max(0) + margin[2:]), 0, (w, h)).astype(int)
    if (high - low).min() < 240:
        return picture, corners
    cut = np.ascontiguousarray(picture[low[1] : high[1], low[0] : high[0]])
    return cut, corners - low


def first_shot(setup: Setup, size: tuple[int, int], *, again: int = 0) -> Shot:
    """The first frame of a set: pose, torch, picture and dirt; `again`: taken another time."""
    dice = Dice(setup.seed, f"shot{again}" if again else "shot")
    pose = draw_pose(dice.child("pose"), setup.panel, size, dark=setup.symptom in DARK)
    torch = draw_torch(dice.child("torch"), setup.panel, pose.view, setup.light.torch)
    torch = replace(torch, kind=setup.light.torch)
    shape = texture_shape(pose.view.project(panel_corners(setup.panel)), setup.panel.aspect)
    screen, truth = draw_panel_picture(setup, shape)
    dirt, kinds = draw_dirt(dice.child("dirt"), shape, heavy=setup.symptom in DARK)
    if "dirt" in setup.without:
        dirt, kinds = None, []
    hidden = None
    if setup.symptom == "no-image":
        hidden, _ = draw_panel_picture(replace(setup, symptom="faint-image"), shape)
    return Shot(pose, torch, screen, truth, dirt, kinds, dice.child("frame0"), hidden=hidden)


def draw_photo(
    seed: int,
    *,
    symptom: str | None = None,
    size: tuple[int, int] | None = None,
    quick: bool = False,
    without: Iterable[str] = (),
) -> Sample:
    """Draw one photograph; the public `synth.draw`.

    without: stages of image formation to leave out (`synth.STAGES`); all else stays as it is.
    """
    setup = draw_setup(seed, symptom, without=without)
    wh = _size(Dice(seed, "size"), size, quick)
    if setup.symptom == "not-a-screen":
        return _draw_nonscreen(setup, wh, quick=quick)
    if setup.symptom in DARK:
        return _clear_enough(setup, wh, quick=quick)
    return photograph(setup, first_shot(setup, wh), quick=quick)


def _clear_enough(setup: Setup, size: tuple[int, int], *, quick: bool) -> Sample:
    """A dark set's photo in which a faint picture shows, where there is one.

    How clearly at least, down to the barely visible, is drawn for both labels alike; the last try
    stays as it is. Stages that are left out have no say in which try that is.
    """
    least = Dice(setup.seed, "clear").lu(*_CLEAR)
    whole = replace(setup, without=frozenset())
    for again in range(_TRIES + 1):
        shot = first_shot(whole, size, again=again)
        try:
            sample = photograph(
                whole, shot, quick=quick, least_snr=least if again < _TRIES else 0.0
            )
        except TooFaint:
            continue
        break
    if not setup.without:
        return sample
    return photograph(setup, first_shot(setup, size, again=again), quick=quick)


def _draw_nonscreen(setup: Setup, size: tuple[int, int], *, quick: bool) -> Sample:
    dice = Dice(setup.seed, "shot")
    pose = draw_pose(dice.child("pose"), setup.panel, size, dark=False)
    torch = replace(
        draw_torch(dice.child("torch"), setup.panel, pose.view, setup.light.torch),
        kind=setup.light.torch,
    )
    rig = Rig(
        torch,
        setup.light.lux,
        setup.light.colour,
        setup.light.tilt,
        setup.light.name,
        np.zeros(3, np.float32),
        0.0,
    )
    view: View = pose.view
    canvas = Canvas(view, rig)
    room = draw_room(dice.child("place"), setup.panel, setup.body, view.centre)
    name, photo = draw_nonscreen(
        dice.child("nonscreen"), canvas, setup.panel, setup.body, room, pose
    )
    image = canvas.image
    if name == "covered" or dice.p(0.06):
        image = blur(image, size[0] * dice.lu(0.005, 0.04))
    shot = Shot(pose, torch, None, {}, None, [], dice.child("frame0"))  # type: ignore[arg-type]
    return _finish(
        setup,
        shot,
        Frame(np.ascontiguousarray(image), {}),
        quick=quick,
        scene_name=name,
        photo=photo,
    )
