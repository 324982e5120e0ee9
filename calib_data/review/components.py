"""Variance components of crossed random factors by restricted maximum likelihood (REML).

    y = mean + sum_k Z_k b_k + e,   b_k ~ N(0, s_k^2),   e ~ N(0, s^2)

with theta_k = s_k / s the restricted deviance, the residual variance profiled out, is (H. D. Patterson and R.
Thompson, Biometrika 58, 1971; D. Bates et al., J. Stat. Softw. 67(1), 2015, eq. 42)

    (n - 1) (1 + log(2 pi s^2)) + log|I + T Z'Z T| + log(1' W 1),   s^2 = r' W r / (n - 1),

W = (I + Z T^2 Z')^-1. Everything comes from Z'Z, Z'1 and Z'y: a hundred thousand rounds cost no more than a
hundred. Bounds by the profile of the deviance, chi-square with one degree of freedom.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import optimize, stats

from calib_data.review.anova import Spread

DROP_95 = float(stats.chi2.ppf(0.95, 1))
MOST_THETA = 1e3
NO_THETA = 1e-6  # below it the search has found none


@dataclass(frozen=True, eq=False)
class Component:
    """One factor.

    Attributes:
        spread: Its standard deviation, in the values' unit.
        p: That there is none: half the tail of chi-square with one degree of freedom, since none is a border
            (S. G. Self and K. Y. Liang, 1987).
        effects: By level, how far it is off the mean, shrunk as the model predicts it, and its u.
    """

    spread: Spread
    p: float
    effects: pd.DataFrame


@dataclass(frozen=True, eq=False)
class Components:
    """What came of it; `residual` is what no factor explains."""

    mean: float
    u_mean: float
    residual: float
    factors: Mapping[str, Component]
    deviance: float


@dataclass(frozen=True, eq=False)
class _Sums:
    """What the data come down to: n, Z'Z (q, q), Z'1 and Z'y (q,), 1'y, y'y, and each column's factor."""

    n: int
    ZZ: NDArray
    Z1: NDArray
    Zy: NDArray
    y1: float
    yy: float
    factor: NDArray

    def solved(self, theta: NDArray) -> tuple[float, float, float, NDArray, NDArray]:
        """log|M|, 1'W1, and the products of `W` that deviance and effects need."""
        t = theta[self.factor]
        M = np.eye(len(t)) + t[:, None] * self.ZZ * t
        L = np.linalg.cholesky(M)
        a, b = np.linalg.solve(L, t * self.Z1), np.linalg.solve(L, t * self.Zy)
        return 2 * float(np.log(np.diag(L)).sum()), float(self.n - a @ a), float(self.y1 - a @ b), b, L

    def deviance(self, theta: NDArray) -> float:
        log_det, ones, ones_y, b, _ = self.solved(theta)
        variance = max((self.yy - b @ b - ones_y**2 / ones) / (self.n - 1), 1e-300)
        return (self.n - 1) * (1 + np.log(2 * np.pi * variance)) + log_det + np.log(ones)


def reml(frame: pd.DataFrame, value: str, factors: Sequence[str]) -> Components:
    """Components of the rows that have the value and all factors.

    Args:
        factors: Columns; each must have two levels and fewer levels than there are rows.

    Raises:
        ValueError: A factor cannot be told from nothing, or from the residual.
    """
    rows = frame[[value, *factors]].dropna()
    y = rows[value].to_numpy(float)
    centre, scale = (float(y.mean()), float(y.std())) if len(y) else (0.0, 0.0)
    levels = {name: pd.Categorical(rows[name]).remove_unused_categories() for name in factors}
    for name, one in levels.items():
        if not 2 <= len(one.categories) < len(rows):
            raise ValueError(f"There must be at least two, and fewer than rounds, of {name}.")
    if not scale > 0:
        raise ValueError("All values are the same.")
    sums = _sums((y - centre) / scale, list(levels.values()))
    best = _minimum(sums.deviance, np.ones(len(factors)))
    theta, least = np.where(best[0] < NO_THETA, 0.0, best[0]), best[1]
    log_det, ones, ones_y, b, L = sums.solved(theta)
    s2 = (sums.yy - b @ b - ones_y**2 / ones) / (sums.n - 1)
    s = float(np.sqrt(s2))
    mean = ones_y / ones
    effects, u_effects = _effects(sums, theta, mean, s, L)
    found = {}
    for k, (name, one) in enumerate(levels.items()):
        mine = sums.factor == k
        table = pd.DataFrame(
            {"effect": scale * effects[mine], "u": scale * u_effects[mine], "n": sums.Z1[mine].astype(int)},
            index=pd.Index(one.categories, name=name),
        )
        low, high = _profile(sums, theta, k, least)
        gain = _without(sums, theta, k, 0.0)[0] - least
        p = 0.5 * float(stats.chi2.sf(max(gain, 0.0), 1))
        found[name] = Component(Spread(scale * s * float(theta[k]), scale * low, scale * high), p, table)
    deviance = least + 2 * (sums.n - 1) * np.log(scale)
    return Components(centre + scale * mean, scale * s / np.sqrt(ones), scale * s, found, float(deviance))


def _sums(y: NDArray, levels: Sequence[pd.Categorical]) -> _Sums:
    starts = np.cumsum([0, *(len(one.categories) for one in levels)])
    codes = [one.codes.astype(int) + start for one, start in zip(levels, starts, strict=False)]
    q = int(starts[-1])
    ZZ = np.zeros((q, q))
    for one in codes:
        for other in codes:
            np.add.at(ZZ, (one, other), 1.0)
    return _Sums(
        n=len(y),
        ZZ=ZZ,
        Z1=np.diag(ZZ).copy(),
        Zy=sum((np.bincount(one, y, q) for one in codes), np.zeros(q)),
        y1=float(y.sum()),
        yy=float(y @ y),
        factor=np.repeat(np.arange(len(levels)), np.diff(starts)),
    )


def _effects(sums: _Sums, theta: NDArray, mean: float, s: float, L: NDArray) -> tuple[NDArray, NDArray]:
    """Best linear unbiased predictions (q,) and their u, the mean's own u left out."""
    t = theta[sums.factor]
    M_inverse = np.linalg.inv(L @ L.T)
    b = t * (M_inverse @ (t * (sums.Zy - mean * sums.Z1)))
    return b, s * t * np.sqrt(np.diag(M_inverse))


def _minimum(of: Callable[[NDArray], float], start: NDArray) -> tuple[NDArray, float]:
    bounds = [(0.0, MOST_THETA)] * len(start)
    tries = [optimize.minimize(of, x, method="L-BFGS-B", bounds=bounds) for x in (start, 0.1 * start)]
    best = min(tries, key=lambda one: one.fun)
    # Differences leave the last digits open; the simplex settles them.
    fine = optimize.minimize(
        lambda x: of(np.abs(x)), best.x, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11}
    )
    return (np.abs(fine.x), fine.fun) if fine.fun < best.fun else (best.x, best.fun)


def _without(sums: _Sums, theta: NDArray, k: int, held: float) -> tuple[float, NDArray]:
    """Least deviance with one theta held, and the others."""
    others = np.delete(theta, k)
    if not len(others):
        return sums.deviance(np.array([held])), others

    def of(rest: NDArray) -> float:
        return sums.deviance(np.insert(rest, k, held))

    found = optimize.minimize(of, others, method="L-BFGS-B", bounds=[(0.0, MOST_THETA)] * len(others))
    return float(found.fun), found.x


def _profile(sums: _Sums, theta: NDArray, k: int, least: float) -> tuple[float, float]:
    """Bounds of one factor's standard deviation, where the profiled deviance has risen by 3.84."""

    def rise(held: float) -> float:
        return _without(sums, theta, k, held)[0] - least - DROP_95

    def deviation(held: float) -> float:
        rest = _without(sums, theta, k, held)[1]
        full = np.insert(rest, k, held)
        _, ones, ones_y, b, _ = sums.solved(full)
        return held * float(np.sqrt((sums.yy - b @ b - ones_y**2 / ones) / (sums.n - 1)))

    best = float(theta[k])
    low = 0.0
    if rise(0.0) > 0:
        low = deviation(optimize.brentq(rise, 0.0, best, xtol=1e-6))
    high = max(2 * best, 0.1)
    while rise(high) < 0:
        high *= 2
        if high > MOST_THETA:
            return low, np.inf
    return low, deviation(optimize.brentq(rise, best, high, xtol=1e-6))
