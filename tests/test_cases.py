"""The case store on SQLite, its migrations, its photo stripping, its accuracy figures."""

import contextlib
import dataclasses
import hashlib
import io
import itertools
import json
import multiprocessing
import os
import signal
import sqlite3
import time
import zipfile
from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa
from alembic import command
from alembic.config import Config
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms

from panelvision.cases import Case, Customer, Outcome, SetDescription, open_store, schema
from panelvision.cases.accuracy import calibration, wilson
from panelvision.cases.strip import clean_photo, clean_profile
from panelvision.cli import main
from panelvision.errors import PhotoError, StoreError
from panelvision.photo import read_photo
from panelvision.settings import Settings, save_settings
from panelvision.tables import cell
from tests import tally
from tests.case_store_suite import CaseStoreSuite, full_case, jpeg


@pytest.fixture
def url(tmp_path):
    return str(tmp_path / "shop.sqlite")


def test_the_list_says_the_shop_s_own_day(url, monkeypatch, capsys):
    with open_store(url) as store:
        store.save_case(full_case(store))
        with store.engine.begin() as connection:
            connection.exec_driver_sql("UPDATE cases SET updated = '2026-01-01T23:30:00.000000Z'")
    try:
        for zone, day in (("UTC", "2026-01-01"), ("UTC-14", "2026-01-02")):  # POSIX: 14 h ahead
            monkeypatch.setenv("TZ", zone)
            time.tzset()
            assert main(["cases", "--store", url, "list"]) == 0
            assert day in capsys.readouterr().out
    finally:
        monkeypatch.undo()
        time.tzset()


@pytest.fixture
def other_url(tmp_path):
    return str(tmp_path / "other shop.sqlite")


class TestSqlite(CaseStoreSuite):
    """The whole suite, on SQLite."""

    def test_settings_of_the_file(self, store):
        with store.engine.connect() as connection:
            ask = connection.exec_driver_sql
            assert ask("PRAGMA journal_mode").scalar() == "wal"
            assert ask("PRAGMA foreign_keys").scalar() == 1
            assert ask("PRAGMA busy_timeout").scalar() == 30_000
            assert ask("PRAGMA synchronous").scalar() == 2
            assert ask("PRAGMA secure_delete").scalar() == 1

    def test_files_are_for_the_owner_only(self, store, tmp_path):
        path = store.photo_path(store.add_photo(jpeg(1)).sha256)
        assert path.stat().st_mode & 0o077 == 0
        assert (tmp_path / "shop.sqlite").stat().st_mode & 0o077 == 0

    def test_a_deleted_customer_is_gone_from_the_bytes_on_the_disk(self, store, tmp_path):
        name = "Zzyzx Unmistakable"
        others = [store.save_case(full_case(store, i)) for i in range(5)]
        saved = store.save_case(Case(customer=Customer(name), set=SetDescription("", None, name)))
        assert _files_with(tmp_path, name)
        store.delete_customer(saved.customer.id)
        assert not _files_with(tmp_path, name)
        assert len(store.search()) == len(others)

    def test_a_damaged_file_is_noticed_at_the_start(self, store, url, tmp_path):
        for i in range(40):
            store.save_case(Case(set=SetDescription(f"set {i}", None, "x" * 2000)))
        store.close()
        whole = Path(url).read_bytes()
        rng = np.random.default_rng(5)
        noticed = 0
        for at in rng.integers(4096, len(whole) - 4096, 12):
            torn = bytearray(whole)
            torn[at : at + 4096] = rng.bytes(4096)
            tally.add(tally.FAULTS)
            broken = tmp_path / "broken.sqlite"
            broken.write_bytes(torn)
            try:
                open_store(broken, photos=tmp_path / "photos").close()
            except StoreError as fault:
                assert "restore" in str(fault) and "\n" not in str(fault)
                noticed += 1
        # pages of long text hold no structure: damage inside one cannot always be seen
        assert noticed >= 6
        (tmp_path / "no.sqlite").write_bytes(b"This is not a database." * 500)
        with pytest.raises(StoreError, match="restore"):
            open_store(tmp_path / "no.sqlite")

    def test_a_place_that_cannot_be_written_is_one_line(self, tmp_path):
        (tmp_path / "file").write_text("")
        with pytest.raises(StoreError, match="choose another place"):
            open_store(tmp_path / "file" / "cases.sqlite")
        with pytest.raises(StoreError, match="not supported"):
            open_store("mysql://x/y", photos=tmp_path)
        with pytest.raises(StoreError, match="memory"):
            open_store("sqlite://", photos=tmp_path)

    def test_a_store_of_a_newer_version_is_refused_and_untouched(self, store, url, tmp_path):
        store.save_case(full_case(store))
        store.close()
        with sqlite3.connect(url) as connection:
            connection.execute("UPDATE alembic_version SET version_num = '9999'")
        connection.close()
        with pytest.raises(StoreError, match="update the program"):
            open_store(url, photos=tmp_path / "photos")


def _files_with(folder: Path, text: str) -> list[Path]:
    wanted = text.encode()
    return [p for p in folder.rglob("*") if p.is_file() and wanted in p.read_bytes()]


def test_migrations_end_at_the_tables_that_the_code_uses(tmp_path):
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext
    from alembic.script import ScriptDirectory

    scripts = ScriptDirectory(str(Path(schema.__file__).parents[1] / "migrations"))
    assert scripts.get_current_head() == schema.REVISION
    with open_store(tmp_path / "s.sqlite") as store, store.engine.connect() as connection:
        context = MigrationContext.configure(connection)
        assert compare_metadata(context, schema.metadata) == []


def test_a_store_of_the_first_version_is_brought_up_and_keeps_its_cases(tmp_path):
    path = tmp_path / "s.sqlite"
    with open_store(path) as store:
        saved = store.save_case(full_case(store))
        config = Config()
        scripts = Path(schema.__file__).parents[1] / "migrations"
        config.set_main_option("script_location", str(scripts))
        with schema.writing(store.engine) as connection:
            config.attributes["connection"] = connection
            command.downgrade(config, "0001")
    with open_store(path) as store:
        # Only what the first version did not know is missing.
        assert store.get(saved.id) == dataclasses.replace(
            saved, set=dataclasses.replace(saved.set, worth=None)
        )


def test_an_archive_of_the_first_version_can_be_brought_in(tmp_path):
    with open_store(tmp_path / "s.sqlite") as store:
        saved = store.save_case(full_case(store))
        store.export(tmp_path / "now.zip")
    with (
        zipfile.ZipFile(tmp_path / "now.zip") as now,
        zipfile.ZipFile(tmp_path / "former.zip", "w") as former,
    ):
        for name in now.namelist():
            data = now.read(name)
            if name == "cases.json":
                cases = json.loads(data)
                assert cases[0]["set"].pop("worth") == 180.0
                data = json.dumps(cases).encode()
            former.writestr(name, data)
    with open_store(tmp_path / "other.sqlite") as other:
        assert other.import_archive(tmp_path / "former.zip").added == 1
        assert other.get(saved.id).set == dataclasses.replace(saved.set, worth=None)


def test_the_default_place_is_the_users_data_folder(tmp_path, monkeypatch):
    monkeypatch.delenv("PANELVISION_STORE", raising=False)
    monkeypatch.delenv("PANELVISION_PHOTOS", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    monkeypatch.setenv("HOME", str(tmp_path))
    with open_store() as store:
        assert Path(store.engine.url.database).is_relative_to(tmp_path)
        store.add_photo(jpeg(1))
        assert store.files.folder.is_relative_to(tmp_path)


# --- crashes --------------------------------------------------------------------------------


def _write_for_ever(path: Path, start: int, report) -> None:
    with open_store(path) as store:
        for i in itertools.count(start):
            case = store.save_case(full_case(store, i))
            report.send(("saved", case.id))
            case = store.save_case(dataclasses.replace(case, verdict="panel"))
            report.send(("changed", case.id))
            if i % 3 == 0:
                report.send(("deleting", case.id))
                store.delete_customer(case.customer.id)
                report.send(("deleted", case.id))


def test_killed_at_any_moment_the_store_is_the_old_or_the_new(tmp_path):
    """kill -9 in a loop: what was reported is there, nothing is half there."""
    path = tmp_path / "shop.sqlite"
    open_store(path).close()
    # fork, because importing everything again takes longer than what is tested
    context = multiprocessing.get_context("fork")
    rng = np.random.default_rng(11)
    reported: dict[str, str] = {}
    for round_ in range(12):
        ours, theirs = context.Pipe(duplex=False)
        child = context.Process(target=_write_for_ever, args=(path, round_ * 1000, theirs))
        child.start()
        theirs.close()
        for _ in range(int(rng.integers(1, 8))):
            state, case_id = ours.recv()
            reported[case_id] = state
        time.sleep(rng.uniform(0, 0.03))
        assert child.pid is not None
        os.kill(child.pid, signal.SIGKILL)
        tally.add(tally.FAULTS)
        with contextlib.suppress(EOFError):
            while True:
                state, case_id = ours.recv()
                reported[case_id] = state
        child.join()
        ours.close()
        _check_consistent(path, reported)
    assert len(reported) > 12


def _check_consistent(path: Path, reported: dict[str, str]) -> None:
    with open_store(path) as store:
        cases = {case.id: case for case in store.search()}
        for case_id, state in reported.items():
            if state == "deleted":
                assert case_id not in cases
            elif state == "deleting":  # either state is right; it must not change any more
                reported[case_id] = "changed" if case_id in cases else "deleted"
            elif state == "changed":
                assert cases[case_id].verdict == "panel"
            else:
                assert case_id in cases
        for case in cases.values():
            assert case.customer is not None
            for photo in case.photos:
                assert store.photo_bytes(photo.sha256)
        kept = {photo.sha256 for case in cases.values() for photo in case.photos}
        with store.engine.connect() as connection:
            rows = set(connection.execute(sa.select(schema.photos.c.sha256)).scalars())
        files = {p.stem for p in store.files.folder.rglob("*.jpg")}
        assert kept <= rows
        # a file may lie there without a row when the kill came between the two
        assert rows <= files


# --- stripping --------------------------------------------------------------------------------

_SECRETS = (b"SecretMaker", b"SecretModel", b"SN-0815-4711", b"Secret comment")


def _marked(form: str, orientation: int = 6) -> bytes:
    """A photo whose metadata name a place, a maker, a model and a serial number."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010F], exif[0x0110] = "SecretMaker", "SecretModel"
    exif.get_ifd(0x8769)[0xA431] = "SN-0815-4711"
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2], gps[3], gps[4] = "N", (48.0, 12.0, 34.567), "E", (11.0, 1.0, 2.0)
    pixels = np.random.default_rng(1).integers(0, 255, (64, 96, 3), dtype=np.uint8)
    image, file = Image.fromarray(pixels), io.BytesIO()
    extra = {"comment": b"Secret comment"} if form == "JPEG" else {}
    image.save(file, form, exif=exif.tobytes(), **extra)
    return file.getvalue()


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "TIFF", "HEIF"])
@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_no_place_and_no_device_survive_and_the_picture_does(form, orientation):
    data = _marked(form, orientation)
    assert any(secret in data for secret in _SECRETS)
    clean = clean_photo(data)
    assert not any(secret in clean.data for secret in _SECRETS)
    left = Image.open(io.BytesIO(clean.data)).getexif()
    assert set(left) <= {0x0112}
    assert dict(left.get_ifd(0x8825)) == {} and dict(left.get_ifd(0x8769)) == {}
    before, after = read_photo(data), read_photo(clean.data)
    assert (after.width, after.height) == (before.width, before.height)
    if form in ("JPEG", "PNG", "TIFF"):
        assert np.array_equal(before.pixels, after.pixels)
    assert clean.lossless == (form in ("JPEG", "PNG"))


def test_what_follows_the_picture_is_cut_off():
    data = jpeg(3) + b"a clip with SN-0815-4711 and a place" + jpeg(4)
    assert clean_photo(data).data == clean_photo(jpeg(3)).data


def test_a_profile_keeps_its_colours_and_loses_its_words():
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    profile[48:56] = b"MAKRMODL"  # device manufacturer and model, ICC.1:2022 section 7.2
    file = io.BytesIO()
    pixels = np.random.default_rng(2).integers(0, 255, (64, 96, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(file, "JPEG", icc_profile=bytes(profile))
    kept = Image.open(io.BytesIO(clean_photo(file.getvalue()).data)).info["icc_profile"]
    assert b"MAKR" not in kept and b"MODL" not in kept
    assert clean_profile(kept) == kept
    # the same transform as the original's: littlecms converts a ramp alike with both
    lab = ImageCms.createProfile("LAB")
    image = Image.fromarray(pixels)
    both = [
        np.array(ImageCms.profileToProfile(
            image, ImageCms.ImageCmsProfile(io.BytesIO(p)), lab, outputMode="LAB"
        ))
        for p in (bytes(profile), kept)
    ]  # fmt: skip
    assert np.array_equal(*both)


def test_odd_photos_are_kept_readable_or_refused(bad_files):
    for path in sorted(bad_files.iterdir()):
        data = path.read_bytes()
        if len(data) > 900_000:  # large ones take seconds each and show nothing more
            continue
        try:
            clean = clean_photo(data, name=path.name)
        except PhotoError as fault:
            assert "\n" not in str(fault)
            continue
        again = clean_photo(clean.data)
        assert again.data == clean.data, path.name
        left = Image.open(io.BytesIO(clean.data)).getexif()
        assert set(left) <= {0x0112}, path.name
        for block in (b"ns.adobe.com", b"Photoshop 3.0", b"GPS"):
            assert block not in clean.data[:20_000], path.name


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_damaged_jpegs_never_raise_anything_else(data):
    whole = bytearray(_marked("JPEG"))
    for _ in range(data.draw(st.integers(1, 6))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    try:
        cut = data.draw(st.integers(1, len(whole)))
        with tally.tried():
            clean = clean_photo(bytes(whole[:cut]))
    except PhotoError:
        return
    assert not any(secret in clean.data for secret in _SECRETS)


# --- figures ----------------------------------------------------------------------------------


def test_wilson_interval_against_published_values():
    # Wilson 1927; values recomputed with statsmodels' proportion_confint(method="wilson")
    assert wilson(90, 100) == pytest.approx((0.8256, 0.9448), abs=5e-5)
    assert wilson(45, 50) == pytest.approx((0.7864, 0.9565), abs=5e-5)
    low, high = wilson(0, 10)
    assert low == 0 and high == pytest.approx(0.2775, abs=5e-5)
    with pytest.raises(ValueError, match="hits"):
        wilson(3, 2)


def test_calibration_error_of_a_hand_computed_case():
    # bins (0.1, 0.2], (0.3, 0.4], ...: the eight-point example, ten bins, by hand:
    # |0 - .12| + |0 - .31| + (|1 - .36| joins .31's bin) ... grouped below
    y = np.array([0, 0, 1, 1, 1, 0, 1, 1], bool)
    q = np.array([0.12, 0.31, 0.36, 0.83, 0.91, 0.63, 0.55, 0.97])
    by_bin = {1: [0], 3: [1, 2], 8: [3], 9: [4, 7], 6: [5], 5: [6]}
    expected = sum(abs(y[i].sum() - q[i].sum()) for i in by_bin.values()) / 8
    got = calibration(q, y)
    assert got.error == pytest.approx(expected)
    assert sum(b.cases for b in got.bins) == 8


def test_the_null_of_the_calibration_error_is_that_of_a_perfect_model():
    # Perfect model, confidence uniform on (.5, 1), ten bins, n = 100: mean .068, 95 % .109
    # (simulated apart from this code with 10,000 repeats)
    rng = np.random.default_rng(0)
    means, limits = [], []
    for _ in range(20):
        q = rng.uniform(0.5, 1, 100)
        got = calibration(q, rng.random(100) < q)
        means.append(got.error_if_perfect)
        limits.append(got.error_limit)
    assert np.mean(means) == pytest.approx(0.068, abs=0.004)
    assert np.mean(limits) == pytest.approx(0.109, abs=0.007)
    over = calibration(np.full(100, 0.95), np.arange(100) < 60)
    assert not over.believable and over.error == pytest.approx(0.35)


def test_cells_do_not_run():
    for text in ("=1+1", "+1", "-1", "@x", "\t=1", " =1", "\r\n=1", "＝1"):
        assert str(cell(text)).startswith("'"), text
    assert cell("plain") == "plain"
    assert cell(-1.5) == -1.5
    assert cell(float("nan")) == "" and cell(None) == ""
    assert cell("two\nlines") == "two lines"


def test_photo_hash_is_that_of_the_kept_file(tmp_path):
    with open_store(tmp_path / "s.sqlite") as store:
        photo = store.add_photo(jpeg(1))
        data = store.photo_path(photo.sha256).read_bytes()
    assert hashlib.sha256(data).hexdigest() == photo.sha256


# --- a store that cannot be used now --------------------------------------------------------


def test_a_store_in_use_is_not_called_damaged(tmp_path, monkeypatch):
    place = tmp_path / "cases.sqlite"
    open_store(place).close()

    def locked(*_):
        raise sqlite3.OperationalError("database is locked")

    with monkeypatch.context() as patch:
        patch.setattr(schema, "reading", lambda engine: _failing(locked))
        with pytest.raises(StoreError, match="cannot be used now") as told:
            open_store(place)
    assert "damaged" not in str(told.value) and "restore" not in str(told.value)


def test_a_folder_is_no_store_and_not_called_damaged(tmp_path):
    with pytest.raises(StoreError, match="cannot be used now") as told:
        open_store(tmp_path)
    assert "damaged" not in str(told.value) and "\n" not in str(told.value)


@contextlib.contextmanager
def _failing(fault):
    try:
        fault()
    except sqlite3.Error as error:
        raise sa.exc.OperationalError("PRAGMA", {}, error) from None
    yield


def test_sorting_tells_of_a_store_that_cannot_be_opened_before_the_work(tmp_path, capsys):
    photo = tmp_path / "a.jpg"
    photo.write_bytes(jpeg(1))
    out = tmp_path / "sorted"
    assert main(["sort", str(photo), "--out", str(out), "--store", "nowhere://x", "--quiet"]) == 2
    assert "case store" in capsys.readouterr().err
    assert not out.exists()


def test_no_answer_deletes_nothing(url, monkeypatch, capsys):
    with open_store(url) as store:
        case = store.save_case(full_case(store))
    monkeypatch.setenv("PANELVISION_STORE", str(url))
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)

    def ended(_prompt):
        raise EOFError

    for answer in (ended, lambda _prompt: "y"):
        monkeypatch.setattr("builtins.input", answer)
        assert main(["cases", "delete", case.id]) == 2
        assert "nothing was changed" in capsys.readouterr().err
    with open_store(url) as store:
        assert store.get(case.id).id == case.id


def test_the_command_line_reckons_as_the_pages_do(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("PANELVISION_CONFIG", str(tmp_path))
    monkeypatch.setenv("PANELVISION_STORE", str(tmp_path / "cases.sqlite"))
    seen = tmp_path / "seen.json"
    seen.write_text('{"observations": {"sound": "yes", "picture": "dark"}}')

    def advice():
        assert main(["advise", "--observations", str(seen), "--json"]) == 0
        return json.loads(capsys.readouterr().out)

    before = advice()
    save_settings(Settings(set_value=20.0, labour_per_hour=200.0), tmp_path / "settings.toml")
    assert advice()["set_value"] == 20.0 != before["set_value"]
    with open_store() as store:
        for i in range(12):
            case = store.save_case(full_case(store, i))
            store.close_case(case.id, Outcome("panel"))
    assert advice()["suspects"]["panel"] > before["suspects"]["panel"]
