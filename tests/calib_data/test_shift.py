"""Two rounds decided: near and far, stop after stop, from results as they are written."""

import copy

import numpy as np
import pytest

from calib_data.formats import ShiftFile
from calib_data.shift import decide_shift
from tools.studies.families import two_rounds


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
    decided = decide_shift(result(0.0), result(2.0), shift(2.0))
    assert decided["decision"] == "conforming"
    assert decided["values"]["yaw_deg"]["u"] == pytest.approx(0.1 * np.sqrt(2))


def test_shared_errors_cancel():
    """Both rounds' yaw is moved by 0.08 by one error of one kit: 2 (0.1^2 - 0.08^2) is left."""
    effects = {"kit_effects": {"kit_sha256": "x", "names": ["ruler"], "effects": {"0:yaw_deg": [0.08]}}}
    decided = decide_shift(result(0.0, **effects), result(2.0, **effects), shift(2.0))
    assert decided["values"]["yaw_deg"]["u"] == pytest.approx(np.sqrt(2 * (0.01 - 0.0064)))


def test_angles_wrap():
    decided = decide_shift(result(179.0), result(-179.0), shift(2.0))
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
    decided = decide_shift(result(0.0), result(turned), shift(2.0, **asked))
    assert decided["decision"] == "nonconforming" and says in decided["advice"][0]


def test_a_failed_test_of_either_round_leaves_nothing_conforming():
    decided = decide_shift(result(0.0), result(2.0, ok=False), shift(2.0))
    assert decided["decision"] == "undecided"
    assert any("second round: the fixture moved" in says for says in decided["says"])


@pytest.mark.parametrize("moved", [2.0, 50.0])
def test_with_a_kit_that_was_flagged_in_either_round_nothing_is_decided(moved):
    decided = decide_shift(result(0.0), result(moved, distrusted="It was flagged."), shift(2.0))
    assert decided["decision"] == "undecided" and decided["advice"] == []
    assert decided["says"][0] == "Undecided: It was flagged."


def test_a_move_that_a_round_does_not_exclude_leaves_it_undecided():
    moves = [{"what": "fixture plate", "between": ["a", "b"], "effects": {"0:yaw_deg": [0.4]}}]
    decided = decide_shift(result(0.0, unseen_moves=moves), result(2.0), shift(2.0))
    assert decided["decision"] == "undecided"
    assert any("do not exclude" in says for says in decided["says"])


def test_what_cannot_be_compared_says_why():
    other = copy.deepcopy(result(2.0, 2500.0))
    other["placements"][0]["datum"] = "rear_axle"
    decided = decide_shift(result(), other, shift(1000.0, "distance_mm", 5.0))
    assert decided["decision"] == "undecided"
    assert "different datums" in decided["values"]["distance_mm"]["says"]
    elsewhere = decide_shift(result(), result(), shift(2.0, to="another"))
    assert "not both there" in elsewhere["values"]["yaw_deg"]["says"]
    moved = decide_shift(result(states=[{}]), result(), shift(2.0))
    assert "Something moved" in moved["values"]["yaw_deg"]["says"]
