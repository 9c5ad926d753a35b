"""The network that reads a photo at a glance: taught here, shipped as plain numbers."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Any

import numpy as np

from models.convolutions import (
    POOLS,
    Progress,
    build_stack,
    half,
    pytorch,
    stack_numbers,
    teach,
)
from models.places import FAULT, PLACES, UNKNOWN
from panelvision.arrays import IntArray
from panelvision.labels import SYMPTOMS
from panelvision.measure.glance import SCREEN_SIZE, Glance
from panelvision.measure.glance_network import FRAME_CUT, SCREEN_CUT

# chosen: (channels, step) of each 3 x 3 convolution; about 140 million multiplications a photo.
SCREEN_LAYERS = ((16, 2), (32, 2), (64, 2), (64, 1), (96, 2), (96, 1), (96, 1))
FRAME_LAYERS = ((12, 2), (24, 2), (48, 2), (48, 1), (64, 2))
HIDDEN = 96
EPOCHS = 30
# chosen: share of the epochs in which the pictures are half as large, at a quarter of the work.
COARSE = 0.7
DROPOUT = 0.2
BATCH = 32
SMOOTHING = 0.05  # label smoothing (Szegedy et al. 2016, arXiv 1512.00567, section 7)


@dataclass(frozen=True)
class Example:
    """What is learned from of one photo.

    Attributes
    ----------
    glance : Glance
    places : ndarray of shape PLACES, uint8
        Where in the glance the label stands (``models/places.py``).
    label : int
        Index into ``SYMPTOMS``.
    """

    glance: Glance
    places: IntArray
    label: int


def fit_network(
    examples: Sequence[Example],
    *,
    seed: int,
    epochs: int = EPOCHS,
    progress: Progress | None = None,
) -> dict[str, np.ndarray]:
    """Teach a network; returns its numbers as they ship.

    It learns two things at once, the label of the photo and where in it the label stands.
    Photos are mirrored, cut, and changed in brightness, colour and noise, and smaller at first
    (as in Tan and Le 2021, arXiv 2104.00298, section 4). Products are formed in 16 bits
    (bfloat16), which halves the time where the processor knows them.

    Parameters
    ----------
    examples : sequence of Example
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
    steps = max(1, len(examples) // BATCH)
    epoch = count()
    # Drawn once: to draw as many normal numbers for every batch takes a fifth of the time.
    noise = torch.randn(_NOISE)

    def losses() -> Iterator[Any]:
        shrink = 2 if next(epoch) < COARSE * epochs else 1
        order = rng.permutation(len(examples))
        for k in range(steps):
            rows = [examples[i] for i in order[k * BATCH : (k + 1) * BATCH]]
            labels = torch.as_tensor([row.label for row in rows])
            screen, frame, places = _batch(torch, rows, rng, shrink=shrink)
            _varied(torch, screen, frame, noise)
            with torch.autocast("cpu", torch.bfloat16):
                said, there = net(screen, frame)
            of_photo = torch.nn.functional.cross_entropy(
                said.float(), labels, label_smoothing=SMOOTHING
            )
            yield of_photo + _loss_of_places(
                torch, there.float(), places, labels, stride=shrink * _STRIDE
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
            self.places = nn.Conv2d(SCREEN_LAYERS[-1][0], len(SYMPTOMS), 1)
            width = len(POOLS) * (SCREEN_LAYERS[-1][0] + FRAME_LAYERS[-1][0])
            self.hidden = nn.Linear(width + 2 * len(SYMPTOMS), HIDDEN)
            self.last = nn.Linear(HIDDEN, len(SYMPTOMS))
            self.drop = nn.Dropout(DROPOUT)

        def forward(self, screen: Any, frame: Any) -> tuple[Any, Any]:
            """Scores of the photo, and of each place of the screen."""
            seen = [self.screen(screen), self.frame(frame)]
            there = self.places(seen[0])
            share = torch.log_softmax(there, dim=1)
            pooled = [f(x) for x in seen for f in POOLS] + [POOLS[0](share), POOLS[1](share)]
            x = self.drop(torch.cat(pooled, dim=1))
            return self.last(self.drop(torch.relu(self.hidden(x)))), there

    return Net().to(memory_format=torch.channels_last)


_STRIDE = 16  # pixels of the screen's picture to one place of its last layer


def _loss_of_places(
    torch: Any, there: Any, places: Any, labels: Any, *, stride: int = _STRIDE
) -> Any:
    """Mean loss of the places, where known; those with the fault and those without weigh alike.

    Parameters
    ----------
    there : Tensor of shape (n, n_labels, rows, columns)
    places : Tensor of shape (n, height, width), of the cut-out screen's size
        As ``models/places.py`` has them.
    labels : Tensor of shape (n,)
    stride : int
        Pixels of ``places`` to one of ``there``.
    """
    functional = torch.nn.functional
    fault = (places == FAULT).float()[:, None]
    fault = functional.max_pool2d(fault, stride, stride, stride // 2)[:, 0]
    healthy = torch.full_like(labels, SYMPTOMS.index("normal"))
    target = torch.where(fault > 0, labels[:, None, None], healthy[:, None, None])
    loss = functional.cross_entropy(there, target, reduction="none")
    shares = [(part.sum((1, 2)), (part * loss).sum((1, 2))) for part in (fault, 1 - fault)]
    means = sum(total / count.clamp(min=1) for count, total in shares)
    kinds = sum((count > 0).float() for count, _ in shares)
    known = (places[:, 0, 0] != UNKNOWN).float()
    return (known * means / kinds).sum() / known.sum().clamp(min=1)


def _batch(
    torch: Any, rows: Sequence[Example], rng: np.random.Generator, *, shrink: int = 1
) -> tuple[Any, Any, Any]:
    """Both pictures of some photos, cut out at a random place, each photo mirrored at random.

    Values 0..255 as yet (:func:`_varied` makes them the network's).
    Last, the places of the cut-out screens, at their size before both pictures are made smaller
    ``shrink`` times.
    """
    mirror = rng.random((len(rows), 2)) < 0.5

    def cut(pictures: Sequence[IntArray], by: int, top: int, left: int) -> IntArray:
        whole = [_mirrored(p, *m) for p, m in zip(pictures, mirror, strict=True)]
        return np.stack([p[top : top - by or None, left : left - by or None] for p in whole])

    corner = rng.integers(0, SCREEN_CUT + 1, 2)
    finer = SCREEN_SIZE[0] // PLACES[0]
    places = [row.places.repeat(finer, 0).repeat(finer, 1) for row in rows]
    screen = cut([row.glance.screen for row in rows], SCREEN_CUT, *corner)
    frames = [row.glance.frame for row in rows]
    frame = cut(frames, FRAME_CUT, *rng.integers(0, FRAME_CUT + 1, 2))
    inputs = []
    for pictures in (screen, frame):
        x = torch.as_tensor(pictures).permute(0, 3, 1, 2)
        x = x.to(dtype=torch.float32, memory_format=torch.channels_last)
        if shrink > 1:
            x = torch.nn.functional.avg_pool2d(x, shrink)
        inputs.append(x)
    return inputs[0], inputs[1], torch.as_tensor(cut(places, SCREEN_CUT, *corner))


def _mirrored(picture: IntArray, upright: bool, level: bool) -> IntArray:
    return picture[:: -1 if upright else 1, :: -1 if level else 1]


_NOISE = 12_000_000  # normal numbers; a batch takes ten million of them, from a random place on


def _varied(torch: Any, screen: Any, frame: Any, noise: Any) -> None:
    """From 0..255 to -1..1, brighter, darker, tinted, noisier, in place.

    Parameters
    ----------
    noise : Tensor of shape (n,)
        Standard normal numbers to take from.
    """
    n = len(screen)
    gain = torch.exp(torch.randn(n, 1) * 0.12 + torch.randn(n, 3) * 0.03)
    grain = torch.rand(n, 1) * 0.04
    stretch = torch.exp(torch.randn(n, 1) * 0.2).expand(n, 3)
    still = torch.zeros(n, 3)
    kept = torch.ones(n, 1)
    for x, scale, shift, grains in (
        (screen, [gain, stretch], [gain - 1, still], [grain] * 3 + [1.5 * grain] * 3),
        (frame, [gain, kept], [gain - 1, still[:, :1]], [grain] * 3 + [0 * grain]),
    ):
        by, plus, of_noise = (torch.cat(v, 1)[:, :, None, None] for v in (scale, shift, grains))
        start = int(torch.randint(len(noise) - x.numel(), ()))
        own = noise[start : start + x.numel()].view(n, *x.shape[2:], x.shape[1])
        x.mul_(by / 127.5).add_(plus - by).addcmul_(own.permute(0, 3, 1, 2), of_noise)
        x.clamp_(-1, 1)


def _numbers(net: Any) -> dict[str, np.ndarray]:
    """Plain arrays in half precision."""
    out = {**stack_numbers(net.screen, "screen"), **stack_numbers(net.frame, "frame")}
    out["places.weight"] = half(net.places.weight[:, :, 0, 0].T)
    out["places.bias"] = half(net.places.bias)
    for k, layer in enumerate((net.hidden, net.last)):
        out[f"dense.{k}.weight"] = half(layer.weight.T)
        out[f"dense.{k}.bias"] = half(layer.bias)
    return out
