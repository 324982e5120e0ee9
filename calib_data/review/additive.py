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
from scipy import stats

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
    levels = {f: list(rows[f].value_counts().index) for f in factors}
    levels = {f: sorted(names) for f, names in levels.items() if len(names) > 1}
    design, names = _design(rows, levels, over, of)
    y = rows[value].to_numpy(float)
    # Factors that say the same of every round cannot be told apart.
    if len(y) < 2 * design.shape[1] + 4 or np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    beta, weights, s = _bisquare(design, y)
    if not s > 0:
        return None
    dof = len(y) - design.shape[1]
    # Huber, Robust Statistics, 1981, 7.6: u from the mean of psi', here by its usual small-sample form.
    r = (y - design @ beta) / s
    C = s**2 * _spread_of_psi(r, dof) * np.linalg.inv(design.T @ design)
    h = np.einsum("ij,jk,ik->i", design, np.linalg.inv(design.T @ (weights[:, None] * design)), design)
    shrink = np.sqrt(np.clip(1 - weights * h, 0.1, 1))
    return Fit(
        effects=_contrasts(rows, levels, names, beta, C, dof),
        slopes=_slopes(rows, of, names, beta, C, dof),
        residuals=pd.Series(r / shrink, rows.index).reindex(frame.index),
        fitted=pd.Series(design @ beta, rows.index).reindex(frame.index),
        s=s,
        dof=dof,
    )


Column = tuple[str, str, str]  # "mean", "level" or "slope"; factor; level


def _design(rows: pd.DataFrame, levels: dict[str, list], over: str, of: str) -> tuple[NDArray, list[Column]]:
    """Columns: the mean, each factor's levels but the first, a slope for each level of `of`."""
    columns, names = [np.ones(len(rows))], [("mean", "", "")]
    for factor, found in levels.items():
        for level in found[1:]:
            columns.append((rows[factor] == level).to_numpy(float))
            names.append(("level", factor, level))
    if over:
        for level in sorted(rows[of].unique()):
            mine = (rows[of] == level).to_numpy()
            x = rows[over].to_numpy(float)
            if np.ptp(x[mine]) > 0:
                columns.append(np.where(mine, x - x[mine].mean(), 0.0))
                names.append(("slope", of, level))
    return np.column_stack(columns), names


def _bisquare(A: NDArray, y: NDArray) -> tuple[NDArray, NDArray, float]:
    weights = np.ones(len(y))
    beta = _weighted(A, y, weights)
    for _ in range(STEPS):  # least absolute deviations
        size = np.abs(y - A @ beta)
        beta = _weighted(A, y, 1 / np.maximum(size, 1e-6 * (np.median(size) + 1e-300)))
    # The start's own spread is kept: a fresh one at each step could let the weights run away.
    s = _mad(y - A @ beta, A.shape[1])
    for _ in range(STEPS):
        r = (y - A @ beta) / max(TUNING * s, 1e-300)
        weights = np.where(np.abs(r) < 1, (1 - r**2) ** 2, 0.0)
        beta, before = _weighted(A, y, weights), beta
        if np.allclose(beta, before, rtol=1e-10, atol=1e-14):
            break
    return beta, weights, _mad(y - A @ beta, A.shape[1])


def _weighted(A: NDArray, y: NDArray, w: NDArray) -> NDArray:
    weighted = A * w[:, None]
    return np.linalg.lstsq(A.T @ weighted, weighted.T @ y, rcond=None)[0]


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
        left = list(range(len(found)))
        while len(left) > 1:
            told = [_against(P, beta, C, i, [k for k in left if k != i]) for i in left]
            worst = max(range(len(left)), key=lambda k: abs(told[k][0]) / told[k][1])
            p = [2 * float(stats.t.sf(abs(effect) / u, dof)) for effect, u in told]
            is_off = p[worst] * len(found) < SURE and len(left) > 2
            for k in [worst] if is_off or len(left) == 2 else range(len(left)):
                level = found[left[k]]
                out.append((factor, level, *told[k], p[k], int(count[level])))
            left = [i for k, i in enumerate(left) if k != worst] if is_off else []
    told = pd.DataFrame(out, columns=["factor", "level", "effect", "u", "p", "n"])
    return told[told["level"] != RARE]


def _against(P: NDArray, beta: NDArray, C: NDArray, i: int, others: list[int]) -> tuple[float, float]:
    contrast = P[i] - P[others].mean(0)
    effect = P[i] @ beta - np.median(P[others] @ beta)
    return float(effect), float(np.sqrt(contrast @ C @ contrast))


def _slopes(
    rows: pd.DataFrame, of: str, names: list[Column], beta: NDArray, C: NDArray, dof: int
) -> pd.DataFrame:
    out = []
    for i, (what, factor, level) in enumerate(names):
        if what == "slope" and level != RARE:
            u = float(np.sqrt(C[i, i]))
            n = int((rows[of] == level).sum())
            out.append((factor, level, beta[i], u, 2 * float(stats.t.sf(abs(beta[i]) / u, dof)), n))
    return pd.DataFrame(out, columns=["factor", "level", "effect", "u", "p", "n"])
