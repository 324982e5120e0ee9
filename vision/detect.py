"""Photo -> Detections: plate number, saddles in pixels, and how sure each of them is."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from vision.homography import jacobian, map_points, narrow_scale
from vision.layout import Layout
from vision.photo import Photo
from vision.refine import CAPTURE_CELLS, Refined, narrow_cell_px, refine_plates, ring_contrast
from vision.squares import UNIT_SQUARE, DarkSquares, dark_squares, square_homographies, tag_cells
from vision.tagcode import nearest_code, tag_family


@dataclass(frozen=True, eq=False)
class Detection:
    """One plate in one photo.

    Attributes:
        plate: The printed number.
        layout: Name of its layout.
        saddle_index: (n,) positions in the layout's `saddles_mm`.
        saddles_px: (n, 2) in the stored array's axes, (0, 0) at the centre of the top-left pixel.
        cov_px2: (n, 2, 2) covariance of each point by itself (noise, blur, size, obliquity).
        u_shift_px: Standard uncertainty, per axis, of a shift common to all points of this plate here.
        u_affine_px: The same for the four linear terms common to the plate's points, expressed as the
            displacement they cause at 80 mm from the plate's centre.
        tag_read: False where the plate was confirmed by its ring alone or found by prediction.
        tag_edge_px: Shortest imaged tag edge.
        incidence_deg: Angle between the line of sight and the plate's normal, from the homography.
        says: Sharpness and exposure in words; empty when nothing is to be said.
    """

    plate: int
    layout: str
    saddle_index: NDArray
    saddles_px: NDArray
    cov_px2: NDArray
    u_shift_px: float
    u_affine_px: float
    tag_read: bool
    tag_edge_px: float
    incidence_deg: float
    says: str = ""


MOST_WRONG_READ = 4  # 36h11 codes differ in 11 cells or more: with 4 wrong ones no other code is as near
LEAST_LEAD = 3  # cells by which the next best code must be worse
MOST_CHANCE = 0.01  # that a wholly hidden tag looks, by accident, like one of the codes asked for
# Chance lets up to ten of 44 places round bare tags pass for saddles, and a small over-exposed cross may lock
# a cell off on up to 13 of its 29.
LEAST_SADDLES_READ, LEAST_SHARE_READ = 11, 0.45
# Both at once tell a texture. True plates, with glare and steep ones: misfit up to 2.3 (two sets); a wavy
# sheet in a sharp photo may exceed the first only.
MOST_MISFIT, MOST_MISFIT_CELLS = 12.0, 0.03
LEAST_SHARE_HIDDEN = 0.5  # of a plate's saddles, where the tag was not read
# A tag edge of 25 px has cells of 3.5 px. On rendered photos plates with cells down to 1.8 px keep to their
# stated uncertainty; at 1.4 px they are off by 0.3 px as a whole.
LEAST_CELL_PX = 1.8
DIAGONAL_35MM = 43.27  # mm, the diagonal of a 36 x 24 mm frame (CIPA DC-008, FocalLengthIn35mmFilm)
USUAL_FOCAL_35MM = 26.0  # of a phone's main lens; common practice, no source
USUAL_EXPOSURE_S = 1 / 60  # indoors, where EXIF does not tell; common practice, no source
# From these on a sharper photo would measure visibly better; common practice, no source.
MOST_BLUR_PX, MOST_BLUR_CELLS, LEAST_STEP_LEVELS, LEAST_SHARE_CLEAR = 1.6, 0.35, 20.0, 0.9


def detect_plates(
    photo: Photo, layouts: Iterable[Layout], plates: Collection[int] | None = None
) -> tuple[Detection, ...]:
    """Every plate that its ring confirms and whose tag, whole or in part, tells the number.

    Args:
        plates: The numbers that the kit has; others are ignored. None: any number of the layouts.

    Returns:
        By plate number. A number seen twice in one photo comes twice: that is a fact to report.
    """
    squares = dark_squares(photo.grey)
    found = [d for layout in layouts for d in _plates_of_layout(photo, layout, squares, plates)]
    return tuple(sorted(found, key=lambda d: (d.plate, d.saddles_px[0, 0])))


def find_predicted(
    photo: Photo, layout: Layout, plates: Sequence[int], H_px_plate: NDArray
) -> tuple[Detection, ...]:
    """Plates of one layout by their rings, each looked for within 0.45 cell of where it is predicted.

    Args:
        plates: m plate numbers.
        H_px_plate: (m, 3, 3) mm to pixels, as predicted.
    """
    H = np.array(H_px_plate, dtype=float).reshape(-1, 3, 3)
    numbers = np.array(plates, dtype=int)
    finite = np.isfinite(H).all(axis=(1, 2))
    H, numbers = H[finite], numbers[finite]
    sane = _is_sane(H, layout, photo.size_px)
    H, numbers = H[sane], numbers[sane]
    if not len(H):
        return ()
    refined = refine_plates(photo.grey, H, layout, _focal_px(photo))
    enough = refined.good.sum(axis=1) >= LEAST_SHARE_HIDDEN * len(layout.saddles_mm)
    every = np.arange(len(layout.saddles_mm))
    return tuple(
        _detection(photo, layout, int(numbers[k]), refined, int(k), every, tag_read=False)
        for k in np.flatnonzero(enough & _is_plate(refined, layout, photo.size_px))
        if _moved_cells(refined, int(k), H[k], layout) <= CAPTURE_CELLS
    )


def _moved_cells(refined: Refined, k: int, H: NDArray, layout: Layout) -> float:
    """How far, in cells, plate k's saddles were found from where H predicted them (median per axis)."""
    moved_px = refined.saddles_px[k] - map_points(H, layout.saddles_mm)
    moved_cells = np.linalg.solve(jacobian(H, layout.saddles_mm), moved_px[..., None]) / layout.cell_mm
    return float(np.median(np.abs(moved_cells[refined.good[k]])))


def _plates_of_layout(
    photo: Photo, layout: Layout, squares: DarkSquares, plates: Collection[int] | None
) -> list[Detection]:
    numbers = np.arange(layout.first_plate, layout.first_plate + layout.n_plates)
    if plates is not None:
        numbers = np.array([p for p in numbers if p in plates], dtype=int)
    if not len(numbers):
        return []
    starts, read = _starts(photo, layout, squares, numbers)
    if not len(starts):
        return []
    refined = refine_plates(photo.grey, starts, layout, _focal_px(photo))
    sound = _is_plate(refined, layout, photo.size_px)
    n_good = np.where(sound, refined.good.sum(axis=1), 0)
    separate = _separate(refined.H_px_plate[sound], (n_good + 100.0 * read)[sound], layout)
    kept = np.flatnonzero(sound)[separate]
    detections = []
    for k, identity in zip(
        kept, _identify(photo.grey, layout, refined.H_px_plate[kept], numbers), strict=True
    ):
        if identity is not None:
            plate, index, tag_read = identity
            if tag_read or n_good[k] >= LEAST_SHARE_HIDDEN * len(index):
                detections.append(_detection(photo, layout, plate, refined, k, index, tag_read))
    return detections


def _is_plate(refined: Refined, layout: Layout, size_px: tuple[int, int]) -> NDArray:
    """(m,) whether what was refined can be a plate: enough saddles, in one plane, not only in a row."""
    good = refined.good
    n = good.sum(axis=1)
    pixels = map_points(refined.H_px_plate, layout.saddles_mm)
    n_inside = ((pixels > 0) & (pixels < np.array(size_px) - 1)).all(axis=2).sum(axis=1)
    weight = good / np.maximum(n, 1)[:, None]
    u_px = np.sqrt((weight * np.trace(refined.cov_px2, axis1=2, axis2=3)).sum(axis=1) / 2)
    mean = weight @ layout.saddles_mm
    second = np.einsum("mn,ni,nj->mij", weight, layout.saddles_mm, layout.saddles_mm)
    narrow = np.linalg.eigvalsh(second - mean[:, :, None] * mean[:, None, :])[:, 0]
    return (
        _is_sane(refined.H_px_plate, layout, size_px)
        & (n >= np.maximum(LEAST_SADDLES_READ, LEAST_SHARE_READ * n_inside))
        & (
            (refined.misfit < MOST_MISFIT)
            | (u_px < MOST_MISFIT_CELLS * narrow_cell_px(refined.H_px_plate, layout))
        )
        & (narrow > layout.cell_mm**2)
    )


def _starts(photo: Photo, layout: Layout, squares: DarkSquares, numbers: NDArray) -> tuple[NDArray, NDArray]:
    """Homographies (m, 3, 3) of plates that the squares suggest, and whether (m,) a tag was read there."""
    # The ring tells turns apart only as far as it is not symmetric under them.
    n_distinct = 4 // len(_symmetries(layout))
    turned = np.stack([np.roll(squares.smooth, t, axis=1) for t in range(4)])
    starts = []
    outline = layout.pattern_half_mm * UNIT_SQUARE
    guesses = [square_homographies(outline, np.roll(squares.ragged, t, axis=1)) for t in range(n_distinct)]
    cells_of = {
        name: tag_cells(photo.grey, square_homographies(UNIT_SQUARE, squares.smooth), tag_family(name).size)
        for name in {tag.dictionary for tag in layout.tags}
    }
    for slot, tag in enumerate(layout.tags):
        cells, frame = cells_of[tag.dictionary]
        ids = np.array([layout.tag_id(int(p), slot) for p in numbers])
        framed = np.flatnonzero(frame > 0.7)
        reading = nearest_code(tag_family(tag.dictionary), ids, cells[framed])
        told = (reading.wrong <= MOST_WRONG_READ) & (reading.lead >= LEAST_LEAD)
        starts.append(square_homographies(tag.corners_mm, turned[reading.turn[told], framed[told]]))
        if len(layout.tags) == 1:  # of several tags one is read, or the plate is too much hidden to be named
            doubtful = frame > 0.5
            doubtful[framed[told]] = False
            guesses += [square_homographies(tag.corners_mm, turned[t, doubtful]) for t in range(n_distinct)]
    sure, guess = np.concatenate(starts), np.concatenate(guesses)
    sure = sure[_is_sane(sure, layout, photo.size_px)]
    guess = guess[_is_sane(guess, layout, photo.size_px)]
    sure, _ = _settled(photo.grey, sure, layout, (0.86, 0.93, 1.0, 1.07, 1.15))
    guess, share = _settled(photo.grey, guess, layout, (1.0,))
    guess, share = _settled(photo.grey, guess[share > 0.5 * LEAST_SHARE_HIDDEN], layout, (0.94, 1.0, 1.06))
    guess, share = guess[share > LEAST_SHARE_HIDDEN], share[share > LEAST_SHARE_HIDDEN]
    H = np.concatenate([sure, guess])
    rank = np.concatenate([np.full(len(sure), 2.0), share])
    kept = _separate(H, rank, layout)
    return H[kept], rank[kept] == 2


def _settled(grey: NDArray, H: NDArray, layout: Layout, scales: tuple[float, ...]) -> tuple[NDArray, NDArray]:
    """Stretch each start along x and y to where the ring shows best; also the share (m,) of visible saddles.

    Blur and over-exposure make a dark square look up to a tenth smaller than it is.
    """
    if not len(H):
        return H, np.zeros(0)
    stretch = np.array([np.diag([sx, sy, 1.0]) for sx in scales for sy in scales])
    trials = H[:, None] @ stretch
    contrast = ring_contrast(grey, trials.reshape(-1, 3, 3), layout).reshape(*trials.shape[:2], -1)
    level = np.maximum(np.median(np.abs(contrast), axis=2, keepdims=True), 3.0)
    best = np.argmax(np.clip(contrast, -level, level).sum(axis=2), axis=1)
    rows = np.arange(len(H))
    return trials[rows, best], (contrast[rows, best] > 0.4 * level[rows, best]).mean(axis=1)


def _is_sane(H: NDArray, layout: Layout, size_px: tuple[int, int]) -> NDArray:
    """(m,) whether a plate seen so faces the camera, lies in the photo and has cells wide enough."""
    corners = layout.pattern_half_mm * UNIT_SQUARE
    w = corners @ H[:, 2, :2, None] + H[:, 2, 2, None, None]
    ahead = (w * np.sign(H[:, 2, 2, None, None]) > 0).all(axis=(1, 2))
    H = np.where(ahead[:, None, None], H, np.diag([1.0, -1.0, 1.0]))
    J = jacobian(H, np.concatenate([corners, np.zeros((1, 2))]))
    faces = (np.linalg.det(J) < 0).all(axis=1)  # plate y runs up, pixel y down
    wide = narrow_scale(J).min(axis=1) * layout.cell_mm > LEAST_CELL_PX
    pixels = map_points(H, layout.saddles_mm)
    inside = ((pixels > 0) & (pixels < np.array(size_px) - 1)).all(axis=2).sum(axis=1) >= LEAST_SADDLES_READ
    return ahead & faces & wide & inside


def _separate(H: NDArray, rank: NDArray, layout: Layout) -> list[int]:
    """The best-ranked of those that lie on one another, best first."""
    middle = np.zeros((1, 2))
    centre = map_points(H, middle)[:, 0]
    size = np.sqrt(np.abs(np.linalg.det(jacobian(H, middle)[:, 0]))) * layout.pattern_half_mm
    kept: list[int] = []
    for k in np.argsort(-rank, kind="stable"):
        if all(np.linalg.norm(centre[k] - centre[j]) > 0.5 * min(size[k], size[j]) for j in kept):
            kept.append(int(k))
    return kept


def _identify(
    grey: NDArray, layout: Layout, H: NDArray, numbers: NDArray
) -> list[tuple[int, NDArray, bool] | None]:
    """For each plate (plate number, the layout's saddle at each refined point, tag read), by its tags.

    The tags are read where the ring says that they are, in every turn that the ring leaves open.
    """
    symmetries = _symmetries(layout)
    wrong = np.zeros((len(H), len(symmetries), len(layout.tags), len(numbers)))
    frame = np.zeros(wrong.shape[:3])
    for i, (turn, _) in enumerate(symmetries):
        for slot, tag in enumerate(layout.tags):
            family = tag_family(tag.dictionary)
            to_tag = square_homographies(tag.corners_mm, UNIT_SQUARE[None])[0]
            cells, frame[:, i, slot] = tag_cells(grey, H @ _turn(turn) @ np.linalg.inv(to_tag), family.size)
            codes = family.signs[[layout.tag_id(int(p), slot) for p in numbers], 0]
            wrong[:, i, slot] = (family.size**2 - np.where(cells < 0, -1.0, 1.0) @ codes.T) / 2
    total = wrong.sum(axis=2)
    n_cells = tag_family(layout.tags[0].dictionary).size ** 2
    n_tried = wrong.size // max(len(H), 1)  # codes, turns and tags
    most_wrong = binom.ppf(MOST_CHANCE / max(n_tried, 1), n_cells, 0.5) - 1
    found: list[tuple[int, NDArray, bool] | None] = []
    for k in range(len(H)):
        i, j = divmod(int(np.argmin(total[k])), len(numbers))
        least = wrong[k, i, :, j].min()
        others = np.delete(total[k].ravel(), i * len(numbers) + j)
        lead = others.min() - total[k, i, j] if len(others) else np.inf
        if least <= most_wrong and lead >= LEAST_LEAD:
            read = (wrong[k, i, :, j] <= MOST_WRONG_READ) & (frame[k, i] > 0.7)
            found.append((int(numbers[j]), symmetries[i][1], bool(read.any())))
        else:
            found.append(None)
    return found


def _turn(turn: int) -> NDArray:
    """Quarter turns counter-clockwise of plate mm."""
    c, s = ((1, 0), (0, 1), (-1, 0), (0, -1))[turn]
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])


def _symmetries(layout: Layout) -> list[tuple[int, NDArray]]:
    """Quarter turns under which the saddles look the same, each with the saddle that comes to each place."""
    found = []
    for turn in range(4):
        turned = layout.saddles_mm @ _turn(turn)[:2, :2]  # rows: the inverse turn of each place
        distance = np.linalg.norm(turned[:, None] - layout.saddles_mm[None], axis=2)
        index = distance.argmin(axis=1)
        same = distance.min(axis=1).max() < 1e-3 * layout.cell_mm
        if same and np.all(layout.polarity[index] == layout.polarity * (-1) ** turn):
            found.append((turn, index))
    return found


def _detection(
    photo: Photo, layout: Layout, plate: int, refined: Refined, k: int, index: NDArray, tag_read: bool
) -> Detection:
    good = np.flatnonzero(refined.good[k])
    good = good[np.argsort(index[good])]
    H = refined.H_px_plate[k]
    edges = [map_points(H, tag.corners_mm) for tag in layout.tags]
    cov_px2 = refined.cov_px2[k, good]
    cov_px2 = (cov_px2 + np.swapaxes(cov_px2, 1, 2)) / 2  # to the last bit
    u_shift_px, u_affine_px = _common_parts(photo, layout, H, cov_px2, refined.blur_px[k])
    return Detection(
        plate=plate,
        layout=layout.name,
        saddle_index=_fixed(index[good]),
        saddles_px=_fixed(refined.saddles_px[k, good]),
        cov_px2=_fixed(cov_px2),
        u_shift_px=u_shift_px,
        u_affine_px=u_affine_px,
        tag_read=tag_read,
        tag_edge_px=float(min(np.linalg.norm(np.roll(e, -1, axis=0) - e, axis=1).min() for e in edges)),
        incidence_deg=_incidence_deg(H, photo),
        says=_says(photo, layout, refined, k),
    )


def _common_parts(
    photo: Photo, layout: Layout, H: NDArray, cov_px2: NDArray, blur_px: float
) -> tuple[float, float]:
    """(u_shift_px, u_affine_px), from three causes.

    Noise that reaches beyond one window, so that neighbours share it: on rendered photos (against the
    true geometry, after the motion during read-out) a quarter of a point's own uncertainty, in shift and
    affine part alike. The hand's acceleration while the shutter is open, which shifts the middle of the
    smear by the time squared: 0.003 rad/s2 answers to 0.03 px at 1/16 s. Blur that reaches over a narrow
    cell to what lies beyond the ring: by the fourth power of blur / cell, 0.03 px at 0.9 px / 2.5 px.
    """
    noise_px = 0.25 * float(np.sqrt(np.median(np.trace(cov_px2, axis1=1, axis2=2)) / 2))
    exposure_s = photo.exif.exposure_time_s or USUAL_EXPOSURE_S
    smear_px = 0.003 * _focal_px(photo) * exposure_s**2
    reach_px = 1.8 * float(blur_px / narrow_cell_px(H[None], layout)[0]) ** 4
    return float(np.hypot(noise_px, smear_px)) + 0.002, float(np.hypot(noise_px, reach_px)) + 0.002


def _says(photo: Photo, layout: Layout, refined: Refined, k: int) -> str:
    """What is wrong with the sight of this plate and what to do, in words; empty if nothing is."""
    words = []
    good = refined.good[k]
    white, black = np.median(refined.white[k, good]), np.median(refined.black[k, good])
    blur_px, cell_px = refined.blur_px[k], narrow_cell_px(refined.H_px_plate[k][None], layout)[0]
    if blur_px > MOST_BLUR_PX:
        words.append("blurred: hold the phone still, or tap on the plate to focus")
    elif blur_px > MOST_BLUR_CELLS * cell_px:
        words.append("small or steep here: a photo from nearer, or from higher up, would show it better")
    if np.mean(refined.white[k, good] > 250) > 0.5:
        words.append("over-exposed: tap on the plate so that the phone darkens the photo")
    if white - black < LEAST_STEP_LEVELS:
        words.append("little contrast: put more light on the plate, or keep reflections off it")
    if good.mean() < LEAST_SHARE_CLEAR:
        words.append(
            f"only {good.sum()} of {len(good)} points visible: clear the view, or show the whole plate"
        )
    return "; ".join(words)


def _focal_px(photo: Photo) -> float:
    """Roughly: from EXIF where it tells, else a usual phone's."""
    diagonal_px = np.hypot(*photo.size_px)
    return float((photo.exif.focal_35mm or USUAL_FOCAL_35MM) / DIAGONAL_35MM * diagonal_px)


def _incidence_deg(H: NDArray, photo: Photo) -> float:
    """Between the normal and the line of sight to the plate's centre; a rough focal length will do."""
    width, height = photo.size_px
    f_px = _focal_px(photo)
    K = np.array([[f_px, 0, (width - 1) / 2], [0, f_px, (height - 1) / 2], [0, 0, 1]])
    x, y, sight = np.linalg.solve(K, H).T
    normal = np.cross(x, y)
    cosine = abs(normal @ sight) / (np.linalg.norm(normal) * np.linalg.norm(sight))
    return float(np.degrees(np.arccos(min(1.0, cosine))))


def _fixed(array: NDArray) -> NDArray:
    array.flags.writeable = False
    return array
