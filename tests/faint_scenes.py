"""Torch-lit dark screens with every part known: for known answers and for counting false alarms.

Draws from the torch equation (light on the glass times haze plus panel, dirt, mirror image,
room, sensor noise, phone processing, JPEG), simply: no room, no moire. Numbers are drawn
from ranges chosen to span what the domain notes state (from memory).
"""

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]


@dataclass(frozen=True)
class Scene:
    """One drawn photo and what it is made of.

    Attributes
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
        The photo, sRGB.
    corners : ndarray of shape (4, 2)
        Of the active area, photo pixels.
    contrast : float
        RMS of the picture's relative modulation over the glass; 0 without a picture.
    light : ndarray of shape (h, w, 3)
        Noise-free screen without the picture, linear.
    pattern : ndarray of shape (h, w, 3)
        Relative modulation by the picture, at the same places.
    """

    pixels: NDArray[np.uint8]
    corners: NDArray[np.float64]
    contrast: float
    light: Field
    pattern: Field
    nuisances: tuple[str, ...] = field(default=())


NUISANCES = ("dust", "smears", "scratches", "reflections", "blocks")


def picture(rng: np.random.Generator, kind: str, shape: tuple[int, int]) -> Field:
    """Linear light of a test picture, 0..1, (h, w, 3): ``menu``, ``text``, ``shapes``, ``bars``."""
    h, w = shape
    if kind == "bars":
        n = int(rng.integers(5, 9))
        colours = rng.uniform(0.02, 1, (n, 3)) ** 2
        return np.repeat(colours[(np.arange(w) * n // w)][None], h, 0).astype(np.float32)
    ground = rng.uniform(0, 0.5, 3) ** 2
    if kind == "text":
        ground = rng.uniform(0.7, 1, 3)
    out = np.broadcast_to(ground, (h, w, 3)).astype(np.float32).copy()
    if kind == "shapes":
        y, x = np.mgrid[0:h, 0:w].astype(np.float32)
        for _ in range(int(rng.integers(4, 14))):
            cx, cy = rng.uniform(0, w), rng.uniform(0, h)
            a, b, turn = (
                rng.uniform(0.05, 0.35) * w,
                rng.uniform(0.05, 0.35) * w,
                rng.uniform(0, 3.1),
            )
            u = ((x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)) / a
            v = (-(x - cx) * np.sin(turn) + (y - cy) * np.cos(turn)) / b
            inside = (u * u + v * v < 1) if rng.random() < 0.5 else (np.abs(u) + np.abs(v) < 1)
            out[inside] = rng.uniform(0.02, 1, 3) ** 1.5
        texture = cv2.resize(
            rng.normal(0, 1, (h // 8 + 1, w // 8 + 1)).astype(np.float32),
            (w, h),
            interpolation=cv2.INTER_CUBIC,
        )
        return np.clip(out * (1 + 0.15 * texture[..., None]), 0, 1).astype(np.float32)
    if kind == "menu":
        x0, y0 = int(rng.uniform(0.02, 0.4) * w), int(rng.uniform(0.05, 0.3) * h)
        x1, y1 = int(rng.uniform(0.6, 0.98) * w), int(rng.uniform(0.6, 0.95) * h)
        out[y0:y1, x0:x1] = rng.uniform(0, 1, 3) ** 2
    else:
        x0, y0, x1, y1 = int(0.04 * w), int(0.05 * h), int(0.96 * w), int(0.96 * h)
    ink = rng.uniform(0, 1, 3) if kind == "menu" else rng.uniform(0, 0.1, 3)
    size = rng.uniform(0.03, 0.06) * h
    for top in np.arange(y0 + size, y1 - size, size * rng.uniform(1.6, 2.4)):
        at = x0 + 0.02 * w
        end = x0 + (x1 - x0) * rng.uniform(0.3, 0.95)
        if kind == "menu" and rng.random() < 0.12:
            out[int(top) : int(top + size * 1.4), x0:x1] = rng.uniform(0, 1, 3)
        while at < end:
            step = size * rng.uniform(0.25, 0.6)
            if rng.random() > 0.15:
                a, b = int(at), int(at + step * 0.7)
                mid = int(top + size * rng.uniform(0, 0.6))
                out[int(top) : int(top + size), a : a + max(1, int(size / 7))] = ink
                out[mid : mid + max(1, int(size / 7)), a:b] = ink
            at += step
    return out


def draw(
    seed: int,
    *,
    kind: str | None = None,
    pictured: Field | None = None,
    contrast: float | None = None,
    nuisances: tuple[str, ...] | None = None,
    size: tuple[int, int] = (1200, 900),
    exposure: float | None = None,
    hand: int | None = None,
) -> Scene:
    """Draw one scene.

    Parameters
    ----------
    kind : str, optional
        Kind of :func:`picture`; None (and no ``pictured``) draws a panel without a picture.
    pictured : ndarray (h, w, 3), optional
        Linear light of the picture shown instead.
    contrast : float, optional
        RMS contrast to give the picture; by default what the optics drawn make of it.
    nuisances : tuple of str, optional
        Of :data:`NUISANCES`; by default a random choice.
    hand : int, optional
        Another frame of the same set: panel, dirt, room and picture as of ``seed``; camera
        moved by some degrees, torch by some centimetres, reflections with them, fresh noise.
    """
    rng = np.random.default_rng(seed)
    moved = np.random.default_rng([seed, 7, hand or 0])
    shake = moved.normal(0, 1, 8) * (hand is not None)
    width, height = size
    w, h = 960, 540
    if nuisances is None:
        nuisances = tuple(n for n in NUISANCES if rng.random() < 0.5)
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    x, y = x / w, y / h
    corners = _corners(rng, width, height)
    middle = corners.mean(axis=0)
    corners = middle + (corners - middle) * (1 + 0.03 * shake[0]) + shake[1:3] * 0.012 * width
    corners = corners + (hand is not None) * moved.normal(0, 0.006, (4, 2)) * width
    # Light on the glass.
    lx, ly = rng.uniform(-0.1, 1.1), rng.uniform(-0.1, 1.1)
    lx, ly = lx + 0.05 * shake[3], ly + 0.04 * shake[4]
    reach = rng.uniform(0.3, 1.2)
    d2 = ((x - lx) ** 2 + ((y - ly) * h / w) ** 2) / reach**2
    ambient = rng.choice([0.02, 0.1, 0.5])
    lit = (1 / (1 + d2) ** rng.uniform(1, 2.5) + ambient).astype(np.float32)
    tint = np.array([1, 1, 1]) * rng.uniform(0.85, 1.15, 3)
    haze = rng.uniform(0.003, 0.03)
    reflect = rng.uniform(0.55, 0.9)
    white = rng.uniform(0.04, 0.08)
    if pictured is None and kind is not None:
        pictured = picture(rng, kind, (h, w))
    if pictured is not None:
        t = white * (
            cv2.resize(pictured, (w, h), interpolation=cv2.INTER_AREA) + rng.uniform(2e-4, 1e-3)
        )
        back = reflect * t * cv2.GaussianBlur(t, (0, 0), rng.uniform(3, 15))
    else:
        back = np.full((h, w, 3), reflect * (white / rng.uniform(1000, 5000)) ** 2, np.float32)
    # The mean of the picture counts as part of the light; its structure is the signal.
    plain = haze + back.mean(axis=(0, 1))
    pattern = (back - back.mean(axis=(0, 1))) / plain
    rms = float(np.sqrt((pattern @ np.array([0.2126, 0.7152, 0.0722])).var() + 1e-20))
    if contrast is not None and pictured is not None:
        pattern = pattern * (contrast / rms)
        rms = contrast
    if pictured is None:
        pattern = np.zeros_like(pattern)
        rms = 0.0
    base = lit[..., None] * (tint * plain)
    # Dirt scatters a little more or less when the torch and the camera move.
    extra = _dirt(rng, nuisances, h, w) * haze * (1 + 0.15 * shake[7])
    base = base + lit[..., None] * tint * extra[..., None]
    base = base + _lobe(rng, x, y * h / w, lx, ly * h / w, haze)[..., None] * tint
    if "reflections" in nuisances:
        room = _room(rng, h, w)
        slide = np.array([[1, 0, 0.03 * w * shake[5]], [0, 1, 0.03 * h * shake[6]]], np.float32)
        room = cv2.warpAffine(room, slide, (w, h), borderMode=cv2.BORDER_REPLICATE)
        base = base + room * haze * rng.uniform(0.1, 1.5) * max(ambient, 0.05)
    base = base.astype(np.float32)
    seen = base + lit[..., None] * tint * plain * pattern
    # Exposure: the median of the screen lands in the dark third of the code range.
    level = exposure or float(np.exp(rng.uniform(np.log(0.003), np.log(0.06))))
    gain = level / np.median(base)
    if hand is not None:
        rng = moved
    pixels = _photograph(rng, seen * gain, corners, width, height, nuisances, level)
    return Scene(
        pixels,
        corners,
        rms,
        (base * gain).astype(np.float32),
        pattern.astype(np.float32),
        nuisances,
    )


def _corners(rng: np.random.Generator, width: int, height: int) -> NDArray[np.float64]:
    w = rng.uniform(0.65, 0.95) * width
    h = w * 9 / 16
    cx, cy = width / 2 + rng.normal(0, 0.02) * width, height / 2 + rng.normal(0, 0.03) * height
    box = np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2
    box = box * (1 + rng.normal(0, 0.03, (4, 2)))
    turn = rng.normal(0, 0.03)
    box = box @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return box + [cx, cy]


def _lobe(rng: np.random.Generator, x: Field, y: Field, lx: float, ly: float, haze: float) -> Field:
    if rng.random() < 0.25:
        return np.zeros_like(x)
    sx, sy = lx + rng.normal(0, 0.15), ly + rng.normal(0, 0.1)
    r2 = (x - sx) ** 2 + (y - sy) ** 2
    core = rng.uniform(0.01, 0.05)
    spread = rng.uniform(0.03, 0.15)
    strength = haze * np.exp(rng.uniform(np.log(3), np.log(300)))
    wide = haze * np.exp(rng.uniform(np.log(0.3), np.log(6)))
    return (strength * np.exp(-r2 / (2 * core**2)) + wide / (1 + r2 / spread**2) ** 1.5).astype(
        np.float32
    )


def _dirt(rng: np.random.Generator, nuisances: tuple[str, ...], h: int, w: int) -> Field:
    """Extra haze by dirt, in units of the glass's own."""
    out = np.zeros((h, w), np.float32)
    if "dust" in nuisances:
        count = int(np.exp(rng.uniform(np.log(15), np.log(700))))
        layer = np.zeros_like(out)
        for _ in range(count):
            at = (int(rng.uniform(0, w)), int(rng.uniform(0, h)))
            cv2.circle(
                layer,
                at,
                int(rng.choice([0, 0, 1, 1, 2, 5], p=[0.3, 0.2, 0.2, 0.2, 0.09, 0.01])),
                float(rng.lognormal(-0.7, 0.8)),
                -1,
            )
        out += cv2.GaussianBlur(layer, (0, 0), 0.8)
    if "smears" in nuisances:
        for _ in range(int(rng.integers(1, 8))):
            layer = np.zeros_like(out)
            p = np.array([rng.uniform(0, w), rng.uniform(0, h)])
            turn, bend = rng.uniform(0, 6.28), rng.normal(0, 0.3)
            points = [p]
            for _ in range(int(rng.integers(2, 10))):
                turn += bend
                points.append(
                    points[-1] + rng.uniform(15, 40) * np.array([np.cos(turn), np.sin(turn)])
                )
            cv2.polylines(
                layer,
                [np.array(points, np.int32)],
                False,
                1.0,
                int(rng.uniform(5, 34)),
                cv2.LINE_AA,
            )
            layer = cv2.GaussianBlur(layer, (0, 0), rng.uniform(1.5, 9))
            if rng.random() < 0.4:
                yy, xx = np.mgrid[0:h, 0:w]
                a = rng.uniform(0, 3.1)
                layer *= (
                    0.6 + 0.4 * np.sin((xx * np.cos(a) + yy * np.sin(a)) * rng.uniform(0.5, 1.5))
                ).astype(np.float32)
            out += layer * rng.choice([1, 1, 1, -0.3]) * rng.lognormal(-1.7, 0.8)
        film = cv2.resize(
            rng.normal(0, 1, (5, 8)).astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC
        )
        out += film * rng.uniform(0, 0.06)
    if "scratches" in nuisances:
        for _ in range(int(rng.integers(1, 6))):
            layer = np.zeros_like(out)
            a = np.array([rng.uniform(0, w), rng.uniform(0, h)])
            b = a + rng.normal(0, 120, 2)
            cv2.line(
                layer,
                tuple(a.astype(int).tolist()),
                tuple(b.astype(int).tolist()),
                1.0,
                1,
                cv2.LINE_AA,
            )
            out += cv2.GaussianBlur(layer, (0, 0), 0.7) * rng.lognormal(-0.7, 0.7)
    return np.maximum(out, -0.8)


def _room(rng: np.random.Generator, h: int, w: int) -> Field:
    out = np.zeros((h, w, 3), np.float32)
    for _ in range(int(rng.integers(1, 5))):
        layer = np.zeros((h, w, 3), np.float32)
        p = rng.uniform(0, 1, 2) * [w, h]
        s = rng.uniform(0.05, 0.4, 2) * w
        box = cv2.boxPoints((p.tolist(), s.tolist(), float(rng.normal(0, 8))))
        cv2.fillPoly(layer, [box.astype(np.int32)], (rng.uniform(0.2, 1, 3)).tolist())
        out += cv2.GaussianBlur(layer, (0, 0), rng.uniform(6, 50))
    return out


def _photograph(
    rng: np.random.Generator,
    screen: Field,
    corners: NDArray[np.float64],
    width: int,
    height: int,
    nuisances: tuple[str, ...],
    level: float,
) -> NDArray[np.uint8]:
    h, w = screen.shape[:2]
    box = np.array([[-0.5, -0.5], [w - 0.5, -0.5], [w - 0.5, h - 0.5], [-0.5, h - 0.5]], np.float32)
    to_photo = cv2.getPerspectiveTransform(box, corners.astype(np.float32))
    room = rng.uniform(0.2, 3, 3).astype(np.float32) * level
    photo = np.broadcast_to(room, (height, width, 3)).astype(np.float32).copy()
    centre = corners.mean(axis=0)
    rim = centre + (corners - centre) * rng.uniform(1.02, 1.06)
    cv2.fillPoly(photo, [rim.astype(np.int32)], (room * rng.uniform(0.1, 2)).tolist())
    inside = cv2.warpPerspective(np.ones((h, w), np.float32), to_photo, (width, height))
    warped = cv2.warpPerspective(screen, to_photo, (width, height), borderMode=cv2.BORDER_REPLICATE)
    photo += (warped - photo) * inside[..., None]
    photo = cv2.GaussianBlur(photo, (0, 0), rng.uniform(0.5, 2.0))
    if rng.random() < 0.25:
        n = int(rng.integers(2, 10))
        kernel = np.zeros((n, n), np.float32)
        cv2.line(kernel, (0, int(rng.integers(0, n))), (n - 1, int(rng.integers(0, n))), 1.0, 1)
        photo = cv2.filter2D(photo, -1, kernel / kernel.sum())
    # EMVA 1288 linear camera model: photon noise grows with the signal, read noise does not.
    photon = np.exp(rng.uniform(np.log(1e-4), np.log(5e-3)))
    read = np.exp(rng.uniform(np.log(3e-4), np.log(4e-3)))
    row = read * rng.choice([0, 0.05, 0.3, 0.6])
    noise = rng.standard_normal(photo.shape, np.float32)
    photo = photo + noise * np.sqrt(np.maximum(photo, 0) * photon + read**2) * np.array(
        [1.3, 1.0, 1.5]
    )
    photo = photo + rng.normal(0, 1, (height, 1, 1)) * row
    code = np.clip(photo, 0, 1)
    code = np.where(
        code <= 0.0031308, 12.92 * code, 1.055 * np.maximum(code, 1e-9) ** (1 / 2.4) - 0.055
    )
    pixels = np.rint(code * 255).astype(np.uint8)
    way = rng.random()
    if way < 0.35:
        pixels = cv2.bilateralFilter(pixels, 5, rng.uniform(5, 25), 2)
    elif way < 0.55:
        lab = cv2.cvtColor(pixels, cv2.COLOR_RGB2YCrCb)
        lab[..., 1:] = cv2.GaussianBlur(lab[..., 1:], (0, 0), rng.uniform(1, 4))
        pixels = cv2.cvtColor(lab, cv2.COLOR_YCrCb2RGB)
    if rng.random() < 0.5:
        soft = cv2.GaussianBlur(pixels, (0, 0), 1.2)
        amount = rng.uniform(0.2, 1)
        pixels = cv2.addWeighted(pixels, 1 + amount, soft, -amount, 0)
    quality = int(rng.uniform(55, 92))
    if "blocks" in nuisances:
        quality = int(rng.uniform(35, 70))
        if rng.random() < 0.5:
            pixels = _jpeg(pixels, int(rng.uniform(70, 95)))
            shrink = rng.uniform(0.6, 0.9)
            small = cv2.resize(pixels, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
            small = _jpeg(small, quality)
            return cv2.resize(small, (width, height), interpolation=cv2.INTER_LINEAR)
    return _jpeg(pixels, quality)


def _jpeg(pixels: NDArray[np.uint8], quality: int) -> NDArray[np.uint8]:
    ok, data = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not ok:
        raise RuntimeError("the JPEG encoder refused the picture")
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])
