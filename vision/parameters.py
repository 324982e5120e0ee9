"""The unknowns of a set: where each stands in the state, and what is known of it beforehand.

Poses: `T_world_camera` of each photo, `T_world_plate` of each plate, `T_world_fixture` of each fixture.
Values, per photo: relative change of the focal length, shift of the principal point (2 px), twist
during read-out (3 mm, 3 rad); per lens: camera.LENS_KEYS; per plate: own scale error, x-y scale
difference, bow along x and along y (mm); and one ruler error common to all sheets.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.camera import N_LENS
from vision.kit import Kit, Plate
from vision.least_squares import PriorBlock, State, prior

# The kit's default where nobody measured the print: 3 %, as A4 and Letter fitted to each other's page.
U_UNMEASURED_SCALE = 0.03
N_PHOTO_VALUES = 9  # df, dcx, dcy, v (3 mm), w (3 rad)
N_PLATE_VALUES = 4  # scale, difference, bow x, bow y


@dataclass(frozen=True)
class PhotoPriors:
    """How much a phone's optics and the hand change from photo to photo (standard uncertainties).

    Focus moves the focal length; stabilisation shifts the principal point (stated relative to the
    long side); the hand moves and turns the phone while the rows are read out. Orders of magnitude:
    common practice, no source; the study of wrong assumptions tells what a factor of two does.
    """

    u_focal: float = 0.0015
    u_centre: float = 0.001  # of the long side: 4 px of 4032
    u_move_mm: float = 0.3
    u_turn_rad: float = 3e-4


@dataclass(frozen=True, eq=False)
class LensPrior:
    """What is known of a lens before the photos: camera.LENS_KEYS' mean (9,) and covariance (9, 9)."""

    mean: NDArray
    covariance: NDArray


@dataclass(frozen=True)
class Unknowns:
    """Where things stand in a State, by counts."""

    n_photos: int
    n_lenses: int
    n_plates: int
    n_fixtures: int

    @property
    def n_poses(self) -> int:
        return self.n_photos + self.n_plates + self.n_fixtures

    @property
    def n_values(self) -> int:
        return N_PHOTO_VALUES * self.n_photos + N_LENS * self.n_lenses + N_PLATE_VALUES * self.n_plates + 1

    def plate_pose(self, plate: int | NDArray) -> int | NDArray:
        return self.n_photos + plate

    def fixture_pose(self, fixture: int | NDArray) -> int | NDArray:
        return self.n_photos + self.n_plates + fixture

    def photo_values(self) -> NDArray:
        """Indices (P, 9) into values."""
        return np.arange(N_PHOTO_VALUES * self.n_photos).reshape(-1, N_PHOTO_VALUES)

    def lens_values(self) -> NDArray:
        """Indices (L, 9)."""
        first = N_PHOTO_VALUES * self.n_photos
        return first + np.arange(N_LENS * self.n_lenses).reshape(-1, N_LENS)

    def plate_values(self) -> NDArray:
        """Indices (N, 4)."""
        first = N_PHOTO_VALUES * self.n_photos + N_LENS * self.n_lenses
        return first + np.arange(N_PLATE_VALUES * self.n_plates).reshape(-1, N_PLATE_VALUES)

    def ruler_value(self) -> int:
        return self.n_values - 1


def parameter_priors(
    unknowns: Unknowns,
    state: State,
    *,
    kit: Kit,
    plates: Sequence[int],
    size_px: NDArray,
    photo_priors: PhotoPriors = PhotoPriors(),
) -> tuple[PriorBlock, ...]:
    """Priors of all plain values except the lenses' own, one block per budget line.

    Args:
        plates: Plate numbers in index order; each is in the kit.
        size_px: (P, 2).
    """
    photo, plate = unknowns.photo_values(), unknowns.plate_values()
    declared = [kit.plates[number] for number in plates]
    long_px = size_px.max(1)[:, None]
    # What one printer setting does to all sheets alike, where no ruler was ever put on one of them.
    u_printer = 0.0 if any(p.scale_is_measured for p in declared) else U_UNMEASURED_SCALE
    u_common = float(np.hypot(kit.u_ruler_scale, u_printer))

    def of_plates(u_of: list[float]) -> NDArray:
        return np.array(u_of)

    return (
        prior("refocus", state, photo[:, 0], 0.0, photo_priors.u_focal),
        prior("refocus", state, photo[:, 1:3], 0.0, np.repeat(photo_priors.u_centre * long_px, 2, 1).ravel()),
        prior("read_out", state, photo[:, 3:6], 0.0, photo_priors.u_move_mm),
        prior("read_out", state, photo[:, 6:9], 0.0, photo_priors.u_turn_rad),
        prior("print_scale", state, plate[:, 0], 0.0, of_plates([p.u_printed_scale for p in declared])),
        prior("print_scale", state, plate[:, 1], 0.0, of_plates([p.u_scale_difference for p in declared])),
        prior("flatness", state, plate[:, 2:4], 0.0, np.repeat([p.u_bow_mm for p in declared], 2)),
        prior("print_scale", state, np.array([unknowns.ruler_value()]), 0.0, u_common),
    )


def printed_scales(plates: Sequence[Plate]) -> NDArray:
    """(N, 2) declared scales along x and y."""
    return np.array([p.printed_scale_xy for p in plates], float).reshape(-1, 2)
