"""Visits from another store's export: verified, then taken in, once, with their chain.

All that is taken in is covered by a hash of the chain: rows are made from the records, photos are compared
with them. The other files of the zip are for people and are not read. First the photo files, then everything
else in one transaction.
"""

import json
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from zipfile import ZipFile

from pydantic import ValidationError
from sqlalchemy.exc import DataError, IntegrityError
from sqlalchemy.orm import Session

from api.context import Caller
from api.photos import orphans, photofiles
from api.problems import ConflictError, NoRoomError, NotAcceptedError, TooLargeError
from api.records import chain, removal, zips
from api.records.chain import ELSEWHERE, Json, Link
from api.records.import_rows import add_visit
from api.records.removal import REMOVAL_KIND
from api.records.signing import RECORD_KIND
from api.records.verify import IMPORT_KIND, short
from api.store import Store, tell
from api.tables import Entry, PhotoFile, Visit
from calib_data.photoset import PHOTO_ENDINGS
from calib_data.reading import check, parse_json
from calib_data.record import ENTRIES, IMPORT, ChainFile, ImportFile
from vision.errors import InputFileError

MOST_BYTES = 20_000_000_000
_MOST_JSON = 1_000_000_000  # held in memory
_NO_ROOM = "The zip and its photos have no room on this disk. Free some space, then try again."
_AGAIN = "Export the visit again where it was signed, and take that file."


@dataclass(frozen=True)
class Brought:
    """The chains that a zip holds, after each entry was checked.

    Attributes:
        chains: By store, all links in order; those that came with their content have it.
        shops: By store, what the shop is called.
    """

    chains: Mapping[str, tuple[Link, ...]]
    shops: Mapping[str, str]

    def bodies(self, kind: str) -> Iterator[Json]:
        """What each entry of a kind says, one at a time: they are large."""
        for links in self.chains.values():
            yield from (json.loads(link.body) for link in links if link.body and link.kind == kind)

    def photos(self) -> set[str]:
        """Hashes of all photos that the records tell of."""
        return {photo["sha256"] for record in self.bodies(RECORD_KIND) for photo in record["photos"]}

    def removed(self) -> set[str]:
        """Hashes of the photos that an entry says were removed."""
        return {photo["sha256"] for body in self.bodies(REMOVAL_KIND) for photo in body["photos"]}


@dataclass(frozen=True)
class ImportedVisit:
    """A visit that the zip holds; one that is not new was here before, and stays as it is."""

    id: str
    number: int
    label: str
    shop: str
    is_new: bool


@dataclass(frozen=True)
class Imported:
    """What the zip brought.

    Attributes:
        visits: All that it holds.
        n_entries, n_photos: How many entries with content, and photo files, were new.
        n_removed: How many photos of the zip were left out, since they were removed by order.
    """

    visits: tuple[ImportedVisit, ...]
    n_entries: int
    n_photos: int
    n_removed: int

    @property
    def visit_ids(self) -> tuple[str, ...]:
        """The visits that were new."""
        return tuple(one.id for one in self.visits if one.is_new)


def take_in(store: Store, caller: Caller | None, path: Path, most_bytes: int = MOST_BYTES) -> Imported:
    """Verify an exported zip and take in what is new of it. Sent again, it changes nothing.

    Args:
        caller: Who brings it; None: whoever holds the store, on its command line.

    Raises:
        NotAcceptedError, TooLargeError: It is no export, or something in it was changed; nothing is taken in.
        ConflictError: Its chain and the one known here have parted.
        NoRoomError: The disk is full.
    """
    kept: dict[str, Path] = {}
    try:
        with zips.opened(path, most_bytes) as file:
            brought = _entries(file)
            _copy_photos(store, file, brought.photos(), kept)
            _check_records(brought, kept.keys())
            with store.reading() as db:
                _check_chains(db, store.id, brought)
            gone = _gone(store, kept.keys(), brought.removed())
            n_photos = _keep_files(store, kept, gone)
            with store.writing() as db:
                visits, n_entries = _add(db, store, caller, brought)
            for sha256 in kept.keys() - gone:
                orphans.check_there(store, sha256)
    except (IntegrityError, DataError) as wrong:
        raise ConflictError(
            "Something in the zip carries the id of something else here, names what it does not bring, or is "
            "larger than can be kept. Nothing was taken in."
        ) from wrong
    finally:
        for left in kept.values():
            left.unlink(missing_ok=True)
    removal.sweep(store, gone)
    return Imported(visits, n_entries, n_photos, len(kept.keys() & gone))


def check_room(store: Store, n_bytes: int, reserve_bytes: int) -> None:
    """Whether a zip of this size, and what is unpacked of it, have room beside what must stay free.

    Raises:
        NoRoomError: They have not.
    """
    if photofiles.free_bytes(store) - 2 * n_bytes < reserve_bytes:
        raise NoRoomError(_NO_ROOM)


# --- reading --------------------------------------------------------------------------------------


def _entries(file: ZipFile) -> Brought:
    chains: dict[str, tuple[Link, ...]] = {}
    shops: dict[str, str] = {}
    names = [name for name in zips.sizes(file) if _is_chain(name)]
    if not names:
        raise NotAcceptedError(f"The zip has no chain.json: it is no export of a visit. {_AGAIN}")
    if sum(size for name, size in zips.sizes(file).items() if name.endswith(".json")) > _MOST_JSON:
        raise TooLargeError("The zip holds more records than can be taken in at once. Export fewer visits.")
    for name in names:
        told = _chain_file(zips.read_small(file, name), name)
        if told.store_id in chains:
            raise NotAcceptedError(f"The zip tells the chain of store {short(told.store_id)} twice. {_AGAIN}")
        links = tuple(_links(file, told))
        _check_links(links, told)
        chains[told.store_id], shops[told.store_id] = links, told.shop
    return Brought(chains, shops)


def _is_chain(name: str) -> bool:
    return "/" not in name and name.startswith("chain") and name.endswith(".json")


def _chain_file(data: bytes, name: str) -> ChainFile:
    try:
        value = parse_json(data, name, InputFileError, zips.MOST_JSON_BYTES)
        return check(ChainFile, value, name, InputFileError)[0]
    except InputFileError as wrong:
        raise NotAcceptedError(f"{wrong} {_AGAIN}") from wrong


def _links(file: ZipFile, told: ChainFile) -> Iterator[Link]:
    previous = chain.START
    for one in told.links:
        data = zips.read_small(file, one.file) if one.file else None
        kind, visit_id, at = ELSEWHERE, None, ""
        if data is not None:
            place = _body(data, one.file or "")["chain"]
            kind, visit_id, at = place["kind"], place["visit_id"], place["at"]
        hashes = (one.body_sha256, previous, one.sha256)
        yield Link(told.store_id, one.seq, kind, visit_id, at, data, *hashes)
        previous = one.sha256


def _body(data: bytes, name: str) -> Json:
    """What an entry says, held to the format of its kind."""
    try:
        value = parse_json(data, name, InputFileError, zips.MOST_JSON_BYTES)
    except InputFileError as wrong:
        raise NotAcceptedError(f"{wrong} {_AGAIN}") from wrong
    kind = value.get("chain", {}).get("kind") if isinstance(value, dict) else None
    model = ENTRIES.get(kind) if isinstance(kind, str) else None
    if model is None:
        raise NotAcceptedError(f"{name} is no entry of a chain that this version knows. {_AGAIN}")
    try:
        model.model_validate(value)
    except ValidationError as wrong:
        first = wrong.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"]))
        raise NotAcceptedError(f"{name}: {where}: {first['msg']}. {_AGAIN}") from wrong
    if chain.canonical(value) != data:
        raise NotAcceptedError(
            f"{name} is not written as entries are: it was saved by another program. {_AGAIN}"
        )
    return value


def _check_links(links: Sequence[Link], told: ChainFile) -> None:
    fault = next(chain.faults(links, needs_bodies=False), None)
    if fault is not None:
        raise NotAcceptedError(
            f"The chain of store {short(told.store_id)} does not hold at entry {fault.seq}: {fault.says}. "
            f"Nothing was taken in. {_AGAIN}"
        )
    if chain.code(links[-1].sha256) != told.head:
        raise NotAcceptedError(f"The chain's head is not that of its last entry: it was cut. {_AGAIN}")


# --- photos ---------------------------------------------------------------------------------------


def _copy_photos(store: Store, file: ZipFile, known: Set[str], kept: dict[str, Path]) -> None:
    """Put each photo of the zip into a temporary file, by its hash in `kept`; every one must be a record's.

    Raises:
        NotAcceptedError: A photo is none that the records know: it was changed.
        NoRoomError: They would fill the disk.
    """
    photos = {name: n for name, n in zips.sizes(file).items() if name.lower().endswith(PHOTO_ENDINGS)}
    if sum(photos.values()) > photofiles.free_bytes(store):
        raise NoRoomError(_NO_ROOM)
    for name in photos:
        temporary = photofiles.incoming(store)
        kept[temporary.name] = temporary  # until its hash is known
        with open(temporary, "xb") as out:
            sha256 = zips.copy_hashed(file, name, out)
            out.flush()
            os.fsync(out.fileno())
        if sha256 not in known:
            raise NotAcceptedError(
                f"{name} is not the photo that the record tells of: it was changed. {_AGAIN}"
            )
        del kept[temporary.name]
        if sha256 in kept:
            temporary.unlink()
        kept.setdefault(sha256, temporary)


def _check_records(brought: Brought, there: Set[str]) -> None:
    """Whether each record is whole, and holds together with its entry and its photos."""
    gone = brought.removed()
    for record in brought.bodies(RECORD_KIND):
        visit, place = record["visit"], record["chain"]
        what = f"Visit {visit['number']} in the zip"
        if (visit["store_id"], visit["id"]) != (place["store_id"], place["visit_id"]):
            raise NotAcceptedError(f"{what} says that it is of another store than its entry. {_AGAIN}")
        numbers = [one["number"] for one in record["rounds"]]
        named = {p["round"] for p in record["photos"]} | {p["sent_to_round"] for p in record["photos"]}
        if len(set(numbers)) < len(numbers) or named - {*numbers, None}:
            raise NotAcceptedError(f"{what} has photos of rounds that it does not have. {_AGAIN}")
        for photo in record["photos"]:
            if photo["sha256"] not in there and photo["sha256"] not in gone:
                raise NotAcceptedError(
                    f"{what} lacks the photo {photo['name']}, and no entry says that it was removed. {_AGAIN}"
                )


def _gone(store: Store, brought: Set[str], removed: Set[str]) -> Set[str]:
    """Photos that were removed by order, here or where they come from: they are not taken in again."""
    with store.reading() as db:
        rows = [db.get(PhotoFile, sha256) for sha256 in brought]
        return removed | {row.sha256 for row in rows if row is not None and row.removed_at}


def _keep_files(store: Store, brought: Mapping[str, Path], gone: Set[str]) -> int:
    """Give the files their places; how many were new."""
    files, new = photofiles.files_at(store.place), 0
    for sha256, temporary in brought.items():
        if sha256 not in gone and not files.has(sha256):
            files.put(temporary, sha256)
            new += 1
    return new


# --- taking in ------------------------------------------------------------------------------------


def _check_chains(db: Session, own_id: str, brought: Brought) -> None:
    """What is known of these chains must be the beginning, or the whole, of what comes, or the reverse."""
    for store_id, links in brought.chains.items():
        for link in links:
            row = db.get(Entry, (store_id, link.seq))
            if row is not None and row.sha256 != link.sha256:
                raise ConflictError(
                    f"The chain of store {short(store_id)} in the zip and the one known here part at entry "
                    f"{link.seq}. One of them was changed, or its store was restored from an older copy and "
                    "went on. Nothing was taken in: compare both with the printed heads."
                )
            if row is None and store_id == own_id:
                raise ConflictError(
                    f"Entry {link.seq} of this very store comes back in the zip, but is no longer here: this "
                    "store was restored from an older copy, or its chain was cut. Nothing was taken in."
                )


def _add(
    db: Session, store: Store, caller: Caller | None, brought: Brought
) -> tuple[tuple[ImportedVisit, ...], int]:
    """Write what is new; the zip's visits, and how many entries with content were new."""
    _check_chains(db, store.id, brought)
    new: dict[str, dict[int, str]] = {}
    for store_id, links in brought.chains.items():
        for link in links:
            if _add_link(db, link) and link.body is not None:
                new.setdefault(store_id, {})[link.seq] = link.sha256
    visits, taken = [], dict[str, list[str]]()
    for record in brought.bodies(RECORD_KIND):
        visit = record["visit"]
        is_new = db.get(Visit, visit["id"]) is None
        if is_new:
            add_visit(db, record)
            taken.setdefault(visit["store_id"], []).append(visit["id"])
            tell(db, visit["id"], "imported")
        told = visit["id"], visit["number"], visit["vehicle"].get("label", ""), record["shop"]["name"]
        visits.append(ImportedVisit(*told, is_new))
    _mark_removed(db, brought)
    for store_id, entries in new.items():
        _add_import(db, store.id, caller, brought, store_id, entries, taken.get(store_id, []))
    return tuple(visits), sum(map(len, new.values()))


def _add_link(db: Session, link: Link) -> bool:
    """Add a link, or the content of one that was known without; whether that was new."""
    row = db.get(Entry, (link.store_id, link.seq))
    columns: dict[str, Any] = {**vars(link)}
    if row is None:
        db.add(Entry(**columns))
        db.flush()
        return True
    if row.body is not None or link.body is None:
        return False
    row.kind, row.visit_id, row.at, row.body = link.kind, link.visit_id, link.at, link.body
    return True


def _mark_removed(db: Session, brought: Brought) -> None:
    for body in brought.bodies(REMOVAL_KIND):
        for photo in body["photos"]:
            row = db.get(PhotoFile, photo["sha256"])
            if row is not None and row.removed_at is None:
                row.removed_at = body["chain"]["at"]


def _add_import(
    db: Session,
    own_id: str,
    caller: Caller | None,
    brought: Brought,
    store_id: str,
    entries: Mapping[int, str],
    visit_ids: Iterable[str],
) -> None:
    links = brought.chains[store_id]
    body = {
        "format": IMPORT,
        "from_store": store_id,
        "from_shop": brought.shops[store_id],
        "head": links[-1].sha256,
        "n_links": len(links),
        "entries": {str(seq): sha256 for seq, sha256 in sorted(entries.items())},
        "visits": list(visit_ids),
        "by": caller.person_id if caller else None,
        "name": caller.name if caller else "on the store's command line",
    }
    entry = chain.append(db, own_id, IMPORT_KIND, None, body)
    ImportFile.model_validate(chain.body_of(entry))
