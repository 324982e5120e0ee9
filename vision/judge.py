"""One placement's values -> decision and advice."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.advice import MILLIMETRES, JudgedValue, Units, advise, declared_datums, reach
from vision.decide import PlacementDecision, decide_placement
from vision.frame import FramePlan, not_measured
from vision.kit import Kit, Placement, Vehicle
from vision.placement import VALUE_KEYS, Reported
from vision.trial import ConsistencyTest
from vision.unseen import MOVEMENT, Unseen, carried, closing_photo, not_excluded


@dataclass(frozen=True, eq=False)
class JudgedPlacement:
    """One target: values, covariance, budget, decision, advice.

    Attributes:
        keys: The values that were measured; `values` (k,) and `covariance` (k, k) follow them.
        budget: Cause -> share of the variance, for each key.
        missing: For the values that were not measured, why and what to do.
    """

    placement: Placement
    keys: tuple[str, ...]
    values: NDArray
    covariance: NDArray
    budget: Mapping[str, Mapping[str, float]]
    missing: Mapping[str, str]
    decision: PlacementDecision
    advice: tuple[str, ...]


def judge(
    index: int,
    placement: Placement,
    kit: Kit,
    vehicle: Vehicle,
    plan: FramePlan,
    reported: Reported,
    tests: Sequence[ConsistencyTest],
    moves: Sequence[Unseen] = (),
    units: Units = MILLIMETRES,
    withheld: str = "",
) -> JudgedPlacement:
    """Decide placement number `index` of the plan, and say what to do.

    Args:
        moves: What may have moved unseen. A value that conforms only if nothing did is not proved.
        withheld: Why no value is given though there are numbers; empty where they mean something.
    """
    keys = tuple(key for key in VALUE_KEYS if f"{index}:{key}" in reported.keys and not withheld)
    at = [reported.keys.index(f"{index}:{key}") for key in keys]
    values, covariance = reported.values[at], reported.covariance[np.ix_(at, at)]
    budget = {
        key: {cause: float(share[i]) for cause, share in reported.shares.items()}
        for key, i in zip(keys, at, strict=True)
    }
    missing = not_measured(plan, index, VALUE_KEYS, reported.keys)
    missing = dict.fromkeys(VALUE_KEYS, withheld) if withheld else missing
    failed = tuple(test.says for test in tests if not test.ok)
    decision = decide_placement(placement.values, keys, values, covariance, missing, failed)
    closing: tuple[str, ...] = ()
    if decision.decision == "conforming":
        if_moved = carried(reported, moves, MOVEMENT).covariance[np.ix_(at, at)]
        if decide_placement(placement.values, keys, values, if_moved, missing, ()).decision != "conforming":
            says = (not_excluded(moves, reported, units),)
            decision = decide_placement(placement.values, keys, values, covariance, missing, says)
            closing = (closing_photo(moves),)
    judged = {
        key: JudgedValue(
            float(values[keys.index(key)]),
            float(np.sqrt(covariance[keys.index(key), keys.index(key)])),
            tolerance,
            decision.values[key].decision,
        )
        for key, tolerance in placement.values.items()
        if key in keys
    }
    fixture = next(f for f in kit.fixtures if f.name == placement.fixture)
    target = next(t for t in fixture.targets if t.name == placement.target)
    measured = {key: float(value) for key, value in zip(keys, values, strict=True)}
    # Of the contradictions the likeliest cause is enough to act on; a scale without a second source is
    # no contradiction, and does not spoil a move.
    contradiction = tuple(test.says for test in tests if not test.ok and test.gain >= 0)[:1]
    advice = advise(
        judged,
        measured,
        reach(fixture, target),
        budget,
        placement.datum,
        declared_datums(vehicle),
        contradiction,
        units,
    )
    return JudgedPlacement(
        placement, keys, values, covariance, budget, missing, decision, (*advice, *closing)
    )
