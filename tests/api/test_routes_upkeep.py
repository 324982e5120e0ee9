"""Upkeep through the service's doors: who begins it, what is refused, and what its pages show."""

import json
from typing import Any

import pytest
from sqlalchemy import select

from api.records import chain, verify
from api.store import now
from api.tables import Entry, KitRevision, Round
from api.visits import results, upkeep
from tests.api.signed import proof_file
from tests.api.upkept import Upkept


@pytest.fixture
def bodies(kit: KitRevision, placement, vehicle_json) -> dict[str, dict[str, Any]]:
    """What each kind is begun with."""
    one, other, third = sorted(map(int, kit.file["plates"]))[:3]
    return {
        "bar": {"first_plate": one, "second_plate": other, "length_mm": 1000.0, "u_length_mm": 0.2},
        "slide": {
            "by_mm": 10.0,
            "placement_id": placement.placement_id,
            "vehicle": {"label": "our estate", "wheelbase_mm": 2712},
        },
        "fixture": {"name": "front", "target_plate": third},
        "sheets": {},
        "lens": {},
    }


@pytest.mark.parametrize("kind", upkeep.KINDS)
def test_each_kind_is_begun_by_those_who_edit_kits_and_photographed_by_all(client, kit, bodies, kind):
    path = f"/api/kits/{kit.kit_id}/upkeep/{kind}"
    assert client("technician").post(path, json=bodies[kind]).status_code == 403
    begun = client("reviewer").post(path, json=bodies[kind])
    assert begun.status_code == 201, begun.text
    made, phone = begun.json(), client("technician")
    group = made["groups"][0]
    assert group["is_open"] and group["kind"] == ("before_slide" if kind == "slide" else "photos")
    assert phone.get(f"/kits/{kit.kit_id}/upkeep/{kind}").status_code == 403
    assert client("reviewer").get(f"/kits/{kit.kit_id}/upkeep/{kind}").status_code == 200
    page = phone.get(f"/upkeep/{made['id']}")
    assert page.status_code == 200 and f'data-upload="/api/rounds/{group["id"]}/photos"' in page.text
    assert phone.get(f"/rounds/{group['id']}").url.path == f"/upkeep/{made['id']}"
    assert phone.get(f"/api/visits/{made['id']}").status_code == 404
    assert phone.get(f"/visits/{made['id']}").status_code == 404
    closed = phone.post(f"/api/rounds/{group['id']}/close")
    assert closed.status_code == 200
    again = phone.post(f"/api/upkeep/{made['id']}/groups")
    assert again.status_code == 201 and len(again.json()["groups"]) == 2
    (line,) = phone.get(f"/api/kits/{kit.kit_id}/upkeep").json()
    assert (line["id"], line["kind"], line["number"]) == (made["id"], kind, made["number"])


@pytest.mark.parametrize(
    ("kind", "changed", "where"),
    [
        ("bar", {"first_plate": 9999}, "first_plate"),
        ("bar", {"length_mm": 1.0}, "length_mm"),
        ("bar", {"u_length_mm": 0.0}, "u_length_mm"),
        ("fixture", {"target_plate": 9999}, "target_plate"),
        ("slide", {"vehicle": {"label": "our estate"}}, "wheelbase_mm"),
        ("slide", {"by_mm": 5000.0}, "by_mm"),
    ],
)
def test_what_is_wrong_is_named_beside_its_field(client, kit, bodies, kind, changed, where):
    answer = client("reviewer").post(f"/api/kits/{kit.kit_id}/upkeep/{kind}", json=bodies[kind] | changed)
    assert answer.status_code == 422
    assert any(where in one["where"] for one in answer.json()["errors"]), answer.text


def test_a_plate_beside_the_targets_point_is_taught_with_its_offset(client, kit, bodies):
    editor, path = client("reviewer"), f"/api/kits/{kit.kit_id}/upkeep/fixture"
    form = editor.get(f"/kits/{kit.kit_id}/upkeep/fixture").text
    assert all(f'name="offset_mm.{n}"' in form for n in range(3))
    half = editor.post(path, json=bodies["fixture"] | {"offset_mm": [0.0, None, -3.0]})
    assert half.status_code == 422
    assert half.json()["errors"][0]["where"] == "offset_mm.1" and "Enter all three" in half.text
    made = editor.post(path, json=bodies["fixture"] | {"offset_mm": [0.0, -80.5, -3.0]})
    assert made.status_code == 201 and made.json()["asked"]["offset_mm"] == [0.0, -80.5, -3.0]
    assert "y −80.5\xa0mm" in editor.get(f"/upkeep/{made.json()['id']}").text


def test_hints_name_lengths_as_the_device_shows_them(client, kit):
    editor = client("reviewer")
    editor.cookies.set("plumbsight_shown", "in_point")
    page = editor.get(f"/kits/{kit.kit_id}/upkeep/bar").text
    assert "A good steel rule: 0.008\xa0in" in page and "0.2 mm" not in page


def test_a_way_of_nothing_is_no_slide(client, kit, bodies):
    body = bodies["slide"] | {"by_mm": 0.2}
    answer = client("reviewer").post(f"/api/kits/{kit.kit_id}/upkeep/slide", json=body)
    assert answer.status_code == 422 and "1 mm" in answer.text


@pytest.fixture
def upkept(store, reviewer, technician, kit: KitRevision) -> Upkept:
    return Upkept(store, reviewer, technician, kit.kit_id)


def came_out(upkept: Upkept, kind: str, asked: dict[str, Any], result: dict[str, Any]) -> str:
    """An upkeep whose group came to this, as the bench writes it."""
    one = upkept.begin(kind, asked)
    with upkept.store.writing() as db:
        row = db.scalars(select(Round).where(Round.visit_id == one)).one()
        row.closed_at, row.closed_by = now(), upkept.technician.person_id
        measured = results.ask(db, row.id)
        measured.state, measured.result = "done", result
        upkeep.after_measuring(db, measured)
    return one


def test_pages_show_a_flagged_kit_loudly_wherever_it_is_used(client, upkept, bay):
    visit = bay.begin()
    asked = {"plates": [30, 31], "length_mm": 1000.0, "u_length_mm": 0.2}
    says = "The kit is flagged. 1003.00 mm measured."
    bad = proof_file(verdict="flagged", value=1003.0, says=says, budget={"print_scale": 0.9, "image": 0.1})
    one = came_out(upkept, "bar", asked, bad)
    phone = client("technician")
    loud = "This kit is flagged."
    for path in (
        "/visits/new",
        f"/visits/{visit.id}",
        f"/visits/{visit.id}/sign",
        f"/kits/{upkept.kit_id}",
        f"/kits/{upkept.kit_id}/upkeep",
    ):
        page = phone.get(path)
        assert page.status_code == 200 and loud in page.text, path
    page = phone.get(f"/upkeep/{one}").text
    assert "1003.00" in page and "the kit is flagged" in page and "print scale" in page.lower()
    stands = phone.get(f"/api/kits/{upkept.kit_id}/proofs").json()
    assert stands["flagged"]["verdict"] == "flagged" and "flagged" in " ".join(stands["says"])


def test_what_a_fixture_and_sheets_were_taught_is_offered_per_figure(client, upkept):
    file = {**upkept_file(upkept), "u_ruler_scale": 0.00037}
    body = {
        "what": "plate 10", "position_mm": [1.0, 350.2, -100.0], "u_position_mm": 0.31,
        "turned_deg": 0.12, "u_rotation_deg": 0.03,
    }  # fmt: skip
    asked = {"name": "front", "target": "board", "target_plate": 9, "plates": [], "u_offset_mm": 0.5}
    one = came_out(upkept, "fixture", asked, {"bodies": [body], "says": ["A remark."], "kit": file})
    sheet = {
        "plate": 4, "n_photos": 8, "ruler": None, "u_ruler": 0.03, "scale": 1.0003, "u_scale": 0.00004,
        "disagrees": True,
    }  # fmt: skip
    sheets = came_out(upkept, "sheets", {}, {"sheets": [sheet], "says": [], "kit": file})
    reviewer = client("reviewer")
    for upkeep_id, shown in ((one, "350.20"), (sheets, "1.00030")):
        page = reviewer.get(f"/upkeep/{upkeep_id}")
        assert page.status_code == 200 and shown in page.text and "0.37" in page.text
        assert "Make it revision 2" in page.text
        assert "Make it revision" not in client("technician").get(f"/upkeep/{upkeep_id}").text
    body = {"says": "taught", "based_on": 1, "confirmed": True}
    assert client("technician").post(f"/api/upkeep/{one}/kit", json=body).status_code == 403
    taken = reviewer.post(f"/api/upkeep/{one}/kit", json=body)
    assert taken.status_code == 201 and taken.json()["is_taken"]
    assert "It is revision 2 of the kit." in reviewer.get(f"/upkeep/{one}").text


def upkept_file(upkept: Upkept) -> dict[str, Any]:
    with upkept.store.reading() as db:
        return db.get_one(KitRevision, (upkept.kit_id, 1)).file


def test_a_lens_is_kept_listed_and_retired(client, upkept):
    camera = {"label": "Lumora L2, main", "applies_to": {"make": "Lumora"}, "size_px": [4032, 3024]}
    lens = {
        "label": camera["label"], "n_photos": 12, "f_px": [2931.2, 1.9], "u_focal": 0.0006,
        "u_corner_px": 1.4, "says": [], "file": camera,
    }  # fmt: skip
    unknown = lens | {"label": "another", "file": None, "f_px": None, "u_corner_px": None, "says": ["Why."]}
    one = came_out(upkept, "lens", {}, {"lenses": [lens, unknown]})
    reviewer = client("reviewer")
    page = reviewer.get(f"/upkeep/{one}").text
    assert "2931.2" in page and "do not fix this lens" in page
    assert client("technician").post(f"/api/upkeep/{one}/lenses").status_code == 403
    assert reviewer.post(f"/api/upkeep/{one}/lenses").json()["kept"] == [camera["label"]]
    (kept,) = reviewer.get("/api/lenses").json()
    assert camera["label"] in reviewer.get("/lenses").text
    assert reviewer.post(f"/api/lenses/{kept['id']}/retire").json()["retired_at"]
    assert "Not used since" in reviewer.get("/lenses").text


def test_a_record_from_before_proofs_were_recorded_is_shown_printed_and_verified(client, signed):
    with signed.store.writing() as db:
        entries = list(db.scalars(select(Entry).order_by(Entry.seq)))
        told = [(entry.kind, entry.visit_id, json.loads(entry.body or b"{}")) for entry in entries]
        for entry in entries:
            db.delete(entry)
        db.flush()
        for kind, visit_id, body in told:
            older = {key: value for key, value in body.items() if key not in ("proof", "proofs", "chain")}
            chain.append(db, signed.store.id, kind, visit_id, older)
    phone, visit_id = client("technician"), signed.visit_ids[0]
    page = phone.get(f"/records/{visit_id}")
    assert page.status_code == 200 and "proved" not in page.text
    assert phone.get(f"/api/visits/{visit_id}/record.pdf").status_code == 200
    with verify.reading_only(signed.store.folder) as db:
        assert verify.verify(db, signed.store.folder, reads_photos=False).is_sound
