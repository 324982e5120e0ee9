"""What a measuring takes as given: the visit's vehicle, kit and placements as they stand at that moment."""

from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.tables import Round, Visit, VisitPlacement
from api.visits import kits, placements


def of_round(db: Session, round_id: str) -> dict[str, Any]:
    """For `Measured.inputs`: `vehicle`, `kit` and `placements`, each file with its revision."""
    return of_visit(db, db.get_one(Visit, db.get_one(Round, round_id).visit_id))


def of_visit(db: Session, visit: Visit) -> dict[str, Any]:
    """The same of a visit, whatever its rounds."""
    kit = kits.at(db, visit.kit_id, visit.kit_revision)
    rows = [placements.at(db, chosen.placement_id, chosen.revision) for chosen in placements_of(db, visit.id)]
    return {
        "vehicle": visit.vehicle,
        "kit": {"id": kit.kit_id, "revision": kit.revision, "file": kit.file},
        "placements": [{"id": row.placement_id, "revision": row.revision, "file": row.file} for row in rows],
    }


def placements_of(db: Session, visit_id: str) -> list[VisitPlacement]:
    """Which placements a visit checks, in order."""
    query = select(VisitPlacement).where(VisitPlacement.visit_id == visit_id)
    return list(db.scalars(query.order_by(VisitPlacement.position)))
