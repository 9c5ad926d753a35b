"""Photos to try, from an invented workshop; drawn by the project's own generator."""

import json
from dataclasses import dataclass
from pathlib import Path

from panelvision.errors import DataError

EXAMPLES = Path(__file__).parent / "data" / "examples"


@dataclass(frozen=True)
class Example:
    """One photo to try.

    Attributes
    ----------
    name : str
        Name of its file.
    title : str
        What the customer said, in a few words.
    story : str
        One or two sentences that teach what to look for.
    """

    name: str
    title: str
    story: str

    def read(self) -> bytes:
        """The photo's bytes."""
        return (EXAMPLES / self.name).read_bytes()


def load_examples(folder: Path = EXAMPLES) -> tuple[Example, ...]:
    """The examples that ship with the program, in the order in which they teach.

    Raises
    ------
    DataError
        When the list of examples cannot be read.
    """
    listing = folder / "examples.json"
    try:
        rows = json.loads(listing.read_text(encoding="utf-8"))
        found = tuple(Example(row["file"], row["title"], row["story"]) for row in rows)
    except (OSError, ValueError, KeyError, TypeError) as fault:
        raise DataError(
            f"{listing.name}: cannot be read ({fault}); reinstall panelvision"
        ) from None
    return tuple(example for example in found if (folder / example.name).is_file())
