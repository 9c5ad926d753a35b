"""In which order to try repairs when each is tried until the set works.

Expected cost of an order (Kadane & Simon 1975; Heckerman, Breese & Rommelse 1995):

    ECR = sum_i c_i (1 - sum_{j<i} p_j)

With every suspect paid for, descending p/c is optimal. With the set's cover to be taken off once
for several repairs it no longer is: opening is then a job with p = 0 that precedes its cluster,
the sum is a weighted completion time under tree-shaped precedence, and merging each opening with
the best-paying head of its cluster is optimal (Horn 1972; for troubleshooting, Ottosen & Jensen).
`repair_plans` does that for many posteriors at once, with giving up at any point for a
fixed loss.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from panelvision.arrays import BoolArray, FloatArray, IntArray


def expected_cost(
    order: Sequence[int], p: Sequence[float], c: Sequence[float], *, last_is_free: bool = False
) -> float:
    """ECR of trying suspects in `order`; with `last_is_free` the last one is inferred unpaid."""
    total, left = 0.0, 1.0
    paid = order[:-1] if last_is_free else order
    for i in paid:
        total += c[i] * left
        left -= p[i]
    return total


def best_order(
    p: Sequence[float], c: Sequence[float], *, last_is_free: bool = False
) -> tuple[int, ...]:
    """The order of least expected cost.

    p: probabilities, c: costs (> 0), single fault, independent costs. With every suspect paid
    for, descending p/c. With the last inferred free of charge p/c is not optimal: the rest is in
    p/c order for whichever suspect is last, so each is tried as the last one.
    """
    by_ratio = sorted(range(len(p)), key=lambda i: (-p[i] / c[i], i))
    if not last_is_free:
        return tuple(by_ratio)
    orders = [(*(j for j in by_ratio if j != last), last) for last in by_ratio]
    return min(orders, key=lambda order: expected_cost(order, p, c, last_is_free=True))


@dataclass(frozen=True)
class Repairs:
    """Repairs as numbers: cost (R,) without opening, level (R,) 0, 1 or 2, success (R,) 0..1.

    opening: (2,) cost of reaching level 1 from 0 and level 2 from 1. give_up: the loss when the
    set is not repaired (finite).
    """

    cost: FloatArray
    level: IntArray
    success: FloatArray
    opening: FloatArray
    give_up: float


@dataclass(frozen=True)
class RepairPlans:
    """For each of B posteriors: cost (B,), best order (B, R), and how many of it are worth it."""

    cost: FloatArray
    order: IntArray
    worth: IntArray


def repair_plans(
    mass: FloatArray, total: FloatArray, level: IntArray, repairs: Repairs
) -> RepairPlans:
    """Cheapest way on by repairs alone, for many posteriors at once; exact.

    Parameters
    ----------
    mass : (B, R), the weight of the faults that each repair addresses; 0 for one already tried
    total : (B,), weight of all; the result scales with it (nothing need be normalised)
    level : (B,), how far the set is open

    The result is the minimum over all orders and all points of giving up, so it is concave in
    the weights and no free test can make it worse.
    """
    gain = mass * repairs.success
    cost = np.broadcast_to(repairs.cost, gain.shape)
    # What is already open costs nothing more.
    step1 = np.where(level >= 1, 0.0, repairs.opening[0])[:, None]
    step2 = np.where(level >= 2, 0.0, repairs.opening[1])[:, None]
    ratio = gain / cost
    shallow = ratio.copy()
    is_open = repairs.level >= 1
    is_deep = repairs.level >= 2
    if is_deep.any():
        shallow[:, is_deep] = _merged(ratio, ratio, gain, cost, is_deep, is_deep, step2, step2 * 0)
    key = shallow.copy()
    if is_open.any():
        key[:, is_open] = _merged(shallow, ratio, gain, cost, is_open, is_deep, step1, step2)
    # Within a merged block all keys are equal: its members keep the order they had before.
    order = np.lexsort((-ratio, -shallow, -key), axis=1)
    gain = np.take_along_axis(gain, order, 1)
    levels = repairs.level[order]
    paid = np.take_along_axis(cost, order, 1)
    paid = paid + step1 * _first(levels >= 1) + step2 * _first(levels >= 2)
    left = total[:, None] - np.cumsum(gain, axis=1)
    before = np.concatenate([total[:, None], left[:, :-1]], axis=1)
    spent = np.cumsum(paid * before, axis=1)
    stops = np.concatenate(
        [repairs.give_up * total[:, None], spent + repairs.give_up * left], axis=1
    )
    worth = np.argmin(stops, axis=1)
    return RepairPlans(np.take_along_axis(stops, worth[:, None], 1)[:, 0], order, worth)


def _first(flags: BoolArray) -> BoolArray:
    """True at the first true of each row."""
    return flags & (np.cumsum(flags, axis=1) == 1)


def _merged(
    key: FloatArray,
    ratio: FloatArray,
    gain: FloatArray,
    cost: FloatArray,
    members: BoolArray,
    deep: BoolArray,
    opening: FloatArray,
    deeper: FloatArray,
) -> FloatArray:
    """Keys of the members after their opening is merged with the best-paying head of the cluster.

    The head is the prefix (in key order) with the largest gain per cost, opening included; its
    members share that ratio, the others keep their own smaller one. `deeper` is the further
    opening paid at the first member that lies deeper.
    """
    key, ratio = key[:, members], ratio[:, members]
    order = np.lexsort((-ratio, -key), axis=1)
    gains = np.cumsum(np.take_along_axis(gain[:, members], order, 1), axis=1)
    extra = deeper * _first(deep[members][order])
    costs = opening + np.cumsum(np.take_along_axis(cost[:, members], order, 1) + extra, axis=1)
    return np.minimum(key, (gains / costs).max(axis=1, keepdims=True))
