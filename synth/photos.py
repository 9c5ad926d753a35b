"""Photographs that ship inside scikit-image's wheel, and which of them may be drawn with.

========== ==================================================== =======================
name       what it shows                                        licence
========== ==================================================== =======================
astronaut  portrait before a flag and a model                   public domain (NASA)
camera     a man with a camera, grey                            CC0
cell       a cell, grey                                         CC0
chelsea    a cat                                                CC0
coffee     a cup of coffee                                      CC0
coins      coins, grey                                          no known restrictions
hubble     deep field of galaxies                               public domain (NASA)
ihc        stained tissue                                       no known restrictions
retina     fundus of an eye                                     CC0
rocket     a launch                                             public domain
brick      a wall, grey texture                                 CC0
grass      a lawn, grey texture                                 CC0
gravel     gravel, grey texture                                 CC0
========== ==================================================== =======================

Licences as the docstrings of `skimage.data` state them. scikit-learn bundles two more (`china`
and `flower`, CC BY 2.0); they are left out on purpose, because the rendered photographs that
judge the trained model show the same two pictures, and a model must not have seen them.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import skimage

from synth.arrays import Bytes
from synth.dice import Dice
from synth.encode import decode_rgb

_FILES = {
    "astronaut": "astronaut.png",
    "camera": "camera.png",
    "cell": "cell.png",
    "chelsea": "chelsea.png",
    "coffee": "coffee.png",
    "coins": "coins.png",
    "hubble": "hubble_deep_field.jpg",
    "ihc": "ihc.png",
    "retina": "retina.jpg",
    "rocket": "rocket.jpg",
    "brick": "brick.png",
    "grass": "grass.png",
    "gravel": "gravel.png",
}
#: Shown on screens and in frames. The index is the scene id, so that no picture leaks.
PICTURES = (
    "astronaut",
    "camera",
    "cell",
    "chelsea",
    "coffee",
    "coins",
    "hubble",
    "ihc",
    "retina",
    "rocket",
)
#: Colour photographs of things whose colours everyone knows.
LIFELIKE = ("astronaut", "chelsea", "coffee", "rocket")
TEXTURES = ("brick", "grass", "gravel")


@lru_cache(maxsize=24)
def load(name: str) -> Bytes:
    """The bundled picture as (H, W, 3) 8-bit sRGB, read-only. KeyError for an unknown name."""
    path = Path(skimage.__file__).parent / "data" / _FILES[name]
    rgb = decode_rgb(path.read_bytes())
    rgb.setflags(write=False)
    return rgb


def crop(dice: Dice, picture: Bytes, shape: tuple[int, int]) -> Bytes:
    """A random crop with the shape's aspect, resized to it; mirrored half of the time."""
    h, w = shape
    ph, pw = picture.shape[:2]
    scale = min(pw / w, ph / h) * dice.u(0.6, 1.0)
    cw, ch = max(int(w * scale), 8), max(int(h * scale), 8)
    x, y = dice.i(0, pw - cw), dice.i(0, ph - ch)
    part = picture[y : y + ch, x : x + cw]
    if dice.p(0.5):
        part = part[:, ::-1]
    way = cv2.INTER_AREA if cw > w else cv2.INTER_CUBIC
    return cv2.resize(np.ascontiguousarray(part), (w, h), interpolation=way)
