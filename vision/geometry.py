"""Rigid transforms and their tangents. Every function takes leading batch dimensions.

`T_a_b` (..., 4, 4) maps coordinates in frame b to frame a. A pose's tangent is three mm, then three
rad, in the last-named frame: `T_a_b @ exp(xi)`. Translation and rotation are not mixed:
`exp(xi)` has the rotation exp(xi[3:]) and the translation xi[:3], so that a kit's "per axis"
uncertainties of position and rotation are exactly the tangent's.
"""

import numpy as np
from numpy.typing import NDArray


def skew(v: NDArray) -> NDArray:
    """The matrix (..., 3, 3) with skew(v) @ x = cross(v, x)."""
    v = np.asarray(v, float)
    out = np.zeros((*v.shape[:-1], 3, 3))
    out[..., 0, 1], out[..., 0, 2], out[..., 1, 2] = -v[..., 2], v[..., 1], -v[..., 0]
    out[..., 1, 0], out[..., 2, 0], out[..., 2, 1] = v[..., 2], -v[..., 1], v[..., 0]
    return out


def rotation_exp(w_rad: NDArray) -> NDArray:
    """Rotation matrix of a rotation vector (..., 3): Rodrigues' formula."""
    w = np.asarray(w_rad, float)
    angle = np.linalg.norm(w, axis=-1)[..., None, None]
    K = skew(w)
    small = angle < 1e-4
    safe = np.where(small, 1.0, angle)
    # Below 1e-4 rad the series' next terms are under 1e-18.
    a = np.where(small, 1 - angle**2 / 6, np.sin(safe) / safe)
    b = np.where(small, 0.5 - angle**2 / 24, (1 - np.cos(safe)) / safe**2)
    return np.eye(3) + a * K + b * (K @ K)


def rotation_log(R: NDArray) -> NDArray:
    """Rotation vector (..., 3), length in 0..pi rad, of a rotation matrix.

    By way of the unit quaternion with the largest component first, which is exact at half a turn too.
    """
    R = np.asarray(R, float)
    m00, m11, m22 = R[..., 0, 0], R[..., 1, 1], R[..., 2, 2]
    d21, d02, d10 = R[..., 2, 1] - R[..., 1, 2], R[..., 0, 2] - R[..., 2, 0], R[..., 1, 0] - R[..., 0, 1]
    s01, s02, s12 = R[..., 0, 1] + R[..., 1, 0], R[..., 0, 2] + R[..., 2, 0], R[..., 1, 2] + R[..., 2, 1]
    rows = np.stack(
        [
            np.stack([1 + m00 + m11 + m22, d21, d02, d10], -1),
            np.stack([d21, 1 + m00 - m11 - m22, s01, s02], -1),
            np.stack([d02, s01, 1 - m00 + m11 - m22, s12], -1),
            np.stack([d10, s02, s12, 1 - m00 - m11 + m22], -1),
        ],
        -2,
    )
    best = np.argmax(np.linalg.norm(rows, axis=-1), axis=-1)
    q = np.take_along_axis(rows, best[..., None, None], axis=-2)[..., 0, :]
    q = q / np.linalg.norm(q, axis=-1, keepdims=True)
    q = np.where(q[..., :1] < 0, -q, q)
    sine = np.linalg.norm(q[..., 1:], axis=-1, keepdims=True)
    angle = 2 * np.arctan2(sine, q[..., :1])
    return q[..., 1:] * np.where(sine < 1e-12, 2.0, angle / np.maximum(sine, 1e-300))


def transform(R: NDArray, t: NDArray) -> NDArray:
    """T (..., 4, 4) of rotation (..., 3, 3) and translation (..., 3)."""
    R, t = np.asarray(R, float), np.asarray(t, float)
    out = np.zeros((*np.broadcast_shapes(R.shape[:-2], t.shape[:-1]), 4, 4))
    out[..., :3, :3], out[..., :3, 3], out[..., 3, 3] = R, t, 1.0
    return out


def exp(xi: NDArray) -> NDArray:
    """T (..., 4, 4) of a tangent (..., 6): three mm, then three rad."""
    xi = np.asarray(xi, float)
    return transform(rotation_exp(xi[..., 3:]), xi[..., :3])


def log(T: NDArray) -> NDArray:
    """The tangent (..., 6) of T: the inverse of exp."""
    return np.concatenate([T[..., :3, 3], rotation_log(T[..., :3, :3])], -1)


def invert(T_a_b: NDArray) -> NDArray:
    """T_b_a, by the transpose of the rotation."""
    R_b_a = np.swapaxes(T_a_b[..., :3, :3], -1, -2)
    return transform(R_b_a, -(R_b_a @ T_a_b[..., :3, 3:])[..., 0])


def apply(T_a_b: NDArray, points_in_b: NDArray) -> NDArray:
    """Points (..., n, 3) of frame b, in frame a."""
    return points_in_b @ np.swapaxes(T_a_b[..., :3, :3], -1, -2) + T_a_b[..., None, :3, 3]


def adjoint(T_a_b: NDArray) -> NDArray:
    """(..., 6, 6) by which a tangent of frame b, of one rigid body with frame a, is a tangent of frame a.

    (v, w) about b's origin is (R v + t x R w, R w) about a's.
    """
    R, t = T_a_b[..., :3, :3], T_a_b[..., :3, 3]
    out = np.zeros((*T_a_b.shape[:-2], 6, 6))
    out[..., :3, :3] = out[..., 3:, 3:] = R
    out[..., :3, 3:] = skew(t) @ R
    return out


def rotation_log_jacobian_inverse(w_rad: NDArray) -> NDArray:
    """d log(R exp(d)) / dd at d = 0, (..., 3, 3), for R = exp(w): the inverse right Jacobian of SO(3).

    Source: Sola, Deray, Atchuthan, "A micro Lie theory" (2018), eq. 144.
    """
    w = np.asarray(w_rad, float)
    angle = np.linalg.norm(w, axis=-1)[..., None, None]
    K = skew(w)
    small = angle < 1e-3
    safe = np.where(small, 1.0, angle)
    c = np.where(small, 1 / 12 + angle**2 / 720, 1 / safe**2 - (1 + np.cos(safe)) / (2 * safe * np.sin(safe)))
    return np.eye(3) + 0.5 * K + c * (K @ K)


def rz_ry_rx(yaw_rad: NDArray, pitch_rad: NDArray, roll_rad: NDArray) -> NDArray:
    """Rz(yaw) @ Ry(pitch) @ Rx(roll), each right-handed about its axis (MEASUREMENT.md)."""

    def about(axis: int, angle: NDArray) -> NDArray:
        return rotation_exp(np.asarray(angle, float)[..., None] * np.eye(3)[axis])

    return about(2, yaw_rad) @ about(1, pitch_rad) @ about(0, roll_rad)


def yaw_pitch_roll(R: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """The angles of R = Rz(yaw) @ Ry(pitch) @ Rx(roll), in rad; pitch within +-pi/2."""
    yaw = np.arctan2(R[..., 1, 0], R[..., 0, 0])
    pitch = np.arctan2(-R[..., 2, 0], np.hypot(R[..., 0, 0], R[..., 1, 0]))
    roll = np.arctan2(R[..., 2, 1], R[..., 2, 2])
    return yaw, pitch, roll
