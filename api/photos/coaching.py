"""What a round's photos come to while they arrive, and the next to take: worked out when asked."""

import math
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import BaseModel, Field

from api.photos import work
from api.problems import ConflictError
from calib_data.layouts import load_layouts
from calib_data.photoset import task_of
from calib_data.result import plate_roles
from vision.advice import INCHES, MILLIMETRES, Units
from vision.bay import Bay
from vision.coach import Ask, Coaching, coach
from vision.errors import NotEnoughError
from vision.forecast import Station
from vision.kit import Placement
from vision.sofar import plates_in
from vision.where import coaching_words, picture_words, stand_words, subject_words


class CoachedValue(BaseModel):
    """One required value: u as reached, as needed, as expected with the next photo, and as photos from
    everywhere would bring it (where that is more than needed, the kit is the limit); none: unmeasured."""

    placement: str = Field(description="The placement's name, or the relation's.")
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
    """The next photo: what for, where to stand, in words and as a pose, and what must be in the picture."""

    reason: str = Field(description="first, join, measure, sheets, label or closing", examples=["measure"])
    says: str = Field(examples=["Beside the rear left wheel, two steps (1.5 m) out; phone held overhead."])
    shows: str = Field(examples=["rear left and front left wheels, the fixture"])
    stand: Stand


class PlateOnPlan(BaseModel):
    """Where a plate stands, or is taken to stand while no photo shows it."""

    plate: int
    role: str = Field(description="what it is mounted on", examples=["wheel front left"])
    half_mm: float
    T_vehicle_plate: list[list[float]]
    is_seen: bool


class RoundCoaching(BaseModel):
    """Where a round stands for all its placements; the first part is the one that is measured from."""

    round_id: str
    placements: list[str]
    is_enough: bool
    is_over: bool = Field(description="No more photos are asked for: it is enough, or the kit is the limit.")
    says: str
    n_waiting: int = Field(description="Photos that are not looked at yet, and do not count here.")
    values: list[CoachedValue]
    parts: list[CoachedPart]
    apart: list[str] = Field(description="Photos that do not count so far: they hang together with no other.")
    unchecked_sheets: list[int]
    next: NextPhoto | None
    stands: list[Stand]
    plates: list[PlateOnPlan]
    T_vehicle_targets: list[list[list[float]]] = Field(description="Of the placements, in their order.")
    vehicle_mm: list[list[float]] = Field(description="Two opposite corners of the vehicle's body, x and y.")


@dataclass(frozen=True)
class Asked:
    """What the coach needs: files as JSON, photos as they were found, packed; and the unit of its words."""

    round_id: str
    kit: dict[str, Any]
    vehicle: dict[str, Any]
    placements: tuple[dict[str, Any], ...]
    found: tuple[bytes, ...]
    unit: Literal["mm", "in"] = "mm"
    relations: tuple[dict[str, Any], ...] = ()


def answer(question: Asked) -> RoundCoaching:
    """The coach's answer, photos that wait uncounted; runs in a worker.

    Raises:
        ConflictError: This kit cannot measure these placements, whatever the photos.
    """
    task = task_of(question.kit, question.vehicle, question.placements, question.relations)
    found = [work.unpack_found(packed) for packed in question.found]
    try:
        coaching = coach(
            found, task.kit, task.placements, task.vehicle, load_layouts(), relations=task.relations
        )
    except NotEnoughError as wrong:
        what = "this placement" if len(task.placements) == 1 else "these placements"
        raise ConflictError(f"This kit cannot measure {what}. {wrong}") from wrong
    units = INCHES if question.unit == "in" else MILLIMETRES
    sofar, now = coaching.sofar, coaching.now
    names = [shot.sighting.name for shot in sofar.shots]
    return RoundCoaching(
        round_id=question.round_id,
        placements=[p.name for p in task.placements],
        is_enough=coaching.is_enough,
        is_over=coaching.is_over,
        says=coaching_words(coaching, units),
        n_waiting=0,
        values=_values(coaching),
        parts=[
            CoachedPart(photos=[names[i] for i in part.photos], plates=list(part.plates))
            for part in sofar.parts
        ],
        apart=[photo.name for photo in found if photo.name not in names],
        unchecked_sheets=list(now.unchecked_sheets),
        next=_next(sofar.bay, coaching.next, units) if coaching.next else None,
        stands=[_stand(station, name) for station, name in zip(sofar.stations(), names, strict=True)],
        plates=_plates(coaching),
        T_vehicle_targets=[_target(sofar.bay, p) for p in task.placements],
        vehicle_mm=sofar.bay.body[0, :, :2].round(1).tolist(),
    )


def _values(coaching: Coaching) -> list[CoachedValue]:
    then = coaching.next.then.u if coaching.next else {}
    return [
        CoachedValue(
            placement=subject_words(coaching.sofar.bay, name),
            key=name.split(":")[1],
            u=coaching.now.u.get(name),
            enough_at=most,
            u_with_next=then.get(name),
            least_u=coaching.least[name] if math.isfinite(coaching.least[name]) else None,
        )
        for name, most in coaching.needed.items()
    ]


def _plates(coaching: Coaching) -> list[PlateOnPlan]:
    bay, roles = coaching.sofar.bay, plate_roles(coaching.sofar.bay.kit)
    seen = {p for shot in coaching.sofar.shots for p in plates_in(shot)}
    return [
        PlateOnPlan(
            plate=p,
            role=roles.get(p, "spare"),
            half_mm=bay.layouts[bay.kit.plates[p].layout].pattern_half_mm,
            T_vehicle_plate=T.round(4).tolist(),
            is_seen=p in seen,
        )
        for p, T in sorted(bay.T_vehicle_plate.items())
    ]


def _target(bay: Bay, placement: Placement) -> list[list[float]]:
    """Where the fixture, as seen so far, holds the placement's target."""
    fixture = next(f for f in bay.kit.fixtures if f.name == placement.fixture)
    target = next(t for t in fixture.targets if t.name == placement.target)
    return (bay.T_vehicle_fixture[fixture.name] @ target.T_fixture_target).round(4).tolist()


def _next(bay: Bay, ask: Ask, units: Units) -> NextPhoto:
    return NextPhoto(
        reason=ask.reason,
        says=stand_words(bay, ask.station, units),
        shows=picture_words(bay, ask.station.plates),
        stand=_stand(ask.station, None),
    )


def _stand(station: Station, photo: str | None) -> Stand:
    T = station.T_vehicle_camera
    return Stand(photo=photo, T_vehicle_camera=T.round(6).tolist(), plates=list(station.plates))
