"""Checks on LED strips: what a string should carry, which LEDs are open or shorted."""

from collections.abc import Sequence
from dataclasses import dataclass

from panelvision.errors import DataError
from panelvision.knowledge import Knowledge, load_knowledge

ES1_DC_V = 60.0  # IEC 62368-1 Table 4, dc limit of the lowest energy class

# Below half of the lowest forward voltage a junction no longer lights: shorted. Chosen.
SHORTED_SHARE = 0.5

ALL_TOGETHER = (
    "Replace all strips together: one dead LED overdrives its neighbours, and the rest are as old "
    "and have seen the same heat."
)


@dataclass(frozen=True)
class LedString:
    """LEDs in series: `low`..`high` is the string's total in V; caution for people, or None."""

    leds: int
    low: float
    high: float
    caution: str | None

    @property
    def typical(self) -> float:
        """Middle of the range, V."""
        return (self.low + self.high) / 2


@dataclass(frozen=True)
class StripCheck:
    """LEDs by number from 1: open, shorted, doubtful; open joints by number from 1.

    value: outcome of the bench test `each-strip`, or None where LEDs are to be measured again
    first. text: what to do.
    """

    open: tuple[int, ...]
    shorted: tuple[int, ...]
    doubtful: tuple[int, ...]
    open_joints: tuple[int, ...]
    value: str | None
    text: str


def led_string(
    leds: int,
    *,
    forward: tuple[float, float] | None = None,
    two_die: bool = False,
    knowledge: Knowledge | None = None,
) -> LedString:
    """Total voltage of `leds` in series, from the forward voltage range of one (V).

    Warns when the total may pass 60 V dc; an open string makes the driver rise above the total.
    """
    if isinstance(leds, bool) or leds < 1:
        raise DataError(f"LEDs in series must be a whole number from 1, got {leds!r}")
    low, high = forward or _forward(two_die, knowledge)
    caution = None
    if leds * high > ES1_DC_V:
        caution = (
            f"{leds} LEDs in series may carry {leds * high:.0f} V, above the 60 V dc limit of "
            "IEC 62368-1 ES1, and an open string makes the driver rise further: treat it as live."
        )
    return LedString(leds, leds * low, leds * high, caution)


def _forward(two_die: bool, knowledge: Knowledge | None) -> tuple[float, float]:
    led = (knowledge or load_knowledge()).led
    return led.two_die_forward if two_die else led.forward


def check_strip(
    volts: Sequence[float | None],
    joints: Sequence[bool] = (),
    *,
    forward: tuple[float, float] | None = None,
    two_die: bool = False,
    knowledge: Knowledge | None = None,
) -> StripCheck:
    """Judge LEDs measured one by one with a current-limited source or the diode range.

    volts: forward voltage of each LED, None where the meter shows overload (open). joints: for
    each joint between strips in series, whether it conducts.
    """
    low, high = forward or _forward(two_die, knowledge)
    is_open, shorted, doubtful = [], [], []
    for number, v in enumerate(volts, start=1):
        if v is None:
            is_open.append(number)
        elif v < SHORTED_SHARE * low:
            shorted.append(number)
        elif not low <= v <= high:
            doubtful.append(number)
    dead = [number for number, conducts in enumerate(joints, start=1) if not conducts]
    told = [
        f"{word} LED {', '.join(map(str, found))}."
        for word, found in (("Open:", is_open), ("Shorted:", shorted), ("Doubtful:", doubtful))
        if found
    ]
    if dead:
        told.append(f"Open joint {', '.join(map(str, dead))} between strips in series.")
    value: str | None
    if is_open and len(is_open) == len(volts) > 1:
        text = (
            "Every LED reads open: the range of the meter probably ends below an LED's voltage, or "
            "its leads are the wrong way round. Try a strip tester, or an LED known to be good."
        )
        return StripCheck(tuple(is_open), (), (), tuple(dead), None, text)
    if is_open or shorted:
        value = "dark-led"
    elif dead:
        value = "open-joint"
    elif doubtful:
        value = None
    else:
        value = "all-good"
    if value is None:
        told.append(
            f"A good one reads {low:g} to {high:g} V here: measure those again, or say that the "
            "LEDs have two dies."
        )
    elif value == "all-good":
        told.append("No dead LED and no open joint found; look at the driver and its enable line.")
    else:
        told.append(ALL_TOGETHER)
    return StripCheck(
        tuple(is_open), tuple(shorted), tuple(doubtful), tuple(dead), value, " ".join(told)
    )
