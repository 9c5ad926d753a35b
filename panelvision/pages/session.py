"""What one browser session holds, and the only place where the pages call the pipeline.

Uploads and results live in the session's memory and go with it; nothing is written
to disk unless a case is saved.
"""

import hashlib
import io
import logging
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import streamlit as st
from PIL import Image

from panelvision.arrays import IntArray
from panelvision.cases.model import Case, CasePhoto, Customer, SetDescription
from panelvision.cases.shop import has_store, shop_knowledge
from panelvision.cases.store import CaseStore, open_store
from panelvision.classify import load_model
from panelvision.enhance import enhance
from panelvision.errors import PanelvisionError, PhotoError
from panelvision.examine import Examination, judge, look
from panelvision.findings import Finding
from panelvision.isolate import Advice, advise
from panelvision.knowledge import Knowledge
from panelvision.light import encode
from panelvision.measure.change import PanelChange, compare_photos
from panelvision.pages.memory_folder import memory_folder, own_name
from panelvision.photo import read_photo
from panelvision.settings import Settings, load_settings, settings_path
from panelvision.squareup import ScreenView

if TYPE_CHECKING:
    from panelvision.clip import Clip

# chosen: a dozen photos of one set are plenty, and hold a session below 200 MB.
MOST_PHOTOS = 12
MOST_BYTES = 150_000_000
# Wide enough for a desk's screen and small enough for a phone's connection.
SHOWN_WIDTH = 1280
# chosen: two photos at work at once keep 2 cores busy and bound the memory of many sessions.
_AT_WORK = threading.Semaphore(2)

# Share of the whole that is done when a stage ends, and what goes on then. The measures that
# follow the square-up run side by side and end together. Shares: chosen after a 12-megapixel photo.
STAGES: dict[str, tuple[float, str]] = {
    "decode": (0.1, "looking for the screen"),
    "locate": (0.4, "squaring it up"),
    "square-up": (0.5, "measuring"),
}


@dataclass(frozen=True)
class Answer:
    """What the pages keep of one examined photo; the photo's full pixels are let go.

    Attributes
    ----------
    record : dict
        As ``panelvision examine --jsonl`` writes it.
    findings : tuple of Finding
    size : (int, int)
        Width and height of the upright photo, pixels.
    corners : list of four [x, y]
        The outline that was used; the inner 80 % of the frame where none was found.
    found : bool
        Whether there is an outline at all.
    reason : str
        Why nothing can be told, empty otherwise.
    shown, overlay, thumbnail : bytes
        JPEG, at most ``SHOWN_WIDTH`` wide.
    view : ScreenView
    """

    record: dict[str, Any]
    findings: tuple[Finding, ...]
    size: tuple[int, int]
    corners: list[list[float]]
    found: bool
    reason: str
    shown: bytes
    overlay: bytes
    thumbnail: bytes
    view: ScreenView

    @property
    def symptom(self) -> str:
        """The most probable symptom's label."""
        return str(self.record["symptom"])

    @property
    def probabilities(self) -> dict[str, float]:
        """All 13 labels."""
        return dict(self.record["symptom_probabilities"])

    @property
    def usable(self) -> bool:
        """Whether the reading may be acted on."""
        return bool(self.record["usable"])


@dataclass
class Entry:
    """One photo of the set on the bench."""

    name: str
    data: bytes
    corners: list[list[float]] | None = None
    answer: Answer | None = None
    error: str = ""


@dataclass
class Desk:
    """The set on the bench: its photos, what was seen and done, and its case."""

    entries: dict[str, Entry] = field(default_factory=dict)
    chosen: str = ""
    observations: dict[str, str | float] = field(default_factory=dict)
    skipped: list[str] = field(default_factory=list)
    past: list[dict[str, str | float]] = field(default_factory=list)
    changes: dict[tuple[str, str], PanelChange] = field(default_factory=dict)
    clips: "dict[str, Clip]" = field(default_factory=dict)
    uploads: int = 0
    # Files of the last choice that could not be taken, a line each.
    refused: list[str] = field(default_factory=list)
    turns: int = 0
    case: Case | None = None
    customer: Customer = field(default_factory=Customer)
    set: SetDescription = field(default_factory=SetDescription)
    # Photos of the case that did not fit on the desk, or came to it elsewhere; saving keeps them.
    set_aside: tuple[CasePhoto, ...] = ()

    def begun(self) -> bool:
        """Whether there is anything of a set here."""
        return bool(
            self.entries
            or self.observations
            or self.case is not None
            or self.set != SetDescription()
            or self._who() != ("", "", False)
        )

    def unsaved(self) -> bool:
        """Whether something of the set is in no case yet."""
        if self.case is None:
            return self.begun()
        held = self.case.photo_of()
        photos = {key: entry for key, entry in self.entries.items() if not entry.error}
        was = self.case.customer
        aside = {photo.sha256 for photo in self.set_aside}
        return (
            any(key not in held for key in photos)
            or any(not self.shows(p) and p.sha256 not in aside for p in self.case.photos)
            or any(held[key].corners_by_hand != entry.corners for key, entry in photos.items())
            or self.observations != dict(self.case.observations)
            or self.set != self.case.set
            or self._who()
            != (("", "", False) if was is None else (was.name, was.contact, was.consent))
        )

    def shows(self, photo: CasePhoto) -> bool:
        """Whether a photo of a case is on the desk."""
        return photo.sha256 in self.entries or photo.source_sha256 in self.entries

    def _who(self) -> tuple[str, str, bool]:
        return self.customer.name, self.customer.contact, self.customer.consent

    def photo(self) -> Entry | None:
        """The chosen photo."""
        return self.entries.get(self.chosen)

    def answers(self) -> list[Answer]:
        """Of all photos that could be read, in their order."""
        return [entry.answer for entry in self.entries.values() if entry.answer is not None]

    def leading(self) -> Answer | None:
        """The photo that the bench reasons from: usable, showing a fault, the surest.

        A fault that comes and goes is missing in some photos: one that shows it says more.
        """
        screens = [a for a in self.answers() if a.symptom != "not-a-screen"]
        if not screens:
            return None
        return max(
            screens, key=lambda a: (a.usable, a.symptom != "normal", a.probabilities[a.symptom])
        )

    def observe(self, name: str, value: str | float | None) -> None:
        """Note an observation or a test's outcome (None takes it back); undoable."""
        if self.observations.get(name) == value:
            return
        self.past.append(dict(self.observations))
        if value is None:
            self.observations.pop(name, None)
        else:
            self.observations[name] = value

    def undo(self) -> None:
        """Take the last observation back."""
        if self.past:
            self.observations = self.past.pop()

    def turn(self) -> None:
        """Something else is to be done now: the page shows it from its beginning."""
        self.turns += 1


def desk() -> Desk:
    """This browser session's set."""
    if "desk" not in st.session_state:
        st.session_state["desk"] = Desk()
    found = st.session_state["desk"]
    assert isinstance(found, Desk)
    return found


def clear_desk() -> None:
    """Start with another set; what was not saved is gone."""
    st.session_state["desk"] = Desk(uploads=desk().uploads + 1)


def add_photo(name: str, data: bytes) -> str:
    """Put a photo on the desk without looking at it yet; returns its key.

    Raises
    ------
    PhotoError
        When the desk is full.
    """
    on_desk = desk()
    key = hashlib.sha256(data).hexdigest()
    if key in on_desk.entries:
        return key
    if len(on_desk.entries) >= MOST_PHOTOS:
        raise PhotoError(
            f"{name}: left out, {MOST_PHOTOS} photos of one set are the most; remove one first"
        )
    if sum(len(e.data) for e in on_desk.entries.values()) + len(data) > MOST_BYTES:
        raise PhotoError(f"{name}: too much for one set; remove another photo first")
    on_desk.entries[key] = Entry(name=name, data=data)
    return key


def add_clip(name: str, data: bytes) -> str:
    """Put a clip on the desk: its middle frame as a photo, beside it what the frames show together.

    Raises
    ------
    PhotoError
        When the clip cannot be read or the desk is full.
    """
    from panelvision.clip import read_clip, watch

    with memory_folder() as folder, _AT_WORK:
        path = folder / own_name(1, name)
        path.write_bytes(data)
        try:
            frames = read_clip(path)
            seen = watch(frames)
        except PhotoError as fault:
            # The message names the file as it is called here, not as the user knows it.
            raise PhotoError(f"{name}: {str(fault).partition(': ')[2]}") from None
    frame = frames[len(frames) // 2]
    out = io.BytesIO()
    Image.fromarray(frame.pixels).save(out, "PNG", compress_level=1)
    key = add_photo(f"{name}, one frame", out.getvalue())
    desk().clips[key] = seen
    return key


def remove_photo(key: str) -> None:
    """Take a photo off the desk."""
    on_desk = desk()
    on_desk.entries.pop(key, None)
    on_desk.clips.pop(key, None)
    forget_comparisons(key)
    if on_desk.chosen == key:
        on_desk.chosen = next(iter(on_desk.entries), "")


def forget_comparisons(key: str) -> None:
    """What was compared with a photo no longer holds."""
    on_desk = desk()
    on_desk.changes = {pair: c for pair, c in on_desk.changes.items() if key not in pair}


def examine_entry(entry: Entry, *, on_stage: Callable[[str], None] | None = None) -> None:
    """Examine a photo once; its answer or its one-line error stays with it."""
    corners = None if entry.corners is None else np.asarray(entry.corners, dtype=np.float64)
    try:
        with _AT_WORK:
            start = time.perf_counter()
            result = judge(look(entry.data, corners=corners, name=entry.name, on_stage=on_stage))
            # Stages overlap, so the sum of their times, which the judge gives, is too long.
            result = replace(result, seconds=time.perf_counter() - start)
            entry.answer = answer_of(result)
        entry.error = ""
    except PanelvisionError as fault:
        entry.answer = None
        entry.error = str(fault)
    except Exception:
        # One photo never stops the rest, nor is it tried again at every tap.
        logging.getLogger("panelvision.pages").exception("examining a photo failed")
        entry.answer = None
        entry.error = f"{entry.name}: could not be examined; take the photo again"


def answer_of(result: Examination) -> Answer:
    """The light form of an examination."""
    photo = result.look.photo
    outline = result.outline
    if outline is None:
        w, h = photo.width, photo.height
        box = [[0.1 * w, 0.1 * h], [0.9 * w, 0.1 * h], [0.9 * w, 0.9 * h], [0.1 * w, 0.9 * h]]
        corners = [[float(x), float(y)] for x, y in box]
    else:
        corners = [[float(x), float(y)] for x, y in outline.corners]
    return Answer(
        record=result.to_json(),
        findings=tuple(result.findings),
        size=(photo.width, photo.height),
        corners=corners,
        found=outline is not None,
        reason=result.reading.reason,
        shown=jpeg_of(result.thumbnail(width=min(SHOWN_WIDTH, photo.width))),
        overlay=jpeg_of(result.overlay(width=SHOWN_WIDTH)),
        thumbnail=jpeg_of(result.thumbnail(width=320)),
        # A fresh one, without the coarser copies that the measures made of it: twice its size.
        view=replace(result.look.view),
    )


def clip_behind(key: str) -> "Clip | None":
    """The clip that a photo is a frame of, where several frames show the screen as it was found."""
    clip = desk().clips.get(key)
    moved = desk().entries[key].corners is not None
    return None if clip is None or clip.frames < 2 or moved else clip


def plain_and_enhanced(key: str, strength: float) -> tuple[bytes, bytes]:
    """The squared-up screen as the camera saw it, and with a faint picture brought out; JPEG.

    Of a clip the latter is made of the mean of its frames.
    """
    clip, answer = clip_behind(key), desk().entries[key].answer
    if clip is not None and clip.one is not None and clip.mean is not None:
        one, mean = clip.one, clip.mean
    else:
        assert answer is not None
        one = mean = answer.view
    return jpeg_of(encode(one.linear)), jpeg_of(enhance(mean, strength=strength))


def compare_entries(first: str, second: str) -> PanelChange:
    """The change test on two photos of the desk; made once for each pair."""
    on_desk = desk()
    pair = (first, second)
    if pair not in on_desk.changes:
        a, b = on_desk.entries[first], on_desk.entries[second]
        with _AT_WORK:
            marked = [None if e.corners is None else np.array(e.corners, float) for e in (a, b)]
            on_desk.changes[pair] = compare_photos(
                read_photo(a.data, name=a.name),
                read_photo(b.data, name=b.name),
                corners=(marked[0], marked[1]),
            )
    return on_desk.changes[pair]


def jpeg_of(pixels: IntArray, *, quality: int = 88) -> bytes:
    """Pixels as JPEG without any metadata."""
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(pixels)).save(out, "JPEG", quality=quality)
    return out.getvalue()


def settings() -> Settings:
    """The shop's settings, read again when the file changed; broken ones are told and set aside."""
    kept = _made(settings_path())
    if st.session_state.get("settings-made", kept) != kept:
        forget_knowledge()
    st.session_state["settings-made"] = kept
    if "settings" not in st.session_state:
        try:
            st.session_state["settings"] = load_settings()
        except PanelvisionError as fault:
            st.session_state["settings"] = Settings()
            st.warning(str(fault), icon=":material/warning:")
    found = st.session_state["settings"]
    assert isinstance(found, Settings)
    return found


def _made(path: Path) -> int:
    """When a file was last written, in nanoseconds; 0 where there is none."""
    try:
        return path.stat().st_mtime_ns
    except OSError:
        return 0


def knowledge() -> Knowledge:
    """What the bench knows: published figures, the shop's own rates, what its cases taught."""
    own = settings()
    if "knowledge" not in st.session_state:
        store = case_store() if has_store() else None
        st.session_state["knowledge"] = shop_knowledge(own, store)
    found = st.session_state["knowledge"]
    assert isinstance(found, Knowledge)
    return found


def forget_knowledge() -> None:
    """Read it again next time: settings or closed cases have changed.

    A file of all cases that was made before is old then, and may hold what was deleted.
    """
    st.session_state.pop("archive", None)
    st.session_state.pop("knowledge", None)
    st.session_state.pop("settings", None)


@st.cache_resource(show_spinner=False)
def case_store() -> CaseStore:
    """The shop's case store, opened once for all sessions.

    Raises
    ------
    StoreError
        When it cannot be opened.
    """
    return open_store()


def advice(*, observations: Mapping[str, str | float] | None = None) -> Advice:
    """Suspects and the next step for the set on the bench, or for other observations of it."""
    on_desk = desk()
    return advise(
        photo_probabilities(),
        on_desk.observations if observations is None else observations,
        done_tests=put_off(),
        set_value=on_desk.set.worth,
        knowledge=knowledge(),
        base=label_shares(),
    )


def put_off() -> list[str]:
    """Tests that were put off and have not been done since."""
    on_desk = desk()
    return [name for name in on_desk.skipped if name not in on_desk.observations]


def label_shares() -> Mapping[str, float] | None:
    """How often each label was taught to the classifier that the photos were read by."""
    return load_model().shares


def photo_probabilities() -> Mapping[str, float] | None:
    """What the photos say to the bench, or None without a photo of a screen."""
    leading = desk().leading()
    return None if leading is None else leading.probabilities


def rename(*, customer: str | None = None, set_label: str | None = None) -> None:
    """Keep what was typed about customer and set."""
    on_desk = desk()
    if customer is not None and customer != on_desk.customer.name:
        on_desk.customer = replace(on_desk.customer, name=customer)
    if set_label is not None and set_label != on_desk.set.label:
        on_desk.set = replace(on_desk.set, label=set_label)
