"""Read the knowledge files, check them, lay a shop's own prices and times over them."""

import tomllib
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from panelvision.errors import DataError
from panelvision.knowledge.check import Entry, probabilities, with_rest_spread
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
from panelvision.labels import ASSEMBLIES, SYMPTOMS

DATA_FOLDER = Path(__file__).parent

CAUTION_SETS = (*LEVELS, "live-closed", "live-open")

SHOP_KEYS = {
    "economy": {"currency", "labour_per_hour", "waiting_share", "live_risk",
                "order_handling", "return_visit", "set_value"},
    "part": {"price", "minutes"},
    "test": {"minutes", "wait_minutes", "risk"},
    "opening": {"minutes", "risk"},
}  # fmt: skip
"""What a shop's own file may change: prices, labour and times; never a probability."""

Tables = dict[str, Any]


def load_knowledge(shop: Path | None = None, *, folder: Path = DATA_FOLDER) -> Knowledge:
    """The knowledge of `folder` with the shop's own prices, labour and times laid over it.

    Parameters
    ----------
    shop : path of a TOML file with any of the tables [economy], [part.NAME], [test.NAME],
        [opening.NAME]; only the keys of `SHOP_KEYS` are taken.
    folder : where the five data files lie.

    Raises DataError, in one line that names file and entry, when a file cannot be read or does
    not fit. The result is cached as long as no file changes.
    """
    paths = [folder / f"{name}.toml" for name in FILES]
    if shop is not None:
        paths.append(Path(shop))
    stamps = tuple(_stamp(p) for p in paths)
    try:
        return _load(folder, None if shop is None else Path(shop), stamps)
    except DataError as error:  # a name inside a file may hold any sign
        raise DataError(" ".join(str(error).split())) from None


FILES = ("faults", "bench_tests", "parts", "cautions", "meters")


def _stamp(path: Path) -> tuple[str, int, int]:
    try:
        stat = path.stat()
    except OSError as error:
        raise DataError(f"{path}: cannot be read ({error.strerror})") from error
    return str(path), stat.st_mtime_ns, stat.st_size


@lru_cache(maxsize=8)
def _load(folder: Path, shop: Path | None, stamps: object) -> Knowledge:
    tables = {name: read_toml(folder / f"{name}.toml") for name in FILES}
    given = set() if shop is None else _lay_over(tables, read_toml(shop), shop.name)
    return replace(build(tables), given=frozenset(given))


def read_toml(path: Path) -> Tables:
    """The file's tables; DataError with the parser's line number if it is not TOML."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise DataError(f"{path}: cannot be read ({error.strerror})") from error
    except RecursionError:
        raise DataError(f"{path.name}: not valid TOML: nested too deep") from None
    except ValueError as error:  # also no UTF-8, and a number of thousands of digits
        raise DataError(f"{path.name}: not valid TOML: {error}") from error


def _lay_over(tables: Mapping[str, Tables], shop: Tables, name: str) -> set[str]:
    """Lay the shop's file over the tables; the places of what it changed."""
    given = set()
    homes = {"economy": "parts", "part": "parts", "opening": "parts", "test": "bench_tests"}
    for kind, content in shop.items():
        if kind not in SHOP_KEYS:
            raise DataError(f"{name}: unknown table [{kind}]; known: {', '.join(SHOP_KEYS)}")
        target = tables[homes[kind]][kind]
        entries = {"": content} if kind == "economy" else content
        if not isinstance(entries, Mapping):
            raise DataError(f"{name}: [{kind}] must be a table")
        for entry, changes in entries.items():
            where = f"{name}: [{kind}{'.' if entry else ''}{entry}]"
            if entry and entry not in target:
                raise DataError(f"{where}: no such {kind}; known: {', '.join(target)}")
            if not isinstance(changes, Mapping):
                raise DataError(f"{where} must be a table")
            for key in changes:
                if key not in SHOP_KEYS[kind]:
                    raise DataError(
                        f"{where}: a shop may set {', '.join(sorted(SHOP_KEYS[kind]))}, not {key!r}"
                    )
            changed = target[entry] if entry else target
            changed.update(changes)
            changed["source"] = f"{changed.get('source')}; {', '.join(changes)}: {name}"
            given |= {".".join(filter(None, (kind, entry, key))) for key in changes}
    return given


def build(tables: Mapping[str, Tables]) -> Knowledge:
    """Check the raw tables (by file name, without .toml) and make the knowledge of them."""
    cautions, always = _cautions(tables["cautions"])
    economy, openings, learning, parts = _parts(tables["parts"])
    faults = _faults(tables["faults"], parts)
    tests = _tests(tables["bench_tests"], faults, cautions)
    meters, led = _meters(tables["meters"], tests)
    return Knowledge(
        faults=faults, tests=tests, parts=parts, openings=openings, economy=economy,
        learning=learning, meters=meters, led=led, cautions=cautions, always=always,
    )  # fmt: skip


def _section(file: str, tables: Tables, key: str) -> Mapping[str, Any]:
    section = tables.get(key)
    if not isinstance(section, Mapping) or not section:
        raise DataError(f"{file}: has no [{key}...] entries")
    return section


def _only(file: str, tables: Tables, known: tuple[str, ...]) -> None:
    for key in tables:
        if key not in known:
            raise DataError(f"{file}: unknown table [{key}]; known: {', '.join(known)}")


def _cautions(tables: Tables) -> tuple[dict[str, str], dict[str, tuple[str, ...]]]:
    file = "cautions.toml"
    _only(file, tables, ("always", "caution"))
    texts = {}
    for name, table in _section(file, tables, "caution").items():
        entry = Entry(f"{file}: [caution.{name}]", table)
        texts[name] = entry.text("text")
        entry.source()
        entry.done()
    entry = Entry(f"{file}: [always]", tables.get("always"))
    always = {key: entry.texts(key, texts) for key in CAUTION_SETS}
    entry.source()
    entry.done()
    return texts, always


def _parts(tables: Tables) -> tuple[Economy, dict[str, Opening], Learning, dict[str, Part]]:
    file = "parts.toml"
    _only(file, tables, ("economy", "opening", "learning", "part"))
    entry = Entry(f"{file}: [economy]", tables.get("economy"))
    economy = Economy(
        currency=entry.text("currency"),
        labour_per_hour=entry.number("labour_per_hour", 0.0),
        waiting_share=entry.number("waiting_share", 0.0, 1.0),
        live_risk=entry.number("live_risk", 0.0),
        order_handling=entry.number("order_handling", 0.0),
        return_visit=entry.number("return_visit", 0.0),
        set_value=entry.number("set_value", 0.0),
        source=entry.source(),
    )
    entry.done()
    openings = {}
    for level in LEVELS[1:]:
        entry = Entry(f"{file}: [opening.{level}]", _section(file, tables, "opening").get(level))
        openings[level] = Opening(
            title=entry.text("title"),
            minutes=entry.number("minutes", 0.0),
            risk=entry.number("risk", 0.0),
            source=entry.source(),
        )
        entry.done()
    entry = Entry(f"{file}: [learning]", tables.get("learning"))
    learning = Learning(
        prior_cases=entry.number("prior_cases", 1.0),
        row_cases=entry.number("row_cases", 1.0),
        source=entry.source(),
    )
    entry.done()
    parts = {}
    for name, table in _section(file, tables, "part").items():
        entry = Entry(f"{file}: [part.{name}]", table)
        parts[name] = Part(
            name=name,
            title=entry.text("title"),
            assembly=entry.word("assembly", ASSEMBLIES),
            price=entry.pair("price", 0.0),
            ordered=entry.flag("ordered"),
            minutes=entry.number("minutes", 0.0),
            level=entry.word("level", LEVELS),
            success=entry.number("success", 0.01, 0.999),
            how=entry.text("how"),
            before=entry.text("before"),
            source=entry.source(),
        )
        entry.done()
    return economy, openings, learning, parts


def _faults(tables: Tables, parts: Mapping[str, Part]) -> dict[str, Fault]:
    file = "faults.toml"
    _only(file, tables, ("about", "fault"))
    faults = {}
    for name, table in _section(file, tables, "fault").items():
        where = f"{file}: [fault.{name}]"
        if name in ASSEMBLIES or name in SYMPTOMS:
            raise DataError(f"{where}: a fault may not bear an assembly's or a symptom's name")
        entry = Entry(where, table)
        listed = Entry(f"{where} symptoms", entry.get("symptoms"))
        faults[name] = Fault(
            name=name,
            title=entry.text("title"),
            assembly=entry.word("assembly", ASSEMBLIES),
            repair=entry.word("repair", parts),
            weight=entry.number("weight", 1e-6),
            symptoms=with_rest_spread(listed.where, listed, SYMPTOMS),
            physics=entry.text("physics"),
            source=entry.source(),
        )
        entry.done()
    return faults


def _tests(
    tables: Tables, faults: Mapping[str, Fault], cautions: Mapping[str, str]
) -> dict[str, BenchTest]:
    file = "bench_tests.toml"
    _only(file, tables, ("test",))
    raw = _section(file, tables, "test")
    values_of = {
        name: Entry(f"{file}: [test.{name}]", t).texts("values") for name, t in raw.items()
    }
    return {n: _test(file, n, t, faults, cautions, values_of) for n, t in raw.items()}


def _test(
    file: str,
    name: str,
    table: Any,
    faults: Mapping[str, Fault],
    cautions: Mapping[str, str],
    values_of: Mapping[str, tuple[str, ...]],
) -> BenchTest:
    where = f"{file}: [test.{name}]"
    entry = Entry(where, table)
    values = entry.texts("values")
    if len(values) < 2 or len(set(values)) != len(values):
        raise entry.fail("values", "two or more different outcomes")
    means = Entry(f"{where} means", entry.get("means", {}))
    needs = Entry(f"{where} needs", entry.get("needs", {}))
    ends = Entry(f"{where} ends", entry.get("ends", {}))
    for key in needs.table:
        if key not in values_of or key == name:
            raise DataError(f"{where}: needs names {key!r}, which is no other test")
    for key in (*means.table, *ends.table):
        if key not in values:
            raise DataError(f"{where}: {key!r} is none of its values {', '.join(values)}")
    applies = entry.texts("applies", SYMPTOMS)
    test = BenchTest(
        name=name,
        title=entry.text("title"),
        ask=entry.text("ask"),
        values=values,
        means={key: means.text(key) for key in means.table},
        minutes=entry.number("minutes", 0.0),
        wait_minutes=entry.number("wait_minutes", 0.0, default=0.0),
        tools=entry.texts("tools"),
        level=entry.word("level", LEVELS),
        live=entry.flag("live"),
        cautions=entry.texts("cautions", cautions),
        risk=entry.number("risk", 0.0, default=0.0),
        by=entry.word("by", ("fault", "symptom")),
        rows=_rows(where, entry, values, faults),
        applies=applies,
        silent=probabilities(f"{where} silent", entry.get("silent"), len(values))
        if applies
        else (),
        needs={key: needs.texts(key, values_of[key]) for key in needs.table},
        ends={key: ends.texts(key, faults) for key in ends.table},
        source=entry.source(),
    )
    entry.done()
    return test


def _rows(
    where: str, entry: Entry, values: tuple[str, ...], faults: Mapping[str, Fault]
) -> dict[str, tuple[float, ...]]:
    """One row for every fault (or symptom): its own, else its assembly's, else the default."""
    default = probabilities(f"{where} default", entry.get("default"), len(values))
    raw = entry.get("given", {})
    if not isinstance(raw, Mapping):
        raise entry.fail("given", "a table of rows")
    by_symptom = entry.get("by") == "symptom"
    allowed = set(SYMPTOMS) if by_symptom else {*faults, *ASSEMBLIES}
    given = {}
    for key, row in raw.items():
        if key not in allowed:
            kind = "symptom" if by_symptom else "fault or assembly"
            raise DataError(f"{where}: given names {key!r}, which is no {kind}")
        given[key] = probabilities(f"{where} given {key}", row, len(values))
    if by_symptom:
        return {s: given.get(s, default) for s in SYMPTOMS}
    return {n: given.get(n, given.get(f.assembly, default)) for n, f in faults.items()}


def _meters(tables: Tables, tests: Mapping[str, BenchTest]) -> tuple[dict[str, Meter], LedVoltages]:
    file = "meters.toml"
    _only(file, tables, ("tolerance", "meter", "led"))
    meters = {}
    taken: dict[str, str] = {}
    for name, table in _section(file, tables, "meter").items():
        where = f"{file}: [meter.{name}]"
        entry = Entry(where, table)
        test = tests[entry.word("test", tests)]
        expect = Entry(f"{where} expect", entry.get("expect"))
        bands = entry.get("band")
        if not isinstance(bands, list) or not bands:
            raise entry.fail("band", "a list of bands")
        meters[name] = Meter(
            name=name,
            title=entry.text("title"),
            legends=entry.texts("legends"),
            test=test.name,
            unit=entry.word("unit", ("V", "share of the string's total")),
            expect={state: expect.text(state) for state in ("standby", "on")},
            bands=tuple(_band(f"{where} band {i + 1}", b, test) for i, b in enumerate(bands)),
            source=entry.source(),
        )
        entry.done()
        for legend in meters[name].legends:
            if taken.setdefault(legend, name) != name:
                raise DataError(f"{where}: legend {legend!r} is already that of {taken[legend]!r}")
    tolerance = Entry(f"{file}: [tolerance]", tables.get("tolerance"))
    led = Entry(f"{file}: [led]", tables.get("led"))
    voltages = LedVoltages(
        forward=led.pair("forward", 0.0),
        two_die_forward=led.pair("two_die_forward", 0.0),
        meter_relative=tolerance.number("relative", 0.0, 0.5),
        meter_absolute=tolerance.number("absolute", 0.0),
    )
    for entry in (tolerance, led):
        entry.source()
        entry.done()
    return meters, voltages


def _band(where: str, table: Any, test: BenchTest) -> MeterBand:
    entry = Entry(where, table)
    low, high = entry.pair("range", -1e6)
    states = entry.texts("state", ("standby", "on"))
    if not states:
        raise entry.fail("state", 'a list of "standby" and "on"')
    band = MeterBand(
        states=states,
        low=low,
        high=high,
        value=None if entry.get("value") is None else entry.word("value", test.values),
        text=entry.text("text"),
    )
    entry.done()
    return band
