"""The knowledge files: checked on load, each number sourced, a shop's own prices laid over."""

import shutil
from dataclasses import asdict, is_dataclass
from pathlib import Path

import numpy as np
import pytest

from panelvision.errors import DataError
from panelvision.isolate import advise, isolate
from panelvision.knowledge import DATA_FOLDER, load_knowledge
from panelvision.labels import ASSEMBLIES, SYMPTOMS


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the data files that a test may spoil."""
    for path in DATA_FOLDER.glob("*.toml"):
        shutil.copy(path, tmp_path)
    return tmp_path


def edit(folder: Path, name: str, old: str, new: str) -> None:
    """Replace one text in a data file, which must be there."""
    path = folder / name
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def test_size_and_vocabulary_fit_the_design():
    k = load_knowledge()
    assert 15 <= len(k.faults) <= 25
    assert len(k.tests) >= 30
    assert {f.assembly for f in k.faults.values()} == set(ASSEMBLIES)
    assert all(set(f.symptoms) == set(SYMPTOMS) for f in k.faults.values())


def test_every_table_with_numbers_names_its_source():
    k = load_knowledge()
    entries = [
        *k.faults.values(), *k.tests.values(), *k.parts.values(), *k.openings.values(),
        *k.meters.values(), k.economy, k.learning,
    ]  # fmt: skip
    assert all(is_dataclass(e) and asdict(e)["source"] for e in entries)


def test_probabilities_add_up_and_nothing_is_impossible():
    k = load_knowledge()
    assert k.prior.sum() == pytest.approx(1)
    np.testing.assert_allclose(k.symptom_given_fault.sum(axis=1), 1)
    assert k.symptom_given_fault.min() > 0
    for name, table in k.likelihoods.items():
        np.testing.assert_allclose(table.sum(axis=0), 1, err_msg=name)
        assert table.min() > 0, name


def test_the_loaded_knowledge_is_cached_until_a_file_changes(folder):
    first = load_knowledge(folder=folder)
    assert load_knowledge(folder=folder) is first
    edit(folder, "parts.toml", "labour_per_hour = 40.0", "labour_per_hour = 55.25")
    assert load_knowledge(folder=folder).economy.labour_per_hour == 55.25


@pytest.mark.parametrize(
    ("name", "old", "new", "message"),
    [
        ("faults.toml", 'assembly = "backlight"', 'assembly = "lamp"', "led-open.*assembly must"),
        ("faults.toml", "weight = 12.0", "weight = -1", "led-open.*weight must be a number"),
        ("faults.toml", "faint-image = 0.77", "faint-image = 0.95", "add up to"),
        ("faults.toml", "faint-image = 0.77", "faint = 0.75", "'faint' is none of"),
        ("faults.toml", 'source = "common', 'sauce = "common', "led-open.*source must"),
        ("parts.toml", "price = [20.0, 30.0]", "price = [30.0, 20.0]", "strip-set.*ascending"),
        ("parts.toml", "success = 0.98", "succes = 0.98", "strip-set.*success must"),
        ("bench_tests.toml", "default = [0.95, 0.05]", "default = [1.0, 0.0]", "sound.*between"),
        ("bench_tests.toml", "default = [0.95, 0.05]", "default = [0.9, 0.05]", "sound.*not 1"),
        ("bench_tests.toml", "string-driver = [", "string-drive = [", "no fault or assembly"),
        ("bench_tests.toml", "discharge = [\"no-change\"]", "dis = [\"no-change\"]", "no other"),
        ("bench_tests.toml", 'level = "closed"', 'level = "shut"', "sound.*level must be one of"),
        ("meters.toml", 'value = "present"', 'value = "there"', "standby-rail. band 1.*value must"),
        ("meters.toml", "[tolerance]", "[tolerances]", "unknown table"),
        ("cautions.toml", '"unplug", "capacitors", "codes"', '"unplugged"', "back-off names"),
        ("bench_tests.toml", 'values = ["', 'values = 5 # ["', "values must be a list of texts"),
        ("meters.toml", 'state = ["', 'state = [["on"], "', "state must be a list of texts"),
        ("faults.toml", "weight = 12.0", "weight = 1e308", "led-open.*weight must be a number"),
        ("faults.toml", "weight = 12.0", "weight = 1" + "0" * 400, "weight must be a number"),
        ("faults.toml", "weight = 12.0", "weight = 0x" + "f" * 5000, "thousands of digits"),
        ("faults.toml", "weight = 12.0", "weight = " + "9" * 5000, "not valid TOML"),
        ("faults.toml", "weight = 12.0", "weight = " + "[" * 5000, "nested too deep"),
        ("faults.toml", "[fault.led-open]", "[fault.led-open", "faults.toml: not valid TOML"),
    ],
)  # fmt: skip
def test_a_mistake_in_a_file_is_named_with_its_place(folder, name, old, new, message):
    edit(folder, name, old, new)
    with pytest.raises(DataError, match=message) as caught:
        load_knowledge(folder=folder)
    assert "\n" not in str(caught.value)


def test_a_newcomer_adds_a_bench_test_by_editing_one_file(folder):
    addition = """
[test.smell]
title = "Smell of burning"
ask = "Is there a smell of burning at the vents?"
values = ["yes", "no"]
minutes = 0.1
tools = []
level = "closed"
live = false
by = "fault"
default = [0.01, 0.99]
source = "common practice, no source"
[test.smell.given]
supply-dead = [0.99, 0.01]
"""
    path = folder / "bench_tests.toml"
    path.write_text(path.read_text() + addition)
    k = load_knowledge(folder=folder)
    smelt = isolate(None, {"smell": "yes"}, knowledge=k)
    assert next(iter(smelt.assemblies)) == "power-board"
    # A dead set, a wall socket and two discharges tried: what is left is the boards, and the new
    # test, all but free and all but certain, comes ahead of everything else.
    dead = {
        "sound": "no", "standby-light": "off", "picture": "dark", "another-socket": "no-change",
        "discharge": "no-change", "discharge-again": "no-change",
    }  # fmt: skip
    offered = advise(None, dead, knowledge=k).next_test
    assert offered is not None and offered.name == "smell"


def test_a_shop_lays_its_own_prices_over(tmp_path):
    shop = tmp_path / "shop.toml"
    shop.write_text(
        "[economy]\nlabour_per_hour = 60\nset_value = 90\n"
        "[part.timing-board]\nprice = [45, 55]\n[test.torch]\nminutes = 9\n"
        "[opening.back-off]\nminutes = 30\n"
    )
    ours, theirs = load_knowledge(), load_knowledge(shop)
    assert theirs.economy.labour_per_hour == 60 and theirs.economy.set_value == 90
    assert theirs.parts["timing-board"].typical_price == 50
    assert theirs.parts["main-board"] == ours.parts["main-board"]
    assert theirs.test_cost(theirs.tests["torch"]) == pytest.approx(9.0)  # 9 min at 1 a minute
    assert theirs.opening_cost("back-off") == pytest.approx(30 + ours.openings["back-off"].risk)
    assert "shop.toml" in theirs.parts["timing-board"].source
    np.testing.assert_array_equal(theirs.joint, ours.joint)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[test.torch]\ndefault = [0.1, 0.9]", "a shop may set minutes, risk, wait_minutes"),
        ("[part.lamp]\nprice = [1, 2]", "no such part"),
        ('[part."a\\nb"]\nprice = [1, 2]', "no such part"),
        ("[economy]\nset_value = 1e308", "set_value must be a number from 0 to 1e"),
        ("[fault.led-open]\nweight = 3", "unknown table"),
        ("[part.timing-board]\nprice = 30", "price must be two ascending"),
        ("economy = 3", "must be a table"),
    ],
)
def test_a_shop_file_may_not_change_anything_else(tmp_path, text, message):
    shop = tmp_path / "shop.toml"
    shop.write_text(text)
    with pytest.raises(DataError, match=message):
        load_knowledge(shop)


def test_a_missing_shop_file_is_one_line(tmp_path):
    with pytest.raises(DataError, match="cannot be read"):
        load_knowledge(tmp_path / "none.toml")


def test_every_live_or_open_test_carries_its_cautions():
    k = load_knowledge()
    for test in k.tests.values():
        told = " ".join(k.cautions_for(test.level, test.live, test.cautions))
        if test.level != "closed":
            assert "verify with a meter" in told, test.name
            assert "local codes" in told, test.name
        if test.live:
            assert "One hand" in told and "Never work alone" in told, test.name
            assert "well over 60 V" in told, test.name
        assert " safe" not in told.lower()


def test_texts_promise_nothing_and_name_no_short_circuit():
    k = load_knowledge()
    texts = [t.ask for t in k.tests.values()] + [p.how + p.before for p in k.parts.values()]
    for text in [*texts, *k.cautions.values()]:
        assert "safe" not in text.lower()
        assert "screwdriver" not in text.lower()
