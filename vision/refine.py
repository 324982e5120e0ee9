"""Saddle points to a few hundredths of a pixel: the point round which the image is its own half-turn.

Where two straight edges cross, the image is point-symmetric under any tone curve, over-exposure,
symmetric blur, sharpening and print gain. So the saddle is the shift that makes a window, laid out on the
plate and mapped through the plate's homography (which takes the perspective out), equal to its own
half-turn.
"""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.homography import fit_homographies, jacobian, map_points, narrow_scale
from vision.layout import Layout
from vision.squares import sample

CAPTURE_CELLS = 0.45  # beyond half a cell the neighbouring saddle is nearer

# The Gaussian that takes off single-pixel noise before sampling, as a share of the narrow cell: on rendered
# photos the scatter is least at 0.06 to 0.1. Under half a pixel it does nothing.
PREFILTER_CELLS, PREFILTER_PX = 0.075, (0.5, 1.5)

_ROUNDING = 2 / 12  # variance of the difference of two grey levels, each rounded to a whole number
_MOST_EXCESS = 15.0  # asymmetry, against the plate's usual noise, beyond which a point tells nothing
_LEAST_WINDOW_PX = 2.2  # a narrower window holds too few pixels to see an edge turn round

# Neighbouring samples share their noise (prefilter, and the camera's own demosaicing, denoising and JPEG), so
# the window knows less than its count of samples says. On rendered photos of 4 to 25 px per cell the
# squared errors are 2.9 times what independent samples would give, with a spread that makes this knowledge
# worth about 25 degrees of freedom.
_SHARED_NOISE, _SHARED_NOISE_FREEDOM = 2.9, 25


@dataclass(frozen=True, eq=False)
class Refined:
    """m plates of one layout with n saddles each, as measured.

    Attributes:
        H_px_plate: (m, 3, 3) homography fitted to the good saddles.
        saddles_px: (m, n, 2).
        good: (m, n) False where the ring is hidden, cut off, or does not fit the plate.
        cov_px2: (m, n, 2, 2) covariance of each point by itself.
        misfit: (m,) how many times larger than foreseen the squared distances from one plane are.
        blur_px: (m,) standard deviation of the blur across the plate's edges, in its worse direction.
        black, white: (m, n) grey levels of the cells round each saddle.
    """

    H_px_plate: NDArray
    saddles_px: NDArray
    good: NDArray
    cov_px2: NDArray
    misfit: NDArray
    blur_px: NDArray
    black: NDArray
    white: NDArray


def ring_levels(grey: NDArray, H: NDArray, layout: Layout) -> tuple[NDArray, NDArray]:
    """Grey levels, each (m, n), where the layout has black and white cells round each saddle."""
    a = 0.38 * layout.cell_mm  # well inside the four cells
    dots = a * np.array([(1, 1), (-1, -1), (1, -1), (-1, 1)])
    points = (layout.saddles_mm[:, None] + dots).reshape(-1, 2)
    q = sample(grey, map_points(H, points)).reshape(len(H), len(layout.saddles_mm), 2, 2).mean(axis=-1)
    plus = layout.polarity > 0
    return np.where(plus, q[..., 0], q[..., 1]), np.where(plus, q[..., 1], q[..., 0])


def ring_contrast(grey: NDArray, H: NDArray, layout: Layout) -> NDArray:
    """Half of white - black at each saddle, (m, n); negative where black and white are exchanged."""
    black, white = ring_levels(grey, H, layout)
    return (white - black) / 2


def refine_plates(grey: NDArray, H_start: NDArray, layout: Layout, focal_px: float) -> Refined:
    """Measure the saddles of plates that lie roughly where H_start (m, 3, 3) says.

    From the saddles nearest to the plate's centre outward, so that an error of the start does not grow to the
    next cell; each round fits the homography anew. `focal_px` may be rough.
    """
    atlas, origin = _atlas(grey, H_start, layout)
    to_atlas = np.tile(np.eye(3), (len(H_start), 1, 1))
    to_atlas[:, :2, 2] = -origin
    H = to_atlas @ H_start
    bounds = np.stack([-origin, np.array(grey.shape[::-1]) - 1 - origin], axis=1)
    reach = np.linalg.norm(layout.saddles_mm, axis=1)
    for share in (0.4, 1.0):
        near = np.flatnonzero(reach <= np.quantile(reach, share) + 1e-6)
        points, good, _ = _measure(atlas, H, layout, bounds, near, coarse=True)
        H = _robust_fit(layout.saddles_mm[near], points, good, H)[0]
    points, good, cov = _measure(atlas, H, layout, bounds, np.arange(len(reach)), coarse=False)
    H, distance = _robust_fit(layout.saddles_mm, points, good, H)
    # Wide enough for what bends a plate off its homography, a few tenths of a pixel on near plates.
    good &= distance < np.clip(5 * 1.4826 * _masked_median(distance, good), 0.15, 1.0)[:, None]
    bends = _bends(H, layout, bounds.mean(axis=1), focal_px)
    squared = _squared_residuals(points - map_points(H, layout.saddles_mm), cov, good, bends)
    good &= squared < 4.5**2 * np.maximum(_masked_median(squared, good) / 1.386, 0.25)[:, None]
    H, _ = _robust_fit(layout.saddles_mm, points, good, H)
    squared = _squared_residuals(points - map_points(H, layout.saddles_mm), cov, good, bends)
    freedom = np.maximum(2 * good.sum(axis=1) - bends.shape[-1], 0)
    scatter = (squared * good).sum(axis=1)
    misfit = (scatter + _SHARED_NOISE_FREEDOM) / (freedom + _SHARED_NOISE_FREEDOM)
    black, white = ring_levels(atlas[..., 0], H, layout)
    return Refined(
        H_px_plate=np.linalg.inv(to_atlas) @ H,
        saddles_px=points + origin[:, None],
        good=good,
        cov_px2=cov * misfit[:, None, None, None],
        misfit=misfit,
        blur_px=_blur_px(atlas, H, layout, (white - black), good),
        black=black,
        white=white,
    )


def _atlas(grey: NDArray, H: NDArray, layout: Layout) -> tuple[NDArray, NDArray]:
    """One image (rows, columns, 3) of level and gradient round each plate, and where (m, 2) each begins."""
    half = layout.pattern_half_mm + 0.5 * layout.cell_mm
    outline = map_points(H, half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], dtype=float))
    size = np.array(grey.shape[::-1])
    low = np.clip(np.floor(outline.min(axis=1)).astype(int) - 6, 0, size - 1)
    high = np.clip(np.ceil(outline.max(axis=1)).astype(int) + 7, low + 1, size)
    rows = high[:, 1] - low[:, 1]
    blur_px = np.clip(PREFILTER_CELLS * narrow_cell_px(H, layout), *PREFILTER_PX)
    top = np.concatenate([[0], np.cumsum(rows)])
    atlas = np.empty((top[-1], int((high - low)[:, 0].max()), 3), np.float32)
    for (x0, y0), (x1, y1), t, blur in zip(low, high, top, blur_px, strict=False):
        level = cv2.GaussianBlur(grey[y0:y1, x0:x1].astype(np.float32), (0, 0), blur)
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


def narrow_cell_px(H: NDArray, layout: Layout) -> NDArray:
    """(m,) pixels per cell along the foreshortened direction."""
    return np.median(narrow_scale(jacobian(H, layout.saddles_mm)), axis=1) * layout.cell_mm


def _measure(
    atlas: NDArray, H: NDArray, layout: Layout, bounds: NDArray, which: NDArray, coarse: bool
) -> tuple[NDArray, NDArray, NDArray]:
    """Points (m, n, 2), good (m, n) and covariance (m, n, 2, 2) before the plate's own scatter is known.

    Of the layout's saddles `which` (n,).
    """
    X = layout.saddles_mm[which]
    narrow_px = narrow_cell_px(H, layout)
    window_px = np.maximum(narrow_px / layout.cell_mm * layout.half_window_mm, 0.2)
    half = layout.half_window_mm * np.maximum(1.0, _LEAST_WINDOW_PX / window_px)
    pairs = _opposite(H, X, half[:, None, None] * _HALF_WINDOW[coarse])
    limit = CAPTURE_CELLS * np.maximum(narrow_px, _LEAST_WINDOW_PX)[:, None]
    turn = _half_turns(atlas, pairs, limit, coarse)
    predicted = map_points(H, X)
    low, high = (bounds[:, end].T[:, None, :, None, None] for end in (0, 1))
    inside = ((pairs > low + 1) & (pairs < high - 1)).all(axis=(0, 1, 4))
    contrast = ring_contrast(atlas[..., 0], H, layout)[:, which]
    level = np.maximum(np.median(np.abs(contrast), axis=1), 3.0)[:, None]
    J = jacobian(H, X)
    area = np.linalg.det(J)
    sx, sy = turn.shift_px[..., 0], turn.shift_px[..., 1]
    moved_mm = np.abs(
        [J[..., 1, 1] * sx - J[..., 0, 1] * sy, J[..., 0, 0] * sy - J[..., 1, 0] * sx]
    ) / np.maximum(np.abs(area), 1e-9)
    usual = np.maximum(np.median(turn.noise, axis=1)[:, None], _ROUNDING)
    good = (
        inside
        & (moved_mm.max(axis=0) < limit / np.maximum(narrow_px, 0.2)[:, None] * layout.cell_mm)
        & (turn.last_step_px < 0.1 * limit)
        & (contrast > 0.35 * level)
        & (np.linalg.det(turn.information) > 1e-3)
        & (turn.noise < _MOST_EXCESS * usual)
    )
    # What exceeds the plate's usual noise is something lying in the window: it moves the point, and does not
    # average out over the samples. On rendered photos the squared error grows by twice the excess.
    excess = np.maximum(1.0, 2 * (turn.noise / usual - 1))
    information = np.where(good[..., None, None], turn.information, np.eye(2))  # the others are not used
    cov = np.linalg.inv(information) * (_SHARED_NOISE * usual * excess)[..., None, None]
    return predicted + turn.shift_px, good, cov


def _opposite(H: NDArray, points_mm: NDArray, offsets_mm: NDArray) -> NDArray:
    """Where points (n, 2) plus and minus offsets (m, k, 2) lie, (x and y, 2, m, n, k) in pixels.

    As map_points of the sums, but each of both is multiplied only once.
    """
    at, by = H[:, :, :2] @ points_mm.T + H[:, :, 2:], H[:, :, :2] @ offsets_mm.swapaxes(1, 2)
    at, by = at.swapaxes(0, 1)[:, None, :, :, None], by.swapaxes(0, 1)[:, None, :, None]
    both = np.concatenate([at + by, at - by], axis=1)
    return (both[:2] / both[2]).astype(np.float32)


def _half_window(n: int) -> NDArray:
    """(k, 2) the first half of n by n samples of a window of half side 1; the others are their half-turns."""
    grid = np.linspace(-1, 1, n)
    return np.array([(x, y) for y in grid for x in grid])[: n**2 // 2]


_HALF_WINDOW = {True: _half_window(7), False: _half_window(13)}  # coarse, fine
_MOST_STEPS = {True: 4, False: 3}
# A point is left alone after a step so small: each is about a tenth of the one before, so what is left is
# a thirtieth of the noise of a good point.
_SETTLED_PX = {True: 0.05, False: 0.01}


@dataclass(frozen=True, eq=False)
class _HalfTurns:
    """By how much windows were shifted until they were their own half-turns.

    Attributes:
        shift_px: (m, n, 2).
        last_step_px: (m, n).
        noise: (m, n) mean squared difference of a window and its half-turn, in grey levels.
        information: (m, n, 2, 2) of the shift, for noise of one grey level.
    """

    shift_px: NDArray
    last_step_px: NDArray
    noise: NDArray
    information: NDArray


def _half_turns(atlas: NDArray, pairs: NDArray, limit: NDArray, coarse: bool) -> _HalfTurns:
    """Shift windows, given by pairs of samples opposite each other as of _opposite, by Gauss and Newton.

    `limit` (m, 1) in pixels bounds a step.
    """
    m, n, k = pairs.shape[2:]
    pairs = pairs.reshape(2, 2, m * n, k)
    limit = np.repeat(limit[:, 0], n)
    weight = np.exp(-0.5 * (_HALF_WINDOW[coarse] ** 2).sum(axis=1) / 1.5**2).astype(np.float32)
    how = cv2.INTER_LINEAR if coarse else cv2.INTER_CUBIC
    shift, last, noise = np.zeros((m * n, 2)), np.zeros(m * n), np.zeros(m * n)
    information = np.zeros((m * n, 2, 2))
    moving = np.arange(m * n)
    for _ in range(_MOST_STEPS[coarse]):
        points = pairs[:, :, moving] + shift[moving].T[:, None, :, None].astype(np.float32)
        s = sample(atlas, np.moveaxis(points, 0, -1), how)
        r, jx, jy = np.ascontiguousarray(np.moveaxis(s[0] - s[1], -1, 0))
        wx, wy = weight * jx, weight * jy
        products = (wx, jx), (wx, jy), (wy, jy), (wx, r), (wy, r)
        xx, xy, yy, bx, by = (np.einsum("pk,pk->p", a, b) for a, b in products)
        det = np.maximum(xx * yy - xy * xy, 1e-6)
        step = np.stack([(xy * by - yy * bx) / det, (xy * bx - xx * by) / det], axis=-1)
        length = np.linalg.norm(step, axis=-1)
        shift[moving] += step * np.minimum(1, 0.7 * limit[moving] / np.maximum(length, 1e-9))[:, None]
        last[moving], noise[moving] = length, np.einsum("pk,pk,k->p", r, r, weight) / weight.sum()
        information[moving] = np.stack([xx, xy, xy, yy], axis=-1).reshape(-1, 2, 2)
        moving = moving[length > _SETTLED_PX[coarse]]
        if not len(moving):
            break
    return _HalfTurns(
        shift.reshape(m, n, 2), last.reshape(m, n), noise.reshape(m, n), information.reshape(m, n, 2, 2)
    )


def _blur_px(atlas: NDArray, H: NDArray, layout: Layout, step: NDArray, good: NDArray) -> NDArray:
    """(m,) from the slope of edges half a cell from the saddles: it is step / (sqrt(2 pi) blur)."""
    blurs = []
    for along in np.array([[0.5, 0.0], [0.0, 0.5]]) * layout.cell_mm:
        points = np.concatenate([layout.saddles_mm + along, layout.saddles_mm - along])
        slope = np.linalg.norm(sample(atlas, map_points(H, points))[..., 1:], axis=-1)
        slope = slope.reshape(len(H), 2, -1).mean(axis=1)
        blurs.append(_masked_median(step / np.maximum(np.sqrt(2 * np.pi) * slope, 1e-6), good))
    prefilter = np.clip(PREFILTER_CELLS * narrow_cell_px(H, layout), *PREFILTER_PX)
    return np.sqrt(np.maximum(np.max(blurs, axis=0) ** 2 - prefilter**2, 0.01))


def _robust_fit(points_mm: NDArray, points: NDArray, good: NDArray, H: NDArray) -> tuple[NDArray, NDArray]:
    """Homographies that disregard stray points, and each point's distance; H where too few are good."""
    X = np.broadcast_to(points_mm, points.shape)
    enough = good.sum(axis=1) >= 6
    weights = good.astype(float)
    fitted = H
    for _ in range(3):
        fitted = np.where(enough[:, None, None], fit_homographies(X, points, weights), H)
        distance = np.linalg.norm(points - map_points(fitted, X), axis=-1)
        scale = np.maximum(_masked_median(distance, good), 0.02)[:, None]
        weights = good / (1 + (distance / (3 * scale)) ** 2) ** 2
    return fitted, distance


def _bends(H: NDArray, layout: Layout, centre_px: NDArray, focal_px: float) -> NDArray:
    """How a plate's points can move together, (m, n, 2, 12): homography, two terms of distortion, two of bow.

    Each column of the last four is as large, in pixels, as is to be expected of it.
    """
    X = layout.saddles_mm
    x, y = X.T / layout.pattern_half_mm
    one, zero = np.ones_like(x), np.zeros_like(x)
    pixels = map_points(H, X)
    p = (pixels - pixels.mean(axis=1, keepdims=True)) / focal_px * 10
    u, v = p[..., 0], p[..., 1]
    flat = [(one, zero), (zero, one), (x, zero), (zero, x), (y, zero), (zero, y)]
    columns = [np.broadcast_to(np.stack(c, -1), pixels.shape) for c in flat]
    columns += [np.stack([x * u, x * v], -1), np.stack([y * u, y * v], -1)]
    from_centre = pixels - centre_px[:, None]
    r2 = (from_centre**2).sum(axis=-1, keepdims=True) / focal_px**2
    columns += [0.1 * from_centre * r2, 0.1 * from_centre * r2**2]
    to_camera = np.tile(np.diag([1 / focal_px, 1 / focal_px, 1.0]), (len(H), 1, 1))
    to_camera[:, :2, 2] = -centre_px / focal_px
    M = to_camera @ H
    scale = np.linalg.norm(M[:, :, 0], axis=1)
    normal = np.cross(M[:, :, 0], M[:, :, 1]) / np.maximum(scale, 1e-12)[:, None]
    depth = (X @ M[:, 2, :2, None])[..., 0] + M[:, 2, 2, None]
    lift = (focal_px * normal[:, None, :2] - from_centre * normal[:, None, 2:]) / depth[
        ..., None
    ]  # px per mm
    columns += [0.3 * lift * (x**2)[:, None], 0.3 * lift * (y**2)[:, None]]
    return np.stack(columns, axis=-1)


def _squared_residuals(residual: NDArray, cov: NDArray, good: NDArray, bends: NDArray) -> NDArray:
    """(m, n) squared whitened residuals, after the bends (m, n, 2, k) that fit best have been taken off."""
    whiten = np.swapaxes(np.linalg.cholesky(np.linalg.inv(cov)), -1, -2) * good[..., None, None]
    A = (whiten @ bends).reshape(len(residual), -1, bends.shape[-1])
    b = (whiten @ residual[..., None]).reshape(len(residual), -1, 1)
    At = np.swapaxes(A, 1, 2)
    expected_size = np.eye(bends.shape[-1]) * np.where(np.arange(bends.shape[-1]) < 8, 1e-6, 1.0)
    amount = np.linalg.solve(At @ A + expected_size, At @ b)
    left = residual - (bends @ amount[:, None])[..., 0]
    return np.einsum("mni,mnij,mnj->mn", left, np.linalg.inv(cov), left)


def _masked_median(values: NDArray, mask: NDArray) -> NDArray:
    """Median (the lower of two middle ones) of each row's marked values; 0 for a row without any."""
    ordered = np.sort(np.where(mask, values, np.inf), axis=1)
    middle = np.maximum(mask.sum(axis=1) - 1, 0) // 2
    return np.where(mask.any(axis=1), ordered[np.arange(len(values)), middle], 0.0)
