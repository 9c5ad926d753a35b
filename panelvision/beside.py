"""Parts of one photo's work beside each other, on threads: OpenCV and NumPy let others run."""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from threading import Lock, Thread
from typing import Any, TypeVar

import cv2
from threadpoolctl import ThreadpoolController

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
    try:
        if faults:
            raise faults[min(faults)]
        return [results[k] for k in range(len(tasks))]
    finally:
        # An exception knows this frame: held by it in turn, both would outlive the photo.
        faults.clear()


_lock = Lock()
_users = 0
_limit: Any = None


@contextmanager
def one_thread_for_algebra() -> Iterator[None]:
    """Small systems are solved quicker without the linear algebra's own threads.

    They would wait for each other and take the cores from the task beside. The setting is the
    whole process's: the first that enters makes it, the last that leaves takes it back.
    """
    global _users, _limit
    with _lock:
        _users += 1
        if _users == 1:
            _limit = _controller().limit(limits=1, user_api="blas")
    try:
        yield
    finally:
        with _lock:
            _users -= 1
            if _users == 0:
                _limit.restore_original_limits()


@lru_cache(maxsize=1)
def _controller() -> ThreadpoolController:
    return ThreadpoolController()
