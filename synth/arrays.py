"""Names for arrays. OpenCV's type stubs do not know element types, so neither can these."""

from __future__ import annotations

from typing import Any, TypeAlias

from numpy.typing import NDArray

#: float32 array: light, masks, maps.
Floats: TypeAlias = NDArray[Any]
#: uint8 array: sRGB pictures.
Bytes: TypeAlias = NDArray[Any]
