"""Pages of what is required between two placements: a relation of both, or a shift from one to the other."""

from collections.abc import Mapping
from typing import Any, Literal

from fastapi.responses import HTMLResponse, RedirectResponse, Response

from api.pages.pages import Desk, Editing, Paired, page_router
from api.visits import between, placements
from api.visits.placements import PlacementView
from vision.kit import EVERY_KEY, RELATION_KEYS, UPRIGHT_KEYS

router = page_router()

FORMATS = {"relation": "plumbsight.relation/1", "shift": "plumbsight.shift/1"}


@router.get("/between/new")
def new_between(
    desk: Editing, kind: Literal["relation", "shift"] = "relation", family: str = ""
) -> HTMLResponse:
    template = next((one for one in placements.templates() if one.family == family), None)
    file = getattr(template, kind) if template else None
    return _form(desk, kind, file or {"values": {}}, None, family if file else "")


@router.get("/between/new/file")
def new_between_by_file(desk: Editing) -> HTMLResponse:
    return desk.page("between_file.html")


@router.get("/between/{placement_id}")
def one_between(placement_id: str, desk: Paired, revision: int | None = None) -> Response:
    with desk.service.store.reading() as db:
        row = placements.at(db, placement_id, revision) if revision else placements.current(db, placement_id)
        shown = placements.view(db, row)
        if shown.kind == "placement":
            return RedirectResponse(f"/placements/{placement_id}", 303)
        history = [placements.view(db, one) for one in placements.history(db, placement_id)]
        ours = {one.name: one.placement_id for one in placements.listed(db)}
    return desk.page(
        "between.html",
        one=shown,
        both=[(name, ours.get(name, "")) for name in between.named(shown.file)],
        history=history,
        read_back=placements.read_back(shown.file, desk.figures),
        may_edit=desk.may_edit,
        is_demo=shown.is_demo,
    )


@router.get("/between/{placement_id}/edit")
def edit_between(placement_id: str, desk: Editing) -> Response:
    with desk.service.store.reading() as db:
        shown = placements.view(db, placements.current(db, placement_id))
    if shown.kind == "placement":
        return RedirectResponse(f"/placements/{placement_id}/edit", 303)
    return _form(desk, shown.kind, shown.file, shown, shown.family)


def _form(
    desk: Desk, kind: str, file: Mapping[str, Any], shown: PlacementView | None, family: str
) -> HTMLResponse:
    """The form of a relation or a shift: it offers the shop's placements, and no number."""
    with desk.service.store.reading() as db:
        ours = placements.listed(db)
    keys: tuple[str, ...] = RELATION_KEYS
    if kind == "shift":
        asked = {*UPRIGHT_KEYS, *file["values"], *(key for row in ours for key in row.file["values"])}
        keys = tuple(key for key in EVERY_KEY if key in asked)
    if shown is None and family:
        keys = tuple(file["values"])
    chosen = between.named(dict(file)) if shown else ["", ""]
    return desk.page(
        "between_edit.html",
        kind=kind,
        format=FORMATS[kind],
        file=file,
        one=shown,
        family=family,
        keys=keys,
        names=list(dict.fromkeys([row.name for row in ours] + [name for name in chosen if name])),
        chosen=chosen,
        is_demo=shown is not None and shown.is_demo,
    )
