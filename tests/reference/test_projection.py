"""Pinhole projection, Brown's distortion and Rodrigues' formula against numbers from elsewhere.

By hand; the permutation matrix of a third of a turn about (1, 1, 1), and half a turn (any textbook); a
plane's homography K [r1 r2 t] by hand; nine camera poses with OpenCV's numbers (checks.json, PROJECT).
"""

import numpy as np
import pytest

from vision import camera, geometry
from vision.homography import map_points

IDEAL = np.array([1000, 640, 360, 0, 0, 0, 0, 0, 0.0])


def test_one_point_by_hand():
    # r2 = 0.05, radial factor 0.99025; x: 99.025 + 0.04 - 0.14, y: 198.05 + 0.13 - 0.08.
    lens = np.array([1000, 640, 360, -0.2, 0.1, 0.001, -0.002, 0.0, 0.0])
    np.testing.assert_allclose(camera.project(np.array([0.1, 0.2, 1.0]), lens), [738.925, 558.100], atol=1e-9)


ROTATIONS = [
    ([0, 0, np.pi / 2], [[0, -1, 0], [1, 0, 0], [0, 0, 1]]),
    ([1.2091995761561452] * 3, [[0, 0, 1], [1, 0, 0], [0, 1, 0]]),
    ([np.pi, 0, 0], [[1, 0, 0], [0, -1, 0], [0, 0, -1]]),
]


@pytest.mark.parametrize(("w_rad", "R"), ROTATIONS)
def test_rotation_vectors(w_rad, R):
    np.testing.assert_allclose(geometry.rotation_exp(np.array(w_rad)), R, atol=1e-12)
    back = geometry.rotation_log(np.array(R, float))
    # Half a turn has two rotation vectors.
    assert min(np.abs(back - w_rad).max(), np.abs(back + w_rad).max()) < 1e-9


def test_a_board_turned_by_30_degrees_through_its_homography():
    # K [r1 r2 t], yaw 30 degrees about the vertical, 2 m away.
    H = np.array([[273.0127018922, 0, 690], [-90, 500, 335], [-0.25, 0, 1]])
    T_camera_board = geometry.exp(np.array([0.1, -0.05, 2, 0, np.pi / 6, 0]))
    board = np.array([[0, 0, 0], [0.3, 0.1, 0], [-0.3, 0.2, 0], [0.05, -0.4, 0.0]])
    px = camera.project(geometry.apply(T_camera_board, board), IDEAL)
    np.testing.assert_allclose(px, map_points(H, board[:, :2]), atol=1e-7)


def test_nine_cameras_of_the_check_file(checks):
    check = checks["PROJECT"]
    points = np.array(check["inputs"]["points"])
    for name, case in check["inputs"]["cases"].items():
        T_camera_world = geometry.transform(geometry.rotation_exp(np.array(case["rvec"])), case["tvec"])
        (fx, fy), distortion = case["f"], case["k1_k2_p1_p2_k3"]
        lens = np.array([fx, *case["c"], *distortion, fy / fx - 1])
        px = camera.project(geometry.apply(T_camera_world, points), lens)
        np.testing.assert_allclose(px, check["expected"][name], atol=check["tolerance"], err_msg=name)
