"""The whole way of one photo: every result complete, consistent, and the same from every door."""

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

import synth
from panelvision.classify import SymptomModel, SymptomReading
from panelvision.cli import main
from panelvision.errors import PhotoError
from panelvision.evidence import feature_vector
from panelvision.examine import examine, judge, look
from panelvision.isolate import isolate
from panelvision.labels import ASSEMBLIES, SYMPTOMS
from panelvision.photo import from_array, read_photo
from tests.faint_scenes import draw


@pytest.fixture(scope="module")
def sample():
    return synth.draw(77, symptom="half-screen", size=(1200, 900))


@pytest.fixture(scope="module")
def result(sample):
    return examine(sample.jpeg, name="half.jpg")


def test_record_has_the_documented_shape(result):
    record = json.loads(json.dumps(result.to_json(), allow_nan=False))
    assert record["file"] == "half.jpg"
    assert set(record["symptom_probabilities"]) == set(SYMPTOMS)
    assert sum(record["symptom_probabilities"].values()) == pytest.approx(1, abs=1e-3)
    assert record["symptom"] in record["symptom_set"]
    assert set(record["suspects"]) == set(ASSEMBLIES)
    assert sum(record["suspects"].values()) == pytest.approx(1, abs=1e-3)
    assert record["usable"] == (record["retake"] == [])
    assert record["seconds"] > 0


def test_suspects_weigh_the_photo_against_how_often_each_label_was_taught(result):
    reading = result.reading
    # models.train draws 5 healthy screens and 2 of each fault of a lit one in 32 photos.
    assert sum(reading.shares.values()) == pytest.approx(1)
    assert reading.shares["normal"] == pytest.approx(2.5 * reading.shares["blocky"])
    weighed = isolate(reading.probabilities, {}, base=reading.shares).assemblies
    assert result.suspects.assemblies == weighed
    assert isolate(reading.probabilities, {}).assemblies != weighed


def test_user_corners_win(sample):
    true = np.array(sample.truth["corners"], dtype=float)
    seen = look(sample.jpeg, corners=true)
    outline = seen.evidence.location.outline
    assert outline is not None
    assert outline.source == "user"
    diagonal = np.linalg.norm(true[0] - true[2])
    assert np.abs(outline.corners - true).max() < 0.02 * diagonal


def test_features_are_finite_or_nan_and_unique(result):
    features = result.look.evidence.features()
    values = np.array(list(features.values()))
    assert not np.isinf(values).any()
    assert len(features) > 100
    vector = feature_vector(features, tuple(features)[::-1])
    np.testing.assert_array_equal(vector, values[::-1])


@pytest.mark.parametrize("kind", ["black", "white", "noise", "thin"])
def test_pictures_without_a_screen_get_an_answer(kind):
    rng = np.random.default_rng(0)
    pixels = {
        "black": np.zeros((300, 400, 3), np.uint8),
        "white": np.full((300, 400, 3), 255, np.uint8),
        "noise": rng.integers(0, 256, (300, 400, 3), dtype=np.uint8),
        "thin": np.full((33, 900, 3), 90, np.uint8),
    }[kind]
    found = examine(from_array(pixels))
    assert sum(found.reading.probabilities.values()) == pytest.approx(1)
    assert found.overlay().dtype == np.uint8
    # Nothing can be judged in such a photo: no sure verdict of a fault.
    assert not (found.usable and found.symptom not in ("not-a-screen", "normal", "no-image"))


def test_a_large_photo_is_measured_the_same_whoever_decoded_it(sample):
    """Its draft is looked at while the rest is decoded; from the Photo it is looked at after."""
    pixels = cv2.resize(read_photo(sample.jpeg).pixels, (2560, 1920))
    data = cv2.imencode(".jpg", pixels[..., ::-1])[1].tobytes()
    first, second = look(data, name="a"), look(read_photo(data, name="a"))
    assert first.photo.draft is not None
    assert first.evidence.features() == pytest.approx(second.evidence.features(), nan_ok=True)


def test_photos_of_one_name_have_an_overlay_each(sample, tmp_path):
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "front.jpg").write_bytes(sample.jpeg)
    photos = [str(tmp_path / folder / "front.jpg") for folder in ("a", "b")]
    assert main(["examine", *photos, "--overlay", str(tmp_path / "out")]) == 0
    names = sorted(file.name for file in (tmp_path / "out").iterdir())
    assert names == ["front-2-overlay.png", "front-overlay.png"]


def test_what_the_camera_did_is_among_the_hints_for_the_next_photo(result):
    evidence = result.look.evidence
    hint = "The stripes are made by the camera."
    banded = replace(evidence, camera=replace(evidence.camera, retake=(hint,)))
    unsure = replace(banded, location=replace(banded.location, outline=None))
    got = judge(replace(result.look, evidence=unsure))
    assert not got.usable and got.retake[-1] == hint
    sure = judge(replace(result.look, evidence=banded))
    assert sure.usable == result.usable and (hint in sure.retake) == (not sure.usable)


def test_unreadable_photo_says_so():
    with pytest.raises(PhotoError, match="not a photo that can be read"):
        examine(b"nothing", name="x")


def test_command_line_gives_the_same_record(sample, result, tmp_path, capsys):
    photo = tmp_path / "half.jpg"
    photo.write_bytes(sample.jpeg)
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"\xff\xd8 broken")
    target = tmp_path / "out.jsonl"
    overlays = tmp_path / "drawn"
    status = main(
        ["examine", str(photo), str(broken), "--jsonl", str(target), "--overlay", str(overlays)]
    )
    assert status == 1
    first, second = (json.loads(line) for line in target.read_text().splitlines())
    for key in ("symptom", "symptom_probabilities", "outline", "bands", "suspects"):
        assert first[key] == result.to_json()[key]
    assert set(second) == {"file", "error"}
    assert (overlays / "half-overlay.png").stat().st_size > 1000
    assert len(list(overlays.iterdir())) == 1
    assert "half.jpg" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--corners", "1,2,3"], "eight numbers"),
        (["--corners", "0,0,10,10,10,0,0,10"], "clockwise"),
    ],
)
def test_wrong_use_is_one_line(arguments, message, capsys):
    assert main(["examine", "a.jpg", *arguments]) == 2
    error = capsys.readouterr().err
    assert message in error
    assert error.count("\n") == 1


def test_no_network_library_is_loaded_to_examine():
    code = (
        "import sys; from panelvision.examine import examine;"
        "from panelvision.examples import EXAMPLES;"
        "examine(next(EXAMPLES.glob('*.jpg')));"
        "bad = {'sklearn', 'streamlit', 'requests', 'sqlalchemy', 'synth', 'models'};"
        "print(sorted(bad & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("command", ["examine", "compare"])
def test_a_photo_named_where_the_output_belongs_is_left_as_it_is(command, sample, tmp_path, capsys):
    photo, other = tmp_path / "a.jpg", tmp_path / "b.jpg"
    photo.write_bytes(sample.jpeg)
    other.write_bytes(sample.jpeg)
    assert main([command, "--jsonl", str(photo), str(other), str(other)]) == 2
    assert "left as it is" in capsys.readouterr().err
    assert photo.read_bytes() == sample.jpeg


def test_a_clip_is_told_to_be_one(tmp_path):
    clip = tmp_path / "menu.mp4"
    clip.write_bytes(b"whatever")
    assert main(["examine", str(clip), "--jsonl", str(tmp_path / "out.jsonl")]) == 1
    (line,) = (tmp_path / "out.jsonl").read_text("utf-8").splitlines()
    assert "menu.mp4: a clip" in json.loads(line)["error"]


def test_a_file_name_of_odd_bytes_is_written_as_json(tmp_path):
    photo = os.fsdecode(os.fsencode(tmp_path) + b"/half\x80.jpg")
    with open(photo, "wb") as file:
        file.write(b"no photo")
    assert main(["examine", photo, "--jsonl", str(tmp_path / "out.jsonl")]) == 1
    (line,) = (tmp_path / "out.jsonl").read_text("utf-8").splitlines()
    record = json.loads(line)
    assert record["file"] == "half\udc80.jpg" and "error" in record


def test_one_photo_that_cannot_be_worked_on_does_not_stop_the_rest(sample, tmp_path, monkeypatch):
    module = sys.modules["panelvision.examine"]
    photos = [tmp_path / f"{name}.jpg" for name in "abc"]
    for photo in photos:
        photo.write_bytes(sample.jpeg)
    whole = module.examine

    def failing(path, **options):
        if Path(path).name == "b.jpg":
            raise MemoryError
        return whole(path, **options)

    monkeypatch.setattr(module, "examine", failing)
    out = tmp_path / "out.jsonl"
    assert main(["examine", *map(str, photos), "--jsonl", str(out)]) == 1
    records = [json.loads(line) for line in out.read_text().splitlines()]
    assert ["error" in record for record in records] == [False, True, False]
    assert "MemoryError" in records[1]["error"]


def test_results_of_another_program_or_other_learned_numbers_are_not_taken_for_this_ones(tmp_path):
    from panelvision.classify import _program

    (tmp_path / "measure").mkdir()
    for name in ("a.py", "measure/network.npz", "knowledge.toml"):
        (tmp_path / name).write_bytes(b"1")
    seen = {_program.__wrapped__(tmp_path)}
    for name in ("a.py", "measure/network.npz", "knowledge.toml"):
        (tmp_path / name).write_bytes(b"2")
        seen.add(_program.__wrapped__(tmp_path))
    assert len(seen) == 4
    (tmp_path / "a.pyc").write_bytes(b"3")
    assert _program.__wrapped__(tmp_path) in seen


@pytest.mark.parametrize("turns", [1, 3])
def test_corners_of_a_screen_on_its_side_are_read_along_its_own_axes(sample, turns):
    upright = read_photo(sample.jpeg).pixels
    width = upright.shape[1]
    corners = np.array(sample.truth["corners"], dtype=float)
    if turns == 1:  # to the left: x' = y, y' = w - 1 - x
        given = np.stack([corners[:, 1], width - 1 - corners[:, 0]], axis=1)[[1, 2, 3, 0]]
    else:  # to the right
        given = np.stack([upright.shape[0] - 1 - corners[:, 1], corners[:, 0]], axis=1)
        given = given[[3, 0, 1, 2]]
    photo = from_array(np.ascontiguousarray(np.rot90(upright, turns)), name="turned")
    # As a person taps them, from the photo's own top left on.
    seen = examine(photo, corners=given)
    location = seen.look.evidence.location
    assert (
        location.aspect == pytest.approx(sample.truth["aspect"], rel=0.1) and location.on_its_side
    )
    half = seen.look.evidence.columns.half
    assert half is not None and half.position == pytest.approx(0.5, abs=0.01)
    assert any("on its side" in f.sentence for f in seen.findings)


def test_a_picture_that_was_found_is_no_ground_for_saying_that_there_is_none(monkeypatch):
    dark = draw(41, kind="menu", contrast=0.2, nuisances=())
    seen = look(from_array(dark.pixels), corners=dark.corners)
    assert seen.evidence.faint.found, "the drawn picture is clear"
    labels = {**dict.fromkeys(SYMPTOMS, 0.0), "no-image": 0.9, "faint-image": 0.1}
    reading = SymptomReading("no-image", labels, ("no-image",), True)
    monkeypatch.setattr(SymptomModel, "read", lambda *_: reading)
    result = judge(seen)
    assert not result.usable and result.retake


def sure_of(symptom):
    labels = {**dict.fromkeys(SYMPTOMS, 0.0), symptom: 0.95, "cracked": 0.05}
    return SymptomReading(symptom, labels, (symptom,), True)


def test_a_faint_picture_that_was_not_found_is_not_answered(monkeypatch):
    dark = draw(42, nuisances=())
    seen = look(from_array(dark.pixels), corners=dark.corners)
    assert not seen.evidence.faint.found, "nothing was drawn"
    monkeypatch.setattr(SymptomModel, "read", lambda *_: sure_of("faint-image"))
    result = judge(seen)
    assert not result.usable and any("menu" in hint for hint in result.retake)


@pytest.mark.parametrize(
    ("menu", "usable"), [(None, False), ("clean", False), ("absent", True), ("corrupt", True)]
)
def test_a_lit_screen_without_a_picture_is_not_told_from_a_plain_page(
    result, menu, usable, monkeypatch
):
    # What the set's menu does is not in the photo; who has looked may say it.
    monkeypatch.setattr(SymptomModel, "read", lambda *_: sure_of("glow-no-image"))
    noted = {} if menu is None else {"menu": menu}
    told = judge(result.look, observations=noted)
    assert told.usable is usable
    if not usable:
        assert "menu" in told.retake[0] and "plain page" in told.retake[0]
    monkeypatch.setattr(SymptomModel, "read", lambda *_: sure_of("blocky"))
    assert judge(result.look).usable


def test_an_unsure_reading_asks_for_what_would_tell_beside_what_is_mild(result, monkeypatch):
    unsure = replace(sure_of("normal"), can_tell=False, reason="too close to call")
    monkeypatch.setattr(SymptomModel, "read", lambda *_: unsure)
    quality = replace(result.look.evidence.quality, retake=("Step back a little.",))
    evidence = replace(result.look.evidence, quality=quality)
    told = judge(replace(result.look, evidence=evidence))
    assert told.retake[0] == "Step back a little."
    assert any("plain grey page" in hint for hint in told.retake[1:])


def test_a_lit_screens_record_says_nothing_of_a_faint_picture(result):
    assert not result.asks_for_faint
    assert result.to_json()["faint"] is None
