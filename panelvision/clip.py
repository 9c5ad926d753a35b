"""A clip from a phone: decoded to frames, stacked for noise, searched for change over time."""

import hashlib
from dataclasses import dataclass, replace
from pathlib import Path

import av
import numpy as np

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.errors import PhotoError
from panelvision.measure.change import SIGNIFICANCE, PanelChange, judge, nothing
from panelvision.measure.faint_features import prepare, shrink
from panelvision.measure.registration import Registration, register
from panelvision.photo import MAX_BYTES, MAX_PIXELS, Photo
from panelvision.squareup import ScreenView, square_up

# chosen: noise falls with the square root; 24 frames gain a factor of 5 and take seconds.
MAX_FRAMES = 24
# chosen: a bound on decoding, ten minutes of 30 frames a second.
_MAX_DECODED = 18_000
# chosen: bytes of pixels that are kept; twice as many for a while where the length is not known.
_MOST_MEMORY = 700_000_000
# What phones and messengers record and send (common practice, no source). The decoder knows
# hundreds of other kinds, playlists that name further files among them; none is let near it.
_CONTAINERS = "mov,mp4,matroska,webm,avi,mpegts,mpeg,asf"
_CODECS = (
    "h264",
    "hevc",
    "av1",
    "libdav1d",
    "vp8",
    "vp9",
    "libvpx",
    "libvpx-vp9",
    "mjpeg",
    "mpeg4",
    "h263",
    "mpeg2video",
    "wmv2",
    "wmv3",
    "vc1",
)


def read_clip(path: str | Path, *, most: int = MAX_FRAMES) -> tuple[Photo, ...]:
    """Frames of a clip, evenly spaced in time, upright.

    Parameters
    ----------
    path : path of an MP4, MOV or other file that the decoder knows
    most : int
        Number of frames at most.

    Raises
    ------
    PhotoError
        One line for whatever cannot be read.
    """
    source = Path(path)
    if not source.is_file():
        raise PhotoError(f"{source.name}: no such file; give the path of a clip")
    if source.stat().st_size > 10 * MAX_BYTES:
        raise PhotoError(
            f"{source.name}: larger than {10 * MAX_BYTES // 1_000_000} MB; cut it shorter"
        )
    try:
        frames = _decode(source, most)
    except PhotoError:
        raise
    except (av.FFmpegError, OSError, ValueError, IndexError):
        raise PhotoError(
            f"{source.name}: not a clip that can be read; record it again or send it as MP4"
        ) from None
    if not frames:
        raise PhotoError(f"{source.name}: no picture in this clip; record it again")
    return tuple(frames)


def _decode(source: Path, most: int) -> list[Photo]:
    only = {"format_whitelist": _CONTAINERS, "codec_whitelist": ",".join(_CODECS)}
    # Options of the container and of its probing, which decodes as well; no further file is opened.
    with av.open(
        str(source), container_options={**only, "protocol_whitelist": "file"}
    ) as container:
        if not container.streams.video:
            raise PhotoError(f"{source.name}: no video in this file; send a clip or photos")
        stream = container.streams.video[0]
        if stream.codec_context.name not in _CODECS:
            raise PhotoError(
                f"{source.name}: a kind of video that is not read; send it as MP4 (H.264)"
            )
        stream.thread_type = "AUTO"
        if stream.width * stream.height > MAX_PIXELS:
            raise PhotoError(f"{source.name}: frames too large; record at a usual size")
        total = stream.frames or 0
        step = max(1, -(-total // most)) if total else 1
        kept: list[Photo] = []
        for index, frame in enumerate(container.decode(stream)):
            if index >= _MAX_DECODED:
                break
            if index % step:
                continue
            size = frame.width * frame.height
            if size > MAX_PIXELS:
                raise PhotoError(f"{source.name}: frames too large; record at a usual size")
            most = max(2, min(most, _MOST_MEMORY // (3 * size)))
            kept.append(_photo(frame, f"{source.name} frame {index}"))
            if len(kept) >= 2 * most:
                # Length unknown, or stated too short: thin out and go on at half the rate.
                kept, step = kept[::2], step * 2
    return kept[:: max(1, -(-len(kept) // most))]


def _photo(frame: av.VideoFrame, name: str) -> Photo:
    pixels: IntArray = np.asarray(frame.to_ndarray(format="rgb24"), dtype=np.uint8)
    turns = round((getattr(frame, "rotation", 0) or 0) / 90) % 4
    pixels = np.ascontiguousarray(np.rot90(pixels, turns))
    digest = hashlib.sha256(pixels.tobytes()).hexdigest()
    return Photo(pixels, name, digest, "clip", 6 if turns % 2 else 1)


@dataclass(frozen=True)
class Stack:
    """Frames of one screen laid on each other.

    Attributes
    ----------
    view : ScreenView
        Of the first frame's outline, its light the mean of all frames used.
    frames : int
        Frames that could be registered.
    layers : ndarray of shape (frames, h, w, 3), float32
        Linear light of each, small, for the search for change.
    clipped, valid : ndarray of shape (frames, h, w), bool
    """

    view: ScreenView
    frames: int
    layers: FloatArray
    clipped: BoolArray
    valid: BoolArray


def stack(photos: tuple[Photo, ...], view: ScreenView) -> Stack:
    """Register frames on the first one's view and average them in linear light.

    Averaging n frames lowers temporal noise by the square root of n; what the sensor fixes
    (hot pixels, its pattern) falls too as the hand moves, but is not promised to.

    Parameters
    ----------
    photos : tuple of Photo
    view : ScreenView
        Of ``photos[0]``, without margin.
    """
    total = view.linear.astype(np.float64) * view.valid[..., None]
    weight = view.valid.astype(np.float64)
    clipped_any = view.clipped.copy()
    small = [shrink(view.linear, view.clipped, view.valid)]
    previous = view.outline
    for photo in photos[1:]:
        start = square_up(photo, previous, aspect=view.aspect, width=view.width)
        match = register(photos[0], view, photo, start)
        if not match.trusted:
            continue
        previous = match.outline
        frame = square_up(photo, match.outline, aspect=view.aspect, width=view.width)
        total += frame.linear * frame.valid[..., None]
        weight += frame.valid
        clipped_any |= frame.clipped
        small.append(shrink(frame.linear, frame.clipped, frame.valid))
    mean = (total / np.maximum(weight, 1)[..., None]).astype(np.float32)
    layers, clipped, valid = (np.stack(part) for part in zip(*small, strict=True))
    merged = replace(view, linear=mean, clipped=clipped_any, valid=weight > 0)
    return Stack(merged, len(small), layers, clipped, valid)


def change_over_time(frames: Stack) -> PanelChange:
    """Search a stack for the moment at which the picture on the panel changed.

    The clip is cut at several moments, the means before and after are compared, and the
    smallest p-value is multiplied by the number of cuts (Bonferroni), so that it stays a
    bound when nothing changed.
    """
    n = frames.frames
    if n < 2:
        return nothing(
            "Fewer than two frames show the screen; hold the phone still and record again."
        )
    cuts = sorted({max(1, min(n - 1, round(n * share))) for share in (0.2, 0.35, 0.5, 0.65, 0.8)})
    match = Registration(frames.view.outline, 0.0, float("nan"), True)
    best: PanelChange | None = None
    for cut in cuts:
        parts = []
        for part in (slice(0, cut), slice(cut, n)):
            clipped = np.asarray(frames.clipped[part].any(axis=0), dtype=bool)
            valid = np.asarray(frames.valid[part].all(axis=0), dtype=bool)
            parts.append(prepare(frames.layers[part].mean(axis=0), clipped, valid))
        change = judge(parts[0], parts[1], match)
        if change.usable and (best is None or change.score > best.score):
            best = change
    if best is None:
        return nothing("Glare hides most of the glass; move the torch aside and record again.")
    p_value = min(1.0, best.p_value * len(cuts))
    return replace(best, p_value=p_value, changed=p_value <= SIGNIFICANCE)


@dataclass(frozen=True)
class Clip:
    """What a clip shows.

    Attributes
    ----------
    change : PanelChange
        Whether the picture on the panel changed while it was recorded.
    frames : int
        Frames that were laid on each other; 0 when no screen was found.
    one, mean : ScreenView or None
        The screen in the first of them, and in the mean of all.
    """

    change: PanelChange
    frames: int = 0
    one: ScreenView | None = None
    mean: ScreenView | None = None


def watch(photos: tuple[Photo, ...]) -> Clip:
    """Find the screen in a clip's frames, lay them on each other, and search for a change."""
    from panelvision.locate import locate

    for first, photo in enumerate(photos[:5]):
        found = locate(photo)
        if found.outline is not None and found.outline.sure:
            view = square_up(photo, found.outline, aspect=found.aspect)
            frames = stack(photos[first:], view)
            return Clip(change_over_time(frames), frames.frames, view, frames.view)
    return Clip(
        nothing("No screen was found in the clip; record it with the whole screen in view.")
    )
