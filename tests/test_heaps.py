"""Heaps of the C library under threads, counted by the C library itself."""

import subprocess
import sys

import pytest

from panelvision.pages.heaps import HEAPS

# Eight threads allocate at once; then malloc_info(3) lists the heaps that there are.
THREADS = """
import ctypes, sys, threading
from panelvision.pages.heaps import keep_few_heaps
if sys.argv[1] == "few" and not keep_few_heaps():
    sys.exit(3)
libc = ctypes.CDLL(None)
libc.fopen.restype = ctypes.c_void_p
libc.malloc.restype = ctypes.c_void_p
together = threading.Barrier(8)
def work():
    together.wait()
    for _ in range(2000):
        libc.free(ctypes.c_void_p(libc.malloc(ctypes.c_size_t(100_000))))
threads = [threading.Thread(target=work) for _ in range(8)]
[t.start() for t in threads]
[t.join() for t in threads]
file = libc.fopen(b"/dev/stdout", b"w")
libc.malloc_info(0, ctypes.c_void_p(file))
libc.fclose(ctypes.c_void_p(file))
"""


def _heaps(how: str) -> int:
    done = subprocess.run([sys.executable, "-c", THREADS, how], capture_output=True, text=True)
    if done.returncode == 3:
        pytest.skip("another C library than GNU's, or MALLOC_ARENA_MAX is set")
    assert done.returncode == 0, done.stderr
    return done.stdout.count("<heap nr=")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="Linux only")
def test_threads_share_a_few_heaps_when_asked_to():
    few = _heaps("few")
    assert 1 <= few <= HEAPS
    assert _heaps("as they come") > few
