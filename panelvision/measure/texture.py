"""Texture faults of a lit picture: block corruption and broken glass, in one record."""

from dataclasses import dataclass

from panelvision.measure.blocks import BlockFindings, find_blocks
from panelvision.measure.cracks import CrackFindings, find_cracks
from panelvision.photo import Photo
from panelvision.squareup import ScreenView


@dataclass(frozen=True)
class TextureFindings:
    """What texture says: `blocks` (decoder corruption) and `cracks` (broken glass)."""

    blocks: BlockFindings
    cracks: CrackFindings

    def features(self) -> dict[str, float]:
        """Named numbers; NaN where not measured."""
        return {**self.blocks.values, **self.cracks.values}


def measure_texture(photo: Photo, view: ScreenView) -> TextureFindings:
    """Measure block corruption and cracks on the squared-up screen of a photo."""
    return TextureFindings(blocks=find_blocks(view), cracks=find_cracks(view))
