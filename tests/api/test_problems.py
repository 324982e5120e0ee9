"""Every error is answered with problem details; a full disk is no defect."""

import errno

import pytest
from fastapi import FastAPI
from sqlalchemy.exc import OperationalError
from starlette.testclient import TestClient

from api import problems
from api.problems import MEDIA_TYPE, TITLES, NotAcceptedError, ServiceError, answer_problems
from vision.errors import PlacementError


def _answer_to(error: Exception, headers: dict[str, str] | None = None):
    app = FastAPI()
    answer_problems(app)

    @app.get("/")
    def fails() -> None:
        raise error

    return TestClient(app, raise_server_exceptions=False).get("/", headers=headers)


def test_a_page_in_inches_is_told_its_own_figures():
    says = "is 3.5 mm: it is short (allowed: 500 mm to 10000 mm). Enter e.g. 2712 mm, at -1 degrees."
    for error in (NotAcceptedError(says), PlacementError(says, [(("values",), says)])):
        told = _answer_to(error, {"X-Shown-In": "in_comma"}).json()
        assert told["detail"].startswith("is 0,138\N{NO-BREAK SPACE}in: it is short (allowed: 19,69")
        assert "mm" not in told["detail"] and "at \N{MINUS SIGN}1 degrees" in told["detail"]
        assert all("mm" not in one["says"] for one in told.get("errors", ()))
        assert "3.5 mm" in _answer_to(error).json()["detail"]


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
