"""Where targets stand in the vehicle frame: the values of each, and of two together.

MEASUREMENT.md says what the six values of an upright target mean; KINDS.md, beside the schemas, the others:
range, bearing and gap from an origin, and what a mat has in place of yaw, pitch and roll. Every function
takes any leading batch dimensions.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.kit import PLUMB_KEYS, WHEELS, DatumPlate, Origin, Placement, Relation, Target, value_keys

# Beyond this pitch yaw and roll lose their meaning (MEASUREMENT.md, "Behind and beside").
PITCH_LIMIT_DEG = 80.0
# Three points always lie in one plane: from four on they tell how flat a mat is.
FEWEST_FOR_FLATNESS = 4


@dataclass(frozen=True, eq=False)
class VehicleFrame:
    """Axes (..., 3, 3) with columns X, Y, Z in world, and points (..., 3) in world, in mm.

    Attributes:
        front, rear: Axle midpoints; front is None where it is not known.
        floor_offset: (...,) so that height = Z . p + floor_offset; None where the floor is not known.
    """

    R_world_vehicle: NDArray
    rear: NDArray
    front: NDArray | None
    floor_offset: NDArray | None

    def in_frame(self, direction: NDArray) -> NDArray:
        return (np.swapaxes(self.R_world_vehicle, -1, -2) @ direction[..., None])[..., 0]


class State(Protocol):
    """Poses (..., n, 4, 4) and inputs (..., m) as settled, and the wheels' centres (..., w, 3) by them."""

    @property
    def poses(self) -> NDArray: ...
    @property
    def inputs(self) -> NDArray: ...
    @property
    def centres(self) -> NDArray: ...


@dataclass(frozen=True, eq=False)
class DatumPlan:
    pose: int
    plate: DatumPlate
    inputs: slice  # 3 mm

    def point(self, at: State) -> NDArray:
        """(..., 3) in world."""
        T = at.poses[..., self.pose, :, :]
        offset = np.array(self.plate.offset_mm) + at.inputs[..., self.inputs]
        return T[..., :3, 3] + (T[..., :3, :3] @ offset[..., None])[..., 0]


@dataclass(frozen=True, eq=False)
class OriginPlan:
    """Attributes: wheel: the position in FramePlan.wheels, or -1; inputs: of the offset, 2 mm."""

    origin: Origin
    inputs: slice
    wheel: int = -1
    datum: DatumPlan | None = None

    def point(self, frame: VehicleFrame, at: State) -> NDArray | None:
        """(..., 3) in world; None where these photos do not show it."""
        if self.origin.at == "rear_axle":
            start = frame.rear
        elif self.wheel >= 0:
            start = at.centres[..., self.wheel, :]
        elif self.datum is not None:
            start = self.datum.point(at)
        elif self.origin.at == "front_axle" and frame.front is not None:
            start = frame.front
        else:
            return None
        offset = np.array(self.origin.offset_mm) + at.inputs[..., self.inputs]
        return start + (frame.R_world_vehicle[..., :, :2] @ offset[..., None])[..., 0]


@dataclass(frozen=True, eq=False)
class TargetPlan:
    """What one placement's values are built from.

    Attributes:
        inputs: Of the target's place on its fixture: 3 mm, 3 rad.
        datum: None where the distance counts from an axle, or the datum plate is in no photo.
        mat_poses: Of a mat, the poses of its plates that were seen, from the highest above the plane through
            them to the lowest as adjusted: which these are stays fixed while the inputs vary, for the
            difference of extremes has no derivative where two are alike. Else None.
        has_levels: Whether photos show a level plate.
    """

    placement: Placement
    fixture_pose: int
    target: Target
    inputs: slice
    datum: DatumPlan | None = None
    origin: OriginPlan | None = None
    mat_poses: tuple[int, ...] | None = None
    has_levels: bool = False

    @property
    def is_mat(self) -> bool:
        return self.mat_poses is not None

    @property
    def keys(self) -> tuple[str, ...]:
        """The values that such a placement can have."""
        return value_keys(self.placement, self.is_mat, self.has_levels)

    @property
    def poses(self) -> set[int]:
        datums = (self.datum, self.origin.datum if self.origin else None)
        return {self.fixture_pose, *(self.mat_poses or ()), *(d.pose for d in datums if d is not None)}


@dataclass(frozen=True, eq=False)
class Stood:
    """A target as it stands: its point (..., 3), from the rear axle's middle in the vehicle frame, and its
    axes (..., 3, 3) after the nominal facing is taken off; `point` in world."""

    point: NDArray
    from_rear: NDArray
    R: NDArray


def stood(plan: TargetPlan, frame: VehicleFrame, at: State) -> Stood:
    """Where the target of a placement stands."""
    T_world_target = (
        at.poses[..., plan.fixture_pose, :, :]
        @ plan.target.T_fixture_target
        @ geometry.exp(at.inputs[..., plan.inputs])
    )
    point = T_world_target[..., :3, 3]
    R = np.swapaxes(frame.R_world_vehicle, -1, -2) @ T_world_target[..., :3, :3]
    if plan.placement.facing_rad:
        R = geometry.rotation_exp(np.array([0.0, 0.0, -plan.placement.facing_rad])) @ R
    return Stood(point, frame.in_frame(point - frame.rear), R)


def target_values(plan: TargetPlan, frame: VehicleFrame, at: State, target: Stood) -> dict[str, NDArray]:
    """Each value (...,) of a placement that can be had, in mm and degrees."""
    out = {"lateral_mm": target.from_rear[..., 1]}
    datum = _datum_point(plan, frame, at)
    if datum is not None:
        out["distance_mm"] = frame.in_frame(target.point - datum)[..., 0]
    if frame.floor_offset is not None:
        up = frame.R_world_vehicle[..., :, 2]
        out["height_mm"] = (target.point * up).sum(-1) + frame.floor_offset
    out.update(_lying(plan, target, at) if plan.is_mat else _upright(target))
    start = plan.origin.point(frame, at) if plan.origin is not None else None
    if plan.origin is not None and start is not None:
        out.update(_polar(frame.in_frame(target.point - start), plan.origin.origin.axis_rad))
    return out


def _upright(target: Stood) -> dict[str, NDArray]:
    yaw, pitch, roll = (np.degrees(a) for a in geometry.yaw_pitch_roll(target.R))
    if np.all(np.abs(pitch) < PITCH_LIMIT_DEG):
        return {"yaw_deg": yaw, "pitch_deg": pitch, "roll_deg": roll}
    return {}


def _lying(plan: TargetPlan, target: Stood, at: State) -> dict[str, NDArray]:
    leftward, mark = target.R[..., :, 1], target.R[..., :, 2]
    out = {
        "heading_deg": np.degrees(np.arctan2(mark[..., 1], mark[..., 0])),
        "tilt_along_deg": _slope_deg(mark),
        "tilt_across_deg": _slope_deg(leftward),
    }
    poses = list(plan.mat_poses or ())
    if len(poses) >= FEWEST_FOR_FLATNESS:
        heights = off_plane(at.poses[..., plan.fixture_pose, :, :], at.poses[..., poses, :, :][..., :3, 3])
        out["flatness_mm"] = heights[..., 0] - heights[..., -1]
    return out


def off_plane(T_world_mat: NDArray, points: NDArray) -> NDArray:
    """(..., k) heights of points (..., k, 3) in world above their least-squares plane, in mm.

    Peak to valley of these is the flatness deviation of ISO 12781-1 (reference: least-squares plane; from
    memory). The mat's frame only says which way is up: its own plane is not known better than the plates
    are to lie in it.
    """
    local = (points - T_world_mat[..., None, :3, 3]) @ T_world_mat[..., :3, :3]
    A = np.concatenate([np.ones_like(local[..., :1]), local[..., :2]], -1)
    slopes = np.linalg.pinv(A) @ local[..., 2:]
    square_to_it = np.sqrt(1 + (slopes[..., 1:, :] ** 2).sum(-2))
    return (local[..., 2:] - A @ slopes)[..., 0] / square_to_it


def _slope_deg(direction: NDArray) -> NDArray:
    return np.degrees(np.arctan2(direction[..., 2], np.hypot(direction[..., 0], direction[..., 1])))


def _polar(way: NDArray, axis_rad: float) -> dict[str, NDArray]:
    """Of a way (..., 3) in the vehicle frame, parallel to the floor."""
    c, s = np.cos(axis_rad), np.sin(axis_rad)
    along, across = c * way[..., 0] + s * way[..., 1], c * way[..., 1] - s * way[..., 0]
    return {
        "range_mm": np.hypot(along, across),
        "bearing_deg": np.degrees(np.arctan2(across, along)),
        "gap_mm": along,
    }


def _datum_point(plan: TargetPlan, frame: VehicleFrame, at: State) -> NDArray | None:
    if plan.placement.datum == "rear_axle":
        return frame.rear
    if plan.placement.datum == "front_axle":
        return frame.front
    return plan.datum.point(at) if plan.datum is not None else None


# --- two together -------------------------------------------------------------------------------------


NO_COMMON_ANGLE = "One of the two is a mat and the other stands: they have no angle to compare."


@dataclass(frozen=True)
class RelationPlan:
    """What is required of two placements, and what can be had of them: both mats, or none, have angles."""

    relation: Relation
    have_angles: bool


def relation_values(plan: RelationPlan, one: Stood, other: Stood, is_mat: bool) -> dict[str, NDArray]:
    """Each value (...,) of two placements of one reference line, the first against the second."""
    way = one.from_rear - other.from_rear
    out = {
        "spacing_mm": np.linalg.norm(way, axis=-1),
        "distance_difference_mm": way[..., 0],
        "lateral_difference_mm": way[..., 1],
        "height_difference_mm": way[..., 2],
        "symmetry_mm": (one.from_rear[..., 1] + other.from_rear[..., 1]) / 2,
    }
    if plan.have_angles:
        a, b = (_turn(target, is_mat) for target in (one, other))
        out["parallelism_deg"] = (np.degrees(a - b) + 180) % 360 - 180
    return out


def _turn(target: Stood, is_mat: bool) -> NDArray:
    direction = target.R[..., :, 2 if is_mat else 0]
    return np.arctan2(direction[..., 1], direction[..., 0])


# --- what was not measured ------------------------------------------------------------------------------


def why_not(plan: TargetPlan, found: Collection[str]) -> Mapping[str, str]:
    """For each value of a placement that is not among those found, why, and what to do."""
    says = {
        "distance_mm": _start_words(plan.placement.datum, "measure from the rear axle"),
        "height_mm": (
            "The floor is not known: lay three floor plates that do not lie in a row, or declare the loaded "
            "wheel radius of each axle (wheel_radius_front_mm, wheel_radius_rear_mm)."
        ),
        "flatness_mm": (
            f"Fewer than {FEWEST_FOR_FLATNESS} of the mat's plates were seen, and three always lie in one "
            "plane: photograph the others too."
        ),
    }
    if not plan.has_levels:
        plumb = (
            "No level plate of the kit is in a usable photo: photograph the plate that hangs free, or lies "
            "levelled, together with plates that other photos show."
        )
        says |= dict.fromkeys(PLUMB_KEYS, plumb)
    if plan.placement.origin is not None:
        origin = _start_words(plan.placement.origin.at, "count from another place")
        says |= dict.fromkeys(("range_mm", "bearing_deg", "gap_mm"), origin)
    angles = (
        f"The target lies flatter than {PITCH_LIMIT_DEG:.0f} degrees of pitch: yaw, pitch and roll are not "
        "defined for it."
    )
    return {key: says.get(key, angles) for key in plan.keys if key not in found}


def _start_words(at: str, instead: str) -> str:
    if at == "front_axle":
        return f"The front axle is not known: hang clamps on the front wheels, or {instead}."
    if at in WHEELS:
        wheel = at.replace("_", " ")
        return f"The {wheel} wheel is in no photo: hang its clamp and photograph it, or {instead}."
    return f"The datum plate '{at}' is in no photo: photograph it together with other plates."
