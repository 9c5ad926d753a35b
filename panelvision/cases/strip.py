"""A photo without its metadata: no place, no device, no time, no thumbnail, same picture.

JPEG and PNG are stripped without touching the picture data; what other formats hold is
decoded and written anew. What stays: the orientation, and the numbers of a colour profile
(without the names and texts that a profile can carry).
"""

import struct
import zlib
from dataclasses import dataclass

import cv2
import numpy as np

from panelvision.errors import PhotoError
from panelvision.photo import Photo, read_photo

# Markers without a length field: TEM and RST0..7 (ITU-T T.81, table B.1).
_BARE_MARKERS = {0x01, *range(0xD0, 0xD8)}
_SOI, _EOI, _SOS, _COM = 0xD8, 0xD9, 0xDA, 0xFE
_APP0, _APP1, _APP2, _APP14 = 0xE0, 0xE1, 0xE2, 0xEE

_PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
# Chunks that decide how the pixels look (PNG specification, third edition, section 11).
_PNG_KEPT = {b"IHDR", b"PLTE", b"IDAT", b"IEND", b"tRNS", b"gAMA", b"cHRM", b"sRGB", b"sBIT"}

# Tags of a colour profile that hold numbers of the transform and no text
# (ICC.1:2022, table 27 and following).
_PROFILE_TAGS = {
    b"rXYZ", b"gXYZ", b"bXYZ", b"rTRC", b"gTRC", b"bTRC", b"kTRC", b"wtpt", b"bkpt", b"chad",
    b"A2B0", b"A2B1", b"A2B2", b"B2A0", b"B2A1", b"B2A2", b"lumi", b"cicp",
}  # fmt: skip
# chosen: on par with a phone's own compression, so that a second one changes little.
_JPEG_QUALITY = 95


@dataclass(frozen=True)
class CleanPhoto:
    """A photo fit for keeping.

    Attributes
    ----------
    data : bytes
        The file without metadata.
    extension : str
        ``"jpg"`` or ``"png"``.
    width, height : int
        Pixels, upright.
    lossless : bool
        Whether the picture data are those of the original file.
    """

    data: bytes
    extension: str
    width: int
    height: int
    lossless: bool


class _Unusual(Exception):
    """A structure that the lossless strippers do not follow; decoding and encoding does."""


def clean_photo(data: bytes, *, name: str = "photo") -> CleanPhoto:
    """Strip the metadata of a photo file.

    Raises
    ------
    PhotoError
        If the file cannot be decoded as a photo.
    """
    photo = read_photo(data, name=name)
    stripped, extension = None, "jpg"
    try:
        if data[:2] == b"\xff\xd8":
            stripped = _strip_jpeg(data, photo.orientation)
        elif data[:8] == _PNG_SIGNATURE:
            stripped, extension = _strip_png(data, photo.orientation), "png"
    except (_Unusual, struct.error, IndexError, zlib.error):
        stripped = None
    if stripped is not None and _same_picture(photo, stripped):
        return CleanPhoto(stripped, extension, photo.width, photo.height, True)
    encoded, extension = _encode_anew(photo)
    return CleanPhoto(encoded, extension, photo.width, photo.height, False)


def _same_picture(photo: Photo, stripped: bytes) -> bool:
    """A cut in the wrong place must cost a second compression, never the picture."""
    try:
        again = read_photo(stripped)
    except PhotoError:
        return False
    return again.orientation == photo.orientation and np.array_equal(again.pixels, photo.pixels)


def _encode_anew(photo: Photo) -> tuple[bytes, str]:
    pixels = np.ascontiguousarray(photo.pixels[..., ::-1])
    exact = photo.format in ("PNG", "TIFF", "BMP", "GIF", "PPM") or pixels.dtype == np.uint16
    kind, options = (".png", []) if exact else (".jpg", [
        cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
    ])  # fmt: skip
    done, encoded = cv2.imencode(kind, pixels, options)
    if not done:
        raise PhotoError(f"{photo.name}: cannot be written as {kind[1:]}; send it as JPEG")
    return encoded.tobytes(), kind[1:]


# --- JPEG ---------------------------------------------------------------------------------


def _strip_jpeg(data: bytes, orientation: int) -> bytes:
    kept = [b"\xff\xd8"]
    profile_parts: dict[int, bytes] = {}
    tables: list[bytes] = []
    at = 2
    while True:
        marker, at = _next_marker(data, at)
        if marker == _EOI:
            raise _Unusual("no picture before the end")
        if marker in _BARE_MARKERS:
            continue
        (length,) = struct.unpack_from(">H", data, at)
        if length < 2 or at + length > len(data):
            raise _Unusual("segment runs past the end")
        body = data[at + 2 : at + length]
        at += length
        if marker == _APP0 and body[:5] == b"JFIF\0" and len(body) >= 12:
            # without the thumbnail that may follow
            kept.append(_segment(_APP0, body[:12] + b"\0\0"))
        elif marker == _APP14 and body[:5] == b"Adobe" and len(body) >= 12:
            # twelve bytes that say how the channels are coded; nothing else fits in
            tables.append(_segment(_APP14, body[:12]))
        elif marker == _APP2 and body[:12] == b"ICC_PROFILE\0" and len(body) > 14:
            profile_parts[body[12]] = body[14:]
        elif 0xE0 <= marker <= 0xEF or marker == _COM:
            continue
        else:
            tables.append(_segment(marker, body))
            if marker == _SOS:
                break
    if orientation != 1:
        kept.append(_segment(_APP1, b"Exif\0\0" + _orientation_only(orientation)))
    if profile_parts:
        profile = b"".join(profile_parts[i] for i in sorted(profile_parts))
        kept.extend(_profile_segments(clean_profile(profile)))
    kept.extend(tables)
    kept.append(_scans(data, at))
    return b"".join(kept)


def _next_marker(data: bytes, at: int) -> tuple[int, int]:
    if data[at] != 0xFF:
        raise _Unusual("no marker where one must be")
    while data[at] == 0xFF:  # fill bytes may precede a marker
        at += 1
    return data[at], at + 1


def _segment(marker: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


def _scans(data: bytes, at: int) -> bytes:
    """Entropy-coded data and the tables between scans, up to the end of the first picture.

    Whatever follows the end-of-image marker (a second picture, a film clip, the maker's own
    block) is left out.
    """
    parts = []
    start = at
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            raise _Unusual("no end of image")
        marker = data[at + 1]
        if marker == 0 or marker in _BARE_MARKERS:
            at += 2
        elif marker == 0xFF:
            at += 1
        elif marker == _EOI:
            parts.append(data[start : at + 2])
            return b"".join(parts)
        else:
            (length,) = struct.unpack_from(">H", data, at + 2)
            end = at + 2 + length
            if length < 2 or end > len(data):
                raise _Unusual("segment runs past the end")
            if 0xE0 <= marker <= 0xEF or marker == _COM:
                parts.append(data[start:at])
                start = end
            at = end


def _orientation_only(orientation: int) -> bytes:
    """A TIFF block with one entry, the orientation (EXIF 2.32, tag 0x0112, SHORT)."""
    return b"MM\0\x2a" + struct.pack(">IHHHIHHI", 8, 1, 0x0112, 3, 1, orientation, 0, 0)


def _profile_segments(profile: bytes) -> list[bytes]:
    # a segment holds at most 65533 bytes, 14 of which are the profile's own heading
    pieces = [profile[i : i + 65519] for i in range(0, len(profile), 65519)]
    return [
        _segment(_APP2, b"ICC_PROFILE\0" + bytes([i + 1, len(pieces)]) + piece)
        for i, piece in enumerate(pieces)
    ]


# --- PNG ----------------------------------------------------------------------------------


def _strip_png(data: bytes, orientation: int) -> bytes:
    kept = [_PNG_SIGNATURE]
    at = 8
    while True:
        (length,) = struct.unpack_from(">I", data, at)
        kind = data[at + 4 : at + 8]
        body = data[at + 8 : at + 8 + length]
        if len(body) != length:
            raise _Unusual("chunk runs past the end")
        at += 12 + length
        if kind == b"iCCP":
            unpacker = zlib.decompressobj()
            # chosen: larger than any profile in use; a bound against a packed bomb
            profile = unpacker.decompress(body[body.index(b"\0") + 2 :], 8_000_000)
            kept.append(_chunk(kind, b"profile\0\0" + zlib.compress(clean_profile(profile))))
        elif kind in _PNG_KEPT:
            kept.append(_chunk(kind, body))
            if kind == b"IHDR" and orientation != 1:
                kept.append(_chunk(b"eXIf", _orientation_only(orientation)))
        if kind == b"IEND":
            return b"".join(kept)


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


# --- colour profiles ------------------------------------------------------------------------


def clean_profile(profile: bytes) -> bytes:
    """The colour transform of an ICC profile without names, makers, models, dates and texts.

    Layout after ICC.1:2022 sections 7.2 (header, 128 bytes) and 7.3 (tag table).
    """
    if len(profile) < 132:
        raise _Unusual("profile too short")
    (count,) = struct.unpack_from(">I", profile, 128)
    if count > 200:
        raise _Unusual("absurd profile")
    standard = b"sRGB" in profile or "sRGB".encode("utf-16-be") in profile
    tags: dict[bytes, bytes] = {}
    for i in range(count):
        kind, offset, size = struct.unpack_from(">4sII", profile, 132 + 12 * i)
        if kind in _PROFILE_TAGS:
            if offset + size > len(profile):
                raise _Unusual("profile tag runs past the end")
            tags[kind] = profile[offset : offset + size]
    major = profile[8]
    tags[b"desc"] = _profile_text(major, b"sRGB" if standard else b"colour profile")
    tags[b"cprt"] = _profile_text(major, b"none") if major >= 4 else b"text\0\0\0\0none\0"
    header = bytearray(128)
    header[8:24] = profile[8:24]  # version, class, colour space, connection space
    header[36:40] = b"acsp"
    header[64:80] = profile[64:80]  # rendering intent and the connection space's white
    table, body = b"", b""
    start = 128 + 4 + 12 * len(tags)
    for kind, content in tags.items():
        table += struct.pack(">4sII", kind, start + len(body), len(content))
        body += content + bytes(-len(content) % 4)
    whole = bytearray(bytes(header) + struct.pack(">I", len(tags)) + table + body)
    struct.pack_into(">I", whole, 0, len(whole))
    # a fixed date: a profile without one is refused by some readers
    struct.pack_into(">6H", whole, 24, 2000, 1, 1, 0, 0, 0)
    return bytes(whole)


def _profile_text(major: int, text: bytes) -> bytes:
    if major >= 4:
        wide = text.decode("ascii").encode("utf-16-be")
        return b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(wide), 28) + wide
    # the old description type: ASCII, then empty Unicode and script-code parts
    return b"desc\0\0\0\0" + struct.pack(">I", len(text) + 1) + text + b"\0" + bytes(8 + 3 + 67)
