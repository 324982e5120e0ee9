"""Photos coming in: bytes -> a stored file and its row. Acknowledged only when both are on the disk.

A body goes to a temporary file, is checked and cleaned at the desk, gets its place by its hash, and then
its row. Whatever fails on the way leaves nothing that counts, and is said.
"""

import contextlib
import hashlib
import re
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath
from typing import BinaryIO

from sqlalchemy import func, select
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool

from api.access.shop import shop
from api.context import Caller, Service
from api.photos import orphans, photofiles
from api.photos.receiving import Received
from api.problems import ConflictError, NoRoomError, NotAcceptedError, TooLargeError, TooOftenError
from api.store import Store, new_id, now, tell
from api.tables import Arrival, PhotoFile, Round
from api.visits import rounds, studies, tray, visit_rows
from api.visits.revisions import name_of
from calib_data.photoset import PHOTO_ENDINGS

# A round of 8 to 12 photos is usual; common practice, no source.
MOST_IN_ROUND = 60
# Photos that wait for a worker: about ten minutes of work. More is a mistake, or an attack.
MOST_WAITING = 1000
MOST_NAME = 100
_BUFFER_BYTES = 1 << 20
_KEY = re.compile(r"[A-Za-z0-9_-]{8,64}")


@dataclass(frozen=True)
class Sent:
    """A body that has arrived whole."""

    path: Path
    sha256: str


@dataclass(frozen=True)
class Taken:
    """A photo that is stored.

    Attributes:
        is_new: False where the same photo was in the round before, or the same request was sent again.
    """

    arrival_id: str
    is_new: bool


def check_first(db: Session, service: Service, round_id: str, key: str, n_bytes: int | None) -> Taken | None:
    """What can be said before the body comes: the photo that this key brought before, or a refusal.

    Raises:
        NotThereError, ConflictError, NotAcceptedError, TooLargeError, TooOftenError, NoRoomError
    """
    if not _KEY.fullmatch(key):
        raise NotAcceptedError("X-Photo-Key must be 8 to 64 letters, figures, - or _.", "X-Photo-Key")
    one = rounds.get(db, round_id)
    before = _with_key(db, one.visit_id, key)
    if before is not None:
        return Taken(before.id, is_new=False)
    visit_rows.still_open(db, one.visit_id)
    if n_bytes is not None and n_bytes > service.settings.most_upload_bytes:
        raise _too_large(service)
    _check_queues(db, round_id)
    if photofiles.free_bytes(service.store) - (n_bytes or 0) < service.settings.reserve_bytes:
        raise _no_room()
    return None


def _check_queues(db: Session, round_id: str) -> None:
    sent = db.scalar(select(func.count()).where(Arrival.sent_to_round_id == round_id)) or 0
    if sent >= MOST_IN_ROUND:
        raise ConflictError(
            f"This round has {sent} photos, and takes no more: eight to twelve are usual. Close it, or open "
            "the next round."
        )
    waiting = db.scalar(select(func.count()).where(Arrival.state == "waiting")) or 0
    if waiting >= MOST_WAITING:
        raise TooOftenError(f"{waiting} photos wait to be looked at. Send this one again in some minutes.")


@contextlib.asynccontextmanager
async def received(service: Service, body: AsyncIterator[bytes]) -> AsyncIterator[Sent]:
    """The body in a temporary file, which is gone afterwards, whatever happens.

    Raises:
        TooLargeError, OSError: Too large, or the disk is full. Nothing is kept.
    """
    path = photofiles.incoming(service.store)
    try:
        yield Sent(path, await _write(service, body, path))
    finally:
        path.unlink(missing_ok=True)


async def _write(service: Service, body: AsyncIterator[bytes], path: Path) -> str:
    running, n_bytes, buffer = hashlib.sha256(), 0, bytearray()
    with open(path, "xb") as out:
        async for chunk in body:
            n_bytes += len(chunk)
            if n_bytes > service.settings.most_upload_bytes:
                raise _too_large(service)
            buffer += chunk
            if len(buffer) >= _BUFFER_BYTES:
                await run_in_threadpool(_flush, out, running, buffer)
        await run_in_threadpool(_flush, out, running, buffer)
    if not n_bytes:
        raise NotAcceptedError("The photo is empty: it has not one byte. Send it again from the gallery.")
    return running.hexdigest()


def _flush(out: BinaryIO, running, buffer: bytearray) -> None:  # type: ignore[no-untyped-def]
    running.update(buffer)
    out.write(buffer)
    buffer.clear()


def take_in(service: Service, caller: Caller, round_id: str, key: str, name: str, sent: Sent) -> Taken:
    """Check, clean and store a photo that has arrived, and give it its place in round or tray.

    Raises:
        PhotoError, NotAcceptedError: It is no photo that can be measured.
        ConflictError: The visit is signed, the photo was removed by order, or a round of a study is somebody
            else's.
        OSError, OperationalError: The disk is full; nothing counts as stored.
    """
    store = service.store
    with store.reading() as db:
        one = rounds.get(db, round_id)
        before = _same_bytes(db, round_id, sent.sha256)
        if before is not None:
            return Taken(before.id, is_new=False)
        _check_taker(db, caller, one)
        name = _name_in_visit(db, one.visit_id, name)
        keeps_place = shop(db).keeps_place
    clean_path = photofiles.incoming(store)
    try:
        facts = service.jobs.receive(sent.path, clean_path, name, keeps_place)
        _keep_file(store, clean_path, facts.sha256)
        with store.writing() as db:
            taken = _add(db, caller, round_id, key, name, sent, facts)
            orphans.check_there(store, facts.sha256)
    finally:
        clean_path.unlink(missing_ok=True)
    service.jobs.wake()
    return taken


def _check_taker(db: Session, caller: Caller, one: Round) -> None:
    """In a study a round is one person's, or it would say nothing of how people differ."""
    if one.opened_by != caller.person_id and studies.is_one(db, one.visit_id):
        raise ConflictError(
            f"Round {one.number} of this study is taken by {name_of(db, one.opened_by)}. Close it, and open "
            "a round of your own."
        )


def _keep_file(store: Store, clean_path: Path, sha256: str) -> None:
    with store.reading() as db:
        file = db.get(PhotoFile, sha256)
        if file is not None and file.removed_at is not None:
            raise ConflictError("This photo was removed by order, and is not taken in again.")
    photofiles.files_at(store.place).put(clean_path, sha256)


def _add(
    db: Session, caller: Caller, round_id: str, key: str, name: str, sent: Sent, facts: Received
) -> Taken:
    one = rounds.get(db, round_id)
    # Two phones, or one request twice, may have come this far together.
    before = _with_key(db, one.visit_id, key) or _same_bytes(db, round_id, facts.sha256)
    if before is not None:
        return Taken(before.id, is_new=False)
    _check_queues(db, round_id)
    if db.get(PhotoFile, facts.sha256) is None:
        db.add(_file(sent, facts))
    placing = tray.place_on_arrival(
        db, tray.ArrivalFacts(one.visit_id, round_id, facts.sha256, sent.sha256, facts.taken)
    )
    arrival = Arrival(
        id=new_id(),
        seq=(db.scalar(select(func.max(Arrival.seq))) or 0) + 1,
        visit_id=one.visit_id,
        round_id=placing.round_id,
        sent_to_round_id=round_id,
        sha256=facts.sha256,
        name=_name_in_visit(db, one.visit_id, name),
        client_key=key,
        by=caller.person_id,
        at=now(),
        tray_reason=placing.tray_reason,
        state="waiting",
        remarks=[*facts.remarks, *placing.remarks],
    )
    db.add(arrival)
    tell(db, one.visit_id, "photos")
    return Taken(arrival.id, is_new=True)


def _file(sent: Sent, facts: Received) -> PhotoFile:
    return PhotoFile(
        sha256=facts.sha256,
        came_as_sha256=sent.sha256,
        taken_out=list(facts.taken_out),
        n_bytes=facts.n_bytes,
        kind=facts.kind,
        size_px=list(facts.size_px),
        exif=facts.exif,
        stored_at=now(),
    )


def _with_key(db: Session, visit_id: str, key: str) -> Arrival | None:
    return db.scalar(select(Arrival).where(Arrival.visit_id == visit_id, Arrival.client_key == key))


def _same_bytes(db: Session, round_id: str, sha256: str) -> Arrival | None:
    """The photo of this round that came, or is stored, as the same bytes."""
    query = (
        select(Arrival)
        .join(PhotoFile, PhotoFile.sha256 == Arrival.sha256)
        .where(Arrival.sent_to_round_id == round_id)
        .where((PhotoFile.sha256 == sha256) | (PhotoFile.came_as_sha256 == sha256))
    )
    return db.scalar(query.order_by(Arrival.seq).limit(1))


def _name_in_visit(db: Session, visit_id: str, name: str) -> str:
    """The name as the phone calls it, fit for a folder, and unlike the visit's other photos'."""
    stem, ending = _fit_for_a_folder(name)
    taken = set(db.scalars(select(Arrival.name).where(Arrival.visit_id == visit_id)))
    return next(c for c in _candidates(stem, ending) if c.casefold() not in {t.casefold() for t in taken})


def _candidates(stem: str, ending: str) -> Iterator[str]:
    yield stem + ending
    for n in range(2, MOST_WAITING * MOST_IN_ROUND):
        yield f"{stem} ({n}){ending}"


def _fit_for_a_folder(name: str) -> tuple[str, str]:
    last = PureWindowsPath(name).name  # knows "/", "\\" and drive letters
    kept = "".join(c if c.isprintable() and c not in '<>:"|?*' else "_" for c in last).strip(" .")
    stem, dot, ending = kept.rpartition(".")
    if not dot or f".{ending.lower()}" not in PHOTO_ENDINGS:
        stem, ending = kept, "jpg"
    return (stem.strip(" .") or "photo")[:MOST_NAME], f".{ending}"


def _no_room() -> NoRoomError:
    return NoRoomError(
        "The service's disk is nearly full, so this photo was not stored. Free some space there, then send "
        "it again; what was stored is safe."
    )


def _too_large(service: Service) -> TooLargeError:
    most = service.settings.most_upload_bytes // 1_000_000
    return TooLargeError(f"A photo may have at most {most} MB. Take it at the phone's ordinary size.")
