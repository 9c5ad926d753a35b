"""The files' figures in other money: in proportion to what the shop gives, to reckon with."""

from dataclasses import replace
from typing import Any, TypeVar

from panelvision.knowledge.schema import Economy, Knowledge

_RATES = ("labour_per_hour", "live_risk", "order_handling", "return_visit", "set_value")
_Record = TypeVar("_Record", bound=Any)


def in_proportion(knowledge: Knowledge, shipped: Economy) -> Knowledge:
    """The knowledge in money whose unit is not about a euro's, marked as such.

    What the shop gives stays. The other figures stand to the files' as its hour of work does, or,
    where it gives none, as what a set is worth does: so that advice weighs money of one kind. They
    are no prices, and are not to be told as such.

    Parameters
    ----------
    knowledge : Knowledge
        With the shop's figures laid over, and named in ``given``.
    shipped : Economy
        That of the files alone.
    """
    factor = _factor(knowledge, shipped)

    def scaled(record: _Record, place: str, *names: str) -> _Record:
        rough = {n: getattr(record, n) for n in names if f"{place}.{n}" not in knowledge.given}
        return replace(record, **{name: _times(factor, value) for name, value in rough.items()})

    return replace(
        knowledge,
        economy=scaled(knowledge.economy, "economy", *_RATES),
        parts={n: scaled(p, f"part.{n}", "price") for n, p in knowledge.parts.items()},
        openings={n: scaled(o, f"opening.{n}", "risk") for n, o in knowledge.openings.items()},
        tests={n: scaled(t, f"test.{n}", "risk") for n, t in knowledge.tests.items()},
        foreign=True,
    )


def _factor(knowledge: Knowledge, shipped: Economy) -> float:
    for name in ("labour_per_hour", "set_value"):
        own = float(getattr(knowledge.economy, name))
        if f"economy.{name}" in knowledge.given and own > 0:
            return own / float(getattr(shipped, name))
    return 1.0


def _times(factor: float, value: Any) -> Any:
    return tuple(factor * v for v in value) if isinstance(value, tuple) else factor * value
