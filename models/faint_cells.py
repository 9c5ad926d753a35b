"""The network that sees where dark glass shows picture, taught cell by cell on drawn screens."""

from collections.abc import Callable
from typing import Any

import numpy as np

from models.convolutions import build_stack, half, pytorch, stack_numbers
from panelvision.arrays import BoolArray, FloatArray
from panelvision.measure.faint_network import CHANNELS, FaintNetwork, networks_from

# chosen: (channels, step) of each 3 x 3 convolution; a cell sees about 130 pixels across.
LAYERS = ((16, 2), (32, 2), (48, 2), (48, 1), (64, 2), (64, 1))
EPOCHS = 18
BATCH = 16
MOST_RATE = 3e-3
WEIGHT_DECAY = 0.03
CELL = 16
ROWS = 18  # cells of the canvas that photos of every format are laid on
COLUMNS = 30
# Steps of an input in the cache: 8 bits hold -2.1 to 2.1.
STEP = 1 / 60


def stored(x: FloatArray) -> np.ndarray:
    """An input of the network as int8, as it is cached."""
    return np.clip(np.rint(x / STEP), -127, 127).astype(np.int8)


def teach_cells(
    rows: list[dict[str, Any]],
    *,
    least_power: float,
    seed: int,
    progress: Callable[[int, int, float], None] | None = None,
) -> dict[str, np.ndarray]:
    """Teach one network; returns its numbers under the key of network 0.

    Cells of a picture's photo where the picture is too weak belong to neither side.

    Parameters
    ----------
    rows : list of dict
        Measured photos with ``seen`` (5, h, w) int8, ``cell_power``, ``cell_share``, ``pictured``.
    least_power : float
        Power of the picture, as a share of the noise's, from which a cell shows it.
    """
    torch = pytorch()
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    stack = build_stack(torch, CHANNELS, LAYERS)
    last = torch.nn.Conv2d(LAYERS[-1][0], 1, 1)
    net = torch.nn.Sequential(stack, last).to(memory_format=torch.channels_last)
    steps = max(1, len(rows) // BATCH)
    best = torch.optim.AdamW(net.parameters(), lr=MOST_RATE, weight_decay=WEIGHT_DECAY)
    rate = torch.optim.lr_scheduler.OneCycleLR(
        best, MOST_RATE, total_steps=EPOCHS * steps, pct_start=0.2
    )
    for epoch in range(EPOCHS):
        net.train()
        total = 0.0
        order = rng.permutation(len(rows))
        for k in range(steps):
            chosen = [rows[i] for i in order[k * BATCH : (k + 1) * BATCH]]
            x, label, count = _batch(chosen, least_power, rng)
            seen = torch.as_tensor(x).to(memory_format=torch.channels_last)
            stretch = torch.exp(torch.randn(len(chosen), 1, 1, 1) * 0.15)
            seen[:, :3] *= stretch
            loss = torch.nn.functional.binary_cross_entropy_with_logits(
                net(seen)[:, 0], torch.as_tensor(label), weight=torch.as_tensor(count),
                reduction="sum",
            ) / max(float(count.sum()), 1.0)  # fmt: skip
            best.zero_grad(set_to_none=True)
            loss.backward()
            best.step()
            rate.step()
            total += float(loss.detach())
        if progress:
            progress(epoch + 1, EPOCHS, total / steps)
    net.eval()
    return {
        **stack_numbers(stack, "0"),
        "0.last.weight": half(last.weight[0, :, 0, 0]),
        "0.last.bias": half(last.bias)[0],
    }


def _batch(
    rows: list[dict[str, Any]], least_power: float, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Inputs, labels and weights of some photos, each mirrored at random."""
    x = np.zeros((len(rows), CHANNELS, ROWS * CELL, COLUMNS * CELL), np.float32)
    label = np.zeros((len(rows), ROWS, COLUMNS), np.float32)
    count = np.zeros((len(rows), ROWS, COLUMNS), np.float32)
    for i, row in enumerate(rows):
        pictured = bool(row["pictured"] > 0)
        power, share = row["cell_power"], row["cell_share"]
        shows: BoolArray = power > least_power
        counts = (share > 0.6) & (shows if pictured else np.ones_like(shows))
        top = int(rng.integers(0, max(0, len(power) - ROWS) + 1))
        cells = slice(top, top + ROWS), slice(0, COLUMNS)
        pixels = row["seen"][:, top * CELL : (top + ROWS) * CELL, : COLUMNS * CELL]
        flip = (slice(None, None, -1 if rng.random() < 0.5 else 1),
                slice(None, None, -1 if rng.random() < 0.5 else 1))  # fmt: skip
        canvas = np.zeros((CHANNELS, ROWS * CELL, COLUMNS * CELL), np.float32)
        canvas[:, : pixels.shape[1], : pixels.shape[2]] = pixels * STEP
        x[i] = canvas[(slice(None), *flip)]
        for target, given in ((label, shows & pictured), (count, counts)):
            field = np.zeros((ROWS, COLUMNS), np.float32)
            part = given[cells]
            field[: part.shape[0], : part.shape[1]] = part
            target[i] = field[flip]
    return x, label, count


def network_of(numbers: dict[str, np.ndarray]) -> FaintNetwork:
    """One taught network as the program will have it."""
    [network] = networks_from({**numbers, "networks": np.array(1)})
    return network


def cell_odds(network: FaintNetwork, row: dict[str, Any]) -> FloatArray:
    """Log-odds of the cells of one measured photo."""
    return network.log_odds(row["seen"].astype(np.float32) * STEP)


def together(parts: list[dict[str, np.ndarray]]) -> dict[str, np.ndarray]:
    """The arrays of several networks as one file's."""
    out: dict[str, np.ndarray] = {"networks": np.array(len(parts))}
    for k, part in enumerate(parts):
        out.update({f"{k}.{name.split('.', 1)[1]}": v for name, v in part.items()})
    return out
