"""Hundreds of mixed photos through ``panelvision sort``: nothing lost, whatever is killed.

``python -m tests.benchmarks.many_photos [--photos 500] [--rounds 12]``. Drawn photos, the
renders and the broken files beside the repo (if they are there) and torn copies of them go
into a zip and an mbox. Then, each as the real command in processes of its own:

1. a run with two workers, every photo looked for in the results;
2. the same again, which must only look up;
3. a run in which a worker or the whole command is killed (SIGKILL) at random moments and
   started again until it ends, compared row by row with the first;
4. a run on a dask cluster of two workers that also files the cases in PostgreSQL, one of the
   workers killed on the way; compared likewise, and the filed cases with SQLite's.
"""

import argparse
import json
import mailbox
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
import zipfile
from contextlib import ExitStack
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import joblib

import synth
from panelvision.cases import open_store
from tests.conftest import SHARED
from tests.postgres_server import running_server
from tests.test_cluster import Cluster

REPO = Path(__file__).parents[2]
SHARE_RENDERED, SHARE_BROKEN = 0.26, 0.12  # chosen: of all photos


def drawn(seed: int) -> bytes:
    """A drawn photo of a small phone picture's size."""
    return synth.draw(seed, size=(1280, 960)).jpeg


def collect(count: int, dice: random.Random) -> list[tuple[str, bytes]]:
    """Names and bytes of ``count`` different files."""
    renders = sorted((SHARED / "renders").glob("*.jpg"))[: round(SHARE_RENDERED * count)]
    broken = sorted(
        path
        for path in (SHARED / "bad-files").glob("*")
        if path.suffix not in (".md", ".jsonl") and path.stat().st_size < 2_000_000
    )[: round(SHARE_BROKEN * count / 2)]
    files = [(path.name, path.read_bytes()) for path in (*renders, *broken)]
    torn = round(SHARE_BROKEN * count / 2)
    seeds = range(900_000_000, 900_000_000 + count - len(files) - torn)
    photos = joblib.Parallel(n_jobs=-1)(joblib.delayed(drawn)(seed) for seed in seeds)
    files += [(f"drawn {seed}.jpg", data) for seed, data in zip(seeds, photos, strict=True)]
    for k in range(torn):
        name, data = files[dice.randrange(len(files))]
        files.append((f"torn {k} {name}", data[: dice.randrange(1, max(2, len(data)))]))
    dice.shuffle(files)
    return files


def pack(files: list[tuple[str, bytes]], folder: Path, dice: random.Random) -> list[Path]:
    """Half of the files in a zip with folders, half attached to mails of 60 senders."""
    middle = len(files) // 2
    archive, mails = folder / "photos.zip", folder / "mails.mbox"
    with zipfile.ZipFile(archive, "w") as out:
        for k, (name, data) in enumerate(files[:middle]):
            out.writestr(f"set {k // 3}/{k:03d} {name}", data)
    box = mailbox.mbox(mails)
    rest = list(enumerate(files[middle:]))
    while rest:
        mail = EmailMessage()
        mail["From"] = f"Customer {dice.randrange(60)} <c{dice.randrange(60)}@example.org>"
        mail["To"] = "workshop@example.org"
        mail["Subject"] = "television"
        mail.set_content("Sound is there, but no picture.")
        for _ in range(min(len(rest), dice.randrange(1, 5))):
            k, (name, data) = rest.pop()
            # Whatever the file is, customers' programs call it a JPEG.
            mail.add_attachment(data, maintype="image", subtype="jpeg", filename=f"{k:03d} {name}")
        box.add(mail)
    box.close()
    return [archive, mails]


def command(inputs: list[Path], out: Path, *more: str) -> list[str]:
    """The command line as a shop would type it."""
    return [
        sys.executable, "-m", "panelvision.cli", "sort", *map(str, inputs),
        "--out", str(out), "--quiet", *more,
    ]  # fmt: skip


def run(inputs: list[Path], out: Path, *more: str) -> float:
    """Seconds of one whole run; exit status 1 says that some files are no photos."""
    start = time.perf_counter()
    done = subprocess.run(command(inputs, out, *more), cwd=REPO, check=False)
    if done.returncode not in (0, 1):
        sys.exit(f"many_photos: the run ended with {done.returncode}")
    return time.perf_counter() - start


def rows(out: Path) -> list[dict[str, Any]]:
    """What was written, without what a clock said."""
    found = [json.loads(line) for line in (out / "results.jsonl").read_text().splitlines()]
    for row in found:
        row.pop("seconds", None)
    return found


def compare(one: list[dict[str, Any]], other: list[dict[str, Any]]) -> int:
    """Number of rows that differ, missing ones included."""
    return abs(len(one) - len(other)) + sum(a != b for a, b in zip(one, other, strict=False))


def killed(inputs: list[Path], out: Path, rounds: int, dice: random.Random, whole: float) -> int:
    """Kill at random moments through the whole run, then let it end; returns the kills."""
    kills = 0
    for _ in range(rounds):
        process = subprocess.Popen(command(inputs, out, "--workers", "2"), cwd=REPO)
        try:
            process.wait(dice.uniform(0.3, 1.6) * whole / rounds)
            break  # it ended by itself
        except subprocess.TimeoutExpired:
            pass
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
        if children and dice.random() < 0.5:
            os.kill(int(dice.choice(children)), signal.SIGKILL)
            kills += 1
            time.sleep(dice.uniform(0, 2))
        process.kill()
        process.wait()
        kills += 1
    run(inputs, out, "--workers", "2")
    return kills


def filed(url: str, photos: Path | None = None) -> list[tuple[str, ...]]:
    """The photos of each case in a store."""
    with open_store(url, photos=photos) as store:
        return sorted(tuple(sorted(p.sha256 for p in case.photos)) for case in store.search())


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=500)
    parser.add_argument("--rounds", type=int, default=12, help="starts that are killed")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    dice = random.Random(args.seed)
    out: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        os.environ["PANELVISION_CONFIG"] = str(folder / "settings")
        files = collect(args.photos, dice)
        inputs = pack(files, folder, dice)
        print(f"{len(files)} files, {sum(len(d) for _, d in files) / 1e6:.0f} MB", flush=True)

        first = run(inputs, folder / "a", "--workers", "2", "--store", str(folder / "a.db"))
        reference = rows(folder / "a")
        asked = sorted(n for _, n in _numbered(files))
        answered = sorted(Path(str(r["file"]).split("!")[-1]).name for r in reference)
        out["photos"] = len(files)
        out["lost_or_doubled"] = len(_difference(asked, answered))
        out["unreadable"] = sum("error" in r for r in reference)
        out["first_s"] = round(first, 1)
        print(json.dumps(out), flush=True)

        second = run(inputs, folder / "a", "--workers", "2", "--store", str(folder / "a.db"))
        out["second_share"] = round(second / first, 4)
        out["second_rows_differ"] = compare(reference, rows(folder / "a"))
        print(json.dumps(out), flush=True)

        out["kills"] = killed(inputs, folder / "b", args.rounds, dice, first)
        out["killed_rows_differ"] = compare(reference, rows(folder / "b"))
        print(json.dumps(out), flush=True)

        place = folder / "cluster"
        place.mkdir()
        cluster = Cluster(place)
        stack.callback(cluster.stop)
        cluster.add_worker()
        victim = cluster.add_worker()
        cluster.wait_for(2)
        url = stack.enter_context(running_server()).new_database()
        kept = folder / "kept"
        process = subprocess.Popen(
            command(inputs, folder / "c", "--cluster", cluster.address, "--store", url),
            cwd=REPO,
            env={**os.environ, "PANELVISION_PHOTOS": str(kept)},
        )
        time.sleep(0.3 * first)
        victim.kill()
        cluster.add_worker()
        out["cluster_status"] = process.wait()
        out["cluster_rows_differ"] = compare(reference, rows(folder / "c"))
        out["filed_cases"] = len(filed(str(folder / "a.db")))
        out["filed_differ"] = len(_difference(filed(str(folder / "a.db")), filed(url, kept)))
    print(json.dumps(out))


def _numbered(files: list[tuple[str, bytes]]) -> list[tuple[int, str]]:
    middle = len(files) // 2
    return [
        (k, f"{k if k < middle else k - middle:03d} {name}") for k, (name, _) in enumerate(files)
    ]


def _difference(one: list[Any], other: list[Any]) -> list[Any]:
    left = list(other)
    missing = []
    for item in one:
        if item in left:
            left.remove(item)
        else:
            missing.append(item)
    return missing + left


if __name__ == "__main__":
    main()
