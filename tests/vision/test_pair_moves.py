"""Which of two targets to move, worked out by hand."""

import pytest

from vision.advice import INCHES, MILLIMETRES, JudgedValue
from vision.kit import Tolerance
from vision.pair_moves import Partner, pair_advice

AGAIN = "Then photograph again, as a new set."
BUDGET = {"spacing_mm": {"image": 1.0}}


def off(key, value, nominal=0.0, half=3.0, u=0.5):
    return {key: JudgedValue(nominal + value, u, Tolerance(nominal, half, half), "nonconforming")}


def partner(name, decision="none", **judged):
    return Partner(name, decision, judged)


def advice(judged, one="none", other="none", units=MILLIMETRES, measured=None):
    both = (partner("left", one), partner("right", other))
    return pair_advice(judged, measured or {}, both, BUDGET, (), units)


@pytest.mark.parametrize(
    ("key", "value", "either", "second"),
    [
        (
            "spacing_mm", -6,
            "Move 'left' 6.0 mm away from 'right', along the line between both, or 'right' as much away from "
            "'left'.",
            "Move 'right' 6.0 mm away from 'left', along the line between both; 'left' stays.",
        ),
        (
            "height_difference_mm", -5,
            "Raise 'left' by 5.0 mm, or lower 'right' by as much.",
            "Lower 'right' by 5.0 mm; 'left' stays.",
        ),
        (
            "distance_difference_mm", 12,
            "Move 'left' 12 mm rearward (as the vehicle drives), or 'right' as much the other way.",
            "Move 'right' 12 mm forward (as the vehicle drives); 'left' stays.",
        ),
        (
            "lateral_difference_mm", -4,
            "Move 'left' 4.0 mm to the vehicle's left (as seen sitting in it), or 'right' as much the other "
            "way.",
            "Move 'right' 4.0 mm to the vehicle's right (as seen sitting in it); 'left' stays.",
        ),
        (
            # The middle is 4 mm too far left: both go 4 mm, or one goes 8 mm.
            "symmetry_mm", 4,
            "Move 'left' and 'right' together 4.0 mm to the vehicle's right (as seen sitting in it).",
            "Move 'right' 8.0 mm to the vehicle's right (as seen sitting in it); 'left' stays.",
        ),
        (
            "parallelism_deg", -4,
            "Turn 'left' 4.00 degrees counter-clockwise seen from above, or 'right' as much the other way.",
            "Turn 'right' 4.00 degrees clockwise seen from above; 'left' stays.",
        ),
    ],
)  # fmt: skip
def test_a_pair_says_which_target_goes_which_way_and_how_far(key, value, either, second):
    assert advice(off(key, value)) == (either, AGAIN)
    assert advice(off(key, value), "conforming", "none") == (second, AGAIN)


def test_the_move_is_worded_in_inches():
    (says, _) = advice(off("height_difference_mm", -5.08), "none", "conforming", INCHES)
    assert says == "Raise 'left' by 0.200 in; 'right' stays."


def test_one_alone_is_not_moved_sideways_where_the_spacing_is_required_too():
    spacing = {"spacing_mm": JudgedValue(1200.0, 0.5, Tolerance(1200.0, 3.0, 3.0), "conforming")}
    says, _ = advice(off("symmetry_mm", 4) | spacing, "conforming", "none")
    assert says.startswith("Move 'left' and 'right' together 4.0 mm")


def test_moves_of_a_target_by_itself_come_first_and_may_bring_the_pair_about():
    """The left one stands 10 mm too high, by itself and against the right one."""
    high = off("height_mm", 10.0, 1000.0)
    both = (partner("left", "nonconforming", **high), partner("right", "conforming"))
    done = pair_advice(off("height_difference_mm", 10.0), {}, both, BUDGET, (), MILLIMETRES)
    assert done == ("First do what is said for 'left' alone: that brings this about.", AGAIN)
    # Against the right one it is 18 mm: 8 are left, and either may go.
    first, says, _ = pair_advice(off("height_difference_mm", 18.0), {}, both, BUDGET, (), MILLIMETRES)
    assert first.endswith("counted from there:")
    assert says == "Lower 'left' by 8.0 mm, or raise 'right' by as much."


def test_own_moves_count_along_the_line_between_both():
    """600 mm apart across, 800 mm along: 10 mm sideways by itself changes the spacing by 6."""
    measured = {"spacing_mm": 1000.0, "lateral_difference_mm": 600.0, "distance_difference_mm": 800.0}
    both = (partner("left", "nonconforming", **off("lateral_mm", -10.0)), partner("right", "conforming"))
    judged = off("spacing_mm", -6.0, 1006.0)
    said = pair_advice(judged, measured, both, BUDGET, (), MILLIMETRES)
    assert said[0].endswith("brings this about.")
