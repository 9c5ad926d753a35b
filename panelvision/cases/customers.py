"""One customer in two places, this store and an archive: which of the two words holds."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime

from panelvision.cases.model import Customer

# Ahead of every other time: that of a consent that nobody has given or taken back yet.
NEVER = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True)
class Stated:
    """What is written of a customer, and since when.

    Attributes
    ----------
    customer : Customer
    updated : datetime
        UTC; of the last change.
    consent_set : datetime or None
        UTC; when consent was last given or taken back; None where that is not known: it was no
        later than ``updated``.
    dated : bool
        False in archives of former versions, which do not tell ``updated``: it was no later.
    """

    customer: Customer
    updated: datetime
    consent_set: datetime | None
    dated: bool = True


def merged(ours: Stated, theirs: Stated, *, newer: bool) -> Stated:
    """What holds of a customer that stands here and in an archive.

    Name and contact are those changed later; consent as it was said later. Where that cannot be
    told, consent holds only if it stands in both.

    newer: whether a case of the customer was changed there later than here; decides on name and
    contact where the archive does not tell when they were changed.
    """
    later = theirs.updated > ours.updated if theirs.dated else newer
    if _surely_later(theirs, ours):
        word = theirs
    elif ours.customer.consent and not theirs.customer.consent and not _surely_later(ours, theirs):
        word = theirs
    else:
        word = ours
    who = theirs.customer if later else ours.customer
    return Stated(
        replace(who, consent=word.customer.consent),
        max(ours.updated, theirs.updated),
        word.consent_set,
    )


def _surely_later(one: Stated, other: Stated) -> bool:
    """Whether the consent of one was certainly given or taken back after that of the other."""
    return one.consent_set is not None and one.consent_set > (other.consent_set or other.updated)
