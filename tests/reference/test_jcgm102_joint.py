"""JCGM 102:2011, 6.5.2: what several values at once promise (rectangular regions, Bonferroni).

The table's k_q makes a region of p = 0.95 out of m intervals of +-k_q u; rounded to 2.24, 2.39, 2.50.
"""

import numpy as np
import pytest

from vision.decide import decide_placement
from vision.kit import Tolerance

KEYS = ("distance_mm", "lateral_mm", "height_mm", "yaw_deg")


def at_nominal(half_width, cov):
    required = {key: Tolerance(0, half_width, half_width) for key in KEYS[: len(cov)]}
    return decide_placement(required, KEYS[: len(cov)], np.zeros(len(cov)), cov, {}, ())


@pytest.mark.parametrize(("m", "k"), [(1, 1.96), (2, 2.24), (3, 2.39), (4, 2.50)])
def test_bonferroni_bound(m, k):
    # Half a unit of k's last digit is worth 2 m pdf(k) 0.005, at most 0.0008.
    assert at_nominal(k, np.eye(m)).p_conform_all_at_least == pytest.approx(0.95, abs=8e-4)


@pytest.mark.parametrize("r", [0.0, 0.5, 0.9])
def test_the_joint_probability_lies_between_bonferroni_and_the_worst_single(r):
    cov = np.full((4, 4), r) + (1 - r) * np.eye(4)
    decision = at_nominal(2.50, cov)
    single = decision.values["yaw_deg"].p_conform
    assert decision.p_conform_all_at_least - 1e-4 < decision.p_conform_all < single + 1e-4


def test_independent_values_multiply():
    # 0.95 each is 0.8145 for four at once, against Bonferroni's 0.80.
    decision = at_nominal(1.959964, np.eye(4))
    assert decision.p_conform_all == pytest.approx(0.95**4, abs=1e-4)
    assert decision.p_conform_all_at_least == pytest.approx(0.80, abs=1e-6)
