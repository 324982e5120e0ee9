import numpy as np
import pytest

from vision import geometry as g


def numeric(f, x, step=1e-6):
    return np.stack([(f(x + d) - f(x - d)) / (2 * step) for d in step * np.eye(len(x))], -1)


@pytest.mark.parametrize("angle", [0.0, 1e-9, 1e-5, 1e-3, 0.5, 3.0, np.pi - 1e-7, np.pi])
def test_log_takes_exp_back(angle):
    rng = np.random.default_rng(1)
    axis = rng.normal(size=3)
    w = angle * axis / np.linalg.norm(axis)
    back = g.rotation_log(g.rotation_exp(w))
    # At exactly half a turn both signs are right.
    assert min(np.abs(back - w).max(), np.abs(back + w).max() if angle > 3.14 else 9) < 1e-8


def test_a_third_of_a_turn_about_the_diagonal_permutes_the_axes():
    w = 2 * np.pi / 3 * np.ones(3) / np.sqrt(3)
    np.testing.assert_allclose(g.rotation_exp(w), [[0, 0, 1], [1, 0, 0], [0, 1, 0]], atol=1e-15)


def test_transforms_chain_and_invert():
    rng = np.random.default_rng(2)
    T = g.exp(rng.normal(size=(5, 6)))
    np.testing.assert_allclose(g.invert(T) @ T, np.broadcast_to(np.eye(4), (5, 4, 4)), atol=1e-14)
    p = rng.normal(size=(5, 7, 3))
    np.testing.assert_allclose(g.apply(g.invert(T), g.apply(T, p)), p, atol=1e-13)


def test_inverse_right_jacobian_agrees_with_differences():
    w = np.array([0.4, -1.1, 0.7])
    R = g.rotation_exp(w)
    got = numeric(lambda d: g.rotation_log(R @ g.rotation_exp(d)), np.zeros(3))
    np.testing.assert_allclose(g.rotation_log_jacobian_inverse(w), got, atol=1e-8)


def test_angles_come_back_from_their_rotation():
    angles = np.array([0.3, -0.2, 2.9])
    np.testing.assert_allclose(g.yaw_pitch_roll(g.rz_ry_rx(*angles)), angles, atol=1e-14)


def test_positive_yaw_turns_the_x_axis_to_the_left():
    np.testing.assert_allclose(g.rz_ry_rx(np.pi / 2, 0, 0)[:, 0], [0, 1, 0], atol=1e-15)


def test_positive_pitch_makes_the_face_look_up():
    # The target faces along -x of its own frame (MEASUREMENT.md).
    face = g.rz_ry_rx(0, np.radians(10), 0) @ [-1, 0, 0]
    assert face[2] > 0
