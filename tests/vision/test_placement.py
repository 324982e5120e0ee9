"""Exact image points in, exact truth out; covariance and budget against independent computation."""

from dataclasses import replace

import numpy as np
import pytest

from tools.scene import SetUp
from tools.truth import true_facts, true_values
from vision.errors import NotEnoughError
from vision.frame import not_measured, quantities
from vision.placement import VALUE_KEYS, plan_frame

REAR = ("rear_left", "rear_right")
SITUATIONS = {
    "four clamps": {},
    "thrust line": {"reference_line": "thrust_line", "datum": "rear_axle"},
    "datum plate": {"with_datum_plate": True, "datum": "bumper_centre"},
    "scale bar": {"with_bar": True},
    "near": {"target_distance_mm": 1500.0},
    "target to the side": {"set_up": SetUp(lateral_mm=400, height_mm=700, yaw_deg=12, off_deg=1)},
    "behind": {"behind": True, "set_up": SetUp(yaw_deg=0.01, off_deg=0.0), "datum": "rear_axle"},
    "behind, turned the other way": {
        "behind": True,
        "set_up": SetUp(yaw_deg=-0.01, off_deg=0.0),
        "datum": "rear_axle",
    },
    "rear and front left": {"wheels": (*REAR, "front_left"), "symmetric": True},
    "rear and front right": {"wheels": (*REAR, "front_right"), "symmetric": True},
    "rear alone": {"wheels": REAR, "reference_line": "thrust_line", "datum": "rear_axle"},
    "floor by the wheels' radii": {"n_floor": 2, "symmetric": True},
}


@pytest.mark.parametrize("situation", SITUATIONS)
def test_exact_points_give_the_exact_truth(simulated, situation):
    what = dict(SITUATIONS[situation])
    car = {"car": simulated.symmetric_car()} if what.pop("symmetric", False) else {}
    scene, found = simulated.exact(11, n_photos=10, **what, **car)
    vehicle = scene.vehicle
    if car:
        vehicle = replace(
            vehicle, track_front_mm=1560.0, wheel_radius_front_mm=315.0, wheel_radius_rear_mm=318.0
        )
    adjustment = simulated.adjust_from_nothing(simulated.network(scene, found))
    reported, _ = simulated.values_of(scene, adjustment, vehicle)
    expected = {
        f"0:{key}": value
        for key, value in true_values(
            scene.truth, scene.placement.reference_line, scene.placement.datum
        ).items()
    }
    if "rear alone" not in situation:  # whose facts are counted from the thrust line
        expected.update(true_facts(scene.truth))
    assert {f"0:{key}" for key in VALUE_KEYS} <= set(reported.keys)
    for key in set(reported.keys) & set(expected):
        error = reported.value(key) - expected[key]
        if key.endswith("_deg"):
            error = (error + 180) % 360 - 180
        # The adjustment stops within 1e-3 u of its optimum.
        assert abs(error) < 1e-3 * reported.u(key), key


def test_rear_pair_alone_says_why_the_distance_is_not_measured(simulated):
    scene, found = simulated.exact(11, n_photos=10, wheels=REAR, reference_line="thrust_line")
    adjustment = simulated.adjust_from_nothing(simulated.network(scene, found))
    reported, plan = simulated.values_of(scene, adjustment)
    assert "0:distance_mm" not in reported.keys and "0:lateral_mm" in reported.keys
    found_keys = dict.fromkeys(reported.keys, np.zeros(()))
    says = not_measured(plan, 0, found_keys)
    assert set(says) == {"distance_mm"} and "front axle" in says["distance_mm"]


def test_centreline_without_the_front_axle_is_refused_in_words(simulated):
    scene, found = simulated.exact(11, n_photos=10, wheels=REAR)
    adjustment = simulated.adjust_from_nothing(simulated.network(scene, found))
    with pytest.raises(NotEnoughError, match="front axle"):
        simulated.values_of(scene, adjustment)


def test_without_floor_and_radii_the_height_is_left_out(simulated):
    scene, found = simulated.exact(11, n_photos=10, n_floor=2)
    vehicle = replace(scene.vehicle, wheel_radius_front_mm=None, wheel_radius_rear_mm=None)
    adjustment = simulated.adjust_from_nothing(simulated.network(scene, found))
    reported, plan = simulated.values_of(scene, adjustment, vehicle)
    assert "0:height_mm" not in reported.keys and "0:distance_mm" in reported.keys
    assert "floor" in not_measured(plan, 0, reported.keys)["height_mm"]


def test_missing_rear_wheel_is_named(simulated):
    scene, found = simulated.exact(11, n_photos=6, wheels=("front_left", "front_right", "rear_left"))
    adjustment = simulated.adjust_from_nothing(simulated.network(scene, found))
    with pytest.raises(NotEnoughError, match="rear right"):
        plan_frame(adjustment, scene.kit, scene.vehicle, [scene.placement])


def test_shares_add_to_one_and_each_is_a_share(simulated):
    reported = simulated.one.reported
    shares = np.stack(list(reported.shares.values()))
    np.testing.assert_allclose(shares.sum(0), 1, atol=1e-9)
    assert (shares > -1e-12).all()


@pytest.mark.parametrize(("cause", "value"), [("clamps", "0:lateral_mm"), ("floor", "0:height_mm")])
def test_a_cause_outside_the_photos_brings_what_its_own_uncertainty_brings(simulated, cause, value):
    """Its variance by finite differences of the quantities alone, one input after the other."""
    one = simulated.one
    total = 0.0
    for k, item in enumerate(one.plan.inputs):
        if item.cause == cause:
            at = np.zeros(len(one.plan.inputs))
            at[k] = item.u
            up = quantities(one.plan, one.adjustment.state.poses, at)[value]
            down = quantities(one.plan, one.adjustment.state.poses, -at)[value]
            total += float(up - down) ** 2 / 4
    i = one.reported.keys.index(value)
    share = one.reported.shares[cause][i]
    assert share * one.reported.covariance[i, i] == pytest.approx(total, rel=1e-3)
    assert share > 0.02


def test_covariance_is_symmetric_and_positive(simulated):
    C = simulated.one.reported.covariance
    np.testing.assert_allclose(C, C.T, atol=1e-12)
    assert np.linalg.eigvalsh(C).min() > -1e-9


def test_errors_of_a_noisy_set_are_of_the_size_of_u(simulated):
    """All six together: chi-square with 6 degrees of freedom, one chance in 10,000 to fail (27.9)."""
    one = simulated.one
    true = true_values(one.scene.truth, "centreline", "front_axle")
    keys = [one.reported.keys.index(f"0:{key}") for key in VALUE_KEYS]
    off = one.reported.values[keys] - [true[key] for key in VALUE_KEYS]
    assert off @ np.linalg.solve(one.reported.covariance[np.ix_(keys, keys)], off) < 27.9
