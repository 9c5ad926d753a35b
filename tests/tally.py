"""Counts of what the hostile tests did, and the measures behind them.

A crash is any exception but a PanelvisionError, or the end of the process; a leak is a file left
behind, or memory that goes on growing. `tests/conftest.py` adds the counts of all test workers
up and prints them at the end.
"""

import gc
import json
import os
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from panelvision.errors import PanelvisionError

REPO = Path(__file__).parents[1]
INPUTS, FAULTS, CRASHES, LEAKS = KINDS = ("inputs", "faults", "crashes", "leaks")
_counts: Counter[str] = Counter()


def add(kind: str, n: int = 1) -> None:
    """Count ``n`` more inputs tried, faults injected, crashes or leaks."""
    if kind not in KINDS:
        raise ValueError(f"{kind!r} is none of {', '.join(KINDS)}")
    _counts[kind] += n


def counts() -> dict[str, int]:
    """What this process counted so far."""
    return dict(_counts)


def line(total: dict[str, int]) -> str:
    """The line for the end of a test run."""
    inputs, faults, crashes, leaks = (total.get(kind, 0) for kind in KINDS)
    return (
        f"hostile input: {inputs:,} inputs tried, {faults:,} faults injected, "
        f"{crashes:,} crashes, {leaks:,} leaks"
    )


@contextmanager
def tried(inputs: int = 1) -> Iterator[None]:
    """Count inputs given to a reader in the block; an exception that nobody planned is a crash."""
    add(INPUTS, inputs)
    try:
        yield
    except PanelvisionError:
        raise
    except Exception:
        add(CRASHES)
        raise


def files_in(*folders: Path) -> set[Path]:
    """Everything below the folders."""
    return {path for folder in folders for path in folder.rglob("*")}


@contextmanager
def nothing_left(*folders: Path) -> Iterator[None]:
    """The block leaves the folders and the temporary folder as it found them, or it is a leak.

    The block's temporary files go to a folder of its own meanwhile, so that neither other tests
    nor other programs count.
    """
    with tempfile.TemporaryDirectory() as own:
        watched = (Path(own), *folders)
        before, usual = files_in(*watched), tempfile.tempdir
        tempfile.tempdir = own
        try:
            yield
        finally:
            tempfile.tempdir = usual
        gc.collect()
        left = files_in(*watched) - before
    check_left(left)


def check_left(left: Iterable[Path]) -> None:
    """Files that should not be there; each is a leak."""
    found = sorted(map(str, left))
    add(LEAKS, len(found))
    assert not found, f"left behind: {found}"


# --- memory, in a process of its own ----------------------------------------------------------

_PROBE = """
import gc, json, resource, sys
def resident():
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * resource.getpagesize() / 1e6
def peak():
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6
{setup}
for _ in range({warm_up}):
    once()
gc.collect()
start, high = resident(), peak()
for _ in range({repeats}):
    once()
gc.collect()
print(json.dumps(dict(growth=resident() - start, peak=peak(), start=start, high=high)))
"""


def memory_of(setup: str, *, warm_up: int = 0, repeats: int = 1) -> dict[str, float]:
    """Megabytes of a process that calls ``once()``, which the Python text ``setup`` defines.

    Returns
    -------
    dict
        ``start`` and ``high``, resident and peak size after the warm-up; ``growth`` of the
        resident size over the repeats that follow; ``peak`` over the whole life. A process that
        dies counts as a crash and fails the test.
    """
    script = _PROBE.format(setup=setup, warm_up=warm_up, repeats=repeats)
    environment = {**os.environ, "PYTHONPATH": str(REPO), "MALLOC_ARENA_MAX": "1"}
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", script],
        env=environment,
        cwd=REPO,
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    add(INPUTS, warm_up + repeats)
    if done.returncode != 0:
        add(CRASHES)
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout.splitlines()[-1])


def check_bound(found: float, bound: float, what: str) -> None:
    """Memory in MB against its bound; more is a leak."""
    if found > bound:
        add(LEAKS)
    assert found <= bound, f"{what}: {found:.0f} MB, expected at most {bound:.0f} MB"
