"""Detections + Kit -> Observations: flat arrays, one group per plate in a photo."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.detect import Detection
from vision.layout import Layout

# Displacements of the common linear terms are stated at this distance from the plate's centre.
AFFINE_ARM_MM = 80.0


@dataclass(frozen=True, eq=False)
class Sighting:
    """What measuring needs from one photo once its plates are found.

    Attributes:
        name: The photo's file name, for messages.
        size_px: (width, height) of the stored array.
        lens: Index of the lens that took it (grouped by cameras.group_lenses).
        detections: One per plate number.
    """

    name: str
    size_px: tuple[int, int]
    lens: int
    detections: tuple[Detection, ...]


@dataclass(frozen=True, eq=False)
class Observations:
    """All saddles of a set: G groups (one plate in one photo), padded to n points each.

    Attributes:
        plates: Plate numbers, in the order of the plate index.
        lens_of_photo: (P,) lens index of each photo.
        size_px: (P, 2) width and height; the rows are the time axis of the read-out.
        photo, plate: (G,) indices.
        points_mm: (G, n, 2) nominal saddle coordinates in the plate frame.
        half_mm: (G,) half width of the plate's pattern, the unit of its bow.
        saddles_px: (G, n, 2) observed.
        sqrt_information: (G, n, 2, 2): L with L' L = inverse of the point's own covariance.
        used: (G, n) bool; False for padding and for rejected points.
        u_shift_px, u_affine_px: (G,) what the points of a group have in common (Detection).
    """

    photo_names: tuple[str, ...]
    plates: tuple[int, ...]
    lens_of_photo: NDArray
    size_px: NDArray
    photo: NDArray
    plate: NDArray
    points_mm: NDArray
    half_mm: NDArray
    saddles_px: NDArray
    sqrt_information: NDArray
    used: NDArray
    u_shift_px: NDArray
    u_affine_px: NDArray
    incidence_deg: NDArray

    @property
    def n_photos(self) -> int:
        return len(self.photo_names)

    @property
    def n_lenses(self) -> int:
        return int(self.lens_of_photo.max()) + 1

    def with_noise_scaled(self, factor: float | NDArray) -> "Observations":
        """The same points with all their uncertainties times a factor, one or per group."""
        k = np.broadcast_to(np.asarray(factor, float), self.photo.shape)
        return replace(
            self,
            sqrt_information=self.sqrt_information / k[:, None, None, None],
            u_shift_px=self.u_shift_px * k,
            u_affine_px=self.u_affine_px * k,
        )

    def without(self, rejected: NDArray) -> "Observations":
        """The same points, some (G, n) of them not used."""
        return replace(self, used=self.used & ~rejected)


def _sqrt_information(cov: NDArray) -> NDArray:
    """L (..., 2, 2), upper triangular, with L' L = cov^-1."""
    a, b, c = cov[..., 0, 0], cov[..., 0, 1], cov[..., 1, 1]
    out = np.zeros_like(cov)
    # Cholesky of the 2 x 2 inverse, written out: cov^-1 = 1/det [[c, -b], [-b, a]].
    det = a * c - b * b
    out[..., 0, 0] = np.sqrt(c / det)
    out[..., 0, 1] = -b / np.sqrt(c * det)
    out[..., 1, 1] = 1 / np.sqrt(c)
    return out


def observe(sightings: Sequence[Sighting], layouts: Mapping[str, Layout]) -> Observations:
    """Lay the detections of all photos out as arrays.

    Args:
        layouts: By name, as detections name them.
    """
    groups = [(i, d) for i, s in enumerate(sightings) for d in s.detections]
    plates = tuple(sorted({d.plate for _, d in groups}))
    index_of = {plate: k for k, plate in enumerate(plates)}
    n = max((len(d.saddle_index) for _, d in groups), default=0)
    shape = (len(groups), n)
    points, saddles = np.zeros((*shape, 2)), np.zeros((*shape, 2))
    cov, used = np.broadcast_to(np.eye(2), (*shape, 2, 2)).copy(), np.zeros(shape, bool)
    for g, (_, d) in enumerate(groups):
        k = len(d.saddle_index)
        points[g, :k] = layouts[d.layout].saddles_mm[d.saddle_index]
        saddles[g, :k], cov[g, :k], used[g, :k] = d.saddles_px, d.cov_px2, True
    return Observations(
        photo_names=tuple(s.name for s in sightings),
        plates=plates,
        lens_of_photo=np.array([s.lens for s in sightings], int),
        size_px=np.array([s.size_px for s in sightings], int),
        photo=np.array([i for i, _ in groups], int),
        plate=np.array([index_of[d.plate] for _, d in groups], int),
        points_mm=points,
        half_mm=np.array([layouts[d.layout].pattern_half_mm for _, d in groups]),
        saddles_px=saddles,
        sqrt_information=_sqrt_information(cov),
        used=used,
        u_shift_px=np.array([d.u_shift_px for _, d in groups]),
        u_affine_px=np.array([d.u_affine_px for _, d in groups]),
        incidence_deg=np.array([d.incidence_deg for _, d in groups]),
    )
