"""Random but realistic scenes with truth: vehicle, kit, fixture, floor and the photos of a round.

Every error is drawn from the uncertainty that the kit declares for it (normal, per axis), every habit
of the phone from `Phone`, the vehicle from `draw_car`. What is declared and what is drawn can be set
apart (`drawn=`), for studies of wrong assumptions.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib_data.layouts import load_layouts
from tools.truth import (
    Box,
    Lens,
    Scene,
    TruePhoto,
    TruePlate,
    Truth,
    plate_outline_mm,
    points_in_world_mm,
    true_values,
    unhidden_views,
    views_in,
)
from vision.kit import (
    WHEELS,
    Clamp,
    DatumPlate,
    Fixture,
    FloorPlate,
    Kit,
    Mount,
    Placement,
    Plate,
    ScaleBar,
    Target,
    Tolerance,
    Vehicle,
)
from vision.layout import Layout
from vision.photo import ExifFacts

Vector = Sequence[float] | NDArray

WHEEL_PLATES = MappingProxyType(dict(zip(WHEELS, (0, 1, 2, 3), strict=True)))
FIXTURE_PLATES = (10, 11)
FLOOR_PLATES = (20, 21, 22, 23, 24, 25)
BAR_PLATES = (30, 31)
DATUM_PLATE = 40
STANDOFF_MM = 120.0
BAR_MM = 1000.0
# FORMATS.md, R0: a fixture plate at rotation zero faces the vehicle.
R_FIXTURE_FACE = np.array([[0.0, 0, -1], [-1, 0, 0], [0, 1, 0]])


@dataclass(frozen=True)
class Care:
    """How well a kit is measured: standard uncertainties, as FORMATS.md names them."""

    u_ruler_scale: float = 0.0002
    u_printed_scale: float = 0.0003
    u_scale_difference: float = 0.0002
    u_bow_mm: float = 0.2
    u_standoff_mm: float = 0.3
    u_eccentricity_mm: float = 0.3
    u_tilt_deg: float = 0.03
    u_mount_mm: float = 0.2
    u_mount_deg: float = 0.05
    u_target_mm: float = 0.2
    u_target_deg: float = 0.03
    u_flatness_mm: float = 0.5
    u_bar_mm: float = 0.05
    u_datum_mm: float = 1.0
    u_wheelbase_mm: float = 4.0


PERFECT = Care(*([0.0] * 15))


@dataclass(frozen=True)
class Phone:
    """What a 12-megapixel phone does: a range of focal lengths and changes from photo to photo (sd).

    Pixels are those of a photo 4032 wide; they go with the width of smaller ones.
    """

    f_px: tuple[float, float] = (2700.0, 3100.0)
    distortion: tuple[float, float, float, float, float] = (0.05, 0.03, 4e-4, 4e-4, 0.03)
    u_aspect: float = 1e-4
    u_centre_px: float = 15.0
    u_focal_change: float = 0.0015
    u_centre_shift_px: float = 4.0
    u_twist_mm: float = 0.3
    u_twist_rad: float = 3e-4


@dataclass(frozen=True, eq=False)
class Car:
    """A vehicle's shape in its design frame: front axle at x = 0, floor at z = 0.

    `centres_mm` (4, 3) and `axes` (4, 3, outward) in the order of `vision.kit.WHEELS`.
    """

    centres_mm: NDArray
    axes: NDArray
    overhang_front_mm: float = 850.0
    overhang_rear_mm: float = 800.0
    height_mm: float = 1450.0

    @property
    def half_width_mm(self) -> float:
        return float(np.abs(self.centres_mm[:, 1]).max()) + 85.0


def car_of(
    wheelbase_mm: float,
    track_mm: tuple[float, float],
    radius_mm: tuple[float, float],
    *,
    headings_deg: Vector = (0, 0, 0, 0),
    cambers_deg: Vector = (0, 0, 0, 0),
    jitter_mm: NDArray | float = 0.0,
) -> Car:
    """A car from its measures: (front, rear) pairs, headings left positive, camber top outward positive."""
    front, rear = np.array(track_mm) / 2
    centres_mm = np.array(
        [
            [0, front, radius_mm[0]],
            [0, -front, radius_mm[0]],
            [-wheelbase_mm, rear, radius_mm[1]],
            [-wheelbase_mm, -rear, radius_mm[1]],
        ]
    )
    side = np.array([1, -1, 1, -1])
    heading, camber = np.radians(headings_deg), np.radians(cambers_deg)
    axes = np.column_stack(
        [-side * np.sin(heading) * np.cos(camber), side * np.cos(heading) * np.cos(camber), -np.sin(camber)]
    )
    return Car(centres_mm + jitter_mm, axes)


def draw_car(rng: Generator) -> Car:
    """Wheelbase 2300-3000, track 1450-1650, wheel radius 300-340 mm (uniform); toe 0.1, camber 0.5,
    steer 0.3, thrust angle 0.08 degrees and axle jitter 1.5 mm (sd)."""
    track_mm = rng.uniform(1450, 1650)
    radius_mm = rng.uniform(300, 340)
    toe = rng.normal(0, 0.1, 4) * [-1, 1, -1, 1]
    steer, thrust = rng.normal(0, 0.3), rng.normal(0, 0.08)
    return car_of(
        rng.uniform(2300, 3000),
        (track_mm, track_mm + rng.normal(0, 8)),
        (radius_mm, radius_mm + rng.normal(0, 1)),
        headings_deg=toe + [steer, steer, thrust, thrust],
        cambers_deg=rng.normal(-0.7, 0.5, 4),
        jitter_mm=rng.normal(0, 1.5, (4, 3)),
    )


@dataclass(frozen=True)
class SetUp:
    """Where the technician was to put the target, and how far off (sd) the drawn one stands."""

    lateral_mm: float = 0.0
    height_mm: float = 1000.0
    yaw_deg: float = 0.0
    off_mm: float = 3.0
    off_deg: float = 0.15


def make_scene(
    rng: Generator,
    *,
    target_distance_mm: float = 3000.0,
    n_photos: int = 12,
    stations: str | NDArray = "chosen",
    size_px: tuple[int, int] = (4032, 3024),
    care: Care = Care(),  # noqa: B008 (frozen)
    drawn: Care | None = None,
    phone: Phone = Phone(),  # noqa: B008 (frozen)
    n_phones: int = 1,
    car: Car | None = None,
    set_up: SetUp = SetUp(),  # noqa: B008 (frozen)
    reference_line: str = "centreline",
    datum: str = "front_axle",
    n_floor: int = 6,
    with_bar: bool = False,
    with_datum_plate: bool = False,
    wheels: Sequence[str] = WHEELS,
    measured_clamps: bool = False,
    T_world_vehicle: NDArray | None = None,
) -> Scene:
    """A shop, a vehicle, a target ahead of it and a round of photos, all with truth.

    Args:
        rng: All draws come from here; the same state gives the same scene.
        target_distance_mm: From the front axle; 1200 to 6000 is realistic.
        stations: `walk` (evenly along both sides, eye height), `chosen` (the places where the
            adjustment gains most, phone held high) or camera positions (n, 3) in the vehicle frame.
        care: What the kit declares; `drawn`, what is drawn where that differs.
        n_phones: Photos alternate between so many phones.
        wheels: Those that carry a clamp.
        measured_clamps: The clamps are off by 2 mm and 0.3 degrees (sd), measured, and declared so.
        T_world_vehicle: The design frame in the shop; drawn on the floor when absent.
    """
    drawn = drawn or care
    car = car or draw_car(rng)
    if T_world_vehicle is None:
        T_world_vehicle = pose([*rng.uniform(-500, 500, 2), 0], [0, 0, rng.uniform(-180, 180)])
    prints = _Prints(rng, care, drawn, rng.normal(0, drawn.u_ruler_scale))

    clamps = {wheel: _clamp(rng, wheel, care, measured_clamps) for wheel in wheels}
    plates = [_hang(rng, drawn, prints, clamp, car, T_world_vehicle) for clamp in clamps.items()]
    fixture, T_world_target, on_fixture, stand = _stand_fixture(
        rng, care, drawn, prints, set_up, T_world_vehicle, target_distance_mm
    )
    plates += on_fixture
    floor_xy_mm = _floor_places(rng, car, target_distance_mm)[:n_floor]
    plates += [
        _lay(rng, drawn, prints, number, T_world_vehicle, xy)
        for number, xy in zip(FLOOR_PLATES, floor_xy_mm, strict=False)
    ]
    bars: tuple[ScaleBar, ...] = ()
    if with_bar:
        bars = (ScaleBar(BAR_PLATES, BAR_MM, care.u_bar_mm),)
        plates += _lay_bar(rng, drawn, prints, T_world_vehicle, car, target_distance_mm)
    datums: tuple[DatumPlate, ...] = ()
    datum_points_mm: dict[str, NDArray] = {}
    if with_datum_plate:
        offset_mm = (0.0, -60.0, -15.0)
        datums = (DatumPlate("bumper_centre", DATUM_PLATE, offset_mm, care.u_datum_mm),)
        T_world_plate = T_world_vehicle @ pose([car.overhang_front_mm, rng.normal(0, 5), 520])
        T_world_plate[:3, :3] = T_world_plate[:3, :3] @ -R_FIXTURE_FACE @ np.diag([1.0, -1, 1])
        plates.append(prints.plate(DATUM_PLATE, "datum", T_world_plate))
        off_mm = np.array(offset_mm) + rng.normal(0, 1, 3) * drawn.u_datum_mm
        datum_points_mm["bumper_centre"] = T_world_plate[:3, :3] @ off_mm + T_world_plate[:3, 3]

    R, t = T_world_vehicle[:3, :3], T_world_vehicle[:3, 3]
    truth = Truth(
        wheel_centres_mm=dict(zip(WHEELS, car.centres_mm @ R.T + t, strict=True)),
        spin_axes=dict(zip(WHEELS, car.axes @ R.T, strict=True)),
        floor_point_mm=np.zeros(3),
        floor_normal=np.array([0.0, 0, 1]),
        T_world_target=T_world_target,
        datum_points_mm=datum_points_mm,
    )
    kit = Kit(
        name="simulated kit",
        u_ruler_scale=care.u_ruler_scale,
        plates=MappingProxyType({p.number: prints.declared[p.number] for p in plates}),
        clamps=MappingProxyType(clamps),
        fixtures=(fixture,),
        floor=tuple(FloorPlate(p.number, care.u_flatness_mm) for p in plates if p.role == "floor"),
        scale_bars=bars,
        datum_plates=datums,
    )
    boxes = (*_car_boxes(car, T_world_vehicle), *stand)
    places_mm = (
        _stations(rng, stations, n_photos, car, target_distance_mm) if isinstance(stations, str) else stations
    )
    link = not (isinstance(stations, str) and stations == "walk")
    phones = [_draw_phone(rng, phone, size_px, number) for number in range(n_phones)]
    photos = _take(rng, phone, phones, size_px, T_world_vehicle, places_mm, tuple(plates), boxes, link)
    return Scene(
        kit=kit,
        vehicle=_declare_vehicle(rng, truth, car, care, drawn),
        placement=_declare_placement(rng, truth, set_up, reference_line, datum),
        photos=photos,
        truth=truth,
    )


def pose(position_mm: Vector, rotation_deg: Vector = (0, 0, 0)) -> NDArray:
    """T from a position and [rx, ry, rz]: R = Rz @ Ry @ Rx, as FORMATS.md writes rotations."""
    T = np.eye(4)
    T[:3, :3] = Rotation.from_euler("ZYX", np.asarray(rotation_deg, float)[::-1], degrees=True).as_matrix()
    T[:3, 3] = position_mm
    return T


def nudge(rng: Generator, u_mm: float, u_deg: float) -> NDArray:
    """A small random motion about a body's own axes, per axis."""
    T = np.eye(4)
    T[:3, :3] = Rotation.from_rotvec(rng.normal(0, 1, 3) * np.radians(u_deg)).as_matrix()
    T[:3, 3] = rng.normal(0, 1, 3) * u_mm
    return T


def layout_of(number: int) -> Layout:
    return next(layout for layout in load_layouts() if layout.has_plate(number))


class _Prints:
    """The printed sheets: draws each sheet's errors and keeps what the kit declares about it."""

    def __init__(self, rng: Generator, care: Care, drawn: Care, ruler_error: float) -> None:
        self._rng, self._care, self._drawn, self._ruler_error = rng, care, drawn, ruler_error
        self.declared: dict[int, Plate] = {}

    def plate(self, number: int, role: str, T_world_plate: NDArray, thickness_mm: float = 3.0) -> TruePlate:
        """Printers are off by 0.1 % (sd, common practice, no source); the ruler says by how much."""
        rng, care, drawn = self._rng, self._care, self._drawn
        declared = round(float(1 + (rng.normal(0, 0.001) if care.u_printed_scale else 0.0)), 6)
        scale = declared + self._ruler_error + rng.normal(0, 1) * drawn.u_printed_scale
        difference = rng.normal(0, 1) * drawn.u_scale_difference
        layout = layout_of(number)
        self.declared[number] = Plate(
            number=number,
            layout=layout.name,
            printed_scale_xy=(declared, declared),
            u_printed_scale=care.u_printed_scale,
            u_scale_difference=care.u_scale_difference,
            u_bow_mm=care.u_bow_mm,
            thickness_mm=thickness_mm,
            scale_is_measured=True,
        )
        bow_x, bow_y = rng.normal(0, 1, 2) * drawn.u_bow_mm
        scale_xy = (scale + difference / 2, scale - difference / 2)
        return TruePlate(number, layout, role, T_world_plate, scale_xy, (bow_x, bow_y))


# --- the shop -------------------------------------------------------------------------------------


def _clamp(rng: Generator, wheel: str, care: Care, is_measured: bool) -> Clamp:
    off_mm = np.round(rng.normal(0, 2.0, 2), 2).tolist() if is_measured else [0.0, 0.0]
    off_rad = rng.normal(0, np.radians(0.3), 2).tolist() if is_measured else [0.0, 0.0]
    return Clamp(
        WHEEL_PLATES[wheel],
        STANDOFF_MM,
        care.u_standoff_mm,
        care.u_eccentricity_mm,
        float(np.radians(care.u_tilt_deg)),
        eccentricity_mm=(off_mm[0], off_mm[1]),
        tilt_rad=(off_rad[0], off_rad[1]),
    )


def _hang(
    rng: Generator, drawn: Care, prints: _Prints, clamp: tuple[str, Clamp], car: Car, T_world_vehicle: NDArray
) -> TruePlate:
    """A plate on a wheel's clamp, turned by 8 degrees (sd) about the wheel's axis.

    Eccentricity is where the plate's origin lies from the spin axis, tilt the turn (a rotation vector
    in x and y) from the spin axis to the plate's z, both in the plate's frame.
    """
    wheel, declared = clamp
    centre_mm, axis = car.centres_mm[WHEELS.index(wheel)], car.axes[WHEELS.index(wheel)]
    tilt_rad = np.array(declared.tilt_rad) + rng.normal(0, 1, 2) * np.radians(drawn.u_tilt_deg)
    tilt = Rotation.from_rotvec([*tilt_rad, 0])
    turn = Rotation.from_euler("z", rng.normal(0, 8), degrees=True)
    # facing(axis) is the untilted plate: its z is the spin axis; turn first, then tilt.
    R = facing(axis) @ (turn * tilt).as_matrix()
    standoff_mm = declared.standoff_mm + rng.normal(0, 1) * drawn.u_standoff_mm
    off_mm = np.array(declared.eccentricity_mm) + rng.normal(0, 1, 2) * drawn.u_eccentricity_mm
    T_vehicle_plate = np.eye(4)
    T_vehicle_plate[:3, :3], T_vehicle_plate[:3, 3] = R, centre_mm + standoff_mm * axis + R @ [*off_mm, 0]
    return prints.plate(declared.plate, wheel, T_world_vehicle @ T_vehicle_plate)


def facing(z: NDArray) -> NDArray:
    """A plate's rotation whose face looks along z, which is not vertical, and whose y points up."""
    x = np.cross([0.0, 0, 1], z)
    x /= np.linalg.norm(x)
    return np.column_stack([x, np.cross(z, x), z])


def _stand_fixture(
    rng: Generator,
    care: Care,
    drawn: Care,
    prints: _Prints,
    set_up: SetUp,
    T_world_vehicle: NDArray,
    target_distance_mm: float,
) -> tuple[Fixture, NDArray, list[TruePlate], list[Box]]:
    """The fixture's declaration, the true target, its two plates, and the solids of board and stand.

    The target's reference point lies 100 to 250 mm above or below the plates' line (uniform).
    """
    above_mm = rng.choice([-1, 1]) * rng.uniform(100, 250)
    offset_mm = np.round([rng.uniform(-15, 0), rng.normal(0, 2), above_mm], 1)
    T_fixture_target = pose(offset_mm, np.round(rng.normal(0, 0.05, 3), 3))
    mounts = []
    for number, y_mm in zip(FIXTURE_PLATES, (350.0, -350.0), strict=True):
        T = pose([0, y_mm, 0])
        T[:3, :3] = R_FIXTURE_FACE
        mounts.append(Mount(number, T, care.u_mount_mm, float(np.radians(care.u_mount_deg))))
    target = Target("board", T_fixture_target, care.u_target_mm, float(np.radians(care.u_target_deg)))

    off = rng.normal(0, 1, 6) * ([set_up.off_mm] * 3 + [set_up.off_deg] * 3)
    position_mm = off[:3] + [target_distance_mm, set_up.lateral_mm, set_up.height_mm]
    T_vehicle_target = pose(position_mm, off[3:] + [0, 0, set_up.yaw_deg])
    T_world_fixture = T_world_vehicle @ T_vehicle_target @ np.linalg.inv(T_fixture_target)
    T_world_target = T_world_fixture @ T_fixture_target @ nudge(rng, drawn.u_target_mm, drawn.u_target_deg)
    plates = []
    for mount in mounts:
        T_fixture_plate = mount.T_fixture_plate @ nudge(rng, drawn.u_mount_mm, drawn.u_mount_deg)
        plates.append(prints.plate(mount.plate, "fixture", T_world_fixture @ T_fixture_plate))
    foot_mm = T_world_fixture[2, 3]
    solids = [
        Box(T_world_target @ pose([11, 0, 0]), (10.0, 225.0, 200.0), "board"),
        Box(T_world_fixture @ pose([45, 0, 0]), (15.0, 460.0, 30.0), "beam"),
        Box(T_world_fixture @ pose([45, 0, -foot_mm / 2 - 15]), (15.0, 30.0, foot_mm / 2 - 15), "post"),
    ]
    return Fixture("front", tuple(mounts), (target,)), T_world_target, plates, solids


def _lay(
    rng: Generator, drawn: Care, prints: _Prints, number: int, T_world_vehicle: NDArray, xy_mm: NDArray
) -> TruePlate:
    """A plate on the floor, turned any way, its underside off the plane by the flatness."""
    z_mm = 3.0 + rng.normal(0, 1) * drawn.u_flatness_mm
    T_vehicle_plate = pose([*xy_mm, z_mm], [0, 0, rng.uniform(-180, 180)])
    return prints.plate(number, "floor", T_world_vehicle @ T_vehicle_plate)


def _floor_places(rng: Generator, car: Car, distance_mm: float) -> NDArray:
    """Two just before the fixture, two beside the front axle, two beside mid-wheelbase; sd 60 mm."""
    side_mm = car.half_width_mm + 330
    mid_mm = car.centres_mm[2, 0] / 2
    ahead_mm = distance_mm - 350
    # Close fixtures leave no room ahead of the bumper: the pair goes beside it then.
    beside_mm = 550 if ahead_mm > car.overhang_front_mm + 300 else side_mm
    places_mm = [
        [ahead_mm, beside_mm],
        [0, -side_mm],
        [mid_mm, side_mm],
        [ahead_mm, -beside_mm],
        [mid_mm, -side_mm],
        [0, side_mm],
    ]
    return np.array(places_mm) + rng.normal(0, 60, (6, 2))


def _lay_bar(
    rng: Generator, drawn: Care, prints: _Prints, T_world_vehicle: NDArray, car: Car, distance_mm: float
) -> list[TruePlate]:
    """A bar on the floor with a plate at each end, ahead of the bumper, or left of the car without room."""
    room = distance_mm - car.overhang_front_mm > 1500
    centre_mm = (
        [(distance_mm - 350 + car.overhang_front_mm) / 2, 0, 25]
        if room
        else [car.centres_mm[2, 0] * 0.3, car.half_width_mm + 800, 25]
    )
    T_world_bar = T_world_vehicle @ pose(centre_mm, [0, 0, rng.normal(90 if room else 0, 5)])
    length_mm = BAR_MM + rng.normal(0, 1) * drawn.u_bar_mm
    ends = [pose([sign * length_mm / 2, 0, 0], [0, 0, rng.normal(0, 20)]) for sign in (-1, 1)]
    return [prints.plate(n, "bar", T_world_bar @ end) for n, end in zip(BAR_PLATES, ends, strict=True)]


def _car_boxes(car: Car, T_world_vehicle: NDArray) -> tuple[Box, Box]:
    """Body and cabin; the wheel plates hang clear of the body's side."""
    rear_mm, front_mm = car.centres_mm[2, 0] - car.overhang_rear_mm, car.overhang_front_mm - 10
    body = (rear_mm, front_mm, 180.0, 950.0, car.half_width_mm)
    cabin = (rear_mm + 200, -600.0, 950.0, car.height_mm, car.half_width_mm - 150)
    boxes = []
    for what, (x0, x1, z0, z1, half_y) in (("body", body), ("cabin", cabin)):
        T = T_world_vehicle @ pose([(x0 + x1) / 2, 0, (z0 + z1) / 2])
        boxes.append(Box(T, ((x1 - x0) / 2, half_y, (z1 - z0) / 2), what))
    return boxes[0], boxes[1]


# --- the photos -------------------------------------------------------------------------------------


def _stations(rng: Generator, habit: str, n_photos: int, car: Car, distance_mm: float) -> NDArray:
    """Camera positions (n, 3) in the vehicle frame."""
    if habit == "walk":
        n_left = (n_photos + 1) // 2
        sides = np.where(np.arange(n_photos) < n_left, 1.0, -1.0)
        steps = np.concatenate([np.linspace(0, 1, n_left), np.linspace(1, 0, n_photos - n_left)])
        start_mm, end_mm = car.centres_mm[2, 0] - 1600, 0.6 * distance_mm
        x_mm = start_mm + steps * (end_mm - start_mm) + rng.normal(0, 100, n_photos)
        y_mm = sides * rng.uniform(3300, 4100, n_photos)
        return np.column_stack([x_mm, y_mm, rng.uniform(1350, 1750, n_photos)])
    assert habit == "chosen", habit
    rear_mm, d = car.centres_mm[2, 0], distance_mm
    # Beside the fixture looking back; from beyond 4 m the car would be too small from there.
    beside_mm = 1.1 * d if d < 4000 else 0.75 * d
    best = [
        [rear_mm - 600, 2700],
        [rear_mm - 600, -2700],
        [0.3 * d, 2800],
        [0.7 * d, -3400],
        [beside_mm, 3600],
        [-2000, -3800],
        [-300, 3500],
        [0.3 * d, -2800],
        [beside_mm, -3600],
        [-300, -3500],
        [0.7 * d, 3400],
        [-2000, 3800],
    ]
    xy_mm = np.array([best[i % len(best)] for i in range(n_photos)]) + rng.normal(0, 120, (n_photos, 2))
    return np.column_stack([xy_mm, rng.normal(1900, 50, n_photos)])


def _draw_phone(
    rng: Generator, phone: Phone, size_px: tuple[int, int], number: int
) -> tuple[Lens, ExifFacts]:
    """A lens, and the EXIF facts of its photos: the 35-mm equivalent by width or by diagonal, rounded."""
    scale = size_px[0] / 4032
    f_px = rng.uniform(*phone.f_px) * scale
    centre_px = (np.array(size_px) - 1) / 2 + rng.normal(0, 1, 2) * phone.u_centre_px * scale
    terms = rng.normal(0, 1, 5) * phone.distortion
    lens = Lens(f_px, centre_px[0], centre_px[1], tuple(terms), rng.normal(0, 1) * phone.u_aspect)
    by_width, by_diagonal = 36.0 / size_px[0], np.hypot(36.0, 24.0) / np.hypot(*size_px)
    focal_35mm = round(float(f_px * rng.choice([by_width, by_diagonal])))
    make, model = (("Lumora", "L2"), ("Vireo", "Seven"))[number % 2]
    focal_mm = round(focal_35mm / 5.6, 2)
    facts = ExifFacts(make=make, model=model, focal_length_mm=focal_mm, focal_35mm=focal_35mm)
    return lens, facts


def _take(
    rng: Generator,
    phone: Phone,
    phones: Sequence[tuple[Lens, ExifFacts]],
    size_px: tuple[int, int],
    T_world_vehicle: NDArray,
    places_in_vehicle_mm: NDArray,
    plates: tuple[TruePlate, ...],
    boxes: tuple[Box, ...],
    link: bool,
) -> tuple[TruePhoto, ...]:
    """One photo from every place, every third in portrait, aimed by `_aim`, with this photo's lens."""
    photos: list[TruePhoto] = []
    n_seen = {plate.number: 0 for plate in plates}
    for i, place_mm in enumerate(places_in_vehicle_mm):
        base, facts = phones[i % len(phones)]
        scale = size_px[0] / 4032
        f_px = base.fx_px * (1 + rng.normal(0, 1) * phone.u_focal_change)
        shift_px = rng.normal(0, 1, 2) * phone.u_centre_shift_px * scale
        lens = replace(
            base, fx_px=f_px, cx_px=float(base.cx_px + shift_px[0]), cy_px=float(base.cy_px + shift_px[1])
        )
        position_mm = T_world_vehicle[:3, :3] @ place_mm + T_world_vehicle[:3, 3]
        orientation = int(rng.choice([6, 8])) if i % 3 == 2 else int(rng.choice([1, 1, 1, 3]))
        T_camera_world = _aim(rng, position_mm, orientation, lens, size_px, plates, boxes, n_seen, link)
        minute, second = divmod(15 * i, 60)
        facts = replace(
            facts,
            orientation=orientation,
            exposure_time_s=float(rng.choice([1 / 60, 1 / 100, 1 / 120])),
            taken=f"2026-03-14T09:{10 + minute:02d}:{second:02d}",
        )
        twist = rng.normal(0, 1, 6) * ([phone.u_twist_mm] * 3 + [phone.u_twist_rad] * 3)
        photo = TruePhoto(f"p{i + 1:02d}.jpg", size_px, facts, T_camera_world, lens, twist, plates, boxes)
        for view in views_in(photo):
            n_seen[view.plate.number] += 1
        photos.append(photo)
    return tuple(photos)


def _aim(
    rng: Generator,
    position_mm: NDArray,
    orientation: int,
    lens: Lens,
    size_px: tuple[int, int],
    plates: tuple[TruePlate, ...],
    boxes: tuple[Box, ...],
    n_seen: Mapping[int, int],
    link: bool,
) -> NDArray:
    """Point the phone where it sees most plates, least seen ones first, then shake the hand.

    Who chooses stations (`link`) also sees to it that fixture and car are in one photo: such a photo
    counts as one plate more. The hand is off by 1 degree in aim and 2.5 in roll (sd).
    """
    views = unhidden_views(position_mm, plates, boxes)
    if not views:
        views = [(plate, 0.0) for plate in plates]
    seen = [plate for plate, _ in views]
    outlines = np.array([points_in_world_mm(p, plate_outline_mm(p.layout)) - position_mm for p in seen])
    sights = np.array([p.T_world_plate[:3, 3] - position_mm for p in seen])
    sights /= np.linalg.norm(sights, axis=1, keepdims=True)
    first, second = np.triu_indices(len(seen))
    aims = sights[first] + sights[second]
    R = _looking(aims, orientation)
    p = np.einsum("aij,nkj->anki", R, outlines)
    centre_px = (np.array(size_px) - 1) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        off_px = np.abs(lens.fx_px * p[..., :2] / p[..., 2:])
    # 8 % of the half size is left for distortion and the hand.
    fits = ((p[..., 2:] > 0) & (off_px < 0.92 * centre_px)).all(axis=(2, 3))
    gain = fits @ np.array([1 / (0.5 + n_seen[plate.number]) for plate in seen])
    if link:
        fixture = np.array([plate.role == "fixture" for plate in seen])
        gain = gain + 1.0 * (fits[:, fixture].any(axis=1) & fits[:, ~fixture].any(axis=1))
    shake = Rotation.from_euler("xyz", rng.normal(0, [1.0, 1.0, 2.5]), degrees=True).as_matrix()
    T_camera_world = np.eye(4)
    T_camera_world[:3, :3] = shake @ R[int(np.argmax(gain))]
    T_camera_world[:3, 3] = -T_camera_world[:3, :3] @ position_mm
    return T_camera_world


def _looking(directions: NDArray, orientation: int) -> NDArray:
    """R_camera_world (n, 3, 3) of a level phone: EXIF 1 upright, 3 upside down, 6 and 8 in portrait.

    Orientation 6: the stored array's left side is shown on top, so the sensor's x points down.
    """
    z = directions / np.linalg.norm(directions, axis=-1, keepdims=True)
    x = np.stack([z[:, 1], -z[:, 0], np.zeros(len(z))], -1)  # z cross up
    x /= np.linalg.norm(x, axis=-1, keepdims=True)
    down = np.cross(z, x)
    right_down = {1: (x, down), 3: (-x, -down), 6: (down, -x), 8: (-down, x)}[orientation]
    return np.stack([*right_down, z], axis=1)


# --- what the operator declares ----------------------------------------------------------------------


def _declare_vehicle(rng: Generator, truth: Truth, car: Car, care: Care, drawn: Care) -> Vehicle:
    """The data sheet: wheelbase and tracks off by their u, wheel radius by 3 mm (load, wear)."""
    c = car.centres_mm
    off = rng.normal(0, 1, 5) * ([drawn.u_wheelbase_mm] * 3 + [min(drawn.u_wheelbase_mm, 3.0)] * 2)
    return Vehicle(
        label="simulated vehicle",
        wheelbase_mm=round((c[0, 0] + c[1, 0] - c[2, 0] - c[3, 0]) / 2 + off[0], 1),
        u_wheelbase_mm=care.u_wheelbase_mm or 1.0,
        track_front_mm=round(c[0, 1] - c[1, 1] + off[1], 1),
        track_rear_mm=round(c[2, 1] - c[3, 1] + off[2], 1),
        wheel_radius_front_mm=round(float(c[:2, 2].mean()) + off[3], 1),
        wheel_radius_rear_mm=round(float(c[2:, 2].mean()) + off[4], 1),
        overhang_front_mm=car.overhang_front_mm,
        overhang_rear_mm=car.overhang_rear_mm,
    )


def _declare_placement(
    rng: Generator, truth: Truth, set_up: SetUp, reference_line: str, datum: str
) -> Placement:
    """Nominals from which the true values are off by as much as the technician was."""
    true = true_values(truth, reference_line, datum)
    off = rng.normal(0, 1, 4) * ([set_up.off_mm] * 3 + [set_up.off_deg])
    tolerances = {"distance_mm": 5.0, "lateral_mm": 4.0, "height_mm": 4.0, "yaw_deg": 0.3}
    values = {
        key: Tolerance(round(float(true[key] - off[i]), 1 if key.endswith("mm") else 2), half, half)
        for i, (key, half) in enumerate(tolerances.items())
    }
    return Placement("front board", "front", "board", reference_line, datum, MappingProxyType(values))
