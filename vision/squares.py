"""Grey photo -> dark squares in perspective, the places where a tag or a whole plate may be."""

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.homography import fit_homographies, map_points

# Black print stays below three quarters of the white beside it, glare and blur included; the texture of a
# floor or wall seldom does. Measured on rendered photos: tags from 0.34 up, floors 0.07 to 0.2.
LEAST_STEP = 0.25
NOISE_LEVELS = 5  # in the dark, noise alone makes such steps; common practice, no source
_BLACKEST = np.maximum((1 - LEAST_STEP) * np.arange(256) - NOISE_LEVELS, 0).astype(np.uint8)  # by lightest
# Grey levels below the mean round a pixel. Noise as large as that darkens one pixel in six of a plain face.
LEAST_DARKER = 4
SMALL_OUTLINE_PX = 300  # tags of up to about 70 px; the half-size photo shows larger ones just as well
LEAST_OUTLINE_PX = 30
# Area / (pixels of the outline)^2: 1/16 for a square, 0.04 for a tag at 74 degrees, but 0.015 for a checkered
# ring (its outline runs in and out at every cell) and 0.008 for a steep one.
LEAST_SMOOTH, LEAST_RAGGED = 0.03, 0.008
UNIT_SQUARE = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])  # order of Tag.corners_mm


@dataclass(frozen=True, eq=False)
class DarkSquares:
    """Corners, clockwise, each (n, 4, 2) in pixels: `smooth` ones may be tags, `ragged` ones whole plates."""

    smooth: NDArray
    ragged: NDArray


def dark_squares(grey: NDArray) -> DarkSquares:
    """Dark squares on a lighter ground.

    Large ones are found at half size; small ones at full size, where black and white are near.
    """
    grey = _without_specks(grey)
    half = cv2.resize(grey, (grey.shape[1] // 2, grey.shape[0] // 2), interpolation=cv2.INTER_AREA)
    plain = _plain(half)
    found = [(quad * 2.0 + 0.5, smooth) for quad, smooth in _quads(half, plain, half.size)]
    for x0, y0, x1, y1 in _busy_boxes(plain):
        patch = grey[2 * y0 : 2 * y1, 2 * x0 : 2 * x1]
        corner = np.array([2.0 * x0, 2.0 * y0])
        found += [(quad + corner, smooth) for quad, smooth in _quads(patch, _plain(patch), SMALL_OUTLINE_PX)]
    quads = np.array([quad for quad, _ in found]).reshape(-1, 4, 2)
    smooth = np.array([smooth for _, smooth in found], dtype=bool)
    quads = _sharpened(grey, _clockwise(quads))
    return DarkSquares(quads[smooth], quads[~smooth])


def _without_specks(grey: NDArray) -> NDArray:
    """The photo, smoothed where its noise alone would leave dark specks on all that is plain.

    The noise is that of neighbouring pixels: their median difference, 0.6745 standard deviations.
    """
    rows = grey[::128].astype(np.int16)
    noise = np.median(np.abs(np.diff(rows, axis=1))) / (0.6745 * np.sqrt(2))
    # Seen so, cells of 3.5 pixels (tags of 25) are still black and white; refining takes the photo itself.
    return cv2.GaussianBlur(grey, (5, 5), 0) if noise > LEAST_DARKER else grey


def _plain(grey: NDArray) -> NDArray:
    """Mask (255) of pixels that have no step as from white paper to black print near them."""
    near = np.ones((7, 7), np.uint8)
    lightest = cv2.dilate(grey, near)
    return cv2.compare(cv2.erode(grey, near), cv2.LUT(lightest, _BLACKEST), cv2.CMP_GE)


def _busy_boxes(plain: NDArray) -> list[tuple[int, int, int, int]]:
    """(x0, y0, x1, y1) round places, in pixels of `plain`, that steps fill, as the smallest plates do.

    A single edge marks a band of about 8 pixels, which the erosion removes; a plate whose tag measures 12
    pixels (25 in the photo) fills 22. Wide boxes come in parts that overlap by more than a small tag.
    """
    tile, part, step = 8, 40, 32
    height, width = plain.shape
    filled = cv2.erode(255 - plain, np.ones((11, 11), np.uint8))
    tiles = cv2.resize(filled, (-(-width // tile), -(-height // tile)), interpolation=cv2.INTER_AREA)
    grown = cv2.dilate((tiles > 0).astype(np.uint8), np.ones((3, 3), np.uint8))
    _, _, stats, _ = cv2.connectedComponentsWithStats(grown, connectivity=8)
    boxes = []
    for left, top, wide, high, _ in stats[1:].tolist():
        for y in range(top, max(top + high - (part - step), top + 1), step):
            for x in range(left, max(left + wide - (part - step), left + 1), step):
                x1, y1 = min(x + part, left + wide), min(y + part, top + high)
                if grown[y:y1, x:x1].any():
                    boxes.append((x * tile, y * tile, min(x1 * tile, width), min(y1 * tile, height)))
    return boxes


def _quads(grey: NDArray, plain: NDArray, longest_px: int) -> list[tuple[NDArray, bool]]:
    """Four-cornered dark shapes whose outline has at most so many pixels, and whether it is smooth."""
    # Darker than the mean round it: what cv2.adaptiveThreshold finds, in half the time.
    mean = cv2.blur(grey, (15, 15), borderType=cv2.BORDER_REPLICATE | cv2.BORDER_ISOLATED)
    darker = cv2.subtract(mean, grey)
    dark = cv2.subtract(cv2.threshold(darker, LEAST_DARKER - 1, 255, cv2.THRESH_BINARY)[1], plain)
    contours, hierarchy = cv2.findContours(dark, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if hierarchy is None:
        return []
    outer = (hierarchy[0][:, 3] < 0).tolist()
    found = []
    for contour, is_outer in zip(contours, outer, strict=True):
        n = len(contour)
        if is_outer and LEAST_OUTLINE_PX <= n <= longest_px:
            area = cv2.contourArea(contour)
            if area > LEAST_RAGGED * n * n:
                quad = _quad_of(contour, area)
                if quad is not None:
                    found.append((quad, area > LEAST_SMOOTH * n * n))
    return found


def _quad_of(contour: NDArray, area: float) -> NDArray | None:
    hull = cv2.convexHull(contour)
    hull_area = cv2.contourArea(hull)
    if area < 0.7 * hull_area:
        return None
    quad = cv2.approxPolyDP(hull, 0.12 * np.sqrt(hull_area), True)
    if len(quad) != 4 or cv2.contourArea(quad) < 0.8 * hull_area:
        return None
    return quad[:, 0]


def _sharpened(grey: NDArray, quads: NDArray) -> NDArray:
    """Move each side to where the grey level rises most steeply outward, and cross the sides anew."""
    if not len(quads):
        return quads
    along = np.linspace(0.12, 0.88, 9)
    start, end = quads, np.roll(quads, -1, axis=1)
    side = end - start
    length = np.linalg.norm(side, axis=2)
    outward = np.stack([side[..., 1], -side[..., 0]], axis=-1) / np.maximum(length, 1e-9)[..., None]
    across = np.minimum(np.roll(length, 1, axis=1), np.roll(length, -1, axis=1))
    reach = np.clip(0.09 * across, 1.2, 5.0)  # less than a module of a tag of eight
    offsets = reach[..., None] * np.linspace(-1, 1, 11)
    places = (start[:, :, None] + along[:, None] * side[:, :, None])[:, :, :, None]
    levels = sample(grey, places + offsets[:, :, None, :, None] * outward[:, :, None, None])
    rise = np.maximum(np.diff(levels, axis=-1), 0) ** 2 + 1e-6
    middle = (offsets[..., 1:] + offsets[..., :-1]) / 2
    total = rise.sum(axis=-1)
    shift, weight = (rise * middle[:, :, None]).sum(axis=-1) / total, np.sqrt(total)
    level, slope = _lines(along - 0.5, shift, weight)
    crossed = _crossings(
        start + outward * (level - 0.5 * slope)[..., None], end + outward * (level + 0.5 * slope)[..., None]
    )
    believable = np.abs(crossed - quads).max(axis=(1, 2)) < 2.5 * reach.max(axis=1)
    return np.where(believable[:, None, None], crossed, quads)


def _lines(t: NDArray, values: NDArray, weight: NDArray) -> tuple[NDArray, NDArray]:
    """Level at t = 0 and slope of weighted straight lines through values (..., k) at t (k,)."""
    s0, s1, s2 = weight.sum(axis=-1), (weight * t).sum(axis=-1), (weight * t * t).sum(axis=-1)
    b0, b1 = (weight * values).sum(axis=-1), (weight * values * t).sum(axis=-1)
    slope = (s0 * b1 - s1 * b0) / np.maximum(s0 * s2 - s1 * s1, 1e-9)
    return (b0 - slope * s1) / np.maximum(s0, 1e-9), slope


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
    if not rows:
        return np.zeros((*points.shape[:-1], *image.shape[2:]), np.float32)
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


@dataclass(frozen=True, eq=False)
class _CellGrid:
    """Where a tag of unit size is sampled; `data` marks the cells (n,) that carry the code."""

    cells: NDArray
    dots: NDArray
    data: NDArray
    paper: NDArray
    black_fit: NDArray
    white_fit: NDArray


@cache
def _cell_grid(size: int) -> _CellGrid:
    n_cells = size + 2
    cell = 2.0 / n_cells
    centre = (np.arange(n_cells) + 0.5) * cell - 1
    cells = np.stack(np.meshgrid(centre, -centre), axis=-1).reshape(-1, 2)
    dots = 0.22 * cell * np.array([(x, y) for y in (-1, 1) for x in (-1, 1)])
    data = np.pad(np.ones((size, size), bool), 1).ravel()
    beyond = np.full(n_cells, 1 + 0.4 * cell)  # within the half cell of white that every layout leaves
    sides = [(centre, beyond), (centre, -beyond), (beyond, centre), (-beyond, centre)]
    paper = np.concatenate([np.stack(side, axis=-1) for side in sides])
    return _CellGrid(
        cells, dots, data, paper, np.linalg.pinv(_plane(cells[~data])), np.linalg.pinv(_plane(paper))
    )


def tag_cells(grey: NDArray, H: NDArray, size: int) -> tuple[NDArray, NDArray]:
    """Read squares as tags of `size` by `size` data cells: (levels, share of the frame that looks right).

    H (m, 3, 3) maps the unit square (+-1) to pixels. Levels (m, size * size) run from -1 (black) to +1
    (white) between two planes, fitted to the black border and to the paper just outside; the share (m,)
    counts samples of border and paper on their right side.
    """
    grid = _cell_grid(size)
    points = np.concatenate([(grid.cells[:, None] + grid.dots).reshape(-1, 2), grid.paper])
    levels = sample(grey, map_points(H, points))
    n_dots = 4 * len(grid.cells)
    cells, white = levels[:, :n_dots].reshape(len(H), len(grid.cells), 4).mean(axis=2), levels[:, n_dots:]
    black_plane, white_plane = cells[:, ~grid.data] @ grid.black_fit.T, white @ grid.white_fit.T

    def scaled(points: NDArray, values: NDArray) -> NDArray:
        low, high = black_plane @ _plane(points).T, white_plane @ _plane(points).T
        return (2 * values - low - high) / np.maximum(high - low, 6.0)

    border = scaled(grid.cells[~grid.data], cells[:, ~grid.data]) < 0
    paper = scaled(grid.paper, white) > 0
    return scaled(grid.cells[grid.data], cells[:, grid.data]), np.concatenate([border, paper], 1).mean(axis=1)


def _plane(points: NDArray) -> NDArray:
    return np.column_stack([points, np.ones(len(points))])
