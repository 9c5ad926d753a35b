"""Which symptom, how sure, or an honest "can't tell"."""

import hashlib
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from panelvision import __version__
from panelvision.arrays import FloatArray
from panelvision.errors import ModelError
from panelvision.evaluators import Evaluator, log_softmax, read_members
from panelvision.evidence import EVIDENCE_VERSION, feature_vector
from panelvision.labels import SYMPTOMS
from panelvision.measure.everyday import EVERYDAY_SCORE
from panelvision.measure.glance_network import GLANCE_SCORES
from panelvision.measure.glow_network import GLOW_NETWORK_SCORES
from panelvision.words import percent

MODEL_FILE = Path(__file__).parent / "data" / "symptom_model.npz"
# Format of the artefact; another number is refused.
MODEL_FORMAT = 7
# chosen: an artefact holds about a million numbers; a larger file is not one of ours.
_MAX_BYTES = 20_000_000

# chosen: what a photo that cannot be told must still show for its finding to be said.
_UNSURE = 0.4
# One member that is sure of nothing but its own mistake must not outvote the others.
_LEAST_LOG_P = float(np.log(1e-6))
# The measurements that tell a faint picture from none: what the tiles' statistics say and what
# the networks add. Their mean counts, because either is the better one somewhere: the networks on
# drawings of the kind they were taught on, the statistics under another torch's reflections.
DARK_SCORES = ("faint_score", "faint_witness_score")
# Log-odds of a fault of the backlight, each of a scorer that was taught that alone.
GLOW_SCORES = ("glow_spot_1", "glow_spot_2", *GLOW_NETWORK_SCORES)
# What networks of many pictures say is not for the members to read: members would trust it as far
# as it may be trusted on drawings, too far where it was taught on them, and not far enough where
# it was taught on photographs.
NOT_FOR_MEMBERS = frozenset((*GLANCE_SCORES, *GLOW_NETWORK_SCORES, EVERYDAY_SCORE))


@dataclass(frozen=True)
class SymptomReading:
    """What the photo says.

    Attributes
    ----------
    symptom : str
        The most probable label.
    probabilities : dict of str to float
        All 13 labels, calibrated, summing to 1.
    symptom_set : tuple of str
        Labels kept at 90 % coverage (split conformal), most probable first.
    can_tell : bool
        False when the reading should not be acted on; ``reason`` says why.
    reason : str
        One sentence, empty when ``can_tell``.
    shares : dict of str to float, or None
        How often each label stood among the photos that the probabilities were calibrated on,
        0..1; None where that is not known. Whoever weighs the photo against other evidence
        divides by it, or what was drawn often would count twice.
    """

    symptom: str
    probabilities: dict[str, float]
    symptom_set: tuple[str, ...]
    can_tell: bool
    reason: str = ""
    shares: dict[str, float] | None = None

    def possible(self, *symptoms: str, least: float) -> bool:
        """Whether these are together at least ``least`` likely, and as likely as no fault.

        What is measured on a healthy picture (its own edges, lines and dark places) looks
        like a fault's; the second condition keeps it from being said. A reading that can't
        tell claims only what it takes for nearly as likely as not.
        """
        p = sum(self.probabilities.get(s, 0.0) for s in symptoms)
        healthy = self.probabilities.get("normal", 0.0)
        return p >= max(least, healthy, 0.0 if self.can_tell else _UNSURE)


@dataclass(frozen=True)
class SymptomModel:
    """The shipped classifier.

    Attributes
    ----------
    members : tuple of Evaluator
        Classifiers of the measurements as plain numbers.
    weights : ndarray of shape (n_voices,)
        Weight of each member's log-probabilities, the glance's last (:func:`voices`), summing
        to 1.
    features : tuple of str
        Names of the measurements in the order the members expect.
    fill : ndarray of shape (n_features,)
        Value that stands for "not measured" (training median) for members that need one.
    temperature : float
        Softmax temperature of the calibration (Guo et al. 2017, arXiv 1706.04599).
    bias : ndarray of shape (13,)
        Per-label offset of the log-probabilities, fitted with the temperature.
    glow_lift : tuple of four floats, or None
        What one of each positive log-odds of :data:`GLOW_SCORES` adds to the log-probability
        of ``dim-zones`` before calibration (:func:`lifted`). One number that is rarely raised,
        among hundreds, gets too little weight from members taught on few such photos.
    screen_lift : tuple of two floats, or None
        Slope and offset of what is added to the log-probability of ``not-a-screen``, on the
        log-odds that a network of everyday things gives it (:func:`without_screen`). Drawings
        know few of the things that are photographed instead of a screen; that network knows
        photographs.
    dark_split : tuple of two floats, or None
        Slope and offset of the log-odds that a dark screen shows a faint picture, on the faint
        detector's scores. How likely the screen is dark is the members' question; whether a
        picture is on it is the detector's, its tiles' and its networks' together. Not applied
        where the score could not be measured.
    conformal_score : float
        Labels with 1 - p at most this make up the symptom set.
    least_probability : float
        Below this the reading is "can't tell".
    card : dict
        Where it comes from: versions, seed, data recipe, figures.
    """

    members: tuple[Evaluator, ...]
    weights: FloatArray
    features: tuple[str, ...]
    fill: FloatArray
    temperature: float
    bias: FloatArray
    glow_lift: tuple[float, ...] | None
    screen_lift: tuple[float, float] | None
    dark_split: tuple[float, float] | None
    conformal_score: float
    least_probability: float
    card: dict[str, Any]
    version: str

    @property
    def shares(self) -> dict[str, float] | None:
        """See :attr:`SymptomReading.shares`."""
        return self.card.get("shares")

    def log_probabilities(self, vectors: FloatArray) -> FloatArray:
        """Uncalibrated log-probabilities (n, 13) of vectors (n, n_features)."""
        filled = np.where(np.isnan(vectors), self.fill, vectors)
        z = pool(voices(self.members, filled, self.features), self.weights)
        if self.glow_lift is not None:
            z = lifted(z, glow_scores(filled, self.features), self.glow_lift)
        if self.screen_lift is not None:
            z = without_screen(z, everyday_score(filled, self.features), self.screen_lift)
        return z

    def probabilities(self, vectors: FloatArray) -> FloatArray:
        """Calibrated probabilities (n, 13), columns in the order of ``SYMPTOMS``."""
        z = self.log_probabilities(vectors) / self.temperature + self.bias
        z -= z.max(axis=1, keepdims=True)
        p = np.exp(z)
        p /= p.sum(axis=1, keepdims=True)
        if self.dark_split is not None:
            p = split_dark(p, dark_score(vectors, self.features), self.dark_split)
        return p

    def read(self, features: Mapping[str, float]) -> SymptomReading:
        """The reading of one photo's features."""
        vector = feature_vector(dict(features), self.features)
        p = self.probabilities(vector[None])[0]
        order = np.argsort(-p)
        kept = [SYMPTOMS[i] for i in order if 1 - p[i] <= self.conformal_score]
        # An empty set would claim certainty that nothing fits; the best label stands in.
        kept = kept or [SYMPTOMS[order[0]]]
        best = float(p[order[0]])
        can_tell = best >= self.least_probability
        reason = ""
        if not can_tell:
            second = SYMPTOMS[order[1]]
            reason = (
                f"{SYMPTOMS[order[0]]} and {second} are too close to call in this photo "
                f"({percent(best)} and {percent(p[order[1]])})."
            )
        return SymptomReading(
            symptom=SYMPTOMS[order[0]],
            probabilities={name: float(v) for name, v in zip(SYMPTOMS, p, strict=True)},
            symptom_set=tuple(kept),
            can_tell=can_tell,
            reason=reason,
            shares=self.shares,
        )


def voices(
    members: Sequence[Evaluator], vectors: FloatArray, features: tuple[str, ...]
) -> list[FloatArray]:
    """What each member says, and last what the network says that reads the glance.

    The members do not read it (:data:`NOT_FOR_MEMBERS`); it has one voice like each of them.

    Parameters
    ----------
    members : sequence of Evaluator
    vectors : ndarray of shape (n, n_features)
        Without NaN.
    features : tuple of str
        Names of the columns; without those of the glance there is no such voice.

    Returns
    -------
    list of ndarray of shape (n, 13)
        Log-probabilities.
    """
    said = [features.index(name) for name in GLANCE_SCORES if name in features]
    hidden = [i for i, name in enumerate(features) if name in NOT_FOR_MEMBERS]
    measured = np.delete(vectors, hidden, axis=1)
    heard = [member.log_probabilities(measured) for member in members]
    return [*heard, log_softmax(vectors[:, said])] if said else heard


def glow_scores(vectors: FloatArray, features: tuple[str, ...]) -> FloatArray:
    """The positive part of :data:`GLOW_SCORES` (n, 4).

    Raises
    ------
    ValueError
        When one of them is not among the features.
    """
    columns = [features.index(name) for name in GLOW_SCORES]
    return np.asarray(np.maximum(vectors[:, columns], 0.0))


def lifted(z: FloatArray, scores: FloatArray, lift: Sequence[float]) -> FloatArray:
    """Log-probabilities (n, 13), not normalised, where a backlight's fault was found.

    Parameters
    ----------
    z : ndarray of shape (n, 13)
    scores : ndarray of shape (n, 4)
        As of :func:`glow_scores`.
    lift : sequence of four floats
    """
    out = z.copy()
    out[:, SYMPTOMS.index("dim-zones")] += scores @ np.asarray(lift)
    return out


def everyday_score(vectors: FloatArray, features: tuple[str, ...]) -> FloatArray:
    """Log-odds (n,) that there is no thing with a screen, of the network of everyday things.

    Raises
    ------
    ValueError
        When it is not among the features.
    """
    return np.asarray(-vectors[:, features.index(EVERYDAY_SCORE)])


def without_screen(z: FloatArray, score: FloatArray, lift: Sequence[float]) -> FloatArray:
    """Log-probabilities (n, 13), not normalised, where a screen is hardly what is shown.

    Parameters
    ----------
    z : ndarray of shape (n, 13)
    score : ndarray of shape (n,)
        As of :func:`everyday_score`.
    lift : slope and offset
    """
    out = z.copy()
    out[:, SYMPTOMS.index("not-a-screen")] += lift[0] * score + lift[1]
    return out


def dark_score(vectors: FloatArray, features: tuple[str, ...]) -> FloatArray:
    """Mean of the faint detector's scores (n,); NaN where they could not be measured.

    Raises
    ------
    ValueError
        When one of them is not among the features.
    """
    columns = [features.index(name) for name in DARK_SCORES]
    return np.asarray(vectors[:, columns].mean(axis=1))


def split_dark(p: FloatArray, score: FloatArray, line: tuple[float, float]) -> FloatArray:
    """Probabilities (n, 13) whose dark part is shared out by the faint detector's score.

    Parameters
    ----------
    p : ndarray of shape (n, 13)
    score : ndarray of shape (n,)
        NaN where it could not be measured; such rows stay as they are.
    line : slope and offset of the log-odds of ``faint-image`` against ``no-image``
    """
    faint, none = SYMPTOMS.index("faint-image"), SYMPTOMS.index("no-image")
    measured = np.isfinite(score)
    dark = p[measured, faint] + p[measured, none]
    share = 1 / (1 + np.exp(-(line[0] * score[measured] + line[1])))
    out = p.copy()
    out[measured, faint], out[measured, none] = dark * share, dark * (1 - share)
    return out


def pool(scores: Sequence[FloatArray], weights: FloatArray) -> FloatArray:
    """Weighted sum of log-probabilities, none of them surer of a "no" than one in a million."""
    return np.asarray(
        sum(w * np.maximum(s, _LEAST_LOG_P) for w, s in zip(weights, scores, strict=True))
    )


@lru_cache(maxsize=2)
def load_model(path: Path = MODEL_FILE, *, any_measurements: bool = False) -> SymptomModel:
    """Read an artefact; nothing in the file is executed.

    ``any_measurements``: also one that was made for measurements of another version, for whoever
    calibrates and judges it anew on today's.

    Raises
    ------
    ModelError
        One line, when it is missing, damaged, altered since its card was written,
        of another format, or made for other measurements.
    """
    card_path = path.with_suffix(".json")
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise ValueError("larger than any artefact")
        data = path.read_bytes()
        card = json.loads(card_path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as fault:
        raise ModelError(
            f"{path.name}: cannot be read with its card ({fault}); "
            "reinstall panelvision or run: python -m models.train"
        ) from None
    digest = hashlib.sha256(data).hexdigest()
    if card.get("sha256") != digest:
        raise ModelError(
            f"{path.name}: does not match the checksum in {card_path.name} (altered or cut short); "
            "reinstall panelvision or run: python -m models.train"
        )
    fits = any_measurements or card.get("evidence_version") == EVIDENCE_VERSION
    if card.get("format") != MODEL_FORMAT or not fits:
        raise ModelError(
            f"{path.name}: made for format {card.get('format')} and measurements "
            f"{card.get('evidence_version')}, this program has {MODEL_FORMAT} and "
            f"{EVIDENCE_VERSION}; run: python -m models.train"
        )
    return _unpack(path, data, card, digest)


def _unpack(path: Path, data: bytes, card: dict[str, Any], digest: str) -> SymptomModel:
    try:
        # allow_pickle=False: arrays of numbers only, so nothing in the file can run.
        with np.load(io.BytesIO(data), allow_pickle=False) as stored:
            numbers = {name: stored[name] for name in stored.files}
        features = card["features"]
        glances = bool(set(GLANCE_SCORES) & set(features))
        read = len([name for name in features if name not in NOT_FOR_MEMBERS])
        members = read_members(numbers, len(SYMPTOMS), read)
        if len(card["weights"]) != len(members) + glances:
            raise ValueError("weights do not fit the members")
    except Exception as fault:  # zip, array and index errors all mean that it is not an artefact
        raise ModelError(
            f"{path.name}: is not an artefact of numbers ({type(fault).__name__}); "
            "reinstall panelvision or run: python -m models.train"
        ) from None
    if tuple(card["labels"]) != SYMPTOMS:
        raise ModelError(f"{path.name}: made for other labels; run: python -m models.train")
    return SymptomModel(
        members=tuple(members),
        weights=np.array(card["weights"]),
        features=tuple(card["features"]),
        fill=np.array(card["fill"], dtype=np.float64),
        temperature=float(card["temperature"]),
        bias=np.array(card["bias"], dtype=np.float64),
        glow_lift=_numbers(card, "glow_lift", len(GLOW_SCORES)),
        screen_lift=_numbers(card, "screen_lift", 2),
        dark_split=_numbers(card, "dark_split", 2),
        conformal_score=float(card["conformal_score"]),
        least_probability=float(card["least_probability"]),
        card=card,
        version=f"{__version__}+{digest[:12]}",
    )


def _numbers(card: Mapping[str, Any], name: str, count: int) -> Any:
    """So many numbers of the card, or None where it has none under the name."""
    given = card.get(name)
    return None if given is None else tuple(float(given[k]) for k in range(count))


def model_version() -> str:
    """Identity of program and artefact; results made with another one are not comparable."""
    return f"{load_model().version}.{_program(Path(__file__).parent)}"


@lru_cache(maxsize=1)
def _program(root: Path) -> str:
    """Hash of the program, its learned numbers and its data: all have a say in a result."""
    whole = hashlib.sha256()
    for path in sorted(root.rglob("*")):
        if path.suffix in (".py", ".npz", ".json", ".toml"):
            whole.update(path.relative_to(root).as_posix().encode() + b"\0")
            whole.update(path.read_bytes())
    return whole.hexdigest()[:12]
