"""The three rooms do not leak: who may import whom."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
FORBIDDEN = {
    "panelvision": {"synth", "models", "tests", "app"},
    "synth": {"panelvision", "models", "tests", "app"},
    "models": {"tests", "app"},
}


def imported(path: Path) -> set[str]:
    """Top-level names that a file imports, anywhere in it."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            names.add(node.module.split(".")[0])
    return names


@pytest.mark.parametrize("room", FORBIDDEN)
def test_room_imports_nothing_it_must_not(room):
    files = sorted((ROOT / room).rglob("*.py"))
    assert files
    leaks = {
        str(path.relative_to(ROOT)): sorted(imported(path) & FORBIDDEN[room])
        for path in files
        if imported(path) & FORBIDDEN[room]
    }
    assert leaks == {}


def test_the_check_sees_a_leak(tmp_path):
    leaky = tmp_path / "leak.py"
    leaky.write_text("def f():\n    from synth.panel import draw\n    import models.train\n")
    assert imported(leaky) & FORBIDDEN["panelvision"] == {"synth", "models"}


def test_top_level_is_what_the_user_fixed():
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "app.py", "requirements.lock"}
    allowed |= {"panelvision", "models", "synth", "tests"}
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")}
    extra = found - allowed - {"build", "dist"} - {p for p in found if p.endswith(".egg-info")}
    assert extra == set()
