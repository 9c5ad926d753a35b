"""Parts of one photo's work beside each other, on threads: OpenCV and NumPy let others run."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import cv2

T = TypeVar("T")


def threads() -> int:
    """Threads for one photo: none extra where OpenCV is told to use one (a worker among many)."""
    return 1 if cv2.getNumThreads() <= 1 else 2


def beside(tasks: Sequence[Callable[[], T]]) -> list[T]:
    """What the tasks return, in their order; they run on :func:`threads` threads.

    A task may wait for what an earlier one sets, never for a later one.
    """
    if threads() == 1:
        return [task() for task in tasks]
    with ThreadPoolExecutor(threads()) as pool:
        return list(pool.map(lambda task: task(), tasks))
