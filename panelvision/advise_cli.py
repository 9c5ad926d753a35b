"""The `advise` command: answers from a file, or typed one by one at the bench."""

import argparse
import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

from panelvision.errors import DataError
from panelvision.isolate import (
    Advice,
    Alternative,
    Knowledge,
    advise,
    led_string,
    read_meter,
    what_if,
)
from panelvision.isolate.meters import outcome_to_note
from panelvision.knowledge.check import shown
from panelvision.words import percent

HELP = """answers: the outcome's number or word      skip: could not tell
say TEST OUTCOME   record anything seen      undo: take back the last entry
if TEST OUTCOME    what would it change      read LEGEND VOLTS [standby|on] [LEDS]
new PART           part replaced in vain     tests: list tests and outcomes
why: reasons       help                      quit"""


def add_parser(subparsers: Any) -> argparse.ArgumentParser:
    """Add `advise` to the sub-commands of an argparse parser."""
    parser = subparsers.add_parser(
        "advise",
        help="suspects, next bench test or part to order, from what has been seen",
        description="Without --observations it asks at the terminal. It reckons with the rates of "
        "the settings and with what the closed cases taught, as the pages do.",
    )
    parser.add_argument(
        "--observations",
        metavar="FILE",
        help='JSON: {"photo": {symptom: p}, "observations": {test: outcome or meter reading}}',
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument(
        "--shop", metavar="FILE", help="prices and times of the shop, in place of its usual file"
    )
    parser.add_argument(
        "--set-value", type=float, metavar="AMOUNT", help="what the working set is worth"
    )
    parser.set_defaults(run=run)
    return parser


@dataclass
class Known:
    """What has been entered so far."""

    photo: Mapping[str, float] | None = None
    observations: dict[str, str | float] = field(default_factory=dict)
    done: list[str] = field(default_factory=list)
    set_value: float | None = None


def run(args: argparse.Namespace) -> int:
    """Carry out the command; exit status 0. PanelvisionErrors go to the caller."""
    from panelvision.cases.shop import knowledge_of_this_machine

    knowledge = knowledge_of_this_machine(Path(args.shop) if args.shop else None)
    known = read_observations(Path(args.observations)) if args.observations else Known()
    if args.set_value is not None:
        known.set_value = args.set_value
    if not args.observations and not args.json:
        return interview(known, knowledge, ask=_ask, tell=print)
    advice = _advise(known, knowledge)
    print(json.dumps(as_json(advice)) if args.json else "\n".join(in_words(advice)))
    return 0


def _ask(prompt: str) -> str:
    try:
        return input(prompt)
    except EOFError:
        return "quit"


def read_observations(path: Path) -> Known:
    """Read an observations file; DataError in one line if it does not fit."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise DataError(f"{path}: cannot be read ({error.strerror})") from error
    except (ValueError, RecursionError) as error:
        raise DataError(f"{path}: not valid JSON: {error}") from error
    known = ("photo", "observations", "done_tests", "set_value")
    if not isinstance(content, dict) or set(content) - set(known):
        raise DataError(f"{path}: expected an object with any of {', '.join(known)}")
    photo = content.get("photo") or None
    observations = content.get("observations") or {}
    done = content.get("done_tests") or []
    value = content.get("set_value")
    if (photo is not None and not isinstance(photo, dict)) or not isinstance(observations, dict):
        raise DataError(f"{path}: photo and observations must be objects")
    if not isinstance(done, list) or not all(isinstance(name, str) for name in done):
        raise DataError(f"{path}: done_tests must be a list of test names")
    if value is not None and (isinstance(value, bool) or not isinstance(value, (int, float))):
        raise DataError(f"{path}: set_value must be a number")
    for name, number in [*(photo or {}).items(), *observations.items(), ("set_value", value)]:
        if isinstance(number, int):
            _must_fit(path, name, number)
    return Known(photo, observations, done, value)


def _must_fit(path: Path, name: str, number: int) -> None:
    """Refuse a whole number of hundreds of digits, which no sum can hold."""
    try:
        float(number)
    except OverflowError:
        raise DataError(
            f"{path}: {shown(name)}: a number of {len(str(abs(number)))} digits; correct it"
        ) from None


def _advise(known: Known, knowledge: Knowledge) -> Advice:
    return advise(
        known.photo,
        known.observations,
        done_tests=known.done,
        set_value=known.set_value,
        knowledge=knowledge,
        base=_shares(known),
    )


def _shares(known: Known) -> Mapping[str, float] | None:
    """How often each label was taught to the classifier, whose probabilities the file holds."""
    if known.photo is None:
        return None
    from panelvision.classify import load_model

    return load_model().shares


def as_json(advice: Advice) -> dict[str, Any]:
    """The object that `advise --json` prints."""
    suspects = advice.suspects
    return {
        "suspects": dict(suspects.assemblies),
        "faults": dict(suspects.faults),
        "next_test": asdict(advice.next_test) if advice.next_test else None,
        "stop": asdict(advice.stop) if advice.stop else None,
        "why": list(suspects.why),
        "contradictions": list(suspects.contradictions),
        "alternatives": [asdict(a) for a in advice.alternatives],
        "expected_cost": advice.expected_cost,
        "set_value": advice.set_value,
    }


def in_words(advice: Advice) -> list[str]:
    """The advice as lines for a terminal; cautions stand ahead of what they are about."""
    ranked = [f"{a} {percent(p)}" for a, p in advice.suspects.assemblies.items() if p >= 0.01]
    lines = ["Suspects: " + ", ".join(ranked)]
    lines += [f"Contradiction: {text}" for text in advice.suspects.contradictions]
    if advice.stop:
        lines += [f"  CAUTION: {text}" for text in advice.stop.cautions]
        lines.append(advice.stop.text)
    if advice.next_test:
        test = advice.next_test
        state = ("OPEN" if test.open else "closed") + (", LIVE" if test.live else "")
        wait = f" + {test.wait_minutes:g} min waiting" if test.wait_minutes else ""
        lines.append(f"Next: {test.title} ({test.minutes:g} min{wait}; set {state})")
        lines += [f"  CAUTION: {text}" for text in test.cautions]
        if test.tools:
            lines.append(f"  Needs: {', '.join(test.tools)}")
        lines += [f"  {test.ask}", f"  Why: {test.why}"]
        lines += [
            f"  {i}. {o.value} ({percent(o.probability)}): {o.text}"
            for i, o in enumerate(test.outcomes, start=1)
        ]
    if advice.alternatives:
        others = [f"{a.title}{_beside(a, told=advice.told)}" for a in advice.alternatives]
        lines.append("Else: " + "; ".join(others))
        if any(a.open or a.live for a in advice.alternatives):
            lines.append(
                "  (what is done at an open or live set: 'skip' leads there, cautions first)"
            )
    return lines


def _beside(way: Alternative, *, told: bool) -> str:
    """What an alternative costs more, and how it leaves the set: closed, open or live."""
    notes = [f"+{way.extra_cost:.1f}"] if told else []
    notes += ["OPEN"] * way.open + ["LIVE"] * way.live
    return f" ({', '.join(notes)})" if notes else ""


def interview(
    known: Known,
    knowledge: Knowledge,
    *,
    ask: Callable[[str], str],
    tell: Callable[[str], None],
) -> int:
    """Ask and advise until the user quits; errors are told and the talk goes on.

    ask: returns one typed line for a prompt ("quit" at the end). tell: shows one line.
    """
    tell(HELP)
    past: list[Known] = []
    while True:
        advice = _advise(known, knowledge)
        for line in in_words(advice):
            tell(line)
        while True:
            words = ask("> ").split()
            if words and words[0].lower() in ("quit", "q", "exit"):
                return 0
            try:
                if words == ["undo"]:
                    if not past:
                        raise DataError("nothing to undo")
                    known = past.pop()
                    break
                changed = _obey(words, known, advice, knowledge, tell)
                if changed is not None:
                    _advise(changed, knowledge)  # complains before anything is kept
                    past.append(known)
                    known = changed
                    break
            except DataError as error:
                print(error, file=sys.stderr)


def _obey(
    words: list[str],
    known: Known,
    advice: Advice,
    knowledge: Knowledge,
    tell: Callable[[str], None],
) -> Known | None:
    """Carry out one typed line; returns what is known then, None if nothing changed."""
    match words:
        case [] | ["help"]:
            tell(HELP)
        case ["why"]:
            for line in advice.suspects.why or ("Nothing seen yet: these are frequencies.",):
                tell(line)
        case ["tests"]:
            for test in knowledge.tests.values():
                tell(f"{test.name}: {', '.join(test.values)}")
        case ["skip"]:
            if advice.next_test is None:
                raise DataError("there is no test to skip")
            return Known(
                known.photo,
                known.observations,
                [*known.done, advice.next_test.name],
                known.set_value,
            )
        case ["say", name, value]:
            return _with(known, name, value)
        case ["new", part]:
            return _with(known, f"replaced-{part}", "no-change")
        case ["if", name, value]:
            _tell_what_if(name, value, known, knowledge, tell)
        case ["read", legend, volts, *rest]:
            return _read(legend, volts, rest, known, knowledge, tell)
        case [answer] if advice.next_test is not None:
            values = [o.value for o in advice.next_test.outcomes]
            if answer.isdecimal() and 1 <= int(answer) <= len(values):
                answer = values[int(answer) - 1]
            return _with(known, advice.next_test.name, answer)
        case _:
            raise DataError(f"not understood: {' '.join(words)!r}; type help")
    return None


def _with(known: Known, name: str, value: str) -> Known:
    return Known(known.photo, {**known.observations, name: value}, known.done, known.set_value)


def _tell_what_if(
    name: str, value: str, known: Known, knowledge: Knowledge, tell: Callable[[str], None]
) -> None:
    found = what_if(
        known.photo,
        known.observations,
        name,
        value,
        done_tests=known.done,
        set_value=known.set_value,
        knowledge=knowledge,
        base=_shares(known),
    )
    moves = [f"{a} {m * 100:+.0f} points" for a, m in found.moved.items() if abs(m) >= 0.005]
    tell(f"If {name} were {value} (probability {percent(found.probability)}): " + ", ".join(moves))
    for line in in_words(found.after):
        tell(f"  | {line}")


def _read(
    legend: str,
    volts: str,
    rest: list[str],
    known: Known,
    knowledge: Knowledge,
    tell: Callable[[str], None],
) -> Known | None:
    state, total = "on", None
    for word in rest:
        if word.isdecimal():
            string = led_string(int(word), knowledge=knowledge)
            total = string.typical
            if string.caution:
                tell(f"CAUTION: {string.caution}")
        else:
            state = word
    try:
        number = float(volts.lower().removesuffix("v"))
    except ValueError as error:
        raise DataError(f"not a number of volts: {volts!r}") from error
    reading = read_meter(legend, number, "V", state, string_volts=total, knowledge=knowledge)
    tell(reading.text)
    value = outcome_to_note(reading, known.observations, knowledge)
    if value is None:
        return None
    if value != reading.value:
        tell(f"{reading.observation} stays {value}, as noted before; 'undo' or 'say' changes it.")
    return _with(known, reading.observation, value)
