"""The solver against a published adjustment with all its printed figures.

115 photos, 150 free points, 9972 image points, one scale bar, inner constraints. Data and protocol of an
independent program lie beside the repository (../shared/data/bundle_published; the source is named in the
README there). Point and image lists are taken from the protocol, as it used them. Its lens model,
free points and datum live here: the solver sees residual blocks only.

The datum: six inner constraints B dx = 0 on the points (no mean shift, no mean turn). They enter as six
observations. Let E be the (n, 6) motions of the whole network, which no photo and no distance
answers to (J E = 0), chosen such that B E = I. Then with the normals N of the true observations

    (N + B'B)^-1 = Q + E E',        B Q = 0,

so the constrained covariance is Q = C - E E', exactly; and the constraints' residuals are zero at the
optimum, whatever their weight (Koch, "Parameter Estimation and Hypothesis Testing", 1999, 3.3).
"""

import gzip
import re
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import scipy.stats
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from vision import geometry
from vision.least_squares import State, redundancy_numbers, solve

DATA = Path(__file__).parents[3] / "shared" / "data" / "bundle_published"
INNER = ("Ck", "Xh", "Yh", "A1", "A2", "B1", "B2")
R0_MM = 13.488  # where the balanced distortion is zero
AFFINITY, SHEAR = -7.008010e-5, -3.126270e-5  # C1, C2: held at these values in the protocol
U_IMAGE_MM = 0.0005  # a priori; nine down-weighted points have 0.005


@dataclass(frozen=True, eq=False)
class ImagePoints:
    """Image points (n, 2) in mm of free points, by the protocol's lens model; one group each.

    With k = R_camera_world (X - X0) and the ideal point p = Ck k_xy / k_z, the image is
    h + p (1 + A1 (r^2 - r0^2) + A2 (r^4 - r0^4)) + (B1 (r^2 + 2 x^2) + 2 B2 x y + C1 x + C2 y,
    B2 (r^2 + 2 y^2) + 2 B1 x y).
    """

    columns: NDArray
    photo: NDArray
    point_values: NDArray
    inner_values: NDArray
    observed_mm: NDArray
    u_mm: NDArray
    cause: str = "image"

    def _ideal(self, state):
        T_camera_world = geometry.invert(state.poses)[self.photo]
        k = geometry.apply(T_camera_world, state.values[self.point_values][:, None])[:, 0]
        return T_camera_world[:, :3, :3], k, state.values[self.inner_values]

    def residuals(self, state):
        return self.linearise(state)[0]

    def linearise(self, state):
        R_camera_world, k, (c, hx, hy, a1, a2, b1, b2) = self._ideal(state)
        n = k[:, :2] / k[:, 2:]
        x, y = p = (c * n).T
        r2 = x * x + y * y
        balance1, balance2 = r2 - R0_MM**2, r2**2 - R0_MM**4
        radial, slope = 1 + a1 * balance1 + a2 * balance2, 2 * a1 + 4 * a2 * r2
        image = np.stack(
            [
                hx + x * radial + b1 * (r2 + 2 * x * x) + 2 * b2 * x * y + AFFINITY * x + SHEAR * y,
                hy + y * radial + b2 * (r2 + 2 * y * y) + 2 * b1 * x * y,
            ],
            1,
        )
        by_ideal = np.empty((len(x), 2, 2))
        by_ideal[:, 0, 0] = radial + slope * x * x + 6 * b1 * x + 2 * b2 * y + AFFINITY
        by_ideal[:, 0, 1] = slope * x * y + 2 * b1 * y + 2 * b2 * x + SHEAR
        by_ideal[:, 1, 0] = slope * x * y + 2 * b2 * x + 2 * b1 * y
        by_ideal[:, 1, 1] = radial + slope * y * y + 6 * b2 * y + 2 * b1 * x
        ideal_by_k = np.zeros((len(x), 2, 3))
        ideal_by_k[:, 0, 0] = ideal_by_k[:, 1, 1] = c / k[:, 2]
        ideal_by_k[:, :, 2] = -c * n / k[:, 2:]
        by_k = by_ideal @ ideal_by_k
        J = np.zeros((len(x), 2, 16))
        J[:, :, 0:3], J[:, :, 3:6] = -by_k, by_k @ geometry.skew(k)
        J[:, :, 6:9] = by_k @ R_camera_world
        J[:, :, 9] = (by_ideal @ n[..., None])[..., 0]
        J[:, 0, 10] = J[:, 1, 11] = 1
        J[:, :, 12], J[:, :, 13] = (p * balance1).T, (p * balance2).T
        J[:, 0, 14], J[:, 1, 14] = r2 + 2 * x * x, 2 * x * y
        J[:, 0, 15], J[:, 1, 15] = 2 * x * y, r2 + 2 * y * y
        return (self.observed_mm - image) / self.u_mm, J / self.u_mm[..., None]


@dataclass(frozen=True, eq=False)
class Distance:
    """One measured distance between two free points."""

    columns: NDArray
    ends: NDArray  # (2, 3) value indices
    length_mm: float
    u_mm: float
    cause: str = "scale_bars"

    def residuals(self, state):
        return self.linearise(state)[0]

    def linearise(self, state):
        d = np.diff(state.values[self.ends], axis=0)[0]
        unit = d / np.linalg.norm(d)
        J = np.concatenate([-unit, unit])[None, None] / self.u_mm
        return np.array([[(self.length_mm - np.linalg.norm(d)) / self.u_mm]]), J


@dataclass(frozen=True, eq=False)
class InnerConstraints:
    """B (x - x0) = 0 over all points, as observations with the identity as covariance."""

    columns: NDArray
    values: NDArray
    datum: NDArray
    B: NDArray
    cause: str = "datum"

    def residuals(self, state):
        return -(self.B @ (state.values[self.values] - self.datum))[None]

    def linearise(self, state):
        return self.residuals(state), self.B[None]


def turns_of(points):
    """(3n, 6) how free points answer to three shifts and three small turns about their centre."""
    local = points - points.mean(0)
    return np.concatenate([np.tile(np.eye(3), (len(points), 1, 1)), -geometry.skew(local)], 2).reshape(-1, 6)


@pytest.fixture(scope="module")
def published():
    """The protocol's figures as arrays."""
    if not DATA.is_dir():
        pytest.skip("the published adjustment (../shared/data/bundle_published) is not here")
    html = gzip.decompress((DATA / "example_report.htm.gz").read_bytes()).decode()
    text = re.sub("<[^>]*>", " ", html)
    parts = dict(zip(*[iter(re.split(r"\*\*\* +(.+?) +\*\*\*", text)[1:])] * 2, strict=True))

    def rows(part, n_used):
        """Lines of a table: those that start with a whole number and carry enough figures."""
        lines = [line.split() for line in parts[part].splitlines()]
        return np.array([r[:n_used] for r in lines if len(r) >= n_used and r[0].isdigit()], float)

    inner = dict(re.findall(r"(\w\w) +: +(\S+ +\S+)", parts["Innere Orientierungen"]))
    triangle = re.findall(rf"^(?:{'|'.join(INNER)}) +([-\d. ]+)$", parts["Innere Orientierungen"], re.M)
    outer = parts["Äussere Orientierungen"]
    return SimpleNamespace(
        inner=np.array([inner[name].split() for name in INNER], float),
        correlations=[[float(r) for r in row.split()] for row in triangle],
        photos=np.loadtxt(DATA / "example.eor", usecols=range(8)),
        points=rows("Objektpunkte", 7),
        image=rows("Bildkoordinaten", 10),
        outer=re.findall(
            r"^ +(\d+) +1 +(\S+) +(\S+) +(\S+) +(\S+) +(\S+) +(\S+) +\d+\s*$"
            r"\s+air +rad +(\S+) +(\S+) +(\S+) .*\s+(\S+) +(\S+) +(\S+) ",
            outer,
            re.M,
        ),
        outer_correlations=re.findall(r"^ +r?[xyz]((?: +-?\d\.\d+){7})\s*$", outer, re.M),
    )


@pytest.fixture(scope="module")
def problem(published):
    """Blocks and a start 2 mm, 0.004 rad, 5 mm and 1 % away."""
    n_photos, n_points = len(published.photos), len(published.points)
    first = 6 * n_photos
    index_of = {int(number): k for k, number in enumerate(published.points[:, 0])}
    point = np.array([index_of[int(number)] for number in published.image[:, 0]])
    photo = published.image[:, 1].astype(int) - 1
    point_values = np.arange(3 * n_points).reshape(-1, 3)
    inner_values = 3 * n_points + np.arange(7)
    columns = np.concatenate(
        [
            6 * photo[:, None] + np.arange(6),
            first + point_values[point],
            np.tile(first + inner_values, (len(point), 1)),
        ],
        1,
    )
    observed_mm, u_mm = published.image[:, 2:4], published.image[:, 6:8]
    image = ImagePoints(columns, photo, point_values[point], inner_values, observed_mm, u_mm)
    ends = point_values[[index_of[506], index_of[507]]]
    bar = Distance(first + ends.reshape(1, 6), ends, 1389.6880, 0.0100)
    xyz = published.points[:, 1:4]
    # Orthonormal rows, each with u = 1/1000 mm: of the network's own size, so that C - E E' keeps its digits.
    B = 1000 * np.linalg.qr(turns_of(xyz))[0].T
    datum = InnerConstraints(first + point_values.reshape(1, -1), point_values.ravel(), xyz.ravel(), B)
    rng = np.random.default_rng(3)
    R = Rotation.from_euler("XYZ", published.photos[:, 5:8]).as_matrix()
    poses = geometry.transform(R, published.photos[:, 2:5])
    poses = poses @ geometry.exp(rng.normal(size=(n_photos, 6)) * ([5] * 3 + [0.004] * 3))
    inner = published.inner[:, 0] * np.where(np.arange(7) == 0, 1.01, 0)
    values = np.concatenate([(xyz + rng.normal(size=xyz.shape) * 2).ravel(), inner])
    return SimpleNamespace(blocks=(image, bar, datum), start=State(poses, values), first=first)


@pytest.fixture(scope="module")
def found(problem):
    """The solution with the covariance of the inner constraints, scaled by s0^2."""
    held = np.zeros(problem.start.n_columns, bool)
    solution = solve(problem.blocks, problem.start, held=held, resect=np.array([], int), decrement_limit=1e-8)
    image, _, datum = problem.blocks
    state = solution.state
    n_poses = len(state.poses)
    xyz = state.values[:-7].reshape(-1, 3)
    # Cameras of a network that moves with its points: T_world_camera -> exp(m) T_world_camera.
    R_camera_world = np.swapaxes(state.poses[:, :3, :3], 1, 2)
    arm = state.poses[:, :3, 3] - xyz.mean(0)
    motions = np.zeros((state.n_columns, 6))
    of_poses = motions[: 6 * n_poses].reshape(n_poses, 6, 6)
    of_poses[:, :3, :3] = of_poses[:, 3:, 3:] = R_camera_world
    of_poses[:, :3, 3:] = -R_camera_world @ geometry.skew(arm)
    motions[problem.first : -7] = turns_of(xyz)
    E = motions @ np.linalg.inv(datum.B @ motions[problem.first : -7])
    Q = solution.covariance - E @ E.T
    n_observations = image.observed_mm.size + 1
    redundancy = n_observations - state.n_columns + 6
    factor = solution.cost / redundancy
    return SimpleNamespace(
        solution=replace(solution, covariance=Q), plain=solution, motions=motions,
        s0_mm=U_IMAGE_MM * np.sqrt(factor), redundancy=redundancy, n_observations=n_observations,
        covariance=Q * factor, xyz=xyz, inner=state.values[-7:],
    )  # fmt: skip


def test_counts(found):
    assert (found.n_observations, found.solution.state.n_columns, found.redundancy) == (19945, 1147, 18804)


def test_converges_from_afar(found):
    assert found.solution.converged and found.solution.n_iterations <= 7


def test_no_observation_answers_to_a_motion_of_the_whole(found, problem):
    """J E = 0, on which the datum's algebra rests."""
    for block in problem.blocks[:2]:
        _, J = block.linearise(found.solution.state)
        # 1 mm or 1/1000 rad moves an image point by some 0.02 mm, forty u.
        assert np.abs(J @ found.motions[block.columns]).max() < 1e-6


def test_the_constraints_hold_and_cost_nothing(found, problem):
    assert np.abs(problem.blocks[2].residuals(found.solution.state)).max() < 1e-6
    B = problem.blocks[2].B
    assert np.abs(B @ found.solution.covariance[problem.first : -7, problem.first : -7]).max() < 1e-9


def test_standard_deviation_of_unit_weight(found):
    assert found.s0_mm == pytest.approx(0.000405, abs=5e-7)


def test_inner_orientation_to_the_printed_digits(found, published):
    u = np.sqrt(np.diag(found.covariance)[-7:])
    # Printed to 7 digits (Ck: 1e-5); the protocol stopped its iteration at a change of 1e-6, some 1e-3 u.
    half_digit = np.where(np.arange(7) == 0, 5e-6, 0)
    assert np.all(np.abs(found.inner - published.inner[:, 0]) < 2e-3 * published.inner[:, 1] + half_digit)
    np.testing.assert_allclose(u, published.inner[:, 1], rtol=1e-5)


def test_correlations_of_the_inner_orientation(found, published):
    C = found.covariance[-7:, -7:]
    u = np.sqrt(np.diag(C))
    assert len(published.correlations) == 7
    for i, row in enumerate(published.correlations):
        np.testing.assert_allclose((C / u / u[:, None])[i, : i + 1], row, atol=0.0006)


def test_coordinates_of_150_points(found, published):
    assert np.abs(found.xyz - published.points[:, 1:4]).max() < 0.0001


def test_standard_deviations_of_150_points(found, published, problem):
    u = np.sqrt(np.diag(found.covariance)[problem.first : -7]).reshape(-1, 3)
    assert np.abs(u - published.points[:, 4:7]).max() < 0.000055  # printed to 0.0001
    np.testing.assert_allclose(np.sqrt((u**2).mean(0)), [0.003180, 0.003678, 0.003098], atol=6e-7)


def camera_in_world(found, k):
    """Photo k's position and turn, in the object frame: u (6,) and covariance with all unknowns (6, n)."""
    turn = np.kron(np.eye(2), found.solution.state.poses[k, :3, :3])
    rows = turn @ found.covariance[6 * k : 6 * k + 6]
    return np.sqrt(np.diag(rows[:, 6 * k : 6 * k + 6] @ turn.T)), rows


def test_photos_positions_and_turns(found, published):
    """The protocol's srx, sry, srz are those of its rotation parameters, twice the turn about x, y, z.

    Its sO, sP, sK are left out: they do not follow from these (photo 6 is given an sK of zero).
    """
    assert len(published.outer) == 115
    for k, row in enumerate(np.array(published.outer, float)):
        pose = found.solution.state.poses[k]
        u, _ = camera_in_world(found, k)
        np.testing.assert_allclose(pose[:3, 3], row[1:4], atol=6e-4)
        np.testing.assert_allclose(Rotation.from_matrix(pose[:3, :3]).as_euler("XYZ"), row[7:10], atol=1e-6)
        np.testing.assert_allclose(u[:3], row[4:7], atol=6e-5)
        np.testing.assert_allclose(2 * u[3:], row[10:13], atol=6e-7)


def test_correlations_of_photos_with_the_inner_orientation(found, published):
    printed = np.array([row.split() for row in published.outer_correlations], float).reshape(115, 6, 7)
    u_inner = np.sqrt(np.diag(found.covariance)[-7:])
    for k, table in enumerate(printed):
        u, rows = camera_in_world(found, k)
        np.testing.assert_allclose(rows[:, -7:] / u[:, None] / u_inner, table, atol=0.0015)


def test_19944_redundancy_numbers(found, published, problem):
    r = redundancy_numbers(problem.blocks[0], found.solution)
    assert np.abs(r - published.image[:, 8:10]).max() < 0.0051  # printed to 0.01
    total = r.sum() + redundancy_numbers(problem.blocks[1], found.solution).sum()
    assert total == pytest.approx(18804, abs=1e-4)
    # The datum is free to choose: no redundancy number depends on it.
    np.testing.assert_allclose(redundancy_numbers(problem.blocks[0], found.plain), r, atol=1e-8)


def test_residuals(found, published, problem):
    image = problem.blocks[0]
    v_mm = -image.residuals(found.solution.state) * image.u_mm  # printed: computed - observed
    assert np.abs(v_mm - published.image[:, 4:6]).max() < 2e-6


def test_limit_of_the_outlier_test(published):
    """Pope's tau at 5 % over all n observations: printed as 4.706214."""
    n, dof = published.image[:, 4:6].size + 1, 18804
    t = scipy.stats.t.isf(0.05 / n / 2, dof - 1)
    assert np.sqrt(dof) * t / np.sqrt(dof - 1 + t * t) == pytest.approx(4.706214, abs=3e-4)
