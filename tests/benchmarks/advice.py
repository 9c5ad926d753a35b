"""The adviser against the fixed flow of common practice, p/c greedy and random order.

    python -m tests.benchmarks.advice [--quick] [--worlds N] [--sets N] [--seed S] [--photo P]
                                      [--bounds]

Sets are drawn from the published model and from 40 models whose probabilities are off by a factor
of up to two; the adviser always believes the published one. What is claimed is about such worlds,
not about the few that were drawn, so the intervals are over worlds. All policies start from the
same free observations (sound, standby light, what the screen shows); `adviser+photo` also gets a
calibrated reading of a photo, right in 85 of 100 or as often as `--photo` says. Cost is
everything: time, parts, openings, and the set's value when it is given up. `--bounds` adds what
shows where the cost comes from: one step of look-ahead instead of two, and an adviser told each
world's own probabilities. Last line: one JSON object.
"""

import argparse
import json
import time
from collections.abc import Hashable
from dataclasses import replace

import numpy as np

from panelvision.isolate import Knowledge, load_knowledge
from panelvision.isolate.advise import LOOK_AHEAD, advise
from panelvision.isolate.plan import agenda, choices
from panelvision.isolate.posterior import gather
from panelvision.isolate.problem import make_problem
from panelvision.knowledge import LEVELS
from panelvision.knowledge.schema import REPLACED
from tests.benchmarks.fixed_flow import fixed_flow
from tests.benchmarks.repair_world import (
    PHOTO_TOP_1,
    Job,
    Policy,
    Tally,
    World,
    draw_sets,
    perturbed,
    photo_readings,
    ratio_of_means,
    true_world,
    work_through,
)

MODEL_SETS = 10_000
PERTURBED_WORLDS, SETS_PER_WORLD = 40, 1250
QUICK_WORLDS, QUICK_SETS = 5, 300
Z95 = 1.96


class Adviser:
    """Does what `advise` says; what it says for a state is worked out once and remembered."""

    def __init__(
        self, knowledge: Knowledge, *, depth: int = LOOK_AHEAD, photo: float | None
    ) -> None:
        self.knowledge = knowledge
        self.problem = make_problem(knowledge)
        self.depth = depth
        self.photos = None if photo is None else photo_readings(photo)
        self.known: dict[Hashable, tuple[str, str]] = {}

    def enter(self, world: World) -> None:
        """Another world begins; this adviser goes on believing what is published."""

    def __call__(self, job: Job) -> None:
        photo = int(job.sets.photo[job.index]) if self.photos else -1
        while not job.over:
            key = (photo, job.level, frozenset(job.seen.items()))
            if key not in self.known:
                self.known[key] = self.decide(photo, job)
            kind, name = self.known[key]
            if kind == "test":
                job.test(name)
            elif kind == "repair":
                job.repair(name.removeprefix(REPLACED))
            else:
                job.give_up()

    def decide(self, photo: int, job: Job) -> tuple[str, str]:
        """Kind and name of the best action, by the same functions as `advise`."""
        reading = self.photos[photo] if self.photos else None
        weights = gather(reading, job.seen, self.knowledge).weights(self.knowledge)
        todo = agenda(self.problem, (), job.seen)
        best = choices(self.problem, weights.ravel(), todo, level=job.level, depth=self.depth)[0]
        return best.kind, best.name


class Informed(Adviser):
    """Believes the world's own probabilities: what wrong ones cost is the difference to it."""

    def enter(self, world: World) -> None:
        """Take the world's tables for the published ones."""
        told = replace(self.knowledge)
        told.__dict__.update(
            prior=world.prior,
            symptom_given_fault=world.symptoms,
            joint=world.prior[:, None] * world.symptoms,
            likelihoods=world.likelihoods,
        )
        self.knowledge, self.problem, self.known = told, make_problem(told), {}


class Greedy(Adviser):
    """p/c ordering of repairs (openings merged in), no bench test at all."""

    def decide(self, photo: int, job: Job) -> tuple[str, str]:
        """The first repair of the cheapest order, or giving up."""
        weights = gather(None, job.seen, self.knowledge).weights(self.knowledge)
        tests = tuple(self.knowledge.tests)
        todo = agenda(self.problem, tests, job.seen)
        best = choices(self.problem, weights.ravel(), todo, level=job.level, depth=1)[0]
        return best.kind, best.name


class RandomOrder:
    """Repairs in random order, the panel never; then the set is given up."""

    def __init__(self, knowledge: Knowledge, rng: np.random.Generator) -> None:
        self.parts = [name for name in knowledge.parts if name != "panel"]
        self.rng = rng

    def __call__(self, job: Job) -> None:
        for part in self.rng.permutation(self.parts):
            if job.repair(str(part)):
                return


def clairvoyant(job: Job) -> None:
    """Knows the fault: tries the cheap cures of it, mends it, or gives the set up if cheaper.

    What is left of the cost then is what no amount of fault-finding can save.
    """
    knowledge = job.knowledge
    part = knowledge.parts[knowledge.faults[job.fault].repair]
    steps = LEVELS[1 : LEVELS.index(part.level) + 1]
    bill = knowledge.repair_cost(part) + sum(knowledge.opening_cost(step) for step in steps)
    cures = [
        test
        for test in knowledge.tests.values()
        if test.level == "closed" and any(job.fault in cured for cured in test.ends.values())
    ]
    for test in sorted(cures, key=knowledge.test_cost):
        if knowledge.test_cost(test) < bill / 2 and not job.over:
            job.test(test.name)
    if not job.over and bill < knowledge.economy.set_value:
        job.repair(part.name)


def compare(
    worlds_off: int,
    n: int,
    seed: int,
    *,
    model_sets: int,
    photo: float = PHOTO_TOP_1,
    bounds: bool = False,
) -> dict[str, dict[str, Tally]]:
    """World -> policy -> tally, for n sets a world, `model_sets` from the published model."""
    knowledge = load_knowledge()
    policies: dict[str, Policy] = {
        "fixed flow": fixed_flow,
        "adviser": Adviser(knowledge, photo=None),
        "adviser+photo": Adviser(knowledge, photo=photo),
        "p/c greedy": Greedy(knowledge, photo=None),
        "clairvoyant": clairvoyant,
        "random": RandomOrder(knowledge, np.random.default_rng(seed)),
    }
    if bounds:
        for suffix, reads in (("", None), ("+photo", photo)):
            policies["one step" + suffix] = Adviser(knowledge, depth=1, photo=reads)
            policies["informed" + suffix] = Informed(knowledge, photo=reads)
    rng = np.random.default_rng(seed)
    worlds = {"model": true_world(knowledge)}
    for i in range(worlds_off):
        worlds[f"perturbed {i + 1}"] = perturbed(knowledge, rng)
    results: dict[str, dict[str, Tally]] = {}
    for world, truth in worlds.items():
        count = model_sets if world == "model" else n
        sets = draw_sets(truth, knowledge, count, rng, photo_top_1=photo)
        results[world] = {}
        for name, policy in policies.items():
            start = time.perf_counter()
            if isinstance(policy, Adviser):
                policy.enter(truth)
            results[world][name] = work_through(policy, knowledge, sets)
            print_row(world, name, results[world][name], time.perf_counter() - start)
    return results


def print_row(world: str, policy: str, tally: Tally, seconds: float) -> None:
    """One line of the table; the half-width of the 95 % interval beside the mean cost."""
    half = Z95 * tally.cost.std(ddof=1) / np.sqrt(len(tally.cost))
    print(
        f"{world:12s} {policy:14s} cost {tally.cost.mean():6.1f} +-{half:4.1f}  "
        f"minutes {tally.minutes.mean():6.1f}  wrong parts {tally.wrong_parts.mean():.3f}  "
        f"open-set tests {tally.open_tests.mean():.2f}  given up {tally.given_up.mean():.3f}  "
        f"({seconds:.1f} s)",
        flush=True,
    )


def by_world(results: dict[str, dict[str, Tally]], policy: str, field: str) -> np.ndarray:
    """Mean of a column in each perturbed world."""
    return np.array(
        [getattr(r[policy], field).mean() for world, r in results.items() if world != "model"]
    )


def milliseconds_per_advice(repeats: int) -> float:
    """Median time of one `advise` call over typical states, knowledge loaded."""
    states: list[dict[str, str | float]] = [
        {},
        {"sound": "yes", "picture": "dark"},
        {"sound": "yes", "picture": "glow", "torch": "nothing"},
        {"sound": "no", "standby-light": "off", "picture": "dark", "discharge": "no-change"},
    ]
    times = []
    for _ in range(repeats):
        for state in states:
            start = time.perf_counter()
            advise(None, state)
            times.append(time.perf_counter() - start)
    return float(np.median(times) * 1000)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--quick", action="store_true", help="5 worlds of 300 sets")
    parser.add_argument("--worlds", type=int, help="so many perturbed worlds")
    parser.add_argument("--sets", type=int, help="so many sets a world")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--photo", type=float, default=PHOTO_TOP_1, help="share of photos that are read rightly"
    )
    parser.add_argument("--bounds", action="store_true", help="show where the cost comes from")
    args = parser.parse_args()
    worlds = args.worlds or (QUICK_WORLDS if args.quick else PERTURBED_WORLDS)
    sets = args.sets or (QUICK_SETS if args.quick else SETS_PER_WORLD)
    model_sets = QUICK_SETS if args.quick else MODEL_SETS
    results = compare(
        worlds, sets, args.seed, model_sets=model_sets, photo=args.photo, bounds=args.bounds
    )
    summary: dict[str, object] = {
        "sets_per_world": sets,
        "perturbed_worlds": worlds,
        "model_sets": model_sets,
        "photo_top_1": args.photo,
    }
    for world, tallies in results.items():
        ratios = [
            tallies[p].cost.mean() / tallies["fixed flow"].cost.mean()
            for p in ("adviser", "adviser+photo")
        ]
        print(f"{world}: cost over the fixed flow's {ratios[0]:.3f}, with photo {ratios[1]:.3f}")
    shown = [("adviser", ""), ("adviser+photo", "_with_photo")]
    if args.bounds:
        shown += [
            (f"{name}{plus}", f"_{name.replace(' ', '_')}{suffix}")
            for name in ("one step", "informed")
            for plus, suffix in (("", ""), ("+photo", "_with_photo"))
        ]
    for policy, suffix in shown:
        for field, key in (
            ("cost", "cost_over_fixed_flow"),
            ("wrong_parts", "wrong_parts_over_fixed_flow"),
            ("minutes", "minutes_over_fixed_flow"),
            ("open_tests", "open_tests_over_fixed_flow"),
        ):
            ratio, low, high = ratio_of_means(
                by_world(results, policy, field), by_world(results, "fixed flow", field)
            )
            summary[key + suffix] = round(ratio, 4)
            summary[f"{key}{suffix}_95"] = [round(low, 4), round(high, 4)]
            print(f"{policy}: {key} {ratio:.3f} (95 %: {low:.3f} to {high:.3f})")
    # What no policy can save (the repair itself, sets beyond repair) taken off both sides.
    floor = by_world(results, "clairvoyant", "cost").mean()
    flow = by_world(results, "fixed flow", "cost").mean()
    for policy, suffix in (("adviser", ""), ("adviser+photo", "_with_photo")):
        avoidable = (by_world(results, policy, "cost").mean() - floor) / (flow - floor)
        summary["avoidable_cost_over_fixed_flow" + suffix] = round(float(avoidable), 4)
    summary["ms_per_advice"] = round(milliseconds_per_advice(2 if args.quick else 10), 1)
    print(json.dumps(summary))


if __name__ == "__main__":
    main()
