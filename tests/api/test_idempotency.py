"""A request that is sent again is done once, also by two threads at one time."""

import threading
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import func, select

from api import idempotency
from api.idempotency import REPLAYED
from api.tables import Answered, Visit


@pytest.fixture
def body(kit, placement, vehicle_json):
    return {
        "vehicle": vehicle_json,
        "kit_id": kit.kit_id,
        "placement_ids": [placement.placement_id],
        "confirmed": False,
    }


def n_visits(store) -> int:
    with store.reading() as db:
        return db.scalar(select(func.count()).select_from(Visit))


def begin(http, body, key="k1"):
    return http.post("/api/visits", json=body, headers={"Idempotency-Key": key} if key else {})


def test_sent_again_it_is_done_once_and_answered_the_same(client, store, body):
    http = client("technician")
    first, again = begin(http, body), begin(http, body)
    assert first.status_code == again.status_code == 201
    assert first.json() == again.json()
    assert REPLAYED not in first.headers and again.headers[REPLAYED] == "true"
    assert n_visits(store) == 1


def test_without_a_key_each_request_counts(client, store, body):
    http = client("technician")
    assert [begin(http, body, key=None).json()["number"] for _ in range(2)] == [1, 2]


def test_a_key_with_another_request_is_refused_in_words(client, store, body):
    http = client("reviewer")
    begin(http, body)
    for other in (
        begin(http, body | {"bay": "bay 2"}),
        http.post("/api/demo", headers={"Idempotency-Key": "k1"}),
        http.post("/api/visits?x=1", json=body, headers={"Idempotency-Key": "k1"}),
    ):
        assert other.status_code == 422
        assert other.headers["content-type"] == "application/problem+json"
        assert "This idempotency key was used for another request" in other.json()["detail"]
        assert other.json()["errors"][0]["where"] == "Idempotency-Key"
    assert n_visits(store) == 1


def test_a_key_is_one_persons(client, store, body):
    assert begin(client("technician"), body).status_code == 201
    assert begin(client("reviewer"), body).status_code == 201
    assert n_visits(store) == 2


def test_a_refused_request_may_be_sent_again_under_its_key(client, store, body):
    http = client("technician")
    wrong = body | {"vehicle": {"label": "estate"}}
    assert [begin(http, wrong).status_code for _ in range(2)] == [422, 422]
    assert begin(http, body).status_code == 201


@pytest.mark.parametrize("key", ["", "x" * 201])
def test_a_key_has_a_length(client, body, key):
    answer = client("technician").post("/api/visits", json=body, headers={"Idempotency-Key": key})
    assert answer.status_code == 422 and "idempotency-key" in answer.json()["detail"]


def test_eight_at_once_under_one_key_do_it_once(client, store, body):
    https = client("technician")
    gate, answers = threading.Barrier(8), []

    def send():
        gate.wait()
        answers.append(begin(https, body))

    threads = [threading.Thread(target=send) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert {answer.status_code for answer in answers} == {201}
    assert len({answer.json()["id"] for answer in answers}) == 1
    assert sum(REPLAYED in answer.headers for answer in answers) == 7
    assert n_visits(store) == 1


def test_answers_are_forgotten_after_some_days(client, store, body, monkeypatch):
    http = client("technician")
    begin(http, body, "old")
    later = (datetime.now(UTC) + idempotency.KEPT + timedelta(minutes=1)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    monkeypatch.setattr("api.idempotency.now", lambda: later)
    begin(http, body, "new")
    with store.reading() as db:
        assert list(db.scalars(select(Answered.key))) == ["new"]
