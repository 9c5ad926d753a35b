"""Small squared-up screens with known light, for the tests of light, colour, texture and camera."""

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.light import encode
from panelvision.photo import Photo, from_array
from panelvision.squareup import Outline, ScreenView, square_up

WIDTH, HEIGHT = 960, 540


def grid(w: int = WIDTH, h: int = HEIGHT) -> tuple[FloatArray, FloatArray]:
    """Positions x, y of pixel centres as fractions, each of shape (h, w)."""
    return np.meshgrid((np.arange(w) + 0.5) / w, (np.arange(h) + 0.5) / h)


def photo_of(light: FloatArray, *, border: int = 60, seed: int = 0, noise: float = 0.0) -> Photo:
    """An 8-bit photo of linear light (h, w, 3) with a dark border, and noise in code values."""
    h, w = light.shape[:2]
    canvas = np.full((h + 2 * border, w + 2 * border, 3), 0.004, np.float32)
    canvas[border : border + h, border : border + w] = light
    codes = encode(canvas).astype(np.float32)
    if noise:
        codes += np.random.default_rng(seed).normal(0, noise, codes.shape)
    return from_array(np.clip(np.rint(codes), 0, 255).astype(np.uint8))


def view_of(photo: Photo, *, border: int = 60, width: int = WIDTH) -> ScreenView:
    """The squared-up inside of a photo of :func:`photo_of`."""
    h, w = photo.height - 2 * border, photo.width - 2 * border
    x0 = y0 = border - 0.5
    corners = np.array([[x0, y0], [x0 + w, y0], [x0 + w, y0 + h], [x0, y0 + h]])
    return square_up(photo, Outline(corners, 1.0, np.full(4, np.nan)), aspect=w / h, width=width)


def picture(seed: int = 3, w: int = WIDTH, h: int = HEIGHT) -> FloatArray:
    """A picture of flat coloured shapes and fine texture in linear light (h, w, 3)."""
    rng = np.random.default_rng(seed)
    x, y = grid(w, h)
    out = np.empty((h, w, 3), np.float32)
    out[:] = rng.uniform(0.2, 0.5, 3)
    for _ in range(14):
        cx, cy, r = rng.uniform(0, 1), rng.uniform(0, 1), rng.uniform(0.04, 0.2)
        inside = ((x - cx) ** 2 + ((y - cy) * h / w) ** 2) < r**2
        out[inside] = rng.uniform(0.05, 0.8, 3)
    out *= (1 + 0.05 * rng.standard_normal((h, w, 1))).astype(np.float32)
    return np.clip(out, 0, 1)


def odd_views() -> list[tuple[str, Photo, ScreenView]]:
    """Views that must never raise: tiny, cropped, black, white, nearly all out of the frame."""
    rng = np.random.default_rng(0)
    scene = rng.integers(0, 255, (240, 320, 3)).astype(np.uint8)
    made = []

    def add(name: str, pixels: np.ndarray, corners: list[list[float]], width: int = 960) -> None:
        photo = from_array(np.ascontiguousarray(pixels))
        outline = Outline(np.array(corners, dtype=float), 0.5, np.full(4, np.nan))
        made.append((name, photo, square_up(photo, outline, width=width)))

    whole = [[0, 0], [319, 0], [319, 239], [0, 239]]
    add("black", np.zeros_like(scene), whole)
    add("white", np.full_like(scene, 255), whole)
    add("noise", scene, whole)
    add("cropped", scene, [[-200, -100], [200, -90], [210, 160], [-190, 150]])
    add("nearly outside", scene, [[300, 200], [700, 210], [690, 460], [310, 470]])
    add("speck", scene, [[100, 100], [109, 100], [109, 106], [100, 106]])
    add("small view", scene, whole, width=64)
    return made
