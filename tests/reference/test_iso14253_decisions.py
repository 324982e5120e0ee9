"""ISO 14253-1:2017 and ILAC-G8:09/2019: guard bands, and the exact two-sided table at 95 %.

The table was computed for this project from JCGM 106, 7.4, by another program (bisection on the normal
distribution); u/T with T the half-width of the tolerance.
"""

import pytest

from vision.decide import acceptance_limits, conformance_probability, decide_value, largest_usable_u
from vision.kit import Tolerance

UNIT = Tolerance(0, 1, 1)

# u/T, accept up to, reject from.
TABLE = [
    (0.05, 0.917757, 1.082243),
    (0.10, 0.835515, 1.164485),
    (0.20, 0.671029, 1.328971),
    (0.25, 0.588787, 1.411213),
    (0.30, 0.506543, 1.493456),
    (0.40, 0.340493, 1.657941),
    (0.45, 0.247380, 1.740184),
    (0.50, 0.101894, 1.822427),
    (0.51, 0.014758, 1.838875),
]


@pytest.mark.parametrize(("u", "accept", "reject"), TABLE)
def test_table_of_decisions(u, accept, reject):
    slack = 2e-6  # the table has six decimals
    for sign in (-1, 1):
        assert decide_value(sign * (accept - slack), u, UNIT).decision == "conforming"
        assert decide_value(sign * (accept + slack), u, UNIT).decision == "undecided"
        assert decide_value(sign * (reject - slack), u, UNIT).decision == "undecided"
        assert decide_value(sign * (reject + slack), u, UNIT).decision == "nonconforming"
    assert acceptance_limits(u, UNIT) == pytest.approx((-accept, accept), abs=1e-6)


def test_above_this_uncertainty_nothing_can_conform():
    u_max = 0.5102134569246539
    assert largest_usable_u(UNIT) == pytest.approx(u_max, abs=1e-12)
    assert decide_value(0, u_max * (1 + 1e-9), UNIT).decision == "undecided"
    assert decide_value(0, u_max * (1 - 1e-9), UNIT).decision == "conforming"
    assert acceptance_limits(u_max * (1 + 1e-9), UNIT) is None


def test_worked_examples():
    # T = 5 mm, u = 1.0 mm: pass to 3.355, fail from 6.645. T = 3 mm, u = 1.6 mm: never a pass.
    five = Tolerance(1500, 5, 5)
    assert acceptance_limits(1.0, five) == pytest.approx((1500 - 3.355, 1500 + 3.355), abs=5e-4)
    assert decide_value(1506.6445, 1.0, five).decision == "undecided"
    assert decide_value(1506.6455, 1.0, five).decision == "nonconforming"
    assert acceptance_limits(1.6, Tolerance(0, 3, 3)) is None


@pytest.mark.parametrize("u", [0.01, 0.05, 0.1])
def test_iso_14253_1_guard_band_of_1_65_u(u):
    _, upper = acceptance_limits(u, UNIT)
    assert (1 - upper) / u == pytest.approx(1.65, abs=0.01)


@pytest.mark.parametrize(
    ("w_over_U", "false_accept", "slack"),
    [(3, 0, 1e-6), (1.5, 0.0016, 0.0003), (1, 0.025, 0.0025), (0.83, 0.05, 0.002), (0, 0.5, 1e-12)],
)
def test_ilac_g8_false_accept_at_the_acceptance_limit(w_over_U, false_accept, slack):
    u = 0.05
    at_limit = 1 - w_over_U * 2 * u
    assert 1 - conformance_probability(at_limit, u, UNIT) == pytest.approx(false_accept, abs=slack)


def test_the_typed_table_is_that_of_the_check_file(checks):
    rows = checks["DECISION-TABLE"]["inputs"]["rows"]
    assert [tuple(row[:3]) for row in rows] == TABLE
