"""Small validators for data files: each message names the file, the entry, and what was expected.

Own code rather than a schema library: the rules that matter (rows that add up, names that exist,
nothing impossible) are about this domain, and the program needs no further dependency for them.
"""

from collections.abc import Collection, Iterable, Mapping
from typing import Any

from panelvision.errors import DataError

OPEN_SOURCES = ("common practice, no source", "from memory")
TOTAL_TOLERANCE = 1e-6
LARGEST = 1e9
"""No price, time, weight or voltage comes near it; sums and products of such stay finite."""


class Entry:
    """One table of a data file, read key by key; `done` complains of keys nobody asked for."""

    def __init__(self, where: str, table: Any) -> None:
        if not isinstance(table, Mapping):
            raise DataError(f"{where}: expected a table, got {shown(table)}")
        self.where = where
        self.table = table
        self.seen: set[str] = set()

    def fail(self, key: str, expected: str) -> DataError:
        """The error for `key`, ready to raise."""
        return DataError(
            f"{self.where}: {key} must be {expected}, got {shown(self.table.get(key))}"
        )

    def get(self, key: str, default: Any = None) -> Any:
        """The raw value."""
        self.seen.add(key)
        return self.table.get(key, default)

    def text(self, key: str, default: str | None = None) -> str:
        """A non-empty string."""
        value = self.get(key, default)
        if not isinstance(value, str) or (not value.strip() and default is None):
            raise self.fail(key, "a non-empty text")
        return value.strip()

    def word(self, key: str, allowed: Collection[str]) -> str:
        """One of the allowed words."""
        value = self.text(key)
        if value not in allowed:
            raise self.fail(key, f"one of {', '.join(allowed)}")
        return value

    def flag(self, key: str) -> bool:
        """true or false."""
        value = self.get(key)
        if not isinstance(value, bool):
            raise self.fail(key, "true or false")
        return value

    def number(
        self, key: str, low: float, high: float = LARGEST, default: float | None = None
    ) -> float:
        """A finite number within low..high."""
        value = self.get(key, default)
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise self.fail(key, "a number")
        if not low <= value <= high:
            raise self.fail(key, f"a number from {low:g} to {high:g}")
        return float(value)

    def pair(self, key: str, low: float) -> tuple[float, float]:
        """[low, high], ascending."""
        value = self.get(key)
        if (
            not isinstance(value, list)
            or len(value) != 2
            or not all(isinstance(v, (int, float)) and not isinstance(v, bool) for v in value)
            or not low <= value[0] <= value[1] <= LARGEST
        ):
            raise self.fail(key, f"two ascending numbers, at least {low:g}")
        return float(value[0]), float(value[1])

    def texts(self, key: str, allowed: Collection[str] | None = None) -> tuple[str, ...]:
        """A list of texts, empty if left out."""
        value = self.get(key, [])
        if not isinstance(value, list) or not all(isinstance(v, str) and v for v in value):
            raise self.fail(key, "a list of texts")
        unknown = [v for v in value if allowed is not None and v not in allowed]
        if unknown:
            raise DataError(
                f"{self.where}: {key} names {unknown[0]!r}, which is none of "
                f"{', '.join(allowed or ())}"
            )
        return tuple(value)

    def source(self) -> str:
        """Where the numbers come from: one of the two set phrases, or a reference."""
        value = self.text("source")
        if value not in OPEN_SOURCES and len(value) < 12:
            raise self.fail("source", f"a reference, or one of: {'; '.join(OPEN_SOURCES)}")
        return value

    def done(self) -> None:
        """Complain of keys that nothing reads, which are usually misspelt."""
        unknown = sorted(set(self.table) - self.seen)
        if unknown:
            raise DataError(
                f"{self.where}: unknown key {unknown[0]!r}; known: {', '.join(sorted(self.seen))}"
            )


def shown(value: Any) -> str:
    """A value as a message quotes it: in one line, and not all of a long one."""
    try:
        text = repr(value)
    except ValueError:  # Python writes no whole number of more than some thousand digits
        text = "a number of thousands of digits"
    return text if len(text) <= 200 else text[:200] + "..."


def probabilities(where: str, row: Any, length: int) -> tuple[float, ...]:
    """A row of `length` probabilities, none 0 or 1, adding up to 1."""
    if not isinstance(row, list) or len(row) != length:
        raise DataError(f"{where}: expected {length} probabilities, got {shown(row)}")
    for p in row:
        if isinstance(p, bool) or not isinstance(p, (int, float)) or not 0 < p < 1:
            raise DataError(
                f"{where}: each probability lies between 0 and 1, neither, got {shown(p)}"
            )
    if abs(sum(row) - 1) > TOTAL_TOLERANCE:
        raise DataError(f"{where}: probabilities add up to {sum(row):g}, not 1: {shown(row)}")
    return tuple(float(p) for p in row)


def with_rest_spread(where: str, listed: Entry, labels: Iterable[str]) -> dict[str, float]:
    """Probabilities of all labels: those listed, and what is left shared evenly by the others."""
    labels = tuple(labels)
    given = {}
    for label in listed.table:
        if label not in labels:
            raise DataError(f"{where}: {label!r} is none of {', '.join(labels)}")
        given[label] = listed.number(label, 1e-6, 1.0)
    rest = 1 - sum(given.values())
    others = [label for label in labels if label not in given]
    if (others and rest <= 0) or (not others and abs(rest) > TOTAL_TOLERANCE):
        raise DataError(
            f"{where}: probabilities add up to {1 - rest:g}; they must leave something to the "
            "labels not listed, or add up to 1 if all are"
        )
    return {label: given.get(label, rest / max(1, len(others))) for label in labels}
