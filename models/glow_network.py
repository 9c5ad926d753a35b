"""The network that reads a backlight: taught here, shipped as plain numbers."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
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
from models.gain_maps import gain_map, harmless_map
from panelvision.arrays import FloatArray, IntArray
from panelvision.measure.glow_network import CHANNELS, FLOOR, QUESTIONS, SIZE, inputs

# chosen: (channels, step); about 23 million multiplications a screen.
LAYERS = ((24, 2), (48, 2), (64, 2), (64, 1), (96, 2), (96, 1))
STRIDE = 16
HIDDEN = 48
EPOCHS = 36
BATCH = 32
DROPOUT = 0.25
SMOOTHING = 0.02
# chosen: share of the healthy backlights that are given a fault.
MULTIPLIED = 0.5


@dataclass(frozen=True)
class Backlight:
    """What is learned from of one photo.

    Attributes
    ----------
    picture : ndarray of shape (72, 128, 6), float16
        As :func:`panelvision.measure.glow_network.glow_picture` makes it.
    answers : ndarray of shape (2,), bool
        Dim zones, bare LEDs.
    places : ndarray of shape (72, 128, 2), uint8
        Where: 1 there, 0 not, 2 not known.
    healthy : bool
        A lit screen with a healthy backlight: it may be given a fault.
    """

    picture: FloatArray
    answers: IntArray
    places: IntArray
    healthy: bool


def fit_network(
    examples: Sequence[Backlight],
    *,
    seed: int,
    epochs: int = EPOCHS,
    progress: Progress | None = None,
) -> dict[str, np.ndarray]:
    """Teach a network; returns its numbers as they ship.

    Of the healthy backlights every second one is multiplied by a gain map each time that it
    is shown, so that the network sees the same picture with the fault and without.

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

    def losses() -> Iterator[Any]:
        order = rng.permutation(len(examples))
        for k in range(steps):
            rows = [varied(examples[i], rng) for i in order[k * BATCH : (k + 1) * BATCH]]
            x = torch.as_tensor(np.stack([inputs(row.picture) for row in rows]))
            x = x.contiguous(memory_format=torch.channels_last)
            with torch.autocast("cpu", torch.bfloat16):
                said, there = net(x)
            yield _loss(torch, said.float(), there.float(), rows)

    teach(torch, net, losses, epochs=epochs, steps=steps, progress=progress)
    return _numbers(net)


def varied(example: Backlight, rng: np.random.Generator) -> Backlight:
    """The example mirrored, lit otherwise, noisier, and perhaps with a fault of the backlight."""
    up, level = (-1 if rng.random() < 0.5 else 1 for _ in range(2))
    picture = example.picture[::up, ::level].astype(np.float32)
    places, answers = example.places[::up, ::level], example.answers
    light = np.exp(picture[..., :4]) - FLOOR
    if rng.random() < 0.6:
        light *= harmless_map(rng, SIZE)[..., None]
    if example.healthy and rng.random() < MULTIPLIED:
        gain, there, answers = gain_map(rng, SIZE)
        # What the room adds on the glass is not the backlight's.
        veil = rng.choice([0.0, 0.0, float(np.exp(rng.uniform(-7, -3.5)))])
        # Light beyond the sensor's end was some more than that.
        beyond = np.exp(picture[..., 5:6] * rng.uniform(0, 0.4))
        light = np.maximum(light * beyond - veil, 0) * gain[..., None] + veil
        shows = np.abs(np.log(gain)) * np.clip(light[..., 3] / 0.02, 0, 1)
        # chosen: less than a tenth of a step in log light is not to be seen in a picture.
        places = np.where(there & (shows > 0.1)[..., None], 1, np.where(there, 2, 0))
        places = places.astype(np.uint8)
        seen = (places == 1).mean(axis=(0, 1))
        answers = np.where(answers & (seen > (0.004, 0.0008)), 1, np.where(answers, 2, 0))
        light = np.minimum(light, 1.0)
    light *= np.exp(rng.normal(0, 0.05, 4)).astype(np.float32)
    noise = rng.normal(0, 1, light.shape) * rng.uniform(0, 0.03)
    picture[..., :4] = np.log(np.maximum(light * (1 + noise), 0) + FLOOR)
    picture[..., 4:] = example.picture[::up, ::level, 4:]
    return Backlight(picture, answers, places, example.healthy)


def _loss(torch: Any, said: Any, there: Any, rows: Sequence[Backlight]) -> Any:
    """Loss of the answers and of the places, each where it is known."""
    functional = torch.nn.functional
    answers = torch.as_tensor(np.stack([row.answers for row in rows]).astype(np.int64))
    target = answers.clamp(max=1).float() * (1 - SMOOTHING) + SMOOTHING / 2
    loss = functional.binary_cross_entropy_with_logits(said, target, reduction="none")
    known = (answers < 2).float()
    of_answers = (loss * known).sum() / known.sum().clamp(min=1)
    places = torch.as_tensor(np.stack([row.places for row in rows])).permute(0, 3, 1, 2).float()
    fault = functional.avg_pool2d((places == 1).float(), STRIDE, ceil_mode=True)
    unknown = functional.avg_pool2d((places == 2).float(), STRIDE, ceil_mode=True)
    # chosen: a place with a tenth of it in a dim zone, or any of it in a spot, shows it.
    least = torch.tensor([0.1, 0.004])[None, :, None, None]
    shows = (fault > least).float()
    weight = ((fault > least) | ((fault <= 0) & (unknown <= 0))).float()
    loss = functional.binary_cross_entropy_with_logits(there, shows, reduction="none")
    of_places = (loss * weight).sum() / weight.sum().clamp(min=1)
    return of_answers + of_places


def _build(torch: Any) -> Any:
    nn: Any = torch.nn
    module: Any = torch.nn.Module
    last, asked = LAYERS[-1][0], len(QUESTIONS)

    class Net(module):
        def __init__(self) -> None:
            super().__init__()
            self.stack = build_stack(torch, CHANNELS, LAYERS)
            self.places = nn.Conv2d(last, asked, 1)
            self.hidden = nn.Linear(len(POOLS) * last + 2 * asked, HIDDEN)
            self.last = nn.Linear(HIDDEN, asked)
            self.drop = nn.Dropout(DROPOUT)

        def forward(self, x: Any) -> tuple[Any, Any]:
            seen = self.stack(x)
            there = self.places(seen)
            pooled = [f(seen) for f in POOLS] + [POOLS[0](there), POOLS[1](there)]
            x = self.drop(torch.cat(pooled, dim=1))
            return self.last(self.drop(torch.relu(self.hidden(x)))), there

    return Net().to(memory_format=torch.channels_last)


def _numbers(net: Any) -> dict[str, np.ndarray]:
    """Plain arrays in half precision."""
    out = stack_numbers(net.stack, "glow")
    out["places.weight"] = half(net.places.weight[:, :, 0, 0].T)
    out["places.bias"] = half(net.places.bias)
    for k, layer in enumerate((net.hidden, net.last)):
        out[f"dense.{k}.weight"] = half(layer.weight.T)
        out[f"dense.{k}.bias"] = half(layer.bias)
    return out
