"""Start values without a guess: single plates' poses, joined by votes of rotations.

A flat plate in one photo has two poses that fit nearly alike, mirrored about the line of sight. Which one
is true shows when several plates and photos are put together: wrong ones turn the neighbours by tens
of degrees. Votes count rotations only, because a focal length wrong by a few per cent shifts
everything by tens of pixels and hardly turns anything.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

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


def plate_poses(points_mm: NDArray, saddles_px: NDArray, lens: NDArray) -> tuple[NDArray, NDArray]:
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
        [
            geometry.transform(geometry.rotation_exp(w[:, 0]), t[:, 0])
            for w, t in zip(turns, shifts, strict=True)
        ]
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


def _vote(candidates: NDArray, sizes: NDArray, total: NDArray) -> _Vote:
    """The candidate pose (of m, 4, 4) with the lowest total cost (m,), and by how much it beats any other."""
    # Among candidates that agree, the largest image fixes the position best.
    best = int(np.argmin(total))
    others = _turn_costs(candidates[:, :3, :3], candidates[best, :3, :3]) >= 9.0  # three u apart
    margin = float(total[others].min() - total[best]) if others.any() else VOTE_CAP
    alike = np.flatnonzero(~others & (total <= total[best] + 1.0))
    chosen = alike[int(np.argmax(sizes[alike]))]
    return _Vote(candidates[chosen], margin, float(sizes[chosen]))


class _Growth:
    """Bodies (photos, fixtures) and plates placed so far, and votes on those within reach.

    The kit's promises vote along: floor plates lie flat, so their normals are all upward; wheel plates
    stand upright, and the wheels' axes are nearly parallel. They settle what photos of a far fixture leave
    open: which way the other side of the vehicle is turned.
    """

    def __init__(self, edges: Sequence[_Edge], n_bodies: int, n_plates: int, network: Network) -> None:
        self.T_body, self.T_plate = np.full((n_bodies, 4, 4), np.nan), np.full((n_plates, 4, 4), np.nan)
        self.of_body = [[e for e in edges if e.body == b] for b in range(n_bodies)]
        self.of_plate = [[e for e in edges if e.plate == p] for p in range(n_plates)]
        kit, numbers = network.kit, network.observed.plates
        lying, upright = {f.plate for f in kit.floor}, {c.plate for c in kit.clamps.values()}
        self.lying = np.array([p in lying for p in numbers], bool)
        self.upright = np.array([p in upright for p in numbers], bool)
        self.votes: dict[tuple[str, int], _Vote] = {}

    def grow(self, seed: int) -> None:
        """Place everything that hangs together with one body, surest vote first."""
        self.T_body[seed] = np.eye(4)
        self._refresh_plates(seed)
        while self.votes:
            (kind, node), vote = max(self.votes.items(), key=lambda item: (item[1].margin, item[1].size))
            del self.votes[kind, node]
            if kind == "plate":
                self.T_plate[node] = vote.T_world_node
                self._refresh_bodies(node)
            else:
                self.T_body[node] = vote.T_world_node
                self._refresh_plates(node)

    def _refresh_bodies(self, plate: int) -> None:
        for e in self.of_plate[plate]:
            if np.isnan(self.T_body[e.body, 0, 0]):
                self.votes["body", e.body] = self._vote_on_body(e.body)

    def _refresh_plates(self, body: int) -> None:
        for e in self.of_body[body]:
            if np.isnan(self.T_plate[e.plate, 0, 0]):
                self.votes["plate", e.plate] = self._vote_on_plate(e.plate)

    def _vote_on_body(self, body: int) -> _Vote:
        near = [e for e in self.of_body[body] if not np.isnan(self.T_plate[e.plate, 0, 0])]
        relative = [geometry.invert(e.T_body_plate) for e in near]
        options = [self.T_plate[e.plate] @ T for e, T in zip(near, relative, strict=True)]
        candidates = np.concatenate(options)
        total = self._agreement(candidates, options, near)
        for e in self.of_body[body]:
            if np.isnan(self.T_plate[e.plate, 0, 0]):
                normals = candidates[:, None, :3, :3] @ e.T_body_plate[None, :, :3, 2:]
                total = total + (self._promise_costs(normals[..., 0], e.plate) + e.costs).min(1)
        return _vote(candidates, _sizes(near), total)

    def _vote_on_plate(self, plate: int) -> _Vote:
        near = [e for e in self.of_plate[plate] if not np.isnan(self.T_body[e.body, 0, 0])]
        options = [self.T_body[e.body] @ e.T_body_plate for e in near]
        candidates = np.concatenate(options)
        total = self._agreement(candidates, options, near) + self._promise_costs(candidates[:, :3, 2], plate)
        return _vote(candidates, _sizes(near), total)

    @staticmethod
    def _agreement(candidates: NDArray, options: Sequence[NDArray], near: Sequence[_Edge]) -> NDArray:
        """(m,) what each candidate's rotation costs with all neighbours, each taking its better pose."""
        return np.sum(
            [
                (_turn_costs(candidates[:, None, :3, :3], T[None, :, :3, :3]) + e.costs).min(1)
                for e, T in zip(near, options, strict=True)
            ],
            axis=0,
        )

    def _promise_costs(self, normals: NDArray, plate: int) -> NDArray:
        """(...,) what it costs a plate to have these normals (..., 3), by what the kit promises of it."""
        placed = ~np.isnan(self.T_plate[:, 0, 0])
        costs = np.zeros(normals.shape[:-1])
        flat, wheels = self.T_plate[placed & self.lying, :3, 2], self.T_plate[placed & self.upright, :3, 2]
        if len(flat) and (self.lying[plate] or self.upright[plate]):
            rise = np.clip(normals @ (flat.mean(0) / np.linalg.norm(flat.mean(0))), -1, 1)
            costs += _promise(np.arccos(rise) if self.lying[plate] else np.arcsin(rise))
        if len(wheels) and self.upright[plate]:
            # Lines, not directions: plates hung on the wrong side are for the tests to name.
            along = np.clip(np.abs(normals @ wheels.T), 0, 1)
            costs += _promise(np.arccos(along)).mean(-1)
        return costs


def _promise(angle_rad: NDArray) -> NDArray:
    return np.minimum((angle_rad / VOTE_U_RAD) ** 2, VOTE_CAP)


def _sizes(near: Sequence[_Edge]) -> NDArray:
    return np.concatenate([np.full(len(e.T_body_plate), e.size) for e in near])


def start(network: Network, edges: Sequence[_Edge], seed: int) -> State:
    """Start values grown from one photo (an index). The network must hang together."""
    o, u = network.observed, network.unknowns
    growth = _Growth(edges, o.n_photos + u.n_fixtures, u.n_plates, network)
    growth.grow(seed)
    poses = np.concatenate([growth.T_body[: o.n_photos], growth.T_plate, growth.T_body[o.n_photos :]])
    values = np.zeros(u.n_values)
    for index, lens in zip(u.lens_values(), network.lens_priors, strict=True):
        values[index] = lens.mean
    return State(poses, values)


def _clearest_first(edges: Sequence[_Edge], n_photos: int) -> NDArray:
    """Photos (indices), the one whose plates tell most clearly how they are turned first."""
    clarity = np.zeros(n_photos)
    for e in edges:
        if e.body < n_photos:
            clarity[e.body] += e.costs.max() * np.sqrt(e.size)
    return np.argsort(-clarity, kind="stable")


def start_without_mounts(network: Network) -> State:
    """Start values from the photos alone, with no fixture; nan for what only a fixture would join."""
    free = replace(network, kit=replace(network.kit, fixtures=()))
    edges = _edges(free)
    return start(free, edges, int(_clearest_first(edges, network.observed.n_photos)[0]))


def adjust_from_nothing(network: Network, n_tries: int = 4) -> Adjustment:
    """Adjust a set that hangs together, from start values of its own.

    Grows from the photo with the clearest votes first. If the result does not look like an optimum
    (misfit far above the noise, many points rejected), the next photos are tried, and the best
    result is kept: a start that fell into a mirrored pose costs far more than the true one.

    Raises:
        NotEnoughError: The unknowns are not determined by these photos.
    """
    edges = _edges(network)
    best: Adjustment | None = None
    for seed in _clearest_first(edges, network.observed.n_photos)[:n_tries]:
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
    """Whether the fit is near the noise: few points rejected, chi-square as expected, optimum proved."""
    share = adjustment.rejected.sum() / max(
        adjustment.rejected.sum() + adjustment.saddles.observed.used.sum(), 1
    )
    return bool(
        adjustment.solution.converged
        and share < 0.05
        and adjustment.image_chi2 < 1.5 * adjustment.image_redundancy
    )


def _badness(adjustment: Adjustment) -> float:
    """Misfit with every rejected point counted at the rejection limit's order."""
    return adjustment.chi2 + 30.0 * float(adjustment.rejected.sum())
