"""synth draws what the bench sees: a panel, its fault, the light and the camera, with exact truth.

`draw` gives one photograph, `draw_pair` two hand-held frames of one dark set, `draw_screen` the
squared-up panel without room and camera. One seed gives one picture, whatever the number of
workers (with the same library versions and processor family; other ones may round differently).

Truth follows the rendered sets' truth files: `corners` (tl, tr, br, bl in pixels of the upright
photo, the first pixel's centre is (0, 0); None for not-a-screen), `symptom`, the fault's own
fields as fractions of the active area, light, camera; and besides: `scene` (an integer; samples
with equal scene must stay on one side of any split), `seed`, for dark sets `texture_width`, and
`also` where a second, lesser fault stands beside the labelled one (its symptom and its own fields;
its places stand among the first's).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from synth.arrays import Floats
from synth.burst import draw_burst, draw_pair
from synth.optics import emitted, faint_term
from synth.picture import Sample, draw_photo, first_shot, shape_of_width
from synth.setup import DARK, LABELS, STAGES, draw_panel_picture, draw_setup

#: Raised whenever the drawing changes, because caches of measurements key on it.
VERSION = 17

draw = draw_photo


def draw_screen(seed: int, symptom: str, *, width: int = 960) -> tuple[Floats, dict[str, Any]]:
    """The squared-up panel as linear light (H, W, 3) float32 without noise, and its truth.

    Lit panels: share of the white luminance, 0..1 or a little above. Dark panels: the returned
    share R T (T conv h) of the torch's light. What is drawn depends on the width (text is set to
    whole pixels): a dark photo's own picture has its truth's `texture_width`. ValueError for
    not-a-screen and unknown labels.
    """
    setup = draw_setup(seed, symptom)
    if symptom == "not-a-screen":
        raise ValueError("not-a-screen has no panel to draw")
    shape = shape_of_width(width, setup.panel.aspect)
    screen, truth = draw_panel_picture(setup, shape)
    truth.update(symptom=symptom, seed=seed, aspect=round(setup.panel.aspect, 4))
    if symptom in DARK:
        return faint_term(screen), truth
    frontal = first_shot(setup, (640, 480)).pose.view
    return emitted(screen, frontal) / np.float32(setup.panel.peak), truth


__all__ = [
    "LABELS",
    "STAGES",
    "VERSION",
    "Sample",
    "draw",
    "draw_burst",
    "draw_pair",
    "draw_screen",
]
