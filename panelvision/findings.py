"""All measured results as sentences and marks, most important first."""

import math

from panelvision.classify import SymptomReading
from panelvision.evidence import Evidence
from panelvision.findings_grid import describe_columns, describe_rows
from panelvision.findings_surface import describe_surface
from panelvision.marks import Finding, Mark
from panelvision.measure.faint import WORKING_PANEL_CONTRAST
from panelvision.squareup import Outline

__all__ = ["Finding", "Mark", "describe", "supported"]

# What a symptom is about: findings of these kinds come first when it is read.
_ABOUT = {
    "faint-image": ("faint",),
    "no-image": ("faint",),
    "glow-no-image": ("check",),
    "half-screen": ("half",),
    "vertical-bands": ("band",),
    "vertical-lines": ("line",),
    "horizontal-bands": ("rows",),
    "dim-zones": ("zone", "spot"),
    "wrong-colours": ("colour",),
    "blocky": ("blocks",),
    "cracked": ("crack",),
}
# Symptoms that a finding of this kind can belong to: it is said when the reading of all the
# evidence takes one of them for possible. Content has straight edges and thin lines, too.
_BELONGS = {
    "half": ("half-screen", "vertical-bands"),
    "band": ("vertical-bands", "half-screen"),
    "line": ("vertical-lines", "vertical-bands", "cracked"),
    "rows": ("horizontal-bands", "cracked"),
    "zone": ("dim-zones",),
}
# chosen: probability of one of these symptoms from which the sentence is said.
_POSSIBLE = 0.15
# chosen: a list longer than this is not read at the bench.
_MOST = 12


_ON_ITS_SIDE = Finding(
    "The photo shows the screen on its side; the photo's right was taken for its top, so left and "
    "right, and top and bottom, may have changed places.",
    "check",
    0.5,
)

_NOT_OUTLINED = Finding(
    "The edges of the screen were not found: places are told as shares of the whole photo.",
    "check",
    0.5,
)

_GUESSED = Finding(
    "The edges of the screen are only a guess, and places are told within that guess: set its "
    "corners by hand.",
    "check",
    0.5,
)

_CUT = Finding(
    "The screen goes on outside the photo: places are told as shares of the part that is seen.",
    "check",
    0.5,
)


def describe(evidence: Evidence, reading: SymptomReading) -> tuple[Finding, ...]:
    """Sentences and marks for what was measured, most important first.

    Findings that bear on the symptom that was read come first, then by confidence. A
    photo that shows no screen has none.
    """
    if reading.symptom == "not-a-screen":
        return ()
    found = [
        *(f for f in describe_columns(evidence.columns) if supported(f.kind, reading)),
        *(f for f in describe_rows(evidence.rows) if supported(f.kind, reading)),
        *_describe_faint(evidence, reading),
        *describe_surface(evidence, reading),
    ]
    first = _ABOUT.get(reading.symptom, ())
    found.sort(key=lambda f: (f.kind not in first, -f.confidence))
    checks = []
    if evidence.location.on_its_side and _was_laid_down(evidence.location.outline):
        checks.append(_ON_ITS_SIDE)
    if found:
        checks += _where(evidence.location.outline)
    return (*found[:_MOST], *checks)


def _was_laid_down(outline: Outline | None) -> bool:
    """Whether the screen's top was taken for the photo's right; the user may have said another."""
    return outline is not None and outline.quarter_turns == 1


def _where(outline: Outline | None) -> list[Finding]:
    """What is to be known of the places that are told."""
    if outline is None:
        return [_NOT_OUTLINED]
    if not outline.sure:
        return [_GUESSED]
    return [_CUT] if any(outline.cut) else []


def supported(kind: str, reading: SymptomReading) -> bool:
    """Whether findings of a kind (half, band, line, rows, zone) fit what was read.

    Raises
    ------
    KeyError
        For another kind.
    """
    return reading.possible(*_BELONGS[kind], least=_POSSIBLE)


# No panel's picture has more contrast under a torch (domain notes on the torch test, from memory).
_MOST_CONTRAST = 0.25
_AGAINST = "the photo as a whole speaks against that: take one with the menu open and one without"


def _by_eye(jnd: float) -> str:
    """Whether the naked eye could have seen it, by steps that it just notices; "" if not known."""
    if not math.isfinite(jnd):
        return ""
    seen = "more than the eye needs" if jnd >= 1 else "too little for the eye"
    return f" (about {jnd:.1f} just-noticeable steps, {seen})"


def _describe_faint(evidence: Evidence, reading: SymptomReading) -> list[Finding]:
    """The faint picture of a dark screen, or what would have been found; lit screens: none."""
    if reading.symptom not in ("faint-image", "no-image"):
        return []
    faint = evidence.faint
    # The reading weighs more than the glass's tiles; where they differ the sentence says so.
    agreed = faint.found == (reading.symptom == "faint-image")
    if faint.found:
        contrast = f"with a contrast of {100 * faint.contrast:.1f} %{_by_eye(faint.visibility_jnd)}"
        sentence = (
            f"A faint picture is there, {contrast}: the panel forms a picture and the light "
            "behind it is missing."
        )
        if not agreed:
            sentence = f"Something like a faint picture was measured, {contrast}, but {_AGAINST}."
        elif not reading.can_tell:
            sentence = (
                f"Something like a faint picture was measured, {contrast}; this photo alone is "
                "not enough to be sure."
            )
        sure = agreed and reading.can_tell
        box = Mark("zone", (0.0, 0.0, 1.0, 1.0), "faint picture" if sure else "faint picture?")
        confidence = float(max(reading.probabilities.get("faint-image", 0.0), 0.5))
        return [Finding(sentence, "faint", confidence, box)]
    limit = faint.detection_limit
    if limit is None or not math.isfinite(limit):
        return []
    if limit < _MOST_CONTRAST:
        sentence = (
            f"No faint picture was found; one with a contrast of {100 * limit:.1f} % or more "
            "would have been, nine times in ten"
        )
        if limit > WORKING_PANEL_CONTRAST:
            sentence += ", but more than half of working panels show less under a torch"
        sentence += "." if agreed else f"; but {_AGAINST}."
    else:
        sentence = "No faint picture was found, but this photo may well have missed one" + (
            "." if agreed else f", and {_AGAINST}."
        )
    return [Finding(sentence, "faint", float(reading.probabilities.get("no-image", 0.0)))]
