"""What closed cases teach: conjugate counts on priors and likelihoods.

Each table is a Dirichlet whose mean is the published one and whose weight is a number of cases
(`Learning`): P' = (weight * P + count) / (weight + total count). No case changes nothing; one odd
case moves a prior by at most 1 / (weight + 1). A case that names only the assembly, or leaves the
symptom open, is shared out by the posterior under the knowledge before learning (one step of
expectation-maximisation), so that the result does not depend on the order of the cases.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.errors import DataError
from panelvision.knowledge import BenchTest, Knowledge
from panelvision.labels import ASSEMBLIES, SYMPTOMS


@dataclass(frozen=True)
class Outcome:
    """A closed case: what it turned out to be.

    fault: a fault's name, or an assembly's if that is all that is known. observations: bench
    test -> outcome. symptom: label, if it was settled.
    """

    fault: str
    observations: Mapping[str, str]
    symptom: str | None = None


@dataclass(frozen=True)
class Change:
    """One probability before and after learning, and the cases (shares counted) behind it."""

    table: str
    name: str
    before: float
    after: float
    cases: float


@dataclass(frozen=True)
class LearningReport:
    """What learning changed: priors by fault, rows by test; largest change first."""

    cases: int
    priors: tuple[Change, ...]
    assemblies: tuple[Change, ...]
    rows: tuple[Change, ...]
    ignored: tuple[str, ...]

    def lines(self) -> tuple[str, ...]:
        """The report in words, the priors first."""
        if not self.cases:
            return ("No closed cases yet: the published frequencies stand.",)
        told = [f"{self.cases} closed cases."]
        told += [
            f"{c.table} {c.name}: {c.before:.1%} -> {c.after:.1%} ({c.cases:g} cases)"
            for c in (*self.assemblies, *self.priors, *self.rows)
            if abs(c.after - c.before) >= 0.0005
        ]
        return (*told, *self.ignored)


@dataclass(frozen=True)
class _Counts:
    """(F, 13) cases by fault and symptom; per test the (values, F, 13) cases by outcome."""

    cases: int
    by_state: FloatArray
    by_value: Mapping[str, FloatArray]
    ignored: tuple[str, ...]


def learn(knowledge: Knowledge, outcomes: Iterable[Outcome]) -> Knowledge:
    """The knowledge sharpened by closed cases; the same knowledge when there are none.

    Raises DataError for a fault, assembly or symptom that does not exist.
    """
    return learn_with_report(knowledge, outcomes)[0]


def learn_with_report(
    knowledge: Knowledge, outcomes: Iterable[Outcome]
) -> tuple[Knowledge, LearningReport]:
    """As `learn`, with the before and after of everything that moved."""
    counts = _count(knowledge, outcomes)
    if counts.cases == 0:
        return knowledge, LearningReport(0, (), (), (), counts.ignored)
    learned = _updated(knowledge, counts)
    return learned, _report(knowledge, learned, counts)


def _count(knowledge: Knowledge, outcomes: Iterable[Outcome]) -> _Counts:
    by_state = np.zeros_like(knowledge.joint)
    by_value = {n: np.zeros_like(table) for n, table in knowledge.likelihoods.items()}
    ignored: dict[str, None] = {}
    cases = 0
    for outcome in outcomes:
        cases += 1
        share = knowledge.joint * _allowed(outcome, knowledge)
        usable = []
        for name, value in outcome.observations.items():
            test = knowledge.tests.get(name)
            if test is None or value not in test.values:
                # An old case may carry a test that the data no longer have; the rest still counts.
                ignored[f"Not counted: {name} = {value}, which the bench tests do not have."] = None
                continue
            usable.append((name, test.values.index(value)))
            share = share * knowledge.likelihoods[name][usable[-1][1]]
        share = share / share.sum()
        by_state += share
        for name, v in usable:
            by_value[name][v] += share
    return _Counts(cases, by_state, by_value, tuple(ignored))


def _allowed(outcome: Outcome, knowledge: Knowledge) -> FloatArray:
    faults = knowledge.faults
    if outcome.fault in faults:
        rows = np.array([name == outcome.fault for name in faults])
    elif outcome.fault in {fault.assembly for fault in faults.values()}:
        rows = np.array([fault.assembly == outcome.fault for fault in faults.values()])
    else:
        known = ", ".join((*faults, *ASSEMBLIES))
        raise DataError(f"closed case: {outcome.fault!r} is no fault or assembly; known: {known}")
    if outcome.symptom is not None and outcome.symptom not in SYMPTOMS:
        raise DataError(f"closed case: {outcome.symptom!r} is no symptom")
    columns = np.array([outcome.symptom in (None, label) for label in SYMPTOMS])
    return (rows[:, None] & columns[None, :]).astype(float)


def _updated(knowledge: Knowledge, counts: _Counts) -> Knowledge:
    weight = knowledge.learning.prior_cases
    row_weight = knowledge.learning.row_cases
    of_fault = counts.by_state.sum(axis=1)
    prior = (weight * knowledge.prior + of_fault) / (weight + counts.cases)
    symptoms = (row_weight * knowledge.symptom_given_fault + counts.by_state) / (
        row_weight + of_fault[:, None]
    )
    note = f"; updated by {counts.cases} closed cases"
    faults = {
        name: replace(
            fault,
            weight=float(prior[i]),
            symptoms=dict(zip(SYMPTOMS, map(float, symptoms[i]), strict=True)),
            source=fault.source + note,
        )
        for i, (name, fault) in enumerate(knowledge.faults.items())
    }
    tests = {
        name: _updated_test(test, knowledge, counts.by_value[name], row_weight)
        for name, test in knowledge.tests.items()
    }
    return replace(knowledge, faults=faults, tests=tests)


def _row_counts(test: BenchTest, knowledge: Knowledge, by_value: FloatArray) -> FloatArray:
    """(values, rows) cases per row of the test; where it says nothing there is nothing to learn."""
    if test.by == "symptom":
        return by_value.sum(axis=1)
    told = [not test.applies or label in test.applies for label in SYMPTOMS]
    return by_value[:, :, told].sum(axis=2)


def _updated_test(
    test: BenchTest, knowledge: Knowledge, by_value: FloatArray, weight: float
) -> BenchTest:
    counts = _row_counts(test, knowledge, by_value)
    names = SYMPTOMS if test.by == "symptom" else knowledge.fault_names
    rows = {}
    for i, name in enumerate(names):
        row = (weight * np.array(test.rows[name]) + counts[:, i]) / (weight + counts[:, i].sum())
        rows[name] = tuple(map(float, row))
    return replace(test, rows=rows)


def _report(before: Knowledge, after: Knowledge, counts: _Counts) -> LearningReport:
    of_fault = counts.by_state.sum(axis=1)
    priors = [
        Change("fault", name, float(b), float(a), float(n))
        for name, b, a, n in zip(
            before.fault_names, before.prior, after.prior, of_fault, strict=True
        )
    ]
    assemblies = [
        Change("assembly", name, float(row @ before.prior), float(row @ after.prior),
               float(row @ of_fault))
        for name, row in zip(ASSEMBLIES, before.assembly_of, strict=True)
    ]  # fmt: skip
    rows = []
    for name, test in before.tests.items():
        row_counts = _row_counts(test, before, counts.by_value[name]).sum(axis=0)
        for key, n in zip(test.rows, row_counts, strict=True):
            for value, b, a in zip(
                test.values, test.rows[key], after.tests[name].rows[key], strict=True
            ):
                if n > 0:
                    rows.append(Change(f"P({name} = {value} |", f"{key})", b, a, float(n)))
    return LearningReport(
        counts.cases, _by_size(priors), _by_size(assemblies), _by_size(rows), counts.ignored
    )


def _by_size(changes: Iterable[Change]) -> tuple[Change, ...]:
    return tuple(sorted(changes, key=lambda c: -abs(c.after - c.before)))
