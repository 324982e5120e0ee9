"""Two boards together, and a board near and then far: from detections to record, verification and re-check.

Detections are simulated, so what is true is known (tools.kind_families).
"""

from dataclasses import replace

import numpy as np
import pytest
from sqlalchemy import select

from api.photos import work
from api.records import chain, signing, verify
from api.tables import Arrival, Measured
from api.visits import kits, placements, rounds, whole
from api.visits.placements import Typed
from calib_data import results as rechecked
from calib_data.formats import ShiftFile
from calib_data.observations import to_seen_photo
from calib_data.shift import decide_shift
from tests.api.conftest import Bay
from tests.api.signed import PIN, add_person
from tests.api.test_clampchecks import work_off
from tools.kind_families import draw_bay, draw_two_rounds
from tools.make_set import kit_file, placement_file, relation_file, vehicle_file
from tools.recheck.folders import folder_of
from tools.recheck.run import Wanted, run
from tools.simulate import observe_scene

pytestmark = pytest.mark.study
TYPED = Typed("An invented procedure", "2026-02", confirmed=True)


@pytest.fixture
def shop(store, technician, reviewer):
    """`shop(scene, placements, between)`: a technician of that scene, a visit that checks them, their ids."""

    def made(scene, required, between):
        with store.writing() as db:
            kit = kits.add(db, reviewer, kit_file(scene.kit) | {"name": "van 1"}, "measured", confirmed=True)
            rows = [placements.add(db, reviewer, file, TYPED) for file in (*required, *between)]
            ids = [row.placement_id for row in rows]
            for row in (kit, rows[0]):
                db.refresh(row)
                db.expunge(row)
        bay = Bay(store, technician, kit, rows[0], vehicle_file(scene.vehicle) | {"label": "estate, white"})
        chosen, of_two = ids[: len(required)], ids[len(required) :]
        return bay, bay.begin(placement_ids=chosen, between_ids=of_two, confirmed=True), ids

    return made


def take(bay, visit, scene, seed, standing=None):
    """A closed and measured round of the scene's photos."""
    with bay.store.writing() as db:
        one = rounds.open(db, bay.caller, visit.id, "first", standing)
        db.expunge(one)
    for found in observe_scene(np.random.default_rng(seed), scene):
        arrival = bay.arrive(one, f"{visit.number}-{one.number}-{found.name}")
        with bay.store.writing() as db:
            row = db.get_one(Arrival, arrival.id)
            row.found = work.pack(to_seen_photo(replace(found, name=row.name, sha256=row.sha256)))
    bay.close(one)
    work_off(bay.store)
    with bay.store.reading() as db:
        measured = db.scalars(select(Measured).where(Measured.round_id == one.id)).one()
        assert measured.state == "done", measured.says
        return measured.result


def signed(store, visit):
    kim = add_person(store)
    signing.sign(store, kim, visit.id, PIN, "")
    with store.reading() as db:
        return chain.body_of(signing.entry_of(db, visit.id))


def hold(store, tmp_path, subject):
    """Verification and a re-check of what was signed."""
    with verify.reading_only(store.place) as db:
        assert [says for says in verify.verify(db, store.place).faults if "missing" not in says] == []
    out = tmp_path / "results.sqlite"
    summary = run(Wanted(folder_of(str(store.folder)), out, mode="observations", n_workers=0))
    assert set(summary.outcomes) <= {"agrees", "photo_missing"}  # photo files are stand-ins, not there
    with rechecked.reading(out) as db:
        values = list(db.scalars(select(rechecked.Value).where(rechecked.Value.subject == subject)))
        assert values
        for value in values:
            assert value.decision_today == value.decision_signed
            assert value.today == pytest.approx(value.signed, abs=1e-6 * value.u_signed)


def test_a_board_near_and_then_far(shop, store, tmp_path):
    (near, far), asked = draw_two_rounds(3, "board_near_and_far")
    assert kit_file(near.kit) == kit_file(far.kit)
    required = []
    for bay, name in ((near, "board near"), (far, "board far")):
        distance = round(bay.true_values(0)["distance_mm"], 1)
        values = {"distance_mm": {"nominal": distance, "minus": 20.0, "plus": 20.0}}
        required.append(placement_file(bay.placements[0]) | {"name": name, "values": values})
    shift = asked | {"name": "near to far", "from": "board near", "to": "board far"}
    bay, visit, ids = shop(near, required, [shift])
    first = take(bay, visit, near, 1, [ids[0]])
    assert [one["name"] for one in first["placements"]] == ["board near"]
    with store.reading() as db:
        assert whole.of_visit(db, visit.id).shifts[0].missing[0].startswith("Round 1 is at")
    second = take(bay, visit, far, 2, [ids[1]])
    body = signed(store, visit)
    came_to = body["shifts"][0]["came_to"]
    assert (came_to["before_round"], came_to["after_round"]) == (1, 2)
    decided = decide_shift(first, second, ShiftFile.model_validate(shift)).told
    assert came_to["values"] == decided["values"] and came_to["decision"] == decided["decision"]
    true = [bay.true_values(0) for bay in (near, far)]
    for key, value in came_to["values"].items():
        # 5 u are exceeded once in two million times.
        assert abs(value["value"] - (true[1][key] - true[0][key])) < 5 * value["u"]
        apart = [one["placements"][0]["values"][key]["u"] for one in (first, second)]
        assert value["u"] < np.hypot(*apart)
    hold(store, tmp_path, "shift")


def test_a_pair_of_boards(shop, store, tmp_path):
    scene = draw_bay(np.random.default_rng(3), "pair_of_boards")
    required = [placement_file(one) for one in scene.placements]
    relation = relation_file(scene.relations[0], scene.placements)
    spacing = scene.true_relation(0)["spacing_mm"]
    wide = {"spacing_mm": {"nominal": round(spacing + 20, 1), "minus": 4.0, "plus": 4.0}}
    bay, visit, _ = shop(scene, required, [relation | {"values": wide}])
    result = take(bay, visit, scene, 1)
    (found,) = result["relations"]
    value = found["values"]["spacing_mm"]
    assert abs(value["value"] - spacing) < 5 * value["u"]
    # Asked 20 mm wider than it is: it alone decides, with the round, the visit and the record.
    assert (found["decision"], result["decision"]) == ("nonconforming", "nonconforming")
    assert "away from" in found["advice"][0]
    body = signed(store, visit)
    assert body["decision"] == "nonconforming"
    assert body["rounds"][0]["inputs"]["relations"][0]["file"]["name"] == relation["name"]
    hold(store, tmp_path, "relation")
