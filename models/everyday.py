"""``python -m models.everyday``: write the network that knows everyday things, as it ships.

Nothing is taught: the published numbers of EfficientNet-Lite0 (``models/pretrained.py``) are
rounded to eight bits, the layers after the trunk with them. They were not taught rounded, as those
of the glance are: seven bits lose some of what they say.
"""

import argparse
import os
import sys
from pathlib import Path
from typing import Any

import numpy as np

from models.convolutions import half, pytorch
from models.pretrained import (
    EPSILON,
    build_trunk,
    in_steps,
    published_weights,
    start_from_published,
    trunk_numbers,
)
from models.shipping import written
from panelvision.errors import PanelvisionError
from panelvision.measure import everyday

FOLDER = Path(everyday.__file__).parent
STEPS = 127  # as many as eight bits hold


def main(argv: list[str] | None = None) -> int:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m models.everyday", description=__doc__)
    parser.add_argument("--out", type=Path, default=FOLDER, help="folder to write to")
    args = parser.parse_args(argv)
    try:
        torch = pytorch()
        trunk = build_trunk(torch)
        start_from_published(torch, trunk)
        files = {
            everyday.TRUNK_FILE: trunk_numbers(
                trunk, 3, everyday.SIDE, everyday.SIDE, "trunk", steps=STEPS
            ),
            everyday.HEAD_FILE: head_numbers(torch, published_weights()),
        }
    except PanelvisionError as fault:
        print(f"models.everyday: {fault}", file=sys.stderr)
        return 2
    args.out.mkdir(parents=True, exist_ok=True)
    parts = {args.out / name: written(args.out / name, n) for name, n in files.items()}
    for path, part in parts.items():
        os.replace(part, path)
        print(f"wrote {path.name}, {path.stat().st_size // 1024} KiB")
    return 0


def head_numbers(torch: Any, weights: dict[str, Any]) -> dict[str, np.ndarray]:
    """What follows the trunk, as :mod:`panelvision.measure.everyday` reads it.

    weights: the published ones, by name.
    """
    scale = weights["_bn1.weight"] / (weights["_bn1.running_var"] + EPSILON).sqrt()
    bias = weights["_bn1.bias"] - weights["_bn1.running_mean"] * scale
    kinds = weights["_fc.weight"][..., None, None]
    out: dict[str, np.ndarray] = {}
    for name, weight, add in (
        ("widen", weights["_conv_head.weight"] * scale[:, None, None, None], bias),
        ("kinds", kinds, weights["_fc.bias"]),
    ):
        whole, step = in_steps(torch, weight, STEPS)
        out[f"{name}.weight"] = whole[..., 0, 0].numpy().astype(np.int8)
        out[f"{name}.step"] = step[:, 0, 0, 0].numpy()
        out[f"{name}.bias"] = half(add)
    return out


if __name__ == "__main__":
    sys.exit(main())
