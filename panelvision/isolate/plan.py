"""Which action next: expected cost of repair with exact posteriors and limited look-ahead.

State: the weights w over hypotheses (fault and symptom), how far the set is open, what was done.
An action is a test (its outcomes split the weights) or a repair (it ends the job, or leaves the
rest). The cost to go, scaled with the weights so that nothing need be normalised, is

    V_0(w) = cheapest order of repairs, giving up at any point            (ordering.py, exact)
    V_d(w) = min( V_0(w), min_a [ cost(a) |w| + sum_outcomes V_{d-1}(w outcome) ] )

V_0 is a real policy, so each V_d is the cost of a real policy: V_0 >= V_1 >= ... and all are at
least the optimum, which V_d reaches once d is the number of actions. Openings are paid once.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from panelvision.arrays import BoolArray, FloatArray, IntArray
from panelvision.isolate.ordering import Repairs, repair_plans

GIVE_UP = "give-up"


@dataclass(frozen=True)
class TestAction:
    """A test as numbers.

    cost: without opening. likelihood: (values, N). ends: per value None, or the (N,) cost of
    ending the job with that outcome (0 where it cured the fault). needs: (test index, value
    indices) pairs, all of which must have been seen. level: 0, 1 or 2.
    """

    name: str
    cost: float
    level: int
    likelihood: FloatArray
    ends: tuple[FloatArray | None, ...]
    needs: tuple[tuple[int, tuple[int, ...]], ...] = ()

    __test__ = False  # not a test case, whatever its name makes a test runner think


@dataclass(frozen=True)
class Branch:
    """One way an action turns out: probability, and the cost to go after it."""

    outcome: str
    probability: float
    cost_to_go: float


@dataclass(frozen=True)
class Choice:
    """An action, what it is expected to cost in all (it and everything after it), by outcome.

    kind: "test", "repair" or "give-up". own_cost: of the action itself, opening included.
    """

    kind: str
    name: str
    expected_cost: float
    own_cost: float
    branches: tuple[Branch, ...]


@dataclass(frozen=True)
class Problem:
    """The decision problem over N hypotheses.

    repair_of: (N,) index of the repair that cures each hypothesis.
    """

    repair_of: IntArray
    repairs: Repairs
    repair_names: tuple[str, ...]
    tests: tuple[TestAction, ...]
    test_values: tuple[tuple[str, ...], ...]

    @cached_property
    def _outcomes(self) -> "_Outcomes":
        return _Outcomes(self)

    @cached_property
    def needs(self) -> tuple[tuple[int, int, tuple[int, ...]], ...]:
        """All needs: (test, the test it needs, the value indices that fulfil it)."""
        return tuple((t, *need) for t, test in enumerate(self.tests) for need in test.needs)

    def cost_of_opening(self, level: int, wanted: int) -> float:
        """What it takes to get from one level to another."""
        return float(self.repairs.opening[level:wanted].sum())

    @cached_property
    def floor(self) -> FloatArray:
        """(3, N): by level, what no plan can save if the hypothesis were known: the least of giving
        up, the repair that cures it, and the tests that may end the job; openings included."""
        r = self.repairs
        best = np.full((3, len(self.repair_of)), r.give_up)
        for level in range(3):
            bill = r.cost + [self.cost_of_opening(level, int(w)) for w in r.level]
            best[level] = np.minimum(best[level], bill[self.repair_of])
            for test in self.tests:
                own = test.cost + self.cost_of_opening(level, test.level)
                for end in test.ends:
                    if end is not None:
                        best[level] = np.minimum(best[level], own + end)
        return best

    def mass(self, weights: FloatArray) -> FloatArray:
        """(B, N) weights -> (B, R) weight of the hypotheses that each repair cures."""
        mass = np.zeros((len(weights), len(self.repair_names)))
        for r in range(mass.shape[1]):
            mass[:, r] = weights[:, self.repair_of == r].sum(axis=1)
        return mass


class _Outcomes:
    """All outcomes of all actions, flat: those that end the job and those that go on."""

    def __init__(self, problem: Problem) -> None:
        rows: list[FloatArray] = []
        ending: list[FloatArray | None] = []
        action: list[int] = []
        self.names: list[str] = []
        cost, level = [], []
        for t, test in enumerate(problem.tests):
            cost.append(test.cost)
            level.append(test.level)
            for v, value in enumerate(problem.test_values[t]):
                rows.append(test.likelihood[v])
                ending.append(test.ends[v])
                action.append(t)
                self.names.append(value)
        n_tests = len(problem.tests)
        for r in range(len(problem.repair_names)):
            cost.append(float(problem.repairs.cost[r]))
            level.append(int(problem.repairs.level[r]))
            rows.append(1.0 - problem.repairs.success[r] * (problem.repair_of == r))
            ending.append(None)
            action.append(n_tests + r)
            self.names.append("no-change")
        self.likelihood = np.array(rows)
        self.action = np.array(action)
        self.cost = np.array(cost)
        self.level = np.array(level)
        self.is_end = np.array([e is not None for e in ending])
        self.end_cost = np.array(
            [np.zeros(len(problem.repair_of)) if e is None else e for e in ending]
        )
        self.ending = self.likelihood * self.end_cost
        self.n_tests = n_tests
        self.of_test = {  # test index -> flat indices of its outcomes, in order
            t: np.flatnonzero(self.action == t) for t in range(n_tests)
        }


@dataclass(frozen=True)
class Agenda:
    """What can still be done, for B states at once.

    undone: (B, actions), tests then repairs. met: (B, needs), whether each need of
    `Problem.needs` has been seen fulfilled.
    """

    undone: BoolArray
    met: BoolArray

    def available(self, problem: Problem) -> BoolArray:
        """(B, actions) not done, and everything that it needs has been seen."""
        available = self.undone.copy()
        for m, (test, _, _) in enumerate(problem.needs):
            available[:, test] &= self.met[:, m]
        return available

    def row(self, b: int) -> "Agenda":
        """The agenda of one state."""
        return Agenda(self.undone[b : b + 1], self.met[b : b + 1])

    def after(self, problem: Problem, flat: IntArray) -> "Agenda":
        """Of one state: the agendas after each of the outcomes `flat`."""
        undone = np.repeat(self.undone, len(flat), axis=0)
        undone[np.arange(len(flat)), problem._outcomes.action[flat]] = False
        met = np.repeat(self.met, len(flat), axis=0)
        for m, (_, needed, values) in enumerate(problem.needs):
            met[:, m] |= np.isin(flat, problem._outcomes.of_test[needed][list(values)])
        return Agenda(undone, met)


def agenda(problem: Problem, done: Iterable[str], seen: Mapping[str, str]) -> Agenda:
    """The agenda now. done: names of tests and repairs used up. seen: test -> outcome."""
    used = {*done, *seen}
    names = (*(t.name for t in problem.tests), *problem.repair_names)
    met = [
        seen.get(problem.tests[needed].name) in {problem.test_values[needed][v] for v in values}
        for _, needed, values in problem.needs
    ]
    return Agenda(np.array([[n not in used for n in names]]), np.array([met], dtype=bool))


def choices(
    problem: Problem,
    weights: FloatArray,
    todo: Agenda,
    *,
    level: int = 0,
    depth: int = 2,
) -> tuple[Choice, ...]:
    """Every action with its expected cost, cheapest first; giving up is always one of them.

    weights: (N,) over hypotheses, any positive total. todo: agenda of this one state. level: how
    far the set is open. depth: actions looked ahead (>= 1) before the cheapest order of repairs
    is assumed.
    """
    weights = weights / weights.sum()
    o = problem._outcomes
    opening = np.array([problem.cost_of_opening(level, int(w)) for w in o.level])
    own = o.cost + opening
    # Hypotheses that have practically died out cost time and change nothing.
    alive = weights > 1e-9 * weights.max()
    small = problem if alive.all() else _restricted(problem, alive)
    w = weights[alive]
    available = todo.available(problem)[0]
    flat = np.flatnonzero(available[o.action])
    child = small._outcomes.likelihood[flat] * w
    probability = child.sum(axis=1)
    values = (small._outcomes.ending[flat] * w).sum(axis=1)
    goes_on = ~o.is_end[flat]
    child_level = np.maximum(level, o.level[o.action[flat[goes_on]]])
    values[goes_on] = cost_to_go(
        small, child[goes_on], child_level, todo.after(small, flat[goes_on]), depth=depth - 1
    )
    found = []
    for a in np.flatnonzero(available):
        mine = o.action[flat] == a
        branches = [
            Branch(o.names[k], float(p), float(v / p) if p > 0 else 0.0)
            for k, p, v in zip(flat[mine], probability[mine], values[mine], strict=True)
        ]
        is_test = a < o.n_tests
        if not is_test:
            branches.insert(0, Branch("works", 1 - branches[0].probability, 0.0))
        found.append(
            Choice(
                kind="test" if is_test else "repair",
                name=problem.tests[a].name if is_test else problem.repair_names[a - o.n_tests],
                expected_cost=float(own[a] + values[mine].sum()),
                own_cost=float(own[a]),
                branches=tuple(branches),
            )
        )
    loss = problem.repairs.give_up
    found.append(Choice(GIVE_UP, GIVE_UP, loss, loss, ()))
    # Equal costs: giving up and repairing come before testing, closed before open.
    rank = {GIVE_UP: 0, "repair": 1, "test": 2}
    return tuple(
        sorted(found, key=lambda c: (round(c.expected_cost, 9), rank[c.kind], c.own_cost, c.name))
    )


def cost_to_go(
    problem: Problem,
    weights: FloatArray,
    level: IntArray,
    todo: Agenda,
    *,
    depth: int,
) -> FloatArray:
    """V_depth for B states at once: weights (B, N), level (B,), agendas of B states -> (B,)."""
    o = problem._outcomes
    available = todo.available(problem)
    mass = problem.mass(weights) * available[:, o.n_tests :]
    total = weights.sum(axis=1)
    best = repair_plans(mass, total, level, problem.repairs).cost
    if depth <= 0 or not len(weights):
        return best
    if depth == 1:
        return _one_step(problem, weights, total, level, available, best)
    for b in range(len(weights)):
        flat = np.flatnonzero(available[b][o.action])
        child = o.likelihood[flat] * weights[b]
        values = (o.ending[flat] * weights[b]).sum(axis=1)
        goes_on = ~o.is_end[flat]
        values[goes_on] = cost_to_go(
            problem,
            child[goes_on],
            np.maximum(level[b], o.level[o.action[flat[goes_on]]]),
            todo.row(b).after(problem, flat[goes_on]),
            depth=depth - 1,
        )
        q = (o.cost + _opening_costs(problem, level[b : b + 1])[0]) * total[b]
        np.add.at(q, o.action[flat], values)
        best[b] = min(best[b], q[available[b]].min(initial=np.inf))
    return best


def _one_step(
    problem: Problem,
    weights: FloatArray,
    total: FloatArray,
    level: IntArray,
    available: BoolArray,
    best: FloatArray,
) -> FloatArray:
    """V_1, (B,), given V_0 (`best`): min over tests of cost + V_0 after it, no loop over states.

    Repairs are left out: trying one and going on by repairs alone is among V_0's orders. So are
    tests that could not beat V_0 even if they told the fault itself.
    """
    o = problem._outcomes
    own = (o.cost + _opening_costs(problem, level))[:, : o.n_tests] * total[:, None]
    at_least = weights @ problem.floor.T
    after = np.maximum(level[:, None], o.level[: o.n_tests])
    worth = available[:, : o.n_tests] & (
        own + np.take_along_axis(at_least, after, 1) < best[:, None]
    )
    flat = np.flatnonzero(o.action < o.n_tests)
    flat = flat[worth[:, o.action[flat]].any(axis=0)]
    if not len(flat):
        return best
    like = o.likelihood[flat]
    states, outcomes, n_repairs = len(weights), len(flat), len(problem.repair_names)
    masses = np.empty((states, outcomes, n_repairs))
    for r in range(n_repairs):
        cured = problem.repair_of == r
        masses[:, :, r] = weights[:, cured] @ like[:, cured].T
    totals = masses.sum(axis=2)
    values = weights @ o.ending[flat].T
    rows, columns = np.nonzero(worth[:, o.action[flat]] & ~o.is_end[flat])
    values[rows, columns] = repair_plans(
        masses[rows, columns] * available[rows, o.n_tests :],
        totals[rows, columns],
        np.maximum(level[rows], o.level[o.action[flat[columns]]]),
        problem.repairs,
    ).cost
    starts = np.flatnonzero(np.diff(o.action[flat], prepend=-1))
    tests = o.action[flat[starts]]
    q = own[:, tests] + np.add.reduceat(values, starts, axis=1)
    return np.minimum(best, np.where(worth[:, tests], q, np.inf).min(axis=1))


def _opening_costs(problem: Problem, level: IntArray) -> FloatArray:
    """(B, actions): cost of opening from each state's level to each action's."""
    table = np.array([[problem.cost_of_opening(i, j) for j in range(3)] for i in range(3)])
    return table[level][:, problem._outcomes.level]


def _restricted(problem: Problem, alive: BoolArray) -> Problem:
    tests = tuple(
        TestAction(
            t.name,
            t.cost,
            t.level,
            t.likelihood[:, alive],
            tuple(None if e is None else e[alive] for e in t.ends),
            t.needs,
        )
        for t in problem.tests
    )
    return Problem(
        problem.repair_of[alive], problem.repairs, problem.repair_names, tests, problem.test_values
    )
