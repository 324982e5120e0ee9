"""Robust additive effects: what each bay, phone, kit and vehicle model adds to a figure, and what each month.

Least squares with Tukey's bisquare weights (A. E. Beaton and J. W. Tukey, Technometrics 16, 1974; 95 % as
efficient as least squares on normal errors with 4.685), begun at least absolute deviations, so that a tenth
of foreign rounds hardly moves an effect. Each level is compared with the median of the others of its factor:
one that is off does not drag the rest along.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import linalg, stats

TUNING = 4.685
MAD_TO_S = 1.482602  # of a normal distribution
STEPS = 50
SURE = 0.01
# Levels of fewer rows go together: hardly anything can be said of any, and each would cost an unknown.
FEWEST, RARE = 4, "(rare)"


@dataclass(frozen=True, eq=False)
class Fit:
    """The fitted effects.

    Attributes:
        effects: One row per factor and level: effect against the median of the factor's other levels, its u,
            p (two-sided, Student's t) and n; of slopes likewise, per unit of `over`.
        residuals: By row of the frame, what no effect explains, in `s`; nan where the row took no part.
        fitted: By row, what the effects make of it.
        s: Standard deviation of the rows about the fit, from the median deviation.
        dof: Rows less effects.
    """

    effects: pd.DataFrame
    slopes: pd.DataFrame
    residuals: pd.Series
    fitted: pd.Series
    s: float
    dof: int

    def p_of_rows(self) -> pd.Series:
        """By row, the two-sided probability of a residual as large."""
        return pd.Series(2 * stats.t.sf(self.residuals.abs(), self.dof), self.residuals.index)


def fit(
    frame: pd.DataFrame, value: str, factors: Sequence[str], *, over: str = "", of: str = ""
) -> Fit | None:
    """Effects of the factors' levels on a column; with `over`, also a slope over it for each level of `of`.

    Returns:
        None where there are too few rows, or nothing varies.
    """
    columns = list(dict.fromkeys([value, *factors, *([over, of] if over else [])]))
    rows = frame[columns].dropna()
    for factor in factors:
        counts = rows[factor].value_counts()
        rows[factor] = rows[factor].where(rows[factor].map(counts) >= FEWEST, RARE)
    levels = {f: sorted(rows[f].unique()) for f in factors}
    levels = {f: found for f, found in levels.items() if len(found) > 1}
    design, names = _design(rows, levels, over, of)
    y = rows[value].to_numpy(float)
    if len(y) < 2 * design.n_unknowns + 4 or not _can_be_told_apart(design):
        return None
    beta, weights, s = _bisquare(design, y)
    if not s > 0:
        return None
    dof = len(y) - design.n_unknowns
    # Huber, Robust Statistics, 1981, 7.6: u from the mean of psi', here by its usual small-sample form.
    fitted = design.times(beta)
    r = (y - fitted) / s
    C = s**2 * _spread_of_psi(r, dof) * np.linalg.inv(design.normal(np.ones(len(y))))
    h = design.squares(np.linalg.inv(design.normal(weights)))
    shrink = np.sqrt(np.clip(1 - weights * h, 0.1, 1))
    return Fit(
        effects=_contrasts(rows, levels, names, beta, C, dof),
        slopes=_slopes(rows, of, names, beta, C, dof),
        residuals=pd.Series(r / shrink, rows.index).reindex(frame.index),
        fitted=pd.Series(fitted, rows.index).reindex(frame.index),
        s=s,
        dof=dof,
    )


Column = tuple[str, str, str]  # "mean", "level" or "slope"; factor; level


@dataclass(frozen=True, eq=False)
class _Design:
    """The matrix A (n, n_unknowns) of a fit, of which a row has an entry for each factor and no more.

    Its columns may be hundreds and its rows a hundred thousand, so all that is asked of it is summed from
    the entries.

    Attributes:
        column, value: (factors, n) where each row's entries stand, and what they are; 0.0 where it has none.
    """

    column: NDArray
    value: NDArray
    n_unknowns: int

    def times(self, x: NDArray) -> NDArray:
        """A x (n,)."""
        return (self.value * x[self.column]).sum(0)

    def back(self, y: NDArray) -> NDArray:
        """A' y (n_unknowns,)."""
        return np.bincount(self.column.ravel(), (self.value * y).ravel(), self.n_unknowns)

    def normal(self, w: NDArray) -> NDArray:
        """A' diag(w) A (n_unknowns, n_unknowns)."""
        k = self.n_unknowns
        total = np.zeros((k, k))
        for i, (column, value) in enumerate(zip(self.column, w * self.value, strict=True)):
            for j in range(i + 1):
                pairs = np.bincount(k * column + self.column[j], value * self.value[j], k * k).reshape(k, k)
                total += pairs if i == j else pairs + pairs.T
        return total

    def squares(self, M: NDArray) -> NDArray:
        """a M a' of each row a (n,)."""
        rows = zip(self.column, self.value, strict=True)
        return sum(
            (value * self._times_row(M, column) for column, value in rows), np.zeros(self.column.shape[1])
        )

    def _times_row(self, M: NDArray, row: NDArray) -> NDArray:
        return (self.value * M[row, self.column]).sum(0)


def _design(rows: pd.DataFrame, levels: dict[str, list], over: str, of: str) -> tuple[_Design, list[Column]]:
    """Unknowns: the mean, each factor's levels but the first, a slope for each level of `of`."""
    n = len(rows)
    parts, names = [(np.zeros(n, int), np.ones(n))], [("mean", "", "")]
    for factor, found in levels.items():
        parts.append(_entries(rows[factor], found[1:], len(names), np.ones(n)))
        names += [("level", factor, level) for level in found[1:]]
    if over:
        of_level = rows.groupby(of)[over]
        spans = of_level.max() - of_level.min()
        told = [level for level in spans.index if spans[level] > 0]
        off = (rows[over] - of_level.transform("mean")).to_numpy(float)
        parts.append(_entries(rows[of], told, len(names), off))
        names += [("slope", of, level) for level in told]
    columns, values = zip(*parts, strict=True)
    return _Design(np.stack(columns), np.stack(values), len(names)), names


def _entries(column: pd.Series, found: list, first: int, values: NDArray) -> tuple[NDArray, NDArray]:
    """Each row's value in the column of its level, the first of which is `first`."""
    code = pd.Index(found).get_indexer(pd.Index(column))
    return np.where(code < 0, 0, first + code), np.where(code < 0, 0.0, values)


def _can_be_told_apart(design: _Design) -> bool:
    """Factors that say the same of every round cannot."""
    normal = design.normal(np.ones(design.column.shape[1]))
    size = np.sqrt(np.diag(normal))
    return np.linalg.matrix_rank(normal / np.outer(size, size), hermitian=True) == len(size)


def _bisquare(A: _Design, y: NDArray) -> tuple[NDArray, NDArray, float]:
    weights = np.ones(len(y))
    beta = _weighted(A, y, weights)
    for _ in range(STEPS):  # least absolute deviations
        size = np.abs(y - A.times(beta))
        beta = _weighted(A, y, 1 / np.maximum(size, 1e-6 * (np.median(size) + 1e-300)))
    # The start's own spread is kept: a fresh one at each step could let the weights run away.
    s = _mad(y - A.times(beta), A.n_unknowns)
    for _ in range(STEPS):
        r = (y - A.times(beta)) / max(TUNING * s, 1e-300)
        weights = np.where(np.abs(r) < 1, (1 - r**2) ** 2, 0.0)
        beta, before = _weighted(A, y, weights), beta
        if np.allclose(beta, before, rtol=1e-10, atol=1e-14):
            break
    return beta, weights, _mad(y - A.times(beta), A.n_unknowns)


def _weighted(A: _Design, y: NDArray, w: NDArray) -> NDArray:
    # No plain solve: all rows of a level may have lost their weight.
    return linalg.lstsq(A.normal(w), A.back(w * y), lapack_driver="gelsy")[0]


def _mad(r: NDArray, n_unknowns: int) -> float:
    """Median deviation as a standard deviation; residuals of a fit are too small by its unknowns."""
    n = len(r)
    return float(MAD_TO_S * np.median(np.abs(r)) * np.sqrt(n / max(n - n_unknowns, 1)))


def _spread_of_psi(r: NDArray, dof: int) -> float:
    """By what the covariance of least squares is to be multiplied."""
    u = r / TUNING
    inside = np.abs(u) < 1
    psi = np.where(inside, r * (1 - u**2) ** 2, 0.0)
    slope = np.where(inside, (1 - u**2) * (1 - 5 * u**2), 0.0)
    mean = max(float(slope.mean()), 0.1)
    n, k = len(r), len(r) - dof
    correction = 1 + k / n * float(slope.var()) / mean**2
    return correction**2 * float((psi**2).sum()) / dof / mean**2


def _contrasts(
    rows: pd.DataFrame, levels: dict[str, list], names: list[Column], beta: NDArray, C: NDArray, dof: int
) -> pd.DataFrame:
    """Each level against the median of the others; its u is that of the difference from their mean.

    One that is surely off is then no longer among the others: of three, it would be half of them. Of two that
    differ only the first is told, since nothing says which is off.
    """
    out = []
    for factor, found in levels.items():
        P = np.zeros((len(found), len(beta)))
        for i, level in enumerate(found[1:], start=1):
            P[i, names.index(("level", factor, level))] = 1
        count = rows[factor].value_counts()
        b, V = P @ beta, P @ C @ P.T
        left = list(range(len(found)))
        while len(left) > 1:
            told = _against_the_others(b[left], V[np.ix_(left, left)])
            worst = max(range(len(left)), key=lambda k: abs(told[k][0]) / told[k][1])
            p = [2 * float(stats.t.sf(abs(effect) / u, dof)) for effect, u in told]
            is_off = p[worst] * len(found) < SURE and len(left) > 2
            for k in [worst] if is_off or len(left) == 2 else range(len(left)):
                level = found[left[k]]
                out.append((factor, level, *told[k], p[k], int(count[level])))
            left = [i for k, i in enumerate(left) if k != worst] if is_off else []
    told = pd.DataFrame(out, columns=["factor", "level", "effect", "u", "p", "n"])
    return told[told["level"] != RARE]


def _against_the_others(b: NDArray, V: NDArray) -> list[tuple[float, float]]:
    """Of each level (n,) with covariance (n, n): off the median of the others, and the u of that."""
    m = len(b) - 1
    own, with_others = np.diag(V), V.sum(1) - np.diag(V)
    among_others = V.sum() - own - 2 * with_others
    u = np.sqrt(own - 2 * with_others / m + among_others / m**2)
    return [(float(b[i] - np.median(np.delete(b, i))), float(u[i])) for i in range(len(b))]


def _slopes(
    rows: pd.DataFrame, of: str, names: list[Column], beta: NDArray, C: NDArray, dof: int
) -> pd.DataFrame:
    out = []
    count = rows[of].value_counts() if of else {}
    for i, (what, factor, level) in enumerate(names):
        if what == "slope" and level != RARE:
            u = float(np.sqrt(C[i, i]))
            n = int(count[level])
            out.append((factor, level, beta[i], u, 2 * float(stats.t.sf(abs(beta[i]) / u, dof)), n))
    return pd.DataFrame(out, columns=["factor", "level", "effect", "u", "p", "n"])
