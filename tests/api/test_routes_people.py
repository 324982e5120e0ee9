"""Pairing and people, over the service."""

import pytest
from starlette.testclient import TestClient

from api.access import pairing, people

PIN = "2580"


@pytest.fixture
def first_code(store) -> str:
    with store.writing() as db:
        return pairing.make(db).text


def _pair(device: TestClient, code: str, **answers: str) -> dict:
    answer = device.post("/api/pair", json={"code": code} | answers)
    assert answer.status_code == 201, answer.text
    device.headers["X-Form-Token"] = answer.json()["form_token"]
    return answer.json()


def test_from_the_first_scan_to_a_second_persons_phone(client, first_code):
    owner = client(None)
    assert owner.post("/api/pair/look", json={"code": first_code}).json()["asks"] == ["name", "new_pin"]
    assert _pair(owner, first_code, name="A. Example", pin=PIN)["person"]["role"] == "owner"
    assert owner.get("/api/me").json()["person"]["name"] == "A. Example"

    added = owner.post("/api/people", json={"name": "B. Example", "role": "technician"})
    assert added.status_code == 201
    code = owner.post(f"/api/people/{added.json()['id']}/pairing", json={}).json()
    assert all(link["url"].endswith(f"/pair#{code['code']}") for link in code["links"])

    phone = client(None)
    asked = phone.post("/api/pair/look", json={"code": code["code"]}).json()
    assert (asked["asks"], asked["name"]) == (["new_pin"], "B. Example")
    _pair(phone, code["code"], pin="2591")
    assert phone.get("/api/me").json()["person"]["role"] == "technician"
    assert phone.post("/api/people", json={"name": "C", "role": "owner"}).status_code == 403

    assert {one["person"]["name"] for one in owner.get("/api/sessions").json()} == {
        "A. Example",
        "B. Example",
    }
    (own,) = phone.get("/api/sessions").json()
    assert own["is_this"]
    assert owner.post(f"/api/sessions/{own['session_id']}/withdraw").status_code == 204
    assert phone.get("/api/me").status_code == 401


def test_the_cookie_is_for_this_site_alone_and_out_of_scripts_reach(client, first_code):
    answer = client(None).post("/api/pair", json={"code": first_code, "name": "A. Example", "pin": PIN})
    words = {word.strip().lower() for word in answer.headers["set-cookie"].split(";")[1:]}
    assert {"httponly", "samesite=strict", "path=/"} <= words
    assert "secure" not in words  # over plain HTTP a browser would drop it
    assert not [word for word in words if word.startswith("domain")]


def test_a_withdrawn_person_loses_every_device(client, store, technician):
    phone, tablet, owner = client("technician"), client("technician"), client("owner")
    assert owner.post(f"/api/people/{technician.person_id}/withdraw").status_code == 200
    assert [phone.get("/api/me").status_code, tablet.get("/api/me").status_code] == [401, 401]


def test_a_role_that_was_lowered_counts_at_once(client, caller):
    reviewer, owner = client("reviewer"), client("owner")
    path = f"/api/people/{caller('reviewer').person_id}/role"
    assert owner.put(path, json={"role": "technician"}).json()["role"] == "technician"
    assert reviewer.get("/api/me").json()["person"]["role"] == "technician"


def test_one_makes_a_code_for_oneself_and_for_nobody_else(client, technician, reviewer):
    phone = client("technician")
    assert phone.post(f"/api/people/{technician.person_id}/pairing", json={}).status_code == 201
    assert phone.post(f"/api/people/{reviewer.person_id}/pairing", json={}).status_code == 403
    body = {"forgot_pin": True, "pin": PIN}
    assert phone.post(f"/api/people/{technician.person_id}/pairing", json=body).status_code == 403


def test_a_code_for_a_forgotten_pin_takes_the_owners_own_pin(client, store, caller, technician):
    owner = client("owner")
    with store.writing() as db:
        people.set_pin(db, caller("owner").person_id, people.hash_pin(PIN))
    path = f"/api/people/{technician.person_id}/pairing"
    assert owner.post(path, json={"forgot_pin": True}).status_code == 403
    assert owner.post(path, json={"forgot_pin": True, "pin": PIN}).status_code == 201


def test_a_pin_is_changed_by_whoever_knows_it(client, store, technician):
    with store.writing() as db:
        people.set_pin(db, technician.person_id, people.hash_pin(PIN))
    phone = client("technician")
    assert phone.put("/api/me/pin", json={"old_pin": "2581", "new_pin": "2591"}).status_code == 403
    assert phone.put("/api/me/pin", json={"old_pin": PIN, "new_pin": "2591"}).status_code == 200
    people.check_pin(store, technician.person_id, "2591")


def test_a_person_added_twice_by_one_key_is_there_once(client):
    owner = client("owner")
    sent = [
        owner.post(
            "/api/people",
            json={"name": "B. Example", "role": "technician"},
            headers={"Idempotency-Key": "one"},
        )
        for _ in range(2)
    ]
    assert [one.status_code for one in sent] == [201, 201]
    assert sent[0].json() == sent[1].json()
    assert len([one for one in owner.get("/api/people").json() if one["name"] == "B. Example"]) == 1


def test_an_answer_tells_no_pin_hash_or_secret(client):
    owner = client("owner")
    for path in ("/api/people", "/api/me", "/api/sessions"):
        text = owner.get(path).text
        assert "argon2" not in text
        assert "hash" not in text
        assert owner.cookies["plumbsight_session"] not in text
