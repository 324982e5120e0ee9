"""Free points, our lens and the solver against a published camera calibration with full covariance.

21 photos of a sheet with 100 targets, four of them fixed; image points of u = 0.1 px. The forward
(computer vision) lens model is ours with the aspect held. Expected: the protocol of the Damped Bundle
Adjustment Toolbox, `report_forward_model.txt` in ../shared/data/dbat_camcal; figures with more digits
and tolerances from ../shared/data/SOURCES.md.
"""

from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from vision import geometry
from vision.camera import N_LENS, project_with_jacobians
from vision.least_squares import State, redundancy_numbers, solve

DATA = Path(__file__).parents[3] / "shared" / "data" / "dbat_camcal"
U_PX = 0.1
MM_PER_PX = 0.0031911
SIZE_PX = (2272, 1704)


@dataclass(frozen=True, eq=False)
class ImagePoints:
    """Image points (n, 2) in px of points that are values themselves; one group each."""

    columns: NDArray
    photo: NDArray
    point_values: NDArray
    lens_values: NDArray
    observed_px: NDArray
    cause: str = "image"

    def residuals(self, state):
        return self.linearise(state)[0]

    def linearise(self, state):
        T_camera_world = geometry.invert(state.poses)[self.photo]
        in_camera = geometry.apply(T_camera_world, state.values[self.point_values][:, None])[:, 0]
        at = project_with_jacobians(in_camera, state.values[self.lens_values])
        J = np.concatenate(
            [
                -at.J_point,
                at.J_point @ geometry.skew(in_camera),
                at.J_point @ T_camera_world[:, :3, :3],
                at.J_lens,
            ],
            2,
        )
        return (self.observed_px - at.points_px) / U_PX, J / U_PX


@pytest.fixture(scope="module")
def found():
    """The calibration from the four fixed points and a focal length 5 % off, without distortion."""
    if not DATA.is_dir():
        pytest.skip("the published calibration (../shared/data/dbat_camcal) is not here")
    marks = np.genfromtxt(DATA / "markpts.txt", delimiter=",")
    control = np.genfromtxt(DATA / "camcal-fixed.txt", delimiter=",", usecols=(0, 2, 3, 4))
    numbers, point = np.unique(marks[:, 1].astype(int), return_inverse=True)
    photo = np.unique(marks[:, 0].astype(int), return_inverse=True)[1]
    pixels = marks[:, 2:4]
    control_mm = {int(row[0]): 1000 * row[1:] for row in control}
    lens = np.array([2336.96 * 1.05, (SIZE_PX[0] - 1) / 2, (SIZE_PX[1] - 1) / 2, 0, 0, 0, 0, 0, 0])
    poses, seen = start_poses(photo, numbers[point], pixels, control_mm, lens)
    xyz = np.stack([control_mm.get(n, np.mean(seen[n], axis=0)) for n in numbers])

    n_poses, n_points = len(poses), len(xyz)
    point_values = np.arange(3 * n_points).reshape(-1, 3)
    lens_values = 3 * n_points + np.arange(N_LENS)
    columns = np.concatenate(
        [
            6 * photo[:, None] + np.arange(6),
            6 * n_poses + point_values[point],
            np.tile(6 * n_poses + lens_values, (len(point), 1)),
        ],
        1,
    )
    block = ImagePoints(columns, photo, point_values[point], lens_values, pixels)
    state = State(poses, np.concatenate([xyz.ravel(), lens]))
    held = np.zeros(state.n_columns, bool)
    held[-1] = True  # the aspect
    held[6 * n_poses + point_values[[n in control_mm for n in numbers]].ravel()] = True
    solution = solve([block], state, held=held, resect=np.arange(n_poses))
    redundancy = pixels.size - int((~held).sum())
    s0 = np.sqrt(solution.cost / redundancy)
    u = s0 * np.sqrt(np.diag(solution.covariance))
    return SimpleNamespace(
        block=block,
        solution=solution,
        n_unknowns=int((~held).sum()),
        redundancy=redundancy,
        s0=s0,
        lens=solution.state.values[lens_values],
        u_lens=u[-N_LENS:],
        u_points_mm=u[6 * n_poses : -N_LENS].reshape(-1, 3),
    )


def start_poses(photo, number, pixels, control_mm, lens):
    """Cameras from the four fixed points, and every other point where its rays meet the sheet's plane."""
    poses, seen = [], {}
    K = np.array([[lens[0], 0, lens[1]], [0, lens[0], lens[2]], [0, 0, 1]])
    for k in range(photo.max() + 1):
        mine = photo == k
        fixed = np.flatnonzero(mine & np.isin(number, list(control_mm)))
        world = np.stack([control_mm[n] for n in number[fixed]])
        _, w, t = cv2.solvePnP(world, pixels[fixed], K, None, flags=cv2.SOLVEPNP_IPPE)
        T_camera_world = geometry.transform(geometry.rotation_exp(w[:, 0]), t[:, 0])
        poses.append(geometry.invert(T_camera_world))
        to_sheet = np.linalg.inv(K @ T_camera_world[:3, [0, 1, 3]])
        on_sheet = np.c_[pixels[mine], np.ones(mine.sum())] @ to_sheet.T
        for n, (x, y, z) in zip(number[mine], on_sheet, strict=True):
            seen.setdefault(n, []).append([x / z, y / z, 0.0])
    return np.stack(poses), seen


def test_counts(found):
    assert found.solution.converged
    assert (found.n_unknowns, found.block.observed_px.size, found.redundancy) == (422, 4148, 3726)


def test_standard_deviation_of_unit_weight(found):
    assert U_PX * found.s0 == pytest.approx(0.162168, abs=1e-6)
    # The protocol's last error is the root of the weighted sum of squares.
    assert np.sqrt(found.solution.cost) == pytest.approx(98.989, abs=1e-3)


def test_focal_length_and_principal_point(found):
    """Printed 7.45748, 3.61634, 2.60757 mm; deviations 0.00107, 0.000866, 0.000986 mm."""
    f, cx, cy = found.lens[:3]
    assert f == pytest.approx(2336.9604, abs=0.01)
    assert f * MM_PER_PX == pytest.approx(7.45748, abs=3e-5)
    assert cx * MM_PER_PX == pytest.approx(3.61634, abs=2e-5)
    assert cy * MM_PER_PX == pytest.approx(2.60757, abs=2e-5)
    np.testing.assert_allclose(found.u_lens[:3] * MM_PER_PX, [0.00107, 0.000866, 0.000986], rtol=0.01)


def test_distortion(found):
    """Printed per mm on the sensor (K1 = k1 / f^2), as corrections; their P1 is our p2, their y is up."""
    terms, powers = np.array([3, 4, 7, 6, 5]), np.array([2, 4, 6, 1, 1])
    f_mm, k = found.lens[0] * MM_PER_PX, found.lens[terms]
    J = np.zeros((5, N_LENS))
    J[np.arange(5), terms] = f_mm**-powers
    J[:, 0] = -powers * k * f_mm ** -(powers + 1.0) * MM_PER_PX
    cov = found.s0**2 * J @ found.solution.covariance[-N_LENS:, -N_LENS:] @ J.T
    printed = [0.00453336, -9.80889e-5, 1.82929e-7, -5.69267e-5, 2.75179e-5]
    np.testing.assert_allclose(-k / f_mm**powers, printed, rtol=2e-5)
    np.testing.assert_allclose(np.sqrt(np.diag(cov)), [1.84e-5, 2.03e-6, 7e-8, 3.13e-6, 3.5e-6], rtol=0.01)


def test_largest_uncertainties_of_the_points(found):
    assert found.u_points_mm.max(0) == pytest.approx([0.0532, 0.0560, 0.0898], rel=0.01)


def test_redundancy_numbers_add_up(found):
    assert redundancy_numbers(found.block, found.solution).sum() == pytest.approx(3726, abs=1e-6)
