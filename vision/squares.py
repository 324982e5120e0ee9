"""Grey photo -> dark squares in perspective, the places where a tag or a whole plate may be."""

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.homography import fit_homographies, map_points

# Black print stays below three quarters of the white beside it, glare and blur included; the texture of a floor or
# wall seldom does. Measured on rendered photos: tags from 0.34 up, floors 0.07 to 0.2.
LEAST_STEP = 0.25
UNIT_SQUARE = np.array(
    [[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]]
)  # corners in the order of Tag.corners_mm


def dark_squares(grey: NDArray) -> NDArray:
    """Corners, clockwise, (n, 4, 2) in pixels, of dark squares on a lighter ground.

    Found at half size: an adaptive threshold where black and white are near, outer contours, and convex
    hulls with four corners.
    """
    half = cv2.resize(grey, (grey.shape[1] // 2, grey.shape[0] // 2), interpolation=cv2.INTER_AREA)
    return sharpen_squares(grey, _quads(half) * 2 + 0.5)


def _quads(grey: NDArray) -> NDArray:
    dark = cv2.adaptiveThreshold(grey, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, 15, 4)
    near = np.ones((7, 7), np.uint8)
    darkest, lightest = cv2.erode(grey, near), cv2.dilate(grey, near)
    plain = cv2.compare(darkest, cv2.convertScaleAbs(lightest, alpha=1 - LEAST_STEP), cv2.CMP_GT)
    dark[plain > 0] = 0
    contours, hierarchy = cv2.findContours(dark, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if hierarchy is None:
        return np.zeros((0, 4, 2))
    outer = hierarchy[0][:, 3] < 0
    quads = [_quad_of(c) for c, is_outer in zip(contours, outer, strict=True) if is_outer and len(c) >= 30]
    return np.array([quad for quad in quads if quad is not None], dtype=float).reshape(-1, 4, 2)


def _quad_of(contour: NDArray) -> NDArray | None:
    if cv2.contourArea(contour) < 40:
        return None
    hull = cv2.convexHull(contour)
    area = cv2.contourArea(hull)
    if cv2.contourArea(contour) < 0.7 * area:
        return None
    quad = cv2.approxPolyDP(hull, 0.06 * np.sqrt(area) * 2, True)
    if len(quad) != 4 or cv2.contourArea(quad) < 0.8 * area:
        return None
    quad = quad[:, 0]
    sides = np.linalg.norm(np.roll(quad, -1, axis=0) - quad, axis=1)
    return quad if sides.min() >= 5 else None


def sharpen_squares(grey: NDArray, quads: NDArray) -> NDArray:
    """Move each side to where the grey level rises most steeply outward, and cross the sides anew."""
    if not len(quads):
        return quads
    quads = _clockwise(quads)
    along = np.linspace(0.12, 0.88, 9)
    for _ in range(2):
        start, end = quads, np.roll(quads, -1, axis=1)
        side = end - start
        length = np.linalg.norm(side, axis=2)
        outward = np.stack([side[..., 1], -side[..., 0]], axis=-1) / np.maximum(length, 1e-9)[..., None]
        depth = np.minimum(np.roll(length, 1, axis=1), np.roll(length, -1, axis=1))  # across this side
        reach = np.clip(0.09 * depth, 1.2, 5.0)
        steps = np.linspace(-1, 1, 11)
        places = (start[:, :, None] + along[:, None] * side[:, :, None])[:, :, :, None]
        offsets = reach[..., None] * steps
        samples = places + offsets[:, :, None, :, None] * outward[:, :, None, None]
        levels = sample(grey, samples)
        rise = np.maximum(np.diff(levels, axis=-1), 0) ** 2 + 1e-6
        middle = (offsets[..., 1:] + offsets[..., :-1]) / 2
        shift = (rise * middle[:, :, None]).sum(-1) / rise.sum(-1)
        weight = np.sqrt(rise.sum(-1))
        # A straight line through the nine shifts of each side, by weighted least squares.
        t = along - 0.5
        s0, s1, s2 = weight.sum(-1), (weight * t).sum(-1), (weight * t * t).sum(-1)
        b0, b1 = (weight * shift).sum(-1), (weight * shift * t).sum(-1)
        slope = (s0 * b1 - s1 * b0) / np.maximum(s0 * s2 - s1 * s1, 1e-9)
        level = (b0 - slope * s1) / np.maximum(s0, 1e-9)
        new_start = start + outward * (level - 0.5 * slope)[..., None]
        new_end = end + outward * (level + 0.5 * slope)[..., None]
        crossed = _crossings(new_start, new_end)
        good = np.abs(crossed - quads).max(axis=(1, 2)) < 2.5 * reach.max(axis=1)
        quads = np.where(good[:, None, None], crossed, quads)
    return quads


def _clockwise(quads: NDArray) -> NDArray:
    """As seen on the screen, where y runs down."""
    x, y = quads[..., 0], quads[..., 1]
    area = (x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1)
    return np.where((area > 0)[:, None, None], quads, quads[:, ::-1])


def _crossings(start: NDArray, end: NDArray) -> NDArray:
    """Corner k is where side k - 1 crosses side k."""
    line = np.cross(_homogeneous(start), _homogeneous(end))
    point = np.cross(np.roll(line, 1, axis=1), line)
    w = np.where(np.abs(point[..., 2:]) > 1e-9, point[..., 2:], 1e-9)
    return point[..., :2] / w


def _homogeneous(points: NDArray) -> NDArray:
    return np.concatenate([points, np.ones_like(points[..., :1])], axis=-1)


def sample(image: NDArray, points: NDArray, how: int = cv2.INTER_LINEAR) -> NDArray:
    """Image values at (..., 2) pixel positions, float32; outside, the border's value goes on."""
    x, y = (np.ascontiguousarray(points[..., axis], dtype=np.float32).ravel() for axis in (0, 1))
    rows = len(x)
    width = max(1, min(rows, 16384))  # cv2.remap wants maps of less than 32767 a side
    shape = (-(-rows // width), width)
    if width * shape[0] > rows:
        x, y = np.resize(x, shape), np.resize(y, shape)
    else:
        x, y = x.reshape(shape), y.reshape(shape)
    values = cv2.remap(image, x, y, how, borderMode=cv2.BORDER_REPLICATE)
    channels = image.shape[2:]
    values = values.reshape(-1, *channels)[:rows]
    return values.astype(np.float32, copy=False).reshape(*points.shape[:-1], *channels)


def square_homographies(corners_mm: NDArray, quads: NDArray) -> NDArray:
    """Homographies (n, 3, 3) that map the square `corners_mm` (4, 2) to the quads (n, 4, 2)."""
    return fit_homographies(np.broadcast_to(corners_mm, quads.shape), quads, np.ones(quads.shape[:2]))


def tag_cells(grey: NDArray, H: NDArray, size: int) -> tuple[NDArray, NDArray]:
    """Read squares as tags of `size` data cells: levels (n, size * size) and how tag-like the frame is (n,).

    H maps the unit square (+-1) to pixels. Levels run from -1 (black) to +1 (white) between two planes fitted to
    the black border and to the paper just outside; the second value is the share of border and paper
    samples on their right side.
    """
    n_cells = size + 2
    cell = 2.0 / n_cells
    dots = np.array([(x, y) for y in (-0.22, 0.22) for x in (-0.22, 0.22)]) * cell
    centre = (np.arange(n_cells) + 0.5) * cell - 1
    grid = np.stack(np.meshgrid(centre, -centre), axis=-1).reshape(-1, 2)
    inner = np.pad(np.ones((size, size), bool), 1).ravel()
    out = 1 + 0.4 * cell
    paper = np.concatenate(
        [
            np.stack([centre, np.full(n_cells, out)], -1),
            np.stack([centre, np.full(n_cells, -out)], -1),
            np.stack([np.full(n_cells, out), centre], -1),
            np.stack([np.full(n_cells, -out), centre], -1),
        ]
    )
    points = np.concatenate([(grid[:, None] + dots).reshape(-1, 2), paper])
    levels = sample(grey, map_points(H, points))
    cells = levels[:, : 4 * len(grid)].reshape(len(H), -1, 4).mean(axis=2)
    white = levels[:, 4 * len(grid) :]
    black_plane = _plane(grid[~inner], cells[:, ~inner])
    white_plane = _plane(paper, white)

    def scaled(points: NDArray, values: NDArray) -> NDArray:
        basis = np.column_stack([points, np.ones(len(points))])
        low, high = black_plane @ basis.T, white_plane @ basis.T
        return (2 * values - low - high) / np.maximum(high - low, 6.0)

    frame = (scaled(grid[~inner], cells[:, ~inner]) < 0).sum(axis=1) + (scaled(paper, white) > 0).sum(axis=1)
    return scaled(grid[inner], cells[:, inner]), frame / ((~inner).sum() + len(paper))


def _plane(points: NDArray, values: NDArray) -> NDArray:
    basis = np.column_stack([points, np.ones(len(points))])
    return values @ np.linalg.pinv(basis).T
