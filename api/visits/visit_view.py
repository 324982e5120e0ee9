"""A visit as pages and the record need it, in one reading."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.tables import Arrival, Change, Deviation, Measured, Person, PhotoFile, Round
from api.visits import clampchecks, conditions, inputs, kits, placements, rounds, slips, studies
from api.visits.conditions import ConditionView
from api.visits.identity import Identity, identity
from api.visits.kits import KitView
from api.visits.placements import PlacementView, Required
from api.visits.studies import StudyView
from api.visits.visit_list import latest_measured
from api.visits.visit_rows import of_a_vehicle


@dataclass(frozen=True)
class ArrivalView:
    """A photo sent to a visit.

    Attributes:
        seq: Order of arrival in the store.
        sha256, came_as_sha256: Of the stored file and of what came.
        by, placed_by, refused_by: People's names; empty where nobody did.
        taken: The photo's own time, the phone's local clock.
        taken_out: What was removed on arrival, in words.
        seen: Plates and remarks of the look, as the table keeps them.
    """

    id: str
    seq: int
    name: str
    sha256: str
    came_as_sha256: str
    kind: str
    size_px: list[int]
    taken: str | None
    exif: dict[str, Any]
    taken_out: list[str]
    removed_at: str | None
    state: str
    remarks: list[str]
    seen: dict[str, Any] | None
    slip_seen: str | None
    sent_to_round_id: str
    round_id: str | None
    tray_reason: str | None
    refused_reason: str | None
    by: str
    at: str
    placed_by: str
    refused_by: str
    decided_at: str | None


@dataclass(frozen=True)
class MeasuredView:
    """How the latest measuring of a round stands; `decision` where there is a result."""

    seq: int
    state: str
    says: str
    asked_at: str
    done_at: str | None
    decision: str | None
    kit_revision: int | None


@dataclass(frozen=True)
class RoundView:
    """A round with the photos that are in it, in order of arrival.

    Attributes:
        standing: Names of the placements that stand in it, where these are not all of the visit's.
    """

    id: str
    number: int
    kind: str
    kind_words: str
    is_open: bool
    opened_by: str
    opened_at: str
    closed_by: str
    closed_at: str | None
    identity: Identity
    n_waiting: int
    photos: list[ArrivalView]
    standing: list[str]
    measured: MeasuredView | None


@dataclass(frozen=True)
class SeatView:
    """How the last check found a clamp to hang: a wheel of plumbsight.clamps/1.

    Attributes:
        holds: Whether that counts for the next round; `why_not` in words where it does not.
    """

    wheel: str
    found: dict[str, Any]
    holds: bool
    why_not: str


@dataclass(frozen=True)
class ClampsView:
    """The last check of the clamps that came to something: from which rounds, and each clamp."""

    says: str
    seats: list[SeatView]


@dataclass(frozen=True)
class DeviationView:
    says: str
    by: str
    at: str


@dataclass(frozen=True)
class VisitView:
    """A visit whole.

    Attributes:
        is_demo: Kit or a placement is a demo, so the visit cannot be signed.
        study: Which study it is of; none: it is a job.
        next_kinds: Kinds of round that may be opened now.
        change_seq: Position of the event stream that this view stands for.
    """

    id: str
    number: int
    store_id: str
    slip: str
    slip_text: str
    bay: str
    vehicle: dict[str, Any]
    odometer_km: int | None
    vin: str | None
    is_demo: bool
    begun_by: str
    begun_at: str
    signed_at: str | None
    study: StudyView | None
    kit: KitView
    placements: list[PlacementView]
    relations: list[PlacementView]
    shifts: list[PlacementView]
    conditions: list[ConditionView]
    rounds: list[RoundView]
    tray: list[ArrivalView]
    refused: list[ArrivalView]
    clamps: ClampsView | None
    deviations: list[DeviationView]
    next_kinds: list[str]
    change_seq: int


def summary(db: Session, visit_id: str) -> VisitView:
    """All of a visit that pages and the record need, but for results and what was found in photos."""
    visit = of_a_vehicle(db, visit_id)
    names = {key: name for key, name in db.execute(select(Person.id, Person.name))}
    arrivals = _arrivals(db, visit_id, names)
    rows = rounds.of_visit(db, visit_id)
    measured = _measured(db, [row.id for row in rows])
    kit = kits.view(db, kits.at(db, visit.kit_id, visit.kit_revision))
    required = inputs.required_of(db, visit_id)
    views = [placements.view(db, row) for row in required.rows]
    outside = [one for one in arrivals if one.round_id is None]
    said = db.scalars(select(Deviation).where(Deviation.visit_id == visit_id).order_by(Deviation.seq))
    return VisitView(
        id=visit.id,
        number=visit.number,
        store_id=visit.store_id,
        slip=visit.slip,
        slip_text=slips.text(visit.number, visit.slip),
        bay=visit.bay,
        vehicle=visit.vehicle,
        odometer_km=visit.odometer_km,
        vin=visit.vin,
        is_demo=kit.is_demo or any(one.is_demo for one in views),
        begun_by=names[visit.begun_by],
        begun_at=visit.begun_at,
        signed_at=visit.signed_at,
        study=studies.view(db, visit_id),
        kit=kit,
        placements=[one for one in views if one.kind == "placement"],
        relations=[one for one in views if one.kind == "relation"],
        shifts=[one for one in views if one.kind == "shift"],
        conditions=conditions.views(db, visit_id, names),
        rounds=[_round(row, arrivals, measured.get(row.id), visit.slip, names, required) for row in rows],
        tray=[one for one in outside if one.refused_reason is None],
        refused=[one for one in outside if one.refused_reason is not None],
        clamps=_clamps(db, visit_id, len(rows) + 1),
        deviations=[DeviationView(one.says, names[one.by], one.at) for one in said],
        next_kinds=[]
        if visit.signed_at
        else rounds.kinds_to_open(rows, of_study=studies.is_one(db, visit_id)),
        change_seq=db.scalar(select(func.max(Change.seq))) or 0,
    )


def _arrivals(db: Session, visit_id: str, names: Mapping[str, str]) -> list[ArrivalView]:
    """Every photo that was sent to the visit; what was found in them is large and left where it is."""
    row, file = Arrival, PhotoFile
    query = (
        select(
            *(row.id, row.seq, row.name, row.sha256, row.state, row.remarks, row.seen, row.slip_seen),
            *(row.sent_to_round_id, row.round_id, row.tray_reason, row.refused_reason),
            *(row.by, row.at, row.placed_by, row.refused_by, row.decided_at),
            *(file.came_as_sha256, file.kind, file.size_px, file.exif, file.taken_out, file.removed_at),
        )
        .join(file, file.sha256 == row.sha256)
        .where(row.visit_id == visit_id)
        .order_by(row.seq)
    )
    made = []
    for found in db.execute(query):
        values = dict(found._mapping)
        values |= {who: names.get(values[who] or "", "") for who in ("by", "placed_by", "refused_by")}
        made.append(ArrivalView(**values, taken=values["exif"].get("taken")))
    return made


def _measured(db: Session, round_ids: Sequence[str]) -> dict[str, MeasuredView]:
    """The latest measuring of each round."""
    row = Measured
    query = select(
        *(row.round_id, row.seq, row.state, row.says, row.asked_at, row.done_at),
        row.result["decision"].as_string().label("decision"),
        row.inputs[("kit", "revision")].as_integer().label("kit_revision"),
    ).where(row.seq.in_(latest_measured(round_ids)))
    made = {}
    for found in db.execute(query):
        values = dict(found._mapping)
        round_id = values.pop("round_id")
        made[round_id] = MeasuredView(**values)
    return made


def _clamps(db: Session, visit_id: str, next_number: int) -> ClampsView | None:
    check = clampchecks.latest(db, visit_id, next_number)
    if check is None:
        return None
    off = clampchecks.not_holding(db, visit_id, check, next_number)
    return ClampsView(
        check.says,
        [
            SeatView(wheel, seat, wheel not in off, off.get(wheel, ""))
            for wheel, seat in check.found["seats"].items()
        ],
    )


def _round(
    row: Round,
    arrivals: Sequence[ArrivalView],
    measured: MeasuredView | None,
    slip: str,
    names: Mapping[str, str],
    required: Required,
) -> RoundView:
    stand = [one.name for one in inputs.standing_in(required, row).placements]
    photos = [one for one in arrivals if one.round_id == row.id]
    return RoundView(
        id=row.id,
        number=row.number,
        kind=row.kind,
        kind_words=rounds.KINDS[row.kind],
        is_open=row.closed_at is None,
        opened_by=names[row.opened_by],
        opened_at=row.opened_at,
        closed_by=names.get(row.closed_by or "", ""),
        closed_at=row.closed_at,
        identity=identity(photos, slip),
        n_waiting=sum(one.state == "waiting" for one in photos),
        photos=photos,
        standing=stand if len(stand) < len(required.placements) else [],
        measured=measured,
    )
