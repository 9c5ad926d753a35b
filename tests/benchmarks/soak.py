"""Two hours of the bench pressed into minutes: does the server's memory stay, and its answers?

    python -m tests.benchmarks.soak [--minutes 10] [--sessions 4]

A real server and a real browser. Every session uploads photo after photo without a pause, opens
the report now and then, and is closed and replaced by a fresh one, as customers' sets follow each
other. Every answer is compared with what ``panelvision examine`` says of the same file. The
server has temporary, data, settings and home folders of its own; what is left in them is told.
"""

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from panelvision.examples import load_examples
from tests.browser import driver

# chosen: a technician looks at a photo for four minutes, so this many are two hours of one bench.
PHOTOS_IN_TWO_HOURS = 30
# chosen: a set has three photos, then its report is opened and the next customer comes.
PHOTOS_OF_A_SET = 3
LARGE = (4000, 3000)
MEGABYTE = 2**20
# Fields of an answer that say how and when it was made, not what it is.
NOT_COMPARED = ("seconds", "file")
IN_MEMORY = Path("/dev/shm")


@dataclass
class Soak:
    """What was seen.

    Attributes
    ----------
    memory : list of (float, float)
        Seconds since the warm-up and resident megabytes of the server's processes.
    answers, wrong, failed : int
        Answers read, those unlike the command line's, and pages that failed.
    """

    memory: list[tuple[float, float]] = field(default_factory=list)
    answers: int = 0
    wrong: int = 0
    failed: int = 0
    said: list[str] = field(default_factory=list)


def main() -> None:
    """Print as it goes and one JSON object on the last line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--sessions", type=int, default=4)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="soak-") as name:
        folder = Path(name)
        photos = _photos(folder / "photos")
        truth = _command_line(photos)
        print(f"{len(photos)} photos, answers of the command line known", flush=True)
        before = _in_memory()
        with driver.server(folder, extra=_own_folders(folder)) as (address, process):
            found = _soak(address, process.pid, truth, args.minutes, args.sessions)
        left = _left(folder) + sorted(_in_memory() - before)
    print(json.dumps(_summary(found, left, args)))


def _photos(folder: Path) -> list[Path]:
    """The bundled examples, each as it is and as a 12-megapixel photo."""
    folder.mkdir()
    made = []
    for example in load_examples():
        data = example.read()
        (folder / example.name).write_bytes(data)
        with Image.open(BytesIO(data)) as small:
            large = small.convert("RGB").resize(LARGE, Image.Resampling.BICUBIC)
        large.save(folder / f"large-{example.name}", "JPEG", quality=90)
        made += [folder / example.name, folder / f"large-{example.name}"]
    return made


def _command_line(photos: list[Path]) -> dict[Path, dict[str, Any]]:
    """What ``panelvision examine`` says of each photo."""
    command = [sys.executable, "-m", "panelvision.cli", "examine", "--jsonl", "-"]
    done = subprocess.run(
        [*command, *map(str, photos)],
        capture_output=True,
        text=True,
        check=True,
        env=dict(os.environ, OMP_NUM_THREADS="1"),
    )
    lines = done.stdout.splitlines()
    return {path: _comparable(json.loads(line)) for path, line in zip(photos, lines, strict=True)}


def _comparable(record: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in record.items() if name not in NOT_COMPARED}


def _own_folders(folder: Path) -> dict[str, str]:
    """Variables that keep all that the server could write below ``folder``."""
    places = {
        "HOME": "home",
        "TMPDIR": "temporary",
        "XDG_CACHE_HOME": "cache",
        "XDG_DATA_HOME": "data",
        "XDG_CONFIG_HOME": "settings",
    }
    for place in places.values():
        (folder / place).mkdir()
    return {variable: str(folder / place) for variable, place in places.items()}


def _left(folder: Path) -> list[str]:
    """Files that the server left, apart from its log and the photos that it was given."""
    files = [p.relative_to(folder) for p in folder.rglob("*") if p.is_file()]
    return sorted(str(p) for p in files if p.parts[0] not in ("photos", "server.log"))


def _in_memory() -> set[str]:
    """What lies in the memory folder that uploads by path go through."""
    return {str(p) for p in IN_MEMORY.glob("panelvision-*")}


def _soak(
    address: str,
    pid: int,
    truth: dict[Path, dict[str, Any]],
    minutes: float,
    sessions: int,
) -> Soak:
    found = Soak()
    photos = list(truth)
    with driver.browser() as running:
        pages = [_fresh(running, address) for _ in range(sessions)]
        _one_round(pages, photos[:2], {}, found)  # the model is loaded, every cache is warm
        found.answers = 0
        start = time.monotonic()
        turn = 0
        with _watching(pid, start, found):
            while time.monotonic() - start < 60 * minutes:
                turn += 1
                _one_round(pages, photos[turn % len(photos) :] + photos, truth, found)
                which = turn % sessions
                if turn % PHOTOS_OF_A_SET == 0:
                    _open_report(pages[which], found)
                    pages[which].context.close()
                    pages[which] = _fresh(running, address)
                print(f"{time.monotonic() - start:6.0f} s, {found.answers} answers", flush=True)
    return found


def _fresh(running: Any, address: str) -> Any:
    return driver.open_page(running, address, driver.PHONE)


def _one_round(
    pages: list[Any], photos: list[Path], truth: dict[Path, dict[str, Any]], found: Soak
) -> None:
    """One photo in every session: all upload before the first answer is waited for."""
    given = [photos[i % len(photos)] for i in range(len(pages))]
    for page, photo in zip(pages, given, strict=True):
        _clear(page)
        page.locator("input[type=file]").first.set_input_files(str(photo))
    for page, photo in zip(pages, given, strict=True):
        try:
            record = _comparable(_answer(page))
        except Exception as fault:  # a failed page is counted and the soak goes on
            found.failed += 1
            found.said.append(f"{photo.name}: {str(fault).splitlines()[0][:120]}")
            page.reload()
            driver.settle(page)
            continue
        found.answers += 1
        if truth and record != truth[photo]:
            found.wrong += 1
            unlike = [name for name in record if record[name] != truth[photo].get(name)]
            found.said.append(f"{photo.name}: {', '.join(unlike)}")


def _clear(page: Any) -> None:
    """Start with another set where there is one on the bench."""
    again = page.get_by_role("button", name="Start with another set")
    if again.count():
        again.first.click()
        anyway = page.get_by_role("button", name="Start without saving")
        if anyway.count():
            anyway.first.click()
        page.get_by_text("Show me the faulty screen").wait_for()
        driver.settle(page)


def _answer(page: Any) -> dict[str, Any]:
    """The measurements that the page offers to save."""
    page.locator(".pv-answer").first.wait_for()
    driver.settle(page)
    page.get_by_text("Numbers and file, remove this photo").first.click()
    with page.expect_download() as caught:
        page.get_by_role("button", name="Save the measurements").first.click()
    record = json.loads(Path(caught.value.path()).read_text(encoding="utf-8"))
    caught.value.delete()
    assert isinstance(record, dict)
    return record


def _open_report(page: Any, found: Soak) -> None:
    try:
        driver.visit(page, "Report")
        page.get_by_role("button", name="Save as PDF").wait_for()
    except Exception as fault:
        found.failed += 1
        found.said.append(f"report: {str(fault).splitlines()[0][:120]}")


@contextmanager
def _watching(pid: int, start: float, found: Soak) -> Iterator[None]:
    """Note the resident memory once a second."""
    over = threading.Event()

    def watch() -> None:
        while not over.wait(1.0):
            found.memory.append((time.monotonic() - start, resident(pid) / MEGABYTE))

    thread = threading.Thread(target=watch, daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def resident(pid: int) -> int:
    """Resident bytes of a process and of its children, from Linux's /proc."""
    total = 0
    for one in (pid, *_children(pid)):
        try:
            pages = int(Path(f"/proc/{one}/statm").read_text().split()[1])
        except (OSError, IndexError):
            continue  # it ended in between
        total += pages * os.sysconf("SC_PAGE_SIZE")
    return total


def _children(pid: int) -> list[int]:
    try:
        text = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    except OSError:
        return []
    return [int(part) for part in text.split()]


def thirds(memory: list[tuple[float, float]]) -> dict[str, float | None]:
    """Growth after the first third, megabytes a minute, and the last third over the first."""
    if len(memory) < 6:
        return {"mb_per_minute": None, "last_over_first_third": None}
    at, size = np.array(memory).T
    later = at >= at[-1] / 3
    first, last = size[at < at[-1] / 3], size[at >= 2 * at[-1] / 3]
    slope = np.polyfit(at[later] / 60, size[later], 1)[0]
    return {
        "mb_per_minute": round(float(slope), 2),
        "last_over_first_third": round(statistics.median(last) / statistics.median(first), 3),
    }


def _summary(found: Soak, left: list[str], args: argparse.Namespace) -> dict[str, Any]:
    sizes = [size for _, size in found.memory]
    return {
        "minutes": args.minutes,
        "sessions": args.sessions,
        "answers": found.answers,
        "of_two_hours": round(found.answers / (PHOTOS_IN_TWO_HOURS * args.sessions), 2),
        "unlike_the_command_line": found.wrong,
        "failed": found.failed,
        **thirds(found.memory),
        "resident_mb": [round(sizes[0]), round(max(sizes)), round(sizes[-1])] if sizes else [],
        "files_left": left,
        "said": found.said[:10],
    }


if __name__ == "__main__":
    main()
