"""The network that finds a faint picture tile by tile: taught here, shipped as plain numbers."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from models.convolutions import Progress, build_stack, half, pytorch, stack_numbers, teach
from panelvision.arrays import BoolArray, IntArray
from panelvision.measure.faint_network import CHANNELS, INPUT_SCALE, UNIT
from panelvision.measure.faint_tiles import CELL

# chosen: (channels, step) of each 3 x 3 convolution; the last places are cells of 16 x 16.
LAYERS = ((8, 2), (16, 2), (32, 2), (32, 1), (48, 2), (48, 1), (48, 1))
EPOCHS = 20
BATCH = 16
# chosen: rows and columns of cells that are learned from at a time; a part of the glass teaches
# as much as the whole and takes a third of the time.
_PART = (10, 18)


@dataclass(frozen=True)
class Glass:
    """What is learned from of one photo.

    Attributes
    ----------
    white : ndarray of shape (16 rows, 16 columns, 3), int8
        As :func:`panelvision.measure.faint_network.quantised` makes it.
    pictured : ndarray of shape (rows - 1, columns - 1), bool
        Tiles in which a picture stands above the noise.
    known : ndarray of the same shape, bool
        Tiles of which this can be said.
    """

    white: IntArray
    pictured: BoolArray
    known: BoolArray


def fit_network(
    glasses: Sequence[Glass],
    *,
    seed: int,
    epochs: int = EPOCHS,
    progress: Progress | None = None,
) -> dict[str, np.ndarray]:
    """Teach a network; returns its numbers as they ship.

    Parts are mirrored and their noise is taken for more or less than it is. Tiles with and without
    picture weigh alike.

    Raises
    ------
    ModelError
        When PyTorch is not installed.
    """
    torch = pytorch()
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    net = _build(torch)
    with_picture = sum(int((g.pictured & g.known).sum()) for g in glasses)
    without = sum(int((~g.pictured & g.known).sum()) for g in glasses)
    steps = max(1, len(glasses) // BATCH)

    def losses() -> Iterator[Any]:
        order = rng.permutation(len(glasses))
        for k in range(steps):
            rows = order[k * BATCH : (k + 1) * BATCH]
            parts = [_part(glasses[i], rng) for i in rows]
            x = _inputs(torch, np.stack([p.white for p in parts]))
            _varied(torch, x)
            label = torch.as_tensor(np.stack([p.pictured for p in parts])).float()
            weight = torch.as_tensor(np.stack([p.known for p in parts])).float()
            weight = weight * torch.where(label > 0, without / max(with_picture, 1), 1.0)
            loss = torch.nn.functional.binary_cross_entropy_with_logits(
                net(x), label, reduction="none"
            )
            yield (loss * weight).sum() / weight.sum().clamp(min=1)

    teach(torch, net, losses, epochs=epochs, steps=steps, progress=progress)
    return {
        **stack_numbers(net.stack, "glass"),
        "last.weight": half(net.last.weight[0]),
        "last.bias": half(net.last.bias),
    }


def _build(torch: Any) -> Any:
    nn: Any = torch.nn
    module: Any = torch.nn.Module

    class Net(module):
        def __init__(self) -> None:
            super().__init__()
            self.stack = build_stack(torch, CHANNELS, LAYERS)
            self.last = nn.Linear(LAYERS[-1][0], 1)
            self.drop = nn.Dropout(0.2)

        def forward(self, x: Any) -> Any:
            tiles = nn.functional.avg_pool2d(self.stack(x), 2, 1)
            return self.last(self.drop(tiles.permute(0, 2, 3, 1)))[..., 0]

    return Net().to(memory_format=torch.channels_last)


def _inputs(torch: Any, white: IntArray) -> Any:
    """As ``panelvision.measure.faint_network`` makes them, for a batch."""
    x = torch.as_tensor(white).permute(0, 3, 1, 2).float()
    seen = (x != 0).any(dim=1, keepdim=True).float()
    return torch.cat([x / INPUT_SCALE, seen], 1).contiguous(memory_format=torch.channels_last)


def _varied(torch: Any, x: Any) -> None:
    """Stronger, weaker, noisier, softer, less coloured, in place; what is unseen stays unseen."""
    n = len(x)
    white, seen = x[:, :3], x[:, 3:]
    soft = torch.nn.functional.avg_pool2d(white, 3, 1, 1, count_include_pad=False)
    share = torch.rand(n, 1, 1, 1) * (torch.rand(n, 1, 1, 1) < 0.3)
    white.add_(share * (soft - white))
    gain = torch.exp(torch.randn(n, 1, 1, 1) * 0.3 + torch.randn(n, 3, 1, 1) * 0.1)
    # chosen: up to half of the noise that is there already, as another camera would add.
    noise = torch.rand(n, 1, 1, 1) * 0.5 * (UNIT / INPUT_SCALE) * torch.randn_like(white)
    white.mul_(gain).add_(noise).mul_(seen)


def _part(glass: Glass, rng: np.random.Generator) -> Glass:
    """A part of the glass at a random place, mirrored at random; what is missing is unknown."""
    rows, columns = (n // CELL for n in glass.white.shape[:2])
    high, wide = min(_PART[0], rows), min(_PART[1], columns)
    top, left = int(rng.integers(rows - high + 1)), int(rng.integers(columns - wide + 1))
    cells = slice(top * CELL, (top + high) * CELL), slice(left * CELL, (left + wide) * CELL)
    tiles = slice(top, top + high - 1), slice(left, left + wide - 1)
    upright, level = (int(rng.integers(2)) * 2 - 1 for _ in range(2))
    white = np.zeros((_PART[0] * CELL, _PART[1] * CELL, 3), np.int8)
    white[: high * CELL, : wide * CELL] = glass.white[cells][::upright, ::level]
    pictured, known = np.zeros((2, _PART[0] - 1, _PART[1] - 1), bool)
    pictured[: high - 1, : wide - 1] = glass.pictured[tiles][::upright, ::level]
    known[: high - 1, : wide - 1] = glass.known[tiles][::upright, ::level]
    return Glass(white, pictured, known)
