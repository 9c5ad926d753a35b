"""Everything measured in one photo as one record, and as named numbers for the classifier."""

import math
from dataclasses import dataclass

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.errors import ModelError
from panelvision.locate import Location
from panelvision.measure.appearance import Appearance
from panelvision.measure.camera import CameraArtefacts
from panelvision.measure.colour import ColourFindings
from panelvision.measure.columns import ColumnFindings
from panelvision.measure.everyday import EverydayReading
from panelvision.measure.faint import FaintPicture
from panelvision.measure.glance_network import GlanceReading
from panelvision.measure.glow import GlowMap
from panelvision.measure.rows import RowFindings
from panelvision.measure.texture import TextureFindings
from panelvision.quality import PhotoQuality

# Must be raised whenever a feature changes its name or its meaning: artefacts
# trained on another version are refused.
EVIDENCE_VERSION = 13
# Features are told to so many decimals, in training and in use alike: ties stay ties.
_DECIMALS = 6


@dataclass(frozen=True)
class Evidence:
    """What the photo shows, by module; each part documents its own units."""

    quality: PhotoQuality
    location: Location
    appearance: Appearance
    faint: FaintPicture
    columns: ColumnFindings
    rows: RowFindings
    glow: GlowMap
    colour: ColourFindings
    texture: TextureFindings
    camera: CameraArtefacts
    glance: GlanceReading
    everyday: EverydayReading

    def features(self) -> dict[str, float]:
        """Named numbers in a fixed order, rounded; NaN where something could not be measured."""
        merged: dict[str, float] = {}
        parts = (
            self.quality,
            self.location,
            self.appearance,
            self.faint,
            self.columns,
            self.rows,
            self.glow,
            self.colour,
            self.texture,
            self.camera,
            self.glance,
            self.everyday,
        )
        for part in parts:
            for name, value in part.features().items():
                if name in merged:
                    raise ValueError(f"feature '{name}' is given by two measures; rename one")
                number = round(float(value), _DECIMALS) if math.isfinite(value) else math.nan
                merged[name] = number
        return merged


def feature_vector(features: dict[str, float], names: tuple[str, ...]) -> FloatArray:
    """The named features as a float64 vector in the order of ``names``.

    Raises
    ------
    ModelError
        When a name is not among the features: artefact and program do not fit.
    """
    missing = [name for name in names if name not in features]
    if missing:
        raise ModelError(
            f"the model needs the measurement '{missing[0]}' that this version does not make; "
            "retrain it or install the version it was made with"
        )
    return np.array([features[name] for name in names], dtype=np.float64)
