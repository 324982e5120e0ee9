"""Adjustment -> reported values with covariance and budget."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.adjust import Adjustment
from vision.differences import differences
from vision.errors import NotEnoughError
from vision.floorplane import spans_a_plane, with_floor
from vision.frame import (
    U_SETBACK_MM,
    U_STEER_SHIFT_MM,
    FramePlan,
    HeightPlan,
    Input,
    WheelPlan,
    quantities,
)
from vision.kit import UPRIGHT_KEYS, WHEELS, Clamp, DatumPlate, Fixture, Kit, Placement, Relation, Vehicle
from vision.plumb import LevelPlan
from vision.propagate import budget
from vision.targets import DatumPlan, OriginPlan, RelationPlan, TargetPlan, off_plane

VALUE_KEYS = UPRIGHT_KEYS

# How much the wheels of one vehicle differ in loaded radius where nobody declared it; common practice,
# no source.
U_LIKE_RADII_MM = 10.0


@dataclass(frozen=True, eq=False)
class Reported:
    """Quantities with their joint covariance and its shares by cause.

    Attributes:
        keys: Names as frame.quantities gives them.
        values: (k,) in mm and degrees.
        covariance: (k, k).
        shares: By cause, (k,): which part of each variance it brings; they add to 1.
        J_state, J_inputs: d values / d tangent of the state, and / d inputs.
    """

    keys: tuple[str, ...]
    values: NDArray
    covariance: NDArray
    shares: Mapping[str, NDArray]
    J_state: NDArray
    J_inputs: NDArray

    def value(self, key: str) -> float:
        return float(self.values[self.keys.index(key)])

    def u(self, key: str) -> float:
        i = self.keys.index(key)
        return float(np.sqrt(self.covariance[i, i]))


class _Inputs:
    """Collects inputs while a plan is laid out; what has one name is one input, whoever uses it."""

    def __init__(self) -> None:
        self.items: list[Input] = []
        self._known: dict[str, slice] = {}

    def add(self, name: str, us: Sequence[float], cause: str) -> slice:
        if name not in self._known:
            first = len(self.items)
            self.items += [Input(f"{name} {k}", float(u), cause) for k, u in enumerate(us)]
            self._known[name] = slice(first, len(self.items))
        return self._known[name]


def plan_frame(
    adjustment: Adjustment,
    kit: Kit,
    vehicle: Vehicle,
    placements: Sequence[Placement],
    relations: Sequence[Relation] = (),
) -> FramePlan:
    """Lay out what the frame and the values are built from, with what these photos show.

    Raises:
        NotEnoughError: A plate that nothing can do without is in no photo.
    """
    o, u = adjustment.network.observed, adjustment.network.unknowns
    pose_of = {plate: int(u.plate_pose(k)) for k, plate in enumerate(o.plates)}
    inputs = _Inputs()
    wheels = tuple(
        WheelPlan(name, pose_of[clamp.plate], clamp, inputs.add(f"clamp {name}", _clamp_u(clamp), "clamps"))
        for name in WHEELS
        if (clamp := kit.clamps.get(name)) is not None and clamp.plate in pose_of
    )
    front_from = _front_from([w.wheel for w in wheels], vehicle)
    declared = slice(0, 0)
    if front_from and front_from != "both":
        u_half_track = vehicle.u_track_front_mm / 2
        declared = inputs.add("front axle", (u_half_track, U_SETBACK_MM / 2, U_STEER_SHIFT_MM), "declared")
    heights = [
        HeightPlan(
            0.0, inputs.add(f"floor {f.plate}", (f.u_flatness_mm,), "floor").start,
            pose=pose_of[f.plate], thickness_mm=kit.plates[f.plate].thickness_mm,
        )
        for f in kit.floor
        if f.plate in pose_of
    ]  # fmt: skip
    poses, height_known = adjustment.state.poses, True
    if not spans_a_plane([poses[h.pose][:3, 3] for h in heights]):
        heights, height_known = _wheels_as_floor(heights, wheels, vehicle, inputs, poses)
    levels = tuple(
        LevelPlan(pose_of[one.plate], one, inputs.add(f"level {one.plate}", [one.u_rad] * 2, "levels"))
        for one in kit.levels
        if one.plate in pose_of
    )
    hung = [w.wheel for w in wheels]
    targets = tuple(
        replace(_target_plan(p, kit, adjustment, pose_of, hung, inputs), has_levels=bool(levels))
        for p in placements
    )
    plan = FramePlan(
        wheels=wheels,
        heights=tuple(heights),
        targets=targets,
        vehicle=vehicle,
        inputs=tuple(inputs.items),
        front_from=front_from,
        declared=declared,
        weights=np.eye(len(heights)),
        up=_up(poses, wheels, heights),
        height_known=height_known,
        relations=tuple(_relation_plan(r, targets) for r in relations),
        levels=levels,
    )
    return with_floor(plan, adjustment)


def _clamp_u(clamp: Clamp) -> tuple[float, ...]:
    return (*[clamp.u_eccentricity_mm] * 2, *[clamp.u_tilt_rad] * 2, clamp.u_standoff_mm)


def _front_from(wheels: Sequence[str], vehicle: Vehicle) -> str:
    missing = [name for name in ("rear_left", "rear_right") if name not in wheels]
    if missing:
        raise NotEnoughError(
            f"The plate of wheel {' and '.join(m.replace('_', ' ') for m in missing)} is in no usable "
            "photo, and without both rear wheels there is no vehicle to measure from. Photograph it together "
            "with plates that other photos show, from about 2 m beside the wheel."
        )
    if "front_left" in wheels and "front_right" in wheels:
        return "both"
    one = [name for name in wheels if name.startswith("front")]
    return one[0] if one and vehicle.track_front_mm is not None else ""


def _wheels_as_floor(
    heights: list[HeightPlan],
    wheels: Sequence[WheelPlan],
    vehicle: Vehicle,
    inputs: _Inputs,
    poses: NDArray,
) -> tuple[list[HeightPlan], bool]:
    """The fall-back floor, and whether heights above it mean anything.

    With the loaded radii declared, the wheel centres stand at known heights, together with what floor plates
    there are. Without them the wheels still tell which way is up, for wheels of a vehicle are alike in
    size; but how high the floor is nobody knows.

    Raises:
        NotEnoughError: Neither floor plates nor wheels fix which way is up.
    """
    by_axle = {
        "front": (vehicle.wheel_radius_front_mm, vehicle.u_wheel_radius_front_mm),
        "rear": (vehicle.wheel_radius_rear_mm, vehicle.u_wheel_radius_rear_mm),
    }
    is_known = all(radius is not None for radius, _ in by_axle.values())
    out = list(heights) if is_known else []
    for k, w in enumerate(wheels):
        radius, u_radius = by_axle[w.wheel.split("_")[0]] if is_known else (0.0, U_LIKE_RADII_MM)
        slot = inputs.add(f"radius {w.wheel}", (u_radius,), "declared")
        out.append(HeightPlan(radius or 0.0, slot.start, wheel=k))
    if spans_a_plane([poses[h.pose if h.pose >= 0 else wheels[h.wheel].pose][:3, 3] for h in out]):
        return out, is_known
    raise NotEnoughError(
        "Nothing in these photos tells which way is up. Lay at least three floor plates, not in a row, or "
        "hang clamps on the front wheels too."
    )


def _target_plan(
    placement: Placement,
    kit: Kit,
    adjustment: Adjustment,
    pose_of: Mapping[int, int],
    hung: Sequence[str],
    inputs: _Inputs,
) -> TargetPlan:
    network = adjustment.network
    names = [kit.fixtures[k].name for k in network.fixtures()]
    fixture = next(f for f in kit.fixtures if f.name == placement.fixture)
    if placement.fixture not in names:
        what = "mat" if fixture.is_mat else "fixture"
        raise NotEnoughError(
            f"No plate of the {what} '{placement.fixture}' is in a usable photo that hangs together with "
            f"the wheels. Take two photos, one from each side, that show the {what}'s plates together with "
            "a wheel plate or with a floor plate that other photos show."
        )
    target = next(t for t in fixture.targets if t.name == placement.target)
    spot = inputs.add(
        f"target {placement.fixture} {placement.target}",
        (*[target.u_position_mm] * 3, *[target.u_rotation_rad] * 3),
        "fixture",
    )
    pose = int(network.unknowns.fixture_pose(names.index(placement.fixture)))
    return TargetPlan(
        placement,
        pose,
        target,
        spot,
        datum=_datum_plan(placement.datum, kit.datum_plates, pose_of, inputs),
        origin=_origin_plan(placement, kit, pose_of, hung, inputs),
        mat_poses=_highest_first(fixture, pose, adjustment, pose_of) if fixture.is_mat else None,
    )


def _highest_first(
    mat: Fixture, pose: int, adjustment: Adjustment, pose_of: Mapping[int, int]
) -> tuple[int, ...]:
    """Poses of a mat's seen plates, by how high their centres are above the plane through them."""
    seen = [pose_of[m.plate] for m in mat.mounts if m.plate in pose_of]
    heights = off_plane(adjustment.state.poses[pose], adjustment.state.poses[seen, :3, 3])
    return tuple(seen[k] for k in np.argsort(-heights, kind="stable"))


def _datum_plan(
    name: str, datum_plates: Sequence[DatumPlate], pose_of: Mapping[int, int], inputs: _Inputs
) -> DatumPlan | None:
    datum = next((d for d in datum_plates if d.name == name), None)
    if datum is None or datum.plate not in pose_of:
        return None
    return DatumPlan(pose_of[datum.plate], datum, inputs.add(f"datum {name}", [datum.u_mm] * 3, "declared"))


def _origin_plan(
    placement: Placement, kit: Kit, pose_of: Mapping[int, int], hung: Sequence[str], inputs: _Inputs
) -> OriginPlan | None:
    origin = placement.origin
    if origin is None:
        return None
    x_mm, y_mm = origin.offset_mm
    slot = inputs.add(f"origin {origin.at} {x_mm:g} {y_mm:g}", [origin.u_mm] * 2, "declared")
    wheel = hung.index(origin.at) if origin.at in hung else -1
    return OriginPlan(origin, slot, wheel, _datum_plan(origin.at, kit.datum_plates, pose_of, inputs))


def _relation_plan(relation: Relation, targets: Sequence[TargetPlan]) -> RelationPlan:
    one, other = (targets[i] for i in relation.of)
    return RelationPlan(relation, one.is_mat == other.is_mat)


def _up(poses: NDArray, wheels: Sequence[WheelPlan], heights: Sequence[HeightPlan]) -> NDArray:
    """Roughly upward, in world: the floor plates' own normals, or what the wheels say."""
    normals = [poses[h.pose][:3, 2] for h in heights if h.pose >= 0]
    if normals:
        mean = np.mean(normals, axis=0)
        return mean / np.linalg.norm(mean)
    at = {w.wheel: poses[w.pose][:3, 3] for w in wheels}
    left = at["rear_left"] - at["rear_right"]
    front = [at[name] for name in ("front_left", "front_right") if name in at]
    forward = np.mean(front, axis=0) - (at["rear_left"] + at["rear_right"]) / 2
    up = np.cross(forward, left)
    return up / np.linalg.norm(up)


def report(adjustment: Adjustment, plan: FramePlan) -> Reported:
    """All quantities at the adjusted state, with covariance and budget.

    The budget is exact: with C = H^-1 and H the sum over causes s of H_s, cause s brings G C H_s C G',
    and these add up to G C G' (G = d values / d state).
    """
    zeros = np.zeros(len(plan.inputs))
    at = quantities(plan, adjustment.state.poses, zeros)
    keys = tuple(at)
    values = np.array([float(at[key]) for key in keys])
    turns = np.array([key.endswith("_deg") for key in keys])

    def all_of(poses: NDArray, inputs: NDArray) -> NDArray:
        found = quantities(plan, poses, inputs)
        stacked = np.stack([found[key] for key in keys], -1)
        # Angles near half a turn must not jump between the two sides of a difference.
        off = stacked - values
        return np.where(turns, values + (off + 180) % 360 - 180, stacked)

    J_state, J_inputs = differences(plan, adjustment, all_of)
    u = np.array([i.u for i in plan.inputs])
    covariance = J_state @ adjustment.covariance @ J_state.T + (J_inputs * u**2) @ J_inputs.T
    return Reported(
        keys, values, covariance, _shares(adjustment, plan, J_state, J_inputs, u), J_state, J_inputs
    )


def _shares(
    adjustment: Adjustment, plan: FramePlan, J_state: NDArray, J_inputs: NDArray, u: NDArray
) -> dict[str, NDArray]:
    through = adjustment.covariance @ J_state.T
    parts: dict[str, NDArray] = {}
    none = np.zeros(len(J_state))
    for block in adjustment.blocks:
        _, J = block.linearise(adjustment.state)
        part = (np.einsum("gmc,gck->gmk", J, through[block.columns]) ** 2).sum((0, 1))
        parts[block.cause] = parts.get(block.cause, none) + part
    for k, item in enumerate(plan.inputs):
        parts[item.cause] = parts.get(item.cause, none) + (J_inputs[:, k] * u[k]) ** 2
    return budget(parts)
