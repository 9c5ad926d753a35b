"""Halves, bands and lines in words, with their marks."""

from panelvision.marks import Finding, Mark
from panelvision.measure.bands import Band
from panelvision.measure.columns import ColumnFindings
from panelvision.measure.driver_grid import DriverGrid
from panelvision.measure.lines import Line
from panelvision.measure.rows import RowFindings

_BAND_WORDS = {
    "dark": "A dark band",
    "bright": "A bright band without picture",
    "grey": "A grey band without picture",
    "tinted": "A coloured band without picture",
    "noise": "A band of fine stripes",
    "toned": "A band in another tone",
    "frozen": "A band of drawn-out picture",
    "copy": "A band of picture that does not belong there (ghosted or repeated)",
}
_HALF_WORDS = {
    "dark": "dark",
    "bright": "white without picture",
    "grey": "grey without picture",
    "tinted": "one colour without picture",
    "noise": "fine stripes",
    "toned": "in another tone",
    "frozen": "drawn out from one line",
    "copy": "picture that does not belong there",
}


def percent(fraction: float) -> str:
    """A position as people read it: one decimal per cent."""
    return f"{100 * fraction:.1f} %"


def describe_columns(columns: ColumnFindings) -> tuple[Finding, ...]:
    """Findings along the columns: half, bands, lines."""
    out = []
    half = columns.half
    if half is not None:
        good = "right" if half.dead_side == "left" else "left"
        lead = f"Picture on the {good} half only: the"
        if half.kind in ("toned", "copy"):  # a picture all the same
            lead = "The"
        box = (
            (0.0, 0.0, half.position, 1.0)
            if half.dead_side == "left"
            else (half.position, 0.0, 1.0, 1.0)
        )
        out.append(
            Finding(
                f"{lead} {half.dead_side} half, seen from the front, is {_HALF_WORDS[half.kind]}, "
                f"split at {percent(half.position)} of the width.",
                "half",
                half.score,
                Mark("band", box, f"{half.dead_side} half"),
            )
        )
    out += [_band(b, columns.grid) for b in columns.bands]
    out += [_line(line) for line in columns.lines]
    return tuple(out)


def describe_rows(rows: RowFindings) -> tuple[Finding, ...]:
    """Findings along the rows: bands, lines."""
    return (*(_band(b, None) for b in rows.bands), *(_line(line) for line in rows.lines))


def _band(band: Band, grid: DriverGrid | None) -> Finding:
    upright = band.axis == "vertical"
    side = "width" if upright else "height"
    text = (
        f"{_BAND_WORDS[band.kind]} from {percent(band.start)} to {percent(band.end)} of the {side}"
    )
    label = "band"
    if band.driver_blocks is not None and band.blocks:
        first, last = band.blocks[0], band.blocks[-1]
        many = len(band.blocks) > 1
        which = f"blocks {first} to {last}" if many else f"block {first}"
        text += f": {which} of {band.driver_blocks} from the left, seen from the front"
        label = (
            f"block {first}-{last}/{band.driver_blocks}"
            if many
            else (f"block {first}/{band.driver_blocks}")
        )
    elif upright and grid is not None and grid.reason:
        text += f" (number of driver blocks can't be told: {grid.reason})"
    box = (band.start, 0.0, band.end, 1.0) if upright else (0.0, band.start, 1.0, band.end)
    return Finding(text + ".", "band" if upright else "rows", band.score, Mark("band", box, label))


def _line(line: Line) -> Finding:
    upright = line.axis == "vertical"
    side, other = ("width", "height") if upright else ("height", "width")
    if line.start <= 0 and line.end >= 1:
        length = f"over the whole {other}"
    else:
        length = f"from {percent(line.start)} to {percent(line.end)} of the {other}"
    half = max(line.width, 0.001) / 2
    across = (max(line.position - half, 0.0), min(line.position + half, 1.0))
    box = (
        (across[0], line.start, across[1], line.end)
        if upright
        else (line.start, across[0], line.end, across[1])
    )
    name = "upright" if upright else "level"
    return Finding(
        f"A thin {line.colour} {name} line at {percent(line.position)} of the {side}, {length}.",
        "line" if upright else "rows",
        line.score,
        Mark("line", box, f"{line.colour} line"),
    )
