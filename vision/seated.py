"""Whether clamps still hang as they did when they were checked (seating.py).

A clamp that nobody touched turns with its wheel only, and all wheels of a vehicle that rolls turn alike. One
that was taken off and hung again is turned otherwise than the rest, unless a hand meets the old turn.
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.adjust import Adjustment
from vision.kit import Kit

# A vehicle whose wheels turned by less has not been rolled.
STANDING_DEG = 1.0
# How much one wheel may have turned otherwise than the rest: springs and steering while it stands; unlike
# tyres over a metre or two, once it was rolled. Common practice, no source.
ALIKE_STANDING_DEG, ALIKE_ROLLED_DEG = 1.0, 5.0


def among_wheels(adjustment: Adjustment, kit: Kit, offset: int = 0) -> Mapping[str, NDArray]:
    """T_wheels_plate (4, 4) by wheel: the wheels' middle, x forward, y left; empty where it is not fixed.

    Both rear plates and a front one fix it.

    Args:
        offset: Added to the plates' numbers, for the later of two positions.
    """
    o, u = adjustment.network.observed, adjustment.network.unknowns
    pose_of = {plate: int(u.plate_pose(k)) for k, plate in enumerate(o.plates)}
    poses = {
        wheel: adjustment.state.poses[pose_of[clamp.plate + offset]]
        for wheel, clamp in kit.clamps.items()
        if clamp.plate + offset in pose_of
    }
    front = [T[:3, 3] for wheel, T in poses.items() if wheel.startswith("front")]
    if not front or not {"rear_left", "rear_right"} <= poses.keys():
        return {}
    left, right = poses["rear_left"][:3, 3], poses["rear_right"][:3, 3]
    y = (left - right) / np.linalg.norm(left - right)
    x = np.mean(front, axis=0) - (left + right) / 2
    if len(front) == 1:  # one front plate hangs beside the middle
        x = x - (x @ y) * y
    z = np.cross(x, y)
    z = z / np.linalg.norm(z)
    T = geometry.transform(np.column_stack([np.cross(y, z), y, z]), (left + right) / 2)
    return {wheel: geometry.invert(T) @ pose for wheel, pose in poses.items()}


def checked_clamps_off(adjustment: Adjustment, kit: Kit) -> dict[str, float]:
    """Of the clamps that were checked, those that hang otherwise by now, and by how many degrees."""
    then = {w: c.seated.T_wheels_plate for w, c in kit.clamps.items() if c.seated is not None}
    return hung_otherwise(then, among_wheels(adjustment, kit)) if then else {}


def hung_otherwise(then: Mapping[str, NDArray], now: Mapping[str, NDArray]) -> dict[str, float]:
    """The wheels whose clamp is turned otherwise than the rest since then, and by how many degrees."""
    wheels = [wheel for wheel in then if wheel in now]
    if len(wheels) < 2:
        return {}
    turns = np.array([_turn_deg(now[w]) - _turn_deg(then[w]) for w in wheels])
    apart = _wrapped(turns[:, None] - turns[None, :])
    most_alike = int(np.argmin(np.abs(apart).sum(0)))
    rolled = abs(_wrapped(turns[most_alike])) > STANDING_DEG
    most_deg = ALIKE_ROLLED_DEG if rolled else ALIKE_STANDING_DEG
    off_deg = apart[:, most_alike]
    return {w: float(d) for w, d in zip(wheels, off_deg, strict=True) if abs(d) > most_deg}


def _turn_deg(T_wheels_plate: NDArray) -> float:
    """How a plate's x axis is turned about the wheels' y axis."""
    return float(np.degrees(np.arctan2(T_wheels_plate[0, 0], T_wheels_plate[2, 0])))


def _wrapped(deg: NDArray) -> NDArray:
    return (deg + 180) % 360 - 180
