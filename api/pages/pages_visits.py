"""Pages of a visit: the list, a new one, the visit itself, its rounds."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.access import health
from api.events import position
from api.pages import showing, sketches
from api.pages.clampwords import shown_seats
from api.pages.pages import Paired, page_router
from api.photos.photo_view import PhotoView, of_visit
from api.tables import Arrival, Measured, Round
from api.visits import (
    between,
    kits,
    placements,
    proofs,
    rounds,
    slips,
    studies,
    upkeep,
    visit_rows,
    visits,
    whole,
)
from api.visits.clampchecks import AFTER, BEFORE
from api.visits.conditions import STATES
from api.visits.visit_view import RoundView, VisitView
from calib_data.record import LOOKS, VARIED
from calib_data.visit import Whole

router = page_router()

PER_PAGE = 30
# What else may be declared of a vehicle, beside label and wheelbase.
LENGTHS = (
    "u_wheelbase_mm",
    "track_front_mm",
    "track_rear_mm",
    "wheel_radius_front_mm",
    "wheel_radius_rear_mm",
    "overhang_front_mm",
    "overhang_rear_mm",
)


@dataclass(frozen=True)
class Line:
    """A visit in the list, with how it stands."""

    id: str
    number: int
    label: str
    bay: str
    begun_at: str
    is_demo: bool
    is_signed: bool
    open_round: int | None
    n_rounds: int
    n_tray: int
    decision: str
    study: str


@router.get("/visits")
def all_visits(desk: Paired, before: int = 0) -> HTMLResponse:
    with desk.service.store.reading() as db:
        found = visits.listed(db, before, PER_PAGE + 1)
        lines = _lines(db, found[:PER_PAGE])
        came_to = whole.where_several_decide(db, [one.id for one in lines])
        lines = [replace(a, decision=came_to[a.id].decision) if a.id in came_to else a for a in lines]
        room = health.room(db, desk.service.settings)
    seq = position(desk.service.store)
    days = [(day, list(those)) for day, those in groupby(lines, key=lambda line: desk.day(line.begun_at))]
    more = before + PER_PAGE if len(found) > PER_PAGE else None
    return desk.page("visits.html", days=days, more=more, room=room, events=f"/api/events?after={seq}")


def _lines(db: Session, found: Sequence[visits.VisitLine]) -> list[Line]:
    """The visits with how they stand, by few readings however many they are."""
    ids = [one.id for one in found]
    standing: dict[str, list[Round]] = {}
    for row in db.scalars(select(Round).where(Round.visit_id.in_(ids)).order_by(Round.number)):
        standing.setdefault(row.visit_id, []).append(row)
    outside = (Arrival.visit_id.in_(ids), Arrival.round_id.is_(None), Arrival.refused_reason.is_(None))
    query = select(Arrival.visit_id, func.count()).where(*outside).group_by(Arrival.visit_id)
    in_tray = {visit_id: n for visit_id, n in db.execute(query)}
    decided = select(Measured.round_id, Measured.result["decision"].as_string())
    decided = decided.join(Round, Round.id == Measured.round_id).where(Round.visit_id.in_(ids))
    latest = db.execute(decided.where(Measured.state == "done").order_by(Measured.seq))
    decisions = {round_id: decision for round_id, decision in latest}
    return [_line(one, standing.get(one.id, []), in_tray.get(one.id, 0), decisions) for one in found]


def _line(
    one: visits.VisitLine, its_rounds: Sequence[Round], n_tray: int, decisions: Mapping[str, str]
) -> Line:
    return Line(
        id=one.id,
        number=one.number,
        label=one.label,
        bay=one.bay,
        begun_at=one.begun_at,
        is_demo=one.is_demo,
        is_signed=one.signed_at is not None,
        open_round=next((row.number for row in its_rounds if row.closed_at is None), None),
        n_rounds=len(its_rounds),
        n_tray=n_tray,
        decision=""
        if one.study
        else next((decisions[row.id] for row in reversed(its_rounds) if row.id in decisions), ""),
        study=one.study or "",
    )


@router.get("/visits/new")
def new_visit(desk: Paired, like: int | None = None, study: bool = False, of: str = "") -> HTMLResponse:
    """`like`: which of the latest vehicles to begin with, since the next one is often of the same kind.

    `study`: begin a study's visit; `of`: a visit of the study that it goes on with.
    """
    with desk.service.store.reading() as db:
        defaults = visits.defaults(db)
        used = studies.used(db) if study else None
        going_on = studies.view(db, of) if study else None
        owned = [(row.kit_id, row.name) for row in kits.listed(db)]
        required = [(row.placement_id, row.name) for row in placements.listed(db)]
        of_two = [(row.placement_id, row.name) for row in placements.listed_between(db)]
        stands = [(r.name, proofs.standing(db, r.kit_id, r.revision)) for r in kits.listed(db)]
    known = defaults.vehicles
    vehicle = known[like] if like is not None and 0 <= like < len(known) else {}
    return desk.page(
        "visit_new.html",
        defaults=defaults,
        study=study,
        used=used,
        going_on=going_on,
        varied=VARIED,
        vehicle=vehicle,
        lengths=LENGTHS,
        kits=owned,
        stands=[(name, one) for name, one in stands if one.flagged or one.is_due],
        kit_id=defaults.kit_id or (owned[0][0] if owned else ""),
        placements=required,
        placement_ids=defaults.placement_ids or [key for key, _ in required[:1]],
        between=of_two,
    )


@router.get("/visits/{visit_id}")
def one_visit(visit_id: str, desk: Paired) -> HTMLResponse:
    with desk.service.store.reading() as db:
        view = visits.summary(db, visit_id)
        offered_kits = [(row.kit_id, f"{row.name} ({row.revision})") for row in kits.listed(db)]
        offered = [(row.placement_id, f"{row.name} ({row.revision})") for row in placements.listed(db)]
        of_two = [(r.placement_id, f"{r.name} ({r.revision})") for r in placements.listed_between(db)]
        came_to = whole.where_several_decide(db, [visit_id]).get(visit_id)
        shown = {photo.id: photo for photo in of_visit(db, visit_id)}
        stands = proofs.standing(db, view.kit.kit_id, view.kit.revision)
    return desk.page(
        "visit.html",
        visit=view,
        stands=stands,
        came_to=came_to,
        shifts=[
            showing.show_shift(one, desk.words, desk.figures) for one in (came_to.shifts if came_to else ())
        ],
        patterns=sketches.patterns(),
        next=next_of(view, came_to),
        stand_next=stand_next(view, came_to),
        look_kinds=[kind for kind in view.next_kinds if kind in LOOKS],
        tray=[shown[one.id] for one in view.tray],
        refused=[shown[one.id] for one in view.refused],
        open_round=next((one for one in view.rounds if one.is_open), None),
        measured=[one for one in view.rounds if one.measured and one.measured.decision],
        lengths=LENGTHS,
        states=STATES,
        kits=offered_kits,
        placements=offered,
        between=of_two,
        between_ids=[one.placement_id for one in (*view.relations, *view.shifts)],
        clamps=shown_seats(view.clamps, desk.figures) if view.clamps else [],
        is_demo=view.is_demo,
        events=_events(view),
    )


def stand_next(view: VisitView, came_to: Whole | None) -> list[str]:
    """Names of the placements that most likely stand in the next round.

    Of a shift it is the first until that one is conforming, then the second; else those of the last look.
    """
    looks = [one for one in view.rounds if one.kind in LOOKS]
    names = [one.name for one in view.placements]
    if not view.shifts or came_to is None:
        return (looks[-1].standing if looks else []) or names
    done = {one.name for one in came_to.counted if one.decision in ("none", "conforming")}
    away = set()
    for shift in view.shifts:
        first, second = between.named(shift.file)
        if first != second:
            away.add(first if first in done else second)
    return [name for name in names if name not in away]


def next_of(view: VisitView, came_to: Whole | None = None) -> str:
    """What most likely comes next, so that it is the first button: a word for the template.

    Args:
        came_to: Where more than the last look decides.
    """
    last = view.rounds[-1] if view.rounds else None
    looks = [one for one in view.rounds if one.kind in LOOKS]
    if view.signed_at is not None:
        return "record"
    if view.study is not None and (last is None or not last.is_open):
        return "again"
    if last is None:
        return "first"
    if last.is_open:
        return "photos"
    if last.kind == BEFORE:
        return "roll"
    if last.kind == AFTER:
        return "again" if looks else "first"
    if last.measured is None or last.measured.decision is None:
        return "waiting" if last.measured and last.measured.state == "waiting" else "again"
    if last.measured.decision != "conforming":
        return "read"
    if came_to is None or came_to.decision == "conforming":
        return "sign"
    is_shift = any(one.decision != "conforming" for one in came_to.shifts)
    return "shifts" if is_shift and not came_to.missing else "onward"


def _events(view: VisitView) -> str:
    return f"/api/events?visit={view.id}&after={view.change_seq}"


@router.get("/visits/{visit_id}/slip")
def slip(visit_id: str, desk: Paired) -> HTMLResponse:
    with desk.service.store.reading() as db:
        view = visits.summary(db, visit_id)
        code = slips.svg(visit_rows.get(db, visit_id))
    return desk.page("slip.html", visit=view, code=code, is_demo=view.is_demo)


@router.get("/rounds/{round_id}")
def one_round(round_id: str, desk: Paired) -> Response:
    with desk.service.store.reading() as db:
        visit_id = rounds.get(db, round_id).visit_id
        if upkeep.is_one(db, visit_id):
            return RedirectResponse(f"/upkeep/{visit_id}", 303)
        view = visits.summary(db, visit_id)
        code = slips.svg(visit_rows.get(db, visit_id))
        shown = {photo.id: photo for photo in of_visit(db, visit_id)}
    one = next(row for row in view.rounds if row.id == round_id)
    own = [shown[photo.id] for photo in one.photos]
    tray = [shown[photo.id] for photo in view.tray if photo.sent_to_round_id == round_id]
    return desk.page(
        "round.html",
        visit=view,
        round=one,
        photos=list(reversed(own)),
        tray=tray,
        unseen=_unseen(view, one, own),
        is_look=one.kind in LOOKS,
        n_waiting=sum(photo.state == "waiting" for photo in own),
        code=code,
        is_demo=view.is_demo,
        events=_events(view),
    )


def _unseen(view: VisitView, one: RoundView, photos: Sequence[PhotoView]) -> list[int]:
    """Plates of the kit that no photo of the round shows so far; of a check of clamps, of those it needs."""
    seen = {plate.plate for photo in photos for plate in photo.plates}
    file = view.kit.file
    wanted = set(map(int, file["plates"]))
    if one.kind not in LOOKS:
        wanted = {part["plate"] for part in (*file["wheels"].values(), *file.get("floor", ()))}
    return sorted(wanted - seen)
