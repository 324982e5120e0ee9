"""Routes: photos sent, listed, shown."""

import hashlib
from typing import Annotated
from urllib.parse import quote, unquote

from fastapi import APIRouter, Header, Query, Request
from fastapi.responses import FileResponse, JSONResponse, Response, StreamingResponse
from pydantic import BaseModel
from starlette.concurrency import run_in_threadpool

from api.access.guard import Technician
from api.context import Service, TheService
from api.photos import intake, photo_view, photofiles
from api.photos.photo_view import PhotoView
from api.problems import ConflictError, NotThereError
from api.store import Store
from api.tables import Arrival, PhotoFile
from api.visits import results

router = APIRouter(prefix="/api", tags=["photos"])

_MEDIA_TYPES = {"jpeg": "image/jpeg", "png": "image/png", "heic": "image/heic"}
# What an address shows never changes, except by a photo's removal.
_KEEP = {"Cache-Control": "private, max-age=3600"}


class PhotoTaken(BaseModel):
    """A photo that is stored, and whether it was before."""

    photo: PhotoView
    duplicate: bool


class Photos(BaseModel):
    """A visit's photos, in the order of arrival."""

    photos: list[PhotoView]


@router.post(
    "/rounds/{round_id}/photos",
    status_code=201,
    response_model=PhotoTaken,
    responses={200: {"model": PhotoTaken, "description": "It was stored before; nothing was added."}},
    openapi_extra={
        "requestBody": {
            "required": True,
            "description": "The file's bytes, as the phone has them.",
            "content": {"image/*": {"schema": {"type": "string", "format": "binary"}}},
        }
    },
)
async def send(
    request: Request,
    round_id: str,
    service: TheService,
    caller: Technician,
    x_photo_key: Annotated[
        str, Header(description="One key per photo: sent again, it is harmless.", examples=["k3J9dPq2"])
    ],
    x_photo_name: Annotated[
        str, Header(description="As the phone calls it, percent-encoded UTF-8.", examples=["IMG_2041.HEIC"])
    ] = "photo",
    content_length: Annotated[int | None, Header(ge=0, include_in_schema=False)] = None,
) -> Response:
    """Send one photo. Acknowledged only when file and row are on the service's disk."""
    taken = await run_in_threadpool(_before, service, round_id, x_photo_key, content_length)
    if taken is None:
        name = unquote(x_photo_name)
        async with intake.received(service, request.stream()) as sent:
            taken = await run_in_threadpool(
                intake.take_in, service, caller, round_id, x_photo_key, name, sent
            )
    else:
        async for _ in request.stream():
            pass  # a phone that sends again hears the answer only when it has sent all
    return await run_in_threadpool(_answer, service, taken)


def _before(service: Service, round_id: str, key: str, n_bytes: int | None) -> intake.Taken | None:
    with service.store.reading() as db:
        return intake.check_first(db, service, round_id, key, n_bytes)


def _answer(service: Service, taken: intake.Taken) -> Response:
    with service.store.reading() as db:
        view = photo_view.one(db, taken.arrival_id)
    body = PhotoTaken(photo=view, duplicate=not taken.is_new)
    return JSONResponse(body.model_dump(mode="json"), 201 if taken.is_new else 200)


@router.get("/visits/{visit_id}/photos")
def list_photos(visit_id: str, service: TheService, caller: Technician) -> Photos:
    """All photos of a visit, with their states, what each shows, and its place in the queue."""
    with service.store.reading() as db:
        return Photos(photos=photo_view.of_visit(db, visit_id))


@router.get("/photos/{arrival_id}")
def show(arrival_id: str, service: TheService, caller: Technician) -> PhotoView:
    """One photo."""
    with service.store.reading() as db:
        return photo_view.one(db, arrival_id)


@router.get("/photos/{arrival_id}/original", response_class=StreamingResponse)
def original(arrival_id: str, service: TheService, caller: Technician) -> Response:
    """The file as it is stored."""
    arrival, file = _stored(service.store, arrival_id)
    disposition = f"attachment; filename*=UTF-8''{quote(arrival.name)}"
    try:
        data = photofiles.files_at(service.store.place).open(arrival.sha256)
    except FileNotFoundError as wrong:
        raise NotThereError("This photo's file is lost. Verify the store; a copy may have it.") from wrong
    return StreamingResponse(
        photofiles.pieces(data),
        media_type=_MEDIA_TYPES[file.kind],
        headers={**_KEEP, "Content-Disposition": disposition, "Content-Length": str(file.n_bytes)},
    )


@router.get("/photos/{arrival_id}/preview", response_class=FileResponse)
def preview(arrival_id: str, service: TheService, caller: Technician) -> Response:
    """A small upright JPEG of the photo, without metadata; there once the photo was looked at."""
    arrival, _ = _stored(service.store, arrival_id)
    path = photofiles.preview(service.store, arrival.sha256)
    if not path.is_file():
        raise NotThereError("There is no preview: the photo was not looked at yet, or it cannot be read.")
    return FileResponse(path, media_type="image/jpeg", headers=_KEEP)


@router.get("/photos/{arrival_id}/found", response_class=FileResponse)
def found(
    arrival_id: str,
    service: TheService,
    caller: Technician,
    plate: Annotated[
        int | None,
        Query(ge=0, le=999_999, description="Show this plate from near; left out: the whole photo."),
    ] = None,
) -> Response:
    """The photo, upright, with what was found drawn on it, as a JPEG."""
    arrival, _ = _stored(service.store, arrival_id)
    packed = _found_latest(service.store, arrival)
    of = f"{hashlib.sha256(packed).hexdigest()[:16]}.{'all' if plate is None else plate}"
    path = photofiles.drawing(service.store, arrival.sha256, of)
    if not path.is_file():
        service.jobs.draw(arrival.sha256, arrival.name, packed, plate, path)
    return FileResponse(path, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=60"})


def _stored(store: Store, arrival_id: str) -> tuple[Arrival, PhotoFile]:
    with store.reading() as db:
        arrival = db.get(Arrival, arrival_id)
        if arrival is None:
            raise NotThereError("There is no such photo. Open it from its visit.")
        file = db.get_one(PhotoFile, arrival.sha256)
        if file.removed_at is not None:
            raise NotThereError("This photo was removed by order. What was found in it is kept.")
        return arrival, file


def _found_latest(store: Store, arrival: Arrival) -> bytes:
    """What was found in a photo, packed; once its round is measured with what the second look found in it."""
    if arrival.found is None:
        raise ConflictError("Nothing was found to draw: the photo was not looked at yet, or cannot be read.")
    with store.reading() as db:
        measured = results.latest(db, arrival.round_id) if arrival.round_id else None
        observations = measured.observations if measured is not None else None
    return observations or arrival.found
