"""`Bay` -> the stations one can reach, and the choice among them that lowers u most.

Each photo is worth what its information, its own unknowns eliminated, adds to that of the other photos
chosen.
"""

from collections.abc import Sequence
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
from vision.forecast import COUNTED_ON, Phone, Station, adjusted, inverse, nominal, stations_at
from vision.least_squares import normals
from vision.parameters import parameter_priors, printed_scales
from vision.placement import VALUE_KEYS, plan_frame, report

# A grid of places, in mm: steps, how far out around car and fixture, heights of the phone from crouching to
# overhead. Common practice, no source.
GRID_MM, OUT_MM, HEIGHTS_MM = 900.0, 2700.0, (0.5e3, 1.2e3, 1.9e3)
ROOM_MM = 450.0  # between a person's phone and the car or the fixture
MOST_AIMS = 3  # different views kept from one place


def reachable_stations(bay: Bay, phone: Phone = Phone()) -> tuple[Station, ...]:  # noqa: B008 (frozen)
    """Photos one can take: from a grid of places around car and fixture, aimed at what is to be seen.

    From each place the views with most plates, upright or on the side; none that shows only plates which
    another view from there shows too.
    """
    poses = np.array([bay.T_vehicle_plate[p] for p in sorted(bay.T_vehicle_plate)])
    cameras = [_aimed(place, poses) for place in _places(bay)]
    every = iter(stations_at(bay, np.concatenate(cameras), phone, COUNTED_ON))
    return tuple(station for here in cameras for station in _fullest(list(islice(every, len(here)))))


def _aimed(place: NDArray, poses: NDArray) -> NDArray:
    """(k, 4, 4) cameras at one place, aimed between every two plates (n, 4, 4) that face it."""
    sights = poses[:, :3, 3] - place
    sights = sights / np.linalg.norm(sights, axis=1, keepdims=True)
    slant = -(sights * poses[:, :3, 2]).sum(1)
    sights = sights[slant > np.cos(np.radians(COUNTED_ON.incidence_deg))]
    first, second = np.triu_indices(len(sights))
    aims = sights[first] + sights[second]
    length = np.linalg.norm(aims, axis=1)
    # Not two plates too far apart for any lens, and not straight down, where level has no meaning.
    aims = aims[(length > 1.2) & (np.abs(aims[:, 2]) < 0.95 * length)]
    return np.concatenate([_looking(place, aims, upright) for upright in (False, True)])


def _places(bay: Bay) -> NDArray:
    """(k, 3) where a phone can be held."""
    fixture = bay.T_vehicle_fixture[:2, 3]
    low = np.minimum(bay.body[0, 0, :2], fixture) - [0.6 * OUT_MM, OUT_MM]
    high = np.maximum(bay.body[0, 1, :2], fixture) + [0.6 * OUT_MM, OUT_MM]
    x, y = (np.arange(low[k], high[k] + 1, GRID_MM) for k in (0, 1))
    xy = np.stack(np.meshgrid(x, y, indexing="ij"), -1).reshape(-1, 2)
    inside = ((xy > bay.body[0, 0, :2] - ROOM_MM) & (xy < bay.body[0, 1, :2] + ROOM_MM)).all(1)
    near = np.linalg.norm(xy - fixture, axis=1) < 2 * ROOM_MM
    xy = xy[~inside & ~near]
    return np.array([[*place, height] for place in xy for height in HEIGHTS_MM])


def _looking(place: NDArray, aims: NDArray, upright: bool) -> NDArray:
    """(k, 4, 4) level cameras; the stored picture is wide, so a phone held upright has its x axis down."""
    z = aims / np.linalg.norm(aims, axis=-1, keepdims=True)
    right = np.cross(z, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right, axis=-1, keepdims=True)
    down = np.cross(z, right)
    axes = (down, -right, z) if upright else (right, down, z)
    return geometry.transform(np.stack(axes, -1), np.broadcast_to(place, z.shape))


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
    best one, as the first are chosen blindly.

    Raises:
        NotEnoughError: No photos of this bay can measure it.
    """
    stations = reachable_stations(bay, phone) if stations is None else stations
    if not stations:
        raise NotEnoughError("From nowhere around the vehicle are two plates of the kit seen together.")
    search = _Search(bay, phone, stations)
    chosen: list[int] = []
    for _ in range(n_photos):
        chosen.append(search.best_beside(chosen))
    for k in range(len(chosen)):
        others = chosen[:k] + chosen[k + 1 :]
        chosen[k] = search.best_beside(others)
    return tuple(stations[i] for i in chosen)


class _Search:
    """Covariances of the values for many sets of photos, on the unknowns that photos have in common."""

    def __init__(self, bay: Bay, phone: Phone, stations: Sequence[Station]) -> None:
        network, state = nominal(bay, phone, _covering(stations))
        u = network.unknowns
        common = np.ones(state.n_columns, bool)
        common[: 6 * u.n_photos] = False
        common[6 * u.n_poses + u.photo_values().ravel()] = False
        place = np.cumsum(common) - 1

        weak = np.zeros(state.n_columns)
        weak[: 6 * u.n_poses] = np.tile(_WEAK, u.n_poses)
        adjustment = adjusted(network, state, weak)
        plan = plan_frame(adjustment, bay.kit, bay.vehicle, [bay.placement])
        plan = replace(plan, weights=np.eye(len(plan.heights)))
        reported = report(adjustment, plan)
        keys = [key for key in VALUE_KEYS if f"0:{key}" in reported.keys]
        at = np.array([reported.keys.index(f"0:{key}") for key in keys])
        required = bay.placement.values
        self.needed = np.array(
            [largest_usable_u(required[k]) if k in required else ANY_U[k.rsplit("_", 1)[1]] for k in keys]
        )
        self.J = reported.J_state[np.ix_(at, common)]
        self.fixed = ((reported.J_inputs[at] * [i.u for i in plan.inputs]) ** 2).sum(1)
        H = normals(constraint_blocks(network, state), state).H + np.diag(weak)
        held = np.diag(np.where(network.held(), 1e8, 0.0))
        self.base = (H + held)[np.ix_(common, common)]
        self.shares = [_share(bay, phone, s, network, place) for s in stations]

    def best_beside(self, chosen: Sequence[int]) -> int:
        """The photo that, with those chosen, gives the lowest badness."""
        H = self.base.copy()
        for i in chosen:
            H[np.ix_(self.shares[i].columns, self.shares[i].columns)] += self.shares[i].information
        C = inverse(H)
        through = self.J @ C
        variance = (through * self.J).sum(1) + self.fixed
        return int(np.argmin([self._badness(C, through, variance, share) for share in self.shares]))

    def _badness(self, C: NDArray, through: NDArray, variance: NDArray, share: _Share) -> float:
        """Sum of (u / needed)^4 with one photo more; C S (I + C S)^-1 C is what it takes off C.

        The fourth power lets the worst value lead, and the others decide where nothing betters it.
        """
        c = share.columns
        A, S = through[:, c], share.information
        gain = A @ S @ np.linalg.solve(np.eye(len(c)) + C[np.ix_(c, c)] @ S, A.T)
        return float((((variance - np.diag(gain)) / self.needed**2) ** 2).sum())


def _covering(stations: Sequence[Station]) -> list[Station]:
    """Stations that between them show every plate that can be seen at all."""
    seen: set[int] = set()
    chosen = []
    for station in sorted(stations, key=lambda station: -len(station.plates)):
        if not seen.issuperset(station.plates):
            seen.update(station.plates)
            chosen.append(station)
    return chosen


def _share(bay: Bay, phone: Phone, station: Station, common: Network, place: NDArray) -> _Share:
    """One photo's information, its pose and its own changes of the lens eliminated (Schur complement)."""
    network, state = nominal(bay, phone, [station])
    o, u = network.observed, network.unknowns
    own_priors = [
        block
        for block in parameter_priors(u, state, kit=bay.kit, plates=o.plates, size_px=o.size_px)
        if block.cause in ("refocus", "read_out")
    ]
    scales = printed_scales([bay.kit.plates[p] for p in o.plates])
    H = normals((saddle_block(u, o, scales), *own_priors), state).H
    first = 6 * u.n_poses
    own = np.concatenate([np.arange(6), first + u.photo_values().ravel()])
    U = common.unknowns
    index = np.array([common.observed.plates.index(p) for p in o.plates])
    theirs = np.concatenate(
        [
            (6 * np.asarray(u.plate_pose(np.arange(len(index))))[:, None] + np.arange(6)).ravel(),
            first + u.lens_values().ravel(),
            first + u.plate_values().ravel(),
            [first + u.ruler_value()],
        ]
    )
    first = 6 * U.n_poses
    shared = np.concatenate(
        [
            (6 * np.asarray(U.plate_pose(index))[:, None] + np.arange(6)).ravel(),
            first + U.lens_values().ravel(),
            first + U.plate_values()[index].ravel(),
            [first + U.ruler_value()],
        ]
    )
    cross = H[np.ix_(own, theirs)]
    information = H[np.ix_(theirs, theirs)] - cross.T @ inverse(H[np.ix_(own, own)]) @ cross
    return _Share(place[shared], information)
