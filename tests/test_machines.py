"""Machines unlike the one this was written on: nothing to show on, write to, or count in."""

import json
import os
import shutil
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

import panelvision
from panelvision.examples import load_examples

PACKAGE = Path(panelvision.__file__).parent
# What is compared between machines: everything but the time that it took.
_NOT_COMPARED = ("seconds",)


def environment(folder: Path, **changes: str | None) -> dict[str, str]:
    """This environment with folders below ``folder``; None takes a variable away."""
    wanted: dict[str, str | None] = {
        **os.environ,
        "PYTHONPATH": str(PACKAGE.parent),
        "PANELVISION_STORE": str(folder / "store" / "cases.sqlite"),
        "PANELVISION_CONFIG": str(folder / "config"),
        **changes,
    }
    return {name: value for name, value in wanted.items() if value is not None}


def run(
    folder: Path, *arguments: str, prefix: tuple[str, ...] = (), **changes: str | None
) -> subprocess.CompletedProcess[str]:
    """The command line in a process of its own, in ``folder``."""
    return subprocess.run(
        [*prefix, sys.executable, "-m", "panelvision.cli", *arguments],
        cwd=folder,
        env=environment(folder, **changes),
        capture_output=True,
        text=True,
        encoding="utf-8",
        errors="replace",
    )


def photo_in(folder: Path) -> str:
    (folder / "inbox").mkdir(parents=True, exist_ok=True)
    (folder / "inbox" / "one.jpg").write_bytes(load_examples()[1].read())
    return "inbox/one.jpg"


def record_of(folder: Path) -> dict:
    record = json.loads((folder / "one.jsonl").read_text(encoding="utf-8"))
    return {name: value for name, value in record.items() if name not in _NOT_COMPARED}


def test_no_display_is_needed(tmp_path):
    done = run(
        tmp_path,
        *("examine", photo_in(tmp_path), "--jsonl", "one.jsonl", "--overlay", "drawn"),
        DISPLAY=None,
        WAYLAND_DISPLAY=None,
        XDG_RUNTIME_DIR=None,
        TERM=None,
    )
    assert done.returncode == 0, done.stderr
    assert list((tmp_path / "drawn").iterdir())


# --- folders that cannot be written ---------------------------------------------------------


def _bound_by_modes() -> tuple[str, ...]:
    """A prefix under which the modes of files bind, also for the system's administrator."""
    if os.name != "posix":
        pytest.skip("modes of folders bind on POSIX systems alone")
    if os.geteuid() != 0:
        return ()
    if shutil.which("setpriv") is None:
        pytest.skip("needs setpriv, or a user who is not root")
    return ("setpriv", "--bounding-set=-all", "--inh-caps=-all")


@pytest.fixture
def locked(tmp_path):
    """A copy of the package and a home, both without the right to write, and a place to work."""
    prefix = _bound_by_modes()
    site, home, work = tmp_path / "site", tmp_path / "home", tmp_path / "work"
    shutil.copytree(
        PACKAGE, site / "panelvision", ignore=shutil.ignore_patterns("__pycache__", ".*")
    )
    home.mkdir()
    work.mkdir()
    folders = [site, home, *(path for path in site.rglob("*") if path.is_dir())]
    for folder in folders:
        folder.chmod(0o500)
    yield work, site, home, prefix
    for folder in folders:
        folder.chmod(0o700)


def test_neither_the_install_folder_nor_the_home_is_written(locked):
    work, site, home, prefix = locked
    own = {"PYTHONPATH": str(site), "HOME": str(home), "PANELVISION_CONFIG": None}
    own |= {"PANELVISION_STORE": None}
    own |= dict.fromkeys(
        ("PYTHONPYCACHEPREFIX", "XDG_DATA_HOME", "XDG_CONFIG_HOME", "XDG_CACHE_HOME")
    )
    where = "import panelvision, os; print(panelvision.__file__, os.access('.', os.W_OK))"
    used = subprocess.run(
        [*prefix, sys.executable, "-c", where],
        cwd=site,
        env=environment(work, **own),
        capture_output=True,
        text=True,
        check=True,
    )
    assert used.stdout.split() == [str(site / "panelvision" / "__init__.py"), "False"]
    photo = photo_in(work)
    for arguments in (
        ("examine", photo, "--jsonl", "one.jsonl"),
        ("sort", "inbox", "--out", "sorted", "--workers", "0", "--quiet"),
        ("advise", "--json"),
    ):
        done = run(work, *arguments, prefix=prefix, **own)
        assert done.returncode == 0, done.stderr
    # What has to be kept says in one line where else it can be.
    for arguments in (
        ("cases", "list"),
        ("sort", "inbox", "--out", "sorted", "--quiet", "--store"),
    ):
        done = run(work, *arguments, prefix=prefix, **own)
        assert done.returncode == 2
        assert done.stderr.count("\n") == 1 and "PANELVISION_STORE" in done.stderr
    done = run(work, "examine", photo, "--jsonl", str(home / "x.jsonl"), prefix=prefix, **own)
    assert done.returncode == 2 and done.stderr.count("\n") == 1
    assert [p for p in home.rglob("*")] == []
    assert [p for p in site.rglob("__pycache__")] == []


def test_settings_that_cannot_be_kept_are_one_line(locked):
    work, site, home, prefix = locked
    code = (
        "from panelvision.settings import Settings, load_settings, save_settings\n"
        "from panelvision.errors import DataError\n"
        "assert load_settings() == Settings()\n"
        "try:\n    save_settings(Settings(shop='x'))\n"
        "except DataError as fault:\n    print(fault)\n"
    )
    own = {"PYTHONPATH": str(site), "HOME": str(home), "PANELVISION_CONFIG": None}
    done = subprocess.run(
        [*prefix, sys.executable, "-c", code],
        cwd=work,
        env=environment(work, **own, XDG_CONFIG_HOME=None),
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("\n") == 1 and "PANELVISION_CONFIG" in done.stdout


# --- languages and clocks -------------------------------------------------------------------

# All that stands in files and on the terminal, from a program that took over the machine's
# language. Python alone would not; a notebook or a page server may.
_ALL_OUTPUT = """
import json, locale, sys
try:
    locale.setlocale(locale.LC_ALL, "")
except locale.Error:
    pass
from panelvision.cli import main
codes = [
    main(["examine", "inbox/one.jpg", "--jsonl", "one.jsonl"]),
    main(["sort", "inbox", "--out", "sorted", "--workers", "0", "--quiet", "--store"]),
    main(["advise", "--json"]),
    main(["cases", "list"]),
    main(["cases", "accuracy"]),
]
comma = locale.localeconv()["decimal_point"]
with open("end.json", "w", encoding="utf-8") as file:
    json.dump({"codes": codes, "point": comma, "upper": "i".upper()}, file)
"""


@pytest.fixture(scope="module")
def languages(tmp_path_factory):
    """A folder of locales with a decimal comma, compiled from the system's sources."""
    folder = tmp_path_factory.mktemp("locales")
    if shutil.which("localedef") is None:
        pytest.skip("needs localedef to make the locales")
    for name in ("tr_TR", "de_DE"):
        made = subprocess.run(
            ["localedef", "-i", name, "-f", "UTF-8", str(folder / f"{name}.UTF-8")],
            capture_output=True,
            text=True,
        )
        if not (folder / f"{name}.UTF-8").is_dir():
            pytest.skip(f"localedef cannot make {name}: {made.stderr[-200:]}")
    return folder


def everything(folder: Path, **changes: str | None) -> tuple[dict, dict, str, str]:
    """Record, advice and table that a machine with these variables gives, and its end."""
    folder.mkdir()
    photo_in(folder)
    (folder / "all.py").write_text(textwrap.dedent(_ALL_OUTPUT), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "all.py"],
        cwd=folder,
        env=environment(folder, LANG=None, LC_ALL=changes.pop("LC_ALL", "C.UTF-8"), **changes),
        capture_output=True,
        text=True,
        encoding="utf-8",
    )
    assert done.returncode == 0, done.stderr
    end = json.loads((folder / "end.json").read_text(encoding="utf-8"))
    assert end["codes"] == [0] * 5 and end["upper"] == "I"
    advice = next(line for line in done.stdout.splitlines() if line.startswith("{"))
    table = (folder / "sorted" / "results.csv").read_text(encoding="utf-8")
    return record_of(folder), json.loads(advice), table, end["point"]


def test_another_language_and_clock_change_no_number(languages, tmp_path):
    plain = everything(tmp_path / "plain", TZ="UTC")
    for name, clock in (("tr_TR", "Pacific/Kiritimati"), ("de_DE", "America/St_Johns")):
        found = everything(
            tmp_path / name, LC_ALL=f"{name}.UTF-8", LOCPATH=str(languages), TZ=clock
        )
        assert found[3] == ","  # so the machine does count with commas
        assert found[:3] == plain[:3]


def test_a_terminal_of_plain_letters_is_enough(tmp_path):
    photo = photo_in(tmp_path)
    for command in (("examine", photo), ("advise", "--observations", "seen.json"), ("--help",)):
        (tmp_path / "seen.json").write_text('{"observations": {}}', encoding="ascii")
        done = run(tmp_path, *command, LC_ALL="C", PYTHONUTF8="0", PYTHONCOERCECLOCALE="0")
        assert done.returncode == 0, (command, done.stderr)
