"""The command line: ``panelvision examine | compare | advise | sort | cases | app``."""

import argparse
import io
import sys
from contextlib import suppress
from pathlib import Path

from panelvision import __version__
from panelvision.corners_cli import METAVAR, read_corners
from panelvision.errors import PanelvisionError, PhotoError
from panelvision.files import check_json_target, json_line, make_folder, write_picture

EXIT_OK = 0
EXIT_SOME_FAILED = 1
EXIT_USAGE = 2


def main(argv: list[str] | None = None) -> int:
    """Run one command; returns the exit status (0 well, 1 some failed, 2 wrong use)."""
    _write_what_the_terminal_can()
    parser = _parser()
    args = parser.parse_args(argv)
    try:
        return args.run(args)
    except PanelvisionError as fault:
        print(f"panelvision: {fault}", file=sys.stderr)
        return EXIT_USAGE
    except BrokenPipeError:
        return EXIT_OK
    except KeyboardInterrupt:
        print("panelvision: stopped", file=sys.stderr)
        return 130


def _write_what_the_terminal_can() -> None:
    """Letters that a terminal's encoding lacks become question marks instead of a failure."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.encoding.lower() != "utf-8":
            stream.reconfigure(errors="replace")


def _parser() -> argparse.ArgumentParser:
    from panelvision import advise_cli, app_cli, cases_cli, compare_cli, sort_cli

    parser = argparse.ArgumentParser(
        prog="panelvision",
        description="Find the failed assembly of a television from photos of its screen.",
    )
    parser.add_argument("--version", action="version", version=f"panelvision {__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    _add_examine(commands)
    for part in (compare_cli, advise_cli, sort_cli, cases_cli, app_cli):
        part.add_parser(commands)
    return parser


def _add_examine(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    parser = commands.add_parser("examine", help="read one or more photos of a screen")
    parser.add_argument("photos", nargs="+", metavar="PHOTO")
    parser.add_argument(
        "--jsonl", metavar="FILE", help="write one JSON object a photo; - for stdout"
    )
    parser.add_argument(
        "--overlay", metavar="DIR", help="write each photo with its findings drawn on"
    )
    parser.add_argument("--enhanced", metavar="DIR", help="write each squared-up, enhanced screen")
    parser.add_argument(
        "--corners",
        metavar=METAVAR,
        help="outline of the active area, photo pixels: eight numbers clockwise from the top left",
    )
    parser.set_defaults(run=run_examine)


def run_examine(args: argparse.Namespace) -> int:
    """``panelvision examine``: a table for people, JSON lines for programs."""
    from contextlib import ExitStack

    from rich.console import Console
    from rich.progress import Progress

    corners = None if args.corners is None else read_corners(args.corners)
    for folder in (args.overlay, args.enhanced):
        if folder:
            make_folder(Path(folder))
    console = Console(stderr=args.jsonl == "-")
    failed = 0
    with ExitStack() as stack:
        sink = None
        if args.jsonl == "-":
            sink = sys.stdout
        elif args.jsonl:
            check_json_target(args.jsonl)
            try:
                sink = stack.enter_context(open(args.jsonl, "w", encoding="utf-8"))
            except OSError as fault:
                raise PanelvisionError(
                    f"{args.jsonl}: cannot be written ({fault.strerror}); choose another file"
                ) from None
        progress = None
        if len(args.photos) > 3 and sys.stderr.isatty():
            progress = stack.enter_context(Progress(console=Console(stderr=True), transient=True))
            task = progress.add_task("photos", total=len(args.photos))
        written: set[Path] = set()
        for path in args.photos:
            record = _examine_one(path, corners, args, console, written)
            failed += "error" in record
            if sink is not None:
                _write_line(sink, json_line(record))
            if progress is not None:
                progress.advance(task)
    return EXIT_SOME_FAILED if failed else EXIT_OK


def _write_line(sink, line: str) -> None:
    try:
        sink.write(line + "\n")
        sink.flush()
    except BrokenPipeError:
        raise
    except OSError as fault:
        with suppress(OSError):
            sink.close()  # what could not be written is given up here, not at the end
        raise PanelvisionError(
            f"{getattr(sink, 'name', 'output')}: cannot be written ({fault.strerror}); "
            "free some space or choose another file"
        ) from None


def _examine_one(path: str, corners, args: argparse.Namespace, console, written: set[Path]) -> dict:
    from rich.markup import escape

    from panelvision.examine import examine
    from panelvision.inbox import is_clip

    def told(fault: str) -> dict:
        # A file's name may look like the console's own markup: "[bold].jpg".
        console.print(f"[bold red]error[/] {escape(fault)}", highlight=False)
        return {"file": Path(path).name, "error": fault}

    try:
        if is_clip(path):
            raise PhotoError(
                f"{Path(path).name}: a clip; ask whether its picture changes with 'panelvision "
                "compare', or send one photo"
            )
        result = examine(path, corners=corners)
    except PanelvisionError as fault:
        return told(str(fault))
    except Exception as fault:  # one photo never stops the rest
        return told(f"{Path(path).name}: could not be examined ({type(fault).__name__})")
    if args.jsonl != "-":
        from panelvision.words import summary

        console.print(summary(result))
    record = result.to_json()
    try:
        if args.overlay:
            write_picture(Path(args.overlay), path, "overlay", result.overlay(), written)
        if args.enhanced:
            write_picture(Path(args.enhanced), path, "enhanced", result.enhanced(), written)
    except PanelvisionError as fault:
        return {**record, **told(str(fault))}
    return record


if __name__ == "__main__":
    sys.exit(main())
