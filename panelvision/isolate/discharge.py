"""Charge left in a capacitor: energy, time constant, time to a limit; the meter has the last word.

E = C V^2 / 2 and V(t) = V0 exp(-t / RC) (textbook). Limits: IEC 62368-1 ES1 60 V dc, ES2 120 V dc;
IEC 60335-1 cl. 8.1.4 42.4 V. They hold for people trained for such work, not as a promise.
"""

import math
from dataclasses import dataclass

from panelvision.errors import DataError

LIMITS_V = {
    "IEC 62368-1 ES2, 120 V dc": 120.0,
    "IEC 62368-1 ES1, 60 V dc": 60.0,
    "IEC 60335-1 cl. 8.1.4, 42.4 V": 42.4,
}

ADVICE = (
    "Measure, don't wait: a bleeder resistor may be open, and then the charge stays. Never short "
    "the terminals with a screwdriver or anything else; use an insulated resistor of about "
    "20 kohm that bears the power at the first instant, then verify with the meter."
)


@dataclass(frozen=True)
class Discharge:
    """What a charged capacitor holds and how it empties through a resistor.

    energy_j in J; tau_s, seconds_to in s (inf without a resistor: it never empties);
    peak_w in W and peak_a in A at the start, in the resistor; text for people.
    """

    energy_j: float
    tau_s: float
    seconds_to: dict[str, float]
    peak_w: float
    peak_a: float
    text: str


def volts_left(volts: float, farads: float, ohms: float, seconds: float) -> float:
    """Voltage after `seconds`, V."""
    return volts * math.exp(-seconds / (ohms * farads))


def discharge(volts: float, farads: float, ohms: float | None) -> Discharge:
    """Energy and times for a capacitor charged to `volts`.

    farads: capacitance (100 uF is 100e-6). ohms: the bleeder or discharging resistor; None when
    it is open or unknown. Raises DataError unless all are finite and above 0.
    """
    for name, number in (("volts", volts), ("farads", farads), ("ohms", ohms)):
        if number is not None and not (math.isfinite(number) and number > 0):
            raise DataError(f"{name} must be a number above 0, got {number!r}")
    energy = farads * volts**2 / 2
    if ohms is None:
        tau, peak_w, peak_a = math.inf, 0.0, 0.0
        times = {name: (0.0 if volts <= v else math.inf) for name, v in LIMITS_V.items()}
        told = f"{energy:.3g} J at {volts:g} V; without a bleeder it does not empty by itself."
    else:
        tau = ohms * farads
        peak_a = volts / ohms
        peak_w = volts * peak_a
        times = {n: max(0.0, tau * math.log(volts / v)) for n, v in LIMITS_V.items()}
        listed = ", ".join(f"{n}: {t:.3g} s" for n, t in times.items())
        told = (
            f"{energy:.3g} J at {volts:g} V; time constant {tau:.3g} s; down to {listed}, if the "
            f"resistor is sound; {peak_w:.3g} W in it at first."
        )
    return Discharge(energy, tau, times, peak_w, peak_a, f"{told} {ADVICE}")


def largest_bleeder(volts: float, farads: float, seconds: float, limit_v: float) -> float:
    """Largest resistance, ohm, that brings `volts` down to `limit_v` within `seconds`.

    IEC 62368-1 cl. 5.5.2.2 looks 2 s after unplugging. Raises DataError unless volts > limit_v.
    """
    if not volts > limit_v > 0:
        raise DataError(f"volts must be above the limit, got {volts:g} and {limit_v:g}")
    return seconds / (farads * math.log(volts / limit_v))
