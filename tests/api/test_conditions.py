"""What is said of the conditions, and when."""

import pytest

from api.problems import ConflictError, NotAcceptedError
from api.visits import conditions
from api.visits.conditions import CONDITIONS, ConditionSaid


def say(bay, visit, *said):
    with bay.store.writing() as db:
        conditions.say(db, bay.caller, visit.id, [ConditionSaid(*one) for one in said])


def stand(bay, visit):
    return {one.name: (one.state, one.value) for one in bay.summary(visit).conditions}


def test_nothing_is_checked_until_someone_says_so(bay):
    assert stand(bay, bay.begin()) == {name: ("not_checked", "") for name in CONDITIONS}


def test_what_is_said_stands_with_who_said_it(bay):
    visit = bay.begin(conditions=[ConditionSaid("floor", "measured", " 2 mm  from wheel to wheel ")])
    say(bay, visit, ("steering", "declared"), ("light", "not_checked", "sun comes and goes"))
    found = stand(bay, visit)
    assert found["floor"] == ("measured", "2 mm from wheel to wheel")
    assert found["steering"] == ("declared", "") and found["light"] == ("not_checked", "sun comes and goes")
    assert bay.summary(visit).conditions[0].by == "T. Example"


def test_the_latest_counts_and_the_earlier_stays_in_the_table(bay):
    visit = bay.begin()
    say(bay, visit, ("floor", "declared"))
    say(bay, visit, ("floor", "measured", "3 mm"))
    assert stand(bay, visit)["floor"] == ("measured", "3 mm")
    with bay.store.reading() as db:
        assert len(list(db.scalars(conditions.select(conditions.Condition)))) == 2


def test_the_same_said_again_adds_nothing(bay):
    visit = bay.begin()
    for _ in range(2):
        say(bay, visit, ("floor", "declared"))
    with bay.store.reading() as db:
        assert len(list(db.scalars(conditions.select(conditions.Condition)))) == 1


def test_before_the_first_round_nothing_is_a_deviation(bay):
    visit = bay.begin()
    say(bay, visit, ("floor", "declared"))
    assert bay.summary(visit).deviations == []


def test_after_photos_began_a_change_is_a_named_deviation(bay):
    visit = bay.begin(conditions=[ConditionSaid("floor", "declared")])
    bay.open(visit)
    say(bay, visit, ("floor", "measured", "3 mm"), ("tyres", "declared"))
    assert [one.says for one in bay.summary(visit).deviations] == [
        "The condition floor was set to measured (3 mm) after photos had begun; declared before.",
        "The condition tyres was set to declared after photos had begun; nothing was said before.",
    ]


@pytest.mark.parametrize(
    ("said", "says"),
    [
        (("flor", "declared"), 'no condition "flor". They are floor, room'),
        (("floor", "fine"), '"fine" is none of measured, declared, not_checked'),
        (("floor", "measured", "  "), "marked as measured, and no figure is given"),
        (("floor", "declared", "x" * 201), "at most 200 characters"),
        (("floor", "declared", "a\x07b"), "one line"),
    ],
)
def test_what_cannot_be_recorded_is_refused_with_words(bay, said, says):
    visit = bay.begin()
    with pytest.raises(NotAcceptedError, match=says):
        say(bay, visit, said)
    assert stand(bay, visit)["floor"] == ("not_checked", "")


def test_a_signed_visit_takes_no_word_more(bay, sign):
    visit = bay.begin()
    sign(visit)
    with pytest.raises(ConflictError, match="Visit 1 is signed, so nothing in it can be changed"):
        say(bay, visit, ("floor", "declared"))
