"""What a measuring takes as given: vehicle, kit, placements and lenses as they stand at that moment.

The kit of a look carries its clamps as a check of the visit found them, as long as that holds.
"""

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.tables import (
    Arrival,
    LensProfile,
    PhotoFile,
    PlacementRevision,
    Round,
    Upkeep,
    Visit,
    VisitPlacement,
)
from api.visits import between, clampchecks, kits, placements, proofs
from api.visits.placements import Required
from calib_data.record import LOOKS


def of_round(db: Session, round_id: str) -> dict[str, Any]:
    """For `Measured.inputs`: those of its visit; where there are any, `cameras`, `distrusted` and `upkeep`.

    Of the visit's placements those that stand in the round, and `relations` where both of one's do.
    `cameras` are the profiles of the phones that took the photos, `distrusted` is what is known against the
    kit, and `upkeep` what photos are for that belong to a kit and to no vehicle. `clamps` says which check
    the kit's clamps are from, if any; of a round after rolling, `before_round_id` which round came before.
    """
    one = db.get_one(Round, round_id)
    visit = db.get_one(Visit, one.visit_id)
    given = _given(db, visit, standing_in(required_of(db, visit.id), one))
    cameras = [{"id": row.id, "file": row.file} for row in _profiles(db, round_id)]
    if cameras:
        given["cameras"] = cameras
    upkeep = db.get(Upkeep, visit.id)
    if upkeep is not None:
        return given | {"upkeep": {"kind": upkeep.kind, "asked": upkeep.asked}}
    if one.kind not in LOOKS:
        before = clampchecks.before_of(db, one)
        rest = {key: value for key, value in given.items() if key != "relations"}
        return rest | {"placements": [], "before_round_id": before.id if before is not None else None}
    return as_hung(db, one, with_distrust(given, proofs.distrust(db, visit.kit_id)))


def of_visit(db: Session, visit: Visit) -> dict[str, Any]:
    """`vehicle`, `kit`, `placements` of a visit, each with its revision; an upkeep takes the kit of now.

    Clamps are as the kit has them.
    """
    return _given(db, visit, required_of(db, visit.id))


def between_of_visit(db: Session, visit: Visit) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """The files of a visit's relations and of its shifts."""
    required = required_of(db, visit.id)
    return [row.file for row in required.relations], [row.file for row in required.shifts]


def _given(db: Session, visit: Visit, required: Required) -> dict[str, Any]:
    is_upkeep = db.get(Upkeep, visit.id) is not None
    kit = kits.current(db, visit.kit_id) if is_upkeep else kits.at(db, visit.kit_id, visit.kit_revision)
    made = {
        "vehicle": visit.vehicle,
        "kit": {"id": kit.kit_id, "revision": kit.revision, "file": kit.file},
        "placements": [_file_of(row) for row in required.placements],
    }
    return made | ({"relations": [_file_of(r) for r in required.relations]} if required.relations else {})


def _file_of(row: PlacementRevision) -> dict[str, Any]:
    return {"id": row.placement_id, "revision": row.revision, "file": row.file}


def standing_in(required: Required, one: Round) -> Required:
    """What is checked in a round: the placements that stand in it, and relations whose both do.

    Where none is left of those that were said to stand, since the visit has others by now, all are checked:
    a target that does not stand there then shows.
    """
    stand = tuple(r for r in required.placements if one.standing is None or r.placement_id in one.standing)
    if not stand:
        return required
    names = {row.name for row in stand}
    relations = tuple(r for r in required.relations if names.issuperset(between.named(r.file)))
    return Required(stand, relations)


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


def required_of(db: Session, visit_id: str) -> Required:
    """What a visit checks, in the revisions that it has."""
    query = (
        select(VisitPlacement).where(VisitPlacement.visit_id == visit_id).order_by(VisitPlacement.position)
    )
    return Required.of([placements.at(db, one.placement_id, one.revision) for one in db.scalars(query)])


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
