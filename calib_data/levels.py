"""What an adjustment leaves over, photo by photo and plate by plate."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.adjust import Adjustment


@dataclass(frozen=True)
class PlateLevel:
    """A plate in a photo.

    Attributes:
        n: Points that were used.
        rms: Root mean square of their whitened residuals, in the detector's own uncertainties: about 1.
        rms_px: Of the residuals per coordinate, in px.
        box_px: Left, top, right, bottom of its points in the stored array, whole px.
    """

    plate: int
    n: int
    rms: float
    rms_px: float
    box_px: tuple[int, int, int, int]


@dataclass(frozen=True)
class PhotoLevel:
    """A photo: all its plates together, and each; the worst is the one with the largest `rms`."""

    name: str
    n: int
    rms: float
    worst: PlateLevel
    plates: tuple[PlateLevel, ...]


def photo_levels(adjustment: Adjustment) -> Iterator[PhotoLevel]:
    """The photos that took part, in their order."""
    block, state = adjustment.saddles, adjustment.state
    o = block.observed
    # The noise may have been scaled to what was seen; a level is told before that, as chi-square is.
    squares = ((adjustment.noise_factor * block.residuals(state)) ** 2).reshape(*o.used.shape, 2).sum(-1)
    squares_px = (block.residuals_px(state) ** 2).sum(-1)
    for i, name in enumerate(o.photo_names):
        groups = np.flatnonzero((o.photo == i) & o.used.any(1))
        if len(groups):
            used = o.used[groups]
            of_plates = tuple(
                PlateLevel(
                    o.plates[o.plate[g]],
                    int(o.used[g].sum()),
                    _rms(squares[g], o.used[g]),
                    _rms(squares_px[g], o.used[g]),
                    _box(o.saddles_px[g][o.used[g]]),
                )
                for g in groups
            )
            worst = max(of_plates, key=lambda one: one.rms)
            yield PhotoLevel(name, int(used.sum()), _rms(squares[groups], used), worst, of_plates)


def _rms(squares: NDArray, used: NDArray) -> float:
    """Per coordinate."""
    return float(np.sqrt(squares[used].sum() / (2 * int(used.sum()))))


def _box(points_px: NDArray) -> tuple[int, int, int, int]:
    low, high = np.floor(points_px.min(0)).astype(int), np.ceil(points_px.max(0)).astype(int)
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])
