"""Start values without a guess: single plates' poses, joined by votes of rotations.

A flat plate in one photo has two poses that fit nearly alike, mirrored about the line of sight. Which one
is true shows when several plates and photos are put together: wrong ones turn the neighbours by tens
of degrees. Votes count rotations only, because a focal length wrong by a few per cent shifts
everything by tens of pixels and hardly turns anything.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.adjust import Adjustment, Network, adjust
from vision.camera import unproject
from vision.errors import NotEnoughError
from vision.kit import Kit
from vision.least_squares import SingularError, State
from vision.observe import Observations, Sighting
from vision.parameters import printed_scales

# Two rotations "agree" within this. Single-plate poses of a lens wrong by 5 % scatter by 1-3 degrees.
VOTE_U_RAD = float(np.radians(4.0))
# No single vote counts for more than this, so that one bad edge cannot outvote three good ones.
VOTE_CAP = 25.0
# Below this tilt misfit the lens model, not the noise, decides between the two poses.
MODEL_U_PX = 0.1


@dataclass(frozen=True, eq=False)
class _Edge:
    """A body (photo or fixture) and a plate, with the possible poses `T_body_plate` (k, 4, 4).

    `costs` (k,): how much worse each fits than the best, capped.
    """

    body: int
    plate: int
    T_body_plate: NDArray
    costs: NDArray
    size: float


@dataclass(frozen=True)
class Part:
    """Photos (indices) and plates (numbers) that hang together."""

    photos: tuple[int, ...]
    plates: tuple[int, ...]


def connected_parts(sightings: Sequence[Sighting], kit: Kit) -> tuple[Part, ...]:
    """What hangs together through photos that show two plates, or through a fixture; most photos first."""
    sets = [({i}, {d.plate for d in s.detections}) for i, s in enumerate(sightings)]
    seen = set().union(*(plates for _, plates in sets))
    for fixture in kit.fixtures:
        on_it = seen & {m.plate for m in fixture.mounts}
        sets.append((set(), on_it))
    parts: list[tuple[set[int], set[int]]] = []
    for photos, plates in sets:
        touching = [p for p in parts if p[1] & plates]
        parts = [p for p in parts if not p[1] & plates]
        parts.append((photos.union(*(p[0] for p in touching)), plates.union(*(p[1] for p in touching))))
    found = [Part(tuple(sorted(photos)), tuple(sorted(plates))) for photos, plates in parts if photos]
    return tuple(sorted(found, key=lambda part: (-len(part.photos), -len(part.plates), part.plates)))


def _mounts(network: Network) -> list[tuple[int, int, NDArray]]:
    """(body index, plate index, T_fixture_plate) of the fixtures' plates that were seen."""
    index_of = {plate: k for k, plate in enumerate(network.observed.plates)}
    return [
        (network.observed.n_photos + f, index_of[m.plate], m.T_fixture_plate)
        for f, k in enumerate(network.fixtures())
        for m in network.kit.fixtures[k].mounts
        if m.plate in index_of
    ]


def plate_poses(
    points_mm: NDArray, saddles_px: NDArray, lens: NDArray
) -> tuple[NDArray, NDArray]:
    """Both poses `T_camera_plate` (2, 4, 4) of one flat plate, better first, and their misfit rms in px.

    Collins and Bartoli, "Infinitesimal plane-based pose estimation" (2014), as OpenCV has it.
    """
    rays = unproject(saddles_px, lens)
    known = np.isfinite(rays).all(1)
    object_mm = np.c_[points_mm[known], np.zeros(known.sum())]
    _, turns, shifts, misfits = cv2.solvePnPGeneric(
        object_mm, np.ascontiguousarray(rays[known, :2]), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
    )
    T = np.stack(
        [geometry.transform(geometry.rotation_exp(w[:, 0]), t[:, 0]) for w, t in zip(turns, shifts, strict=True)]
    )
    rms = np.asarray(misfits, float)[:, 0] * lens[0]
    order = np.argsort(rms, kind="stable")
    return T[order], rms[order]


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


def _edges(network: Network) -> tuple[_Edge, ...]:
    o = network.observed
    scales = printed_scales([network.kit.plates[p] for p in o.plates])
    edges = []
    for g in range(len(o.photo)):
        use = o.used[g]
        lens = network.lens_priors[o.lens_of_photo[o.photo[g]]].mean
        points = o.points_mm[g, use] * scales[o.plate[g]]
        T, rms = plate_poses(points, o.saddles_px[g, use], lens)
        costs = np.minimum((rms**2 - rms[0] ** 2) / (rms[0] ** 2 + MODEL_U_PX**2), VOTE_CAP)
        extent = np.ptp(o.saddles_px[g, use], axis=0)
        edges.append(_Edge(int(o.photo[g]), int(o.plate[g]), T, costs, float(extent.min())))
    for body, plate, T_fixture_plate in _mounts(network):
        edges.append(_Edge(body, plate, T_fixture_plate[None], np.zeros(1), 1e3))
    return tuple(edges)


def _turn_costs(R_a: NDArray, R_b: NDArray) -> NDArray:
    """Squared angle between rotations in units of the vote's u, capped."""
    trace = np.einsum("...ij,...ij->...", R_a, R_b)
    angle = np.arccos(np.clip((trace - 1) / 2, -1, 1))
    return np.minimum((angle / VOTE_U_RAD) ** 2, VOTE_CAP)


@dataclass(frozen=True, eq=False)
class _Vote:
    T_world_node: NDArray
    margin: float
    size: float


def _vote(candidates: NDArray, sizes: NDArray, rotations: list[NDArray], costs: list[NDArray]) -> _Vote:
    """The candidate pose that most neighbours agree with, and by how much it beats any other.

    Args:
        candidates: (m, 4, 4); sizes (m,) of the plate's image that each comes from.
        rotations, costs: per neighbour, its own possible rotations (k, 3, 3) and their costs (k,).
    """
    total = sum(
        (_turn_costs(candidates[:, None, :3, :3], R[None]) + c).min(1) for R, c in zip(rotations, costs, strict=True)
    )
    # Among candidates that agree, the largest image fixes the position best.
    best = int(np.argmin(total))
    others = _turn_costs(candidates[:, :3, :3], candidates[best, :3, :3]) >= 9.0  # three u apart
    margin = float(total[others].min() - total[best]) if others.any() else VOTE_CAP
    alike = np.flatnonzero(~others & (total <= total[best] + 1.0))
    chosen = alike[int(np.argmax(sizes[alike]))]
    return _Vote(candidates[chosen], margin, float(sizes[chosen]))


def _grow(edges: Sequence[_Edge], n_bodies: int, n_plates: int, seed: int) -> tuple[NDArray, NDArray]:
    """T_world_body (B, 4, 4) and T_world_plate (N, 4, 4), grown best-first from one body; nan if not reached."""
    T_body, T_plate = np.full((n_bodies, 4, 4), np.nan), np.full((n_plates, 4, 4), np.nan)
    T_body[seed] = np.eye(4)
    of_body = [[e for e in edges if e.body == b] for b in range(n_bodies)]
    of_plate = [[e for e in edges if e.plate == p] for p in range(n_plates)]
    votes: dict[tuple[str, int], _Vote] = {}

    def refresh(kind: str, node: int) -> None:
        near = of_plate[node] if kind == "plate" else of_body[node]
        poses, sizes = [], []
        for e in near:
            other = T_body[e.body] if kind == "plate" else T_plate[e.plate]
            if np.isnan(other[0, 0]):
                continue
            relative = e.T_body_plate if kind == "plate" else geometry.invert(e.T_body_plate)
            poses.append((other @ relative, e.costs))
            sizes += [e.size] * len(relative)
        if poses:
            candidates = np.concatenate([T for T, _ in poses])
            votes[kind, node] = _vote(
                candidates, np.array(sizes), [T[:, :3, :3] for T, _ in poses], [c for _, c in poses]
            )

    for e in of_body[seed]:
        refresh("plate", e.plate)
    while votes:
        (kind, node), vote = max(votes.items(), key=lambda item: (item[1].margin, item[1].size))
        del votes[kind, node]
        if kind == "plate":
            T_plate[node] = vote.T_world_node
            for e in of_plate[node]:
                if np.isnan(T_body[e.body, 0, 0]):
                    refresh("body", e.body)
        else:
            T_body[node] = vote.T_world_node
            for e in of_body[node]:
                if np.isnan(T_plate[e.plate, 0, 0]):
                    refresh("plate", e.plate)
    return T_body, T_plate


def start(network: Network, edges: Sequence[_Edge], seed: int) -> State:
    """Start values grown from one photo (an index). The network must hang together."""
    o, u = network.observed, network.unknowns
    T_body, T_plate = _grow(edges, o.n_photos + u.n_fixtures, u.n_plates, seed)
    poses = np.concatenate([T_body[: o.n_photos], T_plate, T_body[o.n_photos :]])
    values = np.zeros(u.n_values)
    for index, lens in zip(u.lens_values(), network.lens_priors, strict=True):
        values[index] = lens.mean
    return State(poses, values)


def adjust_from_nothing(network: Network, n_tries: int = 4) -> Adjustment:
    """Adjust a set that hangs together, from start values of its own.

    Grows from the photo with the clearest votes first. If the result does not look like an optimum
    (misfit far above the noise, many points rejected), the next photos are tried, and the best
    result is kept: a start that fell into a mirrored pose costs far more than the true one.

    Raises:
        NotEnoughError: The unknowns are not determined by these photos.
    """
    edges = _edges(network)
    clarity = np.zeros(network.observed.n_photos)
    for e in edges:
        if e.body < len(clarity):
            clarity[e.body] += e.costs.max() * np.sqrt(e.size)
    best: Adjustment | None = None
    for seed in np.argsort(-clarity, kind="stable")[:n_tries]:
        try:
            found = adjust(network, start(network, edges, int(seed)))
        except (SingularError, np.linalg.LinAlgError):
            continue
        if best is None or _badness(found) < _badness(best):
            best = found
        if looks_settled(best):
            break
    if best is None:
        raise NotEnoughError(
            "The photos do not fix where the plates stand. Take more photos, each with at least two plates "
            "and from clearly different places."
        )
    return best


def looks_settled(adjustment: Adjustment) -> bool:
    """Whether the fit is near the noise: few points rejected, chi-square near its expectation, optimum proved."""
    share = adjustment.rejected.sum() / max(adjustment.rejected.sum() + adjustment.saddles.observed.used.sum(), 1)
    return bool(
        adjustment.solution.converged
        and share < 0.05
        and adjustment.image_chi2 < 1.5 * adjustment.image_redundancy
    )


def _badness(adjustment: Adjustment) -> float:
    """Misfit with every rejected point counted at the rejection limit's order."""
    return adjustment.chi2 + 30.0 * float(adjustment.rejected.sum())
