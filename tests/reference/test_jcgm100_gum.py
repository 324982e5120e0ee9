"""JCGM 100:2008 (GUM), examples H.1, H.2 and H.3, through propagate, budget and the adjustment.

Numbers of H.2 and H.3 as printed there in Tables H.2 to H.6; more digits of H.3 from the manual of the
GTC library (MIT licence), which works through the same data. H.1: Table H.1 and clause H.1.4.
"""

import math
from dataclasses import dataclass

import numpy as np
import pytest

from vision.least_squares import Solution, State, prior, redundancy_numbers, solve
from vision.propagate import budget, propagate

V = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
I_MA = np.array([19.663, 19.639, 19.640, 19.685, 19.678])
PHI_RAD = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def impedance(x):
    """R, X, Z of V, I, phi (equation H.7)."""
    volt, ampere, phi_rad = x
    z = volt / ampere
    return np.array([z * np.cos(phi_rad), z * np.sin(phi_rad), z])


def h2_inputs():
    observed = np.stack([V, I_MA / 1000, PHI_RAD])
    return observed.mean(axis=1), np.cov(observed) / observed.shape[1]


def correlation(cov):
    u = np.sqrt(np.diag(cov))
    return cov / np.outer(u, u)


def test_h2_resistance_reactance_impedance_with_their_correlations():
    value, _, cov = propagate(impedance, *h2_inputs())
    np.testing.assert_allclose(value, [127.732, 219.847, 254.260], atol=6e-4)
    np.testing.assert_allclose(np.sqrt(np.diag(cov)), [0.071, 0.295, 0.236], atol=6e-4)
    r = correlation(cov)
    np.testing.assert_allclose([r[0, 1], r[0, 2], r[1, 2]], [-0.588, -0.485, 0.993], atol=1e-3)


def test_h2_without_correlations_is_wrong_in_the_known_way():
    x, cov_x = h2_inputs()
    _, _, cov = propagate(impedance, x, np.diag(np.diag(cov_x)))
    np.testing.assert_allclose(np.sqrt(np.diag(cov)), [0.195, 0.201, 0.204], atol=1e-3)
    r = correlation(cov)
    np.testing.assert_allclose([r[0, 1], r[0, 2], r[1, 2]], [0.056, 0.527, 0.878], atol=2e-3)


def end_gauge_nm(x):
    """Equation H.3: l = l_s + d - l_s (delta-alpha theta + alpha_s delta-theta)."""
    l_s, d, alpha_s, dalpha, theta, dtheta = x
    return l_s + d - l_s * (dalpha * theta + alpha_s * dtheta)


def test_h1_end_gauge_and_its_budget():
    x = np.array([50_000_623.0, 215.0, 11.5e-6, 0.0, -0.1, 0.0])
    rectangular = 1 / math.sqrt(3)
    u_by_cause = {
        "standard": [25, 0, 0, 0, 0, 0],
        "repeated observations": [0, 5.8, 0, 0, 0, 0],
        "comparator, random": [0, 3.9, 0, 0, 0, 0],
        "comparator, systematic": [0, 6.7, 0, 0, 0, 0],
        "expansion of standard": [0, 0, 2e-6 * rectangular, 0, 0, 0],
        "difference of expansion": [0, 0, 0, 1e-6 * rectangular, 0, 0],
        "bed temperature": [0, 0, 0, 0, math.hypot(0.2, 0.5 / math.sqrt(2)), 0],
        "difference of temperature": [0, 0, 0, 0, 0, 0.05 * rectangular],
    }
    cov_by_cause = {cause: np.diag(np.square(u, dtype=float)) for cause, u in u_by_cause.items()}
    value, J, cov = propagate(end_gauge_nm, x, sum(cov_by_cause.values()))
    u_nm = math.sqrt(cov[0, 0])
    assert value[0] == pytest.approx(50_000_838, abs=0.5)
    assert u_nm == pytest.approx(31.71, abs=0.06)  # the guide rounds its inputs first; 31.66 without
    variances = {cause: np.diag(J @ cov_x @ J.T) for cause, cov_x in cov_by_cause.items()}
    lines_nm = {cause: u_nm * math.sqrt(share[0]) for cause, share in budget(variances).items()}
    expected_nm = [25, 5.8, 3.9, 6.7, 0, 2.887, 0, 16.599]  # Table H.1, |c_i| u(x_i)
    np.testing.assert_allclose(list(lines_nm.values()), expected_nm, atol=1e-3)


T_C = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
B_C = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
S_C = math.sqrt(0.000110096583109 / 9)  # of Table H.6's residuals


@dataclass(frozen=True, eq=False)
class Corrections:
    """b = y1 + y2 (t - 20) [+ a common offset], each within u."""

    u: float
    n_values: int = 2
    cause: str = "thermometer"

    @property
    def columns(self):
        return np.tile(np.arange(self.n_values), (len(T_C), 1))

    def design(self):
        return np.stack([np.ones_like(T_C), T_C - 20, np.ones_like(T_C)], -1)[:, : self.n_values]

    def residuals(self, state):
        return (B_C - self.design() @ state.values)[:, None] / self.u

    def linearise(self, state):
        return self.residuals(state), self.design()[:, None, :] / self.u


def h3(*, with_offset: bool) -> tuple[Corrections, Solution]:
    start = State(np.zeros((0, 4, 4)), np.zeros(3 if with_offset else 2))
    line = Corrections(S_C, len(start.values))
    blocks = [line]
    if with_offset:
        blocks.append(prior("standard", start, np.array([2]), np.zeros(1), np.array([0.005])))
    held = np.zeros(len(start.values), bool)
    return line, solve(blocks, start, held=held, resect=np.zeros(0, int), decrement_limit=1e-20)


def test_h3_thermometer_line():
    _, solution = h3(with_offset=False)
    y1, y2 = solution.state.values
    assert y1 == pytest.approx(-0.17120379013135, abs=1e-12)
    assert y2 == pytest.approx(0.00218269773988729, abs=1e-12)
    assert solution.cost * S_C**2 == pytest.approx(0.000110096583109, abs=1e-14)
    u_y1, u_y2 = np.sqrt(np.diag(solution.covariance))
    assert u_y1 == pytest.approx(0.0029, abs=5e-5)
    assert u_y2 == pytest.approx(0.000667938773227823, rel=1e-9)
    assert correlation(solution.covariance)[0, 1] == pytest.approx(-0.930, abs=5e-4)


def test_h3_prediction_through_propagate():
    _, solution = h3(with_offset=False)
    value, _, cov = propagate(lambda y: y[0] + y[1] * (30 - 20), solution.state.values, solution.covariance)
    assert value[0] == pytest.approx(-0.1494, abs=5e-5)
    assert math.sqrt(cov[0, 0]) == pytest.approx(0.0041, abs=5e-5)


def test_h3_an_error_common_to_all_does_not_average_away():
    # H.3.6 in the form of GTC's manual: a common offset of u = 0.005 in every observation.
    _, solution = h3(with_offset=True)
    u_y1, u_y2, u_offset = np.sqrt(np.diag(solution.covariance))
    assert u_y1 == pytest.approx(0.00576893138292676, rel=1e-9)
    assert u_y2 == pytest.approx(0.000667938773227823, rel=1e-9)
    assert u_offset == pytest.approx(0.005, rel=1e-9)


def test_h3_redundancy_numbers():
    # Derived: r = 1 - leverage of a straight line, 1/n + (t - mean)^2 / sum (t - mean)^2.
    line, solution = h3(with_offset=False)
    r = redundancy_numbers(line, solution)
    assert r.sum() == pytest.approx(9, abs=1e-9)
    assert r[0, 0] == pytest.approx(0.683432, abs=1e-6)
    assert r[5, 0] == pytest.approx(0.909088, abs=1e-6)


def test_the_typed_values_are_those_of_the_check_file(checks):
    h2, h3_check = checks["GUM-H2"], checks["GUM-H3"]
    np.testing.assert_array_equal(V, h2["inputs"]["V_volt"])
    np.testing.assert_array_equal(I_MA, h2["inputs"]["I_mA"])
    np.testing.assert_array_equal(PHI_RAD, h2["inputs"]["phi_rad"])
    np.testing.assert_array_equal(T_C, h3_check["inputs"]["t"])
    np.testing.assert_array_equal(B_C, h3_check["inputs"]["b"])
