"""Tasks that two threads share."""

import gc
import threading
import weakref
from concurrent.futures import Future
from contextlib import suppress

import cv2
import pytest
from threadpoolctl import threadpool_info

from panelvision.beside import beside, one_thread_for_algebra


@pytest.fixture(params=[1, 2])
def opencv_threads(request: pytest.FixtureRequest):
    """With one thread everything runs in the caller; with two there is a helper."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(request.param)
    yield request.param
    cv2.setNumThreads(before)


def test_results_come_in_the_order_of_the_tasks(opencv_threads: int) -> None:
    assert beside([lambda k=k: k * k for k in range(50)]) == [k * k for k in range(50)]
    assert beside([]) == []


def test_a_task_may_wait_for_an_earlier_one(opencv_threads: int) -> None:
    made: Future[int] = Future()
    found = beside([lambda: made.set_result(7), lambda: made.result(timeout=20)])
    assert found == [None, 7]


def test_two_tasks_run_at_once() -> None:
    before = cv2.getNumThreads()
    cv2.setNumThreads(2)
    try:
        # Passes only when both are there; else the barrier breaks.
        meet = threading.Barrier(2, timeout=20)
        assert sorted(beside([meet.wait, meet.wait])) == [0, 1]
    finally:
        cv2.setNumThreads(before)


def test_the_first_fault_is_raised_and_the_others_have_ended(opencv_threads: int) -> None:
    ended = []

    def fail(name: str) -> None:
        ended.append(name)
        raise ValueError(name)

    with pytest.raises(ValueError, match=r"^first$"):
        beside([lambda: fail("first"), lambda: fail("second"), lambda: ended.append("third")])
    if opencv_threads > 1:
        assert sorted(ended) == ["first", "second", "third"]


def test_a_failed_task_is_not_kept_alive(opencv_threads: int) -> None:
    class Large:
        """Stands for a photo."""

    def fail(large: Large) -> None:
        assert large
        raise MemoryError

    def attempt() -> "weakref.ref[Large]":
        large = Large()
        with suppress(MemoryError):
            beside([lambda: fail(large), lambda: fail(large)])
        return weakref.ref(large)

    gc.disable()
    try:
        assert attempt()() is None
    finally:
        gc.enable()


def test_algebra_has_its_threads_back_when_the_last_user_has_left() -> None:
    # scipy and numpy each bring a library; some builds have none that threadpoolctl knows.
    def pools() -> list[int]:
        return [p["num_threads"] for p in threadpool_info() if p["user_api"] == "blas"]

    before = pools()
    first, second = one_thread_for_algebra(), one_thread_for_algebra()
    first.__enter__()
    second.__enter__()
    first.__exit__(None, None, None)
    assert pools() == [1] * len(before)
    second.__exit__(None, None, None)
    assert pools() == before


def test_told_to_stop_it_begins_no_further_task(opencv_threads: int) -> None:
    begun = []

    def stop() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        beside([stop] + [lambda: begun.append(1)] * 100_000)
    assert len(begun) < 100_000
