"""From single photos to cases: which belong together, and what to do next with each."""

import hashlib
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from panelvision.fingerprint import NEAR
from panelvision.inbox import Incoming
from panelvision.isolate import isolate
from panelvision.settings import Settings

# What to do next, most urgent first.
STEPS: tuple[str, ...] = ("quote", "ask-for-photo", "bring-in", "not-a-screen")
STEP_WORDS: dict[str, str] = {
    "quote": "quote now",
    "ask-for-photo": "ask for one more photo",
    "bring-in": "bring it in",
    "not-a-screen": "not a screen",
}
# Symptoms of a screen without light: only for these does the change test say anything.
DARK = frozenset(("faint-image", "no-image"))
# What is asked for where nothing could be read, the plainest reason first.
_UNREAD = ("file", "kind", "single")
# chosen: three in four right is what a quote can live with; it says "most often", not "is".
_SURE_SYMPTOM = 0.75
# chosen: the first suspect is more likely than all others together.
_SURE_SUSPECT = 0.5
# chosen: likelier than not.
_LIKELY_DARK = 0.5
# chosen: of a hundred pairs without a change one seems to have one by as much.
_SURE_CHANGE = 0.01
# chosen: who sent as many usable photos and left us unsure will not do better with one more.
_ENOUGH_PHOTOS = 3


@dataclass(frozen=True)
class SortedPhoto:
    """One photo with its result.

    Attributes
    ----------
    incoming : Incoming
    sha256 : str
        Of the file's bytes; empty when it could not be read.
    record : dict
        As from ``panelvision examine``: an examination, or ``{"file": ..., "error": ...}``.
    pictures : dict of str to str
        ``"thumbnail"`` and ``"overlay"``, JPEG in base64; empty when there are none.
    fingerprint : str
        Perceptual hash, or empty.
    """

    incoming: Incoming
    sha256: str
    record: Mapping[str, Any]
    pictures: Mapping[str, str] = field(default_factory=dict, repr=False)
    fingerprint: str = ""

    @property
    def symptom(self) -> str:
        """The most probable symptom, or empty after an error."""
        return str(self.record.get("symptom") or "")

    @property
    def probability(self) -> float:
        """Of that symptom; 0 after an error."""
        return float((self.record.get("symptom_probabilities") or {}).get(self.symptom) or 0.0)

    @property
    def usable(self) -> bool:
        """Whether the reading may be acted on."""
        return "error" not in self.record and bool(self.record.get("usable"))


@dataclass(frozen=True)
class NextStep:
    """What to do with a case.

    Attributes
    ----------
    step : str
        One of ``STEPS``.
    wanted : str
        Which photo to ask for (a key of ``messages.WANTED``); empty unless one is asked for.
    symptom, suspect : str
        What the step rests on; empty when nothing is known.
    share : float
        Probability of the suspect, given the photo, 0..1.
    confidence : float
        Orders cases of one step, 0..1: the probability of the symptom times that of the suspect
        where there is one.
    hints : tuple of str
        How to retake the photo, from the quality check.
    """

    step: str
    wanted: str = ""
    symptom: str = ""
    suspect: str = ""
    confidence: float = 0.0
    share: float = 0.0
    hints: tuple[str, ...] = ()


@dataclass(frozen=True)
class SortedCase:
    """Photos that belong together, and what to do with them.

    Attributes
    ----------
    key : str
        Twelve hexadecimal digits; the same in every run over the same photos.
    title, sender : str
    photos : tuple of SortedPhoto
    change : dict or None
        Strongest change between two photos of the dark screen, as from ``panelvision compare``.
    next : NextStep
    rank : int
        1 for the first.
    message : str
        Ready to send to the customer.
    estimate : tuple of float or None
        Lowest and highest price of the repair, part and labour, from the knowledge files.
    """

    key: str
    title: str
    sender: str
    photos: tuple[SortedPhoto, ...]
    change: Mapping[str, Any] | None
    next: NextStep
    rank: int = 0
    message: str = ""
    estimate: tuple[float, float] | None = None


# --- which belong together ----------------------------------------------------------------------


def group_photos(photos: Sequence[SortedPhoto]) -> list[list[SortedPhoto]]:
    """Photos by case: same sender, same subfolder, or loose ones of nearly the same scene.

    Photos of different senders or subfolders are never put together, however alike they look: a
    photo of a dark screen looks like any other. A loose photo that looks like one of a sender's
    joins that sender's case if no other sender has one as near.
    """
    named: dict[str, list[SortedPhoto]] = {}
    loose: list[SortedPhoto] = []
    for photo in photos:
        if photo.incoming.group:
            named.setdefault(photo.incoming.group, []).append(photo)
        else:
            loose.append(photo)
    owners = [(group, photo) for group, members in named.items() for photo in members]
    near_owner = _nearest([p.fingerprint for p in loose], [p.fingerprint for _, p in owners])
    left: list[SortedPhoto] = []
    for photo, nearest in zip(loose, near_owner, strict=True):
        groups = {owners[i][0] for i in nearest}
        if len(groups) == 1:
            named[groups.pop()].append(photo)
        else:
            left.append(photo)
    return [*named.values(), *_clusters(left)]


def _clusters(photos: list[SortedPhoto]) -> list[list[SortedPhoto]]:
    """Loose photos joined through chains of nearly equal ones, identical files included."""
    root = list(range(len(photos)))

    def find(i: int) -> int:
        while root[i] != i:
            root[i] = root[root[i]]
            i = root[i]
        return i

    same: dict[str, int] = {}
    for i, photo in enumerate(photos):
        if photo.sha256 and (first := same.setdefault(photo.sha256, i)) != i:
            root[find(i)] = find(first)
    hashes = [p.fingerprint for p in photos]
    for i, nearest in enumerate(_nearest(hashes, hashes)):
        for j in nearest:
            root[max(find(i), find(j))] = min(find(i), find(j))
    clusters: dict[int, list[SortedPhoto]] = {}
    for i, photo in enumerate(photos):
        clusters.setdefault(find(i), []).append(photo)
    return list(clusters.values())


def _nearest(one: list[str], many: list[str]) -> list[list[int]]:
    """For each hash of ``one``, the indices of those of ``many`` within NEAR bits."""
    index = [j for j, text in enumerate(many) if text]
    if not index:
        return [[] for _ in one]
    table = np.array([np.frombuffer(bytes.fromhex(many[j]), np.uint64) for j in index])
    found: list[list[int]] = []
    for text in one:
        if not text:
            found.append([])
            continue
        bits = np.bitwise_count(table ^ np.frombuffer(bytes.fromhex(text), np.uint64)).sum(axis=1)
        found.append([index[k] for k in np.flatnonzero(bits <= NEAR)])
    return found


def case_key(photos: Sequence[SortedPhoto]) -> str:
    """The case's name: from its sender or folder, or from the content of loose photos."""
    group = next((p.incoming.group for p in photos if p.incoming.group), "")
    seed = group or min(p.sha256 or p.incoming.name for p in photos)
    return hashlib.sha256(seed.encode("utf-8", "replace")).hexdigest()[:12]


# --- what to do next --------------------------------------------------------------------------


def pairs_to_compare(photos: Sequence[SortedPhoto], *, most: int = 3) -> list[tuple[int, int]]:
    """Which photos of a case to run the change test on: neighbours among those of a dark screen.

    Only where a dark screen is likelier than not: two lit pictures differ anyway.
    """
    dark = [
        i
        for i, photo in enumerate(photos)
        if sum(_probability_of(photo, symptom) for symptom in DARK) >= _LIKELY_DARK
    ]
    distinct: list[int] = []
    for i in dark:
        if photos[i].sha256 and all(photos[i].sha256 != photos[j].sha256 for j in distinct):
            distinct.append(i)
    return list(itertools.pairwise(distinct))[:most]


def decide(photos: Sequence[SortedPhoto], change: Mapping[str, Any] | None) -> NextStep:
    """What to do next with a case."""
    readable = [p for p in photos if "error" not in p.record]
    if not readable:
        wanted = {str(p.record.get("wanted") or "file") for p in photos}
        return NextStep("ask-for-photo", wanted=next(w for w in _UNREAD if w in wanted))
    screens = [p for p in readable if p.symptom != "not-a-screen"]
    if not screens:
        best = max(readable, key=lambda p: p.probability)
        return NextStep("not-a-screen", symptom="not-a-screen", confidence=best.probability)
    usable = [p for p in screens if p.usable]
    if change is not None and _answered(change, screens):
        # The panel answered the menu: whatever each photo says alone, a picture is formed.
        best = max(screens, key=lambda p: _probability_of(p, "faint-image"))
        sure = max(_probability_of(best, "faint-image"), 1 - float(change.get("p_value") or 0.0))
        suspect, share = _first(isolate({"faint-image": 1.0}, {}).assemblies)
        return NextStep("quote", "", "faint-image", suspect, sure * share, share)
    if not usable:
        best = max(screens, key=lambda p: p.probability)
        glows = [p for p in screens if p.symptom == "glow-no-image"]
        if len({p.sha256 for p in glows if p.probability >= _SURE_SYMPTOM}) > 1:
            # The menu was asked for, and this is what came: no photo gets further.
            suspect, share = _first(best.record.get("suspects") or {})
            return NextStep("bring-in", "", best.symptom, suspect, best.probability * share, share)
        return NextStep(
            "ask-for-photo", _wanted(best), best.symptom, "", best.probability, hints=_hints(best)
        )
    # A fault that comes and goes is missing in some photos: one that shows it says more.
    best = max(usable, key=lambda p: (p.symptom != "normal", p.probability))
    suspect, share = _first(best.record.get("suspects") or {})
    confidence = best.probability * share
    if best.symptom == "normal":
        return NextStep("ask-for-photo", "fault", "normal", "", best.probability)
    if best.probability >= _SURE_SYMPTOM and share >= _SURE_SUSPECT:
        return NextStep("quote", "", best.symptom, suspect, confidence, share)
    if best.probability < _SURE_SYMPTOM and len(usable) < _ENOUGH_PHOTOS:
        return NextStep(
            "ask-for-photo",
            _wanted(best),
            best.symptom,
            suspect,
            confidence,
            share,
            _hints(best),
        )
    # The symptom is clear and several assemblies make it, or photos do not get further.
    return NextStep("bring-in", "", best.symptom, suspect, confidence, share)


def _answered(change: Mapping[str, Any], photos: Sequence[SortedPhoto]) -> bool:
    """Whether the panel of a dark set answered: surely, or where a photo may show a picture too.

    One pair in twenty without a change is told as changed.
    """
    if not change.get("changed"):
        return False
    if float(change.get("p_value") or 0.0) <= _SURE_CHANGE:
        return True
    return any("faint-image" in (p.record.get("symptom_set") or ()) for p in photos)


def _probability_of(photo: SortedPhoto, symptom: str) -> float:
    return float((photo.record.get("symptom_probabilities") or {}).get(symptom) or 0.0)


def _first(suspects: Mapping[str, float]) -> tuple[str, float]:
    if not suspects:
        return "", 0.0
    name = max(suspects, key=lambda assembly: suspects[assembly])
    return str(name), float(suspects[name])


def _hints(photo: SortedPhoto) -> tuple[str, ...]:
    return tuple(str(hint) for hint in photo.record.get("retake") or ())


def _wanted(photo: SortedPhoto) -> str:
    """Which photo would help most, by what this one may show."""
    if photo.symptom == "faint-image":
        return "menu"
    if photo.symptom in DARK or DARK & set(photo.record.get("symptom_set") or ()):
        return "torch"
    if photo.symptom == "glow-no-image":
        return "lit-menu"
    if not photo.usable:
        return "again"
    return "white"


def rank_cases(cases: Sequence[SortedCase]) -> list[SortedCase]:
    """Cases in the order in which to deal with them, ranks filled in."""
    ordered = sorted(
        cases, key=lambda c: (STEPS.index(c.next.step), -round(c.next.confidence, 6), c.key)
    )
    return [replace(case, rank=rank) for rank, case in enumerate(ordered, 1)]


def repair_price(assembly: str, settings: Settings) -> tuple[float, float] | None:
    """Lowest and highest price of replacing an assembly: part, labour and opening the set.

    None where no part of it is known, or where its price may not be told to a customer.
    """
    # The store's library is heavy, and most of what is done here does without it.
    from panelvision.cases.shop import may_be_told, shop_knowledge

    knowledge = shop_knowledge(settings, None)
    parts = [part for part in knowledge.parts.values() if part.assembly == assembly]
    if not parts or not may_be_told(parts, knowledge, settings):
        return None
    prices = []
    for part in parts:
        hours = knowledge.minutes_of(part) / 60
        labour = knowledge.economy.labour_per_hour * hours
        prices.append([price + labour for price in part.price])
    return min(p[0] for p in prices), max(p[1] for p in prices)
