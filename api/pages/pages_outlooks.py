"""Pages of what a kit can prove, before any photo: of a placement, of a visit, of a first kit."""

from dataclasses import dataclass
from typing import Any

from fastapi.responses import HTMLResponse

from api.pages import kitdrawings
from api.pages.pages import Desk, Editing, Paired, page_router
from api.photos.outlooks import Asked
from api.problems import NotAcceptedError
from api.visits import firstkits, inputs, kits, placements, visit_rows, visits
from calib_data import starting

router = page_router()

FIRST_PLATES = firstkits.USUAL.plates()
DRAWINGS = {
    "sheet": kitdrawings.sheet,
    "clamp": kitdrawings.clamp,
    "floor_plate": kitdrawings.floor_plate,
    "bar": kitdrawings.bar,
}


@dataclass(frozen=True)
class Told:
    """An answer, or why there is none; neither while it is being worked out."""

    key: str
    answer: Any | None
    wrong: str = ""

    @property
    def waits(self) -> bool:
        return self.answer is None and not self.wrong


@router.get("/placements/{placement_id}/provable")
def of_placement(placement_id: str, desk: Paired, kit: str) -> HTMLResponse:
    """Whether a kit can prove a placement of a middling vehicle."""
    with desk.service.store.reading() as db:
        placement, chosen = placements.current(db, placement_id), kits.current(db, kit)
        others = [(row.kit_id, row.name) for row in kits.listed(db) if row.kit_id != kit]
        question = Asked(chosen.file, [placement.file], {}, desk.figures.unit == "in")
    return desk.page(
        "provable.html",
        back=(f"/placements/{placement_id}", placement.name),
        told=_told(desk, desk.service.outlooks.ask(question)),
        others=[(f"/placements/{placement_id}/provable?kit={key}", name) for key, name in others],
        of_vehicle="",
        is_demo=placement.is_demo or chosen.is_demo,
    )


@router.get("/visits/{visit_id}/provable")
def of_visit(visit_id: str, desk: Paired) -> HTMLResponse:
    """Whether a visit's kit can prove its placements of this vehicle."""
    with desk.service.store.reading() as db:
        visit = visit_rows.get(db, visit_id)
        given, (relations, shifts) = inputs.of_visit(db, visit), inputs.between_of_visit(db, visit)
        number, label = visit.number, visit.vehicle["label"]
        is_demo = visit.id in visits.demos_of(db, [visit.id])
    files = [one["file"] for one in given["placements"]]
    question = Asked(
        given["kit"]["file"],
        files,
        given["vehicle"],
        desk.figures.unit == "in",
        relations=relations,
        shifts=shifts,
    )
    return desk.page(
        "provable.html",
        back=(f"/visits/{visit_id}", desk.words("visit.back", number=number, label=label)),
        told=_told(desk, desk.service.outlooks.ask(question)),
        others=[],
        of_vehicle=label,
        is_demo=is_demo,
    )


@router.get("/kits/new/first")
def first_kit(desk: Editing) -> HTMLResponse:
    """From nothing to a first kit, with what the usual one can prove."""
    key = desk.service.outlooks.ask(firstkits.USUAL)
    usual = starting.starting_kit(firstkits.USUAL).model_dump(exclude_none=True)
    return desk.page(
        "kit_first.html",
        told=_told(desk, key),
        drawn={name: draw(desk.words) for name, draw in DRAWINGS.items()},
        fixture_drawn=kitdrawings.fixture(usual["fixtures"][firstkits.USUAL.fixture], desk.words),
        wheels=[(wheel, starting.WHEEL_PLATES[wheel]) for wheel in firstkits.WHEELS],
        on_fixture=tuple(firstkits.USUAL.on_fixture()),
        plates=FIRST_PLATES,
        bar_plates=starting.BAR_PLATES,
        n_floor=firstkits.USUAL.n_floor,
        board_mm=starting.BOARD_MM,
        ruler_mm=starting.RULER_MM,
    )


@router.get("/kits/new/first/outlook")
def first_outlook(desk: Editing, key: str) -> HTMLResponse:
    """What a first kit proves, once that is worked out; the page of the first kit shows it, too."""
    return desk.page("kit_first_outlook.html", told=_told(desk, key))


def _told(desk: Desk, key: str) -> Told:
    try:
        return Told(key, desk.service.outlooks.found(key))
    except NotAcceptedError as wrong:
        return Told(key, None, str(wrong))
