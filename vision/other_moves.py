"""Moves, in a technician's words, of targets that are set up by range and bearing, of mats, and of pairs."""

import math
from collections.abc import Mapping, Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from vision.advice import (
    LABELS,
    JudgedValue,
    Move,
    Standing,
    Units,
    after_shift,
    largest_usable_u,
    needed_change,
    settle,
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


def pair_advice(
    judged: Mapping[str, JudgedValue],
    names: tuple[str, str],
    budget: Mapping[str, Mapping[str, float]],
    contradiction: Sequence[str],
    units: Units,
) -> tuple[str, ...]:
    """What brings two targets together as required; what would settle what no move settles."""
    if contradiction:
        return tuple(f"Do not move the targets on these numbers. {says}" for says in contradiction)
    moves, settling = [], []
    for key, value in judged.items():
        is_too_wide = value.u >= largest_usable_u(value.tolerance)
        amount = needed_change(key, value)
        if value.decision != "conforming" and abs(amount) > value.u:
            moves.append(_pair_words(key, amount, names, units))
        elif value.decision == "undecided":
            is_too_wide = True
        if value.decision != "conforming" and is_too_wide:
            settling.append(settle(key, value, budget[key], False, units))
    again = ("Then photograph again, as a new set.",) if moves else ()
    return (*moves, *again, *settling)


def _pair_words(key: str, amount: float, names: tuple[str, str], units: Units) -> str:
    one, other = (f"'{name}'" for name in names)
    by = units.length(abs(amount)) if key.endswith("_mm") else f"{abs(amount):.2f} degrees"
    up = amount > 0
    side = f"to the vehicle's {'left' if up else 'right'}"
    way = f"{'forward' if up else 'rearward'} (as the vehicle drives)"
    sense = "counter-clockwise" if up else "clockwise"
    return {
        "spacing_mm": f"Bring {one} and {other} {by} {'further apart' if up else 'closer together'}.",
        "distance_difference_mm": f"Move {one} {by} {way}, or {other} as much the other way.",
        "lateral_difference_mm": f"Move {one} {by} {side}, or {other} as much the other way.",
        "height_difference_mm": f"{'Raise' if up else 'Lower'} {one} by {by} against {other}.",
        "symmetry_mm": f"Move {one} and {other} together {by} {side}.",
        "parallelism_deg": f"Turn {one} {by} {sense} seen from above against {other}.",
    }[key]
