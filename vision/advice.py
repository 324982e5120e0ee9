"""Values and verdicts -> what to do next, in the technician's words.

Everything is worked out in the vehicle frame along the reference line (X forward, Y left, Z up) and
then said in words that need no frame: toward or away from the vehicle, to its left or right as seen
sitting in it, up or down. A target's x axis points away from the vehicle wherever the target stands,
so "toward" is minus target x, ahead, behind and beside alike.

**Order of the moves.** A plain shift leaves all three angles alone, but a turn carries the target's
reference point along unless that point lies on the turning axis. So the angles come first, then the
shifts, and each shift is what is left *after* the turns, taken about the middle of the fixture (of its
plates): with C fixed and c = C in the target frame, the reference point goes by (R_now - R_goal) c.
A target 300 mm beside the middle goes 5 mm toward the vehicle with a turn of 1 degree. Of the angles,
yaw first: a turn about the vertical leaves pitch and roll alone, and neither of those two, being small,
changes yaw. Of the shifts, those along the floor come first, as the floor may carry the height along.
"""

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.decide import (
    Verdict,
    acceptance_limits,
    decide_value,
    deciding_u,
    largest_usable_u,
    limits,
    near_nominal,
)
from vision.kit import Fixture, Target, Tolerance, Vehicle

CAUTION = (
    "This is a second check. It replaces neither the vehicle maker's procedure nor licensed practice "
    "nor local rules, and it covers only the place of the target."
)

ANGLES = ("yaw_deg", "pitch_deg", "roll_deg")
SHIFTS = ("distance_mm", "lateral_mm", "height_mm")

LABELS = {
    "distance_mm": "distance",
    "lateral_mm": "lateral offset",
    "height_mm": "height",
    "yaw_deg": "yaw",
    "pitch_deg": "pitch",
    "roll_deg": "roll",
    "pitch_plumb_deg": "pitch against the plumb line",
    "roll_plumb_deg": "roll against the plumb line",
    "range_mm": "range",
    "bearing_deg": "bearing",
    "gap_mm": "gap",
    "heading_deg": "heading",
    "tilt_along_deg": "tilt along",
    "tilt_across_deg": "tilt across",
    "flatness_mm": "flatness",
    "spacing_mm": "spacing",
    "distance_difference_mm": "distances apart",
    "lateral_difference_mm": "sideways apart",
    "height_difference_mm": "heights apart",
    "symmetry_mm": "symmetry",
    "parallelism_deg": "parallelism",
}

Side = Literal["ahead", "behind", "left", "right"]

# Where the end of the fixture that its +y axis points to is found, by the side on which it stands.
Y_END = {
    "ahead": "on the vehicle's left",
    "behind": "on the vehicle's right",
    "left": "toward the vehicle's rear",
    "right": "toward the vehicle's front",
}

# Targets are set up to within about the tolerance: that is the standard deviation with which one stands from
# the place that was meant; common practice, no source. One in a thousand is further off than 3.3 of them.
FARTHEST_SET_UP = 3.3

# Overhangs are declared without an uncertainty; common practice, no source: a bumper's edge is found
# with tape and plumb bob to about a centimetre.
U_OVERHANG_MM = 10.0

# What a line of the budget stands for, and what betters it. "image" depends on the value: `_stations`.
CAUSES = {
    "lens": (
        "the lens",
        "take more photos, with the phone upright in some and on its side in others, or make a camera "
        "profile beforehand",
    ),
    "refocus": (
        "the phone's focusing anew for each photo",
        "lock the focus if the phone can, and take more photos",
    ),
    "read_out": (
        "movement of the phone while a photo is read out",
        "hold the phone still, make more light, and take more photos",
    ),
    "print_scale": (
        "the size of the printed plates",
        "measure the printed rulers again with a better rule and enter printed_scale with its u and the "
        "rule's own u_ruler_scale, or lay a scale bar",
    ),
    "unchecked_sheets": (
        "plates whose printed scale these photos do not show",
        "photograph each plate that is named under what was not checked from a second place, some metres "
        "to the side, together with other plates",
    ),
    "flatness": (
        "plates that may not be flat",
        "glue the sheets to stiff flat boards, check them with a straightedge and enter u_bow_mm",
    ),
    "clamps": (
        "the wheel clamps",
        "measure standoff, eccentricity and tilt of the clamps better (two positions of the wheel, half a "
        "turn apart, give eccentricity and tilt)",
    ),
    "fixture": (
        "the fixture",
        "measure better where the plates and the target sit on the fixture and how they are turned",
    ),
    "floor": (
        "the floor",
        "put more floor plates down, near the wheels and near the fixture, flat, and measure how flat it is",
    ),
    "kit": (
        "errors of the kit that weigh on the two rounds unlike",
        "leave plates, clamps and fixture as they hang in both rounds, and measure them better",
    ),
    "scale_bars": ("the scale bar", "have its length measured better and enter the smaller u_length_mm"),
    "levels": (
        "how well a plate shows the plumb line",
        "hang one more plate free, out of the wind, or lay it on what a finer level has levelled, and enter "
        "its smaller u",
    ),
    "declared": (
        "what is declared about the vehicle",
        "hang clamps on all four wheels and lay floor plates, or measure track, wheel radius and datum "
        "plate better",
    ),
}


_MILLIMETRES = re.compile(
    r"(?P<sign>[-+\N{MINUS SIGN}]?)(?P<figure>\d+(?:\.(?P<decimals>\d+))?)[ \N{NO-BREAK SPACE}]mm\b"
    r"(?! equivalent| in each metre)"
)


@dataclass(frozen=True)
class Units:
    """How lengths are said. `decimals` below 10 mm, one fewer from there on; angles are in degrees."""

    name: str
    mm: float
    decimals: int

    def length(self, length_mm: float) -> str:
        decimals = self.decimals if abs(length_mm) < 10 else self.decimals - 1
        return f"{length_mm / self.mm:.{decimals}f} {self.name}"

    def words(self, text: str, space: str = " ") -> str:
        """A sentence worded in millimetres, with the lengths that it tells in this unit.

        Two decimals more are as fine: a hundredth of an inch is a quarter of a millimetre. Focal lengths stay
        in millimetres, as everywhere, and a gain has no unit.
        """
        if self.mm == 1:
            return text

        def converted(length: re.Match[str]) -> str:
            decimals = len(length["decimals"] or "") + 2
            return f"{length['sign']}{float(length['figure']) / self.mm:.{decimals}f}{space}{self.name}"

        return _MILLIMETRES.sub(converted, text)

    def uncertainty(self, key: str, u: float) -> str:
        """An uncertainty, with one decimal more than the value itself."""
        if key.endswith("_mm"):
            return f"{u / self.mm:.{self.decimals + 1}f} {self.name}"
        return f"{u:.3f} degrees"


MILLIMETRES = Units("mm", 1.0, 1)
INCHES = Units("in", 25.4, 3)


@dataclass(frozen=True)
class JudgedValue:
    """A measured value with what is required of it, in the unit that its name ends with."""

    value: float
    u: float
    tolerance: Tolerance
    decision: Verdict


@dataclass(frozen=True)
class Reach:
    """How far the fixture's plates lie from its middle, and where that middle is.

    `half_width_mm` is half the plates' span along the target's y; 0 with a single plate.
    """

    half_width_mm: float
    middle_in_target_mm: tuple[float, float, float]


@dataclass(frozen=True)
class Datum:
    """A place where a distance may start: its X in the vehicle frame, and what a person calls it."""

    x_mm: float
    u_mm: float
    says: str


@dataclass(frozen=True)
class Move:
    """One thing to do: by how much the value `key` is to change, and the words for it."""

    key: str
    amount: float
    says: str


def reach(fixture: Fixture, target: Target) -> Reach:
    """Where the fixture's plates are, as seen from the target: they mark the ends to measure at."""
    positions_in_fixture_mm = np.stack([mount.T_fixture_plate[:3, 3] for mount in fixture.mounts])
    return reach_of_plates(geometry.apply(geometry.invert(target.T_fixture_target), positions_in_fixture_mm))


def reach_of_plates(in_target_mm: NDArray) -> Reach:
    """Args: in_target_mm: (n, 3) the plates' origins in the target's frame."""
    low, high = in_target_mm.min(axis=0), in_target_mm.max(axis=0)
    x, y, z = ((low + high) / 2).tolist()
    return Reach(float(high[1] - low[1]) / 2, (x, y, z))


def declared_datums(vehicle: Vehicle) -> dict[str, Datum]:
    """The places along the vehicle that its declared lengths fix, from the front axle."""
    datums = {"front_axle": Datum(0.0, 0.0, "the front axle")}
    if vehicle.overhang_front_mm is not None:
        datums["front_edge"] = Datum(vehicle.overhang_front_mm, U_OVERHANG_MM, "the front edge of the bumper")
    if vehicle.wheelbase_mm is None:
        return datums
    datums["rear_axle"] = Datum(-vehicle.wheelbase_mm, vehicle.u_wheelbase_mm, "the rear axle")
    if vehicle.overhang_rear_mm is not None:
        datums["rear_edge"] = Datum(
            -vehicle.wheelbase_mm - vehicle.overhang_rear_mm,
            math.hypot(vehicle.u_wheelbase_mm, U_OVERHANG_MM),
            "the rear edge of the bumper",
        )
    return datums


def advise(
    judged: Mapping[str, JudgedValue],
    measured: Mapping[str, float],
    reach: Reach,
    budget: Mapping[str, Mapping[str, float]],
    datum: str,
    datums: Mapping[str, Datum],
    failed_tests: tuple[str, ...],
    units: Units = MILLIMETRES,
    standing: "Standing | None" = None,
) -> tuple[str, ...]:
    """All advice for one placement, in the order in which one would follow it.

    Args:
        judged: The required values that were measured.
        measured: All measured values, required or not, by name.
        budget: For each of these values the share of its variance by cause.
        datum: The name, in `datums`, from which the distance counts.
        failed_tests: What failed consistency tests say. Nothing is to be moved on numbers that
            contradict each other, so these take the place of all moves.
        standing: What makes the target another than a board ahead.
    """
    standing = standing or Standing()
    hints = (*recognise(judged, datum, datums, units), *standing.hints)
    if failed_tests:
        return (*(f"Do not move the target on these numbers. {test}" for test in failed_tests), *hints)
    return follow(judged, measured, reach, budget, hints, units, standing)


def follow(
    judged: Mapping[str, JudgedValue],
    measured: Mapping[str, float],
    reach: Reach,
    budget: Mapping[str, Mapping[str, float]],
    hints: Sequence[str],
    units: Units,
    standing: "Standing",
    again: str = "Then photograph again, as a new set.",
) -> tuple[str, ...]:
    """Hints, then the moves, then what would settle what no move settles; arguments as of `advise`.

    Args:
        again: What follows the moves.
    """
    moves = plan_moves(judged, measured, reach, units, standing)
    moved = {move.key for move in moves}
    behind = _side(judged, measured, standing.facing_rad) == "behind"
    open_keys = [
        key
        for key, value in judged.items()
        if value.decision == "undecided"
        or (value.decision == "nonconforming" and value.u >= largest_usable_u(value.tolerance))
    ]
    by_move = [
        key for key in open_keys if key in moved and judged[key].u < largest_usable_u(judged[key].tolerance)
    ]
    settling = tuple(
        settle(key, judged[key], budget[key], behind, units) for key in open_keys if key not in by_move
    )
    if not moves:
        return (*hints, *settling)
    condition = ("If the requirement is right as it was entered:",) if hints else ()
    closing = f"{again}{_settled_by_moves(by_move)}"
    return (*hints, *condition, *(move.says for move in moves), closing, *settling)


def _settled_by_moves(keys: Sequence[str]) -> str:
    if not keys:
        return ""
    labels = " and ".join(LABELS[key] for key in keys)
    return f" The moves settle what is undecided now ({labels}): near nominal u is small enough."


def _no_more(_carried_mm: NDArray) -> list["Move"]:
    return []


@dataclass(frozen=True)
class Standing:
    """What makes a target another than a board ahead of the vehicle.

    Attributes:
        more: Further moves, given how far (3,) mm the turns carry the reference point, in vehicle axes.
        instead: All moves, where none of a board's fits (a mat).
        hints: Mistakes recognised by what else the placement could mean.
    """

    facing_rad: float = 0.0
    more: Callable[[NDArray], Sequence["Move"]] = _no_more
    instead: tuple["Move", ...] | None = None
    hints: tuple[str, ...] = ()


def plan_moves(
    judged: Mapping[str, JudgedValue],
    measured: Mapping[str, float],
    reach: Reach,
    units: Units,
    standing: Standing | None = None,
) -> tuple[Move, ...]:
    """The moves that bring the target to nominal, angles first, then what is then left to shift.

    A conforming value gets none, unless a turn would carry it out of its zone. Nor does an offset
    within u: nobody can say in which direction such a target would have to go.
    """
    standing = standing or Standing()
    if standing.instead is not None:
        return (*standing.instead, *standing.more(np.zeros(3)))
    side = _side(judged, measured, standing.facing_rad)
    turns = []
    for key in ANGLES:
        if key in judged:
            offset = needed_change(key, judged[key])
            if judged[key].decision != "conforming" and abs(offset) > judged[key].u:
                turns.append(Move(key, offset, _turn_words(key, offset, side, reach, units)))
    carried_mm = _carried(turns, measured, reach, standing.facing_rad)
    shifts = []
    for axis, key in enumerate(SHIFTS):
        if key in judged:
            after = after_shift(key, judged[key], float(carried_mm[axis])) if turns else judged[key]
            offset = needed_change(key, after)
            if after.decision != "conforming" and abs(offset) > after.u:
                shifts.append(Move(key, offset, _shift_words(key, offset, after, side, units)))
    return (*turns, *shifts, *standing.more(carried_mm))


def recognise(
    judged: Mapping[str, JudgedValue],
    datum: str,
    datums: Mapping[str, Datum],
    units: Units = MILLIMETRES,
) -> tuple[str, ...]:
    """Gross mistakes that the size of a deviation gives away, each as a question to the technician."""
    hints = []
    if "distance_mm" in judged:
        hints.append(_wrong_datum(judged["distance_mm"], datum, datums, units))
        if _is_mirrored(judged["distance_mm"]):
            hints.append(
                "The target stands as far from the datum as required, but on its other side: a distance "
                "ahead of the datum is positive, one behind it negative. Check the sign."
            )
    if "lateral_mm" in judged and _is_mirrored(judged["lateral_mm"]):
        value, nominal = judged["lateral_mm"].value, judged["lateral_mm"].tolerance.nominal
        where, other = ("left", "right") if value > 0 else ("right", "left")
        hints.append(
            f"The target stands {units.length(abs(value))} to the vehicle's {where}; "
            f"{units.length(abs(nominal))} to its {other} are required: are left and right mixed up? "
            "(Left is positive.)"
        )
    if "yaw_deg" in judged and _faces_the_other_way(judged["yaw_deg"]):
        hints.append(
            "The target faces the other way: it is turned round, or its nominal yaw is (a target behind "
            "the vehicle stands at 180 degrees)."
        )
    return tuple(hint for hint in hints if hint)


def settle(
    key: str, judged: JudgedValue, budget: Mapping[str, float], behind: bool, units: Units = MILLIMETRES
) -> str:
    """What would settle a value that no move settles: a smaller u, and how to get it.

    Args:
        budget: Cause -> share of this value's variance; the causes that have to shrink are named,
            largest first, as far down the list as it takes, three at most.
    """
    label, u_now = LABELS[key].capitalize(), units.uncertainty(key, judged.u)
    largest = largest_usable_u(judged.tolerance)
    if judged.u >= largest:
        needed = largest
        why = (
            f"{label}: no move settles it. With u = {u_now} no place of the target could be shown to "
            f"conform; u must come well below {units.uncertainty(key, needed)}."
        )
    else:
        value = judged.tolerance.nominal + _deviation(key, judged)
        needed = deciding_u(value, judged.u, judged.tolerance)
        why = f"{label}: u is {u_now}; below {units.uncertainty(key, needed)} it would be decided."
    return " ".join([why, *_smaller_u_words(key, judged.u, needed, budget, behind)])


def cautions(not_checked: tuple[str, ...]) -> tuple[str, ...]:
    """What every page says besides the numbers; `not_checked` is what these photos cannot show."""
    return (CAUTION, *(f"{what[0].upper()}{what[1:]}: not checked here." for what in not_checked))


def _deviation(key: str, judged: JudgedValue) -> float:
    """Value minus nominal; angles by the shorter turn."""
    nominal = judged.tolerance.nominal
    return near_nominal(key, judged.value, nominal) - nominal


def needed_change(key: str, judged: JudgedValue) -> float:
    """What has to be added to the value to bring it to where it should be.

    That is nominal, unless `minus` and `plus` are so unequal that a result there would not conform:
    then it is the middle between the limits.
    """
    nominal, lower_upper = judged.tolerance.nominal, limits(judged.tolerance)
    accepted = acceptance_limits(judged.u, judged.tolerance)
    aim = nominal if accepted and accepted[0] <= nominal <= accepted[1] else sum(lower_upper) / 2
    return aim - nominal - _deviation(key, judged)


def _side(judged: Mapping[str, JudgedValue], measured: Mapping[str, float], facing_rad: float = 0.0) -> Side:
    """On which side of the vehicle the target stands, from the way in which it is meant to face."""
    if "yaw_deg" in judged:
        yaw_rad = math.radians(judged["yaw_deg"].tolerance.nominal)
    elif "yaw_deg" in measured:
        yaw_rad = math.radians(measured["yaw_deg"])
    else:
        return "behind" if measured.get("distance_mm", 0.0) < 0 else "ahead"
    forward, left = math.cos(facing_rad + yaw_rad), math.sin(facing_rad + yaw_rad)
    if abs(forward) >= abs(left):
        return "ahead" if forward > 0 else "behind"
    return "left" if left > 0 else "right"


def _carried(turns: list[Move], measured: Mapping[str, float], reach: Reach, facing_rad: float) -> NDArray:
    """How far these turns, about the fixture's middle, carry the reference point: (3,) mm, vehicle axes."""
    now_rad = np.radians([measured.get(key, 0.0) for key in ANGLES]) + [facing_rad, 0.0, 0.0]
    change_rad = np.zeros(3)
    for turn in turns:
        change_rad[ANGLES.index(turn.key)] = math.radians(turn.amount)
    R_now, R_goal = geometry.rz_ry_rx(*now_rad), geometry.rz_ry_rx(*(now_rad + change_rad))
    return (R_now - R_goal) @ np.array(reach.middle_in_target_mm)


def after_shift(key: str, judged: JudgedValue, by: float) -> JudgedValue:
    """The value once it is changed by so much, in its own unit, and what it then comes to."""
    value = near_nominal(key, judged.value + by, judged.tolerance.nominal)
    decision = decide_value(value, judged.u, judged.tolerance).decision
    return JudgedValue(value, judged.u, judged.tolerance, decision)


def _turn_words(key: str, amount: float, side: Side, reach: Reach, units: Units) -> str:
    """Positive yaw brings the fixture's +y end toward the vehicle, positive roll raises it, and
    positive pitch takes the top away from the vehicle."""
    angle = f"{abs(amount):.2f} degrees"
    if key == "pitch_deg":
        top, face = ("away from", "up") if amount > 0 else ("toward", "down")
        return (
            f"Tilt the top of the target {top} the vehicle by {angle}, so that the face looks further {face}."
        )
    if key == "yaw_deg":
        sense = "counter-clockwise" if amount > 0 else "clockwise"
        words = f"Turn the target {angle} {sense} seen from above, about the middle of the fixture"
        goes, back = ("toward", "away from") if amount > 0 else ("away from", "toward")
        goes, back = f"{goes} the vehicle", f"{back} it"
    else:
        words = f"Level the target by {angle}"
        goes, back = ("up", "down") if amount > 0 else ("down", "up")
    end_mm = reach.half_width_mm * math.sin(math.radians(abs(amount)))
    if end_mm == 0 or abs(amount) > 45:  # beyond that, millimetres at the ends help nobody
        return f"{words}: the end {Y_END[side]} goes {goes}."
    return (
        f"{words}: the end {Y_END[side]} goes {units.length(end_mm)} {goes}, the other end as much {back} "
        f"(at the plates, {units.length(reach.half_width_mm)} from the middle)."
    )


def _shift_words(key: str, amount: float, judged: JudgedValue, side: Side, units: Units) -> str:
    length = units.length(abs(amount))
    if key == "height_mm":
        return f"{'Raise' if amount > 0 else 'Lower'} the target by {length}."
    if key == "lateral_mm":
        where = "left" if amount > 0 else "right"
        return f"Move the target {length} to the vehicle's {where} (as seen sitting in it)."
    nominal = judged.tolerance.nominal
    if side in ("left", "right") or nominal * judged.value <= 0:
        where = "forward" if amount > 0 else "rearward"
        return f"Move the target {length} {where} (as the vehicle drives)."
    where = "away from" if amount * nominal > 0 else "toward"
    return f"Move the target {length} {where} the vehicle."


def _is_explained(judged: JudgedValue, off: float, left: float, *us: float) -> bool:
    """Whether a mistake leaves a deviation that setting up has, where there was none that it has.

    Args:
        off: The value's deviation from nominal.
        left: What is left of it if the mistake was made.
        us: Uncertainties of the mistake's size.
    """
    half_width = max(judged.tolerance.minus, judged.tolerance.plus)
    farthest = FARTHEST_SET_UP * math.hypot(half_width, judged.u, *us)
    return abs(left) <= farthest < abs(off)


def _is_mirrored(judged: JudgedValue) -> bool:
    """Set up at minus nominal."""
    nominal = judged.tolerance.nominal
    return _is_explained(judged, judged.value - nominal, judged.value + nominal)


def _faces_the_other_way(judged: JudgedValue) -> bool:
    off_deg = abs(_deviation("yaw_deg", judged))
    return _is_explained(judged, off_deg, 180 - off_deg)


def _wrong_datum(judged: JudgedValue, datum: str, datums: Mapping[str, Datum], units: Units) -> str:
    """A target set up from datum B but judged from datum A is off by X_B - X_A."""
    if datum not in datums:
        return ""
    off_mm, origin = _deviation("distance_mm", judged), datums[datum]
    misses = {}
    for name, other in datums.items():
        left_mm = off_mm - (other.x_mm - origin.x_mm)
        if name != datum and _is_explained(judged, off_mm, left_mm, origin.u_mm, other.u_mm):
            misses[name] = abs(left_mm)
    if not misses:
        return ""
    name = min(misses, key=misses.__getitem__)
    return (
        f"The distance deviates by {units.length(off_mm)}; that deviation is about "
        f"{_length_between(datum, name, datums)}: was the distance meant from {datums[name].says}?"
    )


def _length_between(a: str, b: str, datums: Mapping[str, Datum]) -> str:
    names = {
        frozenset(("front_axle", "rear_axle")): "the wheelbase",
        frozenset(("front_axle", "front_edge")): "the front overhang",
        frozenset(("rear_axle", "rear_edge")): "the rear overhang",
    }
    return names.get(frozenset((a, b)), f"the way from {datums[a].says} to {datums[b].says}")


def _smaller_u_words(
    key: str, u: float, needed: float, budget: Mapping[str, float], behind: bool
) -> list[str]:
    """The largest causes, until what is left without them would be below the u needed.

    Three at most: nobody betters more than that at once, and the next set tells what is left.
    """
    words: list[str] = []
    left = 1.0
    for cause in sorted(budget, key=lambda cause: -budget[cause])[:3]:
        noun, remedy = _cause_words(cause, key, behind)
        lead = "Next" if words else "Most comes from"
        words.append(f"{lead} {noun} ({100 * budget[cause]:.0f} % of the variance): {remedy}.")
        left -= budget[cause]
        if u * math.sqrt(max(left, 0.0)) < needed:
            break
    return words


def _cause_words(cause: str, key: str, behind: bool) -> tuple[str, str]:
    if cause == "image":
        return "the photos", f"take more, {_stations(key, behind)}"
    return CAUSES.get(cause, (cause.replace("_", " "), "measure it better and enter the smaller u"))


def _stations(key: str, behind: bool) -> str:
    """Where the next photos help a value most, as simulated rounds of photos showed."""
    near, far, along = ("rear", "front", "rearward") if behind else ("front", "rear", "forward")
    if key == "distance_mm":
        return (
            f"one on each side from beside the {far} wheels, about 2 m out, phone held high and looking "
            f"{along}, with wheels and fixture in the same photo"
        )
    if key in ("lateral_mm", "yaw_deg", "bearing_deg", "symmetry_mm"):
        return (
            f"one on each side from between the {near} wheels and the fixture, about 2 m out, with the "
            "fixture and at least two wheels in the same photo"
        )
    return "one on each side with the phone held overhead, with floor plates and fixture in the same photo"
