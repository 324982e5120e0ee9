"""Saddle points to a hundredth of a pixel: the point round which the image is its own half-turn.

Where two straight edges cross, the image is point-symmetric under any tone curve, over-exposure, symmetric blur,
sharpening and print gain. So the saddle is the shift that makes a window, laid out on the plate
and mapped through the plate's homography (which takes the perspective out), equal to its own half-turn.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.homography import fit_homographies, jacobian, map_points, narrow_scale
from vision.layout import Layout
from vision.squares import sample

PREFILTER_PX = 0.6  # takes off single-pixel noise, and lets cubic sampling work on a smooth image
CAPTURE_CELLS = 0.45  # beyond half a cell the neighbouring saddle is nearer
_ROUNDING = 2 / 12  # variance of the difference of two grey levels rounded to whole numbers
_MOST_ATLAS_ROWS = 30000  # cv2.remap takes sources of less than 32767 rows


@dataclass(frozen=True, eq=False)
class Refined:
    """m plates of one layout with n saddles each, as measured.

    Attributes:
        H_px_plate: (m, 3, 3) homography fitted to the good saddles.
        saddles_px: (m, n, 2).
        good: (m, n) False where the ring is hidden, cut off, or does not fit the plate.
        cov_px2: (m, n, 2, 2) covariance of each point, scaled by the scatter about the homography.
        contrast: (m, n) signed half difference white - black at the saddles, in grey levels.
    """

    H_px_plate: NDArray
    saddles_px: NDArray
    good: NDArray
    cov_px2: NDArray
    contrast: NDArray


def ring_contrast(grey: NDArray, H: NDArray, layout: Layout) -> NDArray:
    """Half of (white - black) at each saddle as the layout wants it, (m, n); negative where the diagonals are swapped."""
    a = 0.38 * layout.cell_mm  # well inside the four cells round a saddle
    dots = a * np.array([(1, 1), (-1, -1), (1, -1), (-1, 1)], dtype=float)
    points = (layout.saddles_mm[:, None] + dots).reshape(-1, 2)
    q = sample(grey, map_points(H, points)).reshape(len(H), -1, 4)
    return layout.polarity * (q[..., 2] + q[..., 3] - q[..., 0] - q[..., 1]) / 4


def refine_plates(grey: NDArray, H_start: NDArray, layout: Layout) -> Refined:
    """Measure the saddles of plates that lie roughly where H_start (m, 3, 3) says.

    From the saddles nearest to the plate's centre outward, so that an error of the start does not grow to the
    next cell; each round fits the homography anew.
    """
    H = np.array(H_start, dtype=float)
    atlas, origin = _atlas(grey, H, layout)
    to_atlas = np.tile(np.eye(3), (len(H), 1, 1))
    to_atlas[:, :2, 2] = -origin
    H = to_atlas @ H
    bounds = np.stack([-origin, np.array(grey.shape[::-1]) - 1 - origin], axis=1)
    reach = np.linalg.norm(layout.saddles_mm, axis=1)
    for share in (0.4, 1.0):
        near = reach <= np.quantile(reach, share) + 1e-6
        points, good, _, _ = _measure(atlas, H, layout, bounds, coarse=True)
        H = _robust_fit(layout, points, good & near, H)[0]
    points, good, cov, contrast = _measure(atlas, H, layout, bounds, coarse=False)
    H, distance = _robust_fit(layout, points, good, H)
    middle = _masked_median(distance, good)
    # Lens distortion bends a near plate off the plane homography by a few tenths of a pixel.
    good &= distance < np.clip(5 * 1.4826 * middle, 0.15, 1.0)[:, None]
    H, _ = _robust_fit(layout, points, good, H)
    cov = cov * _scatter(points - map_points(H, layout.saddles_mm), cov, good)[:, None, None, None]
    return Refined(
        H_px_plate=np.linalg.inv(to_atlas) @ H,
        saddles_px=points + origin[:, None],
        good=good,
        cov_px2=cov,
        contrast=contrast,
    )


def _atlas(grey: NDArray, H: NDArray, layout: Layout) -> tuple[NDArray, NDArray]:
    """One image (rows, columns, 3) of level and gradient with each plate's surroundings, and where each begins."""
    half = layout.pattern_half_mm + 0.5 * layout.cell_mm
    outline = map_points(H, half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], dtype=float))
    size = np.array(grey.shape[::-1])
    low = np.clip(np.floor(outline.min(axis=1)).astype(int) - 6, 0, size - 1)
    high = np.clip(np.ceil(outline.max(axis=1)).astype(int) + 7, low + 1, size)
    rows = high[:, 1] - low[:, 1]
    top = np.concatenate([[0], np.cumsum(rows)])
    atlas = np.empty((top[-1], int((high - low)[:, 0].max()), 3), np.float32)
    for (x0, y0), (x1, y1), t in zip(low, high, top, strict=False):
        level = cv2.GaussianBlur(grey[y0:y1, x0:x1].astype(np.float32), (0, 0), PREFILTER_PX)
        place = atlas[t : t + y1 - y0, : x1 - x0]
        cv2.merge(
            [
                level,
                cv2.Scharr(level, cv2.CV_32F, 1, 0, scale=1 / 32),
                cv2.Scharr(level, cv2.CV_32F, 0, 1, scale=1 / 32),
            ],
            place,
        )
        atlas[t : t + y1 - y0, x1 - x0 :] = 0
    origin = low.astype(float)
    origin[:, 1] -= top[:-1]
    return atlas, origin


def _measure(
    atlas: NDArray, H: NDArray, layout: Layout, bounds: NDArray, coarse: bool
) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    """Points (m, n, 2), good (m, n), relative covariance, contrast."""
    X = layout.saddles_mm
    narrow_px = (
        np.median(narrow_scale(jacobian(H, X)), axis=1) * layout.cell_mm
    )  # pixels per cell along the narrow axis
    half = layout.half_window_mm * np.maximum(
        1.0, 2.2 / np.maximum(narrow_px * layout.half_window_mm / layout.cell_mm, 0.2)
    )
    grid = np.linspace(-1, 1, 7 if coarse else 13)
    unit = np.array([(x, y) for y in grid for x in grid])[: len(grid) ** 2 // 2]
    weight = np.exp(-0.5 * (unit**2).sum(axis=1) / 0.75**2).astype(np.float32)
    D = (half[:, None, None] * unit)[:, None]  # (m, 1, k, 2)
    Hs = H[:, None]
    pairs = np.stack([map_points(Hs, X[:, None] + D), map_points(Hs, X[:, None] - D)]).astype(np.float32)
    shift = np.zeros((*pairs.shape[1:3], 2))
    limit = CAPTURE_CELLS * np.maximum(narrow_px, 2.2)[:, None, None]
    how = cv2.INTER_LINEAR if coarse else cv2.INTER_CUBIC
    for _ in range(4 if coarse else 3):
        s = sample(atlas, pairs + shift[:, :, None].astype(np.float32), how)
        r, jx, jy = np.moveaxis(s[0] - s[1], -1, 0)
        wx, wy = weight * jx, weight * jy
        xx, xy, yy = (wx * jx).sum(-1), (wx * jy).sum(-1), (wy * jy).sum(-1)
        bx, by = -(wx * r).sum(-1), -(wy * r).sum(-1)
        det = np.maximum(xx * yy - xy * xy, 1e-6)
        step = np.stack([(yy * bx - xy * by) / det, (xx * by - xy * bx) / det], axis=-1)
        length = np.linalg.norm(step, axis=-1, keepdims=True)
        shift = shift + step * np.minimum(1, 0.7 * limit / np.maximum(length, 1e-9))
    predicted = map_points(H, X)
    inside = ((pairs > bounds[:, None, None, 0] + 1) & (pairs < bounds[:, None, None, 1] - 1)).all(
        axis=(0, 3, 4)
    )
    noise = (weight * r * r).sum(-1) / weight.sum()
    contrast = ring_contrast(atlas[..., 0], H, layout)
    level = np.maximum(np.median(np.abs(contrast), axis=1), 3.0)[:, None]
    good = (
        inside
        & (np.linalg.norm(shift, axis=-1) < limit[..., 0])
        & (length[..., 0] < 0.1 * limit[..., 0])
        & (contrast > 0.35 * level)
        & (det > 1e-3)
    )
    info = np.stack([np.stack([xx, xy], -1), np.stack([xy, yy], -1)], -2).astype(float)
    info[~good] = np.eye(2)  # these points are not used
    noise = np.maximum(noise, np.median(noise, axis=1)[:, None])  # more where something lies in the window
    cov = np.linalg.inv(info) * np.maximum(noise, _ROUNDING)[..., None, None]
    return predicted + shift, good, cov, contrast


def _robust_fit(layout: Layout, points: NDArray, good: NDArray, H: NDArray) -> tuple[NDArray, NDArray]:
    """Homographies that disregard stray points, and each point's distance from them; H where too few are good."""
    X = np.broadcast_to(layout.saddles_mm, points.shape)
    enough = good.sum(axis=1) >= 6
    weights = good.astype(float)
    fitted = H
    for _ in range(4):
        fitted = np.where(enough[:, None, None], fit_homographies(X, points, weights), H)
        distance = np.linalg.norm(points - map_points(fitted, X), axis=-1)
        scale = np.maximum(_masked_median(distance, good), 0.02)[:, None]
        weights = good / (1 + (distance / (3 * scale)) ** 2) ** 2
    return fitted, distance


def _scatter(residual: NDArray, cov: NDArray, good: NDArray) -> NDArray:
    """(m,) variance of unit weight: how far the points scatter about their homography, in the covariance's terms."""
    squared = np.einsum("mni,mnij,mnj->mn", residual, np.linalg.inv(cov), residual)
    freedom = 2 * good.sum(axis=1) - 8
    return np.where(freedom > 0, (squared * good).sum(axis=1) / np.maximum(freedom, 1), 1.0)


def _masked_median(values: NDArray, mask: NDArray) -> NDArray:
    """Median of each row's marked values; 0 for a row without any."""
    masked = np.where(mask, values, np.nan)
    masked[~mask.any(axis=1)] = 0
    return np.nanmedian(masked, axis=1)
