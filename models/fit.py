"""Model families, their fitting, and how they are compared across domains."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from sklearn.ensemble import ExtraTreesClassifier, HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import QuantileTransformer, StandardScaler
from sklearn.svm import LinearSVC

from models.binning import binned
from models.metrics import log_loss
from models.ranks_network import RanksNetwork
from models.table import Table, place_of
from panelvision.arrays import FloatArray, IntArray
from panelvision.classify import DARK_SCORES, NOT_FOR_MEMBERS, dark_score
from panelvision.labels import SYMPTOMS


@dataclass(frozen=True)
class Family:
    """One kind of classifier: its name, what it reads, how it is made."""

    name: str
    make: Callable[[int], Any]
    weighted: bool  # whether its fit takes sample weights


def _boosting(seed: int) -> Any:
    return HistGradientBoostingClassifier(
        max_iter=200,
        learning_rate=0.07,
        max_leaf_nodes=8,
        min_samples_leaf=20,
        l2_regularization=5.0,
        max_features=0.15,
        early_stopping=False,
        random_state=seed,
    )


def _ranks() -> QuantileTransformer:
    # Ranks rather than values: another renderer or camera shifts and stretches a
    # measurement more than it reorders photos by it.
    return QuantileTransformer(
        n_quantiles=200, output_distribution="normal", subsample=20_000, random_state=0
    )


def _logistic(seed: int) -> Any:
    return make_pipeline(
        _ranks(),
        LogisticRegression(C=0.005, max_iter=300, random_state=seed),
    )


def _network(seed: int) -> Any:
    return make_pipeline(_ranks(), RanksNetwork(seed))


def _forest(seed: int) -> Any:
    return ExtraTreesClassifier(
        n_estimators=128, min_samples_leaf=3, max_features=0.2, random_state=seed, n_jobs=-1
    )


FAMILIES: tuple[Family, ...] = (
    Family("gradient boosting", _boosting, True),
    Family("logistic regression on ranks", _logistic, False),
    Family("network on ranks", _network, False),
    Family("extremely random trees", _forest, True),
)

# Families that travel in the artefact: the best three over drawn scenes of other domains.
# Logistic regression says much the same as the network on ranks, only less well.
SHIPPABLE = ("gradient boosting", "network on ranks", "extremely random trees")


def feature_sets(names: tuple[str, ...]) -> dict[str, tuple[int, ...]]:
    """Column numbers of each feature set that is compared.

    The network that reads the glance was taught on pictures of every domain: what the set with it
    gets across domains is flattered.
    """
    measured = [names.index(n) for n in measured_names(names)]
    special = tuple(i for i in measured if not names[i].startswith("look_"))
    general = tuple(i for i in measured if names[i].startswith("look_"))
    sets = {"all": tuple(measured), "special measures only": special, "appearance only": general}
    if len(measured) < len(names):
        sets["all, and what the network says"] = tuple(range(len(names)))
    return sets


def measured_names(names: tuple[str, ...]) -> tuple[str, ...]:
    """The features that members read: all but what networks of many pictures say."""
    return tuple(n for n in names if n not in NOT_FOR_MEMBERS)


def medians(values: FloatArray) -> FloatArray:
    """Column medians without NaN, 0 for a column that was never measured."""
    seen = ~np.isnan(values)
    out = np.zeros(values.shape[1])
    for j in range(values.shape[1]):
        if seen[:, j].any():
            out[j] = np.median(values[seen[:, j], j])
    return out


def fill(values: FloatArray, by: FloatArray) -> FloatArray:
    """Values with NaN replaced column-wise."""
    return np.where(np.isnan(values), by, values)


def fit_member(family: Family, table: Table, *, by: FloatArray, seed: int) -> Any:
    """A fitted classifier with all labels among its classes."""
    missing = set(range(len(SYMPTOMS))) - set(np.unique(table.labels).tolist())
    if missing:
        raise ValueError(f"labels: no photo of '{SYMPTOMS[min(missing)]}' to learn from")
    member = family.make(seed)
    x = fill(table.values, by)
    if family.weighted:
        # Weights of one mean none.
        plain = bool((table.weights == 1).all())
        member.fit(
            x if plain else binned(x), table.labels, sample_weight=None if plain else table.weights
        )
    else:
        # Weights as repeats: a weight of 3 counts as three photos, one of 0.5 as every other.
        chance = np.random.default_rng(seed).random(len(table))
        repeats = np.floor(table.weights + chance).astype(int)
        member.fit(np.repeat(x, repeats, axis=0), np.repeat(table.labels, repeats))
    return member


def across_scenes(
    families: list[Family], table: Table, *, seed: int, folds: int = 3
) -> list[FloatArray]:
    """What members of each family say of scenes that they were not fitted to, (n, 13) each."""
    fold = np.array([int(place_of(scene) * 1000) % folds for scene in table.scenes.tolist()])
    out: list[FloatArray] = [np.zeros((len(table), len(SYMPTOMS))) for _ in families]
    for f in range(folds):
        train, test = table.pick(fold != f), fold == f
        by = medians(train.values)
        for said, family in zip(out, families, strict=True):
            member = fit_member(family, train, by=by, seed=seed)
            said[test] = log_p(member, fill(table.values[test], by))
    return out


def log_p(member: Any, values: FloatArray) -> FloatArray:
    """Log-probabilities (n, 13), bounded below."""
    return np.log(np.clip(member.predict_proba(values), 1e-6, 1.0))


def domain_of(table: Table, *, folds: int = 4) -> IntArray:
    """A domain number per row, so that a model is judged on kinds of pictures it never saw.

    Photos of one kind of content are one domain; dark screens without content are
    told apart by their light, things that are no screens by their scene.
    """
    keys = []
    for truth, scene in zip(table.truths, table.scenes.tolist(), strict=True):
        content = truth.get("content")
        if content in (None, "none", ""):
            content = f"{truth.get('torch')}-{truth.get('ambient')}-{scene % 3}"
        keys.append(str(content))
    kinds = sorted(set(keys))
    place = {kind: i % folds for i, kind in enumerate(kinds)}
    return np.array([place[key] for key in keys])


def across_domains(
    family: Family, table: Table, columns: tuple[int, ...], *, seed: int
) -> dict[str, float]:
    """Top-1 and log loss where each domain is predicted by a model that never saw it."""
    domain = domain_of(table)
    by = medians(table.values)
    x = fill(table.values, by)[:, list(columns)]
    out = np.zeros((len(table), len(SYMPTOMS)))
    for fold in np.unique(domain):
        train, test = domain != fold, domain == fold
        member = family.make(seed)
        member.fit(x[train], table.labels[train])
        p = np.full((int(test.sum()), len(SYMPTOMS)), 1e-6)
        p[:, member.classes_] = member.predict_proba(x[test])
        out[test] = p / p.sum(axis=1, keepdims=True)
    return {
        "top1": float((out.argmax(axis=1) == table.labels).mean()),
        "log_loss": log_loss(out, table.labels),
    }


def dark_across_torches(table: Table, *, seed: int) -> list[dict[str, Any]]:
    """Faint picture against none where each kind of torch is predicted by the others.

    What all measurements say through boosted trees, what either of the faint detector's scores
    says alone, and what their mean says: the last is what ships (``SymptomModel.dark_split``).
    Rows as of the table of families.
    """
    faint, none = SYMPTOMS.index("faint-image"), SYMPTOMS.index("no-image")
    score = dark_score(table.values, table.names)
    use = np.isin(table.labels, (faint, none)) & np.isfinite(score)
    dark = table.pick(use)
    shows = dark.labels == faint
    torch = np.array([str(truth.get("torch")) for truth in dark.truths])
    x = fill(dark.values, medians(dark.values))
    alone = {name: x[:, [table.names.index(name)]] for name in DARK_SCORES}
    rows = []
    for family, features, values in (
        (FAMILIES[0].name, "all", x),
        *(("logistic regression", name, column) for name, column in alone.items()),
        ("logistic regression", "mean of both scores", score[use, None]),
    ):
        p = np.zeros(len(dark))
        for kind in np.unique(torch):
            here = torch == kind
            member = FAMILIES[0].make(seed) if values is x else LogisticRegression()
            member.fit(values[~here], shows[~here])
            p[here] = member.predict_proba(values[here])[:, 1]
        rows.append(
            {
                "family": family,
                "features": f"{features}, dark screens only, torches left out",
                "held_out_top1": None,
                "across_domains_top1": float(((p > 0.5) == shows).mean()),
                "across_domains_log_loss": log_loss(
                    np.stack([1 - p, p], axis=1), shows.astype(int)
                ),
            }
        )
    return rows


def baseline(table: Table, *, seed: int) -> Any:
    """Histogram of gradients and a linear support vector machine, untuned: the figure to beat."""
    model = make_pipeline(StandardScaler(), LinearSVC(random_state=seed))
    return model.fit(table.gradients, table.labels)
