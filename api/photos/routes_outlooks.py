"""Routes: whether a kit can prove a placement, and what a first kit could, before any photo."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field

from api.access.guard import Reviewer, Technician
from api.context import TheService
from api.photos.outlooks import Asked, FirstOutlook, PlacementOutlook
from api.visits import firstkits, inputs, kits, placements, visit_rows
from api.visits.firstkits import FirstKit

router = APIRouter(prefix="/api", tags=["outlooks"])

Photos = Annotated[int, Query(ge=3, le=40, description="How many photos would be taken.")]


class FirstKitAsked(BaseModel):
    model_config = ConfigDict(extra="forbid")
    first: FirstKit


class OutlookKey(BaseModel):
    """By which a page finds the answer, once it is there."""

    outlook: str = Field(examples=["3f…"])


@router.get("/placements/{placement_id}/outlook")
def of_placement(
    placement_id: str,
    service: TheService,
    _: Technician,
    kit_id: Annotated[str, Query(description="The kit that is to prove it.")],
    n_photos: Photos = 12,
) -> PlacementOutlook:
    """Whether a kit can prove a placement of a middling vehicle, and what would have to be better."""
    with service.store.reading() as db:
        kit, placement = kits.current(db, kit_id).file, placements.current(db, placement_id).file
    return service.outlooks.wait(Asked(kit, [placement], {}, n_photos=n_photos))[0]


@router.get("/visits/{visit_id}/outlook")
def of_visit(
    visit_id: str, service: TheService, _: Technician, n_photos: Photos = 12
) -> list[PlacementOutlook]:
    """Whether a visit's kit can prove each of its placements of this vehicle, with photos that serve all.

    What is required between two of them follows; where that is from one round to the next, each round has its
    photos.
    """
    with service.store.reading() as db:
        visit = visit_rows.get(db, visit_id)
        given, (relations, shifts) = inputs.of_visit(db, visit), inputs.between_of_visit(db, visit)
    placements = [one["file"] for one in given["placements"]]
    asked = Asked(
        given["kit"]["file"],
        placements,
        given["vehicle"],
        n_photos=n_photos,
        relations=relations,
        shifts=shifts,
    )
    return list(service.outlooks.wait(asked))


@router.post("/kits/first/outlook", status_code=202)
def of_first_kit(body: FirstKitAsked, service: TheService, _: Reviewer) -> OutlookKey:
    """Begin to work out what a first kit could prove; where nothing is measured yet it takes the usual."""
    return OutlookKey(outlook=service.outlooks.ask(firstkits.to_prove(body.first)))


@router.get("/kits/first/outlook/{key}")
def first_outlook(key: str, service: TheService, _: Technician) -> FirstOutlook | None:
    """What it came to; null while it is being worked out."""
    return service.outlooks.found(key)
