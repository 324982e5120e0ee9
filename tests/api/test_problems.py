"""Every error is answered with problem details; a full disk is no defect."""

import errno

import pytest
from fastapi import FastAPI
from sqlalchemy.exc import OperationalError
from starlette.testclient import TestClient

from api import problems
from api.problems import MEDIA_TYPE, TITLES, ServiceError, answer_problems


def _answer_to(error: Exception):
    app = FastAPI()
    answer_problems(app)

    @app.get("/")
    def fails() -> None:
        raise error

    return TestClient(app, raise_server_exceptions=False).get("/")


ERRORS = [one for one in vars(problems).values() if isinstance(one, type) and issubclass(one, ServiceError)]


@pytest.mark.parametrize("error", ERRORS, ids=lambda one: one.__name__)
def test_each_error_has_its_title_and_status(error: type[ServiceError]):
    made = error([("a", "b")]) if error is problems.DoubtError else error("What is wrong, and what to do.")
    answer = _answer_to(made)
    assert answer.headers["content-type"] == MEDIA_TYPE
    assert (answer.status_code, answer.json()["status"]) == (error.status, error.status)
    assert answer.json()["title"] == TITLES[error.kind]


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (OperationalError("insert", {}, Exception("database or disk is full")), 507),
        (OSError(errno.ENOSPC, "No space left on device", "/the/store/photos/ab"), 507),
        (OSError(errno.EACCES, "Permission denied", "/the/store/photos/ab"), 500),
        (OperationalError("insert", {}, Exception("no such table: /the/store")), 500),
        (RuntimeError("/the/store"), 500),
    ],
)
def test_a_full_disk_is_told_and_nothing_tells_where_the_store_lies(error: Exception, status: int):
    answer = _answer_to(error)
    assert answer.status_code == status
    assert answer.headers["content-type"] == MEDIA_TYPE
    assert "/the/store" not in answer.text


@pytest.mark.parametrize("body", [b"\xff\xfe", b"{", b"nonsense"])
def test_a_body_that_is_no_json_is_told(client, body: bytes):
    answer = client("owner").patch("/api/shop", content=body, headers={"Content-Type": "application/json"})
    assert (answer.status_code, answer.headers["content-type"]) == (422, MEDIA_TYPE)
