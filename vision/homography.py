"""Many plane homographies at once: plate mm (x, y, 1) to pixels."""

import numpy as np
from numpy.typing import NDArray


def map_points(H: NDArray, points: NDArray) -> NDArray:
    """Map (..., n, 2) points by (..., 3, 3) homographies; leading axes broadcast."""
    # Written out, for numpy's matrix product is slow on many small matrices.
    x, y, h = points[..., 0], points[..., 1], H[..., None]
    w = h[..., 2, 0, :] * x + h[..., 2, 1, :] * y + h[..., 2, 2, :]
    u = (h[..., 0, 0, :] * x + h[..., 0, 1, :] * y + h[..., 0, 2, :]) / w
    v = (h[..., 1, 0, :] * x + h[..., 1, 1, :] * y + h[..., 1, 2, :]) / w
    return np.stack([u, v], axis=-1)


def jacobian(H: NDArray, points: NDArray) -> NDArray:
    """d pixel / d mm at (..., n, 2) points, shape (..., n, 2, 2)."""
    w = H[..., 2, 0, None] * points[..., 0] + H[..., 2, 1, None] * points[..., 1] + H[..., 2, 2, None]
    pixels = map_points(H, points)
    return (H[..., None, :2, :2] - pixels[..., :, None] * H[..., None, 2:, :2]) / w[..., None, None]


def narrow_scale(J: NDArray) -> NDArray:
    """Pixels per mm along the most foreshortened direction: the smaller singular value of (..., 2, 2)."""
    total = (J**2).sum(axis=(-1, -2))
    det = J[..., 0, 0] * J[..., 1, 1] - J[..., 0, 1] * J[..., 1, 0]
    return np.sqrt(np.maximum(total - np.sqrt(np.maximum(total**2 - 4 * det**2, 0)), 0) / 2)


def fit_homographies(points_mm: NDArray, points_px: NDArray, weights: NDArray) -> NDArray:
    """Least squares in pixels, shape (m, 3, 3), over (m, n, 2) points with weights (m, n).

    The direct linear transform (Hartley & Zisserman, Multiple View Geometry, 4.1) on normalised
    coordinates, solved twice: the second time each equation is divided by the denominator of the first,
    so that the sum is one of squared pixels.
    """
    total = np.maximum(weights.sum(axis=1), 1e-12)[:, None, None]
    normalise_mm = _normaliser(points_mm, weights[..., None], total)
    normalise_px = _normaliser(points_px, weights[..., None], total)
    a, b = map_points(normalise_mm, points_mm), map_points(normalise_px, points_px)
    zero, one = np.zeros_like(a[..., 0]), np.ones_like(a[..., 0])
    x, y, u, v = a[..., 0], a[..., 1], b[..., 0], b[..., 1]
    rows_u = np.stack([x, y, one, zero, zero, zero, -u * x, -u * y], axis=-1)
    rows_v = np.stack([zero, zero, zero, x, y, one, -v * x, -v * y], axis=-1)
    A, rhs = np.concatenate([rows_u, rows_v], axis=1), np.concatenate([u, v], axis=1)
    h = np.zeros((len(A), 8))
    for _ in range(2):
        w = 1 + x * h[:, 6, None] + y * h[:, 7, None]
        weight = np.tile(weights / np.maximum(np.abs(w), 1e-3) ** 2, 2)
        At = np.swapaxes(A * weight[..., None], 1, 2)
        N = At @ A
        # Too few points, or points in a row, get some answer instead of none. Where a first answer brings a
        # point near the horizon its weight is a million, and only a share of that is not lost in rounding.
        ridge = np.maximum(1e-10, 1e-14 * np.trace(N, axis1=1, axis2=2))[:, None, None] * np.eye(8)
        h = np.linalg.solve(N + ridge, At @ rhs[..., None])[..., 0]
    H = np.concatenate([h, np.ones((len(h), 1))], axis=1).reshape(-1, 3, 3)
    H = np.linalg.inv(normalise_px) @ H @ normalise_mm
    return H / H[:, 2:, 2:]


def _normaliser(points: NDArray, weights: NDArray, total: NDArray) -> NDArray:
    """Shift and scale, (m, 3, 3), that bring weighted points to zero mean and unit size."""
    mean = (weights * points).sum(axis=1, keepdims=True) / total
    size = np.sqrt((weights * (points - mean) ** 2).sum(axis=(1, 2)) / total[:, 0, 0])
    scale = 1 / np.where(size > 1e-6, size, 1.0)
    N = np.zeros((len(points), 3, 3))
    N[:, 0, 0] = N[:, 1, 1] = scale
    N[:, :2, 2] = -scale[:, None] * mean[:, 0]
    N[:, 2, 2] = 1
    return N
