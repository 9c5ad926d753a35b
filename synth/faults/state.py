"""The picture on its way to the eye, which every fault changes in place."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from synth.arrays import Bytes, Floats
from synth.panel import Panel


@dataclass
class Screen:
    """What the panel does at one moment.

    panel: the set. drive: (H, W, 3) linear light 0..1 the cells are driven with. glow: (h, w) or
    (h, w, 3) coarse backlight relative to its healthy mean. truth: what was done, in the terms of
    the rendered sets' truth files, positions as fractions of the active area. changed: where the
    fault changed the picture, (36, 64) over the active area, 0..255; None where there is no fault
    or it is all of the picture.
    """

    panel: Panel
    drive: Floats
    glow: Floats
    truth: dict[str, Any] = field(default_factory=dict)
    changed: Bytes | None = None

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width of the texture in pixels."""
        return self.drive.shape[0], self.drive.shape[1]
