"""Kit + placements + vehicle -> `Bay`: everything in its nominal place, before any photo is taken.

Plates stand as the kit and the placements say, or where one would usually lay them. The vehicle frame
serves as world.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.kit import PLUMB_KEYS, WHEELS, Fixture, Kit, Placement, Relation, Target, Tolerance, Vehicle
from vision.layout import Layout

# A middling car, where nothing is declared: wheelbase, track, wheel radius, overhangs; its height, its
# ground clearance and where its cabin starts. They hide plates and bound where one can stand. Common
# practice, no source.
WHEELBASE_MM, TRACK_MM, RADIUS_MM, OVERHANG_MM = 2700.0, 1550.0, 320.0, 850.0
ROOF_MM, WAIST_MM, CLEARANCE_MM, BONNET_MM = 1450.0, 950.0, 180.0, 600.0
BODY_BEYOND_WHEEL_MM = 85.0
PLATE_CLEAR_MM = 20.0  # of the body, at least
BUMPER_HEIGHT_MM = 520.0
# Where a placement asks for no distance or height.
DISTANCE_MM, HEIGHT_MM = 1500.0, 1000.0
# A plate that hangs free, or lies on a levelled stool: its height, and its place from the target. Common
# practice, no source; where it really is, photos tell.
HANGING_MM, STOOL_MM = 900.0, 350.0
LEVEL_BESIDE_MM, LEVEL_APART_MM, LEVEL_TOWARD_MM = 750.0, 250.0, 150.0
BESIDE_MAT_MM = 150.0  # between a mat's plates' middles and what lies beside it


@dataclass(frozen=True, eq=False)
class Bay:
    """Everything in its nominal place, in the vehicle frame, in mm.

    Attributes:
        kit: With the placements' fixtures only.
        T_vehicle_fixture: (4, 4) by the name of each of these fixtures.
        T_vehicle_plate: (4, 4) by plate number.
        body: (2, 2, 3): lowest and highest corner of the boxes that hide plates, the car's body first.
        others: Placements of other rounds, for which the same plates lie on the floor.
    """

    kit: Kit
    vehicle: Vehicle
    placements: tuple[Placement, ...]
    layouts: Mapping[str, Layout]
    T_vehicle_fixture: Mapping[str, NDArray]
    T_vehicle_plate: Mapping[int, NDArray]
    body: NDArray
    relations: tuple[Relation, ...] = ()
    others: tuple[Placement, ...] = ()

    @property
    def required(self) -> Mapping[str, Tolerance]:
        """What the placements and their relations ask for."""
        return required_values(self.placements, self.relations)

    @property
    def labels(self) -> Mapping[int, "Labelled"]:
        """By plate number, the labels of the targets that the placements ask for: a photo must show each."""
        return labels_of(self.kit, self.placements)


@dataclass(frozen=True, eq=False)
class Labelled:
    """A target whose label a photo must show: `T_fixture_plate` (4, 4) says where that sits."""

    fixture: str
    target: Target
    T_fixture_plate: NDArray


def labels_of(kit: Kit, placements: Sequence[Placement]) -> Mapping[int, Labelled]:
    """As `Bay.labels`; the kit has the placements' fixtures and targets."""
    out = {}
    for placement in placements:
        fixture = next(f for f in kit.fixtures if f.name == placement.fixture)
        target = next(t for t in fixture.targets if t.name == placement.target)
        if (label := target.label) is not None:
            out[label.plate] = Labelled(fixture.name, target, target.T_fixture_target @ label.T_target_plate)
    return MappingProxyType(out)


def required_values(
    placements: Sequence[Placement], relations: Sequence[Relation] = ()
) -> Mapping[str, Tolerance]:
    """What is asked for, named as in `Reported`: `0:distance_mm` is the first placement's."""
    asked = {f"{i}:{key}": t for i, p in enumerate(placements) for key, t in p.values.items()}
    asked |= {f"r{i}:{key}": t for i, r in enumerate(relations) for key, t in r.values.items()}
    return MappingProxyType(asked)


def lay_out(
    kit: Kit,
    placements: Sequence[Placement],
    vehicle: Vehicle,
    layouts: Sequence[Layout],
    relations: Sequence[Relation] = (),
    others: Sequence[Placement] = (),
) -> Bay:
    """Put every plate where the kit and the placements say, or where one would usually lay it.

    Wheels where the declared measures (or a middling car's) put them, targets at their nominal values (a
    fixture that several placements name, where the first has it), floor plates before the farthest fixture
    and beside the wheels, scale bars on the floor, a datum plate at the bumper, labels on their targets,
    level plates beside the first target that is held against the plumb line. The farthest fixture is that
    of all rounds: `others` are the placements of the other ones.
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

    fixtures = tuple(f for f in kit.fixtures if f.name in {p.fixture for p in placements})
    T_vehicle_fixture: dict[str, NDArray] = {}
    for placement in placements:
        T_vehicle_target, T_of_its_fixture = _poses(placement, kit, vehicle, body)
        T_vehicle_fixture.setdefault(placement.fixture, T_of_its_fixture)
        for datum in kit.datum_plates:
            if datum.name in (placement.datum, placement.origin.at if placement.origin else None):
                ahead = T_vehicle_target[0, 3] > -wheelbase_mm / 2
                R = _facing(np.array([1.0 if ahead else -1.0, 0, 0]))
                point = _bumper(body, ahead)
                plates[datum.plate] = geometry.transform(R, point - R @ np.array(datum.offset_mm))
    for fixture in fixtures:
        for mount in fixture.mounts:
            plates[mount.plate] = T_vehicle_fixture[fixture.name] @ mount.T_fixture_plate
    held_upright = next((p for p in placements if not p.values.keys().isdisjoint(PLUMB_KEYS)), None)
    if held_upright is not None:
        plates |= _level_plates(kit, _poses(held_upright, kit, vehicle, body)[0])
    for plate, label in labels_of(kit, placements).items():
        plates[plate] = T_vehicle_fixture[label.fixture] @ label.T_fixture_plate
    middle_mm = body[0, :, :2].mean(0)
    elsewhere = [_poses(placement, kit, vehicle, body)[1] for placement in others]
    farthest = max(
        (*T_vehicle_fixture.values(), *elsewhere), key=lambda T: np.linalg.norm(T[:2, 3] - middle_mm)
    )
    places = _floor_places(farthest, wheelbase_mm, body)
    places = places[~_on_mats(places, fixtures, T_vehicle_fixture)]
    for floor, (x, y) in zip(kit.floor, places, strict=False):
        height_mm = kit.plates[floor.plate].thickness_mm
        plates[floor.plate] = geometry.transform(np.eye(3), np.array([x, y, height_mm]))
    _lay_bars(plates, kit, farthest, body)
    return Bay(
        replace(kit, fixtures=fixtures),
        vehicle,
        tuple(placements),
        MappingProxyType({layout.name: layout for layout in layouts}),
        MappingProxyType(T_vehicle_fixture),
        MappingProxyType(plates),
        body,
        tuple(relations),
        tuple(others),
    )


def _level_plates(kit: Kit, T_vehicle_target: NDArray) -> dict[int, NDArray]:
    """Beside the target, turned as it is: what hangs free on its +y side, what lies levelled on the other."""
    across = np.array([T_vehicle_target[0, 1], T_vehicle_target[1, 1], 0.0])
    across /= np.linalg.norm(across)
    toward = np.array([-across[1], across[0], 0.0])  # the target's -x on the floor: to the vehicle
    plates = {}
    for axis, sign, height_mm in (("y", 1, HANGING_MM), ("z", -1, STOOL_MM)):
        R = _facing(toward) if axis == "y" else np.eye(3)
        for i, level in enumerate(one for one in kit.levels if one.axis == axis):
            place = T_vehicle_target[:3, 3] * [1, 1, 0] + LEVEL_TOWARD_MM * toward
            place += sign * (LEVEL_BESIDE_MM + i * LEVEL_APART_MM) * across + [0, 0, height_mm]
            plates[level.plate] = geometry.transform(R, place)
    return plates


def _facing(z: NDArray) -> NDArray:
    """A plate's rotation whose face looks along z, which is not vertical, and whose y points up."""
    x = np.cross([0.0, 0, 1], z)
    x = x / np.linalg.norm(x)
    return np.column_stack([x, np.cross(z, x), z])


def _body(vehicle: Vehicle, wheelbase_mm: float, standoff_mm: float) -> NDArray:
    """Body and cabin; the wheel plates hang clear of its sides."""
    tracks = [t for t in (vehicle.track_front_mm, vehicle.track_rear_mm) if t is not None]
    half_mm = max(tracks, default=TRACK_MM) / 2 + min(BODY_BEYOND_WHEEL_MM, standoff_mm - PLATE_CLEAR_MM)
    front_mm = vehicle.overhang_front_mm or OVERHANG_MM
    rear_mm = -wheelbase_mm - (vehicle.overhang_rear_mm or OVERHANG_MM)
    return np.array(
        [
            [[rear_mm, -half_mm, CLEARANCE_MM], [front_mm, half_mm, WAIST_MM]],
            [[rear_mm + 200, 150 - half_mm, WAIST_MM], [-BONNET_MM, half_mm - 150, ROOF_MM]],
        ]
    )


def with_wheels_clear(bay: Bay) -> Bay:
    """The bay with a body as narrow as its wheel plates tell: a middling one would hide a small car's."""
    body = bay.body.copy()
    for clamp in bay.kit.clamps.values():
        y = bay.T_vehicle_plate[clamp.plate][1, 3]
        if y > 0:
            body[:, 1, 1] = np.minimum(body[:, 1, 1], y - PLATE_CLEAR_MM)
        else:
            body[:, 0, 1] = np.maximum(body[:, 0, 1], y + PLATE_CLEAR_MM)
    return replace(bay, body=body)


def _bumper(body: NDArray, ahead: bool) -> NDArray:
    """A little off the body, so that it does not hide what is stuck on it."""
    x = body[0, 1, 0] + 10 if ahead else body[0, 0, 0] - 10
    return np.array([x, 0.0, BUMPER_HEIGHT_MM])


def _poses(placement: Placement, kit: Kit, vehicle: Vehicle, body: NDArray) -> tuple[NDArray, NDArray]:
    """T_vehicle_target at nominal, and T_vehicle_fixture of the fixture that carries it there."""
    fixture = next(f for f in kit.fixtures if f.name == placement.fixture)
    target = next(t for t in fixture.targets if t.name == placement.target)
    T_vehicle_target = _target_pose(placement, fixture.is_mat, vehicle, body)
    return T_vehicle_target, T_vehicle_target @ geometry.invert(target.T_fixture_target)


def _target_pose(placement: Placement, is_mat: bool, vehicle: Vehicle, body: NDArray) -> NDArray:
    wheelbase_mm = vehicle.wheelbase_mm or WHEELBASE_MM
    asked = {key: tolerance.nominal for key, tolerance in placement.values.items()}
    beside_mm = DISTANCE_MM * np.array([math.cos(placement.facing_rad), math.sin(placement.facing_rad)])
    distance_mm = asked.get("distance_mm", float(beside_mm[0]))
    x = _axle_or_bumper(placement.datum, wheelbase_mm, body, distance_mm > 0) + distance_mm
    y = asked.get("lateral_mm", float(beside_mm[1]))
    x, y = _from_origin(placement, asked, vehicle, body, (x, y))
    place_mm = np.array([x, y, asked.get("height_mm", 0.0 if is_mat else HEIGHT_MM)])
    if is_mat:
        heading_rad = placement.facing_rad + math.radians(asked.get("heading_deg", 0.0))
        mark = np.array([math.cos(heading_rad), math.sin(heading_rad), 0.0])
        down = np.array([0.0, 0.0, -1.0])
        return geometry.transform(np.column_stack([down, np.cross(mark, down), mark]), place_mm)
    is_behind = x < -wheelbase_mm and not placement.facing_rad
    yaw_deg = asked.get("yaw_deg", 180.0 if is_behind else 0.0) + math.degrees(placement.facing_rad)
    turn_rad = np.radians([yaw_deg, asked.get("pitch_deg", 0.0), asked.get("roll_deg", 0.0)])
    return geometry.transform(geometry.rz_ry_rx(*turn_rad), place_mm)


def _axle_or_bumper(datum: str, wheelbase_mm: float, body: NDArray, is_ahead: bool) -> float:
    at = {"front_axle": 0.0, "rear_axle": -wheelbase_mm}.get(datum)
    return float(_bumper(body, is_ahead)[0]) if at is None else at


def _from_origin(
    placement: Placement,
    asked: Mapping[str, float],
    vehicle: Vehicle,
    body: NDArray,
    place_mm: tuple[float, float],
) -> tuple[float, float]:
    """Where range and bearing put the target, or the gap, of what is asked; else where it was."""
    origin = placement.origin
    if origin is None:
        return place_mm
    wheelbase_mm = vehicle.wheelbase_mm or WHEELBASE_MM
    axis = np.array([math.cos(origin.axis_rad), math.sin(origin.axis_rad)])
    start = np.array([0.0, 0.0])
    if origin.at not in (*WHEELS, "front_axle", "rear_axle"):  # a datum plate
        start[0] = float(_bumper(body, math.cos(placement.facing_rad) > 0)[0])
    elif origin.at.startswith("rear"):
        start[0] = -wheelbase_mm
    if origin.at in WHEELS:
        track_mm = vehicle.track_front_mm if origin.at.startswith("front") else vehicle.track_rear_mm
        start[1] = (track_mm or TRACK_MM) / 2 * (1 if origin.at.endswith("left") else -1)
    start += origin.offset_mm
    way = np.array(place_mm) - start
    if "range_mm" in asked and "bearing_deg" in asked:
        turn_rad = origin.axis_rad + math.radians(asked["bearing_deg"])
        way = asked["range_mm"] * np.array([math.cos(turn_rad), math.sin(turn_rad)])
    elif "gap_mm" in asked:
        way = way + (asked["gap_mm"] - float(way @ axis)) * axis
    x, y = start + way
    return float(x), float(y)


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


def _on_mats(
    places_mm: NDArray, fixtures: Sequence[Fixture], T_vehicle_fixture: Mapping[str, NDArray]
) -> NDArray:
    """(k,) of places (k, 2) on the floor, where a mat lies already."""
    taken = np.zeros(len(places_mm), bool)
    for mat in fixtures:
        if mat.is_mat:
            T_mat_vehicle = geometry.invert(T_vehicle_fixture[mat.name])
            on_mat = geometry.apply(T_mat_vehicle, np.c_[places_mm, np.zeros(len(places_mm))])[:, :2]
            corners = np.array([m.T_fixture_plate[:2, 3] for m in mat.mounts])
            low, high = corners.min(0) - BESIDE_MAT_MM, corners.max(0) + BESIDE_MAT_MM
            taken |= ((on_mat > low) & (on_mat < high)).all(1)
    return taken


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
