"""Propagation of covariance on functions whose derivatives are known."""

import math

import numpy as np
import pytest

from vision.propagate import budget, propagate

COV = np.array([[4.0, 0.6], [0.6, 0.25]])


def test_a_linear_function_is_exact():
    A = np.array([[1.0, 2.0], [0.0, -3.0], [5.0, 1.0]])
    value, J, cov = propagate(lambda x: A @ x, np.array([1.0, 10.0]), COV)
    np.testing.assert_allclose(value, A @ [1.0, 10.0])
    np.testing.assert_allclose(J, A, rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(cov, A @ COV @ A.T, rtol=1e-12)


def test_jacobian_of_a_curved_function():
    # exp: the error of a central difference is h^2/6 of the derivative, h = 0.01 * 0.5.
    _, J, _ = propagate(lambda x: np.exp(x[1]), np.array([0.0, 1.0]), COV)
    np.testing.assert_allclose(J, [[0.0, math.e]], rtol=5e-6)


def test_an_input_without_uncertainty_brings_none():
    cov = np.diag([4.0, 0.0])
    _, J, cov_y = propagate(lambda x: x[0] * x[1], np.array([3.0, 2.0]), cov)
    np.testing.assert_allclose(J, [[2.0, 0.0]], rtol=1e-12)
    np.testing.assert_allclose(cov_y, [[16.0]], rtol=1e-12)


def test_budget_shares_by_hand():
    # y = x0 + 2 x1: 4 from the first cause; the second, correlated: 1 + 4 + 2 * 2 * (-1) = 1.
    J = np.array([[1.0, 2.0]])
    covs = {"first": np.diag([4.0, 0.0]), "second": np.array([[1.0, -1.0], [-1.0, 1.0]])}
    shares = budget({cause: np.diag(J @ cov @ J.T) for cause, cov in covs.items()})
    assert list(shares) == ["first", "second"]
    np.testing.assert_allclose([shares["first"][0], shares["second"][0]], [0.8, 0.2])


def test_budget_shares_add_to_one_to_the_last_bit():
    rng = np.random.default_rng(5)
    J = rng.normal(size=(40, 3))
    causes = {}
    for cause in "abcdefg":
        A = rng.normal(size=(3, 3)) * 10.0 ** rng.uniform(-4, 2)
        causes[cause] = np.diag(J @ A @ A.T @ J.T)
    shares = budget(causes)
    sums = [math.fsum(share[value] for share in shares.values()) for value in range(40)]
    np.testing.assert_allclose(sums, 1.0, rtol=0, atol=2.3e-16)
    assert min(share.min() for share in shares.values()) >= 0


def test_a_value_without_variance_has_no_budget():
    with pytest.raises(ValueError, match=r"values \[1\]"):
        budget({"only": np.array([1.0, 0.0])})
