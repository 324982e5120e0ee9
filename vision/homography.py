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
    a, normalise_mm = _normalised(points_mm, weights[..., None], total)
    b, normalise_px = _normalised(points_px, weights[..., None], total)
    x, y, u, v = a[..., 0], a[..., 1], b[..., 0], b[..., 1]
    m, n = x.shape
    # Filled place by place: this runs some thirty times a photo.
    rows = np.zeros((m, 2, n, 8))
    for i, image in enumerate((u, v)):
        rows[:, i, :, 3 * i], rows[:, i, :, 3 * i + 1], rows[:, i, :, 3 * i + 2] = x, y, 1
        rows[:, i, :, 6], rows[:, i, :, 7] = -image * x, -image * y
    A, rhs = rows.reshape(m, 2 * n, 8), np.concatenate([u, v], axis=1)
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


def _normalised(points: NDArray, weights: NDArray, total: NDArray) -> tuple[NDArray, NDArray]:
    """Points of zero weighted mean and unit size, and the shift and scale (m, 3, 3) that made them so."""
    mean = (weights * points).sum(axis=1, keepdims=True) / total
    off = points - mean
    size = np.sqrt((weights * off**2).sum(axis=(1, 2)) / total[:, 0, 0])
    scale = 1 / np.where(size > 1e-6, size, 1.0)
    N = np.zeros((len(points), 3, 3))
    N[:, 0, 0] = N[:, 1, 1] = scale
    N[:, :2, 2] = -scale[:, None] * mean[:, 0]
    N[:, 2, 2] = 1
    return off * scale[:, None, None], N
