"""``panelvision cases``: the shop's memory on the command line."""

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

from panelvision.errors import PanelvisionError
from panelvision.labels import ASSEMBLIES, SYMPTOMS
from panelvision.words import as_percent

if TYPE_CHECKING:
    from panelvision.cases import Case, CaseStore, Deletion
    from panelvision.cases.accuracy import Accuracy, HitRate


def add_parser(commands: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add ``cases`` and its parts to the command line."""
    parser = commands.add_parser("cases", help="the case store: search, close, archive, judge")
    parser.add_argument(
        "--store",
        metavar="URL",
        help="path of an SQLite file or a database URL (default: PANELVISION_STORE, else the "
        "user's data folder)",
    )
    parts = parser.add_subparsers(required=True, metavar="PART")

    part = parts.add_parser("list", help="list cases; with words, only those that hold them all")
    part.add_argument("words", nargs="*", metavar="WORD")
    part.add_argument("--open", action="store_true", help="open cases only")
    part.add_argument("--json", action="store_true", help="one JSON object a case")
    part.set_defaults(part=_list)

    part = parts.add_parser("show", help="one case, as JSON")
    part.add_argument("case", help="its number, or the beginning of it")
    part.set_defaults(part=_show)

    part = parts.add_parser("close", help="close a case with what it turned out to be")
    part.add_argument("case")
    part.add_argument("assembly", choices=ASSEMBLIES)
    part.add_argument("--fault", default="", help="name of the fault, as in the knowledge files")
    part.add_argument("--symptom", default="", choices=("", *SYMPTOMS), metavar="SYMPTOM")
    part.add_argument("--notes", default="")
    part.set_defaults(part=_close)

    part = parts.add_parser("reopen", help="open a closed case again")
    part.add_argument("case")
    part.set_defaults(part=_reopen)

    part = parts.add_parser("accuracy", help="how often the first and second suspect were right")
    part.add_argument("--json", action="store_true", help="as one JSON object")
    part.set_defaults(part=_accuracy)

    part = parts.add_parser("customers", help="list customers")
    part.set_defaults(part=_customers)

    part = parts.add_parser(
        "delete-customer", help="delete a customer with all cases and photos, for good"
    )
    part.add_argument("customer", help="number of the customer, as listed")
    part.add_argument("--yes", action="store_true", help="do not ask")
    part.set_defaults(part=_delete)

    part = parts.add_parser("delete", help="delete one case with its photos, for good")
    part.add_argument("case", help="its number, or the beginning of it")
    part.add_argument("--yes", action="store_true", help="do not ask")
    part.set_defaults(part=_delete_case)

    part = parts.add_parser("export", help="write all cases and photos to a zip file")
    part.add_argument("file")
    part.set_defaults(part=_export)

    part = parts.add_parser("import", help="add the cases of an exported zip file")
    part.add_argument("file")
    part.set_defaults(part=_import)

    part = parts.add_parser("backup", help="write a dated, checked archive into a folder")
    part.add_argument("folder")
    part.set_defaults(part=_backup)

    part = parts.add_parser("restore", help="make the store what a backup holds")
    part.add_argument("file")
    part.add_argument("--yes", action="store_true", help="do not ask")
    part.set_defaults(part=_restore)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Open the store and do one part."""
    from panelvision.cases import open_store

    with open_store(args.store) as store:
        return int(args.part(store, args))


def _print(text: str) -> None:
    # what customers wrote may hold characters that the terminal's encoding lacks
    encoding = sys.stdout.encoding or "utf-8"
    print(text.encode(encoding, "replace").decode(encoding))


def _list(store: "CaseStore", args: argparse.Namespace) -> int:
    from panelvision.cases.archive import case_to_json

    cases = store.search(" ".join(args.words), open_only=args.open)
    if args.json:
        for case in cases:
            _print(json.dumps(case_to_json(case), ensure_ascii=False))
        return 0
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    table = Table(box=None)
    for heading in ("case", "changed", "customer", "set", "symptom", "first suspect", "outcome"):
        table.add_column(heading, overflow="fold")
    for case in cases:
        table.add_row(*(escape(text) for text in _row(case)))
    Console().print(table if cases else "no such case")
    return 0


def _row(case: "Case") -> tuple[str, ...]:
    customer = case.customer
    return (
        case.id[:8],
        "" if case.updated is None else f"{case.updated.astimezone():%Y-%m-%d}",
        "" if customer is None else customer.name or customer.contact,
        case.set.label,
        case.symptom,
        next(iter(case.suspects), ""),
        "" if case.outcome is None else case.outcome.assembly,
    )


def _show(store: "CaseStore", args: argparse.Namespace) -> int:
    from dataclasses import asdict

    from panelvision.cases.archive import case_to_json

    case = store.get(args.case)
    record = case_to_json(case)
    record["customer"] = None if case.customer is None else asdict(case.customer)
    _print(json.dumps(record, ensure_ascii=False, indent=1))
    return 0


def _close(store: "CaseStore", args: argparse.Namespace) -> int:
    from panelvision.cases import Outcome
    from panelvision.knowledge import load_knowledge

    of_assembly = [
        name for name, f in load_knowledge().faults.items() if f.assembly == args.assembly
    ]
    if args.fault and args.fault not in of_assembly:
        known = ", ".join(of_assembly) or "none"
        raise PanelvisionError(
            f"--fault: '{args.fault}' is no fault of {args.assembly}; known: {known}"
        )
    case = store.close_case(args.case, Outcome(args.assembly, args.fault, args.symptom, args.notes))
    _print(f"closed {case.id[:8]}: {args.assembly}")
    return 0


def _reopen(store: "CaseStore", args: argparse.Namespace) -> int:
    _print(f"open again: {store.reopen(args.case).id[:8]}")
    return 0


def _accuracy(store: "CaseStore", args: argparse.Namespace) -> int:
    accuracy = store.accuracy()
    if args.json:
        print(json.dumps(accuracy.to_json()))
        return 0
    from rich.console import Console

    Console().print(_accuracy_table(accuracy))
    calibration = accuracy.calibration
    if calibration is None:
        _print("No closed case with advice yet: close cases with their outcome to see more.")
        return 0
    verdict = (
        "no reason to doubt the probabilities"
        if calibration.believable
        else "the probabilities were wrong by more than chance: judge them with care"
    )
    _print(
        f"calibration error {calibration.error:.3f}; perfect probabilities would show "
        f"{calibration.error_if_perfect:.3f} on average and stay below "
        f"{calibration.error_limit:.3f} in 95 % of such samples: {verdict}"
    )
    return 0


def _accuracy_table(accuracy: "Accuracy") -> Any:
    from rich.table import Table

    table = Table(
        title=f"{accuracy.judged} judged of {accuracy.closed} closed cases", title_justify="left"
    )
    table.add_column("symptom")
    table.add_column("cases", justify="right")
    table.add_column("first right (95 % interval)")
    table.add_column("first or second right")
    rows = [("all", accuracy.overall), *accuracy.by_symptom.items()]
    for name, score in rows:
        table.add_row(
            name or "(no photo)", str(score.first.cases), _rate(score.first), _rate(score.first_two)
        )
    return table


def _rate(rate: "HitRate") -> str:
    if rate.rate is None or rate.low is None or rate.high is None:
        return "-"
    return f"{as_percent(rate.rate)}  ({as_percent(rate.low)} to {as_percent(rate.high)})"


def _customers(store: "CaseStore", _args: argparse.Namespace) -> int:
    for entry in store.customers():
        customer = entry.customer
        _print(
            f"{customer.id}  {customer.name or '(no name)'}  {customer.contact}  "
            f"{entry.open_cases} open of {entry.all_cases}"
        )
    return 0


def _sure(args: argparse.Namespace, question: str) -> bool:
    if args.yes:
        return True
    if not sys.stdin.isatty():
        print("panelvision: add --yes to do it without asking", file=sys.stderr)
        return False
    try:
        said = input(f"{question} Type yes: ").strip().lower() == "yes"
    except EOFError:
        said = False
    if not said:
        print("panelvision: nothing was changed", file=sys.stderr)
    return said


def _delete(store: "CaseStore", args: argparse.Namespace) -> int:
    if not _sure(args, "Delete this customer with all cases and photos for good?"):
        return 2
    _tell_deleted(store.delete_customer(args.customer))
    return 0


def _delete_case(store: "CaseStore", args: argparse.Namespace) -> int:
    case = store.get(args.case)
    if not _sure(args, f"Delete case {case.id[:8]} ({case.set.label}) with its photos for good?"):
        return 2
    _tell_deleted(store.delete_case(case.id))
    return 0


def _tell_deleted(gone: "Deletion") -> None:
    _print(
        f"deleted {gone.cases} cases and {gone.photos} photos; archives and backups written "
        "earlier and the folders of 'panelvision sort' still hold them, and sorting the same "
        "photos with --store files them again"
    )


def _export(store: "CaseStore", args: argparse.Namespace) -> int:
    summary = store.export(args.file)
    _print(f"{summary.path}: {summary.cases} cases, {summary.photos} photos")
    return 0


def _import(store: "CaseStore", args: argparse.Namespace) -> int:
    done = store.import_archive(args.file)
    _print(f"{done.added} cases added, {done.updated} brought up to date, {done.kept} kept")
    return 0


def _backup(store: "CaseStore", args: argparse.Namespace) -> int:
    _print(str(store.backup(args.folder)))
    return 0


def _restore(store: "CaseStore", args: argparse.Namespace) -> int:
    if not _sure(args, "Replace everything in the store by this backup?"):
        return 2
    done = store.restore(args.file)
    _print(f"restored {done.added} cases")
    return 0
