"""Two rounds decided: near and far, stop after stop, from results as they are written."""

import copy

import numpy as np
import pytest

from calib_data.formats import ShiftFile
from calib_data.shift import decide_shift
from tools.studies.families import two_rounds
from vision.advice import INCHES


def test_near_and_far_is_decided_with_what_both_rounds_share_taken_off():
    decided, true = two_rounds(3, "board_near_and_far", 0)
    assert set(decided["values"]) == set(true)
    off = [(v["value"] - true[key]) / v["u"] for key, v in decided["values"].items()]
    # Four values, chi-square at most 30 of 4 even if they were one: a chance of 5e-6.
    assert np.max(np.abs(off)) < 5


def test_a_stop_too_far_is_nonconforming_and_named():
    decided, _ = two_rounds(3, "angle_stops", 1, planted=2.0)
    assert decided["decision"] == "nonconforming"
    assert "1 stop" in decided["advice"][0]


def value(of, u=0.1):
    return {"value": of, "u": u, "interval95": [of - 2 * u, of + 2 * u]}


def result(yaw=0.0, distance=1500.0, ok=True, **more):
    placement = {
        "name": "plate",
        "fixture": "plate",
        "target": "target",
        "reference_line": "centreline",
        "datum": "front_axle",
        "decision": "none",
        "values": {"distance_mm": value(distance, 1.0), "yaw_deg": value(yaw)},
        "covariance": {"keys": ["distance_mm", "yaw_deg"], "matrix": [[1.0, 0.05], [0.05, 0.01]]},
    }
    return {
        "placements": [placement],
        "vehicle": {},
        "tests": [{"name": "a", "ok": ok, "says": "the fixture moved"}],
        "states": [],
        **more,
    }


def shift(nominal, key="yaw_deg", half=0.5, **more):
    values = {key: {"nominal": nominal, "minus": half, "plus": half}}
    asked = {"format": "plumbsight.shift/1", "name": "turn", "from": "plate", "to": "plate", "values": values}
    return ShiftFile.model_validate({**asked, **more})


def test_unshared_rounds_add_their_variances():
    decided = decide_shift(result(0.0), result(2.0), shift(2.0)).told
    assert decided["decision"] == "conforming"
    assert decided["values"]["yaw_deg"]["u"] == pytest.approx(0.1 * np.sqrt(2))


def test_shared_errors_cancel():
    """Both rounds' yaw is moved by 0.08 by one error of one kit: 2 (0.1^2 - 0.08^2) is left."""
    effects = {"kit_effects": {"kit_sha256": "x", "names": ["ruler"], "effects": {"0:yaw_deg": [0.08]}}}
    decided = decide_shift(result(0.0, **effects), result(2.0, **effects), shift(2.0)).told
    assert decided["values"]["yaw_deg"]["u"] == pytest.approx(np.sqrt(2 * (0.01 - 0.0064)))


def test_angles_wrap():
    decided = decide_shift(result(179.0), result(-179.0), shift(2.0)).told
    assert decided["values"]["yaw_deg"]["value"] == pytest.approx(2.0)


@pytest.mark.parametrize(
    ("turned", "asked", "says"),
    [
        (4.0, {"step": {"yaw_deg": 2.0}}, "1 stop too far"),
        (0.1, {"step": {"yaw_deg": 2.0}}, "1 stop short"),
        (0.1, {}, "hardly changed"),
        (-2.0, {}, "as much the other way"),
    ],
)
def test_a_wrong_turn_is_named_by_its_size(turned, asked, says):
    decided = decide_shift(result(0.0), result(turned), shift(2.0, **asked)).told
    assert decided["decision"] == "nonconforming" and says in decided["advice"][0]


def far_of(near, distance, yaw=0.0, **more):
    """Two rounds of one board, and what is required of the difference: 1500 +- 5 mm."""
    asked = {"distance_mm": {"nominal": 1500.0, "minus": 5.0, "plus": 5.0}}
    decided = decide_shift(result(0.0, near), result(yaw, distance), shift(1500.0, values=asked, **more))
    assert decided.told["decision"] == "nonconforming"
    return decided


@pytest.mark.parametrize(
    ("near", "far", "yaw", "says"),
    [
        (1000.0, 2512.0, 0.0, "Move the target 12 mm toward the vehicle."),
        # A board behind comes nearer by as much as it goes forward: away from the vehicle is rearward.
        (-3500.0, -2020.0, 180.0, "Move the target 20 mm toward the vehicle."),
        (-3500.0, -1980.0, 180.0, "Move the target 20 mm away from the vehicle."),
    ],
)
def test_a_difference_that_is_off_says_what_to_move_of_the_second_stand(near, far, yaw, says):
    advice = far_of(near, far, yaw).told["advice"]
    lead = "With 'plate' as it stood in the second round:"
    assert advice == [lead, says, "Then photograph 'plate' again, as a new round."]


def test_the_move_is_worded_in_inches_and_turned_about_the_photographed_plates():
    rounds = [result(0.0), result(1.0)]
    ends = {str(n): {"role": "fixture plate", "T_vehicle_plate": at(y)} for n, y in ((1, 350), (2, -350))}
    rounds[1]["geometry"] = {"targets": [{"T_vehicle_target": at(0)}], "plates": ends}
    advice = decide_shift(*rounds, shift(0.0), INCHES).told["advice"]
    assert "Turn the target 1.00 degrees clockwise" in advice[1] and "goes 0.240 in away" in advice[1]


def at(y):
    T = np.eye(4)
    T[:3, 3] = (0.0, y, 0.0)
    return T.tolist()


def test_a_move_that_the_second_placement_itself_forbids_sends_back_to_the_first():
    """Near stands 10 mm too far; to move far after it by 12 mm takes it out of its own 2500 +- 5."""
    far = result(0.0, 2498.0)
    own = {"nominal": 2500.0, "minus": 5.0, "plus": 5.0, "decision": "conforming"}
    far["placements"][0]["values"]["distance_mm"] |= own
    near = result(0.0, 1010.0)
    advice = decide_shift(near, far, shift(1500.0, "distance_mm", 5.0)).told["advice"]
    assert "set up 'plate' again, nearer" in advice[0] and "12 mm away from" in advice[2]


def test_what_no_move_settles_says_which_cause_of_both_rounds_is_too_large():
    rounds = [result(0.0), result(0.05)]
    for one in rounds:
        one["placements"][0]["budget"] = {"yaw_deg": {"image": 0.75, "clamps": 0.25}}
    settling = decide_shift(*rounds, shift(0.0, half=0.2)).told["advice"]
    assert len(settling) == 1 and "the photos (75 % of the variance)" in settling[0]
    # What both share of the clamps cancels: of 0.02 two photos' 0.015 and nothing of the clamps is left.
    for one in rounds:
        effects = {"kit_sha256": "x", "names": ["clamp"], "effects": {"0:yaw_deg": [0.05]}}
        one["kit_effects"] = effects
    (shared,) = decide_shift(*rounds, shift(0.0, half=0.2)).told["advice"]
    assert "the photos (100 % of the variance)" in shared


def test_a_failed_test_of_either_round_leaves_nothing_conforming():
    decided = decide_shift(result(0.0), result(2.0, ok=False), shift(2.0)).told
    assert decided["decision"] == "undecided"
    assert any("second round: the fixture moved" in says for says in decided["says"])


@pytest.mark.parametrize("moved", [2.0, 50.0])
def test_with_a_kit_that_was_flagged_in_either_round_nothing_is_decided(moved):
    decided = decide_shift(result(0.0), result(moved, distrusted="It was flagged."), shift(2.0)).told
    assert decided["decision"] == "undecided" and decided["advice"] == []
    assert decided["says"][0] == "Undecided: It was flagged."


def test_a_move_that_a_round_does_not_exclude_leaves_it_undecided():
    moves = [{"what": "fixture plate", "between": ["a", "b"], "effects": {"0:yaw_deg": [0.4]}}]
    decided = decide_shift(result(0.0, unseen_moves=moves), result(2.0), shift(2.0)).told
    assert decided["decision"] == "undecided"
    assert any("do not exclude" in says for says in decided["says"])


def test_what_cannot_be_compared_says_why():
    other = copy.deepcopy(result(2.0, 2500.0))
    other["placements"][0]["datum"] = "rear_axle"
    decided = decide_shift(result(), other, shift(1000.0, "distance_mm", 5.0)).told
    assert decided["decision"] == "undecided"
    assert "different datums" in decided["values"]["distance_mm"]["says"]
    elsewhere = decide_shift(result(), result(), shift(2.0, to="another")).told
    assert "not both there" in elsewhere["values"]["yaw_deg"]["says"]
    moved = decide_shift(result(states=[{}]), result(), shift(2.0)).told
    assert "Something moved" in moved["values"]["yaw_deg"]["says"]
