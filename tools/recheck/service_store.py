"""A service's store, read for a re-check: the only module here that knows its tables.

Nothing is written beside the store, not even a lock: SQLite opens the file as one that cannot change
(`immutable`). Where that would be wrong, since a log of writes (`-wal`) waits beside it or its tables are of
an earlier version, a copy outside is opened instead, and brought up to date.
"""

import hashlib
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Lock
from typing import Any

from sqlalchemy import create_engine, exists, func, make_url, select, text
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from api.photos.photofiles import PHOTOS
from api.place import Place
from api.problems import ConflictError, ServiceError
from api.records import chain, verify
from api.records.chain import ELSEWHERE, Link
from api.records.recording import facts
from api.records.removal import REMOVAL_KIND
from api.records.signing import RECORD_KIND
from api.store import DATABASE, migrate, newest_state
from api.tables import (
    Arrival,
    Entry,
    KitRevision,
    PhotoFile,
    PlacementRevision,
    Round,
    Visit,
    VisitPlacement,
)
from api.visits.visit_list import of_vehicles
from calib_data.recheck import Finding
from tools.recheck.folders import Folder, folder_of
from tools.recheck.sets import ArchivedSet, PhotoPlace, StoredVisit, fingerprint_of
from vision.errors import InputFileError

_LOG = f"{DATABASE}-wal"
_COPIES = 8  # of a tree with as many stores that have to be copied
_COPYING = Lock()
_SEVERAL = 256  # kit and placement revisions whose hash is kept


@dataclass(frozen=True)
class StoreAddress:
    """Where a store lies.

    Attributes:
        folder: With its database; None: that is `database`, the URL of a PostgreSQL one.
        photos: Where its photo files lie, by their hash.
    """

    folder: Folder | None
    database: str
    photos: Folder

    def __str__(self) -> str:
        return make_url(self.database).render_as_string() if self.folder is None else str(self.folder)

    @property
    def is_in_memory(self) -> bool:
        """Whether only this very process can read it."""
        return self.photos.is_in_memory

    @classmethod
    def of(cls, folder: Folder) -> "StoreAddress":
        """A store that lies in one folder."""
        return cls(folder, "", folder.under(PHOTOS))


def address_of(archive: str, photos: str) -> StoreAddress:
    """A store whose photo files lie elsewhere, as a person names it: a folder or a PostgreSQL URL.

    Raises:
        InputFileError: There is no store of that name.
    """
    if is_postgresql(archive):
        return StoreAddress(None, archive, Folder(photos))
    folder = folder_of(archive)
    if not is_store(folder):
        raise InputFileError(f"{archive} is no store, so its photos lie with it. Leave --photos out.")
    return StoreAddress(folder, "", Folder(photos))


def is_postgresql(archive: str) -> bool:
    """Whether an archive is named by a database's URL."""
    return archive.startswith(("postgresql:", "postgresql+"))


def is_store(folder: Folder) -> bool:
    """Whether a folder is a service's store."""
    return folder.has(DATABASE)


def count(store: StoreAddress) -> int:
    """How many visits it has."""
    with _reading(store) as db:
        return db.scalar(select(func.count()).select_from(Visit).where(of_vehicles())) or 0


def sets_of(store: StoreAddress, archive: str, prefix: str) -> Iterator[ArchivedSet]:
    """A store's visits, one at a time: signed ones in the order of their chains, then the others.

    Args:
        prefix: What goes before a visit's id in `set_id`: where in the archive the store lies.

    Raises:
        InputFileError: It is no store that can be read, or one of a later version.
    """
    with _reading(store) as db:
        read = _StoreRead(db, store.photos, archive, prefix)
        broken = _broken_links(db)
        places = select(Entry.store_id, Entry.seq).where(Entry.kind == RECORD_KIND)
        for store_id, seq in db.execute(places.order_by(Entry.store_id, Entry.seq)).yield_per(100):
            yield read.signed(db.get_one(Entry, (store_id, seq)), broken.get((store_id, seq), ()))
            db.expunge_all()  # bodies are large
        recorded = exists().where(Entry.visit_id == Visit.id, Entry.kind == RECORD_KIND)
        closed = exists().where(Round.visit_id == Visit.id, Round.closed_at.is_not(None))
        others = select(Visit.id).where(~recorded, closed, of_vehicles())
        for (visit_id,) in db.execute(others).yield_per(100):
            yield read.unsigned(db.get_one(Visit, visit_id))
            db.expunge_all()


# --- opening --------------------------------------------------------------------------------------


@contextmanager
def _reading(store: StoreAddress) -> Iterator[Session]:
    if store.folder is None:
        try:
            with verify.reading_only(Place(Path(), store.database)) as db:
                yield db
        except (ServiceError, DatabaseError) as wrong:
            says = wrong.orig if isinstance(wrong, DatabaseError) else wrong
            raise InputFileError(f"The database cannot be read: {says}") from wrong
        return
    database = _database(store.folder)
    engine = create_engine("sqlite://", creator=lambda: _connect(database))
    try:
        with Session(engine) as db:
            yield db
    finally:
        engine.dispose()


def _database(folder: Folder) -> Path:
    """The file to open: the store's own, or a copy's."""
    path = folder.local
    if path is not None and not _waits(folder) and _state(path / DATABASE) == newest_state():
        return path / DATABASE
    with _COPYING:
        stamps = tuple(folder.stamp(name) for name in (DATABASE, _LOG))
        return Path(_copied(folder, stamps).name) / DATABASE


def _waits(folder: Folder) -> bool:
    """Whether a log beside the database holds what is not in it yet."""
    stamp = folder.stamp(_LOG)
    return stamp is not None and not stamp.startswith("0,")


def _connect(database: Path) -> sqlite3.Connection:
    address = f"{database.absolute().as_uri()}?mode=ro&immutable=1"
    return sqlite3.connect(address, uri=True, check_same_thread=False)


def _state(database: Path) -> str | None:
    connection = _connect(database)
    try:
        row = connection.execute("SELECT version_num FROM alembic_version").fetchone()
        return row[0] if row else None
    except sqlite3.DatabaseError as wrong:
        raise InputFileError(
            f"{database} is no store that can be read ({wrong}). Restore a copy, and check that."
        ) from wrong
    finally:
        connection.close()


@lru_cache(_COPIES)
def _copied(folder: Folder, stamps: tuple[str | None, ...]) -> TemporaryDirectory[str]:
    """A copy of the database with its log, in today's tables; it goes when the process ends.

    Args:
        stamps: Of both files, beforehand.
    """
    temporary = TemporaryDirectory(prefix="plumbsight-")
    to = Path(temporary.name)
    for name, stamp in zip((DATABASE, _LOG), stamps, strict=True):
        if stamp is not None:
            folder.copy(name, to / name)
    if tuple(folder.stamp(name) for name in (DATABASE, _LOG)) != stamps:
        raise InputFileError(
            f"{folder} changes while it is read: the service is at work. Check a backup of it instead "
            "(plumbsight backup)."
        )
    engine = create_engine(f"sqlite:///{to / DATABASE}")
    try:
        migrate(engine)
        with engine.connect() as connection:
            connection.execute(text("PRAGMA wal_checkpoint(TRUNCATE)"))
    except (DatabaseError, ConflictError) as wrong:
        says = wrong.orig if isinstance(wrong, DatabaseError) else wrong
        raise InputFileError(f"{folder} is no store that can be read: {says}") from wrong
    finally:
        engine.dispose()
    return temporary


# --- chain ----------------------------------------------------------------------------------------


def _broken_links(db: Session) -> Mapping[tuple[str, int], tuple[Finding, ...]]:
    """What is wrong with each link's place in its chain, by store and place; bodies are for the workers.

    Where a link does not follow the one before, either may have been changed: both are named.
    """
    found: dict[tuple[str, int], list[Finding]] = {}
    for store_id in chain.store_ids(db):
        seen: list[Link] = []
        for fault in chain.faults(_links(db, store_id, seen), needs_bodies=False):
            says = f"In the chain of store {store_id[:8]}, entry {fault.seq}: {fault.says}."
            for link in _accused(*seen):
                found.setdefault((store_id, link.seq), []).append(Finding("record_broken", "", says))
    return {place: tuple(findings) for place, findings in found.items()}


def _accused(*links: Link) -> tuple[Link, ...]:
    """Of a link that is at fault and the one before it, those that may have been changed."""
    before, at_fault = links[0], links[-1]
    is_parted = before.seq + 1 == at_fault.seq and before.sha256 != at_fault.previous_sha256
    return (before, at_fault) if is_parted else (at_fault,)


def _links(db: Session, store_id: str, seen: list[Link]) -> Iterator[Link]:
    """A chain's links without bodies, the last two of them in `seen`."""
    columns = (Entry.seq, Entry.body_sha256, Entry.previous_sha256, Entry.sha256)
    rows = db.execute(select(*columns).where(Entry.store_id == store_id).order_by(Entry.seq))
    for seq, *hashes in rows.yield_per(1000):
        link = Link(store_id, seq, ELSEWHERE, None, "", None, *hashes)
        seen[:] = [*seen[-1:], link]
        yield link


# --- visits ---------------------------------------------------------------------------------------


class _StoreRead:
    """A store whose visits are put together one at a time."""

    def __init__(self, db: Session, photos: Folder, archive: str, prefix: str) -> None:
        self._db, self._files_of, self._archive, self._prefix = db, photos, archive, prefix
        self._hash_of = lru_cache(_SEVERAL)(self._hash)

    def signed(self, entry: Entry, broken: tuple[Finding, ...]) -> ArchivedSet:
        """A visit by its record."""
        findings = list(broken)
        visit = self._db.get(Visit, entry.visit_id)
        body = chain.as_stored(entry.body)
        if body is None:
            findings.append(_broken("The record's content is lost from the store."))
        elif hashlib.sha256(body).hexdigest() != entry.body_sha256:
            findings.append(_broken("The record's content was changed: its hash is not that of its link."))
        if visit is None:
            findings.append(_broken("The visit that the record tells of is lost from the tables."))
        link = {key: getattr(entry, key) for key in ("store_id", "seq", "kind", "visit_id", "at")}
        set_id = entry.visit_id or f"{entry.store_id}-{entry.seq}"
        if self._is_recorded_before(entry):
            findings.append(_broken("The visit is recorded a second time here: only the first one counts."))
            set_id += f"-{entry.seq}"
        return self._set(set_id, self._visit(entry.visit_id or "", visit, body or b"", link), findings)

    def unsigned(self, visit: Visit) -> ArchivedSet:
        """A visit as its tables tell it."""
        is_lost = visit.signed_at is not None
        findings = [_broken("The visit is signed, but its record is lost.")] if is_lost else []
        body = chain.canonical(facts(self._db, visit))
        return self._set(visit.id, self._visit(visit.id, visit, body, None), findings)

    def _set(self, set_id: str, visit: StoredVisit, findings: list[Finding]) -> ArchivedSet:
        photos = [
            (number, name, place.file, place.state, place.stamp)
            for (number, name), place in sorted(visit.photos.items())
        ]
        told = [[one.kind, one.says] for one in findings]
        now = [sorted(visit.files_now.items()), sorted(visit.newest.items())]
        fingerprint = fingerprint_of(hashlib.sha256(visit.body).hexdigest(), photos, told, now)
        return ArchivedSet(
            self._archive, f"{self._prefix}{set_id}", fingerprint, tuple(findings), visit=visit
        )

    def _visit(
        self, visit_id: str, visit: Visit | None, body: bytes, link: Mapping[str, Any] | None
    ) -> StoredVisit:
        files = dict(self._files(visit)) if visit is not None else {}
        newest = {}
        if visit is not None:
            latest = select(func.max(KitRevision.revision)).where(KitRevision.kit_id == visit.kit_id)
            newest = {visit.kit_id: self._db.scalar(latest) or 0}
        return StoredVisit(body, link, dict(self._photos(visit_id)), files, newest)

    def _is_recorded_before(self, entry: Entry) -> bool:
        same = (Entry.visit_id == entry.visit_id, Entry.kind == RECORD_KIND)
        places = self._db.execute(select(Entry.store_id, Entry.seq).where(*same))
        return min(map(tuple, places)) < (entry.store_id, entry.seq)

    def _files(self, visit: Visit) -> Iterator[tuple[tuple[str, int], str]]:
        """The kit and the placements that the visit's tables name."""
        yield (visit.kit_id, visit.kit_revision), self._hash_of(KitRevision, visit.kit_id, visit.kit_revision)
        for one in self._db.scalars(select(VisitPlacement).where(VisitPlacement.visit_id == visit.id)):
            place = (one.placement_id, one.revision)
            yield place, self._hash_of(PlacementRevision, *place)

    def _hash(self, table: type[Any], own_id: str, revision: int) -> str:
        row = self._db.get(table, (own_id, revision))
        return fingerprint_of(row.file) if row is not None else ""

    def _photos(self, visit_id: str) -> Iterator[tuple[tuple[int, str], PhotoPlace]]:
        rows = self._db.execute(
            select(Round.number, Arrival.name, PhotoFile.sha256, PhotoFile.removed_at)
            .join(Round, Round.id == Arrival.round_id)
            .join(PhotoFile, PhotoFile.sha256 == Arrival.sha256)
            .where(Arrival.visit_id == visit_id)
        )
        for number, name, sha256, removed_at in rows:
            folder = self._files_of.under(sha256[:2])
            is_removed = removed_at is not None and self._is_removed(sha256)
            stamp = folder.stamp(sha256)
            state = "removed" if is_removed else "missing" if stamp is None else "there"
            yield (number, name), PhotoPlace(folder, sha256, state, stamp)  # type: ignore[arg-type]

    def _is_removed(self, sha256: str) -> bool:
        """Whether an entry says that the photo was removed: it stands with a visit that had the photo."""
        visits = select(Arrival.visit_id).where(Arrival.sha256 == sha256)
        bodies = select(Entry.body).where(Entry.kind == REMOVAL_KIND, Entry.visit_id.in_(visits))
        return any(body is not None and sha256.encode() in body for body in self._db.scalars(bodies))


def _broken(says: str) -> Finding:
    return Finding("record_broken", "", says)
