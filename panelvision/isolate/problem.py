"""From the knowledge to the numbers that the planner works on."""

from functools import lru_cache

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.isolate.ordering import Repairs
from panelvision.isolate.plan import Problem, TestAction
from panelvision.knowledge import LEVELS, BenchTest, Knowledge
from panelvision.knowledge.schema import REPLACED
from panelvision.labels import SYMPTOMS


def make_problem(knowledge: Knowledge, set_value: float | None = None) -> Problem:
    """The decision problem over the (fault, symptom) pairs, flattened fault by fault.

    set_value: what the working set is worth, the loss when it is given up; the knowledge's own
    figure if left out.
    """
    value = knowledge.economy.set_value if set_value is None else set_value
    return _problem(_Same(knowledge), float(value))


class _Same:
    """A knowledge as a cache key by identity: it holds dictionaries, which have no hash."""

    def __init__(self, knowledge: Knowledge) -> None:
        self.knowledge = knowledge

    def __hash__(self) -> int:
        return id(self.knowledge)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.knowledge is self.knowledge


@lru_cache(maxsize=16)
def _problem(same: _Same, set_value: float) -> Problem:
    knowledge = same.knowledge
    parts = list(knowledge.parts.values())
    names = [part.name for part in parts]
    fault_repair = [names.index(fault.repair) for fault in knowledge.faults.values()]
    tests = list(knowledge.tests.values())
    index = {test.name: i for i, test in enumerate(tests)}
    return Problem(
        repair_of=np.repeat(fault_repair, len(SYMPTOMS)),
        repairs=Repairs(
            cost=np.array([max(knowledge.repair_cost(part), 1e-6) for part in parts]),
            level=np.array([LEVELS.index(part.level) for part in parts]),
            success=np.array([part.success for part in parts]),
            opening=np.array([knowledge.opening_cost(level) for level in LEVELS[1:]]),
            give_up=set_value,
        ),
        repair_names=tuple(REPLACED + name for name in names),
        tests=tuple(_action(test, knowledge, index) for test in tests),
        test_values=tuple(test.values for test in tests),
    )


def _action(test: BenchTest, knowledge: Knowledge, index: dict[str, int]) -> TestAction:
    table = knowledge.likelihoods[test.name]
    ends: list[FloatArray | None] = []
    for value in test.values:
        if value not in test.ends:
            ends.append(None)
            continue
        # The set works for now, but a fault that was not cured brings it back.
        cured = [name in test.ends[value] for name in knowledge.faults]
        loss = np.where(cured, 0.0, knowledge.economy.return_visit)
        ends.append(np.repeat(loss, len(SYMPTOMS)))
    return TestAction(
        name=test.name,
        cost=knowledge.test_cost(test),
        level=LEVELS.index(test.level),
        likelihood=table.reshape(len(test.values), -1),
        ends=tuple(ends),
        needs=tuple(
            (index[needed], tuple(knowledge.tests[needed].values.index(v) for v in values))
            for needed, values in test.needs.items()
        ),
    )
