"""Many tests at once: how improbable a finding is, given that so much was looked at."""

import numpy as np
from numpy.typing import NDArray


def holm(p: NDArray) -> NDArray:
    """Adjusted probabilities (n,): all at or below a level are wrong together with at most that probability.

    S. Holm, Scandinavian J. Statistics 6, 1979; whatever the tests have in common. nan stays nan, uncounted.
    """
    p = np.asarray(p, float)
    out = np.full(len(p), np.nan)
    tested = np.flatnonzero(~np.isnan(p))
    order = tested[np.argsort(p[tested], kind="stable")]
    steps = p[order] * np.arange(len(order), 0, -1)
    out[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return out
