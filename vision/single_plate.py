"""What one flat plate in one photo tells by itself: two poses, and how well they fit."""

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.camera import unproject
from vision.homography import map_points
from vision.observe import Observations

# A plate's misfit below this is the lens model's, not the pose's: distortion not yet known bends every
# plate by some hundredths of a pixel.
MODEL_U_PX = 0.1
# Where no point is farther from the plane that fits all than this, there is no gross point to look for.
LEAST_GROSS_PX = 5 * MODEL_U_PX


def plate_poses(points_mm: NDArray, saddles_px: NDArray, lens: NDArray) -> tuple[NDArray, NDArray]:
    """Both poses `T_camera_plate` (2, 4, 4) of one flat plate, better first, and their misfit rms in px.

    Collins and Bartoli, "Infinitesimal plane-based pose estimation" (2014), as OpenCV has it. Points that do
    not lie in one plane with the others (least median of squares) are left out: one gross point can make
    the mirrored pose fit better. Least median of squares is a verdict of the majority: where distortion bends
    a plate in a photo's corner so much that only a few points, perhaps in a row, fit any plane, all stay in.
    """
    rays = unproject(saddles_px, lens)
    known = np.isfinite(rays).all(1)
    known[known] = _in_one_plane(points_mm[known], rays[known, :2] * lens[0])
    object_mm = np.c_[points_mm[known], np.zeros(known.sum())]
    _, turns, shifts, misfits = cv2.solvePnPGeneric(
        object_mm, np.ascontiguousarray(rays[known, :2]), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
    )
    T = np.stack(
        [
            geometry.transform(geometry.rotation_exp(w[:, 0]), t[:, 0])
            for w, t in zip(turns, shifts, strict=True)
        ]
    )
    rms = np.asarray(misfits, float)[:, 0] * lens[0]
    order = np.argsort(rms, kind="stable")
    return T[order], rms[order]


def _in_one_plane(points_mm: NDArray, points_px: NDArray) -> NDArray:
    """(n,) which points a homography can map: by least median of squares, if that finds a majority."""
    H, _ = cv2.findHomography(points_mm, points_px)
    if H is not None:
        off_px = np.linalg.norm(map_points(H, points_mm) - points_px, axis=1)
        if off_px.max() < LEAST_GROSS_PX:
            return np.ones(len(points_mm), bool)
    _, fits = cv2.findHomography(points_mm, points_px, cv2.LMEDS)
    if fits is None or fits.sum() < max(4, len(fits) / 2):
        return np.ones(len(points_mm), bool)
    return fits[:, 0].astype(bool)


def focal_length_seen(observed: Observations, lens: int, scales: NDArray) -> float:
    """The focal length, in px, at which the plates of one lens look most like flat squares.

    For photos without EXIF. A search over 0.3 to 3 long sides (all phones' lenses) in steps of 4 %.
    """
    groups = np.flatnonzero(observed.lens_of_photo[observed.photo] == lens)
    size = observed.size_px[observed.photo[groups[0]]]
    candidates = size.max() * np.geomspace(0.3, 3.0, 60)
    misfit = []
    for f in candidates:
        vector = np.array([f, (size[0] - 1) / 2, (size[1] - 1) / 2, 0, 0, 0, 0, 0, 0])
        total = 0.0
        for g in groups:
            use = observed.used[g]
            points = observed.points_mm[g, use] * scales[observed.plate[g]]
            _, rms = plate_poses(points, observed.saddles_px[g, use], vector)
            total += float(np.log(rms[0] ** 2 + MODEL_U_PX**2)) * use.sum()
        misfit.append(total)
    return float(candidates[int(np.argmin(misfit))])
