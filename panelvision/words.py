"""Labels and results in a technician's words."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.table import Table

    from panelvision.examine import Examination

SYMPTOM_WORDS: dict[str, str] = {
    "faint-image": "dark screen, a faint picture is there",
    "no-image": "dark screen, no picture there",
    "glow-no-image": "backlight glows, no picture",
    "half-screen": "picture on one half only",
    "vertical-bands": "vertical bands",
    "vertical-lines": "vertical lines",
    "horizontal-bands": "horizontal bands or lines",
    "dim-zones": "parts dim or over-bright, soft edges",
    "wrong-colours": "wrong colours or tones",
    "blocky": "square blocks displaced or frozen",
    "cracked": "cracked panel",
    "normal": "no fault to be seen",
    "not-a-screen": "no screen that can be judged",
}

ASSEMBLY_WORDS: dict[str, str] = {
    "backlight": "backlight (LED strips and their wiring)",
    "timing-board": "timing board (T-Con)",
    "main-board": "main board",
    "power-board": "power board",
    "panel": "panel (glass and its drivers)",
    "connection": "an inner cable or its contacts",
    "outside": "outside the set, or only latched up",
}


def count_of(number: int, thing: str) -> str:
    """A number of things, "1 photo", "2 photos"."""
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


def as_percent(share: float) -> str:
    """A share 0..1 as it is said, "83 %"; the sign never starts a line of its own."""
    return f"{100 * share:.0f}\u00a0%"


def percent(p: float) -> str:
    """A probability for people: nothing is certain, nothing impossible."""
    if p < 0.01:
        return "under 1\u00a0%"
    return "over 99\u00a0%" if p > 0.99 else as_percent(p)


def summary(result: "Examination") -> "Table":
    """One photo's result as a table for the terminal."""
    from rich.markup import escape
    from rich.table import Table

    from panelvision.knowledge.loader import load_knowledge

    reading = result.reading
    table = Table(title=escape(result.look.photo.name), title_justify="left", show_header=False)
    table.add_column(style="bold", no_wrap=True)
    table.add_column(overflow="fold")
    verdict = (
        f"{SYMPTOM_WORDS[reading.symptom]} ({percent(reading.probabilities[reading.symptom])})"
    )
    if not result.usable:
        verdict = f"can't tell; best guess: {verdict}"
    table.add_row("symptom", verdict)
    also = [
        f"{SYMPTOM_WORDS[s]} {percent(reading.probabilities[s])}"
        for s in reading.symptom_set
        if s != reading.symptom
    ]
    if also:
        table.add_row("could also be", "; ".join(also))
    for hint in result.retake:
        table.add_row("retake", escape(hint))
    for finding in result.findings:
        table.add_row("seen", escape(finding.sentence))
    if reading.symptom not in ("normal", "not-a-screen"):
        ranked = sorted(result.suspects.assemblies.items(), key=lambda item: -item[1])
        table.add_row(
            "suspects",
            "\n".join(f"{percent(p):>9}  {ASSEMBLY_WORDS[name]}" for name, p in ranked[:4]),
        )
        for line in result.suspects.why[:3]:
            table.add_row("why", escape(line))
        if result.next_test:
            bench = load_knowledge()
            test = bench.tests[result.next_test]
            for caution in bench.cautions_for(test.level, test.live, test.cautions):
                table.add_row("CAUTION", escape(caution))
            table.add_row("next test", escape(test.title))
    return table
