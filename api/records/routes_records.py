"""Routes: signing, records in their forms, removing photos, verifying, bringing in another store's visits."""

import os
from collections.abc import Iterable
from dataclasses import replace
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Header, Query, Request, Response
from fastapi.responses import FileResponse
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy.orm import Session
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool

from api.access import people
from api.access.guard import Reviewer, Technician
from api.access.shop import shop
from api.context import Caller, TheService
from api.photos import photofiles
from api.problems import ConflictError, NotAcceptedError
from api.records import chain, imports, removal, signing, verify
from api.records.exports import file_name, page_of, write_visits
from api.records.imports import Imported
from api.records.record_pdf import record_pdf
from api.records.verify import ChainFound, Findings
from api.store import now
from api.tables import Entry

router = APIRouter(prefix="/api", tags=["records"])

MOST_HEADS = 50
_HEAD = "7XKD-02AN-PM3T-9QWC-4HZR-E8VB-5S2J"
_WHY = "number plate of another car, asked for by its keeper"


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid")


class SignBody(_Body):
    pin: str = Field(max_length=200, description="The caller's PIN or password, asked again.")
    statement: str = Field("", max_length=2000, examples=["Checked before and after the calibration."])


class Signed(BaseModel):
    """An entry of the chain, and the head that ends with it."""

    visit_id: str
    store_id: str
    seq: int = Field(examples=[12])
    at: str
    head: str = Field(examples=[_HEAD])


class RemovalBody(_Body):
    pin: str = Field(max_length=200, description="The caller's PIN or password, asked again.")
    why: str = Field(max_length=1000, examples=[_WHY])


class VerifyBody(_Body):
    heads: list[Annotated[str, Field(max_length=100)]] = Field(
        [], max_length=MOST_HEADS, description="Heads as records print them.", examples=[[_HEAD]]
    )
    photos: bool = Field(False, description="Read each photo and compare its hash: minutes in a large store.")


class OldVisit(BaseModel):
    """A visit whose photos are older than the shop keeps them. Nothing is removed by itself."""

    visit_id: str
    number: int
    label: str
    signed_at: str
    n_photos: int
    n_bytes: int


class Retention(BaseModel):
    days: int | None = Field(description="What the shop has set; none: photos are kept for good.")
    visits: list[OldVisit]


@router.post("/visits/{visit_id}/sign", status_code=201)
def sign(visit_id: str, body: SignBody, service: TheService, caller: Technician) -> Signed:
    """Close a visit for good with a record. Sent again with the same words it is answered as before.

    No idempotency key: what is kept of a request would help to guess the PIN.
    """
    people.check_pin(service.store, caller.person_id, body.pin)
    with service.store.writing() as db:
        before = signing.entry_of(db, visit_id)
        if before is not None and _is_same(before, "signature", caller, "statement", body.statement):
            return _signed(before)
        return _signed(signing.write(db, service.store.id, caller, visit_id, body.statement))


def _is_same(entry: Entry, part: str, caller: Caller, key: str, words: str) -> bool:
    """Whether an entry is what this caller asked for with these words."""
    told = chain.body_of(entry)
    told = told[part] if part else told
    return told["by"] == caller.person_id and told[key] == words


def _signed(entry: Entry) -> Signed:
    return Signed(
        visit_id=entry.visit_id or "",
        store_id=entry.store_id,
        seq=entry.seq,
        at=entry.at,
        head=chain.code(entry.sha256),
    )


def _file(media_type: str) -> dict[int | str, dict[str, Any]]:
    return {200: {"content": {media_type: {}}, "description": "The file."}}


@router.get("/visits/{visit_id}/record", response_class=Response, responses=_file("application/json"))
def record(visit_id: str, service: TheService, caller: Technician) -> Response:
    """The record of a signed visit (plumbsight.record/1), byte for byte as the chain hashed it."""
    with service.store.reading() as db:
        signing.visit_of(db, visit_id)
        entry = signing.entry_of(db, visit_id)
        if entry is None or entry.body is None:
            raise ConflictError("This visit is not signed, so it has no record yet. Sign it first.")
        return Response(entry.body, media_type="application/json")


@router.get("/visits/{visit_id}/record.pdf", response_class=Response, responses=_file("application/pdf"))
def pdf(
    visit_id: str,
    service: TheService,
    caller: Technician,
    paper: Annotated[Literal["A4", "Letter"] | None, Query(description="The shop's, unless given.")] = None,
) -> Response:
    """The record on paper; of a visit that is not signed a draft, which says so on each page."""
    with service.store.reading() as db:
        entry = signing.entry_of(db, visit_id)
        told = chain.body_of(entry) if entry is not None else signing.draft(db, visit_id)
        page = page_of(shop(db), entry)
        name = file_name(signing.visit_of(db, visit_id), ".pdf")
    data = record_pdf(told, replace(page, paper=paper) if paper else page)
    return Response(
        data, media_type="application/pdf", headers={"Content-Disposition": f'inline; filename="{name}"'}
    )


@router.get("/visits/{visit_id}/export.zip", response_class=FileResponse, responses=_file("application/zip"))
def export(visit_id: str, service: TheService, caller: Technician) -> FileResponse:
    """A signed visit with photos, observations and chain, in the shared formats."""
    path = photofiles.incoming(service.store)
    try:
        with service.store.reading() as db, open(path, "xb") as out:
            name = file_name(signing.visit_of(db, visit_id), ".zip")
            write_visits(db, service.store, [visit_id], out)
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    done = BackgroundTask(path.unlink, missing_ok=True)
    return FileResponse(path, media_type="application/zip", filename=name, background=done)


@router.post("/photos/{arrival_id}/removal", status_code=201)
def remove(arrival_id: str, body: RemovalBody, service: TheService, caller: Reviewer) -> Signed:
    """Delete a photo's file by order; an entry says who, when and why, and what was seen in it stays.

    Sent again with the same words it is answered as before; no idempotency key, as in signing.
    """
    people.check_pin(service.store, caller.person_id, body.pin)
    with service.store.writing() as db:
        before = removal.entry_of(db, arrival_id)
        if before is not None and _is_same(before, "", caller, "why", removal.tidy(body.why)):
            entry = before
        else:
            entry = removal.write(db, service.store.id, caller, [arrival_id], body.why)
        done, removed = _signed(entry), [photo["sha256"] for photo in chain.body_of(entry)["photos"]]
    removal.sweep(service.store, removed)
    return done


@router.get("/retention")
def retention(service: TheService, caller: Technician) -> Retention:
    """Signed visits whose photos are older than the shop keeps them; nothing is removed by itself."""
    with service.store.reading() as db:
        days = shop(db).retention_days
        old = removal.older_than(db, days, now()) if days is not None else []
    return Retention(days=days, visits=list(_old(old)))


def _old(found: Iterable[removal.Old]) -> Iterable[OldVisit]:
    for one in found:
        yield OldVisit(
            visit_id=one.visit_id,
            number=one.number,
            label=one.label,
            signed_at=one.signed_at,
            n_photos=len(one.arrival_ids),
            n_bytes=one.n_bytes,
        )


@router.get("/chain")
def chains(service: TheService, caller: Technician) -> list[ChainFound]:
    """The chains that are here, each with its head."""
    with service.store.reading() as db:
        return [_chain(db, service.store.id, store_id) for store_id in chain.store_ids(db)]


def _chain(db: Session, own: str, store_id: str) -> ChainFound:
    head = chain.head(db, store_id)
    assert head is not None
    return ChainFound(store_id, store_id == own, chain.length(db, store_id), head)


@router.post("/verify")
def check(body: VerifyBody, service: TheService, caller: Technician) -> Findings:
    """Check chains, tables and photos; with heads, also that the chains still pass through them."""
    heads = [head for head in body.heads if head.strip()]
    with verify.reading_only(service.store.place) as db:
        return verify.verify(db, service.store.place, heads, reads_photos=body.photos)


@router.post(
    "/imports",
    status_code=201,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {"application/zip": {"schema": {"type": "string", "format": "binary"}}},
        }
    },
)
async def take_in(
    request: Request,
    service: TheService,
    caller: Reviewer,
    content_length: Annotated[int, Header(ge=0, include_in_schema=False)] = 0,
) -> Imported:
    """Take in an exported zip (raw body): verified first, then what is new of it.

    Sent again it changes nothing.
    """
    imports.check_room(service.store, content_length, service.settings.reserve_bytes)
    path = photofiles.incoming(service.store)
    try:
        n_bytes = 0
        with open(path, "xb") as out:
            async for piece in request.stream():
                n_bytes += len(piece)
                await run_in_threadpool(out.write, piece)
            await run_in_threadpool(os.fsync, out.fileno())
        if not n_bytes:
            raise NotAcceptedError("The body is empty: send the zip file as it is.")
        most = service.settings.most_import_bytes
        return await run_in_threadpool(imports.take_in, service.store, caller, path, most)
    finally:
        path.unlink(missing_ok=True)
