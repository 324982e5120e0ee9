"""Pages of the kits' upkeep: a kit's proofs and what else its photos taught, one upkeep, lens profiles."""

from collections.abc import Sequence
from dataclasses import dataclass

from fastapi.responses import HTMLResponse
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.pages import kitdrawings
from api.pages.kitwords import told
from api.pages.pages import Desk, Editing, Paired, page_router
from api.photos.photo_view import PhotoView, of_visit
from api.problems import NotThereError
from api.tables import Round, Visit
from api.visits import kits, placements, proofs, upkeep
from api.visits.revisions import name_of

router = page_router()


@dataclass(frozen=True)
class Line:
    """An upkeep in a kit's list."""

    id: str
    number: int
    kind: str
    by: str
    at: str
    is_open: bool


@dataclass(frozen=True)
class LensLine:
    """A lens profile in the list."""

    id: str
    label: str
    by: str
    at: str
    upkeep_id: str
    retired_at: str | None


@router.get("/kits/{kit_id}/upkeep")
def of_kit(kit_id: str, desk: Paired) -> HTMLResponse:
    with desk.service.store.reading() as db:
        kit = kits.view(db, kits.current(db, kit_id))
        stands = proofs.standing(db, kit_id, kit.revision)
        was = kits.at(db, kit_id, stands.passed.kit_revision).file if stands.passed else kit.file
        return desk.page(
            "upkeep_kit.html",
            kit=kit,
            stands=stands,
            changed=told(was, kit.file, desk.words, desk.figures),
            proofs=[proofs.view(db, row) for row in proofs.of_kit(db, kit_id)],
            all=_lines(db, kit_id),
            kinds=upkeep.KINDS,
            may_edit=desk.may_edit,
            is_demo=kit.is_demo,
        )


def _lines(db: Session, kit_id: str) -> list[Line]:
    open_ones = set(db.scalars(select(Round.visit_id).where(Round.closed_at.is_(None))))

    def line(visit: Visit, kind: str) -> Line:
        by = name_of(db, visit.begun_by)
        return Line(visit.id, visit.number, kind, by, visit.begun_at, visit.id in open_ones)

    return [line(visit, row.kind) for visit, row in upkeep.of_kit(db, kit_id)]


@router.get("/kits/{kit_id}/upkeep/{kind}")
def begin(kit_id: str, kind: str, desk: Editing) -> HTMLResponse:
    """The form of what a kind takes as given, filled in with what the kit has."""
    if kind not in upkeep.KINDS:
        raise NotThereError(desk.words("problem.address"))
    with desk.service.store.reading() as db:
        kit = kits.view(db, kits.current(db, kit_id))
        offered = [(row.placement_id, row.name) for row in placements.listed(db)]
    bars = kit.file.get("scale_bars") or [None]
    fixtures = kit.file.get("fixtures", {})
    name = next(iter(fixtures), "")
    return desk.page(
        "upkeep_new.html",
        kit=kit,
        kind=kind,
        bar=bars[0],
        fixture=name,
        target=next(iter(fixtures[name]["targets"]), "") if name else "board",
        placements=offered,
        drawn=kitdrawings.stand_in(desk.words),
        is_demo=kit.is_demo,
    )


@router.get("/upkeep/{upkeep_id}")
def one_upkeep(upkeep_id: str, desk: Paired) -> HTMLResponse:
    with desk.service.store.reading() as db:
        view = upkeep.view(db, upkeep_id)
        shown = of_visit(db, upkeep_id)
        file = kits.current(db, view.kit_id).file
    new = (view.outcome or {}).get("kit")
    offered = told(file, new, desk.words, desk.figures) if new else []
    return _page(desk, view, shown, offered)


def _page(
    desk: Desk, view: upkeep.UpkeepView, shown: Sequence[PhotoView], offered: Sequence[str]
) -> HTMLResponse:
    group = next((one for one in view.groups if one.is_open), None)
    closed = [one for one in view.groups if not one.is_open]
    own = [photo for photo in shown if group is not None and photo.round_id == group.id]
    outside = [photo for photo in shown if photo.round_id is None]
    return desk.page(
        "upkeep.html",
        u=view,
        offered=offered,
        group=group,
        last=closed[-1] if closed else None,
        photos=list(reversed(own)),
        n_waiting=sum(photo.state == "waiting" for photo in own),
        tray=[photo for photo in outside if photo.refused_reason is None],
        refused=[photo for photo in outside if photo.refused_reason is not None],
        may_edit=desk.may_edit,
        is_demo=view.is_demo,
        events=f"/api/events?visit={view.id}&after={view.change_seq}",
    )


@router.get("/lenses")
def lenses(desk: Paired) -> HTMLResponse:
    with desk.service.store.reading() as db:
        rows = [
            LensLine(row.id, row.label, name_of(db, row.by), row.at, row.visit_id, row.retired_at)
            for row in upkeep.profiles(db)
        ]
    return desk.page("lenses.html", lenses=rows, may_edit=desk.may_edit)
