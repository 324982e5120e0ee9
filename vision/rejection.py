"""Which points are gross errors: a test for each, and what many failures in one view mean."""

import numpy as np
import scipy.stats
from numpy.typing import NDArray

from vision.blocks import SaddleBlock
from vision.least_squares import Solution, State

# A correct point is rejected once in 10,000: in a set of 3,000 points, a third of a point.
REJECTION_LEVEL = 1e-4
REJECTION_LIMIT = float(scipy.stats.chi2.isf(REJECTION_LEVEL, 2))
# More of a view's points than this do not fail by themselves; common practice, no source.
LARGEST_POINT_SHARE = 0.4
# So many times the median distance from a view's middle residual: 99.99 % of a normal scatter in two
# dimensions lie within 3.65 of it; linear terms of a moved plate spread the points by less than twice that.
ODD = 8.0
# A plate or a photo needs a homography's worth of points to have a pose.
LEAST_POINTS = 4


def point_tests(block: SaddleBlock, solution: Solution) -> NDArray:
    """Each point's test statistic (G, n), chi-square with 2 degrees of freedom if nothing is wrong.

    For used points w' Q^-1 w, with w the whitened residual and Q its covariance I - J C J' (Baarda's
    test in two dimensions). For others, whether they may come back: the residual against all that is
    uncertain in its prediction, S + J C J' with S the point's own and its plate's shared covariance.
    """
    o = block.observed
    G, n = o.used.shape
    # A point behind the camera has no image: it can neither pass nor come back. Used ones spoil what is
    # whitened together, so that of such a view no point passes.
    behind = block.is_behind(solution.state)
    with np.errstate(invalid="ignore"):
        r, J = block.linearise(solution.state)
    C = solution.covariance[block.columns[:, :, None], block.columns[:, None, :]]
    w, Jw = r.reshape(G, n, 2), J.reshape(G, n, 2, -1)
    # A point that alone determines something has Q near zero: it cannot be tested, and passes.
    Q = np.eye(2) * (1 + 1e-6) - np.einsum("gnai,gij,gnbj->gnab", Jw, C, Jw, optimize=True)
    raw, J_px = block.linearise_px(solution.state)
    predicted = np.einsum("gnai,gij,gnbj->gnab", J_px, C, J_px, optimize=True) + block.point_covariance()
    outside = _length_by(predicted, np.where(behind[..., None], 0.0, raw))
    spoilt = (o.used & behind).any(1)[:, None]
    inside = _length_by(Q, np.where(spoilt[..., None], 0.0, w))
    return np.where(np.where(o.used, spoilt, behind), np.inf, np.where(o.used, inside, outside))


def _length_by(cov: NDArray, v: NDArray) -> NDArray:
    """v' cov^-1 v for (..., 2) vectors and (..., 2, 2) covariances."""
    a, b, c = cov[..., 0, 0], cov[..., 0, 1], cov[..., 1, 1]
    return (c * v[..., 0] ** 2 - 2 * b * v[..., 0] * v[..., 1] + a * v[..., 1] ** 2) / (a * c - b * b)


def noise_level(tests: NDArray) -> float:
    """How much noisier than stated the points are as a whole, squared; 1 or more.

    By the median, which outliers do not move. Without it, points noisier than the detector says would be
    rejected from both flanks, and what is left would look better than it is.
    """
    tests = tests[np.isfinite(tests)]
    return max(1.0, float(np.median(tests)) / float(scipy.stats.chi2.median(2))) if len(tests) else 1.0


def gross_errors(rejected: NDArray, block: SaddleBlock, state: State, absurd: NDArray) -> NDArray:
    """Of the points that fail their test, those that are errors of points and not of a whole view.

    Where much of a view fails, something stood elsewhere: a moved fixture, another print. The view stays in,
    for the tests of whole views to see it and name the cause, less the points that are odd even there; only
    views that were absurd (G,) from the start stay out, unless a plate or a photo would hang in the air
    without them.
    """
    o = block.observed
    present = o.used | rejected
    whole = (rejected.sum(1) > LARGEST_POINT_SHARE * np.maximum(present.sum(1), 1)) & ~absurd
    odd = present & _odd_within_view(block.residuals_px(state), present)
    rejected = np.where(whole[:, None], odd, rejected)
    used = present & ~rejected
    n_of_plate = np.bincount(o.plate, used.sum(1), minlength=len(o.plates))
    n_of_photo = np.bincount(o.photo, used.sum(1), minlength=o.n_photos)
    adrift = (n_of_plate[o.plate] < LEAST_POINTS) | (n_of_photo[o.photo] < LEAST_POINTS)
    return rejected & ~adrift[:, None]


def _odd_within_view(residuals_px: NDArray, present: NDArray) -> NDArray:
    """(G, n) points whose residual is far from those of the same view, by medians.

    A single gross point spoils the test of all its neighbours, which share an error with it; medians it
    does not move.
    """
    counted = present & np.isfinite(residuals_px).all(-1)
    odd, some = ~counted, counted.any(1)  # a view without points has no median: all that is there is odd
    r = np.where(counted[some, :, None], residuals_px[some], np.nan)
    off = np.linalg.norm(r - np.nanmedian(r, axis=1, keepdims=True), axis=-1)
    odd[some] |= off > ODD * np.nanmedian(off, axis=1, keepdims=True)
    return odd
