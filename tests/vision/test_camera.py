import cv2
import numpy as np

from vision.camera import project, project_with_jacobians, unproject

LENS = np.array([3000.0, 2010.0, 1490.0, 0.05, -0.1, 4e-4, -3e-4, 0.06, 1e-4])


def some_points(n=40):
    rng = np.random.default_rng(3)
    return np.c_[rng.uniform(-1500, 1500, n), rng.uniform(-1000, 1000, n), rng.uniform(2500, 6000, n)]


def test_agrees_with_opencv():
    X = some_points()
    K = np.array([[LENS[0], 0, LENS[1]], [0, LENS[0] * (1 + LENS[8]), LENS[2]], [0, 0, 1]])
    expected, _ = cv2.projectPoints(X, np.zeros(3), np.zeros(3), K, LENS[3:8])
    np.testing.assert_allclose(project(X, LENS), expected[:, 0], atol=1e-8)


def test_jacobians_agree_with_differences():
    X = some_points()
    at = project_with_jacobians(X, LENS)
    np.testing.assert_allclose(at.points_px, project(X, LENS), atol=1e-10)
    for k in range(3):
        d = np.zeros(3)
        d[k] = 1e-2
        numeric = (project(X + d, LENS) - project(X - d, LENS)) / 2e-2
        np.testing.assert_allclose(at.J_point[..., k], numeric, atol=1e-6)
    for k in range(9):
        step = 1e-6 * max(1.0, abs(LENS[k]))
        d = np.zeros(9)
        d[k] = step
        numeric = (project(X, LENS + d) - project(X, LENS - d)) / (2 * step)
        np.testing.assert_allclose(at.J_lens[..., k], numeric, atol=1e-4, rtol=1e-6)


def test_unproject_takes_project_back():
    X = some_points()
    np.testing.assert_allclose(unproject(project(X, LENS), LENS)[:, :2], X[:, :2] / X[:, 2:], atol=1e-12)


def test_a_pixel_beyond_the_fold_has_no_direction():
    folded = LENS.copy()
    folded[3:8] = [-0.5, 0, 0, 0, 0]
    assert np.isnan(unproject(np.array([9000.0, 1500.0]), folded)).any()
