"""One photo's whole way: bytes -> Photo -> ScreenView -> Evidence -> SymptomReading -> Suspects.

The command line, the pages, batch triage and training all call :func:`examine`
or its parts :func:`look` (up to the evidence) and :func:`judge` (from there on).
"""

import time
from base64 import b64encode
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from contextlib import nullcontext
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from html import escape
from pathlib import Path
from typing import Any, BinaryIO, TypeVar

import cv2
import numpy as np

from panelvision.arrays import FloatArray, IntArray
from panelvision.beside import beside, one_thread_for_algebra, threads
from panelvision.classify import SymptomModel, SymptomReading, load_model
from panelvision.enhance import enhance
from panelvision.evidence import Evidence
from panelvision.findings import Finding, describe, supported
from panelvision.isolate import Suspects, advise, isolate
from panelvision.locate import (
    Location,
    Search,
    aspect_of,
    laid_down,
    locate,
    refine,
    search,
    stands_on_end,
)
from panelvision.measure.appearance import measure_appearance
from panelvision.measure.camera import CameraArtefacts, measure_camera
from panelvision.measure.colour import measure_colour
from panelvision.measure.columns import measure_columns
from panelvision.measure.everyday import measure_everyday
from panelvision.measure.faint import (
    FaintPicture,
    find_faint,
    not_looked_for,
    with_detection_limit,
)
from panelvision.measure.glance import VIEW_MARGIN, VIEW_WIDTH, Glance, glance_of
from panelvision.measure.glance_network import GlanceReading, measure_glance
from panelvision.measure.glow import measure_glow
from panelvision.measure.rows import measure_rows
from panelvision.measure.texture import measure_texture
from panelvision.overlay import draw_overlay
from panelvision.photo import Photo, read_photo
from panelvision.quality import assess
from panelvision.squareup import Outline, PartLight, ScreenView, part_light, square_up
from panelvision.words import percent

T = TypeVar("T")

_NO_FAULT = ("normal", "not-a-screen")
# chosen: below this the screen is lit, and a faint picture is no question.
_DARK = 0.1
_DARK_SCREENS = ("faint-image", "no-image")
# chosen: on drawn photos that the network was not taught on, 19 of 20 lit screens fall below
# it and 1 of 140 dark ones.
_PERHAPS_DARK = 0.05


@dataclass(frozen=True)
class Look:
    """What was seen, before any judgement.

    Attributes
    ----------
    photo : Photo
    view : ScreenView
        Squared up by the outline, or by the whole frame where no outline was found.
    evidence : Evidence
    seconds : dict of str to float
        Time spent in each stage; measures run beside each other, so these sum to more than
        the time that passed.
    """

    photo: Photo
    view: ScreenView
    evidence: Evidence
    seconds: dict[str, float]


@dataclass(frozen=True, repr=False)
class Examination:
    """One photo's result; ``to_json`` is its machine-readable form.

    Attributes
    ----------
    look : Look
    reading : SymptomReading
    suspects : Suspects
    findings : tuple of Finding
        Sentences and marks, most important first.
    observations : mapping
        What was known beside the photo.
    usable : bool
        Whether the reading may be acted on.
    retake : tuple of str
        How to take the photo again, most useful first; empty when usable.
    """

    look: Look
    reading: SymptomReading
    suspects: Suspects
    findings: tuple[Finding, ...]
    usable: bool
    retake: tuple[str, ...]
    observations: Mapping[str, str | float] = field(default_factory=dict)
    seconds: float = field(default=0.0)

    def __repr__(self) -> str:
        likely = max(self.suspects.assemblies.items(), key=lambda item: item[1])
        parts = [
            f"{self.symptom} {percent(self.reading.probabilities[self.symptom])}",
            "usable" if self.usable else "can't tell",
        ]
        if self.symptom not in _NO_FAULT:
            parts.append(f"suspect {likely[0]} {percent(likely[1])}")
        return f"<Examination of {self.look.photo.name}: {', '.join(parts)}>"

    def _repr_html_(self) -> str:
        """What a notebook shows: the photo with its findings, and the line above."""
        picture = cv2.imencode(".jpg", self.overlay(width=640)[..., ::-1])[1].tobytes()
        lines = "".join(f"<li>{escape(f.sentence)}</li>" for f in self.findings)
        return (
            f'<img alt="{escape(self.symptom)}" '
            f'src="data:image/jpeg;base64,{b64encode(picture).decode()}">'
            f"<p>{escape(repr(self))}</p><ul>{lines}</ul>"
        )

    @property
    def symptom(self) -> str:
        """The most probable symptom's label."""
        return self.reading.symptom

    @property
    def asks_for_faint(self) -> bool:
        """Whether the screen may be dark, so that a faint picture on it is a question."""
        return _dark(self.reading) >= _DARK

    @property
    def outline(self) -> Outline | None:
        """Where the active area is, or None when it was not found."""
        return _sure_outline(self.look)

    @cached_property
    def next_test(self) -> str | None:
        """Name of the bench test worth doing next, when no more than this photo is known.

        None when there is no fault to look for, or when ordering comes first.
        """
        if self.symptom in _NO_FAULT:
            return None
        following = advise(
            self.reading.probabilities, self.observations, base=self.reading.shares
        ).next_test
        return None if following is None else following.name

    @property
    def findings_of_fault(self) -> tuple[Finding, ...]:
        """Findings that blame the set; what the camera added and plain remarks are left out."""
        remarks = ("camera", "faint", "evenness", "check")
        return tuple(f for f in self.findings if f.kind not in remarks)

    def enhanced(self, strength: float = 0.5) -> IntArray:
        """The squared-up view with a faint picture brought out, uint8 RGB; for people only."""
        return enhance(self.look.view, strength=strength)

    def overlay(self, *, width: int = 1280) -> IntArray:
        """The photo with outline and findings drawn on it, uint8 RGB, at most ``width`` wide."""
        return draw_overlay(self.look.photo, self.outline, self.findings, width=width)

    def thumbnail(self, *, width: int = 320) -> IntArray:
        """A small copy of the photo, uint8 RGB."""
        photo = self.look.photo
        # A strip as long as a whole page is no picture of anything: its height is bounded, too.
        shrink = min(1.0, width / photo.width, 4 * width / photo.height)
        size = (max(1, round(photo.width * shrink)), max(1, round(photo.height * shrink)))
        small = cv2.resize(photo.pixels, size, interpolation=cv2.INTER_AREA)
        return (small // 257 if small.dtype == np.uint16 else small).astype(np.uint8)

    def to_json(self) -> dict[str, Any]:
        """The object that ``panelvision examine --jsonl`` writes for this photo."""
        e = self.look.evidence
        outline = self.outline
        screen = self.symptom != "not-a-screen"

        def said(kind: str) -> bool:
            return screen and supported(kind, self.reading)

        return {
            "file": self.look.photo.name,
            "usable": self.usable,
            "retake": list(self.retake),
            "outline": None if outline is None else np.round(outline.corners, 2).tolist(),
            "outline_confidence": round(
                0.0 if e.location.outline is None else e.location.outline.confidence, 4
            ),
            "symptom": self.reading.symptom,
            "symptom_probabilities": {
                k: round(p, 5) for k, p in self.reading.probabilities.items()
            },
            "symptom_set": list(self.reading.symptom_set),
            "can_tell": self.reading.can_tell,
            "faint": e.faint.to_json() if screen and self.asks_for_faint else None,
            "halves": e.columns.half.to_json() if e.columns.half and said("half") else None,
            "bands": [
                b.to_json()
                for b in (*(e.columns.bands * said("band")), *(e.rows.bands * said("rows")))
            ],
            "lines": [
                x.to_json()
                for x in (*(e.columns.lines * said("line")), *(e.rows.lines * said("rows")))
            ],
            "dim_zones": [z.to_json() for z in e.glow.zones * said("zone")],
            "camera": e.camera.to_json(),
            "findings": [f.sentence for f in self.findings],
            "suspects": {k: round(p, 5) for k, p in self.suspects.assemblies.items()},
            "next_test": self.next_test,
            "notes": list(self.look.photo.notes),
            "seconds": round(self.seconds, 3),
        }


def look(
    source: Photo | str | Path | bytes | BinaryIO,
    *,
    corners: FloatArray | None = None,
    name: str | None = None,
    on_stage: Callable[[str], None] | None = None,
) -> Look:
    """Decode, find the screen, square it up and measure; no judgement yet.

    Parameters
    ----------
    source : Photo, path, bytes or binary file object
    corners : ndarray of shape (4, 2), optional
        The user's outline; it is refined, never replaced.
    on_stage : callable, optional
        Called with the name of each stage when it is done, for a progress display.

    Raises
    ------
    PhotoError
        When the photo cannot be read.
    DataError
        When the corners are not four points around a screen.
    """
    clock = _Clock(on_stage)
    photo, searched = _read(source, name)
    clock.lap("decode")
    location = _where(photo, corners, searched)
    clock.lap("locate")
    outline = location.outline or whole_frame(photo)
    light = _light_around(photo, outline, location)
    view = square_up(
        photo,
        outline,
        aspect=location.aspect,
        aspect_source=location.aspect_source,
        light=light,
    )
    clock.lap("square-up")
    evidence = _measure(photo, view, outline, location, light, clock.laps)
    return Look(photo, view, evidence, clock.laps)


def look_at_a_glance(
    source: Photo | str | Path | bytes | BinaryIO, *, name: str | None = None
) -> tuple[Outline | None, Glance]:
    """As :func:`look`, but no further than the two small pictures that the network reads.

    Returns
    -------
    outline : Outline or None
        Where the screen was found.
    glance : Glance

    Raises
    ------
    PhotoError
        When the photo cannot be read.
    """
    photo, searched = _read(source, name)
    location = locate(photo, searched)
    outline = location.outline or whole_frame(photo)
    wide = _wide(photo, outline, location, _light_around(photo, outline, location))
    return location.outline, glance_of(photo, wide, location.outline)


def judge(
    seen: Look,
    *,
    observations: Mapping[str, str | float] | None = None,
    model: SymptomModel | None = None,
) -> Examination:
    """From evidence to symptom, suspects, and what to do next."""
    model = model or load_model()
    reading = model.read(seen.evidence.features())
    if _dark(reading) >= _DARK:
        seen = _with_detection_limit(seen)
    suspects = isolate(reading.probabilities, observations or {}, base=reading.shares)
    findings = describe(seen.evidence, reading)
    quality = seen.evidence.quality
    retake = list(quality.retake)
    usable = quality.usable and reading.can_tell
    faint = seen.evidence.faint
    # A picture that was found is no ground for saying that there is none.
    if reading.symptom == "no-image" and (faint.found or not faint.conclusive):
        usable = False
        if faint.hint and faint.hint not in retake:
            retake.insert(0, faint.hint)
    # Nor is a picture there that was not found.
    if reading.symptom == "faint-image" and not faint.found:
        usable = False
        retake.insert(0, _DARK_RETAKE)
    # A page shown on purpose looks the same: what the set's menu does is not in the photo.
    if reading.symptom == "glow-no-image" and (observations or {}).get("menu") not in _NO_MENU:
        usable = False
        retake.insert(0, _MENU_RETAKE)
    if reading.symptom != "not-a-screen" and _sure_outline(seen) is None:
        usable = False
        retake.append(_NO_OUTLINE_RETAKE)
    asked = retake_for(reading)
    if not usable and (not retake or not reading.can_tell) and asked not in retake:
        retake.append(asked)
    retake.extend(seen.evidence.camera.retake)
    return Examination(
        look=seen,
        reading=reading,
        suspects=suspects,
        findings=findings,
        usable=usable,
        retake=() if usable else tuple(retake),
        observations=dict(observations or {}),
        seconds=sum(seen.seconds.values()),
    )


def _dark(reading: SymptomReading) -> float:
    return reading.probabilities["faint-image"] + reading.probabilities["no-image"]


def _with_detection_limit(seen: Look) -> Look:
    """The same look with the faintest picture that it would have shown; only dark screens ask."""
    start = time.perf_counter()
    faint, focus = seen.evidence.faint, seen.evidence.quality.focus_share
    if np.isfinite(faint.score):
        faint = with_detection_limit(faint, focus=focus)
    else:  # the glance took it for lit
        faint = find_faint(seen.photo, seen.view, focus=focus)
    seconds = {**seen.seconds, "detection limit": time.perf_counter() - start}
    return replace(seen, evidence=replace(seen.evidence, faint=faint), seconds=seconds)


def _sure_outline(seen: Look) -> Outline | None:
    found = seen.evidence.location.outline
    return found if found is not None and found.sure else None


_NO_OUTLINE_RETAKE = (
    "The screen's edges were not found: take the photo so that all four corners are in it, "
    "or mark the corners by hand."
)
# What would tell the likeliest readings apart (domain notes: "What helps a photo", "The catch in
# the content"). chosen: the shares from which each is the question.
_DARK_RETAKE = (
    "Darken the room, hold the torch 30 to 45 degrees to the side, open the set's menu, and take "
    "one more photo."
)
_LIT_RETAKE = (
    "Take one more photo without torch and room light: a lit screen stays grey, a dark one black."
)
_MENU_RETAKE = (
    "Open the set's own menu and take one more photo: a plain page shown on purpose looks the same "
    "as a lit screen without a picture, and the menu tells them apart."
)
# What is noted of a menu that does not come up as it should.
_NO_MENU = ("absent", "corrupt")
_FRAME_RETAKE = "Take one more photo with the screen filling the frame, all four corners in it."
_CONTENT_RETAKE = (
    "Open the set's menu, over a plain grey page if you can, and take one more photo from straight "
    "in front: a fault stays where it is, whatever is shown."
)


def retake_for(reading: SymptomReading) -> str:
    """The one photo more that would tell the likeliest readings apart."""
    p = reading.probabilities
    dark = p.get("faint-image", 0.0) + p.get("no-image", 0.0)
    glow = p.get("glow-no-image", 0.0)
    if dark >= 0.1 and glow >= 0.1 and dark + glow >= 0.5:
        return _LIT_RETAKE
    if dark >= 0.5:
        return _DARK_RETAKE
    if p.get("not-a-screen", 0.0) >= 0.35:
        return _FRAME_RETAKE
    return _CONTENT_RETAKE


def examine(
    source: Photo | str | Path | bytes | BinaryIO,
    *,
    corners: FloatArray | None = None,
    name: str | None = None,
    observations: Mapping[str, str | float] | None = None,
) -> Examination:
    """The whole way of one photo.

    Examples
    --------
    >>> result = examine("dark-set.jpg")            # doctest: +SKIP
    >>> result.symptom, result.suspects.assemblies  # doctest: +SKIP

    Raises
    ------
    PhotoError
        When the photo cannot be read.
    DataError
        When the corners are not four points around a screen.
    ModelError
        When the shipped classifier is missing or altered.
    """
    start = time.perf_counter()
    result = judge(look(source, corners=corners, name=name), observations=observations)
    object.__setattr__(result, "seconds", time.perf_counter() - start)
    return result


def whole_frame(photo: Photo) -> Outline:
    """The photo's own border as an outline of no confidence, for photos without a found screen."""
    w, h = photo.width, photo.height
    corners = np.array([[-0.5, -0.5], [w - 0.5, -0.5], [w - 0.5, h - 0.5], [-0.5, h - 0.5]])
    return Outline(corners, 0.0, np.full(4, np.nan), "frame")


def _read(
    source: Photo | str | Path | bytes | BinaryIO, name: str | None
) -> tuple[Photo, Search | None]:
    """The photo, and what its draft says of the screen: looked at while the rest is decoded."""
    if isinstance(source, Photo):
        return source, None
    seen: list[Search] = []
    photo = read_photo(
        source, name=name, on_draft=lambda draft, size: seen.append(search(draft, size))
    )
    return photo, seen[0] if seen else None


def _where(photo: Photo, corners: FloatArray | None, searched: Search | None) -> Location:
    if corners is None:
        return locate(photo, searched)
    outline = refine(photo, np.asarray(corners, dtype=np.float64))
    size = photo.width, photo.height
    if stands_on_end(outline, size):
        outline = laid_down(outline)
    aspect, source = aspect_of(outline.corners, size)
    # What the search saw still tells how much the photo looks like one of a screen;
    # that there is one is the user's word.
    found = locate(photo, searched)
    measures = {**found.measures, "outline_confidence": outline.confidence}
    return Location(outline, aspect, source, found.candidates, measures)


def _light_around(photo: Photo, outline: Outline, location: Location) -> PartLight:
    """What the views of the active area, with and without a margin, are sampled from."""
    return part_light(photo, outline, aspect=location.aspect, margin=VIEW_MARGIN)


def _wide(photo: Photo, outline: Outline, location: Location, light: PartLight) -> ScreenView:
    """The active area with a margin, for the glance and for what is around it."""
    return square_up(
        photo,
        outline,
        aspect=location.aspect,
        width=VIEW_WIDTH,
        margin=VIEW_MARGIN,
        mark_clipped=False,
        light=light,
    )


def _surround(wide: ScreenView) -> FloatArray:
    """Linear light (n, 3) of a narrow frame around the active area."""
    ring = wide.valid.copy()
    my, mx = (round(n * VIEW_MARGIN / (1 + 2 * VIEW_MARGIN)) for n in (wide.height, wide.width))
    # The inner third of the margin may hold the edge's blur.
    ring[my // 3 * 2 : wide.height - my // 3 * 2, mx // 3 * 2 : wide.width - mx // 3 * 2] = False
    return wide.linear[ring]


def _measure(
    photo: Photo,
    view: ScreenView,
    outline: Outline,
    location: Location,
    light: PartLight,
    seconds: dict[str, float],
) -> Evidence:
    """Every measure of the view, shared by two threads; some wait for others."""
    camera: Future[CameraArtefacts] = Future()
    steady: Future[ScreenView] = Future()
    around: Future[ScreenView] = Future()
    glance: Future[GlanceReading] = Future()
    # In the order of their length, so that the two threads end together.
    work: dict[str, Callable[[], Any]] = {
        # First, because others wait for them.
        "camera": lambda: _set(camera, lambda: measure_camera(photo, view)),
        "around": lambda: _set(around, lambda: _wide(photo, outline, location, light)),
        "glance": lambda: _set(
            glance, lambda: measure_glance(photo, around.result(), location.outline)
        ),
        "steady": lambda: _set(steady, lambda: camera.result().discount(view)),
        "faint": lambda: _faint(photo, view, glance.result()),
        "everyday": lambda: measure_everyday(photo, location.outline),
        "columns": lambda: measure_columns(photo, steady.result()),
        "colour": lambda: measure_colour(view),
        "texture": lambda: measure_texture(photo, view),
        "glow": lambda: measure_glow(photo, steady.result()),
        "rows": lambda: measure_rows(photo, steady.result()),
        "quality": lambda: assess(photo, view),
        "appearance": lambda: measure_appearance(view, _surround(around.result())),
    }
    _ = view.luminance  # made once, before the threads ask for it

    def timed(name: str) -> Any:
        start = time.perf_counter()
        result = work[name]()
        seconds[name] = time.perf_counter() - start
        return result

    with one_thread_for_algebra() if threads() > 1 else nullcontext():
        done = dict(zip(work, beside([partial(timed, name) for name in work]), strict=True))
    del done["steady"], done["around"]
    return Evidence(location=location, **done)


def _faint(photo: Photo, view: ScreenView, glance: GlanceReading) -> FaintPicture:
    """A faint picture is looked for where the screen may be dark; on a lit one it is none."""
    dark = sum(glance.probability(symptom) for symptom in _DARK_SCREENS)
    return find_faint(photo, view, limit=False) if dark >= _PERHAPS_DARK else not_looked_for()


def _set(promised: Future[T], make: Callable[[], T]) -> T:
    """Make what others wait for; a failure is theirs too, so that none waits for ever."""
    try:
        promised.set_result(make())
    except BaseException as fault:
        promised.set_exception(fault)
        raise
    return promised.result()


class _Clock:
    """Seconds per stage."""

    def __init__(self, on_stage: Callable[[str], None] | None) -> None:
        self.laps: dict[str, float] = {}
        self._on_stage = on_stage
        self._last = time.perf_counter()

    def lap(self, stage: str) -> None:
        now = time.perf_counter()
        self.laps[stage] = now - self._last
        self._last = now
        if self._on_stage is not None:
            self._on_stage(stage)
