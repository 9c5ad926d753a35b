"""From the symptom to the part to order: suspects, next test, meters, learning. No I/O here."""

from panelvision.isolate.advise import (
    Advice,
    Alternative,
    NextTest,
    PossibleOutcome,
    Stop,
    WhatIf,
    advise,
    what_if,
)
from panelvision.isolate.discharge import Discharge, discharge, largest_bleeder, volts_left
from panelvision.isolate.learn import (
    Change,
    LearningReport,
    Outcome,
    learn,
    learn_with_report,
)
from panelvision.isolate.meters import MeterReading, find_meter, read_meter
from panelvision.isolate.ordering import best_order, expected_cost
from panelvision.isolate.posterior import Contribution, Suspects, isolate
from panelvision.isolate.strips import LedString, StripCheck, check_strip, led_string
from panelvision.knowledge import Knowledge, load_knowledge

__all__ = [
    "Advice",
    "Alternative",
    "Change",
    "Contribution",
    "Discharge",
    "Knowledge",
    "LearningReport",
    "LedString",
    "MeterReading",
    "NextTest",
    "Outcome",
    "PossibleOutcome",
    "Stop",
    "StripCheck",
    "Suspects",
    "WhatIf",
    "advise",
    "best_order",
    "check_strip",
    "discharge",
    "expected_cost",
    "find_meter",
    "isolate",
    "largest_bleeder",
    "learn",
    "learn_with_report",
    "led_string",
    "load_knowledge",
    "read_meter",
    "volts_left",
    "what_if",
]
