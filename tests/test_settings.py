"""The shop's settings: kept, checked, and never half-written."""

import pytest

from panelvision.errors import DataError
from panelvision.settings import (
    Settings,
    keep_unread,
    load_settings,
    save_settings,
    settings_path,
)


def test_what_is_saved_is_read_back(tmp_path):
    wanted = Settings('Lamp "&" Bench\\', "1 Invented Lane", "kr", 55.5, 300, "light")
    path = save_settings(wanted, tmp_path / "new" / "settings.toml")
    assert load_settings(path) == Settings(
        'Lamp "&" Bench\\', "1 Invented Lane", "kr", 55.5, 300.0, "light"
    )


def test_a_currency_that_was_emptied_stays_empty(tmp_path):
    path = save_settings(Settings("Lamp & Bench", currency=""), tmp_path / "settings.toml")
    assert load_settings(path).currency == ""


def test_without_a_file_the_defaults_stand(tmp_path):
    assert load_settings(tmp_path / "none.toml") == Settings()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("shop = ", "settings.toml"),
        ("colour = 'red'", "unknown setting 'colour'"),
        ("theme = 'pink'", "expected one of dark, light"),
        ("labour_per_hour = true", "labour_per_hour"),
        ("labour_per_hour = -3", "from 0.01 to"),
        ("set_value = inf", "set_value"),
        ("shop = 5", "one line"),
        ("shop = '''a\nb'''", "one line"),
        ("shop = " + "[" * 5000, "nested too deep"),
        ("set_value = " + "9" * 5000, "correct or delete"),
        ("set_value = 0x" + "f" * 5000, "set_value"),
        ('"a\\nb" = 1', "unknown setting"),
    ],
)
def test_a_broken_file_is_one_line_that_names_it(tmp_path, text, words):
    path = tmp_path / "settings.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DataError, match=words) as caught:
        load_settings(path)
    assert "settings.toml" in str(caught.value) and "\n" not in str(caught.value)


def test_files_that_cannot_be_read_are_put_aside_and_none_replaces_another(tmp_path):
    path = tmp_path / "settings.toml"
    assert keep_unread(path) is None
    kept = {}
    for data in (b"shop = 'Lamp", b"shop = '\xff'", b"colour = 'red'"):
        path.write_bytes(data)
        aside = keep_unread(path)
        assert aside is not None and not path.exists()
        kept[aside] = data
    assert {aside: aside.read_bytes() for aside in kept} == kept and len(kept) == 3
    assert min(aside.name for aside in kept) == "settings.toml.broken"
    save_settings(Settings("Lamp & Bench"), path)
    assert keep_unread(path) is None
    assert load_settings(path) == Settings("Lamp & Bench")


def test_what_is_no_file_is_one_line_and_stays(tmp_path):
    (tmp_path / "settings.toml").mkdir()
    with pytest.raises(DataError, match=r"^[^\n]*cannot be written[^\n]*$"):
        keep_unread(tmp_path / "settings.toml")
    assert [each.name for each in tmp_path.iterdir()] == ["settings.toml"]


def test_a_folder_that_cannot_be_written_keeps_nothing_half_done(tmp_path):
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(DataError, match="cannot be written"):
        save_settings(Settings(shop="x"), tmp_path / "file" / "settings.toml")


def test_the_folder_can_be_chosen(monkeypatch, tmp_path):
    monkeypatch.setenv("PANELVISION_CONFIG", str(tmp_path))
    assert settings_path() == tmp_path / "settings.toml"
