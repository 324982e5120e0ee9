"""Arrows for who stands at the target and for who sits in the vehicle; directions worked out by hand."""

import json
from pathlib import Path

import pytest

import calib_data
from api.figures import Figures
from api.pages.moves import said_moves

KIT = json.loads((Path(calib_data.__file__).parent / "demo" / "kit.json").read_text())
AGAIN = "Then photograph again, as a new set."


def _value(value, nominal, decision, half=4.0, u=0.5):
    required = {"nominal": nominal, "minus": half, "plus": half, "decision": decision}
    return {"value": value, "u": u, "interval95": [value - 1, value + 1], **required}


def _placement(advice, **values):
    standing = {
        "distance_mm": _value(2500.0, 2500.0, "conforming"),
        "lateral_mm": _value(0.0, 0.0, "conforming"),
        "height_mm": _value(1100.0, 1100.0, "conforming"),
        "yaw_deg": _value(0.0, 0.0, "conforming", 0.3, 0.03),
    }
    where = {"name": "x", "fixture": "front", "target": "board"}
    counted = {"reference_line": "centreline", "datum": "front_axle"}
    return {**where, **counted, "values": standing | values, "advice": [*advice, AGAIN]}


@pytest.mark.parametrize(
    ("values", "says", "at_target", "in_vehicle"),
    [
        # The board stands 9.7 mm to the vehicle's left: who faces the vehicle has that on the right hand.
        (
            {"lateral_mm": _value(9.7, 0.0, "nonconforming")},
            "Move the target 9.7 mm to the vehicle's right (as seen sitting in it).",
            "left",
            "right",
        ),
        # Behind the vehicle both look the same way.
        (
            {
                "lateral_mm": _value(9.7, 0.0, "nonconforming"),
                "distance_mm": _value(-1500.0, -1500.0, "conforming"),
                "yaw_deg": _value(180.0, 180.0, "conforming", 0.3, 0.03),
            },
            "Move the target 9.7 mm to the vehicle's right (as seen sitting in it).",
            "right",
            "right",
        ),
        (
            {"distance_mm": _value(2520.0, 2500.0, "nonconforming")},
            "Move the target 20 mm toward the vehicle.",
            "onward",
            "back",
        ),
        ({"height_mm": _value(1090.0, 1100.0, "nonconforming")}, "Raise the target by 10 mm.", "up", "up"),
    ],
)
def test_a_move_has_an_arrow_for_both_places_to_stand(values, says, at_target, in_vehicle):
    move, again = said_moves(_placement([says], **values), KIT, Figures())
    assert (move.says, move.at_target, move.in_vehicle) == (says, at_target, in_vehicle)
    assert (again.says, again.at_target) == (AGAIN, None)


def test_a_turn_is_told_from_above_with_millimetres_at_the_fixtures_ends():
    # The demo's plates lie 350 mm from the middle, and 350 mm * sin(1 degree) = 6.1 mm.
    says = (
        "Turn the target 1.00 degrees clockwise seen from above, about the middle of the fixture: the end on "
        "the vehicle's left goes 6.1 mm away from the vehicle, the other end as much toward it (at the "
        "plates, 350 mm from the middle)."
    )
    placement = _placement([says], yaw_deg=_value(1.0, 0.0, "nonconforming", 0.3, 0.03))
    move, _ = said_moves(placement, KIT, Figures())
    assert move.at_target == move.in_vehicle == "turn_right"


def test_a_move_is_told_in_inches_with_a_comma():
    says = "Move the target 9.7 mm to the vehicle's right (as seen sitting in it)."
    placement = _placement([says], lateral_mm=_value(9.7, 0.0, "nonconforming"))
    move, _ = said_moves(placement, KIT, Figures("in", ","))
    assert move.says == "Move the target 0,382 in to the vehicle's right (as seen sitting in it)."


def test_numbers_that_contradict_each_other_bring_no_arrow():
    warning = "Do not move the target on these numbers. Fixture front moved between photos."
    placement = _placement([warning], lateral_mm=_value(9.7, 0.0, "nonconforming"))
    assert all(one.at_target is None for one in said_moves(placement, KIT, Figures()))


def test_behind_the_vehicle_arrows_are_those_of_who_stands_there():
    """Squared to the rear: yaw is near 0, and who looks at the vehicle has its left on the left hand."""
    says = "Move the target 10 mm to the vehicle's left (as seen sitting in it)."
    values = {"lateral_mm": _value(-10.0, 0.0, "nonconforming")}
    placement = {**_placement([says], **values), "facing_deg": 180.0}
    move, *_ = said_moves(placement, KIT, Figures())
    assert (move.at_target, move.in_vehicle) == ("left", "left")


def _polar(stands_at_deg, axis_deg, at, advice, **values):
    """A unit squared to the rear that stands `stands_at_deg` off the axis, 1000 mm from where it counts."""
    measured = {
        "range_mm": {"value": 1000.0, "u": 0.5},
        "bearing_deg": {"value": stands_at_deg, "u": 0.02},
        "yaw_deg": _value(0.0, 0.0, "conforming", 0.3, 0.03),
    } | values
    origin = {"at": at, "offset_mm": [0.0, 0.0], "u_mm": 0.0, "axis_deg": axis_deg}
    return {**_placement([advice]), "values": measured, "origin": origin, "facing_deg": 180.0}


@pytest.mark.parametrize(
    ("bearing_deg", "axis_deg", "values", "says", "at_target", "in_vehicle"),
    [
        # Straight behind: away from the wheel is rearward, and backward for who faces the vehicle.
        (
            0.0, 180.0, {"range_mm": _value(1000.0, 1030.0, "nonconforming")},
            "Move the target 30 mm away from the rear left wheel.", "back", "back",
        ),
        # Who looks back has the vehicle's right on the left hand.
        (
            0.0, 180.0, {"bearing_deg": _value(0.0, 2.0, "nonconforming", 0.5, 0.02)},
            "Move the target 35 mm to the left, seen from the rear left wheel, square to the way from there "
            "(2.00 degrees).", "right", "right",
        ),
        # A gap beside the wheel counts square to the vehicle, however far back the target stands.
        (
            50.0, 90.0, {"gap_mm": _value(643.0, 700.0, "nonconforming")},
            "Move the target 57 mm to the vehicle's left (as seen sitting in it): the gap counts from the "
            "rear left wheel.", "left", "left",
        ),
        (
            0.0, 180.0, {"gap_mm": _value(1000.0, 950.0, "nonconforming")},
            "Move the target 50 mm forward (as the vehicle drives): the gap counts from the rear left wheel.",
            "onward", "onward",
        ),
        # 45 degrees askew no arrow says which way.
        (
            45.0, 180.0, {"range_mm": _value(1000.0, 1030.0, "nonconforming")},
            "Move the target 30 mm away from the rear left wheel.", None, None,
        ),
    ],
)  # fmt: skip
def test_moves_along_range_bearing_and_gap(bearing_deg, axis_deg, values, says, at_target, in_vehicle):
    move, _ = said_moves(_polar(bearing_deg, axis_deg, "rear_left", says, **values), KIT, Figures())
    assert (move.says, move.at_target, move.in_vehicle) == (says, at_target, in_vehicle)


@pytest.mark.parametrize(
    ("lateral_mm", "at_target"),
    # A mat is to go forward: beside the vehicle that is to the right or left of who looks at it.
    [(1800.0, "left"), (-1800.0, "right"), (0.0, "back")],
)
def test_whoever_stands_at_a_mat_beside_the_vehicle_looks_at_its_side(lateral_mm, at_target):
    plates = [{"plate": n, "position_mm": [x, 0], "u_position_mm": 1.0} for n, x in ((50, -300), (51, 300))]
    mark = {"position_mm": [0, 0], "u_position_mm": 0.5, "u_rotation_deg": 0.1}
    sheets = KIT["plates"] | {"50": {"layout": "ring13"}, "51": {"layout": "ring13"}}
    kit = KIT | {"plates": sheets, "mats": {"left": {"plates": plates, "targets": {"mark": mark}}}}
    says = "Move the mat 30 mm forward (as the vehicle drives)."
    values = {
        "distance_mm": _value(1000.0, 1030.0, "nonconforming"),
        "lateral_mm": {"value": lateral_mm, "u": 1.0},
        "heading_deg": {"value": 0.0, "u": 0.1},
    }
    placement = _placement([says]) | {"fixture": "left", "target": "mark", "values": values}
    move, _ = said_moves(placement, kit, Figures())
    assert (move.says, move.at_target, move.in_vehicle) == (says, at_target, "onward")
