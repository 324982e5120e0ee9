"""What is a fleet's store's own: a server that goes away, a second service, what PostgreSQL cannot keep.

The service's other tests run on such a store as well (ON_THE_FLEET of conftest.py).
"""

import hashlib
import io
import shutil
from dataclasses import replace

import pytest
from sqlalchemy import select
from starlette.testclient import TestClient

from api.alone import as_the_only_service
from api.app import create_app
from api.photos import orphans, photofiles
from api.place import Place
from api.problems import AwayError, ConflictError
from api.records import imports, verify
from api.records.exports import write_visits
from api.store import open_store
from api.tables import Entry, PhotoFile
from tests.api import fleet
from tests.api.signed import sign_two
from tests.api.test_photos_whole_way import demo_photo

pytestmark = pytest.mark.fleet


@pytest.fixture
def place(servers, tmp_path):
    return servers.new_place(tmp_path / "store")


@pytest.fixture
def store(place):
    opened = open_store(place)
    yield opened
    opened.close()


def _send(phone, one, key="key-00000001"):
    headers = {"X-Photo-Key": key, "X-Photo-Name": "p01.jpg"}
    return phone.post(f"/api/rounds/{one.id}/photos", content=demo_photo("p01.jpg"), headers=headers)


# --- the database ---------------------------------------------------------------------------------


def test_a_second_service_on_a_database_is_refused_in_words(service_settings, store, monkeypatch, tmp_path):
    """From another machine, so from another folder."""
    monkeypatch.setattr("api.databases._SERVICE_LOCK_SECONDS", 0.5)
    with (
        as_the_only_service(store),
        pytest.raises(ConflictError, match="Another service runs on this database"),
        TestClient(create_app(replace(service_settings, folder=tmp_path / "elsewhere"))),
    ):
        pass


def test_a_service_that_ended_leaves_the_database_to_the_next(service_settings, store):
    for _ in range(2):
        with TestClient(create_app(service_settings)):
            pass


@pytest.mark.parametrize("name", ["a\x00b", "x" * 300])
def test_what_the_database_cannot_keep_is_refused_in_words(client, name):
    answer = client("owner").post("/api/people", json={"name": name, "role": "technician"})
    assert answer.status_code == 422, answer.text


def test_an_address_with_a_character_of_no_text_is_no_defect(client):
    assert client("technician").get("/api/visits/a%00b").status_code in (404, 422)


def test_a_database_of_another_encoding_is_refused_in_words(servers, tmp_path):
    servers.database.ask(
        "CREATE DATABASE latin TEMPLATE template0 ENCODING LATIN1 LC_COLLATE 'C' LC_CTYPE 'C'"
    )
    with pytest.raises(ConflictError, match="UTF8"):
        open_store(Place(tmp_path, servers.database.url("latin")))


def test_while_the_database_is_away_a_phone_is_told_to_send_again_and_then_nothing_is_lost(tmp_path, request):
    """A server of its own, since it is killed."""
    if lacks := fleet.lacks():
        pytest.skip(lacks)
    photos = request.getfixturevalue("servers").photos.new_folder()
    with fleet.temporary_folder("postgres") as folder:
        server = fleet.PostgreSQL(folder)
        server.begin()
        store = open_store(Place(tmp_path / "store", server.new_database(), photos))
        signed = sign_two(store)
        server.stop()
        with pytest.raises(Exception, match="connection|terminat|closed"), store.reading() as db:
            db.scalars(select(Entry)).all()
        with pytest.raises(AwayError, match="cannot be reached"):
            open_store(store.place)
        server.start()
        with verify.reading_only(store.place) as db:
            assert verify.verify(db, store.place, signed.heads).is_sound
        with store.writing() as db:  # the open store goes on by itself
            assert db.scalar(select(Entry.seq).order_by(Entry.seq.desc())) == 2
        store.close()
        server.stop()


# --- the object store -----------------------------------------------------------------------------


def test_while_the_object_store_is_away_a_photo_is_not_acknowledged_and_comes_again(servers, client, bay):
    one = bay.open(bay.begin())
    phone = client("technician")
    servers.photos.stop()
    try:
        away = _send(phone, one)
    finally:
        servers.photos.start()
    assert away.status_code == 503 and "Try again" in away.json()["detail"]
    with bay.store.reading() as db:
        assert db.scalars(select(PhotoFile)).all() == []
    assert _send(phone, one).status_code == 201
    assert phone.post("/api/verify", json={"photos": True}).json()["photos"]["intact"] == 1


def test_an_altered_and_a_missing_photo_are_found(store):
    sign_two(store)
    files = photofiles.files_at(store.place)
    with store.reading() as db:
        altered, missing = db.scalars(select(PhotoFile.sha256).limit(2))
    with files._asked() as (bucket, root):
        bucket.pipe_file(f"{root}/{altered[:2]}/{altered}", b"another photo")
    files.remove(missing)
    with verify.reading_only(store.place) as db:
        found = verify.verify(db, store.place)
    assert (found.photos["altered"], found.photos["missing"], len(found.faults)) == (1, 1, 2)


def test_orphans_are_swept_there_too(store, monkeypatch):
    path, files = photofiles.incoming(store), photofiles.files_at(store.place)
    data = b"of a service that was killed"
    sha256 = hashlib.sha256(data).hexdigest()
    path.write_bytes(data)
    files.put(path, sha256)
    files.remove(sha256)  # leaves a folder that this object store goes on to list
    assert list(files.stored()) == [] and orphans.sweep(store) == 0
    path.write_bytes(data)
    files.put(path, sha256)
    sign_two(store)
    assert orphans.sweep(store) == 0  # too young
    monkeypatch.setattr(orphans, "SAFE_AGE_S", -60.0)
    assert orphans.sweep(store) == 1
    with verify.reading_only(store.place) as db:
        assert verify.verify(db, store.place).photos["intact"] == 14


# --- between kinds --------------------------------------------------------------------------------


def test_visits_travel_from_a_folder_to_the_fleets_store_and_on(store, tmp_path, blank_store):
    shutil.copytree(blank_store, tmp_path / "van")
    van = sign_two(open_store(tmp_path / "van"))
    path = tmp_path / "van.zip"
    with van.store.reading() as db, open(path, "wb") as out:
        write_visits(db, van.store, van.visit_ids, out)
    assert len(imports.take_in(store, None, path).visit_ids) == 2
    assert imports.take_in(store, None, path).visit_ids == ()
    with verify.reading_only(store.place) as db:
        found = verify.verify(db, store.place, van.heads)
    assert found.is_sound and found.photos["intact"] == 14
    onward = io.BytesIO()
    with store.reading() as db:
        write_visits(db, store, van.visit_ids, onward)
    path.write_bytes(onward.getvalue())
    third = open_store(tmp_path / "third")
    assert len(imports.take_in(third, None, path).visit_ids) == 2
    for one in (van.store, third):
        one.close()
