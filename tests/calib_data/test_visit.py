"""What a visit's rounds come to together: the look that counts for each placement, relations, shifts."""

import pytest

from calib_data.visit import Asked, counting_looks, whole_of

NEAR, FAR = ({"id": name, "file": {"name": f"board {name}"}} for name in ("near", "far"))
PAIR = {"name": "pair", "of": ["board near", "board far"], "values": {}}
SHIFT = {
    "format": "plumbsight.shift/1",
    "name": "near to far",
    "from": "board near",
    "to": "board far",
    "values": {"distance_mm": {"nominal": 1500, "minus": 5, "plus": 5}},
}
BOTH = Asked([NEAR, FAR], shifts=[SHIFT])


def part(name, distance=1000.0, decision="conforming"):
    value = {"value": distance, "u": 1.0, "interval95": [distance - 2, distance + 2], "decision": decision}
    return {
        "name": f"board {name}",
        "fixture": "board",
        "target": "board",
        "reference_line": "centreline",
        "datum": "front_axle",
        "decision": decision,
        "values": {"distance_mm": value},
        "covariance": {"keys": ["distance_mm"], "matrix": [[1.0]]},
    }


def look(number, *parts, standing=None, kind="first", **more):
    """A look whose result has these parts; without any it gave none."""
    result = {"placements": list(parts), "relations": [], "vehicle": {}, "tests": [], "decision": "none"}
    return {
        "number": number,
        "kind": kind,
        "standing": standing,
        "state": "done" if parts else "not_enough",
        "closed_at": "2026-03-14",
        "result": result if parts else None,
    } | more


def near(number, distance=1000.0, decision="conforming"):
    return look(number, part("near", distance, decision), standing=["near"])


def far(number, distance=2500.0, decision="conforming"):
    return look(number, part("far", distance, decision), standing=["far"])


@pytest.mark.parametrize(
    ("rounds", "decision", "says"),
    [
        ([], "undecided", "no round of the target"),
        ([near(1)], "conforming", "conforming in round 1 of 1"),
        ([near(1, decision="nonconforming"), near(2)], "conforming", "conforming in round 2 of 2"),
        ([near(1), look(2)], "undecided", "undecided: round 2 of 2 could not be measured"),
        (
            [near(1), look(2, kind="clamps_after")],
            "undecided",
            "undecided: the vehicle was rolled after round 1 of 2",
        ),
        ([near(1, decision="none")], "none", "measured, nothing required in round 1 of 1"),
    ],
)
def test_one_placement_is_decided_by_the_last_look(rounds, decision, says):
    whole = whole_of(rounds, Asked([NEAR]))
    assert (whole.decision, whole.says) == (decision, says)


def test_near_and_far_are_each_decided_by_their_own_last_look():
    asked = Asked([NEAR, FAR])
    rounds = [near(1, decision="nonconforming"), near(2), far(3)]
    whole = whole_of(rounds, asked)
    assert (whole.decision, whole.says) == ("conforming", "conforming in rounds 2 and 3 of 3")
    assert [one["number"] for one in counting_looks(rounds, whole.counted)] == [2, 3]
    worse = whole_of([near(1), far(2, decision="nonconforming")], asked)
    assert worse.says == 'nonconforming for "board far" in round 2 of 2'


def test_a_placement_that_stood_nowhere_leaves_the_visit_undecided():
    whole = whole_of([near(1)], Asked([NEAR, FAR]))
    assert whole.decision == "undecided"
    assert whole.missing == ('"board far" stood in no round. Take a round of photos.',)
    assert whole.says == 'undecided: "board far" stood in no round. Take a round of photos.'


def test_what_was_not_asked_for_when_the_round_was_measured_is_undecided():
    whole = whole_of([look(1, part("near"))], Asked([NEAR, FAR]))
    assert whole.missing == ('"board far" was not asked for when round 1 was measured. Measure it again.',)


def test_of_a_round_that_holds_two_states_the_worse_counts():
    moved = look(1, part("near", decision="undecided"))
    moved["result"]["states"] = [{"placements": [part("near", decision="nonconforming")], "relations": []}]
    assert whole_of([moved], Asked([NEAR])).decision == "nonconforming"


def test_a_relation_is_decided_where_both_stood():
    together = look(1, part("near"), part("far"))
    together["result"]["relations"] = [{"name": "pair", "decision": "nonconforming"}]
    asked = Asked([NEAR, FAR], [PAIR])
    assert whole_of([together, near(2)], asked).says == 'nonconforming for "pair" in round 1 of 2'
    apart = whole_of([near(1), far(2)], asked)
    assert apart.missing == (
        '"board near" and "board far" stood in no round together. Take a round of photos.',
    )


# --- shifts ---------------------------------------------------------------------------------------


def test_a_shift_is_decided_from_the_last_look_near_to_the_last_look_far():
    whole = whole_of([near(1, 0.0), near(2), far(3)], BOTH)
    (shift,) = whole.shifts
    assert (shift.before, shift.after, shift.decision) == (2, 3, "conforming")
    assert shift.result["values"]["distance_mm"]["value"] == 1500.0
    assert (whole.decision, whole.says) == ("conforming", "conforming in rounds 2 and 3 of 3")
    off = whole_of([near(1), far(2, 2520.0)], BOTH)
    assert off.says == 'nonconforming for "near to far" from round 1 to round 2'


@pytest.mark.parametrize(
    ("rounds", "numbers", "says"),
    [
        ([], (None, None), 'Photograph "board near" first'),
        ([near(1)], (None, None), 'Round 1 is at "board near". Photograph "board far" in the next round'),
        ([far(1)], (None, 1), 'Photograph "board near" first'),
        ([far(1), near(2)], (None, 1), 'Photograph "board far" again.'),
        ([near(1), far(2), near(3)], (1, 2), 'looked at in round 3, and not before "board far" in round 2'),
        ([near(1), look(2, standing=["far"])], (1, 2), "Round 2 could not be measured. Take it again."),
        ([near(1), look(2, standing=["far"], state="waiting")], (1, 2), "Round 2 is being measured."),
        ([near(1), look(2, standing=["far"], closed_at=None)], (1, 2), "Round 2 still takes photos."),
        ([near(1), look(2, kind="clamps_after"), far(3)], (1, 3), "The vehicle was rolled after round 1."),
        ([look(1, part("near"), part("far"))], (None, 1), "in the next round"),
    ],
)
def test_a_shift_that_cannot_be_decided_says_what_is_missing(rounds, numbers, says):
    whole = whole_of(rounds, BOTH)
    (shift,) = whole.shifts
    assert (shift.before, shift.after, shift.decision) == (*numbers, "undecided")
    assert says in shift.missing[0] and shift.missing[0] in whole.missing
    assert whole.decision == "undecided"
    # What went wrong is undecided; what nobody photographed yet, or measured, is still to come.
    went_wrong = ("could not be measured", "rolled")
    assert (shift.awaits is None) == any(word in says for word in went_wrong)
    assert whole.is_unfinished == (shift.awaits in ("first", "second", "again"))


def test_a_shift_of_one_placement_is_between_its_last_two_looks():
    turned = {**SHIFT, "to": "board near"}
    asked = Asked([NEAR], shifts=[turned])
    once = whole_of([near(1)], asked)
    assert once.shifts[0].missing == (
        'Round 1 is at "board near". Move it on as required, and photograph it again in the next round.',
    )
    assert once.shifts[0].awaits == "second" and once.is_unfinished and once.to_come == once.shifts[0].missing
    (shift,) = whole_of([near(1, 0.0), near(2, 1000.0), near(3, 2500.0)], asked).shifts
    assert (shift.before, shift.after, shift.decision) == (2, 3, "conforming")
