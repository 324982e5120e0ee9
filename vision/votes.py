"""Poses of photos, plates and fixtures, grown plate by plate by votes of rotations.

A flat plate in one photo has two poses that fit nearly alike, mirrored about the line of sight. Which one
is true shows when several plates and photos are put together: wrong ones turn the neighbours by tens
of degrees. Votes count rotations only, because a focal length wrong by a few per cent shifts
everything by tens of pixels and hardly turns anything.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.adjust import Network
from vision.parameters import printed_scales
from vision.single_plate import MODEL_U_PX, plate_poses

# Two rotations "agree" within this. Single-plate poses of a lens wrong by 5 % scatter by 1-3 degrees.
VOTE_U_RAD = float(np.radians(4.0))
# No single vote counts for more than this, so that one bad edge cannot outvote three good ones.
VOTE_CAP = 25.0
# Candidates are different poses when three u of a vote apart, squared; alike when their costs differ by one
# unit of the votes' chi-square or less. A vote is doubtful if it was won by less than three u, squared.
APART, ALIKE, DOUBTFUL = 9.0, 1.0, 9.0
# A mount is known in millimetres where photos are not: its place goes before that of any image.
MOUNT_EXTENT_PX = 1e6


@dataclass(frozen=True, eq=False)
class Edge:
    """A body (photo or fixture) that carries or shows a plate, and how the plate may lie in it.

    Attributes:
        body, plate: Indices; photos come first among the bodies, then fixtures.
        T_body_plate: (k, 4, 4) the possible poses.
        costs: (k,) how much worse each fits than the best, in units of the misfit that both share; capped.
        extent_px: Shorter side of the plate's image, by which the surest place is chosen.
    """

    body: int
    plate: int
    T_body_plate: NDArray
    costs: NDArray
    extent_px: float


def edges_in_photos(network: Network) -> tuple[Edge, ...]:
    """Every plate in every photo."""
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
        edges.append(Edge(int(o.photo[g]), int(o.plate[g]), T, costs, float(extent.min())))
    return tuple(edges)


def edges_on_fixtures(network: Network) -> tuple[Edge, ...]:
    """Every plate on its fixture, of those that were seen."""
    o = network.observed
    index_of = {plate: k for k, plate in enumerate(o.plates)}
    return tuple(
        Edge(o.n_photos + f, index_of[m.plate], m.T_fixture_plate[None], np.zeros(1), MOUNT_EXTENT_PX)
        for f, k in enumerate(network.fixtures())
        for m in network.kit.fixtures[k].mounts
        if m.plate in index_of
    )


def _turn_costs(R_a: NDArray, R_b: NDArray) -> NDArray:
    """Squared angle between rotations in units of the vote's u, capped."""
    trace = np.einsum("...ij,...ij->...", R_a, R_b)
    angle = np.arccos(np.clip((trace - 1) / 2, -1, 1))
    return _capped(angle)


def _capped(angle_rad: NDArray) -> NDArray:
    return np.minimum((angle_rad / VOTE_U_RAD) ** 2, VOTE_CAP)


@dataclass(frozen=True, eq=False)
class _Vote:
    """The best place for a node, by how much it beats any other, and the image extent that it comes from.

    Attributes:
        T_runner_up: The best of the different places; the same one where there is no other.
    """

    T_world_node: NDArray
    margin: float
    extent_px: float
    T_runner_up: NDArray


def _vote(candidates: NDArray, extents_px: NDArray, total: NDArray) -> _Vote:
    """The candidate pose (of m, 4, 4) with the lowest total cost (m,), and by how much it beats any other."""
    best = int(np.argmin(total))
    others = _turn_costs(candidates[:, :3, :3], candidates[best, :3, :3]) >= APART
    chosen = _clearest(extents_px, np.where(others, np.inf, total))
    if not others.any():
        return _Vote(candidates[chosen], VOTE_CAP, float(extents_px[chosen]), candidates[chosen])
    margin = float(total[others].min() - total[best])
    runner_up = _clearest(extents_px, np.where(others, total, np.inf))
    return _Vote(candidates[chosen], margin, float(extents_px[chosen]), candidates[runner_up])


def _clearest(extents_px: NDArray, total: NDArray) -> int:
    """Of the candidates that cost least and alike, the one with the largest image: it fixes position best."""
    alike = np.flatnonzero(total <= total.min() + ALIKE)
    return int(alike[int(np.argmax(extents_px[alike]))])


# A node of what grows: a body or a plate, and its index.
Node = tuple[Literal["body", "plate"], int]


class Growth:
    """Bodies (photos, fixtures) and plates placed so far, and votes on those within reach.

    The kit's promises vote along: floor plates lie flat, so their normals are all upward; wheel plates
    stand upright, and the wheels' axes are nearly parallel. They settle what photos of a far fixture leave
    open: which way the other side of the vehicle is turned.

    Attributes:
        T_body, T_plate: (n, 4, 4) in the seed's frame; nan until placed.
        doubtful: The nodes whose place was hardly better than another, the most doubtful first.
    """

    def __init__(self, edges: Sequence[Edge], n_bodies: int, n_plates: int, network: Network) -> None:
        self.T_body, self.T_plate = np.full((n_bodies, 4, 4), np.nan), np.full((n_plates, 4, 4), np.nan)
        self.of_body = [[e for e in edges if e.body == b] for b in range(n_bodies)]
        self.of_plate = [[e for e in edges if e.plate == p] for p in range(n_plates)]
        kit, numbers = network.kit, network.observed.plates
        lying, upright = {f.plate for f in kit.floor}, {c.plate for c in kit.clamps.values()}
        self.lying = np.array([p in lying for p in numbers], bool)
        self.upright = np.array([p in upright for p in numbers], bool)
        self.votes: dict[Node, _Vote] = {}
        self.doubtful: tuple[Node, ...] = ()

    def grow(self, seed: int, turned: Collection[Node] = ()) -> None:
        """Place everything that hangs together with one body, surest vote first.

        Args:
            turned: Nodes that are put in their second best place.
        """
        margins: dict[Node, float] = {}
        self.T_body[seed] = np.eye(4)
        self._refresh_plates(seed)
        while self.votes:
            node, vote = max(self.votes.items(), key=lambda item: (item[1].margin, item[1].extent_px))
            del self.votes[node]
            margins[node] = vote.margin
            kind, index = node
            T_world_node = vote.T_runner_up if node in turned else vote.T_world_node
            if kind == "plate":
                self.T_plate[index] = T_world_node
                self._refresh_bodies(index)
            else:
                self.T_body[index] = T_world_node
                self._refresh_plates(index)
        doubtful = [node for node, margin in margins.items() if margin < DOUBTFUL]
        self.doubtful = tuple(sorted(doubtful, key=lambda node: margins[node]))

    def _has_body(self, e: Edge) -> bool:
        return not np.isnan(self.T_body[e.body, 0, 0])

    def _has_plate(self, e: Edge) -> bool:
        return not np.isnan(self.T_plate[e.plate, 0, 0])

    def _refresh_bodies(self, plate: int) -> None:
        for e in self.of_plate[plate]:
            if not self._has_body(e):
                self.votes["body", e.body] = self._vote_on_body(e.body)

    def _refresh_plates(self, body: int) -> None:
        for e in self.of_body[body]:
            if not self._has_plate(e):
                self.votes["plate", e.plate] = self._vote_on_plate(e.plate)

    def _vote_on_body(self, body: int) -> _Vote:
        near = [e for e in self.of_body[body] if self._has_plate(e)]
        relative = [geometry.invert(e.T_body_plate) for e in near]
        options = [self.T_plate[e.plate] @ T for e, T in zip(near, relative, strict=True)]
        candidates = np.concatenate(options)
        total = self._agreement(candidates, options, near)
        # Plates not placed yet vote by what the kit promises of them.
        for e in self.of_body[body]:
            if not self._has_plate(e):
                normals = candidates[:, None, :3, :3] @ e.T_body_plate[None, :, :3, 2:]
                total = total + (self._promise_costs(normals[..., 0], e.plate) + e.costs).min(1)
        return _vote(candidates, _extents_px(near), total)

    def _vote_on_plate(self, plate: int) -> _Vote:
        near = [e for e in self.of_plate[plate] if self._has_body(e)]
        options = [self.T_body[e.body] @ e.T_body_plate for e in near]
        candidates = np.concatenate(options)
        total = self._agreement(candidates, options, near) + self._promise_costs(candidates[:, :3, 2], plate)
        return _vote(candidates, _extents_px(near), total)

    @staticmethod
    def _agreement(candidates: NDArray, options: Sequence[NDArray], near: Sequence[Edge]) -> NDArray:
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
            costs += _capped(np.arccos(rise) if self.lying[plate] else np.arcsin(rise))
        if len(wheels) and self.upright[plate]:
            # Lines, not directions: plates hung on the wrong side are for the tests to name.
            along = np.clip(np.abs(normals @ wheels.T), 0, 1)
            costs += _capped(np.arccos(along)).mean(-1)
        return costs


def _extents_px(near: Sequence[Edge]) -> NDArray:
    return np.concatenate([np.full(len(e.T_body_plate), e.extent_px) for e in near])
