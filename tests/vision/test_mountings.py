"""The pooled standard deviation: by hand, and against draws whose spread is known."""

import numpy as np
import pytest

from vision.mountings import repeatability

AS_DECLARED = np.zeros(2)


def test_by_hand():
    """Two clamps: x 1, 3 and y 0, 0; x 5, 5, 5 and y -1, 0, 1. Squares about the means 2 + 0 + 0 + 2 = 4."""
    misses = [np.array([[1.0, 0], [3, 0]]), np.array([[5.0, -1], [5, 0], [5, 1]])]
    found = repeatability(misses, [AS_DECLARED, np.array([4.0, 0.0])])
    assert found.dof == 2 * 1 + 2 * 2
    assert found.s == pytest.approx(np.sqrt(4 / 6))
    # Means (2, 0) against (0, 0), and (5, 0) against (4, 0).
    assert found.off == pytest.approx(np.sqrt((2**2 + 0 + 1 + 0) / 4))
    assert found.u == pytest.approx(np.hypot(found.s, found.off))


def test_it_is_the_spread_that_was_drawn_whatever_the_clamps_means():
    rng = np.random.default_rng(5)
    misses = [rng.normal(mean, 0.3, (n, 2)) for mean, n in ((2.0, 400), (-1.0, 300), (0.0, 500), (7.0, 200))]
    found = repeatability(misses, [AS_DECLARED] * 4)
    # s is known to 1/sqrt(2 dof) of itself (JCGM 100:2008, E.4.3): here 1.3 %.
    assert found.s == pytest.approx(0.3, rel=4 / np.sqrt(2 * found.dof))


def test_clamps_found_once_tell_nothing():
    assert repeatability([np.ones((1, 2)), np.ones((1, 2))], [AS_DECLARED] * 2) is None
    assert repeatability([], []) is None
