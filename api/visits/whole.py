"""What a visit comes to so far, from the tables: as its record would say if it were signed now."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.tables import PlacementRevision, Round, VisitPlacement
from api.visits import inputs, results, rounds, studies
from calib_data.formats import SHIFT
from calib_data.record import LOOKS
from calib_data.visit import Asked, Whole, whole_of


def of_visit(db: Session, visit_id: str) -> Whole:
    """By each look's latest measuring."""
    required = inputs.required_of(db, visit_id)
    asked = Asked(
        [{"id": row.placement_id, "file": row.file} for row in required.placements],
        [row.file for row in required.relations],
        [row.file for row in required.shifts],
    )
    return whole_of([_told(db, one) for one in rounds.of_visit(db, visit_id)], asked)


def _told(db: Session, one: Round) -> dict[str, Any]:
    measured = results.latest(db, one.id) if one.kind in LOOKS else None
    return {
        "number": one.number,
        "kind": one.kind,
        "standing": one.standing,
        "closed_at": one.closed_at,
        "state": measured.state if measured else "not_asked",
        "result": measured.result if measured else None,
    }


def where_several_decide(db: Session, visit_ids: Sequence[str]) -> dict[str, Whole]:
    """What those of these visits come to that the last look alone does not decide; no study decides."""
    row, chosen = PlacementRevision, VisitPlacement
    same = (row.placement_id == chosen.placement_id) & (row.revision == chosen.revision)
    is_shift = row.file["format"].as_string() == SHIFT
    by_shift = select(chosen.visit_id).join(row, same).where(chosen.visit_id.in_(visit_ids), is_shift)
    stood = db.execute(select(Round.visit_id, Round.standing).where(Round.visit_id.in_(visit_ids)))
    found = {visit_id for visit_id, standing in stood if standing is not None} | set(db.scalars(by_shift))
    decides = found - set(studies.of_visits(db, list(found)))
    return {one: of_visit(db, one) for one in visit_ids if one in decides}
