"""Work spread over this machine's cores or over an existing cluster, one photo at a time.

A photo that kills its worker, or never ends, costs itself and nothing else.
"""

import contextlib
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from multiprocessing import connection, get_context, parent_process
from typing import Any

from panelvision.errors import PanelvisionError

# chosen: a hundred times what a photo takes; whoever needs longer hangs.
PATIENCE_S = 180.0
# Tasks under way for each worker: one at work, one on its way, so that none waits for data.
_AHEAD = 2


class ClusterError(PanelvisionError, RuntimeError):
    """A cluster that cannot be reached or does not run the same program."""


@dataclass(frozen=True)
class Task:
    """A call to make elsewhere: ``function(*arguments)`` under a name of its own."""

    key: str
    arguments: tuple[Any, ...]


@dataclass(frozen=True)
class Result:
    """What came of a task: ``value``, or ``failure`` (one line) when its worker died over it."""

    key: str
    value: Any = None
    failure: str = ""


def core_count() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def run_tasks(
    tasks: Iterable[Task],
    function: Callable[..., Any],
    *,
    workers: int | None = None,
    cluster: str | None = None,
    version: Callable[[], str] | None = None,
    stop: threading.Event | None = None,
) -> Iterator[Result]:
    """Call ``function`` for every task; results as they come, in any order.

    Parameters
    ----------
    tasks : iterable of Task
        Taken only as fast as workers are free, so that it may hold photos without end.
    function : callable
        Importable by the workers. It should turn its own errors into values.
    workers : int, optional
        Processes on this machine; by default one for each core. 0 works in this process.
    cluster : str, optional
        Address of a dask.distributed scheduler (``tcp://host:port``), used instead.
    version : callable, optional
        Must give the same text here and on every worker of the cluster.
    stop : Event, optional
        When set, no more tasks are begun and the iteration ends.

    Raises
    ------
    ClusterError
        When the cluster cannot be reached, or runs another version.
    """
    if cluster is not None:
        source: _Processes | _Cluster = _Cluster(cluster, version)
    elif workers == 0:
        for task in tasks:
            if stop is not None and stop.is_set():
                return
            yield Result(task.key, function(*task.arguments))
        return
    else:
        source = _Processes(workers or core_count())
    with contextlib.closing(source):
        yield from _drive(iter(tasks), function, source, stop)


def _drive(
    tasks: Iterator[Task],
    function: Callable[..., Any],
    source: "_Processes | _Cluster",
    stop: threading.Event | None,
) -> Iterator[Result]:
    running: dict[Future[Any], Task] = {}
    # Tasks that were under way when a worker died: one of them is to blame, so each is tried
    # once more, alone.
    suspected: deque[Task] = deque()
    alone: Task | None = None
    while stop is None or not stop.is_set():
        if suspected and not running:
            alone = suspected.popleft()
            running[source.submit(function, alone)] = alone
        while not suspected and alone is None and len(running) < source.capacity():
            following = next(tasks, None)
            if following is None:
                break
            running[source.submit(function, following)] = following
        if not running:
            return
        done, _ = wait(running, timeout=PATIENCE_S, return_when=FIRST_COMPLETED)
        if not done:
            source.give_up()
        lost: list[Task] = []
        for future in done or list(running):
            task = running.pop(future)
            failure = _failure(future)
            if failure is None:
                yield Result(task.key, future.result())
            elif task is alone or not isinstance(failure, _NOBODY_KNOWS_WHO):
                yield Result(task.key, failure=_one_line(failure))
            else:
                lost.append(task)
            if task is alone:
                alone = None
                if failure is not None:
                    source.mend()
        if lost:
            if source.all_or_none:
                # a pool that lost one worker fails all its futures; some may have been quicker
                wait(running, timeout=10)
                for future, task in running.items():
                    if _failure(future) is None:
                        yield Result(task.key, future.result())
                    else:
                        lost.append(task)
                running.clear()
            suspected.extend(lost)
            source.mend()


# Failures that strike every task under way, whoever caused them.
_NOBODY_KNOWS_WHO = (BrokenProcessPool, TimeoutError, CancelledError)


def _failure(future: "Future[Any]") -> BaseException | None:
    if not future.done():
        return TimeoutError(f"no answer within {PATIENCE_S:.0f} s")
    try:
        return future.exception()
    except CancelledError as fault:
        return fault


def _one_line(failure: BaseException) -> str:
    if isinstance(failure, BrokenProcessPool):
        return "it makes the reader crash; ask for the photo in another format"
    if isinstance(failure, TimeoutError):
        return str(failure)
    text = " ".join(str(failure).split())[:160]
    return f"{type(failure).__name__}: {text}" if text else type(failure).__name__


# --- this machine -----------------------------------------------------------------------------


class _Processes:
    """A pool of processes that is made anew when a worker dies."""

    all_or_none = True

    def __init__(self, count: int) -> None:
        self.count = count
        self.executor = self._make()

    def _make(self) -> ProcessPoolExecutor:
        # spawn: a fork of a process with threads (BLAS, the page's server) may hang
        return ProcessPoolExecutor(
            self.count, mp_context=get_context("spawn"), initializer=_begin_worker
        )

    def capacity(self) -> int:
        return _AHEAD * self.count

    def submit(self, function: Callable[..., Any], task: Task) -> "Future[Any]":
        try:
            return self.executor.submit(function, *task.arguments)
        except BrokenProcessPool as fault:  # a worker died since the last look
            failed: Future[Any] = Future()
            failed.set_exception(fault)
            return failed

    def give_up(self) -> None:
        """Kill workers that do not answer."""
        self._kill()

    def mend(self) -> None:
        """A fresh pool."""
        self.close()
        self.executor = self._make()

    def _kill(self) -> None:
        # the executor's own table: there is no public way before Python 3.14
        for process in list((self.executor._processes or {}).values()):
            with contextlib.suppress(Exception):
                process.kill()

    def close(self) -> None:
        self._kill()
        self.executor.shutdown(wait=False, cancel_futures=True)


def _begin_worker() -> None:
    """First thing in a worker process."""
    # Ctrl-C reaches the whole process group; the parent alone decides what it means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    bound_threads()
    parent = parent_process()
    if parent is not None:
        # A worker whose parent was killed would wait for work for ever.
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    connection.wait([sentinel])
    os._exit(1)


_bounded = False


def bound_threads() -> None:
    """One thread for OpenCV and one for BLAS and OpenMP in this process: workers share cores."""
    global _bounded
    if _bounded:
        return
    import cv2
    import threadpoolctl

    cv2.setNumThreads(1)
    # libraries that are loaded later read these
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    threadpoolctl.threadpool_limits(1)
    _bounded = True


# --- a cluster --------------------------------------------------------------------------------


class _Cluster:
    """An existing dask.distributed cluster, used through its executor."""

    # the scheduler gives a dead worker's tasks to another by itself
    all_or_none = False

    def __init__(self, address: str, version: Callable[[], str] | None) -> None:
        try:
            from distributed import Client
        except ModuleNotFoundError:
            raise ClusterError(
                "--cluster needs dask.distributed; install it with "
                "pip install 'panelvision[cluster]'"
            ) from None
        try:
            self.client = Client(address, timeout=10, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as fault:
            reason = " ".join(str(fault).split())[:120]
            raise ClusterError(
                f"{address}: no scheduler answers ({reason}); start one with 'dask scheduler'"
            ) from None
        try:
            self._check(address, version)
        except BaseException:
            self.client.close()
            raise
        self.executor: Executor = self.client.get_executor(pure=False)

    def _check(self, address: str, version: Callable[[], str] | None) -> None:
        if not self._threads():
            raise ClusterError(f"{address}: the cluster has no workers; start 'dask worker'")
        if version is None:
            return
        here = version()
        try:
            there = self.client.run(_version_of, version)
        except Exception as fault:
            reason = " ".join(str(fault).split())[:120]
            raise ClusterError(
                f"{address}: a worker cannot run panelvision ({reason}); install the same "
                "version there"
            ) from None
        for worker, found in there.items():
            if found != here:
                raise ClusterError(
                    f"{worker}: runs panelvision {found}, not {here}; install the same version"
                )

    def _threads(self) -> int:
        return sum(self.client.nthreads().values())

    def capacity(self) -> int:
        return _AHEAD * max(1, self._threads())

    def submit(self, function: Callable[..., Any], task: Task) -> "Future[Any]":
        import warnings

        with warnings.catch_warnings():
            # Photos travel with their task on purpose: scattered ahead, those that a dead
            # worker held would be lost with it.
            warnings.filterwarnings("ignore", message=".*large (graph|object).*")
            return self.executor.submit(_bounded_call, function, *task.arguments)

    def give_up(self) -> None:
        raise ClusterError("the cluster has not answered for long; what is done is kept")

    def mend(self) -> None:
        if self.client.status not in ("running", "connecting"):
            raise ClusterError("the cluster's scheduler is gone; what is done is kept")

    def close(self) -> None:
        with contextlib.suppress(Exception):
            self.executor.shutdown(wait=False)
        self.client.close()


def _version_of(version: Callable[[], str]) -> str:
    return version()


def _bounded_call(function: Callable[..., Any], *arguments: Any) -> Any:
    bound_threads()
    return function(*arguments)
