"""Parts of one photo's work beside each other, on threads: OpenCV and NumPy let others run."""

from collections import deque
from collections.abc import Callable, Sequence
from threading import Thread
from typing import TypeVar

import cv2

T = TypeVar("T")


def threads() -> int:
    """Threads for one photo: none extra where OpenCV is told to use one (a worker among many)."""
    return 1 if cv2.getNumThreads() <= 1 else 2


def beside(tasks: Sequence[Callable[[], T]]) -> list[T]:
    """What the tasks return, in their order; the caller and one more thread share them.

    A task may wait for what an earlier one sets, never for a later one. Where tasks fail, the
    first one's exception is raised when all have ended.
    """
    if threads() == 1:
        return [task() for task in tasks]
    waiting = deque(enumerate(tasks))
    results: dict[int, T] = {}
    faults: dict[int, BaseException] = {}

    def work() -> None:
        while waiting:
            try:
                k, task = waiting.popleft()
            except IndexError:  # the other thread took the last one
                return
            try:
                results[k] = task()
            except BaseException as fault:
                faults[k] = fault
                if not isinstance(fault, Exception):  # told to stop: no further task
                    waiting.clear()

    helper = Thread(target=work)
    helper.start()
    work()
    helper.join()
    if faults:
        raise faults[min(faults)]
    return [results[k] for k in range(len(tasks))]
