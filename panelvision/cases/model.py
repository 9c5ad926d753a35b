"""What a shop remembers: customer, set, photos, what was seen and done, and how it ended."""

import math
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from numbers import Real
from typing import Any

import numpy as np

from panelvision.errors import DataError
from panelvision.geometry import is_convex
from panelvision.labels import ASSEMBLIES, SYMPTOMS
from panelvision.settings import LEAST_MONEY, MOST_MONEY

# chosen: far beyond what a person types; a bound against a hostile import.
MAX_TEXT = 20_000
_MAX_DEPTH = 12
_NUMBER: Any = Real  # numpy's scalars too


def new_id() -> str:
    """A fresh identity: 32 hexadecimal digits (random UUID, RFC 9562 version 4)."""
    return uuid.uuid4().hex


@dataclass(frozen=True)
class Customer:
    """Who brought the set.

    Attributes
    ----------
    name, contact : str
        As given; ``contact`` is an e-mail address or a telephone number.
    consent : bool
        Whether the customer agreed that the photos help to train the program.
    id : str
    """

    name: str = ""
    contact: str = ""
    consent: bool = False
    id: str = field(default_factory=new_id)


@dataclass(frozen=True)
class SetDescription:
    """The faulty set.

    Attributes
    ----------
    label : str
        To find it again.
    size_inch : float or None
        The diagonal.
    notes : str
    worth : float or None
        Of this set when it works, in the shop's currency; None for what the shop's settings say.
    """

    label: str = ""
    size_inch: float | None = None
    notes: str = ""
    worth: float | None = None


@dataclass(frozen=True)
class CasePhoto:
    """A photo of a case.

    Attributes
    ----------
    sha256 : str
        Of the kept file (without metadata); its address in the store.
    source_sha256 : str
        Of the file as it came.
    name : str
        The file's name as it came.
    examination : dict or None
        The record of ``panelvision examine``; with ``corners_by_hand`` where the technician set
        them.
    """

    sha256: str
    source_sha256: str = ""
    name: str = ""
    examination: Mapping[str, Any] | None = None

    @property
    def corners_by_hand(self) -> list[list[float]] | None:
        """Four (x, y) in photo pixels, clockwise, where the record holds such."""
        given = (self.examination or {}).get("corners_by_hand")
        try:
            corners = np.asarray(given, dtype=np.float64)
        except (TypeError, ValueError):
            return None
        if corners.shape != (4, 2) or not is_convex(corners):
            return None
        return [[float(x), float(y)] for x, y in corners]


@dataclass(frozen=True)
class Outcome:
    """What it turned out to be.

    Attributes
    ----------
    assembly : str
        One of ``labels.ASSEMBLIES``: what brought the set back when replaced or mended.
    fault : str
        Name of the fault in the knowledge base, or empty when only the assembly is known.
    symptom : str
        The symptom as the technician saw it, one of ``labels.SYMPTOMS``, or empty.
    notes : str
    """

    assembly: str
    fault: str = ""
    symptom: str = ""
    notes: str = ""


@dataclass(frozen=True)
class Case:
    """One job.

    Attributes
    ----------
    observations : mapping of str to value
        What the technician noticed or measured, by the name in the knowledge base.
    done_tests : tuple of mapping
        ``{"test": name, "outcome": value}`` in the order in which they were done.
    advice : mapping or None
        The advice that stood when the case was saved; ``advice["suspects"]`` maps each
        assembly to its probability.
    verdict : str
        The assembly that was decided on, or empty.
    costs : mapping of str to float
        In the shop's currency, by what they are for (parts, labour, ...).
    created, updated : datetime or None
        UTC; set by the store.
    closed : datetime or None
        UTC; None while the case is open.
    revision : int
        0 before the first save, then counted up by the store with every save.
    """

    customer: Customer | None = None
    set: SetDescription = SetDescription()
    photos: tuple[CasePhoto, ...] = ()
    observations: Mapping[str, Any] = field(default_factory=dict)
    done_tests: tuple[Mapping[str, Any], ...] = ()
    advice: Mapping[str, Any] | None = None
    verdict: str = ""
    outcome: Outcome | None = None
    costs: Mapping[str, float] = field(default_factory=dict)
    id: str = field(default_factory=new_id)
    created: datetime | None = None
    updated: datetime | None = None
    closed: datetime | None = None
    revision: int = 0

    def photo_of(self) -> dict[str, CasePhoto]:
        """Photos by the hash of the kept file, and by that of the file as it came."""
        return {p.sha256: p for p in self.photos} | {p.source_sha256: p for p in self.photos}

    @property
    def symptom(self) -> str:
        """The confirmed symptom, else the most probable one of the photos, else empty."""
        if self.outcome is not None and self.outcome.symptom:
            return self.outcome.symptom
        best, best_probability = "", -1.0
        for photo in self.photos:
            record = photo.examination or {}
            symptom = record.get("symptom")
            if symptom in SYMPTOMS and record.get("usable", True):
                probability = _shares(record.get("symptom_probabilities")).get(symptom, 0.0)
                if probability > best_probability:
                    best, best_probability = symptom, probability
        return best

    @property
    def suspects(self) -> dict[str, float]:
        """Probability by assembly as last advised, most probable first; empty if never advised."""
        given = _shares((self.advice or {}).get("suspects"))
        known = {a: p for a, p in given.items() if a in ASSEMBLIES}
        return dict(sorted(known.items(), key=lambda item: (-item[1], ASSEMBLIES.index(item[0]))))


def _shares(value: Any) -> dict[str, float]:
    """The probabilities of a record that may have been written by another program."""
    if not isinstance(value, Mapping):
        return {}
    return {
        name: float(p)
        for name, p in value.items()
        if isinstance(p, _NUMBER) and not isinstance(p, bool) and 0 <= p <= 1
    }


def check_customer(customer: Customer) -> Customer:
    """The customer with text fit for every database, or a DataError that names the bad field."""
    return Customer(
        _text(customer.name, "customer name"),
        _text(customer.contact, "customer contact"),
        bool(customer.consent),
        _identity(customer.id, "customer id"),
    )


def check_case(case: Case) -> Case:
    """The case with text fit for every database, or a DataError that names the bad field."""
    customer = None if case.customer is None else check_customer(case.customer)
    size = case.set.size_inch
    if size is not None and not (isinstance(size, int | float) and 1 <= size <= 1000):
        raise DataError(f"set size: expected 1 to 1000 inches, got {str(size)[:40]!r}")
    worth = case.set.worth
    if worth is not None and not (
        isinstance(worth, int | float) and LEAST_MONEY <= worth <= MOST_MONEY
    ):
        raise DataError(
            f"set worth: expected {LEAST_MONEY:g} to {MOST_MONEY:.0f}, got {str(worth)[:40]!r}"
        )
    outcome = case.outcome
    if outcome is not None:
        if outcome.assembly not in ASSEMBLIES:
            raise DataError(
                f"outcome assembly: {outcome.assembly[:40]!r} is none of {', '.join(ASSEMBLIES)}"
            )
        if outcome.symptom and outcome.symptom not in SYMPTOMS:
            raise DataError(
                f"outcome symptom: {outcome.symptom[:40]!r} is none of {', '.join(SYMPTOMS)}"
            )
        outcome = Outcome(
            outcome.assembly,
            _text(outcome.fault, "outcome fault"),
            outcome.symptom,
            _text(outcome.notes, "outcome notes"),
        )
    if case.verdict and case.verdict not in ASSEMBLIES:
        raise DataError(f"verdict: {case.verdict[:40]!r} is none of {', '.join(ASSEMBLIES)}")
    if len({p.sha256 for p in case.photos}) != len(case.photos):
        raise DataError("photos: the same photo stands twice in the case")
    return Case(
        customer=customer,
        set=SetDescription(
            _text(case.set.label, "set label"), size, _text(case.set.notes, "set notes"), worth
        ),
        photos=tuple(
            CasePhoto(
                _digest(photo.sha256, "photo"),
                _digest(photo.source_sha256, "photo source") if photo.source_sha256 else "",
                _text(photo.name, "photo name"),
                plain(photo.examination, "examination"),
            )
            for photo in case.photos
        ),
        observations=_mapping(case.observations, "observations"),
        done_tests=tuple(_mapping(test, "done tests") for test in case.done_tests),
        advice=None if case.advice is None else _mapping(case.advice, "advice"),
        verdict=case.verdict,
        outcome=outcome,
        costs={_text(k, "costs"): _number(v, "costs") for k, v in case.costs.items()},
        id=_identity(case.id, "case id"),
        created=case.created,
        updated=case.updated,
        closed=case.closed,
        revision=case.revision,
    )


def plain(value: Any, field_name: str, *, depth: int = 0) -> Any:
    """A value as JSON can hold it: NaN becomes None, numpy scalars become numbers."""
    if depth > _MAX_DEPTH:
        raise DataError(f"{field_name}: nested more than {_MAX_DEPTH} deep")
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        return _text(value, field_name)
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {
            _text(str(key), field_name): plain(item, field_name, depth=depth + 1)
            for key, item in value.items()
        }
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(item, field_name, depth=depth + 1) for item in value]
    if hasattr(value, "tolist"):
        return plain(value.tolist(), field_name, depth=depth + 1)
    raise DataError(f"{field_name}: cannot keep a value of type {type(value).__name__}")


def _mapping(value: Any, field_name: str) -> dict[str, Any]:
    if not isinstance(value, Mapping):
        raise DataError(f"{field_name}: expected names with values, got {type(value).__name__}")
    cleaned = plain(value, field_name)
    assert isinstance(cleaned, dict)
    return cleaned


def _text(value: Any, field_name: str) -> str:
    if not isinstance(value, str):
        raise DataError(f"{field_name}: expected text, got {type(value).__name__}")
    if len(value) > MAX_TEXT:
        raise DataError(f"{field_name}: longer than {MAX_TEXT} characters")
    # PostgreSQL takes no NUL in text, and no database takes half a surrogate pair.
    return value.replace("\0", "").encode("utf-8", "replace").decode("utf-8")


def _number(value: Any, field_name: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e15:
        raise DataError(f"{field_name}: expected a number below 1e15, got {str(value)[:40]!r}")
    return float(value)


def _identity(value: Any, field_name: str) -> str:
    if not (isinstance(value, str) and len(value) == 32 and set(value) <= set("0123456789abcdef")):
        raise DataError(f"{field_name}: expected 32 hexadecimal digits, got {str(value)[:40]!r}")
    return value


def _digest(value: Any, field_name: str) -> str:
    if not (isinstance(value, str) and len(value) == 64 and set(value) <= set("0123456789abcdef")):
        raise DataError(f"{field_name}: expected a SHA-256 in hexadecimal, got {str(value)[:70]!r}")
    return value
