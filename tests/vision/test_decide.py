"""Verdicts, by hand calculation, the error function of the standard library, and closed forms."""

import math

import numpy as np
import pytest

from vision.decide import (
    acceptance_limits,
    conformance_probability,
    decide_placement,
    decide_value,
    deciding_u,
    largest_usable_u,
    near_nominal,
    undecided_by,
    worst,
)
from vision.kit import Tolerance

FIVE = Tolerance(1500, 5, 5)
THREE = Tolerance(0, 3, 3)
INF = math.inf


def upper_tail(z):
    return math.erfc(z / math.sqrt(2)) / 2


@pytest.mark.parametrize("z", [0.0, 1.0, 5.0, 12.0, 30.0])
@pytest.mark.parametrize("side", [-1, 1])
def test_probability_keeps_its_digits_far_out(z, side):
    # z uncertainties beyond a limit, the other limit 200 uncertainties further off.
    tolerance = Tolerance(0, 100, 100)
    p = conformance_probability(side * (100 + z), 1.0, tolerance)
    assert p == pytest.approx(upper_tail(z), rel=1e-11, abs=0)


def test_probability_of_a_narrow_zone_far_out():
    # Two tails of nearly the same size: the density at z = 20, times the width, to first order.
    p = conformance_probability(20.0, 1.0, Tolerance(0, 1e-6, 1e-6))
    assert p == pytest.approx(math.exp(-200) / math.sqrt(2 * math.pi) * 2e-6, rel=1e-8, abs=0)


def test_both_limits_count():
    # u as large as T, value in the middle: Phi(1) - Phi(-1).
    assert conformance_probability(0, 3, THREE) == pytest.approx(1 - 2 * upper_tail(1), rel=1e-12)


@pytest.mark.parametrize(("value", "u"), [(math.nan, 1), (INF, 1), (0, 0), (0, -1), (0, math.nan), (0, INF)])
def test_no_verdict_without_a_value_and_an_uncertainty(value, u):
    with pytest.raises(ValueError, match="no probability"):
        decide_value(value, u, THREE)


def test_acceptance_zone_of_an_unequal_tolerance():
    # [1490, 1520] with u = 1: 1.645 inside each limit, the other tail being 27 u away.
    assert acceptance_limits(1.0, Tolerance(1500, 10, 20)) == pytest.approx(
        (1491.644854, 1518.355146), abs=1e-5
    )


def test_largest_usable_u_allows_the_middle_and_nothing_else():
    tolerance = Tolerance(10, 1, 2)
    u = largest_usable_u(tolerance)
    assert u == pytest.approx(1.5 / 1.959964, rel=1e-6)
    low, high = acceptance_limits(u, tolerance)
    assert (low, high) == pytest.approx((10.5, 10.5), abs=1e-6)


@pytest.mark.parametrize("value", [1.0, 2.9, 3.1, 4.0])
def test_deciding_u_is_where_the_verdict_turns(value):
    u = deciding_u(value, 1.4, THREE)
    assert decide_value(value, 1.4, THREE).decision == "undecided"
    assert decide_value(value, u * 1.0001, THREE).decision == "undecided"
    assert decide_value(value, u * 0.9999, THREE).decision == ("conforming" if value < 3 else "nonconforming")


def test_no_u_decides_a_value_on_its_limit():
    assert deciding_u(3.0, 0.5, THREE) == 0


def test_a_decided_value_needs_no_smaller_u():
    assert deciding_u(0.0, 0.5, THREE) == 0.5


@pytest.mark.parametrize(
    ("key", "value", "nominal", "expected"),
    [
        ("yaw_deg", -179.9, 180, 180.1),
        ("yaw_deg", 179.5, -180, -180.5),
        ("yaw_deg", 0.3, 0, 0.3),
        ("distance_mm", -1790, 1800, -1790),
    ],
)
def test_angles_are_compared_by_the_shorter_turn(key, value, nominal, expected):
    assert near_nominal(key, value, nominal) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("decisions", "expected"),
    [
        ([], "none"),
        (["none", "none"], "none"),
        (["conforming", "none"], "conforming"),
        (["conforming", "undecided", "none"], "undecided"),
        (["undecided", "nonconforming", "conforming"], "nonconforming"),
    ],
)
def test_the_worst_counts(decisions, expected):
    assert worst(decisions) == expected


def place(required, values, *, u=None, not_measured=None, failed_tests=()):
    keys = tuple(values)
    u = np.ones(len(keys)) if u is None else np.array(u)
    return decide_placement(
        required, keys, np.array(list(values.values())), np.diag(u**2), not_measured or {}, failed_tests
    )


def test_all_inside_conforms():
    decision = place({"distance_mm": FIVE, "lateral_mm": THREE}, {"distance_mm": 1500.5, "lateral_mm": 0.2})
    assert decision.decision == "conforming"
    assert [value.decision for value in decision.values.values()] == ["conforming", "conforming"]


def test_one_outside_makes_the_placement_nonconforming():
    decision = place(
        {"distance_mm": FIVE, "lateral_mm": THREE, "height_mm": FIVE},
        {"lateral_mm": 9.0, "distance_mm": 1500.0, "height_mm": 1504.5},
    )
    assert decision.values["lateral_mm"].decision == "nonconforming"
    assert decision.values["height_mm"].decision == "undecided"
    assert decision.decision == "nonconforming"


def test_a_required_value_that_was_not_measured_is_undecided_and_says_why():
    why = "Too few floor plates were seen: photograph a third one."
    decision = place(
        {"distance_mm": FIVE, "height_mm": FIVE}, {"distance_mm": 1500.0}, not_measured={"height_mm": why}
    )
    assert decision.decision == "undecided"
    assert decision.values["height_mm"].p_conform is None
    assert decision.values["height_mm"].says == why
    assert decision.p_conform_all is None
    assert decision.p_conform_all_at_least == 0


def test_values_that_nobody_requires_do_not_count():
    decision = place({"distance_mm": FIVE}, {"distance_mm": 1500.0, "lateral_mm": 500.0})
    assert decision.decision == "conforming"
    assert list(decision.values) == ["distance_mm"]


@pytest.mark.parametrize("failed_tests", [(), ("The fixture moved after photo 6.",)])
def test_nothing_required_is_none(failed_tests):
    decision = place({}, {"distance_mm": 1500.0}, failed_tests=failed_tests)
    assert decision.decision == "none"
    assert decision.p_conform_all is None
    assert decision.p_conform_all_at_least is None


@pytest.mark.parametrize(
    ("value", "without", "with_failure"),
    [
        (1500.0, "conforming", "undecided"),
        (1504.0, "undecided", "undecided"),
        (1520.0, "nonconforming", "nonconforming"),
    ],
)
def test_a_failed_test_takes_conforming_away_and_nothing_else(value, without, with_failure):
    required, values = {"distance_mm": FIVE}, {"distance_mm": value}
    failed = place(required, values, failed_tests=("The fixture moved after photo 6.",))
    assert place(required, values).decision == without
    assert failed.decision == with_failure
    assert any("moved after photo 6" in words for words in failed.says) == (without == "conforming")


def test_yaw_behind_the_vehicle_wraps():
    decision = place({"yaw_deg": Tolerance(180, 0.3, 0.3)}, {"yaw_deg": -179.9}, u=[0.04])
    assert decision.decision == "conforming"
    # 0.1 off nominal: 5 u to one limit, 10 u to the other.
    assert decision.values["yaw_deg"].p_conform == pytest.approx(1 - upper_tail(5), rel=1e-9)
    assert decision.p_conform_all == pytest.approx(1, abs=1e-4)


@pytest.mark.parametrize("r", [-0.9, 0.0, 0.6])
def test_joint_probability_of_two_correlated_values_in_closed_form(r):
    # Sheppard 1899: both of two standard normals negative with probability 1/4 + asin(r) / (2 pi).
    # Here both values lie on a limit; the other limit is 1000 u away.
    required = {"distance_mm": Tolerance(0, 1000, 0), "yaw_deg": Tolerance(0, 100, 0)}
    cov = np.array([[1.0, r * 0.1], [r * 0.1, 0.01]])
    decision = decide_placement(required, ("yaw_deg", "distance_mm"), np.zeros(2), cov[::-1, ::-1], {}, ())
    assert decision.p_conform_all == pytest.approx(0.25 + math.asin(r) / (2 * math.pi), abs=2e-4)


def test_joint_probability_of_one_value_told_four_times():
    required = {key: FIVE for key in ("a_mm", "b_mm", "c_mm", "d_mm")}
    decision = decide_placement(required, tuple(required), np.full(4, 1502.0), np.ones((4, 4)) * 4, {}, ())
    assert decision.p_conform_all == pytest.approx(decision.values["a_mm"].p_conform, abs=2e-4)


def test_joint_probability_is_the_same_on_every_run():
    required = {key: FIVE for key in ("a_mm", "b_mm", "c_mm", "d_mm")}
    cov = 4 * (0.5 * np.eye(4) + 0.5)
    first, second = (
        decide_placement(required, tuple(required), np.full(4, 1501.0), cov, {}, ()) for _ in range(2)
    )
    assert first.p_conform_all == second.p_conform_all


def test_the_joint_risk_is_said_in_words():
    required = {key: FIVE for key in ("a_mm", "b_mm", "c_mm", "d_mm")}
    says = decide_placement(required, tuple(required), np.full(4, 1500.0), np.eye(4), {}, ()).says[-1]
    assert "each of 4 values is decided by itself at 95 %" in says
    assert "no more than 80 % for all together" in says
    assert "100.0 %" in says  # 5 u inside each limit


@pytest.mark.parametrize("measured", [1500.0, 1600.0])
def test_with_what_is_not_to_be_trusted_nothing_is_decided_either_way(measured):
    decided = place({"distance_mm": FIVE}, {"distance_mm": measured}, u=[0.5])
    assert decided.decision in ("conforming", "nonconforming")
    left = undecided_by(decided, "The kit was flagged.")
    assert (left.decision, left.values["distance_mm"].decision) == ("undecided", "undecided")
    assert left.values["distance_mm"].p_conform == decided.values["distance_mm"].p_conform
    assert left.says[0] == "Undecided: The kit was flagged."


def test_where_nothing_is_required_it_is_only_said():
    left = undecided_by(decide_placement({}, (), np.zeros(0), np.zeros((0, 0)), {}, ()), "It was flagged.")
    assert (left.decision, left.says[0]) == ("none", "It was flagged.")
