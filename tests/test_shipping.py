"""A worse scorer does not replace one that ships unnoticed, and nothing is half replaced."""

import importlib
import json

import numpy as np
import pytest

from models import retrain
from models.shipping import LEDGER, LESS_IS_BETTER, Worth, ship, worse_than_shipped
from panelvision.errors import ModelError


@pytest.fixture
def shelf(tmp_path, monkeypatch):
    """A ledger and two files that ship."""
    monkeypatch.setenv("PANELVISION_CACHE", str(tmp_path / "cache"))
    (tmp_path / "a.npz").write_bytes(b"old a")
    (tmp_path / "b.json").write_text("old b")
    ledger = tmp_path / "scorers.json"
    known = {"figures": {"area": 0.9, "log loss": 0.5}, "count": 400, "photos": "those"}
    ledger.write_text(json.dumps({"spots": known}))
    return tmp_path, ledger


def put(shelf, figures, *, count=400, photos="those", **how):
    folder, ledger = shelf
    files = {folder / "a.npz": {"x": np.arange(3)}, folder / "b.json": '{"y": 1}'}
    return ship(Worth("spots", figures, count, photos), files, ledger=ledger, **how)


def is_new(folder):
    return (folder / "b.json").read_text() == '{"y": 1}' and np.load(folder / "a.npz")["x"][2] == 2


def is_old(folder):
    return (folder / "a.npz").read_bytes() == b"old a" and (
        folder / "b.json"
    ).read_text() == "old b"


def written_down(ledger):
    return json.loads(ledger.read_text())["spots"]["figures"]


@pytest.mark.parametrize(
    "figures",
    [
        {"area": 0.88, "log loss": 0.5},
        {"area": 0.95, "log loss": 0.52},
        {"area": float("nan"), "log loss": 0.4},
        {"area": 0.95},
        {"area": 0.95, "log loss": 0.4, "another": float("nan")},
    ],
    ids=["area", "log loss", "not counted", "left out", "a new figure not counted"],
)
def test_a_worse_one_is_refused_and_put_aside(shelf, figures, capsys):
    folder, ledger = shelf
    before = ledger.read_text()
    assert put(shelf, figures) == 1
    assert is_old(folder) and ledger.read_text() == before
    said = capsys.readouterr().out
    assert "refused" in said and "--force" in said and "cache" in said
    assert is_new(folder / "cache" / "refused")
    # Nothing is left where it would be packed, or hashed, with what ships.
    assert not list(folder.glob("*.part"))


@pytest.mark.parametrize(
    "figures", [{"area": 0.895, "log loss": 0.505}, {"area": 0.97, "log loss": 0.1}]
)
def test_as_good_a_one_replaces_all_files(shelf, figures):
    folder, _ = shelf
    assert put(shelf, figures) == 0
    assert is_new(folder)
    assert not list(folder.glob("*.part"))


def test_a_little_worse_again_and_again_does_not_add_up(shelf):
    assert put(shelf, {"area": 0.892, "log loss": 0.508}) == 0
    assert written_down(shelf[1]) == {"area": 0.9, "log loss": 0.5}
    assert put(shelf, {"area": 0.884, "log loss": 0.5}) == 1
    assert put(shelf, {"area": 0.93, "log loss": 0.45}) == 0
    assert written_down(shelf[1]) == {"area": 0.93, "log loss": 0.45}


def test_told_to_a_worse_one_replaces_it_too(shelf):
    assert put(shelf, {"area": 0.5, "log loss": 3.0}, force=True) == 0
    assert is_new(shelf[0])
    # From then on that is what ships.
    assert put(shelf, {"area": 0.6, "log loss": 2.0}) == 0


def test_figures_of_other_photos_may_be_worse_by_chance(shelf, capsys):
    # 0.9 of 400 has a standard error of 0.015, a difference of two such one of 0.021.
    assert put(shelf, {"area": 0.87, "log loss": 0.5}, photos="others") == 0
    assert "counted on other photos: 400, those" in capsys.readouterr().out
    # A hundred times as many photos leave less to chance.
    assert put(shelf, {"area": 0.855, "log loss": 0.5}, photos="third", count=40_000) == 1
    assert put(shelf, {"area": 0.90, "log loss": 0.54}, photos="third") == 1


def test_what_ships_is_judged_on_the_same_photos_where_it_can_be(shelf):
    # By the ledger it would pass; on these photos the one that ships does better.
    assert put(shelf, {"area": 0.92, "log loss": 0.4}, shipped={"area": 0.96}) == 1
    assert put(shelf, {"area": 0.80, "log loss": 0.6}, shipped={"area": 0.79}) == 0


def test_of_a_scorer_that_nothing_is_known_of_nothing_is_refused(shelf, capsys):
    assert worse_than_shipped(Worth("lines", {"area": 0.1}, 9, ""), ledger=shelf[1]) == []
    assert "nothing is written down" in capsys.readouterr().out
    uncounted = Worth("lines", {"area": float("nan")}, 9, "")
    assert worse_than_shipped(uncounted, ledger=shelf[1]) == ["area could not be counted"]


@pytest.mark.parametrize(
    "damage", ["{", "[]", '{"spots": {}}', '{"spots": {"figures": {"a": NaN}}}']
)
def test_a_damaged_ledger_is_a_clear_error_and_nothing_is_lost(shelf, damage):
    folder, ledger = shelf
    ledger.write_text(damage)
    with pytest.raises(ModelError, match=r"scorers\.json: cannot be read.*put it right"):
        put(shelf, {"area": 0.95, "log loss": 0.4})
    assert is_old(folder) and is_new(folder / "cache" / "refused")


def test_the_ledger_that_ships_can_be_read():
    for name, entry in json.loads(LEDGER.read_text(encoding="utf-8")).items():
        assert f"train_{name}" in retrain.STEPS
        assert entry["photos"] and entry["count"] > 0
        for figure, value in entry["figures"].items():
            assert 0 <= value <= (np.inf if figure in LESS_IS_BETTER else 1)


class Steps:
    """Stands for the commands: what was run, and which of them fails."""

    def __init__(self, fails=None, status=2):
        self.ran, self.fails, self.status = [], fails, status

    def run(self, command, *, check):
        self.ran.append(command[2:])
        fails = command[2].endswith(f".{self.fails}")
        return type("Done", (), {"returncode": self.status if fails else 0})


def test_retraining_goes_through_every_step_in_order(monkeypatch):
    steps = Steps()
    monkeypatch.setattr(retrain, "subprocess", steps)
    assert retrain.main([]) == 0
    assert steps.ran == [[f"models.{name}"] for name in retrain.STEPS]
    steps.ran.clear()
    assert retrain.main(["--from", "train_change", "--force"]) == 0
    assert steps.ran == [["models.train_change", "--force"], ["models.train", "--force"]]


def test_a_step_that_fails_ends_the_run_and_says_how_to_go_on(monkeypatch, capsys):
    steps = Steps(fails="train_glow")
    monkeypatch.setattr(retrain, "subprocess", steps)
    assert retrain.main([]) == 2
    assert steps.ran[-1] == ["models.train_glow"]
    assert "python -m models.retrain --from train_glow" in capsys.readouterr().err


@pytest.mark.parametrize("step", ["train_glow", "train"])
def test_where_a_gate_refuses_the_others_are_taught_all_the_same(step, monkeypatch, capsys):
    steps = Steps(fails=step, status=1)
    monkeypatch.setattr(retrain, "subprocess", steps)
    assert retrain.main([]) == 1
    assert steps.ran == [[f"models.{name}"] for name in retrain.STEPS]
    said = capsys.readouterr().err
    assert f"which stay: {step}" in said
    assert ("--keep" in said) == (step == "train")


@pytest.mark.parametrize("name", retrain.STEPS[1:])
def test_every_step_that_teaches_knows_force(name, capsys):
    # One that does not would end the run after hours.
    with pytest.raises(SystemExit):
        importlib.import_module(f"models.{name}").main(["--help"])
    assert "--force" in capsys.readouterr().out


def test_steps_out_of_order_are_refused(capsys):
    with pytest.raises(SystemExit):
        retrain.main(["--from", "train", "--last", "everyday"])
    assert "stands before" in capsys.readouterr().err
