"""The network that reads a photo at a glance: taught here, shipped as plain numbers."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import count
from typing import Any

import numpy as np

from models.convolutions import (
    MOST_RATE,
    POOLS,
    Progress,
    build_stack,
    half,
    pytorch,
    seven_bits,
    stack_numbers,
    teach,
)
from models.places import FAULT, PLACES, UNKNOWN
from models.pretrained import (
    build_trunk,
    only_adds,
    start_from_published,
    take_up_trunk,
    trunk_numbers,
)
from panelvision.arrays import IntArray
from panelvision.labels import SYMPTOMS
from panelvision.measure.glance import FRAME_SIZE, SCREEN_SIZE, Glance
from panelvision.measure.glance_network import (
    FRAME_CUT,
    LEVEL_CHANNELS,
    PLACES_LEVEL,
    SCREEN_CUT,
    SCREEN_SEEN,
    WHOLE_CUT,
    framed,
    seen_screen,
)

# chosen: (channels, step) of each 3 x 3 convolution over the frame's picture.
FRAME_LAYERS = ((12, 2), (24, 2), (48, 2), (48, 1), (64, 2))
HIDDEN = 128
# chosen: epochs in which both pictures are small, at a third of the work, and those after.
COARSE_EPOCHS, EPOCHS = 4, 5
COARSE_SEEN, COARSE_CUT = (90, 160), (6, 6)  # rows and columns, as SCREEN_SEEN and SCREEN_CUT
# chosen: what the trunk knew already is to be changed, not forgotten.
TRUNK_RATE = 7e-4
# chosen: epochs after those, in which the trunk learns to see the whole frame as well. It is hardly
# changed by then: what it says of faults is to stay.
PRESENCE_EPOCHS = 3
PRESENCE_TRUNK_RATE, PRESENCE_DENSE_RATE = 1.5e-4, 3e-4
DROPOUT = 0.3
_NO_SCREEN = SYMPTOMS.index("not-a-screen")
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
    epochs: tuple[int, int] = (COARSE_EPOCHS, EPOCHS),
    presence_epochs: int = PRESENCE_EPOCHS,
    published: bool = True,
    start: Mapping[str, np.ndarray] | None = None,
    progress: Progress | None = None,
) -> dict[str, np.ndarray]:
    """Teach a network; returns its numbers as they ship.

    It learns two things at once, the label of the photo and where in it the label stands.
    Photos are mirrored, cut, and changed in brightness, colour and noise, and smaller at first
    (as in Tan and Le 2021, arXiv 2104.00298, section 4). In a second go the trunk, its
    normalisations as they are, looks at the whole frame too, for whether there is a screen.

    Parameters
    ----------
    examples : sequence of Example
    epochs : two int
        Those in which photos are small, and all, of the first go.
    presence_epochs : int
        Of the second.
    published : bool
        Whether the trunk starts from the numbers that photographs of everyday things gave it.
    start : mapping, optional
        Numbers of a network, as they ship: only the second go is made, from there.
    progress : callable(epoch, epochs, mean loss), optional

    Raises
    ------
    ModelError
        When PyTorch or the published numbers are not installed.
    """
    torch = pytorch()
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    net = _build(torch)
    if start is not None:
        _take_up(torch, net, start)
    elif published:
        start_from_published(torch, net.screen)
    steps = max(1, len(examples) // BATCH)
    # Drawn once: to draw as many normal numbers for every batch takes a fifth of the time.
    noise = torch.randn(_NOISE)

    def batches(*, coarse: bool, whole: bool) -> Iterator[Any]:
        order = rng.permutation(len(examples))
        for k in range(steps):
            rows = [examples[i] for i in order[k * BATCH : (k + 1) * BATCH]]
            labels = torch.as_tensor([row.label for row in rows])
            *pictures, places = _batch(torch, rows, rng, coarse=coarse)
            _varied(torch, pictures, noise)
            said, there = net(*pictures[: 3 if whole else 2])
            of_photo = torch.nn.functional.cross_entropy(said, labels, label_smoothing=SMOOTHING)
            yield of_photo + _loss_of_places(torch, there, places, labels)

    trunk, of_presence = list(net.screen.parameters()), list(net.presence.parameters())
    special = {id(p) for p in (*trunk, *of_presence)}
    dense = [p for p in net.parameters() if id(p) not in special]
    if start is None:
        epoch = count()
        teach(
            torch,
            net,
            lambda: batches(coarse=next(epoch) < epochs[0], whole=False),
            epochs=epochs[1],
            steps=steps,
            progress=progress,
            rates=[(trunk, TRUNK_RATE), (dense, MOST_RATE)],
        )

    def second() -> Iterator[Any]:
        _keep_normalisations(torch, net)
        return batches(coarse=False, whole=True)

    teach(
        torch,
        net,
        second,
        epochs=presence_epochs,
        steps=steps,
        progress=progress,
        rates=[
            (trunk, PRESENCE_TRUNK_RATE),
            (dense, PRESENCE_DENSE_RATE),
            (of_presence, MOST_RATE),
        ],
    )
    return _numbers(net)


def _build(torch: Any) -> Any:
    nn: Any = torch.nn
    module: Any = torch.nn.Module

    class Net(module):
        def __init__(self) -> None:
            super().__init__()
            self.screen = build_trunk(torch, 6)
            self.frame = build_stack(torch, 4, FRAME_LAYERS)
            self.places = nn.Conv2d(LEVEL_CHANNELS[PLACES_LEVEL], len(SYMPTOMS), 1)
            width = len(POOLS) * (sum(LEVEL_CHANNELS) + FRAME_LAYERS[-1][0]) + 2 * len(SYMPTOMS)
            self.normal = nn.BatchNorm1d(width, affine=False)
            self.hidden = nn.Linear(width, HIDDEN)
            self.last = nn.Linear(HIDDEN, len(SYMPTOMS))
            self.drop = nn.Dropout(DROPOUT)
            width = len(POOLS) * sum(LEVEL_CHANNELS)
            self.surroundings = nn.BatchNorm1d(width, affine=False)
            self.presence = nn.Linear(width, 1)
            nn.init.zeros_(self.presence.weight)
            nn.init.zeros_(self.presence.bias)

        def forward(self, screen: Any, frame: Any, whole: Any = None) -> tuple[Any, Any]:
            """Scores of the photo, and of each place of the screen."""
            levels = self.screen(screen)
            there = self.places(levels[PLACES_LEVEL])
            share = torch.log_softmax(there, dim=1)
            pooled = [f(x) for x in (*levels, self.frame(frame)) for f in POOLS]
            x = torch.cat([*pooled, POOLS[0](share), POOLS[1](share)], dim=1)
            x = torch.relu(self.hidden(self.drop(self.normal(x))))
            said = self.last(self.drop(x))
            if whole is not None:
                levels = self.screen(whole)
                x = torch.cat([f(x) for x in levels for f in POOLS], dim=1)
                more = self.presence(self.drop(self.surroundings(x)))
                said = said + more * (torch.arange(len(SYMPTOMS)) == _NO_SCREEN)
            return said, there

    return Net().to(memory_format=torch.channels_last)


def _keep_normalisations(torch: Any, net: Any) -> None:
    """Let all but that of the surroundings go by what they have counted, as they ship."""
    for layer in net.modules():
        if isinstance(layer, torch.nn.modules.batchnorm._BatchNorm) and layer is not (
            net.surroundings
        ):
            layer.eval()


def _take_up(torch: Any, net: Any, numbers: Mapping[str, np.ndarray]) -> None:
    """Put numbers, as they ship, into a network, in place; normalisations come to do nothing."""

    def put(layer: Any, weight: np.ndarray, bias: np.ndarray) -> None:
        layer.weight.data = torch.as_tensor(weight.astype(np.float32).copy())
        layer.bias.data = torch.as_tensor(bias.astype(np.float32).copy())

    take_up_trunk(torch, net.screen, numbers, "screen")
    for k, (convolution, normal) in enumerate(
        zip(net.frame.convolutions, net.frame.normal, strict=True)
    ):
        weight = numbers[f"frame.{k}.weight"].astype(np.float32)
        convolution.weight.data = torch.as_tensor(weight)
        only_adds(torch, normal, numbers[f"frame.{k}.bias"])
    put(net.places, numbers["places.weight"].T[:, :, None, None], numbers["places.bias"])
    only_adds(torch, net.normal, None)
    put(net.hidden, numbers["dense.0.weight"].T, numbers["dense.0.bias"])
    put(net.last, numbers["dense.1.weight"].T, numbers["dense.1.bias"])


def _loss_of_places(torch: Any, there: Any, places: Any, labels: Any) -> Any:
    """Mean loss of the places, where known; those with the fault and those without weigh alike.

    Parameters
    ----------
    there : Tensor of shape (n, n_labels, rows, columns)
    places : Tensor of shape (n, height, width)
        As ``models/places.py`` has them, over the same part of the screen.
    labels : Tensor of shape (n,)
    """
    functional = torch.nn.functional
    fault = (places == FAULT).float()[:, None]
    fault = functional.adaptive_max_pool2d(fault, there.shape[2:])[:, 0]
    healthy = torch.full_like(labels, SYMPTOMS.index("normal"))
    target = torch.where(fault > 0, labels[:, None, None], healthy[:, None, None])
    loss = functional.cross_entropy(there, target, reduction="none")
    shares = [(part.sum((1, 2)), (part * loss).sum((1, 2))) for part in (fault, 1 - fault)]
    means = sum(total / count.clamp(min=1) for count, total in shares)
    kinds = sum((count > 0).float() for count, _ in shares)
    known = (places[:, 0, 0] != UNKNOWN).float()
    return (known * means / kinds).sum() / known.sum().clamp(min=1)


def _batch(
    torch: Any, rows: Sequence[Example], rng: np.random.Generator, *, coarse: bool = False
) -> tuple[Any, Any, Any, Any]:
    """Both pictures of some photos, cut out at a random place, each photo mirrored at random.

    Values 0..255 as yet (:func:`_varied` makes them the network's). Third, the frame's picture as
    the trunk sees it; last, the places of the cut-out screens.
    """
    size, cut = (COARSE_SEEN, COARSE_CUT) if coarse else (SCREEN_SEEN, SCREEN_CUT)
    window = _window(rng, size, cut)
    screen = np.stack([seen_screen(row.glance.screen, size)[window] for row in rows])
    finer = SCREEN_SIZE[0] // PLACES[0]
    scale = SCREEN_SIZE[0] / size[0]
    part = tuple(slice(round(w.start * scale), round(w.stop * scale)) for w in window)
    places = np.stack([row.places.repeat(finer, 0).repeat(finer, 1)[part] for row in rows])
    side = FRAME_SIZE, FRAME_SIZE
    window, wider = _window(rng, side, FRAME_CUT), _window(rng, side, WHOLE_CUT)
    frame = np.stack([row.glance.frame[window] for row in rows])
    whole = np.stack([framed(row.glance.frame[wider]) for row in rows])
    mirror = rng.random((len(rows), 2)) < 0.5
    screen, frame, whole, places = (
        np.stack([_mirrored(p, *m) for p, m in zip(pictures, mirror, strict=True)])
        for pictures in (screen, frame, whole, places)
    )
    inputs = [
        torch.as_tensor(x)
        .permute(0, 3, 1, 2)
        .to(dtype=torch.float32, memory_format=torch.channels_last)
        for x in (screen, frame, whole)
    ]
    if coarse:
        inputs[1] = torch.nn.functional.avg_pool2d(inputs[1], 2)
    return inputs[0], inputs[1], inputs[2], torch.as_tensor(places)


def _window(
    rng: np.random.Generator, size: tuple[int, int], cut: tuple[int, int]
) -> tuple[slice, slice]:
    at = rng.integers(0, np.array(cut) + 1, 2)
    rows, columns = (slice(a, a + n - c) for a, n, c in zip(at, size, cut, strict=True))
    return rows, columns


def _mirrored(picture: IntArray, upright: bool, level: bool) -> IntArray:
    return picture[:: -1 if upright else 1, :: -1 if level else 1]


_NOISE = 8_000_000  # normal numbers; a batch takes six million of them, from a random place on


def _varied(torch: Any, pictures: Sequence[Any], noise: Any) -> None:
    """From 0..255 to -1..1, brighter, darker, tinted, noisier, in place.

    Parameters
    ----------
    pictures : three Tensors
        As :func:`_batch` gives them.
    noise : Tensor of shape (n,)
        Standard normal numbers to take from.
    """
    n = len(pictures[0])
    gain = torch.exp(torch.randn(n, 1) * 0.15 + torch.randn(n, 3) * 0.04)
    grain = torch.rand(n, 1) * 0.04
    stretch = torch.exp(torch.randn(n, 1) * 0.2).expand(n, 3)
    still, kept = torch.zeros(n, 3), torch.ones(n, 3)
    changes = (
        ([gain, stretch], [gain - 1, still], [grain] * 3 + [1.5 * grain] * 3),
        ([gain, kept[:, :1]], [gain - 1, still[:, :1]], [grain] * 3 + [0 * grain]),
        ([gain, kept], [gain - 1, still], [grain] * 3 + [0 * grain] * 3),
    )
    for x, (scale, shift, grains) in zip(pictures, changes, strict=True):
        by, plus, of_noise = (torch.cat(v, 1)[:, :, None, None] for v in (scale, shift, grains))
        start = int(torch.randint(len(noise) - x.numel(), ()))
        own = noise[start : start + x.numel()].view(n, *x.shape[2:], x.shape[1])
        x.mul_(by / 127.5).add_(plus - by).addcmul_(own.permute(0, 3, 1, 2), of_noise)
        x.clamp_(-1, 1)


def _numbers(net: Any) -> dict[str, np.ndarray]:
    """Plain arrays, in half precision but for the trunk's weights."""
    rows, columns = (n - cut for n, cut in zip(SCREEN_SEEN, SCREEN_CUT, strict=True))
    out = {
        **trunk_numbers(net.screen, 6, rows, columns, "screen"),
        **stack_numbers(net.frame, "frame"),
    }
    out["places.weight"] = half(net.places.weight[:, :, 0, 0].T)
    out["places.bias"] = half(net.places.bias)
    # The normalisation before it is folded into the first dense layer.
    scale = 1 / (net.normal.running_var + net.normal.eps).sqrt()
    weight = net.hidden.weight * scale
    out["dense.0.weight"] = seven_bits(weight.T)
    out["dense.0.bias"] = half(net.hidden.bias - weight @ net.normal.running_mean)
    out["dense.1.weight"] = half(net.last.weight.T)
    out["dense.1.bias"] = half(net.last.bias)
    scale = 1 / (net.surroundings.running_var + net.surroundings.eps).sqrt()
    weight = net.presence.weight * scale
    out["presence.weight"] = half(weight.T)
    out["presence.bias"] = half(net.presence.bias - weight @ net.surroundings.running_mean)
    return out
