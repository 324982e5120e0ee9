"""Kit + placement + vehicle -> what u a round of photos would reach, before any photo is taken.

A bay is laid out as the kit and the placement say, with plates where one would usually lay them, and
photographed by a nominal phone. The information that these photos would bring follows from the residual
blocks' Jacobians alone; frame and report then work on it as on any adjustment. The vehicle frame serves as
world.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from vision import geometry
from vision.adjust import Adjustment, Network, constraint_blocks
from vision.blocks import saddle_block
from vision.camera import project
from vision.decide import largest_usable_u
from vision.detect import Detection
from vision.errors import NotEnoughError
from vision.frame import not_measured
from vision.initial import connected_parts
from vision.kit import Kit, Placement, Vehicle
from vision.layout import Layout
from vision.least_squares import Solution, State, normals
from vision.lenses import lens_prior
from vision.observe import Sighting, observe
from vision.parameters import LensPrior, parameter_priors, printed_scales
from vision.photo import ExifFacts
from vision.placement import VALUE_KEYS, plan_frame, report

# A middling car, where nothing is declared: wheelbase, track, wheel radius, overhangs; its height, its
# ground clearance and where its cabin starts. They hide plates and bound where one can stand. Common
# practice, no source.
WHEELBASE_MM, TRACK_MM, RADIUS_MM, OVERHANG_MM = 2700.0, 1550.0, 320.0, 850.0
ROOF_MM, WAIST_MM, CLEARANCE_MM, BONNET_MM = 1450.0, 950.0, 180.0, 600.0
BODY_BEYOND_WHEEL_MM = 85.0
BUMPER_HEIGHT_MM = 520.0
# Where a placement asks for no distance or height.
DISTANCE_MM, HEIGHT_MM = 1500.0, 1000.0

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


def saddle_cov_px2(incidence_deg: float, tag_edge_px: float, narrow_px: NDArray, noise_px: float) -> NDArray:
    """Expected covariance (2, 2) of one saddle of a plate.

    Its mean over both axes is the rms squared. Steep views are uncertain mostly along the foreshortened
    direction `narrow_px` (2,): a ratio of sigmas 1 at 0, 1.5 at 60, 2.4 at 75 degrees (an assumption, so
    that points have unequal axes; no source).
    """
    rms_px = noise_px * np.interp(incidence_deg, _INCIDENCE_DEG, _RMS_PX) / _RMS_PX[0]
    rms_px *= 1 + (_SMALL_TAG_PX / tag_edge_px) ** 2
    ratio = 0.5 + 0.5 / np.cos(np.radians(incidence_deg))
    # sigma_wide = rms / sqrt((1 + ratio^2) / 2), sigma_narrow = ratio * sigma_wide
    wide_px2 = 2 * rms_px**2 / (1 + ratio**2)
    length_px2 = narrow_px @ narrow_px
    direction = np.outer(narrow_px, narrow_px) / length_px2 if length_px2 > 0 else np.zeros((2, 2))
    return wide_px2 * (np.eye(2) + (ratio**2 - 1) * direction)


@dataclass(frozen=True)
class Phone:
    """The phone that will take the photos: a 12-megapixel main lens unless told otherwise."""

    size_px: tuple[int, int] = (4032, 3024)
    focal_35mm: float = 26.0
    noise_px: float = 0.029
    u_shift_px: float = 0.012
    u_affine_px: float = 0.006

    @property
    def lens_prior(self) -> LensPrior:
        return lens_prior(ExifFacts(focal_35mm=self.focal_35mm), self.size_px)


@dataclass(frozen=True, eq=False)
class Bay:
    """Everything in its nominal place, in the vehicle frame, in mm.

    Attributes:
        kit: With the placement's fixture only.
        T_vehicle_plate: (4, 4) by plate number.
        body: (2, 2, 3): lowest and highest corner of the boxes that hide plates, the car's body first.
    """

    kit: Kit
    vehicle: Vehicle
    placement: Placement
    layouts: Mapping[str, Layout]
    T_vehicle_fixture: NDArray
    T_vehicle_plate: Mapping[int, NDArray]
    body: NDArray


@dataclass(frozen=True, eq=False)
class Station:
    """Where to stand and how to look: `T_vehicle_camera` (4, 4), and the plates to count on in that view."""

    T_vehicle_camera: NDArray
    plates: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Forecast:
    """What photos from given places would reach.

    Attributes:
        u: By value key, in mm and degrees.
        budget: By value key: cause -> share of the variance.
        missing: For the values that would not be measured, why and what to do.
        stations: Those that hang together and were counted.
    """

    u: Mapping[str, float]
    budget: Mapping[str, Mapping[str, float]]
    missing: Mapping[str, str]
    stations: tuple[Station, ...]


# --- the bay ------------------------------------------------------------------------------------------


def lay_out(kit: Kit, placement: Placement, vehicle: Vehicle, layouts: Sequence[Layout]) -> Bay:
    """Put every plate where the kit and the placement say, or where one would usually lay it.

    Wheels where the declared measures (or a middling car's) put them, the target at its nominal values,
    floor plates before the fixture and beside the wheels, scale bars on the floor, a datum plate at the
    bumper.
    """
    wheelbase_mm = vehicle.wheelbase_mm or WHEELBASE_MM
    body = _body(vehicle, wheelbase_mm, min([c.standoff_mm for c in kit.clamps.values()], default=np.inf))
    plates: dict[int, NDArray] = {}
    for wheel, clamp in kit.clamps.items():
        axle, side = wheel.split("_")
        declared = vehicle.track_front_mm if axle == "front" else vehicle.track_rear_mm
        radius = vehicle.wheel_radius_front_mm if axle == "front" else vehicle.wheel_radius_rear_mm
        outward = np.array([0.0, 1.0 if side == "left" else -1.0, 0.0])
        centre = np.array([0.0 if axle == "front" else -wheelbase_mm, 0.0, radius or RADIUS_MM])
        out_mm = (declared or vehicle.track_front_mm or TRACK_MM) / 2 + clamp.standoff_mm
        plates[clamp.plate] = geometry.transform(_facing(outward), centre + out_mm * outward)

    fixture = next(f for f in kit.fixtures if f.name == placement.fixture)
    target = next(t for t in fixture.targets if t.name == placement.target)
    T_vehicle_target = _target_pose(placement, wheelbase_mm, body)
    T_vehicle_fixture = T_vehicle_target @ geometry.invert(target.T_fixture_target)
    for mount in fixture.mounts:
        plates[mount.plate] = T_vehicle_fixture @ mount.T_fixture_plate
    places = _floor_places(T_vehicle_fixture, wheelbase_mm, body)
    for floor, (x, y) in zip(kit.floor, places, strict=False):
        height_mm = kit.plates[floor.plate].thickness_mm
        plates[floor.plate] = geometry.transform(np.eye(3), np.array([x, y, height_mm]))
    _lay_bars(plates, kit, T_vehicle_fixture, body)
    for datum in kit.datum_plates:
        if datum.name == placement.datum:
            ahead = T_vehicle_target[0, 3] > -wheelbase_mm / 2
            R = _facing(np.array([1.0 if ahead else -1.0, 0, 0]))
            point = _bumper(body, ahead)
            plates[datum.plate] = geometry.transform(R, point - R @ np.array(datum.offset_mm))
    return Bay(
        replace(kit, fixtures=(fixture,)),
        vehicle,
        placement,
        MappingProxyType({layout.name: layout for layout in layouts}),
        T_vehicle_fixture,
        MappingProxyType(plates),
        body,
    )


def _facing(z: NDArray) -> NDArray:
    """A plate's rotation whose face looks along z, which is not vertical, and whose y points up."""
    x = np.cross([0.0, 0, 1], z)
    x = x / np.linalg.norm(x)
    return np.column_stack([x, np.cross(z, x), z])


def _body(vehicle: Vehicle, wheelbase_mm: float, standoff_mm: float) -> NDArray:
    """Body and cabin; the wheel plates hang clear of its sides."""
    tracks = [t for t in (vehicle.track_front_mm, vehicle.track_rear_mm) if t is not None]
    half_mm = max(tracks, default=TRACK_MM) / 2 + min(BODY_BEYOND_WHEEL_MM, standoff_mm - 20)
    front_mm = vehicle.overhang_front_mm or OVERHANG_MM
    rear_mm = -wheelbase_mm - (vehicle.overhang_rear_mm or OVERHANG_MM)
    return np.array(
        [
            [[rear_mm, -half_mm, CLEARANCE_MM], [front_mm, half_mm, WAIST_MM]],
            [[rear_mm + 200, 150 - half_mm, WAIST_MM], [-BONNET_MM, half_mm - 150, ROOF_MM]],
        ]
    )


def _bumper(body: NDArray, ahead: bool) -> NDArray:
    """A little off the body, so that it does not hide what is stuck on it."""
    x = body[0, 1, 0] + 10 if ahead else body[0, 0, 0] - 10
    return np.array([x, 0.0, BUMPER_HEIGHT_MM])


def _target_pose(placement: Placement, wheelbase_mm: float, body: NDArray) -> NDArray:
    asked = {key: tolerance.nominal for key, tolerance in placement.values.items()}
    distance_mm = asked.get("distance_mm", DISTANCE_MM)
    datum_mm = {"front_axle": 0.0, "rear_axle": -wheelbase_mm}.get(placement.datum)
    if datum_mm is None:
        datum_mm = float(_bumper(body, distance_mm > 0)[0])
    x = datum_mm + distance_mm
    yaw_deg = asked.get("yaw_deg", 180.0 if x < -wheelbase_mm else 0.0)
    turn_rad = np.radians([yaw_deg, asked.get("pitch_deg", 0.0), asked.get("roll_deg", 0.0)])
    place_mm = [x, asked.get("lateral_mm", 0.0), asked.get("height_mm", HEIGHT_MM)]
    return geometry.transform(geometry.rz_ry_rx(*turn_rad), np.array(place_mm))


def _floor_places(T_vehicle_fixture: NDArray, wheelbase_mm: float, body: NDArray) -> NDArray:
    """(k, 2) places in the order in which one lays plates: before the fixture and beside the car by turns."""
    fixture_mm = T_vehicle_fixture[:2, 3]
    side_mm = body[0, 1, 1] + 330
    near_mm, far_mm = (0.0, -wheelbase_mm) if fixture_mm[0] > -wheelbase_mm / 2 else (-wheelbase_mm, 0.0)
    mid_mm = -wheelbase_mm / 2
    across = T_vehicle_fixture[:2, 1] / np.linalg.norm(T_vehicle_fixture[:2, 1])
    toward = np.array([-across[1], across[0]])  # the fixture's -x on the floor: to the vehicle
    before = [_clear_of(fixture_mm + 350 * toward + sign * 550 * across, body, side_mm) for sign in (1, -1)]
    return np.array(
        [
            before[0],
            [near_mm, -side_mm],
            [mid_mm, side_mm],
            before[1],
            [mid_mm, -side_mm],
            [near_mm, side_mm],
            [far_mm, side_mm],
            [far_mm, -side_mm],
            [(near_mm + fixture_mm[0]) / 2, side_mm],
            [(near_mm + fixture_mm[0]) / 2, -side_mm],
        ]
    )


def _clear_of(place_mm: NDArray, body: NDArray, side_mm: float) -> NDArray:
    """The place, or beside the car where that is in its way."""
    low, high = body[0, 0, :2] - 250, body[0, 1, :2] + 250
    if np.all((place_mm > low) & (place_mm < high)):
        return np.array([place_mm[0], math.copysign(side_mm, place_mm[1])])
    return place_mm


def _lay_bars(plates: dict[int, NDArray], kit: Kit, T_vehicle_fixture: NDArray, body: NDArray) -> None:
    """Add the ends of scale bars: across before the car, or along its left side where there is no room."""
    fixture_x = T_vehicle_fixture[0, 3]
    edge = body[0, 1, 0] if fixture_x > body[0, :, 0].mean() else body[0, 0, 0]
    has_room = abs(fixture_x - edge) > 1500
    centre = [(fixture_x + edge) / 2, 0.0] if has_room else [0.3 * body[0, 0, 0], body[0, 1, 1] + 800]
    along = np.array([0.0, 1.0, 0.0]) if has_room else np.array([1.0, 0.0, 0.0])
    for k, bar in enumerate(kit.scale_bars):
        for plate, sign in zip(bar.plates, (-1.0, 1.0), strict=True):
            if plate not in plates:
                shift = np.array([250.0 * k, 0.0, 0.0])
                place = np.array([*centre, 25.0]) + shift + sign * bar.length_mm / 2 * along
                plates[plate] = geometry.transform(np.eye(3), place)


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

    in_camera = geometry.apply(geometry.invert(T_vehicle_camera), points)
    before: NDArray = np.all(in_camera[..., 2] > 1.0, axis=-1)
    in_camera = np.where(before[:, None, None], in_camera, [0.0, 0.0, 1.0])
    pixels = project(in_camera, phone.lens_prior.mean)
    half_px = (np.array(phone.size_px) - 1) / 2
    inside = np.abs(pixels[:, :4] / half_px - 1).max((1, 2))
    tags = pixels[:, 4:].reshape(len(pixels), -1, 4, 2)
    edge_px = np.linalg.norm(tags - np.roll(tags, 1, axis=2), axis=-1).min((1, 2))
    hidden = ~before
    for low, high in bay.body:
        hidden = hidden | _hits(eyes, points[:4], low, high).any(1)
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


def _sightings(bay: Bay, phone: Phone, stations: Sequence[Station]) -> tuple[Sighting, ...]:
    """The detections to expect at each station, with the phone's usual noise."""
    cameras = np.array([s.T_vehicle_camera for s in stations])
    views = {p: _views(bay, phone, p, cameras) for p in sorted({p for s in stations for p in s.plates})}
    return tuple(
        Sighting(
            f"photo {i + 1}",
            phone.size_px,
            0,
            tuple(
                _detection(bay, phone, p, cameras[i], views[p].incidence_deg[i], views[p].edge_px[i])
                for p in station.plates
            ),
        )
        for i, station in enumerate(stations)
    )


def _detection(
    bay: Bay, phone: Phone, plate: int, T_vehicle_camera: NDArray, incidence_deg: float, edge_px: float
) -> Detection:
    layout, T_vehicle_plate = bay.layouts[bay.kit.plates[plate].layout], bay.T_vehicle_plate[plate]
    on_plate = np.c_[layout.saddles_mm, np.zeros(len(layout.saddles_mm))]
    # The plate's normal is projected too: along its image the plate is foreshortened.
    with_normal = np.concatenate([on_plate, [[0.0, 0, 0], [0, 0, 50.0]]])
    T_camera_plate = geometry.invert(T_vehicle_camera) @ T_vehicle_plate
    pixels = project(geometry.apply(T_camera_plate, with_normal), phone.lens_prior.mean)
    cov = saddle_cov_px2(incidence_deg, edge_px, pixels[-1] - pixels[-2], phone.noise_px)
    n = len(layout.saddles_mm)
    return Detection(
        plate=plate,
        layout=layout.name,
        saddle_index=np.arange(n),
        saddles_px=pixels[:n],
        cov_px2=np.broadcast_to(cov, (n, 2, 2)),
        u_shift_px=phone.u_shift_px,
        u_affine_px=phone.u_affine_px,
        tag_read=True,
        tag_edge_px=edge_px,
        incidence_deg=incidence_deg,
    )


def _nominal(bay: Bay, phone: Phone, stations: Sequence[Station]) -> tuple[Network, State]:
    """The problem that these photos would pose, and its nominal answer."""
    observed = observe(_sightings(bay, phone, stations), bay.layouts)
    network = Network(observed, bay.kit, (phone.lens_prior,))
    cameras = [s.T_vehicle_camera for s in stations]
    plates = [bay.T_vehicle_plate[p] for p in network.observed.plates]
    fixtures = [bay.T_vehicle_fixture for _ in network.fixtures()]
    values = np.zeros(network.unknowns.n_values)
    values[network.unknowns.lens_values()[0]] = phone.lens_prior.mean
    return network, State(np.array([*cameras, *plates, *fixtures]), values)


# --- forecast -----------------------------------------------------------------------------------------


def forecast(
    bay: Bay,
    stations: Sequence[Station],
    phone: Phone = Phone(),  # noqa: B008 (frozen)
) -> Forecast:
    """The u of each value of the placement, from photos taken at these stations.

    Photos that hang together with no others are left out, as in measuring.

    Raises:
        NotEnoughError: These photos would not suffice to measure.
    """
    parts = connected_parts(_sightings(bay, phone, stations), bay.kit)
    if not parts or len(parts[0].photos) < 2:
        raise NotEnoughError("Fewer than two of these photos would show plates of the kit together.")
    kept = [stations[i] for i in parts[0].photos]
    network, state = _nominal(bay, phone, kept)
    adjustment = _adjusted(network, state)
    plan = plan_frame(adjustment, bay.kit, bay.vehicle, [bay.placement])
    reported = report(adjustment, plan)
    u = {key: reported.u(f"0:{key}") for key in VALUE_KEYS if f"0:{key}" in reported.keys}
    at = {key: reported.keys.index(f"0:{key}") for key in u}
    return Forecast(
        u=MappingProxyType(u),
        budget=MappingProxyType(
            {key: {cause: float(s[i]) for cause, s in reported.shares.items()} for key, i in at.items()}
        ),
        missing=MappingProxyType(not_measured(plan, 0, VALUE_KEYS, reported.keys)),
        stations=tuple(kept),
    )


def _adjusted(network: Network, state: State, weak: NDArray | float = 0.0) -> Adjustment:
    """What an adjustment that ends in this state would report; `weak` is added to the information."""
    scales = printed_scales([network.kit.plates[p] for p in network.observed.plates])
    blocks = (
        saddle_block(network.unknowns, network.observed, scales),
        *constraint_blocks(network, state),
    )
    H = normals(blocks, state).H + np.diag(np.broadcast_to(weak, state.n_columns))
    free = np.flatnonzero(~network.held())
    covariance = np.zeros_like(H)
    covariance[np.ix_(free, free)] = _inverse(H[np.ix_(free, free)])
    solution = Solution(state, 0.0, covariance, 0.0, True, 0)
    nothing = np.zeros_like(network.observed.used)
    return Adjustment(network, solution, blocks, nothing, 1.0, 0.0, 0.0, 0.0, 0.0)


def _inverse(H: NDArray) -> NDArray:
    """Of a positive definite matrix whose diagonal spans many orders.

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


# --- where to stand -----------------------------------------------------------------------------------

# A grid of places, in mm: steps, how far out around car and fixture, heights of the phone from crouching to
# overhead. Common practice, no source.
GRID_MM, OUT_MM, HEIGHTS_MM = 900.0, 2700.0, (0.5e3, 1.2e3, 1.9e3)
ROOM_MM = 450.0  # between a person's phone and the car or the fixture
MOST_AIMS = 3  # different views kept from one place

# What values that are not required must at least come to, or their photos would not hold together.
ANY_U = {"mm": 20.0, "deg": 2.0}

# Information, in 1/mm^2 and 1/rad^2, given to every pose while too few photos are chosen to hold it.
_WEAK = np.array([1e-6] * 3 + [10.0] * 3)


def reachable_stations(bay: Bay, phone: Phone = Phone()) -> tuple[Station, ...]:  # noqa: B008 (frozen)
    """Photos one can take: from a grid of places around car and fixture, aimed at what is to be seen.

    From each place the views with most plates, upright or on the side; none that shows only plates which
    another view from there shows too.
    """
    numbers = sorted(bay.T_vehicle_plate)
    poses = np.array([bay.T_vehicle_plate[p] for p in numbers])
    cameras = [_aimed(place, poses) for place in _places(bay)]
    every = np.concatenate(cameras)
    shown = np.array([_views(bay, phone, p, every).within(COUNTED_ON) for p in numbers]).T
    stations = []
    first = 0
    for here in cameras:
        seen = shown[first : first + len(here)]
        first += len(here)
        for i in _maximal(seen):
            plates = tuple(p for p, is_seen in zip(numbers, seen[i], strict=True) if is_seen)
            stations.append(Station(here[i], plates))
    return tuple(stations)


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


def _maximal(shown: NDArray) -> list[int]:
    """Rows of (k, plates) with most plates, each with a plate that no earlier row shows with the others."""
    order = sorted(range(len(shown)), key=lambda i: -int(shown[i].sum()))
    chosen: list[int] = []
    for i in order:
        if shown[i].sum() < 2 or len(chosen) == MOST_AIMS:
            break
        if not any((shown[i] <= shown[j]).all() for j in chosen):
            chosen.append(i)
    return chosen


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
        network, state = _nominal(bay, phone, _covering(stations))
        u = network.unknowns
        common = np.ones(state.n_columns, bool)
        common[: 6 * u.n_photos] = False
        common[6 * u.n_poses + u.photo_values().ravel()] = False
        place = np.cumsum(common) - 1

        weak = np.zeros(state.n_columns)
        weak[: 6 * u.n_poses] = np.tile(_WEAK, u.n_poses)
        adjustment = _adjusted(network, state, weak)
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
        C = _inverse(H)
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
    network, state = _nominal(bay, phone, [station])
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
    information = H[np.ix_(theirs, theirs)] - cross.T @ _inverse(H[np.ix_(own, own)]) @ cross
    return _Share(place[shared], information)
