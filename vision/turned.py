"""Files whose pixels were turned before they were stored (some apps and decoders do), turned back.

The lens and the read-out belong to the sensor, so such photos cannot share a lens with the others as they
are. Which way they were turned is not written in them: both quarter turns are adjusted with the other
photos, and the chi-square decides.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from vision.adjust import Adjustment
from vision.detect import Detection
from vision.errors import NotEnoughError
from vision.lenses import agree
from vision.sightings import FoundPhoto

# The better turn must be better by this much in chi-square (three standard uncertainties of one value);
# else the photos keep a lens of their own.
LEAST_BETTER = 9.0


def turned_photos(found: Sequence[FoundPhoto]) -> tuple[int, ...]:
    """Indices of the photos that agree with others in all but being stored the other way up.

    Those of the rarer shape: phones store the sensor's shape, whichever way they are held.
    """
    turned = []
    for i, photo in enumerate(found):
        swapped = (photo.size_px[1], photo.size_px[0])
        if swapped == photo.size_px:
            continue
        alike = [f for f in found if agree(f.exif, photo.exif)]
        n_same = sum(f.size_px == photo.size_px for f in alike)
        n_swapped = sum(f.size_px == swapped for f in alike)
        # Of as many of either, the upright ones count as turned: sensors lie on their long side.
        is_upright = photo.size_px[0] < photo.size_px[1]
        if n_swapped > n_same or (n_swapped == n_same > 0 and is_upright):
            turned.append(i)
    return tuple(turned)


def turned_back(photo: FoundPhoto, clockwise: bool) -> FoundPhoto:
    """The photo as the sensor had it, if its pixels were turned a quarter clockwise (or the other way)."""
    width, height = photo.size_px
    # Stored (x, y) of a sensor pixel (X, Y): clockwise (width - 1 - Y, X), else (Y, height - 1 - X).
    R = np.array([[0.0, 1.0], [-1.0, 0.0]]) if clockwise else np.array([[0.0, -1.0], [1.0, 0.0]])
    origin = np.array([0.0, width - 1.0]) if clockwise else np.array([height - 1.0, 0.0])

    def of_sensor(d: Detection) -> Detection:
        return replace(d, saddles_px=d.saddles_px @ R.T + origin, cov_px2=R @ d.cov_px2 @ R.T)

    return replace(photo, size_px=(height, width), detections=tuple(of_sensor(d) for d in photo.detections))


def with_turns_undone(
    found: Sequence[FoundPhoto], adjusted: Callable[[Sequence[FoundPhoto]], Adjustment]
) -> tuple[FoundPhoto, ...]:
    """The same photos, those stored turned turned back where the adjustment can tell which way.

    Args:
        adjusted: Adjusts a set of found photos; may raise NotEnoughError.
    """
    turned = set(turned_photos(found))
    if not turned:
        return tuple(found)
    tries = []
    for clockwise in (True, False):
        candidate = tuple(turned_back(f, clockwise) if i in turned else f for i, f in enumerate(found))
        try:
            adjustment = adjusted(candidate)
        except NotEnoughError:
            continue
        tries.append((adjustment.chi2 + 30.0 * float(adjustment.rejected.sum()), candidate))
    tries.sort(key=lambda t: t[0])
    if len(tries) == 2 and tries[1][0] - tries[0][0] > LEAST_BETTER:
        return tries[0][1]
    return tuple(found)
