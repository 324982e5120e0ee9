"""Clamps in two positions within a visit: what the check finds, where it counts, and until when.

Photos are simulated, so every clamp's seat is known (tools.scene, tools.rolled); sizes of u and coverage are
the study's (tools.studies.seating).
"""

import json
import pickle
import zipfile
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from sqlalchemy import select, update

from api.access import people
from api.figures import Figures
from api.photos import bench, photofiles, work
from api.photos.coach_question import question_of
from api.problems import ConflictError, NotAcceptedError
from api.records import signing, verify
from api.records.exports import write_visits
from api.records.imports import take_in
from api.records.record_pdf import _clamps, _round_lines
from api.records.recording import facts
from api.store import open_store
from api.tables import Arrival, ClampOff, Measured, Visit
from api.visits import results, rounds, visits
from calib_data.clamps import ClampsFile
from calib_data.observations import to_seen_photo
from tests.api.signed import PIN, add_person
from tools.cli import run
from tools.rolled import rolled
from tools.simulate import observe_scene

RIM_TURN_DEG = 8.0
# What the workers gave to the very same question before: most tests begin alike.
KNOWN: dict[bytes, Any] = {}


@pytest.fixture(scope="session")
def after_rolling(scene):
    """The conftest's scene, rolled on by a metre."""
    return rolled(np.random.default_rng(3), scene)


@pytest.fixture
def take(bay, store):
    """`take(visit, kind, scene, seed)`: a closed round of these photos, measured if it is asked for."""

    def taken(visit, kind, scene, seed):
        one = bay.open(visit, kind)
        for found in observe_scene(np.random.default_rng(seed), scene):
            arrival = bay.arrive(one, f"{kind}{seed}-{found.name}")
            with store.writing() as db:
                row = db.get_one(Arrival, arrival.id)
                row.found = work.pack(to_seen_photo(replace(found, name=row.name, sha256=row.sha256)))
        bay.close(one)
        work_off(store)
        return one

    return taken


@pytest.fixture
def checked(bay, take, scene, after_rolling):
    """A visit whose clamps were checked in rounds 1 and 2."""
    visit = bay.begin()
    take(visit, "clamps_before", scene, 1)
    take(visit, "clamps_after", after_rolling, 2)
    return visit


def work_off(store):
    """Do what the bench would do, but for looking: photos here were looked at."""
    while True:
        with store.reading() as db:
            task = bench.next_task(db, store, frozenset(), 1)
        if task is None:
            return
        asked = pickle.dumps((task.function.__name__, task.args))
        if asked not in KNOWN:
            KNOWN[asked] = task.function(*task.args)
        with store.writing() as db:
            task.write(db, KNOWN[asked])


def latest(store, one):
    with store.reading() as db:
        row = results.latest(db, one.id)
        db.expunge(row)
        return row


def hung_anew(scene, wheel):
    """The scene with one clamp turned on its wheel, as a hand would hang it again."""
    number = scene.kit.clamps[wheel].plate
    turn = np.eye(4)
    turn[:3, :3] = Rotation.from_euler("z", RIM_TURN_DEG, degrees=True).as_matrix()

    def moved(plate):
        return replace(plate, T_world_plate=plate.T_world_plate @ turn) if plate.number == number else plate

    photos = tuple(replace(p, plates=tuple(moved(plate) for plate in p.plates)) for p in scene.photos)
    return replace(scene, photos=photos)


# --- the check ----------------------------------------------------------------------------------------------


def test_a_visit_may_begin_with_a_check_and_rolls_before_the_second_half(bay, take, scene):
    visit = bay.begin()
    assert bay.summary(visit).next_kinds == ["first", "clamps_before"]
    with pytest.raises(ConflictError, match="Take those first, then roll it"):
        bay.open(visit, "clamps_after")
    before = take(visit, "clamps_before", scene, 1)
    assert bay.summary(visit).next_kinds[0] == "clamps_after"
    with bay.store.reading() as db:
        assert results.latest(db, before.id) is None  # nothing to measure yet


def test_the_check_finds_each_seat_within_its_uncertainty(checked, bay, scene):
    clamps = bay.summary(checked).clamps
    assert clamps.says == "checked in rounds 1 and 2 (16 photos)"
    assert [one.wheel for one in clamps.seats] == list(scene.kit.clamps)
    assert all(one.holds and one.found["is_seated"] for one in clamps.seats)
    for one in clamps.seats:
        # The kit declares 0.3 mm and 0.03 degrees, and that is what was drawn.
        assert one.found["u_eccentricity_mm"] <= 0.3 and one.found["u_tilt_deg"] <= 0.03
        assert np.hypot(*one.found["eccentricity_mm"]) < 5 * 0.3
        assert 100 < one.found["turn_deg"] <= 180


def test_rounds_after_it_are_measured_with_the_clamps_as_they_hang(
    checked, take, store, scene, after_rolling
):
    look = latest(store, take(checked, "first", after_rolling, 4))
    assert look.state == "done", look.says
    assert look.inputs["clamps"]["rounds"] == [1, 2]
    kit = look.inputs["kit"]["file"]
    for wheel, told in look.result["clamps"].items():
        assert told["says"] == "checked in rounds 1 and 2 (16 photos)" and told["holds"]
        assert kit["wheels"][wheel]["tilt_deg"] == pytest.approx(told["tilt_deg"], abs=1e-5)
    assert not [what for what in look.result["not_checked"] if what.startswith("clamp seating")]
    assert next(t for t in look.result["tests"] if t["name"] == "clamps as checked")["ok"]
    with store.reading() as db:
        question, _ = question_of(db, look.round_id, None)
    assert question.kit == kit  # the coach counts on them too


def test_without_a_check_the_result_says_that_seating_was_not_checked(bay, take, store, scene):
    look = latest(store, take(bay.begin(), "first", scene, 4))
    assert "clamps" not in look.inputs and look.result["clamps"] == {}
    assert look.result["not_checked"][0].startswith("clamp seating (")


def test_a_round_that_was_measured_while_the_check_was_not_is_measured_again(
    bay, store, take, scene, after_rolling
):
    """The check's own photos wait to be looked at while the look is measured."""
    visit = bay.begin()
    take(visit, "clamps_before", scene, 1)
    after = take(visit, "clamps_after", after_rolling, 2)
    with store.writing() as db:
        waits = db.scalars(select(Arrival).where(Arrival.round_id == after.id)).first()
        waits.state = "waiting"
        row = results.latest(db, after.id)
        row.state, row.result = "waiting", None
        key = ("look", waits.id)
    look = bay.open(visit, "first")
    for found in observe_scene(np.random.default_rng(5), after_rolling):
        arrival = bay.arrive(look, f"late-{found.name}")
        with store.writing() as db:
            row = db.get_one(Arrival, arrival.id)
            row.found = work.pack(to_seen_photo(replace(found, name=row.name, sha256=row.sha256)))
    bay.close(look)
    with store.reading() as db:
        task = bench.next_task(db, store, frozenset([key]), 1)
    assert task.key == ("measure", latest(store, look).seq)  # not the check: a photo of it waits
    outcome = task.function(*task.args)
    with store.writing() as db:
        task.write(db, outcome)
    assert "clamps" not in latest(store, look).inputs
    with store.writing() as db:
        db.get_one(Arrival, key[1]).state = "looked"
    work_off(store)
    assert latest(store, look).inputs["clamps"]["rounds"] == [1, 2]


def test_a_check_whose_wheels_hardly_turned_says_what_to_do(bay, take, store, scene):
    visit = bay.begin()
    take(visit, "clamps_before", scene, 1)
    row = latest(store, take(visit, "clamps_after", scene, 2))
    assert row.state == "not_enough" and "half a turn is needed" in row.says
    assert bay.summary(visit).clamps is None


# --- until when ---------------------------------------------------------------------------------------------


def test_a_clamp_that_a_person_took_off_counts_as_the_kit_says_again(
    checked, bay, store, take, technician, after_rolling, kit_json
):
    first = take(checked, "first", after_rolling, 4)
    with store.writing() as db:
        visits.clamps_off(db, technician, checked.id, ["rear_left"], "slipped", None)
    seats = {one.wheel: one for one in bay.summary(checked).clamps.seats}
    assert not seats["rear_left"].holds and "slipped" in seats["rear_left"].why_not
    assert seats["rear_right"].holds
    second = latest(store, take(checked, "after_correction", after_rolling, 5))
    assert second.inputs["clamps"]["wheels"] == ["front_left", "front_right", "rear_right"]
    assert second.inputs["kit"]["file"]["wheels"]["rear_left"] == kit_json["wheels"]["rear_left"]
    assert second.result["not_checked"][0].startswith("clamp seating of rear left (")
    assert "rear_left" in latest(store, first).inputs["clamps"]["wheels"]  # it still hung then


def test_taken_off_before_a_round_that_was_measured_has_that_one_measured_again(
    checked, store, take, technician, after_rolling
):
    first = take(checked, "first", after_rolling, 4)
    with store.writing() as db:
        visits.clamps_off(db, technician, checked.id, ["rear_left"], "slipped", 3)
    work_off(store)
    assert "rear_left" not in latest(store, first).inputs["clamps"]["wheels"]


def test_a_clamp_that_was_hung_anew_contradicts_the_check_and_counts_no_more(
    checked, bay, store, take, after_rolling
):
    first = latest(store, take(checked, "first", hung_anew(after_rolling, "rear_left"), 4))
    test = next(t for t in first.result["tests"] if t["name"] == "clamps as checked")
    assert not test["ok"] and "rear left wheel (turned by 8.0 degrees)" in test["says"]
    assert first.result["decision"] != "conforming"
    assert {w for w, one in first.result["clamps"].items() if not one["holds"]} == {"rear_left"}
    seats = {one.wheel: one for one in bay.summary(checked).clamps.seats}
    assert seats["rear_left"].why_not == "it hangs otherwise by the photos of round 3"
    second = latest(store, take(checked, "first", after_rolling, 5))
    assert second.inputs["clamps"]["wheels"] == ["front_left", "front_right", "rear_right"]


@pytest.mark.parametrize(
    ("wheels", "from_round", "wrong"),
    [
        (["rear_left"], 2, NotAcceptedError),
        (["rear_left"], 9, NotAcceptedError),
        (["fifth"], None, ConflictError),
        ([], None, ConflictError),
    ],
)
def test_only_a_checked_clamp_is_taken_off_and_only_after_its_check(
    checked, store, technician, wheels, from_round, wrong
):
    with store.writing() as db, pytest.raises(wrong):
        visits.clamps_off(db, technician, checked.id, wheels, "slipped", from_round)


def test_a_new_check_takes_the_place_of_the_old_one(
    checked, bay, store, take, scene, after_rolling, technician
):
    with store.writing() as db:
        visits.clamps_off(db, technician, checked.id, ["rear_left"], "slipped", None)
    take(checked, "clamps_before", scene, 6)
    take(checked, "clamps_after", after_rolling, 7)
    clamps = bay.summary(checked).clamps
    assert clamps.says.startswith("checked in rounds 3 and 4") and all(one.holds for one in clamps.seats)


# --- the record ---------------------------------------------------------------------------------------------


def test_the_record_has_the_check_and_a_vehicle_rolled_later_leaves_the_visit_undecided(
    checked, store, take, scene, after_rolling, technician
):
    take(checked, "first", after_rolling, 4)
    with store.writing() as db:
        visits.clamps_off(db, technician, checked.id, ["rear_left"], "slipped", None)
    with store.reading() as db:
        record = facts(db, db.get_one(Visit, checked.id))
    before, after, look = record["rounds"]
    assert before["result"] is None and before["state"] == "not_asked" and "rolled" in before["says"]
    assert after["result"] is None
    found = ClampsFile.model_validate(after["clamps"])
    assert {photo.sha256 for photo in found.photos} == {
        p["sha256"] for p in record["photos"] if p["round"] in (1, 2)
    }
    assert look["inputs"]["clamps"]["rounds"] == [1, 2] and look["clamps"] is None
    assert record["clamps_off"][0]["wheel"] == "rear_left" and record["clamps_off"][0]["from_round"] == 4
    assert record["decision"] == look["result"]["decision"]
    assert not [says for says in record["cautions"] if "gave no result" in says]
    take(checked, "clamps_before", scene, 6)
    take(checked, "clamps_after", after_rolling, 7)
    with store.reading() as db:
        record = facts(db, db.get_one(Visit, checked.id))
    assert record["decision"] == "undecided"
    assert record["says"] == "undecided: the vehicle was rolled after round 3 of 5"
    assert json.dumps(record)


def test_a_check_is_no_round_to_compare_or_to_coach(checked, store, take, after_rolling):
    take(checked, "first", after_rolling, 4)
    with store.reading() as db:
        _, after, look = rounds.of_visit(db, checked.id)
        with pytest.raises(ConflictError, match="no result to compare"):
            results.compare(db, after.id, look.id)
        with pytest.raises(ConflictError, match="checks the clamps"):
            question_of(db, after.id, None)


@pytest.fixture
def signed_visit(checked, store, take, after_rolling, technician):
    """A visit with a check, a look with it, and a clamp taken off since; photo files are stand-ins."""
    take(checked, "first", after_rolling, 4)
    with store.writing() as db:
        visits.clamps_off(db, technician, checked.id, ["rear_left"], "slipped", None)
        people.set_pin(db, technician.person_id, people.hash_pin(PIN))
        for photo in db.scalars(select(Arrival)):
            path = photofiles.incoming(store)
            path.write_bytes(photo.name.encode())
            photofiles.files_at(store.place).put(path, photo.sha256)
    signing.sign(store, technician, checked.id, PIN, "")
    return checked


def test_exported_the_check_and_the_look_with_it_compute_again(signed_visit, store, tmp_path):
    with store.reading() as db, open(tmp_path / "visit.zip", "wb") as out:
        write_visits(db, store, [signed_visit.id], out)
    with zipfile.ZipFile(tmp_path / "visit.zip") as file:
        file.extractall(tmp_path / "visit")
        _, check, look = json.loads(file.read("record.json"))["rounds"]
    folder = tmp_path / "visit"
    for number in (1, 2, 3):  # stand-ins cannot be decoded: what was found takes their place
        for photo in (folder / f"round-{number}").glob("*clamps*"):
            photo.unlink()
    kit = folder / "round-2" / "kit.json"
    words = ["clamps", str(folder / "round-1"), str(folder / "round-2"), "--kit", str(kit)]
    assert run([*words, "--out", str(tmp_path / "hung.json")]) == 0
    again = json.loads((tmp_path / "hung.json").read_text())["wheels"]
    for wheel, seat in check["clamps"]["seats"].items():
        for key in ("eccentricity_mm", "tilt_deg", "u_eccentricity_mm", "u_tilt_deg"):
            assert again[wheel][key] == pytest.approx(seat[key], abs=2e-4), (wheel, key)
    words = ["measure", str(folder / "round-3"), "--observations", "--quiet"]
    run([*words, "--json", str(tmp_path / "result.json")])
    result = json.loads((tmp_path / "result.json").read_text())
    assert result["clamps"] == look["result"]["clamps"]
    for key, entry in look["result"]["placements"][0]["values"].items():
        if entry["value"] is not None:
            off = abs(result["placements"][0]["values"][key]["value"] - entry["value"])
            assert off <= 1e-6 * entry["u"], key


def test_imported_the_check_is_the_same_and_sound(signed_visit, store, tmp_path):
    with store.reading() as db, open(tmp_path / "visit.zip", "wb") as out:
        write_visits(db, store, [signed_visit.id], out)
    other = open_store(tmp_path / "other")
    take_in(other, add_person(other), tmp_path / "visit.zip")
    with other.reading() as db:
        assert visits.summary(db, signed_visit.id).clamps == visits_clamps(store, signed_visit)
        assert not verify.verify(db, other.place, reads_photos=False).faults
    other.close()


def visits_clamps(store, visit):
    with store.reading() as db:
        return visits.summary(db, visit.id).clamps


@pytest.mark.parametrize("what", ["seat", "off"])
def test_a_check_or_a_taking_off_changed_after_signing_is_found(signed_visit, store, what):
    with store.writing() as db:
        if what == "off":
            db.execute(update(ClampOff).values(wheel="rear_right"))
        else:
            row = db.scalars(select(Measured).order_by(Measured.seq)).first()
            result = json.loads(json.dumps(row.result))
            result["seats"]["rear_left"]["tilt_deg"] = [0.0, 0.0]
            row.result = result
    with store.reading() as db:
        faults = verify.verify(db, store.place, reads_photos=False).faults
    where = "clamps_off[0].wheel" if what == "off" else "rounds[1].clamps.seats.rear_left.tilt_deg"
    assert any(where in fault for fault in faults)


def test_the_paper_tells_the_check(signed_visit, store):
    with store.reading() as db:
        record = facts(db, db.get_one(Visit, signed_visit.id))
    (says, off) = _clamps(record["rounds"][2], record)
    assert says.startswith("As they hang (front left, front right, rear left, rear right): checked in")
    assert off == "Taken off before round 4: rear left: slipped"
    lines = list(_round_lines(record["rounds"][1], Figures(), is_study=False))
    assert len(lines) == 4 and lines[0].startswith("front left: ") and lines[0].endswith("as the kit says")


# --- pages and routes ---------------------------------------------------------------------------------------


def test_pages_offer_the_check_with_its_caution_and_show_what_it_found(
    client, bay, take, scene, after_rolling
):
    phone = client("technician")
    visit = bay.begin()
    page = phone.get(f"/visits/{visit.id}").text
    assert "Clamp seating: not checked." in page and "someone at the brake" in page
    assert 'value="clamps_before"' in page
    before = take(visit, "clamps_before", scene, 1)
    page = phone.get(f"/visits/{visit.id}").text
    assert 'value="clamps_after"' in page and "someone at the brake" in page
    after = take(visit, "clamps_after", after_rolling, 2)
    page = phone.get(f"/visits/{visit.id}").text
    assert "checked in rounds 1 and 2 (16 photos)" in page and page.count("sits as the kit says") >= 4
    assert "How the clamps hang" in phone.get(f"/rounds/{after.id}/result").text
    assert phone.get(f"/rounds/{before.id}").status_code == 200
    look = take(visit, "first", after_rolling, 4)
    assert "Clamps as they hang" in phone.get(f"/rounds/{look.id}/result").text


def test_a_clamp_is_taken_off_by_a_request(client, checked):
    phone = client("technician")
    answer = phone.post(
        f"/api/visits/{checked.id}/clamps/off",
        json={"wheels": ["rear_left"], "says": "slipped"},
        headers={"Idempotency-Key": "one"},
    )
    assert answer.status_code == 201, answer.text
    seats = {one["wheel"]: one["holds"] for one in answer.json()["clamps"]["seats"]}
    assert seats == {"front_left": True, "front_right": True, "rear_left": False, "rear_right": True}


def test_a_photo_before_rolling_that_comes_later_has_the_check_measured_again(checked, store):
    with store.writing() as db:
        before, after = rounds.of_visit(db, checked.id)[:2]
        first = results.latest(db, after.id)
        assert results.ask(db, before.id).round_id == after.id
        assert results.latest(db, after.id).seq > first.seq
        assert not list(db.scalars(select(Measured).where(Measured.round_id == before.id)))


def test_a_visit_with_nothing_but_a_check_is_not_worth_signing(checked, store):
    with store.reading() as db:
        (says,) = signing.open_points(db, checked.id)
    assert "No round of this visit was measured" in says
