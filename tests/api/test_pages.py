"""Pages: who sees which, what they say of demos and errors, and that nothing in them runs by itself."""

import re
from collections.abc import Callable
from types import SimpleNamespace

import pytest
from fastapi import FastAPI
from sqlalchemy import select
from starlette.testclient import TestClient

from api.pages.pages_visits import next_of
from api.tables import KitRevision, Measured, PlacementRevision, Visit
from tests.api.conftest import Bay
from tests.api.signed import Signed

OPEN_TO_ALL = ("/pair", "/help")
OF_ALL = ("/visits", "/visits/new", "/records", "/kits", "/placements", "/people", "/status")
OF_EDITORS = (
    "/kits/new",
    "/kits/new/form",
    "/kits/new/file",
    "/placements/new",
    "/placements/new?family=board_ahead",
)


@pytest.fixture
def phone(client: Callable) -> TestClient:
    return client("technician")


@pytest.mark.parametrize("path", [*OF_ALL, *OF_EDITORS])
def test_a_device_that_is_not_paired_is_sent_to_pair_and_back(client: Callable, path: str) -> None:
    answer = client(None).get(path, follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/pair?then={path.partition('?')[0]}"


@pytest.mark.parametrize("path", OPEN_TO_ALL)
def test_pairing_and_help_are_open_to_all(client: Callable, path: str) -> None:
    assert client(None).get(path).status_code == 200


@pytest.mark.parametrize("path", OF_ALL)
def test_a_paired_device_sees_the_pages(phone: TestClient, path: str) -> None:
    answer = phone.get(path)
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/html")


@pytest.mark.parametrize("path", OF_EDITORS)
def test_only_owners_and_reviewers_see_the_forms_of_kits_and_placements(client: Callable, path: str) -> None:
    assert client("reviewer").get(path).status_code == 200
    refused = client("technician").get(path)
    assert refused.status_code == 403
    assert "Only an owner or a reviewer" in refused.text


@pytest.mark.parametrize(
    "then", ["https://elsewhere.example/", "//elsewhere.example/", "/\\elsewhere.example"]
)
def test_pairing_leads_nowhere_else(client: Callable, then: str) -> None:
    answer = client(None).get("/pair", params={"then": then})
    assert "elsewhere" not in answer.text
    assert 'data-then="/visits"' in answer.text


@pytest.mark.parametrize(
    "path", ["/visits/unknown", "/rounds/unknown", "/kits/unknown", "/placements/unknown", "/records/unknown"]
)
def test_what_is_not_there_is_told_on_a_page(phone: TestClient, path: str) -> None:
    answer = phone.get(path)
    assert answer.status_code == 404
    assert answer.headers["content-type"].startswith("text/html")
    assert "There is no such" in answer.text or "not in this store" in answer.text


def test_an_address_that_leads_nowhere_is_a_page_for_a_browser_and_a_problem_for_a_program(
    client: Callable,
) -> None:
    stranger = client(None)
    page = stranger.get("/nowhere", headers={"Accept": "text/html"})
    assert page.status_code == 404 and "<h1>" in page.text
    for path, accept in (("/nowhere", "*/*"), ("/api/nowhere", "text/html")):
        answer = stranger.get(path, headers={"Accept": accept})
        assert answer.status_code == 404
        assert answer.headers["content-type"] == "application/problem+json"


def test_a_visits_pages_show_what_was_entered(phone: TestClient, bay: Bay) -> None:
    visit = bay.begin()
    page = phone.get(f"/visits/{visit.id}").text
    assert "hatchback, grey" in page and "van 1, revision 1" in page
    one = bay.open(visit)
    assert "Choose photos" in phone.get(f"/rounds/{one.id}").text
    for path in (f"/visits/{visit.id}/sign", f"/visits/{visit.id}/slip"):
        assert phone.get(path).status_code == 200
    assert "DEMO" not in page


@pytest.mark.parametrize(
    ("state", "decision", "comes_next"),
    [
        ("waiting", None, "waiting"),
        ("not_enough", None, "again"),
        ("failed", None, "again"),
        ("done", "nonconforming", "read"),
        ("done", "undecided", "read"),  # the result says what would settle it
        ("done", "conforming", "sign"),
    ],
)
def test_the_first_button_of_a_visit_is_what_most_likely_comes_next(
    state: str, decision: str | None, comes_next: str
) -> None:
    measured = SimpleNamespace(state=state, decision=decision)
    closed = SimpleNamespace(is_open=False, measured=measured, kind="first")
    assert next_of(SimpleNamespace(signed_at=None, study=None, rounds=[closed])) == comes_next
    assert next_of(SimpleNamespace(signed_at="2026-03-14", study=None, rounds=[closed])) == "record"


def test_a_visit_begins_with_photos_and_goes_on_with_the_open_round() -> None:
    assert next_of(SimpleNamespace(signed_at=None, study=None, rounds=[])) == "first"
    standing = SimpleNamespace(is_open=True, measured=None, kind="first")
    assert next_of(SimpleNamespace(signed_at=None, study=None, rounds=[standing])) == "photos"


def test_a_study_goes_on_with_the_next_round_whatever_came_of_the_last() -> None:
    measured = SimpleNamespace(state="done", decision="conforming")
    closed = SimpleNamespace(is_open=False, measured=measured, kind="repeat")
    for rows in ([], [closed]):
        assert next_of(SimpleNamespace(signed_at=None, study="a study", rounds=rows)) == "again"


def test_after_the_first_half_of_a_check_the_vehicle_is_rolled_and_after_the_second_comes_a_look() -> None:
    def closed(*kinds: str) -> SimpleNamespace:
        rows = [SimpleNamespace(is_open=False, measured=None, kind=kind) for kind in kinds]
        return SimpleNamespace(signed_at=None, study=None, rounds=rows)

    assert next_of(closed("clamps_before")) == "roll"
    assert next_of(closed("clamps_before", "clamps_after")) == "first"
    assert next_of(closed("first", "clamps_before", "clamps_after")) == "again"


def test_what_a_person_typed_is_shown_as_text(phone: TestClient, bay: Bay) -> None:
    visit = bay.begin(bay="<script>alert(1)</script>")
    page = phone.get(f"/visits/{visit.id}").text
    assert "<script>alert" not in page and "&lt;script&gt;alert" in page


def test_every_page_of_a_demo_says_so(
    client: Callable, bay: Bay, demo_kit: KitRevision, demo_placement: PlacementRevision
) -> None:
    phone = client("reviewer")
    bay.kit, bay.placement = demo_kit, demo_placement
    visit = bay.begin()
    one = bay.open(visit)
    kit, placement = f"/kits/{demo_kit.kit_id}", f"/placements/{demo_placement.placement_id}"
    for path in (
        *(f"/visits/{visit.id}", f"/visits/{visit.id}/slip", f"/visits/{visit.id}/sign", f"/rounds/{one.id}"),
        *(kit, f"{kit}/edit", f"{kit}/edit/file", placement, f"{placement}/edit"),
    ):
        assert '<p class="demo"' in phone.get(path).text, path


def test_no_page_has_a_script_or_style_of_its_own(client: Callable, bay: Bay) -> None:
    visit = bay.begin()
    one = bay.open(visit)
    phone = client("owner")
    paths = (*OF_ALL, *OF_EDITORS, *OPEN_TO_ALL, f"/visits/{visit.id}", f"/rounds/{one.id}")
    for path in paths:
        text = phone.get(path).text
        assert not re.search(r"<script(?![^>]*\b(?:src|type=\"application/json\"))", text), path
        assert not re.search(r"\sstyle=|\son\w+=|javascript:|<style", text), path
        assert not re.search(r"(?:src|href)=\"(?:https?:)?//(?!testserver)", _without_own_addresses(text)), (
            path
        )


def test_signed_visits_have_pages_of_their_results_and_records(
    client: Callable, app: FastAPI, signed: Signed
) -> None:
    phone = client("technician")
    with signed.store.reading() as db:
        visit_ids = list(db.scalars(select(Visit.id).where(Visit.signed_at.is_not(None))))
        round_ids = list(db.scalars(select(Measured.round_id).where(Measured.state == "done")))
    assert visit_ids and round_ids
    for path in [
        *(f"/visits/{key}" for key in visit_ids),
        *(f"/records/{key}" for key in visit_ids),
        *(f"/rounds/{key}/result" for key in round_ids),
        *(f"/rounds/{key}" for key in round_ids),
    ]:
        answer = phone.get(path)
        assert answer.status_code == 200, (path, answer.text)
        assert 'class="acts"' in answer.text


def _without_own_addresses(text: str) -> str:
    """Links to the service's own addresses, which the pages for phones show."""
    return re.sub(r"href=\"https?://[^\"]+:8080/\"", "", text)


def test_a_device_shows_numbers_its_own_way(phone: TestClient, bay: Bay) -> None:
    visit = bay.begin()
    phone.cookies.set("plumbsight_shown", "in_comma")
    page = phone.get(f"/visits/{visit.id}").text
    assert 'data-unit="in"' in page
    assert re.search(r"\d+,\d+\sin</dd>", page)
