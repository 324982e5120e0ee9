"""What a measuring takes as given: vehicle, kit, placements and lenses as they stand at that moment.

The kit of a look carries its clamps as a check of the visit found them, as long as that holds.
"""

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.tables import Arrival, LensProfile, PhotoFile, Round, Upkeep, Visit, VisitPlacement
from api.visits import clampchecks, kits, placements, proofs
from calib_data.record import LOOKS


def of_round(db: Session, round_id: str) -> dict[str, Any]:
    """For `Measured.inputs`: those of its visit; where there are any, `cameras`, `distrusted` and `upkeep`.

    `cameras` are the profiles of the phones that took the photos, `distrusted` is what is known against the
    kit, and `upkeep` what photos are for that belong to a kit and to no vehicle. `clamps` says which check
    the kit's clamps are from, if any; of a round after rolling, `before_round_id` which round came before.
    """
    one = db.get_one(Round, round_id)
    visit = db.get_one(Visit, one.visit_id)
    given = of_visit(db, visit)
    cameras = [{"id": row.id, "file": row.file} for row in _profiles(db, round_id)]
    if cameras:
        given["cameras"] = cameras
    upkeep = db.get(Upkeep, visit.id)
    if upkeep is not None:
        return given | {"upkeep": {"kind": upkeep.kind, "asked": upkeep.asked}}
    if one.kind not in LOOKS:
        before = clampchecks.before_of(db, one)
        return given | {"placements": [], "before_round_id": before.id if before is not None else None}
    return as_hung(db, one, with_distrust(given, proofs.distrust(db, visit.kit_id)))


def of_visit(db: Session, visit: Visit) -> dict[str, Any]:
    """`vehicle`, `kit`, `placements` of a visit, each with its revision; an upkeep takes the kit of now.

    Clamps are as the kit has them.
    """
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


def as_hung(db: Session, one: Round, given: dict[str, Any]) -> dict[str, Any]:
    """What a look was given, with its clamps as they are known to hang by now."""
    kit = kits.at(db, given["kit"]["id"], given["kit"]["revision"])
    file, clamps = clampchecks.kit_as_hung(db, one, kit.file)
    rest = {key: value for key, value in given.items() if key != "clamps"}
    made = rest | {"kit": given["kit"] | {"file": file}}
    return made | ({"clamps": clamps} if clamps else {})


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
