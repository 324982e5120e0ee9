"""`Bay` + stations -> what the photos would show, and what u they would reach, before any is taken.

A nominal phone photographs the bay. The information that these photos would bring follows from the residual
blocks' Jacobians alone; frame and report then work on it as on any adjustment.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import scipy.linalg
from numpy.typing import ArrayLike, NDArray

from vision import geometry
from vision.adjust import Adjustment, Network, constraint_blocks
from vision.bay import Bay
from vision.blocks import saddle_block
from vision.camera import project
from vision.detect import Detection
from vision.errors import NotEnoughError
from vision.frame import FramePlan, not_measured
from vision.least_squares import Solution, State, normals
from vision.lenses import lens_prior
from vision.observe import Sighting, observe
from vision.parameters import LensPrior, printed_scales
from vision.parts import connected_parts
from vision.photo import ExifFacts
from vision.placement import Reported, plan_frame, report
from vision.targets import NO_COMMON_ANGLE
from vision.unseen import Unseen, with_unseen_scales

PAPER_BORDER_MM = 5.0  # white paper around the pattern that must be in the picture too


@dataclass(frozen=True)
class Limits:
    """Which plates count as seen: how steep, how small (imaged tag edge), in which part of the picture."""

    incidence_deg: float
    edge_px: float
    share: float


PROMISED = Limits(75.0, 25.0, 1.0)  # what the detector finds
# What to count on beforehand: leaves room for a step of 10 % and a hand that is two degrees off.
COUNTED_ON = Limits(70.0, 30.0, 0.92)


# rms of a saddle by incidence in degrees, relative to 0.029 px in an ordinary view; frontal plates with
# tag edges of 26 px showed 0.034 px (measured on rendered photos).
_INCIDENCE_DEG = (0.0, 57.5, 62.5, 67.5, 72.5, 77.5)
_RMS_PX = (0.029, 0.029, 0.032, 0.042, 0.058, 0.076)
_SMALL_TAG_PX = 11.0


def saddle_cov_px2(
    incidence_deg: ArrayLike, tag_edge_px: ArrayLike, narrow_px: NDArray, noise_px: float
) -> NDArray:
    """Expected covariance (..., 2, 2) of one saddle of a plate.

    Its mean over both axes is the rms squared. Steep views are uncertain mostly along the foreshortened
    direction `narrow_px` (..., 2): a ratio of sigmas 1 at 0, 1.5 at 60, 2.4 at 75 degrees (an assumption, so
    that points have unequal axes; no source).
    """
    rms_px = noise_px * np.interp(np.asarray(incidence_deg, float), _INCIDENCE_DEG, _RMS_PX) / _RMS_PX[0]
    rms_px = rms_px * (1 + (_SMALL_TAG_PX / np.asarray(tag_edge_px)) ** 2)
    ratio = 0.5 + 0.5 / np.cos(np.radians(incidence_deg))
    # sigma_wide = rms / sqrt((1 + ratio^2) / 2), sigma_narrow = ratio * sigma_wide
    wide_px2 = 2 * rms_px**2 / (1 + ratio**2)
    length_px = np.linalg.norm(narrow_px, axis=-1, keepdims=True)
    along = np.divide(narrow_px, length_px, out=np.zeros(np.shape(narrow_px)), where=length_px > 0)
    direction = along[..., :, None] * along[..., None, :]
    return wide_px2[..., None, None] * (np.eye(2) + (ratio**2 - 1)[..., None, None] * direction)


@dataclass(frozen=True)
class Phone:
    """The phone that will take the photos: a 12-megapixel main lens unless told otherwise."""

    size_px: tuple[int, int] = (4032, 3024)
    focal_35mm: float = 26.0
    noise_px: float = 0.029
    u_shift_px: float = 0.012
    u_affine_px: float = 0.006
    known_lens: LensPrior | None = None

    @property
    def lens_prior(self) -> LensPrior:
        return self.known_lens or lens_prior(ExifFacts(focal_35mm=self.focal_35mm), self.size_px)


@dataclass(frozen=True, eq=False)
class Station:
    """Where to stand and how to look: `T_vehicle_camera` (4, 4), and the plates to count on in that view."""

    T_vehicle_camera: NDArray
    plates: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Shot:
    """A photo as it counts in a forecast: from where, and what it shows, as if nothing were off.

    Of a photo to be taken the detections are those to expect; of one that was taken, how well each point was
    seen is its own.
    """

    T_vehicle_camera: NDArray
    sighting: Sighting


# --- what a photo would show --------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Views:
    """How P cameras see one plate: (P,) each. `inside` is how far out it reaches: 1 at the border."""

    inside: NDArray
    incidence_deg: NDArray
    edge_px: NDArray
    hidden: NDArray

    def within(self, limits: Limits) -> NDArray:
        return (
            ~self.hidden
            & (self.inside < limits.share)
            & (self.incidence_deg < limits.incidence_deg)
            & (self.edge_px >= limits.edge_px)
        )


def _views(bay: Bay, phone: Phone, plate: int, T_vehicle_camera: NDArray) -> _Views:
    """How steep and how large each camera (P, 4, 4) sees a plate, and whether whole and unhidden."""
    layout, T_vehicle_plate = bay.layouts[bay.kit.plates[plate].layout], bay.T_vehicle_plate[plate]
    half = layout.pattern_half_mm + PAPER_BORDER_MM
    outline = half * np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])
    quads = np.concatenate([outline, *(tag.corners_mm for tag in layout.tags)])
    points = geometry.apply(T_vehicle_plate, np.c_[quads, np.zeros(len(quads))])
    eyes = T_vehicle_camera[:, :3, 3]
    sight = eyes - T_vehicle_plate[:3, 3]
    cosine = sight @ T_vehicle_plate[:3, 2] / np.linalg.norm(sight, axis=-1)
    incidence_deg = np.degrees(np.arccos(np.clip(cosine, -1, 1)))

    # What does not face the camera, or lies behind it, needs no closer look.
    ahead = -(sight * T_vehicle_camera[:, :3, 2]).sum(-1) > half
    near = np.flatnonzero(ahead & (cosine > 0))
    in_camera = geometry.apply(geometry.invert(T_vehicle_camera[near]), points)
    before: NDArray = np.all(in_camera[..., 2] > 1.0, axis=-1)
    in_camera = np.where(before[:, None, None], in_camera, [0.0, 0.0, 1.0])
    pixels = project(in_camera, phone.lens_prior.mean)
    half_px = (np.array(phone.size_px) - 1) / 2
    inside, edge_px = np.full(len(eyes), np.inf), np.ones(len(eyes))
    inside[near] = np.abs(pixels[:, :4] / half_px - 1).max((1, 2))
    tags = pixels[:, 4:].reshape(len(pixels), len(layout.tags), 4, 2)
    edge_px[near] = np.linalg.norm(tags - np.roll(tags, 1, axis=2), axis=-1).min((1, 2))
    hidden = np.ones(len(eyes), bool)
    hidden[near] = ~before
    shown = np.flatnonzero(~hidden & (inside < 1))
    for low, high in bay.body:
        hidden[shown] |= _hits(eyes[shown], points[:4], low, high).any(1)
    return _Views(inside, incidence_deg, edge_px, hidden)


def _hits(eyes: NDArray, points: NDArray, low: NDArray, high: NDArray) -> NDArray:
    """(P, k) whether the segment from each eye (P, 3) to each point (k, 3) enters a box: the slab test."""
    d = points[None] - eyes[:, None]
    d = np.where(np.abs(d) < 1e-9, 1e-9, d)
    one, other = (low - eyes[:, None]) / d, (high - eyes[:, None]) / d
    enter, leave = np.minimum(one, other).max(-1), np.maximum(one, other).min(-1)
    return (enter < leave) & (enter < 1 - 1e-6) & (leave > 0)


def stations_at(
    bay: Bay,
    T_vehicle_camera: NDArray,
    phone: Phone = Phone(),  # noqa: B008 (frozen)
    limits: Limits = PROMISED,
) -> tuple[Station, ...]:
    """The stations of these cameras (P, 4, 4), with the plates that each sees."""
    numbers = sorted(bay.T_vehicle_plate)
    shown = [_views(bay, phone, p, T_vehicle_camera).within(limits) for p in numbers]
    return tuple(
        Station(T, tuple(p for p, seen in zip(numbers, row, strict=True) if seen))
        for T, row in zip(T_vehicle_camera, np.transpose(shown), strict=True)
    )


def shots_at(bay: Bay, phone: Phone, stations: Sequence[Station], lens: int = 0) -> tuple[Shot, ...]:
    """The photos to expect from these stations, with the phone's usual noise.

    Args:
        lens: Its index among the lenses of the round.
    """
    seen: list[dict[int, Detection]] = [{} for _ in stations]
    for p in sorted({p for s in stations for p in s.plates}):
        at = [i for i, s in enumerate(stations) if p in s.plates]
        cameras = np.array([stations[i].T_vehicle_camera for i in at])
        for i, detection in zip(at, _detections(bay, phone, p, cameras), strict=True):
            seen[i][p] = detection
    return tuple(
        Shot(
            station.T_vehicle_camera,
            Sighting(f"photo {i + 1}", phone.size_px, lens, tuple(found[p] for p in station.plates)),
        )
        for i, (station, found) in enumerate(zip(stations, seen, strict=True))
    )


def _detections(bay: Bay, phone: Phone, plate: int, T_vehicle_camera: NDArray) -> Iterator[Detection]:
    """What each camera (P, 4, 4) would show of a plate."""
    layout = bay.layouts[bay.kit.plates[plate].layout]
    n = len(layout.saddles_mm)
    pixels = projected(bay, phone.lens_prior, plate, np.arange(n), T_vehicle_camera)
    views = _views(bay, phone, plate, T_vehicle_camera)
    narrow_px = pixels[:, -1] - pixels[:, -2]
    cov_px2 = saddle_cov_px2(views.incidence_deg, views.edge_px, narrow_px, phone.noise_px)
    for k in range(len(T_vehicle_camera)):
        yield Detection(
            plate=plate,
            layout=layout.name,
            saddle_index=np.arange(n),
            saddles_px=pixels[k, :n],
            cov_px2=np.broadcast_to(cov_px2[k], (n, 2, 2)),
            u_shift_px=phone.u_shift_px,
            u_affine_px=phone.u_affine_px,
            tag_read=True,
            tag_edge_px=float(views.edge_px[k]),
            incidence_deg=float(views.incidence_deg[k]),
        )


def projected(
    bay: Bay, lens: LensPrior, plate: int, saddle_index: NDArray, T_vehicle_camera: NDArray
) -> NDArray:
    """(P, n + 2, 2) where each camera has these saddles of a plate, its centre, and a point above that.

    The last two tell in which direction the plate is foreshortened.
    """
    declared = bay.kit.plates[plate]
    printed_mm = bay.layouts[declared.layout].saddles_mm[saddle_index] * declared.printed_scale_xy
    on_plate = np.concatenate([np.c_[printed_mm, np.zeros(len(printed_mm))], [[0.0, 0, 0], [0, 0, 50.0]]])
    T_camera_plate = geometry.invert(T_vehicle_camera) @ bay.T_vehicle_plate[plate]
    return project(geometry.apply(T_camera_plate, on_plate), lens.mean)


def nominal(bay: Bay, lenses: Sequence[LensPrior], shots: Sequence[Shot]) -> tuple[Network, State]:
    """The problem that these photos pose, and its nominal answer."""
    observed = observe([shot.sighting for shot in shots], bay.layouts)
    network = Network(observed, bay.kit, tuple(lenses))
    cameras = [shot.T_vehicle_camera for shot in shots]
    plates = [bay.T_vehicle_plate[p] for p in network.observed.plates]
    fixtures = [bay.T_vehicle_fixture[bay.kit.fixtures[k].name] for k in network.fixtures()]
    values = np.zeros(network.unknowns.n_values)
    values[network.unknowns.lens_values()] = [lens.mean for lens in lenses]
    return network, State(np.array([*cameras, *plates, *fixtures]), values)


# --- forecast -----------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Forecast:
    """What photos from given places would reach.

    Attributes:
        u: By value, named as in `Reported`, in mm and degrees.
        budget: By value: cause -> share of the variance.
        missing: For the values that would not be measured, why and what to do.
        stations: Those that hang together and were counted.
        found: All that they come to.
    """

    u: Mapping[str, float]
    budget: Mapping[str, Mapping[str, float]]
    missing: Mapping[str, str]
    stations: tuple[Station, ...]
    found: "Reached"


def forecast(
    bay: Bay,
    stations: Sequence[Station],
    phone: Phone = Phone(),  # noqa: B008 (frozen)
) -> Forecast:
    """The u of each value of the placements, from photos taken at these stations.

    Photos that hang together with no others are left out, as in measuring.

    Raises:
        NotEnoughError: These photos would not suffice to measure.
    """
    shots = shots_at(bay, phone, stations)
    parts = connected_parts([shot.sighting for shot in shots], bay.kit)
    if not parts or len(parts[0].photos) < 2:
        raise NotEnoughError("Fewer than two of these photos would show plates of the kit together.")
    kept = parts[0].photos
    found = reached(bay, (phone.lens_prior,), [shots[i] for i in kept])
    return Forecast(
        u=found.u,
        budget=found.budget,
        missing=MappingProxyType(dict(_missing(bay, found))),
        stations=tuple(stations[i] for i in kept),
        found=found,
    )


def _missing(bay: Bay, found: "Reached") -> Iterator[tuple[str, str]]:
    """Each value that would not be measured, and why."""
    for i in range(len(bay.placements)):
        for key, says in not_measured(found.plan, i, found.reported.keys).items():
            yield f"{i}:{key}", says
    for i, relation in enumerate(bay.relations):
        for key in relation.values:
            if f"r{i}:{key}" not in found.reported.keys:
                yield f"r{i}:{key}", NO_COMMON_ANGLE


@dataclass(frozen=True, eq=False)
class Reached:
    """What photos that hang together come to; `reported` has the unchecked `sheets` in it."""

    adjustment: Adjustment
    plan: FramePlan
    reported: Reported
    sheets: tuple[Unseen, ...]

    @property
    def u(self) -> Mapping[str, float]:
        """By value, named as in `Reported`, of those that are measured, in mm and degrees."""
        return MappingProxyType(
            {key: float(np.sqrt(self.reported.covariance[i, i])) for key, i in self._at()}
        )

    @property
    def budget(self) -> Mapping[str, Mapping[str, float]]:
        """By value: cause -> share of the variance."""
        shares = self.reported.shares.items()
        return MappingProxyType({key: {cause: float(s[i]) for cause, s in shares} for key, i in self._at()})

    def _at(self) -> list[tuple[str, int]]:
        keys = self.reported.keys
        return [(key, keys.index(key)) for key in keys_of_targets(self.plan) if key in keys]


def keys_of_targets(plan: FramePlan) -> Iterator[str]:
    """The values that the targets of a plan can have, and those asked of two together, as in `Reported`."""
    for i, target in enumerate(plan.targets):
        yield from (f"{i}:{key}" for key in target.keys)
    for i, one in enumerate(plan.relations):
        yield from (f"r{i}:{key}" for key in one.relation.values)


def reached(bay: Bay, lenses: Sequence[LensPrior], shots: Sequence[Shot]) -> Reached:
    """What these photos come to, were nothing off.

    Raises:
        NotEnoughError: They do not suffice to measure.
    """
    network, state = nominal(bay, lenses, shots)
    adjustment = adjusted(network, state)
    plan = plan_frame(adjustment, bay.kit, bay.vehicle, bay.placements, bay.relations)
    reported, sheets = with_unseen_scales(adjustment, plan, report(adjustment, plan))
    return Reached(adjustment, plan, reported, sheets)


def adjusted(network: Network, state: State, weak: NDArray | float = 0.0) -> Adjustment:
    """What an adjustment that ends in this state would report; `weak` is added to the information."""
    scales = printed_scales([network.kit.plates[p] for p in network.observed.plates])
    blocks = (
        saddle_block(network.unknowns, network.observed, scales),
        *constraint_blocks(network, state),
    )
    H = normals(blocks, state).H + np.diag(np.broadcast_to(weak, state.n_columns))
    free = np.flatnonzero(~network.held())
    covariance = np.zeros_like(H)
    covariance[np.ix_(free, free)] = inverse(H[np.ix_(free, free)])
    solution = Solution(state, 0.0, covariance, 0.0, True, 0)
    nothing = np.zeros_like(network.observed.used)
    return Adjustment(network, solution, blocks, nothing, 1.0, 0.0, 0.0, 0.0, 0.0)


def inverse(H: NDArray) -> NDArray:
    """Inverse of a positive definite matrix whose diagonal spans many orders.

    Raises:
        NotEnoughError: It is singular.
    """
    diagonal = np.diag(H)
    scale = 1 / np.sqrt(np.where(diagonal > 0, diagonal, np.nan))
    try:
        factor = scipy.linalg.cho_factor(H * scale * scale[:, None], lower=True)
    except (np.linalg.LinAlgError, ValueError) as error:  # ValueError: not finite
        raise NotEnoughError("These photos would not fix where the plates stand.") from error
    return scipy.linalg.cho_solve(factor, np.eye(len(H))) * scale * scale[:, None]
