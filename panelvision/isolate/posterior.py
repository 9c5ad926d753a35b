"""Which fault, given the photo and everything seen at the bench: the exact posterior.

One fault at a time, and a hidden symptom s that the fault f produces:

    P(f, s | evidence)  is proportional to  P(f) P(s|f) lambda(s) prod_o P(o | f, s)

The photo speaks through s as virtual evidence, lambda(s) = p(s) / base(s): the classifier's
calibrated probabilities divided by the label frequencies it was calibrated to (Pearl's virtual
evidence). Observations that show the same thing as the photo (the torch test, what the screen
shows) also speak through s, so that photo and eye are not counted as two independent witnesses
of the fault. The product does not depend on the order in which the evidence came.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from panelvision.arrays import FloatArray
from panelvision.errors import DataError
from panelvision.isolate.meters import reading_of
from panelvision.knowledge import Knowledge, load_knowledge
from panelvision.knowledge.schema import REPLACED
from panelvision.labels import ASSEMBLIES, SYMPTOMS
from panelvision.words import SYMPTOM_WORDS, percent

PHOTO = "photo"

# A classifier's 0 is a rounded small number; taken literally it could not be outweighed by any
# observation. Chosen: one in a thousand, the order of what 13 classes can be calibrated to.
PHOTO_FLOOR = 1e-3

# Two observations "rarely go together" when their joint probability is below this share of what
# it would be were they unrelated. Chosen: five times rarer than chance.
CONFLICT_LIFT = 0.2

# ... unless one fault that is now believed explains both (Jensen's "rare case" against
# "conflict"): each at least this likely under it. Chosen.
EXPLAINED_LIKELIHOOD = 0.2
EXPLAINED_BELIEF = 0.25


@dataclass(frozen=True)
class Contribution:
    """What one observation did.

    moved: assembly -> posterior with all the evidence minus the posterior without this
    observation (-1..1, independent of any order). faults: the same by fault.
    bits: log2 of how much likelier the observation was under the leading fault than expected from
    the other evidence; positive supports it.
    """

    observation: str
    value: str
    moved: Mapping[str, float]
    faults: Mapping[str, float]
    bits: float


@dataclass(frozen=True)
class Suspects:
    """Posterior over assemblies and faults (each adds up to 1, likeliest first) and its reasons.

    symptoms: posterior over the 13 labels. contradictions: sentences for people.
    contributions: one per piece of evidence, strongest first; why: the same in words.
    observations: the evidence as it was understood (meter readings turned into outcomes).
    """

    assemblies: Mapping[str, float]
    faults: Mapping[str, float]
    symptoms: Mapping[str, float]
    contradictions: tuple[str, ...]
    contributions: tuple[Contribution, ...]
    why: tuple[str, ...]
    observations: Mapping[str, str]


@dataclass(frozen=True)
class Evidence:
    """Evidence as likelihood arrays over (fault, symptom): name -> (value, (F, 13) array)."""

    items: Mapping[str, tuple[str, FloatArray]]
    notes: tuple[str, ...] = ()

    def weights(self, knowledge: Knowledge, *, without: str | None = None) -> FloatArray:
        """P(f, s, evidence), (F, 13), not normalised."""
        weights = knowledge.joint.copy()
        # Sorted, so that rounding too is the same whatever order the evidence came in.
        for name in sorted(self.items):
            if name != without:
                weights *= self.items[name][1]
        return weights


def photo_likelihood(
    photo: Mapping[str, float], *, base: Mapping[str, float] | None = None
) -> FloatArray:
    """lambda(s) = p(s) / base(s), (13,), from calibrated probabilities over the labels.

    base: label frequencies of the classifier's training, uniform if left out. Raises DataError
    for unknown labels, or numbers that are no probabilities adding up to 1 (within 2 %).
    """
    p = np.clip(_over_labels("photo", photo), PHOTO_FLOOR, None)
    rates = np.full(len(SYMPTOMS), 1 / len(SYMPTOMS))
    if base is not None:
        rates = _over_labels("base rates", base)
        if np.any(rates <= 0):
            raise DataError("base rates: every one of the 13 labels needs a rate above 0")
    return p / p.sum() / rates


def _over_labels(what: str, numbers: Mapping[str, float]) -> FloatArray:
    for label, p in numbers.items():
        if label not in SYMPTOMS:
            raise DataError(f"{what}: {label!r} is no symptom; known: {', '.join(SYMPTOMS)}")
        if isinstance(p, bool) or not isinstance(p, (int, float, np.floating)):
            raise DataError(f"{what}: {label} must be a number, got {p!r}")
        if not (math.isfinite(p) and 0 <= p <= 1):
            raise DataError(f"{what}: {label} must be a probability from 0 to 1, got {p!r}")
    values = np.array([float(numbers.get(label, 0.0)) for label in SYMPTOMS])
    if abs(values.sum() - 1) > 0.02:
        raise DataError(f"{what}: probabilities add up to {values.sum():.3g}, not 1")
    return values


def gather(
    photo: Mapping[str, float] | None,
    observations: Mapping[str, str | float],
    knowledge: Knowledge,
    *,
    base: Mapping[str, float] | None = None,
) -> Evidence:
    """Everything known as likelihoods; meter readings (numbers) become outcomes or a note."""
    items: dict[str, tuple[str, FloatArray]] = {}
    notes = []
    if photo:
        row = photo_likelihood(photo, base=base)
        top = max(photo, key=lambda label: photo[label])
        shape = knowledge.joint.shape
        said = f"{SYMPTOM_WORDS[top]}, {percent(photo[top])}"
        items[PHOTO] = (said, np.broadcast_to(row, shape))
    # In one order, so that the notes too are the same whatever order the answers came in.
    for name, given in sorted(observations.items(), key=lambda item: str(item[0])):
        value: str | None
        if isinstance(given, (int, float)) and not isinstance(given, bool):
            value, note = reading_of(name, float(given), knowledge)
            notes.append(note)
            if value is None:
                continue
        elif isinstance(given, str):
            value = given
        else:
            raise DataError(f"observation {name!r}: expected a word or a number, got {given!r}")
        items[name] = (value, knowledge.observation_likelihood(name, value))
    return Evidence(items, tuple(notes))


def isolate(
    photo: Mapping[str, float] | None,
    observations: Mapping[str, str | float],
    *,
    knowledge: Knowledge | None = None,
    base: Mapping[str, float] | None = None,
) -> Suspects:
    """Posterior over assemblies and faults from whatever is known, in any order.

    Parameters
    ----------
    photo : calibrated probabilities over the 13 symptom labels, or None without a photo
    observations : name of a bench test -> outcome, or the number read from the meter;
        "replaced-PART" -> "no-change" for a part that was changed in vain
    base : label frequencies behind the photo's probabilities; uniform if left out

    Raises DataError for names, outcomes or numbers that the knowledge does not have.
    """
    knowledge = knowledge or load_knowledge()
    evidence = gather(photo, observations, knowledge, base=base)
    return suspects_of(evidence, knowledge)


def suspects_of(evidence: Evidence, knowledge: Knowledge) -> Suspects:
    """The suspects for evidence already gathered."""
    weights = evidence.weights(knowledge)
    total = weights.sum()
    by_fault = weights.sum(axis=1) / total
    by_assembly = knowledge.assembly_of @ by_fault
    by_symptom = weights.sum(axis=0) / total
    contributions = tuple(
        sorted(
            (_contribution(name, evidence, knowledge, by_fault) for name in evidence.items),
            key=lambda c: (-max(abs(m) for m in c.moved.values()), c.observation),
        )
    )
    contradictions = find_contradictions(evidence, knowledge, by_fault)
    return Suspects(
        assemblies=_ranked(ASSEMBLIES, by_assembly),
        faults=_ranked(knowledge.fault_names, by_fault),
        symptoms=_ranked(SYMPTOMS, by_symptom),
        contradictions=contradictions,
        contributions=contributions,
        why=(*(_in_words(c, knowledge) for c in contributions), *evidence.notes),
        observations={n: v for n, (v, _) in evidence.items.items() if n != PHOTO},
    )


def _ranked(names: tuple[str, ...], p: FloatArray) -> dict[str, float]:
    order = np.argsort(-p, kind="stable")
    return {names[i]: float(p[i]) for i in order}


def _contribution(
    name: str, evidence: Evidence, knowledge: Knowledge, by_fault: FloatArray
) -> Contribution:
    rest = evidence.weights(knowledge, without=name)
    without = rest.sum(axis=1) / rest.sum()
    moved = by_fault - without
    leader = int(np.argmax(by_fault))
    by_assembly = knowledge.assembly_of @ moved
    return Contribution(
        observation=name,
        value=evidence.items[name][0],
        moved=dict(zip(ASSEMBLIES, map(float, by_assembly), strict=True)),
        faults=dict(zip(knowledge.fault_names, map(float, moved), strict=True)),
        bits=float(np.log2(by_fault[leader] / without[leader])),
    )


def _title(name: str, knowledge: Knowledge) -> str:
    if name == PHOTO:
        return "the photo"
    if name.startswith(REPLACED):
        return f"new {knowledge.parts[name.removeprefix(REPLACED)].title}"
    return knowledge.tests[name].title


def _in_words(c: Contribution, knowledge: Knowledge) -> str:
    moves = sorted(c.moved.items(), key=lambda item: -abs(item[1]))
    told = [f"{a.replace('-', ' ')} {m * 100:+.0f} points" for a, m in moves[:3] if abs(m) >= 0.005]
    effect = ", ".join(told) if told else "moves nothing by a whole point"
    means = ""
    test = knowledge.tests.get(c.observation)
    if test and c.value in test.means:
        means = f" {test.means[c.value]}"
    return f"{_title(c.observation, knowledge)} ({c.value}): {effect}.{means}"


def find_contradictions(
    evidence: Evidence, knowledge: Knowledge, by_fault: FloatArray
) -> tuple[str, ...]:
    """Pairs of observations that rarely go together and that no believed fault explains.

    The measure is the pairwise form of the conflict measure of Jensen, Chamberlain, Nordahl and
    Jensen (1991): P(a, b) / (P(a) P(b)), here below `CONFLICT_LIFT`.
    """
    names = sorted(evidence.items)
    joint = knowledge.joint
    found = []
    for i, a in enumerate(names):
        for b in names[i + 1 :]:
            like_a, like_b = evidence.items[a][1], evidence.items[b][1]
            p_a, p_b = (joint * like_a).sum(), (joint * like_b).sum()
            lift = (joint * like_a * like_b).sum() / (p_a * p_b)
            if lift < CONFLICT_LIFT and not _explained(like_a, like_b, knowledge, by_fault):
                found.append((lift, a, b))
    return tuple(
        f"{_title(a, knowledge)} ({evidence.items[a][0]}) and {_title(b, knowledge)} "
        f"({evidence.items[b][0]}) rarely go together: check one of them."
        for _, a, b in sorted(found)
    )


def _explained(
    like_a: FloatArray, like_b: FloatArray, knowledge: Knowledge, by_fault: FloatArray
) -> bool:
    given = knowledge.symptom_given_fault
    # The photo's lambda is no probability; scaled to a maximum of 1 it is as near as can be.
    a = (given * like_a).sum(axis=1) / max(1.0, float(like_a.max()))
    b = (given * like_b).sum(axis=1) / max(1.0, float(like_b.max()))
    explains = (np.minimum(a, b) >= EXPLAINED_LIKELIHOOD) & (by_fault >= EXPLAINED_BELIEF)
    return bool(explains.any())
