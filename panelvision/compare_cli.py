"""``panelvision compare``: did the picture on a dark panel change, in two photos or a clip?"""

import argparse
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from panelvision.corners_cli import METAVAR, read_corners
from panelvision.errors import PanelvisionError
from panelvision.files import check_json_target, json_line, make_folder, write_picture

if TYPE_CHECKING:
    from panelvision.arrays import FloatArray
    from panelvision.measure.change import PanelChange


def add_parser(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command to the program's parser."""
    parser = commands.add_parser(
        "compare",
        help="tell whether the picture on a dark panel changed between two photos or in a clip",
    )
    parser.add_argument(
        "files", nargs="+", metavar="FILE", help="two photos of the same dark screen, or one clip"
    )
    parser.add_argument("--jsonl", metavar="FILE", help="write one JSON object; - for stdout")
    parser.add_argument(
        "--enhanced",
        metavar="DIR",
        help="of a clip: write the mean of its frames, squared up and brought out",
    )
    parser.add_argument(
        "--corners",
        metavar=METAVAR,
        action="append",
        default=[],
        help="of two photos: outline of the active area in the first, and given again in the "
        "second; eight numbers clockwise from the top left, photo pixels",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Run ``panelvision compare``; 0 when it could be judged, 1 when a file could not be read."""
    from panelvision.inbox import is_clip

    files = [Path(f) for f in args.files]
    # A clip shows the change by itself; of photos it takes two.
    if len(files) > 2 or [is_clip(f.name) for f in files].count(True) != 2 - len(files):
        raise PanelvisionError("give two photos of the same screen, or one clip")
    if args.enhanced and len(files) == 2:
        raise PanelvisionError("--enhanced: for a clip; of photos 'panelvision examine' writes it")
    if len(args.corners) not in ((0, 2) if len(files) == 2 else (0,)):
        raise PanelvisionError(
            "--corners: for two photos, once for each in their order; a clip finds its own"
        )
    corners = [read_corners(text) for text in args.corners]
    if args.jsonl and args.jsonl != "-":
        check_json_target(args.jsonl)
    if args.enhanced:
        make_folder(Path(args.enhanced))
    names = [f.name for f in files]
    try:
        change = _judge(files, corners, args.enhanced)
    except PanelvisionError as fault:
        _write({"files": names, "error": str(fault)}, args.jsonl)
        print(f"panelvision: {fault}", file=sys.stderr)
        return 1
    _write(record(names, change), args.jsonl)
    if args.jsonl != "-":
        print(sentence(change))
    return 0


def _judge(files: list[Path], corners: "list[FloatArray]", folder: str | None) -> "PanelChange":
    from panelvision.clip import read_clip, watch
    from panelvision.measure.change import compare_photos
    from panelvision.photo import read_photo

    if len(files) == 2:
        first, second = (read_photo(f) for f in files)
        of_first, of_second = corners or (None, None)
        return compare_photos(first, second, corners=(of_first, of_second))
    seen = watch(read_clip(files[0]))
    if folder and seen.mean is not None:
        from panelvision.enhance import enhance

        write_picture(Path(folder), files[0].name, "enhanced", enhance(seen.mean), set())
    return seen.change


def record(names: list[str], change: "PanelChange") -> dict[str, Any]:
    """The machine-readable answer; numbers that could not be measured are null."""
    return {
        "files": names,
        "usable": change.usable,
        "changed": bool(change.changed),
        "score": _number(change.score),
        "p_value": _number(change.p_value),
        "reason": change.reason,
    }


def _number(value: float) -> float | None:
    return round(float(value), 6) if math.isfinite(value) else None


def sentence(change: "PanelChange") -> str:
    """The answer for people, one line."""
    if not change.usable:
        return f"Cannot tell: {change.reason}"
    if change.changed:
        return (
            f"The picture on the panel changed (p = {change.p_value:.3g}): "
            "the panel forms a picture."
        )
    return f"No change on the panel was found (p = {change.p_value:.2g})."


def _write(answer: dict[str, Any], target: str | None) -> None:
    if target is None:
        return
    line = json_line(answer) + "\n"
    if target == "-":
        sys.stdout.write(line)
        return
    try:
        Path(target).write_text(line, encoding="utf-8")
    except OSError as fault:
        raise PanelvisionError(
            f"{target}: cannot be written ({fault.strerror}); choose another file"
        ) from None
