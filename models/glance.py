"""The network that reads a photo at a glance: taught here with PyTorch, shipped as plain numbers.

PyTorch is needed for this alone (``pip install -e ".[train]"``); the program evaluates the
numbers with numpy (``panelvision/convolution.py``).
"""

from collections.abc import Callable
from typing import Any

import numpy as np

from models.table import Table
from panelvision.arrays import IntArray
from panelvision.errors import ModelError
from panelvision.labels import SYMPTOMS

# chosen: (channels, step) of each 3 x 3 convolution; about 90 million multiplications a photo.
SCREEN_LAYERS = ((16, 2), (32, 2), (48, 2), (48, 1), (64, 2), (64, 1), (64, 1))
FRAME_LAYERS = ((12, 2), (24, 2), (40, 2), (40, 1), (48, 2))
HIDDEN = 64
EPOCHS = 30
BATCH = 32
MOST_RATE = 3e-3
WEIGHT_DECAY = 0.03
SMOOTHING = 0.05  # label smoothing (Szegedy et al. 2016, arXiv 1512.00567, section 7)


def fit_network(
    table: Table,
    *,
    seed: int,
    epochs: int = EPOCHS,
    progress: Callable[[int, int, float], None] | None = None,
) -> dict[str, np.ndarray]:
    """Teach a network on the photos of a table; returns its numbers as they ship.

    AdamW (Loshchilov and Hutter 2019, arXiv 1711.05101) with one cycle of the learning rate;
    photos are mirrored, cut, and changed in brightness, colour and noise.

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
    torch = _torch()
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    net = _build(torch)
    labels = torch.as_tensor(table.labels, dtype=torch.long)
    share = table.weights / table.weights.sum()
    steps = max(1, len(table) // BATCH)
    best = torch.optim.AdamW(net.parameters(), lr=MOST_RATE, weight_decay=WEIGHT_DECAY)
    rate = torch.optim.lr_scheduler.OneCycleLR(
        best, MOST_RATE, total_steps=epochs * steps, pct_start=0.15
    )
    same = np.ptp(table.weights) == 0
    for epoch in range(epochs):
        net.train()
        total = 0.0
        order = rng.permutation(len(table)) if same else rng.choice(len(table), len(table), p=share)
        for k in range(steps):
            rows = order[k * BATCH : (k + 1) * BATCH]
            screen, frame = _batch(torch, table, rows, rng)
            _varied(torch, screen, frame)
            loss = torch.nn.functional.cross_entropy(
                net(screen, frame), labels[rows], label_smoothing=SMOOTHING
            )
            best.zero_grad(set_to_none=True)
            loss.backward()
            best.step()
            rate.step()
            total += float(loss.detach())
        if progress:
            progress(epoch + 1, epochs, total / steps)
    net.eval()
    return _numbers(net)


def _torch() -> Any:
    try:
        import torch
    except ImportError:
        raise ModelError('teaching the network needs PyTorch: pip install -e ".[train]"') from None
    return torch


def _build(torch: Any) -> Any:
    nn: Any = torch.nn
    module: Any = torch.nn.Module

    class Trunk(module):
        def __init__(self, channels: int, layers: tuple[tuple[int, int], ...]) -> None:
            super().__init__()
            self.convolutions = nn.ModuleList()
            self.normal = nn.ModuleList()
            self.steps = [step for _, step in layers]
            for n, step in layers:
                self.convolutions.append(
                    nn.Conv2d(channels, n, 3, stride=step, padding=1, bias=False)
                )
                self.normal.append(nn.BatchNorm2d(n))
                channels = n

        def forward(self, x: Any) -> Any:
            for convolution, normal in zip(self.convolutions, self.normal, strict=True):
                y = normal(convolution(x))
                x = torch.relu(y + x if y.shape == x.shape else y)
            return torch.cat([x.mean(dim=(2, 3)), x.amax(dim=(2, 3))], dim=1)

    class Net(module):
        def __init__(self) -> None:
            super().__init__()
            self.screen = Trunk(6, SCREEN_LAYERS)
            self.frame = Trunk(4, FRAME_LAYERS)
            width = 2 * (SCREEN_LAYERS[-1][0] + FRAME_LAYERS[-1][0])
            self.hidden = nn.Linear(width, HIDDEN)
            self.last = nn.Linear(HIDDEN, len(SYMPTOMS))
            self.drop = nn.Dropout(0.3)

        def forward(self, screen: Any, frame: Any) -> Any:
            x = torch.cat([self.screen(screen), self.frame(frame)], dim=1)
            return self.last(self.drop(torch.relu(self.hidden(self.drop(x)))))

    return Net().to(memory_format=torch.channels_last)


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
    gain = torch.exp(torch.randn(n, 1, 1, 1) * 0.12 + torch.randn(n, 3, 1, 1) * 0.03)
    noise = torch.rand(n, 1, 1, 1) * 0.04
    stretch = torch.exp(torch.randn(n, 1, 1, 1) * 0.2)
    for x in (screen, frame):
        x[:, :3] = ((x[:, :3] + 1) * gain + noise * torch.randn(n, 3, *x.shape[2:])).clamp_(
            0, 2
        ) - 1
    grain = 1.5 * noise * torch.randn(n, 3, *screen.shape[2:])
    screen[:, 3:] = (screen[:, 3:] * stretch + grain).clamp_(-1, 1)


def _numbers(net: Any) -> dict[str, np.ndarray]:
    """Plain arrays, each normalisation folded into its convolution; half precision."""
    out: dict[str, np.ndarray] = {}
    for name, trunk in (("screen", net.screen), ("frame", net.frame)):
        out[f"{name}.steps"] = np.array(trunk.steps, np.uint8)
        for k, (convolution, normal) in enumerate(
            zip(trunk.convolutions, trunk.normal, strict=True)
        ):
            scale = normal.weight / (normal.running_var + normal.eps).sqrt()
            weight = convolution.weight * scale[:, None, None, None]
            out[f"{name}.{k}.weight"] = _half(weight)
            out[f"{name}.{k}.bias"] = _half(normal.bias - normal.running_mean * scale)
    for k, layer in enumerate((net.hidden, net.last)):
        out[f"dense.{k}.weight"] = _half(layer.weight.T)
        out[f"dense.{k}.bias"] = _half(layer.bias)
    return out


def _half(tensor: Any) -> np.ndarray:
    return np.ascontiguousarray(tensor.detach().numpy()).astype(np.float16)
