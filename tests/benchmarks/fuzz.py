"""The readers of foreign bytes under mutated files, guided by the code that is reached.

``python -m tests.benchmarks.fuzz [--minutes 8] [--targets photo zip ...] [--crashes DIR]``. Each
target of `tests/fuzz_targets.py` runs in a process of its own, which writes down every input
before it reads it, so that an input that ends the process or takes no end is known too. Where
the package atheris is installed it chooses the inputs; else a loop of ours that keeps what
reaches new lines. The lines reached are counted afterwards, alike for both, by reading every
kept input once more under a tracer.
"""

import argparse
import importlib.util
import json
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

REPO = Path(__file__).parents[2]
SEEN_FOLDERS = (f"{REPO / 'panelvision'}{os.sep}", f"{REPO / 'models'}{os.sep}")
TARGET_NAMES = (
    "photo", "clip", "zip", "eml", "mbox", "knowledge", "shop", "settings", "observations",
    "truth", "archive", "archive-text",
)  # fmt: skip
# chosen: no input of these sizes should take longer, even beside other work on the machine
HANG_S = 60
MEMORY_MB = 2048


class Lines:
    """A tracer of the project's lines that stops watching what it has seen whole."""

    def __init__(self) -> None:
        self.reached: set[tuple[str, int]] = set()
        self._left: dict[int, tuple[CodeType, set[int]]] = {}

    def __call__(self, frame: FrameType, event: str, arg: object) -> Callable[..., Any] | None:
        code = frame.f_code
        known = self._left.get(id(code))
        if known is None:
            ours = code.co_filename.startswith(SEEN_FOLDERS)
            lines = {line for *_, line in code.co_lines() if line} if ours else set()
            lines.discard(code.co_firstlineno)
            known = self._left[id(code)] = (code, lines)
        return self._line if known[1] else None

    def _line(self, frame: FrameType, event: str, arg: object) -> Callable[..., Any]:
        if event == "line":
            left = self._left[id(frame.f_code)][1]
            if frame.f_lineno in left:
                left.discard(frame.f_lineno)
                self.reached.add((frame.f_code.co_filename, frame.f_lineno))
        return self._line


# --- one target, in a process of its own ------------------------------------------------------


class Run:
    """Reads inputs one by one, counts what became of them, and ends the process in time."""

    def __init__(self, name: str, place: Path, seconds: float) -> None:
        from tests import fuzz_targets

        self.name, self.place = name, place
        self.target = fuzz_targets.TARGETS[name]
        self.attempt = fuzz_targets.attempt
        self.work = fuzz_targets.fresh_folder(place / f"{name}-work")
        self.read = self.target.reader(self.work)
        self.end = time.monotonic() + seconds
        self.counts = {"executions": 0, "valid": 0, "refused": 0, "crashes": 0, "left_files": 0}
        self.files: int | None = None

    def one(self, data: bytes) -> None:
        """One input; a crash is noted and the next one may come."""
        (self.place / f"{self.name}-current").write_bytes(data)
        self.counts["executions"] += 1
        try:
            self.counts[self.attempt(self.read, data)] += 1
        except Exception as fault:
            self.counts["crashes"] += 1
            note_crash(self.place, self.name, data, traceback.format_exc(), _place_of(fault))
        self._count_files()
        if self.counts["executions"] % 100 == 0:
            self.tell()

    def _count_files(self) -> None:
        """Files that a reader left beside its input; the store's kept photos are meant to stay."""
        if self.counts["executions"] % 50 == 1:
            found = [p for p in self.work.rglob("*") if "photos" not in str(p.parent)]
            self.files = len(found) if self.files is None else self.files
            self.counts["left_files"] = max(0, len(found) - self.files)

    def over(self) -> bool:
        """Whether the time is up."""
        return time.monotonic() > self.end

    def tell(self) -> None:
        """Leave the counts for the parent."""
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        text = json.dumps(self.counts | {"peak_mb": round(peak)})
        (self.place / f"{self.name}-counts").write_text(text)


def _place_of(fault: BaseException) -> str:
    """Where an exception came from: its kind and the last lines of the project in it."""
    frames = traceback.extract_tb(fault.__traceback__)
    ours = [f"{Path(f.filename).name}:{f.lineno}" for f in frames if str(REPO) in f.filename]
    return " ".join([type(fault).__name__, *ours[-2:]])


def note_crash(place: Path, name: str, data: bytes, text: str, where: str) -> None:
    """Keep the input of a crash and its words, once for each place in the code."""
    mark = sha256(where.encode()).hexdigest()[:12]
    kept = place / "crashes" / f"{name}-{mark}.bin"
    kept.parent.mkdir(exist_ok=True)
    if not kept.exists():
        kept.write_bytes(data)
        kept.with_suffix(".txt").write_text(text)


def child(name: str, place: Path, seconds: float, seed: int, engine: str) -> None:
    """Fuzz one target until the time is up."""
    warnings.simplefilter("ignore")
    if engine == "atheris":
        import atheris

        with atheris.instrument_imports(include=["panelvision", "PIL", "models"]):
            run = Run(name, place, seconds)
        _with_atheris(run, seed)
    else:
        run = Run(name, place, seconds)
        _with_own_loop(run, seed)
    run.tell()


def _with_atheris(run: Run, seed: int) -> None:
    """Half of the changes are the library's, half are ours, which know words and lines."""
    import atheris

    from tests.fuzz_targets import mutated

    dice = random.Random(seed)
    seeds = run.target.seeds()

    def one(data: bytes) -> None:
        run.one(data)
        if run.over():
            run.tell()
            os._exit(0)  # the library's own end would not come back either

    def change(data: bytes, max_size: int, _: int) -> bytes:
        if dice.random() < 0.5:
            return atheris.Mutate(data, max_size)
        return mutated(bytes(data), dice, seeds)[:max_size]

    longest = 2 * max(map(len, seeds)) + 4096
    options = [f"-seed={seed}", f"-timeout={HANG_S}", f"-rss_limit_mb={MEMORY_MB}"]
    options += [f"-max_len={longest}", "-verbosity=0", "-len_control=0"]
    options += [f"-artifact_prefix={run.place}/dead-"]
    corpus = str(run.place / f"{run.name}-corpus")
    atheris.Setup([sys.argv[0], *options, corpus], one, custom_mutator=change)
    atheris.Fuzz()


def _with_own_loop(run: Run, seed: int) -> None:
    """Change kept inputs, the newer ones more often; keep what reaches a new line."""
    from tests.fuzz_targets import mutated

    dice = random.Random(seed)
    corpus = run.place / f"{run.name}-corpus"
    pool = [path.read_bytes() for path in sorted(corpus.iterdir())]
    lines = Lines()

    def traced(data: bytes) -> int:
        before = len(lines.reached)
        sys.settrace(lines)
        try:
            run.one(data)
        finally:
            sys.settrace(None)
        return len(lines.reached) - before

    for data in pool:
        traced(data)
    while not run.over():
        start = 0 if dice.random() < 0.5 else len(pool) // 2
        data = mutated(pool[dice.randrange(start, len(pool))], dice, pool)
        if traced(data):
            pool.append(data)
            (corpus / sha256(data).hexdigest()).write_bytes(data)


def replay(name: str, place: Path) -> None:
    """Count the lines that the seeds reach, and those that all kept inputs reach."""
    warnings.simplefilter("ignore")
    run = Run(name, place, HANG_S)
    seeds = run.target.seeds()
    lines = Lines()
    sys.settrace(lines)
    for data in seeds:
        run.one(data)
    by_seeds = len(lines.reached)
    for path in sorted((place / f"{name}-corpus").iterdir()):
        run.one(path.read_bytes())
    sys.settrace(None)
    found = sorted(f"{Path(file).relative_to(REPO)}:{line}" for file, line in lines.reached)
    (place / f"{name}-lines").write_text(json.dumps({"seeds": by_seeds, "lines": found}))


# --- all targets ------------------------------------------------------------------------------


def fuzz(name: str, place: Path, seconds: float, seed: int, engine: str) -> dict[str, Any]:
    """What came of one target; a process that dies is noted and started again."""
    from tests.fuzz_targets import TARGETS

    corpus = place / f"{name}-corpus"
    corpus.mkdir()
    for data in TARGETS[name].seeds():
        (corpus / sha256(data).hexdigest()).write_bytes(data)
    seeds = len(list(corpus.iterdir()))
    out: dict[str, Any] = {"executions": 0, "seeds": seeds, "deaths": 0}
    end = time.monotonic() + seconds
    while (left := end - time.monotonic()) > 1 and out["deaths"] < 20:
        death = _start(
            ["--child", name, str(place), str(left), str(seed + out["deaths"]), engine], left
        )
        counts = _counts(place, name)
        for key, value in counts.items():
            joined = max if key in ("peak_mb", "left_files") else lambda a, b: a + b
            out[key] = joined(out.get(key, 0), value)
        if death:
            out["deaths"] += 1
            data = (place / f"{name}-current").read_bytes()
            where = f"process ended {death} {sha256(data).hexdigest()}"
            note_crash(place, name, data, where, where)
    out["kept"] = len(list(corpus.iterdir())) - seeds
    _start(["--replay", name, str(place)], 10 * HANG_S)
    told = json.loads((place / f"{name}-lines").read_text())
    out["lines_of_seeds"], out["lines"] = told["seeds"], len(told["lines"])
    return out


def _start(arguments: list[str], seconds: float) -> str:
    """Run this module once more; returns how it died, or nothing."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.fuzz", *arguments],
        cwd=REPO, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
    )  # fmt: skip
    try:
        _, errors = process.communicate(timeout=seconds + 2 * HANG_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        return "by us: it took no end"
    if process.returncode == 0:
        return ""
    print(errors.decode("utf-8", "replace")[-2000:], file=sys.stderr)
    return f"with status {process.returncode}"


def _counts(place: Path, name: str) -> dict[str, int]:
    path = place / f"{name}-counts"
    counts = json.loads(path.read_text()) if path.exists() else {}
    path.unlink(missing_ok=True)
    return counts


def main() -> int:
    """Fuzz and print; 1 if there was a crash."""
    if sys.argv[1:2] == ["--child"]:
        name, place, seconds, seed, engine = sys.argv[2:]
        child(name, Path(place), float(seconds), int(seed), engine)
        return 0
    if sys.argv[1:2] == ["--replay"]:
        replay(sys.argv[2], Path(sys.argv[3]))
        return 0
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--minutes", type=float, default=8.0, help="over all targets")
    parser.add_argument("--quick", action="store_true", help="a quarter of a minute")
    parser.add_argument("--targets", nargs="+", default=TARGET_NAMES, choices=TARGET_NAMES)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--crashes", type=Path, default=Path("fuzz-crashes"), help="where to keep")
    parser.add_argument("--engine", choices=("atheris", "own"), help="default: atheris if there")
    args = parser.parse_args()
    installed = importlib.util.find_spec("atheris") is not None
    engine = args.engine or ("atheris" if installed else "own")
    minutes = 0.25 if args.quick else args.minutes
    began = time.monotonic()
    targets: dict[str, Any] = {}
    lines: set[str] = set()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        for name in args.targets:
            each = 60 * minutes / len(args.targets)
            targets[name] = fuzz(name, place, each, args.seed, engine)
            lines.update(json.loads((place / f"{name}-lines").read_text())["lines"])
            print(name, json.dumps(targets[name]), flush=True)
        crashes = _bring_home(place / "crashes", args.crashes)
    out = {
        "engine": engine,
        "minutes": round((time.monotonic() - began) / 60, 2),
        "executions": sum(t["executions"] for t in targets.values()),
        "kept": sum(t["kept"] for t in targets.values()),
        "lines": len(lines),
        "crashes": crashes,
        "left_files": sum(t.get("left_files", 0) for t in targets.values()),
        "peak_mb": max(t.get("peak_mb", 0) for t in targets.values()),
        "targets": targets,
    }
    print(json.dumps(out))
    return 1 if crashes else 0


def _bring_home(found: Path, kept: Path) -> list[str]:
    names = []
    for path in sorted(found.glob("*")) if found.exists() else []:
        kept.mkdir(parents=True, exist_ok=True)
        (kept / path.name).write_bytes(path.read_bytes())
        names.append(path.name)
    return [name for name in names if name.endswith(".bin")]


if __name__ == "__main__":
    sys.exit(main())
