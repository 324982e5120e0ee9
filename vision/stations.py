"""`Bay` -> the stations one can reach, and the choice among them that lowers u most.

Each photo is worth what its information, its own unknowns eliminated, adds to that of the other photos
chosen.
"""

from collections.abc import Iterable, Sequence, Set
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.adjust import Network, constraint_blocks
from vision.bay import Bay
from vision.blocks import saddle_block
from vision.decide import largest_usable_u
from vision.errors import NotEnoughError
from vision.forecast import (
    COUNTED_ON,
    Phone,
    Shot,
    Station,
    adjusted,
    inverse,
    keys_of_targets,
    nominal,
    shots_at,
    stations_at,
)
from vision.least_squares import State, normals
from vision.parameters import LensPrior, parameter_priors, printed_scales
from vision.placement import plan_frame, report

# A grid of places, in mm: steps, how far out around car and fixture, heights of the phone from crouching to
# overhead. Common practice, no source.
GRID_MM, OUT_MM, HEIGHTS_MM = 900.0, 2700.0, (0.5e3, 1.2e3, 1.9e3)
ROOM_MM = 450.0  # between a person's phone and the car or the fixture
MOST_AIMS = 3  # different views kept from one place


def reachable_stations(bay: Bay, phone: Phone = Phone()) -> tuple[Station, ...]:  # noqa: B008 (frozen)
    """Photos one can take: from a grid of places around car and fixtures, aimed at what is to be seen.

    From each place the views with most plates, upright or on the side; none that shows only plates which
    another view from there shows too.
    """
    poses = np.array([bay.T_vehicle_plate[p] for p in sorted(bay.T_vehicle_plate)])
    places = _places(bay)
    aims = [_aims(place, poses) for place in places]
    n_aims = [len(here) for here in aims]
    cameras = _looking(np.repeat(places, n_aims, axis=0), np.concatenate(aims))
    every = iter(stations_at(bay, cameras.reshape(-1, 4, 4), phone, COUNTED_ON))
    return tuple(station for n in n_aims for station in _fullest(list(islice(every, 2 * n))))


def _aims(place: NDArray, poses: NDArray) -> NDArray:
    """(k, 3) directions from one place, between every two plates (n, 4, 4) that face it."""
    sights = poses[:, :3, 3] - place
    sights = sights / np.linalg.norm(sights, axis=1, keepdims=True)
    slant = -(sights * poses[:, :3, 2]).sum(1)
    sights = sights[slant > np.cos(np.radians(COUNTED_ON.incidence_deg))]
    first, second = np.triu_indices(len(sights))
    aims = sights[first] + sights[second]
    length = np.linalg.norm(aims, axis=1)
    # Not two plates too far apart for any lens, and not straight down, where level has no meaning.
    return aims[(length > 1.2) & (np.abs(aims[:, 2]) < 0.95 * length)]


def _places(bay: Bay) -> NDArray:
    """(k, 3) where a phone can be held."""
    fixtures = np.array([T[:2, 3] for T in bay.T_vehicle_fixture.values()])
    low = np.minimum(bay.body[0, 0, :2], fixtures.min(0)) - [0.6 * OUT_MM, OUT_MM]
    high = np.maximum(bay.body[0, 1, :2], fixtures.max(0)) + [0.6 * OUT_MM, OUT_MM]
    x, y = (np.arange(low[k], high[k] + 1, GRID_MM) for k in (0, 1))
    xy = np.stack(np.meshgrid(x, y, indexing="ij"), -1).reshape(-1, 2)
    inside = ((xy > bay.body[0, 0, :2] - ROOM_MM) & (xy < bay.body[0, 1, :2] + ROOM_MM)).all(1)
    near = (np.linalg.norm(xy[:, None] - fixtures, axis=2) < 2 * ROOM_MM).any(1)
    xy = xy[~inside & ~near]
    return np.array([[*place, height] for place in xy for height in HEIGHTS_MM])


def _looking(places: NDArray, aims: NDArray) -> NDArray:
    """(k, 2, 4, 4) level cameras: on the side, and upright, which has the stored picture's x axis down."""
    z = aims / np.linalg.norm(aims, axis=-1, keepdims=True)
    right = np.cross(z, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right, axis=-1, keepdims=True)
    down = np.cross(z, right)
    both = np.stack([np.stack([right, down, z], -1), np.stack([down, -right, z], -1)], 1)
    return geometry.transform(both, places[:, None])


def _fullest(stations: Sequence[Station]) -> list[Station]:
    """Those with most plates, each with a plate that no fuller one shows with the others."""
    chosen: list[Station] = []
    for station in sorted(stations, key=lambda station: -len(station.plates)):
        if len(station.plates) < 2 or len(chosen) == MOST_AIMS:
            break
        if not any(set(station.plates) <= set(fuller.plates) for fuller in chosen):
            chosen.append(station)
    return chosen


# --- the choice ---------------------------------------------------------------------------------------

# What values that are not required must at least come to, or their photos would not hold together.
ANY_U = {"mm": 20.0, "deg": 2.0}

# Information, in 1/mm^2 and 1/rad^2, given to every pose while too few photos are chosen to hold it.
_WEAK = np.array([1e-6] * 3 + [10.0] * 3)


@dataclass(frozen=True, eq=False)
class _Share:
    """What one photo says about plates and lens once its own unknowns are eliminated."""

    columns: NDArray  # (k,) into the common unknowns
    information: NDArray  # (k, k)


def choose_stations(
    bay: Bay,
    n_photos: int,
    stations: Sequence[Station] | None = None,
    phone: Phone = Phone(),  # noqa: B008 (frozen)
) -> tuple[Station, ...]:
    """The places to take n photos from: each time the one that helps most.

    What counts is the u of each required value against the u above which nothing can conform (of others,
    against a coarse one); the worst counts most. After the greedy round each photo is once exchanged for the
    best one, as the first are chosen blindly. Where none of them shows a target's label, one that does takes
    the place of that which is missed least.

    Raises:
        NotEnoughError: No photos of this bay can measure it.
    """
    stations = reachable_stations(bay, phone) if stations is None else stations
    if not stations:
        raise NotEnoughError("From nowhere around the vehicle are two plates of the kit seen together.")
    search = Search(bay, (phone.lens_prior,), shots_at(bay, phone, stations))
    showing = [{i for i, s in enumerate(stations) if plate in s.plates} for plate in bay.labels]
    return tuple(stations[i] for i in search.with_each(search.best(n_photos), showing))


class Search:
    """Covariances of the values for many sets of photos, on the unknowns that photos have in common.

    Attributes:
        keys: Of the values that all these photos together measure, named as in `Reported`.
        least_u: (k,) what these values come to with all photos: fewer cannot better it.
        needed: (k,) what counts as u of one; never less than the least.
    """

    def __init__(self, bay: Bay, lenses: Sequence[LensPrior], shots: Sequence[Shot]) -> None:
        network, state = nominal(bay, lenses, _covering(shots))
        u = network.unknowns
        common = np.ones(state.n_columns, bool)
        common[: 6 * u.n_photos] = False
        common[6 * u.n_poses + u.photo_values().ravel()] = False

        weak = np.zeros(state.n_columns)
        weak[: 6 * u.n_poses] = np.tile(_WEAK, u.n_poses)
        adjustment = adjusted(network, state, weak)
        plan = plan_frame(adjustment, bay.kit, bay.vehicle, bay.placements, bay.relations)
        plan = replace(plan, weights=np.eye(len(plan.heights)))
        reported = report(adjustment, plan)
        keys = [key for key in keys_of_targets(plan) if key in reported.keys]
        at = np.array([reported.keys.index(key) for key in keys])
        required = bay.required
        self.needed = np.array(
            [largest_usable_u(required[k]) if k in required else ANY_U[k.rsplit("_", 1)[1]] for k in keys]
        )
        self.keys = tuple(keys)
        self.J = reported.J_state[np.ix_(at, common)]
        self.fixed = ((reported.J_inputs[at] * [i.u for i in plan.inputs]) ** 2).sum(1)
        H = normals(constraint_blocks(network, state), state).H + np.diag(weak)
        held = np.diag(np.where(network.held(), 1e8, 0.0))
        self.base = (H + held)[np.ix_(common, common)]
        self.shares = _shares(*nominal(bay, lenses, shots), network, np.cumsum(common) - 1)
        self.least_u = np.sqrt(self._with(range(len(shots)))[2])
        # No photo is asked for what none can reach.
        self.needed = np.maximum(self.needed, self.least_u)

    def best(self, n_photos: int) -> list[int]:
        """A set of photos: the best beside those before it, each; then each once exchanged."""
        chosen: list[int] = []
        for _ in range(n_photos):
            chosen.append(self.best_beside(chosen)[0])
        for k in range(len(chosen)):
            chosen[k] = self.best_beside(chosen[:k] + chosen[k + 1 :])[0]
        return chosen

    def best_beside(self, chosen: Sequence[int], among: Sequence[int] | None = None) -> list[int]:
        """The photos (of those among which to choose), the one that betters those chosen most first."""
        among = range(len(self.shares)) if among is None else among
        badness = self._each_badness(chosen, among)
        return [among[k] for k in np.argsort(badness, kind="stable")]

    def with_each(self, chosen: Sequence[int], groups: Sequence[Set[int]]) -> list[int]:
        """The chosen photos, one of each group among them: it comes for that without which least is lost.

        A group that nothing belongs to is left out, and so is one for which no photo can be spared.
        """
        chosen = list(chosen)
        for group in (group for group in groups if group and not group & set(chosen)):
            spared = [
                [*chosen[:k], *chosen[k + 1 :]]
                for k in range(len(chosen))
                if all(other & {*chosen[:k], *chosen[k + 1 :]} for other in groups if other & set(chosen))
            ]
            among = sorted(group)
            badness = np.array([self._each_badness(rest, among) for rest in spared])
            if badness.size:
                k, i = np.unravel_index(np.argmin(badness), badness.shape)
                chosen = [*spared[k], among[i]]
        return chosen

    def _each_badness(self, chosen: Sequence[int], among: Sequence[int]) -> list[float]:
        """With each one of these photos beside those chosen."""
        C, through, variance = self._with(chosen)
        return [self._badness(C, through, variance, self.shares[i]) for i in among]

    def _with(self, chosen: Iterable[int]) -> tuple[NDArray, NDArray, NDArray]:
        """With these photos: covariance C of the common unknowns, J C, and the values' variances."""
        H = self.base.copy()
        for i in chosen:
            H[np.ix_(self.shares[i].columns, self.shares[i].columns)] += self.shares[i].information
        C = inverse(H)
        through = self.J @ C
        return C, through, (through * self.J).sum(1) + self.fixed

    def _badness(self, C: NDArray, through: NDArray, variance: NDArray, share: _Share) -> float:
        """Sum of (u / needed)^4 with one photo more; C S (I + C S)^-1 C is what it takes off C.

        The fourth power lets the worst value lead, and the others decide where nothing betters it.
        """
        c = share.columns
        A, S = through[:, c], share.information
        gain = A @ S @ np.linalg.solve(np.eye(len(c)) + C[np.ix_(c, c)] @ S, A.T)
        return float((((variance - np.diag(gain)) / self.needed**2) ** 2).sum())


def _covering(shots: Sequence[Shot]) -> list[Shot]:
    """Photos that between them show every plate that can be seen at all, with every lens."""
    seen: set[tuple[str, int]] = set()
    chosen = []
    for shot in sorted(shots, key=lambda shot: -len(shot.sighting.detections)):
        shows = {("plate", d.plate) for d in shot.sighting.detections} | {("lens", shot.sighting.lens)}
        if not seen.issuperset(shows):
            seen.update(shows)
            chosen.append(shot)
    return chosen


# Columns of a saddle's Jacobian (blocks.py) that are one photo's own: pose and changes; and all others.
_OWN = np.r_[0:6, 12:21]
_SHARED = np.r_[6:12, 30:34, 21:30, 34]


def _shares(network: Network, state: State, common: Network, place: NDArray) -> list[_Share]:
    """Each photo's information, its pose and its own changes of the lens eliminated.

    By orthogonal projection, not by a Schur complement of normal equations: what a photo leaves open must
    stay open to the last digit, for while few photos are chosen only weak information holds it.

    Args:
        place: Where a column of the common network stands among the common unknowns.
    """
    o, u = network.observed, network.unknowns
    scales = printed_scales([network.kit.plates[p] for p in o.plates])
    _, J = saddle_block(u, o, scales).linearise(state)
    # Rows are folded to as many as there are columns: R'R = J'J.
    J = np.asarray(np.linalg.qr(J[..., np.r_[_OWN, _SHARED]], mode="r"))
    of_plate, of_lens = _shared_columns(network, common, place)
    known = _known_of_photos(network, state)
    shares = []
    for i in range(o.n_photos):
        groups = np.flatnonzero(o.photo == i)
        m, n = len(groups), J.shape[1]
        theirs = np.zeros((m, n, 10 * m + 10))  # plate pose and values of each, then lens and ruler
        for j, rows in enumerate(J[groups]):
            theirs[j, :, 10 * j : 10 * j + 10] = rows[:, 15:25]
            theirs[j, :, 10 * m :] = rows[:, 25:]
        # What is known of the photo beforehand says nothing of what is shared.
        theirs = np.concatenate([theirs.reshape(m * n, -1), np.zeros((15, 10 * m + 10))])
        Q, _ = np.linalg.qr(np.concatenate([J[groups, :, :15].reshape(m * n, 15), known[i]]))
        left = theirs - Q @ (Q.T @ theirs)
        columns = np.concatenate([of_plate[o.plate[groups]].ravel(), of_lens[o.lens_of_photo[i]]])
        shares.append(_Share(columns, left.T @ left))
    return shares


def _known_of_photos(network: Network, state: State) -> NDArray:
    """(P, 15, 15) whitened rows on what is known beforehand: nothing of a pose, something of own changes."""
    o, u = network.observed, network.unknowns
    known = np.zeros(u.n_values)
    for block in parameter_priors(u, state, kit=network.kit, plates=o.plates, size_px=o.size_px):
        if block.cause in ("refocus", "read_out"):
            known[block.value_index] = 1 / block.u
    out = np.zeros((o.n_photos, 15, 15))
    own = np.arange(6, 15)
    out[:, own, own] = known[u.photo_values()]
    return out


def _shared_columns(network: Network, common: Network, place: NDArray) -> tuple[NDArray, NDArray]:
    """Columns among the common unknowns: of each plate (N, 10), of each lens with the ruler (L, 10)."""
    U = common.unknowns
    index = np.array([common.observed.plates.index(p) for p in network.observed.plates])
    first = 6 * U.n_poses
    poses = 6 * np.asarray(U.plate_pose(index))[:, None] + np.arange(6)
    plates = np.concatenate([poses, first + U.plate_values()[index]], 1)
    rulers = np.full((U.n_lenses, 1), U.ruler_value())
    lenses = first + np.concatenate([U.lens_values(), rulers], 1)
    return place[plates], place[lenses]
