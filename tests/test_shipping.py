"""A worse scorer does not replace one that ships unnoticed, and nothing is half replaced."""

import importlib
import json

import numpy as np
import pytest

from models import retrain
from models.shipping import LEDGER, Worth, ship, tried_out, worse_than_shipped


@pytest.fixture
def shelf(tmp_path):
    """A ledger and two files that ship."""
    (tmp_path / "a.npz").write_bytes(b"old a")
    (tmp_path / "b.json").write_text("old b")
    ledger = tmp_path / "scorers.json"
    ledger.write_text(
        json.dumps({"spots": {"figures": {"area": 0.9, "log loss": 0.5}, "photos": "100 photos"}})
    )
    return tmp_path, ledger


def put(shelf, figures, *, photos="100 photos", **how):
    folder, ledger = shelf
    files = {folder / "a.npz": {"x": np.arange(3)}, folder / "b.json": '{"y": 1}'}
    return ship(Worth("spots", figures, photos), files, ledger=ledger, **how)


def is_new(folder):
    return (folder / "b.json").read_text() == '{"y": 1}' and np.load(folder / "a.npz")["x"][2] == 2


def is_old(folder):
    return (folder / "a.npz").read_bytes() == b"old a" and (
        folder / "b.json"
    ).read_text() == "old b"


@pytest.mark.parametrize(
    "figures",
    [
        {"area": 0.88, "log loss": 0.5},
        {"area": 0.95, "log loss": 0.52},
        {"area": float("nan"), "log loss": 0.4},
    ],
)
def test_a_worse_one_is_refused_and_kept_beside(shelf, figures, capsys):
    folder, ledger = shelf
    before = ledger.read_text()
    assert put(shelf, figures) == 1
    assert is_old(folder) and ledger.read_text() == before
    said = capsys.readouterr().out
    assert "refused" in said and "--force" in said and "part-a.npz" in said
    assert np.load(folder / "part-a.npz")["x"][2] == 2


@pytest.mark.parametrize(
    "figures", [{"area": 0.895, "log loss": 0.505}, {"area": 0.97, "log loss": 0.1}]
)
def test_as_good_a_one_replaces_all_files_and_is_written_down(shelf, figures):
    folder, ledger = shelf
    assert put(shelf, figures) == 0
    assert is_new(folder)
    assert json.loads(ledger.read_text())["spots"] == {"figures": figures, "photos": "100 photos"}
    assert not list(folder.glob("part-*"))


def test_told_to_a_worse_one_replaces_it_too(shelf):
    assert put(shelf, {"area": 0.5, "log loss": 3.0}, force=True) == 0
    assert is_new(shelf[0])
    # From then on that is what ships.
    assert put(shelf, {"area": 0.6, "log loss": 2.0}) == 0


def test_figures_of_other_photos_are_compared_less_closely(shelf, capsys):
    nearly = {"area": 0.88, "log loss": 0.5}
    assert put(shelf, nearly, photos="300 photos") == 0
    assert "counted on 100 photos, this on 300 photos" in capsys.readouterr().out
    assert put(shelf, {"area": 0.84, "log loss": 0.5}, photos="100 photos") == 1


def test_what_ships_is_judged_on_the_same_photos_where_it_can_be(shelf):
    # By the ledger it would pass; on these photos the one that ships does better.
    assert put(shelf, {"area": 0.92, "log loss": 0.4}, shipped={"area": 0.96}) == 1
    assert put(shelf, {"area": 0.80, "log loss": 0.6}, shipped={"area": 0.79}) == 0


def test_of_a_scorer_that_nothing_is_known_of_nothing_is_refused(shelf, capsys):
    assert worse_than_shipped(Worth("lines", {"area": 0.1}, ""), ledger=shelf[1]) == []
    assert "nothing is written down" in capsys.readouterr().out


@pytest.mark.parametrize("fails", [False, True])
def test_files_that_are_tried_out_leave_no_trace(shelf, fails):
    folder, _ = shelf
    files = {folder / "b.json": "tried", folder / "c.npz": {"z": np.ones(2)}}
    try:
        with tried_out(files):
            assert (folder / "b.json").read_text() == "tried" and (folder / "c.npz").exists()
            if fails:
                raise KeyError("a bug")
    except KeyError:
        assert fails
    assert is_old(folder) and not (folder / "c.npz").exists()
    assert not list(folder.glob("part-*"))


def test_the_ledger_that_ships_can_be_read():
    for name, entry in json.loads(LEDGER.read_text(encoding="utf-8")).items():
        assert f"train_{name}" in retrain.STEPS
        assert entry["photos"] and all(0 <= v <= 1 for v in entry["figures"].values())


class Steps:
    """Stands for the commands: what was run, and which of them fails."""

    def __init__(self, fails=None):
        self.ran, self.fails = [], fails

    def run(self, command, *, check):
        self.ran.append(command[2:])
        return type("Done", (), {"returncode": 3 if command[2].endswith(f".{self.fails}") else 0})


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
    assert retrain.main([]) == 3
    assert steps.ran[-1] == ["models.train_glow"]
    assert "python -m models.retrain --from train_glow" in capsys.readouterr().err


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
