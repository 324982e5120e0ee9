"""Photos coming in: acknowledged only when stored, stored once, refused in words, and nothing left behind."""

import asyncio
import errno
import hashlib
import io
import os
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image
from sqlalchemy import func, select
from sqlalchemy.exc import OperationalError

from api.context import Caller, Service
from api.photos import intake, photofiles, receiving
from api.problems import (
    ConflictError,
    NoRoomError,
    NotAcceptedError,
    NotThereError,
    TooLargeError,
)
from api.store import Store, now
from api.tables import Arrival, PhotoFile, Round
from api.visits.studies import StudySaid
from tests.api.conftest import Bay
from tests.api.test_metadata import exif_with_place
from vision.errors import PhotoError


class DeskHere:
    """The desk's work done in this process; what it is asked for is the same."""

    def receive(self, *args: Any) -> receiving.Received:
        return receiving.receive(*args)

    def wake(self) -> None:
        pass


@pytest.fixture
def service(store: Store, service_settings) -> Service:
    settings = replace(service_settings, reserve_bytes=0)
    return Service(settings, store, DeskHere(), None)  # type: ignore[arg-type]


@pytest.fixture
def open_round(bay: Bay) -> Round:
    return bay.open(bay.begin())


def photo(seed: int = 1, **more: Any) -> bytes:
    """A JPEG of 2 megapixels, unlike that of another seed."""
    rng = np.random.default_rng(seed)
    grey = cv2.resize(rng.integers(0, 255, (30, 40), np.uint8), (1700, 1275))
    out = io.BytesIO()
    Image.fromarray(grey).save(out, "JPEG", **more)
    return out.getvalue()


async def _chunks(data: bytes, breaks: Exception | None = None) -> AsyncIterator[bytes]:
    for at in range(0, len(data), 10_000):
        yield data[at : at + 10_000]
    if breaks is not None:
        raise breaks


def send(
    service: Service,
    caller: Caller,
    round_id: str,
    data: bytes,
    *,
    key: str = "key-00000001",
    name: str = "IMG_1.jpg",
    breaks: Exception | None = None,
) -> intake.Taken:
    """What the route does with a body."""

    async def run() -> intake.Taken:
        with service.store.reading() as db:
            before = intake.check_first(db, service, round_id, key, len(data))
        if before is not None:
            return before
        async with intake.received(service, _chunks(data, breaks)) as sent:
            return intake.take_in(service, caller, round_id, key, name, sent)

    return asyncio.run(run())


def rows(store: Store) -> list[Arrival]:
    with store.reading() as db:
        return list(db.scalars(select(Arrival).order_by(Arrival.seq)))


def left_behind(store: Store) -> list[Path]:
    folder = store.folder / photofiles.INCOMING
    return list(folder.iterdir()) if folder.is_dir() else []


def stored_files(store: Store) -> list[str]:
    return [sha256 for sha256, _ in photofiles.files_at(store.place).stored()]


def stored_bytes(store: Store, sha256: str) -> bytes:
    return photofiles.read(photofiles.files_at(store.place), sha256)


def test_a_photo_is_stored_by_the_hash_of_what_is_stored(service, technician, open_round):
    data = photo(exif=exif_with_place())
    taken = send(service, technician, open_round.id, data)
    (arrival,) = rows(service.store)
    assert taken == intake.Taken(arrival.id, is_new=True)
    on_disk = stored_bytes(service.store, arrival.sha256)
    assert hashlib.sha256(on_disk).hexdigest() == arrival.sha256
    with service.store.reading() as db:
        file = db.get_one(PhotoFile, arrival.sha256)
    assert file.came_as_sha256 == hashlib.sha256(data).hexdigest() != arrival.sha256
    assert file.taken_out == ["place (GPS)"] and file.size_px == [1700, 1275] and file.kind == "jpeg"
    assert not left_behind(service.store)


def test_a_photo_without_a_place_is_stored_as_it_came(service, technician, open_round):
    data = photo()
    send(service, technician, open_round.id, data)
    assert rows(service.store)[0].sha256 == hashlib.sha256(data).hexdigest()


def test_the_same_request_again_gives_the_same_photo(service, technician, open_round):
    first = send(service, technician, open_round.id, photo())
    # A phone may code the same picture anew for each try.
    again = send(service, technician, open_round.id, photo(2))
    assert again == intake.Taken(first.arrival_id, is_new=False) and len(rows(service.store)) == 1


def test_the_same_bytes_under_another_key_are_one_photo(service, technician, open_round):
    data = photo(exif=exif_with_place())
    first = send(service, technician, open_round.id, data)
    again = send(service, technician, open_round.id, data, key="key-00000002", name="copy.jpg")
    cleaned = stored_bytes(service.store, rows(service.store)[0].sha256)
    third = send(service, technician, open_round.id, cleaned, key="key-00000003")
    assert {again.arrival_id, third.arrival_id} == {first.arrival_id}
    assert len(rows(service.store)) == len(stored_files(service.store)) == 1


def test_two_requests_at_once_leave_one_photo(service, technician, open_round):
    data = photo()

    async def both() -> list[intake.Taken]:
        async with (
            intake.received(service, _chunks(data)) as one,
            intake.received(service, _chunks(data)) as other,
        ):
            args = (service, technician, open_round.id)
            return list(
                await asyncio.gather(
                    asyncio.to_thread(intake.take_in, *args, "key-00000001", "a.jpg", one),
                    asyncio.to_thread(intake.take_in, *args, "key-00000002", "b.jpg", other),
                )
            )

    taken = asyncio.run(both())
    assert sorted(t.is_new for t in taken) == [False, True] and len({t.arrival_id for t in taken}) == 1
    assert len(rows(service.store)) == len(stored_files(service.store)) == 1 and not left_behind(
        service.store
    )


def test_photos_of_one_name_get_names_of_their_own(service, technician, open_round):
    for k in range(3):
        send(service, technician, open_round.id, photo(k), key=f"key-0000000{k}", name="IMG_1.JPG")
    assert [a.name for a in rows(service.store)] == ["IMG_1.JPG", "IMG_1 (2).JPG", "IMG_1 (3).JPG"]


@pytest.mark.parametrize(
    ("sent", "kept"),
    [
        ("../../etc/passwd", "passwd.jpg"),
        ("C:\\photos\\a.heic", "a.heic"),
        ("..", "photo.jpg"),
        ("", "photo.jpg"),
        ("image", "image.jpg"),
        ("a\x00b\n.png", "a_b_.png"),
        ("x" * 300 + ".jpg", "x" * 100 + ".jpg"),
    ],
)
def test_a_name_is_made_fit_for_a_folder(service, technician, open_round, sent, kept):
    send(service, technician, open_round.id, photo(), name=sent)
    assert rows(service.store)[0].name == kept


def nothing_is_there(store: Store) -> bool:
    with store.reading() as db:
        n_files = db.scalar(select(func.count()).select_from(PhotoFile))
    return not rows(store) and not n_files and not left_behind(store)


def test_a_broken_off_body_leaves_nothing(service, technician, open_round):
    with pytest.raises(ConnectionError):
        send(service, technician, open_round.id, photo(), breaks=ConnectionError("gone"))
    assert nothing_is_there(service.store) and not stored_files(service.store)


def test_too_large_a_body_leaves_nothing_even_if_it_hid_its_length(service, technician, open_round):
    small = replace(service, settings=replace(service.settings, most_upload_bytes=50_000))

    async def run() -> None:
        async with intake.received(small, _chunks(photo())):
            pass

    with pytest.raises(TooLargeError, match="at most"):
        asyncio.run(run())
    with pytest.raises(TooLargeError):
        send(small, technician, open_round.id, photo())
    assert nothing_is_there(service.store)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"not a photo at all", "not a photo"),
        (b"II*\0" + bytes(50), "raw file"),
        (photo()[:30_000], "end of the file is missing"),
    ],
)
def test_what_is_no_photo_is_refused_in_words(service, technician, open_round, data, words):
    with pytest.raises(PhotoError, match=words):
        send(service, technician, open_round.id, data)
    assert nothing_is_there(service.store)


def test_an_empty_body_is_refused(service, technician, open_round):
    with pytest.raises(NotAcceptedError, match="empty"):
        send(service, technician, open_round.id, b"")
    assert nothing_is_there(service.store)


def full(*_: Any, **__: Any) -> Any:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def database_full(*_: Any, **__: Any) -> Any:
    raise OperationalError("INSERT", {}, Exception("database or disk is full"))


@pytest.mark.parametrize(
    ("owner", "function", "fails"),
    [
        (intake, "_flush", full),
        (receiving, "receive", full),
        (None, "put", full),  # of wherever this store keeps its photos
        (intake, "_add", database_full),
    ],
)
def test_a_full_disk_acknowledges_nothing_and_keeps_nothing_that_counts(
    service, technician, open_round, monkeypatch, owner, function, fails
):
    monkeypatch.setattr(owner or type(photofiles.files_at(service.store.place)), function, fails)
    with pytest.raises((OSError, OperationalError)):
        send(service, technician, open_round.id, photo())
    assert nothing_is_there(service.store)
    monkeypatch.undo()
    assert send(service, technician, open_round.id, photo()).is_new


def test_no_photo_is_taken_in_while_records_need_the_room(service, technician, open_round):
    careful = replace(service, settings=replace(service.settings, reserve_bytes=1 << 60))
    with pytest.raises(NoRoomError):
        send(careful, technician, open_round.id, photo())


def test_a_round_takes_no_more_photos_than_its_limit(service, technician, open_round, monkeypatch):
    monkeypatch.setattr(intake, "MOST_IN_ROUND", 2)
    for k in range(2):
        send(service, technician, open_round.id, photo(k), key=f"key-0000000{k}")
    with pytest.raises(ConflictError, match="takes no more"):
        send(service, technician, open_round.id, photo(3), key="key-00000003")


def test_a_late_photo_waits_in_the_tray(service, technician, bay, open_round):
    bay.close(open_round)
    send(service, technician, open_round.id, photo())
    (arrival,) = rows(service.store)
    assert arrival.round_id is None and "after round 1 was closed" in arrival.tray_reason


def test_a_signed_visit_takes_nothing(service, technician, open_round, sign: Callable):
    sign(type("V", (), {"id": open_round.visit_id}))
    with pytest.raises(ConflictError, match="signed"):
        send(service, technician, open_round.id, photo())
    assert nothing_is_there(service.store)


def test_in_a_study_a_round_takes_the_photos_of_whoever_opened_it(service, bay, reviewer):
    one = bay.open(bay.begin(study=StudySaid("people", "near", ["person"])), "repeat")
    with pytest.raises(ConflictError, match="is taken by T. Example. Close it"):
        send(service, reviewer, one.id, photo())
    assert nothing_is_there(service.store)
    assert send(service, bay.caller, one.id, photo()).is_new


def test_an_unknown_round_and_a_wrong_key_are_refused(service, technician, open_round):
    with pytest.raises(NotThereError):
        send(service, technician, "0" * 32, photo())
    with pytest.raises(NotAcceptedError, match="X-Photo-Key"):
        send(service, technician, open_round.id, photo(), key="a b")


def test_a_photo_removed_by_order_does_not_come_back(service, technician, open_round, bay):
    send(service, technician, open_round.id, photo())
    sha256 = rows(service.store)[0].sha256
    with service.store.writing() as db:
        db.get_one(PhotoFile, sha256).removed_at = now()
    photofiles.remove(service.store, sha256)
    bay.close(open_round)
    second = bay.open(bay.begin())
    with pytest.raises(ConflictError, match="removed by order"):
        send(service, technician, second.id, photo(), key="key-00000002")
    assert not stored_files(service.store)


def test_what_was_not_acknowledged_is_dropped_at_the_next_start(store):
    photofiles.incoming(store).write_bytes(b"half a photo")
    photofiles.empty_incoming(store)
    assert not left_behind(store)
