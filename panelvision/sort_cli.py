"""``panelvision sort``: a folder or inbox of photos -> ranked cases with messages."""

import argparse
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from panelvision.triage import Progress, SortSummary

_EXIT_INTERRUPTED = 130


def add_parser(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add ``sort`` to the command line."""
    parser = commands.add_parser(
        "sort",
        help="sort customers' photos by what to do next",
        description="Examine every photo in folders, zip files and mail files, group them into "
        "cases, and rank the cases by what to do next. A second run does only what is new.",
    )
    parser.add_argument(
        "paths", nargs="+", metavar="PATH", help="a folder, a zip, an .eml or .mbox file, a photo"
    )
    parser.add_argument(
        "--out",
        metavar="DIR",
        default="sorted",
        help="folder for results.jsonl, results.csv and index.html (default: %(default)s)",
    )
    parser.add_argument(
        "--workers",
        type=_count,
        metavar="N",
        help="processes on this machine (default: one a core; 0 works in this process)",
    )
    parser.add_argument(
        "--cluster",
        metavar="ADDRESS",
        help="use a dask.distributed cluster instead: tcp://host:port of its scheduler",
    )
    parser.add_argument(
        "--store",
        nargs="?",
        const="",
        metavar="URL",
        help="also file the cases in the case store (the usual one, or a path or database URL)",
    )
    parser.add_argument("--quiet", action="store_true", help="no progress and no summary")
    parser.set_defaults(run=run)


def _count(text: str) -> int:
    if not text.isdecimal() or not 0 <= int(text) <= 1024:
        raise argparse.ArgumentTypeError(f"expected a whole number from 0 to 1024, got {text!r}")
    return int(text)


def run(args: argparse.Namespace) -> int:
    """Sort; the exit status is 0, 1 when photos could not be read, 130 after Ctrl-C."""
    from panelvision.cases import open_store
    from panelvision.settings import load_settings
    from panelvision.triage import sort_photos
    from panelvision.triage_store import file_cases

    settings = load_settings()
    if args.store is not None:
        # That it cannot be opened is told before the work and not after it.
        open_store(args.store or None).close()
    with ExitStack() as stack:
        tell = None if args.quiet else _progress(stack)
        summary = sort_photos(
            args.paths,
            out=args.out,
            workers=args.workers,
            cluster=args.cluster,
            settings=settings,
            progress=tell,
        )
    if not args.quiet:
        _report(summary)
    if args.store is not None and not summary.stopped:
        with open_store(args.store or None) as store:
            done = file_cases(summary.cases, store)
        if not args.quiet:
            kept = f", {done.kept} as they were" if done.kept else ""
            print(f"filed {done.added} new cases, {done.updated} brought up to date{kept}")
    if summary.stopped:
        print(
            f"panelvision: stopped; {summary.waiting} photos and {summary.uncompared} pairs of "
            "photos wait, what is done is kept: run the same command again",
            file=sys.stderr,
        )
        return _EXIT_INTERRUPTED
    return 1 if summary.failed else 0


def _progress(stack: ExitStack) -> "Callable[[Progress], None] | None":
    """A bar with rate and remaining time, where somebody watches."""
    from rich import progress as rp
    from rich.console import Console
    from rich.text import Text

    class Rate(rp.ProgressColumn):
        def render(self, task: rp.Task) -> Text:
            speed = task.finished_speed or task.speed
            return Text("" if not speed else f"{speed:.1f}/s")

    console = Console(stderr=True)
    if not console.is_terminal:
        return None
    bar = stack.enter_context(
        rp.Progress(
            rp.TextColumn("{task.description}"),
            rp.BarColumn(),
            rp.MofNCompleteColumn(),
            Rate(),
            rp.TimeRemainingColumn(elapsed_when_finished=True),
            rp.TextColumn("{task.fields[note]}"),
            console=console,
        )
    )
    tasks: dict[str, rp.TaskID] = {}

    def tell(state: "Progress") -> None:
        if state.stage not in tasks:
            tasks[state.stage] = bar.add_task(state.stage, total=state.total, note="")
        note = f"{state.failed} unreadable" if state.failed else ""
        bar.update(tasks[state.stage], completed=state.done, total=state.total, note=note)

    return tell


def _report(summary: "SortSummary") -> None:
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    from panelvision.triage_cases import STEP_WORDS, STEPS

    console = Console()
    table = Table(show_header=True, box=None)
    table.add_column("next step")
    table.add_column("cases", justify="right")
    table.add_column("photos", justify="right")
    for step in STEPS:
        chosen = [case for case in summary.cases if case.next.step == step]
        table.add_row(
            STEP_WORDS[step], str(len(chosen)), str(sum(len(case.photos) for case in chosen))
        )
    console.print(table)
    rate = summary.new / summary.seconds if summary.seconds > 0 else 0.0
    console.print(
        f"{summary.photos} photos: {summary.new} new ({rate:.1f}/s), {summary.reused} known, "
        f"{summary.failed} unreadable"
    )
    console.print(f"open {escape(str(Path(summary.out) / 'index.html'))}")
