"""Moves, in a technician's words, of targets that are set up by range and bearing, and of mats."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from vision.advice import (
    LABELS,
    JudgedValue,
    Move,
    Reach,
    Standing,
    Units,
    after_shift,
    needed_change,
    plan_moves,
)
from vision.kit import WHEELS, Placement

AXLE_WORDS = {"front_axle": "the middle of the front axle", "rear_axle": "the middle of the rear axle"}


def origin_words(at: str) -> str:
    """What a person calls the place where range and bearing start."""
    if at in AXLE_WORDS:
        return AXLE_WORDS[at]
    if at in WHEELS:
        return f"the {at.replace('_', ' ')} wheel"
    return f"the datum '{at}'"


def standing_of(
    placement: Placement,
    is_mat: bool,
    judged: Mapping[str, JudgedValue],
    measured: Mapping[str, float],
    units: Units,
    hints: tuple[str, ...] = (),
) -> Standing:
    """What makes a placement's target another than a board ahead, for advice.advise and advice.plan_moves."""
    return Standing(
        facing_rad=math.remainder(placement.facing_rad, math.tau),
        more=partial(polar_moves, judged, measured, placement, units, "mat" if is_mat else "target"),
        instead=tuple(mat_moves(judged, units)) if is_mat else None,
        hints=hints,
    )


@dataclass(frozen=True)
class Stand:
    """A target as it stands, with all that its moves depend on.

    Attributes:
        judged: The required values, as the moves count them (judge.as_turns).
        measured: All measured values, by name.
    """

    placement: Placement
    is_mat: bool
    judged: Mapping[str, JudgedValue]
    measured: Mapping[str, float]
    reach: Reach

    def standing(self, units: Units) -> Standing:
        return standing_of(self.placement, self.is_mat, self.judged, self.measured, units)

    def moves(self, units: Units) -> tuple[Move, ...]:
        """As advice.plan_moves."""
        return plan_moves(self.judged, self.measured, self.reach, units, self.standing(units))


def polar_moves(
    judged: Mapping[str, JudgedValue],
    measured: Mapping[str, float],
    placement: Placement,
    units: Units,
    what: str,
    carried_mm: NDArray,
) -> list[Move]:
    """What is left to shift along and across the way from the origin, or along its axis for the gap.

    Args:
        what: target or mat.
        carried_mm: (3,) how far the turns carry the reference point, in the vehicle's axes.
    """
    origin = placement.origin
    if origin is None or "bearing_deg" not in measured:
        return []
    start = origin_words(origin.at)
    range_mm = measured["range_mm"]
    towards_rad = origin.axis_rad + math.radians(measured["bearing_deg"])
    along = np.array([math.cos(towards_rad), math.sin(towards_rad)])
    across = np.array([-along[1], along[0]])
    axis = np.array([math.cos(origin.axis_rad), math.sin(origin.axis_rad)])
    carried = {
        "range_mm": float(along @ carried_mm[:2]),
        "bearing_deg": math.degrees(float(across @ carried_mm[:2]) / range_mm),
        "gap_mm": float(axis @ carried_mm[:2]),
    }
    moves = []
    for key, by in carried.items():
        if key not in judged:
            continue
        after = after_shift(key, judged[key], by)
        amount = needed_change(key, after)
        if after.decision == "conforming" or abs(amount) <= after.u:
            continue
        if key == "bearing_deg":
            side = "left" if amount > 0 else "right"
            length = units.length(range_mm * math.radians(abs(amount)))
            says = (
                f"Move the {what} {length} to the {side}, seen from {start}, square to the way from there "
                f"({abs(amount):.2f} degrees)."
            )
        elif key == "gap_mm":
            way = _along_axis(origin.axis_rad + (math.pi if amount < 0 else 0.0))
            says = f"Move the {what} {units.length(abs(amount))} {way}: the gap counts from {start}."
        else:
            way = "away from" if amount > 0 else "toward"
            says = f"Move the {what} {units.length(abs(amount))} {way} {start}."
        moves.append(Move(key, amount, says))
    return moves


def _along_axis(direction_rad: float) -> str:
    """A direction about Z in words: by the vehicle's own ones where it is one of them to a degree."""
    degrees = math.degrees(direction_rad) % 360
    for at, words in _WAYS.items():
        if abs(math.remainder(degrees - at, 360)) < 1:
            return words
    left = math.remainder(degrees, 360)
    return f"in the direction {abs(left):.0f} degrees to the {'left' if left > 0 else 'right'} of forward"


_WAYS = {
    0: "forward (as the vehicle drives)",
    90: "to the vehicle's left (as seen sitting in it)",
    180: "rearward (as the vehicle drives)",
    270: "to the vehicle's right (as seen sitting in it)",
}


def polar_hints(judged: Mapping[str, JudgedValue]) -> tuple[str, ...]:
    """A bearing to the wrong side, told by its size."""
    value = judged.get("bearing_deg")
    if value is None or value.decision != "nonconforming":
        return ()
    half_width = max(value.tolerance.minus, value.tolerance.plus)
    nominal = value.tolerance.nominal
    is_apart = abs(nominal) > 2 * (half_width + value.u)
    if not is_apart or abs(value.value + nominal) > half_width + 2 * value.u:
        return ()
    where, other = ("left", "right") if value.value > 0 else ("right", "left")
    return (
        f"The target stands at {abs(value.value):.1f} degrees to the {where}; the same angle to the {other} "
        "is required: are left and right mixed up? (Left is positive.)",
    )


def mat_moves(judged: Mapping[str, JudgedValue], units: Units) -> list[Move]:
    """How a mat is turned, shifted and smoothed: it turns about its own mark, which then stays."""
    moves = []
    for key, value in judged.items():
        amount = needed_change(key, value)
        if value.decision == "conforming" or abs(amount) <= value.u:
            continue
        says = _mat_words(key, amount, units)
        if says:
            moves.append(Move(key, amount, says))
    order = {"heading_deg": 0, "flatness_mm": 1}
    return sorted(moves, key=lambda move: order.get(move.key, 2))


def _mat_words(key: str, amount: float, units: Units) -> str:
    if key == "heading_deg":
        sense = "counter-clockwise" if amount > 0 else "clockwise"
        return f"Turn the mat {abs(amount):.2f} degrees {sense} seen from above, about its mark."
    if key == "flatness_mm":
        return "Smooth the mat: pull it flat, and take away what lies under it."
    if key == "distance_mm":
        way = "forward" if amount > 0 else "rearward"
        return f"Move the mat {units.length(abs(amount))} {way} (as the vehicle drives)."
    if key == "lateral_mm":
        way = "left" if amount > 0 else "right"
        return f"Move the mat {units.length(abs(amount))} to the vehicle's {way} (as seen sitting in it)."
    if key in ("tilt_along_deg", "tilt_across_deg", "height_mm"):
        return f"The mat's {LABELS[key]} cannot be set by moving it: see what lies under it, and the floor."
    return ""  # range, bearing, gap: polar_moves
