"""The list of visits: how each stands, in few questions to the store."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Select, func, select
from sqlalchemy.orm import Session

from api.tables import (
    Arrival,
    KitRevision,
    Measured,
    PlacementRevision,
    Round,
    Upkeep,
    Visit,
    VisitPlacement,
)
from api.visits import studies, whole


@dataclass(frozen=True)
class VisitLine:
    """A visit in the list.

    Attributes:
        open_round: Number of the round that takes photos; none where none is open.
        n_tray: Photos that wait for a person's word.
        decision, decision_round: Of the latest round that has a result; where it alone does not decide, what
            the visit comes to, and no round. A study decides nothing.
        study: Its name, where the visit is one of a study.
    """

    id: str
    number: int
    label: str
    bay: str
    begun_at: str
    signed_at: str | None
    is_demo: bool
    n_rounds: int
    open_round: int | None
    n_tray: int
    decision: str | None
    decision_round: int | None
    study: str | None


def listed(db: Session, skip: int = 0, limit: int = 50) -> list[VisitLine]:
    """Visits, the latest first, after `skip` of them."""
    query = select(Visit).where(of_vehicles()).order_by(Visit.begun_at.desc(), Visit.number.desc(), Visit.id)
    found = list(db.scalars(query.offset(skip).limit(limit)))
    ids = [visit.id for visit in found]
    numbers, open_rounds = _rounds(db, ids)
    n_tray, demos, of_studies = _n_tray(db, ids), demos_of(db, ids), studies.of_visits(db, ids)
    decisions = _decisions(db, [one for one in ids if one not in of_studies])
    decisions |= {key: (None, one.decision) for key, one in whole.where_several_decide(db, ids).items()}
    return [
        VisitLine(
            id=visit.id,
            number=visit.number,
            label=visit.vehicle["label"],
            bay=visit.bay,
            begun_at=visit.begun_at,
            signed_at=visit.signed_at,
            is_demo=visit.id in demos,
            n_rounds=numbers.get(visit.id, 0),
            open_round=open_rounds.get(visit.id),
            n_tray=n_tray.get(visit.id, 0),
            decision=decisions.get(visit.id, (None, None))[1],
            decision_round=decisions.get(visit.id, (None, None))[0],
            study=of_studies.get(visit.id),
        )
        for visit in found
    ]


def of_vehicles() -> ColumnElement[bool]:
    """The condition that a visit is a vehicle's, and no kit's upkeep."""
    return Visit.id.not_in(select(Upkeep.visit_id))


def demos_of(db: Session, visit_ids: Sequence[str]) -> set[str]:
    """Those whose kit or a placement is a demo, so that they cannot be signed."""
    kit = (KitRevision.kit_id == Visit.kit_id) & (KitRevision.revision == Visit.kit_revision)
    by_kit = select(Visit.id).join(KitRevision, kit).where(KitRevision.is_demo, Visit.id.in_(visit_ids))
    row, chosen = PlacementRevision, VisitPlacement
    placement = (row.placement_id == chosen.placement_id) & (row.revision == chosen.revision)
    by_placement = select(chosen.visit_id).join(row, placement)
    by_placement = by_placement.where(row.is_demo, chosen.visit_id.in_(visit_ids))
    return set(db.scalars(by_kit)) | set(db.scalars(by_placement))


def _rounds(db: Session, visit_ids: Sequence[str]) -> tuple[dict[str, int], dict[str, int]]:
    """How many rounds each visit has, and the number of the one that is open."""
    query = select(Round.visit_id, Round.number, Round.closed_at).where(Round.visit_id.in_(visit_ids))
    rows = list(db.execute(query.order_by(Round.number)))
    return {one.visit_id: one.number for one in rows}, {
        one.visit_id: one.number for one in rows if one.closed_at is None
    }


def _n_tray(db: Session, visit_ids: Sequence[str]) -> dict[str, int]:
    in_tray = (Arrival.round_id.is_(None), Arrival.refused_reason.is_(None))
    query = select(Arrival.visit_id, func.count()).where(Arrival.visit_id.in_(visit_ids), *in_tray)
    return {visit_id: n for visit_id, n in db.execute(query.group_by(Arrival.visit_id))}


def _decisions(db: Session, visit_ids: Sequence[str]) -> dict[str, tuple[int | None, str]]:
    """Number and decision of each visit's latest round that has a result."""
    theirs = select(Round.id).where(Round.visit_id.in_(visit_ids))
    query = (
        select(Round.visit_id, Round.number, Measured.result["decision"].as_string().label("decision"))
        .join(Measured, Measured.round_id == Round.id)
        .where(Measured.seq.in_(latest_measured(theirs)))
        .order_by(Round.number)
    )
    rows = db.execute(query)
    return {one.visit_id: (one.number, one.decision) for one in rows if one.decision is not None}


def latest_measured(round_ids: Any) -> Select[Any]:
    """The latest measuring of each of these rounds, by `seq`; `round_ids` are a list or a query."""
    query = select(func.max(Measured.seq)).where(Measured.round_id.in_(round_ids))
    return query.group_by(Measured.round_id)
