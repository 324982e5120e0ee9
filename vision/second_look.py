"""Looking again, once the adjustment tells where every plate must be in every photo.

Hidden tags, steep and small views: their ring is searched at the predicted place. What is found
ties fixture and vehicle together where single photos are precious.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.adjust import Adjustment, Network, adjust
from vision.camera import project
from vision.detect import Detection, find_predicted
from vision.layout import Layout
from vision.least_squares import State
from vision.observe import Sighting, observe
from vision.photo import Photo

# A plate seen flatter than this gives points that weigh nearly nothing; searching there costs time only.
STEEPEST_DEG = 80.0
# Each look can bring photos nearer to the truth and so make more plates findable; a third adds nothing.
N_LOOKS = 2
# A search that failed is worth repeating only where the prediction has moved by about a cell's capture range.
SAME_PLACE_PX = 1.0


def predicted_homography(
    state: State, network: Network, photo: int, plate: int, layout: Layout
) -> NDArray | None:
    """H (3, 3), plate mm to pixels, of a plate (index) in a photo (index); None where it cannot be seen."""
    u, o = network.unknowns, network.observed
    T_camera_plate = geometry.invert(state.poses[photo]) @ state.poses[u.plate_pose(plate)]
    line_of_sight = -T_camera_plate[:3, 3] / np.linalg.norm(T_camera_plate[:3, 3])
    if T_camera_plate[2, 3] <= 0 or T_camera_plate[:3, 2] @ line_of_sight < np.cos(np.radians(STEEPEST_DEG)):
        return None
    lens = state.values[u.lens_values()][o.lens_of_photo[photo]].copy()
    change = state.values[u.photo_values()][photo]
    lens[0] *= 1 + change[0]
    lens[1:3] += change[1:3]
    scale = np.array(network.kit.plates[o.plates[plate]].printed_scale_xy)
    points_mm = layout.saddles_mm
    in_camera = geometry.apply(T_camera_plate, np.c_[points_mm * scale, np.zeros(len(points_mm))])
    # Far outside the picture the lens model folds back into it.
    if (
        np.hypot(in_camera[:, 0], in_camera[:, 1]) > 1.5 * _reach(o.size_px[photo], lens[0]) * in_camera[:, 2]
    ).any():
        return None
    at_px = project(in_camera, lens)
    width, height = o.size_px[photo]
    inside = ((at_px >= 0) & (at_px <= [width - 1, height - 1])).all(1)
    if inside.mean() < 0.5:
        return None
    H, _ = cv2.findHomography(points_mm, at_px, 0)
    return H


def _reach(size_px: NDArray, f_px: float) -> float:
    """Tangent of the angle from the axis to a corner of the photo."""
    return float(np.hypot(*size_px)) / 2 / f_px


# Photo name -> what each look found in it.
LookedAgain = Mapping[str, tuple[tuple[Detection, ...], ...]]


def look_again(
    photos: Mapping[str, Photo],
    stored: LookedAgain,
    sightings: Sequence[Sighting],
    adjustment: Adjustment,
    layouts: Mapping[str, Layout],
    map_photos: Callable[[Callable, Iterable], Iterable] = map,
) -> tuple[tuple[Sighting, ...], Adjustment, LookedAgain]:
    """Find the plates that the adjustment predicts and detection missed, and adjust with them.

    Args:
        photos: By name, asked for only where something is to be searched. May lack photos.
        stored: The photos to look at, each with what the looks of an earlier measuring found in it; that
            counts where its pixels are not at hand.

    Returns:
        The sightings with what was found, the adjustment with it, and what each look found.
    """
    sightings = tuple(sightings)
    searched: dict[tuple[int, int], NDArray] = {}
    looks: list[dict[str, tuple[Detection, ...]]] = []
    for look in range(N_LOOKS):
        wanted = [
            _missing(i, s, adjustment, layouts, searched) if s.name in stored and s.name in photos else ()
            for i, s in enumerate(sightings)
        ]
        jobs = [(photos, s.name, w) for s, w in zip(sightings, wanted, strict=True) if w]
        found = dict(map_photos(_search, jobs))
        found |= {s.name: _stored(stored, s, look, adjustment) for s in sightings if s.name not in photos}
        if not any(found.values()):
            break
        looks.append(found)
        sightings = tuple(replace(s, detections=(*s.detections, *found.get(s.name, ()))) for s in sightings)
        network = replace(adjustment.network, observed=observe(sightings, layouts))
        adjustment = adjust(network, adjustment.state, grades=(1.0,))
    return sightings, adjustment, {s.name: tuple(look.get(s.name, ()) for look in looks) for s in sightings}


def _stored(
    stored: LookedAgain, sighting: Sighting, look: int, adjustment: Adjustment
) -> tuple[Detection, ...]:
    """What an earlier measuring's look found in a photo, of plates that take part and are not seen yet."""
    looks = stored.get(sighting.name, ())
    wanted = set(adjustment.network.observed.plates) - {d.plate for d in sighting.detections}
    return tuple(d for d in looks[look] if d.plate in wanted) if look < len(looks) else ()


@dataclass(frozen=True, eq=False)
class _Wanted:
    """A plate that a photo should show, and where."""

    plate: int
    layout: Layout
    H_px_plate: NDArray


def _missing(
    index: int,
    sighting: Sighting,
    adjustment: Adjustment,
    layouts: Mapping[str, Layout],
    searched: dict[tuple[int, int], NDArray],
) -> tuple[_Wanted, ...]:
    """What to look for in one photo: predicted, not seen, and not yet searched at this very place."""
    network = adjustment.network
    seen = {d.plate for d in sighting.detections}
    wanted = []
    for k, plate in enumerate(network.observed.plates):
        layout = layouts[network.kit.plates[plate].layout]
        H = None if plate in seen else predicted_homography(adjustment.state, network, index, k, layout)
        if H is None:
            continue
        corner_px = H @ [layout.pattern_half_mm, layout.pattern_half_mm, 1.0]
        corner_px = corner_px[:2] / corner_px[2]
        before = searched.get((index, plate))
        if before is not None and np.linalg.norm(corner_px - before) < SAME_PLACE_PX:
            continue
        searched[index, plate] = corner_px
        wanted.append(_Wanted(plate, layout, H))
    return tuple(wanted)


def _search(job: tuple[Mapping[str, Photo], str, tuple[_Wanted, ...]]) -> tuple[str, tuple[Detection, ...]]:
    photos, name, wanted = job
    photo = photos[name]
    found: list[Detection] = []
    for layout in {w.layout.name: w.layout for w in wanted}.values():
        own = [w for w in wanted if w.layout is layout]
        found += find_predicted(photo, layout, [w.plate for w in own], np.stack([w.H_px_plate for w in own]))
    return name, tuple(found)
