"""Sorted photos into the case store: each case once, however often the inbox is sorted."""

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from panelvision.cases import Case, CasePhoto, CaseStore, Customer, SetDescription
from panelvision.errors import PhotoError
from panelvision.triage_cases import SortedCase


@dataclass(frozen=True)
class Filed:
    """What filing did: cases added, brought up to date, and left as they were."""

    added: int
    updated: int
    kept: int


def file_cases(cases: Sequence[SortedCase], store: CaseStore) -> Filed:
    """Save sorted cases. A case that is filed already gets new photos and examinations only.

    What the technician entered stays, and closed cases are left alone: what their customers send
    later is a case of its own. Cases without any photo that can be read are not filed.
    """
    added = updated = kept = 0
    held = {case.id: (case, frozenset(case.photo_of())) for case in store.search()}
    taken = frozenset(held)
    # What the technician wrote of a customer stays when the customer comes again.
    people = {entry.customer.id: entry.customer for entry in store.customers()}
    for case in cases:
        sorted_case, identity, before = _place(case, held, taken)
        if before is not None:
            held.pop(before.id)  # so that no two of today's become one
        if not sorted_case.photos:
            kept += 1
            continue
        photos = _photos(sorted_case, store, before)
        if not photos:
            continue
        suspects = _suspects(sorted_case)
        if before is None:
            store.save_case(
                Case(
                    id=identity,
                    customer=_customer(sorted_case, people),
                    set=SetDescription(sorted_case.title),
                    photos=photos,
                    advice=suspects,
                )
            )
            added += 1
        elif photos != before.photos:
            on_the_bench = before.observations or any(p.corners_by_hand for p in before.photos)
            advice = before.advice if on_the_bench else suspects
            customer = before.customer or _customer(sorted_case, people)
            store.save_case(replace(before, photos=photos, advice=advice, customer=customer))
            updated += 1
        else:
            kept += 1
    return Filed(added, updated, kept)


def _place(
    case: SortedCase, held: Mapping[str, tuple[Case, frozenset[str]]], taken: frozenset[str]
) -> tuple[SortedCase, str, Case | None]:
    """Which of its photos are to be filed, as which case, and that case if it is open already.

    A case is known again by sender or folder, or by a photo that it holds: loose photos have no
    name of their own, and a folder of one name may be another customer's.

    held: stored cases by identity, each with the hashes of its photos; without those that another
    of today's was filed as.
    taken: identities of all stored cases.
    """
    identity = _identity("case", case.key)
    mine = held[identity][0] if identity in held else None
    others = [(one, keys) for one, keys in held.values() if _may_be_of(case.sender, one)]
    if mine is None or mine.closed is not None:
        done = {key for one, keys in others if one.closed is not None for key in keys}
        case = _without(case, done)
    hashes = {photo.sha256 for photo in case.photos} - {""}
    sharing = [one for one, keys in others if one.closed is None and hashes & keys]
    if mine is not None and mine.closed is None and (case.sender or mine in sharing):
        return case, identity, mine
    if sharing:
        return case, sharing[0].id, sharing[0]
    name = case.key
    while hashes and identity in taken:
        name = f"{name}\n{min(hashes)}"
        identity = _identity("case", name)
        if identity in held:
            # Named after these very photos, whomever its customer is called now.
            later, keys = held[identity]
            if later.closed is None:
                return case, identity, later
            case, hashes = _without(case, keys), hashes - keys
    return case, identity, None


def _may_be_of(sender: str, case: Case) -> bool:
    """Whether a stored case may hold what a sender sent before; empty for an unknown sender.

    What is written of a customer may be changed since, the address too; the identity is not.
    """
    customer = case.customer
    if not sender or customer is None:
        return True
    return customer.contact == sender or customer.id == _identity("customer", sender)


def _without(case: SortedCase, keys: Collection[str]) -> SortedCase:
    return replace(case, photos=tuple(p for p in case.photos if p.sha256 not in keys))


def _identity(kind: str, text: str) -> str:
    return hashlib.sha256(f"{kind}\n{text}".encode("utf-8", "replace")).hexdigest()[:32]


def _customer(case: SortedCase, people: Mapping[str, Customer]) -> Customer | None:
    if not case.sender:
        return None
    identity = _identity("customer", case.sender)
    # Consent is given by people, never assumed.
    return people.get(identity) or Customer("", case.sender, False, identity)


def _photos(case: SortedCase, store: CaseStore, before: Case | None) -> tuple[CasePhoto, ...]:
    """The case's photos in the store: those it has, with fresh examinations, then new ones."""
    held = before.photo_of() if before else {}
    photos: dict[str, CasePhoto] = {}
    for photo in case.photos:
        if not photo.sha256 or "error" in photo.record:
            continue
        record = dict(photo.record)
        known = held.get(photo.sha256)
        if known is not None:
            # What was read within corners set by hand is better than what is read without.
            fresh = known if known.corners_by_hand else replace(known, examination=record)
            photos[known.sha256] = fresh
            continue
        try:
            data = photo.incoming.read()
            if hashlib.sha256(data).hexdigest() != photo.sha256:
                continue  # changed since it was examined: the record is another picture's
            stored = store.add_photo(data, name=photo.incoming.name)
        except PhotoError:  # vanished since
            continue
        photos.setdefault(
            stored.sha256, CasePhoto(stored.sha256, photo.sha256, photo.incoming.name, record)
        )
    # what the technician added stays, in front
    added = [photo for photo in (before.photos if before else ()) if photo.sha256 not in photos]
    return (*added, *photos.values())


def _suspects(case: SortedCase) -> dict[str, object] | None:
    # As `decide` does: a label beside the set, or the set in a good moment, says less.
    usable = [
        photo
        for photo in case.photos
        if photo.usable and photo.record.get("suspects") and photo.symptom != "not-a-screen"
    ]
    if not usable:
        return None
    best = max(usable, key=lambda photo: (photo.symptom != "normal", photo.probability))
    return {"suspects": dict(best.record["suspects"]), "next_test": best.record.get("next_test")}
