"""Pages of placements: what one asks, how it came to be so, and the form that makes and revises it."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Literal

from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import Markup
from sqlalchemy.orm import Session

from api.pages import asked, views
from api.pages.pages import Desk, Editing, Paired, page_router
from api.visits import kits, placements
from api.visits.placements import PlacementView
from calib_data.crosschecks import AXLES
from calib_data.families import Family, families
from vision.kit import EVERY_KEY, LYING_KEYS, PLUMB_KEYS, POLAR_KEYS, UPRIGHT_KEYS, WHEELS

router = page_router()

Json = Mapping[str, Any]
Kind = Literal["stands", "lies", "either"]

LINES = ("centreline", "thrust_line")
SIDES = {0.0: "ahead", 90.0: "left", 180.0: "behind", 270.0: "right"}
PLACES = ("ahead", "behind", "beside", "corners", "round")
# What can be asked of each kind of target: what stands has no heading of a mark, a mat no yaw.
ASKED_OF: Mapping[str, tuple[str, ...]] = {
    "stands": (*UPRIGHT_KEYS, *PLUMB_KEYS, *POLAR_KEYS),
    "lies": (*UPRIGHT_KEYS[:2], *POLAR_KEYS, *LYING_KEYS),
    "either": (*UPRIGHT_KEYS[:4], *POLAR_KEYS, LYING_KEYS[0]),
}


@router.get("/placements")
def all_placements(desk: Paired) -> HTMLResponse:
    with desk.service.store.reading() as db:
        rows = [placements.view(db, row) for row in placements.listed(db, with_retired=True)]
        of_two = [placements.view(db, row) for row in placements.listed_between(db, with_retired=True)]
    shapes = {place: [one for one in families().values() if one.where == place] for place in PLACES}
    return desk.page(
        "placements.html",
        placements=rows,
        between=of_two,
        may_edit=desk.may_edit,
        shapes=shapes,
        families=list(families().values()),
    )


@router.get("/placements/new")
def new_placement(desk: Editing, family: str = "", kind: Kind = "stands") -> HTMLResponse:
    """The form with what a family asks, or with nothing yet, of a target that stands or lies."""
    found = families().get(family)
    file = found.template if found else {"values": {}}
    return _form(desk, file, found.kind if found else kind, found, None)


@router.get("/placements/{placement_id}")
def placement(placement_id: str, desk: Paired, revision: int | None = None) -> Response:
    with desk.service.store.reading() as db:
        row = placements.at(db, placement_id, revision) if revision else placements.current(db, placement_id)
        shown = placements.view(db, row)
        if shown.kind != "placement":
            return RedirectResponse(f"/between/{placement_id}", 303)
        history = [placements.view(db, one) for one in placements.history(db, placement_id)]
        owned = [(row.kit_id, row.name) for row in kits.listed(db)]
        lies = _kind_of(shown.file, _mats(db)) == "lies"
    meant = asked.of_placement(shown.file, lies)
    return desk.page(
        "placement.html",
        placement=shown,
        read_back=placements.read_back(shown.file, desk.figures),
        history=history,
        kits=owned,
        plan=views.plan(meant, desk.words, desk.figures, desk.words("view.asked.plan")),
        from_side=views.side(meant, desk.words, desk.figures, desk.words("view.asked.side")),
        side=_side(shown.file.get("facing_deg", 0.0), desk),
        may_edit=desk.may_edit,
        is_demo=shown.is_demo,
    )


def _side(facing_deg: float, desk: Desk) -> str:
    """The side of the vehicle where the target stands, and the angle."""
    angle = desk.figures.with_unit("_deg", desk.figures.given("_deg", facing_deg))
    side = SIDES.get(facing_deg % 360)
    return f"{desk.words(f'placement.facing.{side}')}, {angle}" if side else angle


@router.get("/placements/{placement_id}/edit")
def edit_placement(placement_id: str, desk: Editing) -> Response:
    with desk.service.store.reading() as db:
        shown = placements.view(db, placements.current(db, placement_id))
        if shown.kind != "placement":
            return RedirectResponse(f"/between/{placement_id}/edit", 303)
        mats = _mats(db)
    return _form(desk, shown.file, _kind_of(shown.file, mats), families().get(shown.family), shown)


def _mats(db: Session) -> set[str]:
    """What the shop's kits call a mat."""
    return {name for row in kits.listed(db) for name in row.file.get("mats", {})}


def _kind_of(file: Json, mats: Iterable[str]) -> str:
    """By its own values, or by what the shop's kits call a mat."""
    values = set(file["values"])
    if values & {*UPRIGHT_KEYS[3:], *PLUMB_KEYS}:
        return "stands"
    return "lies" if values & {*LYING_KEYS} or file["fixture"] in mats else "stands"


def _form(
    desk: Desk, file: Json, kind: str, family: Family | None, shown: PlacementView | None
) -> HTMLResponse:
    """The form of a placement: it offers targets and datum plates as the shop's kits have them."""
    with desk.service.store.reading() as db:
        files = [row.file for row in kits.listed(db)]
    of_kind = {"stands": ("fixtures",), "lies": ("mats",), "either": ("fixtures", "mats")}[kind]
    carriers = [(name, one) for of in files for key in of_kind for name, one in of.get(key, {}).items()]
    targets = [target for _, one in carriers for target in one["targets"]]
    datums = [*AXLES, *(name for of in files for name in of.get("datum_plates", {}))]
    required = tuple(key for key in EVERY_KEY if key in file["values"])
    may_plumb = any(of.get("levels") for of in files)
    others = (key for key in EVERY_KEY if key in ASKED_OF[kind] and (may_plumb or key not in PLUMB_KEYS))
    return desk.page(
        "placement_edit.html",
        file=file,
        placement=shown,
        family=family,
        drawn=_example(desk, family) if family and shown is None else [],
        asked=required,
        others=tuple(key for key in others if key not in required),
        lines=LINES,
        fixtures=_once((name for name, _ in carriers), file.get("fixture")),
        targets=_once(targets, file.get("target")),
        datums=_once(datums, file.get("datum")),
        origins=_once([*datums, *WHEELS], (file.get("origin") or {}).get("at")),
        is_demo=shown is not None and shown.is_demo,
    )


def _example(desk: Desk, family: Family) -> list[Markup]:
    """What such a placement asks, from above and from the side."""
    example = asked.of_family(family)
    return [
        views.plan(example, desk.words, desk.figures, desk.words("view.family.plan")),
        views.side(example, desk.words, desk.figures, desk.words("view.family.side")),
    ]


def _once(names: Iterable[str], also: str | None) -> Sequence[str]:
    return tuple(dict.fromkeys([*([also] if also else []), *names]))
