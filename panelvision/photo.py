"""From bytes to what the sensor saw: decode, turn upright, convert to sRGB, bound the size.

Pixel convention for the whole project: x runs right, y runs down, and the
centre of the top-left pixel is (0, 0); so the frame spans -0.5 .. width - 0.5.
"""

import hashlib
import io
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property, partial
from pathlib import Path
from typing import Any, BinaryIO

import cv2
import numpy as np
import pillow_heif
from PIL import Image, ImageCms, ImageOps, UnidentifiedImageError

from panelvision.arrays import FloatArray, IntArray
from panelvision.beside import beside
from panelvision.errors import PhotoError
from panelvision.light import can_be_halved, decode, halved

pillow_heif.register_heif_opener()

# chosen: a 108-megapixel phone sensor (the largest that phones deliver by default
# settings) fits; its 8-bit RGB takes 324 MB.
MAX_PIXELS = 110_000_000
# chosen: no phone writes a larger file; a bound so that a stream is never read without end.
MAX_BYTES = 80_000_000
MIN_SIDE = 32
# chosen: still twice as wide as anything that is made from the small copy.
_SMALL = 4_000_000
# chosen: a quarter more than the search for the screen works on.
_DRAFT_SIDE = 1000

# A JPEG opener also returns multi-picture files (MPO) as their first picture.
_FORMATS = ("JPEG", "PNG", "WEBP", "TIFF", "HEIF", "AVIF", "GIF", "BMP", "PPM")
_ORIENTATION_TAG = 0x0112
OnDraft = Callable[[IntArray, tuple[int, int]], None]
_WHAT_TO_SEND = "send it as JPEG, PNG, WebP, TIFF or HEIC"


@dataclass(frozen=True)
class Photo:
    """A decoded photo, upright.

    Attributes
    ----------
    pixels : ndarray of shape (H, W, 3), uint8 or uint16
        sRGB code values, RGB order, after the EXIF orientation.
    name : str
        The file's name without its folder; for messages only.
    sha256 : str
        Hash of the file's bytes; the photo's identity in caches and stores.
    format : str
        Name of the file format as the decoder calls it.
    orientation : int
        EXIF orientation, 1..8 (1 when absent or absurd). Rows of the sensor are
        rows of ``pixels`` for 1..4 and columns of ``pixels`` for 5..8.
    notes : tuple of str
        What was done to the file's data that a reader should know (profile
        converted, transparency laid on black, first of several frames, ...).
    draft : ndarray of shape (h, w, 3), uint8, or None
        A smaller copy that the decoder made from the file itself; large JPEGs have one.
    """

    pixels: IntArray
    name: str
    sha256: str
    format: str
    orientation: int = 1
    notes: tuple[str, ...] = ()
    draft: IntArray | None = field(default=None, repr=False)

    @property
    def width(self) -> int:
        """Width in pixels."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Height in pixels."""
        return int(self.pixels.shape[0])

    @property
    def sensor_rows_are_columns(self) -> bool:
        """Whether the sensor's rows run top to bottom in the upright photo."""
        return self.orientation >= 5

    @cached_property
    def small(self) -> IntArray:
        """A copy of ``pixels`` of at most 4 megapixels, or what halving can do; made once."""
        if self.draft is not None:
            return self.draft
        pixels = self.pixels
        while pixels.shape[0] * pixels.shape[1] > _SMALL and can_be_halved(pixels):
            pixels = halved(pixels)
        return pixels

    def linear(self) -> FloatArray:
        """Linear light, float32 of shape (H, W, 3) in 0..1; 12 bytes a pixel, so mind its size."""
        return decode(self.pixels)


def from_array(pixels: IntArray, *, name: str = "array", orientation: int = 1) -> Photo:
    """Wrap upright sRGB code values of shape (H, W, 3), uint8 or uint16, as a Photo."""
    pixels = np.ascontiguousarray(pixels)
    if pixels.ndim != 3 or pixels.shape[2] != 3 or pixels.dtype not in (np.uint8, np.uint16):
        raise PhotoError(
            f"{name}: expected an (H, W, 3) array of uint8 or uint16, "
            f"got {pixels.shape} of {pixels.dtype}"
        )
    _check_size(pixels.shape[1], pixels.shape[0], name, MAX_PIXELS)
    digest = hashlib.sha256(pixels.tobytes()).hexdigest()
    return Photo(pixels, name, digest, "array", orientation)


def read_photo(
    source: str | Path | bytes | BinaryIO,
    *,
    name: str | None = None,
    max_pixels: int = MAX_PIXELS,
    on_draft: OnDraft | None = None,
) -> Photo:
    """Read one photo.

    Parameters
    ----------
    source : path, bytes, or binary file object
    name : str, optional
        What to call it in messages; by default the file's name.
    max_pixels : int
        Checked against the header before anything is decoded.
    on_draft : callable, optional
        Called with the draft and the photo's width and height while the photo itself is still
        being decoded; not called for photos without a draft, and perhaps in another thread.

    Raises
    ------
    PhotoError
        One line, naming the file and the remedy, for whatever cannot be read.
    """
    data, label = _bytes_of(source, name)
    digest = hashlib.sha256(data).hexdigest()
    try:
        with warnings.catch_warnings():
            # The decoder's own size warning is replaced by our check of the header;
            # its remarks on broken metadata are not the technician's concern.
            warnings.simplefilter("ignore")
            return _decode(data, label, digest, max_pixels, on_draft)
    except PhotoError:
        raise
    except Image.DecompressionBombError:
        raise PhotoError(
            f"{label}: more than {max_pixels / 1e6:.0f} megapixels; send a smaller copy"
        ) from None
    except UnidentifiedImageError:
        raise PhotoError(f"{label}: not a photo that can be read; {_WHAT_TO_SEND}") from None
    except MemoryError:
        raise PhotoError(f"{label}: not enough memory to decode it; send a smaller copy") from None
    except Exception as fault:  # decoders raise many kinds on broken bytes; all mean the same here
        reason = " ".join(str(fault).split())[:80] or type(fault).__name__
        raise PhotoError(
            f"{label}: damaged or incomplete ({reason}); ask for the photo again"
        ) from None


def _bytes_of(source: str | Path | bytes | BinaryIO, name: str | None) -> tuple[bytes, str]:
    if isinstance(source, bytes | bytearray | memoryview):
        data, label = bytes(source), name or "photo"
    elif isinstance(source, str | Path):
        path = Path(source)
        label = name or _printable(path.name)
        try:
            if not path.is_file():
                missing = "is a folder" if path.is_dir() else "no such file"
                raise PhotoError(f"{label}: {missing}; give the path of a photo")
            if path.stat().st_size > MAX_BYTES:
                raise PhotoError(_too_many_bytes(label))
            data = path.read_bytes()
        except (OSError, ValueError) as fault:
            if isinstance(fault, PhotoError):
                raise
            reason = getattr(fault, "strerror", None) or str(fault)
            raise PhotoError(f"{label}: cannot be opened ({reason}); check the path") from None
    else:
        data = source.read(MAX_BYTES + 1)
        label = name or _printable(Path(str(getattr(source, "name", "photo"))).name)
    label = _printable(label)
    if not data:
        raise PhotoError(f"{label}: the file is empty; ask for the photo again")
    if len(data) > MAX_BYTES:
        raise PhotoError(_too_many_bytes(label))
    return data, label


def _printable(name: str) -> str:
    """A file's name fit for one line of a message."""
    name = "".join(c if c.isprintable() else "?" for c in name)
    return name if len(name) <= 120 else name[:80] + "..." + name[-30:]


def _too_many_bytes(label: str) -> str:
    return f"{label}: larger than {MAX_BYTES // 1_000_000} MB; send a smaller copy"


def _check_size(width: int, height: int, label: str, max_pixels: int) -> None:
    if width * height > max_pixels:
        raise PhotoError(
            f"{label}: {width} x {height} is more than {max_pixels / 1e6:.0f} megapixels; "
            "send a smaller copy"
        )
    if min(width, height) < MIN_SIDE:
        raise PhotoError(
            f"{label}: {width} x {height} pixels is too small to judge; send the original photo"
        )


def _decode(
    data: bytes, label: str, digest: str, max_pixels: int, on_draft: OnDraft | None
) -> Photo:
    notes: list[str] = []
    with Image.open(io.BytesIO(data), formats=_FORMATS) as image:
        _check_size(*image.size, label, max_pixels)
        form = image.format or "unknown"
        frames = int(getattr(image, "n_frames", 1))
        if frames > 1:
            notes.append(f"first of {frames} frames")
        orientation = _orientation(image)
        if frames == 1 and _is_plain_jpeg(image):
            pixels, draft = beside(
                [
                    partial(_plain_jpeg, data, image.size, orientation),
                    partial(_draft, data, image.size, orientation, on_draft),
                ]
            )
            if pixels is not None:
                return Photo(pixels, label, digest, form, orientation, tuple(notes), draft)
        # The HEIF decoder has already turned the picture and reset the tag it reports.
        image.load()
        profile = image.info.get("icc_profile")
        upright: Image.Image = ImageOps.exif_transpose(image) if orientation != 1 else image
        pixels = _to_srgb(upright, profile, notes)
    return Photo(pixels, label, digest, form, orientation, tuple(notes))


# What each EXIF orientation asks for (Exif 2.32, tag 274): swap rows with columns, then mirror
# them top to bottom, then left to right.
_TURNS = {
    1: (False, False, False),
    2: (False, False, True),
    3: (False, True, True),
    4: (False, True, False),
    5: (True, False, False),
    6: (True, False, True),
    7: (True, True, True),
    8: (True, True, False),
}


# Red first as it is decoded; older versions of OpenCV do not know how.
_READ_RGB: int = getattr(cv2, "IMREAD_COLOR_RGB", 0)
# What asks the decoder for both sides 1, 2, 4 or 8 times smaller.
_REDUCED = {
    1: 0,
    2: cv2.IMREAD_REDUCED_GRAYSCALE_2,
    4: cv2.IMREAD_REDUCED_GRAYSCALE_4,
    8: cv2.IMREAD_REDUCED_GRAYSCALE_8,
}


def _is_plain_jpeg(image: Image.Image) -> bool:
    return image.format == "JPEG" and image.mode == "RGB" and not image.info.get("icc_profile")


def _plain_jpeg(
    data: bytes, size: tuple[int, int], orientation: int, reduced: int = 1
) -> IntArray | None:
    """Upright pixels of an ordinary colour JPEG, in half the time of the general way.

    The same library decodes it, to the same values. None for what cannot be decoded: the
    general way knows to say why.

    Parameters
    ----------
    data : bytes
    size : tuple of int
        Stored width and height.
    orientation : int
        EXIF orientation, 1..8.
    reduced : 1, 2, 4 or 8
        By how much the decoder makes both sides smaller.
    """
    how = _REDUCED[reduced] | (_READ_RGB or cv2.IMREAD_COLOR) | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), how)
    except cv2.error:
        return None
    if pixels is None or pixels.shape[:2] != tuple(-(-n // reduced) for n in size[::-1]):
        return None
    if not _READ_RGB:
        pixels = cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB, dst=pixels)
    swap, upright, level = _TURNS[orientation]
    if swap:
        pixels = cv2.transpose(pixels)
    if upright or level:
        pixels = cv2.flip(pixels, -1 if upright and level else 0 if upright else 1)
    return np.asarray(pixels, dtype=np.uint8)


def _draft(
    data: bytes, size: tuple[int, int], orientation: int, on_draft: OnDraft | None
) -> IntArray | None:
    """A small copy of a large JPEG: its decoder skips most of the work."""
    if size[0] * size[1] <= _SMALL:
        return None
    reduced = max(r for r in _REDUCED if r == 1 or max(size) >= r * _DRAFT_SIDE)
    draft = None if reduced == 1 else _plain_jpeg(data, size, orientation, reduced)
    if draft is not None and on_draft is not None:
        on_draft(draft, size[::-1] if _TURNS[orientation][0] else size)
    return draft


def _orientation(image: Image.Image) -> int:
    try:
        value: Any = image.getexif().get(_ORIENTATION_TAG, 1)
        value = int(value)
    except Exception:  # a broken EXIF block must not cost the picture
        return 1
    return value if 1 <= value <= 8 else 1


def _to_srgb(image: Image.Image, profile: bytes | None, notes: list[str]) -> IntArray:
    if image.mode in ("I;16", "I;16B", "I;16L", "I", "F"):
        return _wide_grey(image, notes)
    if image.mode in ("P", "PA"):
        has_alpha = "transparency" in image.info or image.mode == "PA"
        image = image.convert("RGBA" if has_alpha else "RGB")
    if image.mode in ("RGBA", "LA", "La", "RGBa"):
        notes.append("transparency laid on black")
        flat = image.convert("RGBA")
        ground = Image.new("RGBA", flat.size, (0, 0, 0, 255))
        image = Image.alpha_composite(ground, flat).convert("RGB")
    if profile:
        image = _apply_profile(image, profile, notes)
    elif image.mode == "CMYK":
        notes.append("CMYK without a profile: colours are approximate")
    if image.mode != "RGB":
        image = image.convert("RGB")
    return np.array(image, dtype=np.uint8)


def _wide_grey(image: Image.Image, notes: list[str]) -> IntArray:
    grey = np.array(image)
    if grey.dtype.kind == "f" or grey.max(initial=0) > 65535 or grey.min(initial=0) < 0:
        known = grey[np.isfinite(grey)]
        low, high = (float(known.min()), float(known.max())) if known.size else (0.0, 1.0)
        grey = np.nan_to_num(grey.astype(np.float64), nan=low, posinf=high, neginf=low)
        grey = (grey - low) / max(high - low, 1e-12) * 65535
        notes.append("pixel values stretched to the full range")
    wide = np.clip(grey, 0, 65535).astype(np.uint16)
    notes.append("grey only, 16 bit")
    return np.repeat(wide[..., None], 3, axis=2)


def _apply_profile(image: Image.Image, profile: bytes, notes: list[str]) -> Image.Image:
    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        described = ImageCms.getProfileDescription(source).strip()
        if "sRGB" in described:
            return image
        if image.mode not in ("RGB", "L", "CMYK"):
            image = image.convert("RGB")
        converted = ImageCms.profileToProfile(
            image, source, ImageCms.createProfile("sRGB"), outputMode="RGB"
        )
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        notes.append("colour profile could not be read: colours taken as sRGB")
        return image
    if converted is None:
        return image
    notes.append(f"colours converted to sRGB from the profile '{described[:40]}'")
    return converted
