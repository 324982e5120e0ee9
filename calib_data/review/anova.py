"""Analysis of variance: how far rounds of one set-up repeat, and how far people differ.

Terms of ISO 5725-1: *repeatability*, one person again at once with everything the same; *intermediate*
precision, another person in the same shop; *reproducibility*, another shop. Bounds of a variance: by
chi-square, exact, where it is one mean square, else those of Ting, Burdick, Graybill, Jeyaratnam and Lu
(1990), which hold their level closely for sums and differences of mean squares. With unequal numbers the
mean squares between groups are not chi-squared; those of the groups' unweighted means nearly are, whatever
the components, so bounds are made of these (R. K. Burdick and F. A. Graybill, Confidence Intervals on
Variance Components, 1992). Formulas from memory; a study samples what all of them hold (test_statistics.py).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

LEVEL = 0.95


@dataclass(frozen=True)
class Spread:
    """A standard deviation with its two-sided 95 % bounds, in the values' unit. `upper` may be infinite."""

    value: float
    lower: float
    upper: float


@dataclass(frozen=True)
class MeanSquare:
    """One line of the table."""

    source: str
    ss: float
    df: int

    @property
    def ms(self) -> float:
        return self.ss / self.df if self.df else np.nan


@dataclass(frozen=True)
class Analysis:
    """What an analysis of variance gave.

    Attributes:
        lines: The table, the largest unit first, the residual last.
        f, p: Of the first factor, against the mean square that it is to be compared with.
        spreads: By name: `repeatability`, `between ...` of each factor, and the sums of ISO 5725.
    """

    lines: tuple[MeanSquare, ...]
    f: float
    p: float
    spreads: dict[str, Spread]


def one_way(values: NDArray, groups: Sequence) -> Analysis:
    """One factor, groups of any size (ISO 5725-2, 7.4; JCGM 100, H.5).

    between = (MS_between - MS_within) / n0, n0 = (n - sum n_i^2 / n) / (k - 1); 0 where that is negative.

    Raises:
        ValueError: Fewer than two groups, or no group with two values.
    """
    values = np.asarray(values, float)
    _, of = np.unique(np.asarray(groups), return_inverse=True)
    n_i = np.bincount(of)
    k, n = len(n_i), len(values)
    if k < 2 or n <= k:
        raise ValueError("There must be two groups, and one with two rounds.")
    # Deviations from the grand mean: thirteen digits in common would cost thirteen of sixteen.
    values = values - values.mean()
    means = np.bincount(of, values) / n_i
    within = MeanSquare("within", float(((values - means[of]) ** 2).sum()), n - k)
    between = MeanSquare("between", float((n_i * (means - values.mean()) ** 2).sum()), k - 1)
    n0 = (n - (n_i**2).sum() / n) / (k - 1)
    f = between.ms / within.ms if within.ms else np.inf
    of_means, c = _mean_square("between", means), float((1 / n_i).mean())
    group = max((between.ms - within.ms) / n0, 0.0)
    spreads = {
        "repeatability": _spread([(1.0, within)]),
        "between groups": _spread([(1.0, of_means), (-c, within)], group),
        "total": _spread([(1.0, of_means), (1 - c, within)], (between.ms + (n0 - 1) * within.ms) / n0),
    }
    return Analysis((between, within), f, float(stats.f.sf(f, k - 1, n - k)), spreads)


def crossed(frame: pd.DataFrame, value: str, set_up: str, person: str) -> Analysis:
    """Every person measured every set-up, somebody twice; both are drawn from many.

    Expected mean squares, with s set-ups, p persons, r repeats (ISO 5725-3; D. C. Montgomery, Design and
    Analysis of Experiments, two random factors): residual e; interaction e + r i; person e + r i + s r P;
    set-up e + r i + p r S. With unequal numbers those of the unweighted means, r the harmonic mean.

    Raises:
        ValueError: The study is not of that shape.
    """
    cells = frame.groupby([set_up, person])[value]
    counts = cells.size().unstack()
    s, p = counts.shape
    repeats = counts.to_numpy(float)
    if s < 2 or p < 2 or np.isnan(repeats).any() or repeats.sum() == s * p:
        raise ValueError("Every person must have measured every set-up, and somebody one of them twice.")
    r = float(1 / (1 / repeats).mean())
    mean = cells.mean().unstack().to_numpy()
    grand, rows, columns = mean.mean(), mean.mean(1), mean.mean(0)
    of_cell = frame[value] - cells.transform("mean")
    ss_i = r * ((mean - rows[:, None] - columns + grand) ** 2).sum()
    set_ups = MeanSquare("set-ups", float(p * r * ((rows - grand) ** 2).sum()), s - 1)
    persons = MeanSquare("persons", float(s * r * ((columns - grand) ** 2).sum()), p - 1)
    both = MeanSquare("persons by set-up", float(ss_i), (s - 1) * (p - 1))
    rest = MeanSquare("repeats", float((of_cell**2).sum()), int(repeats.sum()) - s * p)
    f = persons.ms / both.ms if both.ms else np.inf
    spreads = {
        "repeatability": _spread([(1.0, rest)]),
        "between persons": _spread([(1 / (s * r), persons), (-1 / (s * r), both)]),
        "persons by set-up": _spread([(1 / r, both), (-1 / r, rest)]),
        "between set-ups": _spread([(1 / (p * r), set_ups), (-1 / (p * r), both)]),
        "intermediate": _spread([(1 / (s * r), persons), ((1 - 1 / s) / r, both), (1 - 1 / r, rest)]),
    }
    return Analysis((set_ups, persons, both, rest), f, float(stats.f.sf(f, p - 1, both.df)), spreads)


def nested(values: NDArray, shops: Sequence, persons: Sequence) -> Analysis:
    """Shops, persons within them, and each one's repeats of a set-up, in any numbers (ISO 5725-3, nested).

    ISO 5725-2's between-laboratory and reproducibility standard deviations, with the persons of a shop told
    apart. Expected mean squares with unequal numbers: S. R. Searle, Linear Models, 1971, chapter 11 (from
    memory).

    Raises:
        ValueError: Fewer than two shops, no shop with two persons, or nobody repeated.
    """
    values = np.asarray(values, float)
    names = pd.DataFrame({"shop": np.asarray(shops), "person": np.asarray(persons)})
    shop, person = names["shop"].factorize()[0], names.groupby(["shop", "person"]).ngroup().to_numpy()
    n_i, n_ij = np.bincount(shop), np.bincount(person)
    n, a, b = len(values), len(n_i), len(n_ij)
    if a < 2 or b <= a or n <= b:
        raise ValueError("There must be two shops, one with two persons, and somebody who repeated.")
    values = values - values.mean()
    of_shop, of_person = np.bincount(shop, values) / n_i, np.bincount(person, values) / n_ij
    home = np.empty(b, int)
    home[person] = shop
    shops_ms = MeanSquare("shops", float((n_i * of_shop**2).sum()), a - 1)
    persons_ms = MeanSquare("persons", float((n_ij * (of_person - of_shop[home]) ** 2).sum()), b - a)
    rest = MeanSquare("repeats", float(((values - of_person[person]) ** 2).sum()), n - b)
    within = float((n_ij**2 / n_i[home]).sum())
    k1 = (n - within) / (b - a)
    k2 = (within - (n_ij**2).sum() / n) / (a - 1)
    k3 = (n - (n_i**2).sum() / n) / (a - 1)
    # Each component as a combination of the three mean squares: shops, persons, repeats.
    e = np.array([0.0, 0.0, 1.0])
    of_persons = np.array([0.0, 1 / k1, -1 / k1])
    of_shops = (np.array([1.0, 0.0, 0.0]) - k2 * of_persons - e) / k3
    combined = {
        "repeatability": e,
        "between persons": of_persons,
        "between shops": of_shops,
        "intermediate": of_persons + e,
        "reproducibility": of_shops + of_persons + e,
    }
    lines = (shops_ms, persons_ms, rest)
    f = shops_ms.ms / persons_ms.ms if persons_ms.ms else np.inf
    for_bounds, unweighted = _of_unweighted(of_person, n_ij, home, rest)
    ms = np.array([line.ms for line in lines])
    parts = {name: max(float(c @ ms), 0.0) for name, c in combined.items()}
    spreads = {
        name: _spread(list(zip(c, for_bounds, strict=True)), parts[name]) for name, c in unweighted.items()
    }
    return Analysis(lines, f, float(stats.f.sf(f, a - 1, b - a)), spreads)


def _of_unweighted(
    means: NDArray, n_ij: NDArray, home: NDArray, rest: MeanSquare
) -> tuple[tuple[MeanSquare, ...], dict[str, NDArray]]:
    """Three mean squares that are nearly chi-squared, and each component as a combination of them.

    Of persons' unweighted means in each shop, and of the shops' unweighted means of these; expected values
    P + c_PR R and S + c_SP P + c_SR R, with R, P, S the variances of repeats, persons and shops.

    Args:
        means, n_ij, home: (b,) by person: mean, number of rounds, shop.
    """
    m = np.bincount(home)
    of_shop = np.bincount(home, means) / m
    inverse = np.bincount(home, 1 / n_ij)
    b, a = len(means), len(m)
    shops = _mean_square("shops", of_shop)
    persons = MeanSquare("persons", float(((means - of_shop[home]) ** 2).sum()), b - a)
    c_pr = float(((m - 1) / m * inverse).sum()) / (b - a)
    c_sp, c_sr = float((1 / m).mean()), float((inverse / m**2).mean())
    R, P = np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, -c_pr])
    S = np.array([1.0, 0.0, 0.0]) - c_sp * P - c_sr * R
    combined = {"repeatability": R, "between persons": P, "between shops": S}
    return (shops, persons, rest), combined | {"intermediate": P + R, "reproducibility": S + P + R}


def _mean_square(source: str, values: NDArray) -> MeanSquare:
    return MeanSquare(source, float(((values - values.mean()) ** 2).sum()), len(values) - 1)


def repeats_in_cells(values: NDArray, cells: Sequence) -> Spread:
    """Repeatability of rounds of the same person and set-up, whatever these are: exact in any numbers.

    Raises:
        ValueError: No cell has two.
    """
    values = np.asarray(values, float)
    of = pd.factorize(np.asarray(cells))[0]
    n_i = np.bincount(of)
    if len(values) <= len(n_i):
        raise ValueError("There must be two rounds of a person and set-up.")
    values = values - values.mean()
    off = values - (np.bincount(of, values) / n_i)[of]
    return _spread([(1.0, MeanSquare("repeats", float((off**2).sum()), len(values) - len(n_i)))])


def _spread(terms: Sequence[tuple[float, MeanSquare]], variance: float | None = None) -> Spread:
    """Root of a combination of mean squares, with its bounds; negative variances count as none.

    Args:
        variance: Where it was estimated otherwise than its bounds are made; these are widened to hold it.
    """
    terms = [(c, one) for c, one in terms if abs(c) > 1e-12]  # equal numbers cancel some but for rounding
    middle = sum(c * one.ms for c, one in terms)
    rest = (1 - LEVEL) / 2
    lower = middle - np.sqrt(_half_width2(terms, rest, is_lower=True))
    upper = middle + np.sqrt(_half_width2(terms, rest, is_lower=False))
    variance = middle if variance is None else variance
    lower, upper = min(lower, variance), max(upper, variance)
    return Spread(*(float(np.sqrt(max(v, 0.0))) for v in (variance, lower, upper)))


def _half_width2(terms: Sequence[tuple[float, MeanSquare]], rest: float, *, is_lower: bool) -> float:
    """Square of the distance from a variance to its bound.

    With one mean square it is the chi-square bound itself. Plus and minus change places for the upper one.
    """
    plus = [(c, one) for c, one in terms if (c > 0) == is_lower]
    minus = [(c, one) for c, one in terms if (c > 0) != is_lower]
    total = 0.0
    for c, one in plus:
        total += (_g(one.df, rest) * c * one.ms) ** 2
    for c, one in minus:
        total += (_h(one.df, rest) * c * one.ms) ** 2
    for c, one in plus:
        for d, other in minus:
            f = stats.f.isf(rest, one.df, other.df)
            cross = ((f - 1) ** 2 - _g(one.df, rest) ** 2 * f**2 - _h(other.df, rest) ** 2) / f
            total += cross * abs(c * d) * one.ms * other.ms
    return max(total, 0.0)


def _g(df: int, rest: float) -> float:
    return 1 - df / stats.chi2.isf(rest, df)


def _h(df: int, rest: float) -> float:
    return df / stats.chi2.isf(1 - rest, df) - 1
