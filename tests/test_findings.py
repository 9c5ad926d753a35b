"""Findings as sentences in the trade's words, with marks at the measured places."""

import re
from dataclasses import replace
from types import SimpleNamespace

import pytest

from panelvision import findings
from panelvision.classify import SymptomReading
from panelvision.examine import retake_for
from panelvision.findings_grid import describe_columns, describe_rows
from panelvision.findings_surface import describe_blocks
from panelvision.measure.blocks import BlockFindings
from panelvision.measure.columns import HalfSplit, measure_columns
from panelvision.measure.rows import measure_rows
from tests.screens import picture, seen
from tests.test_columns import block


def test_a_block_is_named_by_its_place_on_the_grid():
    (finding,) = describe_columns(measure_columns(*seen(block(picture(1), 8, 3, 0.01))))
    assert finding.sentence == (
        "A dark band from 25.0 % to 37.5 % of the width: block 3 of 8 from the left, seen from the "
        "front."
    )
    assert finding.kind == "band"
    assert finding.mark.box == pytest.approx((0.25, 0, 0.375, 1), abs=0.002)
    assert finding.mark.label == "block 3/8"
    assert 0.5 <= finding.confidence <= 1


def test_neighbouring_blocks_are_named_together():
    light = block(block(picture(2), 12, 4, 0.01), 12, 5, 0.01)
    light = block(light, 12, 9, 0.01)
    sentences = [f.sentence for f in describe_columns(measure_columns(*seen(light)))]
    assert (
        "A dark band from 25.0 % to 41.7 % of the width: blocks 4 to 5 of 12 from the left, seen "
        "from the front."
    ) in sentences


def test_a_half_names_the_good_and_the_dead_side():
    light = picture(3)
    light[:, :480] = 0.01
    (finding,) = describe_columns(measure_columns(*seen(light)))
    assert finding.kind == "half"
    assert re.fullmatch(
        r"Picture on the right half only: the left half, seen from the front, is dark, split at "
        r"50\.0 % of the width\.",
        finding.sentence,
    )
    assert finding.mark.box[2] == pytest.approx(0.5, abs=0.001)


def test_a_half_that_shows_a_picture_all_the_same_is_not_said_to_be_dark():
    half = HalfSplit("left", 0.5, 0.001, "toned", 0.8)
    (finding,) = describe_columns(SimpleNamespace(half=half, bands=(), lines=(), grid=None))
    assert finding.sentence == (
        "The left half, seen from the front, is in another tone, split at 50.0 % of the width."
    )


def test_blocks_off_the_panels_corner_are_not_called_the_decoders():
    found = BlockFindings(
        size=16 / 1920, phase_x=0.0, phase_y=0.1, grid_score=20.0, corner_density=5.0,
        share=0.2, found=True, box=(0, 0, 1, 1), values={},
    )  # fmt: skip
    (at_corner,) = describe_blocks(found)
    (off,) = describe_blocks(replace(found, phase_x=-0.5))
    assert "starts at the panel's corner: as a video decoder" in at_corner.sentence
    assert "does not start" in off.sentence and "decoder" not in off.sentence


def test_lines():
    light = picture(4)
    light[:, 600:602] = 0.95
    (upright,) = describe_columns(measure_columns(*seen(light)))
    assert upright.sentence.startswith(
        "A thin white upright line at 62.6 % of the width, over the whole"
    )
    light = picture(4)
    light[108:110] = 0.95
    (level,) = describe_rows(measure_rows(*seen(light)))
    assert level.kind == "rows"
    assert re.match(r"A thin white level line at 20\.\d % of the height", level.sentence)
    assert level.mark.shape == "line"


@pytest.mark.parametrize("symptom", ["faint-image", "no-image"])
@pytest.mark.parametrize("found", [True, False])
def test_a_finding_says_where_the_reading_differs(symptom: str, found: bool, monkeypatch):
    seen_faint = SimpleNamespace(
        found=found, contrast=0.02, visibility_jnd=1.6, detection_limit=0.03
    )
    evidence = SimpleNamespace(faint=seen_faint)
    others = dict.fromkeys(("faint-image", "no-image"), 0.2)
    reading = SymptomReading(symptom, {**others, symptom: 0.8}, (symptom,), True, "")
    (finding,) = findings._describe_faint(evidence, reading)
    agrees = found == (symptom == "faint-image")
    assert ("speaks against" in finding.sentence) != agrees
    assert finding.sentence.count(".") == (3 if found else 2) and finding.sentence.endswith(".")
    assert ("about 1.6 just-noticeable steps, more than the eye needs" in finding.sentence) == found
    assert ("is missing" in finding.sentence) == (found and agrees)


@pytest.mark.parametrize(("limit", "told"), [(0.24, True), (0.26, False), (1.0, False)])
def test_a_limit_that_no_picture_reaches_is_not_told_as_one(limit: float, told: bool):
    seen_faint = SimpleNamespace(found=False, detection_limit=limit)
    reading = SymptomReading("no-image", {"no-image": 0.8}, ("no-image",), True, "")
    (finding,) = findings._describe_faint(SimpleNamespace(faint=seen_faint), reading)
    assert ("would have been" in finding.sentence) == told
    assert ("may well have missed one." in finding.sentence) != told


def test_a_faint_picture_is_no_fact_where_the_reading_cannot_tell():
    seen_faint = SimpleNamespace(
        found=True, contrast=0.02, visibility_jnd=float("nan"), detection_limit=0.03
    )
    both = {"faint-image": 0.54, "no-image": 0.46}
    reading = SymptomReading("faint-image", both, tuple(both), False, "too close to call")
    (finding,) = findings._describe_faint(SimpleNamespace(faint=seen_faint), reading)
    assert "is missing" not in finding.sentence and "not enough to be sure" in finding.sentence
    assert finding.mark is not None and finding.mark.label.endswith("?")


def test_every_sentence_is_one_sentence():
    light = block(picture(5), 6, 2, 0.3)
    light[:, 700:702] = (0.9, 0.0, 0.9)
    light[300:302] = 0.95
    photo, view = seen(light)
    findings = describe_columns(measure_columns(photo, view)) + describe_rows(
        measure_rows(photo, view)
    )
    assert findings
    for finding in findings:
        assert finding.sentence[0].isupper()
        assert finding.sentence.endswith(".")
        assert not re.search(r"[.!?:] [A-Z]", finding.sentence)
        x0, y0, x1, y1 = finding.mark.box
        assert 0 <= x0 <= x1 <= 1
        assert 0 <= y0 <= y1 <= 1


def test_a_healthy_picture_has_nothing_to_say():
    photo, view = seen(picture(6))
    assert describe_columns(measure_columns(photo, view)) == ()
    assert describe_rows(measure_rows(photo, view)) == ()


@pytest.mark.parametrize(
    ("p_bands", "p_normal", "said"),
    [(0.5, 0.2, True), (0.14, 0.0, False), (0.3, 0.4, False), (0.4, 0.4, True)],
)
def test_a_fault_is_said_when_it_is_likely_and_no_less_so_than_a_healthy_screen(
    p_bands, p_normal, said
):
    probabilities = {"horizontal-bands": p_bands, "normal": p_normal}
    reading = SymptomReading("normal", probabilities, ("normal",), True)
    assert reading.possible("horizontal-bands", "cracked", least=0.15) is said


@pytest.mark.parametrize(
    ("probabilities", "asks_for"),
    [
        ({"faint-image": 0.4, "no-image": 0.4}, "torch 30 to 45 degrees"),  # domain: torch test
        ({"no-image": 0.3, "glow-no-image": 0.4}, "without torch and room light"),
        ({"not-a-screen": 0.4, "normal": 0.2}, "all four corners"),
        ({"normal": 0.4, "vertical-bands": 0.3}, "plain grey page"),  # domain: catch in the content
    ],
)
def test_an_unsure_reading_asks_for_the_photo_that_would_tell(probabilities, asks_for):
    top = max(probabilities, key=probabilities.__getitem__)
    assert asks_for in retake_for(SymptomReading(top, probabilities, (top,), False))
