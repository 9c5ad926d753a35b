"""Any bytes, and any mutated valid file, into every reader: a valid result or one line.

The inputs are the same in every run; `tests/benchmarks/fuzz.py` looks for new ones.
"""

import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests import tally
from tests.benchmarks.fuzz import TARGET_NAMES
from tests.fuzz_targets import TARGETS, attempt, mutated

SETTINGS = settings(
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)


@pytest.fixture(scope="module")
def readers(tmp_path_factory):
    """Each reader with its folder and seeds, set up once."""
    made = {}

    def reader(name):
        if name not in made:
            folder = tmp_path_factory.mktemp(name)
            made[name] = (TARGETS[name].reader(folder), TARGETS[name].seeds(), folder)
        return made[name]

    return reader


def test_the_benchmark_knows_every_target():
    assert set(TARGET_NAMES) == set(TARGETS)


@pytest.mark.parametrize("name", TARGET_NAMES)
def test_valid_files_are_taken(readers, name):
    read, seeds, _ = readers(name)
    for data in seeds:
        with tally.tried():
            assert attempt(read, data) == "valid"


@pytest.mark.parametrize("name", TARGET_NAMES)
@settings(SETTINGS, max_examples=30)
@given(data=st.binary(max_size=300))
def test_any_bytes(readers, name, data):
    read, _, folder = readers(name)
    with tally.tried():
        attempt(read, data)
    tally.check_left(p for p in tally.files_in(folder) if p.name.startswith(".partial-"))


@pytest.mark.parametrize("name", TARGET_NAMES)
@settings(SETTINGS, max_examples=30)
@given(number=st.integers(0, 2**32))
def test_any_mutated_valid_file(readers, name, number):
    read, seeds, folder = readers(name)
    dice = random.Random(number)
    data = mutated(dice.choice(seeds), dice, seeds)
    with tally.tried():
        attempt(read, data)
    tally.check_left(p for p in tally.files_in(folder) if p.name.startswith(".partial-"))
