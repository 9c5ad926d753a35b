"""Training: nothing leaks between splits, work is not redone, a worse model is not shipped."""

import argparse
import json
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm

import models.measure as measure
import models.train as training
import synth
from models.card import _columns, card_text, fingerprint
from models.evaluate import as_answered
from models.fit import FAMILIES
from models.judge import judge_probabilities
from models.measure import read_truth, synthetic
from models.metrics import log_loss
from models.table import Table, join, split_by_scene
from models.train import worse_in
from models.train_faint import dark_photo, nine_in_ten, tiles_that_show
from panelvision.cases import Outcome, open_store
from panelvision.cases.model import Case, CasePhoto, Customer
from panelvision.classify import load_model
from panelvision.errors import DataError, ModelError
from panelvision.labels import SYMPTOMS


def table(n=650, *, noise=1.0, seed=0, photos_per_scene=5):
    """Photos whose label shows in its own measurement, as loud as 3 / noise."""
    rng = np.random.default_rng(seed)
    labels = np.arange(n) % 13
    values = rng.normal(0, noise, (n, 20))
    values[np.arange(n), labels] += 3
    return Table(
        values=values,
        names=tuple(f"look_{i}" if i % 2 else f"other_{i}" for i in range(20)),
        labels=labels,
        scenes=np.arange(n) // photos_per_scene,
        weights=np.ones(n),
        gradients=rng.normal(size=(n, 8)).astype(np.float32),
        truths=tuple({"content": f"kind {i % 7}", "symptom": SYMPTOMS[i % 13]} for i in range(n)),
    )


@pytest.fixture
def quick(monkeypatch):
    """Only the quickest family, so that the flow is tested and not the learners."""
    family = next(f for f in FAMILIES if f.name == "logistic regression on ranks")
    monkeypatch.setattr(training, "FAMILIES", (family,))
    monkeypatch.setattr(training, "SHIPPABLE", (family.name,))


def arguments(path, **changes):
    given = {
        "count": 650, "seed": 1, "jobs": 1, "cluster": None, "extra": [], "out": path,
        "compare": False, "force": False, "keep": False, "cases": None, "store": None,
    }  # fmt: skip
    return argparse.Namespace(**{**given, **changes})


def test_no_scene_is_in_two_parts():
    split = split_by_scene(table())
    parts = [
        set(t.scenes.tolist()) for t in (split.fit, split.calibrate, split.promise, split.judge)
    ]
    assert sum(map(len, parts)) == len(set.union(*parts))
    assert sum(len(t) for t in (split.fit, split.calibrate, split.promise, split.judge)) == 650


def test_a_scene_keeps_its_part_whatever_else_is_drawn():
    few, many = split_by_scene(table(650)), split_by_scene(table(6500, seed=9))
    names = ("fit", "calibrate", "promise", "judge")
    for name in names:
        mine = set(getattr(few, name).scenes.tolist())
        others = [set(getattr(many, n).scenes.tolist()) for n in names if n != name]
        assert mine and not mine & set.union(*others)
    shares = [len(getattr(many, name)) / 6500 for name in names]
    # 1300 scenes: four standard deviations of the binomial share
    assert shares == pytest.approx([0.82, 0.06, 0.06, 0.06], abs=0.043)


def test_a_worse_model_is_refused_and_the_shipped_one_stays(tmp_path, monkeypatch, quick, capsys):
    path = tmp_path / "m.npz"
    monkeypatch.setattr(training, "measure", lambda *a, **k: table(noise=0.8))
    assert training.train(arguments(path)) == 0
    shipped = path.read_bytes()
    blind = table(noise=0.8)
    spoiled = Table(
        blind.values, blind.names, np.roll(blind.labels, 5), blind.scenes, blind.weights,
        blind.gradients, blind.truths,
    )  # fmt: skip
    split = split_by_scene(blind)

    def mislead(parts, members, *, seed):
        wrong = split_by_scene(spoiled)
        return original(type(parts)(wrong.fit, parts.calibrate, parts.promise, parts.judge),
                        members, seed=seed)  # fmt: skip

    original = training.fit_model
    monkeypatch.setattr(training, "fit_model", mislead)
    assert training.train(arguments(path)) == 1
    assert path.read_bytes() == shipped
    assert "refused: the shipped model is better" in capsys.readouterr().err
    assert training.train(arguments(path, force=True)) == 0
    assert path.read_bytes() != shipped
    assert len(split.judge) > 0


def test_a_shipped_model_that_cannot_be_run_any_more_is_judged_by_its_card(
    tmp_path, monkeypatch, quick, capsys
):
    path = tmp_path / "m.npz"
    monkeypatch.setattr(training, "measure", lambda *a, **k: table(noise=0.3))
    assert training.train(arguments(path)) == 0
    card = json.loads(path.with_suffix(".json").read_text())
    path.with_suffix(".json").write_text(json.dumps({**card, "evidence_version": -1}))
    shipped = path.read_bytes()
    monkeypatch.setattr(training, "measure", lambda *a, **k: table(noise=3.0))
    assert training.train(arguments(path)) == 1
    assert path.read_bytes() == shipped
    assert "refused: the card of the shipped model" in capsys.readouterr().err
    monkeypatch.setattr(training, "measure", lambda *a, **k: table(noise=0.31))
    assert training.train(arguments(path)) == 0
    assert path.read_bytes() != shipped


def test_kept_members_are_calibrated_and_judged_on_photos_as_they_are_measured_now(
    tmp_path, monkeypatch, quick, capsys
):
    path = tmp_path / "m.npz"
    monkeypatch.setattr(training, "measure", lambda *a, **k: table(noise=0.3))
    assert training.train(arguments(path)) == 0
    numbers, before = path.read_bytes(), load_model(path)
    # Made for measurements that have changed since: nobody else may read it, --keep may.
    card = json.loads(path.with_suffix(".json").read_text())
    path.with_suffix(".json").write_text(json.dumps({**card, "evidence_version": -1}))
    load_model.cache_clear()
    with pytest.raises(ModelError, match="made for format"):
        load_model(path)
    harder = table(noise=2.0)
    monkeypatch.setattr(training, "measure", lambda *a, **k: harder)
    monkeypatch.setattr(training, "fit_member", lambda *a, **k: pytest.fail("fitted"))
    assert training.train(arguments(path, keep=True)) == 0
    after = load_model(path)
    # Harder to read: the same members are less sure, and are more often right to be.
    assert path.read_bytes() == numbers and after.temperature > before.temperature
    judge = split_by_scene(harder).judge
    p = after.probabilities(judge.values)
    assert log_loss(p, judge.labels) < log_loss(before.probabilities(judge.values), judge.labels)
    top1 = (p.argmax(axis=1) == judge.labels).mean()
    assert after.card["held_out"]["top1"] == pytest.approx(top1)
    assert top1 < before.card["held_out"]["top1"]
    assert "models.train --keep" in card_text(after.card, {"held_out": after.card["held_out"]})


def test_the_artefact_predicts_as_judged(tmp_path, monkeypatch, quick):
    path = tmp_path / "m.npz"
    data = table(noise=0.3)
    monkeypatch.setattr(training, "measure", lambda *a, **k: data)
    training.train(arguments(path))
    model = load_model(path)
    judge = split_by_scene(data).judge
    top1 = (model.probabilities(judge.values).argmax(axis=1) == judge.labels).mean()
    assert top1 == pytest.approx(model.card["held_out"]["top1"])
    assert top1 > 0.5  # chance is 1 in 13; only the quickest family is tried
    text = card_text(model.card, {"held_out": model.card["held_out"]})
    assert f"{top1:.3f}" in text


def test_joined_photos_keep_their_columns_in_order():
    first, second = table(26), table(26, seed=4)
    shuffled = Table(
        second.values[:, ::-1], second.names[::-1], second.labels, second.scenes, second.weights,
        second.gradients, second.truths,
    )  # fmt: skip
    both = join(first, shuffled)
    np.testing.assert_array_equal(both.values[26:], second.values)


def test_measured_shards_are_not_measured_again(tmp_path, monkeypatch):
    monkeypatch.setenv("PANELVISION_CACHE", str(tmp_path))
    monkeypatch.setattr(measure, "SHARD", 1)
    seen = []
    once = synthetic(1, seed=900, jobs=1, progress=lambda done, total: seen.append((done, total)))
    assert seen[0] == (0, 1)
    assert seen[-1] == (1, 1)
    monkeypatch.setattr(
        measure, "measure_shard", lambda first: pytest.fail("measured a shard that was finished")
    )
    again = synthetic(1, seed=900, jobs=1)
    assert json.dumps(once) == json.dumps(again)
    # A killed writer leaves a part, never half a shard.
    assert not list(tmp_path.rglob("*.part"))


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("{nonsense", "line 1: not a JSON object"),
        ('{"file": "a.jpg", "symptom": "broken"}', "'symptom' must be one of"),
        ('{"file": "../gone.jpg", "symptom": "normal"}', "no such photo"),
        ("", "holds no photo"),
        ("[" * 50_000, "line 1: not a JSON object"),
        ('{"file": "' + "a" * 300 + '", "symptom": "normal"}', "no such photo"),
        ('{"file": "a\\nb", "symptom": "normal"}', r"no such photo 'a\\nb'$"),
    ],
)
def test_a_wrong_truth_file_is_named(tmp_path, line, message):
    (tmp_path / "truth.jsonl").write_text(line)
    with pytest.raises(DataError, match=message):
        read_truth(tmp_path)


def test_closed_cases_join_training_where_the_customer_agreed(tmp_path, monkeypatch):
    monkeypatch.setenv("PANELVISION_CACHE", str(tmp_path / "cache"))
    address = tmp_path / "shop" / "cases.sqlite"
    photos = [synth.draw(seed, symptom="cracked", size=(640, 480)).jpeg for seed in (31, 32, 33)]
    with open_store(address) as store:
        with pytest.raises(DataError, match="no closed case"):
            measure.closed_cases(address)
        for number, (agreed, close) in enumerate([(True, True), (False, True), (True, False)]):
            kept = store.add_photo(photos[number], name="a.jpg")
            case = store.save_case(
                Case(customer=Customer(name="x", consent=agreed), photos=(CasePhoto(kept.sha256),))
            )
            if close:
                store.close_case(case.id, Outcome("panel", symptom="cracked"))
    (record,) = measure.closed_cases(address)
    assert record["truth"]["symptom"] == "cracked" and record["features"]
    # In training: its photo joins the fitting part alone, as heavy as was asked for.
    seen = []
    monkeypatch.setattr(training, "measure", lambda *_, **__: _table_like(record))
    monkeypatch.setattr(training, "fit_model", lambda split, *_, **__: seen.append(split) or 1 / 0)
    with pytest.raises(ZeroDivisionError):
        training.train(arguments(tmp_path / "m.npz", cases=5.0, store=address))
    (split,) = seen
    assert (split.fit.weights == 5.0).sum() == 1
    others = (split.calibrate, split.promise, split.judge)
    assert all((part.weights == 1.0).all() for part in others)


def _table_like(record):
    made = table(650)
    names = tuple(record["features"])
    values = np.random.default_rng(0).normal(size=(650, len(names)))
    hog = np.zeros((650, len(record["hog"])), np.float32)
    return replace(made, names=names, values=values, gradients=hog)


def test_nine_in_ten_is_placed_on_a_known_curve():
    # Found with probability 0.02 + 0.96 Phi((x - 0.8) / 0.7): nine in ten at
    # 0.8 + 0.7 Phi^-1((0.9 - 0.02) / 0.96).
    rng = np.random.default_rng(4)
    x = rng.uniform(-3, 5, 5000)
    found = rng.random(5000) < 0.02 + 0.96 * norm.cdf((x - 0.8) / 0.7)
    expected = 0.8 + 0.7 * norm.ppf((0.9 - 0.02) / 0.96)
    assert nine_in_ten(x, found) == pytest.approx(expected, abs=0.2)
    # Half of them found whatever the contrast: no contrast is enough, the largest is said.
    assert nine_in_ten(x, rng.random(5000) < 0.5) == pytest.approx(5, abs=0.1)


def test_rows_are_kept_and_not_made_twice(tmp_path):
    made = []

    def make():
        made.append(1)
        return [{"a.b": np.arange(3), "c": "word"}, {"a.b": np.zeros((0, 2)), "c": 7}]

    path = tmp_path / "below" / "rows.npz"
    first, again = measure.kept_rows(path, make), measure.kept_rows(path, make)
    assert len(made) == 1
    for rows in (first, again):
        assert [set(r) for r in rows] == [{"a.b", "c"}] * 2
        np.testing.assert_array_equal(rows[0]["a.b"], [0, 1, 2])
        assert rows[1]["a.b"].shape == (0, 2)
        assert (str(rows[0]["c"]), int(rows[1]["c"])) == ("word", 7)
    assert [p.name for p in path.parent.iterdir()] == ["rows.npz"]


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({}, []),
        (
            {"answered": 0.0, "answered_right": float("nan")},
            ["answered", "right among the answered"],
        ),
        ({"answered": 0.2}, ["answered"]),
        ({"answered_right": 0.7}, ["right among the answered"]),
        ({"coverage": 0.8}, ["symptom set"]),
        ({"ece": 0.12}, ["calibration error"]),
        ({"top1": 0.65}, ["top-1"]),
        ({"log_loss": 0.95}, ["log loss"]),
    ],
)
def test_the_gate_sees_every_promise(change, named):
    """Of 400 photos, 0.5 answered: 0.45 to 0.55 (Wilson, 95 %), 0.95 of 200: 0.91 to 0.97."""
    old = SimpleNamespace(
        photos=400,
        top1=0.7,
        log_loss=0.9,
        coverage=0.9,
        answered=0.5,
        answered_right=0.95,
        ece=0.03,
        ece_perfect_p95=0.07,
    )
    new = SimpleNamespace(**{**vars(old), **change})
    found = [line.rpartition(" against ")[0].rpartition(" ")[0] for line in worse_in(new, old)]
    assert found == named


def test_tiles_are_labelled_by_the_picture_that_the_photo_was_taken_of():
    """At another width this seed draws a page of text instead of a photograph."""
    sample = synth.draw(700_000_007, symptom="faint-image")
    dark = dark_photo(sample.jpeg, sample.truth)
    right = tiles_that_show(sample.truth, dark)
    other = tiles_that_show({**sample.truth, "texture_width": 480}, dark)
    seen = right != 0
    assert np.median(right[seen]) > 0.4
    assert abs(np.median(other[seen])) < 0.1


def test_answers_are_counted_as_the_program_gives_them():
    """A photo that is asked for again is no answer, however sure the classifier is."""
    data = table(noise=0.3)
    few = data.pick(np.arange(4))
    p = np.full((4, len(SYMPTOMS)), 0.001)
    p[np.arange(4), few.labels] = 0.988
    model = SimpleNamespace(conformal_score=0.9, least_probability=0.5)
    judged = judge_probabilities(p, few, model)
    assert (judged.answered, judged.answered_right) == (1.0, 1.0)
    wrong = SYMPTOMS[(few.labels[0] + 1) % len(SYMPTOMS)]
    examined = [
        SimpleNamespace(answered=k < 2, symptom=wrong if k == 0 else SYMPTOMS[few.labels[k]])
        for k in range(4)
    ]
    told = as_answered(judged, examined, few)
    assert (told.answered, told.answered_right) == (0.5, 0.5)
    assert told.top1 == judged.top1


def test_the_key_of_what_is_taught_changes_with_the_code_that_labels_it(tmp_path, monkeypatch):
    monkeypatch.setattr(measure, "__file__", str(tmp_path / "measure.py"))
    (tmp_path / "places.py").write_text("NEAR = 0.008")
    before = measure.sources("labels.py", by=("places",))
    assert measure.sources("labels.py", by=("places",)) == before
    (tmp_path / "places.py").write_text("NEAR = 0.004")
    assert measure.sources("labels.py", by=("places",)) != before


def test_a_set_measured_with_another_model_is_said_to_be(tmp_path, monkeypatch, quick):
    path = tmp_path / "m.npz"
    monkeypatch.setattr(training, "measure", lambda *a, **k: table(noise=0.3))
    training.train(arguments(path))
    card = load_model(path).card
    sets = {"shelf": {"model": fingerprint(card)}}
    assert _columns(card, None, sets) == ["shelf"]
    # The same members, calibrated anew, are another model.
    former = ["shelf (measured with a former model)"]
    assert _columns({**card, "temperature": 2 * card["temperature"]}, None, sets) == former
    assert _columns(card, None, {"shelf": {}}) == former
