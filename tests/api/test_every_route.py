"""Each route against everyone who must not use it; a new route without a guard fails here."""

import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute
from starlette.testclient import TestClient

from api.access import sessions
from api.access.guard import READING
from api.app import ROUTERS
from api.context import Caller
from api.store import Store

# Open to devices that are not paired: to pair, to ask whether the phone gets here, and what routes there are.
OPEN = {("POST", "/api/pair"), ("POST", "/api/pair/look"), ("GET", "/api/reach")}
ROUTES = [
    (method, route)
    for router in ROUTERS
    for route in router.routes
    if isinstance(route, APIRoute)
    for method in sorted(route.methods or ())
]
CHANGES = [(method, route) for method, route in ROUTES if method not in READING]
# Pages that a device sees before it is paired.
OPEN_PAGES = {"/", "/pair", "/help"}
PAGES = [(method, route) for method, route in ROUTES if not route.path.startswith("/api/")]
API_READS = [
    (method, route) for method, route in ROUTES if method in READING and route.path.startswith("/api/")
]


def roles_of(dependant: Dependant) -> Iterator[frozenset[str]]:
    """The roles that each guard of a route lets in."""
    if roles := getattr(dependant.call, "roles", None):
        yield roles
    for inner in dependant.dependencies:
        yield from roles_of(inner)


def let_in(route: APIRoute) -> set[str]:
    """The roles that all guards of a route let in together; none if it has no guard."""
    guards = list(roles_of(route.dependant))
    return set(frozenset.intersection(*guards)) if guards else set()


def path_of(route: APIRoute) -> str:
    return re.sub(r"\{[^}]+\}", "0" * 32, route.path)


def is_open(method: str, route: APIRoute) -> bool:
    return (method, route.path) in OPEN


@pytest.fixture
def counted(capsys: pytest.CaptureFixture[str]) -> Iterator[Callable[[str, list[Any]], None]]:
    """`counted(what, wrong)`: asserts that nothing was let in, and prints how many were tried."""

    def count(what: str, tried: list[tuple[str, int]], wanted: int) -> None:
        let_in = [path for path, status in tried if status != wanted]
        with capsys.disabled():
            print(f"\n{what}: {len(tried)} routes tried, {len(let_in)} let in", end="")
        assert tried
        assert not let_in

    yield count


def test_every_route_is_one_of_those_listed(app: FastAPI):
    paths: dict[str, dict[str, Any]] = app.openapi()["paths"]
    shown = {(method.upper(), path) for path, methods in paths.items() for method in methods}
    listed = {(method, re.sub(r":[a-z]+\}", "}", route.path)) for method, route in ROUTES}
    assert shown <= listed


@pytest.mark.parametrize(("method", "route"), CHANGES, ids=lambda one: getattr(one, "path", one))
def test_a_route_that_changes_something_says_who_may(method: str, route: APIRoute):
    assert is_open(method, route) or let_in(route)


@pytest.mark.parametrize(("method", "route"), API_READS, ids=lambda one: getattr(one, "path", one))
def test_a_route_that_tells_something_says_who_may(method: str, route: APIRoute):
    assert is_open(method, route) or let_in(route)


def test_a_route_without_a_guard_would_be_seen():
    def unguarded() -> None: ...

    assert not let_in(APIRoute("/api/new", unguarded, methods=["POST"]))


def test_changes_lie_under_api_and_pages_only_read():
    assert not [route.path for _, route in CHANGES if not route.path.startswith("/api/")]


def test_a_stranger_who_opens_a_page_is_led_to_pairing(client, counted):
    pages = [(method, route) for method, route in PAGES if route.path not in OPEN_PAGES]
    stranger = client(None)
    stranger.follow_redirects = False
    tried, led_to = [], set()
    for method, route in pages:
        answer = stranger.request(method, path_of(route))
        tried.append((route.path, answer.status_code))
        led_to.add(answer.headers.get("location", "").partition("?")[0])
    counted("pages, not paired", tried, 303)
    assert led_to == {"/pair"}


def _try(client: TestClient, routes: list[tuple[str, APIRoute]], **more: Any) -> list[tuple[str, int]]:
    return [
        (f"{method} {route.path}", client.request(method, path_of(route), **more).status_code)
        for method, route in routes
        if not is_open(method, route)
    ]


def test_a_stranger_is_let_in_nowhere(client, counted):
    counted("not paired", _try(client(None), CHANGES + API_READS), 401)


def test_a_withdrawn_device_is_let_in_nowhere(client, counted, store: Store, technician: Caller):
    device = client("technician")
    with store.writing() as db:
        sessions.withdraw_all(db, technician.person_id)
    counted("withdrawn device", _try(device, CHANGES + API_READS), 401)


def test_a_role_too_low_is_refused(client, counted):
    tried = [
        one
        for role in ("technician", "reviewer")
        for one in _try(client(role), [(m, r) for m, r in CHANGES + API_READS if role not in let_in(r)])
    ]
    counted("role too low", tried, 403)


def test_a_page_of_another_site_changes_nothing(client, counted):
    for origin in ("http://elsewhere.example", "http://testserver:81", "https://testserver", "null"):
        counted(f"origin {origin}", _try(client("owner"), CHANGES, headers={"Origin": origin}), 403)


def test_a_browser_that_says_the_request_is_anothers_changes_nothing(client, counted):
    for site in ("cross-site", "same-site"):
        counted(f"fetch site {site}", _try(client("owner"), CHANGES, headers={"Sec-Fetch-Site": site}), 403)


def test_without_the_sessions_own_form_token_nothing_changes(client, counted):
    foreign = sessions.form_token("another session's secret")
    for token in ("", "0" * 64, foreign):
        headers = {sessions.TOKEN_HEADER: token}
        counted(f"form token {token[:4]!r}", _try(client("owner"), CHANGES, headers=headers), 403)


def test_by_a_name_that_is_not_the_services_nothing_answers(client, counted):
    routes = [(method, route) for method, route in ROUTES]
    for host in ("elsewhere.example", "10.9.9.9", "testserver.elsewhere.example", "a b", ""):
        owner = client("owner")
        counted(
            f"host {host!r}", _try(owner, routes, headers={"Host": host, "Origin": f"http://{host}"}), 403
        )


def test_a_body_too_large_is_refused(client, counted):
    # Told in advance; that a body which grows is cut off stands in test_guard.
    headers = {"Content-Length": str(10**12)}
    counted("too large", _try(client("owner"), CHANGES, headers=headers), 413)
