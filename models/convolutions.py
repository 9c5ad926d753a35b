"""Stacks of 3 x 3 convolutions: built and taught with PyTorch, written as plain numbers.

PyTorch is needed for teaching alone (``pip install -e ".[train]"``); the program evaluates the
numbers with numpy (``panelvision/measure/convolution.py``).
"""

from typing import Any

import numpy as np

from panelvision.errors import ModelError

Layers = tuple[tuple[int, int], ...]


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
