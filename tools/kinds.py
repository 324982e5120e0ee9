"""Scenes with several units and mats round a vehicle, with truth: every kind of target.

As `tools.scene`, whose vehicle, clamps, prints and floor these are. Units are given in the design frame: X
forward from the front axle's middle, Y left, Z up from the floor.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib_data.layouts import load_layouts
from tools import scene as shop
from tools.photo_round import Phone, as_asked, draw_phone, take_photo_from, take_photos
from tools.scene import PERFECT, Care, nudge, pose
from tools.truth import Box, TruePhoto, TruePlate, Truth, true_relation, true_target_values
from vision.bay import lay_out
from vision.coach import fullest_view
from vision.forecast import Phone as MiddlingPhone
from vision.kit import (
    WHEELS,
    DatumPlate,
    Fixture,
    FloorPlate,
    Kit,
    LevelPlate,
    Mount,
    Origin,
    Placement,
    Relation,
    Target,
    Tolerance,
    Vehicle,
)
from vision.provable import in_walking_order
from vision.stations import choose_stations

# KINDS.md, "Mats": the mark's frame in the mat's, columns x (down), y (reader's left), z (along the mark).
R_MARK = np.array([[0.0, -1, 0], [0, 0, 1], [-1, 0, 0]])
CORNER_PLATES = MappingProxyType({"corner_left": 40, "corner_right": 41})
# Stands' plates from 10 on, mats' from 42, or from 50 where the numbers between are labels and level plates.
FIRST_STAND_PLATE, FIRST_MAT_PLATE, MAT_PLATE_BESIDE_LABELS = 10, 42, 50
# From so far off the body on, photos from round it show too little of both.
FAR_MM = 2000.0


@dataclass(frozen=True)
class Unit:
    """A fixture or mat, and what is asked of its target.

    Attributes:
        position_mm, facing_deg: Where the target is meant to be; of a mat, where its mark points.
        tolerances: Half-widths by value; nominals are drawn.
        off_mm, off_deg: How far off (sd) it is set up.
        half_width_mm: Half the plates' spacing; of a mat, half its size along x and y.
        body: What a stand carries behind its plates: a printed board, a bare metal plate, a corner reflector.
        has_label: Its target carries a label, and the kit has another target with another one.
    """

    name: str
    position_mm: tuple[float, float, float]
    tolerances: Mapping[str, float]
    facing_deg: float = 0.0
    is_mat: bool = False
    datum: str = "front_axle"
    origin: Origin | None = None
    half_width_mm: tuple[float, float] = (250.0, 250.0)
    off_mm: float = 3.0
    off_deg: float = 0.15
    body: Literal["board", "plate", "reflector"] = "board"
    has_label: bool = False


@dataclass(frozen=True)
class MatCare:
    """How well a mat's plates are known: standard uncertainties, as KINDS.md names them."""

    u_position_mm: float = 1.0
    u_rotation_deg: float = 2.0
    u_flatness_mm: float = 1.0


PERFECT_MAT = MatCare(0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Pair:
    """Two units together: half-widths by value of a relation."""

    of: tuple[int, int]
    tolerances: Mapping[str, float]


@dataclass(frozen=True, eq=False)
class Bay:
    """Photos to be taken, what is declared, and the truth: `truth` with each target's place in its turn.

    `meant` are the placements with the origins where they truly are.
    """

    kit: Kit
    vehicle: Vehicle
    placements: tuple[Placement, ...]
    relations: tuple[Relation, ...]
    meant: tuple[Placement, ...]
    photos: tuple[TruePhoto, ...]
    truth: Truth
    T_world_targets: tuple[NDArray, ...]
    flatness_mm: tuple[float, ...]

    @property
    def plates(self) -> tuple[TruePlate, ...]:
        """As they stood at the first photo."""
        return self.photos[0].plates

    def true_values(self, placement: int) -> dict[str, float]:
        """Of one placement."""
        p = self.meant[placement]
        truth = replace(self.truth, T_world_target=self.T_world_targets[placement])
        is_mat = next(f.is_mat for f in self.kit.fixtures if f.name == p.fixture)
        values = true_target_values(truth, p, is_mat)
        return values | ({"flatness_mm": self.flatness_mm[placement]} if is_mat else {})

    def true_relation(self, relation: int) -> dict[str, float]:
        """Of one relation."""
        one, other = self.relations[relation].of
        truths = [replace(self.truth, T_world_target=self.T_world_targets[i]) for i in (one, other)]
        p, q = self.meant[one], self.meant[other]
        is_mat = next(f.is_mat for f in self.kit.fixtures if f.name == p.fixture)
        return true_relation((truths[0], p), (truths[1], q), is_mat)


def make_bay(
    rng: Generator,
    units: Sequence[Unit],
    pairs: Sequence[Pair] = (),
    *,
    n_photos: int = 14,
    stations: Literal["ring", "planned"] = "ring",
    reference_line: str = "centreline",
    plumb: str = "",
    car: "shop.Car | None" = None,
    care: Care = Care(),  # noqa: B008 (frozen)
    drawn: Care | None = None,
    mat: MatCare = MatCare(),  # noqa: B008 (frozen)
    drawn_mat: MatCare | None = None,
    phone: Phone = Phone(),  # noqa: B008 (frozen)
    size_px: tuple[int, int] = (4032, 3024),
) -> Bay:
    """A shop with these units.

    Args:
        stations: `ring`, evenly from all round, or `planned`, as the plan for these placements says.
        plumb: Level plates beside the first unit, as in `scene.make_scene`.
        care, mat: What the kit declares; `drawn`, `drawn_mat`, what is drawn where that differs.
    """
    cares = _Cares(care, drawn or care, mat, drawn_mat or mat)
    car = car or shop.draw_car(rng)
    T_world_vehicle = pose([*rng.uniform(-500, 500, 2), 0], [0, 0, rng.uniform(-180, 180)])
    drawn = cares.drawn
    prints = shop._Prints(rng, care, drawn, rng.normal(0, drawn.u_ruler_scale), 0)
    clamps = {wheel: shop._clamp(rng, wheel, care, False, 0) for wheel in WHEELS}
    plates = [shop._hang(rng, drawn, prints, clamp, car, T_world_vehicle) for clamp in clamps.items()]
    boxes = [*shop._car_boxes(car, T_world_vehicle)]
    floor_xy_mm = _floor_places(rng, car, units)
    plates += [
        shop._lay(rng, drawn, prints, number, T_world_vehicle, xy)
        for number, xy in zip(shop.FLOOR_PLATES, floor_xy_mm, strict=True)
    ]
    datums, datum_points_mm = [], {}
    for name in sorted({u.origin.at for u in units if u.origin} & set(CORNER_PLATES)):
        T, datum = _corner(rng, care, name, car, T_world_vehicle)
        datums.append(datum)
        plates.append(prints.plate(datum.plate, "datum", T))
        off_mm = np.array(datum.offset_mm) + rng.normal(0, 1, 3) * drawn.u_datum_mm
        datum_points_mm[name] = T[:3, :3] @ off_mm + T[:3, 3]
    fixtures, T_world_targets, flatness = [], [], []
    has_labels = bool(plumb) or any(u.has_label for u in units)
    first = {False: FIRST_STAND_PLATE, True: MAT_PLATE_BESIDE_LABELS if has_labels else FIRST_MAT_PLATE}
    for unit in units:
        make = _lay_mat if unit.is_mat else _stand
        made = make(rng, cares, prints, unit, T_world_vehicle, first[unit.is_mat])
        first[unit.is_mat] += len(made.fixture.mounts)
        fixtures.append(made.fixture)
        T_world_targets.append(made.T_world_target)
        plates += made.plates
        boxes += made.boxes
        flatness.append(made.flatness_mm)
    up, levels = _stand_levels(rng, cares, prints, plumb, units[0], T_world_vehicle)
    plates += levels

    R, t = T_world_vehicle[:3, :3], T_world_vehicle[:3, 3]
    truth = Truth(
        wheel_centres_mm=dict(zip(WHEELS, car.centres_mm @ R.T + t, strict=True)),
        spin_axes=dict(zip(WHEELS, car.axes @ R.T, strict=True)),
        floor_point_mm=np.zeros(3),
        floor_normal=np.array([0.0, 0, 1]),
        T_world_target=np.eye(4),
        datum_points_mm=datum_points_mm,
        plumb_up=up,
    )
    kit = Kit(
        name="simulated kit",
        u_ruler_scale=care.u_ruler_scale,
        plates=MappingProxyType(dict(prints.declared)),
        clamps=MappingProxyType(clamps),
        fixtures=tuple(fixtures),
        floor=tuple(FloorPlate(p.number, care.u_flatness_mm) for p in plates if p.role == "floor"),
        datum_plates=tuple(sorted(datums, key=lambda d: d.name)),
        levels=tuple(
            LevelPlate(plate.number, axis, float(np.radians(care.u_level_deg)))
            for plate, axis in zip(levels, plumb, strict=True)
        ),
    )
    photos: tuple[TruePhoto, ...] = ()
    if stations == "ring":
        photos = _round(rng, phone, size_px, T_world_vehicle, car, units, plates, boxes, n_photos)
    bare = tuple(
        Placement(
            f"{u.name} placed", u.name, "mark" if u.is_mat else "target", reference_line, u.datum,
            MappingProxyType({}), float(np.radians(u.facing_deg)), u.origin,
        )
        for u in units
    )  # fmt: skip
    bay = Bay(
        kit, shop._declare_vehicle(rng, car, care, drawn, False), bare,
        tuple(Relation(f"pair {k + 1}", pair.of) for k, pair in enumerate(pairs)), bare,
        photos, truth, tuple(T_world_targets), tuple(flatness),
    )  # fmt: skip
    bay = _declare(rng, bay, units, pairs, drawn is PERFECT)
    if stations == "planned":
        photos = _as_planned(rng, phone, size_px, T_world_vehicle, bay, plates, boxes, n_photos)
    return replace(bay, photos=photos)


def _declare(rng: Generator, bay: Bay, units: Sequence[Unit], pairs: Sequence[Pair], is_perfect: bool) -> Bay:
    """Nominals from which the true values are off by as much as the technician was; origins as declared."""
    declared = {
        origin: origin if is_perfect else _declared_origin(rng, origin)
        for origin in dict.fromkeys(p.origin for p in bay.meant)
    }
    placements = []
    for i, (unit, p) in enumerate(zip(units, bay.meant, strict=True)):
        true = bay.true_values(i)
        values = {
            key: Tolerance(_nominal(rng, key, true[key], unit), half, half)
            for key, half in unit.tolerances.items()
        }
        placements.append(replace(p, values=MappingProxyType(values), origin=declared[p.origin]))
    relations = []
    for k, (pair, r) in enumerate(zip(pairs, bay.relations, strict=True)):
        true = bay.true_relation(k)
        values = {
            key: Tolerance(round(true[key] + rng.normal(0, 0.1 if key.endswith("_deg") else 1.0), 2), h, h)
            for key, h in pair.tolerances.items()
        }
        relations.append(replace(r, values=MappingProxyType(values)))
    return replace(bay, placements=tuple(placements), relations=tuple(relations))


def _declared_origin(rng: Generator, origin: Origin | None) -> Origin | None:
    """The origin's offset as somebody measured it."""
    if origin is None or not origin.u_mm:
        return origin
    x_mm, y_mm = np.array(origin.offset_mm) + rng.normal(0, origin.u_mm, 2)
    return replace(origin, offset_mm=(float(x_mm), float(y_mm)))


def _nominal(rng: Generator, key: str, true: float, unit: Unit) -> float:
    if key == "flatness_mm":
        return 0.0
    off = rng.normal(0, unit.off_deg if key.endswith("_deg") else unit.off_mm)
    return round(float(true - off), 2)


@dataclass(frozen=True, eq=False)
class _Made:
    fixture: Fixture
    T_world_target: NDArray
    plates: list[TruePlate]
    boxes: list[Box]
    flatness_mm: float = 0.0


@dataclass(frozen=True)
class _Cares:
    care: Care
    drawn: Care
    mat: MatCare
    drawn_mat: MatCare


def _stand(
    rng: Generator,
    cares: _Cares,
    prints: "shop._Prints",
    unit: Unit,
    T_world_vehicle: NDArray,
    number: int,
) -> _Made:
    """A stand with two plates and its target between or above them."""
    care, drawn = cares.care, cares.drawn
    half_mm = unit.half_width_mm[0]
    T_fixture_target = pose(np.round([rng.uniform(-15, 0), rng.normal(0, 2), rng.uniform(100, 200)], 1))
    mounts = []
    for k, y_mm in enumerate((half_mm, -half_mm)):
        T = pose([0, y_mm, 0])
        T[:3, :3] = shop.R_FIXTURE_FACE
        mounts.append(Mount(number + k, T, care.u_mount_mm, float(np.radians(care.u_mount_deg))))
    target = Target("target", T_fixture_target, care.u_target_mm, float(np.radians(care.u_target_deg)))
    off = rng.normal(0, 1, 6) * ([unit.off_mm] * 3 + [unit.off_deg] * 3)
    T_vehicle_target = pose(off[:3] + unit.position_mm, [0, 0, unit.facing_deg]) @ pose([0, 0, 0], off[3:])
    T_world_fixture = T_world_vehicle @ T_vehicle_target @ np.linalg.inv(T_fixture_target)
    T_world_target = T_world_fixture @ T_fixture_target @ nudge(rng, drawn.u_target_mm, drawn.u_target_deg)
    plates = [
        prints.plate(
            m.plate,
            "fixture",
            T_world_fixture @ m.T_fixture_plate @ nudge(rng, drawn.u_mount_mm, drawn.u_mount_deg),
        )
        for m in mounts
    ]
    fixture = Fixture(unit.name, tuple(mounts), (target,))
    if unit.has_label:
        fixture, label = shop._stick_label(rng, care, drawn, prints, fixture, T_world_target)
        plates.append(label)
    return _Made(fixture, T_world_target, plates, _solids(unit, T_world_fixture, T_fixture_target))


def _solids(unit: Unit, T_world_fixture: NDArray, T_fixture_target: NDArray) -> list[Box]:
    """Beam and post of a stand, and what they carry: behind the plates, so that it hides none of them."""
    half_mm, foot_mm = unit.half_width_mm[0], T_world_fixture[2, 3]
    solids = [
        Box(T_world_fixture @ pose([45, 0, 0]), (15.0, half_mm + 110, 30.0), "beam"),
        Box(T_world_fixture @ pose([45, 0, -foot_mm / 2 - 15]), (15.0, 30.0, foot_mm / 2 - 15), "post"),
    ]
    _, y_mm, z_mm = T_fixture_target[:3, 3]
    if unit.body == "reflector":
        solids.append(Box(T_world_fixture @ pose([0, y_mm, z_mm]), (30.0, 70.0, 70.0), "reflector"))
    else:
        T_world_panel = T_world_fixture @ pose([20, y_mm, z_mm])
        solids.append(Box(T_world_panel, (8.0, half_mm + 40, z_mm + 110), unit.body))
    return solids


def _lay_mat(
    rng: Generator,
    cares: _Cares,
    prints: "shop._Prints",
    unit: Unit,
    T_world_vehicle: NDArray,
    number: int,
) -> _Made:
    """A mat with a plate at each corner, its mark in the middle, all as soft as the kit says."""
    care, drawn, mat, soft = cares.care, cares.drawn, cares.mat, cares.drawn_mat
    half_x, half_y = unit.half_width_mm
    mounts = tuple(
        Mount(
            number + k,
            pose([sx * half_x, sy * half_y, 0]),
            mat.u_position_mm,
            float(np.radians(mat.u_rotation_deg)),
            mat.u_flatness_mm,
        )
        for k, (sx, sy) in enumerate(((-1, -1), (1, -1), (1, 1), (-1, 1)))
    )
    T_mat_mark = np.eye(4)
    T_mat_mark[:3, :3] = R_MARK
    target = Target("mark", T_mat_mark, care.u_target_mm, float(np.radians(care.u_target_deg)))
    off = rng.normal(0, 1, 4) * ([unit.off_mm] * 2 + [0.5, unit.off_deg])
    # The mark points to the facing: the mat's y, so the mat is turned by a quarter less.
    T_vehicle_mat = pose(off[:3] + unit.position_mm, [0, 0, unit.facing_deg - 90 + off[3]])
    T_world_mat = T_world_vehicle @ T_vehicle_mat
    T_world_target = T_world_mat @ T_mat_mark @ nudge(rng, drawn.u_target_mm, drawn.u_target_deg)
    plates, T_mat_plates = [], []
    for m in mounts:
        T = np.eye(4)
        T[:3, :3] = Rotation.from_rotvec(rng.normal(0, 1, 3) * np.radians(soft.u_rotation_deg)).as_matrix()
        T[:3, 3] = rng.normal(0, 1, 3) * [*[soft.u_position_mm] * 2, soft.u_flatness_mm]
        T_mat_plates.append(m.T_fixture_plate @ T)
        plates.append(prints.plate(m.plate, f"mat {unit.name}", T_world_mat @ T_mat_plates[-1], 2.0))
    fixture = Fixture(unit.name, mounts, (target,), is_mat=True)
    return _Made(fixture, T_world_target, plates, [], _peak_to_valley([T[:3, 3] for T in T_mat_plates]))


def _peak_to_valley(points_mm: Sequence[NDArray]) -> float:
    """Across the plane of least squares: the direction in which the points spread least."""
    off = np.array(points_mm) - np.mean(points_mm, axis=0)
    heights = off @ np.linalg.svd(off)[2][2]
    return float(np.ptp(heights))


def _stand_levels(
    rng: Generator, cares: _Cares, prints: "shop._Prints", plumb: str, unit: Unit, T_world_vehicle: NDArray
) -> tuple[NDArray, list[TruePlate]]:
    """The plumb line's upward direction and the plates beside this unit that show it."""
    slope = rng.normal(0, np.radians(0.5), 2) if plumb else np.zeros(2)
    up = np.append(slope, 1.0) / np.hypot(1.0, np.linalg.norm(slope))
    T_world_unit = T_world_vehicle @ pose([*unit.position_mm[:2], 0], [0, 0, unit.facing_deg])
    levels = [
        shop._level(rng, cares.care, cares.drawn, prints, axis, T_world_unit, 0.0, up) for axis in plumb
    ]
    return up, levels


def _corner(
    rng: Generator, care: Care, name: str, car: "shop.Car", T_world_vehicle: NDArray
) -> tuple[NDArray, DatumPlate]:
    """A datum plate on the rear bumper's corner, facing rearward; the corner lies outward of it."""
    side = 1.0 if name.endswith("left") else -1.0
    offset_mm = (-side * 110.0, 0.0, 0.0)
    x_mm = car.far_axle_mm - car.far_overhang_mm - 10
    T = T_world_vehicle @ pose([x_mm, side * (car.half_width_mm - 150), 560])
    T[:3, :3] = T[:3, :3] @ np.array([[0.0, 0, -1], [-1, 0, 0], [0, 1, 0]])
    return T, DatumPlate(name, CORNER_PLATES[name], offset_mm, care.u_datum_mm)


def _floor_places(rng: Generator, car: "shop.Car", units: Sequence[Unit]) -> NDArray:
    """Six places: beside the axles' ends and on both sides farther out, clear of the units."""
    side_mm, far_mm = car.half_width_mm + 330, car.far_axle_mm
    ends = [u.position_mm[0] for u in units]
    front = max([*ends, 900.0]) - 350 if max(ends) > 1300 else 1250.0
    rear = min([*ends, far_mm - 900.0]) + 350 if min(ends) < far_mm - 1300 else far_mm - 1250.0
    places = [
        [front, 620.0],
        [0.0, -side_mm],
        [far_mm, side_mm],
        [rear, -620.0],
        [far_mm, -side_mm],
        [0.0, side_mm],
    ]
    if any(u.is_mat for u in units):  # the mats lie there: the plates go between them, clear of theirs
        places[0], places[4] = [front, 900.0], [front, -900.0]
        places[1], places[2] = [far_mm / 2, -side_mm], [far_mm / 2, side_mm]
        places[3], places[5] = [rear, -900.0], [rear, 900.0]
    return np.array(places) + rng.normal(0, 40, (6, 2))


def _round(
    rng: Generator,
    phone: Phone,
    size_px: tuple[int, int],
    T_world_vehicle: NDArray,
    car: "shop.Car",
    units: Sequence[Unit],
    plates: Sequence[TruePlate],
    boxes: Sequence[Box],
    n_photos: int,
) -> tuple[TruePhoto, ...]:
    """Photos from all round vehicle and units, phone held high, the last from where the first was taken.

    To what stands far off, four of them are taken on the way, two on each side: a technician who chooses the
    stations sees to it that photos show both ends well.
    """
    xy = np.array([u.position_mm[:2] for u in units])
    body_low = np.array([car.far_axle_mm, -car.half_width_mm])
    body_high = np.array([0.0, car.half_width_mm])
    low, high = np.minimum(xy.min(0), body_low), np.maximum(xy.max(0), body_high)
    off_body = np.linalg.norm(xy - np.clip(xy, body_low, body_high), axis=1)
    between = _on_the_way(xy[np.argmax(off_body)], car) if off_body.max() > FAR_MM else np.zeros((0, 2))
    n_ring = n_photos - 1 - len(between)
    middle, half = (low + high) / 2, (high - low) / 2 + 1700
    turn = rng.uniform(0, 2 * np.pi) + np.arange(n_ring) * 2 * np.pi / n_ring
    on_ring = np.column_stack([np.cos(turn), np.sin(turn)])
    on_ring /= np.maximum(np.abs(on_ring[:, :1]), np.abs(on_ring[:, 1:])) ** 0.7
    places = np.vstack([middle + on_ring * half, between]) + rng.normal(0, 150, (n_photos - 1, 2))
    places = np.vstack([places, places[:1] + rng.normal(0, 100, 2)])
    places_mm = np.column_stack([places, rng.normal(1900, 60, n_photos)])
    phones = [draw_phone(rng, phone, size_px, 0)]
    return take_photos(
        rng, phone, phones, size_px, T_world_vehicle, places_mm, tuple(plates), tuple(boxes), link=True
    )


def _as_planned(
    rng: Generator,
    phone: Phone,
    size_px: tuple[int, int],
    T_world_vehicle: NDArray,
    bay: Bay,
    plates: Sequence[TruePlate],
    boxes: Sequence[Box],
    n_photos: int,
) -> tuple[TruePhoto, ...]:
    """Photos from where the plan says, the fullest first and once more at the end.

    The plan knows where the floor plates lie; of all else what is declared and nominal.
    """
    laid = lay_out(bay.kit, bay.placements, bay.vehicle, load_layouts())
    T_vehicle_world = np.linalg.inv(T_world_vehicle)
    on_floor = {p.number: T_vehicle_world @ p.T_world_plate for p in plates if p.role == "floor"}
    laid = replace(laid, T_vehicle_plate=MappingProxyType({**laid.T_vehicle_plate, **on_floor}))
    chosen = in_walking_order(laid, choose_stations(laid, n_photos - 1, phone=MiddlingPhone(size_px)))
    first = chosen.index(fullest_view(laid, chosen))
    walked = [*chosen[first:], *chosen[:first], chosen[first]]
    taken_with = draw_phone(rng, phone, size_px, 0)
    return tuple(
        take_photo_from(
            rng,
            phone,
            taken_with,
            size_px,
            T_world_vehicle @ as_asked(rng, station.T_vehicle_camera),
            i,
            tuple(plates),
            tuple(boxes),
        )
        for i, station in enumerate(walked)
    )


def _on_the_way(place_mm: NDArray, car: "shop.Car") -> NDArray:
    """(4, 2): a third and two thirds of the way from the car's middle, 2.7 m to either side of it."""
    start = np.array([car.far_axle_mm / 2, 0.0])
    way = place_mm - start
    aside = 2700 * np.array([-way[1], way[0]]) / np.linalg.norm(way)
    return np.array([start + share * way + side * aside for share in (0.4, 0.7) for side in (1, -1)])
