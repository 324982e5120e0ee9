"""Mistakes as they happen in shops, planted into a correct scene: what consistency tests must find.

Every function takes a Scene and gives a Planted one; the scene given stays as it was. What each does to
the values, and how it should come out, is common practice of the trade.
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tools.scene import Vector, layout_of, pose
from tools.truth import Lens, Scene, TruePhoto, TruePlate, Truth, true_values
from vision.kit import WHEELS, Tolerance

CAR_BOXES = ("body", "cabin")
FRONT_WHEELS = ("front_left", "front_right")


@dataclass(frozen=True, eq=False)
class Planted:
    """A scene with one mistake in it.

    Attributes:
        after: The truth after a movement between photos; None where nothing moved.
    """

    scene: Scene
    after: Truth | None = None


# --- something moved between photos -------------------------------------------------------------------


def fixture_moved(scene: Scene, from_photo: int, shift_mm: Vector, yaw_deg: float) -> Planted:
    """The fixture was nudged before `from_photo`: a shift in the world, a turn about its own middle."""
    middle_mm = np.mean([p.T_world_plate[:3, 3] for p in scene.plates if p.role == "fixture"], axis=0)
    motion = _motion(middle_mm, shift_mm, yaw_deg)
    after = replace(scene.truth, T_world_target=motion @ scene.truth.T_world_target)
    fixture = {"fixture", "label"}
    return Planted(_move(scene, from_photo, motion, fixture, lambda what: what not in CAR_BOXES), after)


def vehicle_moved(scene: Scene, from_photo: int, shift_mm: Vector, yaw_deg: float) -> Planted:
    """The vehicle crept or was pushed before `from_photo`, turning about its middle, wheels and all."""
    middle_mm = np.mean(list(scene.truth.wheel_centres_mm.values()), axis=0)
    motion = _motion(middle_mm, shift_mm, yaw_deg)
    after = replace(
        scene.truth,
        wheel_centres_mm={w: _apply(motion, c) for w, c in scene.truth.wheel_centres_mm.items()},
        spin_axes={w: motion[:3, :3] @ a for w, a in scene.truth.spin_axes.items()},
        datum_points_mm={name: _apply(motion, p) for name, p in scene.truth.datum_points_mm.items()},
    )
    car = {*WHEELS, "datum"}
    return Planted(_move(scene, from_photo, motion, car, lambda what: what in CAR_BOXES), after)


def fixture_levelled(scene: Scene, slope_deg: float) -> Planted:
    """The floor rises or falls away from the vehicle, and the fixture was set up with a spirit level.

    Args:
        slope_deg: By which the target leans towards (positive: looks up at) the vehicle, as the floor has it.
    """
    _, left = _ahead_and_left(scene)
    foot_mm = scene.truth.T_world_target[:3, 3].copy()
    foot_mm[2] = 0.0
    motion = np.eye(4)
    motion[:3, :3] = Rotation.from_rotvec(np.radians(slope_deg) * left).as_matrix()
    motion[:3, 3] = foot_mm - motion[:3, :3] @ foot_mm
    leaning = replace(scene.truth, T_world_target=motion @ scene.truth.T_world_target)
    moved = _move(scene, 0, motion, {"fixture"}, lambda what: what not in CAR_BOXES)
    return Planted(replace(moved, truth=leaning))


def plate_shifted(scene: Scene, number: int, from_photo: int, shift_mm: Vector, turn_deg: Vector) -> Planted:
    """One plate was bumped before `from_photo`: a shift in its own axes, small turns about them."""

    def bumped(plate: TruePlate) -> TruePlate:
        return replace(plate, T_world_plate=plate.T_world_plate @ pose(shift_mm, turn_deg))

    return Planted(_with_plates(scene, {number: bumped}, from_photo))


def steering_turned(scene: Scene, turn_deg: float, from_photo: int = 0) -> Planted:
    """Both front wheels turn about the upright through their centres; from photo 0 it is a wrong set-up."""
    turn = Rotation.from_rotvec(np.radians(turn_deg) * scene.truth.floor_normal).as_matrix()
    centre_of = scene.truth.wheel_centres_mm
    changes: dict[int, Callable[[TruePlate], TruePlate]] = {}
    for wheel in FRONT_WHEELS:
        motion = np.eye(4)
        motion[:3, :3], motion[:3, 3] = turn, centre_of[wheel] - turn @ centre_of[wheel]
        changes |= {p.number: _moving(motion) for p in scene.plates if p.role == wheel}
    axes = {**scene.truth.spin_axes, **{w: turn @ scene.truth.spin_axes[w] for w in FRONT_WHEELS}}
    turned = replace(scene.truth, spin_axes=axes)
    planted = _with_plates(scene, changes, from_photo)
    return Planted(planted, turned) if from_photo else Planted(replace(planted, truth=turned))


def visits_mixed(scene: Scene, from_photo: int, shift_mm: float, yaw_deg: float, date: str | None) -> Planted:
    """Photos from `from_photo` on are of another visit: vehicle and fixture were both set up anew.

    Args:
        shift_mm: How far the fixture stands to the left of, and the vehicle ahead of, where they stood.
        date: Of the other visit, as EXIF tells it; None: EXIF shows nothing odd.
    """
    x, y = _ahead_and_left(scene)
    moved = vehicle_moved(scene, from_photo, shift_mm * x, yaw_deg)
    again = fixture_moved(moved.scene, from_photo, shift_mm * y, -yaw_deg)
    assert moved.after is not None and again.after is not None
    after = replace(moved.after, T_world_target=again.after.T_world_target)
    if date is None:
        return Planted(again.scene, after)

    def dated(photo: TruePhoto) -> TruePhoto:
        assert photo.exif.taken is not None
        return replace(photo, exif=replace(photo.exif, taken=date + photo.exif.taken[10:]))

    return Planted(_with_photos(again.scene, range(from_photo, len(scene.photos)), dated), after)


# --- something hangs where it should not ----------------------------------------------------------------


def plates_swapped(scene: Scene, one: int, other: int) -> Planted:
    """Two sheets hang in each other's place: left and right, front and rear, across, or on the fixture."""
    by_number = {plate.number: plate for plate in scene.plates}

    def at_place_of(number: int) -> Callable[[TruePlate], TruePlate]:
        place = by_number[number]
        return lambda plate: replace(plate, T_world_plate=place.T_world_plate, role=place.role)

    return Planted(_with_plates(scene, {one: at_place_of(other), other: at_place_of(one)}))


def plate_upside_down(scene: Scene, number: int, turn_deg: float = 180.0) -> Planted:
    """A plate is mounted turned about its normal; on a fixture the way up matters."""

    def turned(plate: TruePlate) -> TruePlate:
        return replace(plate, T_world_plate=plate.T_world_plate @ pose([0, 0, 0], [0, 0, turn_deg]))

    return Planted(_with_plates(scene, {number: turned}))


def clamp_off_seat(scene: Scene, wheel: str, shift_mm: Vector, tilt_deg: Vector) -> Planted:
    """A clamp sits on a lip or on dirt: its plate is shifted in its own axes and turned about x and y."""
    number = scene.kit.clamps[wheel].plate
    return plate_shifted(scene, number, 0, shift_mm, [*tilt_deg, 0])


def floor_plate_raised(
    scene: Scene, numbers: Collection[int], height_mm: float, ramp_deg: float = 0
) -> Planted:
    """Plates lie on something, or on a ramp that leans about their own x."""

    def raised(plate: TruePlate) -> TruePlate:
        T = plate.T_world_plate @ pose([0, 0, 0], [ramp_deg, 0, 0])
        T[2, 3] += height_mm
        return replace(plate, T_world_plate=T)

    return Planted(_with_plates(scene, dict.fromkeys(numbers, raised)))


def number_twice(scene: Scene, number: int, T_world_plate: NDArray) -> Planted:
    """A spare print with a number that is in use is in view too."""
    spare = TruePlate(number, layout_of(number), "spare", T_world_plate)
    photos = tuple(replace(photo, plates=(*photo.plates, spare)) for photo in scene.photos)
    return Planted(replace(scene, photos=photos))


# --- prints and lengths -----------------------------------------------------------------------------------


def sheets_scaled(
    scene: Scene, numbers: Collection[int], scale_xy: tuple[float, float], *, is_measured: bool = True
) -> Planted:
    """Sheets were printed at another scale than the kit says (scaled to fit, stretched, damp).

    Args:
        scale_xy: Factors on the true lengths along x and y: (0.97, 0.97), or (1.003, 1) for one way.
        is_measured: False: the kit says honestly that nobody measured them, 1 with u 0.03.
    """

    def scaled(plate: TruePlate) -> TruePlate:
        x, y = plate.scale_xy
        return replace(plate, scale_xy=(x * scale_xy[0], y * scale_xy[1]))

    plates = dict(scene.kit.plates)
    for number in () if is_measured else numbers:
        plates[number] = replace(
            plates[number], printed_scale_xy=(1.0, 1.0), u_printed_scale=0.03, scale_is_measured=False
        )
    kit = replace(scene.kit, plates=MappingProxyType(plates))
    return Planted(replace(_with_plates(scene, dict.fromkeys(numbers, scaled)), kit=kit))


def all_sheets_scaled(scene: Scene, factor: float, *, is_measured: bool = True) -> Planted:
    return sheets_scaled(scene, tuple(scene.kit.plates), (factor, factor), is_measured=is_measured)


def plate_bowed(scene: Scene, number: int, bow_mm: float) -> Planted:
    """A card has curled along x: its middle stands out by this much against its edges."""
    return Planted(_with_plates(scene, {number: lambda plate: replace(plate, bow_mm=(bow_mm, 0.0))}))


def bar_length_wrong(scene: Scene, factor: float) -> Planted:
    """The kit's length of the scale bar is mistyped, or the bar was cut: declared = true * factor."""
    (bar,) = scene.kit.scale_bars
    wrong = replace(bar, length_mm=bar.length_mm * factor)
    return Planted(replace(scene, kit=replace(scene.kit, scale_bars=(wrong,))))


def bar_bent(scene: Scene, bend_deg: float) -> Planted:
    """The bar has a bend in its middle: one end comes up and nearer."""
    one, other = (p for p in scene.plates if p.role == "bar")
    middle_mm = (one.T_world_plate[:3, 3] + other.T_world_plate[:3, 3]) / 2
    along = other.T_world_plate[:3, 3] - middle_mm
    hinge = np.cross(along / np.linalg.norm(along), scene.truth.floor_normal)
    bend = np.eye(4)
    bend[:3, :3] = Rotation.from_rotvec(np.radians(bend_deg) * hinge).as_matrix()
    bend[:3, 3] = middle_mm - bend[:3, :3] @ middle_mm
    return Planted(_with_plates(scene, {other.number: _moving(bend)}))


# --- declarations -----------------------------------------------------------------------------------------


def datum_mistaken(scene: Scene, meant: str) -> Planted:
    """The nominal distance was counted from another datum than the placement names.

    Args:
        meant: `front_axle`, `rear_axle`, `front_bumper` or `rear_bumper`, whence the nominal truly counts.
    """
    from_front_mm = {
        "front_axle": 0.0,
        "rear_axle": -(scene.vehicle.wheelbase_mm or 0.0),
        "front_bumper": scene.vehicle.overhang_front_mm or 0.0,
        "rear_bumper": -(scene.vehicle.wheelbase_mm or 0.0) - (scene.vehicle.overhang_rear_mm or 0.0),
    }
    shift_mm = from_front_mm[meant] - from_front_mm[scene.placement.datum]
    old = scene.placement.values["distance_mm"]
    return Planted(_with_nominal(scene, "distance_mm", old.nominal - shift_mm))


def lateral_mirrored(scene: Scene) -> Planted:
    """The target stands as far to the one side as the placement wants it on the other."""
    return Planted(_with_nominal(scene, "lateral_mm", -scene.placement.values["lateral_mm"].nominal))


def height_reference_mistaken(scene: Scene, by_mm: float) -> Planted:
    """The nominal height belongs to another point of the target (edge for centre) or a shim was left."""
    return Planted(_with_nominal(scene, "height_mm", scene.placement.values["height_mm"].nominal - by_mm))


# --- the target on its fixture ------------------------------------------------------------------------------


def target_turned(scene: Scene, turn_deg: float) -> Planted:
    """The target hangs turned about its own x axis, clockwise for who looks at its face."""
    return _target_moved(scene, pose([0, 0, 0], [turn_deg, 0, 0]))


def target_slipped(scene: Scene, shift_mm: Vector, turn_deg: Vector) -> Planted:
    """The target sits elsewhere on its fixture than the kit says: a shift and a turn in its own axes."""
    return _target_moved(scene, pose(shift_mm, turn_deg))


def _target_moved(scene: Scene, motion: NDArray) -> Planted:
    T = scene.truth.T_world_target
    in_world = T @ motion @ np.linalg.inv(T)
    labels = {p.number: _moving(in_world) for p in scene.plates if p.role == "label"}
    truth = replace(scene.truth, T_world_target=T @ motion)
    return Planted(replace(_with_plates(scene, labels), truth=truth))


def other_target(scene: Scene) -> Planted:
    """Another target hangs in this one's place, with its own label."""
    other = next(t.label for t in scene.kit.fixtures[0].targets if t.name != scene.placement.target)
    assert other is not None
    numbers = {p.number for p in scene.plates if p.role == "label"}

    def renumbered(plate: TruePlate) -> TruePlate:
        return replace(plate, number=other.plate, layout=layout_of(other.plate))

    return Planted(_with_plates(scene, dict.fromkeys(numbers, renumbered)))


# --- photos -----------------------------------------------------------------------------------------------


def photo_mirrored(scene: Scene, index: int) -> Planted:
    """One photo was stored as in a mirror."""
    return Planted(_with_photos(scene, [index], lambda photo: replace(photo, mirrored=True)))


def lenses_mixed(scene: Scene, indices: Collection[int], zoom: float) -> Planted:
    """Some photos were taken with another lens or zoomed, and EXIF does not tell."""

    def other(photo: TruePhoto) -> TruePhoto:
        k1, k2, p1, p2, k3 = photo.lens.distortion
        lens = replace(photo.lens, fx_px=photo.lens.fx_px * zoom, distortion=(k2, -k1, p2, p1, -k3))
        return replace(photo, lens=lens)

    return Planted(_with_photos(scene, indices, other))


def photo_cropped(scene: Scene, index: int, factor: float) -> Planted:
    """One photo was cropped about its middle and enlarged to its old size, and EXIF does not tell."""

    def cropped(photo: TruePhoto) -> TruePhoto:
        lens, middle = photo.lens, (np.array(photo.size_px) - 1) / 2
        cx_px, cy_px = middle + factor * (np.array([lens.cx_px, lens.cy_px]) - middle)
        cut = replace(lens, fx_px=lens.fx_px * factor, cx_px=float(cx_px), cy_px=float(cy_px))
        return replace(photo, lens=cut)

    return Planted(_with_photos(scene, [index], cropped))


def lens_rippled(scene: Scene, ripple_px: float) -> Planted:
    """The lens bends light as no Brown model says."""

    def rippled(photo: TruePhoto) -> TruePhoto:
        lens: Lens = replace(photo.lens, ripple_px=ripple_px)
        return replace(photo, lens=lens)

    return Planted(_with_photos(scene, range(len(scene.photos)), rippled))


# --- for power studies: one size, the rest drawn ------------------------------------------------------------


def _middle_photo(rng: Generator, scene: Scene) -> int:
    n = len(scene.photos)
    return int(rng.integers(n // 3, n - n // 3 + 1))


def _sideways(rng: Generator, size_mm: float) -> NDArray:
    angle = rng.uniform(0, 2 * np.pi)
    return size_mm * np.array([np.cos(angle), np.sin(angle), 0.0])


def _number_of(rng: Generator, scene: Scene, roles: Collection[str]) -> int:
    return int(rng.choice([p.number for p in scene.plates if p.role in roles]))


# Sizes: mm where a name does not say otherwise. Direction, moment and plate are drawn.
SIZED: Mapping[str, Callable[[Generator, Scene, float], Planted]] = MappingProxyType(
    {
        "fixture moved": lambda g, s, mm: fixture_moved(s, _middle_photo(g, s), _sideways(g, mm), 0.0),
        "fixture turned, deg": lambda g, s, deg: fixture_moved(
            s, _middle_photo(g, s), np.zeros(3), deg * g.choice([-1, 1])
        ),
        "vehicle moved": lambda g, s, mm: vehicle_moved(s, _middle_photo(g, s), _sideways(g, mm), 0.0),
        "plate shifted": lambda g, s, mm: plate_shifted(
            s,
            _number_of(g, s, {*WHEELS, "fixture", "floor"}),
            _middle_photo(g, s),
            _sideways(g, mm),
            np.zeros(3),
        ),
        "one sheet scaled, share": lambda g, s, share: sheets_scaled(
            s, [_number_of(g, s, {*WHEELS, "fixture"})], (1 - share, 1 - share)
        ),
        "one sheet stretched, share": lambda g, s, share: sheets_scaled(
            s, [_number_of(g, s, {*WHEELS, "fixture"})], (1 + share, 1.0)
        ),
        "all sheets scaled, share": lambda g, s, share: all_sheets_scaled(s, 1 - share),
        "all sheets scaled, not measured, share": lambda g, s, share: all_sheets_scaled(
            s, 1 - share, is_measured=False
        ),
        "steering turned, deg": lambda g, s, deg: steering_turned(s, deg * g.choice([-1, 1])),
        "steering turned between photos, deg": lambda g, s, deg: steering_turned(
            s, deg * g.choice([-1, 1]), _middle_photo(g, s)
        ),
        "floor plate raised": lambda g, s, mm: floor_plate_raised(s, [_number_of(g, s, {"floor"})], mm),
        "floor plate on a ramp, deg": lambda g, s, deg: floor_plate_raised(
            s, [_number_of(g, s, {"floor"})], 94 * np.sin(np.radians(deg)), deg
        ),
        "plate bowed": lambda g, s, mm: plate_bowed(s, _number_of(g, s, {*WHEELS, "fixture"}), mm),
        "clamp off its seat": lambda g, s, mm: clamp_off_seat(
            s, str(g.choice(list(s.kit.clamps))), _sideways(g, mm), (0.0, 0.0)
        ),
        "clamp tilted, deg": lambda g, s, deg: clamp_off_seat(
            s, str(g.choice(list(s.kit.clamps))), np.zeros(3), (deg * g.choice([-1, 1]), 0.0)
        ),
        "clamp turned, deg": lambda g, s, deg: clamp_off_seat(
            s, str(g.choice(list(s.kit.clamps))), np.zeros(3), (0.0, deg * g.choice([-1, 1]))
        ),
        "visits mixed": lambda g, s, mm: visits_mixed(s, _middle_photo(g, s), mm, 0.0, None),
        "lenses mixed, share of f": lambda g, s, share: lenses_mixed(
            s, range(_middle_photo(g, s), len(s.photos)), 1 + share
        ),
        "lens ripple, px": lambda g, s, px: lens_rippled(s, px),
        "bar length, share": lambda g, s, share: bar_length_wrong(s, 1 + share),
        "bar bent, deg": lambda g, s, deg: bar_bent(s, deg),
        # How far to the side the target stands is the scene's own.
        "lateral mirrored": lambda g, s, _mm: lateral_mirrored(s),
    }
)

# Mistakes without a size.
UNSIZED: Mapping[str, Callable[[Generator, Scene], Planted]] = MappingProxyType(
    {
        "wheel plates swapped left and right, front": lambda g, s: _swapped(s, "front_left", "front_right"),
        "wheel plates swapped left and right, rear": lambda g, s: _swapped(s, "rear_left", "rear_right"),
        "wheel plates swapped front and rear": lambda g, s: _swapped(s, "front_left", "rear_left"),
        "wheel plates swapped across": lambda g, s: _swapped(s, "front_left", "rear_right"),
        "all wheel plates swapped front and rear": lambda g, s: _swapped(
            _swapped(s, "front_left", "rear_left").scene, "front_right", "rear_right"
        ),
        "all wheel plates swapped left and right": lambda g, s: _swapped(
            _swapped(s, "front_left", "front_right").scene, "rear_left", "rear_right"
        ),
        "fixture plate upside down": lambda g, s: plate_upside_down(s, _number_of(g, s, {"fixture"})),
        "both fixture plates upside down": lambda g, s: plate_upside_down(
            plate_upside_down(s, _fixture_numbers(s)[0]).scene, _fixture_numbers(s)[1]
        ),
        "fixture plates exchanged": lambda g, s: plates_swapped(s, *_fixture_numbers(s)),
        "a number twice": lambda g, s: number_twice(s, _number_of(g, s, {*WHEELS, "fixture"}), _beside(g, s)),
        "photo mirrored": lambda g, s: photo_mirrored(s, int(g.integers(len(s.photos)))),
        "rear axle meant": lambda g, s: datum_mistaken(s, "rear_axle"),
        "bumper meant": lambda g, s: datum_mistaken(s, "front_bumper"),
        "visits mixed, by date": lambda g, s: visits_mixed(s, _middle_photo(g, s), 300.0, 2.0, "2026-03-09"),
        "zoomed photos": lambda g, s: lenses_mixed(s, range(_middle_photo(g, s), len(s.photos)), 1.9),
    }
)


def _swapped(scene: Scene, one: str, other: str) -> Planted:
    return plates_swapped(scene, scene.kit.clamps[one].plate, scene.kit.clamps[other].plate)


def _fixture_numbers(scene: Scene) -> list[int]:
    return [p.number for p in scene.plates if p.role == "fixture"]


def _beside(rng: Generator, scene: Scene) -> NDArray:
    """On the floor somewhere beside the car."""
    x, y = _ahead_and_left(scene)
    middle_mm = np.mean(list(scene.truth.wheel_centres_mm.values()), axis=0)
    T = pose(middle_mm + rng.choice([-1, 1]) * 1600 * y + rng.uniform(-1500, 1500) * x)
    T[2, 3] = 1.0
    return T


# --- how a scene is changed ---------------------------------------------------------------------------------


def _ahead_and_left(scene: Scene) -> tuple[NDArray, NDArray]:
    """Unit vectors in the world: the car's forward and left."""
    centre = scene.truth.wheel_centres_mm
    ahead = centre["front_left"] + centre["front_right"] - centre["rear_left"] - centre["rear_right"]
    ahead /= np.linalg.norm(ahead)
    return ahead, np.cross(scene.truth.floor_normal, ahead)


def _motion(pivot_mm: NDArray, shift_mm: Vector, yaw_deg: float) -> NDArray:
    """A turn about the upright through a pivot, then a shift: (4, 4) in the world."""
    motion = pose([0, 0, 0], [0, 0, yaw_deg])
    motion[:3, 3] = pivot_mm - motion[:3, :3] @ pivot_mm + shift_mm
    return motion


def _apply(T: NDArray, point_mm: NDArray) -> NDArray:
    return T[:3, :3] @ point_mm + T[:3, 3]


def _moving(motion: NDArray) -> Callable[[TruePlate], TruePlate]:
    return lambda plate: replace(plate, T_world_plate=motion @ plate.T_world_plate)


def _move(
    scene: Scene,
    from_photo: int,
    motion: NDArray,
    roles: Collection[str],
    moves_box: Callable[[str], bool],
) -> Scene:
    """Plates of these roles and their boxes stand elsewhere from a photo on."""
    numbers = [p.number for p in scene.plates if p.role in roles]
    moved = _with_plates(scene, dict.fromkeys(numbers, _moving(motion)), from_photo)

    def with_boxes(photo: TruePhoto) -> TruePhoto:
        boxes = tuple(
            replace(box, T_world_box=motion @ box.T_world_box) if moves_box(box.what) else box
            for box in photo.boxes
        )
        return replace(photo, boxes=boxes)

    return _with_photos(moved, range(from_photo, len(scene.photos)), with_boxes)


def _with_plates(
    scene: Scene, changes: Mapping[int, Callable[[TruePlate], TruePlate]], from_photo: int = 0
) -> Scene:
    """Some plates are otherwise from a photo on."""

    def changed(photo: TruePhoto) -> TruePhoto:
        plates = tuple(changes[p.number](p) if p.number in changes else p for p in photo.plates)
        return replace(photo, plates=plates)

    return _with_photos(scene, range(from_photo, len(scene.photos)), changed)


def _with_photos(scene: Scene, indices: Collection[int], change: Callable[[TruePhoto], TruePhoto]) -> Scene:
    photos = tuple(change(photo) if i in indices else photo for i, photo in enumerate(scene.photos))
    return replace(scene, photos=photos)


def _with_nominal(scene: Scene, key: str, nominal: float) -> Scene:
    old = scene.placement.values[key]
    values = {**scene.placement.values, key: Tolerance(nominal, old.minus, old.plus)}
    return replace(scene, placement=replace(scene.placement, values=MappingProxyType(values)))


def values_of(planted: Planted) -> tuple[dict[str, float], ...]:
    """The true values of each state that the photos show, first state first."""
    placement = planted.scene.placement
    states = [planted.scene.truth] + ([planted.after] if planted.after is not None else [])
    return tuple(true_values(truth, placement.reference_line, placement.datum) for truth in states)
