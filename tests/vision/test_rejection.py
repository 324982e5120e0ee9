"""The test of each point against its distribution, and where it must not let a point pass."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.stats

from vision import geometry
from vision.blocks import saddle_block
from vision.least_squares import State
from vision.rejection import REJECTION_LIMIT, gross_errors, noise_level, point_tests


def test_point_tests_follow_chi_square(simulated):
    a = simulated.one.adjustment
    t = point_tests(a.saddles, a.solution)[a.saddles.observed.used]
    assert scipy.stats.kstest(t, scipy.stats.chi2(2).cdf).pvalue > 1e-4
    assert t.max() < REJECTION_LIMIT


@pytest.mark.parametrize("is_rejected", [True, False])
def test_a_view_behind_the_camera_fails_in_all_its_points_and_spoils_no_arithmetic(simulated, is_rejected):
    a, g = simulated.one.adjustment, 0
    rejected = np.zeros_like(a.rejected)
    rejected[g] = is_rejected
    block = saddle_block(a.saddles.unknowns, a.saddles.observed.without(rejected), a.saddles.scales)
    poses = a.state.poses.copy()
    plate = int(a.network.unknowns.plate_pose(block.observed.plate[g]))
    camera = int(block.observed.photo[g])
    poses[plate] = poses[camera] @ geometry.exp(np.array([0, 0, -2000.0, 0, 0, 0]))
    behind = replace(a.solution, state=State(poses, a.state.values))
    with np.errstate(invalid="raise"):
        tests = point_tests(block, behind)
        assert (tests[g] > REJECTION_LIMIT).all()
        assert np.isfinite(noise_level(tests))
        present = a.saddles.observed.used | a.rejected
        failing = present & (tests > REJECTION_LIMIT)
        out = gross_errors(failing, a.saddles, behind.state, np.zeros(len(present), bool))
    assert (out[g] == present[g]).all()
