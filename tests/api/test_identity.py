"""On what the vehicle's identity rests in a round."""

from dataclasses import dataclass

from api.visits.identity import identity

SLIP, OTHER = "0123456789", "ABCDEFGHJK"


@dataclass(frozen=True)
class Seen:
    name: str
    seq: int
    slip_seen: str | None = None
    taken: str | None = None
    state: str = "looked"


def test_a_round_without_photos_rests_on_the_person():
    found = identity([], SLIP)
    assert found.rests_on == "person alone" and "no photo yet" in found.says


def test_the_slip_in_the_first_photo_is_enough():
    found = identity([Seen("a.jpg", 1, SLIP), Seen("b.jpg", 2)], SLIP)
    assert found.rests_on == "slip" and "a.jpg" in found.says


def test_another_visits_slip_is_not_enough():
    assert identity([Seen("a.jpg", 1, OTHER)], SLIP).rests_on == "person alone"


def test_a_slip_in_a_later_photo_is_said_and_not_enough():
    found = identity([Seen("a.jpg", 1), Seen("b.jpg", 2, SLIP)], SLIP)
    assert found.rests_on == "person alone"
    assert "seen in b.jpg, not in the first photo (a.jpg)" in found.says


def test_the_first_photo_is_told_by_its_time_where_all_have_one():
    late_but_first = Seen("b.jpg", 2, SLIP, taken="2026-03-14T14:00:00")
    assert identity([Seen("a.jpg", 1, taken="2026-03-14T14:01:00"), late_but_first], SLIP).rests_on == "slip"


def test_the_first_photo_is_told_by_arrival_where_a_time_is_missing():
    late_but_first = Seen("b.jpg", 2, SLIP, taken="2026-03-14T14:00:00")
    assert identity([Seen("a.jpg", 1), late_but_first], SLIP).rests_on == "person alone"


def test_until_the_first_photo_is_looked_at_nothing_is_claimed():
    found = identity([Seen("a.jpg", 1, state="waiting")], SLIP)
    assert found.rests_on == "person alone" and "waits to be looked at" in found.says
