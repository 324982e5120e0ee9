"""Weighted least squares on poses and plain values: the solver, which knows nothing of photos.

A problem is a list of residual blocks. A block takes the state and gives whitened residuals (observed
minus computed, divided by their uncertainty) in groups, with the Jacobian of the *computed* values and
the columns of the tangent vector that each group touches. The normal equations are then

    H dx = g,   H = sum J' J,   g = sum J' r

and the covariance of the estimate is H^-1 (JCGM 102, with all residuals at unit variance).

The tangent vector: six columns per pose (three mm, three rad, see geometry.exp), then one per value.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import scipy.linalg
from numpy.typing import ArrayLike, NDArray

from vision import geometry


@dataclass(frozen=True, eq=False)
class State:
    """An estimate: `poses` (n, 4, 4) and plain `values` (m,)."""

    poses: NDArray
    values: NDArray

    @property
    def n_columns(self) -> int:
        return 6 * len(self.poses) + len(self.values)

    def pose_columns(self, pose: int) -> NDArray:
        return np.arange(6 * pose, 6 * pose + 6)

    def value_column(self, value: int) -> int:
        return 6 * len(self.poses) + value

    def moved(self, dx: NDArray) -> "State":
        """The state after a step in the tangent vector."""
        n = 6 * len(self.poses)
        return State(self.poses @ geometry.exp(dx[:n].reshape(-1, 6)), self.values + dx[n:])


class ResidualBlock(Protocol):
    """Observations of one kind. `columns` (G, k) says which unknowns each of its G groups touches.

    `cause` is the line of the uncertainty budget that these observations belong to.
    """

    @property
    def cause(self) -> str: ...

    @property
    def columns(self) -> NDArray: ...

    def residuals(self, state: State) -> NDArray:
        """Whitened residuals (G, m); padding rows are zero."""
        ...

    def linearise(self, state: State) -> tuple[NDArray, NDArray]:
        """Whitened residuals (G, m) and whitened Jacobian of the computed values (G, m, k).

        Residuals are not finite where the state is absurd.
        """
        ...


@dataclass(frozen=True, eq=False)
class PriorBlock:
    """Direct observations of plain values: value = mean, within u."""

    cause: str
    columns: NDArray  # (n, 1)
    value_index: NDArray  # (n,)
    mean: NDArray
    u: NDArray

    def residuals(self, state: State) -> NDArray:
        return ((self.mean - state.values[self.value_index]) / self.u)[:, None]

    def linearise(self, state: State) -> tuple[NDArray, NDArray]:
        return self.residuals(state), (1 / self.u)[:, None, None]


def prior(cause: str, state: State, value_index: NDArray, mean: ArrayLike, u: ArrayLike) -> PriorBlock:
    """A prior on `state.values[value_index]`; mean and u broadcast."""
    index = np.asarray(value_index, int).ravel()
    mean = np.broadcast_to(np.asarray(mean, float), index.shape).copy()
    u = np.broadcast_to(np.asarray(u, float), index.shape).copy()
    return PriorBlock(cause, (6 * len(state.poses) + index)[:, None], index, mean, u)


@dataclass(frozen=True, eq=False)
class Normals:
    """The normal equations at a state: H (n, n), g (n,), cost r'r."""

    H: NDArray
    g: NDArray
    cost: float


@dataclass(frozen=True, eq=False)
class Solution:
    """Where least squares ended.

    Attributes:
        cost: Sum of squared whitened residuals (a chi-square if all uncertainties are right).
        covariance: (n, n) of the tangent vector; zero in held columns.
        decrement: g' H^-1 g of the undamped problem: the squared distance to the optimum, counted in
            standard uncertainties. A small one is the only proof of having arrived.
        converged: Whether the decrement went below its limit.
    """

    state: State
    cost: float
    covariance: NDArray
    decrement: float
    converged: bool
    n_iterations: int


class SingularError(ArithmeticError):
    """Some unknowns are not determined by the observations. `columns` names the weakest."""

    def __init__(self, columns: NDArray):
        super().__init__(f"not determined: columns {columns.tolist()}")
        self.columns = columns


class NormalEquations:
    """Adds up the normal equations of a list of blocks, over the free unknowns only.

    Where each group's products go in H is worked out once. Columns that are held in every group of a
    block take no part in its products.
    """

    def __init__(self, blocks: Sequence[ResidualBlock], held: NDArray) -> None:
        self.blocks = blocks
        self.free = np.flatnonzero(~held)
        self.n = len(self.free)
        # Held unknowns share one row and column beyond the free ones, which is cut off at the end.
        place = np.full(len(held), self.n)
        place[self.free] = np.arange(self.n)
        self.taken = [(place[block.columns] < self.n).any(0) for block in blocks]
        columns = [place[b.columns[:, taken]] for b, taken in zip(blocks, self.taken, strict=True)]
        self.rows = np.concatenate([c.ravel() for c in columns])
        width = self.n + 1
        self.places = np.concatenate([(c[:, :, None] * width + c[:, None, :]).ravel() for c in columns])

    def at(self, state: State) -> Normals:
        """H and g of the free unknowns, and the cost.

        The cost is infinite, and the rest meaningless, where the state is absurd (a plate behind the camera).
        """
        cost, products, gradients = 0.0, [], []
        for block, taken in zip(self.blocks, self.taken, strict=True):
            with np.errstate(all="ignore"):
                r, J = block.linearise(state)
            JT = np.swapaxes(J, -1, -2)
            if not taken.all():
                JT = JT[:, taken]
            products.append((JT @ np.swapaxes(JT, -1, -2)).ravel())
            gradients.append((JT @ r[..., None]).ravel())
            cost += float(np.vdot(r, r))
        width = self.n + 1
        H = np.bincount(self.places, np.concatenate(products), width * width).reshape(width, width)
        g = np.bincount(self.rows, np.concatenate(gradients), width)
        return Normals(H[:-1, :-1], g[:-1], cost if np.isfinite(cost) else np.inf)


def normals(blocks: Sequence[ResidualBlock], state: State) -> Normals:
    """The normal equations of all unknowns, dense."""
    return NormalEquations(blocks, np.zeros(state.n_columns, bool)).at(state)


class _Factor:
    """Cholesky factor of H + damping on the diagonal, after scaling its diagonal to one."""

    def __init__(self, H: NDArray, damping: float = 0.0):
        diagonal = np.diag(H)
        if not (diagonal > 0).all():
            raise SingularError(np.flatnonzero(~(diagonal > 0)))
        self.scale = 1 / np.sqrt(diagonal)
        scaled = H * self.scale * self.scale[:, None]
        scaled[np.diag_indices_from(scaled)] += damping
        # Transposed, a symmetric matrix is itself, and in LAPACK's order of columns: no copy.
        self.cholesky, info = scipy.linalg.lapack.dpotrf(scaled.T, lower=1, clean=0, overwrite_a=1)
        if info:
            raise SingularError(_weakest(H * self.scale * self.scale[:, None]))

    def solve(self, b: NDArray) -> NDArray:
        x, _ = scipy.linalg.lapack.dpotrs(self.cholesky, self.scale * b, lower=1)
        return self.scale * x

    def inverse(self) -> NDArray:
        inverse, info = scipy.linalg.lapack.dpotri(self.cholesky, lower=1)
        if info:
            raise SingularError(np.array([info - 1]))
        # LAPACK fills the lower half only.
        inverse = np.where(np.tri(len(inverse), dtype=bool), inverse, inverse.T)
        return inverse * self.scale * self.scale[:, None]


def _weakest(scaled: NDArray) -> NDArray:
    """The columns that take part most in the least determined direction."""
    _, vectors = np.linalg.eigh(scaled)
    return np.sort(np.argsort(-np.abs(vectors[:, 0]))[:6])


def _resected(state: State, at: Normals, free: NDArray, poses: NDArray) -> State:
    """One Gauss-Newton step of each of these poses by itself, everything else held."""
    dx = np.zeros(state.n_columns)
    for pose in poses:
        c = np.flatnonzero(np.isin(free, state.pose_columns(pose)))
        dx[free[c]] = np.linalg.solve(at.H[np.ix_(c, c)] + 1e-12 * np.diag(np.diag(at.H)[c]), at.g[c])
    return state.moved(dx)


# From this chi-square by redundancy on, observations contradict each other; common practice, no source.
GROSS_MISFIT = 10.0


def solve(
    blocks: Sequence[ResidualBlock],
    start: State,
    *,
    held: NDArray,
    resect: NDArray,
    decrement_limit: float = 1e-6,
    max_iterations: int = 60,
    redundancy: float = np.inf,
) -> Solution:
    """Gauss-Newton with damping where a full step does not pay, until the optimum is *proved* near.

    A weak network's valley is long and curved: damped steps become short there while the chi-square
    is already perfect. So (a) the stop is the undamped decrement, never a small step or a small gain;
    (b) where the linear model mispredicts the gain, every camera is resected by itself after the
    step, which brings the state back to the valley's floor.

    Args:
        held: (n_columns,) bool, unknowns that stay (the datum of the coordinate frame).
        resect: Indices of the poses (cameras) to resect; may be empty.
        redundancy: Where given, and the misfit is gross, the solver stops unconverged as soon as the
            optimum is within one standard uncertainty, as large as the residuals then say that it is.
            There steps shrink slowly, and all that is left to do is to say what is wrong.

    Raises:
        SingularError: Some free unknowns are not determined at all.
    """
    equations = NormalEquations(blocks, held)
    free = equations.free
    state, damping, decrement = start, 0.0, np.inf
    at = equations.at(state)
    factor: _Factor | None = None
    n_iterations = 0
    while n_iterations < max_iterations:
        n_iterations += 1
        try:
            factor = _Factor(at.H)
            newton = factor.solve(at.g)
            decrement = float(at.g @ newton)
        except SingularError:
            # Far from the optimum a plate may be edge-on for a moment; damping carries the state past it.
            factor, decrement, damping = None, np.inf, max(damping, 1e-6)
        misfit = at.cost / redundancy
        if decrement < (misfit if misfit > GROSS_MISFIT else decrement_limit):
            break
        step = newton if factor is not None and damping == 0 else _Factor(at.H, damping).solve(at.g)
        dx = np.zeros(start.n_columns)
        dx[free] = step
        trial = state.moved(dx)
        at_trial = equations.at(trial)
        gain = (at.cost - at_trial.cost) / float(step @ (2 * at.g - at.H @ step))
        if gain < 0.5 and len(resect) and np.isfinite(at_trial.cost):
            better = _resected(trial, at_trial, free, resect)
            at_better = equations.at(better)
            if at_better.cost < at_trial.cost:
                trial, at_trial = better, at_better
        if at_trial.cost < at.cost:
            state, at, factor = trial, at_trial, None
            damping = 0.0 if damping < 1e-7 else damping / 10
        elif damping > 1e8:
            break
        else:
            damping = max(10 * damping, 1e-6)
    covariance = np.zeros((start.n_columns, start.n_columns))
    covariance[np.ix_(free, free)] = (factor or _Factor(at.H)).inverse()
    return Solution(state, at.cost, covariance, decrement, decrement < decrement_limit, n_iterations)


def redundancy_numbers(block: ResidualBlock, solution: Solution) -> NDArray:
    """What share of an error in each whitened observation shows in its own residual, (G, m).

    r = 1 - diag(J C J') (Baarda 1968; Foerstner). They sum to observations minus unknowns.
    """
    _, J = block.linearise(solution.state)
    C = solution.covariance[block.columns[:, :, None], block.columns[:, None, :]]
    return 1 - np.einsum("gmi,gij,gmj->gm", J, C, J, optimize=True)
