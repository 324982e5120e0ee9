"""JCGM 101:2008, examples 9.2 to 9.5, and JCGM 102:2011, 9.3: what `propagate` gives, right or wrong.

The supplements print the first-order result beside the true one to show where it fails. `propagate`
is first order and says so; these tests hold it to the printed first-order figures, and show with the
printed Monte Carlo figures how far off they are. Inputs of 9.3 to 9.5 from the manual of the R package
`propagate`; of 102's 9.3 from the notebooks of the suncal library.
"""

import math

import numpy as np
import pytest

from vision.propagate import propagate

RECTANGULAR = 1 / math.sqrt(3)


def first_order_u(f, x, u):
    _, _, cov = propagate(f, np.array(x), np.diag(np.square(u)))
    return math.sqrt(cov[0, 0])


@pytest.mark.parametrize(("u", "expected"), [([1, 1, 1, 1], 2.0), ([1, 1, 1, 10], 10.1)])
def test_9_2_sum_of_four_inputs(u, expected):
    # 9.2.2 and 9.2.4. With the dominant rectangular input 1.96 u is 19.9, while the truth is 17.0.
    assert first_order_u(np.sum, np.zeros(4), u) == pytest.approx(expected, abs=0.06)


def mass_mg(x):
    """Deviation from nominal of 100 g, 9.3.1.3: conventional mass with air buoyancy."""
    m_rc, dm_rc, rho_air, rho_w, rho_r = x
    return (m_rc + dm_rc) * (1 + (rho_air - 1.2) * (1 / rho_w - 1 / rho_r)) - 100_000


def test_9_3_mass_calibration():
    x = [100_000.0, 1.234, 1.2, 8000.0, 8000.0]
    u = [0.050, 0.020, 0.1 * RECTANGULAR, 1000 * RECTANGULAR, 50 * RECTANGULAR]
    u_first_order = first_order_u(mass_mg, x, u)
    assert u_first_order == pytest.approx(0.0539, abs=1e-4)
    assert 0.0754 / u_first_order == pytest.approx(1.40, abs=0.01)  # Monte Carlo's, Table 6


@pytest.mark.parametrize(
    ("x1", "first_order", "monte_carlo"), [(0, 0, 50), (0.010, 100, 112), (0.050, 500, 502)]
)
def test_9_4_comparison_loss_in_units_of_1e_6(x1, first_order, monte_carlo):
    u = 1e6 * first_order_u(lambda x: x @ x, [x1, 0.0], [0.005, 0.005])
    assert u == pytest.approx(first_order, abs=0.5)
    assert u < monte_carlo  # Table 8, r = 0


def gauge_block_nm(x):
    l_s, d, d1, d2, alpha_s, theta0, cyclic, dalpha, dtheta = x
    return l_s + d + d1 + d2 - l_s * (dalpha * (theta0 + cyclic) + alpha_s * dtheta)


def test_9_5_gauge_block():
    # GUM framework: 32 nm; Monte Carlo: 36 nm (Table 11).
    x = [50_000_623.0, 215.0, 0, 0, 11.5e-6, -0.1, 0, 0, 0]
    u = [
        25,
        5.8,
        3.9,
        6.7,
        2e-6 * RECTANGULAR,
        0.2,
        0.5 / math.sqrt(2),
        1e-6 * RECTANGULAR,
        0.05 * RECTANGULAR,
    ]
    assert first_order_u(gauge_block_nm, x, u) == pytest.approx(32, abs=0.6)


def test_102_9_3_amplitude_and_phase_of_a_short_vector():
    # First order says 0.010 and 10 rad; the truth is 0.0066 and 1.7 rad: no direction at all.
    def polar(x):
        return np.array([math.hypot(*x), math.atan2(x[1], x[0])])

    # A small step, for f is nearly flat on one side of it: u is ten times the vector itself.
    value, _, cov = propagate(polar, np.array([0.001, 0.0]), np.diag([0.010**2] * 2), step=1e-4)
    assert value[0] == pytest.approx(0.001)
    np.testing.assert_allclose(np.sqrt(np.diag(cov)), [0.010, 10.0], rtol=1e-4)
