"""Routes of records: signing over the wire, the record's forms, removal, verifying, imports, roles."""

import hashlib
import io
import shutil
import zipfile

import pypdfium2
import pytest
from sqlalchemy import select
from starlette.testclient import TestClient

from api.access import people
from api.photos import photofiles
from api.records import chain, removal
from api.records.exports import write_visits
from api.store import open_store
from api.tables import Arrival, Entry
from tests.api.signed import PIN, add_visit, sign_two

WHY = "number plate of another car, asked for by its keeper"


@pytest.fixture
def store(signed):
    return signed.store


@pytest.fixture
def with_pin(store, caller):
    """`with_pin(role)`: that person has the PIN of these tests."""

    def of(role):
        who = caller(role)
        with store.writing() as db:
            people.set_pin(db, who.person_id, people.hash_pin(PIN))
        return who

    return of


def _problem(answer, status: int) -> str:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    return answer.json()["detail"]


def test_a_visit_is_signed_and_signed_again_is_answered_as_before(signed, store, client, with_pin):
    with_pin("technician")
    phone = client("technician")
    visit_id = add_visit(store, signed.kim)
    body = {"pin": PIN, "statement": "Floor was swept."}
    first = phone.post(f"/api/visits/{visit_id}/sign", json=body)
    assert first.status_code == 201 and first.json()["seq"] == 3
    assert phone.post(f"/api/visits/{visit_id}/sign", json=body).json() == first.json()
    with store.reading() as db:
        assert chain.head(db, store.id) == first.json()["head"]
    other = phone.post(f"/api/visits/{visit_id}/sign", json={**body, "statement": "Other."})
    assert "signed and closed" in _problem(other, 409)


def test_a_wrong_pin_and_a_stranger_sign_nothing(signed, store, client, with_pin):
    with_pin("technician")
    visit_id = add_visit(store, signed.kim)
    wrong = client("technician").post(f"/api/visits/{visit_id}/sign", json={"pin": "0815-board"})
    assert "PIN" in _problem(wrong, 403)
    _problem(client(None).post(f"/api/visits/{visit_id}/sign", json={"pin": PIN}), 401)
    with store.reading() as db:
        assert len(db.scalars(select(Entry)).all()) == 2


def test_no_hash_of_a_pin_stays_behind_but_the_slow_one(signed, store, client, with_pin):
    with_pin("technician")
    visit_id = add_visit(store, signed.kim)
    headers = {"Idempotency-Key": "a-key-of-mine"}
    client("technician").post(f"/api/visits/{visit_id}/sign", json={"pin": PIN}, headers=headers)
    data = b"".join(path.read_bytes() for path in store.folder.glob("plumbsight.sqlite*"))
    assert b"a-key-of-mine" not in data


def test_the_record_is_given_byte_for_byte(signed, store, client):
    answer = client("technician").get(f"/api/visits/{signed.visit_ids[0]}/record")
    with store.reading() as db:
        entry = db.get_one(Entry, (store.id, 1))
        assert hashlib.sha256(answer.content).hexdigest() == entry.body_sha256
    assert answer.headers["content-type"] == "application/json"


def test_the_pdf_is_the_record_or_before_signing_a_draft(signed, store, client):
    phone = client("technician")
    answer = phone.get(f"/api/visits/{signed.visit_ids[0]}/record.pdf?paper=Letter")
    assert answer.headers["content-type"] == "application/pdf"
    page = pypdfium2.PdfDocument(answer.content)[0]
    assert page.get_size() == (612, 792)
    assert signed.heads[0] in page.get_textpage().get_text_range()
    open_one = add_visit(store, signed.kim, left_mm=(0.0,))
    draft = pypdfium2.PdfDocument(phone.get(f"/api/visits/{open_one}/record.pdf").content)[0]
    assert "NOT SIGNED" in draft.get_textpage().get_text_range()
    assert "not signed" in _problem(phone.get(f"/api/visits/{open_one}/record"), 409)
    assert "not signed" in _problem(phone.get(f"/api/visits/{open_one}/export.zip"), 409)


def test_the_zip_comes_whole_and_leaves_nothing_behind(signed, store, client):
    answer = client("technician").get(f"/api/visits/{signed.visit_ids[0]}/export.zip")
    with zipfile.ZipFile(io.BytesIO(answer.content)) as file:
        assert file.testzip() is None and "record.json" in file.namelist()
    assert not list((store.folder / photofiles.INCOMING).glob("*"))


def test_what_is_not_there_is_said_to_be_missing(client, signed):
    phone = client("technician")
    for path in ("record.pdf", "export.zip", "record"):
        _problem(phone.get(f"/api/visits/{'0' * 32}/{path}"), 404)


def test_a_reviewer_removes_a_photo_and_a_technician_does_not(signed, store, client, with_pin):
    with store.reading() as db:
        photo = db.scalars(select(Arrival).order_by(Arrival.seq)).first()
    path, body = f"/api/photos/{photo.id}/removal", {"pin": PIN, "why": WHY}
    with_pin("technician")
    _problem(client("technician").post(path, json=body), 403)
    assert photofiles.local(store.folder, photo.sha256).exists()
    with_pin("reviewer")
    desk = client("reviewer")
    assert "why" in _problem(desk.post(path, json={**body, "why": " "}), 422)
    done = desk.post(path, json=body)
    assert done.status_code == 201
    assert desk.post(path, json=body).json() == done.json()
    assert not photofiles.local(store.folder, photo.sha256).exists()
    found = desk.post("/api/verify", json={"heads": [signed.heads[1]], "photos": True}).json()
    assert (found["faults"], found["photos"]["removed"], found["photos"]["missing"]) == ([], 1, 0)


def test_verify_tells_heads_that_are_there_from_those_that_are_not(signed, client):
    phone = client("technician")
    typed = signed.heads[0].lower().replace("-", " ")
    found = phone.post("/api/verify", json={"heads": [typed, "", chain.code("0" * 64)]}).json()
    assert [(head["seq"], head["n_after"]) for head in found["heads"]] == [(1, 1), (0, 0)]
    assert len(found["faults"]) == 1
    assert "mistyped" in _problem(phone.post("/api/verify", json={"heads": ["0" * 27 + "1"]}), 422)


def test_the_chains_heads_are_listed(signed, store, client):
    listed = client("technician").get("/api/chain").json()
    assert listed == [{"store_id": store.id, "is_own": True, "n_entries": 2, "head": signed.heads[1]}]


def test_retention_lists_and_removes_nothing(signed, store, client):
    answer = client("technician").get("/api/retention").json()
    assert answer == {"days": None, "visits": []}
    assert client("owner").patch("/api/shop", json={"retention_days": 1}).status_code == 200
    assert client("technician").get("/api/retention").json()["days"] == 1


def test_a_zip_from_the_van_is_taken_in_once(signed, client, tmp_path, blank_store):
    shutil.copytree(blank_store, tmp_path / "van")
    van = sign_two(open_store(tmp_path / "van"))
    data = io.BytesIO()
    with van.store.reading() as db:
        write_visits(db, van.store, van.visit_ids, data)
    van.store.close()
    headers = {"Content-Type": "application/zip"}
    _problem(client("technician").post("/api/imports", content=data.getvalue(), headers=headers), 403)
    desk = client("reviewer")
    first = desk.post("/api/imports", content=data.getvalue(), headers=headers)
    assert first.status_code == 201
    told = first.json()["visits"]
    assert [(one["id"], one["is_new"]) for one in told] == [(one, True) for one in van.visit_ids]
    assert {(one["number"], one["label"]) for one in told} == {(1, "estate, white"), (2, "estate, white")}
    again = desk.post("/api/imports", content=data.getvalue(), headers=headers).json()
    assert [one["is_new"] for one in again["visits"]] == [False, False] and again["n_entries"] == 0
    assert "no whole zip" in _problem(desk.post("/api/imports", content=b"other", headers=headers), 422)
    assert "empty" in _problem(desk.post("/api/imports", content=b"", headers=headers), 422)
    assert desk.post("/api/verify", json={"heads": list(van.heads)}).json()["faults"] == []
    assert client("technician").get(f"/visits/{van.visit_ids[0]}").status_code == 200


def test_a_photo_that_a_pulled_plug_left_is_deleted_at_the_next_start(signed, store, app):
    with store.writing() as db:
        photo = db.scalars(select(Arrival).order_by(Arrival.seq)).first()
        removal.write(db, store.id, signed.kim, [photo.id], WHY)
        sha256 = photo.sha256
    assert photofiles.local(store.folder, sha256).exists()
    with TestClient(app):
        assert not photofiles.local(store.folder, sha256).exists()
