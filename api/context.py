"""What every route may ask for: the running service, and who is calling."""

from dataclasses import dataclass
from typing import Annotated, Literal

from fastapi import Depends, Request

from api.photos.jobs import Jobs
from api.photos.outlooks import Outlooks
from api.settings import Settings
from api.store import Store

Role = Literal["technician", "reviewer", "owner"]


@dataclass(frozen=True)
class Service:
    """The running service."""

    settings: Settings
    store: Store
    jobs: Jobs
    outlooks: Outlooks


@dataclass(frozen=True)
class Caller:
    """Who is calling, from which paired device."""

    person_id: str
    name: str
    role: Role
    session_id: str


def service_of(request: Request) -> Service:
    """The service that answers this request."""
    return request.app.state.service


TheService = Annotated[Service, Depends(service_of)]
