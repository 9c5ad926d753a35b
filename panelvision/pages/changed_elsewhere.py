"""The set on the bench beside its case as it is stored, when that was changed elsewhere."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from panelvision.cases.model import Case, Customer
from panelvision.pages.session import Desk

_MISSING = object()


def take_stored(on_desk: Desk, stored: Case) -> int:
    """Go on with the stored case; returns how many photos it has that the bench does not show.

    What is as it was when the bench read the case gives way to what is stored now; what was
    changed on the bench stays as it is there. Photos that came to the case elsewhere are set aside.
    """
    old = on_desk.case or Case()
    before, aside = old.photo_of(), {photo.sha256 for photo in on_desk.set_aside}
    on_desk.set_aside = tuple(
        photo
        for photo in stored.photos
        if not on_desk.shows(photo) and (photo.sha256 not in before or photo.sha256 in aside)
    )
    now = stored.photo_of()
    for key, entry in on_desk.entries.items():
        if key in before and key in now:
            corners = now[key].corners_by_hand
            if before[key].corners_by_hand == entry.corners != corners:
                entry.corners, entry.answer, entry.error = corners, None, ""
                on_desk.changes = {
                    pair: c for pair, c in on_desk.changes.items() if key not in pair
                }
    was, is_now = old.observations, stored.observations
    on_desk.observations = _merged(on_desk.observations, was, is_now)
    on_desk.past = [_merged(noted, was, is_now) for noted in on_desk.past]
    on_desk.set = replace(
        on_desk.set, **_merged(vars(on_desk.set), vars(old.set), vars(stored.set))
    )
    if stored.customer is not None:
        who, theirs = vars(on_desk.customer), vars(stored.customer)
        whose = _merged(who, vars(old.customer or Customer()), theirs)
        on_desk.customer = Customer(**{**whose, "id": stored.customer.id})
    on_desk.case = stored
    return len(on_desk.set_aside)


def _merged(
    here: Mapping[str, Any], was: Mapping[str, Any], now: Mapping[str, Any]
) -> dict[str, Any]:
    """Values by name: those of ``here`` that are not as they were, and those of ``now``."""
    merged = {}
    for name in (*here, *(name for name in now if name not in here)):
        value = here.get(name, _MISSING)
        if value == was.get(name, _MISSING):
            value = now.get(name, _MISSING)
        if value is not _MISSING:
            merged[name] = value
    return merged
