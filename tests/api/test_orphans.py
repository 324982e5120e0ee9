"""Photo files that no row names are deleted when they are old, and nothing else is."""

import os
import time

import pytest
from sqlalchemy import select
from starlette.testclient import TestClient

from api.photos import intake, orphans, photofiles
from api.problems import ConflictError
from api.tables import PhotoFile
from tests.api.signed import photo_bytes

OLD = "0" * 64


@pytest.fixture
def store(signed):
    return signed.store


def _put(store, sha256, age_s=0.0):
    path = photofiles.incoming(store)
    path.write_bytes(photo_bytes("left behind", "a kill"))
    os.utime(path, (time.time() - age_s,) * 2)
    photofiles.files_at(store.place).put(path, sha256)


def test_an_old_file_without_a_row_goes_at_the_next_start_and_a_young_one_stays(store, app):
    with store.reading() as db:
        named = set(db.scalars(select(PhotoFile.sha256)))
    for sha256 in named:
        os.utime(photofiles.local(store.folder, sha256), (0, 0))
    young = "1" * 64
    _put(store, OLD, age_s=orphans.SAFE_AGE_S + 60)
    _put(store, young, age_s=orphans.SAFE_AGE_S - 60)
    with TestClient(app):
        pass
    left = {sha256 for sha256, _ in photofiles.files_at(store.place).stored()}
    assert left == named | {young}


def test_nothing_is_swept_where_all_is_named(store):
    assert orphans.sweep(store) == 0


def test_a_photo_whose_file_is_swept_while_it_is_stored_is_not_acknowledged(store, bay, app, monkeypatch):
    """Worse than can be: the file goes between its place and its row. Nothing of the photo stays."""
    one = bay.open(bay.begin())
    sha256 = "2" * 64
    facts = intake.Received(sha256, 3, "jpeg", (40, 30), {}, None, (), ())

    class Desk:
        def receive(self, path, clean_path, *_):
            clean_path.write_bytes(b"abc")
            return facts

        def wake(self):
            pass

    class Service:
        pass

    service = Service()
    service.store, service.jobs = store, Desk()
    sent = intake.Sent(photofiles.incoming(store), "3" * 64)
    placed = intake.tray.place_on_arrival
    monkeypatch.setattr(
        intake.tray,
        "place_on_arrival",
        lambda *args: (photofiles.remove(store, sha256), placed(*args))[1],
    )
    with pytest.raises(ConflictError, match="Send it again"):
        intake.take_in(service, bay.caller, one.id, "key-12345", "p.jpg", sent)
    with store.reading() as db:
        assert db.get(PhotoFile, sha256) is None
