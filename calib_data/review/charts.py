"""Control charts: is a series of rounds one process, or did something change?

Shewhart's chart of single values (ISO 7870-2): centre line at the mean, limits three standard deviations
off, which come from the mean moving range: s = MR / 1.128, so that a slow change does not widen them.
Rules, in our words after L. S. Nelson, J. Quality Technology 16(4), 1984: a point beyond the limits; nine
in a row on one side of the centre. The exponentially weighted mean (S. W. Roberts 1959; NIST/SEMATECH
e-Handbook, 6.3.2.4) shows small lasting shifts sooner.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

RANGE_OF_TWO = 1.128  # mean range of two normal values in standard deviations: 2 / sqrt(pi)
RUN = 9
WIDTH = 3.0


@dataclass(frozen=True, eq=False)
class Chart:
    """A drawn chart.

    Attributes:
        points: (n,) what is drawn; of a weighted mean, that mean.
        lower, upper: (n,) limits.
        beyond: (n,) points beyond them; `run`: the ninth and further ones of a run on one side.
    """

    points: NDArray
    centre: float
    s: float
    lower: NDArray
    upper: NDArray
    beyond: NDArray
    run: NDArray


def individuals(values: NDArray, *, n_first: int | None = None) -> Chart:
    """Shewhart's chart of single values.

    Args:
        n_first: Centre and spread are taken from so many first ones; None: from all.

    Raises:
        ValueError: Fewer than two values.
    """
    values = np.asarray(values, float)
    base = values[:n_first]
    if len(base) < 2:
        raise ValueError("A chart takes two values at least.")
    centre, s = float(base.mean()), float(np.abs(np.diff(base)).mean() / RANGE_OF_TWO)
    lower, upper = np.full(len(values), centre - WIDTH * s), np.full(len(values), centre + WIDTH * s)
    return Chart(values, centre, s, lower, upper, _beyond(values, lower, upper), _runs(values - centre))


def weighted_mean(
    values: NDArray, *, weight: float = 0.2, centre: float | None = None, s: float | None = None
) -> Chart:
    """The exponentially weighted mean z_i = w x_i + (1 - w) z_(i-1), which starts at the centre.

    Its variance after i values is s^2 w / (2 - w) (1 - (1 - w)^(2 i)).

    Args:
        centre, s: Of the process; None: as `individuals` has them.
    """
    values = np.asarray(values, float)
    if centre is None or s is None:
        of = individuals(values)
        centre, s = of.centre if centre is None else centre, of.s if s is None else s
    z, last = np.empty(len(values)), centre
    for i, x in enumerate(values):
        last = z[i] = weight * x + (1 - weight) * last
    steps = np.arange(1, len(values) + 1)
    half = WIDTH * s * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * steps)))
    lower, upper = centre - half, centre + half
    return Chart(z, centre, s, lower, upper, _beyond(z, lower, upper), np.zeros(len(z), bool))


def _beyond(points: NDArray, lower: NDArray, upper: NDArray) -> NDArray:
    return (points < lower) | (points > upper)


def _runs(off: NDArray) -> NDArray:
    """Where a run on one side of the centre has reached nine."""
    side, length, out = np.sign(off), 0, np.zeros(len(off), bool)
    for i in range(len(off)):
        length = length + 1 if i and side[i] == side[i - 1] and side[i] else 1
        out[i] = length >= RUN
    return out
