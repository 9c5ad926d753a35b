"""Squared-up screens with known faults, drawn here by hand for tests of the measures.

Nothing of the renderer in ``synth`` is used: a test of the eye is not to share code with
what trained it.
"""

from functools import lru_cache

import cv2
import numpy as np

from panelvision.arrays import FloatArray
from panelvision.light import encode
from panelvision.photo import Photo, from_array
from panelvision.squareup import Outline, ScreenView, square_up

WIDTH, HEIGHT = 960, 540


def picture(seed: int = 0, *, width: int = WIDTH, height: int = HEIGHT) -> FloatArray:
    """A picture-like scene in linear light, (height, width, 3): soft shapes, edges, detail."""
    return _picture(seed, width, height).copy()


@lru_cache(maxsize=32)
def _picture(seed: int, width: int, height: int) -> FloatArray:
    rng = np.random.default_rng(seed)

    def cloud(size: float) -> FloatArray:
        """Noise with features of about this many pixels, standard deviation 1."""
        small = (max(4, round(width / size)), max(4, round(height / size)))
        grains = rng.normal(size=small[::-1])
        wide = cv2.resize(grains, (width, height), interpolation=cv2.INTER_CUBIC)
        return wide / wide.std()

    scene = np.empty((height, width, 3))
    for channel in range(3):
        scene[..., channel] = 0.35 + 0.1 * cloud(100) + 0.06 * np.sign(cloud(70))
    scene += 0.06 * cloud(5)[..., None]
    return np.clip(scene, 0.02, 0.95)


def photo_of(light: FloatArray, *, noise: float = 0.004, blur: float = 0.8, seed: int = 1) -> Photo:
    """A photo that sees exactly this linear light, blurred (pixels) and noisy, 8 bits."""
    rng = np.random.default_rng(seed)
    grain = rng.normal(0, noise, light.shape)
    seen = cv2.GaussianBlur(light, (0, 0), blur, borderType=cv2.BORDER_REPLICATE) + grain
    return from_array(encode(np.clip(seen, 0, 1)))


def frame(photo: Photo) -> Outline:
    """The outline when the screen fills the photo's frame exactly."""
    w, h = photo.width - 0.5, photo.height - 0.5
    corners = np.array([[-0.5, -0.5], [w, -0.5], [w, h], [-0.5, h]])
    return Outline(corners, 1.0, np.full(4, 0.5))


def seen(
    light: FloatArray, *, noise: float = 0.004, blur: float = 0.8, seed: int = 1
) -> tuple[Photo, ScreenView]:
    """Photo and squared-up view of linear light (h, w, 3) that fills the frame."""
    photo = photo_of(light, noise=noise, blur=blur, seed=seed)
    view = square_up(photo, frame(photo), aspect=light.shape[1] / light.shape[0])
    return photo, view
