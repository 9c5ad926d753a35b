"""A workshop in numbers: sets drawn from a model, and what working on one costs.

The model that sets are drawn from may differ from the one the adviser believes in: `perturbed`
multiplies every prior, P(symptom | fault) and P(value | fault) by a factor between 1/2 and 2.
Every outcome that a set could show is drawn beforehand, so that all policies meet the same sets.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy import stats

from panelvision.arrays import FloatArray, IntArray
from panelvision.knowledge import LEVELS, Knowledge
from panelvision.labels import SYMPTOMS

FACTOR = 2.0

# A classifier that is right in 85 of 100 photos, its errors spread evenly: the lowest accuracy
# that the design allows. Its probabilities are calibrated by construction.
PHOTO_TOP_1 = 0.85

INTAKE = ("sound", "standby-light", "picture")
"""Seen or asked when the set comes in; every policy knows these from the start, at no cost."""


@dataclass(frozen=True)
class World:
    """The truth that sets are drawn from: prior (F,), symptoms (F, 13), likelihoods per test."""

    prior: FloatArray
    symptoms: FloatArray
    likelihoods: dict[str, FloatArray]


@dataclass(frozen=True)
class Sets:
    """n sets: fault and photo label index (n,), outcome index per test (n,), repair luck (n, R)."""

    fault: IntArray
    photo: IntArray
    outcome: dict[str, IntArray]
    luck: FloatArray


def true_world(knowledge: Knowledge) -> World:
    """The world as the knowledge has it."""
    return World(knowledge.prior, knowledge.symptom_given_fault, knowledge.likelihoods)


def perturbed(knowledge: Knowledge, rng: np.random.Generator) -> World:
    """A world whose every probability is off by a factor of up to `FACTOR`, then normalised."""

    def off(p: FloatArray, axis: int) -> FloatArray:
        moved = p * np.exp(rng.uniform(-np.log(FACTOR), np.log(FACTOR), p.shape))
        return moved / moved.sum(axis=axis, keepdims=True)

    return World(
        off(knowledge.prior, 0),
        off(knowledge.symptom_given_fault, 1),
        {name: off(table, 0) for name, table in knowledge.likelihoods.items()},
    )


def photo_confusion(top_1: float = PHOTO_TOP_1) -> FloatArray:
    """P(reported label | symptom), (13, 13)."""
    n = len(SYMPTOMS)
    return np.full((n, n), (1 - top_1) / (n - 1)) + np.eye(n) * (top_1 - (1 - top_1) / (n - 1))


def photo_readings(top_1: float = PHOTO_TOP_1) -> list[dict[str, float]]:
    """The calibrated probabilities that go with each reported label."""
    confusion = photo_confusion(top_1)
    posterior = confusion / confusion.sum(axis=0)
    return [dict(zip(SYMPTOMS, map(float, column), strict=True)) for column in posterior.T]


def draw_sets(
    world: World,
    knowledge: Knowledge,
    n: int,
    rng: np.random.Generator,
    *,
    photo_top_1: float = PHOTO_TOP_1,
) -> Sets:
    """n sets from the world, each with every outcome it could show."""
    fault = rng.choice(len(world.prior), n, p=world.prior)
    symptom = _draw_rows(world.symptoms[fault], rng)
    photo = _draw_rows(photo_confusion(photo_top_1)[symptom], rng)
    outcome = {
        name: _draw_rows(table[:, fault, symptom].T, rng)
        for name, table in world.likelihoods.items()
    }
    return Sets(fault, photo, outcome, rng.random((n, len(knowledge.parts))))


def _draw_rows(p: FloatArray, rng: np.random.Generator) -> IntArray:
    return (rng.random((len(p), 1)) > np.cumsum(p, axis=1)[:, :-1]).sum(axis=1)


@dataclass
class Job:
    """One set on the bench. `test` and `repair` do the work, count the cost, tell the outcome."""

    knowledge: Knowledge
    sets: Sets
    index: int
    seen: dict[str, str] = field(default_factory=dict)
    level: int = 0
    cost: float = 0.0
    minutes: float = 0.0
    wrong_parts: int = 0
    open_tests: int = 0
    tests: int = 0
    works: bool = False
    given_up: bool = False

    def __post_init__(self) -> None:
        for name in INTAKE:
            self.seen[name] = self._value(name)

    def _value(self, name: str) -> str:
        return self.knowledge.tests[name].values[self.sets.outcome[name][self.index]]

    @property
    def over(self) -> bool:
        """Whether the set works or was given up."""
        return self.works or self.given_up

    @property
    def fault(self) -> str:
        """What is really wrong."""
        return self.knowledge.fault_names[self.sets.fault[self.index]]

    def _open(self, wanted: str) -> None:
        for level in LEVELS[self.level + 1 : LEVELS.index(wanted) + 1]:
            self.cost += self.knowledge.opening_cost(level)
            self.minutes += self.knowledge.openings[level].minutes
        self.level = max(self.level, LEVELS.index(wanted))

    def test(self, name: str) -> str:
        """Do a bench test; one that ends the job uncured costs a return visit."""
        if name in self.seen:
            return self.seen[name]
        test = self.knowledge.tests[name]
        self._open(test.level)
        self.cost += self.knowledge.test_cost(test)
        self.minutes += test.minutes + test.wait_minutes
        self.tests += 1
        self.open_tests += test.level != "closed"
        value = self._value(name)
        self.seen[name] = value
        if value in test.ends:
            self.works = True
            if self.fault not in test.ends[value]:
                self.cost += self.knowledge.economy.return_visit
        return value

    def repair(self, name: str) -> bool:
        """Fit a part; True if the set works then. An ordered part not needed was wrongly bought."""
        part = self.knowledge.parts[name]
        self._open(part.level)
        self.cost += self.knowledge.repair_cost(part)
        self.minutes += part.minutes
        needed = self.knowledge.faults[self.fault].repair == name
        if part.ordered and not needed:
            self.wrong_parts += 1
        luck = self.sets.luck[self.index, list(self.knowledge.parts).index(name)]
        self.works = needed and luck < part.success
        self.seen[f"replaced-{name}"] = "no-change"
        return self.works

    def give_up(self) -> None:
        """Declare the set not worth repairing: its value is lost."""
        self.cost += self.knowledge.economy.set_value
        self.given_up = True


Policy = Callable[[Job], None]


@dataclass(frozen=True)
class Tally:
    """Per set (n,): cost in currency, minutes, wrong parts, tests on the open set, given up."""

    cost: FloatArray
    minutes: FloatArray
    wrong_parts: FloatArray
    open_tests: FloatArray
    given_up: FloatArray


def work_through(policy: Policy, knowledge: Knowledge, sets: Sets) -> Tally:
    """Let a policy work on every set."""
    rows = []
    for index in range(len(sets.fault)):
        job = Job(knowledge, sets, index)
        policy(job)
        if not job.over:
            job.give_up()
        rows.append((job.cost, job.minutes, job.wrong_parts, job.open_tests, job.given_up))
    columns = np.array(rows, dtype=float).T
    return Tally(*columns)


def ratio_of_means(a: FloatArray, b: FloatArray) -> tuple[float, float, float]:
    """mean(a) / mean(b) with its 95 % interval, paired, by the delta method.

    a, b: (W,), one mean a world, as many sets in each. A world's own sets share its errors, so the
    world is what is drawn independently; with few worlds Student's t, not the normal, holds.
    """
    ratio = a.mean() / b.mean()
    spread = np.std(a - ratio * b, ddof=1) / np.sqrt(len(a)) / b.mean()
    half = stats.t.ppf(0.975, len(a) - 1) * spread
    return float(ratio), float(ratio - half), float(ratio + half)
