"""Sorting on a real dask.distributed cluster: a scheduler and two worker processes on loopback."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from panelvision.triage import sort_photos
from panelvision.workers import ClusterError
from tests import toy_pipeline
from tests.test_triage import inbox

pytest.importorskip("distributed", reason="needs the 'cluster' extra")
pytestmark = pytest.mark.server

REPO = Path(__file__).parents[1]


class Cluster:
    """A scheduler and workers, each a process of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{self.port}"
        self.scheduler = self._start(
            "dask_scheduler", "--host", "127.0.0.1", "--port", str(self.port), "--no-dashboard"
        )
        self.workers: list[subprocess.Popen] = []

    def _start(self, program: str, *arguments: str) -> subprocess.Popen:
        log = open(self.folder / f"{program}-{time.monotonic_ns()}.log", "w")
        environment = {**os.environ, "PYTHONPATH": str(REPO)}
        with log:
            return subprocess.Popen(
                [sys.executable, "-m", f"distributed.cli.{program}", *arguments],
                stdout=log, stderr=log, cwd=self.folder, env=environment,
            )  # fmt: skip

    def add_worker(self) -> subprocess.Popen:
        # no nanny: a killed worker stays dead
        worker = self._start(
            "dask_worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard",
            "--memory-limit", "0",
        )  # fmt: skip
        self.workers.append(worker)
        return worker

    def wait_for(self, count: int) -> None:
        from distributed import Client

        end = time.monotonic() + 60
        while True:
            try:
                with Client(self.address, timeout=5, set_as_default=False) as client:
                    client.wait_for_workers(count, timeout=max(1, end - time.monotonic()))
                return
            except OSError:
                if time.monotonic() > end:
                    raise

    def stop(self) -> None:
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait(20)


@pytest.fixture
def cluster(tmp_path):
    folder = tmp_path / "cluster"
    folder.mkdir()
    running = Cluster(folder)
    try:
        running.add_worker()
        running.add_worker()
        running.wait_for(2)
        yield running
    finally:
        running.stop()


def sort(*paths, out, examine=toy_pipeline.examine, version=toy_pipeline.version, **more):
    return sort_photos(
        paths, out=out, examine=examine, compare=toy_pipeline.compare, version=version, **more
    )


def rows(out: Path) -> list[dict]:
    return [json.loads(line) for line in (out / "results.jsonl").read_text("utf-8").splitlines()]


def test_the_cluster_gives_what_this_machine_gives_and_a_killed_worker_costs_nothing(
    cluster, tmp_path
):
    paths = inbox(tmp_path)
    whole = sort(*paths, out=tmp_path / "local", workers=0)
    far = sort(*paths, out=tmp_path / "far", cluster=cluster.address)
    assert (far.photos, far.new, far.failed) == (whole.photos, whole.new, whole.failed)
    assert rows(tmp_path / "far") == rows(tmp_path / "local")

    def kill_soon(state):
        if state.stage == "photos" and state.done == 12 and cluster.workers[0].poll() is None:
            os.kill(cluster.workers[0].pid, signal.SIGKILL)

    after = sort(
        *paths, out=tmp_path / "killed", cluster=cluster.address, progress=kill_soon,
        examine=toy_pipeline.slow_examine,
    )  # fmt: skip
    assert cluster.workers[0].wait(20) == -signal.SIGKILL
    assert (after.photos, after.failed, after.waiting) == (whole.photos, whole.failed, 0)
    assert rows(tmp_path / "killed") == rows(tmp_path / "local")


def test_a_cluster_that_cannot_be_used_is_one_line(cluster, tmp_path):
    paths = inbox(tmp_path, 4)
    with pytest.raises(ClusterError, match=r"^worker|^tcp[^\n]+same version"):
        sort(*paths, out=tmp_path / "o", cluster=cluster.address, version=os.getpid)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        nobody = f"tcp://127.0.0.1:{free.getsockname()[1]}"
    with pytest.raises(ClusterError, match=r"^[^\n]*no scheduler answers[^\n]*$"):
        sort(*paths, out=tmp_path / "o", cluster=nobody)
    for worker in cluster.workers:
        worker.kill()
        worker.wait(20)
    time.sleep(1)
    with pytest.raises(ClusterError, match="no workers"):
        sort(*paths, out=tmp_path / "o", cluster=cluster.address)


def test_stopping_a_cluster_run_keeps_what_is_done(cluster, tmp_path):
    paths = inbox(tmp_path)
    stop = threading.Event()
    part = sort(
        *paths, out=tmp_path / "o", cluster=cluster.address, stop=stop,
        examine=toy_pipeline.slow_examine,
        progress=lambda state: stop.set() if state.done >= 8 else None,
    )  # fmt: skip
    assert part.stopped and part.photos >= 8
    rest = sort(*paths, out=tmp_path / "o", cluster=cluster.address)
    assert rest.photos == 33 and rest.reused >= 7
