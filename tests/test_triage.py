"""Sorting: nothing lost, nothing done twice, one bad photo stops nobody, and what to do next.

Queues, files and pages are tested with `toy_pipeline`; the vision has tests of its own.
"""

import csv
import hashlib
import io
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
import zipfile
from contextlib import suppress
from dataclasses import replace
from email.message import EmailMessage
from html.parser import HTMLParser
from pathlib import Path

import pytest
from PIL import Image

from panelvision.cases import Customer, Outcome, open_store
from panelvision.files import TEMPORARY_PREFIX, sweep_temporaries
from panelvision.fingerprint import BITS, NEAR, distance, fingerprint_of_file
from panelvision.inbox import Incoming
from panelvision.isolate import isolate
from panelvision.knowledge import load_knowledge
from panelvision.labels import ASSEMBLIES, SYMPTOMS
from panelvision.messages import WANTED, message_for
from panelvision.settings import Settings
from panelvision.triage import sort_photos
from panelvision.triage_cases import (
    STEPS,
    SortedPhoto,
    decide,
    group_photos,
    pairs_to_compare,
    rank_cases,
    repair_price,
)
from panelvision.triage_page import page
from panelvision.triage_results import OutputError, only_run
from panelvision.triage_store import file_cases
from panelvision.workers import Task, run_tasks
from tests import tally, toy_pipeline
from tests.toy_pipeline import photo

REPO = Path(__file__).parents[1]


def sort(*paths, out: Path, examine=toy_pipeline.examine, workers=0, **more):
    return sort_photos(
        paths,
        out=out,
        examine=examine,
        compare=toy_pipeline.compare,
        version=more.pop("version", toy_pipeline.version),
        workers=workers,
        **more,
    )


def rows(out: Path) -> list[dict]:
    return [json.loads(line) for line in (out / "results.jsonl").read_text("utf-8").splitlines()]


def inbox(folder: Path, count: int = 12) -> list[Path]:
    """A mixed inbox: a folder with loose and grouped photos and broken files, a zip, an mbox."""
    box = folder / "box"
    (box / "set 1").mkdir(parents=True)
    for i in range(count):
        symptom = SYMPTOMS[i % len(SYMPTOMS)]
        target = box / "set 1" if i % 4 == 0 else box
        (target / f"p{i}.png").write_bytes(photo(symptom, i))
    (box / "broken.jpg").write_bytes(photo("normal", form="JPEG")[:300])
    (box / "empty.jpg").write_bytes(b"")
    with zipfile.ZipFile(folder / "z.zip", "w") as archive:
        for i in range(count):
            archive.writestr(f"z{i}.png", photo(SYMPTOMS[i % len(SYMPTOMS)], 100 + i))
        archive.writestr("text.jpg", b"no photo")
    lines = b""
    for i in range(count // 2):
        message = EmailMessage()
        message["From"], message["Subject"] = f"c{i % 4}@example.org", f"television {i}"
        message.set_content("help")
        data = photo(SYMPTOMS[i % len(SYMPTOMS)], 200 + i)
        message.add_attachment(data, maintype="image", subtype="png", filename="a.png")
        lines += b"From x\n" + message.as_bytes() + b"\n"
    (folder / "m.mbox").write_bytes(lines)
    return [box, folder / "z.zip", folder / "m.mbox"]


def test_every_photo_ends_in_every_output(tmp_path):
    paths = inbox(tmp_path)
    summary = sort(*paths, out=tmp_path / "out")
    assert summary.photos == 12 + 2 + 13 + 6
    assert (summary.new, summary.failed, summary.waiting) == (33, 3, 0)
    got = rows(tmp_path / "out")
    assert len(got) == 33 and len({row["file"] for row in got}) == 33
    for row in got:
        assert row["next_step"] in STEPS and row["case"] and row["rank"] >= 1 and row["message"]
        assert ("error" in row) != (row.get("symptom") in SYMPTOMS)
        if "error" in row:
            assert row["error"].startswith(row["file"]) and "\n" not in row["error"]
    text = (tmp_path / "out" / "results.csv").read_text("utf-8-sig")
    table = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [line["file"] for line in table] == [row["file"] for row in got]
    sheet = (tmp_path / "out" / "index.html").read_text("utf-8")
    assert all(row["file"] in sheet for row in got)
    # ranked by step, then the surest first; mails of one sender are one case
    order = [STEPS.index(case.next.step) for case in summary.cases]
    assert order == sorted(order)
    assert [case.rank for case in summary.cases] == list(range(1, len(summary.cases) + 1))
    senders = [case.sender for case in summary.cases if case.sender]
    assert sorted(senders) == [f"c{i}@example.org" for i in range(4)]


def test_the_second_run_does_only_what_is_new(tmp_path, monkeypatch):
    calls = tmp_path / "calls"
    calls.mkdir()
    monkeypatch.setenv("TOY_CALLS", str(calls))
    paths = inbox(tmp_path)
    out = tmp_path / "out"
    once = sort(*paths, out=out, examine=toy_pipeline.counted_examine)
    first, count = rows(out), len(list(calls.iterdir()))
    assert count == 33
    again = sort(*paths, out=out, examine=toy_pipeline.counted_examine)
    assert (again.new, again.reused) == (0, 33)
    assert len(list(calls.iterdir())) == count
    assert rows(out) == first
    assert [c.key for c in again.cases] == [c.key for c in once.cases]
    (paths[0] / "late.png").write_bytes(photo("normal", 999))
    (paths[0] / "copy of p1.png").write_bytes((paths[0] / "p1.png").read_bytes())
    third = sort(*paths, out=out, examine=toy_pipeline.counted_examine)
    assert len(list(calls.iterdir())) == count + 1
    assert third.photos == 35
    sort(*paths, out=out, examine=toy_pipeline.counted_examine, version=lambda: "toy 2")
    assert len(list(calls.iterdir())) == 2 * count + 2  # another model: everything anew


def test_identical_photos_are_examined_once_and_listed_each(tmp_path, monkeypatch):
    (tmp_path / "calls").mkdir()
    monkeypatch.setenv("TOY_CALLS", str(tmp_path / "calls"))
    box = tmp_path / "box"
    box.mkdir()
    for name in ("a.png", "b.png", "c.png"):
        (box / name).write_bytes(photo("normal", 1))
    summary = sort(box, out=tmp_path / "out", examine=toy_pipeline.counted_examine, workers=1)
    assert len(list((tmp_path / "calls").iterdir())) == 1
    assert [row["file"] for row in rows(tmp_path / "out")] == ["a.png", "b.png", "c.png"]
    assert len(summary.cases) == 1


def test_a_photo_that_kills_its_worker_costs_only_itself(tmp_path):
    box = tmp_path / "box"
    box.mkdir()
    for i in range(10):
        (box / f"p{i}.png").write_bytes(photo("normal", i))
    (box / "p5 deadly.png").write_bytes(photo("normal", 50))
    tally.add(tally.FAULTS)
    summary = sort(box, out=tmp_path / "out", examine=toy_pipeline.deadly_examine, workers=2)
    assert (summary.photos, summary.failed) == (11, 1)
    (bad,) = [row for row in rows(tmp_path / "out") if "error" in row]
    assert bad["file"] == "p5 deadly.png" and "crash" in bad["error"]


def test_an_accident_in_the_pipeline_is_told_and_tried_again(tmp_path):
    box = tmp_path / "box"
    box.mkdir()
    (box / "odd.png").write_bytes(photo("normal", 1))
    (box / "even.png").write_bytes(photo("normal", 2))
    summary = sort(box, out=tmp_path / "out", examine=toy_pipeline.failing_examine)
    assert summary.failed == 1
    (bad,) = [row for row in rows(tmp_path / "out") if "error" in row]
    assert bad["error"] == "odd.png: ZeroDivisionError: an accident over two lines"
    assert sort(box, out=tmp_path / "out").failed == 0


def test_stopping_keeps_what_is_done(tmp_path):
    paths = inbox(tmp_path)
    stop = threading.Event()

    def tell(state):
        if state.done == 10:
            stop.set()

    part = sort(*paths, out=tmp_path / "out", progress=tell, stop=stop)
    assert part.stopped and 10 <= part.photos < 33
    assert len(rows(tmp_path / "out")) == part.photos
    rest = sort(*paths, out=tmp_path / "out")
    assert rest.photos == 33 and rest.reused >= 8
    sort(*paths, out=tmp_path / "clean")
    assert rows(tmp_path / "out") == rows(tmp_path / "clean")


_SCRIPT = """
import sys
from panelvision.triage import sort_photos
from tests import toy_pipeline
if __name__ == "__main__":
    s = sort_photos(sys.argv[2:], out=sys.argv[1], examine=toy_pipeline.slow_examine,
                    compare=toy_pipeline.compare, version=toy_pipeline.version, workers=2)
    sys.exit(130 if s.stopped else 0)
"""


def _started(tmp_path: Path, out: Path, paths: list[Path]) -> subprocess.Popen:
    script = tmp_path / "run_sort.py"
    script.write_text(_SCRIPT)
    environment = {**os.environ, "PYTHONPATH": str(REPO)}
    return subprocess.Popen(
        [sys.executable, str(script), str(out), *map(str, paths)], env=environment, cwd=REPO
    )


def _done(out: Path) -> int:
    return len(list((out / ".results").rglob("*.json"))) if out.exists() else 0


def _until(condition, seconds: float = 240) -> None:
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it took too long"
        time.sleep(0.02)


def _children(pid: int) -> list[int]:
    try:
        return [int(p) for p in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs Linux's /proc")
def test_killed_again_and_again_it_ends_in_the_same_result(tmp_path):
    paths, out = inbox(tmp_path, 24), tmp_path / "out"
    orphans: list[int] = []
    killed = 0
    for signal_, whom in (
        (signal.SIGKILL, "run"),
        (signal.SIGKILL, "worker"),
        (signal.SIGINT, "run"),
    ):
        before = _done(out)
        tally.add(tally.FAULTS, 1 if whom == "run" else 2)
        run = _started(tmp_path, out, paths)
        # While this process is not let run, the other may come to its end.
        _until(lambda b=before, r=run: _done(out) > b + 2 or r.poll() is not None)
        workers = _children(run.pid)
        orphans += workers
        if whom == "worker" and workers:
            with suppress(ProcessLookupError):
                os.kill(workers[-1], signal_)
            time.sleep(0.1)
        run.send_signal(signal_)
        status = run.wait(60)
        killed += status == -signal.SIGKILL
        assert status in ((130, 0) if signal_ == signal.SIGINT else (-signal.SIGKILL, 0))
        if status == 130:
            # the photo whose result was just being taken may be missing from the table
            assert len(rows(out)) >= before + 2
    # The first is killed after its third of more than sixty photos.
    assert killed >= 1
    assert _started(tmp_path, out, paths).wait(120) == 0
    sort(*paths, out=tmp_path / "clean")
    assert rows(out) == rows(tmp_path / "clean")
    tally.check_left(p for p in tally.files_in(out) if p.name.startswith(TEMPORARY_PREFIX))
    # workers do not outlive their parent
    _until(
        lambda: not any(Path(f"/proc/{pid}/cmdline").exists() and _alive(pid) for pid in orphans)
    )


def _alive(pid: int) -> bool:
    try:
        return b"multiprocessing" in Path(f"/proc/{pid}/cmdline").read_bytes()
    except OSError:
        return False


def test_two_runs_into_one_folder_are_refused(tmp_path):
    box = tmp_path / "box"
    box.mkdir()
    with only_run(tmp_path / "out"), pytest.raises(OutputError, match="another run"):
        sort(box, out=tmp_path / "out")
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError, match="choose another --out"):
        sort(box, out=tmp_path / "file" / "out")
    assert sort(box, out=tmp_path / "out").cases == ()
    assert "No photo" in (tmp_path / "out" / "index.html").read_text()


@pytest.mark.skipif(os.name != "posix", reason="modes of files bind on POSIX systems alone")
def test_what_is_sorted_is_for_its_owner_only(tmp_path):
    box = tmp_path / "1.eml"
    box.write_bytes(mail("ann@example.org", ("a.png", photo("no-image"))))

    def mode(path: Path) -> int:
        return path.stat().st_mode & 0o777

    made, given = tmp_path / "new" / "out", tmp_path / "given"
    given.mkdir(mode=0o755)
    given.chmod(0o755)
    (given / "index.html").write_text("an older sheet")
    (given / "index.html").chmod(0o644)
    before = os.umask(0o022)
    try:
        for out in (made, given):
            sort(box, out=out)
            for name in ("results.jsonl", "results.csv", "index.html"):
                assert mode(out / name) == 0o600
            assert mode(out / ".results") == 0o700
    finally:
        os.umask(before)
    # A folder that was there is the user's own affair.
    assert (mode(made), mode(given)) == (0o700, 0o755)


def test_torn_results_are_done_again(tmp_path):
    paths = inbox(tmp_path)
    sort(*paths, out=tmp_path / "out")
    first = rows(tmp_path / "out")
    for i, kept in enumerate(sorted((tmp_path / "out" / ".results").rglob("*.json"))):
        if i % 3 == 0:
            kept.write_bytes(kept.read_bytes()[: i * 7])
            tally.add(tally.FAULTS)
    assert sort(*paths, out=tmp_path / "out").photos == 33
    assert rows(tmp_path / "out") == first


def test_workers_use_one_thread_each():
    (result,) = run_tasks([Task("k", ())], _thread_counts, workers=1)
    assert result.value[0] == 1 and set(result.value[1:]) <= {1}


def _thread_counts() -> list[int]:
    import cv2
    import numpy as np
    import threadpoolctl

    np.ones((2, 2)) @ np.ones((2, 2))
    return [cv2.getNumThreads(), *(pool["num_threads"] for pool in threadpoolctl.threadpool_info())]


# --- hostile names ----------------------------------------------------------------------


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes.update(name for name, _ in attrs)
        for name, value in attrs:
            if name in ("src", "href"):
                assert re.match(r"(data:image/jpeg;base64,|#|mailto:)", value or ""), value


def test_names_and_mails_stay_text_in_the_page_and_the_table(tmp_path):
    evil = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>.png"
    message = EmailMessage()
    message["From"] = '"<b>" <javascript:alert(1)//"onmouseover=x@example.org>'
    message["Subject"] = "=cmd|' /C calc'!A0 </article><script>x</script>"
    message.set_content("x")
    message.add_attachment(photo("normal", 1), maintype="image", subtype="png", filename=evil)
    box = tmp_path / "box"
    box.mkdir()
    (box / "m.eml").write_bytes(message.as_bytes())
    (box / "=1+1.png").write_bytes(photo("cracked", 2))
    sort(box, out=tmp_path / "out")
    reader = _Reader()
    reader.feed((tmp_path / "out" / "index.html").read_text("utf-8"))
    assert "script" not in reader.tags and "b" in reader.tags
    assert not any(name.startswith("on") for name in reader.attributes)
    text = (tmp_path / "out" / "results.csv").read_text("utf-8-sig")
    for line in csv.DictReader(io.StringIO(text, newline="")):
        assert not any(value.startswith(("=", "+", "-", "@")) for value in line.values())


# --- what to do next --------------------------------------------------------------------


def seen(symptom: str, probability: float = 0.9, **fields) -> SortedPhoto:
    others = (1 - probability) / (len(SYMPTOMS) - 1)
    record = {
        "file": "x",
        "usable": True,
        "symptom": symptom,
        "symptom_probabilities": {s: probability if s == symptom else others for s in SYMPTOMS},
        "symptom_set": [symptom],
        "suspects": {"backlight": 0.8, "power-board": 0.2},
        **fields,
    }
    return SortedPhoto(Incoming("x", "", lambda: b""), "a" * 64, record)


_FAILED = SortedPhoto(Incoming("x", "", lambda: b""), "", {"file": "x", "error": "x: broken"})
_UNSURE = {"usable": False, "retake": ["Move closer."]}


@pytest.mark.parametrize(
    ("photos", "change", "step", "wanted"),
    [
        ([_FAILED], None, "ask-for-photo", "file"),
        ([seen("not-a-screen")], None, "not-a-screen", ""),
        ([seen("faint-image")], None, "quote", ""),
        ([_FAILED, seen("faint-image")], None, "quote", ""),
        ([seen("not-a-screen"), seen("cracked")], None, "quote", ""),
        ([seen("normal")], None, "ask-for-photo", "fault"),
        # A fault that comes and goes: a surer photo without it does not outweigh one with it.
        ([seen("normal", 0.92), seen("faint-image", 0.88)], None, "quote", ""),
        ([seen("no-image", **_UNSURE)], None, "ask-for-photo", "torch"),
        ([seen("faint-image", 0.6)], None, "ask-for-photo", "menu"),
        ([seen("faint-image", 0.6)] * 3, None, "bring-in", ""),
        ([seen("vertical-lines", 0.6)], None, "ask-for-photo", "white"),
        ([seen("blocky", **_UNSURE)], None, "ask-for-photo", "again"),
        # A lit screen without a picture, or a plain page: the menu tells.
        ([seen("glow-no-image", **_UNSURE)], None, "ask-for-photo", "lit-menu"),
        ([seen("glow-no-image", **_UNSURE)] * 2, None, "ask-for-photo", "lit-menu"),
        ([seen("glow-no-image", **_UNSURE), seen("normal")], None, "ask-for-photo", "fault"),
        ([seen("no-image", suspects={a: 1 / 7 for a in ASSEMBLIES})], None, "bring-in", ""),
        ([seen("no-image", 0.6, **_UNSURE)] * 2, {"changed": True, "p_value": 0.01}, "quote", ""),
        ([seen("no-image", 0.6, **_UNSURE)] * 2, {"changed": False}, "ask-for-photo", "torch"),
        # One pair in twenty seems changed where nothing is: that alone is no quote.
        (
            [seen("no-image", **_UNSURE)] * 2,
            {"changed": True, "p_value": 0.04},
            "ask-for-photo",
            "torch",
        ),
        (
            [seen("no-image", 0.6, symptom_set=["no-image", "faint-image"], **_UNSURE)] * 2,
            {"changed": True, "p_value": 0.04},
            "quote",
            "",
        ),
    ],
)
def test_the_next_step(photos, change, step, wanted):
    got = decide(photos, change)
    assert (got.step, got.wanted) == (step, wanted)
    assert 0 <= got.confidence <= 1
    if change and change["changed"] and step == "quote":
        assert (got.symptom, got.suspect) == ("faint-image", "backlight")


def test_a_second_photo_of_a_glow_is_as_far_as_photos_get():
    """The menu was asked for; another file that shows the same says that it does not appear."""
    photos = [seen("glow-no-image", **_UNSURE), other("glow-no-image", 0.8, **_UNSURE)]
    got = decide(photos, None)
    assert (got.step, got.symptom, got.suspect) == ("bring-in", "glow-no-image", "backlight")


def test_lit_pictures_are_not_compared():
    unsure = {"symptom_set": ["normal", "no-image"]}
    assert pairs_to_compare([seen("normal", 0.8, **unsure), other("normal", 0.8, **unsure)]) == []
    assert pairs_to_compare([seen("no-image"), other("faint-image")]) == [(0, 1)]


def test_the_suspect_of_a_change_is_that_of_a_faint_picture():
    got = decide([seen("no-image", 0.6, **_UNSURE)] * 2, {"changed": True, "p_value": 1e-6})
    share = isolate({"faint-image": 1.0}, {}).assemblies["backlight"]
    assert got.share == pytest.approx(share) and 0.5 < got.share < 0.95


def test_the_best_of_several_pairs_counts_as_such(tmp_path):
    """Bonferroni: three pairs of an unchanged set come below 0.05 in one case of seven."""
    box = tmp_path / "box" / "one"
    box.mkdir(parents=True)
    for k in range(4):
        (box / f"{k}.png").write_bytes(photo("no-image", k))
    summary = sort_photos(
        [tmp_path / "box"], out=tmp_path / "out", examine=toy_pipeline.examine,
        compare=_nearly, version=toy_pipeline.version, workers=0,
    )  # fmt: skip
    (case,) = summary.cases
    assert case.change["p_value"] == pytest.approx(0.12) and not case.change["changed"]
    assert case.next.step != "quote" or case.next.symptom != "faint-image"


def _nearly(one, two):
    return {"usable": True, "changed": True, "score": 1.0, "p_value": 0.04}


def other(*arguments, **fields) -> SortedPhoto:
    return replace(seen(*arguments, **fields), sha256="b" * 64)


def test_the_change_test_runs_within_a_case(tmp_path):
    for name, second in (("same", 0), ("menu", 9)):
        folder = tmp_path / "box" / name
        folder.mkdir(parents=True)
        (folder / "1.png").write_bytes(photo("no-image", 1))
        (folder / "2.png").write_bytes(photo("no-image", 2 + second, second=second))
        (folder / "3.png").write_bytes(photo("cracked", 3))
    (tmp_path / "box" / "loose.png").write_bytes(photo("no-image", 77))
    summary = sort(tmp_path / "box", out=tmp_path / "out", workers=1)
    by_title = {case.title: case for case in summary.cases}
    assert by_title["box/same"].change["changed"] is False
    assert by_title["box/menu"].change["changed"] is True
    assert by_title["box/menu"].next.symptom == "faint-image"
    assert by_title["loose.png"].change is None
    first = rows(tmp_path / "out")
    assert sort(tmp_path / "box", out=tmp_path / "out").reused == 7
    assert rows(tmp_path / "out") == first


def test_ranking_is_by_step_then_certainty(tmp_path):
    summary = sort(*inbox(tmp_path), out=tmp_path / "out")
    shuffled = rank_cases([replace(c, rank=0) for c in reversed(summary.cases)])
    assert [c.key for c in shuffled] == [c.key for c in summary.cases]
    (case, *_) = summary.cases
    mixed = [
        replace(case, key=key, next=replace(case.next, confidence=p))
        for key, p in (("a", 0.4), ("b", 0.9), ("c", 0.7))
    ]
    assert [c.key for c in rank_cases(mixed)] == ["b", "c", "a"]


# --- grouping ---------------------------------------------------------------------------


def test_a_smaller_copy_is_near_and_another_photo_is_far(photos):
    files = sorted(photos.glob("*.jpg"))[::9][:6]
    hashes = []
    for path in files:
        data = path.read_bytes()
        image = Image.open(io.BytesIO(data)).convert("RGB")
        image.thumbnail((700, 700))
        copy = io.BytesIO()
        image.save(copy, "JPEG", quality=60)
        hashes.append(fingerprint_of_file(data))
        assert distance(hashes[-1], fingerprint_of_file(copy.getvalue())) <= NEAR, path.name
    far = [distance(a, b) for i, a in enumerate(hashes) for b in hashes[:i]]
    # unrelated bits agree half of the time
    assert abs(sum(far) / len(far) - BITS / 2) < BITS / 10
    assert distance("", hashes[0]) == BITS
    assert fingerprint_of_file(b"no photo") == ""


def test_copies_join_but_never_across_senders():
    def came(group: str, print_: str, sha: str) -> SortedPhoto:
        return SortedPhoto(Incoming(sha, group, lambda: b""), sha * 64, {}, {}, print_)

    a, b = "0" * 64, "f" * 64
    near_a = "0" * 60 + "ffff"
    groups = group_photos([
        came("mail:x", a, "1"), came("mail:y", a, "2"),  # alike, but two customers
        came("", near_a, "3"),  # like both: stays alone
        came("mail:z", b, "4"), came("", b, "5"),  # like one sender's: joins
        came("", "", "6"), came("", "", "6"),  # the same unreadable file twice
        came("", near_a, "7"),
    ])  # fmt: skip
    names = sorted(sorted(p.incoming.name for p in group) for group in groups)
    assert names == [["1"], ["2"], ["3", "7"], ["4", "5"], ["6", "6"]]


# --- messages ---------------------------------------------------------------------------


@pytest.mark.parametrize("step", STEPS)
@pytest.mark.parametrize("symptom", ["", *SYMPTOMS])
def test_messages_are_complete_and_polite(step, symptom):
    for suspect in ("", *ASSEMBLIES):
        for wanted in WANTED if step == "ask-for-photo" else ("",):
            text = message_for(
                step, wanted=wanted, symptom=symptom, suspect=suspect, hints=("Move closer.",),
                estimate=(52.0, 88.0), settings=Settings(shop="Bench Lane", currency="EUR"),
            )  # fmt: skip
            assert text.startswith("Hello,") and text.endswith("Bench Lane")
            assert "thank you" in text
            # nothing left to fill in, no label of ours, no blank where a word should be
            assert not re.search(r"[\[\]{}]|None|nan|  |\b(no|faint)-image\b", text)
            if wanted:
                assert all(line in text for line in WANTED[wanted][1])
            if symptom in ("faint-image", "no-image") and wanted in ("torch", "menu"):
                assert "do not open the set" in text
            if step == "quote" and suspect == "backlight":
                assert "EUR 50 to EUR 90" in text


def test_the_page_of_nothing_is_a_page():
    assert page([]).startswith("<!doctype html>")


# --- into the store ---------------------------------------------------------------------


def test_sorted_cases_are_filed_once_and_what_people_entered_stays(tmp_path):
    paths = inbox(tmp_path)
    summary = sort(*paths, out=tmp_path / "out")
    with open_store(tmp_path / "s.sqlite") as store:
        first = file_cases(summary.cases, store)
        filed = store.search()
        assert first.added == len(filed) > 5
        assert sum(len(case.photos) for case in filed) == summary.photos - summary.failed
        again = file_cases(sort(*paths, out=tmp_path / "out").cases, store)
        assert (again.added, again.updated) == (0, 0)
        (mine,) = store.search("c1@example.org")
        mine = store.save_case(replace(mine, observations={"sound": "yes"}, verdict="panel"))
        closed = store.close_case(store.search("c2@example.org")[0].id, Outcome("panel"))
        late = EmailMessage()
        late["From"] = "c1@example.org"
        late.set_content("another")
        late.add_attachment(photo("cracked", 5), maintype="image", subtype="png", filename="b.png")
        (tmp_path / "late.eml").write_bytes(late.as_bytes())
        more = sort(*paths, tmp_path / "late.eml", out=tmp_path / "out")
        done = file_cases(more.cases, store)
        assert (done.added, done.updated) == (0, 1)
        now = store.get(mine.id)
        assert (now.observations, now.verdict) == (mine.observations, "panel")
        assert len(now.photos) == len(mine.photos) + 1
        assert store.get(closed.id) == closed


def mail(sender: str, *files: tuple[str, bytes]) -> bytes:
    message = EmailMessage()
    message["From"], message["Subject"] = sender, "My television"
    message.set_content("help")
    for name, data in files:
        message.add_attachment(data, maintype="application", subtype="x", filename=name)
    return message.as_bytes()


def test_a_customer_who_comes_back_after_the_case_is_closed_gets_a_new_one(tmp_path):
    inbox = tmp_path / "mail"
    inbox.mkdir()
    (inbox / "1.eml").write_bytes(mail("ann@example.org", ("a.png", photo("no-image"))))
    with open_store(tmp_path / "s.sqlite") as store:
        file_cases(sort(inbox, out=tmp_path / "out").cases, store)
        (first,) = store.search()
        first = store.close_case(first.id, Outcome("backlight"))
        (inbox / "2.eml").write_bytes(mail("ann@example.org", ("b.png", photo("cracked"))))
        done = file_cases(sort(inbox, out=tmp_path / "out").cases, store)
        assert (done.added, done.updated) == (1, 0)
        (second,) = store.search(open_only=True)
        assert [p.name for p in second.photos] == ["2.eml/b.png"]
        assert second.customer == first.customer and store.get(first.id) == first
        # Another one for the set that is open, sorted again and again.
        (inbox / "3.eml").write_bytes(mail("ann@example.org", ("c.png", photo("blocky"))))
        for _ in range(2):
            file_cases(sort(inbox, out=tmp_path / "out").cases, store)
            assert len(store.search()) == 2
        assert len(store.get(second.id).photos) == 2


def test_a_customer_whose_address_was_changed_by_hand_is_known_by_their_mail(tmp_path):
    inbox = tmp_path / "mail"
    inbox.mkdir()
    (inbox / "1.eml").write_bytes(mail("ann@example.org", ("a.png", photo("no-image"))))
    with open_store(tmp_path / "s.sqlite") as store:

        def file():
            done = file_cases(sort(inbox, out=tmp_path / "out").cases, store)
            return done.added, done.updated, done.kept

        assert file() == (1, 0, 0)
        (first,) = store.search()
        by_phone = replace(first.customer, contact="030 123456")
        store.save_case(replace(first, customer=by_phone))
        store.close_case(first.id, Outcome("backlight"))
        for _ in range(2):
            assert file() == (0, 0, 1)
        (inbox / "2.eml").write_bytes(mail("ann@example.org", ("b.png", photo("cracked"))))
        assert file() == (1, 0, 0)
        (second,) = store.search(open_only=True)
        assert second.customer == by_phone and [p.name for p in second.photos] == ["2.eml/b.png"]
        # Whatever is changed of the second one: its photos are not filed a third time, nor does
        # what others sent wait for it.
        second = store.save_case(replace(second, customer=Customer("Another", "030 654321")))
        assert file() == (0, 0, 1)
        store.close_case(second.id, Outcome("panel"))
        (inbox / "3.eml").write_bytes(mail("bob@example.org", ("c.png", photo("blocky"))))
        assert file() == (1, 0, 1)
        assert len(store.search()) == 3


def test_a_folder_used_for_the_next_set_is_filed_beside_the_one_before(tmp_path):
    box = tmp_path / "box"
    (box / "set").mkdir(parents=True)
    (box / "set" / "a.png").write_bytes(photo("no-image"))
    with open_store(tmp_path / "s.sqlite") as store:
        file_cases(sort(box, out=tmp_path / "out").cases, store)
        (box / "set").rename(box / "former set")
        (box / "set").mkdir()
        (box / "set" / "b.png").write_bytes(photo("cracked", 7))
        cases = sorted(sort(box, out=tmp_path / "out").cases, key=lambda c: c.title)
        assert [case.title for case in cases] == ["box/former set", "box/set"]
        for _ in range(2):
            file_cases(cases, store)
            assert sorted(len(case.photos) for case in store.search()) == [1, 1]


def test_one_more_photo_of_a_loose_set_joins_the_case_that_holds_the_others(tmp_path):
    box = tmp_path / "box"
    box.mkdir()
    # Copies that look alike, whose hashes come in any order.
    copies = [photo("no-image", 3, second=k) for k in range(4)]
    with open_store(tmp_path / "s.sqlite") as store:
        for k, data in enumerate(sorted(copies, key=lambda d: hashlib.sha256(d).digest())[::-1]):
            (box / f"{k}.png").write_bytes(data)
            file_cases(sort(box, out=tmp_path / "out").cases, store)
            (case,) = store.search()
            assert len(case.photos) == k + 1


def test_folders_and_zips_of_one_name_are_not_one_customer(tmp_path):
    with open_store(tmp_path / "s.sqlite") as store:
        sources = []
        for k, who in enumerate(("one", "two")):
            folder = tmp_path / who / "DCIM" / "camera"
            folder.mkdir(parents=True)
            (folder / "a.png").write_bytes(photo("no-image", k))
            sources.append(folder.parent)
            with zipfile.ZipFile(tmp_path / who / "photos.zip", "w") as archive:
                archive.writestr("set/a.png", photo("no-image", 10 + k))
            sources.append(tmp_path / who / "photos.zip")
        summary = sort(*sources, out=tmp_path / "out")
        assert [len(case.photos) for case in summary.cases] == [1] * 4
        assert {case.title for case in summary.cases} == {"DCIM/camera", "photos.zip/set"}
        assert file_cases(summary.cases, store).added == 4
        # The next phone is read at the very place of the last one.
        (tmp_path / "one" / "DCIM" / "camera" / "a.png").write_bytes(photo("cracked", 7))
        done = file_cases(sort(sources[0], out=tmp_path / "out").cases, store)
        assert (done.added, done.updated) == (1, 0)


def test_what_was_read_within_corners_set_by_hand_stays(tmp_path):
    box = tmp_path / "box"
    box.mkdir()
    (box / "a.png").write_bytes(photo("no-image"))
    with open_store(tmp_path / "s.sqlite") as store:
        file_cases(sort(box, out=tmp_path / "out").cases, store)
        (case,) = store.search()
        corners = [[1.0, 1.0], [90.0, 1.0], [90.0, 60.0], [1.0, 60.0]]
        record = {**case.photos[0].examination, "corners_by_hand": corners, "symptom": "cracked"}
        by_hand = replace(case.photos[0], examination=record)
        case = store.save_case(
            replace(case, photos=(by_hand,), advice={"suspects": {"panel": 1.0}})
        )
        (box / "b.png").write_bytes(photo("no-image", second=1))
        assert file_cases(sort(box, out=tmp_path / "out").cases, store).updated == 1
        (now,) = store.search()
        assert by_hand in now.photos and len(now.photos) == 2
        assert now.advice == case.advice


def test_a_clip_beside_a_customers_photo_is_that_customers(tmp_path):
    data = mail("ann@example.org", ("a.png", photo("normal")), ("clip.mp4", b"moving"))
    (tmp_path / "1.eml").write_bytes(data)
    (tmp_path / "2.eml").write_bytes(mail("bob@example.org", ("clip.mp4", b"moving")))
    (tmp_path / "3.eml").write_bytes(mail("cat@example.org", ("a.jpg", b"torn")))
    sources = [tmp_path / f"{k}.eml" for k in (1, 2, 3)]
    cases = {case.sender: case for case in sort(*sources, out=tmp_path / "out").cases}
    assert sorted(cases) == ["ann@example.org", "bob@example.org", "cat@example.org"]
    assert len(cases["ann@example.org"].photos) == 2
    assert cases["bob@example.org"].next.wanted == "kind"
    assert "one piece" not in cases["bob@example.org"].message
    assert cases["cat@example.org"].next.wanted == "file"


def test_a_customer_is_told_why_another_photo_is_asked_for(tmp_path):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("a.jpg", photo("normal", form="JPEG"))
    # Bit 0 of the general purpose flag says that an entry is encrypted (APPNOTE.TXT, 4.4.4).
    locked = bytearray(packed.getvalue())
    locked[6] |= 1
    locked[locked.index(b"PK\x01\x02") + 8] |= 1
    (tmp_path / "1.eml").write_bytes(mail("ann@example.org", ("photos.zip", bytes(locked))))
    (case,) = sort(tmp_path / "1.eml", out=tmp_path / "out").cases
    assert case.next.wanted == "single"
    assert "without a password" in case.message and "one piece" not in case.message


def test_a_closed_case_is_known_again_from_wherever_its_photos_come(tmp_path):
    box = tmp_path / "box" / "set"
    box.mkdir(parents=True)
    (box / "a.png").write_bytes(photo("no-image"))
    with open_store(tmp_path / "s.sqlite") as store:
        file_cases(sort(tmp_path / "box", out=tmp_path / "out").cases, store)
        store.close_case(store.search()[0].id, Outcome("backlight"))
        around = tmp_path / "box" / ".." / "box"
        (tmp_path / "box").rename(tmp_path / "moved")
        (tmp_path / "box").symlink_to(tmp_path / "moved")
        for source in (tmp_path / "moved", tmp_path / "box", around, tmp_path / "moved" / "set"):
            done = file_cases(sort(source, out=tmp_path / "out").cases, store)
            assert (done.added, done.updated, done.kept) == (0, 0, 1)


def interrupted_compare(one: bytes, two: bytes) -> dict:
    raise KeyboardInterrupt


def test_a_run_that_is_stopped_while_pairs_are_compared_says_so_and_keeps_what_it_has(tmp_path):
    for name in ("set 1", "set 2"):
        (tmp_path / "box" / name).mkdir(parents=True)
        for k in range(2):
            data = photo("no-image", int(name[-1]), second=k)
            (tmp_path / "box" / name / f"{k}.png").write_bytes(data)
    box, out = tmp_path / "box", tmp_path / "out"
    done = sort(box, out=out)
    assert not done.stopped and all(case.change["changed"] for case in done.cases)
    for name in ("2.png", "3.png"):
        (box / "set 2" / name).write_bytes(photo("no-image", 2, second=int(name[0])))
    stopped = sort_photos(
        [box], out=out, examine=toy_pipeline.examine, compare=interrupted_compare,
        version=toy_pipeline.version, workers=0,
    )  # fmt: skip
    assert stopped.stopped and (stopped.waiting, stopped.uncompared) == (0, 2)
    # What was compared before still counts.
    assert all(case.change["changed"] for case in stopped.cases)
    assert not sort(box, out=out).stopped


def test_a_run_that_is_stopped_before_any_pair_is_compared_still_writes_its_cases(
    tmp_path, monkeypatch
):
    box, out = tmp_path / "box" / "set", tmp_path / "out"
    box.mkdir(parents=True)
    for k in range(2):
        (box / f"{k}.png").write_bytes(photo("no-image", second=k))

    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("panelvision.triage.pairs_to_compare", interrupted)
    (case,) = sort(box.parent, out=out).cases
    assert case.change is None and len(rows(out)) == 2
    monkeypatch.undo()
    stop = threading.Event()

    def after_the_photos(now):
        if now.done == now.total:
            stop.set()

    stopped = sort(box.parent, out=out, stop=stop, progress=after_the_photos)
    assert (stopped.stopped, stopped.waiting, stopped.uncompared) == (True, 0, 1)


def test_a_customer_is_not_asked_for_what_only_the_shop_can_do():
    by_hand = "The edges were not found: take all four corners in, or mark the corners by hand."
    plain = "Open the set's menu or show a plain grey page, and take one more photo."
    text = message_for("ask-for-photo", wanted="again", hints=(by_hand, plain))
    assert "by hand" not in text and "all four corners in." in text and "plain grey" in text
    # A dark screen shows no page, and its room is to be dark.
    assert "plain grey" not in message_for("ask-for-photo", wanted="torch", hints=(plain,))
    dark = "Take one more photo without torch and room light: a lit screen stays grey."
    assert "without torch" not in message_for("ask-for-photo", wanted="torch", hints=(dark,))


def test_whoever_is_asked_to_switch_a_set_on_is_told_when_not_to():
    for wanted in ("torch", "menu", "white", "fault"):
        text = message_for("ask-for-photo", wanted=wanted, symptom="no-image")
        assert "unplug it and do not switch it on again" in text, wanted
    assert "these photos" in message_for("ask-for-photo", wanted="fault", photos=2)


def test_a_dark_set_that_may_have_latched_up_is_freed_before_it_comes():
    """Full discharge: domain notes, 'a completely dead set'."""
    text = message_for("quote", symptom="no-image", suspect="outside")
    assert "hung itself up" in text and "15 seconds" in text and "half an hour" in text
    assert "another cable" not in text and "do not open the set" in text
    lit = message_for("quote", symptom="blocky", suspect="outside")
    assert "another cable" in lit and "15 seconds" not in lit


@pytest.mark.parametrize("wanted", WANTED)
def test_who_is_asked_for_a_photo_of_the_set_is_told_when_to_unplug_it(wanted):
    text = message_for("ask-for-photo", wanted=wanted)
    told = "do not open the set" in text and "smells of burning, smokes" in text
    # Sending a file once more does not mean switching a set on.
    assert told == (wanted not in ("single", "file"))


def test_who_is_asked_for_a_screen_switched_on_is_told_when_to_unplug_it():
    text = message_for("not-a-screen")
    assert "switched on?" in text and "do not open the set" in text
    assert text.index("switched on?") < text.index("unplug it and do not switch it on again")


def test_a_screen_that_seldom_pays_is_not_offered_for_sale():
    panel = message_for("quote", symptom="cracked", suspect="panel", estimate=(200.0, 400.0))
    assert "a repair does not pay" in panel and "Shall we go ahead" not in panel
    assert panel.count("the screen itself") == 1
    assert "Shall we" in message_for("quote", suspect="backlight", estimate=(50.0, 60.0))


def test_prices_on_the_sheet_carry_the_shops_currency(tmp_path, monkeypatch):
    monkeypatch.setenv("PANELVISION_CONFIG", str(tmp_path))
    box = tmp_path / "box"
    box.mkdir()
    (box / "a.png").write_bytes(photo("faint-image", 1))
    done = sort(box, out=tmp_path / "none", settings=Settings(currency="kr <b>"))
    # Nothing converts the program's own figures: they would be told as so many of another unit.
    assert done.cases[0].estimate is None and "kr" not in done.cases[0].message
    own = "".join(
        f"[part.{part.name}]\nprice = [200.0, 300.0]\n"
        for part in load_knowledge().parts.values()
        if part.assembly == "backlight"
    )
    (tmp_path / "prices.toml").write_text(own, "utf-8")
    # The shop's parts and no rate of its own for the work: still two kinds of money.
    assert repair_price("backlight", Settings(currency="kr <b>")) is None
    shop = Settings(currency="kr <b>", labour_per_hour=450.0)
    done = sort(box, out=tmp_path / "out", settings=shop)
    (case,) = done.cases
    assert case.estimate is not None
    low, high = case.estimate
    text = (tmp_path / "out" / "index.html").read_text("utf-8")
    assert f"part and labour about kr &lt;b&gt; {low:.0f} to {high:.0f}" in text


@pytest.mark.skipif(os.name != "posix", reason="needs process numbers that can be asked for")
def test_what_a_dead_writer_left_goes_and_what_a_live_one_writes_stays(tmp_path):
    dead = subprocess.Popen([sys.executable, "-c", ""])
    dead.wait(30)
    names = [f"{TEMPORARY_PREFIX}{pid}-ab12" for pid in (dead.pid, os.getpid(), "x")]
    for name in names:
        (tmp_path / name).write_bytes(b"half")
    now = time.time()
    assert sweep_temporaries(tmp_path, older_than_s=3600, now=now) == 0
    assert sweep_temporaries(tmp_path, older_than_s=3600, now=now, dead_writers=True) == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(names[1:])
