"""A folder or inbox of photos -> cases, ranked by what to do next, with messages to send.

Each photo's result is kept the moment it is there, under the photo's content and the model's
version. So a run that is stopped or killed loses nothing, and the next does only what is new.
"""

import base64
import contextlib
import csv
import hashlib
import io
import json
import math
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from panelvision.errors import PanelvisionError, PhotoError
from panelvision.files import write_atomically
from panelvision.fingerprint import fingerprint, fingerprint_of_file
from panelvision.inbox import Incoming, Trouble, read_inbox
from panelvision.labels import SYMPTOMS
from panelvision.measure.change import SIGNIFICANCE
from panelvision.messages import message_for
from panelvision.settings import Settings
from panelvision.tables import cell
from panelvision.triage_cases import (
    NextStep,
    SortedCase,
    SortedPhoto,
    case_key,
    decide,
    group_photos,
    pairs_to_compare,
    rank_cases,
    repair_price,
)
from panelvision.triage_results import OutputError, ResultFiles, only_run
from panelvision.workers import Result, Task, run_tasks

ExamineBytes = Callable[[bytes, str], dict[str, Any]]
CompareBytes = Callable[[bytes, bytes], dict[str, Any]]

_THUMBNAIL_WIDTH = 240
_OVERLAY_WIDTH = 960
_PICTURE_QUALITY = 78


@dataclass(frozen=True)
class Progress:
    """How far a run is: ``stage`` is ``"photos"`` or ``"pairs"``.

    ``reused`` of the ``done`` were there from an earlier run.
    """

    stage: str
    done: int
    total: int
    reused: int
    failed: int
    name: str


@dataclass(frozen=True)
class SortSummary:
    """What a run did.

    Attributes
    ----------
    cases : tuple of SortedCase
        In the order in which to deal with them.
    photos, new, reused, failed : int
        Photos with a result; of them done in this run, taken from earlier runs, and unreadable.
    waiting, uncompared : int
        Photos, and pairs of photos of one dark screen, left undone because the run was stopped.
    out : Path
        Folder with ``results.jsonl``, ``results.csv`` and ``index.html``.
    seconds : float
    """

    cases: tuple[SortedCase, ...]
    photos: int
    new: int
    reused: int
    failed: int
    waiting: int
    uncompared: int
    out: Path
    seconds: float

    @property
    def stopped(self) -> bool:
        """Whether the run ended before everything was done."""
        return self.waiting + self.uncompared > 0


# --- what runs on the workers -------------------------------------------------------------------


def examine_photo(data: bytes, name: str) -> dict[str, Any]:
    """The pipeline on one photo: its JSON record, and pictures for the contact sheet."""
    from panelvision.examine import examine

    examination = examine(data, name=name)
    record = examination.to_json()
    thumbnail = examination.thumbnail(width=_THUMBNAIL_WIDTH)
    record["pictures"] = {
        "thumbnail": _jpeg(thumbnail),
        "overlay": _jpeg(examination.overlay(width=_OVERLAY_WIDTH)),
    }
    record["fingerprint"] = fingerprint(examination.look.photo.pixels)
    return record


def compare_pair(one: bytes, two: bytes) -> dict[str, Any]:
    """The change test on two photos, as ``panelvision compare`` reports it."""
    from panelvision.measure.change import compare_photos
    from panelvision.photo import read_photo

    change = compare_photos(read_photo(one), read_photo(two))
    return {
        "usable": bool(change.usable),
        "changed": bool(change.changed),
        "score": float(change.score),
        "p_value": float(change.p_value),
    }


def current_version() -> str:
    """Version of the program and of its model; results of another are not used again."""
    from panelvision.classify import model_version

    return model_version()


def _examine_safely(examine: ExamineBytes, data: bytes, name: str) -> dict[str, Any]:
    """One photo's result whatever happens; ``passing`` marks failures worth another try."""
    try:
        record = dict(examine(data, name))
    except PhotoError as fault:
        return {"file": name, "error": _one_line(fault)}
    except MemoryError:
        return {"file": name, "error": f"{name}: not enough memory; try again", "passing": True}
    except Exception as fault:  # one photo must never stop the rest; the kind is told
        kind = type(fault).__name__
        return {"file": name, "error": f"{name}: {kind}: {_one_line(fault)}", "passing": True}
    if "fingerprint" not in record:
        record["fingerprint"] = fingerprint_of_file(data)
    return _finite(record)


def _compare_safely(compare: CompareBytes, one: bytes, two: bytes) -> dict[str, Any]:
    try:
        return _finite(dict(compare(one, two)))
    except Exception as fault:
        return {"usable": False, "changed": False, "error": _one_line(fault)}


def _one_line(fault: BaseException) -> str:
    return " ".join(str(fault).split())[:300] or type(fault).__name__


def _finite(value: Any) -> Any:
    """JSON has no NaN: what could not be measured is null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): _finite(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(v) for v in value]
    if hasattr(value, "tolist"):
        return _finite(value.tolist())
    return value


def _jpeg(pixels: Any) -> str:
    done, encoded = cv2.imencode(
        ".jpg",
        np.ascontiguousarray(pixels[..., ::-1]),
        [cv2.IMWRITE_JPEG_QUALITY, _PICTURE_QUALITY],
    )
    return base64.b64encode(encoded.tobytes()).decode("ascii") if done else ""


# --- the run ------------------------------------------------------------------------------------


def sort_photos(
    sources: Iterable[str | Path],
    *,
    out: str | Path,
    examine: ExamineBytes = examine_photo,
    compare: CompareBytes = compare_pair,
    version: Callable[[], str] = current_version,
    workers: int | None = None,
    cluster: str | None = None,
    settings: Settings | None = None,
    progress: Callable[[Progress], None] | None = None,
    stop: threading.Event | None = None,
) -> SortSummary:
    """Examine what customers sent and say what to do next with each case.

    Parameters
    ----------
    sources : iterable of path
        Folders, zip files, .eml and .mbox files, photos.
    out : path
        Folder for ``results.jsonl``, ``results.csv``, ``index.html`` and the kept results.
    examine, compare, version : callables
        The pipeline, by default this package's; importable by the workers.
    workers : int, optional
        Processes on this machine, by default one a core; 0 works in this process.
    cluster : str, optional
        ``tcp://host:port`` of a dask.distributed scheduler to use instead.
    settings : Settings, optional
        Shop name and currency for the messages.
    progress : callable, optional
        Told after every photo.
    stop : Event, optional
        When set, the run ends early with what is done. Ctrl-C does the same.

    Raises
    ------
    InboxError
        When a source cannot be read at all.
    OutputError
        When ``out`` cannot be written, or another run is writing there.
    ClusterError
        When the cluster cannot be used; what is done is kept.
    """
    started = time.monotonic()
    out = Path(out)
    stop = stop or threading.Event()
    with only_run(out):
        run = _Run(out, examine, compare, version, workers, cluster, progress, stop)
        # A Ctrl-C while listing or writing is the user's; while working it means "enough".
        items = list(read_inbox(sources))
        with run.enough_on_interrupt():
            run.examine_all(items)
        groups = group_photos(run.photos)
        run.changes = [None] * len(groups)
        with run.enough_on_interrupt():
            run.compare_all(groups)
        shop = settings or Settings()
        cases = _cases(groups, run.changes, shop)
        try:
            write_outputs(cases, out, currency=shop.currency)
        except OSError as fault:
            raise OutputError(
                f"{out}: cannot be written ({fault.strerror}); free space and run again: "
                "what is done is kept"
            ) from None
    failed = sum("error" in photo.record for photo in run.photos)
    return SortSummary(
        tuple(cases),
        photos=len(run.photos),
        new=len(run.photos) - run.reused,
        reused=run.reused,
        failed=failed,
        waiting=len(items) - len(run.photos),
        uncompared=run.uncompared,
        out=out,
        seconds=time.monotonic() - started,
    )


class _Run:
    """State of one run."""

    def __init__(
        self,
        out: Path,
        examine: ExamineBytes,
        compare: CompareBytes,
        version: Callable[[], str],
        workers: int | None,
        cluster: str | None,
        progress: Callable[[Progress], None] | None,
        stop: threading.Event,
    ) -> None:
        self.files = ResultFiles(out / ".results", version())
        self.files.sweep(time.time())
        self.examine, self.compare, self.version = examine, compare, version
        self.workers, self.cluster = workers, cluster
        self.progress, self.stop = progress, stop
        self.photos: list[SortedPhoto] = []
        self.changes: list[Mapping[str, Any] | None] = []
        self.uncompared = 0
        self.reused = 0
        self.failed = 0

    @contextlib.contextmanager
    def enough_on_interrupt(self) -> Iterator[None]:
        """Ctrl-C inside ends the work and keeps what is done."""
        try:
            yield
        except KeyboardInterrupt:
            self.stop.set()

    def _tell(self, stage: str, done: int, total: int, name: str) -> None:
        if self.progress is not None:
            self.progress(Progress(stage, done, total, self.reused, self.failed, name))

    def _run(self, tasks: Iterator[Task], function: Callable[..., Any]) -> Iterator[Result]:
        return run_tasks(
            tasks,
            function,
            workers=self.workers,
            cluster=self.cluster,
            version=self.version,
            stop=self.stop,
        )

    # --- photos ---

    def examine_all(self, items: Sequence[Incoming | Trouble]) -> None:
        """Fill ``photos`` in the order of the items, as far as the run gets."""
        found: dict[int, SortedPhoto] = {}
        waiting: dict[str, list[int]] = {}
        hashes: dict[int, str] = {}

        def settle(index: int, photo: SortedPhoto, *, reused: bool = False) -> None:
            found[index] = photo
            self.reused += reused
            self.failed += "error" in photo.record
            self._tell("photos", len(found), len(items), photo.incoming.name)

        def tasks() -> Iterator[Task]:
            for index, item in enumerate(items):
                if self.stop.is_set():
                    return
                data, sha256, photo, reused = self._look_up(item)
                if photo is not None:
                    settle(index, photo, reused=reused)
                    continue
                hashes[index] = sha256
                key = self.files.key(sha256)
                # the same photo twice in one run is examined once
                twin = waiting.setdefault(key, [])
                twin.append(index)
                if len(twin) == 1:
                    yield Task(key, (data, items[index].name))

        try:
            stream = self._run(tasks(), partial(_examine_safely, self.examine))
            with contextlib.closing(stream):  # type: ignore[type-var]
                for result in stream:
                    record = self._finished(result)
                    for index in waiting.pop(result.key):
                        settle(index, _sorted(items[index], hashes[index], record))
                    # a twin that turns up later finds the kept file
        finally:
            self.photos = [found[index] for index in sorted(found)]

    def _look_up(self, item: Incoming | Trouble) -> tuple[bytes, str, SortedPhoto | None, bool]:
        """A photo's bytes and hash, and its result if it is known or cannot be had."""
        if isinstance(item, Trouble):
            incoming = Incoming(item.name, item.group, _nothing, item.sender, item.subject)
            error = {"file": item.name, "error": f"{item.name}: {item.reason}"}
            error["wanted"] = item.wanted
            return b"", "", SortedPhoto(incoming, "", error), False
        try:
            data = item.read()
        except PhotoError as fault:
            error = {"file": item.name, "error": _one_line(fault)}
            return b"", "", SortedPhoto(item, "", error), False
        sha256 = hashlib.sha256(data).hexdigest()
        record = self.files.get(self.files.key(sha256))
        if record is not None:
            return data, sha256, _sorted(item, sha256, record), True
        return data, sha256, None, False

    def _finished(self, result: Result) -> dict[str, Any]:
        if result.failure:
            return {"error": result.failure, "passing": True}
        record: dict[str, Any] = dict(result.value)
        if not record.get("passing"):
            self.files.put(result.key, record)
        return record

    # --- pairs ---

    def compare_all(self, groups: Sequence[Sequence[SortedPhoto]]) -> None:
        """Fill ``changes`` with the strongest within each case, or None, as far as the run gets.

        Its p-value is that of the best of all pairs compared (Bonferroni), as of a clip's moments.
        """
        wanted: list[tuple[int, SortedPhoto, SortedPhoto, str]] = []
        for number, group in enumerate(groups):
            for i, j in pairs_to_compare(group):
                one, two = sorted((group[i], group[j]), key=lambda p: p.sha256)
                key = self.files.key(one.sha256, two.sha256)
                wanted.append((number, one, two, key))
        pairs = {key: (one, two) for _, one, two, key in wanted}
        known: dict[str, Mapping[str, Any]] = {}
        judged: set[str] = set()

        def tasks() -> Iterator[Task]:
            for key, (one, two) in pairs.items():
                if key in known:
                    continue
                try:
                    data = one.incoming.read(), two.incoming.read()
                except PhotoError:  # vanished meanwhile
                    judged.add(key)
                    continue
                if [hashlib.sha256(d).hexdigest() for d in data] != [one.sha256, two.sha256]:
                    judged.add(key)  # changed meanwhile
                    continue
                yield Task(key, data)

        try:
            for key in pairs:
                if (kept := self.files.get(key)) is not None:
                    known[key] = kept
                    judged.add(key)
            if self.stop.is_set():
                return
            reused = len(known)
            stream = self._run(tasks(), partial(_compare_safely, self.compare))
            with contextlib.closing(stream):  # type: ignore[type-var]
                for done, result in enumerate(stream, 1 + reused):
                    judged.add(result.key)
                    if not result.failure:
                        known[result.key] = result.value
                        if "error" not in result.value:
                            self.files.put(result.key, result.value)
                    self._tell("pairs", done, len(pairs), "")
        finally:
            self.uncompared = len(pairs.keys() - judged)
            self.changes = _strongest(wanted, known, len(groups))


def _strongest(
    wanted: Sequence[tuple[int, SortedPhoto, SortedPhoto, str]],
    known: Mapping[str, Mapping[str, Any]],
    groups: int,
) -> list[Mapping[str, Any] | None]:
    """Of each group the pair with the least p-value, or None where none could be compared."""
    best: list[Mapping[str, Any] | None] = [None] * groups
    compared = Counter(number for number, *_, key in wanted if _compared(known.get(key)))
    for number, one, two, key in wanted:
        change = known.get(key)
        if change is None or not _compared(change):
            continue
        p_value = min(1.0, float(change["p_value"]) * compared[number])
        change = {
            "files": [one.incoming.name, two.incoming.name],
            **change,
            "p_value": p_value,
            "changed": p_value <= SIGNIFICANCE,
        }
        held = best[number]
        if held is None or p_value < held["p_value"]:
            best[number] = change
    return best


def _nothing() -> bytes:
    raise PhotoError("there is nothing to read")


def _compared(change: Mapping[str, Any] | None) -> bool:
    return change is not None and bool(change.get("usable")) and change.get("p_value") is not None


def _sorted(item: Incoming | Trouble, sha256: str, record: Mapping[str, Any]) -> SortedPhoto:
    """A kept or fresh record with this occurrence's name."""
    assert isinstance(item, Incoming)
    fields = {k: v for k, v in record.items() if k not in ("pictures", "fingerprint", "passing")}
    if "error" in fields:
        text = str(fields["error"]).removeprefix(f"{record.get('file', item.name)}: ")
        fields = {"error": f"{item.name}: {text.removeprefix(item.name + ': ')}"}
    return SortedPhoto(
        item,
        sha256,
        {"file": item.name, **{k: v for k, v in fields.items() if k != "file"}},
        record.get("pictures") or {},
        str(record.get("fingerprint") or ""),
    )


def _cases(
    groups: Sequence[Sequence[SortedPhoto]],
    changes: Sequence[Mapping[str, Any] | None],
    settings: Settings,
) -> list[SortedCase]:
    cases = []
    for group, change in zip(groups, changes, strict=True):
        step = decide(group, change)
        estimate = _estimate(step, settings)
        first = group[0].incoming
        title = first.subject or first.sender or first.group.split(":", 2)[-1] or first.name
        case = SortedCase(
            key=case_key(group),
            title=title,
            sender=next((p.incoming.sender for p in group if p.incoming.sender), ""),
            photos=tuple(group),
            change=change,
            next=step,
            estimate=estimate,
            message=message_for(
                step.step,
                wanted=step.wanted,
                symptom=step.symptom,
                suspect=step.suspect,
                hints=step.hints,
                photos=len(group),
                estimate=estimate,
                settings=settings,
            ),
        )
        cases.append(case)
    return rank_cases(cases)


def _estimate(step: NextStep, settings: Settings) -> tuple[float, float] | None:
    if step.step != "quote" or not step.suspect:
        return None
    try:
        return repair_price(step.suspect, settings)
    except PanelvisionError:  # a shop's own price file that is wrong must not cost the run
        return None


# --- what is written --------------------------------------------------------------------------


def json_rows(cases: Sequence[SortedCase]) -> Iterator[dict[str, Any]]:
    """One object a photo, cases in their order."""
    for case in cases:
        for photo in case.photos:
            row = dict(photo.record)
            row["sha256"] = photo.sha256
            row["case"] = case.key
            row["rank"] = case.rank
            row["next_step"] = case.next.step
            row["wanted"] = case.next.wanted
            row["sender"] = case.sender
            row["change"] = None if case.change is None else dict(case.change)
            row["message"] = case.message
            yield row


_CSV_COLUMNS = (
    "rank", "case", "next_step", "wanted", "sender", "title", "file", "usable", "symptom",
    "probability", "first_suspect", "retake", "error", "price_low", "price_high", "message",
)  # fmt: skip


def write_outputs(cases: Sequence[SortedCase], out: Path, *, currency: str = "") -> None:
    """Write ``results.jsonl``, ``results.csv`` and ``index.html``, each whole or not at all.

    They hold customers' photos and addresses: each is for its owner only.
    """
    from panelvision.triage_page import page

    lines = [json.dumps(row, ensure_ascii=False, allow_nan=False) for row in json_rows(cases)]
    write_atomically(out / "results.jsonl", "".join(f"{t}\n" for t in lines).encode())
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(_CSV_COLUMNS)
    for case in cases:
        low, high = case.estimate or (None, None)
        for photo in case.photos:
            record = photo.record
            suspects = record.get("suspects") or {}
            writer.writerow([
                cell(value)
                for value in (
                    case.rank,
                    case.key,
                    case.next.step,
                    case.next.wanted,
                    case.sender,
                    case.title,
                    photo.incoming.name,
                    photo.usable,
                    photo.symptom,
                    photo.probability if photo.symptom in SYMPTOMS else None,
                    max(suspects, key=lambda name: suspects[name]) if suspects else "",
                    " ".join(record.get("retake") or ()),
                    record.get("error"),
                    low,
                    high,
                    case.message,
                )
            ])  # fmt: skip
    # the mark tells spreadsheets that this is UTF-8
    write_atomically(out / "results.csv", ("\ufeff" + text.getvalue()).encode())
    write_atomically(out / "index.html", page(cases, currency=currency).encode())
