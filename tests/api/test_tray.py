"""Nothing slips into a round in silence: what waits in the tray, why, and what a person does with it."""

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import select

from api.access import shop
from api.problems import ConflictError, NotAcceptedError, NotThereError
from api.tables import Measured, Visit
from api.visits import rounds, tray


@pytest.fixture
def vienna(store):
    with store.writing() as db:
        shop.change(db, {"zone": "Europe/Vienna"})


@pytest.fixture
def clock(monkeypatch):
    """`clock(hh, mm)`: what the service's clock says from now on, 14 March 2026, UTC."""
    held = {"at": datetime(2026, 3, 14, 13, 0, tzinfo=UTC)}

    def text() -> str:
        held["at"] += timedelta(milliseconds=1)
        return held["at"].strftime("%Y-%m-%dT%H:%M:%S.%fZ")

    for module in ("tray", "rounds", "visits", "visit_rows", "results"):
        monkeypatch.setattr(f"api.visits.{module}.now", text, raising=False)

    def set_to(hour: int, minute: int, day: int = 14) -> None:
        held["at"] = datetime(2026, 3, day, hour, minute, tzinfo=UTC)

    return set_to


def reason(arrival) -> str:
    assert arrival.round_id is None
    return arrival.tray_reason


# --- what waits -------------------------------------------------------------------------------------


def test_a_photo_taken_in_its_round_goes_into_it(bay, vienna, clock):
    one = bay.open(bay.begin())
    clock(13, 5)
    arrival = bay.arrive(one, "a.jpg", taken="2026-03-14T14:03:00")  # 13:03 UTC
    assert (arrival.round_id, arrival.tray_reason, arrival.remarks) == (one.id, None, [])


def test_a_photo_without_a_time_stays_with_a_remark(bay):
    one = bay.open(bay.begin())
    arrival = bay.arrive(one, "a.jpg")
    assert arrival.round_id == one.id
    assert arrival.remarks == [tray.NO_TIME] and "rests on the person alone" in tray.NO_TIME


def test_a_photo_sent_after_closing_waits(bay, vienna, clock):
    one = bay.open(bay.begin())
    clock(13, 5)
    bay.close(one)
    clock(13, 6)
    found = reason(bay.arrive(one, "late.jpg", taken="2026-03-14T14:03:00"))
    assert found == "It came after round 1 was closed (at 14:05:00)."


def test_a_photo_taken_before_the_round_waits(bay, vienna, clock):
    one = bay.open(bay.begin())
    found = reason(bay.arrive(one, "old.jpg", taken="2026-03-14T12:00:00"))
    assert found == (
        "By its own clock it was taken 2 hours before the time of round 1 (2 minutes are allowed). "
        "If the phone's clock is wrong, set it."
    )


def test_a_photo_taken_in_the_future_waits(bay, vienna, clock):
    one = bay.open(bay.begin())
    found = reason(bay.arrive(one, "ahead.jpg", taken="2026-03-14T14:30:00"))
    assert found.startswith("By its own clock it was taken 30 minutes after the time of round 1")


def test_a_photo_of_round_one_sent_to_round_two_waits(bay, vienna, clock):
    visit = bay.begin()
    one = bay.open(visit)
    clock(13, 10)
    bay.close(one)
    clock(13, 30)
    two = bay.open(visit, "after_correction")
    clock(13, 40)
    found = reason(bay.arrive(two, "of_one.jpg", taken="2026-03-14T14:08:00"))
    assert "22 minutes before the time of round 2" in found


def test_the_same_photo_of_another_round_waits(bay):
    visit = bay.begin()
    one = bay.open(visit)
    bay.arrive(one, "a.jpg", data=b"same")
    bay.close(one)
    two = bay.open(visit, "after_correction")
    assert (
        reason(bay.arrive(two, "b.jpg", data=b"same"))
        == "The same photo is in round 1 of this visit already."
    )


def test_visit_ten_is_fed_visit_nines_photos(bay):
    for _ in range(8):
        bay.begin()
    nine = bay.open(bay.begin())
    for i in range(3):
        bay.arrive(nine, f"IMG_{i}.jpg")
    bay.close(nine)
    visit = bay.begin()
    ten = bay.open(visit)
    found = {reason(bay.arrive(ten, f"IMG_{i}.jpg")) for i in range(3)}
    assert found == {"The same photo is in round 1 of visit 9 already."}
    assert len(bay.summary(visit).tray) == 3 and bay.summary(visit).rounds[0].photos == []


def test_a_photo_is_known_again_by_its_hash_before_anything_was_taken_out(bay):
    one = bay.open(bay.begin())
    bay.arrive(one, "a.jpg", data=b"without place", came_as=b"with place")
    other = bay.open(bay.begin())
    # The stored file of the first, sent again as it was downloaded; and the phone's original again.
    for data, came_as in ((b"without place", None), (b"else", b"with place")):
        assert "is in round 1 of visit 1 already" in reason(
            bay.arrive(other, "b.jpg", data=data, came_as=came_as)
        )


def test_a_photo_that_waits_or_was_refused_elsewhere_says_so(bay):
    visit = bay.begin()
    one = bay.close(bay.open(visit))
    waits = bay.arrive(one, "late.jpg")
    two = bay.open(visit, "after_correction")
    assert reason(bay.arrive(two, "late.jpg")) == "The same photo waits in the tray of this visit already."
    with bay.store.writing() as db:
        tray.refuse(db, bay.caller, waits.id, "blurred")
    third = bay.open(bay.begin())
    assert reason(bay.arrive(third, "late.jpg")) == "The same photo was refused in visit 1: blurred"


def test_several_reasons_are_all_said(bay, vienna, clock):
    visit = bay.begin()
    one = bay.close(bay.open(visit))
    found = reason(bay.arrive(one, "x.jpg", taken="2026-03-10T12:00:00"))
    assert "It came after round 1 was closed" in found and "4 days before the time of round 1" in found


def test_a_photo_that_shows_another_visits_slip_waits(bay):
    nine = bay.begin()
    visit = bay.begin()
    one = bay.open(visit)
    assert reason(bay.arrive(one, "a.jpg", slip_seen=nine.slip)) == "It shows the slip of visit 1."
    assert reason(bay.arrive(one, "b.jpg", slip_seen="ZZZZZZZZZZ")) == (
        "It shows the slip of a visit that is not in this store."
    )
    assert bay.arrive(one, "c.jpg", slip_seen=visit.slip).round_id == one.id


def test_a_visit_of_another_store_is_called_so(bay):
    brought, visit = bay.begin(), bay.begin()
    with bay.store.writing() as db:
        db.get_one(Visit, brought.id).store_id = "f" * 32
    found = reason(bay.arrive(bay.open(visit), "a.jpg", slip_seen=brought.slip))
    assert found == "It shows the slip of visit 1 of another store."


def test_a_slip_seen_after_closing_moves_the_photo_and_measures_again(bay):
    other = bay.begin()
    one = bay.open(bay.begin())
    bay.arrive(one, "a.jpg")
    waiting = bay.arrive(one, "b.jpg", state="waiting")
    bay.close(one)
    with bay.store.writing() as db:
        (first,) = db.scalars(select(Measured))
        first.state = "done"
        arrival = tray.get(db, waiting.id)
        arrival.state, arrival.slip_seen = "looked", other.slip
        assert tray.after_looking(db, arrival)
    with bay.store.reading() as db:
        assert [row.state for row in db.scalars(select(Measured).order_by(Measured.seq))] == [
            "done",
            "waiting",
        ]


def test_a_clock_that_jumps_puts_photos_into_the_tray_and_breaks_nothing(bay, vienna, clock):
    visit = bay.begin()
    one = bay.open(visit)
    clock(9, 0)  # set back by four hours
    found = reason(bay.arrive(one, "a.jpg", taken="2026-03-14T09:00:00"))
    assert "60 minutes before" in found
    assert bay.arrive(one, "b.jpg", taken="2026-03-14T10:01:00").round_id == one.id  # between both clocks
    bay.close(one)
    clock(9, 5)
    assert "It came after round 1 was closed" in reason(bay.arrive(one, "c.jpg", taken="2026-03-14T10:01:00"))
    view = bay.summary(visit)
    assert view.rounds[0].closed_at < view.rounds[0].opened_at
    assert [photo.name for photo in view.rounds[0].photos] == ["b.jpg"]


def test_order_is_told_by_arrival_not_by_the_clock(bay, clock):
    visit = bay.begin()
    one = bay.open(visit)
    bay.arrive(one, "first.jpg")
    clock(11, 0)
    bay.arrive(one, "second.jpg")
    assert [photo.name for photo in bay.summary(visit).rounds[0].photos] == ["first.jpg", "second.jpg"]


# --- what is not taken in at all --------------------------------------------------------------------


def test_a_signed_visit_takes_no_photo(bay, sign):
    visit = bay.begin()
    one = bay.open(visit)
    sign(visit)
    with pytest.raises(ConflictError, match="Visit 1 is signed"):
        bay.arrive(one, "a.jpg")


def test_a_round_of_another_visit_is_refused(bay):
    one, other = bay.open(bay.begin()), bay.begin()
    facts = tray.ArrivalFacts(other.id, one.id, "0" * 64, "0" * 64, None)
    with bay.store.reading() as db, pytest.raises(NotThereError, match="This round is of another visit"):
        tray.place_on_arrival(db, facts)


# --- what a person does -----------------------------------------------------------------------------


@pytest.fixture
def late(bay):
    """A visit with a photo in the tray and round 2 open."""
    visit = bay.begin()
    arrival = bay.arrive(bay.close(bay.open(visit)), "late.jpg")
    return visit, arrival, bay.open(visit, "after_correction")


def test_placing_is_a_named_deviation(bay, late):
    visit, arrival, two = late
    with bay.store.writing() as db:
        tray.place(db, bay.caller, arrival.id, two.id)
    view = bay.summary(visit)
    assert view.tray == []
    (photo,) = view.rounds[1].photos
    assert (photo.name, photo.placed_by) == ("late.jpg", "T. Example")
    assert photo.tray_reason == arrival.tray_reason  # why it had waited stays
    said = view.deviations[-1].says
    assert said.startswith(
        "The photo late.jpg was placed into round 2 by hand. It came after round 1 was closed"
    )


def test_a_photo_placed_by_a_person_stays_there(bay, late):
    visit, arrival, two = late
    other = bay.begin()
    with bay.store.writing() as db:
        placed = tray.place(db, bay.caller, arrival.id, two.id)
        placed.slip_seen = other.slip
        assert not tray.after_looking(db, placed)
    assert len(bay.summary(visit).rounds[1].photos) == 1


def test_a_closed_round_takes_no_photo_from_the_tray(bay, late):
    visit, arrival, two = late
    bay.close(two)
    with (
        bay.store.writing() as db,
        pytest.raises(ConflictError, match="Round 2 is closed and takes no photo"),
    ):
        tray.place(db, bay.caller, arrival.id, two.id)


def test_another_visits_round_takes_no_photo_from_the_tray(bay, late):
    other = bay.open(bay.begin())
    with bay.store.writing() as db, pytest.raises(ConflictError, match="a round of its own visit"):
        tray.place(db, bay.caller, late[1].id, other.id)


def test_a_round_takes_the_same_photo_once(bay, late):
    visit, arrival, two = late
    with bay.store.reading() as db:
        closed = rounds.of_visit(db, visit.id)[0]
        db.expunge(closed)
    again = bay.arrive(closed, "late.jpg")
    with bay.store.writing() as db:
        tray.place(db, bay.caller, arrival.id, two.id)
        with pytest.raises(ConflictError, match="Round 2 has the same photo already. Refuse this one."):
            tray.place(db, bay.caller, again.id, two.id)


def test_refusing_needs_a_reason_and_keeps_the_photo(bay, late):
    visit, arrival, _ = late
    with bay.store.writing() as db:
        with pytest.raises(NotAcceptedError, match="Say why the photo is left out"):
            tray.refuse(db, bay.caller, arrival.id, "  ")
        tray.refuse(db, bay.caller, arrival.id, "shows the vehicle before it was moved")
    view = bay.summary(visit)
    assert view.tray == []
    (photo,) = view.refused
    assert photo.refused_reason == "shows the vehicle before it was moved"
    assert photo.refused_by == "T. Example" and photo.decided_at and photo.tray_reason == arrival.tray_reason


def test_what_was_decided_is_not_decided_again(bay, late):
    visit, arrival, two = late
    with bay.store.writing() as db:
        tray.refuse(db, bay.caller, arrival.id, "blurred")
        with pytest.raises(ConflictError, match="late.jpg was refused already: blurred"):
            tray.place(db, bay.caller, arrival.id, two.id)
    inside = bay.arrive(two, "b.jpg")
    with (
        bay.store.writing() as db,
        pytest.raises(ConflictError, match="b.jpg is in round 2, not in the tray"),
    ):
        tray.refuse(db, bay.caller, inside.id, "x")


def test_a_signed_visits_tray_stays_as_it_is(bay, late, sign):
    visit, arrival, two = late
    sign(visit)
    with bay.store.writing() as db:
        for act in (
            lambda: tray.place(db, bay.caller, arrival.id, two.id),
            lambda: tray.refuse(db, bay.caller, arrival.id, "x"),
        ):
            with pytest.raises(ConflictError, match="Visit 1 is signed"):
                act()


def test_an_unknown_photo_is_said(bay):
    with bay.store.reading() as db, pytest.raises(NotThereError, match="no such photo"):
        tray.get(db, "none")
