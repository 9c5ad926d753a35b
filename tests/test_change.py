"""Change on the panel: registration against scikit-image, p-values, clips, the command's answer."""

import argparse
import json
from dataclasses import dataclass

import av
import cv2
import numpy as np
import pytest
from scipy import ndimage, stats
from skimage.registration import phase_cross_correlation

from panelvision import clip, compare_cli, locate
from panelvision.cli import main
from panelvision.enhance import enhance
from panelvision.errors import PanelvisionError, PhotoError
from panelvision.measure import change
from panelvision.measure.illumination import glare_mask
from panelvision.measure.registration import register, shift_between
from panelvision.photo import from_array
from panelvision.squareup import Outline, square_up
from tests.faint_scenes import draw, picture
from tests.surface_views import photo_of, view_of
from tests.surface_views import picture as surface

UNKNOWN = np.full(4, np.nan)


def _texture(seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    noise = rng.normal(0, 1, (200, 320)).astype(np.float32)
    return ndimage.gaussian_filter(noise, 3, mode="wrap")


@pytest.mark.parametrize("shift", [(3.0, -5.0), (0.4, 0.25), (-6.7, 2.3)])
def test_shift_agrees_with_truth_and_with_scikit_image(shift: tuple[float, float]) -> None:
    dx, dy = shift
    a = _texture()
    b = ndimage.shift(a, (dy, dx), order=3, mode="grid-wrap")
    found = shift_between(a, b)
    # The window that keeps the frame's edges out draws the peak in by up to 3 % of the shift.
    assert found == pytest.approx(shift, abs=0.2)
    # scikit-image gives the shift that moves b back onto a, rows first; without its phase
    # normalisation, which a texture without fine detail does not bear.
    reference, _, _ = phase_cross_correlation(a, b, upsample_factor=50, normalization=None)
    assert found == pytest.approx((-reference[1], -reference[0]), abs=0.2)


def _pair(*, second: np.ndarray | None, hand: int | None = 1, off: float = 0.0):
    """Two frames of one set showing a menu; the second shows ``second``; outline of it ``off``."""
    rng = np.random.default_rng(4)
    first = picture(rng, "menu", (540, 960))
    shown = first if second is None else second
    scenes = (
        draw(12, pictured=first, contrast=0.12, nuisances=("dust",), exposure=0.04),
        draw(12, pictured=shown, contrast=0.12, nuisances=("dust",), exposure=0.04, hand=hand),
    )
    photos = [from_array(s.pixels) for s in scenes]
    moved = scenes[1].corners + off * rng.normal(0, 1, (4, 2))
    views = [
        square_up(p, Outline(c, 1.0, UNKNOWN))
        for p, c in zip(photos, (scenes[0].corners, moved), strict=True)
    ]
    return photos, views, scenes


def test_registration_repairs_the_second_outline() -> None:
    photos, views, scenes = _pair(second=None, off=4.0)
    match = register(photos[0], views[0], photos[1], views[1])
    before = np.hypot(*(views[1].outline.corners - scenes[1].corners).T).mean()
    after = np.hypot(*(match.outline.corners - scenes[1].corners).T).mean()
    assert match.trusted
    assert after < 0.5 * before


@pytest.mark.parametrize("shape", [(540, 960), (600, 960), (720, 960), (412, 960), (960, 540)])
def test_a_photo_lies_on_itself_without_being_moved(shape: tuple[int, int]) -> None:
    photo = photo_of(surface(7, shape[1], shape[0]), noise=1.0)
    view = view_of(photo)
    match = register(photo, view, photo, view)
    assert match.trusted
    assert match.outline.corners == pytest.approx(view.outline.corners, abs=0.02)


def test_another_picture_scores_above_the_same_picture() -> None:
    photos, views, _ = _pair(second=None)
    same = change.compare(photos[0], views[0], photos[1], views[1])
    other = picture(np.random.default_rng(9), "text", (540, 960))
    photos, views, _ = _pair(second=other)
    changed = change.compare(photos[0], views[0], photos[1], views[1])
    assert same.usable and changed.usable
    assert changed.score > same.score + 1
    assert changed.changed and not same.changed


def test_one_frame_shows_more_of_a_picture_than_the_other_whichever_comes_first() -> None:
    photos, views, _ = _pair(second=np.zeros((540, 960, 3), np.float32))
    numbers = [
        change.compare(photos[i], views[i], photos[j], views[j]).numbers
        for i, j in ((0, 0), (0, 1), (1, 0))
    ]
    same, there, back = ([n[f"change_apart_{p}"] for p in ("top", "p75")] for n in numbers)
    assert same == pytest.approx([0, 0], abs=0.02)
    assert min(there) > 1
    # Registration does not go back exactly as it came.
    assert back == pytest.approx(there, rel=0.2)


def test_a_wrong_outline_is_stood_in_for_by_the_surer_one(monkeypatch) -> None:
    photos, views, _ = _pair(second=None)
    right = [v.outline for v in views]
    stretched = right[1].corners + np.array([[-90, -15], [5, -15], [15, 60], [-90, 5]])
    wrong = Outline(stretched, 0.5, UNKNOWN)
    found = iter([_Found(right[0]), _Found(wrong)])
    monkeypatch.setattr(locate, "locate", lambda _: next(found))
    seen = change.compare_photos(*photos)
    assert seen.usable and seen.registration is not None and seen.registration.trusted
    error = np.hypot(*(seen.registration.outline.corners - right[1].corners).T).mean()
    assert error < 2.0  # pixels; the wrong one is 60 off
    assert not seen.changed


def test_an_outline_that_stands_in_brings_its_own_shape(monkeypatch) -> None:
    photos, views, _ = _pair(second=None)
    found = iter([_Found(None), _Found(views[1].outline, aspect=4 / 3)])
    monkeypatch.setattr(locate, "locate", lambda _: next(found))
    shapes = []
    square = change.square_up
    monkeypatch.setattr(
        change, "square_up", lambda *a, **k: shapes.append(k["aspect"]) or square(*a, **k)
    )
    assert change.compare_photos(*photos).usable
    assert set(shapes) == {4 / 3}


def test_photos_of_two_sets_tell_nothing(monkeypatch) -> None:
    photos = [photo_of(surface(seed, 960, 540) * 0.01, noise=1.0) for seed in (3, 4)]
    corners = np.array([[40, 30], [920, 30], [920, 510], [40, 510]], float)
    monkeypatch.setattr(locate, "locate", lambda _: _Found(Outline(corners, 0.9, UNKNOWN)))
    seen = change.compare_photos(*photos)
    assert not seen.usable and not seen.changed
    assert "laid on each other" in seen.reason


def test_corners_that_the_user_marked_are_used(monkeypatch) -> None:
    photos, views, _ = _pair(second=None)
    monkeypatch.setattr(locate, "locate", lambda _: _Found(None))
    lost = change.compare_photos(*photos)
    assert not lost.usable and "No screen was found" in lost.reason
    marked = change.compare_photos(
        *photos, corners=(views[0].outline.corners, views[1].outline.corners)
    )
    assert marked.usable and not marked.changed


def test_corners_on_the_command_line_are_of_the_photos_in_their_order(
    tmp_path, monkeypatch, capsys
) -> None:
    photos, views, _ = _pair(second=None)
    monkeypatch.setattr(locate, "locate", lambda _: _Found(None))
    files, corners = [], []
    for k, (photo, view) in enumerate(zip(photos, views, strict=True)):
        files.append(str(tmp_path / f"{k}.png"))
        cv2.imwrite(files[-1], photo.pixels[..., ::-1])
        corners += ["--corners", ",".join(f"{v:.3f}" for v in view.outline.corners.ravel())]
    assert main(["compare", *files]) == 0
    assert "No screen was found" in capsys.readouterr().out
    assert main(["compare", *files, *corners]) == 0
    assert "No change on the panel" in capsys.readouterr().out
    # One of two would be guessed to be the other's too.
    assert main(["compare", *files, *corners[:2]]) == 2
    assert main(["compare", files[0], files[1], "--corners", "1,2", "--corners", "3"]) == 2
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 2 and "once for each" in told[0] and "eight numbers" in told[1]


def _asked(
    files: list[str], jsonl: str | None = None, enhanced: str | None = None
) -> argparse.Namespace:
    return argparse.Namespace(files=files, jsonl=jsonl, enhanced=enhanced, corners=[])


@dataclass(frozen=True)
class _Found:
    outline: Outline | None
    aspect: float = 16 / 9


def test_glass_within_a_bright_frame_is_no_glare_and_a_lobes_core_is() -> None:
    light = np.full((270, 480, 3), 0.01, np.float32)
    none, everywhere = np.zeros((270, 480), bool), np.ones((270, 480), bool)
    light[:14] = light[-14:] = 0.2
    light[:, :14] = light[:, -14:] = 0.2
    framed = glare_mask(light, none, everywhere)
    assert framed[:8].all() and not framed[60:-60, 60:-60].any()
    y, x = np.mgrid[0:270, 0:480]
    far = np.hypot(x - 240, y - 135)
    lobe = (0.01 + 0.5 * np.exp(-((far / 40) ** 2)))[..., None] * np.ones(3, np.float32)
    core = glare_mask(lobe.astype(np.float32), none, everywhere)
    assert core[far < 30].all() and not core[far > 120].any()


def test_p_value_is_uniform_when_scores_come_from_the_null() -> None:
    """By Kolmogorov and Smirnov; the tail keeps its own share too (exponential scores)."""
    rng = np.random.default_rng(2)
    null = rng.exponential(1.0, 300)
    p = np.array([change.p_value_of(s, null) for s in rng.exponential(1.0, 4000)])
    # A null of 300 leaves a sampling error of about 1 / sqrt(300) in the p-values themselves.
    assert stats.kstest(p, "uniform").statistic < 2 / np.sqrt(300)
    assert (p <= 0.01).mean() == pytest.approx(0.01, abs=0.008)


def test_p_value_falls_with_the_score_and_passes_below_the_rank() -> None:
    null = np.linspace(-2, 2, 99)
    p = [change.p_value_of(s, null) for s in np.linspace(-3, 6, 200)]
    assert (np.diff(p) <= 1e-12).all()
    assert p[0] == 1.0
    assert p[-1] < 1 / 100


def _write_clip(path, frames: list[np.ndarray]) -> None:
    with av.open(str(path), "w") as out:
        stream = out.add_stream("mpeg4", rate=10)
        stream.height, stream.width = frames[0].shape[:2]
        stream.pix_fmt = "yuv420p"
        stream.bit_rate = 20_000_000
        for pixels in frames:
            for packet in stream.encode(av.VideoFrame.from_ndarray(pixels, format="rgb24")):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)


def test_clip_is_read_evenly_and_in_order(tmp_path) -> None:
    path = tmp_path / "clip.mp4"
    _write_clip(path, [np.full((96, 128, 3), 6 * k, np.uint8) for k in range(40)])
    photos = clip.read_clip(path, most=10)
    assert 8 <= len(photos) <= 10
    levels = [float(p.pixels.mean()) for p in photos]
    np.testing.assert_allclose(np.diff(levels), 24, atol=3)


@pytest.mark.parametrize("count", [24, 25, 30, 90, 301])
def test_a_clip_gives_nearly_as_many_frames_as_are_wanted(tmp_path, count) -> None:
    path = tmp_path / "clip.mp4"
    _write_clip(path, [np.full((96, 128, 3), 40 + k % 100, np.uint8) for k in range(count)])
    photos = clip.read_clip(path)
    assert min(count, clip.MAX_FRAMES) // 2 < len(photos) <= clip.MAX_FRAMES
    if count >= 90:
        assert len(photos) >= 22


def test_large_frames_are_fewer(tmp_path, monkeypatch) -> None:
    path = tmp_path / "clip.mp4"
    _write_clip(path, [np.full((96, 128, 3), 60, np.uint8)] * 60)
    monkeypatch.setattr(clip, "_MOST_MEMORY", 6 * 3 * 96 * 128)
    assert 3 <= len(clip.read_clip(path)) <= 6


def test_stack_lowers_the_noise_of_the_view() -> None:
    """Averaging n frames: square root of n for temporal noise (EMVA 1288); 4 frames, factor 2."""
    rng = np.random.default_rng(6)
    ground = 60 + 25 * _texture(3)[..., None] / 0.1 * np.ones(3) * 0.1
    frames = [
        from_array(np.clip(ground + rng.normal(0, 6, ground.shape), 0, 255).astype(np.uint8))
        for _ in range(4)
    ]
    corners = np.array([[20, 20], [299, 20], [299, 179], [20, 179]], float)
    view = square_up(frames[0], Outline(corners, 1.0, UNKNOWN), width=280)
    stacked = clip.stack(tuple(frames), view)
    assert stacked.frames == 4
    clean = np.mean([square_up(f, view.outline, width=280).linear for f in frames], axis=0)
    truth = square_up(
        from_array(np.clip(ground, 0, 255).astype(np.uint8)), view.outline, width=280
    ).linear
    noise = [(v - truth)[20:-20, 20:-20].std() for v in (view.linear, stacked.view.linear, clean)]
    # Registration resamples, so the stack may be a little smoother than the plain mean.
    assert noise[0] / noise[1] == pytest.approx(2.0, rel=0.25)
    assert noise[0] / noise[2] == pytest.approx(2.0, rel=0.05)


def test_a_clips_screen_is_shown_brought_out_of_all_its_frames(tmp_path, capsys) -> None:
    rng = np.random.default_rng(8)
    scene = np.full((540, 960, 3), 25.0)
    scene[90:450, 160:800] = 60 + 20 * _texture(5)[..., None].repeat(2, 0).repeat(2, 1)[:360, :640]
    frames = [np.clip(scene + rng.normal(0, 6, scene.shape), 0, 255) for _ in range(8)]
    path = tmp_path / "menu.mp4"
    _write_clip(path, [frame.astype(np.uint8) for frame in frames])
    given = _asked(files=[str(path)], jsonl=None, enhanced=str(tmp_path / "out"))
    assert compare_cli.run(given) == 0
    written = cv2.imread(str(tmp_path / "out" / "menu-enhanced.png"))[..., ::-1]
    seen = clip.watch(clip.read_clip(path))
    assert seen.frames > 4
    np.testing.assert_array_equal(written, enhance(seen.mean))
    assert not np.array_equal(written, enhance(seen.one))
    given = _asked(files=["a.jpg", "b.jpg"], jsonl=None, enhanced=str(tmp_path))
    with pytest.raises(PanelvisionError, match="panelvision examine"):
        compare_cli.run(given)


def test_broken_clip_gives_one_line(tmp_path) -> None:
    path = tmp_path / "broken.mp4"
    path.write_bytes(b"not a clip at all" * 50)
    with pytest.raises(PhotoError, match=r"^broken\.mp4: not a clip that can be read") as fault:
        clip.read_clip(path)
    assert "\n" not in str(fault.value)
    with pytest.raises(PhotoError, match="no such file"):
        clip.read_clip(tmp_path / "gone.mp4")


def test_command_writes_one_object_and_reports_an_unreadable_file(tmp_path, capsys) -> None:
    for name in ("a.jpg", "b.jpg"):
        cv2.imwrite(str(tmp_path / name), np.full((240, 320, 3), 90, np.uint8))
    out = tmp_path / "answer.jsonl"
    files = [str(tmp_path / "a.jpg"), str(tmp_path / "b.jpg")]
    assert compare_cli.run(_asked(files=files, jsonl=str(out), enhanced=None)) == 0
    answer = json.loads(out.read_text())
    assert answer["files"] == ["a.jpg", "b.jpg"]
    assert set(answer) >= {"usable", "changed", "score", "p_value"}
    (tmp_path / "a.jpg").write_bytes(b"")
    assert compare_cli.run(_asked(files=files, jsonl=str(out), enhanced=None)) == 1
    assert "empty" in json.loads(out.read_text())["error"]
    assert "a.jpg" in capsys.readouterr().err


@pytest.mark.parametrize(("codec", "suffix"), [("ffv1", "mkv"), ("magicyuv", "avi")])
def test_a_kind_of_video_that_no_phone_records_is_not_decoded(tmp_path, codec, suffix) -> None:
    path = tmp_path / f"odd.{suffix}"
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=10)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        frame = av.VideoFrame.from_ndarray(np.zeros((48, 64, 3), np.uint8), format="rgb24")
        container.mux(stream.encode(frame.reformat(format="yuv420p")))
        container.mux(stream.encode())
    with pytest.raises(PhotoError, match=r"^odd\.(mkv|avi): ") as fault:
        clip.read_clip(path)
    assert "\n" not in str(fault.value)


def test_a_playlist_in_a_clips_clothes_opens_no_other_file(tmp_path) -> None:
    _write_clip(tmp_path / "other.ts", [np.full((96, 128, 3), 90, np.uint8)] * 5)
    path = tmp_path / "list.m3u8"
    path.write_text("#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\nother.ts\n#EXT-X-ENDLIST\n")
    with pytest.raises(PhotoError, match=r"^list\.m3u8: not a clip that can be read"):
        clip.read_clip(path)


def test_command_wants_two_photos_or_a_clip() -> None:
    with pytest.raises(PanelvisionError, match="two photos"):
        compare_cli.run(_asked(files=["one.jpg"], jsonl=None, enhanced=None))
    for pair in (["one.jpg", "two.mp4"], ["one.mp4", "two.mp4"]):
        with pytest.raises(PanelvisionError, match="two photos of the same screen, or one clip"):
            compare_cli.run(_asked(files=pair, jsonl=None, enhanced=None))


def test_glass_is_not_taken_for_glare_where_most_of_the_screen_is_outside_the_photo():
    light = np.full((270, 480, 3), 0.02, np.float32)
    seen = np.zeros((270, 480), bool)
    seen[:, :220] = True
    light[~seen] = 0
    assert not glare_mask(light, np.zeros_like(seen), seen).any()


def test_a_file_name_of_odd_bytes_is_written_as_json(tmp_path) -> None:
    out = tmp_path / "out.jsonl"
    compare_cli._write({"files": ["caf\udce9.jpg", "b.jpg"], "score": None}, str(out))
    assert json.loads(out.read_text("utf-8"))["files"] == ["caf\udce9.jpg", "b.jpg"]
