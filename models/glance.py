"""The network that reads a photo at a glance: taught here, shipped as plain numbers."""

from collections.abc import Iterator
from typing import Any

import numpy as np

from models.convolutions import Progress, build_stack, half, pytorch, stack_numbers, teach
from models.table import Table
from panelvision.arrays import IntArray
from panelvision.labels import SYMPTOMS

# chosen: (channels, step) of each 3 x 3 convolution; about 90 million multiplications a photo.
SCREEN_LAYERS = ((16, 2), (32, 2), (48, 2), (48, 1), (64, 2), (64, 1), (64, 1))
FRAME_LAYERS = ((12, 2), (24, 2), (40, 2), (40, 1), (48, 2))
HIDDEN = 64
EPOCHS = 22
BATCH = 32
SMOOTHING = 0.05  # label smoothing (Szegedy et al. 2016, arXiv 1512.00567, section 7)


def fit_network(
    table: Table,
    *,
    seed: int,
    epochs: int = EPOCHS,
    progress: Progress | None = None,
) -> dict[str, np.ndarray]:
    """Teach a network on the photos of a table; returns its numbers as they ship.

    Photos are mirrored, cut, and changed in brightness, colour and noise.

    Parameters
    ----------
    table : Table
        With glances; weights are how often a photo is drawn.
    progress : callable(epoch, epochs, mean loss), optional

    Raises
    ------
    ModelError
        When PyTorch is not installed.
    """
    torch = pytorch()
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    net = _build(torch)
    labels = torch.as_tensor(table.labels, dtype=torch.long)
    share = table.weights / table.weights.sum()
    steps = max(1, len(table) // BATCH)
    same = np.ptp(table.weights) == 0

    def losses() -> Iterator[Any]:
        order = rng.permutation(len(table)) if same else rng.choice(len(table), len(table), p=share)
        for k in range(steps):
            rows = order[k * BATCH : (k + 1) * BATCH]
            screen, frame = _batch(torch, table, rows, rng)
            _varied(torch, screen, frame)
            yield torch.nn.functional.cross_entropy(
                net(screen, frame), labels[rows], label_smoothing=SMOOTHING
            )

    teach(torch, net, losses, epochs=epochs, steps=steps, progress=progress)
    return _numbers(net)


def _build(torch: Any) -> Any:
    nn: Any = torch.nn
    module: Any = torch.nn.Module

    class Net(module):
        def __init__(self) -> None:
            super().__init__()
            self.screen = build_stack(torch, 6, SCREEN_LAYERS)
            self.frame = build_stack(torch, 4, FRAME_LAYERS)
            width = len(_POOLS) * (SCREEN_LAYERS[-1][0] + FRAME_LAYERS[-1][0])
            self.hidden = nn.Linear(width, HIDDEN)
            self.last = nn.Linear(HIDDEN, len(SYMPTOMS))
            self.drop = nn.Dropout(0.3)

        def forward(self, screen: Any, frame: Any) -> Any:
            seen = [self.screen(screen), self.frame(frame)]
            x = torch.cat([f(x) for x in seen for f in _POOLS], dim=1)
            return self.last(self.drop(torch.relu(self.hidden(self.drop(x)))))

    return Net().to(memory_format=torch.channels_last)


def _mean(x: Any) -> Any:
    return x.mean(dim=(2, 3))


def _most(x: Any) -> Any:
    return x.amax(dim=(2, 3))


def _column(x: Any) -> Any:
    return x.mean(dim=2).amax(dim=2)


def _row(x: Any) -> Any:
    return x.mean(dim=3).amax(dim=2)


# As panelvision/glance_network.py pools.
_POOLS = (_mean, _most, _column, _row)


def _batch(torch: Any, table: Table, rows: IntArray, rng: np.random.Generator) -> tuple[Any, Any]:
    """Both pictures of some photos, cut out at a random place, each photo mirrored at random."""
    mirror = rng.random((len(rows), 2)) < 0.5
    pictures = []
    for name, cut in (("screen", 12), ("frame", 10)):
        top, left = rng.integers(0, cut + 1, 2)
        chosen = [
            _mirrored(getattr(table.glances[i], name), *m)[
                top : top - cut or None, left : left - cut or None
            ]
            for i, m in zip(rows, mirror, strict=True)
        ]
        x = torch.as_tensor(np.stack(chosen)).permute(0, 3, 1, 2)
        x = x.to(dtype=torch.float32, memory_format=torch.channels_last)
        pictures.append(x.div_(127.5).sub_(1))
    return pictures[0], pictures[1]


def _mirrored(picture: IntArray, upright: bool, level: bool) -> IntArray:
    return picture[:: -1 if upright else 1, :: -1 if level else 1]


def _varied(torch: Any, screen: Any, frame: Any) -> None:
    """Brighter, darker, tinted, noisier, in place."""
    n = len(screen)
    gain = torch.exp(torch.randn(n, 1) * 0.12 + torch.randn(n, 3) * 0.03)
    noise = torch.rand(n, 1) * 0.04
    stretch = torch.exp(torch.randn(n, 1) * 0.2).expand(n, 3)
    still = torch.zeros(n, 3)
    kept = torch.ones(n, 1)
    for x, scale, shift, grain in (
        (screen, [gain, stretch], [gain - 1, still], [noise] * 3 + [1.5 * noise] * 3),
        (frame, [gain, kept], [gain - 1, still[:, :1]], [noise] * 3 + [0 * noise]),
    ):
        x.mul_(torch.cat(scale, 1)[:, :, None, None]).add_(torch.cat(shift, 1)[:, :, None, None])
        random = torch.randn(n, *x.shape[2:], x.shape[1]).permute(0, 3, 1, 2)
        x.add_(random.mul_(torch.cat(grain, 1)[:, :, None, None])).clamp_(-1, 1)


def _numbers(net: Any) -> dict[str, np.ndarray]:
    """Plain arrays in half precision."""
    out = {**stack_numbers(net.screen, "screen"), **stack_numbers(net.frame, "frame")}
    for k, layer in enumerate((net.hidden, net.last)):
        out[f"dense.{k}.weight"] = half(layer.weight.T)
        out[f"dense.{k}.bias"] = half(layer.bias)
    return out
