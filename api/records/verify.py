"""Checking a store: its chains, the tables against the records, each photo file against its hash.

Nothing is changed: the database is opened for reading only.
"""

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from sqlalchemy import func, select, text
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from api import databases
from api.databases import DATABASE
from api.photos import photofiles
from api.photos.photofiles import PhotoFiles
from api.place import Place
from api.problems import NotThereError
from api.records import chain
from api.records.chain import Fault, Link
from api.records.recording import Json, facts
from api.records.removal import REMOVAL_KIND
from api.records.signing import RECORD_KIND
from api.store import STORE_ID, newest_state
from api.tables import Entry, PhotoFile, Setting, Visit

# Named by what each photo's file is found to be.
PhotoState = Literal["intact", "altered", "missing", "removed", "unread"]
Progress = Callable[[int, int], None]
IMPORT_KIND = "import"


@dataclass(frozen=True)
class ChainFound:
    """One store's chain as it is here."""

    store_id: str
    is_own: bool
    n_entries: int
    head: str


@dataclass(frozen=True)
class HeadFound:
    """A printed head, and where a chain still passes through it; `store_id` is empty where none does."""

    code: str
    store_id: str = ""
    seq: int = 0
    n_after: int = 0

    @property
    def is_there(self) -> bool:
        return bool(self.store_id)


@dataclass(frozen=True)
class Findings:
    """What checking a store brought up.

    Attributes:
        photos: How many files are in which state.
        faults: All that is wrong, in words; empty: nothing is.
    """

    chains: tuple[ChainFound, ...]
    heads: tuple[HeadFound, ...]
    photos: Mapping[PhotoState, int]
    n_records: int
    faults: tuple[str, ...]

    @property
    def is_sound(self) -> bool:
        return not self.faults


@contextmanager
def reading_only(at: Path | Place) -> Iterator[Session]:
    """A session on a store's database that cannot change it, and sees one state of it.

    Raises:
        NotThereError: There is no store, or its tables are of another version.
    """
    place = Place.of(at)
    path = place.folder / DATABASE
    if not place.database and not path.is_file():
        raise NotThereError(f"{place.folder} has no {DATABASE}: it is no store. Name the folder of a store.")
    with databases.reading_only(place) as db:
        _check_version(db, "The database" if place.database else str(path))
        yield db


def _check_version(db: Session, what: str) -> None:
    try:
        at = db.scalar(text("SELECT version_num FROM alembic_version"))
    except DatabaseError as wrong:
        raise NotThereError(f"{what} is no store that can be read ({wrong.orig}). Restore a copy.") from wrong
    if at != newest_state():
        raise NotThereError(
            f"{what} is of another version of plumbsight (state {at}). Start the service on it once, which "
            "brings it up to date, then check it again."
        )


def verify(
    db: Session,
    at: Path | Place,
    heads: Sequence[str] = (),
    *,
    reads_photos: bool = True,
    progress: Progress = lambda *_: None,
) -> Findings:
    """Everything that can be checked.

    Args:
        at: The store, for its photo files.
        heads: Codes as records print them, in any order.
        reads_photos: Compare each file with its hash; else only whether it is there.
        progress: Called with photos done and all.

    Raises:
        NotAcceptedError: A code was mistyped.
    """
    wanted = [chain.read_code(head) for head in heads]
    own = own_id(db)
    chains, faults, found = _chains(db, own, wanted)
    records, record_faults = _records(db)
    states: dict[PhotoState, int] = {"intact": 0, "altered": 0, "missing": 0, "removed": 0, "unread": 0}
    photo_faults = []
    removals = _removals(db)
    n_files = db.scalar(select(func.count()).select_from(PhotoFile)) or 0
    rows = select(PhotoFile.sha256, PhotoFile.removed_at).order_by(PhotoFile.stored_at)
    files = photofiles.files_at(at)
    there = {sha256 for sha256, _ in files.stored()}
    for n, (sha256, removed_at) in enumerate(db.execute(rows.execution_options(yield_per=1000)), start=1):
        state, says = photo_state(sha256, removed_at, removals, there, files if reads_photos else None)
        states[state] += 1
        photo_faults += [says] if says else []
        progress(n, n_files)
    lost = [_lost(head) for head in found if not head.is_there]
    return Findings(
        tuple(chains), tuple(found), states, records, (*lost, *faults, *record_faults, *photo_faults)
    )


def own_id(db: Session) -> str:
    """The id of the store itself, as its chain and visits carry it."""
    row = db.scalar(select(Setting).where(Setting.name == STORE_ID))
    return row.value["id"] if row else ""


def short(store_id: str) -> str:
    """A store's id as people tell it from others."""
    return store_id[:8]


# --- chains ---------------------------------------------------------------------------------------


def _chains(
    db: Session, own: str, wanted: Sequence[str]
) -> tuple[list[ChainFound], list[str], list[HeadFound]]:
    chains, faults = [], []
    places: dict[str, tuple[str, int]] = {}
    for store_id in chain.store_ids(db):
        seen: dict[int, str] = {}

        def noted(links: Iterator[Link], seen: dict[int, str] = seen) -> Iterator[Link]:
            for link in links:
                seen[link.seq] = link.sha256
                yield link

        links = noted(chain.links(db, store_id))
        faults += [_said(fault) for fault in chain.faults(links, needs_bodies=store_id == own)]
        codes = {seq: chain.code(sha256) for seq, sha256 in seen.items()}
        chains.append(ChainFound(store_id, store_id == own, len(seen), codes[max(seen)]))
        places |= {code: (store_id, seq) for seq, code in codes.items() if code in wanted}
    ends = {one.store_id: one.n_entries for one in chains}
    found = []
    for code in wanted:
        store_id, seq = places.get(code, ("", 0))
        found.append(HeadFound(code, store_id, seq, ends[store_id] - seq if store_id else 0))
    return chains, [*faults, *_lost_imports(db)], found


def _said(fault: Fault) -> str:
    return f"Chain of store {short(fault.store_id)}, entry {fault.seq}: {fault.says}."


def _lost(head: HeadFound) -> str:
    return (
        f"No chain here passes through the head {head.code}: the record that printed it, or something before "
        "it, was changed or cut off since, or the code is of another store. Compare with the latest copy."
    )


def _lost_imports(db: Session) -> Iterator[str]:
    """Entries that an import brought with their content, and that are no longer here so."""
    for entry in _entries(db, IMPORT_KIND):
        body = _body(entry)
        own = Entry.store_id == body.get("from_store"), Entry.body.is_not(None)
        brought = db.execute(select(Entry.seq, Entry.sha256).where(*own))
        there = {seq: sha256 for seq, sha256 in brought}
        for seq, sha256 in body.get("entries", {}).items():
            if there.get(int(seq)) != sha256:
                store = short(str(body.get("from_store")))
                yield f"Chain of store {store}, entry {seq}: it was brought here, and is lost or was changed."


def _entries(db: Session, kind: str) -> Iterator[Entry]:
    """All entries of a kind, one at a time: their bodies are large, and a store may have thousands."""
    keys = select(Entry.store_id, Entry.seq).where(Entry.kind == kind).order_by(Entry.store_id, Entry.seq)
    for store_id, seq in db.execute(keys).all():
        yield db.get_one(Entry, (store_id, seq))
        db.expunge_all()


def _body(entry: Entry) -> dict[str, Any]:
    """What an entry says, or nothing if it was spoilt (which the chain's check has told)."""
    try:
        value = json.loads(entry.body or b"{}")
    except ValueError:
        return {}
    return value if isinstance(value, dict) else {}


# --- records against tables -----------------------------------------------------------------------


def _records(db: Session) -> tuple[int, list[str]]:
    faults = []
    recorded = set()
    for entry in _entries(db, RECORD_KIND):
        if entry.visit_id in recorded:
            faults.append(f"Entry {entry.seq}: the visit that it records was recorded before.")
        recorded.add(entry.visit_id)
        body = _body(entry)
        visit = db.get(Visit, entry.visit_id)
        if visit is None:
            faults.append(f"Entry {entry.seq}: the visit that it records is lost from the tables.")
            continue
        different = list(differences(_facts(body), _facts(facts(db, visit))))
        if visit.signed_at != body.get("signature", {}).get("at"):
            different.append("signature.at")
        faults += [
            f"Visit {visit.number}, {where}: the tables say something else than the record. "
            "The record counts; the tables were changed after signing."
            for where in different
        ]
    for visit_id, number in db.execute(select(Visit.id, Visit.number).where(Visit.signed_at.is_not(None))):
        if visit_id not in recorded:
            faults.append(f"Visit {number} is signed, but its record is lost.")
    return len(recorded), faults


# What people said and photos showed. The words that a program's version puts around it are not compared, nor
# what may change after signing: names and roles, and photos that an entry says were removed. What a shift
# came to follows from the rounds' results, which are compared.
_COMPARED = (
    *("visit", "study", "kit", "proofs", "placements", "relations", "shifts", "conditions", "deviations"),
    *("rounds", "clamps_off", "photos"),
)
_MAY_DIFFER = {"identity", "asks", "removed_at", "came_to"}


def _facts(record: Json) -> Json:
    told = {key: record[key] for key in _COMPARED if key in record}
    said = [one for one in record.get("conditions", ()) if one["at"] is not None]
    return told | {"conditions": said}


def differences(record: Any, tables: Any, where: str = "") -> Iterator[str]:
    """Places where the tables contradict a record; a key that only one of them has is no contradiction."""
    if record == tables:  # as nearly always, and told at once
        return
    if isinstance(record, dict) and isinstance(tables, dict):
        for key in sorted((record.keys() & tables.keys()) - _MAY_DIFFER):
            yield from differences(record[key], tables[key], f"{where}.{key}" if where else key)
    elif isinstance(record, list) and isinstance(tables, list) and len(record) == len(tables):
        for i, (one, other) in enumerate(zip(record, tables, strict=True)):
            yield from differences(one, other, f"{where}[{i}]")
    elif record != tables:
        yield where


# --- photos ---------------------------------------------------------------------------------------


def _removals(db: Session) -> set[str]:
    """Hashes of the photos that an entry says were removed."""
    entries = _entries(db, REMOVAL_KIND)
    return {photo["sha256"] for entry in entries for photo in _body(entry).get("photos", ())}


def photo_state(
    sha256: str, removed_at: str | None, removals: set[str], there: set[str], files: PhotoFiles | None
) -> tuple[PhotoState, str]:
    """What became of a photo's file, and what is wrong with that, if anything.

    Args:
        removals, there: Hashes of photos that an entry says were removed, and of those whose file is there.
        files: To read it from; None: it is not read.
    """
    name = f"Photo {sha256[:12]}"
    if sha256 in removals:
        left = f"{name} was removed by order, but its file is still here. Start the service once."
        return "removed", left if sha256 in there else ""
    if removed_at is not None:
        return "missing", f"{name} is marked as removed, but no entry says by whom and why."
    if sha256 not in there:
        return "missing", f"{name} is missing: its file is not in the store. Restore it from a copy."
    if files is None:
        return "unread", ""
    if not photofiles.is_intact(files, sha256):
        return (
            "altered",
            f"{name} was altered: its file is not the one that was stored. Restore it from a copy.",
        )
    return "intact", ""
