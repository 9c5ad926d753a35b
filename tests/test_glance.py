"""The two small pictures that the network reads hold what they say they hold."""

import cv2
import numpy as np
import pytest

import models.train as training
import synth
from models import convolutions, pretrained, train_glance
from models import glance as teaching
from models.glance import Example, fit_network
from models.places import FAULT, HEALTHY, PLACES
from panelvision.examine import look, look_at_a_glance
from panelvision.labels import SYMPTOMS
from panelvision.light import decode
from panelvision.measure.glance import (
    FRAME_SIZE,
    SCREEN_SIZE,
    VIEW_MARGIN,
    VIEW_WIDTH,
    Glance,
    glance_of,
)
from panelvision.measure.glance_network import load_network, read_network
from panelvision.photo import from_array, read_photo
from panelvision.squareup import Outline, square_up

CORNERS = np.array([[200.0, 150.0], [1400.0, 150.0], [1400.0, 825.0], [200.0, 825.0]])


def seen_in(code):
    photo = from_array(code)
    outline = Outline(CORNERS, 1.0, np.full(4, np.nan))
    wide = square_up(photo, outline, width=VIEW_WIDTH, margin=VIEW_MARGIN)
    return glance_of(photo, wide, outline)


def grey(value=90):
    return np.full((1000, 1600, 3), value, np.uint8)


def test_light_is_kept_as_its_cube_root():
    # Code 90 decodes by IEC 61966-2-1 (tested elsewhere); its cube root is taken here.
    expected = round(255 * float(decode(np.full((1, 1), 90, np.uint8))[0, 0]) ** (1 / 3))
    seen = seen_in(grey())
    assert seen.screen.shape == (*SCREEN_SIZE, 6)
    assert np.abs(seen.screen[..., :3].astype(int) - expected).max() <= 1
    frame = seen.frame[seen.frame[..., 3] > 0][:, :3].astype(int)
    assert np.abs(frame - expected).max() <= 1


def test_nothing_stands_out_of_a_plain_grey():
    assert np.abs(seen_in(grey()).screen[..., 3:].astype(int) - 128).max() <= 1


def test_a_faint_edge_stands_out_and_shading_does_not():
    rng = np.random.default_rng(0)
    noise = rng.normal(0, 1.5, (1000, 1600, 1))
    shading = np.linspace(60, 90, 1600)[None, :, None]
    step = np.where(np.arange(1000)[:, None, None] < 487, 0.0, 6.0)
    seen = [
        seen_in(np.clip(shading + s + noise, 0, 255).astype(np.uint8).repeat(3, axis=2))
        for s in (0.0, step)
    ]
    plain, stepped = (s.screen[70:110, 40:280, 3].astype(float).mean(axis=1) - 128 for s in seen)
    assert np.abs(plain).max() < 15
    # Above the edge it is darker than its surroundings, below it brighter.
    assert stepped[15] < -25 and stepped[25] > 25


def test_the_outline_is_marked_and_the_rest_of_the_square_is_empty():
    mark = seen_in(grey()).frame[..., 3]
    assert mark.shape == (FRAME_SIZE, FRAME_SIZE)
    scale = FRAME_SIZE / 1600
    inside = 1200 * 675 * scale**2
    assert (mark == 255).sum() == pytest.approx(inside, rel=0.05)
    assert (mark == 0).sum() == FRAME_SIZE * (FRAME_SIZE - round(1000 * scale))
    photo = from_array(grey())
    wide = square_up(photo, Outline(CORNERS, 0.0, np.full(4, np.nan)), width=VIEW_WIDTH,
                     margin=VIEW_MARGIN)  # fmt: skip
    assert not (glance_of(photo, wide, None).frame[..., 3] == 255).any()


def striped(label, rng):
    """A glance whose label shows as stripes of its own direction."""
    screen = rng.integers(100, 156, (*SCREEN_SIZE, 6), np.uint8)
    stripes = np.sin(np.arange(320) / (4 + 2 * label)) > 0
    screen[:, stripes, 3] = 255
    frame = np.zeros((FRAME_SIZE, FRAME_SIZE, 4), np.uint8)
    cv2.rectangle(frame, (20, 40), (120, 100), (200, 200, 200, 255), -1)
    return Glance(screen, frame)


def test_drawn_glances_are_kept_and_not_drawn_again(tmp_path, monkeypatch):
    monkeypatch.setenv("PANELVISION_CACHE", str(tmp_path))
    monkeypatch.setattr(train_glance, "DRAWN", ("normal", "not-a-screen"))
    once = train_glance.drawn(4, jobs=1)
    assert [SYMPTOMS[e.label] for e in once] == ["normal", "not-a-screen"] * 2
    assert (once[0].places == HEALTHY).all() and (once[1].places == FAULT).all()
    assert not np.array_equal(once[0].glance.screen, once[2].glance.screen)
    # Other seeds than those that the classifier is taught and judged on, or that it is judged by.
    taught = 1_000_000 * training.DEFAULT_SEED
    assert train_glance.FIRST_SEED >= taught + 1_000_000
    assert abs(train_glance.JUDGED_SEED - train_glance.FIRST_SEED) >= 1_000_000
    monkeypatch.setattr(train_glance, "_of_one", lambda *_: pytest.fail("drawn again"))
    again = train_glance.drawn(4, jobs=1)
    for first, second in zip(once, again, strict=True):
        np.testing.assert_array_equal(first.glance.frame, second.glance.frame)
    assert not list(tmp_path.rglob("*.part"))


def test_a_glance_in_training_is_the_one_that_is_read_of_a_photo():
    photo = read_photo(synth.draw(31_000, symptom="vertical-bands", size=(960, 720)).jpeg)
    _, glance = look_at_a_glance(photo)
    seen = look(photo)
    assert seen.evidence.location.outline is not None
    read = load_network().read(glance)
    np.testing.assert_array_equal(read.log_probabilities, seen.evidence.glance.log_probabilities)


def test_teaching_lowers_the_loss():
    pytest.importorskip("torch", reason='PyTorch is not installed (".[train]")')
    rng = np.random.default_rng(5)
    labels = np.arange(52) % 13
    everywhere = np.full(PLACES, FAULT, np.uint8)
    examples = [Example(striped(label, rng), everywhere, int(label)) for label in labels]
    losses = []
    fit_network(
        examples,
        seed=0,
        epochs=(6, 8),
        presence_epochs=1,
        published=False,
        progress=lambda epoch, epochs, loss: losses.append(loss),
    )
    assert losses[7] < losses[0]


def test_the_network_ships_as_it_was_taught_and_sees_what_it_was_taught_on(monkeypatch):
    torch = pytest.importorskip("torch", reason='PyTorch is not installed (".[train]")')
    torch.manual_seed(3)
    rng = np.random.default_rng(3)
    net = teaching._build(torch)
    examples = [
        Example(striped(label, rng), np.full(PLACES, FAULT, np.uint8), label) for label in (0, 5, 9)
    ]

    class Middle:
        """No mirroring, and the cutting in the middle."""

        def random(self, shape):
            return np.ones(shape)

        def integers(self, low, high, size):
            return np.full(size, (low + high - 1) // 2)

    # As a batch is cut out in training, without what is varied there.
    *pictures, _ = teaching._batch(torch, examples, Middle())
    pictures = [picture / 127.5 - 1 for picture in pictures]
    with torch.no_grad():
        for layer in net.modules():
            if hasattr(layer, "momentum"):
                layer.momentum = 1.0  # normalised by what these pictures have
        net(*pictures)
        net.eval()
        # Before teaching, pictures hardly differ in what is said of them.
        net.last.weight.mul_(3)
        net.presence.weight.copy_(torch.randn_like(net.presence.weight) * 0.02)
        said, _ = net(*pictures)
        by_screen, _ = net(*pictures[:2])
    expected = torch.softmax(said, dim=1).numpy()
    # Fifty layers that were never taught make much of the last bits that half precision drops.
    for module in (teaching, convolutions, pretrained):
        monkeypatch.setattr(module, "half", lambda tensor: tensor.detach().numpy().copy())
    monkeypatch.setattr(teaching, "seven_bits", teaching.half)
    network = read_network(teaching._numbers(net), 13)
    read = [network.read(example.glance).log_probabilities for example in examples]
    np.testing.assert_allclose(np.exp(read), expected, atol=1e-4)
    assert np.ptp(expected, axis=0).max() > 0.05
    # The whole frame has a say on whether there is a screen, and on nothing else.
    more = (said - by_screen).numpy()
    assert np.abs(more[:, SYMPTOMS.index("not-a-screen")]).min() > 0.05
    assert not np.delete(more, SYMPTOMS.index("not-a-screen"), axis=1).any()


def test_teaching_goes_on_from_the_numbers_that_ship():
    torch = pytest.importorskip("torch", reason='PyTorch is not installed (".[train]")')
    pytest.importorskip("onnx", reason='the file format is not installed (".[train]")')
    numbers = dict(np.load(train_glance.TARGET))
    net = teaching._build(torch)
    teaching._take_up(torch, net, numbers)
    net.eval()
    again = read_network({**teaching._numbers(net), **of_presence(numbers)}, 13)
    rng = np.random.default_rng(8)
    for label in (1, 6):
        glance = striped(label, rng)
        np.testing.assert_allclose(
            again.read(glance).log_probabilities,
            load_network().read(glance).log_probabilities,
            atol=1e-3,
        )


def of_presence(numbers):
    """What is learned anew when teaching goes on."""
    return {name: numbers[name] for name in numbers if name.startswith("presence.")}
