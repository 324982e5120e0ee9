"""A result's advice -> moves with arrows as seen from where a person stands, in this device's units.

The core words each move; its words are looked for in the advice that the result keeps, so that nothing is
shown that the result did not say. Two places to stand: at the target with the face to the vehicle, and
sitting in the vehicle.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from api.figures import Figures
from calib_data.convert import to_kit
from calib_data.formats import KitFile
from calib_data.stand import judged_of, measured_of, placement_of
from vision.advice import MILLIMETRES, SHIFTS, reach
from vision.judge import as_turns
from vision.kit import Origin
from vision.other_moves import Stand

# The cosine of 25 degrees: an arrow that is further off its way would lead astray.
PLAIN = math.cos(math.radians(25))

# What lies so far from the line lies beside the vehicle (common practice: half of a narrow car's width).
BESIDE_MM = 700.0

Arrow = Literal["left", "right", "onward", "back", "up", "down", "turn_left", "turn_right", "tilt", "level"]


@dataclass(frozen=True)
class Said:
    """A sentence of the advice.

    Attributes:
        says: In this device's units.
        at_target, in_vehicle: The arrow, as seen by who stands at the target and looks at the vehicle, and
            by who sits in it; None where the sentence is no move.
    """

    says: str
    at_target: Arrow | None = None
    in_vehicle: Arrow | None = None


def said_moves(
    placement: Mapping[str, Any], kit_file: Mapping[str, Any], figures: Figures
) -> tuple[Said, ...]:
    """The advice of one placement of a result, in its order."""
    judged = as_turns(judged_of(placement))
    if not judged:
        return said_of_stand(placement["advice"], None, figures)
    kit = to_kit(KitFile.model_validate(kit_file))
    fixture = next(f for f in kit.fixtures if f.name == placement["fixture"])
    where = reach(fixture, next(t for t in fixture.targets if t.name == placement["target"]))
    stand = Stand(placement_of(placement), fixture.is_mat, judged, measured_of(placement), where)
    return said_of_stand(placement["advice"], stand, figures)


def said_of_stand(advice: Sequence[str], stand: Stand | None, figures: Figures) -> tuple[Said, ...]:
    """Sentences of advice, those that are moves of this stand with their arrows."""
    if stand is None:
        return tuple(Said(figures.words(says)) for says in advice)
    in_mm, shown = (stand.moves(units) for units in (MILLIMETRES, figures.units))
    by_words = {a.says: b for a, b in zip(in_mm, shown, strict=True)}
    measured, asked = stand.measured, stand.placement
    facing = _facing(measured, asked.facing_rad)
    out = []
    for says in advice:
        move = by_words.get(says)
        if move is None:
            out.append(Said(figures.words(says)))
            continue
        arrows = _turn_arrows(move.key, move.amount)
        if arrows is None and move.key in SHIFTS:
            arrows = _shift_arrows(move.key, move.amount, facing)
        if arrows is None and asked.origin is not None and "bearing_deg" in measured:
            arrows = _polar_arrows(move.key, move.amount, asked.origin, measured["bearing_deg"], facing)
        out.append(Said(figures.words(move.says), *(arrows or ())))
    return tuple(out)


def _facing(measured: Mapping[str, float], facing_rad: float) -> np.ndarray:
    """The way a person looks who stands at the target and faces the vehicle, (2,) in X forward, Y left.

    A target's x axis points away from the vehicle, at its yaw.
    """
    if "yaw_deg" not in measured:  # a mat: whoever stands at it looks across it at the body
        lateral_mm = measured.get("lateral_mm", 0.0)
        if abs(lateral_mm) > BESIDE_MM:
            return np.array([0.0, -math.copysign(1.0, lateral_mm)])
        return np.array([1.0, 0.0]) if measured.get("distance_mm", 0.0) < 0 else np.array([-1.0, 0.0])
    yaw = np.radians(measured["yaw_deg"]) + facing_rad
    return -np.array([np.cos(yaw), np.sin(yaw)])


def _shift_arrows(key: str, amount: float, facing: np.ndarray) -> tuple[Arrow, Arrow]:
    if key == "height_mm":
        upward: Arrow = "up" if amount > 0 else "down"
        return upward, upward
    way = np.sign(amount) * (np.array([1.0, 0.0]) if key == "distance_mm" else np.array([0.0, 1.0]))
    return _arrow(way, facing), _arrow(way, np.array([1.0, 0.0]))


def _polar_arrows(
    key: str, amount: float, origin: Origin, bearing_deg: float, facing: np.ndarray
) -> tuple[Arrow, Arrow] | None:
    """Of a shift along or across the way from the origin; none where it runs askew to who sees it."""
    along = origin.axis_rad + (0.0 if key == "gap_mm" else math.radians(bearing_deg))
    if key == "bearing_deg":
        along += math.pi / 2
    way = math.copysign(1.0, amount) * np.array([math.cos(along), math.sin(along)])
    forward = np.array([1.0, 0.0])
    aside = [max(abs(way @ looks), abs(way @ (-looks[1], looks[0]))) for looks in (facing, forward)]
    is_plain = min(aside) > PLAIN
    return (_arrow(way, facing), _arrow(way, forward)) if is_plain else None


def _arrow(way: Sequence[float] | np.ndarray, looks: np.ndarray) -> Arrow:
    """A way along the floor, as seen by who looks along `looks`."""
    onward = float(np.dot(way, looks))
    leftward = float(np.dot(way, (-looks[1], looks[0])))
    if abs(leftward) > abs(onward):
        return "left" if leftward > 0 else "right"
    return "onward" if onward > 0 else "back"


def _turn_arrows(key: str, amount: float) -> tuple[Arrow, Arrow] | None:
    """Seen from above a turn looks alike from everywhere; what tips or levels is told by the words."""
    if key in ("yaw_deg", "heading_deg"):
        sense: Arrow = "turn_left" if amount > 0 else "turn_right"
        return sense, sense
    if key == "pitch_deg":
        return "tilt", "tilt"
    return ("level", "level") if key == "roll_deg" else None
