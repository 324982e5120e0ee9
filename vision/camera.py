"""The lens: pinhole with Brown's distortion, as a vector of nine numbers.

Order: f, cx, cy, k1, k2, p1, p2, k3, aspect. f, cx, cy in pixels; aspect = fy / fx - 1, near 0, for a
sensor's pixels are square to about 1e-4. Distortion in the form of OpenCV's calibration module
(Brown, "Close-range camera calibration", 1971): with x = X/Z, y = Y/Z, r2 = x^2 + y^2,

    x' = x (1 + k1 r2 + k2 r2^2 + k3 r2^3) + 2 p1 x y + p2 (r2 + 2 x^2)
    y' = y (1 + k1 r2 + k2 r2^2 + k3 r2^3) + p1 (r2 + 2 y^2) + 2 p2 x y
    u  = f x' + cx,   v = f (1 + aspect) y' + cy
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

LENS_KEYS = ("f_px", "cx_px", "cy_px", "k1", "k2", "p1", "p2", "k3", "aspect")
N_LENS = len(LENS_KEYS)


@dataclass(frozen=True, eq=False)
class Projection:
    """Where points are imaged, and how that answers to point and lens.

    Attributes:
        points_px: (..., 2).
        J_point: (..., 2, 3), px per mm of the point in the camera frame.
        J_lens: (..., 2, 9), per unit of the lens vector.
    """

    points_px: NDArray
    J_point: NDArray
    J_lens: NDArray


def _distort(x: NDArray, y: NDArray, lens: NDArray) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    """x', y', the radial factor and r2."""
    _, _, _, k1, k2, p1, p2, k3, _ = np.moveaxis(lens, -1, 0)
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    xd = x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x)
    yd = y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y
    return xd, yd, radial, r2


def project(points_in_camera_mm: NDArray, lens: NDArray) -> NDArray:
    """Pixels (..., 2) of points (..., 3) in front of the camera; `lens` (..., 9) broadcasts."""
    X = np.asarray(points_in_camera_mm, float)
    lens = np.asarray(lens, float)
    xd, yd, _, _ = _distort(X[..., 0] / X[..., 2], X[..., 1] / X[..., 2], lens)
    f, aspect = lens[..., 0], lens[..., 8]
    return np.stack([f * xd + lens[..., 1], f * (1 + aspect) * yd + lens[..., 2]], -1)


def project_with_jacobians(points_in_camera_mm: NDArray, lens: NDArray) -> Projection:
    """As `project`, with the derivatives by point and lens."""
    X = np.asarray(points_in_camera_mm, float)
    lens = np.asarray(lens, float)
    z = X[..., 2]
    x, y = X[..., 0] / z, X[..., 1] / z
    f, _, _, k1, k2, p1, p2, k3, aspect = np.moveaxis(lens, -1, 0)
    fy = f * (1 + aspect)
    xd, yd, radial, r2 = _distort(x, y, lens)
    slope = 2 * (k1 + r2 * (2 * k2 + 3 * k3 * r2))  # d radial / dx = slope * x
    xx = radial + slope * x * x + 2 * p1 * y + 6 * p2 * x
    xy = slope * x * y + 2 * p1 * x + 2 * p2 * y
    yy = radial + slope * y * y + 6 * p1 * y + 2 * p2 * x

    # In memory the components come first: whole arrays of points are then written and read in one go.
    J_point = np.empty((2, 3, *x.shape))
    J_point[0, 0], J_point[0, 1] = f * xx / z, f * xy / z
    J_point[0, 2] = -f * (xx * x + xy * y) / z
    J_point[1, 0], J_point[1, 1] = fy * xy / z, fy * yy / z
    J_point[1, 2] = -fy * (xy * x + yy * y) / z

    J_lens = np.zeros((2, N_LENS, *x.shape))
    J_lens[0, 0], J_lens[1, 0] = xd, (1 + aspect) * yd
    J_lens[0, 1] = J_lens[1, 2] = 1.0
    fx_x, fy_y = f * x, fy * y
    for column, power in ((3, r2), (4, r2 * r2), (7, r2**3)):
        J_lens[0, column], J_lens[1, column] = fx_x * power, fy_y * power
    J_lens[0, 5], J_lens[1, 5] = 2 * fx_x * y, fy * (r2 + 2 * y * y)
    J_lens[0, 6], J_lens[1, 6] = f * (r2 + 2 * x * x), 2 * fy_y * x
    J_lens[1, 8] = f * yd

    points_px = np.stack([f * xd + lens[..., 1], fy * yd + lens[..., 2]], -1)
    return Projection(
        points_px, np.moveaxis(J_point, (0, 1), (-2, -1)), np.moveaxis(J_lens, (0, 1), (-2, -1))
    )


def unproject(points_px: NDArray, lens: NDArray, n_iterations: int = 20) -> NDArray:
    """Directions (..., 3) with z = 1 in the camera frame, of pixels (..., 2).

    Newton's method on the distortion; phones' lenses converge in four or five steps. Points beyond
    the fold of a strong distortion have no answer: they come back as nan.
    """
    p = np.asarray(points_px, float)
    lens = np.asarray(lens, float)
    f, cx, cy = lens[..., 0], lens[..., 1], lens[..., 2]
    xd, yd = (p[..., 0] - cx) / f, (p[..., 1] - cy) / (f * (1 + lens[..., 8]))
    ones = np.ones_like(xd)
    x, y = xd.copy(), yd.copy()
    for _ in range(n_iterations):
        at = project_with_jacobians(np.stack([x, y, ones], -1), lens)
        dx, dy = at.points_px[..., 0] - p[..., 0], at.points_px[..., 1] - p[..., 1]
        (a, b), (c, d) = np.moveaxis(at.J_point[..., :2], (-2, -1), (0, 1))
        det = a * d - b * c
        x, y = x - (d * dx - b * dy) / det, y - (a * dy - c * dx) / det
        if np.all(np.hypot(dx, dy) < 1e-9):
            break
    # A root on the far side of the fold is not an image of anything in front of the lens.
    off = (np.hypot(dx, dy) > 1e-6) | (x * xd + y * yd < 0) | (det <= 0)
    return np.stack([np.where(off, np.nan, x), np.where(off, np.nan, y), ones], -1)
