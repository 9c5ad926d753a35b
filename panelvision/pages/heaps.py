"""How many heaps the server's C library keeps: freed memory of one is of no use to another."""

import ctypes
import os
import sys

# chosen: one for each of the two threads that work on a photo.
HEAPS = 2
_M_ARENA_MAX = -8  # malloc.h of the GNU C library; mallopt(3)


def keep_few_heaps() -> bool:
    """Let all threads share two heaps; returns whether the C library took the wish.

    By default it opens up to eight for each core as threads meet in it. A server starts threads
    for every photo, and each heap then keeps room for the largest that it has seen: half of the
    memory of a day's work. Elsewhere than on Linux with the GNU C library, and where
    ``MALLOC_ARENA_MAX`` is set, nothing is changed.
    """
    if not sys.platform.startswith("linux") or "MALLOC_ARENA_MAX" in os.environ:
        return False
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError):  # another C library
        return False
    return bool(mallopt(_M_ARENA_MAX, HEAPS))
