"""A real PostgreSQL server for tests: Debian's binaries, a throw-away cluster, a local socket."""

import os
import pwd
import secrets
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


def binaries() -> Path | None:
    """Folder of the newest server's programs, or None."""
    found = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda p: float(p.parts[-3])
    )
    if found:
        return found[-1].parent
    on_path = shutil.which("postgres")
    return Path(on_path).parent if on_path else None


class Server:
    """A running server; `new_database` gives the URL of a fresh one."""

    def __init__(self, folder: Path, user: str, prefix: list[str], bin_: Path) -> None:
        self.folder, self.user, self.prefix, self.bin = folder, user, prefix, bin_

    def new_database(self) -> str:
        name = "t" + secrets.token_hex(6)
        self.run("createdb", "-h", str(self.folder), "-U", self.user, name)
        return f"postgresql://{self.user}@/{name}?host={self.folder}"

    def run(self, program: str, *arguments: str) -> None:
        command = [*self.prefix, str(self.bin / program), *arguments]
        done = subprocess.run(
            command, capture_output=True, text=True, timeout=120, cwd=self.folder, check=False
        )
        if done.returncode:
            raise RuntimeError(f"{program} failed: {done.stderr[-500:] or done.stdout[-500:]}")


@contextmanager
def running_server() -> Iterator[Server]:
    """Start a server and stop it at the end; skips the test when there are no binaries."""
    found = binaries()
    if found is None:
        pytest.skip("needs PostgreSQL's server: apt-get install postgresql")
    pytest.importorskip("psycopg", reason="needs the 'postgres' extra")
    prefix: list[str] = []
    user = pwd.getpwuid(os.getuid()).pw_name
    if os.getuid() == 0:  # the server refuses to run as root
        try:
            pwd.getpwnam("postgres")
        except KeyError:
            pytest.skip("needs a user 'postgres', because the server will not run as root")
        prefix, user = ["runuser", "-u", "postgres", "--"], "postgres"
    # Not pytest's folder: a socket's path may have 107 bytes at most, and another user's
    # server must be able to enter.
    folder = Path(tempfile.mkdtemp(prefix="pv-pg-"))
    try:
        if prefix:
            shutil.chown(folder, user)
        server = Server(folder, user, prefix, found)
        data = str(folder / "data")
        server.run("initdb", "-D", data, "-A", "trust", "-U", user, "-E", "UTF8", "--no-locale")
        # fsync off: these tests kill processes, not the power
        options = f"-c fsync=off -c listen_addresses='' -c unix_socket_directories='{folder}'"
        log = str(folder / "log")
        server.run("pg_ctl", "-D", data, "-w", "-l", log, "-o", options, "start")
        try:
            yield server
        finally:
            server.run("pg_ctl", "-D", data, "-w", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
