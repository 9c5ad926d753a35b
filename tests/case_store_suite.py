"""What every case store must do, whatever the database: inherited by the tests of each kind."""

import csv
import dataclasses
import io
import json
import multiprocessing
import zipfile
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from pathlib import Path

import numpy as np
import pytest
import sqlalchemy as sa
from PIL import Image

from panelvision.cases import (
    Case,
    CasePhoto,
    CaseStore,
    Customer,
    Outcome,
    SetDescription,
    open_store,
    schema,
)
from panelvision.errors import DataError, PhotoError, StoreError
from panelvision.triage import sort_photos
from panelvision.triage_store import file_cases
from tests import tally, toy_pipeline


def jpeg(seed: int, *, size: tuple[int, int] = (96, 64), exif: bytes = b"") -> bytes:
    """A small photo that differs with the seed."""
    pixels = np.random.default_rng(seed).integers(0, 255, (*size[::-1], 3), dtype=np.uint8)
    file = io.BytesIO()
    Image.fromarray(pixels).save(file, "JPEG", quality=90, exif=exif)
    return file.getvalue()


def full_case(store: CaseStore, seed: int = 1, *, customer: Customer | None = None) -> Case:
    """A case with every field filled."""
    photo = store.add_photo(jpeg(seed), name=f"photo{seed}.jpg")
    probabilities = {"faint-image": 0.8, "no-image": 0.2}
    return Case(
        customer=customer or Customer(f"Müller {seed}", f"kunde{seed}@example.org", True),
        set=SetDescription(f"Shelf {seed}", 43.0, "sound is there\nno picture", 180.0),
        photos=(
            CasePhoto(
                photo.sha256,
                "ab" * 32,
                "bild ü.jpg",
                {"symptom": "faint-image", "usable": True, "symptom_probabilities": probabilities},
            ),
        ),
        observations={"sound": "yes", "blinks": 3, "strip_volts": 61.5},
        done_tests=({"test": "torch", "outcome": "faint"}, {"test": "discharge", "outcome": "no"}),
        advice={"suspects": {"backlight": 0.9, "power-board": 0.1}, "next_test": "strips"},
        verdict="backlight",
        costs={"parts": 25.0, "labour": 60.5},
    )


def _save_many(url: str, photos: Path, start: int, count: int) -> None:
    with open_store(url, photos=photos) as store:
        for i in range(start, start + count):
            store.save_case(full_case(store, i))


def _count_up(url: str, photos: Path, case_id: str, count: int) -> None:
    """Add one to a number in the case, again whenever somebody else was quicker."""
    with open_store(url, photos=photos) as store:
        done = 0
        while done < count:
            case = store.get(case_id)
            number = case.observations["n"] + 1
            try:
                store.save_case(dataclasses.replace(case, observations={"n": number}))
                done += 1
            except StoreError as fault:
                assert "meanwhile" in str(fault)


class CaseStoreSuite:
    """Inherit, and give the fixtures ``url`` and ``other_url`` (two empty databases)."""

    @pytest.fixture
    def store(self, url, tmp_path):
        with open_store(url, photos=tmp_path / "photos") as store:
            yield store

    # --- keeping ------------------------------------------------------------------------

    def test_a_case_comes_back_as_it_was_saved(self, store):
        case = full_case(store)
        saved = store.save_case(case)
        got = store.get(case.id)
        assert got == saved
        assert got == dataclasses.replace(
            case, revision=1, created=saved.created, updated=saved.updated
        )
        assert saved.created.tzinfo is not None
        assert abs(datetime.now(UTC) - saved.created) < timedelta(minutes=1)
        assert got.symptom == "faint-image"
        assert list(got.suspects) == ["backlight", "power-board"]

    def test_it_is_still_there_after_closing_and_opening(self, store, url, tmp_path):
        saved = store.save_case(full_case(store))
        store.close()
        with open_store(url, photos=tmp_path / "photos") as again:
            assert again.get(saved.id) == saved
            assert again.photo_bytes(saved.photos[0].sha256)

    def test_a_stale_copy_does_not_overwrite_a_newer_one(self, store):
        first = store.save_case(full_case(store))
        store.save_case(dataclasses.replace(first, verdict="power-board"))
        with pytest.raises(StoreError, match="changed or deleted elsewhere"):
            store.save_case(dataclasses.replace(first, verdict="panel"))
        assert store.get(first.id).verdict == "power-board"
        with pytest.raises(StoreError, match="in the store already"):
            store.save_case(dataclasses.replace(first, revision=0))

    def test_text_that_databases_dislike_is_kept_or_refused_in_one_line(self, store):
        odd = "'; DROP TABLE cases; -- \0 \ud800 😀 " + "é" * 300
        saved = store.save_case(Case(set=SetDescription(odd, None, odd)))
        label = store.get(saved.id).set.label
        assert label == "'; DROP TABLE cases; --  ? 😀 " + "é" * 300
        nan = store.save_case(Case(observations={"volts": float("nan"), "n": np.float32(0.5)}))
        assert store.get(nan.id).observations == {"volts": None, "n": 0.5}
        for bad in (
            Case(verdict="flux capacitor"),
            Case(outcome=Outcome("nothing")),
            Case(set=SetDescription("x" * 30_000)),
            Case(set=SetDescription("x", float("nan"))),
            Case(costs={"parts": float("inf")}),
            Case(id="../../etc"),
            Case(observations={"f": print}),
            Case(photos=(CasePhoto("../../etc/passwd"),)),
        ):
            with pytest.raises(DataError, match=r"^[^\n]+$"):
                store.save_case(bad)
        with pytest.raises(StoreError, match="add it first"):
            store.save_case(Case(photos=(CasePhoto("0" * 64),)))
        assert len(store.search()) == 2

    def test_photos_are_kept_once_and_without_metadata(self, store):
        marked = Image.Exif()
        marked[0x010F] = "SecretMaker"
        marked[0x0110] = "SecretModel 9"
        gps = marked.get_ifd(0x8825)
        gps[1], gps[2] = "N", (48.0, 12.0, 34.0)
        with_mark = jpeg(7, exif=marked.tobytes())
        assert b"SecretMaker" in with_mark
        plain_file = jpeg(7)
        one = store.add_photo(with_mark)
        two = store.add_photo(plain_file)
        assert one == two
        files = [p for p in store.files.folder.rglob("*") if p.is_file()]
        assert len(files) == 1
        kept = store.photo_bytes(one.sha256)
        assert b"Secret" not in kept and b"Exif" not in kept
        assert np.array_equal(
            np.array(Image.open(io.BytesIO(kept))), np.array(Image.open(io.BytesIO(with_mark)))
        )
        with pytest.raises(PhotoError):
            store.add_photo(b"no photo at all")
        assert len([p for p in store.files.folder.rglob("*") if p.is_file()]) == 1

    def test_an_altered_photo_is_noticed(self, store):
        photo = store.add_photo(jpeg(1))
        path = store.photo_path(photo.sha256)
        path.write_bytes(path.read_bytes()[:-10])
        with pytest.raises(StoreError, match="altered"):
            store.photo_bytes(photo.sha256)

    # --- finding ------------------------------------------------------------------------

    def test_search_looks_at_all_words_in_any_case(self, store):
        one = store.save_case(full_case(store, 1))
        two = store.save_case(full_case(store, 2, customer=one.customer))
        three = store.save_case(Case(set=SetDescription("100 % odd_label", None, "")))
        assert [c.id for c in store.search()] == [three.id, two.id, one.id]
        assert [c.id for c in store.search("MÜLLER shelf")] == [two.id, one.id]
        assert [c.id for c in store.search("müller 'shelf")] == []
        assert [c.id for c in store.search("FAINT-image kunde1@EXAMPLE.org shelf")] == [
            two.id,
            one.id,
        ]
        assert [c.id for c in store.search("%")] == [three.id]  # not a wildcard
        assert [c.id for c in store.search("d_l")] == [three.id]
        assert store.search("nobody") == []
        assert [c.id for c in store.search(limit=1)] == [three.id]
        store.close_case(two.id, Outcome("backlight"))
        assert [c.id for c in store.search(open_only=True)] == [three.id, one.id]

    def test_a_case_is_found_by_the_beginning_of_its_number(self, store):
        saved = store.save_case(full_case(store))
        assert store.get(saved.id[:8]).id == saved.id
        for wrong, message in (("", "not a case"), ("xyz", "not a case"), ("0" * 32, "no case")):
            with pytest.raises(StoreError, match=message):
                store.get(wrong)
        store.save_case(Case(id="0" * 31 + "1"))
        store.save_case(Case(id="0" * 31 + "2"))
        with pytest.raises(StoreError, match="several"):
            store.get("0000")

    def test_more_cases_than_fit_into_one_statement(self, store):
        for i in range(40):
            store.save_case(Case(set=SetDescription(f"set {i}")))
        from panelvision.cases import store as module

        size, module._BATCH = module._BATCH, 7
        try:
            assert len(store.search()) == 40
        finally:
            module._BATCH = size

    # --- closing and learning -----------------------------------------------------------

    def test_closing_feeds_the_outcomes_and_reopening_takes_them_back(self, store):
        saved = store.save_case(full_case(store))
        closed = store.close_case(
            saved.id, Outcome("power-board", "string-driver", "no-image"), costs={"parts": 30.0}
        )
        assert closed.closed is not None and closed.costs == {"parts": 30.0}
        (record,) = store.outcomes()
        assert record["fault"] == "string-driver"
        assert record["assembly"] == "power-board"
        assert record["symptom"] == "no-image"
        assert record["observations"] == saved.observations
        assert record["suspects"]["backlight"] == 0.9
        assert record["photo"]["faint-image"] == pytest.approx(0.8)
        store.reopen(saved.id)
        assert store.outcomes() == []
        assert store.get(saved.id).outcome is None

    def test_a_reading_that_nobody_settled_does_not_teach_itself(self, store):
        saved = store.save_case(full_case(store))
        assert saved.symptom  # as the photo was read
        store.close_case(saved.id, Outcome("power-board"))
        (record,) = store.outcomes()
        assert record["symptom"] == ""

    def test_one_case_can_be_deleted_and_others_keep_their_photos(self, store):
        first, second = (store.save_case(full_case(store, i)) for i in range(2))
        shared = dataclasses.replace(second, photos=(*second.photos, *first.photos))
        second = store.save_case(shared)
        nobody = store.save_case(Case(set=SetDescription("without a customer")))
        gone = store.delete_case(first.id[:8])
        assert (gone.cases, gone.photos) == (1, 0)
        assert {case.id for case in store.search()} == {second.id, nobody.id}
        assert [store.photo_bytes(photo.sha256) for photo in second.photos]
        assert store.delete_case(nobody.id).cases == 1
        gone = store.delete_case(second.id)
        assert gone.photos == len(second.photos)
        with pytest.raises(StoreError):
            store.photo_bytes(second.photos[0].sha256)
        # The customers are still known.
        assert len(store.customers()) == 2
        with pytest.raises(StoreError):
            store.delete_case(first.id)

    def test_only_photos_of_customers_who_agreed_are_for_training(self, store):
        for seed, consent in ((1, True), (2, False)):
            case = full_case(store, seed, customer=Customer("c", "", consent))
            saved = store.save_case(case)
            store.close_case(saved.id, Outcome("backlight", "", "faint-image"))
        photos = list(store.training_photos())
        assert [symptom for _, symptom in photos] == ["faint-image"]
        assert photos[0][0] == store.photo_bytes(store.add_photo(jpeg(1)).sha256)

    def test_photos_without_the_fault_do_not_teach_it(self, store):
        for seed, (read, taught) in enumerate(
            (("not-a-screen", 0), ("normal", 0), ("dim-zones", 1))
        ):
            case = full_case(store, seed, customer=Customer("c", "", True))
            photo = dataclasses.replace(case.photos[0], examination={"symptom": read})
            saved = store.save_case(dataclasses.replace(case, photos=(photo,)))
            store.close_case(saved.id, Outcome("backlight", "", "faint-image"))
            assert len(list(store.training_photos())) == taught

    def test_accuracy_counts_first_and_second_suspects(self, store):
        # 5 closed: right at once, right at once, second, third, and one never advised
        ends = ["backlight", "backlight", "power-board", "panel", "backlight"]
        for i, end in enumerate(ends):
            case = full_case(store, i)
            if i == 4:
                case = dataclasses.replace(case, advice=None)
            store.close_case(store.save_case(case).id, Outcome(end))
        accuracy = store.accuracy()
        assert (accuracy.closed, accuracy.judged) == (5, 4)
        assert (accuracy.overall.first.hits, accuracy.overall.first_two.hits) == (2, 3)
        assert set(accuracy.by_symptom) == {"faint-image"}
        assert accuracy.calibration.error == pytest.approx(0.4)  # said 0.9, was 0.5
        json.dumps(accuracy.to_json(), allow_nan=False)

    # --- deleting -----------------------------------------------------------------------

    def test_deleting_a_customer_leaves_only_what_others_share(self, store):
        shared = store.add_photo(jpeg(100))
        mine = full_case(store, 1)
        mine = dataclasses.replace(mine, photos=(*mine.photos, CasePhoto(shared.sha256)))
        mine = store.save_case(mine)
        second = store.save_case(full_case(store, 3, customer=mine.customer))
        other = full_case(store, 2)
        other = store.save_case(
            dataclasses.replace(other, photos=(*other.photos, CasePhoto(shared.sha256)))
        )
        paths = [store.photo_path(case.photos[0].sha256) for case in (mine, second)]
        gone = store.delete_customer(mine.customer.id)
        assert (gone.cases, gone.photos) == (2, 2)
        assert [case.id for case in store.search()] == [other.id]
        assert [entry.customer.id for entry in store.customers()] == [other.customer.id]
        assert not any(path.exists() for path in paths)
        assert store.photo_bytes(shared.sha256)
        assert store.get(other.id) == other
        with pytest.raises(StoreError, match="no customer"):
            store.delete_customer(mine.customer.id)
        with pytest.raises(StoreError, match="deleted elsewhere"):
            store.save_case(mine)  # from another window that still shows it
        assert [case.id for case in store.search()] == [other.id]

    def test_a_removal_that_was_interrupted_is_finished_at_the_next_start(
        self, store, url, tmp_path, monkeypatch
    ):
        saved = store.save_case(full_case(store))
        path = store.photo_path(saved.photos[0].sha256)
        monkeypatch.setattr(CaseStore, "_remove_files", lambda self: None)
        store.delete_customer(saved.customer.id)
        assert path.exists()
        monkeypatch.undo()
        open_store(url, photos=tmp_path / "photos").close()
        assert not path.exists()

    def test_a_photo_added_again_before_its_removal_stays(self, store, url, tmp_path, monkeypatch):
        saved = store.save_case(full_case(store))
        monkeypatch.setattr(CaseStore, "_remove_files", lambda self: None)
        store.delete_customer(saved.customer.id)
        monkeypatch.undo()
        again = store.save_case(full_case(store))
        store.sweep()
        assert store.photo_bytes(again.photos[0].sha256)

    def test_customers_are_counted(self, store):
        anna = Customer("Anna", "a@example.org")
        one = store.save_case(full_case(store, 1, customer=anna))
        store.save_case(full_case(store, 2, customer=anna))
        store.close_case(one.id, Outcome("backlight"))
        (entry,) = store.customers()
        assert (entry.customer, entry.open_cases, entry.all_cases) == (anna, 1, 2)

    # --- two at once --------------------------------------------------------------------

    def test_two_processes_that_save_at_once_lose_nothing(self, store, url, tmp_path):
        context = multiprocessing.get_context("spawn")
        writers = [
            context.Process(target=_save_many, args=(url, tmp_path / "photos", start, 15))
            for start in (0, 1000)
        ]
        _run(writers)
        cases = store.search()
        assert len(cases) == 30
        assert all(store.photo_bytes(case.photos[0].sha256) for case in cases)

    def test_two_processes_that_change_one_case_lose_no_change(self, store, url, tmp_path):
        case = store.save_case(Case(observations={"n": 0}))
        context = multiprocessing.get_context("spawn")
        _run(
            [
                context.Process(target=_count_up, args=(url, tmp_path / "photos", case.id, 15))
                for _ in range(2)
            ]
        )
        assert store.get(case.id).observations == {"n": 30}
        assert store.get(case.id).revision == 31

    # --- from the inbox ------------------------------------------------------------------

    def test_a_sorted_inbox_is_filed_once(self, store, tmp_path):
        box = tmp_path / "box" / "set 1"
        box.mkdir(parents=True)
        for i in range(3):
            (box / f"{i}.png").write_bytes(toy_pipeline.photo("no-image", i, second=i))
        (box / "broken.jpg").write_bytes(b"no photo")

        def sort():
            return sort_photos(
                [tmp_path / "box"],
                out=tmp_path / "out",
                examine=toy_pipeline.examine,
                compare=toy_pipeline.compare,
                version=toy_pipeline.version,
                workers=0,
            )

        assert file_cases(sort().cases, store).added == 1
        (case,) = store.search("box/set")
        assert len(case.photos) == 3 and case.symptom == "no-image"
        assert case.photos[0].examination["faint"] == {"score": None}
        assert file_cases(sort().cases, store).kept == 1
        assert store.search() == [case]

    def test_a_customer_who_comes_again_keeps_what_was_written_of_them(self, store, tmp_path):
        def sort(name, seed):
            box = tmp_path / f"{name}.eml"
            message = EmailMessage()
            message["From"] = "Ann <ann@example.org>"
            message["Subject"] = name
            message.set_content("see the photo")
            message.add_attachment(
                toy_pipeline.photo("no-image", seed), maintype="image", subtype="png",
                filename="a.png",
            )  # fmt: skip
            box.write_bytes(message.as_bytes())
            cases = sort_photos(
                [box],
                out=tmp_path / f"out {name}",
                examine=toy_pipeline.examine,
                compare=toy_pipeline.compare,
                version=toy_pipeline.version,
                workers=0,
            ).cases
            return file_cases(cases, store)

        assert sort("first", 1).added == 1
        (case,) = store.search()
        known = dataclasses.replace(case.customer, name="Ann Other", consent=True)
        store.save_case(dataclasses.replace(case, customer=known))
        store.close_case(case.id, Outcome("panel"))
        assert sort("second", 2).added == 1
        assert {c.customer for c in store.search()} == {known}

    # --- archives -----------------------------------------------------------------------

    def test_an_archive_moves_everything_to_another_store(self, store, other_url, tmp_path):
        cases = [store.save_case(full_case(store, i)) for i in range(3)]
        cases[1] = store.close_case(cases[1].id, Outcome("panel", "", "cracked", "glass"))
        path = tmp_path / "out" / "export.zip"
        summary = store.export(path)
        assert (summary.customers, summary.cases, summary.photos) == (3, 3, 3)
        with open_store(other_url, photos=tmp_path / "other") as other:
            done = other.import_archive(path)
            assert (done.added, done.updated, done.kept, done.photos) == (3, 0, 0, 3)
            for case in cases:
                moved = other.get(case.id)
                assert moved == dataclasses.replace(case, revision=1)
                assert other.photo_bytes(moved.photos[0].sha256)
            # again: nothing doubles
            done = other.import_archive(path)
            assert (done.added, done.updated, done.kept, done.photos) == (0, 0, 3, 0)
            # changed here since: the archive's older state does not win
            newer = other.save_case(dataclasses.replace(other.get(cases[0].id), verdict="panel"))
            assert other.import_archive(path).kept == 3
            assert other.get(newer.id).verdict == "panel"
            # changed there since: brought up to date
            store.save_case(dataclasses.replace(store.get(cases[2].id), verdict="main-board"))
            store.export(path)
            assert other.import_archive(path).updated == 1
            assert other.get(cases[2].id).verdict == "main-board"

    @pytest.mark.parametrize("to_there", [True, False])
    def test_a_withdrawn_consent_and_a_new_address_go_where_the_archive_goes(
        self, store, other_url, tmp_path, to_there
    ):
        first = store.save_case(full_case(store, 1))
        again = store.save_case(full_case(store, 2, customer=first.customer))
        for case in (first, again):
            store.close_case(case.id, Outcome("backlight", "", "faint-image"))
        path = tmp_path / "x.zip"
        store.export(path)
        with open_store(other_url, photos=tmp_path / "other") as other:
            other.import_archive(path)
            assert len(list(other.training_photos())) == 2
            word = dataclasses.replace(first.customer, contact="030 123456", consent=False)
            store.save_case(dataclasses.replace(store.get(first.id), customer=word))
            # The other machine knows nothing of it, and has changed a case of that customer since.
            other.save_case(dataclasses.replace(other.get(again.id), verdict="panel"))
            one, two = (store, other) if to_there else (other, store)
            one.export(path)
            two.import_archive(path)
            for each in (store, other) if to_there else (store,):
                assert {entry.customer for entry in each.customers()} == {word}
                assert list(each.training_photos()) == []
            # Given again, it is carried over like any other word.
            word = dataclasses.replace(word, consent=True)
            two.save_case(dataclasses.replace(two.get(first.id), customer=word))
            two.export(path)
            one.import_archive(path)
            assert {entry.customer for entry in one.customers()} == {word}

    def test_a_consent_is_not_lost_to_a_customer_whom_nobody_has_asked(
        self, store, other_url, tmp_path
    ):
        case = full_case(store, 1, customer=Customer("Ann", "ann@example.org", False))
        asked = store.save_case(case)
        agreed = dataclasses.replace(asked.customer, consent=True)
        store.save_case(dataclasses.replace(asked, customer=agreed))
        store.export(tmp_path / "x.zip")
        with open_store(other_url, photos=tmp_path / "other") as other:
            # The same mail sorted on another machine, later, and a name corrected there.
            mine = other.save_case(dataclasses.replace(full_case(other, 2), customer=case.customer))
            called = dataclasses.replace(case.customer, name="Ann Other")
            other.save_case(dataclasses.replace(mine, customer=called))
            other.import_archive(tmp_path / "x.zip")
            (entry,) = other.customers()
            assert entry.customer == dataclasses.replace(called, consent=True)

    @pytest.mark.parametrize("here", [True, False])
    @pytest.mark.parametrize("there", [True, False])
    def test_of_a_former_archive_a_consent_stays_only_if_it_stands_in_both(
        self, store, other_url, tmp_path, here, there
    ):
        case = store.save_case(full_case(store, 1, customer=Customer("Ann", "old", there)))
        moved = dataclasses.replace(
            case, customer=dataclasses.replace(case.customer, contact="new")
        )
        later = store.save_case(moved)
        store.export(tmp_path / "now.zip")
        _as_of_former_versions(tmp_path / "now.zip", tmp_path / "former.zip")
        with open_store(other_url, photos=tmp_path / "other") as other:
            mine = dataclasses.replace(full_case(other, 1), id=case.id)
            who = dataclasses.replace(case.customer, contact="old", consent=here)
            mine = other.save_case(dataclasses.replace(mine, customer=who))
            # What was said here may have been said before the archive was written, or after it.
            with schema.writing(other.engine) as connection:
                connection.execute(sa.update(schema.customers).values(consent_set=None))
                connection.execute(sa.update(schema.cases).values(updated="2020-01-01T00:00:00Z"))
            assert other.import_archive(tmp_path / "former.zip").updated == 1
            got = other.get(case.id)
            assert got.customer == dataclasses.replace(later.customer, consent=here and there)
            assert bool(other.customers()[0].customer.consent) == (here and there)

    def test_what_is_said_after_a_former_archive_was_written_holds(self, store, tmp_path):
        case = store.save_case(full_case(store, 1, customer=Customer("Ann", "old", False)))
        store.export(tmp_path / "now.zip")
        _as_of_former_versions(tmp_path / "now.zip", tmp_path / "former.zip")
        agreed = dataclasses.replace(case.customer, consent=True)
        store.save_case(dataclasses.replace(case, customer=agreed))
        store.import_archive(tmp_path / "former.zip")
        assert store.get(case.id).customer == agreed

    def test_a_customer_that_no_database_takes_is_brought_in_readable(self, store, tmp_path):
        case = store.save_case(full_case(store, 1))
        store.export(tmp_path / "x.zip")
        with zipfile.ZipFile(tmp_path / "x.zip") as archive:
            entries = {name: archive.read(name) for name in archive.namelist()}
        (person,) = json.loads(entries["customers.json"])
        odd = {**person, "id": "ab" * 16, "name": "a\ud800b\0"}
        entries["customers.json"] = json.dumps([person, odd]).encode()
        with zipfile.ZipFile(tmp_path / "odd.zip", "w") as archive:
            for name, data in entries.items():
                archive.writestr(name, data)
        store.import_archive(tmp_path / "odd.zip")
        assert sorted(e.customer.name for e in store.customers()) == [case.customer.name, "a?b"]

    def test_the_csv_of_an_archive_opens_without_running_anything(self, store, tmp_path):
        store.save_case(Case(customer=Customer("=HYPERLINK(1)", "+49 1"), set=SetDescription("@x")))
        store.export(tmp_path / "x.zip")
        with zipfile.ZipFile(tmp_path / "x.zip") as archive:
            text = archive.read("cases.csv").decode("utf-8-sig")
        (row,) = csv.DictReader(io.StringIO(text, newline=""))
        assert (row["customer"], row["contact"], row["set"]) == ("'=HYPERLINK(1)", "'+49 1", "'@x")

    def test_restore_makes_the_store_what_it_was(self, store, tmp_path):
        kept = store.save_case(full_case(store, 1))
        path = store.backup(tmp_path / "backups")
        store.save_case(dataclasses.replace(kept, verdict="panel"))
        extra = store.save_case(full_case(store, 2))
        extra_photo = store.photo_path(extra.photos[0].sha256)
        store.restore(path)
        assert [case.id for case in store.search()] == [kept.id]
        assert store.get(kept.id) == kept
        assert not extra_photo.exists()
        assert store.photo_bytes(kept.photos[0].sha256)

    @pytest.mark.parametrize("odd", [[1], {"backlight": "x"}, 5, {"backlight": 10**400}])
    def test_records_of_other_programs_are_kept_and_not_believed(self, store, tmp_path, odd):
        case = full_case(store)
        photo = dataclasses.replace(
            case.photos[0],
            examination={"symptom": "faint-image", "symptom_probabilities": odd},
        )
        case = dataclasses.replace(case, advice={"suspects": odd}, photos=(photo,))
        saved = store.save_case(case)
        assert (saved.suspects, saved.symptom) == ({}, "faint-image")
        store.export(tmp_path / "x.zip")
        assert store.restore(tmp_path / "x.zip").added == 1
        assert store.search() == [dataclasses.replace(saved, revision=1)]

    def test_hostile_archives_change_nothing(self, store, tmp_path):
        kept = store.save_case(full_case(store, 1))
        good = tmp_path / "good.zip"
        store.export(good)
        for name, data in _spoilt(good):
            bad = tmp_path / "bad.zip"
            bad.write_bytes(data)
            for read in (store.import_archive, store.restore):
                with pytest.raises(DataError, match=r"^[^\n]+$"), tally.tried():
                    read(bad)
                    pytest.fail(f"taken: {name}")
            assert store.search() == [kept], name
        files = [p for p in tmp_path.rglob("*") if p.is_file() and "passwd" in p.name]
        assert files == []


def _run(processes) -> None:
    for process in processes:
        process.start()
    for process in processes:
        process.join(120)
    assert [process.exitcode for process in processes] == [0] * len(processes)


def _as_of_former_versions(now: Path, former: Path) -> None:
    """The archive without what is known since when of customers, as former versions wrote it."""
    with zipfile.ZipFile(now) as archive, zipfile.ZipFile(former, "w") as other:
        for name in archive.namelist():
            data = archive.read(name)
            if name == "customers.json":
                people = json.loads(data)
                for person in people:
                    del person["updated"], person["consent_set"]
                data = json.dumps(people).encode()
            other.writestr(name, data)


def _spoilt(good: Path):
    """The archive made wrong in many ways: (what, bytes)."""
    with zipfile.ZipFile(good) as archive:
        entries = {name: archive.read(name) for name in archive.namelist()}
    photo = next(name for name in entries if name.startswith("photos/"))
    whole = good.read_bytes()
    yield "empty", b""
    yield "not a zip", b"hello" * 100
    for part in (0.3, 0.7, 0.99):
        yield f"cut at {part}", whole[: int(len(whole) * part)]

    def packed(changed: dict) -> bytes:
        file = io.BytesIO()
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, data in changed.items():
                archive.writestr(name, data)
        return file.getvalue()

    def cases_with(change) -> bytes:
        records = json.loads(entries["cases.json"])
        change(records)
        return packed({**entries, "cases.json": json.dumps(records)})

    def customers_with(change) -> bytes:
        records = json.loads(entries["customers.json"])
        records[0].update(change)
        return packed({**entries, "customers.json": json.dumps(records)})

    yield "no manifest", packed({n: d for n, d in entries.items() if n != "manifest.json"})
    yield "other format", packed({**entries, "manifest.json": '{"format": "panelvision cases 9"}'})
    yield "no photo", packed({n: d for n, d in entries.items() if n != photo})
    yield "altered photo", packed({**entries, photo: entries[photo][:-2] + b"xx"})
    yield "escaping name", packed({**entries, "photos/../../passwd": b"x"})
    yield "absolute name", packed({**entries, "photos//etc/passwd": b"x"})
    yield "a packed bomb", packed({**entries, "cases.json": "[" + " " * 20_000_000 + "]"})
    yield "deep JSON", packed({**entries, "cases.json": "[" * 100_000})
    yield "not JSON", packed({**entries, "cases.json": "{"})
    yield "an object", packed({**entries, "cases.json": "{}"})
    yield "twice", cases_with(lambda r: r.append(r[0]))
    for field, value in (
        ("verdict", "x"), ("id", "../x"), ("revision", 0), ("revision", True), ("created", "now"),
        ("created", "2026-01-01T00:00:00"), ("customer", "0" * 32), ("set", []),
        ("costs", {"a": "b"}),
        ("photos", [{}]), ("outcome", {"assembly": "x"}), ("done_tests", ["x"]), ("extra", 1),
        ("costs", {"a": 10**400}), ("updated", "0001-01-01T00:00:00+14:00"), ("verdict", "a\nb"),
        ("advice", 7), ("observations", {"a": [[[[[[[[[[[[[[1]]]]]]]]]]]]]]}),
    ):  # fmt: skip
        yield f"{field} = {value}", cases_with(lambda r, f=field, v=value: r[0].update({f: v}))
    for field, value in (
        ("updated", "now"), ("updated", 7), ("consent_set", "0001-01-01T00:00:00+14:00"),
        ("consent_set", True), ("consent", None), ("id", "../x"), ("name", "x" * 30_000),
        ("extra", 1),
    ):  # fmt: skip
        yield f"customer {field} = {value}", customers_with({field: value})
