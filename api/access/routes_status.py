"""Routes: whether a phone reaches the service, how the service is, and the shop's settings."""

from dataclasses import asdict
from datetime import UTC, datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from api.access import health, reach, shop
from api.access.guard import Owner, Technician, host_name, who
from api.context import TheService
from api.idempotency import Once

router = APIRouter(prefix="/api", tags=["the service"])

Name = Annotated[str, Field(max_length=200)]
HostName = Annotated[str, Field(max_length=253)]


class HelpAnswer(BaseModel):
    key: str
    sign: str
    remedy: str


class WayAnswer(BaseModel):
    url: str
    says: str


class ReachAnswer(BaseModel):
    """What the service sees of whoever asks."""

    device_address: str = Field(examples=["192.168.4.23"])
    called_as: str = Field(examples=["van.local"])
    is_this_machine: bool
    is_paired: bool
    is_encrypted: bool
    now: str
    clock_says: str = Field(description="What is wrong between both clocks; empty if they agree.")
    ways: list[WayAnswer]
    helps: list[HelpAnswer]


class RoomAnswer(BaseModel):
    free_bytes: int
    store_bytes: int
    bytes_per_working_day: int | None
    days_left: int | None = Field(description="Working days until the disk is full; null: no use yet.")
    says: str


class QueueAnswer(BaseModel):
    n_photos: int
    n_rounds: int


class VersionsAnswer(BaseModel):
    plumbsight: str
    python: str
    database: str
    tables: str
    system: str


class StatusAnswer(BaseModel):
    room: RoomAnswer
    queue: QueueAnswer
    clock_says: str
    versions: VersionsAnswer


class ShopAnswer(BaseModel):
    name: str
    zone: str = Field(examples=["Europe/Vienna"])
    paper: Literal["A4", "Letter"]
    units: Literal["mm", "in"]
    decimal_mark: Literal[".", ","]
    retention_days: int | None
    proof_months: int | None
    keeps_place: bool
    bays: list[str]
    extra_hosts: list[str]


class ShopBody(BaseModel):
    """The settings to change; what is left out stays."""

    model_config = ConfigDict(extra="forbid")

    name: Name = ""
    zone: Name = "UTC"
    paper: Literal["A4", "Letter"] = "A4"
    units: Literal["mm", "in"] = "mm"
    decimal_mark: Literal[".", ","] = "."
    retention_days: Annotated[int, Field(ge=1, le=36_500)] | None = None
    proof_months: Annotated[int, Field(ge=1, le=120)] | None = 12
    keeps_place: bool = False
    bays: tuple[Name, ...] = Field((), max_length=100)
    extra_hosts: tuple[HostName, ...] = Field((), max_length=20)


_STATUS, _SHOP = TypeAdapter(StatusAnswer), TypeAdapter(ShopAnswer)


@router.get("/reach")
def can_reach(
    request: Request,
    service: TheService,
    device_time_ms: Annotated[
        int | None, Query(ge=0, le=2**53, description="The device's Date.now().")
    ] = None,
) -> ReachAnswer:
    """Whether a device reaches the service, and by which way; open to devices that are not paired."""
    address = request.client.host if request.client else ""
    called_as = host_name(request.headers["host"]) or ""
    at = datetime.now(UTC)
    return ReachAnswer(
        device_address=address,
        called_as=called_as,
        is_this_machine=address in {"127.0.0.1", "::1", *reach.addresses()},
        is_paired=who(request) is not None,
        is_encrypted=request.url.scheme == "https",
        now=f"{at:%Y-%m-%dT%H:%M:%S.%f}Z",
        clock_says=reach.clocks_say(at, device_time_ms),
        ways=[WayAnswer(url=way.url, says=way.says) for way in reach.ways(service.settings, called_as)],
        helps=[HelpAnswer(**asdict(one)) for one in reach.HELPS],
    )


@router.get("/status")
def status(caller: Technician, service: TheService) -> StatusAnswer:
    """Room on the disk, what waits, the clock, versions."""
    with service.store.reading() as db:
        return _STATUS.validate_python(
            {
                "room": asdict(health.room(db, service.settings)),
                "queue": asdict(health.queue(db)),
                "clock_says": health.clock_says(db),
                "versions": asdict(health.versions(db)),
            }
        )


@router.get("/shop")
def shop_settings(caller: Technician, service: TheService) -> ShopAnswer:
    """The shop's settings."""
    with service.store.reading() as db:
        return _SHOP.validate_python(asdict(shop.shop(db)))


@router.patch("/shop", response_model=ShopAnswer)
def change_shop_settings(body: ShopBody, caller: Owner, once: Once) -> Response:
    """Change some of the shop's settings."""
    return once.do(200, lambda db: asdict(shop.change(db, body.model_dump(exclude_unset=True))))
