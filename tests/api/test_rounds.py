"""Rounds: their order, one open at a time, none opened again."""

import pytest
from sqlalchemy import select

from api.problems import ConflictError, NotAcceptedError, NotThereError
from api.tables import Measured
from api.visits import inputs, rounds


def asked(store, round_id: str) -> list[Measured]:
    with store.reading() as db:
        return list(db.scalars(select(Measured).where(Measured.round_id == round_id)))


def test_a_visit_begins_with_a_first_look(bay):
    visit = bay.begin()
    assert bay.summary(visit).next_kinds == ["first", "clamps_before"]
    with pytest.raises(ConflictError, match="A visit begins with a first look"):
        bay.open(visit, "after_correction")


def test_one_round_is_open_at_a_time(bay):
    visit = bay.begin()
    bay.open(visit)
    assert bay.summary(visit).next_kinds == []
    with pytest.raises(ConflictError, match="Round 1 of visit 1 is open. Close it first"):
        bay.open(visit, "after_correction")


def test_a_first_look_may_be_repeated_until_something_was_corrected(bay):
    visit = bay.begin()
    for kind in ("first", "first", "after_correction"):
        bay.close(bay.open(visit, kind))
    assert bay.summary(visit).next_kinds == ["after_correction", "after_calibration", "clamps_before"]
    with pytest.raises(ConflictError, match="Round 3 was a look after a correction, so a first look is over"):
        bay.open(visit, "first")


def test_rounds_are_numbered_in_order_and_say_who_opened_and_closed_them(bay):
    visit = bay.begin()
    bay.close(bay.open(visit))
    bay.open(visit, "after_calibration")
    first, second = bay.summary(visit).rounds
    assert (first.number, first.kind_words, first.is_open) == (1, "first look", False)
    assert (second.number, second.kind_words, second.is_open) == (2, "last look after the calibration", True)
    assert (first.opened_by, first.closed_by, second.closed_by) == ("T. Example", "T. Example", "")


def test_an_unknown_kind_or_round_is_said(bay):
    visit = bay.begin()
    with pytest.raises(NotAcceptedError, match='"second" is no kind of round. Choose one of first'):
        bay.open(visit, "second")
    with bay.store.reading() as db, pytest.raises(NotThereError, match="no such round"):
        rounds.get(db, "none")


def test_closing_asks_for_measuring_with_what_holds_then(bay):
    visit = bay.begin()
    one = bay.open(visit)
    bay.arrive(one, "a.jpg")
    bay.close(one)
    (row,) = asked(bay.store, one.id)
    assert row.state == "waiting"
    assert row.inputs["kit"] == {"id": bay.kit.kit_id, "revision": 1, "file": bay.kit.file}
    assert row.inputs["vehicle"] == bay.vehicle
    assert [part["file"]["name"] for part in row.inputs["placements"]] == ["front camera board, family A"]
    with bay.store.reading() as db:
        assert inputs.of_round(db, one.id) == row.inputs


def test_a_round_without_photos_is_not_measured_and_named(bay):
    visit = bay.begin()
    one = bay.close(bay.open(visit))
    assert asked(bay.store, one.id) == []
    assert [said.says for said in bay.summary(visit).deviations] == ["Round 1 was closed without a photo."]


def test_a_closed_round_is_not_opened_or_closed_again(bay):
    visit = bay.begin()
    one = bay.close(bay.open(visit))
    with pytest.raises(ConflictError, match="Round 1 is closed already, and is not opened again"):
        bay.close(one)


def test_a_signed_visit_has_no_round_opened_or_closed(bay, sign):
    visit = bay.begin()
    one = bay.open(visit)
    sign(visit)
    assert bay.summary(visit).next_kinds == []
    with pytest.raises(ConflictError, match="Visit 1 is signed"):
        bay.close(one)
    with pytest.raises(ConflictError, match="Visit 1 is signed"):
        bay.open(visit, "after_correction")
