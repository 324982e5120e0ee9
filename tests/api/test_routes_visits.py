"""A visit's whole way over HTTP, and what each refusal says there."""

import json

import pytest

from api.tables import Arrival
from api.visits import tray

JSON_BODY = {"Content-Type": "application/json"}
VEHICLE = {"label": "estate, white", "wheelbase_mm": 2712}


def nested(depth: int) -> list:
    """Brackets in brackets."""
    made: list = []
    for _ in range(depth):
        made = [made]
    return made


@pytest.fixture
def http(client):
    return client("technician")


@pytest.fixture
def begun(http, kit, placement, vehicle_json):
    """A visit, as the service answered when it began."""
    body = {"vehicle": vehicle_json, "kit_id": kit.kit_id, "placement_ids": [placement.placement_id]}
    answer = http.post("/api/visits", json=body)
    assert answer.status_code == 201, answer.text
    return answer.json()


def refused(answer, status: int, says: str) -> None:
    problem = answer.json()
    assert (answer.status_code, problem["status"]) == (status, status), answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert says in problem["detail"]


def test_a_shop_is_set_up_and_a_visit_goes_its_way(client, http, kit_json, placement_json, vehicle_json):
    reviewer = client("reviewer")
    kit = reviewer.post("/api/kits", json={"file": kit_json, "says": "first measured"}).json()
    wanted = {
        "file": placement_json,
        "procedure_title": "An invented procedure",
        "procedure_edition": "2026-02",
        "family": "board_ahead",
    }
    placement = reviewer.post("/api/placements", json=wanted).json()
    assert placement["read_back"][1] == "lateral: from −4 to 4 mm, 8 mm from edge to edge"

    body = {
        "vehicle": vehicle_json,
        "kit_id": kit["kit_id"],
        "placement_ids": [placement["placement_id"]],
        "bay": "bay 2",
        "conditions": [{"name": "floor", "state": "measured", "value": "2 mm"}],
    }
    visit = http.post("/api/visits", json=body).json()
    here = f"/api/visits/{visit['id']}"
    assert visit["conditions"][0] | {"at": ""} == {
        "name": "floor",
        "asks": "level and flat under the vehicle and under the target",
        "state": "measured",
        "value": "2 mm",
        "by": "T. Example",
        "at": "",
    }

    said = http.post(f"{here}/conditions", json={"conditions": [{"name": "tyres", "state": "declared"}]})
    assert [one["state"] for one in said.json() if one["name"] == "tyres"] == ["declared"]

    first = http.post(f"{here}/rounds", json={"kind": "first"}).json()
    closed = http.post(f"/api/rounds/{first['id']}/close").json()
    assert closed["closed_by"] == "T. Example"
    assert http.get(f"/api/rounds/{first['id']}").json() == closed

    whole = http.get(here).json()
    assert [one["kind"] for one in whole["rounds"]] == ["first"]
    assert whole["next_kinds"] == ["first", "after_correction", "after_calibration", "clamps_before"]
    assert whole["deviations"][0]["says"] == "Round 1 was closed without a photo."
    assert http.get("/api/visits").json()[0]["id"] == visit["id"]
    assert http.get("/api/visits/defaults").json()["kit_id"] == kit["kit_id"]


def test_a_technician_edits_neither_kits_nor_placements(http, kit, placement, kit_json, placement_json):
    kit_body = {"file": kit_json, "based_on": 1, "says": "x"}
    placement_body = {
        "file": placement_json,
        "procedure_title": "x",
        "procedure_edition": "x",
        "based_on": 1,
    }
    for path, body in (
        (f"/api/kits/{kit.kit_id}/revisions", kit_body),
        (f"/api/kits/{kit.kit_id}/retire", None),
        (f"/api/placements/{placement.placement_id}/revisions", placement_body),
        (f"/api/placements/{placement.placement_id}/retire", None),
        ("/api/demo", None),
    ):
        refused(http.post(path, json=body), 403, "reviewer or owner")


def test_a_stranger_sees_nothing(client):
    for path in ("/api/visits", "/api/kits", "/api/placements", "/api/placement-templates"):
        assert client(None).get(path).status_code == 401


def test_a_revision_over_http_says_what_changed(client, kit, placement, kit_json, placement_json):
    reviewer = client("reviewer")
    kit_json["wheels"]["front_left"]["standoff_mm"] = 121.5
    body = {"file": kit_json, "says": "measured anew", "based_on": 1}
    made = reviewer.post(f"/api/kits/{kit.kit_id}/revisions", json=body)
    assert made.status_code == 201
    assert made.json()["changed"] == ["wheels.front_left.standoff_mm: 120.0 -> 121.5"]
    refused(reviewer.post(f"/api/kits/{kit.kit_id}/revisions", json=body), 409, "is at revision 2 by now")
    assert [one["revision"] for one in reviewer.get(f"/api/kits/{kit.kit_id}").json()] == [2, 1]

    placement_json["values"]["lateral_mm"] = {"nominal": 0, "minus": 5, "plus": 5}
    body = {
        "file": placement_json,
        "procedure_title": "An invented procedure",
        "procedure_edition": "2026-03",
        "family": "board_ahead",
        "says": "newer edition",
        "based_on": 1,
    }
    path = f"/api/placements/{placement.placement_id}"
    made = reviewer.post(f"{path}/revisions", json=body).json()
    assert made["changed"][0] == 'procedure_edition: "2026-02" -> "2026-03"'
    assert [one["revision"] for one in reviewer.get(path).json()] == [2, 1]
    assert reviewer.post(f"{path}/retire").json()["retired_at"]
    assert reviewer.get("/api/placements").json() == []
    assert len(reviewer.get("/api/placements?with_retired=true").json()) == 1


def test_a_doubt_names_its_fields_and_is_taken_once_confirmed(client, kit, placement_json):
    reviewer = client("reviewer")
    placement_json["values"]["lateral_mm"] = {"nominal": 0, "minus": 16, "plus": 16}
    body = {
        "file": placement_json,
        "procedure_title": "An invented procedure",
        "procedure_edition": "2026-02",
        "family": "board_ahead",
    }
    answer = reviewer.post("/api/placements", json=body)
    refused(answer, 422, "If it is meant so, confirm it.")
    assert answer.json()["type"] == "urn:plumbsight:problem:doubt"
    assert [one["where"] for one in answer.json()["errors"]] == [
        "values.lateral_mm.minus",
        "values.lateral_mm.plus",
    ]
    assert reviewer.post("/api/placements", json=body | {"confirmed": True}).status_code == 201


def test_templates_are_given_without_numbers_and_refused_unfilled(client):
    reviewer = client("reviewer")
    template = reviewer.get("/api/placement-templates").json()[0]
    body = {"file": template["placement"], "procedure_title": "x", "procedure_edition": "x"}
    refused(reviewer.post("/api/placements", json=body), 422, "is not filled in")


def test_the_demo_is_laid_in_and_its_visit_says_so(client, http, vehicle_json):
    made = client("reviewer").post("/api/demo").json()
    body = {
        "vehicle": vehicle_json,
        "kit_id": made["kit"]["kit_id"],
        "placement_ids": [made["placement"]["placement_id"]],
    }
    visit = http.post("/api/visits", json=body).json()
    assert visit["is_demo"] and visit["kit"]["name"].startswith("DEMO")
    assert http.get("/api/visits").json()[0]["is_demo"]
    three = made["three"]
    ids = [one["placement_id"] for one in three["placements"]]
    body |= {"kit_id": three["kit"]["kit_id"], "placement_ids": ids}
    assert len(ids) == 4 and http.post("/api/visits", json=body).json()["is_demo"]


def test_a_kit_and_placements_are_changed_within_a_visit(client, http, begun, kit, placement, kit_json):
    here = f"/api/visits/{begun['id']}"
    reason = {"reason": "measured again", "again": True}
    refused(http.post(f"{here}/kit", json={"kit_id": kit.kit_id} | reason), 409, "has revision 1")
    same = {"placement_ids": [placement.placement_id]} | reason
    refused(http.post(f"{here}/placements", json=same), 409, "already")
    kit_json["wheels"]["front_left"]["standoff_mm"] = 121.5
    revision = {"file": kit_json, "says": "x", "based_on": 1}
    client("reviewer").post(f"/api/kits/{kit.kit_id}/revisions", json=revision)
    changed = http.post(f"{here}/kit", json={"kit_id": kit.kit_id} | reason).json()
    assert changed["kit"]["revision"] == 2
    assert changed["deviations"][0]["says"].startswith('Changed from kit "van 1" revision 1')


def test_the_vehicle_is_corrected_and_a_deviation_named(http, begun, vehicle_json):
    here = f"/api/visits/{begun['id']}"
    body = {"vehicle": vehicle_json, "vin": "1G4AH59H45G118341", "reason": "read off the sill"}
    assert http.post(f"{here}/vehicle", json=body).json()["vin"] == "1G4AH59H45G118341"
    said = http.post(f"{here}/deviations", json={"says": "The clamp was set anew."})
    assert said.status_code == 201
    assert [one["says"] for one in said.json()["deviations"]] == [
        'Vehicle corrected (vin: null -> "1G4AH59H45G118341"): read off the sill',
        "The clamp was set anew.",
    ]


def test_the_slip_is_given_for_screen_and_paper(http, begun):
    here = f"/api/visits/{begun['id']}"
    assert http.get(f"{here}/slip.svg").text.startswith("<svg")
    printed = http.get(f"{here}/slip.pdf")
    assert printed.headers["content-type"] == "application/pdf" and printed.content.startswith(b"%PDF")


def test_a_photo_of_the_tray_is_placed_or_refused(http, bay):
    visit = bay.begin()
    closed = bay.close(bay.open(visit))
    late, blurred = bay.arrive(closed, "late.jpg"), bay.arrive(closed, "blurred.jpg")
    two = http.post(f"/api/visits/{visit.id}/rounds", json={"kind": "after_correction"}).json()
    placed = http.post(f"/api/photos/{late.id}/place", json={"round_id": two["id"]})
    assert placed.json() == {
        "id": late.id,
        "visit_id": visit.id,
        "name": "late.jpg",
        "round_id": two["id"],
        "refused_reason": None,
    }
    refused(http.post(f"/api/photos/{blurred.id}/refuse", json={"reason": " "}), 422, "Say why the photo")
    assert http.post(f"/api/photos/{blurred.id}/refuse", json={"reason": "blurred"}).status_code == 200
    view = http.get(f"/api/visits/{visit.id}").json()
    assert [one["name"] for one in view["refused"]] == ["blurred.jpg"] and view["tray"] == []
    with bay.store.reading() as db:
        assert tray.waiting(db, visit.id) == []
        assert db.get_one(Arrival, blurred.id).refused_by == bay.caller.person_id


@pytest.mark.parametrize(
    "path",
    [
        "/api/visits/none",
        "/api/visits/none/slip.svg",
        "/api/visits/none/slip.pdf",
        "/api/rounds/none",
        "/api/kits/none",
        "/api/placements/none",
    ],
)
def test_what_is_not_there_is_said(http, path):
    refused(http.get(path), 404, "There is no such")


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("/api/visits/none/rounds", {"kind": "first"}),
        ("/api/visits/none/conditions", {"conditions": []}),
        ("/api/visits/none/deviations", {"says": "x"}),
        ("/api/visits/none/kit", {"kit_id": "none", "reason": "x"}),
        ("/api/visits/none/placements", {"placement_ids": [], "reason": "x"}),
        ("/api/visits/none/vehicle", {"vehicle": {}, "reason": "x"}),
        ("/api/rounds/none/close", None),
        ("/api/photos/none/place", {"round_id": "none"}),
        ("/api/photos/none/refuse", {"reason": "x"}),
    ],
)
def test_what_is_not_there_is_not_changed(http, path, body):
    refused(http.post(path, json=body), 404, "There is no such")


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"vehicle": {}, "kit_id": "x", "placement_ids": ["x"]},
        {
            "vehicle": {"label": "x", "wheelbase_mm": 2712},
            "kit_id": "x",
            "placement_ids": [],
            "colour": "red",
        },
        {"vehicle": [], "kit_id": 1, "placement_ids": "x"},
        {"vehicle": {"label": "\ud800", "wheelbase_mm": 2712}, "kit_id": "x", "placement_ids": ["x"]},
        {"vehicle": VEHICLE | {"more": float("nan")}, "kit_id": "x", "placement_ids": ["x"]},
        {"vehicle": VEHICLE | {"more": float("inf")}, "kit_id": "x", "placement_ids": ["x"]},
        {"vehicle": VEHICLE | {"more": nested(60)}, "kit_id": "x", "placement_ids": ["x"]},
        {"vehicle": VEHICLE | {"more": nested(900)}, "kit_id": "x", "placement_ids": ["x"]},
        {"vehicle": VEHICLE, "kit_id": "x", "placement_ids": ["x"], "odometer_km": 10**40},
    ],
)
def test_a_wrong_request_is_refused_and_begins_nothing(http, body):
    answer = http.post("/api/visits", content=json.dumps(body), headers=JSON_BODY)
    assert answer.status_code in (404, 422), answer.text
    assert answer.json()["detail"]
    assert http.get("/api/visits").json() == []


def test_every_path_of_a_visit_is_in_the_published_description(http):
    paths = http.get("/api/openapi.json").json()["paths"]
    for path in (
        "/api/visits",
        "/api/rounds/{round_id}/close",
        "/api/events",
        "/api/kits/{kit_id}/revisions",
    ):
        assert path in paths
    begin = paths["/api/visits"]["post"]
    assert any(one["name"].lower() == "idempotency-key" for one in begin["parameters"])
    assert "application/problem+json" in begin["responses"]["422"]["content"]
