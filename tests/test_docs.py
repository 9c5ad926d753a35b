"""The documents say what is there: examples run, commands and benchmarks exist."""

import importlib.util
import re
from pathlib import Path

import pytest

import synth
from panelvision.cli import main

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_readme_opens_with_one_paragraph_that_states_the_job():
    title, first, *_ = README.split("\n\n")
    assert title.startswith("# panelvision")
    assert "television repair technician" in first
    assert "which assembly has failed" in " ".join(first.split())


def test_readme_example_runs(tmp_path, monkeypatch, capsys):
    [code] = re.findall(r"```python\n(.*?)```", README, flags=re.DOTALL)
    (tmp_path / "dark-set.jpg").write_bytes(synth.draw(5, symptom="no-image").jpeg)
    monkeypatch.chdir(tmp_path)
    names: dict = {}
    exec(code, names)
    assert names["result"].symptom in capsys.readouterr().out
    assert names["overlay"].ndim == 3
    assert "Examination of dark-set.jpg" in repr(names["result"])


@pytest.mark.parametrize(
    "command", sorted(set(re.findall(r"^    panelvision (\w+)", README, re.M)))
)
def test_command_of_the_readme_exists(command, capsys):
    with pytest.raises(SystemExit) as stop:
        main([command, "--help"])
    assert stop.value.code == 0
    assert f"panelvision {command}" in capsys.readouterr().out


MODULES = sorted(set(re.findall(r"python -m ((?:models|tests|synth)[\w.]*)", README + DEVELOPERS)))


@pytest.mark.parametrize("module", MODULES)
def test_module_of_the_documents_exists(module):
    assert importlib.util.find_spec(module) is not None


PATHS = sorted(
    set(re.findall(r"`((?:panelvision|models|synth|tests)/[\w./]+)`", README + DEVELOPERS))
)


@pytest.mark.parametrize("path", PATHS)
def test_path_of_the_documents_exists(path):
    assert (ROOT / path).exists()
