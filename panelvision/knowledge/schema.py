"""The records that the knowledge files become, and the arrays that inference needs of them."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.errors import DataError
from panelvision.labels import ASSEMBLIES, SYMPTOMS

LEVELS: tuple[str, ...] = ("closed", "back-off", "panel-off")
"""How far the set has been opened, in order; each step is paid once."""

REPLACED = "replaced-"
"""Prefix of the observation 'this part was replaced and the fault stayed'."""


@dataclass(frozen=True)
class Fault:
    """One thing that can be wrong.

    weight: relative frequency among the sets brought in (> 0; `Knowledge.prior` normalises).
    symptoms: P(symptom | fault) over all 13 labels, adds up to 1, none 0.
    """

    name: str
    title: str
    assembly: str
    repair: str
    weight: float
    symptoms: Mapping[str, float]
    physics: str
    source: str


@dataclass(frozen=True)
class BenchTest:
    """One thing to look at, ask, measure or try.

    minutes: hands-on time; wait_minutes: waiting with the bench taken.
    rows: P(value | row name), in the order of `values`; row names are faults, or symptoms if
    `by` is "symptom". With symptoms other than those in `applies`, where it is not empty, the
    test tells no fault from another: `silent` is P(value) there. `ends` maps an outcome to the
    faults that it cures.
    risk: allowance in currency for what may go wrong beyond the live allowance.
    """

    name: str
    title: str
    ask: str
    values: tuple[str, ...]
    means: Mapping[str, str]
    minutes: float
    wait_minutes: float
    tools: tuple[str, ...]
    level: str
    live: bool
    cautions: tuple[str, ...]
    risk: float
    by: str
    rows: Mapping[str, tuple[float, ...]]
    applies: tuple[str, ...]
    silent: tuple[float, ...]
    needs: Mapping[str, tuple[str, ...]]
    ends: Mapping[str, tuple[str, ...]]
    source: str


@dataclass(frozen=True)
class Part:
    """One repair: `price` (low, high) in currency, `minutes` of work, `success` its chance.

    ordered: has to be ordered for the job, rather than being at hand.
    """

    name: str
    title: str
    assembly: str
    price: tuple[float, float]
    ordered: bool
    minutes: float
    level: str
    success: float
    how: str
    before: str
    source: str

    @property
    def typical_price(self) -> float:
        """Middle of the price range."""
        return (self.price[0] + self.price[1]) / 2


@dataclass(frozen=True)
class Opening:
    """What it takes to reach a level from the one before: minutes (closing up included), risk."""

    title: str
    minutes: float
    risk: float
    source: str


@dataclass(frozen=True)
class Economy:
    """Rates, all in `currency`: labour per hour, the share of it that waiting costs, allowances.

    live_risk: per test on an open live set; order_handling: per part ordered; return_visit: of a
    set that comes back unrepaired; set_value: of a working set.
    """

    currency: str
    labour_per_hour: float
    waiting_share: float
    live_risk: float
    order_handling: float
    return_visit: float
    set_value: float
    source: str


@dataclass(frozen=True)
class Learning:
    """How many closed cases the published priors, and each likelihood row, weigh as much as."""

    prior_cases: float
    row_cases: float
    source: str


@dataclass(frozen=True)
class MeterBand:
    """A reading within `low`..`high` in one of `states` means `value` of the meter's test.

    value: None where such a reading decides nothing; text then says what to look at.
    """

    states: tuple[str, ...]
    low: float
    high: float
    value: str | None
    text: str


@dataclass(frozen=True)
class Meter:
    """A connector legend's signal: what to expect, and what a reading means for which test."""

    name: str
    title: str
    legends: tuple[str, ...]
    test: str
    unit: str
    expect: Mapping[str, str]
    bands: tuple[MeterBand, ...]
    source: str

    @property
    def per_string(self) -> bool:
        """Whether bands are shares of the string's total voltage."""
        return self.unit != "V"


@dataclass(frozen=True)
class LedVoltages:
    """Forward voltage ranges (V) of single- and two-die LEDs; meter tolerance (share, V)."""

    forward: tuple[float, float]
    two_die_forward: tuple[float, float]
    meter_relative: float
    meter_absolute: float


@dataclass(frozen=True)
class Knowledge:
    """All of it, checked. Arrays are over faults in the order of `faults`, symptoms as labelled.

    given: the figures that the shop gave itself, by their place in the files
    ("economy.labour_per_hour", "part.panel.price"). foreign: money whose unit is not about a
    euro's, so that figures not given are there to reckon with alone (`in_proportion`).
    """

    faults: Mapping[str, Fault]
    tests: Mapping[str, BenchTest]
    parts: Mapping[str, Part]
    openings: Mapping[str, Opening]
    economy: Economy
    learning: Learning
    meters: Mapping[str, Meter]
    led: LedVoltages
    cautions: Mapping[str, str]
    always: Mapping[str, tuple[str, ...]]
    given: frozenset[str] = frozenset()
    foreign: bool = False

    @cached_property
    def fault_names(self) -> tuple[str, ...]:
        """Names of the faults, in order."""
        return tuple(self.faults)

    @cached_property
    def prior(self) -> FloatArray:
        """P(fault), (F,)."""
        weights = np.array([fault.weight for fault in self.faults.values()])
        return weights / weights.sum()

    @cached_property
    def symptom_given_fault(self) -> FloatArray:
        """P(symptom | fault), (F, 13)."""
        return np.array([[f.symptoms[s] for s in SYMPTOMS] for f in self.faults.values()])

    @cached_property
    def joint(self) -> FloatArray:
        """P(fault, symptom) before any evidence, (F, 13)."""
        return self.prior[:, None] * self.symptom_given_fault

    @cached_property
    def assembly_of(self) -> FloatArray:
        """(7, F), 1 where the fault belongs to the assembly, in the order of ASSEMBLIES."""
        return np.array(
            [[float(f.assembly == a) for f in self.faults.values()] for a in ASSEMBLIES]
        )

    @cached_property
    def likelihoods(self) -> dict[str, FloatArray]:
        """Test name -> P(value | fault, symptom), (values, F, 13)."""
        return {name: self._likelihood(test) for name, test in self.tests.items()}

    def _likelihood(self, test: BenchTest) -> FloatArray:
        names = SYMPTOMS if test.by == "symptom" else self.fault_names
        rows = np.array([test.rows[name] for name in names]).T
        shape = (len(test.values), len(self.faults), len(SYMPTOMS))
        if test.by == "symptom":
            return np.broadcast_to(rows[:, None, :], shape).copy()
        table = np.broadcast_to(rows[:, :, None], shape).copy()
        if test.applies:
            others = [i for i, s in enumerate(SYMPTOMS) if s not in test.applies]
            table[:, :, others] = np.array(test.silent)[:, None, None]
        return table

    def observation_likelihood(self, name: str, value: str) -> FloatArray:
        """P(observation | fault, symptom), (F, 13); raises DataError for unknown names."""
        if name.startswith(REPLACED):
            part = self.parts.get(name.removeprefix(REPLACED))
            if part is None or value != "no-change":
                known = ", ".join(REPLACED + p for p in self.parts)
                raise DataError(
                    f"observation {name!r} = {value!r}: expected one of {known} = 'no-change'"
                )
            stays = [1 - part.success * (f.repair == part.name) for f in self.faults.values()]
            return np.repeat(np.array(stays)[:, None], len(SYMPTOMS), axis=1)
        test = self.tests.get(name)
        if test is None:
            raise DataError(f"unknown observation {name!r}; known: {', '.join(self.tests)}")
        if value not in test.values:
            raise DataError(f"observation {name!r}: {value!r} is none of {', '.join(test.values)}")
        return self.likelihoods[name][test.values.index(value)]

    def test_cost(self, test: BenchTest) -> float:
        """Hands-on time, waiting and risk in currency, without opening the set."""
        e = self.economy
        per_minute = e.labour_per_hour / 60
        cost = per_minute * (test.minutes + e.waiting_share * test.wait_minutes) + test.risk
        return cost + (e.live_risk if test.live and test.level != "closed" else 0.0)

    def repair_cost(self, part: Part) -> float:
        """Part, its ordering and labour in currency, without opening the set."""
        handling = self.economy.order_handling if part.ordered else 0.0
        return part.typical_price + handling + self.economy.labour_per_hour / 60 * part.minutes

    def minutes_of(self, part: Part) -> float:
        """Minutes of replacing a part in a closed set: the work, opening and closing up."""
        steps = LEVELS[1 : LEVELS.index(part.level) + 1]
        return part.minutes + sum(self.openings[step].minutes for step in steps)

    def opening_cost(self, level: str) -> float:
        """Cost of the one step that reaches `level` from the level before it."""
        if level == LEVELS[0]:
            return 0.0
        opening = self.openings[level]
        return self.economy.labour_per_hour / 60 * opening.minutes + opening.risk

    def gives(self, parts: Iterable[Part]) -> bool:
        """Whether the shop itself gave what these parts cost with the work."""
        return {"economy.labour_per_hour", *_prices(parts)} <= self.given

    def missing(self, *, worth: bool = False) -> tuple[str, ...]:
        """What the shop would have to give before it is settled that a repair does not pay.

        worth: whether that of this very set is known. In money like the files' nothing is missing.
        """
        if not self.foreign:
            return ()
        lacking = {
            "what the set is worth": not worth and "economy.set_value" not in self.given,
            "what an hour of your work costs": "economy.labour_per_hour" not in self.given,
            "your prices of all parts": not _prices(self.parts.values()) <= self.given,
        }
        return tuple(words for words, lacks in lacking.items() if lacks)

    def cautions_for(self, level: str, live: bool, extra: tuple[str, ...] = ()) -> tuple[str, ...]:
        """Full text of the cautions to show ahead of work at `level`, in order, none twice."""
        if live:
            key = "live-closed" if level == LEVELS[0] else "live-open"
        else:
            key = level
        names = list(self.always[key])
        if live and level == "panel-off":
            names += ["glass"]
        return tuple(self.cautions[n] for n in dict.fromkeys([*names, *extra]))


def _prices(parts: Iterable[Part]) -> set[str]:
    """Where the prices of those of the parts that cost anything stand in the files."""
    return {f"part.{part.name}.price" for part in parts if part.price[1] > 0}
