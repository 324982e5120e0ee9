"""Adjusted plates -> wheel centres, floor, centreline, thrust line, targets: the vehicle frame.

Everything reported is a function of two kinds of inputs: poses that the adjustment found (with their
covariance) and inputs that never touch a photo: clamp eccentricity, tilt and standoff, floor flatness,
the target's place on its fixture, declared lengths. `quantities` computes them all at once, for any
leading batch dimensions, so that one call gives all central differences.

        X forward      The reference line is the centreline (rear to front axle midpoint) or the thrust
        ^              line (through the rear midpoint, along the rear wheels' mean rolling direction);
        |              both floor-parallel. Z is the floor's normal. (MEASUREMENT.md, "From plates to
   Y <--+  Z up        the vehicle frame")
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.errors import NotEnoughError
from vision.kit import Clamp, Vehicle
from vision.plumb import LevelPlan, floor_against_plumb, plumb_angles, plumb_up
from vision.targets import (
    RelationPlan,
    TargetPlan,
    VehicleFrame,
    relation_values,
    stood,
    target_values,
    why_not,
)

# How far one front wheel may stand behind the other, and what steering moves its centre sideways, when
# only one front clamp hangs. Common practice, no source.
U_SETBACK_MM = 4.0
U_STEER_SHIFT_MM = 2.0


@dataclass(frozen=True)
class Input:
    """Something uncertain that no photo shows: its name, u (about a mean of zero) and budget line."""

    name: str
    u: float
    cause: str


@dataclass(frozen=True, eq=False)
class WheelPlan:
    wheel: str
    pose: int
    clamp: Clamp
    inputs: slice  # eccentricity x, y (mm), tilt x, y (rad), standoff (mm)


@dataclass(frozen=True, eq=False)
class HeightPlan:
    """A point of known height above the floor plane: a floor plate's underside, or a wheel centre."""

    height_mm: float
    input: int
    pose: int = -1
    thickness_mm: float = 0.0
    wheel: int = -1


@dataclass(frozen=True, eq=False)
class Tilt:
    """How a floor plate is turned against the plane through all.

    Attributes:
        height: Index into the plan's heights.
        rad: (2,) components of the turn along two directions of the plane.
        covariance: (2, 2) of these, from photos, inputs and the declared flatness under the plate.
        half_mm: Half the plate's width.
    """

    height: int
    rad: NDArray
    covariance: NDArray
    half_mm: float


@dataclass(frozen=True, eq=False)
class FramePlan:
    """What the vehicle frame is built from; fixed while the inputs vary.

    Attributes:
        front_from: "both", or the one front wheel that hangs, or "" where the front axle is not known.
        weights: (k, k) inverse covariance of the heights, for the floor's generalised least squares.
        pull: (6 p + m, k) how the poses `pulled` and the inputs follow, per mm that a height is off.
        up: (3,) approximate upward direction in world.
        height_known: False where only the wheels tell which way is up, and nothing how high the floor is.
        tilts: Of the floor plates; `inputs` has what they add to the heights' u.
        car_side, target_side: Positions in `heights` of floor plates beside car and target.
    """

    wheels: tuple[WheelPlan, ...]
    heights: tuple[HeightPlan, ...]
    targets: tuple[TargetPlan, ...]
    vehicle: Vehicle
    inputs: tuple[Input, ...]
    front_from: str
    declared: slice
    weights: NDArray
    up: NDArray
    height_known: bool = True
    pulled: tuple[int, ...] = ()
    pull: NDArray | None = None
    tilts: tuple[Tilt, ...] = ()
    car_side: tuple[int, ...] = ()
    target_side: tuple[int, ...] = ()
    relations: tuple[RelationPlan, ...] = ()
    levels: tuple[LevelPlan, ...] = ()

    def wheel(self, name: str) -> int:
        return [w.wheel for w in self.wheels].index(name)


def _unit(v: NDArray) -> NDArray:
    return v / np.linalg.norm(v, axis=-1, keepdims=True)


def _dot(a: NDArray, b: NDArray) -> NDArray:
    return (a * b).sum(-1)


def wheel_centres(plan: FramePlan, poses: NDArray, inputs: NDArray) -> tuple[NDArray, NDArray]:
    """Centres (..., w, 3) in mm and spin axes outward (..., w, 3), in world.

    MEASUREMENT.md, "Wheel centre": centre = plate origin - standoff * axis, after the plate's
    eccentricity is taken off. Eccentricity is where the plate's origin lies from the spin axis, tilt
    how the plate is turned from it, both about the plate's own x and y.
    """
    centres, axes = [], []
    for w in plan.wheels:
        e = inputs[..., w.inputs]
        T = poses[..., w.pose, :, :]
        zeros = np.zeros(e.shape[:-1])
        tilt = np.stack([e[..., 2] + w.clamp.tilt_rad[0], e[..., 3] + w.clamp.tilt_rad[1], zeros], -1)
        axis_in_plate = geometry.rotation_exp(-tilt)[..., :, 2]
        miss = np.stack(
            [e[..., 0] + w.clamp.eccentricity_mm[0], e[..., 1] + w.clamp.eccentricity_mm[1], zeros], -1
        )
        in_plate = -miss - (w.clamp.standoff_mm + e[..., 4])[..., None] * axis_in_plate
        centres.append((T[..., :3, :3] @ in_plate[..., None])[..., 0] + T[..., :3, 3])
        axes.append((T[..., :3, :3] @ axis_in_plate[..., None])[..., 0])
    return np.stack(centres, -2), np.stack(axes, -2)


def height_points(plan: FramePlan, poses: NDArray, centres: NDArray) -> NDArray:
    """(..., k, 3) points whose heights above the floor are known."""
    points = []
    for h in plan.heights:
        if h.wheel >= 0:
            points.append(centres[..., h.wheel, :])
        else:
            T = poses[..., h.pose, :, :]
            points.append(T[..., :3, 3] - h.thickness_mm * T[..., :3, 2])
    return np.stack(points, -2)


def fit_plane(points: NDArray, heights: NDArray, weights: NDArray, up: NDArray) -> tuple[NDArray, NDArray]:
    """The plane from which points (..., k, 3) have the given heights (..., k).

    Generalised least squares: minimises e' W e, e = up-component errors. Returns the unit normal (..., 3)
    and the offset (...,): height(p) = normal . p + offset.
    """
    e1 = _unit(np.cross(up, np.eye(3)[np.argmin(np.abs(up))]))
    e2 = np.cross(up, e1)
    middle = points.mean(-2, keepdims=True)
    local = points - middle
    A = np.stack([local @ e1, local @ e2, np.ones(points.shape[:-1])], -1)
    AW = np.swapaxes(A, -1, -2) @ weights
    solved = np.linalg.solve(AW @ A, AW @ (heights - local @ up)[..., None])[..., 0]
    normal = up + solved[..., :1] * e1 + solved[..., 1:2] * e2
    length = np.linalg.norm(normal, axis=-1)
    normal = normal / length[..., None]
    return normal, solved[..., 2] / length - _dot(normal, middle[..., 0, :])


def known_heights(plan: FramePlan, inputs: NDArray) -> NDArray:
    """(..., k) heights of `height_points` above the floor, in mm."""
    return np.array([h.height_mm for h in plan.heights]) + inputs[..., [h.input for h in plan.heights]]


@dataclass(frozen=True, eq=False)
class Settled:
    """What the frame and the values are computed from, once flatness has had its say.

    Attributes:
        points: (..., k, 3) as adjusted: the floor's plane is fitted to these.
        poses, inputs: As given, with what hangs together with the floor plates moved along.
        centres, axes: (..., w, 3) of the wheels, by `poses` and `inputs`.
    """

    points: NDArray
    poses: NDArray
    inputs: NDArray
    centres: NDArray
    axes: NDArray


def settle(plan: FramePlan, poses: NDArray, inputs: NDArray) -> Settled:
    """The floor's flatness as one more observation of the whole.

    The generalised plane discounts a badly seen floor plate by what its height has in common with the
    others; wheels and target have it in common too, and must follow. Without this the heights would
    depend on which plate holds the adjustment's frame. dx = -cov(x, heights) W (heights off the
    plane): least squares after a further observation (Koch 1999, 3.2).
    """
    centres, axes = wheel_centres(plan, poses, inputs)
    points = height_points(plan, poses, centres)
    if plan.pull is None:
        return Settled(points, poses, inputs, centres, axes)
    known = known_heights(plan, inputs)
    normal, offset = fit_plane(points, known, plan.weights, plan.up)
    off = _dot(points, normal[..., None, :]) + offset[..., None] - known
    d = off @ plan.pull.T
    pulled, n_pose = list(plan.pulled), 6 * len(plan.pulled)
    poses = poses.copy()
    tangents = d[..., :n_pose].reshape(*d.shape[:-1], len(pulled), 6)
    poses[..., pulled, :, :] = poses[..., pulled, :, :] @ geometry.exp(tangents)
    moved_inputs = inputs + d[..., n_pose:]
    return Settled(points, poses, moved_inputs, *wheel_centres(plan, poses, moved_inputs))


def _rolling_directions(plan: FramePlan, axes: NDArray, up: NDArray) -> NDArray:
    """(..., w, 3) unit, floor-parallel, forward: where each wheel's plane meets the floor."""
    sign = np.array([1.0 if w.wheel.endswith("left") else -1.0 for w in plan.wheels])
    return _unit(np.cross(axes, up[..., None, :]) * sign[:, None])


def vehicle_frame(
    plan: FramePlan, centres: NDArray, axes: NDArray, points: NDArray, inputs: NDArray, line: str
) -> VehicleFrame:
    """The frame along one reference line.

    Args:
        points: (..., k, 3) of `height_points`.
        line: "centreline" or "thrust_line".

    Raises:
        NotEnoughError: The line cannot be had from the clamps that hang.
    """
    left, right = centres[..., plan.wheel("rear_left"), :], centres[..., plan.wheel("rear_right"), :]
    rear = (left + right) / 2
    up, offset = fit_plane(points, known_heights(plan, inputs), plan.weights, plan.up)
    front = _front_midpoint(plan, centres, inputs, _unit(left - right), up)
    if line == "thrust_line":
        directions = _rolling_directions(plan, axes, up)
        forward = _unit(
            directions[..., plan.wheel("rear_left"), :] + directions[..., plan.wheel("rear_right"), :]
        )
    elif front is None:
        raise NotEnoughError(
            "The centreline needs the front axle: hang a clamp on at least one front wheel (with one, "
            "declare track_front_mm), or let the placement use the thrust line."
        )
    else:
        between = front - rear
        forward = _unit(between - _dot(between, up)[..., None] * up)
    R = np.stack([forward, np.cross(up, forward), up], -1)
    return VehicleFrame(R, rear, front, offset if plan.height_known else None)


def _front_midpoint(
    plan: FramePlan, centres: NDArray, inputs: NDArray, leftward: NDArray, up: NDArray
) -> NDArray | None:
    if plan.front_from == "both":
        return (centres[..., plan.wheel("front_left"), :] + centres[..., plan.wheel("front_right"), :]) / 2
    if not plan.front_from:
        return None
    half_track, setback, shift = np.moveaxis(inputs[..., plan.declared], -1, 0)
    sign = -1.0 if plan.front_from == "front_left" else 1.0
    step = sign * ((plan.vehicle.track_front_mm or 0.0) / 2 + half_track + shift)
    forward = np.cross(leftward, up)
    return (
        centres[..., plan.wheel(plan.front_from), :]
        + step[..., None] * leftward
        + setback[..., None] * forward
    )


def quantities(plan: FramePlan, poses: NDArray, inputs: NDArray) -> dict[str, NDArray]:
    """All reported quantities, each (...,), in mm and degrees.

    Args:
        poses: (..., n, 4, 4) of the whole state, in world.
        inputs: (..., m) deviations of `plan.inputs` from what is declared.

    Names: vehicle facts as FORMATS.md; of placement i `"{i}:distance_mm"` and so on, of relation i
    `"r{i}:spacing_mm"` and so on.
    """
    at = settle(plan, poses, inputs)
    lines = ["thrust_line"]
    if plan.front_from or any(t.placement.reference_line == "centreline" for t in plan.targets):
        lines.append("centreline")
    frames = {line: vehicle_frame(plan, at.centres, at.axes, at.points, inputs, line) for line in lines}
    main = frames.get("centreline", frames["thrust_line"])
    out = _vehicle_facts(plan, main, at.centres, at.axes)
    out.update(_floor_facts(plan, at.points, inputs))
    if plan.levels:
        out.update(floor_against_plumb(plumb_up(plan.levels, at), main))
    standing = [stood(target, frames[target.placement.reference_line], at) for target in plan.targets]
    for i, target in enumerate(plan.targets):
        frame = frames[target.placement.reference_line]
        found = target_values(target, frame, at, standing[i])
        if plan.levels and not target.is_mat:
            up, facing_rad = plumb_up(plan.levels, at), target.placement.facing_rad
            found.update(plumb_angles(up, frame, standing[i].R, facing_rad))
        out.update({f"{i}:{key}": value for key, value in found.items()})
    for i, r in enumerate(plan.relations):
        first, second = r.relation.of
        found = relation_values(r, standing[first], standing[second], plan.targets[first].is_mat)
        out.update({f"r{i}:{key}": value for key, value in found.items()})
    return out


def values_as(plan: FramePlan, poses: NDArray, target: TargetPlan) -> dict[str, float]:
    """What one target's values are at these poses (n, 4, 4), read as `target` says; its line can be had."""
    inputs = np.zeros(len(plan.inputs))
    at = settle(plan, poses, inputs)
    frame = vehicle_frame(plan, at.centres, at.axes, at.points, inputs, target.placement.reference_line)
    values = target_values(target, frame, at, stood(target, frame, at))
    return {key: float(value) for key, value in values.items()}


def _vehicle_facts(
    plan: FramePlan, frame: VehicleFrame, centres: NDArray, axes: NDArray
) -> dict[str, NDArray]:
    """Wheelbase, track, heights, toe, steer, thrust angle; toe-in and left are positive (ISO 8855)."""
    directions = _rolling_directions(plan, axes, frame.R_world_vehicle[..., :, 2])
    at = {w.wheel: frame.in_frame(centres[..., k, :] - frame.rear) for k, w in enumerate(plan.wheels)}
    heading = {}
    for k, w in enumerate(plan.wheels):
        d = frame.in_frame(directions[..., k, :])
        heading[w.wheel] = np.degrees(np.arctan2(d[..., 1], d[..., 0]))
    out = {}
    for side in ("left", "right"):
        if f"front_{side}" in at:
            out[f"wheelbase_{side}_mm"] = at[f"front_{side}"][..., 0] - at[f"rear_{side}"][..., 0]
    for axle in ("front", "rear"):
        if f"{axle}_left" in at and f"{axle}_right" in at:
            out[f"track_{axle}_mm"] = at[f"{axle}_left"][..., 1] - at[f"{axle}_right"][..., 1]
    if frame.floor_offset is not None:
        for k, w in enumerate(plan.wheels):
            up = frame.R_world_vehicle[..., :, 2]
            out[f"wheel_height_{w.wheel}_mm"] = _dot(centres[..., k, :], up) + frame.floor_offset
    for w in plan.wheels:
        out[f"toe_{w.wheel}_deg"] = heading[w.wheel] * (-1.0 if w.wheel.endswith("left") else 1.0)
    if "front_left" in heading and "front_right" in heading:
        out["steer_deg"] = (heading["front_left"] + heading["front_right"]) / 2
    if plan.front_from:
        out["thrust_angle_deg"] = (heading["rear_left"] + heading["rear_right"]) / 2
    return out


def _floor_facts(plan: FramePlan, points: NDArray, inputs: NDArray) -> dict[str, NDArray]:
    """The step up from the floor under the car to that under the target, and the slope it makes."""
    if not (plan.car_side and plan.target_side):
        return {}
    car, ahead = points[..., list(plan.car_side), :], points[..., list(plan.target_side), :]
    weights = np.linalg.inv(np.linalg.inv(plan.weights)[np.ix_(plan.car_side, plan.car_side)])
    unevenness = inputs[..., [h.input for h in plan.heights]]
    normal, offset = fit_plane(car, unevenness[..., list(plan.car_side)], weights, plan.up)
    above = _dot(ahead, normal[..., None, :]) + offset[..., None] - unevenness[..., list(plan.target_side)]
    step = above.mean(-1)
    run = np.linalg.norm(ahead.mean(-2) - car.mean(-2), axis=-1)
    return {"floor_step_mm": step, "floor_slope_deg": np.degrees(np.arctan2(step, run))}


def not_measured(plan: FramePlan, placement: int, found: Collection[str]) -> Mapping[str, str]:
    """For each value of a placement that was not found, why, and what to do."""
    start = f"{placement}:"
    return why_not(plan.targets[placement], [k.removeprefix(start) for k in found if k.startswith(start)])
