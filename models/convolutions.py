"""Stacks of 3 x 3 convolutions: built and taught with PyTorch, written as plain numbers.

PyTorch is needed for teaching alone (``pip install -e ".[train]"``); the program evaluates the
numbers with numpy (``panelvision/measure/convolution.py``).
"""

from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np

from panelvision.errors import ModelError

Layers = tuple[tuple[int, int], ...]
Progress = Callable[[int, int, float], None]

MOST_RATE = 3e-3
WEIGHT_DECAY = 0.03


def pytorch() -> Any:
    """The library.

    Raises
    ------
    ModelError
        When it is not installed.
    """
    try:
        import torch
    except ImportError:
        raise ModelError('teaching the networks needs PyTorch: pip install -e ".[train]"') from None
    return torch


def build_stack(torch: Any, channels: int, layers: Layers) -> Any:
    """Convolutions as (channels, step), each with batch normalisation and a rectifier.

    A layer that keeps its size adds its input (He et al. 2016, arXiv 1512.03385).
    """
    nn: Any = torch.nn
    module: Any = torch.nn.Module

    class Stack(module):
        def __init__(self) -> None:
            super().__init__()
            self.convolutions = nn.ModuleList()
            self.normal = nn.ModuleList()
            self.steps = [step for _, step in layers]
            before = channels
            for n, step in layers:
                self.convolutions.append(
                    nn.Conv2d(before, n, 3, stride=step, padding=1, bias=False)
                )
                self.normal.append(nn.BatchNorm2d(n))
                before = n

        def forward(self, x: Any) -> Any:
            for convolution, normal in zip(self.convolutions, self.normal, strict=True):
                y = normal(convolution(x))
                x = torch.relu(y + x if y.shape == x.shape else y)
            return x

    return Stack()


def _mean(x: Any) -> Any:
    return x.mean(dim=(2, 3))


def _most(x: Any) -> Any:
    return x.amax(dim=(2, 3))


def _column(x: Any) -> Any:
    return x.mean(dim=2).amax(dim=2)


def _row(x: Any) -> Any:
    return x.mean(dim=3).amax(dim=2)


# As `pooled` of panelvision/measure/convolution.py.
POOLS = (_mean, _most, _column, _row)


def teach(
    torch: Any,
    net: Any,
    losses: Callable[[], Iterable[Any]],
    *,
    epochs: int,
    steps: int,
    progress: Progress | None,
    rates: Sequence[tuple[list[Any], float]] | None = None,
) -> None:
    """Teach a network in place: AdamW with one cycle of the learning rate.

    I. Loshchilov and F. Hutter, "Decoupled weight decay regularization", 2019, arXiv 1711.05101.

    Parameters
    ----------
    losses : callable
        The losses of one epoch's ``steps`` batches, one after the other.
    progress : callable(epoch, epochs, mean loss), optional
    rates : sequence of (parameters, largest learning rate), optional
        All parameters at ``MOST_RATE`` where it is not given.
    """
    groups = rates or [(list(net.parameters()), MOST_RATE)]
    best = torch.optim.AdamW(
        [{"params": parameters, "lr": rate} for parameters, rate in groups],
        weight_decay=WEIGHT_DECAY,
    )
    rate = torch.optim.lr_scheduler.OneCycleLR(
        best, [most for _, most in groups], total_steps=epochs * steps, pct_start=0.15
    )
    for epoch in range(epochs):
        net.train()
        total = 0.0
        for loss in losses():
            best.zero_grad(set_to_none=True)
            loss.backward()
            best.step()
            rate.step()
            total += float(loss.detach())
        if progress:
            progress(epoch + 1, epochs, total / steps)
    net.eval()


def stack_numbers(stack: Any, part: str) -> dict[str, np.ndarray]:
    """The arrays of a stack, each normalisation folded into its convolution."""
    out = {f"{part}.steps": np.array(stack.steps, np.uint8)}
    for k, (convolution, normal) in enumerate(zip(stack.convolutions, stack.normal, strict=True)):
        scale = normal.weight / (normal.running_var + normal.eps).sqrt()
        weight = convolution.weight * scale[:, None, None, None]
        out[f"{part}.{k}.weight"] = half(weight)
        out[f"{part}.{k}.bias"] = half(normal.bias - normal.running_mean * scale)
    return out


def half(tensor: Any) -> np.ndarray:
    """An array in half precision."""
    return np.ascontiguousarray(tensor.detach().numpy()).astype(np.float16)


def seven_bits(tensor: Any) -> np.ndarray:
    """An array in half precision of which seven significant bits are left: it packs smaller."""
    bits = half(tensor).view(np.uint16)
    return ((bits + np.uint16(8)) & np.uint16(0xFFF0)).view(np.float16)
