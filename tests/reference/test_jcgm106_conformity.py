"""JCGM 106:2012, clause 7 and 8.3, and NCSLI RP-19, through conformance_probability.

Where a check asks for the probability of *accepting* an item whose true value is t (global risks), the
integral is the same with truth and result exchanged, so the same function serves.
"""

import math

import pytest
from scipy.integrate import quad
from scipy.stats import norm

from vision.decide import conformance_probability, decide_value
from vision.kit import Tolerance

INF = math.inf


@pytest.mark.parametrize(("p", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)])
def test_table_1_one_limit(p, z):
    # z is printed to two digits: half of 0.01 times the density at z.
    slack = 0.006 * norm.pdf(z)
    assert conformance_probability(-z, 1.0, Tolerance(0, INF, 0)) == pytest.approx(p, abs=slack)
    assert conformance_probability(z, 1.0, Tolerance(0, 0, INF)) == pytest.approx(p, abs=slack)


def test_7_3_zener_diode_and_burst_pressure():
    assert conformance_probability(-5.47, 0.05, Tolerance(-5.40, INF, 0)) == pytest.approx(0.92, abs=0.006)
    assert conformance_probability(509.7, 8.6, Tolerance(490, 0, INF)) == pytest.approx(0.99, abs=0.006)


def test_7_4_motor_oil_is_inside_its_limits_and_yet_undecided():
    viscosity = decide_value(13.6, 1.8, Tolerance(14.4, 1.9, 1.9))  # [12.5, 16.3]
    assert viscosity.p_conform == pytest.approx(0.66, abs=0.005)
    assert viscosity.decision == "undecided"


def test_8_3_speed_limit():
    # u is 2 % of the speed; the limit of 100 km/h is exceeded with 99.9 % from 107 km/h on.
    limit = Tolerance(100, INF, 0)
    assert 1 - conformance_probability(107, 0.02 * 107, limit) > 0.999
    assert 1 - conformance_probability(106, 0.02 * 106, limit) < 0.999


@pytest.mark.parametrize(("y", "risk"), [(10.0, 0.01242), (10.5, 0.10574), (12.0, 0.99379)])
def test_specific_risk(y, risk):
    # Test values of the suncal library: limits 9 and 11, u 0.4.
    assert 1 - conformance_probability(y, 0.4, Tolerance(10, 1, 1)) == pytest.approx(risk, abs=2e-5)


@pytest.mark.parametrize(
    ("in_tolerance", "false_accept"),
    [(0.60, 4.83860326), (0.80, 2.85583037), (0.95, 0.87100925), (0.99, 0.19991684)],
)
def test_rp19_unconditional_false_accepts_in_per_cent(in_tolerance, false_accept):
    # Process 1, measurement 1/4 of it, limits so that this share of the process is inside.
    limit = norm.ppf((1 + in_tolerance) / 2)
    tolerance = Tolerance(0, limit, limit)

    def accepted_at(t):
        return norm.pdf(t) * conformance_probability(t, 0.25, tolerance)

    outside, _ = quad(accepted_at, limit, limit + 8, epsabs=1e-12)
    assert 100 * 2 * outside == pytest.approx(false_accept, abs=2e-5)
