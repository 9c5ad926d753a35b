"""Sorted photos into the case store: each case once, however often the inbox is sorted."""

import hashlib
from collections.abc import Sequence
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

    What the technician entered stays, and closed cases are left alone. Cases without any photo
    that can be read are not filed.
    """
    added = updated = kept = 0
    held = {case.id: case for case in store.search()}
    for sorted_case in cases:
        identity = _identity("case", sorted_case.key)
        before = held.get(identity)
        if before is not None and before.closed is not None:
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
                    customer=_customer(sorted_case),
                    set=SetDescription(sorted_case.title),
                    photos=photos,
                    advice=suspects,
                )
            )
            added += 1
        elif photos != before.photos:
            advice = before.advice if before.observations or before.done_tests else suspects
            store.save_case(replace(before, photos=photos, advice=advice))
            updated += 1
        else:
            kept += 1
    return Filed(added, updated, kept)


def _identity(kind: str, text: str) -> str:
    return hashlib.sha256(f"{kind}\n{text}".encode("utf-8", "replace")).hexdigest()[:32]


def _customer(case: SortedCase) -> Customer | None:
    if not case.sender:
        return None
    # Consent is given by people, never assumed.
    return Customer("", case.sender, False, _identity("customer", case.sender))


def _photos(case: SortedCase, store: CaseStore, before: Case | None) -> tuple[CasePhoto, ...]:
    """The case's photos in the store: those it has, with fresh examinations, then new ones."""
    held = {photo.source_sha256: photo for photo in (before.photos if before else ())}
    photos: dict[str, CasePhoto] = {}
    for photo in case.photos:
        if not photo.sha256 or "error" in photo.record:
            continue
        record = dict(photo.record)
        known = held.get(photo.sha256)
        if known is not None:
            photos[known.sha256] = replace(known, examination=record)
            continue
        try:
            stored = store.add_photo(photo.incoming.read(), name=photo.incoming.name)
        except PhotoError:  # vanished or changed since it was examined
            continue
        photos.setdefault(
            stored.sha256, CasePhoto(stored.sha256, photo.sha256, photo.incoming.name, record)
        )
    # what the technician added stays, in front
    added = [photo for photo in (before.photos if before else ()) if photo.sha256 not in photos]
    return (*added, *photos.values())


def _suspects(case: SortedCase) -> dict[str, object] | None:
    usable = [photo for photo in case.photos if photo.usable and photo.record.get("suspects")]
    if not usable:
        return None
    best = max(usable, key=lambda photo: photo.probability)
    return {"suspects": dict(best.record["suspects"]), "next_test": best.record.get("next_test")}
