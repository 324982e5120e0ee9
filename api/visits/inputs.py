"""What a measuring takes as given: vehicle, kit, placements and lenses as they stand at that moment."""

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.tables import Arrival, LensProfile, PhotoFile, Round, Upkeep, Visit, VisitPlacement
from api.visits import kits, placements, proofs


def of_round(db: Session, round_id: str) -> dict[str, Any]:
    """For `Measured.inputs`: those of its visit; where there are any, `cameras`, `distrusted` and `upkeep`.

    `cameras` are the profiles of the phones that took the photos, `distrusted` is what is known against the
    kit, and `upkeep` what photos are for that belong to a kit and to no vehicle.
    """
    visit = db.get_one(Visit, db.get_one(Round, round_id).visit_id)
    given = of_visit(db, visit)
    cameras = [{"id": row.id, "file": row.file} for row in _profiles(db, round_id)]
    if cameras:
        given["cameras"] = cameras
    upkeep = db.get(Upkeep, visit.id)
    if upkeep is not None:
        return given | {"upkeep": {"kind": upkeep.kind, "asked": upkeep.asked}}
    return with_distrust(given, proofs.distrust(db, visit.kit_id))


def of_visit(db: Session, visit: Visit) -> dict[str, Any]:
    """`vehicle`, `kit`, `placements` of a visit, each with its revision; an upkeep takes the kit of now."""
    is_upkeep = db.get(Upkeep, visit.id) is not None
    kit = kits.current(db, visit.kit_id) if is_upkeep else kits.at(db, visit.kit_id, visit.kit_revision)
    rows = [placements.at(db, chosen.placement_id, chosen.revision) for chosen in placements_of(db, visit.id)]
    return {
        "vehicle": visit.vehicle,
        "kit": {"id": kit.kit_id, "revision": kit.revision, "file": kit.file},
        "placements": [{"id": row.placement_id, "revision": row.revision, "file": row.file} for row in rows],
    }


def with_distrust(given: dict[str, Any], distrusted: str) -> dict[str, Any]:
    """The same inputs with what is known against the kit now."""
    rest = {key: value for key, value in given.items() if key != "distrusted"}
    return rest | ({"distrusted": distrusted} if distrusted else {})


def placements_of(db: Session, visit_id: str) -> list[VisitPlacement]:
    """Which placements a visit checks, in order."""
    query = select(VisitPlacement).where(VisitPlacement.visit_id == visit_id)
    return list(db.scalars(query.order_by(VisitPlacement.position)))


def _profiles(db: Session, round_id: str) -> list[LensProfile]:
    """The lens profiles of the makes and models that a round's photos name, the newest first."""
    phones = select(PhotoFile.exif).join(Arrival, Arrival.sha256 == PhotoFile.sha256)
    named = {_phone(exif) for exif in db.scalars(phones.where(Arrival.round_id == round_id))}
    rows = db.scalars(
        select(LensProfile).where(LensProfile.retired_at.is_(None)).order_by(LensProfile.at.desc())
    )
    return [row for row in rows if _phone(row.file["applies_to"]) in named]


def _phone(facts: dict[str, Any]) -> tuple[str | None, str | None]:
    return facts.get("make"), facts.get("model")
