"""Classifiers as plain numbers give what scikit-learn gives; other contents are refused."""

import hashlib
import json

import numpy as np
import pytest
from sklearn.neural_network import MLPClassifier
from sklearn.pipeline import Pipeline
from sklearn.preprocessing import QuantileTransformer

from models.export import pack, unpack
from models.fit import FAMILIES, SHIPPABLE
from models.ranks_network import MOST_SCORE, RanksNetwork, _folded
from panelvision.classify import MODEL_FORMAT, load_model
from panelvision.errors import ModelError
from panelvision.evidence import EVIDENCE_VERSION
from panelvision.labels import SYMPTOMS
from panelvision.measure.glance_network import GLANCE_SCORES


@pytest.fixture(scope="module")
def data():
    rng = np.random.default_rng(2)
    labels = np.arange(260) % 13
    values = rng.normal(size=(260, 20))
    values[np.arange(260), labels] += 2
    values[:, 15] = np.round(values[:, 15])  # ties
    values[:, 16] = 3.0  # constant
    values[rng.random(260) < 0.7, 17] = 0.1  # a tie that 32 bits do not hold exactly
    return values, labels


@pytest.mark.parametrize(
    "family", [f for f in FAMILIES if f.name in SHIPPABLE], ids=lambda f: f.name
)
def test_same_probabilities_as_scikit_learn(family, data):
    if family.name == "network on ranks":
        pytest.importorskip("torch", reason="teaching the network on ranks needs PyTorch")
    values, labels = data
    member = family.make(0).fit(values, labels)
    fresh = np.vstack([values[:40], np.random.default_rng(3).normal(0, 3, (40, 20))])
    fresh[:, 16] = 3.0
    fresh[40:60, 17] = 0.1
    [ours] = unpack(pack([member]), 13, 20)
    # 32-bit storage: probabilities agree to a few parts in ten thousand.
    np.testing.assert_allclose(
        np.exp(ours.log_probabilities(fresh)), member.predict_proba(fresh), atol=2e-3
    )


@pytest.mark.filterwarnings("ignore::sklearn.exceptions.ConvergenceWarning")
def test_hidden_layers_give_what_scikit_learn_gives(data):
    values, labels = data
    ranks = QuantileTransformer(n_quantiles=50, output_distribution="normal").fit(values)

    def limited(vectors):
        return np.clip(ranks.transform(vectors), -MOST_SCORE, MOST_SCORE)

    reference = MLPClassifier((12, 9), max_iter=60, random_state=0).fit(limited(values), labels)
    ours = RanksNetwork()
    ours.classes_ = reference.classes_
    ours.weights_, ours.biases_ = reference.coefs_, reference.intercepts_
    fresh = np.random.default_rng(3).normal(0, 3, (40, 20))
    expected = reference.predict_proba(limited(fresh))
    np.testing.assert_allclose(ours.predict_proba(ranks.transform(fresh)), expected, atol=1e-9)
    [read] = unpack(pack([Pipeline([("ranks", ranks), ("network", ours)])]), 13, 20)
    np.testing.assert_allclose(np.exp(read.log_probabilities(fresh)), expected, atol=2e-3)


def test_normalisation_is_folded_into_the_layers():
    torch = pytest.importorskip("torch", reason="teaching the network on ranks needs PyTorch")
    torch.manual_seed(0)
    nn = torch.nn
    net = nn.Sequential(
        nn.Dropout(0.2), nn.Linear(6, 5), nn.BatchNorm1d(5), nn.ReLU(), nn.Dropout(0.5),
        nn.Linear(5, 13),
    )  # fmt: skip
    with torch.no_grad():
        for values in (net[2].weight, net[2].bias, net[2].running_mean):
            values.normal_()
        net[2].running_var.uniform_(0.3, 3.0)
    ours = RanksNetwork()
    ours.weights_, ours.biases_ = _folded(net.eval())
    x = np.random.default_rng(1).normal(size=(7, 6))
    expected = torch.softmax(net(torch.as_tensor(x).float()), 1).detach().numpy()
    np.testing.assert_allclose(ours.predict_proba(x), expected, atol=1e-5)


def artefact(folder, stored: bytes, **changes):
    path = folder / "model.npz"
    path.write_bytes(stored)
    card = {
        "format": MODEL_FORMAT,
        "evidence_version": EVIDENCE_VERSION,
        "sha256": hashlib.sha256(stored).hexdigest(),
        "labels": list(SYMPTOMS),
        "features": [f"f{i}" for i in range(20)],
        "weights": [1.0],
        "fill": [0.0] * 20,
        "temperature": 1.0,
        "bias": [0.0] * 13,
        "conformal_score": 0.9,
        "least_probability": 0.3,
    }
    path.with_suffix(".json").write_text(json.dumps({**card, **changes}))
    return path


@pytest.fixture(scope="module")
def stored(data):
    values, labels = data
    boosting = next(f for f in FAMILIES if f.name == "logistic regression on ranks")
    return pack([boosting.make(0).fit(values, labels)])


def test_a_whole_artefact_is_read(tmp_path, stored):
    model = load_model(artefact(tmp_path, stored))
    reading = model.read({f"f{i}": 5.0 if i == 4 else 0.0 for i in range(20)})
    assert reading.symptom == SYMPTOMS[4]
    assert sum(reading.probabilities.values()) == pytest.approx(1)
    assert reading.symptom in reading.symptom_set


def test_what_the_network_says_of_the_glance_is_one_voice_among_the_others(tmp_path, stored):
    (tmp_path / "plain").mkdir()
    plain = artefact(tmp_path / "plain", stored)
    names = [*(f"f{i}" for i in range(20)), *GLANCE_SCORES]
    path = artefact(tmp_path, stored, features=names, fill=[0.0] * 33, weights=[0.5, 0.5])
    x = np.zeros((1, 33))
    x[0, 20:] = np.log(np.arange(1, 14))  # of probabilities k / 91
    alone = load_model(plain).log_probabilities(x[:, :20])
    both = load_model(path).log_probabilities(x)
    np.testing.assert_allclose(both, 0.5 * alone + 0.5 * np.log(np.arange(1, 14) / 91), atol=1e-9)
    load_model.cache_clear()
    with pytest.raises(ModelError, match="is not an artefact"):  # a voice without a weight
        load_model(artefact(tmp_path, stored, features=names, fill=[0.0] * 33))


@pytest.mark.parametrize("cut", [0, 10, 1000])
def test_a_cut_or_changed_artefact_is_refused(tmp_path, stored, cut):
    path = artefact(tmp_path, stored)
    path.write_bytes(stored[:cut] if cut else stored[:-1] + b"x")
    with pytest.raises(ModelError, match="does not match the checksum"):
        load_model(path)


@pytest.mark.parametrize(
    "changes", [{"format": 0}, {"evidence_version": -1}], ids=["format", "measurements"]
)
def test_another_version_is_refused(tmp_path, stored, changes):
    with pytest.raises(ModelError, match=r"run: python -m models\.train"):
        load_model(artefact(tmp_path, stored, **changes))


class Bomb:
    """Would create a file when unpickled."""

    def __init__(self, target):
        self.target = target

    def __reduce__(self):
        return open, (str(self.target), "w")


def test_code_in_an_artefact_does_not_run(tmp_path):
    import io

    target = tmp_path / "ran"
    buffer = io.BytesIO()
    np.savez(buffer, members=np.array([Bomb(target)], dtype=object))
    # The checksum is right: only the reader stands between the file and the code.
    with pytest.raises(ModelError, match="is not an artefact of numbers"):
        load_model(artefact(tmp_path, buffer.getvalue()))
    assert not target.exists()


def test_trees_that_walk_in_circles_are_refused(tmp_path):
    import io

    nodes = {"feature": [0, 0], "left": [1, 0], "right": [1, 0], "threshold": [0.0, 0.0]}
    buffer = io.BytesIO()
    parts = {f"0.{k}": np.array(v) for k, v in nodes.items()}
    np.savez(
        buffer,
        members=np.array(1),
        **parts,
        **{"0.value": np.zeros(2), "0.root": np.array([0]), "0.label": np.array([0])},
        **{"0.start": np.zeros(13)},
    )
    with pytest.raises(ModelError, match="is not an artefact of numbers"):
        load_model(artefact(tmp_path, buffer.getvalue()))


def test_a_measurement_that_is_not_made_is_named(tmp_path, stored):
    model = load_model(artefact(tmp_path, stored))
    with pytest.raises(ModelError, match="needs the measurement 'f3'"):
        model.read({f"f{i}": 0.0 for i in range(20) if i != 3})
