"""A plate's number in two places: a second print of it, where no photo shows both.

The adjustment takes one of the places for the plate's, and every point of the views of the other is rejected.
Where the views of both pull the photos about, the rest is adjusted without that plate; if it then fits, each
view tells by itself where the plate stands. Two boards cannot stand nearer than half of one's width.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.adjust import Adjustment
from vision.errors import NotEnoughError
from vision.initial import LARGEST_MISFIT, adjust_from_nothing
from vision.layout import Layout
from vision.observe import Observations, Sighting, observe
from vision.parameters import printed_scales
from vision.parts import connected_parts
from vision.rejection import LARGEST_POINT_SHARE
from vision.single_plate import plate_poses
from vision.trial import ConsistencyTest, plain_test

# Plates of which views are rejected are tried, most rejected points first, so many: a second print is one.
MOST_TRIED = 3


def two_places(
    sightings: Sequence[Sighting], adjustment: Adjustment, layouts: Mapping[str, Layout]
) -> ConsistencyTest:
    """Whether some photos show a plate by its number in another place than others do."""
    problem = next(_problems(sightings, adjustment, layouts), "")
    return plain_test("each number in one place", problem, "no plate number is seen in two places")


def _problems(
    sightings: Sequence[Sighting], adjustment: Adjustment, layouts: Mapping[str, Layout]
) -> Iterator[str]:
    o = adjustment.network.observed
    for plate in _suspects(adjustment):
        rest = adjustment if _fits(adjustment) else _without(o.plates[plate], sightings, adjustment, layouts)
        if rest is None:
            continue
        groups = np.flatnonzero(o.plate == plate)
        at_mm = _places(o, groups, o.used | adjustment.rejected, rest)
        clusters = _clusters(at_mm, float(o.half_mm[groups].max()))
        if len(clusters) > 1:
            yield _words(o, plate, [groups[c] for c in clusters], [at_mm[c].mean(0) for c in clusters])


def _suspects(adjustment: Adjustment) -> list[int]:
    """Plates (indices) of which whole views are rejected, most rejected points first."""
    o, rejected = adjustment.network.observed, adjustment.rejected
    whole = rejected.sum(1) > LARGEST_POINT_SHARE * (o.used | rejected).sum(1)
    points = np.bincount(o.plate, rejected.sum(1) * whole, minlength=len(o.plates))
    return [int(k) for k in np.argsort(-points, kind="stable")[:MOST_TRIED] if points[k]]


def _fits(adjustment: Adjustment) -> bool:
    return adjustment.image_chi2 < LARGEST_MISFIT * adjustment.image_redundancy


def _without(
    number: int, sightings: Sequence[Sighting], adjustment: Adjustment, layouts: Mapping[str, Layout]
) -> Adjustment | None:
    """Everything else adjusted from nothing; None where it does not fit either."""
    network = adjustment.network
    others = [replace(s, detections=tuple(d for d in s.detections if d.plate != number)) for s in sightings]
    others = [s for s in others if s.detections]
    if not others:
        return None
    main = connected_parts(others, network.kit)[0]
    observed = observe([others[i] for i in main.photos], layouts)
    priors = network.lens_priors[: observed.n_lenses]
    try:
        found = adjust_from_nothing(replace(network, observed=observed, lens_priors=priors))
    except NotEnoughError:
        return None
    return found if _fits(found) else None


def _places(o: Observations, groups: NDArray, present: NDArray, rest: Adjustment) -> NDArray:
    """(k, 3) where each view, by itself, shows the plate, in world; nan of photos that `rest` has not."""
    network, state = rest.network, rest.state
    names = network.observed.photo_names
    scales = printed_scales([network.kit.plates[p] for p in o.plates])
    at_mm = np.full((len(groups), 3), np.nan)
    for k, g in enumerate(groups):
        name = o.photo_names[o.photo[g]]
        if name not in names:
            continue
        photo = names.index(name)
        lens = state.values[network.unknowns.lens_values()][network.observed.lens_of_photo[photo]]
        points_mm = o.points_mm[g, present[g]] * scales[o.plate[g]]
        T_camera_plate = plate_poses(points_mm, o.saddles_px[g, present[g]], lens)[0][0]
        at_mm[k] = (state.poses[photo] @ T_camera_plate)[:3, 3]
    return at_mm


def _clusters(at_mm: NDArray, apart_mm: float) -> list[NDArray]:
    """Indices of places (k, 3) that hang together by steps shorter than `apart_mm`, most views first."""
    left = set(np.flatnonzero(np.isfinite(at_mm).all(1)).tolist())
    found = []
    while left:
        cluster, fresh = set(), {min(left)}
        while fresh:
            cluster |= fresh
            left -= fresh
            off_mm = np.linalg.norm(at_mm[sorted(left)][:, None] - at_mm[sorted(fresh)], axis=-1)
            fresh = {k for k, near in zip(sorted(left), (off_mm < apart_mm).any(1), strict=True) if near}
        found.append(np.array(sorted(cluster)))
    return sorted(found, key=lambda cluster: -len(cluster))


def _words(o: Observations, plate: int, views: Sequence[NDArray], at_mm: Sequence[NDArray]) -> str:
    one, other = (", ".join(o.photo_names[o.photo[g]] for g in groups) for groups in views[:2])
    return (
        f"Plate {o.plates[plate]} is seen in two places, {np.linalg.norm(at_mm[0] - at_mm[1]):.0f} mm apart: "
        f"in one by {one}, in the other by {other}. There are two prints with the same number, or the plate "
        "was put elsewhere between these photos. Take the spare print away, and photograph again."
    )
