"""Two sums for the bench: what a capacitor still holds, and LEDs measured one by one."""

import math

import streamlit as st

from panelvision.errors import PanelvisionError
from panelvision.isolate import check_strip, discharge
from panelvision.knowledge import Knowledge
from panelvision.pages import session
from panelvision.pages.look import answer, cautions, tell_error

_OPEN = "x"


@st.fragment
def capacitor_form(bench: Knowledge) -> None:
    """Charge, energy and times of a capacitor; the meter has the last word."""
    cautions(bench.cautions_for("back-off", False))
    left, middle, right = st.columns(3)
    microfarads = left.number_input("Microfarads", 0.1, 100_000.0, 100.0, key="sum-farads")
    volts = middle.number_input("Volts on it", 1.0, 1000.0, 400.0, key="sum-volts")
    ohms = right.number_input(
        "Resistor in ohms", 1.0, 1e8, None, key="sum-ohms", placeholder="none, or unknown"
    )
    found = discharge(
        float(volts), float(microfarads) * 1e-6, None if ohms is None else float(ohms)
    )
    below = found.seconds_to["IEC 62368-1 ES1, 60 V dc"]
    if below == 0:
        big = "Below 60 V already"
    elif math.isinf(below):
        big = "It keeps its charge"
    else:  # never told too early
        big = f"Below 60 V after {math.ceil(below)} s"
    answer("If the resistor is sound" if ohms else "Without a sound resistor", big, found.text)


@st.fragment
def strip_form(bench: Knowledge) -> None:
    """Forward voltages of a strip's LEDs, one by one, to the outcome of its bench test."""
    test = bench.tests["each-strip"]
    cautions(bench.cautions_for(test.level, test.live, test.cautions))
    typed = st.text_input(
        f"Volts across each LED in turn, {_OPEN} for one that stays open",
        placeholder=f"3.0 3.1 {_OPEN} 3.0",
        max_chars=2000,
        key="sum-leds",
    )
    two_die = st.toggle("LEDs of two dies (about 6 V each)", key="sum-two-die")
    if not typed.strip():
        return
    try:
        volts = [_volts(word) for word in typed.replace(";", " ").split()]
        found = check_strip(volts, two_die=two_die, knowledge=bench)
    except PanelvisionError as fault:
        tell_error(fault)
        return
    if found.value is None:
        answer("The strip", "Measure again", found.text)
        return
    words = found.value.replace("-", " ")
    answer("The strip", words[:1].upper() + words[1:], found.text)
    if st.button(f"Note it: {test.title.lower()}, {words}", width="stretch", key="sum-note"):
        session.desk().observe(test.name, found.value)
        st.rerun(scope="app")


def _volts(word: str) -> float | None:
    if word.casefold() == _OPEN:
        return None
    try:
        number = float(word.replace(",", "."))
    except ValueError:
        number = math.nan
    if not 0 <= number <= 100:
        raise PanelvisionError(
            f"{word[:20]!r} is no voltage: numbers with blanks between, {_OPEN} for an open LED"
        )
    return number
