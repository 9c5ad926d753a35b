"""Draw photos and measure them through panelvision's own pipeline; cached, resumable, parallel.

A photo's record depends only on the drawing (seed and ``synth.VERSION``) and on the
measuring code, so both make up the cache's key. Records are kept in shards; a killed run
loses at most the shards under way.
"""

import hashlib
import json
import math
import os
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import cv2
import joblib
import numpy as np
import platformdirs
from skimage.feature import hog

import panelvision
import synth
from panelvision.cases import open_store
from panelvision.errors import DataError, PanelvisionError
from panelvision.examine import Look, look
from panelvision.labels import SYMPTOMS
from panelvision.measure.reduced import whole_codes_of

# chosen: how often each label is drawn, a shard at a time; the shares are the model's prior.
# Healthy screens and things that are no screens come in more kinds than any one fault.
MIX = {
    **dict.fromkeys(SYMPTOMS, 2),
    "faint-image": 3,
    "no-image": 3,
    "not-a-screen": 3,
    "normal": 5,
}
ORDER = tuple(symptom for symptom, count in MIX.items() for _ in range(count))
SHARD = len(ORDER)  # photos a shard


def cache_folder() -> Path:
    """Where measured shards are kept; PANELVISION_CACHE overrides the user's cache folder."""
    chosen = os.environ.get("PANELVISION_CACHE")
    return Path(chosen) if chosen else Path(platformdirs.user_cache_dir("panelvision"))


def code_hash() -> str:
    """Hash of everything in ``panelvision`` that can change a measurement."""
    root = Path(panelvision.__file__).parent
    skip = {
        "classify.py",
        "cli.py",
        "words.py",
        "overlay.py",
        "enhance.py",
        "messages.py",
        "inbox.py",
        "workers.py",
        "settings.py",
        "examples.py",
        "clip.py",
        "files.py",
        "fingerprint.py",
        "tables.py",
        "marks.py",
        "zips.py",
        "change.py",
        "change_model.json",
    }
    parts = [
        path
        for path in sorted(root.rglob("*"))
        if path.suffix in (".py", ".json", ".npz", ".toml")
        and path.name not in skip
        and not path.name.endswith("_cli.py")
        and not path.name.startswith(("symptom_model", "triage", "report", "findings"))
        and not {"pages", "isolate", "knowledge", "cases", "migrations", "examples"}
        & set(path.relative_to(root).parts[:-1])
    ]
    digest = hashlib.sha256()
    for path in parts:
        digest.update(path.name.encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


#: What brings a photo to its squared-up screen, below ``panelvision/``.
SQUARED = ("light.py", "photo.py", "geometry.py", "squareup.py", "order_statistics.py", "beside.py")
#: What finds the screen in it.
LOCATED = (
    "locate.py",
    *(f"outline_{name}.py" for name in ("candidates", "refine", "score", "trees")),
    *(f"data/outline_{name}.npz" for name in ("rank", "shift", "side")),
)


def sources(*names: str, by: tuple[str, ...] = ()) -> str:
    """Hash of some files: the key of what a small model is taught on.

    names: paths below ``panelvision/``, which measure. by: modules of this package, which make
    rows and labels of what was measured.
    """
    root, here = Path(panelvision.__file__).parent, Path(__file__).parent
    digest = hashlib.sha256()
    for path in (*(root / name for name in names), *(here / f"{name}.py" for name in by)):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def record_of(seen: Look, truth: dict[str, Any]) -> dict[str, Any]:
    """Features, truth, and the baseline's gradients of one measured photo."""
    features = {
        name: (None if math.isnan(value) else value)
        for name, value in seen.evidence.features().items()
    }
    outline = seen.evidence.location.outline
    return {
        "features": features,
        "truth": truth,
        "outline": None if outline is None else np.round(outline.corners, 2).tolist(),
        "outline_confidence": None if outline is None else round(outline.confidence, 4),
        "hog": np.round(gradients(seen), 3).tolist(),
        "seconds": {k: round(v, 4) for k, v in seen.seconds.items()},
    }


def gradients(seen: Look) -> np.ndarray:
    """Histogram of oriented gradients of the squared-up view at 128 x 72, the plain baseline.

    N. Dalal and B. Triggs, "Histograms of oriented gradients for human detection",
    CVPR 2005; scikit-image's implementation with its defaults but for the cell size.
    """
    codes = whole_codes_of(seen.view.linear)
    small = cv2.resize(codes, (128, 72), interpolation=cv2.INTER_AREA)
    return hog(small, pixels_per_cell=(16, 16), cells_per_block=(2, 2), channel_axis=2)


def measure_shard(first_seed: int, without: str = "") -> list[dict[str, Any]]:
    """Draw and measure one shard: SHARD photos, the labels as often as MIX says."""
    cv2.setNumThreads(1)
    return [
        record_of(look(jpeg, name=f"seed-{truth['seed']}"), truth)
        for jpeg, truth in drawn_shard(first_seed, without)
    ]


def drawn_shard(
    first_seed: int, without: str = "", *, order: tuple[str, ...] = ORDER, kept_in: str = "drawn"
) -> list[tuple[bytes, dict[str, Any]]]:
    """The photos of one shard and their truths, one for each label of ``order``.

    Kept in the cache: measures change more often than drawings.
    """
    folder = cache_folder() / f"{kept_in}-{synth.VERSION}-{mark_of(order)}{_mark(without)}"
    path = folder / f"shard-{first_seed}.zip"
    if path.exists():
        with zipfile.ZipFile(path) as stored:
            truths = json.loads(stored.read("truth.json"))
            return [(stored.read(f"{k}.jpg"), truth) for k, truth in enumerate(truths)]
    left_out = {without} - {""}
    samples = [
        synth.draw(first_seed + k, symptom=symptom, without=left_out)
        for k, symptom in enumerate(order)
    ]
    folder.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(f".{os.getpid()}.part")
    with zipfile.ZipFile(part, "w") as stored:
        stored.writestr("truth.json", json.dumps([s.truth for s in samples]))
        for k, sample in enumerate(samples):
            stored.writestr(f"{k}.jpg", sample.jpeg)
    os.replace(part, path)
    return [(s.jpeg, s.truth) for s in samples]


def mark_of(order: tuple[str, ...]) -> str:
    """Short mark of the labels that a shard holds, for the names of cached folders."""
    return hashlib.sha256(" ".join(order).encode()).hexdigest()[:8]


def _mark(without: str) -> str:
    return f"-without-{without}" if without else ""


def synthetic(
    count: int,
    *,
    seed: int = 0,
    without: str = "",
    jobs: int = -1,
    cluster: str | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[dict[str, Any]]:
    """Records of ``count`` drawn photos (rounded up to whole shards).

    Parameters
    ----------
    count : int
    seed : int
        Start of the seeds; the same seed gives the same photos everywhere.
    without : str
        A stage of image formation to leave out, one of ``synth.STAGES``.
    jobs : int
        Worker processes; -1 for all cores.
    cluster : str, optional
        Address of an existing dask scheduler (``tcp://host:port``) to work on instead.
    progress : callable(done, total), optional
    """
    folder = cache_folder() / f"{synth.VERSION}-{code_hash()}-{mark_of(ORDER)}{_mark(without)}"
    folder.mkdir(parents=True, exist_ok=True)
    starts = [1_000_000 * seed + i * SHARD for i in range(math.ceil(count / SHARD))]
    files = {s: folder / f"shard-{s}.json" for s in starts}
    waiting = [s for s in starts if not files[s].exists()]
    done = len(starts) - len(waiting)
    if progress:
        progress(done * SHARD, len(starts) * SHARD)
    for start, records in _run(waiting, jobs, cluster, without):
        _write(files[start], records)
        done += 1
        if progress:
            progress(done * SHARD, len(starts) * SHARD)
    return [record for s in starts for record in _read(files[s])]


def _run(
    starts: list[int], jobs: int, cluster: str | None, without: str
) -> Iterator[tuple[int, list[dict[str, Any]]]]:
    if not starts:
        return
    if cluster:
        from distributed import Client

        with Client(cluster) as client, joblib.parallel_config("dask", client=client):
            yield from joblib.Parallel(return_as="generator_unordered")(
                joblib.delayed(_numbered)(s, without) for s in starts
            )
    else:
        yield from joblib.Parallel(
            n_jobs=jobs, return_as="generator_unordered", pre_dispatch="2*n_jobs"
        )(joblib.delayed(_numbered)(s, without) for s in starts)


def _numbered(start: int, without: str) -> tuple[int, list[dict[str, Any]]]:
    return start, measure_shard(start, without)


def _write(path: Path, records: list[dict[str, Any]]) -> None:
    part = path.with_suffix(f".{os.getpid()}.part")
    part.write_text(json.dumps(records), encoding="utf-8")
    os.replace(part, path)


def _read(path: Path) -> list[dict[str, Any]]:
    """Records as written, with NaN for what could not be measured."""
    records: list[dict[str, Any]] = json.loads(path.read_text(encoding="utf-8"))
    for record in records:
        record["features"] = {
            name: (math.nan if value is None else value)
            for name, value in record["features"].items()
        }
    return records


def kept_rows(path: Path, make: Callable[[], list[dict[str, Any]]]) -> list[dict[str, Any]]:
    """Rows of named arrays as ``path`` keeps them; made and kept where they are not yet.

    All rows have at least one array, so that each is there again.
    """
    if not path.exists():
        rows = make()
        path.parent.mkdir(parents=True, exist_ok=True)
        part = path.with_name(f"{path.stem}.{os.getpid()}.part.npz")
        arrays = {f"{k}.{n}": np.asarray(v) for k, r in enumerate(rows) for n, v in r.items()}
        np.savez_compressed(part, allow_pickle=False, **arrays)
        os.replace(part, path)
    out: dict[int, dict[str, Any]] = {}
    with np.load(path, allow_pickle=False) as stored:
        for key in stored.files:
            k, name = key.split(".", 1)
            out.setdefault(int(k), {})[name] = stored[key]
    return [out[k] for k in sorted(out)]


def labelled_folder(
    folder: Path, *, progress: Callable[[int, int], None] | None = None
) -> list[dict[str, Any]]:
    """Records of a folder of photos with a ``truth.jsonl`` (one object a photo: file, symptom ...).

    Raises
    ------
    DataError
        When the truth file is missing or does not fit, or a photo of it cannot be read.
    """
    truths = read_truth(folder)
    records = []
    work = joblib.Parallel(n_jobs=-1, return_as="generator")(
        joblib.delayed(_labelled)(folder / truth["file"]) for truth in truths
    )
    for truth, record in zip(truths, work, strict=True):
        if "error" in record:
            raise DataError(f"{folder.name}/truth.jsonl: {record['error']}")
        records.append({**record, "truth": truth})
        if progress:
            progress(len(records), len(truths))
    return records


def closed_cases(address: str | Path | None = None) -> list[dict[str, Any]]:
    """Records of the photos of a shop's closed cases whose customers agreed to training.

    address: of the case store, as ``panelvision.cases.open_store`` takes it.

    Raises
    ------
    StoreError
        When the store cannot be opened or a photo of it cannot be read.
    DataError
        When it holds no such photo.
    """
    records = []
    with open_store(address) as store:
        for data, symptom in store.training_photos():
            # A customer who is deleted later must not live on in the cache.
            record = _labelled(data, keep=False)
            if "error" not in record:  # one that today's program refuses teaches nothing
                records.append({**record, "truth": {"symptom": symptom}})
    if not records:
        raise DataError(
            "the case store: no closed case says what the screen showed and has a customer who "
            "agreed to training; both are asked for when a case is saved and closed"
        )
    return records


def _labelled(source: Path | bytes, *, keep: bool = True) -> dict[str, Any]:
    cv2.setNumThreads(1)
    data = source.read_bytes() if isinstance(source, Path) else source
    name = source.name if isinstance(source, Path) else "photo"
    kept = cache_folder() / f"folder-{code_hash()}"
    key = kept / f"{hashlib.sha256(data).hexdigest()[:24]}.json"
    if not keep or not key.exists():
        try:
            record = record_of(look(data, name=name), {})
        except PanelvisionError as fault:
            return {"error": str(fault)}
        if not keep:
            return record
        kept.mkdir(parents=True, exist_ok=True)
        _write(key, [record])
    return _read(key)[0]


def read_truth(folder: Path) -> list[dict[str, Any]]:
    """The objects of ``truth.jsonl`` in a folder, checked."""
    path = folder / "truth.jsonl"
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as fault:
        raise DataError(
            f"{folder}: needs a truth.jsonl with one object a photo ({type(fault).__name__})"
        ) from None
    truths = []
    for number, line in enumerate(lines, start=1):
        if not line.strip():
            continue
        try:
            truth = json.loads(line)
        except (ValueError, RecursionError):
            raise DataError(f"{path.name} line {number}: not a JSON object") from None
        if not isinstance(truth, dict) or truth.get("symptom") not in SYMPTOMS:
            raise DataError(
                f"{path.name} line {number}: 'symptom' must be one of: {', '.join(SYMPTOMS)}"
            )
        if not _is_photo_of(folder, truth.get("file")):
            named = str(truth.get("file"))[:80]
            raise DataError(f"{path.name} line {number}: no such photo {named!r}")
        truths.append(truth)
    if not truths:
        raise DataError(f"{path.name}: holds no photo; write one object a line")
    return truths


def _is_photo_of(folder: Path, name: object) -> bool:
    try:
        return isinstance(name, str) and (folder / name).is_file()
    except (OSError, ValueError):  # a name that no file can have
        return False
