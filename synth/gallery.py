"""A labelled contact sheet, to look at beside real photographs."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import cv2
import numpy as np

from synth.arrays import Bytes
from synth.encode import decode_rgb
from synth.picture import Sample


def thumbnail(sample: Sample, width: int, *, outline: bool) -> Bytes:
    """A tile of width x 3/4 width with the label (and the true outline) drawn on, BGR."""
    image = decode_rgb(sample.jpeg, turn=True)[..., ::-1]
    height = width * 3 // 4
    scale = min(width / image.shape[1], height / image.shape[0])
    small = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    if outline and sample.truth["corners"]:
        points = (np.array(sample.truth["corners"]) * scale * 16).round().astype(np.int32)
        cv2.polylines(small, [points], True, (80, 255, 80), 1, cv2.LINE_AA, 4)
    tile = np.full((height + 16, width, 3), 255, np.uint8)
    tile[16 : 16 + small.shape[0], : small.shape[1]] = small
    t = sample.truth
    detail = (
        t.get("mode") or t.get("fill") or t.get("style") or t.get("scene_name") or t.get("content")
    )
    if t.get("faint_snr_feature"):
        detail = f"{t['content']} snr {t['faint_snr_feature']:.1f}"
    text = f"{t['symptom']} {t['seed']} {detail}"
    cv2.putText(
        tile, text[: width // 6], (2, 12), cv2.FONT_HERSHEY_SIMPLEX, 0.38, (0, 0, 0), 1, cv2.LINE_AA
    )
    return tile


def contact_sheet(
    samples: Iterable[Sample],
    out: Path,
    *,
    columns: int = 5,
    width: int = 320,
    outline: bool = False,
) -> None:
    """Write the tiles as one picture; ValueError when there are none or it cannot be written."""
    tiles = [thumbnail(s, width, outline=outline) for s in samples]
    if not tiles:
        raise ValueError("nothing to show: ask for at least one photo")
    while len(tiles) % columns:
        tiles.append(np.full_like(tiles[0], 255))
    sheet = np.vstack([np.hstack(tiles[k : k + columns]) for k in range(0, len(tiles), columns)])
    out.parent.mkdir(parents=True, exist_ok=True)
    if not cv2.haveImageWriter(str(out)) or not cv2.imwrite(str(out), sheet):
        raise ValueError(f"cannot write {out}: use a name that ends in .png or .jpg")
