"""What the bench knows: faults, tests, parts, meters and cautions as data, each number sourced.

The data are the TOML files in this folder. `load_knowledge` reads and checks them, lays a shop's
own prices and times over them, and returns one immutable `Knowledge`.
"""

from panelvision.knowledge.loader import DATA_FOLDER, load_knowledge
from panelvision.knowledge.money import in_proportion
from panelvision.knowledge.schema import (
    LEVELS,
    BenchTest,
    Economy,
    Fault,
    Knowledge,
    Learning,
    LedVoltages,
    Meter,
    MeterBand,
    Opening,
    Part,
)

__all__ = [
    "DATA_FOLDER",
    "LEVELS",
    "BenchTest",
    "Economy",
    "Fault",
    "Knowledge",
    "Learning",
    "LedVoltages",
    "Meter",
    "MeterBand",
    "Opening",
    "Part",
    "in_proportion",
    "load_knowledge",
]
