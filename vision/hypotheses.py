"""Test statistics for "what if this stood elsewhere": score and pull tests, without solving again.

A hypothesis adds unknowns b to the adjusted model: r = J dx + D b. With whitened residuals r, N = D'D,
A = D'J and C the covariance of the estimate, the score s = D'r has covariance V = N - A C A' if b = 0,
and T = s' V^-1 s is chi-square (Rao's score test; in geodesy Baarda's test in several dimensions).
b = V^-1 s is what the extra unknowns would become.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.adjust import Adjustment
from vision.least_squares import ResidualBlock

# Directions in which a hypothesis cannot be told from the model itself are left out of it. A body that joins
# two halves of a round is nearly such a direction: its movement keeps a hundred-thousandth of its weight, and
# millimetres against hundredths of a millimetre still show. Rounding is far below.
LEAST_SEPARABLE = 1e-6
# For terms that are themselves approximate to about a hundredth, squared: with some room. Pulls on a prior
# are such, where the photos hardly tell: there the model's curvature exceeds the little that they moved, and
# with 1e-6 one correct set in eleven had a photo that "did not fit".
LEAST_SEPARABLE_ROUGH = 1e-3
# How finely a lens may bend light otherwise than Brown's model says: waves from the axis to the corner, the
# shortest a quarter of that way. Nearer to the axis than this (tangent) a radial direction means nothing.
N_WAVES, NEAR_AXIS = 8, 0.02


@dataclass(frozen=True, eq=False)
class Score:
    """T, its degrees of freedom, and the estimate of the extra unknowns (zero where not separable)."""

    statistic: float
    dof: int
    estimate: NDArray

    @property
    def gain(self) -> float:
        """How much better the hypothesis describes the data, less two for each unknown (Akaike)."""
        return self.statistic - 2.0 * self.dof


def quadratic_form(s: NDArray, V: NDArray, N: NDArray, least: float) -> Score:
    """s' V^-1 s over the directions in which V is not smaller than `least` times N."""
    scale = 1 / np.sqrt(np.maximum(np.diag(N), 1e-300))
    values, vectors = np.linalg.eigh((V + V.T) / 2 * scale * scale[:, None])
    keep = values > least
    z = vectors[:, keep].T @ (s * scale)
    estimate = scale * (vectors[:, keep] @ (z / values[keep]))
    return Score(float((z**2 / values[keep]).sum()), int(keep.sum()), estimate)


class Information(NamedTuple):
    """Of extra unknowns b (k,): the score s (k,), its covariance V and N (k, k), as above.

    Attributes:
        through: (n_columns, k) C A': how the state answers to a b that is there and left out of the model.
    """

    s: NDArray
    V: NDArray
    N: NDArray
    through: NDArray


class SaddleScores:
    """Scores of displacements, prepared once per adjustment: whitened residuals and Jacobians by group."""

    def __init__(self, adjustment: Adjustment) -> None:
        self.adjustment = adjustment
        self.block = adjustment.saddles
        self.observed = self.block.observed
        self.r, self.J = self.block.linearise(adjustment.state)

    def of_columns(
        self, D: NDArray, groups: Sequence[int] | NDArray, least: float = LEAST_SEPARABLE
    ) -> Score:
        """Score of extra whitened columns D (g, 2n, k), one matrix for each of the groups."""
        told = self.information(D, np.asarray(groups, int))
        return quadratic_form(told.s, told.V, told.N, least)

    def information(self, D: NDArray, groups: NDArray) -> Information:
        """What the residuals tell of extra whitened columns D (g, 2n, k), a matrix for each of the groups."""
        C = self.adjustment.covariance
        s = np.einsum("gmk,gm->k", D, self.r[groups], optimize=True)
        N = np.einsum("gmk,gml->kl", D, D, optimize=True)
        DJ = np.swapaxes(D, -1, -2) @ self.J[groups]
        A = np.zeros((D.shape[-1], len(C)))
        for g, columns in enumerate(self.block.columns[groups]):
            A[:, columns] += DJ[g]
        through = C @ A.T
        return Information(s, N - A @ through, N, through)

    def moved(self, groups: NDArray, T_world_body: NDArray) -> Score:
        """Score of a displacement (six terms, in its own frame) of a rigid body that carries these plates."""
        return self.of_columns(self.displacement(groups, T_world_body), groups)

    def displacement(self, groups: NDArray, T_world_body: NDArray) -> NDArray:
        """Whitened columns (g, 2n, 6) of a body's displacement."""
        u, state = self.adjustment.network.unknowns, self.adjustment.state
        T_plate_body = geometry.invert(state.poses[u.plate_pose(self.observed.plate[groups])]) @ T_world_body
        return self.J[groups][..., 6:12] @ geometry.adjoint(T_plate_body)

    def scale_columns(self, groups: NDArray) -> NDArray:
        """Whitened columns (g, 2n, 1) of a common scale of these groups' sheets."""
        return self.J[groups][..., 34:35]

    def scaled(self, groups: NDArray) -> Score:
        """Score of a common scale of these groups' sheets."""
        return self.of_columns(self.scale_columns(groups), groups)

    def another_lens(self, groups: NDArray) -> Score:
        """Score of a lens of their own (its nine numbers) for these groups."""
        return self.of_columns(self.J[groups][..., 21:30], groups, LEAST_SEPARABLE_ROUGH)

    def lens_terms(self, lens: int) -> Score:
        """Score of what Brown's model lacks: radial waves up to N_WAVES half ones, r^4 prism in x and y."""
        o = self.observed
        groups = np.flatnonzero(o.lens_of_photo[o.photo] == lens)
        vector = self.adjustment.state.values[self.adjustment.network.unknowns.lens_values()][lens]
        # To first order the observed place serves for the ideal one: these terms are tests, not values. What
        # the lens's own terms can nearly take up would show that neglect, and no other lens.
        xy = (o.saddles_px[groups] - vector[1:3]) / vector[0]
        r = np.linalg.norm(xy, axis=-1)
        corner = np.hypot(*o.size_px[o.photo[groups[0]]]) / 2 / vector[0]
        columns = np.zeros((*xy.shape, N_WAVES + 2))
        waves = np.cos(np.pi / corner * r[..., None] * np.arange(1, N_WAVES + 1))
        columns[..., :N_WAVES] = (xy / np.maximum(r, NEAR_AXIS)[..., None])[..., None] * waves[..., None, :]
        columns[..., 0, N_WAVES] = columns[..., 1, N_WAVES + 1] = r**4
        columns = np.where(o.used[groups][..., None, None], vector[0] * columns, 0.0)
        return self.of_columns(self._whitened(columns, groups), groups, LEAST_SEPARABLE_ROUGH)

    def _whitened(self, columns: NDArray, groups: NDArray) -> NDArray:
        full = np.zeros((*self.observed.used.shape, *columns.shape[2:]))
        full[groups] = columns
        return self.block.whitened(full)[groups]


def pull(adjustment: Adjustment, value_index: NDArray, mean: NDArray, U: NDArray) -> Score:
    """Whether some values were pulled further from their prior than it allows.

    The adjusted deviation x from the prior has covariance U - C (prior minus posterior covariance).

    Args:
        value_index: (k,) into the state's values; mean (k,); U (k, k) the prior's covariance.
    """
    state = adjustment.state
    columns = 6 * len(state.poses) + np.asarray(value_index, int)
    x = state.values[value_index] - mean
    score = quadratic_form(x, U - adjustment.covariance[np.ix_(columns, columns)], U, LEAST_SEPARABLE_ROUGH)
    return Score(score.statistic, score.dof, x)


def own_residual(adjustment: Adjustment, block: ResidualBlock, group: int) -> Score:
    """Whether one group of whitened observations disagrees with all the others: r' (I - J C J')^-1 r."""
    r, J = block.linearise(adjustment.state)
    columns = block.columns[group]
    C = adjustment.covariance[np.ix_(columns, columns)]
    eye = np.eye(len(r[group]))
    score = quadratic_form(r[group], eye - J[group] @ C @ J[group].T, eye, LEAST_SEPARABLE_ROUGH)
    return Score(score.statistic, score.dof, r[group])
