"""Cells of CSV files that spreadsheets open: text stays text."""

from datetime import datetime
from typing import Any

# A cell that begins with one of these is taken as a formula by common spreadsheets
# (OWASP, "CSV Injection").
# Some programs fold the full-width forms of the same signs to them.
_FORMULA_STARTS = ("=", "+", "-", "@", "＝", "＋", "－", "＠")


def cell(value: Any) -> str | float | int:
    """A value for a CSV cell: text that would run as a formula gets an apostrophe before it.

    None and NaN become empty; times become ISO 8601; numbers stay numbers.
    """
    if value is None or value != value:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return value
    if isinstance(value, datetime):
        return value.isoformat(timespec="seconds")
    text = " ".join(str(value).replace("\0", "").splitlines())
    return "'" + text if text.lstrip().startswith(_FORMULA_STARTS) else text
