"""Mutations that may be sent again: a request with a key is done once, and then answered as it was.

The answer is kept in the transaction that did the work, so that neither stands without the other, and
requests with one key that come at once wait for each other at the store's write lock. Errors are not kept:
nothing was done, and the request may be sent again. As draft-ietf-httpapi-idempotency-key-header asks, a
key that comes with another request is refused.
"""

import hashlib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any

from fastapi import Depends, Header, Request
from fastapi.encoders import jsonable_encoder
from fastapi.responses import JSONResponse, Response
from sqlalchemy import delete
from sqlalchemy.orm import Session

from api.access.guard import Technician
from api.context import Service, TheService
from api.problems import NotAcceptedError
from api.store import now
from api.tables import Answered

HEADER = "Idempotency-Key"
REPLAYED = "Idempotency-Replayed"
MOST_KEY = 200  # characters, as the table keeps them
KEPT = timedelta(days=2)  # a phone that slept over night asks again; common practice, no source


class OnlyOnce:
    """One request's change of the store."""

    def __init__(self, service: Service, person_id: str, key: str | None, request_sha256: str) -> None:
        self._service = service
        self._person_id = person_id
        self._key = key
        self._request_sha256 = request_sha256

    def do(self, status: int, act: Callable[[Session], Any]) -> Response:
        """Run `act` in one transaction and answer with what it returns, or as it was answered before.

        Raises:
            NotAcceptedError: The key was used for another request.
        """
        with self._service.store.writing() as db:
            before = self._before(db)
            if before is not None:
                return JSONResponse(before.body, before.status, headers={REPLAYED: "true"})
            body = jsonable_encoder(act(db))
            self._keep(db, status, body)
        self._service.jobs.wake()
        return JSONResponse(body, status)

    def _before(self, db: Session) -> Answered | None:
        found = db.get(Answered, (self._person_id, self._key)) if self._key else None
        if found is not None and found.request_sha256 != self._request_sha256:
            raise NotAcceptedError(
                "This idempotency key was used for another request. Take a fresh key for each request, and "
                "the same one only to send the very same request again.",
                HEADER,
            )
        return found

    def _keep(self, db: Session, status: int, body: Any) -> None:
        if self._key is None:
            return
        row = Answered(
            person_id=self._person_id,
            key=self._key,
            request_sha256=self._request_sha256,
            status=status,
            body=body,
            at=now(),
        )
        db.add(row)
        oldest = (datetime.fromisoformat(row.at) - KEPT).astimezone(UTC)
        db.execute(delete(Answered).where(Answered.at < oldest.strftime("%Y-%m-%dT%H:%M:%S.%fZ")))


async def only_once(
    request: Request,
    service: TheService,
    caller: Technician,
    idempotency_key: Annotated[
        str | None,
        Header(
            min_length=1,
            max_length=MOST_KEY,
            description="The same key makes the same request harmless to send again.",
            examples=["b7f1c2d09e"],
        ),
    ] = None,
) -> OnlyOnce:
    """The dependency of every route that changes something."""
    what = f"{request.method} {request.url.path}?{request.url.query}\n".encode()
    request_sha256 = hashlib.sha256(what + await request.body()).hexdigest()
    return OnlyOnce(service, caller.person_id, idempotency_key, request_sha256)


Once = Annotated[OnlyOnce, Depends(only_once)]
