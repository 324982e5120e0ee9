"""The visit: begun, changed within, offered again."""

import copy
import threading
from dataclasses import replace

import pytest
from sqlalchemy import select

from api.problems import ConflictError, DoubtError, NotAcceptedError, NotThereError
from api.tables import Arrival, Measured
from api.visits import kits, placements, tray, visits
from api.visits.conditions import ConditionSaid
from api.visits.placements import Typed
from api.visits.visits import VehicleCorrection
from vision.errors import PlacementError, SetError

TYPED = Typed("An invented procedure", "2026-02", "board_ahead", says="changed")


def revised_kit(bay, reviewer, standoff_mm: float = 121.5):
    file = copy.deepcopy(bay.kit.file)
    file["wheels"]["front_left"]["standoff_mm"] = standoff_mm
    with bay.store.writing() as db:
        last = kits.current(db, bay.kit.kit_id).revision
        kits.revise(db, reviewer, bay.kit.kit_id, file, "measured anew", based_on=last)
    return file


def measured(bay) -> list[Measured]:
    with bay.store.reading() as db:
        return list(db.scalars(select(Measured).order_by(Measured.seq)))


def said(bay, visit) -> list[str]:
    return [one.says for one in bay.summary(visit).deviations]


# --- beginning --------------------------------------------------------------------------------------


def test_a_visit_holds_what_was_entered(bay):
    visit = bay.begin(
        odometer_km=48210,
        vin="1g4ah59h45g118341",
        bay=" bay  2 ",
        conditions=[ConditionSaid("floor", "measured", "2 mm")],
    )
    view = bay.summary(visit)
    assert (view.number, view.odometer_km, view.vin, view.bay) == (1, 48210, "1G4AH59H45G118341", "bay 2")
    assert (view.vehicle, view.begun_by, view.signed_at) == (bay.vehicle, "T. Example", None)
    assert (view.kit.name, view.kit.revision) == ("van 1", 1)
    assert [one.name for one in view.placements] == ["front camera board, family A"]
    assert view.placements[0].procedure_title == "An invented procedure"
    assert view.slip_text == f"PLUMBSIGHT VISIT 1 {view.slip}"
    assert not view.is_demo and view.deviations == []


def test_a_visit_begins_with_the_latest_revisions_and_keeps_them(bay, reviewer):
    revised_kit(bay, reviewer)
    visit = bay.begin()
    revised_kit(bay, reviewer, 122.0)
    view = bay.summary(visit)
    assert (view.kit.revision, view.kit.current_revision) == (2, 3)
    assert view.kit.file["wheels"]["front_left"]["standoff_mm"] == 121.5


def test_without_a_wheelbase_no_visit_begins(bay):
    del bay.vehicle["wheelbase_mm"]
    with pytest.raises(SetError, match="wheelbase_mm is missing"):
        bay.begin()
    with bay.store.reading() as db:
        assert visits.listed(db) == []


def test_a_wrong_check_digit_is_asked_back_and_then_a_named_deviation(bay):
    with pytest.raises(DoubtError, match="ninth character would have to be 4, not 5"):
        bay.begin(vin="1G4AH59H55G118341")
    visit = bay.begin(vin="1G4AH59H55G118341", confirmed=True)
    (says,) = said(bay, visit)
    assert says.startswith("Confirmed: vin is 1G4AH59H55G118341, whose ninth character")


@pytest.mark.parametrize("bay_name", ["x" * 201, "a\x07b"])
def test_a_strange_name_of_a_bay_is_refused(bay, bay_name):
    with pytest.raises(NotAcceptedError, match="The bay's name must be on one line"):
        bay.begin(bay=bay_name)


def test_what_the_kit_does_not_have_is_refused(bay, reviewer, placement_json):
    with bay.store.writing() as db:
        file = placement_json | {"name": "other", "fixture": "rear"}
        other = placements.add(db, reviewer, file, replace(TYPED, confirmed=True)).placement_id
    with pytest.raises(PlacementError, match='fixture is "rear", but the kit has "front"'):
        bay.begin(placement_ids=[other])


def test_a_retired_kit_is_refused(bay, reviewer):
    with bay.store.writing() as db:
        kits.retire(db, reviewer, bay.kit.kit_id)
    with pytest.raises(ConflictError, match="This kit is retired"):
        bay.begin()


def test_an_unknown_visit_is_said(bay):
    with bay.store.reading() as db, pytest.raises(NotThereError, match="no such visit"):
        visits.summary(db, "none")


def test_one_demo_part_makes_a_demo_visit(bay, reviewer, placement_json):
    with bay.store.writing() as db:
        file = placement_json | {"name": "DEMO board"}
        demo = placements.add(db, reviewer, file, TYPED, is_demo=True).placement_id
    assert bay.summary(bay.begin(placement_ids=[demo])).is_demo
    with bay.store.reading() as db:
        assert [line.is_demo for line in visits.listed(db)] == [True]


def test_visits_are_listed_the_latest_first(bay):
    for _ in range(3):
        bay.begin()
    with bay.store.reading() as db:
        assert [line.number for line in visits.listed(db)] == [3, 2, 1]
        assert [line.number for line in visits.listed(db, skip=1, limit=1)] == [2]
        assert visits.listed(db)[0].label == "hatchback, grey"


def test_the_list_says_how_each_visit_stands(bay):
    bay.begin()
    visit = bay.begin(bay="bay 2")
    one = bay.open(visit)
    bay.arrive(one, "a.jpg")
    bay.close(one)
    bay.arrive(one, "late.jpg")
    with bay.store.writing() as db:
        row = db.scalars(select(Measured)).one()
        row.state, row.result = "done", {"format": "plumbsight.result/1", "decision": "undecided"}
    bay.open(visit, "after_correction")
    with bay.store.reading() as db:
        second, first = visits.listed(db)
    assert (second.n_rounds, second.open_round, second.n_tray) == (2, 2, 1)
    assert (second.decision, second.decision_round, second.bay) == ("undecided", 1, "bay 2")
    assert (first.n_rounds, first.open_round, first.n_tray, first.decision) == (0, None, 0, None)


def test_a_round_that_is_measured_again_shows_no_older_decision(bay):
    visit = bay.begin()
    one = bay.open(visit)
    bay.arrive(one, "a.jpg")
    bay.close(one)
    with bay.store.writing() as db:
        row = db.scalars(select(Measured)).one()
        row.state, row.result = "done", {"format": "plumbsight.result/1", "decision": "conforming"}
        db.flush()
        right = bay.vehicle | {"wheelbase_mm": 2860}
        visits.correct_vehicle(db, bay.caller, visit.id, VehicleCorrection(right, "misread"))
    with bay.store.reading() as db:
        assert visits.listed(db)[0].decision is None
    assert bay.summary(visit).rounds[0].measured.decision is None


# --- changes within a visit -------------------------------------------------------------------------


def test_another_revision_of_the_kit_within_a_visit_is_a_named_deviation(bay, reviewer):
    visit = bay.begin()
    revised_kit(bay, reviewer)
    with bay.store.writing() as db:
        visits.use_kit(db, bay.caller, visit.id, bay.kit.kit_id, "the clamp was measured again")
    assert bay.summary(visit).kit.revision == 2
    assert said(bay, visit) == [
        'Changed from kit "van 1" revision 1 to "van 1" revision 2: the clamp was measured again'
    ]


def test_earlier_rounds_keep_their_kit_unless_they_are_measured_again(bay, reviewer):
    visit = bay.begin()
    one = bay.open(visit)
    bay.arrive(one, "a.jpg")
    bay.close(one)
    with bay.store.writing() as db:
        db.scalars(select(Measured)).one().state = "done"
    revised_kit(bay, reviewer)
    with bay.store.writing() as db:
        visits.use_kit(db, bay.caller, visit.id, bay.kit.kit_id, "another clamp")
    assert [row.inputs["kit"]["revision"] for row in measured(bay)] == [1]
    revised_kit(bay, reviewer, 122.0)
    with bay.store.writing() as db:
        visits.use_kit(db, bay.caller, visit.id, bay.kit.kit_id, "it was typed wrong", again=True)
    assert [row.inputs["kit"]["revision"] for row in measured(bay)] == [1, 3]
    view = bay.summary(visit).rounds[0].measured
    assert (view.state, view.kit_revision) == ("waiting", 3)


def test_photos_are_looked_at_again_where_the_kit_has_other_patterns(bay, reviewer):
    visit = bay.begin()
    bay.arrive(bay.open(visit), "a.jpg")
    for extra, state in (({}, "looked"), ({"59": {"layout": "ring13"}}, "waiting")):
        file = revised_kit(bay, reviewer, 121.0 + len(extra))
        if extra:
            file["plates"] |= extra
            with bay.store.writing() as db:
                kits.revise(db, reviewer, bay.kit.kit_id, file, "one plate more", based_on=3)
        with bay.store.writing() as db:
            visits.use_kit(db, bay.caller, visit.id, bay.kit.kit_id, "x")
        with bay.store.reading() as db:
            assert db.scalars(select(Arrival.state)).one() == state


def test_a_change_of_the_kit_needs_a_reason_and_a_difference(bay):
    visit = bay.begin()
    with bay.store.writing() as db:
        with pytest.raises(NotAcceptedError, match="Say why the kit is changed"):
            visits.use_kit(db, bay.caller, visit.id, bay.kit.kit_id, "")
        with pytest.raises(ConflictError, match='The visit has revision 1 of "van 1" already'):
            visits.use_kit(db, bay.caller, visit.id, bay.kit.kit_id, "x")


def test_another_revision_of_a_placement_is_a_named_deviation(bay, reviewer, placement_json):
    visit = bay.begin()
    one = bay.placement.placement_id
    file = copy.deepcopy(placement_json)
    file["values"]["lateral_mm"] |= {"minus": 5, "plus": 5}
    with bay.store.writing() as db:
        with pytest.raises(ConflictError, match="in their latest revisions, already"):
            visits.use_placements(db, bay.caller, visit.id, [one], "x")
        placements.revise(db, reviewer, one, file, TYPED, based_on=1)
        with pytest.raises(NotAcceptedError, match="Say why the placements are changed"):
            visits.use_placements(db, bay.caller, visit.id, [one], " ")
        visits.use_placements(db, bay.caller, visit.id, [one], "newer edition")
    view = bay.summary(visit)
    assert view.placements[0].revision == 2
    name = '"front camera board, family A"'
    assert said(bay, visit) == [
        f"Placements changed from {name} revision 1 to {name} revision 2: newer edition"
    ]


def test_a_corrected_vehicle_is_a_named_deviation_and_measures_again(bay):
    visit = bay.begin(odometer_km=100)
    one = bay.open(visit)
    bay.arrive(one, "a.jpg")
    bay.close(one)
    with bay.store.writing() as db:
        db.scalars(select(Measured)).one().state = "done"
        right = bay.vehicle | {"wheelbase_mm": 2860}
        visits.correct_vehicle(db, bay.caller, visit.id, VehicleCorrection(right, "misread", odometer_km=100))
    assert [row.inputs["vehicle"]["wheelbase_mm"] for row in measured(bay)] == [
        bay.vehicle["wheelbase_mm"],
        2860,
    ]
    assert said(bay, visit) == ["Vehicle corrected (vehicle.wheelbase_mm: 2857.4 -> 2860): misread"]


def test_a_corrected_odometer_measures_nothing_again(bay):
    visit = bay.begin(odometer_km=100)
    one = bay.open(visit)
    bay.arrive(one, "a.jpg")
    bay.close(one)
    with bay.store.writing() as db:
        db.scalars(select(Measured)).one().state = "done"
        visits.correct_vehicle(
            db, bay.caller, visit.id, VehicleCorrection(bay.vehicle, "misread", odometer_km=1000)
        )
    assert len(measured(bay)) == 1
    assert said(bay, visit) == ["Vehicle corrected (odometer_km: 100 -> 1000): misread"]


def test_a_correction_needs_a_reason_and_a_difference(bay):
    visit = bay.begin()
    with bay.store.writing() as db:
        with pytest.raises(ConflictError, match="Nothing differs from what the visit has"):
            visits.correct_vehicle(db, bay.caller, visit.id, VehicleCorrection(bay.vehicle, "x"))
        with pytest.raises(NotAcceptedError, match="Say why the vehicle's facts are corrected"):
            visits.correct_vehicle(db, bay.caller, visit.id, VehicleCorrection({}, " "))


def test_a_person_names_a_deviation(bay):
    visit = bay.begin()
    with bay.store.writing() as db:
        visits.name_deviation(db, bay.caller, visit.id, "The left rear clamp was set anew.")
        with pytest.raises(NotAcceptedError, match="Say what was done otherwise"):
            visits.name_deviation(db, bay.caller, visit.id, "\n")
    assert said(bay, visit) == ["The left rear clamp was set anew."]


def test_a_signed_visit_is_closed_to_every_change(bay, sign):
    visit = bay.begin()
    sign(visit)
    with bay.store.writing() as db:
        for act in (
            lambda: visits.use_kit(db, bay.caller, visit.id, bay.kit.kit_id, "x"),
            lambda: visits.use_placements(db, bay.caller, visit.id, [], "x"),
            lambda: visits.correct_vehicle(db, bay.caller, visit.id, VehicleCorrection(bay.vehicle, "x")),
            lambda: visits.name_deviation(db, bay.caller, visit.id, "x"),
        ):
            with pytest.raises(ConflictError, match="Visit 1 is signed, so nothing in it can be changed"):
                act()


# --- the next visit ---------------------------------------------------------------------------------


def test_the_first_visit_of_a_shop_has_no_defaults(store):
    with store.reading() as db:
        found = visits.defaults(db)
    assert (found.kit_id, found.placement_ids, found.vehicles, found.bay) == (None, [], [], "")


def test_the_next_visit_is_offered_the_last_ones_choices(bay):
    bay.begin(bay="bay 2")
    with bay.store.reading() as db:
        found = visits.defaults(db)
    assert found.kit_id == bay.kit.kit_id
    assert found.placement_ids == [bay.placement.placement_id]
    assert found.bay == "bay 2" and found.vehicles == [bay.vehicle]


def test_each_label_is_offered_once_with_its_latest_wheelbase(bay):
    for label, wheelbase_mm in (("van", 3000), ("estate", 2700), ("van", 3100)):
        bay.begin(vehicle={"label": label, "wheelbase_mm": wheelbase_mm})
    with bay.store.reading() as db:
        assert [(one["label"], one["wheelbase_mm"]) for one in visits.defaults(db).vehicles] == [
            ("van", 3100),
            ("estate", 2700),
        ]


def test_what_was_retired_is_not_offered(bay, reviewer):
    bay.begin()
    with bay.store.writing() as db:
        kits.retire(db, reviewer, bay.kit.kit_id)
        placements.retire(db, reviewer, bay.placement.placement_id)
    with bay.store.reading() as db:
        found = visits.defaults(db)
    assert (found.kit_id, found.placement_ids) == (None, [])


# --- two people at once, and speed ------------------------------------------------------------------


def at_once(*acts) -> list:
    """Run all at the same moment, each in its thread; their outcomes or errors."""
    gate, outcomes = threading.Barrier(len(acts)), [None] * len(acts)

    def run(i, act):
        gate.wait()
        try:
            outcomes[i] = act()
        except Exception as error:  # noqa: BLE001 - the test looks at it
            outcomes[i] = error

    threads = [threading.Thread(target=run, args=one) for one in enumerate(acts)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return outcomes


def test_visits_begun_at_once_have_numbers_and_slips_of_their_own(bay):
    begun = at_once(*[bay.begin] * 8)
    assert sorted(visit.number for visit in begun) == list(range(1, 9))
    assert len({visit.slip for visit in begun}) == 8


def test_of_two_people_who_open_a_round_at_once_one_is_told(bay):
    visit = bay.begin()
    outcomes = at_once(*[lambda: bay.open(visit)] * 4)
    assert sum(isinstance(one, ConflictError) for one in outcomes) == 3
    assert len(bay.summary(visit).rounds) == 1


def test_of_two_people_who_close_a_round_at_once_one_is_told(bay):
    visit = bay.begin()
    one = bay.open(visit)
    bay.arrive(one, "a.jpg")
    outcomes = at_once(*[lambda: bay.close(one)] * 4)
    assert sum(isinstance(outcome, ConflictError) for outcome in outcomes) == 3
    assert len(measured(bay)) == 1


def test_a_photo_that_arrives_while_a_round_is_closed_is_in_it_or_in_the_tray(bay):
    visit = bay.begin()
    one = bay.open(visit)
    acts = [lambda i=i: bay.arrive(one, f"{i}.jpg") for i in range(6)]
    at_once(*acts[:3], lambda: bay.close(one), *acts[3:])
    view = bay.summary(visit)
    assert len(view.rounds[0].photos) + len(view.tray) == 6
    assert all("came after round 1 was closed" in photo.tray_reason for photo in view.tray)


def test_a_photo_of_the_tray_goes_one_way_only(bay):
    visit = bay.begin()
    arrival = bay.arrive(bay.close(bay.open(visit)), "late.jpg")
    two = bay.open(visit, "after_correction")

    def place():
        with bay.store.writing() as db:
            tray.place(db, bay.caller, arrival.id, two.id)

    def refuse():
        with bay.store.writing() as db:
            tray.refuse(db, bay.caller, arrival.id, "blurred")

    outcomes = at_once(place, refuse)
    assert sum(isinstance(one, ConflictError) for one in outcomes) == 1
    view = bay.summary(visit)
    assert len(view.rounds[1].photos) + len(view.refused) == 1


def test_of_two_people_who_revise_a_kit_at_once_one_is_told(bay, reviewer):
    def revise(standoff_mm):
        file = copy.deepcopy(bay.kit.file)
        file["wheels"]["front_left"]["standoff_mm"] = standoff_mm
        with bay.store.writing() as db:
            kits.revise(db, reviewer, bay.kit.kit_id, file, "x", based_on=1)

    outcomes = at_once(lambda: revise(121.0), lambda: revise(122.0))
    assert sum(isinstance(one, ConflictError) for one in outcomes) == 1
    with bay.store.reading() as db:
        assert len(kits.history(db, bay.kit.kit_id)) == 2


def test_a_visit_of_five_rounds_of_twenty_photos_is_read_whole(bay):
    visit = bay.begin()
    kinds = ("first", *["after_correction"] * 3, "after_calibration")
    for number, kind in enumerate(kinds):
        one = bay.open(visit, kind)
        for i in range(20):
            bay.arrive(one, f"{number}-{i}.jpg", taken=None)
        bay.close(one)
    assert sum(len(one.photos) for one in bay.summary(visit).rounds) == 100


def test_a_measured_round_shows_its_decision_without_its_result_being_read(bay):
    visit = bay.begin()
    one = bay.open(visit)
    bay.arrive(one, "a.jpg")
    bay.close(one)
    with bay.store.writing() as db:
        row = db.scalars(select(Measured)).one()
        row.state, row.result = "done", {"format": "plumbsight.result/1", "decision": "undecided"}
    view = bay.summary(visit).rounds[0].measured
    assert (view.state, view.decision) == ("done", "undecided")
