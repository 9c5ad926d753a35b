"""Advice at the bench: the suspects, the next test or the part to order, and what it will cost."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.errors import DataError
from panelvision.isolate.plan import GIVE_UP, Choice, agenda, choices
from panelvision.isolate.posterior import Suspects, gather, suspects_of
from panelvision.isolate.problem import make_problem
from panelvision.knowledge import LEVELS, Knowledge, Part, load_knowledge
from panelvision.knowledge.schema import REPLACED, BenchTest
from panelvision.labels import ASSEMBLIES
from panelvision.words import percent

LOOK_AHEAD = 2
"""Actions looked ahead; 2 answers well under 100 ms, 3 does not (tests.benchmarks.advice)."""

ALTERNATIVES = 4


_CLOSE = "The set is open: unplug it and close it before anything else."
_REFIT = (
    "The panel is lifted off: unplug the set, then refit and secure it before power is applied."
)


def _closing(level: int, knowledge: Knowledge) -> tuple[str, ...]:
    """Cautions ahead of what is done with the set closed, where it stands open by now."""
    return (_CLOSE, *knowledge.cautions_for(LEVELS[level], False)) if level else ()


@dataclass(frozen=True)
class PossibleOutcome:
    """An outcome of the next test: how likely, what it would do to the suspects, what it means.

    assemblies: posterior after it, likeliest first. ends: the set works then. expected_cost: of
    everything after it.
    """

    value: str
    probability: float
    assemblies: Mapping[str, float]
    ends: bool
    expected_cost: float
    text: str


@dataclass(frozen=True)
class NextTest:
    """The bench test to do next; cautions come first wherever it is shown.

    minutes hands-on, wait_minutes waiting; opens: the set must be opened (further) for it;
    open, live: state of the set during it; own_cost, expected_cost (whole job) in currency.
    """

    name: str
    title: str
    cautions: tuple[str, ...]
    ask: str
    why: str
    minutes: float
    wait_minutes: float
    tools: tuple[str, ...]
    level: str
    open: bool
    opens: bool
    live: bool
    outcomes: tuple[PossibleOutcome, ...]
    own_cost: float
    expected_cost: float


@dataclass(frozen=True)
class Alternative:
    """Another way on: kind "test" or "repair" or "give-up"; extra_cost over the best choice.

    open, live: state of the set during it.
    """

    kind: str
    name: str
    title: str
    expected_cost: float
    extra_cost: float
    open: bool
    live: bool


@dataclass(frozen=True)
class Stop:
    """No further test is worth its cost.

    kind: "order" (this part), "repair" (nothing to order, do this), "works" (the job is done) or
    "not-worth-repairing". part, price are None where nothing is to be bought. expected_total:
    of the rest of the job, the chance of a wrong part included. settled: False for giving up by
    figures that are not all the shop's own, in money whose unit is not about a euro's.
    """

    kind: str
    assembly: str | None
    part: str | None
    title: str
    probability: float
    price: tuple[float, float] | None
    expected_total: float
    text: str
    cautions: tuple[str, ...]
    settled: bool = True


@dataclass(frozen=True)
class Advice:
    """Suspects, and either the next test or a stop.

    expected_cost: of the rest of the job when the advice is followed, in `currency`. level: how
    far the set is taken to be open. told: whether amounts are more than there to reckon with.
    """

    suspects: Suspects
    next_test: NextTest | None
    stop: Stop | None
    alternatives: tuple[Alternative, ...]
    expected_cost: float
    set_value: float
    currency: str
    level: str
    told: bool = True


@dataclass(frozen=True)
class WhatIf:
    """What an observation would do: how likely it is, and the advice without and with it."""

    observation: str
    value: str
    probability: float
    before: Suspects
    after: Advice
    moved: Mapping[str, float]


def advise(
    photo: Mapping[str, float] | None,
    observations: Mapping[str, str | float],
    *,
    done_tests: Iterable[str] = (),
    set_value: float | None = None,
    knowledge: Knowledge | None = None,
    base: Mapping[str, float] | None = None,
    depth: int = LOOK_AHEAD,
) -> Advice:
    """What to do next, by expected cost of the whole job.

    Parameters
    ----------
    photo, observations, base : as for `isolate`
    done_tests : tests not to be offered again, put off or tried without a result; they do not say
        that the set was opened
    set_value : what the working set is worth, in currency; the knowledge's figure if left out
    depth : actions looked ahead

    Raises DataError for anything that the knowledge does not have.
    """
    knowledge = knowledge or load_knowledge()
    if set_value is not None and not 0 <= set_value < float("inf"):
        raise DataError(f"the set's value must be a number from 0, got {set_value!r}")
    evidence = gather(photo, observations, knowledge, base=base)
    suspects = suspects_of(evidence, knowledge)
    done = tuple(done_tests)
    for name in done:
        if name not in knowledge.tests:
            raise DataError(f"done test {name!r} is unknown; known: {', '.join(knowledge.tests)}")
    value = knowledge.economy.set_value if set_value is None else float(set_value)
    level = _level(knowledge, observations)
    ended = _ended(suspects, knowledge, value, level)
    if ended:
        return ended
    problem = make_problem(knowledge, value)
    weights = evidence.weights(knowledge)
    todo = agenda(problem, done, suspects.observations)
    found = choices(problem, weights.ravel(), todo, level=level, depth=depth)
    best = found[0]
    now = min(c.expected_cost for c in found if c.kind != "test")
    missing = knowledge.missing(worth=set_value is not None)
    return Advice(
        suspects=suspects,
        next_test=_next_test(best, now, weights, level, knowledge, told=not missing),
        stop=_stop(best, suspects, value, level, knowledge, missing),
        alternatives=tuple(_alternative(c, best, knowledge) for c in found[1 : 1 + ALTERNATIVES]),
        expected_cost=best.expected_cost,
        set_value=value,
        currency=knowledge.economy.currency,
        level=LEVELS[level],
        told=not missing,
    )


def what_if(
    photo: Mapping[str, float] | None,
    observations: Mapping[str, str | float],
    observation: str,
    value: str,
    *,
    done_tests: Iterable[str] = (),
    set_value: float | None = None,
    knowledge: Knowledge | None = None,
    base: Mapping[str, float] | None = None,
) -> WhatIf:
    """What would change if `observation` turned out to be `value` (in place of what is known)."""
    knowledge = knowledge or load_knowledge()
    others = {name: v for name, v in observations.items() if name != observation}
    evidence = gather(photo, others, knowledge, base=base)
    weights = evidence.weights(knowledge)
    likelihood = knowledge.observation_likelihood(observation, value)
    before = suspects_of(evidence, knowledge)
    after = advise(
        photo,
        {**others, observation: value},
        done_tests=done_tests,
        set_value=set_value,
        knowledge=knowledge,
        base=base,
    )
    moved = {a: after.suspects.assemblies[a] - p for a, p in before.assemblies.items()}
    probability = float((weights * likelihood).sum() / weights.sum())
    return WhatIf(observation, value, probability, before, after, moved)


def _level(knowledge: Knowledge, names: Iterable[str]) -> int:
    """How far the set is open by now: the furthest that anything seen or replaced needed."""
    level = 0
    for name in names:
        if name.startswith(REPLACED):
            done = knowledge.parts[name.removeprefix(REPLACED)].level
        else:
            done = knowledge.tests[name].level
        level = max(level, LEVELS.index(done))
    return level


def _alternative(choice: Choice, best: Choice, knowledge: Knowledge) -> Alternative:
    name = choice.name.removeprefix(REPLACED)
    work = knowledge.tests.get(choice.name) or knowledge.parts.get(name)
    return Alternative(
        kind=choice.kind,
        name=name,
        title=_title(choice, knowledge),
        expected_cost=choice.expected_cost,
        extra_cost=choice.expected_cost - best.expected_cost,
        open=work is not None and work.level != LEVELS[0],
        live=isinstance(work, BenchTest) and work.live,
    )


def _title(choice: Choice, knowledge: Knowledge) -> str:
    if choice.kind == GIVE_UP:
        return "Not worth repairing"
    if choice.kind == "repair":
        return f"Repair: {knowledge.parts[choice.name.removeprefix(REPLACED)].title}"
    return knowledge.tests[choice.name].title


def _ended(suspects: Suspects, knowledge: Knowledge, value: float, level: int) -> Advice | None:
    for name, seen in suspects.observations.items():
        test = knowledge.tests.get(name)
        if test and seen in test.ends:
            cured = test.ends[seen]
            likely = max(cured, key=lambda fault: suspects.faults[fault])
            stop = Stop(
                kind="works",
                assembly=knowledge.faults[likely].assembly,
                part=None,
                title=f"{test.title}: {seen.replace('-', ' ')}",
                probability=sum(suspects.faults[fault] for fault in cured),
                price=None,
                expected_total=0.0,
                text="The set works: nothing to order. Let it run for a while; it may come back. "
                f"What it was: {knowledge.faults[likely].title.lower()}.",
                # A set that works with its back off is still to be closed.
                cautions=_closing(level, knowledge),
            )
            return Advice(
                suspects, None, stop, (), 0.0, value, knowledge.economy.currency, LEVELS[level]
            )
    return None


def _next_test(
    best: Choice,
    now: float,
    weights: FloatArray,
    level: int,
    knowledge: Knowledge,
    *,
    told: bool,
) -> NextTest | None:
    if best.kind != "test":
        return None
    test = knowledge.tests[best.name]
    wanted = LEVELS.index(test.level)
    opening = "" if wanted else " It needs no opening of the set."
    if wanted > level:
        opening = f" It needs the {knowledge.openings[test.level].title}, which is reckoned in."
    money = knowledge.economy.currency
    why = (
        f"Whatever is decided now is expected to cost {now:.0f} ({money}); with this test first "
        f"{best.expected_cost:.0f}, its own cost of {best.own_cost:.0f} included.{opening}"
    )
    if not told:  # amounts in proportion are to reckon with alone
        saved = percent((now - best.expected_cost) / max(now, 1e-9))
        why = (
            f"With this test first, its own cost included, the job is expected to cost {saved} "
            f"less than with whatever is decided now.{opening}"
        )
    first = () if wanted else _closing(level, knowledge)
    if wanted and test.live and wanted < level:
        first = (_REFIT, *knowledge.cautions_for(LEVELS[level], False))
    usual = knowledge.cautions_for(test.level, test.live, test.cautions)
    outcomes = []
    for v, branch in enumerate(best.branches):
        after = (weights * knowledge.likelihoods[test.name][v]).sum(axis=1)
        by_assembly = knowledge.assembly_of @ (after / after.sum())
        order = np.argsort(-by_assembly, kind="stable")
        assemblies = {ASSEMBLIES[i]: float(by_assembly[i]) for i in order}
        ends = branch.outcome in test.ends
        lead = f"{ASSEMBLIES[order[0]]} {percent(by_assembly[order[0]])}"
        outcomes.append(
            PossibleOutcome(
                value=branch.outcome,
                probability=branch.probability,
                assemblies=assemblies,
                ends=ends,
                expected_cost=branch.cost_to_go,
                text="The set works, the job is done." if ends else f"Leaves first: {lead}.",
            )
        )
    return NextTest(
        name=test.name,
        title=test.title,
        cautions=tuple(dict.fromkeys([*first, *usual])),
        ask=test.ask,
        why=why,
        minutes=test.minutes,
        wait_minutes=test.wait_minutes,
        tools=test.tools,
        level=test.level,
        open=wanted > 0,
        opens=wanted > level,
        live=test.live,
        outcomes=tuple(outcomes),
        own_cost=best.own_cost,
        expected_cost=best.expected_cost,
    )


def _stop(
    best: Choice,
    suspects: Suspects,
    value: float,
    level: int,
    knowledge: Knowledge,
    missing: tuple[str, ...],
) -> Stop | None:
    if best.kind == "test":
        return None
    if best.kind == "repair":
        part = knowledge.parts[best.name.removeprefix(REPLACED)]
        return _order(part, best, suspects, level, knowledge)
    # Giving up: say what the likeliest repair alone would come to.
    leader = knowledge.faults[next(iter(suspects.faults))]
    part = knowledge.parts[leader.repair]
    steps = LEVELS[level + 1 : LEVELS.index(part.level) + 1]
    bill = knowledge.repair_cost(part) + sum(knowledge.opening_cost(step) for step in steps)
    money = knowledge.economy.currency
    title = "Not worth repairing"
    text = (
        f"{title}: every way on is expected to cost more than the set's value of {value:.0f} "
        f"({money}). The likeliest repair, {part.title}, would come to about {bill:.0f} with "
        "labour."
    )
    if missing:
        title = "Not settled yet"
        text = (
            f"{title}: no way on seems to pay, but some figures are the program's own, rough and "
            f"not in your money ({money}). To settle it, give {'; '.join(missing)} (on the Shop "
            "page, or in prices.toml)."
        )
    return Stop(
        kind="not-worth-repairing",
        assembly=part.assembly,
        part=None,
        title=title,
        probability=suspects.assemblies[part.assembly],
        price=None,
        expected_total=value,
        text=text,
        cautions=_closing(level, knowledge),
        settled=not missing,
    )


def _order(part: Part, best: Choice, suspects: Suspects, level: int, knowledge: Knowledge) -> Stop:
    buys = part.price[1] > 0
    cures = [n for n, f in knowledge.faults.items() if f.repair == part.name]
    probability = sum(suspects.faults[name] for name in cures)
    low, high = part.price
    lead = f"{'Order' if part.ordered else 'Do'} this: {part.title}"
    told = not knowledge.foreign or knowledge.gives([part])
    if buys and told:
        lead += f", {low:g} to {high:g}"
    text = (
        f"{lead}; {percent(probability)} that it is the one, and no test is worth its cost any "
        f"more. {part.before} {part.how}"
    )
    if told:
        text += (
            f" The rest of the job is expected to cost {best.expected_cost:.0f} in all "
            f"({knowledge.economy.currency})."
        )
    return Stop(
        kind="order" if part.ordered else "repair",
        assembly=part.assembly,
        part=part.name,
        title=part.title,
        probability=probability,
        price=part.price if buys else None,
        expected_total=best.expected_cost,
        text=text,
        cautions=(
            _closing(level, knowledge)
            if part.level == LEVELS[0]
            else knowledge.cautions_for(part.level, False)
        ),
    )
