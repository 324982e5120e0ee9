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


def jacobian(f: Callable[[NDArray], NDArray], steps: NDArray) -> NDArray:
    """d f / d deviation at zero, by central differences, all in one call of f.

    Args:
        f: Takes deviations (b, n) from the estimate, one per row, and gives values (b, m).
        steps: (n,) how far to go on each side. The error is steps^2 / 6 of the third derivative.

    Returns:
        (m, n). An input with step 0 is a constant: a column of zeros.
    """
    moving = np.flatnonzero(steps)
    deviations = np.diag(steps)[moving]
    values = f(np.concatenate([deviations, -deviations]))
    up, down = np.split(values, 2)
    J = np.zeros((values.shape[1], len(steps)))
    J[:, moving] = ((up - down) / (2 * steps[moving, None])).T
    return J


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

    def rows(deviations: NDArray) -> NDArray:
        return np.stack([np.atleast_1d(f(x + d)) for d in deviations])

    J = jacobian(rows, step * np.sqrt(np.diag(cov)))
    return np.atleast_1d(f(x)), J, J @ cov @ J.T


def budget(variances: Mapping[str, NDArray]) -> dict[str, NDArray]:
    """The share of each value's variance that each cause brings, in the order of the causes.

    Args:
        variances: For each cause the variances (m,) that it alone gives the values. Causes are
            independent of each other; within one cause the inputs may be correlated.

    Returns:
        For each cause the shares (m,), which over the causes add to 1 to the last bit (by `math.fsum`): what
        rounding leaves is put on the largest.

    Raises:
        ValueError: A value has no variance to share out.
    """
    causes = list(variances)
    parts = np.stack([variances[cause] for cause in causes])
    total = parts.sum(axis=0)
    if not (total > 0).all():
        raise ValueError(f"no variance to share out in values {np.flatnonzero(~(total > 0)).tolist()}")
    shares = parts / total
    for value, largest in enumerate(np.argmax(shares, axis=0)):
        shares[largest, value] = 1 - math.fsum(np.delete(shares[:, value], largest))
    return dict(zip(causes, shares, strict=True))
