"""Which way is up by gravity: plates that hang free, or lie on what was levelled, and what follows from them.

The vehicle frame's Z is the floor's normal (MEASUREMENT.md). Where a level plate is photographed, targets'
pitch and roll and the floor's own slope are told against the plumb line too. Every function takes leading
batch dimensions.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.kit import LevelPlate
from vision.targets import PITCH_LIMIT_DEG, State, VehicleFrame

AXES = "xyz"


@dataclass(frozen=True, eq=False)
class LevelPlan:
    """Attributes: inputs: how far the plate's axis is off the plumb line, about its other axes, in rad."""

    pose: int
    level: LevelPlate
    inputs: slice

    def up(self, at: State) -> NDArray:
        """(..., 3) upward in world, as this plate says."""
        axis = AXES.index(self.level.axis)
        off = at.inputs[..., self.inputs]
        turn = np.insert(off, axis, 0.0, axis=-1)
        return (at.poses[..., self.pose, :3, :3] @ geometry.rotation_exp(turn))[..., axis]


def plumb_up(levels: Sequence[LevelPlan], at: State) -> NDArray:
    """(..., 3) upward in world: the mean of what the level plates say, each by its u."""
    total = sum(one.up(at) / one.level.u_rad**2 for one in levels)
    return _unit(np.asarray(total))


def plumb_angles(
    up: NDArray, frame: VehicleFrame, R_vehicle_target: NDArray, facing_rad: float
) -> dict[str, NDArray]:
    """Pitch and roll of a target with gravity's Z in place of the floor's; X is the line, made level.

    Args:
        up: (..., 3) in world.
        R_vehicle_target: (..., 3, 3), the nominal facing taken off.
        facing_rad: That facing: it is taken off about gravity's Z here, not about the floor's.
    """
    forward = frame.R_world_vehicle[..., :, 0]
    forward = _unit(forward - (forward * up).sum(-1, keepdims=True) * up)
    R_world_level = np.stack([forward, np.cross(up, forward), up], -1)
    R_level_vehicle = np.swapaxes(R_world_level, -1, -2) @ frame.R_world_vehicle
    turn = geometry.rotation_exp(np.array([0.0, 0.0, facing_rad]))
    _, pitch, roll = geometry.yaw_pitch_roll(turn.T @ R_level_vehicle @ turn @ R_vehicle_target)
    if np.any(np.abs(np.degrees(pitch)) >= PITCH_LIMIT_DEG):
        return {}
    return {"pitch_plumb_deg": np.degrees(pitch), "roll_plumb_deg": np.degrees(roll)}


def floor_against_plumb(up: NDArray, frame: VehicleFrame) -> dict[str, NDArray]:
    """The floor's slope: rising forward, and rising to the vehicle's left, positive."""
    along, across = (np.degrees(np.arcsin((frame.R_world_vehicle[..., :, k] * up).sum(-1))) for k in (0, 1))
    return {"floor_plumb_along_deg": along, "floor_plumb_across_deg": across}


def _unit(v: NDArray) -> NDArray:
    return v / np.linalg.norm(v, axis=-1, keepdims=True)
