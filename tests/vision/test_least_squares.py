"""The solver by itself: linear and singular problems, the held unknowns, and what it says when it fails."""

from dataclasses import dataclass

import numpy as np
import pytest
import scipy.spatial.transform
from numpy.typing import NDArray

from vision import geometry
from vision.least_squares import SingularError, State, prior, redundancy_numbers, solve

NONE = np.array([], int)


@dataclass(frozen=True, eq=False)
class Lines:
    """y = A x, u = 1, one group."""

    A: NDArray
    y: NDArray
    cause: str = "lines"

    @property
    def columns(self):
        return np.arange(self.A.shape[1])[None]

    def residuals(self, state):
        return (self.y - self.A @ state.values)[None]

    def linearise(self, state):
        return self.residuals(state), self.A[None]


@dataclass(frozen=True, eq=False)
class Valley:
    """Rosenbrock's curved valley: 10 (x1 - x0^2) = 0 and x0 = 1."""

    cause: str = "valley"
    columns = np.array([[0, 1]])

    def residuals(self, state):
        x0, x1 = state.values
        return np.array([[-10 * (x1 - x0**2), 1 - x0]])

    def linearise(self, state):
        x0, _ = state.values
        return self.residuals(state), np.array([[[-20 * x0, 10.0], [1.0, 0.0]]])


@dataclass(frozen=True, eq=False)
class SeenPoints:
    """Known points (n, 3) seen in the frame of one pose: p_body = T_world_body^-1 p_world, u in mm."""

    points_mm: NDArray
    observed_mm: NDArray
    u_mm: float
    cause: str = "points"
    columns = np.arange(6)[None]

    def residuals(self, state):
        return self.linearise(state)[0]

    def linearise(self, state):
        p = geometry.apply(geometry.invert(state.poses[0]), self.points_mm)
        J = np.concatenate([np.broadcast_to(-np.eye(3), (len(p), 3, 3)), geometry.skew(p)], 2)
        return (self.observed_mm - p).reshape(1, -1) / self.u_mm, J.reshape(1, -1, 6) / self.u_mm


def values_only(*x):
    return State(np.zeros((0, 4, 4)), np.array(x, float))


def run(blocks, state, held=None, **options):
    held = np.zeros(state.n_columns, bool) if held is None else held
    return solve(blocks, state, held=held, resect=NONE, **options)


def test_a_linear_problem_takes_one_step():
    rng = np.random.default_rng(0)
    A, y = rng.normal(size=(12, 3)), rng.normal(size=12)
    found = run([Lines(A, y)], values_only(100, -50, 7))
    x, cost, *_ = np.linalg.lstsq(A, y, rcond=None)
    np.testing.assert_allclose(found.state.values, x, atol=1e-10)
    np.testing.assert_allclose(found.covariance, np.linalg.inv(A.T @ A), rtol=1e-9)
    assert found.cost == pytest.approx(float(cost[0]))
    assert found.converged and found.n_iterations == 2  # the second only proves that it has arrived


def test_where_observations_contradict_each_other_within_their_spread_is_near_enough():
    """A point beyond the circle that it should lie on: steps only halve the distance."""

    class Circle:
        cause, columns = "circle", np.array([[0]])

        def residuals(self, state):
            (x,) = state.values
            return 100 * np.array([[1.5 * np.cos(1.0) - np.cos(x), 1.5 * np.sin(1.0) - np.sin(x)]])

        def linearise(self, state):
            (x,) = state.values
            return self.residuals(state), 100 * np.array([[[-np.sin(x)], [np.cos(x)]]])

    start = values_only(0.0)
    exact = run([Circle()], start)
    assert exact.converged and exact.state.values[0] == pytest.approx(1.0, abs=1e-4)
    assert exact.cost == pytest.approx(2500)
    rough = run([Circle()], start, redundancy=10.0)
    assert not rough.converged and rough.n_iterations < exact.n_iterations
    # An u of 0.01 is as if there were no contradiction; a chi-square of 2500 for 10 says 0.16.
    assert abs(rough.state.values[0] - 1.0) < 0.16
    assert run([Circle()], start, redundancy=2500.0).n_iterations == exact.n_iterations


def test_two_blocks_add_up_like_one():
    rng = np.random.default_rng(1)
    A, y = rng.normal(size=(12, 3)), rng.normal(size=12)
    whole, parts = Lines(A, y), [Lines(A[:5], y[:5]), Lines(A[5:], y[5:])]
    a, b = run([whole], values_only(0, 0, 0)), run(parts, values_only(0, 0, 0))
    np.testing.assert_allclose(a.state.values, b.state.values, atol=1e-12)
    np.testing.assert_allclose(a.covariance, b.covariance, rtol=1e-12)


def test_weighted_mean_by_hand():
    """10 with u 1 and 13 with u 2: mean 10.6, u = sqrt(0.8), chi-square 9 / 5; redundancies 0.2 and 0.8."""
    state = values_only(0.0)
    one, two = prior("a", state, np.array([0]), 10.0, 1.0), prior("b", state, np.array([0]), 13.0, 2.0)
    found = run([one, two], state)
    assert found.state.values[0] == pytest.approx(10.6)
    assert found.covariance[0, 0] == pytest.approx(0.8)
    assert found.cost == pytest.approx(9 / 5)
    assert redundancy_numbers(one, found)[0, 0] == pytest.approx(0.2)
    assert redundancy_numbers(two, found)[0, 0] == pytest.approx(0.8)


def test_held_unknowns_stay_and_have_no_covariance():
    rng = np.random.default_rng(2)
    A, y = rng.normal(size=(12, 3)), rng.normal(size=12)
    found = run([Lines(A, y)], values_only(0, 5, 0), held=np.array([False, True, False]))
    x, *_ = np.linalg.lstsq(A[:, [0, 2]], y - 5 * A[:, 1], rcond=None)
    np.testing.assert_allclose(found.state.values, [x[0], 5, x[1]], atol=1e-10)
    assert not found.covariance[1].any() and not found.covariance[:, 1].any()


@pytest.mark.parametrize("start", [(-1.2, 1.0), (-30.0, 40.0), (5.0, -100.0)])
def test_a_curved_valley_is_followed_to_its_end(start):
    """Rosenbrock's function: minimum 0 at (1, 1)."""
    found = run([Valley()], values_only(*start))
    assert found.converged
    np.testing.assert_allclose(found.state.values, [1, 1], atol=1e-3)


def test_stopping_too_early_is_told():
    found = run([Valley()], values_only(-1.2, 1.0), max_iterations=3)
    assert not found.converged and found.decrement > 1e-6


def test_an_undetermined_unknown_is_named():
    A = np.array([[1.0, 0, 0], [0, 0, 1.0], [1.0, 0, 1.0]])
    with pytest.raises(SingularError) as error:
        run([Lines(A, np.ones(3))], values_only(0, 0, 0))
    assert error.value.columns.tolist() == [1]


def test_an_undetermined_combination_is_named():
    A = np.array([[1.0, 1, 0], [2.0, 2, 1], [0.0, 0, 1], [1.0, 1, 5]])
    with pytest.raises(SingularError) as error:
        run([Lines(A, np.ones(4))], values_only(0, 0, 0))
    assert {0, 1} <= set(error.value.columns.tolist())


def test_a_pose_from_points_against_the_closed_form():
    """Kabsch's rotation (SciPy) from a start half a turn away."""
    rng = np.random.default_rng(3)
    world = rng.normal(size=(20, 3)) * 500
    T_world_body = geometry.exp(np.array([300.0, -200, 900, 0.9, -2.0, 0.7]))
    seen = geometry.apply(geometry.invert(T_world_body), world) + rng.normal(size=(20, 3)) * 0.2
    start = State(np.eye(4)[None], np.zeros(0))
    found = run([SeenPoints(world, seen, 0.2)], start)
    R, _ = scipy.spatial.transform.Rotation.align_vectors(world - world.mean(0), seen - seen.mean(0))
    assert found.converged
    np.testing.assert_allclose(found.state.poses[0, :3, :3], R.as_matrix(), atol=1e-7)
    centre = world.mean(0) - R.as_matrix() @ seen.mean(0)
    np.testing.assert_allclose(found.state.poses[0, :3, 3], centre, atol=1e-4)
    # Position of the points' centre in the body frame: u / sqrt(n) per axis, whatever the rotation.
    arm = -geometry.skew(seen.mean(0))
    J = np.concatenate([np.eye(3), arm], 1)
    cov_of_centre = J @ found.covariance @ J.T
    np.testing.assert_allclose(cov_of_centre, np.eye(3) * 0.2**2 / 20, atol=2e-6)


def test_an_absurd_trial_is_stepped_back_from():
    """A residual that is not a number beyond x = 3 must not stop the way from 2.9 to 1."""

    @dataclass(frozen=True, eq=False)
    class Logarithm:
        cause: str = "log"
        columns = np.array([[0]])

        def residuals(self, state):
            with np.errstate(invalid="ignore"):
                return np.array([[np.log(2) - np.log(3 - state.values[0])]])

        def linearise(self, state):
            return self.residuals(state), np.array([[[-1 / (3 - state.values[0])]]])

    # Newton's first step from -40 goes to 3 + 75: no number there.
    found = run([Logarithm()], values_only(-40.0))
    assert found.converged
    assert found.state.values[0] == pytest.approx(1.0, abs=1e-3)
