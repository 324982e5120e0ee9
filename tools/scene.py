"""Random but realistic scenes with truth: vehicle, kit, fixture, floor and the photos of a round.

Every error is drawn from the uncertainty that the kit declares for it (normal, per axis), every habit
of the phone from `Phone`, the vehicle from `draw_car`. What is declared and what is drawn can be set
apart (`drawn=`), for studies of wrong assumptions.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib_data.layouts import load_layouts
from tools.photo_round import Phone, draw_phone, stand, take_photos
from tools.truth import (
    Box,
    Lens,
    Scene,
    TruePlate,
    Truth,
    true_values,
)
from vision.kit import (
    WHEELS,
    Clamp,
    DatumPlate,
    Fixture,
    FloorPlate,
    Kit,
    Label,
    LevelPlate,
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
LABEL_PLATE, OTHER_LABEL_PLATE = 45, 46
HANGING_PLATE, LYING_PLATE = 48, 49
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
    u_level_deg: float = 0.1


PERFECT = Care(*([0.0] * 16))


@dataclass(frozen=True, eq=False)
class Car:
    """A vehicle's shape in the shop's frame: the axle nearer to the target at x = 0, floor at z = 0.

    `centres_mm` (4, 3) and `axes` (4, 3, outward) in the order of `vision.kit.WHEELS`. The near overhang
    is the front one, unless the car was turned round.
    """

    centres_mm: NDArray
    axes: NDArray
    near_overhang_mm: float = 850.0
    far_overhang_mm: float = 800.0
    height_mm: float = 1450.0

    @property
    def half_width_mm(self) -> float:
        return float(np.abs(self.centres_mm[:, 1]).max()) + 85.0

    @property
    def far_axle_mm(self) -> float:
        return float(min(self.centres_mm[0, 0], self.centres_mm[2, 0]))

    def turned_round(self) -> "Car":
        """With its tail to the target, the rear axle at x = 0."""
        flip = np.array([-1.0, -1.0, 1.0])
        return Car(
            self.centres_mm * flip + [self.centres_mm[2:, 0].mean(), 0, 0],
            self.axes * flip,
            self.far_overhang_mm,
            self.near_overhang_mm,
            self.height_mm,
        )


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
    with_label: bool = False,
    plumb: str = "",
    wheels: Sequence[str] = WHEELS,
    measured_clamps: bool = False,
    behind: bool = False,
    first_plate: int = 0,
    T_world_vehicle: NDArray | None = None,
    kit_rng: Generator | None = None,
    phones: Sequence[tuple[Lens, ExifFacts]] = (),
) -> Scene:
    """A shop, a vehicle, a target ahead of it and a round of photos, all with truth.

    Args:
        rng: All draws come from here; the same state gives the same scene.
        target_distance_mm: From the nearer axle; 1200 to 6000 is realistic.
        stations: A habit of photo_round.stand, or camera positions (n, 3) in the design frame.
        care: What the kit declares; `drawn`, what is drawn where that differs.
        n_phones: Photos alternate between so many phones.
        plumb: Level plates: "y" for one that hangs free, "z" for one that lies levelled, or both; the floor
            then slopes by half a degree (sd) each way.
        with_label: The board has a label plate, and the kit another board with another label.
        wheels: Those that carry a clamp.
        measured_clamps: The clamps are off by 2 mm and 0.3 degrees (sd), measured, and declared so.
        behind: The target stands behind the vehicle, `target_distance_mm` from the rear axle.
        first_plate: Added to all plate numbers: 60 makes them `cross2x2`.
        T_world_vehicle: The design frame (Car) in the shop; drawn on the floor when absent.
        kit_rng: What belongs to the kit (sheets, ruler, fixture) is drawn from here: begun again with one
            seed, it gives one kit in many rounds. The clamps are hung anew each time.
        phones: The very phones, in place of drawn ones.
    """
    drawn = drawn or care
    of_kit = kit_rng or rng
    car = car or draw_car(rng)
    car = car.turned_round() if behind else car
    if T_world_vehicle is None:
        T_world_vehicle = pose([*rng.uniform(-500, 500, 2), 0], [0, 0, rng.uniform(-180, 180)])
    prints = _Prints(of_kit, care, drawn, of_kit.normal(0, drawn.u_ruler_scale), first_plate)

    clamps = {wheel: _clamp(rng, wheel, care, measured_clamps, first_plate) for wheel in wheels}
    plates = [_hang(rng, drawn, prints, clamp, car, T_world_vehicle) for clamp in clamps.items()]
    fixture, T_world_target, on_fixture, solids = _stand_fixture(
        rng, of_kit, care, drawn, prints, set_up, T_world_vehicle, target_distance_mm
    )
    plates += on_fixture
    if with_label:
        fixture, label = _stick_label(rng, care, drawn, prints, fixture, T_world_target)
        plates.append(label)
    slope = rng.normal(0, np.radians(0.5), 2) if plumb else np.zeros(2)
    up = np.append(slope, 1.0) / np.hypot(1.0, np.linalg.norm(slope))
    level_plates = [
        _level(rng, care, drawn, prints, axis, T_world_vehicle, target_distance_mm, up) for axis in plumb
    ]
    plates += level_plates
    floor_xy_mm = _floor_places(rng, car, target_distance_mm)[:n_floor]
    plates += [
        _lay(rng, drawn, prints, prints.number(number), T_world_vehicle, xy)
        for number, xy in zip(FLOOR_PLATES, floor_xy_mm, strict=False)
    ]
    bars: tuple[ScaleBar, ...] = ()
    if with_bar:
        bars = (
            ScaleBar((prints.number(BAR_PLATES[0]), prints.number(BAR_PLATES[1])), BAR_MM, care.u_bar_mm),
        )
        plates += _lay_bar(rng, drawn, prints, T_world_vehicle, car, target_distance_mm)
    datums: tuple[DatumPlate, ...] = ()
    datum_points_mm: dict[str, NDArray] = {}
    if with_datum_plate:
        offset_mm = (0.0, -60.0, -15.0)
        datums = (DatumPlate("bumper_centre", prints.number(DATUM_PLATE), offset_mm, care.u_datum_mm),)
        T_world_plate = T_world_vehicle @ pose([car.near_overhang_mm, rng.normal(0, 5), 520])
        T_world_plate[:3, :3] = T_world_plate[:3, :3] @ -R_FIXTURE_FACE @ np.diag([1.0, -1, 1])
        plates.append(prints.plate(prints.number(DATUM_PLATE), "datum", T_world_plate))
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
        plumb_up=up,
    )
    kit = Kit(
        name="simulated kit",
        u_ruler_scale=care.u_ruler_scale,
        plates=MappingProxyType(dict(prints.declared)),
        clamps=MappingProxyType(clamps),
        fixtures=(fixture,),
        floor=tuple(FloorPlate(p.number, care.u_flatness_mm) for p in plates if p.role == "floor"),
        scale_bars=bars,
        datum_plates=datums,
        levels=tuple(
            LevelPlate(plate.number, axis, float(np.radians(care.u_level_deg)))
            for plate, axis in zip(level_plates, plumb, strict=True)
        ),
    )
    boxes = (*_car_boxes(car, T_world_vehicle), *solids)
    places_mm = (
        stand(rng, stations, n_photos, car.far_axle_mm, target_distance_mm)
        if isinstance(stations, str)
        else stations
    )
    link = not (isinstance(stations, str) and stations == "walk")
    phones = phones or [draw_phone(rng, phone, size_px, number) for number in range(n_phones)]
    photos = take_photos(rng, phone, phones, size_px, T_world_vehicle, places_mm, tuple(plates), boxes, link)
    return Scene(
        kit=kit,
        vehicle=_declare_vehicle(rng, car, care, drawn, behind),
        placement=_declare_placement(rng, truth, set_up, reference_line, datum, behind),
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

    def __init__(self, rng: Generator, care: Care, drawn: Care, ruler_error: float, first_plate: int) -> None:
        self._rng, self._care, self._drawn, self._ruler_error = rng, care, drawn, ruler_error
        self._first_plate = first_plate
        self.declared: dict[int, Plate] = {}

    def number(self, place: int) -> int:
        """The figure printed on the sheet that one of this module's places carries."""
        return self._first_plate + place

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


def _clamp(rng: Generator, wheel: str, care: Care, is_measured: bool, first_plate: int) -> Clamp:
    off_mm = np.round(rng.normal(0, 2.0, 2), 2).tolist() if is_measured else [0.0, 0.0]
    off_rad = rng.normal(0, np.radians(0.3), 2).tolist() if is_measured else [0.0, 0.0]
    return Clamp(
        first_plate + WHEEL_PLATES[wheel],
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
    of_kit: Generator,
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
    above_mm = of_kit.choice([-1, 1]) * of_kit.uniform(100, 250)
    offset_mm = np.round([of_kit.uniform(-15, 0), of_kit.normal(0, 2), above_mm], 1)
    T_fixture_target = pose(offset_mm, np.round(of_kit.normal(0, 0.05, 3), 3))
    mounts = []
    for number, y_mm in zip(FIXTURE_PLATES, (350.0, -350.0), strict=True):
        T = pose([0, y_mm, 0])
        T[:3, :3] = R_FIXTURE_FACE
        mounts.append(Mount(prints.number(number), T, care.u_mount_mm, float(np.radians(care.u_mount_deg))))
    target = Target("board", T_fixture_target, care.u_target_mm, float(np.radians(care.u_target_deg)))

    off = rng.normal(0, 1, 6) * ([set_up.off_mm] * 3 + [set_up.off_deg] * 3)
    position_mm = off[:3] + [target_distance_mm, set_up.lateral_mm, set_up.height_mm]
    T_vehicle_target = pose(position_mm, off[3:] + [0, 0, set_up.yaw_deg])
    T_world_fixture = T_world_vehicle @ T_vehicle_target @ np.linalg.inv(T_fixture_target)
    T_world_target = T_world_fixture @ T_fixture_target @ nudge(of_kit, drawn.u_target_mm, drawn.u_target_deg)
    plates = []
    for mount in mounts:
        T_fixture_plate = mount.T_fixture_plate @ nudge(of_kit, drawn.u_mount_mm, drawn.u_mount_deg)
        plates.append(prints.plate(mount.plate, "fixture", T_world_fixture @ T_fixture_plate))
    foot_mm = T_world_fixture[2, 3]
    solids = [
        Box(T_world_target @ pose([11, 0, 0]), (10.0, 225.0, 200.0), "board"),
        Box(T_world_fixture @ pose([45, 0, 0]), (15.0, 460.0, 30.0), "beam"),
        Box(T_world_fixture @ pose([45, 0, -foot_mm / 2 - 15]), (15.0, 30.0, foot_mm / 2 - 15), "post"),
    ]
    return Fixture("front", tuple(mounts), (target,)), T_world_target, plates, solids


def _stick_label(
    rng: Generator, care: Care, drawn: Care, prints: _Prints, fixture: Fixture, T_world_target: NDArray
) -> tuple[Fixture, TruePlate]:
    """The board's label plate at the lower edge of its face; another board, not hung up, has one too."""
    T_target_plate = pose([0, 0, -100])
    T_target_plate[:3, :3] = R_FIXTURE_FACE
    u_rad = float(np.radians(care.u_mount_deg))
    own, other = (
        Label(prints.number(number), T_target_plate, care.u_mount_mm, u_rad)
        for number in (LABEL_PLATE, OTHER_LABEL_PLATE)
    )
    (board,) = fixture.targets
    targets = (replace(board, label=own), replace(board, name="other board", label=other))
    T_world_plate = T_world_target @ T_target_plate @ nudge(rng, drawn.u_mount_mm, drawn.u_mount_deg)
    prints.plate(other.plate, "label", T_world_plate)
    return replace(fixture, targets=targets), prints.plate(own.plate, "label", T_world_plate)


def _level(
    rng: Generator,
    care: Care,
    drawn: Care,
    prints: _Prints,
    axis: str,
    T_world_vehicle: NDArray,
    target_distance_mm: float,
    up: NDArray,
) -> TruePlate:
    """A plate beside the fixture that hangs free ("y") or lies on a levelled stool ("z"), its axis upward."""
    hangs = axis == "y"
    R_vehicle_plate = R_FIXTURE_FACE if hangs else np.eye(3)
    place_mm = [target_distance_mm - 150, 800 if hangs else -700, 900 if hangs else 350]
    T = T_world_vehicle @ pose(place_mm)
    R_upright = T_world_vehicle[:3, :3] @ R_vehicle_plate
    tip = np.cross([0.0, 0, 1], up)  # a small turn from the floor's normal to the plumb line
    off = np.insert(rng.normal(0, 1, 2) * np.radians(drawn.u_level_deg), 1 if hangs else 2, 0.0)
    T[:3, :3] = Rotation.from_rotvec(tip).as_matrix() @ R_upright @ Rotation.from_rotvec(off).as_matrix()
    return prints.plate(prints.number(HANGING_PLATE if hangs else LYING_PLATE), "level", T)


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
    mid_mm = car.far_axle_mm / 2
    ahead_mm = distance_mm - 350
    # Close fixtures leave no room ahead of the bumper: the pair goes beside it then.
    beside_mm = 550 if ahead_mm > car.near_overhang_mm + 300 else side_mm
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
    room = distance_mm - car.near_overhang_mm > 1500
    centre_mm = (
        [(distance_mm - 350 + car.near_overhang_mm) / 2, 0, 25]
        if room
        else [car.far_axle_mm * 0.3, car.half_width_mm + 800, 25]
    )
    T_world_bar = T_world_vehicle @ pose(centre_mm, [0, 0, rng.normal(90 if room else 0, 5)])
    length_mm = BAR_MM + rng.normal(0, 1) * drawn.u_bar_mm
    ends = [pose([sign * length_mm / 2, 0, 0], [0, 0, rng.normal(0, 20)]) for sign in (-1, 1)]
    return [
        prints.plate(prints.number(n), "bar", T_world_bar @ end)
        for n, end in zip(BAR_PLATES, ends, strict=True)
    ]


def _car_boxes(car: Car, T_world_vehicle: NDArray) -> tuple[Box, Box]:
    """Body and cabin; the wheel plates hang clear of the body's side."""
    rear_mm, front_mm = car.far_axle_mm - car.far_overhang_mm, car.near_overhang_mm - 10
    body = (rear_mm, front_mm, 180.0, 950.0, car.half_width_mm)
    cabin = (rear_mm + 200, -600.0, 950.0, car.height_mm, car.half_width_mm - 150)
    boxes = []
    for what, (x0, x1, z0, z1, half_y) in (("body", body), ("cabin", cabin)):
        T = T_world_vehicle @ pose([(x0 + x1) / 2, 0, (z0 + z1) / 2])
        boxes.append(Box(T, ((x1 - x0) / 2, half_y, (z1 - z0) / 2), what))
    return boxes[0], boxes[1]


# --- what the operator declares ----------------------------------------------------------------------


def _declare_vehicle(rng: Generator, car: Car, care: Care, drawn: Care, behind: bool) -> Vehicle:
    """The data sheet: wheelbase and tracks off by their u, wheel radius by 3 mm (load, wear)."""
    c = car.centres_mm
    off = rng.normal(0, 1, 5) * ([drawn.u_wheelbase_mm] * 3 + [min(drawn.u_wheelbase_mm, 3.0)] * 2)
    overhangs_mm = (car.near_overhang_mm, car.far_overhang_mm)
    front_mm, rear_mm = overhangs_mm[::-1] if behind else overhangs_mm
    return Vehicle(
        label="simulated vehicle",
        wheelbase_mm=round(abs(c[0, 0] + c[1, 0] - c[2, 0] - c[3, 0]) / 2 + off[0], 1),
        u_wheelbase_mm=care.u_wheelbase_mm or 1.0,
        track_front_mm=round(abs(c[0, 1] - c[1, 1]) + off[1], 1),
        track_rear_mm=round(abs(c[2, 1] - c[3, 1]) + off[2], 1),
        wheel_radius_front_mm=round(float(c[:2, 2].mean()) + off[3], 1),
        wheel_radius_rear_mm=round(float(c[2:, 2].mean()) + off[4], 1),
        overhang_front_mm=front_mm,
        overhang_rear_mm=rear_mm,
    )


def _declare_placement(
    rng: Generator, truth: Truth, set_up: SetUp, reference_line: str, datum: str, behind: bool
) -> Placement:
    """Nominals from which the true values are off by as much as the technician was."""
    true = true_values(truth, reference_line, datum)
    off = rng.normal(0, 1, 4) * ([set_up.off_mm] * 3 + [set_up.off_deg])
    if behind:  # the nominal is near 180, never beyond
        off[3] = np.copysign(off[3], true["yaw_deg"])
    tolerances = {"distance_mm": 5.0, "lateral_mm": 4.0, "height_mm": 4.0, "yaw_deg": 0.3}
    values = {
        key: Tolerance(round(float(true[key] - off[i]), 1 if key.endswith("mm") else 2), half, half)
        for i, (key, half) in enumerate(tolerances.items())
    }
    return Placement(
        "rear board" if behind else "front board",
        "front",
        "board",
        reference_line,
        datum,
        MappingProxyType(values),
    )
