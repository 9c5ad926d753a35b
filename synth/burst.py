"""Pairs and short bursts of one dark set, hand-held, with or without a change on the panel."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from synth.dice import Dice
from synth.geometry import Pose, View, rotation
from synth.light import draw_torch
from synth.picture import Sample, _size, first_shot, photograph
from synth.setup import DARK, draw_panel_picture, draw_setup


def _moved(dice: Dice, pose: Pose) -> Pose:
    """The same pose after a hand's unrest of up to a few degrees and centimetres."""
    yaw, pitch, roll = (
        pose.yaw + dice.n(0, 1.2),
        pose.pitch + dice.n(0, 1.0),
        pose.roll + dice.n(0, 0.7),
    )
    v = pose.view
    t = (
        v.t * (1 + dice.n(0, 0.015))
        + np.array([dice.n(0, 0.012), dice.n(0, 0.012), 0]) * pose.distance
    )
    view = View(v.f, v.cx, v.cy, rotation(yaw, pitch, roll), t, v.width, v.height)
    return Pose(view, yaw, pitch, roll, float(t[2]))


def draw_burst(
    seed: int,
    count: int,
    *,
    changed: bool | None = None,
    size: tuple[int, int] | None = None,
    quick: bool = False,
) -> list[Sample]:
    """`count` frames of one dark set; from the second on another picture if `changed`.

    Frames of a burst share their size unless they are cut to the screen; sensor and processing
    style only by chance, as with a phone whose automatic modes decide anew. changed None: drawn.
    ValueError if count < 1.
    """
    if count < 1:
        raise ValueError(f"count must be 1 or more, got {count}")
    dice = Dice(seed, "burst")
    differs = dice.p(0.5) if changed is None else bool(changed)
    kind = "faint-image" if differs else dice.pick(DARK)
    setup = draw_setup(seed, kind)
    if setup.light.torch == "none":
        setup = replace(setup, light=replace(setup.light, torch="phone"))
    wh = _size(dice.child("size"), size, quick)
    shot = first_shot(setup, wh)
    opened = dice.weighted({"another": 0.6, "appears": 0.25, "vanishes": 0.15})
    out = []
    for k in range(count):
        frame, what = shot, setup
        if k > 0:
            pose = _moved(dice.child(f"hand{k}"), shot.pose)
            torch = shot.torch
            if torch.kind == "phone":  # the lamp sits on the phone and moves with it
                again = draw_torch(Dice(seed, "shot", "torch"), setup.panel, pose.view, "phone")
                torch = replace(again, kind="phone")
            else:
                move = dice.child(f"torch{k}")
                torch = replace(
                    torch,
                    position=torch.position
                    + np.array([move.n(0, 0.05), move.n(0, 0.05), move.n(0, 0.03)]),
                    aim=torch.aim + np.array([move.n(0, 0.05), move.n(0, 0.05), 0]),
                )
            frame = replace(
                shot,
                pose=pose,
                torch=torch,
                dice=Dice(seed, "shot", f"frame{k}"),
                drift=dice.child(f"drift{k}").n(0, 0.06),
            )
        blank = differs and ((opened == "appears" and k == 0) or (opened == "vanishes" and k > 0))
        if differs and k > 0 and opened == "another":
            screen, truth = draw_panel_picture(setup, shot.screen.shape, again=True)
            if screen.shape == shot.screen.shape:
                frame = replace(frame, screen=screen, screen_truth=truth)
        if blank:
            what = replace(setup, symptom="no-image")
            screen, truth = draw_panel_picture(what, shot.screen.shape)
            frame = replace(frame, screen=screen, screen_truth=truth)
        frame = replace(frame, hidden=None)
        sample = photograph(what, frame, quick=quick)
        sample.truth.update(
            pair_id=f"pair{seed}", pair_index=k, changed=differs, file=f"s{seed:09d}_{k}.jpg"
        )
        sample.truth["scene"] = shot.screen_truth["scene"]
        out.append(sample)
    return out


def draw_pair(
    seed: int,
    *,
    changed: bool | None = None,
    size: tuple[int, int] | None = None,
    quick: bool = False,
) -> tuple[Sample, Sample]:
    """Two hand-held frames of one dark set; `changed` says whether the panel's picture differs."""
    a, b = draw_burst(seed, 2, changed=changed, size=size, quick=quick)
    return a, b
