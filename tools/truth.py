"""What a simulated scene truly is: plates, vehicle, target, lenses; true values and true image points.

This is the independent truth that measuring is judged by, so it shares no geometry with `vision/`:
only the frozen types of kit, layout and photo come from there, and rotations come from SciPy.

Frames as in MEASUREMENT.md; `world` is the shop's own frame, its z up and its floor at z = 0. Image
model, written once and here: camera frame as OpenCV's, p_camera = T_camera_world p. During read-out
T_camera_world(row) = [exp(s w), s v] T_camera_world with s = (row - (height - 1) / 2) / height and
the twist (v mm, w rad) in the camera frame; then Brown's distortion with OpenCV's terms k1 k2 p1 p2 k3.
"""

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from vision.kit import WHEELS, Kit, Placement, Relation, Vehicle
from vision.layout import Layout
from vision.photo import ExifFacts

# Steeper plates are not looked for: 2.4 px per cell across and less, 0.1 px of common error.
MAX_INCIDENCE_DEG = 75.0
# Shortest imaged tag edge that a detector promises to find.
MIN_TAG_EDGE_PX = 25.0
PLATE_BORDER_MM = 5.0  # white paper round the pattern, as the layouts' quiet margin


@dataclass(frozen=True, eq=False)
class Lens:
    """A phone's camera. `distortion` is OpenCV's k1, k2, p1, p2, k3; fy = fx (1 + aspect).

    `ripple_px` is what no Brown model holds: radial waves of this amplitude, one to every 0.3 of r.
    """

    fx_px: float
    cx_px: float
    cy_px: float
    distortion: tuple[float, float, float, float, float]
    aspect: float = 0.0
    ripple_px: float = 0.0


@dataclass(frozen=True, eq=False)
class TruePlate:
    """A plate as it truly hangs or lies.

    Attributes:
        T_world_plate: (4, 4), of the printed pattern.
        scale_xy: True length / nominal length along the plate's x and y.
        bow_mm: Along x and y: z = bow_x (1/3 - (x/h)^2) + bow_y (1/3 - (y/h)^2), h = pattern_half_mm.
        role: `front_left` .. for wheels, `fixture`, `floor`, `bar` or `datum`.
    """

    number: int
    layout: Layout
    role: str
    T_world_plate: NDArray
    scale_xy: tuple[float, float] = (1.0, 1.0)
    bow_mm: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, eq=False)
class Box:
    """Something solid that hides what is behind it."""

    T_world_box: NDArray
    half_mm: tuple[float, float, float]
    what: str


@dataclass(frozen=True, eq=False)
class TruePhoto:
    """One photo: the camera, and the plates as they stood at that moment.

    Attributes:
        T_camera_world: (4, 4) at the middle row.
        lens: With this photo's own focal length and principal point.
        twist: (6,) motion over one full read-out: mm, then rad, in the camera frame.
        mirrored: The stored array is the mirror image (x -> width - 1 - x).
    """

    name: str
    size_px: tuple[int, int]
    exif: ExifFacts
    T_camera_world: NDArray
    lens: Lens
    twist: NDArray
    plates: tuple[TruePlate, ...]
    boxes: tuple[Box, ...] = ()
    mirrored: bool = False


@dataclass(frozen=True, eq=False)
class Truth:
    """What the reported values follow from, all in the world frame.

    Attributes:
        wheel_centres_mm, spin_axes: By wheel, (3,) each; the axes point outward.
        floor_point_mm, floor_normal: The one common floor plane.
        T_world_target: (4, 4).
        datum_points_mm: Named body points, (3,) each.
        plumb_up: Against gravity; the shop's floor need not be level.
    """

    wheel_centres_mm: Mapping[str, NDArray]
    spin_axes: Mapping[str, NDArray]
    floor_point_mm: NDArray
    floor_normal: NDArray
    T_world_target: NDArray
    datum_points_mm: Mapping[str, NDArray]
    plumb_up: NDArray = field(default_factory=lambda: np.array([0.0, 0.0, 1.0]))


@dataclass(frozen=True, eq=False)
class Scene:
    """Photos to be taken, what the operator declares, and the truth at the first photo."""

    kit: Kit
    vehicle: Vehicle
    placement: Placement
    photos: tuple[TruePhoto, ...]
    truth: Truth

    @property
    def placements(self) -> tuple[Placement, ...]:
        """The one that is asked for."""
        return (self.placement,)

    @property
    def relations(self) -> tuple[Relation, ...]:
        """Of one target there are none."""
        return ()

    @property
    def T_world_targets(self) -> tuple[NDArray, ...]:
        """Of the one target."""
        return (self.truth.T_world_target,)

    @property
    def plates(self) -> tuple[TruePlate, ...]:
        """As they stood at the first photo."""
        return self.photos[0].plates


# --- values -------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Car:
    front_mm: NDArray
    rear_mm: NDArray
    up: NDArray
    centreline: NDArray
    thrust: NDArray


def _unit(v: NDArray) -> NDArray:
    return v / np.linalg.norm(v)


def _flat(v: NDArray, up: NDArray) -> NDArray:
    return _unit(v - (v @ up) * up)


def _heading(truth: Truth, wheel: str) -> NDArray:
    """The wheel's rolling direction: its plane cut by the floor's, pointing forward."""
    outward = truth.spin_axes[wheel]
    forward = np.cross(outward, truth.floor_normal)
    return _unit(forward if wheel.endswith("left") else -forward)


def _car(truth: Truth) -> _Car:
    centre = truth.wheel_centres_mm
    front = (centre["front_left"] + centre["front_right"]) / 2
    rear = (centre["rear_left"] + centre["rear_right"]) / 2
    bisector = _heading(truth, "rear_left") + _heading(truth, "rear_right")
    up = truth.floor_normal
    return _Car(front, rear, up, _flat(front - rear, up), _flat(bisector, up))


def _angle_deg(direction: NDArray, x: NDArray, up: NDArray) -> float:
    """From x to the direction, counter-clockwise seen from above."""
    return float(np.degrees(np.arctan2(direction @ np.cross(up, x), direction @ x)))


def true_values(truth: Truth, reference_line: str, datum: str) -> dict[str, float]:
    """The six values of MEASUREMENT.md, by plain geometry.

    Args:
        reference_line: `centreline` or `thrust_line`.
        datum: `front_axle`, `rear_axle` or the name of a datum plate.
    """
    car = _car(truth)
    x, start = {
        "centreline": (car.centreline, car.front_mm),
        "thrust_line": (car.thrust, car.rear_mm),
    }[reference_line]
    y = np.cross(car.up, x)
    datum_mm = {**truth.datum_points_mm, "front_axle": car.front_mm, "rear_axle": car.rear_mm}[datum]
    target_mm = truth.T_world_target[:3, 3]
    R_vehicle_target = np.stack([x, y, car.up]) @ truth.T_world_target[:3, :3]
    yaw, pitch, roll = Rotation.from_matrix(R_vehicle_target).as_euler("ZYX", degrees=True)
    return {
        "distance_mm": float((target_mm - datum_mm) @ x),
        "lateral_mm": float((target_mm - start) @ y),
        "height_mm": float((target_mm - truth.floor_point_mm) @ car.up),
        "yaw_deg": float(yaw),
        "pitch_deg": float(pitch),
        "roll_deg": float(roll),
    }


def true_target_values(truth: Truth, placement: Placement, is_mat: bool) -> dict[str, float]:
    """Every value of KINDS.md that such a placement has, but a mat's flatness, by plain geometry."""
    car = _car(truth)
    x = car.centreline if placement.reference_line == "centreline" else car.thrust
    y = np.cross(car.up, x)
    target_mm, R = truth.T_world_target[:3, 3], truth.T_world_target[:3, :3]
    with warnings.catch_warnings():  # a mat's yaw, pitch and roll are not determined, and not used
        warnings.simplefilter("ignore", UserWarning)
        values = true_values(truth, placement.reference_line, placement.datum)
    facing_deg = float(np.degrees(placement.facing_rad))
    if is_mat:
        for key in ("yaw_deg", "pitch_deg", "roll_deg"):
            del values[key]
        left, mark = R[:, 1], R[:, 2]
        values["heading_deg"] = wrapped_deg(_angle_deg(mark, x, car.up) - facing_deg)
        values["tilt_along_deg"] = float(np.degrees(np.arcsin(mark @ car.up)))
        values["tilt_across_deg"] = float(np.degrees(np.arcsin(left @ car.up)))
    else:
        values["yaw_deg"] = wrapped_deg(values["yaw_deg"] - facing_deg)
        values.update(_plumb_values(truth, x, facing_deg))
    origin = placement.origin
    if origin is not None:
        starts = {"front_axle": car.front_mm, "rear_axle": car.rear_mm}
        start = {**starts, **truth.wheel_centres_mm, **truth.datum_points_mm}[origin.at]
        start = start + origin.offset_mm[0] * x + origin.offset_mm[1] * y
        axis = np.cos(origin.axis_rad) * x + np.sin(origin.axis_rad) * y
        way = target_mm - start
        flat = way - (way @ car.up) * car.up
        values["range_mm"] = float(np.linalg.norm(flat))
        values["bearing_deg"] = _angle_deg(flat, axis, car.up)
        values["gap_mm"] = float(way @ axis)
    return values


def _plumb_values(truth: Truth, x: NDArray, facing_deg: float) -> dict[str, float]:
    """Pitch and roll with Z against gravity, by the angles that the target's own axes make with it."""
    up = truth.plumb_up
    ahead = _flat(x, up)
    turned = Rotation.from_rotvec(np.radians(facing_deg) * up).as_matrix()
    away = turned @ ahead
    R_level_target = np.stack([away, np.cross(up, away), up]) @ truth.T_world_target[:3, :3]
    _, pitch, roll = Rotation.from_matrix(R_level_target).as_euler("ZYX", degrees=True)
    return {"pitch_plumb_deg": float(pitch), "roll_plumb_deg": float(roll)}


def true_relation(
    one: tuple[Truth, Placement], other: tuple[Truth, Placement], is_mat: bool
) -> dict[str, float]:
    """The values of two placements together, the first against the second."""
    truth, p = one
    car = _car(truth)
    x = car.centreline if p.reference_line == "centreline" else car.thrust
    a_mm, b_mm = (t.T_world_target[:3, 3] for t, _ in (one, other))
    a, b = (true_target_values(*each, is_mat) for each in (one, other))
    angle = "heading_deg" if is_mat else "yaw_deg"
    return {
        "spacing_mm": float(np.linalg.norm(a_mm - b_mm)),
        "distance_difference_mm": float((a_mm - b_mm) @ x),
        "lateral_difference_mm": a["lateral_mm"] - b["lateral_mm"],
        "height_difference_mm": a["height_mm"] - b["height_mm"],
        "symmetry_mm": (a["lateral_mm"] + b["lateral_mm"]) / 2,
        "parallelism_deg": wrapped_deg(a[angle] - b[angle]),
    }


def wrapped_deg(angle_deg: float) -> float:
    return (angle_deg + 180) % 360 - 180


def true_facts(truth: Truth) -> dict[str, float]:
    """The vehicle facts of FORMATS.md. X is the centreline, whatever the placement's line.

    A wheel's toe is its heading against the centreline, so that of a steered wheel contains the steer.
    Floor slope and step are those of the one plane: none.
    """
    car = _car(truth)
    centre = truth.wheel_centres_mm
    y = np.cross(car.up, car.centreline)
    heading = {w: _angle_deg(_heading(truth, w), car.centreline, car.up) for w in WHEELS}
    facts = {
        "wheelbase_left_mm": (centre["front_left"] - centre["rear_left"]) @ car.centreline,
        "wheelbase_right_mm": (centre["front_right"] - centre["rear_right"]) @ car.centreline,
        "track_front_mm": (centre["front_left"] - centre["front_right"]) @ y,
        "track_rear_mm": (centre["rear_left"] - centre["rear_right"]) @ y,
        "steer_deg": (heading["front_left"] + heading["front_right"]) / 2,
        "thrust_angle_deg": _angle_deg(car.thrust, car.centreline, car.up),
        "floor_slope_deg": 0.0,
        "floor_step_mm": 0.0,
    }
    for w in WHEELS:
        facts[f"wheel_height_{w}_mm"] = (centre[w] - truth.floor_point_mm) @ car.up
        facts[f"toe_{w}_deg"] = -heading[w] if w.endswith("left") else heading[w]
    return {name: float(value) for name, value in facts.items()}


# --- image --------------------------------------------------------------------------------------


def points_on_plate_mm(plate: TruePlate, points_in_layout_mm: NDArray) -> NDArray:
    """Points (n, 2) of the nominal artwork as they truly lie in the plate frame, (n, 3)."""
    xy = np.asarray(points_in_layout_mm, float)
    z = (1 / 3 - (xy / plate.layout.pattern_half_mm) ** 2) @ np.asarray(plate.bow_mm)
    return np.column_stack([xy * plate.scale_xy, z])


def points_in_world_mm(plate: TruePlate, points_in_layout_mm: NDArray) -> NDArray:
    """Points (n, 2) of the nominal artwork in the world, (n, 3)."""
    points = points_on_plate_mm(plate, points_in_layout_mm)
    return points @ plate.T_world_plate[:3, :3].T + plate.T_world_plate[:3, 3]


def distort(x: NDArray, y: NDArray, distortion: Sequence[float]) -> tuple[NDArray, NDArray]:
    """Brown's distortion of normalised coordinates, in OpenCV's form."""
    k1, k2, p1, p2, k3 = distortion
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return (
        x * radial + 2 * p1 * x * y + p2 * (r2 + 2 * x * x),
        y * radial + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y,
    )


def project_at_rows(photo: TruePhoto, points_in_camera_mm: NDArray, rows_px: NDArray) -> NDArray:
    """Pixels (n, 2) of points (n, 3) of the middle row's camera frame, each read out at its row.

    The rotation of a read-out, 1e-3 rad at most, enters to second order; the rest is 1e-10.
    """
    s = ((rows_px - (photo.size_px[1] - 1) / 2) / photo.size_px[1])[:, None]
    v, (wx, wy, wz) = photo.twist[:3], photo.twist[3:]
    W = np.array([[0, -wz, wy], [wz, 0, -wx], [-wy, wx, 0]])  # W p is the cross product of w and p
    turn = points_in_camera_mm @ W.T
    p = points_in_camera_mm + s * (turn + v) + s**2 / 2 * turn @ W.T
    lens = photo.lens
    x, y = distort(p[:, 0] / p[:, 2], p[:, 1] / p[:, 2], lens.distortion)
    if lens.ripple_px:
        r = np.hypot(x, y)
        stretch = 1 + lens.ripple_px / lens.fx_px * np.sin(r / 0.3 * 2 * np.pi) / np.maximum(r, 1e-9)
        x, y = x * stretch, y * stretch
    fy = lens.fx_px * (1 + lens.aspect)
    return np.column_stack([lens.fx_px * x + lens.cx_px, fy * y + lens.cy_px])


def project_points(photo: TruePhoto, points_in_world_mm: NDArray) -> NDArray:
    """Pixels (n, 2) of world points (n, 3); nan behind the camera and far beside its field of view.

    Brown's polynomial folds back there: points beside the camera would seem to lie in the photo.

    The row decides the pose and the pose the row: each round gains a factor of a thousand.
    """
    p = points_in_world_mm @ photo.T_camera_world[:3, :3].T + photo.T_camera_world[:3, 3]
    corner_tangent = float(np.hypot(*photo.size_px)) / 2 / photo.lens.fx_px
    off_axis = np.hypot(p[:, 0], p[:, 1])[:, None]
    p = np.where((p[:, 2:] > 1.0) & (off_axis < 1.5 * corner_tangent * p[:, 2:]), p, np.nan)
    rows = np.full(len(p), (photo.size_px[1] - 1) / 2)
    for _ in range(4):
        pixels = project_at_rows(photo, p, rows)
        rows = pixels[:, 1]
    if photo.mirrored:
        pixels[:, 0] = photo.size_px[0] - 1 - pixels[:, 0]
    return pixels


# --- what a photo shows ---------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class View:
    """How a photo sees one plate."""

    plate: TruePlate
    incidence_deg: float
    tag_edge_px: float
    distance_mm: float


def plate_outline_mm(layout: Layout) -> NDArray:
    """The sheet's four corners (4, 2), counter-clockwise from the lower left."""
    half = layout.pattern_half_mm + PLATE_BORDER_MM
    return half * np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1]])


def camera_position_mm(photo: TruePhoto) -> NDArray:
    T = photo.T_camera_world
    return -T[:3, :3].T @ T[:3, 3]


def segments_hit_boxes(
    start_mm: NDArray, ends_mm: NDArray, T_world_box: NDArray, half_mm: NDArray
) -> NDArray:
    """Whether the segments from one point to (n, 3) pass through boxes (b, 4, 4), (b, 3): the slab test.

    Returns bool (b, n).
    """
    R, t = T_world_box[:, :3, :3], T_world_box[:, :3, 3]
    a = ((start_mm - t)[:, None] @ R)[:, 0]
    d = (ends_mm[None] - t[:, None]) @ R - a[:, None]
    d = np.where(np.abs(d) < 1e-9, 1e-9, d)
    one, other = (-half_mm - a)[:, None] / d, (half_mm - a)[:, None] / d
    enter = np.minimum(one, other).max(axis=-1)
    leave = np.maximum(one, other).min(axis=-1)
    return (enter < leave) & (enter < 1 - 1e-6) & (leave > 0)


def unhidden_views(
    camera_mm: NDArray, plates: Sequence[TruePlate], boxes: Sequence[Box]
) -> list[tuple[TruePlate, float]]:
    """Plates, with their incidence in degrees, that nothing hides and whose face is not too steep.

    Probed at the corners of the sheet and the middles of its edges.
    """
    T_world_plate = np.array([plate.T_world_plate for plate in plates])
    sight = camera_mm - T_world_plate[:, :3, 3]
    cosine = (sight * T_world_plate[:, :3, 2]).sum(axis=1) / np.linalg.norm(sight, axis=1)
    incidence_deg = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    shown = np.flatnonzero(incidence_deg < MAX_INCIDENCE_DEG)
    if not len(shown):
        return []
    outline = np.array([plate_outline_mm(plate.layout) for plate in plates])
    probes = np.concatenate([outline, (outline + np.roll(outline, 1, axis=1)) / 2], axis=1)
    R, t = T_world_plate[shown, :3, :2], T_world_plate[shown, None, :3, 3]
    probes_mm = probes[shown] @ np.swapaxes(R, -1, -2) + t
    half_mm = np.column_stack([outline[:, 2], np.full(len(plates), 0.5)])
    hit = segments_hit_boxes(
        camera_mm,
        probes_mm.reshape(-1, 3),
        np.array([*T_world_plate, *(box.T_world_box for box in boxes)]),
        np.array([*half_mm, *(box.half_mm for box in boxes)]),
    )
    hidden_by = np.any(hit.reshape(len(hit), len(shown), -1), axis=-1)
    hidden_by[shown, np.arange(len(shown))] = False  # a plate does not hide itself
    unhidden = shown[~hidden_by.any(axis=0)]
    return [(plates[int(i)], float(incidence_deg[i])) for i in unhidden]


def views_in(photo: TruePhoto) -> tuple[View, ...]:
    """The plates that a photo shows whole: in the frame, unhidden, not too steep and not too small."""
    camera_mm = camera_position_mm(photo)
    unhidden = unhidden_views(camera_mm, photo.plates, photo.boxes)
    # Outline first, tag corners after it, four points each, in one projection.
    quads = [[plate_outline_mm(p.layout), *(tag.corners_mm for tag in p.layout.tags)] for p, _ in unhidden]
    if not quads:
        return ()
    points_mm = [points_in_world_mm(p, np.vstack(q)) for (p, _), q in zip(unhidden, quads, strict=True)]
    quads_px = project_points(photo, np.vstack(points_mm)).reshape(-1, 4, 2)
    limit_px = np.array(photo.size_px) - 1
    views, first = [], 0
    for (plate, incidence_deg), group in zip(unhidden, quads, strict=True):
        outline_px, tags_px = quads_px[first], quads_px[first + 1 : first + len(group)]
        first += len(group)
        if not ((outline_px > 0).all() and (outline_px < limit_px).all()):  # nan: behind the camera
            continue
        edge_px = np.linalg.norm(tags_px - np.roll(tags_px, 1, axis=1), axis=-1).min()
        if edge_px >= MIN_TAG_EDGE_PX:
            distance_mm = float(np.linalg.norm(camera_mm - plate.T_world_plate[:3, 3]))
            views.append(View(plate, incidence_deg, float(edge_px), distance_mm))
    return tuple(views)


def hangs_together(scene: Scene) -> bool:
    """Whether the photos form one connected net that holds every wheel and fixture plate."""
    groups: list[set] = []
    for photo in scene.photos:
        seen = {id(photo), *(view.plate.number for view in views_in(photo))}
        joined = [g for g in groups if g & seen]
        groups = [g for g in groups if not g & seen] + [seen.union(*joined)]
    needed = {p.number for p in scene.plates if p.role == "fixture" or p.role in WHEELS}
    return len(groups) == 1 and needed <= groups[0]
