"""The phone's time held against the service's."""

from datetime import timedelta

import pytest

from api.visits.clocks import TOLERANCE, apart, local, span, taken_at

START, END = "2026-03-14T13:00:00.000000Z", "2026-03-14T13:10:00.000000Z"
VIENNA = "Europe/Vienna"  # UTC+1 in March, UTC+2 in summer


@pytest.mark.parametrize("taken", ["2026-03-14T14:00:00", "2026-03-14T14:05:00", "2026-03-14T14:10:00"])
def test_a_photo_taken_within_the_time_is_not_apart(taken):
    assert apart(taken, VIENNA, START, END) is None


@pytest.mark.parametrize(("taken", "minutes"), [("2026-03-14T13:50:00", -10), ("2026-03-14T14:25:00", 15)])
def test_a_photo_taken_outside_says_how_far(taken, minutes):
    assert apart(taken, VIENNA, START, END) == timedelta(minutes=minutes)


def test_the_tolerance_holds_on_both_sides():
    assert timedelta(minutes=2) == TOLERANCE
    assert apart("2026-03-14T13:58:00", VIENNA, START, END) is None
    assert apart("2026-03-14T13:57:59", VIENNA, START, END) is not None
    assert apart("2026-03-14T14:12:00", VIENNA, START, END) is None
    assert apart("2026-03-14T14:12:01", VIENNA, START, END) is not None


def test_an_offset_in_the_photo_wins_over_the_shops_zone():
    assert apart("2026-03-14T08:05:00-05:00", VIENNA, START, END) is None


def test_in_the_hour_that_comes_twice_either_may_be_meant():
    # Clocks went back on 25 October 2026 at 03:00 summer time, 01:00 UTC.
    assert [at.hour for at in taken_at("2026-10-25T02:30:00", VIENNA)] == [0, 1]
    for start, end in (("00:20", "00:40"), ("01:20", "01:40")):
        day = "2026-10-25T{}:00.000000Z"
        assert apart("2026-10-25T02:30:00", VIENNA, day.format(start), day.format(end)) is None


def test_a_clock_that_was_set_back_during_the_round_is_no_error():
    assert apart("2026-03-14T14:05:00", VIENNA, END, START) is None
    assert apart("2026-03-14T15:05:00", VIENNA, END, START) == timedelta(minutes=55)


def test_a_stored_time_is_shown_by_the_shops_clock():
    assert local(START, VIENNA) == "14:00:00"


@pytest.mark.parametrize(
    ("length", "words"),
    [
        (timedelta(minutes=-3), "3 minutes"),
        (timedelta(minutes=119), "119 minutes"),
        (timedelta(hours=5), "5 hours"),
        (timedelta(days=-40), "40 days"),
    ],
)
def test_a_length_of_time_is_said_in_words(length, words):
    assert span(length) == words
