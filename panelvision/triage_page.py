"""The contact sheet: one HTML file that needs nothing else, opens anywhere and runs no scripts."""

from collections.abc import Sequence
from html import escape
from urllib.parse import quote

from panelvision.triage_cases import STEP_WORDS, STEPS, SortedCase, SortedPhoto
from panelvision.words import ASSEMBLY_WORDS, SYMPTOM_WORDS, count_of, percent

# A sign beside each step, so that colour is never alone.
_STEP_SIGNS = {"quote": "✓", "ask-for-photo": "?", "bring-in": "→", "not-a-screen": "–"}

_STYLE = """
:root { color-scheme: light dark; --ground: light-dark(#f6f4ef, #14171a);
  --sheet: light-dark(#fff, #1e2327); --ink: light-dark(#1d2226, #e9e6df);
  --soft: light-dark(#5d666d, #a3abb0); --line: light-dark(#d9d5cb, #363d43);
  --quote: light-dark(#1d6b4f, #6fd0a6); --ask: light-dark(#8a5a00, #f0b95a);
  --bring: light-dark(#2b5c9e, #8ab8f0); --none: var(--soft); }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 76rem; padding: 1rem; background: var(--ground);
  color: var(--ink); font: 1.05rem/1.5 system-ui, sans-serif; }
h1 { font-size: 1.5rem; margin: .2rem 0; } h2 { font-size: 1.2rem; margin: 1.6rem 0 .4rem; }
h3 { font-size: 1.05rem; margin: 0; overflow-wrap: anywhere; }
nav a { display: inline-block; margin: .2rem .8rem .2rem 0; padding: .5rem 0; color: inherit; }
article { background: var(--sheet); border: 1px solid var(--line); border-left: .4rem solid;
  border-radius: .4rem; padding: .8rem 1rem; margin: .7rem 0; }
.quote { border-left-color: var(--quote); } .ask-for-photo { border-left-color: var(--ask); }
.bring-in { border-left-color: var(--bring); } .not-a-screen { border-left-color: var(--none); }
.soft { color: var(--soft); } .photos { display: flex; flex-wrap: wrap; gap: .8rem; }
figure { margin: .6rem 0; width: 15rem; max-width: 100%; }
figure img { max-width: 100%; border-radius: .3rem; display: block; background: #000; }
figcaption { font-size: .92rem; overflow-wrap: anywhere; }
summary { cursor: pointer; padding: .4rem 0; min-height: 2.4rem; }
pre { white-space: pre-wrap; overflow-wrap: anywhere; font: inherit; margin: .2rem 0;
  padding: .7rem; border: 1px dashed var(--line); border-radius: .3rem; user-select: all; }
details[open] img.large { width: 100%; height: auto; }
@media print { body { max-width: none } article { break-inside: avoid } nav { display: none } }
"""


def page(cases: Sequence[SortedCase], *, currency: str = "") -> str:
    """The sheet for cases in their order; every text from outside is escaped.

    ``currency`` stands before each price.
    """
    photos = sum(len(case.photos) for case in cases)
    counts = {step: sum(case.next.step == step for case in cases) for step in STEPS}
    body = [
        "<h1>Photos sorted by what to do next</h1>",
        f"<p class=soft>{count_of(photos, 'photo')} in {count_of(len(cases), 'case')}. "
        "Probabilities are the program's; "
        "the decision is yours.</p>",
        "<nav>",
        *(
            f'<a href="#{step}">{_STEP_SIGNS[step]} {STEP_WORDS[step]}: {counts[step]}</a>'
            for step in STEPS
        ),
        "</nav>",
    ]
    for step in STEPS:
        chosen = [case for case in cases if case.next.step == step]
        if chosen:
            body.append(f'<h2 id="{step}">{_STEP_SIGNS[step]} {STEP_WORDS[step].capitalize()}</h2>')
            body.extend(_case(case, currency) for case in chosen)
    if not cases:
        body.append("<p>No photo was found.</p>")
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        # no script, no connection: whatever a file name or a mail says, it stays text
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        "img-src data:; style-src 'unsafe-inline'\">"
        '<meta name="referrer" content="no-referrer">'
        f"<title>Sorted photos</title><style>{_STYLE}</style></head>\n<body>\n"
        + "\n".join(body)
        + "\n</body></html>\n"
    )


def _case(case: SortedCase, currency: str) -> str:
    step = case.next
    facts = []
    if step.symptom:
        facts.append(escape(SYMPTOM_WORDS.get(step.symptom, step.symptom)))
    if step.suspect:
        facts.append(f"first suspect: {escape(ASSEMBLY_WORDS.get(step.suspect, step.suspect))}")
    if case.estimate:
        low, high = (f"{price:.0f}" for price in case.estimate)
        facts.append(escape(f"part and labour about {currency} {low} to {high}".replace("  ", " ")))
    if case.change is not None:
        p_value = case.change.get("p_value")
        seen = "the panel changed" if case.change.get("changed") else "no change was found"
        chance = "" if p_value is None else f" (p = {p_value:.2g})"
        facts.append(f"between two photos {seen}{chance}")
    facts.append(f"case {case.key} in the table")
    mail = ""
    if case.sender:
        address = quote(case.sender, safe="@.+-_")
        mail = (
            f'<a href="mailto:{escape(address)}?subject=Your%20television'
            f'&amp;body={escape(quote(case.message))}">write to {escape(case.sender)}</a>'
        )
    return (
        f'<article class="{step.step}" id="case-{case.key}">'
        f"<h3>{case.rank}. {escape(case.title)}</h3>"
        f"<div class=soft>{'; '.join(facts)}</div>"
        f'<div class="photos">{"".join(_photo(photo) for photo in case.photos)}</div>'
        f"<details><summary>Message to the customer</summary><pre>{escape(case.message)}</pre>"
        f"{mail}</details></article>"
    )


def _photo(photo: SortedPhoto) -> str:
    name = escape(photo.incoming.name)
    if "error" in photo.record:
        return (
            f"<figure><figcaption><b>! {name}</b><br>"
            f"{escape(str(photo.record['error']))}</figcaption></figure>"
        )
    said = SYMPTOM_WORDS.get(photo.symptom, photo.symptom)
    state = f"{escape(said)}, {percent(photo.probability)}"
    if not photo.usable:
        state = f"can't tell; best guess: {state}"
    alt = f'alt="{name}: {state}"'
    thumbnail = photo.pictures.get("thumbnail", "")
    shown = f'<img src="data:image/jpeg;base64,{escape(thumbnail)}" {alt}>' if thumbnail else ""
    overlay = photo.pictures.get("overlay", "")
    large = (
        f"<details><summary>What was found</summary>"
        f'<img class="large" loading="lazy" src="data:image/jpeg;base64,{escape(overlay)}" {alt}>'
        "</details>"
        if overlay
        else ""
    )
    findings = "".join(f"<br>{escape(str(s))}" for s in photo.record.get("findings") or ())
    retake = "".join(f"<br>Retake: {escape(str(s))}" for s in photo.record.get("retake") or ())
    return (
        f"<figure>{shown}<figcaption>{name}<br><b>{state}</b>{findings}{retake}</figcaption>"
        f"{large}</figure>"
    )
