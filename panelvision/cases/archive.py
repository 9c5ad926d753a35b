"""The case store in one zip file: for other programs, for another machine, for a bad day.

``manifest.json`` (format, counts), ``customers.json``, ``cases.json``, ``cases.csv`` (for
spreadsheets; not read back) and ``photos/HASH.EXT``. The same archive serves export, import,
backup and restore, and moves a shop from SQLite to PostgreSQL or back.
"""

import csv
import hashlib
import io
import json
import re
import zipfile
from collections.abc import Collection, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from panelvision.cases import schema
from panelvision.cases.customers import Stated
from panelvision.cases.model import (
    Case,
    CasePhoto,
    Customer,
    Outcome,
    SetDescription,
    check_case,
    check_customer,
)
from panelvision.cases.photo_files import StoredPhoto
from panelvision.cases.schema import reading, writing
from panelvision.cases.strip import clean_photo
from panelvision.errors import DataError, PhotoError, StoreError
from panelvision.files import replacing
from panelvision.photo import MAX_BYTES
from panelvision.tables import cell
from panelvision.zips import opened_zip

if TYPE_CHECKING:
    from panelvision.cases.store import CaseStore

FORMAT = "panelvision cases 1"
# chosen: some hundred thousand cases; a bound against a packed bomb.
_MAX_JSON_BYTES = 1_000_000_000
_MAX_ENTRIES = 1_000_000
# As for what customers send: texts of cases shrink by far less, a packed bomb by far more.
_MAX_RATIO = 200
_RATIO_FREE_BYTES = 5_000_000
_PHOTO_NAME = re.compile(r"photos/([0-9a-f]{64})\.(jpg|png)")
_CSV_COLUMNS = (
    "case", "customer", "contact", "set", "size_inch", "symptom", "first_suspect", "verdict",
    "outcome_assembly", "outcome_fault", "costs", "photos", "created", "updated", "closed", "notes",
)  # fmt: skip


@dataclass(frozen=True)
class ArchiveSummary:
    """What an archive holds: its path and the number of customers, cases and photos."""

    path: Path
    customers: int
    cases: int
    photos: int


@dataclass(frozen=True)
class ImportSummary:
    """What an import did: cases added, brought up to date, left as they were; photos added."""

    added: int
    updated: int
    kept: int
    photos: int


# --- writing ----------------------------------------------------------------------------------


def write_archive(store: "CaseStore", path: Path) -> ArchiveSummary:
    """Write every case and photo to ``path``, whole or not at all.

    Raises
    ------
    StoreError
        When the file cannot be written, or a photo of the store is missing or altered.
    """
    people = [entry.stated for entry in store.customers()]
    cases = store.search()
    wanted = sorted({photo.sha256 for case in cases for photo in case.photos})
    manifest = {
        "format": FORMAT,
        "written": datetime.now(UTC).isoformat(timespec="seconds"),
        "customers": len(people),
        "cases": len(cases),
        "photos": len(wanted),
    }
    try:
        with replacing(path) as file, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("manifest.json", _json(manifest))
            archive.writestr("customers.json", _json([_customer_to_json(one) for one in people]))
            archive.writestr("cases.json", _json([case_to_json(case) for case in cases]))
            archive.writestr("cases.csv", _csv(cases))
            for sha256 in wanted:
                place = store.photo_path(sha256)
                data = store.files.read(place, sha256)
                # photos are compressed already
                archive.writestr(f"photos/{place.name}", data, zipfile.ZIP_STORED)
    except OSError as fault:
        raise StoreError(
            f"{path}: cannot be written ({fault.strerror or fault}); choose another place"
        ) from None
    return ArchiveSummary(path, len(people), len(cases), len(wanted))


def backup(store: "CaseStore", folder: Path) -> Path:
    """Write a dated archive into ``folder`` and read it back to be sure of it."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%fZ")
    path = folder / f"panelvision-backup-{stamp}.zip"
    write_archive(store, path)
    with _opened(path) as archive:
        _Contents.read(archive)
    return path


def case_to_json(case: Case) -> dict[str, Any]:
    """A case as plain JSON values; the customer by identity."""
    record = asdict(case)
    record["customer"] = None if case.customer is None else case.customer.id
    record["done_tests"] = [dict(test) for test in case.done_tests]
    for key in ("created", "updated", "closed"):
        moment = record[key]
        record[key] = None if moment is None else moment.isoformat()
    record["symptom"] = case.symptom
    return record


def _customer_to_json(stated: Stated) -> dict[str, Any]:
    since = stated.consent_set
    return {
        **asdict(stated.customer),
        "updated": stated.updated.isoformat(),
        "consent_set": None if since is None else since.isoformat(),
    }


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False)


def _csv(cases: list[Case]) -> str:
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(_CSV_COLUMNS)
    for case in cases:
        outcome, customer = case.outcome, case.customer
        writer.writerow(
            [
                cell(value)
                for value in (
                    case.id,
                    customer.name if customer else "",
                    customer.contact if customer else "",
                    case.set.label,
                    case.set.size_inch,
                    case.symptom,
                    next(iter(case.suspects), ""),
                    case.verdict,
                    outcome.assembly if outcome else "",
                    outcome.fault if outcome else "",
                    sum(case.costs.values()) if case.costs else None,
                    len(case.photos),
                    case.created,
                    case.updated,
                    case.closed,
                    case.set.notes,
                )
            ]
        )
    return "\ufeff" + text.getvalue()  # the mark tells spreadsheets that this is UTF-8


# --- reading ----------------------------------------------------------------------------------


def read_archive(store: "CaseStore", path: Path, *, replace: bool) -> ImportSummary:
    """Bring an archive into the store, checked completely before anything changes.

    Parameters
    ----------
    replace : bool
        False adds to the store; of a case that both hold, the later changed one stays.
        True makes the store what the archive is.

    Raises
    ------
    DataError
        When the archive does not fit its format; the store is then untouched.
    """
    with _opened(path) as archive:
        contents = _Contents.read(archive)
        placed = 0
        for entry in contents.photos:
            # Each is kept before the cases: unreferenced photos do no harm if we are stopped.
            placed += _place_photo(store, _photo(archive, entry))
    return _put_all(store, contents, replace=replace, photos=placed)


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    with ExitStack() as stack:
        try:
            archive = stack.enter_context(opened_zip(path, entries=_MAX_ENTRIES))
        except OSError as fault:
            raise DataError(
                f"{path}: cannot be read ({fault.strerror or fault}); check the path"
            ) from None
        except Exception:  # a hostile directory can raise nearly anything
            raise DataError(f"{path}: not a zip file, or damaged; use another copy") from None
        yield archive


@dataclass(frozen=True)
class _Contents:
    """A checked archive: cases with their customers, and the entries of the photos."""

    customers: tuple[Stated, ...]
    cases: tuple[Case, ...]
    photos: tuple[zipfile.ZipInfo, ...]

    @classmethod
    def read(cls, archive: zipfile.ZipFile) -> "_Contents":
        entries = archive.infolist()
        if len(entries) > _MAX_ENTRIES:
            raise DataError(f"archive: more than {_MAX_ENTRIES} entries")
        names = [entry.filename for entry in entries]
        if len(set(names)) != len(names):
            raise DataError("archive: two entries of one name; use another copy")
        manifest = _load_json(archive, "manifest.json", dict)
        if manifest.get("format") != FORMAT:
            raise DataError(
                f"archive: expected format '{FORMAT}', got {str(manifest.get('format'))[:40]!r}"
            )
        written = _written(manifest)
        customers = tuple(
            _customer(record, i, written)
            for i, record in enumerate(_load_json(archive, "customers.json", list))
        )
        people = tuple(stated.customer for stated in customers)
        by_id = {customer.id: customer for customer in people}
        cases = tuple(
            _case(record, i, by_id)
            for i, record in enumerate(_load_json(archive, "cases.json", list))
        )
        for what, found in (("customers", people), ("cases", cases)):
            if len({item.id for item in found}) != len(found):
                raise DataError(f"archive: two {what} with one identity")
        photos = tuple(entry for entry in entries if entry.filename.startswith("photos/"))
        held = set()
        for entry in photos:
            named = _PHOTO_NAME.fullmatch(entry.filename)
            if named is None:
                raise DataError(f"archive: {entry.filename[:80]!r} is no photo of ours")
            _photo(archive, entry)
            held.add(named[1])
        for case in cases:
            for photo in case.photos:
                if photo.sha256 not in held:
                    raise DataError(f"archive: photo {photo.sha256[:12]} is missing")
        return cls(customers, cases, photos)


def _read_entry(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, limit: int) -> bytes:
    """An entry's bytes; the size in its header is not believed."""
    limit = min(limit, max(_RATIO_FREE_BYTES, _MAX_RATIO * entry.compress_size))
    try:
        with archive.open(entry) as file:
            data = file.read(limit + 1)
    except (zipfile.BadZipFile, OSError, EOFError, RuntimeError, ValueError):
        raise DataError(f"archive: {entry.filename[:80]!r} is damaged; use another copy") from None
    except Exception as fault:  # the decompressors raise errors of their own
        raise DataError(
            f"archive: {entry.filename[:80]!r} is damaged ({type(fault).__name__})"
        ) from None
    if len(data) > limit:
        raise DataError(f"archive: {entry.filename[:80]!r} is larger than {limit} bytes")
    return data


def _load_json(archive: zipfile.ZipFile, name: str, kind: type) -> Any:
    try:
        entry = archive.getinfo(name)
    except KeyError:
        raise DataError(f"archive: no {name} inside; it was not written by panelvision") from None
    try:
        value = json.loads(_read_entry(archive, entry, _MAX_JSON_BYTES))
    except (ValueError, RecursionError):
        raise DataError(f"archive: {name} is not valid JSON") from None
    if not isinstance(value, kind):
        raise DataError(f"archive: {name} holds a {type(value).__name__}, not a {kind.__name__}")
    return value


def _photo(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> tuple[StoredPhoto, bytes]:
    data = _read_entry(archive, entry, MAX_BYTES)
    named = _PHOTO_NAME.fullmatch(entry.filename)
    assert named is not None
    if hashlib.sha256(data).hexdigest() != named[1]:
        raise DataError(f"archive: photo {named[1][:12]} was altered; use another copy")
    try:
        clean = clean_photo(data, name=named[1][:12])
    except PhotoError as fault:
        raise DataError(f"archive: {fault}") from None
    if clean.data != data or clean.extension != named[2]:
        raise DataError(f"archive: photo {named[1][:12]} carries metadata; it is none of ours")
    return StoredPhoto.of(clean), data


def _place_photo(store: "CaseStore", photo: tuple[StoredPhoto, bytes]) -> int:
    stored, data = photo
    with reading(store.engine) as connection:
        known = connection.execute(
            sa.select(schema.photos.c.sha256).where(schema.photos.c.sha256 == stored.sha256)
        ).first()
    store.keep(stored, data)
    return 0 if known else 1


def _written(manifest: dict[str, Any]) -> datetime:
    """When the archive was written; now, where it does not tell."""
    try:
        return _time(str(manifest.get("written")), "manifest.json")
    except DataError:
        return datetime.now(UTC)


def _customer(record: Any, index: int, written: datetime) -> Stated:
    where = f"customers.json entry {index}"
    kinds = {"name": str, "contact": str, "consent": bool, "id": str}
    times = {"updated": (str, None), "consent_set": (str, None)}
    if isinstance(record, dict):
        record = {**dict.fromkeys(times), **record}  # not there in archives of former versions
    fields = _fields(record, where, kinds | times)
    updated, since = (
        None if text is None else _time(text, where) for text in map(fields.pop, times)
    )
    try:
        customer = check_customer(Customer(**fields))
    except DataError as fault:
        raise DataError(f"{where}: {fault}") from None
    return Stated(customer, updated or written, since, dated=updated is not None)


def _case(record: Any, index: int, customers: dict[str, Customer]) -> Case:
    where = f"cases.json entry {index}"
    got = _fields(
        record,
        where,
        {
            "customer": (str, None), "set": dict, "photos": list, "observations": dict,
            "done_tests": list, "advice": (dict, None), "verdict": str, "outcome": (dict, None),
            "costs": dict, "id": str, "created": str, "updated": str, "closed": (str, None),
            "revision": int,
        },
        ignored={"symptom"},
    )  # fmt: skip
    owner = None
    if got["customer"] is not None:
        owner = customers.get(got["customer"])
        if owner is None:
            raise DataError(f"{where}: customer {got['customer'][:32]!r} is not in the archive")
    number = (int, float, None)
    of_set = {"label": str, "size_inch": number, "notes": str, "worth": number}
    described = {"worth": None, **got["set"]}  # not there in archives of former versions
    outcome = None
    if got["outcome"] is not None:
        outcome = Outcome(**_fields(
            got["outcome"], f"{where} outcome",
            {"assembly": str, "fault": str, "symptom": str, "notes": str},
        ))  # fmt: skip
    photos = tuple(
        CasePhoto(**_fields(
            photo, f"{where} photo {i}",
            {"sha256": str, "source_sha256": str, "name": str, "examination": (dict, None)},
        ))
        for i, photo in enumerate(got["photos"])
    )  # fmt: skip
    case = Case(
        customer=owner,
        set=SetDescription(**_fields(described, f"{where} set", of_set)),
        photos=photos,
        observations=got["observations"],
        done_tests=tuple(got["done_tests"]),
        advice=got["advice"],
        verdict=got["verdict"],
        outcome=outcome,
        costs=got["costs"],
        id=got["id"],
        created=_time(got["created"], where),
        updated=_time(got["updated"], where),
        closed=None if got["closed"] is None else _time(got["closed"], where),
        revision=got["revision"],
    )
    if case.revision < 1:
        raise DataError(f"{where}: revision {case.revision} is not positive")
    try:
        return check_case(case)
    except DataError as fault:
        raise DataError(f"{where}: {fault}") from None


def _fields(
    record: Any,
    where: str,
    kinds: dict[str, Any],
    *,
    ignored: Collection[str] = (),
) -> dict[str, Any]:
    if not isinstance(record, dict):
        raise DataError(f"{where}: expected an object, got {type(record).__name__}")
    unknown = set(record) - set(kinds) - set(ignored)
    if unknown:
        raise DataError(f"{where}: unknown field {sorted(unknown)[0][:40]!r}")
    result = {}
    for name, kind in kinds.items():
        if name not in record:
            raise DataError(f"{where}: no field '{name}'")
        allowed = kind if isinstance(kind, tuple) else (kind,)
        value = record[name]
        # a bool is an int to Python, and never what a number field means
        if type(value) not in allowed and not (value is None and None in allowed):
            raise DataError(f"{where}: field '{name}' cannot be a {type(value).__name__}")
        result[name] = value
    return result


def _time(text: str, where: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is None:
            raise DataError(f"{where}: the time {text[:40]!r} lacks its zone")
        return moment.astimezone(UTC)
    except DataError:
        raise
    except (ValueError, OverflowError):  # no time, or none within the calendar in UTC
        raise DataError(f"{where}: {text[:40]!r} is not a time") from None


def _put_all(
    store: "CaseStore", contents: _Contents, *, replace: bool, photos: int
) -> ImportSummary:
    added = updated = kept = 0
    with store.told(), writing(store.engine) as connection:
        schema.lock_photo_files(connection)
        candidates: list[str] = []
        if replace:
            candidates = list(connection.execute(sa.select(schema.photos.c.sha256)).scalars())
            for table in (schema.case_photos, schema.cases, schema.customers):
                connection.execute(sa.delete(table))
        table = schema.cases
        held = {
            row.id: row
            for row in connection.execute(sa.select(table.c.id, table.c.revision, table.c.updated))
        }
        newer = {
            case.id: case
            for case in contents.cases
            if case.id in held
            and case.updated is not None
            and datetime.fromisoformat(held[case.id].updated) < case.updated
        }
        owners = {case.customer.id for case in newer.values() if case.customer is not None}
        for stated in contents.customers:
            store.bring_customer(connection, stated, newer=stated.customer.id in owners)
        for case in contents.cases:
            if case.id not in held:
                store.put_case(connection, replace_revision(case, 0), keep_times=True)
                added += 1
            elif case.id in newer:
                revision = held[case.id].revision
                store.put_case(connection, replace_revision(case, revision), keep_times=True)
                updated += 1
            else:
                kept += 1
        if replace:
            store.give_up_photos(connection, candidates)
    if replace:
        store.finish_deletion()
    return ImportSummary(added, updated, kept, photos)


def replace_revision(case: Case, revision: int) -> Case:
    """The case as if read at ``revision``."""
    return replace(case, revision=revision)
