"""Pages of the shop: pairing, people and devices, status and settings, help."""

from fastapi.responses import HTMLResponse, RedirectResponse, Response

from api.access import health, people, reach, sessions
from api.access.guard import host_name
from api.pages.pages import Anyone, Paired, page_router

router = page_router()

ROLES = ("technician", "reviewer", "owner")


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
