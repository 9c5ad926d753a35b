"""Meter readings at the connectors: legend and number in, outcome and guidance out."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from panelvision.errors import DataError
from panelvision.knowledge import Knowledge, Meter, load_knowledge

STATES = ("standby", "on")


@dataclass(frozen=True)
class MeterReading:
    """What a reading means.

    observation: name of the bench test that it answers. value: its outcome, or None when the
    reading says nothing or lies too close to a limit; text says which, and what to do.
    expected: what a working set shows in standby and on.
    """

    observation: str
    value: str | None
    text: str
    expected: dict[str, str]


def find_meter(legend: str, *, knowledge: Knowledge | None = None) -> Meter:
    """The signal behind a connector legend, capitals and separators aside; else DataError."""
    knowledge = knowledge or load_knowledge()
    wanted = _plain(legend)
    for meter in knowledge.meters.values():
        if wanted in map(_plain, (meter.name, meter.title, *meter.legends)):
            return meter
    known = ", ".join(legend for m in knowledge.meters.values() for legend in m.legends)
    raise DataError(f"no signal is known under the legend {legend!r}; known: {known}")


def _plain(legend: str) -> str:
    return "".join(c for c in legend.upper() if c.isalnum() or c == ".")


def read_meter(
    legend: str,
    value: float,
    unit: str = "V",
    state: str = "on",
    *,
    string_volts: float | None = None,
    knowledge: Knowledge | None = None,
) -> MeterReading:
    """Turn a reading at a connector into the outcome of a bench test.

    Parameters
    ----------
    legend : what is printed at the pin (BL-ON, DIM, ERR, 12V, LED+ ...)
    value : the reading, in `unit` ("V" or "mV"), dc
    state : "standby" or "on", the state of the set while measuring
    string_volts : for a strip output, LEDs in series x forward voltage (`string_voltage`)

    Within the meter's tolerance of a limit the value is None: a borderline reading is measured
    again, not guessed. Raises DataError for unknown legends, units or states, and for NaN.
    """
    knowledge = knowledge or load_knowledge()
    meter = find_meter(legend, knowledge=knowledge)
    if state not in STATES:
        raise DataError(f"state of the set must be standby or on, got {state!r}")
    if unit not in ("V", "mV"):
        raise DataError(f"unit must be V or mV, got {unit!r}")
    volts = value / 1000 if unit == "mV" else value
    return _judge(meter, volts, state, string_volts, knowledge)


def _judge(
    meter: Meter, volts: float, state: str, string_volts: float | None, knowledge: Knowledge
) -> MeterReading:
    if math.isnan(volts):
        raise DataError("a reading is a number, got none; measure again")
    tolerance = knowledge.led.meter_relative * abs(volts) + knowledge.led.meter_absolute
    expected = dict(meter.expect)
    scale = 1.0
    if meter.per_string:
        if string_volts is None:
            return MeterReading(
                meter.test,
                None,
                f"{volts:g} V at the {meter.title} says nothing without the string's total: count "
                "the LEDs in series and give their forward voltage.",
                expected,
            )
        if string_volts <= 0:
            raise DataError(f"the string's total must be above 0 V, got {string_volts:g}")
        scale = 1 / string_volts
    usual = f"Usual in state {state}: {meter.expect[state]}."
    bands = [band for band in meter.bands if state in band.states]
    low, high = (volts - tolerance) * scale, (volts + tolerance) * scale
    for band in bands:
        if band.low <= low and high <= band.high:
            return MeterReading(meter.test, band.value, f"{band.text} {usual}", expected)
    if not bands:
        text = f"{volts:g} V at the {meter.title} decides nothing in {state}. {usual}"
    elif high < min(b.low for b in bands) or low > max(b.high for b in bands):
        text = (
            f"{volts:g} V at the {meter.title} is outside anything expected: check the meter's "
            f"range, its ground and the pin. {usual}"
        )
    else:
        text = (
            f"{volts:g} V at the {meter.title} is borderline: measure again, with the ground at "
            f"the same connector. {usual}"
        )
    return MeterReading(meter.test, None, text, expected)


def outcome_to_note(
    reading: MeterReading, observations: Mapping[str, str | float], knowledge: Knowledge
) -> str | None:
    """The outcome to note for a reading beside what is noted already.

    Where several meters answer one test (the main rails), the outcome that the test lists last
    stays: one missing rail is enough, whatever the others show.
    """
    sharing = [m for m in knowledge.meters.values() if m.test == reading.observation]
    values = knowledge.tests[reading.observation].values
    known = observations.get(reading.observation)
    if len(sharing) < 2 or known not in values or reading.value not in values:
        return reading.value
    return max(str(known), reading.value, key=values.index)


def reading_of(test: str, volts: float, knowledge: Knowledge) -> tuple[str | None, str]:
    """Outcome (or None) and explanation of a number given for a bench test, set on.

    Where several signals share the test, the one whose bands hold the number decides.
    """
    meters = [m for m in knowledge.meters.values() if m.test == test]
    if not meters:
        raise DataError(f"observation {test!r} takes a word, not the number {volts:g}")
    best = None
    for meter in meters:
        reading = _judge(meter, volts, "on", None, knowledge)
        note = f"{volts:g} V read for {test}: {reading.text}"
        if reading.value is not None and best is not None and best[0] not in (None, reading.value):
            return None, (
                f"{volts:g} V read for {test}: which of the rails it was decides what it means; "
                "give the legend (read_meter), or the outcome in words."
            )
        if best is None or best[0] is None:
            best = (reading.value, note)
    assert best is not None
    return best
