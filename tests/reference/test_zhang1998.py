"""Our lens model and the solver against the calibration that Zhang published with his method.

Z. Zhang, "A flexible new technique for camera calibration", MSR-TR-98-71 (1998): five photos of a plane
with 64 squares, 256 corners; two radial terms and a skew. The skew lives here. Estimates to the
published digits; standard deviations as recomputed in ../shared/data/SOURCES.md.
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
from vision.least_squares import State, solve

DATA = Path(__file__).parents[3] / "shared" / "data" / "zhang1998"
SKEW = N_LENS  # value index: the nine of the lens, then the skew


@dataclass(frozen=True, eq=False)
class Corners:
    """Corners (P, n, 2) of a plane with known corners (n, 3) in photos, one group each; u = 1 px.

    With a skew c the image is u = f x' + c y' + cx: c y' = c (v - cy) / fy on top of our model.
    """

    model_inch: NDArray
    observed_px: NDArray
    cause: str = "image"

    @property
    def columns(self):
        P = len(self.observed_px)
        return np.concatenate(
            [np.arange(6 * P).reshape(P, 6), np.tile(6 * P + np.arange(SKEW + 1), (P, 1))], 1
        )

    def residuals(self, state):
        return self.linearise(state)[0]

    def linearise(self, state):
        lens, skew = state.values[:N_LENS], state.values[SKEW]
        fy = lens[0] * (1 + lens[8])
        in_camera = geometry.apply(geometry.invert(state.poses), self.model_inch)
        at = project_with_jacobians(in_camera, lens)
        y = (at.points_px[..., 1] - lens[2]) / fy
        J_point, J_lens = at.J_point.copy(), at.J_lens.copy()
        J_point[..., 0, :] += skew / fy * at.J_point[..., 1, :]
        J_lens[..., 0, 3:8] += skew / fy * at.J_lens[..., 1, 3:8]
        J_skew = np.stack([y, np.zeros_like(y)], -1)[..., None]
        J = np.concatenate([-J_point, J_point @ geometry.skew(in_camera), J_lens, J_skew], -1)
        computed = at.points_px + skew * J_skew[..., 0]
        P = len(J)
        return (self.observed_px - computed).reshape(P, -1), J.reshape(P, -1, J.shape[-1])


@pytest.fixture(scope="module")
def found():
    if not DATA.is_dir():
        pytest.skip("Zhang's data (../shared/data/zhang1998) are not here")
    plane = np.loadtxt(DATA / "Model.txt").reshape(-1, 2)
    pixels = np.stack([np.loadtxt(DATA / f"data{k}.txt").reshape(-1, 2) for k in range(1, 6)])
    model = np.c_[plane, np.zeros(len(plane))]
    # A start from the photos' size alone (640 x 480), f equal to the longer side.
    lens = np.array([640.0, 319.5, 239.5, 0, 0, 0, 0, 0, 0])
    K = np.array([[lens[0], 0, lens[1]], [0, lens[0], lens[2]], [0, 0, 1]])
    poses = []
    for seen in pixels:
        _, w, t = cv2.solvePnP(model, seen, K, None, flags=cv2.SOLVEPNP_IPPE)
        poses.append(geometry.invert(geometry.transform(geometry.rotation_exp(w[:, 0]), t[:, 0])))
    start = State(np.stack(poses), np.append(lens, 0.0))
    held = np.zeros(start.n_columns, bool)
    held[30 + np.array([5, 6, 7])] = True  # p1, p2, k3 are not in his model
    solution = solve([Corners(model, pixels)], start, held=held, resect=np.arange(5))
    s2 = solution.cost / (pixels.size - (~held).sum())
    return SimpleNamespace(
        solution=solution, lens=solution.state.values, cov=s2 * solution.covariance[30:, 30:]
    )


def test_converges_from_the_size_of_the_photos_alone(found):
    assert found.solution.converged


def test_published_estimates(found):
    f, u0, v0, k1, k2, *_, aspect, skew = found.lens
    published = [832.5, 0.204494, 832.53, 303.959, 206.585]
    np.testing.assert_allclose([f, skew, f * (1 + aspect), u0, v0], published, atol=1e-3)
    np.testing.assert_allclose([k1, k2], [-0.228601, 0.190353], atol=5e-6)


def test_sum_of_squares(found):
    assert found.solution.cost == pytest.approx(144.8803, abs=5e-4)


def test_standard_deviations(found):
    """a, skew, b, u0, v0, k1, k2; b = f (1 + aspect)."""
    f, aspect = found.lens[0], found.lens[8]
    J = np.zeros((7, SKEW + 1))
    J[0, 0] = J[1, SKEW] = J[3, 1] = J[4, 2] = J[5, 3] = J[6, 4] = 1
    J[2, 0], J[2, 8] = 1 + aspect, f
    sd = np.sqrt(np.diag(J @ found.cov @ J.T))
    np.testing.assert_allclose(sd, [1.407, 0.0783, 1.386, 0.712, 0.659, 0.0041, 0.0249], rtol=0.01)
