"""Whole drawings: reproducible, true to their truth, in the format of the rendered sets."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from joblib import Parallel, delayed
from PIL import Image, ImageOps

import synth
from synth import encode, picture
from synth.__main__ import main
from synth.dice import Dice
from synth.faults.state import Screen
from synth.geometry import panel_corners
from synth.photos import PICTURES
from synth.setup import draw_setup

SMALL = (480, 360)


def _upright(data: bytes) -> np.ndarray:
    return np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))))


@pytest.mark.parametrize("symptom", list(synth.LABELS))
def test_photo_and_truth_of_each_symptom(symptom: str) -> None:
    sample = synth.draw(11, symptom=symptom, size=SMALL)
    image, truth = _upright(sample.jpeg), sample.truth
    json.dumps(truth)
    assert truth["symptom"] == symptom and truth["seed"] == 11
    assert [image.shape[1], image.shape[0]] == truth["size"]
    assert (truth["corners"] is None) == (symptom == "not-a-screen")
    own = {
        "half-screen": "bad_side",
        "vertical-bands": "drivers",
        "vertical-lines": "lines",
        "horizontal-bands": "bands",
        "dim-zones": "mode",
        "wrong-colours": "mode",
        "blocky": "block_px",
        "cracked": "impact",
        "glow-no-image": "mode",
        "faint-image": "faint_snr_feature",
        "no-image": "panel",
        "normal": "content",
        "not-a-screen": "scene_name",
    }
    assert own[symptom] in truth


def test_truth_has_the_keys_of_the_rendered_sets(renders: Path) -> None:
    rows = [json.loads(line) for line in (renders / "truth.jsonl").read_text().splitlines()]
    # fields that depend on the mode a fault was drawn in, or only pairs have
    optional = {"channel", "zones", "strips", "dead", "spots", "pair_index", "scene"}
    for symptom in synth.LABELS:
        wanted = set.intersection(*[set(r) for r in rows if r["symptom"] == symptom]) - optional
        have = set(synth.draw(21, symptom=symptom, size=SMALL, quick=True).truth)
        assert wanted <= have, f"{symptom} lacks {sorted(wanted - have)}"


def test_same_seed_same_bytes_for_any_number_of_workers() -> None:
    seeds = [3, 4, 5, 6]
    alone = [synth.draw(s, size=SMALL).jpeg for s in seeds]
    again = Parallel(n_jobs=2)(delayed(synth.draw)(s, size=SMALL) for s in reversed(seeds))
    assert [s.jpeg for s in reversed(again)] == alone
    assert len(set(alone)) == len(alone)


def test_drawing_leaves_the_global_random_state_alone() -> None:
    before = np.random.get_state()[1].copy()  # noqa: NPY002 - the point is the global state
    synth.draw(8, size=SMALL, quick=True)
    assert np.array_equal(before, np.random.get_state()[1])  # noqa: NPY002


@pytest.mark.parametrize("seed", [2, 7, 19, 40])
def test_edges_of_a_bright_panel_are_where_the_corners_say(seed: int) -> None:
    setup = draw_setup(seed, "glow-no-image")
    setup = replace(
        setup,
        panel=replace(setup.panel, aspect=16 / 9, peak=400.0, mirror=0.0),
        light=replace(setup.light, torch="none", lux=0.01),
        body=replace(setup.body, gap=0.02, lip=0.0, led=None),
    )
    shot = picture.first_shot(setup, (1200, 900))
    pose = replace(
        shot.pose,
        view=replace(
            shot.pose.view,
            t=np.array([0.0, 0.0, 1.55 * shot.pose.view.f / 1200 * setup.panel.width_m]),
        ),
    )
    h, w = picture.texture_shape(pose.view.project(panel_corners(setup.panel)), setup.panel.aspect)
    white = Screen(setup.panel, np.ones((h, w, 3), np.float32), np.ones((135, 240), np.float32))
    frame = picture.render(setup, replace(shot, pose=pose, screen=white, dirt=None))
    c = frame.truth["corners"]
    light = frame.radiance[..., 1].astype(np.float64)
    errors = []
    for t in (0.2, 0.4, 0.6):
        for a, b, axis, sign in ((c[0], c[3], 1, 1), (c[1], c[2], 1, -1), (c[0], c[1], 0, 1)):
            p = a + t * (b - a)
            if axis == 1:  # an upright edge is crossed along a row
                row = round(p[1])
                true = a[0] + (row - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
                line, at = light[row], round(true)
            else:
                col = round(p[0])
                true = a[1] + (col - a[0]) / (b[0] - a[0]) * (b[1] - a[1])
                line, at = light[:, col], round(true)
            out, inside = line[at - 4 * sign], line[at + 4 * sign]
            lit = (line[at - 4 : at + 5] - out) / (inside - out)
            # the sum of coverages is the length inside: the edge lies that far from the far end
            edge = (at + 4.5) - lit.sum() if sign > 0 else (at - 4.5) + lit.sum()
            errors.append(edge - true)
    assert np.abs(errors).max() < 0.1


def test_exif_orientation_turns_the_photo_back() -> None:
    rng = np.random.default_rng(0)
    coarse = np.kron(rng.integers(40, 215, (6, 8, 3)), np.ones((16, 16, 1))).astype(np.uint8)
    for orientation in (1, 3, 6, 8):
        data = encode.jpeg(coarse, quality=95, orientation=orientation)
        back = _upright(data).astype(int)
        assert back.shape == coarse.shape
        assert np.abs(back - coarse).mean() < 4
        assert Image.open(io.BytesIO(data)).getexif().get(0x0112, 1) == orientation


def test_samples_that_share_a_photograph_share_a_scene() -> None:
    from synth.setup import draw_panel_picture, scene_id

    assert scene_id(3, PICTURES[0]) == scene_id(4, PICTURES[0]) != scene_id(3, PICTURES[1])
    assert scene_id(3, None) != scene_id(4, None)
    seen: dict[int, set[int]] = {}
    for seed in range(60):
        setup = draw_setup(seed, "normal")
        _, truth = draw_panel_picture(setup, (90, 160))
        seen.setdefault(truth["scene"], set()).add(seed)
    shared_scenes = {k: v for k, v in seen.items() if k < len(PICTURES)}
    assert sum(len(v) for v in shared_scenes.values()) >= 5
    assert all(len(v) == 1 for k, v in seen.items() if k >= 1000)


def test_pairs_share_the_set_and_say_whether_the_panel_changed() -> None:
    for changed in (True, False):
        a, b = synth.draw_pair(31, changed=changed, size=SMALL, quick=True)
        assert (
            a.truth["pair_id"] == b.truth["pair_id"]
            and a.truth["changed"] is b.truth["changed"] is changed
        )
        assert a.truth["scene"] == b.truth["scene"] and a.jpeg != b.jpeg
        assert (
            a.truth["panel"] == b.truth["panel"] and a.truth["torch"] == b.truth["torch"] != "none"
        )
        moved = np.abs(
            np.array(a.truth["corners"]) / a.truth["size"]
            - np.array(b.truth["corners"]) / b.truth["size"]
        )
        assert 0 < moved.max() < 0.25


def test_no_image_has_no_faint_picture_and_faint_image_has_one() -> None:
    dark, _ = synth.draw_screen(5, "no-image", width=320)
    faint, _ = synth.draw_screen(5, "faint-image", width=320)
    assert np.ptp(dark, (0, 1)).max() < 1e-6 * max(float(dark.max()), 1e-3)
    assert np.ptp(faint, (0, 1)).max() > 0.1 * faint.max()


def test_the_truth_of_a_dark_photo_says_how_its_picture_is_drawn_again() -> None:
    """The very picture that the photo was taken of, by the width it was drawn at."""
    from synth.optics import faint_term
    from synth.picture import first_shot

    for seed in (700_000_007, 700_000_031):  # other contents at other widths
        shot = first_shot(draw_setup(seed, "faint-image"), (640, 480))
        width = shot.screen.shape[1]
        again, truth = synth.draw_screen(seed, "faint-image", width=width)
        np.testing.assert_array_equal(again, faint_term(shot.screen))
        sample = synth.draw(seed, symptom="faint-image", size=(640, 480))
        drawn, _ = synth.draw_screen(seed, "faint-image", width=sample.truth["texture_width"])
        assert drawn.shape[1] == sample.truth["texture_width"]
        assert truth["content"] == sample.truth["content"]


def test_truth_of_the_file_is_that_of_the_screen(monkeypatch: pytest.MonkeyPatch) -> None:
    from synth import setup

    monkeypatch.setitem(setup._LEAST, "half-screen", 0.0)  # the first try is kept
    broken, truth = synth.draw_screen(77, "half-screen", width=640)
    monkeypatch.setitem(setup._FAULT, "half-screen", lambda dice, screen, **_: None)
    healthy, _ = synth.draw_screen(77, "half-screen", width=640)
    touched = np.abs(broken - healthy).max((0, 2)) > 1e-3
    left, right = touched[:310].mean(), touched[330:].mean()
    bad, good = (left, right) if truth["bad_side"] == "left" else (right, left)
    assert bad > 0.5 and good < 0.1
    assert truth["band_edges"] == ([[0.0, 0.5]] if truth["bad_side"] == "left" else [[0.5, 1.0]])


def test_command_line_writes_photos_truth_and_gallery(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert (
        main(["draw", "--count", "2", "--out", str(tmp_path / "d"), "--quick", "--seed", "9"]) == 0
    )
    rows = [json.loads(line) for line in (tmp_path / "d" / "truth.jsonl").read_text().splitlines()]
    assert [r["seed"] for r in rows] == [9, 10]
    assert all((tmp_path / "d" / r["file"]).stat().st_size > 1000 for r in rows)
    assert (
        main(["gallery", "--count", "2", "--out", str(tmp_path / "g.png"), "--quick", "--outline"])
        == 0
    )
    assert Image.open(tmp_path / "g.png").size[0] == 1600
    assert main(["gallery", "--count", "1", "--out", str(tmp_path / "g.nothing"), "--quick"]) == 2
    assert "cannot write" in capsys.readouterr().err


def test_sizes_that_cannot_be_drawn_are_refused() -> None:
    with pytest.raises(ValueError, match="at least 160 x 160"):
        synth.draw(1, size=(100, 100))
    with pytest.raises(ValueError, match="no panel to draw"):
        synth.draw_screen(1, "not-a-screen")


def _roughness(sample: synth.Sample) -> float:
    """Median difference of neighbours in the green channel, code values."""
    green = _upright(sample.jpeg)[..., 1].astype(float)
    return float(np.abs(np.diff(green, axis=1)).mean())


def test_each_stage_can_be_left_out_and_nothing_else_changes() -> None:
    whole = synth.draw(33, symptom="faint-image", size=SMALL)
    for stage in synth.STAGES:
        left = synth.draw(33, symptom="faint-image", size=SMALL, without={stage})
        assert left.jpeg != whole.jpeg, stage
        kept = {"yaw", "torch", "ambient_lux", "content", "diagonal_inch", "iso"}
        if stage in ("dirt", "reflections", "lens", "noise"):
            kept -= {"iso"}  # another amount of light, another exposure
        assert {k: whole.truth[k] for k in kept} == {k: left.truth[k] for k in kept}, stage
    raw = {"file", "phone"}  # which smooth the noise themselves
    noisy = synth.draw(37, symptom="faint-image", size=SMALL, without=raw)
    clean = synth.draw(37, symptom="faint-image", size=SMALL, without={*raw, "noise"})
    assert _roughness(clean) < 0.8 * _roughness(noisy)
    fine = synth.draw(33, symptom="faint-image", size=SMALL, without={"file"})
    assert fine.truth["jpeg_quality"] == 97 and not fine.truth["messenger"]
    assert synth.draw(33, symptom="faint-image", size=SMALL, without={"dirt"}).truth["dirt"] == []
    with pytest.raises(ValueError, match="must name some of dirt"):
        synth.draw(33, without={"weather"})


def test_a_photo_cut_to_the_screen_keeps_its_corners_on_the_same_pixels() -> None:
    rng = np.random.default_rng(3)
    whole = rng.integers(0, 255, (900, 1200, 3), np.uint8)
    corners = np.array([[200.4, 150.2], [1000.1, 160.0], [990.0, 700.7], [210.0, 690.0]])
    cut = 0
    for seed in range(150):
        part, moved = picture._cropped(Dice(seed, "crop"), whole, corners)
        if part.shape == whole.shape:
            assert np.array_equal(moved, corners)
            continue
        cut += 1
        x, y = (round(float(v)) for v in corners[0] - moved[0])
        assert np.allclose(corners - moved, (x, y))
        h, w = part.shape[:2]
        assert np.array_equal(part, whole[y : y + h, x : x + w])
        # At most 5 % of the screen's width is left around it, at most 1 % of it is cut off.
        assert moved[:, 0].min() < 42 and moved[:, 0].min() > -10
    assert 3 <= cut <= 22  # of 150 at 7 %: four standard deviations


def test_a_dark_set_without_a_picture_is_asked_what_it_would_have_shown() -> None:
    dark = synth.draw(12, symptom="no-image", size=SMALL).truth
    assert dark["hidden_snr_feature"] > 0 and dark["faint_snr_feature"] == 0.0


def test_paper_shows_wrong_colours_only_where_its_white_is_known() -> None:
    from synth import setup

    papers = 0
    for seed in range(70):
        drawn = setup.draw_setup(seed, "wrong-colours")
        _, truth = setup.draw_panel_picture(drawn, (90, 160))
        assert truth["content"] != "wallpaper"
        if truth["content"] in setup._PAPER:
            papers += 1
            assert truth["mode"] in setup._KNOWN_BY_PAPER
    assert papers


def test_a_second_fault_is_the_lesser_one_and_told_with_its_places(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from synth import setup

    kinds, pairs = [s for s in setup._FAULT if s != "glow-no-image"], set()
    for seed in range(40):
        drawn = setup.draw_setup(seed, kinds[seed % len(kinds)])
        monkeypatch.setattr(setup, "_TWO_FAULTS", 0.0)
        one, alone = setup.draw_panel_picture(drawn, (180, 320))
        monkeypatch.setattr(setup, "_TWO_FAULTS", 1.0)
        two, truth = setup.draw_panel_picture(drawn, (180, 320))
        also = truth.pop("also", None)
        if also is None:
            assert truth == alone
            continue
        pairs.add((drawn.symptom, also["symptom"]))
        assert also["symptom"] != drawn.symptom
        for name in setup._PLACES:
            assert truth.pop(name, []) == [*alone.pop(name, []), *also.get(name, [])]
        assert truth == alone  # all else is said of the first
        lit = (one.drive * cv2.resize(one.glow, (320, 180)).reshape(180, 320, -1)) ** 0.5
        both = (two.drive * cv2.resize(two.glow, (320, 180)).reshape(180, 320, -1)) ** 0.5
        assert 0 < float(np.abs(both - lit).mean())
        assert one.changed is not None and two.changed is not None
        assert (one.changed == two.changed).all()  # the map is the label's
    assert len(pairs) > 10


def test_two_faults_are_drawn_and_mostly_one() -> None:
    also = [
        "also" in synth.draw_screen(seed, "vertical-bands", width=320)[1] for seed in range(120)
    ]
    assert 2 <= sum(also) <= 24  # 9.6 expected; beyond 3.5 standard deviations otherwise


def test_bare_pages_are_for_backlights_and_healthy_sets() -> None:
    from synth import setup

    share = {}
    for symptom in ("dim-zones", "normal", "vertical-bands"):
        kinds = [
            setup.draw_panel_picture(setup.draw_setup(seed, symptom), (90, 160))[1]["content"]
            for seed in range(60)
        ]
        share[symptom] = kinds.count("bare") / 60
    assert share["dim-zones"] > share["normal"] > 0 and share["vertical-bands"] == 0


def test_what_is_mirrored_does_not_end_where_the_picture_ends() -> None:
    """Dirt and reflections lie on the glass, which goes on over the black rim (domain notes)."""
    setup_of = draw_setup(5, "no-image")
    setup_of = replace(
        setup_of,
        body=replace(
            setup_of.body, gap=0.02, lip=0.0, left=0.05, top=0.05, bottom=0.05, right=0.05
        ),
        light=replace(setup_of.light, torch="none", name="lit", lux=400.0),
    )
    shot = picture.first_shot(setup_of, (640, 480))
    radiance = picture.render(setup_of, shot).radiance
    outer = shot.pose.view.project(panel_corners(setup_of.panel))
    rim = shot.pose.view.project(
        panel_corners(setup_of.panel) * (1 + 0.02 / setup_of.panel.width_m)
    )
    at = [tuple(np.rint((p + q) / 2).astype(int)) for p, q in zip(outer, rim, strict=True)]
    seen = [radiance[y, x].mean() for x, y in at if 0 <= x < 640 and 0 <= y < 480]
    lux = 400.0
    # The rim's own black returns 0.008 E / pi and no more: here it mirrors the room as well.
    assert seen and max(seen) > 1.5 * 0.008 * lux / np.pi


def test_photos_without_a_screen_are_cut_as_often() -> None:
    whole = np.zeros((900, 1200, 3), np.uint8)
    shapes = [picture._cut(Dice(seed, "crop"), whole).shape for seed in range(300)]
    cut = [shape for shape in shapes if shape != whole.shape]
    assert 6 <= len(cut) <= 38  # of 300 at 7 %: four standard deviations, some too small to cut
    assert len({round(w / h, 1) for h, w, _ in cut}) > 4
