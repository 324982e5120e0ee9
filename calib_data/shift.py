"""What is required of the difference between two rounds of a visit, decided: near and far, stop after stop.

KINDS.md, "Shifts". The difference's covariance is the joint one of both rounds: what they share cancels
(compare.py). A shift conforms only where both rounds agree with themselves and the vehicle stayed, and only
where it would do so with what may have moved unseen within either round.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib_data.compare import COVERAGE_95, Sides, compare_results
from calib_data.formats import ShiftFile
from calib_data.stand import judged_of, measured_of, placement_of, reach_of
from vision.advice import LABELS, MILLIMETRES, JudgedValue, Reach, Units, after_shift, follow, needed_change
from vision.decide import PlacementDecision, decide_placement, near_nominal, undecided_by
from vision.judge import as_turns
from vision.kit import EVERY_KEY, LYING_KEYS, Tolerance
from vision.kit_effects import EACH_ROUNDS
from vision.other_moves import Stand

Json = dict[str, Any]

# A deviation is told to be whole stops, or a target not moved, where so little of it is left, in half-widths
# of the tolerance; common practice, no source.
EXPLAINED = 2.0
MOST_STOPS = 5


@dataclass(frozen=True, eq=False)
class Decided:
    """A shift with its two results.

    Attributes:
        told: The decision as JSON like that of a placement.
        stand: The later target as it stands, each value held against the earlier one plus what is
            required of the difference; None where no value can be told.
    """

    told: Json
    stand: Stand | None


def decide_shift(before: Json, after: Json, shift: ShiftFile, units: Units = MILLIMETRES) -> Decided:
    """The decision on two results (plumbsight.result/1) of one visit.

    Args:
        units: Of the lengths in words; figures stay in mm.
    """
    sides = Sides.of(before, after)
    required = {str(key): Tolerance(t.nominal, t.minus, t.plus) for key, t in shift.values.items()}
    at = [_index(result, name) for result, name in ((before, shift.from_), (after, shift.to))]
    both = [result["placements"][i] for result, i in zip((before, after), at, strict=True) if i is not None]
    missing = _missing(both, shift, sides)
    keys: tuple[str, ...] = ()
    if not missing:
        missing = {key: says for key in required if (says := _why_not(both, key))}
        keys = tuple(key for key in EVERY_KEY if key in required and key not in missing)
    values, covariance = np.zeros(0), np.zeros((0, 0))
    if keys:
        values = np.array([_difference(both, key, required[key].nominal) for key in keys])
        covariance = sides.covariance([(f"{at[0]}:{key}", f"{at[1]}:{key}") for key in keys])
    failed = _failed(before, after)
    decision = decide_placement(required, keys, values, covariance, missing, failed)
    if decision.decision == "conforming":
        moved = _if_moved(covariance, _unseen(before, after, at, keys))
        if decide_placement(required, keys, values, moved, missing, ()).decision != "conforming":
            unseen = "the photos of one of the rounds do not exclude that something moved between them."
            decision = decide_placement(required, keys, values, covariance, missing, (unseen,))
    distrusted = before.get("distrusted") or after.get("distrusted")
    if distrusted:
        decision = undecided_by(decision, distrusted)
    told: Json = {
        "name": shift.name,
        "from": shift.from_,
        "to": shift.to,
        "decision": decision.decision,
        "values": {key: _value(key, required[key], keys, values, covariance, decision) for key in required},
        "says": list(decision.says),
        "advice": [],
    }
    if not keys or distrusted:
        return Decided(told, None)
    stand = _stand_now(both, told, reach_of(after, at[1] or 0))
    if failed:
        if decision.decision == "nonconforming":
            told["advice"] = [f"Do not move the target on these numbers. In the {failed[0]}"]
        return Decided(told, None)
    budget = {key: _shares(both, key, told["values"][key]["u"], sides) for key in keys}
    hints = _hints(shift, required, keys, values, decision, units)
    told["advice"] = [*_advice(shift, both[1], stand, budget, hints, units)]
    return Decided(told, stand)


def cannot_decide(shift: ShiftFile, why: str) -> Json:
    """A shift whose two results are not both there, as `decide_shift` would tell one."""
    return {
        "name": shift.name,
        "from": shift.from_,
        "to": shift.to,
        "decision": "undecided",
        "values": {
            str(key): {"value": None, "says": why, **t.model_dump(), "decision": "undecided"}
            for key, t in shift.values.items()
        },
        "says": [why],
        "advice": [],
    }


def _index(result: Json, name: str) -> int | None:
    return next((i for i, p in enumerate(result["placements"]) if p["name"] == name), None)


def _missing(both: Sequence[Json], shift: ShiftFile, sides: Sides) -> dict[str, str]:
    """Why nothing can be said at all, for every required value; empty where something can."""
    says = ""
    if len(both) < 2:
        says = (
            f"The placements '{shift.from_}' in the first round and '{shift.to}' in the second are not both "
            "there. Measure each in its round, or correct the names."
        )
    elif not sides.is_comparable:
        says = "Something moved between the photos of one round, so there is no one state to compare with."
    elif both[0]["reference_line"] != both[1]["reference_line"]:
        says = "The two placements count from different reference lines. Let both use the same."
    return dict.fromkeys(map(str, shift.values), says) if says else {}


def _why_not(both: Sequence[Json], key: str) -> str:
    for placement in both:
        value = placement["values"].get(key)
        if value is None:
            return (
                f"'{placement['name']}' has no such value: it needs an origin, or is another kind of target."
            )
        if value["value"] is None:
            return str(value.get("says") or "This was not measured in one of the rounds.")
    one, other = both
    if key == "distance_mm" and one["datum"] != other["datum"]:
        return "The two placements' distances count from different datums. Let both use the same."
    if key in ("range_mm", "bearing_deg", "gap_mm") and one.get("origin") != other.get("origin"):
        return "The two placements count from different origins. Let both use the same."
    return ""


def _difference(both: Sequence[Json], key: str, nominal: float) -> float:
    change = float(both[1]["values"][key]["value"] - both[0]["values"][key]["value"])
    return near_nominal(key, change, nominal)


def _failed(before: Json, after: Json) -> tuple[str, ...]:
    """What speaks against either round, or against their having the vehicle in common."""
    failed = [
        f"{which} round: {test['says']}"
        for which, result in (("first", before), ("second", after))
        for test in result["tests"]
        if not test["ok"]
    ]
    moved = [d.key for d in compare_results(before, after).vehicle if d.is_moved]
    if moved:
        failed.append(
            f"between the rounds {', '.join(moved)} changed: the vehicle, a wheel's clamp or the steering "
            "moved."
        )
    return tuple(failed)


def _unseen(before: Json, after: Json, at: Sequence[int | None], keys: Sequence[str]) -> list[NDArray]:
    """Of each move that a round does not exclude, what it does to the differences: (directions, values)."""
    out = []
    for result, index in ((before, at[0]), (after, at[1])):
        for move in result.get("unseen_moves", ()):
            effects = [move["effects"].get(f"{index}:{key}") for key in keys]
            if any(one is not None for one in effects):
                n = max(len(one) for one in effects if one is not None)
                out.append(np.array([one or [0.0] * n for one in effects]).T)
    return out


def _if_moved(covariance: NDArray, effects: Sequence[NDArray]) -> NDArray:
    """As vision.unseen.carried: variances that hold each of these moves, one at a time."""
    wider = covariance
    for effect in sorted(effects, key=lambda e: -((e**2).sum(0) / np.diag(covariance)).max()):
        excess = float(((effect**2).sum(0) / np.diag(wider)).max())
        if excess > 1:
            wider = wider + (1 - 1 / excess) * effect.T @ effect
    return wider


def _value(
    key: str,
    tolerance: Tolerance,
    keys: Sequence[str],
    values: NDArray,
    covariance: NDArray,
    decision: PlacementDecision,
) -> Json:
    verdict = decision.values[key]
    asked: Json = {"nominal": tolerance.nominal, "minus": tolerance.minus, "plus": tolerance.plus}
    asked["decision"] = verdict.decision
    if key not in keys:
        return {"value": None, "says": verdict.says, **asked}
    i = keys.index(key)
    value, u = float(values[i]), float(np.sqrt(covariance[i, i]))
    half = COVERAGE_95 * u
    return {"value": value, "u": u, "interval95": [value - half, value + half], **asked} | (
        {"p_conform": verdict.p_conform} if verdict.p_conform is not None else {}
    )


# --- what to do -----------------------------------------------------------------------------------


def _stand_now(both: Sequence[Json], told: Json, reach: Reach) -> Stand:
    """The difference's tolerances, carried over to where the later target stands."""
    before, after = (measured_of(placement) for placement in both)
    judged = {
        # The later value by the turn at which it differs as decided, so that the goal is beside it.
        key: JudgedValue(
            before[key] + one.value,
            one.u,
            Tolerance(before[key] + one.tolerance.nominal, one.tolerance.minus, one.tolerance.plus),
            one.decision,
        )
        for key, one in judged_of(told).items()
    }
    is_mat = any(key in LYING_KEYS for key in both[1]["values"])
    return Stand(placement_of(both[1]), is_mat, as_turns(judged), after, reach)


def _shares(both: Sequence[Json], key: str, u: float, sides: Sides) -> dict[str, float]:
    """Which part of the difference's variance each cause brings.

    Rounds that share a kit say how much of it is left in the difference, not of which of its causes.
    """
    shares: dict[str, float] = {}
    for placement in both:
        variance = placement["values"][key]["u"] ** 2
        for cause, share in placement.get("budget", {}).get(key, {}).items():
            if cause in EACH_ROUNDS or not sides.shares_kit:
                shares[cause] = shares.get(cause, 0.0) + share * variance / u**2
    if sides.shares_kit:
        shares["kit"] = max(0.0, 1 - sum(shares.values()))
    return shares


def _advice(
    shift: ShiftFile,
    later: Json,
    stand: Stand,
    budget: Mapping[str, Mapping[str, float]],
    hints: Sequence[str],
    units: Units,
) -> Iterator[str]:
    """What to move of the second round's target for the difference to conform, or what would settle it."""
    shares = as_turns(budget)
    standing, again = stand.standing(units), f"Then photograph '{shift.to}' again, as a new round."
    said = follow(stand.judged, stand.measured, stand.reach, shares, hints, units, standing, again)
    moves = stand.moves(units)
    first = said.index(moves[0].says) if moves else len(said)
    yield from said[:first]
    if not moves:
        return
    own = as_turns(judged_of(later))
    spoilt = [
        LABELS[move.key]
        for move in moves
        if (at := own.get(move.key)) is not None
        and after_shift(move.key, at, needed_change(move.key, stand.judged[move.key])).decision
        == "nonconforming"
    ]
    if spoilt:
        yield (
            f"Before you move it: '{shift.to}' would then no longer have the {' and '.join(spoilt)} that is "
            f"required of it by itself. Rather set up '{shift.from_}' again, nearer to its own nominal "
            "values, and take both rounds again."
        )
    yield f"With '{shift.to}' as it stood in the second round:"
    yield from said[first:]


def _hints(
    shift: ShiftFile,
    required: Mapping[str, Tolerance],
    keys: Sequence[str],
    values: NDArray,
    decision: PlacementDecision,
    units: Units,
) -> list[str]:
    """What the size of a deviation gives away."""
    out = []
    for key, value in zip(keys, values.tolist(), strict=True):
        t = required[key]
        if decision.values[key].decision != "nonconforming":
            continue
        near = EXPLAINED * max(t.minus, t.plus)
        step = shift.step.get(key)  # type: ignore[call-overload]
        name = LABELS[key]
        off = value - t.nominal
        stops = round(off / step) if step else 0
        if step and 1 <= abs(stops) <= MOST_STOPS and abs(off - stops * step) <= near < abs(off):
            count = "1 stop" if abs(stops) == 1 else f"{abs(stops)} stops"
            which = "too far" if off * t.nominal >= 0 else "short"
            out.append(
                f"The {name} changed by {_figure(key, value, units)}, not "
                f"{_figure(key, t.nominal, units)}: the fixture stands {count} {which}."
            )
        elif abs(value) <= near < abs(t.nominal):
            out.append(
                f"The {name} hardly changed: was the target moved at all, and is each round the right one?"
            )
        elif abs(value + t.nominal) <= near < abs(2 * t.nominal):
            out.append(
                f"The {name} changed by as much the other way: check the sign, and which round was first."
            )
    return out


def _figure(key: str, value: float, units: Units) -> str:
    return units.length(value) if key.endswith("_mm") else f"{value:.2f} degrees"
