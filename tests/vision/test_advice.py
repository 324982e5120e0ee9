"""Advice, checked by carrying it out: each move, done to the pose by its own words, must lead to nominal."""

import math

import numpy as np
import pytest

from vision import advice, geometry
from vision.advice import (
    INCHES,
    MILLIMETRES,
    Datum,
    JudgedValue,
    Reach,
    advise,
    cautions,
    declared_datums,
    plan_moves,
    recognise,
    settle,
)
from vision.decide import decide_value, near_nominal
from vision.kit import Fixture, Mount, Target, Tolerance, Vehicle

REACH = Reach(350.0, (0.0, 0.0, 0.0))
BUDGET = {"image": 0.2, "lens": 0.05, "print_scale": 0.15, "clamps": 0.5, "fixture": 0.1}
ESTATE = Vehicle(wheelbase_mm=2712, overhang_front_mm=880, overhang_rear_mm=910)
KEYS = ("distance_mm", "lateral_mm", "height_mm", "yaw_deg", "pitch_deg", "roll_deg")


def judge(key, value, nominal, half_width, u):
    tolerance = Tolerance(nominal, half_width, half_width)
    return JudgedValue(
        value, u, tolerance, decide_value(near_nominal(key, value, nominal), u, tolerance).decision
    )


def one(key, value, nominal, half_width=3.0, u=0.5):
    return {key: judge(key, value, nominal, half_width, u)}


def moves(judged, reach=REACH, units=MILLIMETRES, **measured):
    return plan_moves(judged, {key: value.value for key, value in judged.items()} | measured, reach, units)


def words(judged, **measured):
    return [move.says for move in moves(judged, **measured)]


@pytest.mark.parametrize(
    ("key", "value", "nominal", "says"),
    [
        ("distance_mm", 1510, 1500, "Move the target 10 mm toward the vehicle."),
        ("distance_mm", 1490, 1500, "Move the target 10 mm away from the vehicle."),
        ("distance_mm", -1510, -1500, "Move the target 10 mm toward the vehicle."),
        ("distance_mm", -1490, -1500, "Move the target 10 mm away from the vehicle."),
        ("lateral_mm", -7.25, 0, "Move the target 7.2 mm to the vehicle's left (as seen sitting in it)."),
        ("lateral_mm", 107.25, 100, "Move the target 7.2 mm to the vehicle's right (as seen sitting in it)."),
        ("height_mm", 1190, 1200, "Raise the target by 10 mm."),
        ("height_mm", 1210, 1200, "Lower the target by 10 mm."),
    ],
)
def test_shifts_in_words(key, value, nominal, says):
    assert words(one(key, value, nominal)) == [says]


@pytest.mark.parametrize(
    ("yaw", "where"), [(90, "forward"), (-90, "forward"), (0, "away from"), (180, "toward")]
)
def test_beside_the_vehicle_distance_runs_forward_and_rearward(yaw, where):
    # Ahead and behind by the sign of the nominal distance; beside by the target's yaw.
    nominal = {0: 1500, 180: -1500}.get(yaw, -1350)
    (says,) = words(one("distance_mm", nominal - 10, nominal), yaw_deg=float(yaw))
    assert f"10 mm {where}" in says


@pytest.mark.parametrize(
    ("nominal", "value", "sense", "end"),
    [
        (0, 0.6, "clockwise", "the end on the vehicle's left goes 3.7 mm away from the vehicle"),
        (0, -0.6, "counter-clockwise", "the end on the vehicle's left goes 3.7 mm toward the vehicle"),
        (180, -179.4, "clockwise", "the end on the vehicle's right goes 3.7 mm away from the vehicle"),
        (180, 179.4, "counter-clockwise", "the end on the vehicle's right goes 3.7 mm toward the vehicle"),
        (90, 90.6, "clockwise", "the end toward the vehicle's rear goes 3.7 mm away from the vehicle"),
        (-90, -89.4, "clockwise", "the end toward the vehicle's front goes 3.7 mm away from the vehicle"),
    ],
)
def test_turns_in_words(nominal, value, sense, end):
    # 350 mm * sin(0.6 degrees) = 3.67 mm.
    (says,) = words(one("yaw_deg", value, nominal, half_width=0.3, u=0.04))
    assert says.startswith(f"Turn the target 0.60 degrees {sense} seen from above")
    assert end in says


@pytest.mark.parametrize("yaw_deg", [0.0, 90.0, -90.0, 180.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_the_words_for_the_ends_agree_with_the_rotation_itself(yaw_deg, sign):
    # The end that +y of the target points to, in the vehicle frame, before and after the turn.
    end_in_target = np.array([0.0, 350.0, 0.0])
    R = geometry.rz_ry_rx(*np.radians([yaw_deg, 0, 0]))
    end, away = R @ end_in_target, R @ [1, 0, 0]
    names = {
        "on the vehicle's left": end[1] > 300,
        "on the vehicle's right": end[1] < -300,
        "toward the vehicle's front": end[0] > 300,
        "toward the vehicle's rear": end[0] < -300,
    }
    (name,) = [name for name, fits in names.items() if fits]

    (turn,) = moves(one("yaw_deg", yaw_deg - sign, yaw_deg, half_width=0.3, u=0.04))
    after = geometry.rz_ry_rx(*np.radians([turn.amount, 0, 0])) @ end
    goes = "away from" if (after - end) @ away > 0 else "toward"
    assert f"the end {name} goes 6.1 mm {goes} the vehicle" in turn.says

    (roll,) = moves(one("roll_deg", -sign, 0, half_width=0.3, u=0.04), yaw_deg=yaw_deg)
    raised = geometry.rz_ry_rx(*np.radians([yaw_deg, 0, roll.amount])) @ end_in_target
    assert f"the end {name} goes 6.1 mm {'up' if raised[2] > 0 else 'down'}" in roll.says

    (pitch,) = moves(one("pitch_deg", -sign, 0, half_width=0.3, u=0.04), yaw_deg=yaw_deg)
    top = geometry.rz_ry_rx(*np.radians([yaw_deg, pitch.amount, 0])) @ [0, 0, 350]
    face = geometry.rz_ry_rx(*np.radians([yaw_deg, pitch.amount, 0])) @ [-1, 0, 0]
    assert f"top of the target {'away from' if top @ away > 0 else 'toward'} the vehicle" in pitch.says
    assert f"looks further {'up' if face[2] > 0 else 'down'}" in pitch.says


@pytest.mark.parametrize("middle", [(0.0, 0.0, 0.0), (12.0, 300.0, -220.0), (200.0, -40.0, -900.0)])
@pytest.mark.parametrize(
    ("value", "nominal"),
    [
        ((1530, -20, 1215, 2.5, -1.5, 1.2), (1500, 0, 1200, 0, 0, 0)),
        ((-2510, 130, 790, -177.0, 2.0, -1.0), (-2500, 100, 800, 180, 0, 0)),
        ((-1300, 1210, 300, 92.0, 1.0, 1.0), (-1350, 1200, 310, 90, 0, 0)),
    ],
)
def test_all_moves_done_in_order_lead_to_nominal(value, nominal, middle):
    judged = {
        key: judge(key, float(v), float(n), *((3.0, 0.5) if key.endswith("_mm") else (0.3, 0.04)))
        for key, v, n in zip(KEYS, value, nominal, strict=True)
    }
    plan = moves(judged, Reach(350.0, middle))
    assert [move.key for move in plan] == [*advice.ANGLES, *advice.SHIFTS]

    position, angles = np.array(value[:3], float), np.array(value[3:], float)
    middle_in_vehicle = position + geometry.rz_ry_rx(*np.radians(angles)) @ middle
    for move in plan:
        if move.key in advice.ANGLES:  # the middle stays, the reference point goes round it
            angles[advice.ANGLES.index(move.key)] += move.amount
            position = middle_in_vehicle - geometry.rz_ry_rx(*np.radians(angles)) @ middle
        else:
            position[advice.SHIFTS.index(move.key)] += move.amount
    np.testing.assert_allclose(position, nominal[:3], atol=1e-9)
    np.testing.assert_allclose((angles - nominal[3:] + 180) % 360 - 180, 0, atol=1e-9)


def test_a_turn_that_carries_a_conforming_value_out_brings_its_shift():
    # Reference point 300 mm to the left of the middle (y): 2 degrees take it 300 sin(2) = 10.5 mm along X.
    judged = one("distance_mm", 1500.0, 1500.0) | one("yaw_deg", 2.0, 0.0, half_width=0.3, u=0.04)
    turn, shift = moves(judged, Reach(350.0, (0.0, -300.0, 0.0)))
    assert turn.amount == pytest.approx(-2)
    assert shift.key == "distance_mm"
    # Clockwise seen from above takes a point on the left forward, so it has to come back.
    assert shift.amount == pytest.approx(-300 * math.sin(math.radians(2)), abs=1e-9)


def test_conforming_values_and_offsets_within_u_are_left_alone():
    assert moves(one("lateral_mm", 1.5, 0)) == ()  # conforming
    assert one("lateral_mm", 1.2, 0, u=1.4)["lateral_mm"].decision == "undecided"
    assert moves(one("lateral_mm", 1.2, 0, u=1.4)) == ()  # undecided, but within u
    assert len(moves(one("lateral_mm", 1.8, 0, u=1.4))) == 1
    assert moves(one("yaw_deg", 0.12, 0, half_width=0.3, u=0.14)) == ()
    assert len(moves(one("yaw_deg", 0.18, 0, half_width=0.3, u=0.14))) == 1


def test_an_unequal_tolerance_is_aimed_at_where_a_result_can_conform():
    # [1500, 1510]: a result at nominal lies on a limit and would be undecided for ever.
    tolerance = Tolerance(1500, 0, 10)
    value = JudgedValue(1500.5, 1.0, tolerance, decide_value(1500.5, 1.0, tolerance).decision)
    (move,) = moves({"distance_mm": value})
    assert move.amount == pytest.approx(4.5)


def test_inches_are_said_with_decimals():
    assert [move.says for move in moves(one("height_mm", 1225.4, 1200), units=INCHES)] == [
        "Lower the target by 1.00 in."
    ]
    (says,) = [move.says for move in moves(one("lateral_mm", -5.08, 0), units=INCHES)]
    assert "0.200 in to the vehicle's left" in says


@pytest.mark.parametrize(
    ("datum", "nominal", "value", "length", "meant_from"),
    [
        ("front_axle", 1500, 1500 - 2711, "the wheelbase", "the rear axle"),
        ("rear_axle", 4200, 4200 + 2713, "the wheelbase", "the front axle"),
        ("front_axle", 1500, 1500 + 884, "the front overhang", "the front edge of the bumper"),
        ("rear_axle", -1500, -1500 - 905, "the rear overhang", "the rear edge of the bumper"),
        (
            "front_axle",
            -4200,
            -4200 - 2712 - 910,
            "the way from the front axle to the rear edge of the bumper",
            "the rear edge of the bumper",
        ),
    ],
)
def test_a_wrong_datum_is_recognised_by_its_size(datum, nominal, value, length, meant_from):
    hints = recognise(one("distance_mm", value, nominal, half_width=5.0), datum, declared_datums(ESTATE))
    assert len(hints) == 1
    assert f"that deviation is about {length}: was the distance meant from {meant_from}?" in hints[0]


@pytest.mark.parametrize("value", [1500, 1506, 1600, 1500 - 2712 + 40, 1500 + 2712])
def test_other_deviations_are_not_taken_for_a_wrong_datum(value):
    assert (
        recognise(one("distance_mm", value, 1500, half_width=5.0), "front_axle", declared_datums(ESTATE))
        == ()
    )


def test_a_datum_nearer_than_the_tolerance_explains_nothing():
    near = {"front_axle": Datum(0, 0, "the front axle"), "emblem": Datum(6, 1, "the emblem")}
    assert recognise(one("distance_mm", 1506, 1500, half_width=5.0, u=0.3), "front_axle", near) == ()


def test_nothing_is_declared_nothing_is_recognised():
    assert list(declared_datums(Vehicle())) == ["front_axle"]
    assert recognise(one("distance_mm", -1212, 1500), "front_axle", declared_datums(Vehicle())) == ()


@pytest.mark.parametrize(
    ("value", "mixed"), [(-398, True), (-392, True), (-388, False), (402, False), (0, False)]
)
def test_a_mirrored_lateral_offset_is_recognised(value, mixed):
    # Also of a target set up by more than the tolerance (3 mm) from its mirrored place, but not of any.
    hints = recognise(one("lateral_mm", value, 400), "front_axle", {})
    assert (hints != ()) == mixed
    if mixed:
        assert f"{-value} mm to the vehicle's right; 400 mm to its left are required" in hints[0]


def test_a_small_offset_is_called_mirrored_only_where_setting_up_would_not_explain_it():
    # With 4 mm of tolerance and u = 1 mm nobody sets up 13.6 mm off (3.3 standard deviations of 4.1 mm).
    def is_called(value, nominal):
        return recognise(one("lateral_mm", value, nominal, half_width=4.0, u=1.0), "front_axle", {}) != ()

    assert is_called(-10, 10)
    assert not is_called(-3, 10)
    assert not is_called(-6, 6)


def test_a_small_nominal_is_never_called_mirrored():
    # 5 mm left required, 5 mm right found: with 3 mm of tolerance that may be any mistake.
    assert recognise(one("lateral_mm", -5, 5), "front_axle", {}) == ()


def test_a_missing_minus_sign_behind_the_vehicle_is_recognised():
    judged = one("distance_mm", -1501, 1500) | one("yaw_deg", 179.9, 0, half_width=0.3, u=0.04)
    sign, yaw = recognise(judged, "rear_axle", {})
    assert "on its other side" in sign
    assert "faces the other way" in yaw


def test_undecided_names_the_cause_to_better_and_how_far():
    # T = 3, u = 1.45: decided at 1.2 mm only with a smaller u.
    says = settle("lateral_mm", one("lateral_mm", 1.2, 0, u=1.45)["lateral_mm"], BUDGET, False)
    assert says.startswith("Lateral offset: u is 1.45 mm; below 1.0")
    assert "the wheel clamps (50 % of the variance)" in says
    assert "image" not in says


def test_more_causes_are_named_where_one_is_not_enough():
    # T = 3, largest usable u 1.53; without the clamps' half 2.5 mm is still 1.77 mm, without the photos 1.37.
    judged = one("lateral_mm", 0.5, 0, u=2.5)["lateral_mm"]
    says = settle("lateral_mm", judged, BUDGET, False)
    assert "no place of the target could be shown to conform" in says
    assert "below 1.53 mm" in says
    assert says.index("the wheel clamps") < says.index("the photos (20 %")
    assert "between the front wheels and the fixture" in says
    assert "printed plates" not in says


def test_photos_behind_the_vehicle_are_taken_from_its_other_end():
    judged = one("distance_mm", -1500.5, -1500, u=2.5)["distance_mm"]
    says = settle("distance_mm", judged, {"image": 1.0}, True)
    assert "beside the front wheels" in says
    assert "looking rearward" in says


def test_a_cause_without_words_of_its_own_is_still_named():
    judged = one("distance_mm", 1500.5, 1500, u=2.5)["distance_mm"]
    assert "room temperature (100 %" in settle("distance_mm", judged, {"room_temperature": 1.0}, False)


@pytest.mark.parametrize("line", ["image", *advice.CAUSES])
def test_a_line_of_the_budget_is_said_in_words_not_by_its_key(line):
    for key in KEYS:
        says = settle(key, one(key, 0.1, 0, u=2.5)[key], {line: 1.0}, False)
        assert "Most comes from" in says
        assert "_" not in says.split("(100 %")[0]
        assert "measure it better" not in says  # the words for a cause that nobody foresaw


def all_advice(judged, *, failed_tests=(), datums=None):
    measured = {key: value.value for key, value in judged.items()}
    budget = dict.fromkeys(judged, BUDGET)
    return advise(judged, measured, REACH, budget, "front_axle", datums or {}, failed_tests)


def test_nothing_is_advised_where_all_conforms():
    assert all_advice(one("distance_mm", 1500.5, 1500) | one("lateral_mm", 0.1, 0)) == ()


def test_undecided_but_movable_is_settled_by_the_move():
    move, again = all_advice(one("lateral_mm", 2.5, 0))
    assert move == "Move the target 2.5 mm to the vehicle's right (as seen sitting in it)."
    assert again.startswith("Then photograph again, as a new set.")
    assert "settle what is undecided now (lateral offset)" in again


def test_a_move_is_not_said_to_settle_what_u_forbids_to_decide():
    *_, again, settled = all_advice(one("lateral_mm", 4.5, 0, u=2.4))
    assert "settle" not in again
    assert "no move settles it" in settled


def test_nothing_is_moved_on_numbers_that_contradict_each_other():
    says = all_advice(one("lateral_mm", 30, 0), failed_tests=("The fixture moved after photo 6.",))
    assert says == ("Do not move the target on these numbers. The fixture moved after photo 6.",)


def test_questions_come_before_moves():
    says = all_advice(one("distance_mm", 1500 - 2712, 1500), datums=declared_datums(ESTATE))
    assert "was the distance meant from the rear axle?" in says[0]
    assert says[1] == "If the requirement is right as it was entered:"
    assert says[2].startswith("Move the target 2712 mm forward")


def test_an_uncertainty_far_beyond_the_tolerance_asks_for_better_measuring():
    # u = 20 T: by the rule nonconforming, for it is unlikely to lie inside; yet no move would help.
    judged = one("lateral_mm", 1.0, 0, u=60.0)
    assert judged["lateral_mm"].decision == "nonconforming"
    (says,) = all_advice(judged)
    assert "no place of the target could be shown to conform" in says


def test_reach_is_half_the_span_of_the_plates_about_their_middle():
    def mount(plate, position):
        return Mount(plate, geometry.transform(np.eye(3), np.array(position, float)), 0.2, 0.001)

    fixture = Fixture("front", (mount(4, [0, 350, 0]), mount(5, [0, -350, 0])), ())
    # The target's frame turned half round z: its y is the fixture's -y.
    T_fixture_target = geometry.transform(np.diag([-1.0, -1.0, 1.0]), np.array([12.0, 40.0, -200.0]))
    reach = advice.reach(fixture, Target("board", T_fixture_target, 0.2, 0.001))
    assert reach.half_width_mm == pytest.approx(350)
    np.testing.assert_allclose(reach.middle_in_target_mm, [12, 40, 200], atol=1e-9)


def test_one_plate_has_no_ends_to_measure_at():
    (move,) = moves(one("yaw_deg", 1.0, 0, half_width=0.3, u=0.04), Reach(0.0, (0.0, 0.0, 0.0)))
    assert move.says.endswith("the end on the vehicle's left goes away from the vehicle.")


def test_cautions_say_what_the_check_is_not():
    says = cautions(("seating of the clamps on the rims",))
    for part in (
        "second check",
        "vehicle maker's procedure",
        "licensed practice",
        "local rules",
        "place of the target",
    ):
        assert part in says[0]
    assert says[1] == "Seating of the clamps on the rims: not checked here."
