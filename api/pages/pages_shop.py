"""Pages of the shop: pairing, people and devices, placements, status and settings, help."""

from collections.abc import Iterable, Sequence
from typing import Any

from fastapi.responses import HTMLResponse, RedirectResponse, Response

from api.access import health, people, reach, sessions
from api.access.guard import host_name
from api.pages import pages
from api.pages.pages import Anyone, Editing, Paired, page_router
from api.visits import kits, placements
from calib_data.crosschecks import AXLES
from vision.kit import EVERY_KEY, UPRIGHT_KEYS, WHEELS

router = page_router()

ROLES = ("technician", "reviewer", "owner")
LINES = ("centreline", "thrust_line")


@router.get("/")
def first(desk: Anyone) -> Response:
    return RedirectResponse("/visits" if desk.caller else "/pair", 303)


@router.get("/pair")
def pair(desk: Anyone, then: str = "/visits") -> HTMLResponse:
    """Only a path of our own is gone to afterwards."""
    is_ours = then.startswith("/") and not then.startswith(("//", "/\\"))
    return desk.page("pair.html", then=then if is_ours else "/visits")


@router.get("/people")
def people_and_devices(desk: Paired) -> HTMLResponse:
    with desk.service.store.reading() as db:
        known = people.listed(db)
        devices = [(session, person.name) for session, person in sessions.listed(db, desk.person)]
        return desk.page(
            "people.html", people=known, devices=devices, roles=ROLES, own=desk.person.person_id,
            this_session=desk.person.session_id,
        )  # fmt: skip


@router.get("/status")
def status(desk: Paired) -> HTMLResponse:
    called_as = host_name(desk.request.headers["host"]) or ""
    ways = [(way, reach.qr_svg(way.url)) for way in reach.ways(desk.service.settings, called_as)]
    with desk.service.store.reading() as db:
        return desk.page(
            "status.html",
            room=health.room(db, desk.service.settings),
            queue=health.queue(db),
            clock_says=health.clock_says(db),
            versions=health.versions(db),
            ways=ways,
        )


@router.get("/help")
def troubles(desk: Anyone) -> HTMLResponse:
    called_as = host_name(desk.request.headers["host"]) or ""
    ways = reach.ways(desk.service.settings, called_as)
    return desk.page("help.html", helps=reach.HELPS, ways=ways)


# --- placements -------------------------------------------------------------------------------------


@router.get("/placements")
def all_placements(desk: Paired) -> HTMLResponse:
    with desk.service.store.reading() as db:
        rows = [placements.view(db, row) for row in placements.listed(db, with_retired=True)]
    return desk.page(
        "placements.html", placements=rows, may_edit=desk.may_edit, families=placements.templates()
    )


@router.get("/placements/new")
def new_placement(desk: Editing, family: str = "") -> HTMLResponse:
    template = next((one for one in placements.templates() if one.family == family), None)
    file = template.placement if template else {"values": dict.fromkeys(UPRIGHT_KEYS, {})}
    return _placement_form(desk, file, None, family if template else "", template.says if template else "")


@router.get("/placements/{placement_id}")
def placement(placement_id: str, desk: Paired, revision: int | None = None) -> HTMLResponse:
    with desk.service.store.reading() as db:
        row = placements.at(db, placement_id, revision) if revision else placements.current(db, placement_id)
        shown = placements.view(db, row)
        history = [placements.view(db, one) for one in placements.history(db, placement_id)]
        owned = [(row.kit_id, row.name) for row in kits.listed(db)]
    return desk.page(
        "placement.html",
        placement=shown,
        history=history,
        kits=owned,
        may_edit=desk.may_edit,
        is_demo=shown.is_demo,
    )


@router.get("/placements/{placement_id}/edit")
def edit_placement(placement_id: str, desk: Editing) -> HTMLResponse:
    with desk.service.store.reading() as db:
        shown = placements.view(db, placements.current(db, placement_id))
    return _placement_form(desk, shown.file, shown, shown.family, "")


def _placement_form(
    desk: pages.Desk, file: Any, shown: placements.PlacementView | None, family: str, says: str
) -> HTMLResponse:
    """The form of a placement: it offers fixtures, targets and datum plates as the shop's kits have them."""
    with desk.service.store.reading() as db:
        files = [row.file for row in kits.listed(db)]
    carriers = [{**one.get("fixtures", {}), **one.get("mats", {})} for one in files]
    fixtures = [name for one in carriers for name in one]
    targets = [t for one in carriers for carrier in one.values() for t in carrier.get("targets", {})]
    datums = [*AXLES, *(name for one in files for name in one.get("datum_plates", {}))]
    # A template's own values are offered, of a placement that stands all of them.
    keys = tuple(file["values"])
    if shown is not None:
        keys = tuple(key for key in EVERY_KEY if key in file["values"] or key in UPRIGHT_KEYS)
    return desk.page(
        "placement_edit.html",
        file=file,
        placement=shown,
        family=family,
        says=says,
        keys=keys,
        lines=LINES,
        fixtures=_once(fixtures, file.get("fixture")),
        targets=_once(targets, file.get("target")),
        datums=_once(datums, file.get("datum")),
        origins=_once([*datums, *WHEELS], (file.get("origin") or {}).get("at")),
        is_demo=shown is not None and shown.is_demo,
    )


def _once(names: Iterable[str], also: str | None) -> Sequence[str]:
    return tuple(dict.fromkeys([*([also] if also else []), *names]))
