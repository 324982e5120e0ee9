"""Covariance of functions of uncertain inputs, and which cause brings how much of it.

The general form of what every derived value goes through (JCGM 100:2008, 5.2; JCGM 102:2011, 6.2):
y = f(x), cov_y = J cov_x J'. First order only: where f bends within the uncertainty of its inputs
(the square of a small quantity, the direction of a short vector) the result is too small, and only
a Monte Carlo run (JCGM 101) tells the truth. tests/reference holds the standard's examples of both.
"""

import math
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray


def propagate(
    f: Callable[[NDArray], NDArray], x: NDArray, cov: NDArray, step: float = 1e-2
) -> tuple[NDArray, NDArray, NDArray]:
    """The value of f at x, its Jacobian by central differences, and its covariance.

    Args:
        f: Takes (n,) and gives (m,) values; m may be 1.
        x: (n,) estimates.
        cov: (n, n) covariance of x.
        step: How far to go from x on each side, in standard uncertainties of that input. The error of
            the Jacobian is step**2 / 6 of the third-order effect of one standard uncertainty.

    Returns:
        value (m,), J (m, n), covariance (m, m). An input without uncertainty has a column of zeros:
        it is a constant and brings no variance.
    """
    x = np.asarray(x, float)
    value = np.atleast_1d(f(x))
    u = np.sqrt(np.diag(cov))
    J = np.zeros((len(value), len(x)))
    for i in np.flatnonzero(u > 0):
        d = np.zeros_like(x)
        d[i] = step * u[i]
        J[:, i] = (np.atleast_1d(f(x + d)) - np.atleast_1d(f(x - d))) / (2 * d[i])
    return value, J, J @ cov @ J.T


def budget(J: NDArray, cov_by_cause: Mapping[str, NDArray]) -> dict[str, NDArray]:
    """The share of each value's variance that each cause brings, in the order of the causes.

    Args:
        J: (m, n) values by inputs.
        cov_by_cause: For each cause the (n, n) covariance that it alone gives the inputs. Causes are
            independent of each other; within one cause the inputs may be correlated.

    Returns:
        For each cause the shares (m,), which over the causes add to exactly 1 (by `math.fsum`): what
        rounding leaves is put on the largest.

    Raises:
        ValueError: A value has no variance to share out.
    """
    causes = list(cov_by_cause)
    variances = np.stack([np.einsum("mi,ij,mj->m", J, cov_by_cause[cause], J) for cause in causes])
    total = variances.sum(axis=0)
    if not (total > 0).all():
        raise ValueError(f"no variance to share out in values {np.flatnonzero(~(total > 0)).tolist()}")
    shares = variances / total
    for value, largest in enumerate(np.argmax(shares, axis=0)):
        # One rounding only, of at most half a unit in the last place, so that the sum rounds to 1.
        shares[largest, value] = math.fsum([1.0, *-np.delete(shares[:, value], largest)])
    return dict(zip(causes, shares, strict=True))
