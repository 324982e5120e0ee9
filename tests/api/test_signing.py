"""Signing closes a visit with all that happened in it, and refuses what is not ready."""

import pytest
from sqlalchemy import select, update

from api.problems import ConflictError, NotAllowedError, NotThereError
from api.records import chain
from api.records.recording import facts
from api.records.signing import draft, entry_of, open_points, sign
from api.store import new_id
from api.tables import Arrival, Entry, Measured, Round, Visit
from calib_data.record import RecordFile
from tests.api.signed import PIN, add_person, add_visit


@pytest.fixture
def kim(store):
    return add_person(store)


@pytest.fixture
def visit_id(store, kim):
    return add_visit(store, kim)


def _record(store, entry):
    return chain.body_of(entry)


def test_a_record_holds_what_a_reviewer_needs_years_later(store, kim, visit_id):
    record = _record(store, sign(store, kim, visit_id, PIN, "Floor was swept."))
    RecordFile.model_validate(record)
    assert record["decision"] == "conforming"
    assert record["says"] == "conforming in round 2 of 2"
    assert [one["result"]["decision"] for one in record["rounds"]] == ["nonconforming", "conforming"]
    assert all(one["observations"]["photos"][0]["plates"][0]["saddles"] for one in record["rounds"])
    assert record["visit"]["vehicle"]["label"] == "estate, white"
    assert record["kit"]["file"]["plates"] and record["placements"][0]["procedure_edition"] == "7th, 2025"
    assert record["phones"] == ["Invented Phone 3"]
    assert [p["name"] for p in record["people"]] == [kim.name]
    assert record["signature"]["statement"] == "Floor was swept."
    assert record["rule"]["joint"][0]["p_conform_at_least"] > 0.9
    assert record["made_with"]["numpy"]
    unchecked = {words.partition(":")[0] for words in record["not_checked"]}
    assert {"steering", "settled"} <= unchecked and not {"floor", "tyres"} & unchecked
    assert [one["says"] for one in record["deviations"]] == ["The bay's gate stayed open."]
    assert "place of the target" in record["covers"]


def test_refused_photos_are_in_the_record_with_their_reason_and_both_hashes(store, kim, visit_id):
    record = _record(store, sign(store, kim, visit_id, PIN, ""))
    assert [p["round"] for p in record["photos"]] == [1] * 6 + [2] * 6 + [None]
    refused = record["photos"][-1]
    assert refused["refused_reason"] == "of another vehicle"
    assert refused["sha256"] != refused["came_as_sha256"]
    assert refused["taken_out"] == ["place (GPS)"]


def test_signing_closes_the_visit_and_is_done_once(store, kim, visit_id):
    sign(store, kim, visit_id, PIN, "")
    with store.reading() as db:
        assert db.get_one(Visit, visit_id).signed_at
        assert entry_of(db, visit_id).seq == 1
    with pytest.raises(ConflictError, match="signed and closed"):
        sign(store, kim, visit_id, PIN, "")
    with store.reading() as db:
        assert len(db.scalars(select(Entry)).all()) == 1


def test_a_wrong_pin_signs_nothing(store, kim, visit_id):
    with pytest.raises(NotAllowedError):
        sign(store, kim, visit_id, "4712-board", "")
    with store.reading() as db:
        assert entry_of(db, visit_id) is None


def test_the_tables_of_a_signed_visit_say_what_its_record_says(store, kim, visit_id):
    record = _record(store, sign(store, kim, visit_id, PIN, ""))
    with store.reading() as db:
        again = facts(db, db.get_one(Visit, visit_id))
    assert {key: record[key] for key in again if key != "people"} == {
        k: v for k, v in again.items() if k != "people"
    }


def _open_round(db, visit_id):
    db.execute(update(Round).where(Round.visit_id == visit_id, Round.number == 2).values(closed_at=None))


def _into_tray(db, visit_id):
    refused = (Arrival.visit_id == visit_id, Arrival.refused_reason.is_not(None))
    db.execute(update(Arrival).where(*refused).values(refused_reason=None))


def _not_looked_at(db, visit_id):
    db.execute(update(Arrival).where(Arrival.visit_id == visit_id, Arrival.seq == 3).values(state="waiting"))


def _being_measured(db, visit_id):
    db.execute(update(Measured).values(state="waiting", result=None))


def _never_measured(db, visit_id):
    db.execute(update(Measured).values(state="not_enough", says="Too few photos.", result=None))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (_open_round, "still open"),
        (_into_tray, "1 photo is in the tray"),
        (_not_looked_at, "1 photo is not looked at"),
        (_being_measured, "being measured"),
        (_never_measured, "nothing to sign"),
    ],
)
def test_what_is_still_open_is_named_and_stands_in_the_way(store, kim, visit_id, change, says):
    with store.writing() as db:
        change(db, visit_id)
    with store.reading() as db:
        assert says in open_points(db, visit_id)[0]
    with pytest.raises(ConflictError, match=says):
        sign(store, kim, visit_id, PIN, "")
    with store.reading() as db:
        assert db.get_one(Visit, visit_id).signed_at is None


def test_a_demonstration_cannot_be_signed(store, kim):
    demo = add_visit(store, kim, is_demo=True)
    with pytest.raises(ConflictError, match="demonstration"):
        sign(store, kim, demo, PIN, "")
    with store.reading() as db:
        assert draft(db, demo)["kit"]["is_demo"]


def test_a_visit_that_is_not_there_is_said_to_be_missing(store, kim):
    with pytest.raises(NotThereError):
        sign(store, kim, new_id(), PIN, "")


def test_a_last_round_without_result_leaves_the_visit_undecided(store, kim):
    visit_id = add_visit(store, kim, left_mm=(0.0, 0.0))
    with store.writing() as db:
        last = select(Round.id).where(Round.visit_id == visit_id, Round.number == 2)
        fails = {"state": "not_enough", "says": "Two photos only.", "result": None, "observations": None}
        db.execute(update(Measured).where(Measured.round_id.in_(last)).values(**fails))
    record = _record(store, sign(store, kim, visit_id, PIN, ""))
    assert record["decision"] == "undecided"
    assert record["says"] == "undecided: round 2 of 2 could not be measured"
    assert "Round 2 gave no result: Two photos only." in record["cautions"]


def test_an_earlier_measuring_of_a_round_stays_named(store, kim, visit_id):
    with store.writing() as db:
        row = db.scalars(select(Measured).order_by(Measured.seq)).first()
        again = {c.name: getattr(row, c.name) for c in Measured.__table__.columns if c.name != "seq"}
        db.add(Measured(**again))
    record = _record(store, sign(store, kim, visit_id, PIN, ""))
    assert [one["result"]["decision"] for one in record["rounds"][0]["earlier"]] == ["nonconforming"]


def test_without_the_slip_in_a_photo_the_record_says_that_identity_rests_on_the_person(store, kim, visit_id):
    with store.writing() as db:
        db.execute(update(Arrival).where(Arrival.visit_id == visit_id).values(slip_seen=None))
    record = _record(store, sign(store, kim, visit_id, PIN, ""))
    assert "rests on the person alone" in record["visit"]["identity"]


def test_the_role_in_the_record_is_the_one_held_when_signing(store, visit_id):
    lee = add_person(store, "Lee Invented", "technician")
    record = _record(store, sign(store, lee, visit_id, PIN, ""))
    assert record["signature"]["role"] == "technician"
    assert {p["name"] for p in record["people"]} == {"Kim Invented", "Lee Invented"}
