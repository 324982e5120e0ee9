"""What a round's photos come to while they arrive, and the next to take: worked out when asked, not kept."""

import math
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, Field

from api.photos import work
from api.problems import ConflictError
from calib_data.layouts import load_layouts
from calib_data.photoset import photo_set_of
from vision.advice import MILLIMETRES
from vision.coach import Ask, Coaching, coach
from vision.errors import NotEnoughError
from vision.forecast import Station
from vision.sofar import plates_in
from vision.where import coaching_words, station_words


class CoachedValue(BaseModel):
    """One required value: u as reached, as needed, as expected with the next photo, and as photos from
    everywhere would bring it (where that is more than needed, the kit is the limit); none: unmeasured."""

    key: str = Field(examples=["distance_mm"])
    u: float | None
    enough_at: float
    u_with_next: float | None
    least_u: float | None


class CoachedPart(BaseModel):
    """Photos and plates that hang together."""

    photos: list[str]
    plates: list[int]


class Stand(BaseModel):
    """Where a photo was or is to be taken, in the vehicle frame (X forward, Y left, Z up, in mm)."""

    photo: str | None = Field(description="none for the next one")
    T_vehicle_camera: list[list[float]]
    plates: list[int]


class NextPhoto(BaseModel):
    """The next photo: what for, and where to stand, in words and as a pose."""

    reason: str = Field(description="first, join, measure, sheets or closing", examples=["measure"])
    says: str
    stand: Stand


class PlateOnPlan(BaseModel):
    """Where a plate stands, or is taken to stand while no photo shows it."""

    plate: int
    at_mm: list[float]
    is_seen: bool


class RoundCoaching(BaseModel):
    """Where a round stands for one placement; the first part is the one that is measured from."""

    round_id: str
    placement: str
    is_enough: bool
    says: str
    n_waiting: int = Field(description="Photos that are not looked at yet, and do not count here.")
    is_over: bool = Field(description="No more photos are asked for: it is enough, or the kit is the limit.")
    values: list[CoachedValue]
    parts: list[CoachedPart]
    unchecked_sheets: list[int]
    next: NextPhoto | None
    stands: list[Stand]
    plates: list[PlateOnPlan]
    vehicle_mm: list[list[float]] = Field(description="Two opposite corners of the vehicle's body, x and y.")


@dataclass(frozen=True)
class Asked:
    """What the desk needs: files as JSON, photos as they were found, packed."""

    round_id: str
    kit: dict[str, Any]
    vehicle: dict[str, Any]
    placement: dict[str, Any]
    found: tuple[bytes, ...]
    n_waiting: int


def answer(question: Asked) -> RoundCoaching:
    """The coach's answer; runs at the desk.

    Raises:
        ConflictError: This kit cannot measure this placement, whatever the photos.
    """
    task = photo_set_of("a round", question.kit, question.vehicle, [question.placement])
    placement = task.placements[0]
    found = [work.unpack_found(packed) for packed in question.found]
    try:
        coaching = coach(found, task.kit, placement, task.vehicle, load_layouts())
    except NotEnoughError as wrong:
        raise ConflictError(f"This kit cannot measure this placement. {wrong}") from wrong
    sofar, now, then = coaching.sofar, coaching.now, coaching.next.then.u if coaching.next else {}
    names = [shot.sighting.name for shot in sofar.shots]
    seen = {p for shot in sofar.shots for p in plates_in(shot)}
    return RoundCoaching(
        round_id=question.round_id,
        placement=placement.name,
        is_enough=coaching.is_enough,
        says=coaching_words(coaching),
        n_waiting=question.n_waiting,
        is_over=coaching.is_over,
        values=[
            CoachedValue(
                key=key,
                u=now.u.get(key),
                enough_at=most,
                u_with_next=then.get(key),
                least_u=coaching.least[key] if math.isfinite(coaching.least[key]) else None,
            )
            for key, most in coaching.needed.items()
        ],
        parts=[
            CoachedPart(photos=[names[i] for i in part.photos], plates=list(part.plates))
            for part in sofar.parts
        ],
        unchecked_sheets=list(now.unchecked_sheets),
        next=_next(coaching, coaching.next) if coaching.next else None,
        stands=[_stand(station, name) for station, name in zip(sofar.stations(), names, strict=True)],
        plates=[
            PlateOnPlan(plate=p, at_mm=T[:3, 3].round(1).tolist(), is_seen=p in seen)
            for p, T in sorted(sofar.bay.T_vehicle_plate.items())
        ],
        vehicle_mm=sofar.bay.body[0, :, :2].round(1).tolist(),
    )


def _next(coaching: Coaching, ask: Ask) -> NextPhoto:
    says = station_words(coaching.sofar.bay, ask.station, MILLIMETRES)
    return NextPhoto(reason=ask.reason, says=says, stand=_stand(ask.station, None))


def _stand(station: Station, photo: str | None) -> Stand:
    T = station.T_vehicle_camera
    return Stand(photo=photo, T_vehicle_camera=T.round(6).tolist(), plates=list(station.plates))
