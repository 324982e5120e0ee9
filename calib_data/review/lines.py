"""A straight line through values with uncertainties, some of which all values share."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats


@dataclass(frozen=True)
class Line:
    """y = at_zero + slope x.

    Attributes:
        correlation: Of the two.
        chi2, dof: What the values scatter about the line, in their stated u.
        p: That the slope is none, two-sided; by Student's t where the scatter was taken from the residuals.
    """

    at_zero: float
    u_at_zero: float
    slope: float
    u_slope: float
    correlation: float
    chi2: float
    dof: int
    p: float


def weighted_line(x: NDArray, y: NDArray, u: NDArray | float | None = None, *, u_common: float = 0.0) -> Line:
    """Generalised least squares (JCGM 100, H.3): V = diag(u^2) + u_common^2 11'.

    An error that all values share moves the line up or down and leaves its slope alone.

    Args:
        u: Standard uncertainties of the values' own errors; None: equal ones, taken from the residuals.

    Raises:
        ValueError: Fewer than three values, or all at one x.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    if len(x) < 3 or np.ptp(x) == 0:
        raise ValueError("A line takes three values, and two places at least.")
    A = np.column_stack([np.ones(len(x)), x])
    weights = np.ones(len(x)) if u is None else 1 / np.broadcast_to(np.asarray(u, float), x.shape) ** 2
    C = np.linalg.inv(A.T @ (weights[:, None] * A))
    at_zero, slope = C @ (A.T @ (weights * y))
    chi2, dof = float((weights * (y - at_zero - slope * x) ** 2).sum()), len(x) - 2
    if u is None:
        C = C * chi2 / dof
    # With equal common parts the estimate stays: only its first term gets more uncertain.
    C[0, 0] += u_common**2
    u_at_zero, u_slope = np.sqrt(np.diag(C))
    t = abs(slope) / u_slope if u_slope else np.inf
    p = 2 * (stats.t.sf(t, dof) if u is None else stats.norm.sf(t))
    correlation = C[0, 1] / (u_at_zero * u_slope) if u_slope else 0.0
    return Line(
        float(at_zero),
        float(u_at_zero),
        float(slope),
        float(u_slope),
        float(correlation),
        chi2,
        dof,
        float(p),
    )
