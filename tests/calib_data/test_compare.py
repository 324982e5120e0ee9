"""Two rounds side by side: what is shared cancels, what moved is said."""

import math
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from calib_data.compare import FALSE_ALARM, compare_results


def result(distance_mm: float = 1500.0, wheelbase_mm: float = 2700.0, **more: Any) -> dict[str, Any]:
    """A result by hand. Distance: u 0.5 = 0.3 (ruler) and 0.4 (its own). Wheelbase: u 0.2, its own."""
    return {
        "placements": [
            {
                "name": "board",
                "fixture": "front",
                "target": "board",
                "values": {
                    "distance_mm": {"value": distance_mm, "u": 0.5},
                    "yaw_deg": {"value": 179.95, "u": 0.05},
                    "height_mm": {"value": None, "says": "no floor plate: lay three"},
                },
            }
        ],
        "vehicle": {"wheelbase_left_mm": {"value": wheelbase_mm, "u": 0.2}},
        "states": [],
        "kit_effects": {
            "kit_sha256": "a" * 64,
            "names": ["ruler", "clamp front_left 0"],
            "effects": {
                "0:distance_mm": [0.3, 0.0],
                "0:yaw_deg": [0.0, 0.03],
                "wheelbase_left_mm": [0.0, 0.0],
            },
        },
        **more,
    }


def difference(compared, key: str):
    return next(d for d in (*compared.placements[0].values, *compared.vehicle) if d.key == key)


def test_a_shared_cause_of_the_same_effect_cancels():
    d = difference(compare_results(result(1500.0), result(1503.0)), "distance_mm")
    assert d.difference == 3.0 and d.u == pytest.approx(0.4 * math.sqrt(2))
    assert d.interval95 == pytest.approx((3 - 1.959964 * d.u, 3 + 1.959964 * d.u))


def test_a_shared_cause_of_another_effect_counts_with_the_difference():
    after = result()
    after["kit_effects"]["effects"]["0:distance_mm"] = [-0.3, 0.0]
    assert difference(compare_results(result(), after), "distance_mm").u == pytest.approx(
        math.sqrt(2 * 0.4**2 + 0.6**2)
    )


def test_a_cause_that_only_one_round_has_adds():
    after = result()
    after["kit_effects"]["names"] = ["another", "clamp front_left 0"]
    assert difference(compare_results(result(), after), "distance_mm").u == pytest.approx(0.5 * math.sqrt(2))


@pytest.mark.parametrize("effects", [None, {"kit_sha256": "b" * 64, "names": [], "effects": {}}])
def test_another_kit_file_shares_nothing(effects):
    compared = compare_results(result(), result(kit_effects=effects))
    assert not compared.shares_kit and any("different kit" in says for says in compared.says)
    assert difference(compared, "distance_mm").u == pytest.approx(0.5 * math.sqrt(2))


def test_angles_differ_the_short_way_round():
    after = result()
    after["placements"][0]["values"]["yaw_deg"]["value"] = -179.95
    assert difference(compare_results(result(), after), "yaw_deg").difference == pytest.approx(0.1)


def test_a_value_that_a_round_did_not_measure_says_why():
    d = difference(compare_results(result(), result()), "height_mm")
    assert d.difference is None and d.u is None and "lay three" in d.says


def test_a_vehicle_fact_that_changed_beyond_its_uncertainty_is_said_to_have_moved():
    u = 0.2 * math.sqrt(2)
    limit = norm.isf(FALSE_ALARM / 2) * u
    below, above = (compare_results(result(), result(wheelbase_mm=2700 + f * limit)) for f in (0.99, 1.01))
    assert not difference(below, "wheelbase_left_mm").is_moved and "agree in both rounds" in below.says[-1]
    assert difference(above, "wheelbase_left_mm").is_moved and "wheelbase_left_mm" in above.says[-1]


def test_a_round_in_which_something_moved_is_not_compared():
    compared = compare_results(result(), result(states=[{"says": "before photo 3"}]))
    d = difference(compared, "distance_mm")
    assert d.difference is None and d.before == d.after == 1500.0
    assert any("the second round" in says for says in compared.says)
    assert not any("agree" in says for says in compared.says)


def test_placements_are_matched_by_name():
    after = result()
    after["placements"].insert(0, {**after["placements"][0], "name": "another"})
    effects = after["kit_effects"]["effects"]
    effects["1:distance_mm"], effects["0:distance_mm"] = effects["0:distance_mm"], [0.0, 0.0]
    compared = compare_results(result(), after)
    assert [p.name for p in compared.placements] == ["board"]
    assert difference(compared, "distance_mm").u == pytest.approx(0.4 * np.sqrt(2))
