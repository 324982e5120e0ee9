"""Pages of results and records: a round's result, two rounds beside each other, signing, records."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from fastapi.responses import HTMLResponse, RedirectResponse, Response
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.pages import clampwords, showing, sketches
from api.pages.pages import Desk, Paired, page_router
from api.pages.words import load_words
from api.photos.photo_view import PhotoView, of_visit
from api.problems import NotThereError
from api.records import chain, removal, signing
from api.store import now
from api.tables import Measured, Visit
from api.visits import proofs, results, rounds, visits, whole
from api.visits.clampchecks import AFTER
from api.visits.visit_view import RoundView, VisitView
from calib_data.compare import Difference
from calib_data.record import LOOKS
from calib_data.visit import CountedShift

router = page_router()

PER_PAGE = 30
Json = Mapping[str, Any]


@router.get("/rounds/{round_id}/result")
def result(round_id: str, desk: Paired) -> HTMLResponse:
    with desk.service.store.reading() as db:
        view = visits.summary(db, rounds.get(db, round_id).visit_id)
        photos = of_visit(db, view.id)
        done = last_done(db, round_id)
        stands = proofs.standing(db, view.kit.kit_id, view.kit.revision)
    one = _round_of(view, round_id)
    if one.measured is None:
        raise NotThereError(desk.words("result.none"))
    if one.kind == AFTER:
        return _clamps_result(desk, view, one, done)
    earlier = [row for row in view.rounds if row.number < one.number and row.measured and row.kind in LOOKS]
    return desk.page(
        "result.html",
        visit=view,
        stands=stands,
        is_told=done is not None and "distrusted" in done.inputs,
        round=one,
        measured=one.measured,
        is_older=done is not None and one.measured.state != "done",
        result=_shown(desk, view, done),
        photos=list(photos_of(desk, done.result["photos"], round_id, photos)) if done and done.result else [],
        before=earlier[-1].id if earlier else "",
        is_demo=view.is_demo,
        events=f"/api/events?visit={view.id}&after={view.change_seq}",
    )


def _clamps_result(desk: Desk, view: VisitView, one: RoundView, done: Measured | None) -> HTMLResponse:
    """What a check of the clamps found."""
    found = done.result["seats"] if done is not None and done.result is not None else {}
    return desk.page(
        "clamps.html",
        visit=view,
        round=one,
        measured=one.measured,
        clamps=[clampwords.shown_seat(wheel, seat, desk.figures) for wheel, seat in found.items()],
        is_demo=view.is_demo,
        events=f"/api/events?visit={view.id}&after={view.change_seq}",
    )


@router.get("/visits/{visit_id}/compare")
def compare(visit_id: str, a: str, b: str, desk: Paired) -> HTMLResponse:
    """Two rounds beside each other: `a` and `b` are their ids."""
    with desk.service.store.reading() as db:
        view = visits.summary(db, visit_id)
        compared = results.compare(db, a, b)
        sides = [(_round_of(view, key), _shown(desk, view, last_done(db, key))) for key in (a, b)]

    def lines(changes: Iterable[Difference], prefix: str) -> list[showing.ShownChange]:
        return [
            showing.show_change(one, desk.words.known(prefix, one.key), desk.words, desk.figures)
            for one in changes
        ]

    return desk.page(
        "compare.html",
        visit=view,
        sides=sides,
        says=[desk.figures.words(says) for says in compared.says],
        placements=[(one.name, lines(one.values, "value")) for one in compared.placements],
        vehicle=lines(compared.vehicle, "fact"),
        patterns=sketches.patterns(),
        is_demo=view.is_demo,
    )


def last_done(db: Session, round_id: str) -> Measured | None:
    """The latest measuring of a round that gave a result."""
    row = Measured
    query = select(row).where(row.round_id == round_id, row.state == "done").order_by(row.seq.desc()).limit(1)
    return db.scalar(query)


def _shown(desk: Desk, view: VisitView, done: Measured | None) -> showing.ShownResult | None:
    if done is None or done.result is None:
        return None
    kit_file = done.inputs["kit"]["file"]
    return showing.show(done.result, kit_file, desk.words, desk.figures, decides=view.study is None)


def photos_of(
    desk: Desk, told: Sequence[Json], round_id: str, photos: Sequence[PhotoView]
) -> Iterator[dict[str, Any]]:
    """The result's photos in its order, with the stored file that each was."""
    by_sha = {photo.sha256: photo for photo in photos if photo.round_id == round_id}
    for entry in told:
        stored = by_sha.get(entry.get("sha256", ""))
        yield {
            "name": entry["file"],
            "says": showing.photo_words(entry, desk.words, desk.figures),
            "plates": entry.get("plates", ()),
            "id": stored.id if stored else "",
            "is_removed": stored is not None and stored.is_removed,
        }


def _round_of(view: VisitView, round_id: str) -> RoundView:
    found = next((row for row in view.rounds if row.id == round_id), None)
    if found is None:
        raise NotThereError(load_words()("problem.address"))
    return found


@router.get("/visits/{visit_id}/sign")
def sign(visit_id: str, desk: Paired) -> Response:
    with desk.service.store.reading() as db:
        view = visits.summary(db, visit_id)
        points = signing.open_points(db, visit_id)
        came_to = whole.where_several_decide(db, [visit_id]).get(visit_id)
        stands = proofs.standing(db, view.kit.kit_id, view.kit.revision)
    if view.signed_at is not None:
        return RedirectResponse(f"/records/{visit_id}", 303)
    return desk.page(
        "sign.html",
        visit=view,
        stands=stands,
        came_to=came_to,
        open_points=points,
        is_demo=view.is_demo,
        events=f"/api/events?visit={view.id}&after={view.change_seq}",
    )


@router.get("/records")
def records(desk: Paired, before: int = 0, head: str = "") -> HTMLResponse:
    row = Visit
    query = select(row).where(row.signed_at.is_not(None)).order_by(row.signed_at.desc())
    with desk.service.store.reading() as db:
        found = list(db.scalars(query.offset(max(before, 0)).limit(PER_PAGE + 1)))
        signed = [
            {"visit": one, "label": one.vehicle["label"], "at": one.signed_at} for one in found[:PER_PAGE]
        ]
        days = desk.shop.retention_days
        old = removal.older_than(db, days, now()) if days is not None else []
    more = before + PER_PAGE if len(found) > PER_PAGE else None
    return desk.page("records.html", signed=signed, more=more, head=head, old=old, may_edit=desk.may_edit)


@router.get("/records/{visit_id}")
def record(visit_id: str, desk: Paired) -> HTMLResponse:
    with desk.service.store.reading() as db:
        view = visits.summary(db, visit_id)
        entry = signing.entry_of(db, visit_id)
        if entry is None:
            raise NotThereError(desk.words("record.none"))
        body, code = chain.body_of(entry), chain.code(entry.sha256)
        photos = of_visit(db, visit_id)
    return desk.page(
        "record.html",
        visit=view,
        record=body,
        shifts=list(_shifts(desk, body)),
        patterns=sketches.patterns(),
        code=code,
        photos=photos,
        may_edit=desk.may_edit,
    )


def _shifts(desk: Desk, record: Json) -> Iterator[showing.ShownShift]:
    """The shifts of a record, as it says that they were decided."""
    for one in record.get("shifts", ()):
        told = one["came_to"]
        decided = CountedShift(told["before_round"], told["after_round"], told)
        yield showing.show_shift(decided, desk.words, desk.figures)
