"""What the shop knows: the knowledge files, its own prices and rates, what its cases taught."""

import os
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from panelvision.cases.store import CaseStore, default_folder, open_store
from panelvision.isolate.learn import Outcome, learn
from panelvision.knowledge import Knowledge, in_proportion, load_knowledge
from panelvision.knowledge.schema import Part
from panelvision.settings import (
    Settings,
    currency_of,
    in_own_money,
    like_euros,
    load_settings,
    prices_path,
)


def shop_knowledge(
    settings: Settings, store: CaseStore | None, *, prices: Path | None = None
) -> Knowledge:
    """The knowledge for this shop.

    In money whose unit is not about a euro's, the figures that the shop does not give are there to
    reckon with alone: see :func:`panelvision.knowledge.in_proportion`.

    Parameters
    ----------
    settings : Settings
        Its rates, and the currency where it names one, are laid over those of the files.
    store : CaseStore or None
        Whose closed cases sharpen it.
    prices : path, optional
        The shop's own prices and times; the user's file if there is one.

    Raises
    ------
    DataError
        When a file does not fit.
    StoreError
        When cases cannot be read.
    """
    own = prices or prices_path()
    base = load_knowledge(own if prices or own.is_file() else None)
    currency = currency_of(settings, prices)
    rates = {"labour_per_hour": settings.labour_per_hour, "set_value": settings.set_value}
    own_rates: dict[str, Any] = {name: rate for name, rate in rates.items() if rate is not None}
    known = replace(
        base,
        economy=replace(base.economy, currency=currency or base.economy.currency, **own_rates),
        given=base.given | {f"economy.{name}" for name in own_rates},
    )
    if not like_euros(currency):
        known = in_proportion(known, load_knowledge().economy)
    if store is None:
        return known
    closed = [
        Outcome(
            # A fault that the knowledge has no longer leaves its assembly.
            fault=row["fault"] if row["fault"] in known.faults else row["assembly"],
            observations={k: str(v) for k, v in row["observations"].items()},
            symptom=row["symptom"] or None,
        )
        for row in store.outcomes()
    ]
    return learn(known, closed)


def may_be_told(parts: Iterable[Part], knowledge: Knowledge, settings: Settings) -> bool:
    """Whether what these parts cost with the work may be told to a customer.

    In money whose unit is not about a euro's only the shop's own figures may: nothing converts
    those of the program.
    """
    return in_own_money(settings) or knowledge.gives(parts)


def knowledge_of_this_machine(prices: Path | None = None) -> Knowledge:
    """The same by the settings and the case store that the pages use; makes no empty store."""
    if not has_store():
        return shop_knowledge(load_settings(), None, prices=prices)
    with open_store() as store:
        return shop_knowledge(load_settings(), store, prices=prices)


def has_store() -> bool:
    """Whether there are cases to read; asking does not make an empty store."""
    return (
        bool(os.environ.get("PANELVISION_STORE")) or (default_folder() / "cases.sqlite").is_file()
    )
