"""Every error that the service answers with, and how: problem details (RFC 9457), one table.

ServiceError
├── NotSignedInError        401  this device is not paired, or its session was withdrawn
├── NotAllowedError         403  the role does not suffice, or the request came from elsewhere
├── NotThereError           404
├── ConflictError           409  things stand otherwise than the request takes them to stand
├── TooLargeError           413
├── NotAcceptedError        422  what was sent is wrong; `where` names the field
│   └── DoubtError          422  what was sent may be meant otherwise; sent again as confirmed, it is taken
├── TooOftenError           429
├── AwayError               503  database or photo store cannot be reached for now
└── NoRoomError             507  the disk is full

Errors of the measuring core (vision.errors) are 422: they speak of the person's photos, kits and numbers.
Whatever else goes wrong is a defect: 500, with a number to find it in the log, and nothing of the inside.
"""

import errno
import logging
import secrets
from collections.abc import Sequence
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from sqlalchemy.exc import DataError, OperationalError
from starlette.exceptions import HTTPException

from api.figures import SHOWN_HEADER, Figures, shown_in
from vision.errors import PlumbsightError

log = logging.getLogger("plumbsight")

MEDIA_TYPE = "application/problem+json"


class ServiceError(Exception):
    """An error in a person's words: what is wrong, what to do next.

    Attributes:
        where: The field of the request that is wrong, dotted; empty where none is.
    """

    status = 500
    kind = "defect"

    def __init__(self, says: str, where: str = "") -> None:
        super().__init__(says)
        self.where = where


class NotSignedInError(ServiceError):
    status, kind = 401, "not-signed-in"


class NotAllowedError(ServiceError):
    status, kind = 403, "not-allowed"


class NotThereError(ServiceError):
    status, kind = 404, "not-there"


class ConflictError(ServiceError):
    status, kind = 409, "conflict"


class TooLargeError(ServiceError):
    status, kind = 413, "too-large"


class NotAcceptedError(ServiceError):
    status, kind = 422, "not-accepted"


class DoubtError(NotAcceptedError):
    """What was sent may be meant otherwise.

    Attributes:
        doubts: (field, what is doubtful) of each.
    """

    kind = "doubt"

    def __init__(self, doubts: Sequence[tuple[str, str]]) -> None:
        lines = "\n".join(f"{where} {says}".strip() for where, says in doubts)
        super().__init__(f"{lines}\nLook again. If it is meant so, confirm it.")
        self.doubts = tuple(doubts)


class TooOftenError(ServiceError):
    status, kind = 429, "too-often"


class AwayError(ServiceError):
    status, kind = 503, "away"


class NoRoomError(ServiceError):
    status, kind = 507, "no-room"


TITLES = {
    "not-signed-in": "This device is not signed in",
    "not-allowed": "This is not allowed",
    "not-there": "This is not there",
    "doubt": "Is it meant so?",
    "conflict": "Things stand otherwise",
    "too-large": "This is too large",
    "not-accepted": "Something sent is wrong",
    "too-often": "Too many attempts",
    "away": "The store cannot be reached",
    "no-room": "The disk is full",
    "defect": "A defect of plumbsight",
}
_ERRORS: tuple[type[ServiceError], ...] = (
    NotSignedInError,
    NotAllowedError,
    NotThereError,
    ConflictError,
    TooLargeError,
    NotAcceptedError,
    TooOftenError,
    AwayError,
    NoRoomError,
)
_FULL = {errno.ENOSPC, errno.EDQUOT}
_FULL_SAYS = ("disk is full", "No space left on device")  # SQLite; the system, through PostgreSQL
_KIND_OF_STATUS = {404: "not-there", 401: "not-signed-in", 403: "not-allowed", 413: "too-large"}


_EXAMPLES = {
    401: "This device is not paired. Ask an owner for a pairing code.",
    403: "Only an owner or a reviewer may do this. Ask one of them.",
    404: "There is no such visit. Open it from the list of visits.",
    409: "Visit 12 is signed, so nothing in it can be changed. Begin a new visit.",
    413: "The photo has 300 MB, more than is taken in.",
    422: "The wheelbase is missing. Enter millimetres, e.g. 2712.",
    429: "Too many attempts. Wait a minute and try again.",
    503: "The database cannot be reached. Nothing was stored of this. Try again in a moment.",
    507: "The disk is full. Nothing was stored.",
}


# RFC 9457; `errors` names fields where some are wrong.
_TEXT = {"type": "string"}
_FIELD_PROBLEM = {
    "type": "object",
    "properties": {"where": _TEXT, "says": _TEXT},
    "required": ["where", "says"],
}
_SCHEMA = {
    "type": "object",
    "properties": {
        "type": _TEXT,
        "title": _TEXT,
        "status": {"type": "integer"},
        "detail": _TEXT,
        "errors": {"type": "array", "items": _FIELD_PROBLEM},
    },
    "required": ["type", "title", "status", "detail"],
}


def documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """A route's `responses`: the problems that it may answer with."""
    made: dict[int | str, dict[str, Any]] = {}
    for status in statuses:
        kind = next(one.kind for one in _ERRORS if one.status == status)
        example = {
            "type": f"urn:plumbsight:problem:{kind}",
            "title": TITLES[kind],
            "status": status,
            "detail": _EXAMPLES[status],
        }
        content = {MEDIA_TYPE: {"schema": _SCHEMA, "example": example}}
        made[status] = {"description": TITLES[kind], "content": content}
    return made


def problem(status: int, kind: str, says: str, **more: Any) -> JSONResponse:
    """Problem details; `more` are extension members."""
    body = {"type": f"urn:plumbsight:problem:{kind}", "title": TITLES[kind], "status": status, "detail": says}
    return JSONResponse({**body, **more}, status, media_type=MEDIA_TYPE)


def answer_problems(app: FastAPI) -> None:
    """Let the app answer every error with problem details."""
    app.add_exception_handler(ServiceError, _service_error)
    app.add_exception_handler(PlumbsightError, _core_error)
    app.add_exception_handler(RequestValidationError, _wrong_request)
    app.add_exception_handler(HTTPException, answer_http_error)
    app.add_exception_handler(OperationalError, _store_error)
    app.add_exception_handler(DataError, _not_storable)
    app.add_exception_handler(OSError, _store_error)
    app.add_exception_handler(Exception, answer_defect)


def _service_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, ServiceError)
    return answer_error(error, _figures(request))


def _figures(request: Request) -> Figures:
    """How the page that sent this shows numbers: what a person typed there is told back like that."""
    return shown_in(request.headers.get(SHOWN_HEADER, ""))


def answer_error(error: ServiceError, figures: Figures = Figures()) -> Response:  # noqa: B008 (frozen)
    """The answer to an error that was foreseen."""
    said = [(error.where, str(error))] if error.where else []
    told = getattr(error, "doubts", said)
    errors = [{"where": where, "says": figures.words(says)} for where, says in told]
    more = {"errors": errors} if errors else {}
    return problem(error.status, error.kind, figures.words(str(error)), **more)


def _core_error(request: Request, error: Exception) -> Response:
    wrong, figures = getattr(error, "problems", ()), _figures(request)
    errors = [{"where": where, "says": figures.words(says)} for where, says in wrong if where]
    says = figures.words(str(error))
    return problem(422, "not-accepted", says, **({"errors": errors} if errors else {}))


def _wrong_request(_: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    errors = [{"where": ".".join(map(str, e["loc"][1:])), "says": e["msg"]} for e in error.errors()]
    says = "; ".join(f"{e['where'] or 'the request'}: {e['says']}" for e in errors)
    return problem(422, "not-accepted", says, errors=errors)


def answer_http_error(_: Request, error: Exception) -> Response:
    """The answer to what the web framework itself refuses."""
    assert isinstance(error, HTTPException)
    if error.status_code == 400:  # how the framework says that a body is not even text
        return problem(422, "not-accepted", "What was sent cannot be read as JSON. Nothing was changed.")
    kind = _KIND_OF_STATUS.get(error.status_code, "not-accepted" if error.status_code < 500 else "defect")
    response = problem(error.status_code, kind, str(error.detail))
    response.headers.update(error.headers or {})
    return response


def _store_error(request: Request, error: Exception) -> Response:
    """A full disk, as the database or the system tells it, is no defect, nor a database that is away."""
    is_full = any(says in str(error) for says in _FULL_SAYS) or getattr(error, "errno", None) in _FULL
    if not is_full and isinstance(error, OperationalError) and is_away(error):
        log.error("the database is away at %s %s: %s", request.method, request.url.path, error.orig)
        return answer_error(AwayError(_EXAMPLES[503]))
    if not is_full:
        return answer_defect(request, error)
    log.error("no room at %s %s", request.method, request.url.path)
    return answer_error(NoRoomError("The disk is full. Nothing was stored of this. Make room and try again."))


def is_away(error: OperationalError) -> bool:
    """Whether the database's server went away, or was not there; SQLite has none."""
    sqlstate = getattr(error.orig, "sqlstate", "none")  # psycopg: none where no server answered
    return error.connection_invalidated or sqlstate is None or str(sqlstate).startswith(("08", "57P"))


def _not_storable(request: Request, error: Exception) -> Response:
    """What PostgreSQL cannot keep, and SQLite would: a character of no text, too long a text or number."""
    log.warning("not storable at %s %s: %s", request.method, request.url.path, error)
    return problem(
        422,
        "not-accepted",
        "Something sent is too long, or holds a character that no text has. Nothing was changed.",
    )


def answer_defect(request: Request, error: Exception) -> Response:
    """The answer to an error that was not foreseen; the log has what is behind its number."""
    number = secrets.token_hex(4)
    log.error("defect %s at %s %s", number, request.method, request.url.path, exc_info=error)
    return problem(
        500, "defect", f"Nothing was changed by this. Tell whoever keeps the service: defect {number}."
    )
