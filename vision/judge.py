"""Values of one placement, or of two together -> decision and advice."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.adjust import Adjustment
from vision.advice import MILLIMETRES, JudgedValue, Units, advise, declared_datums, reach
from vision.decide import PlacementDecision, decide_placement, undecided_by
from vision.frame import FramePlan, not_measured
from vision.kit import PLUMB_KEYS, RELATION_KEYS, Kit, Placement, Relation, Tolerance, Vehicle
from vision.other_moves import polar_hints, standing_of
from vision.pair_moves import Partner, pair_advice
from vision.placement import Reported
from vision.readings import other_origins
from vision.targets import NO_COMMON_ANGLE
from vision.trial import ConsistencyTest
from vision.unseen import MOVEMENT, Unseen, carried, closing_photo, not_excluded


@dataclass(frozen=True, eq=False)
class Judged:
    """Values with covariance, budget and decision.

    Attributes:
        keys: The values that were measured; `values` (k,) and `covariance` (k, k) follow them.
        budget: Cause -> share of the variance, for each key.
        missing: For the values that were not measured, why and what to do.
    """

    keys: tuple[str, ...]
    values: NDArray
    covariance: NDArray
    budget: Mapping[str, Mapping[str, float]]
    missing: Mapping[str, str]
    decision: PlacementDecision
    advice: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class JudgedPlacement(Judged):
    """One target."""

    placement: Placement


@dataclass(frozen=True, eq=False)
class JudgedRelation(Judged):
    """Two targets together; `of` are the names of their placements."""

    relation: Relation
    of: tuple[str, str]


@dataclass(frozen=True, eq=False)
class Evidence:
    """What all decisions of a set rest on.

    Attributes:
        moves: What may have moved unseen. A value that conforms only if nothing did is not proved.
        withheld: Why no value is given though there are numbers; empty where they mean something.
        distrusted: What is known against the kit; nothing is then decided, and no move advised.
    """

    adjustment: Adjustment
    plan: FramePlan
    reported: Reported
    tests: Sequence[ConsistencyTest]
    moves: Sequence[Unseen] = ()
    withheld: str = ""
    distrusted: str = ""

    @property
    def contradiction(self) -> tuple[str, ...]:
        """Of the contradictions the likeliest cause is enough to act on; a scale without a second source is
        no contradiction, and does not spoil a move."""
        return tuple(test.says for test in self.tests if not test.ok and test.gain >= 0)[:1]


def judge(
    index: int,
    placement: Placement,
    kit: Kit,
    vehicle: Vehicle,
    evidence: Evidence,
    units: Units = MILLIMETRES,
) -> JudgedPlacement:
    """Decide placement number `index` of the plan, and say what to do."""
    plan, reported = evidence.plan, evidence.reported
    all_keys = plan.targets[index].keys
    missing = not_measured(plan, index, reported.keys)
    found = _decided(f"{index}:", all_keys, placement.values, missing, evidence, units)
    judged = _judged_values(placement.values, found)
    fixture = next(f for f in kit.fixtures if f.name == placement.fixture)
    target = next(t for t in fixture.targets if t.name == placement.target)
    measured = {key: float(value) for key, value in zip(found.keys, found.values, strict=True)}
    hints = polar_hints(judged)
    if any(value.decision == "nonconforming" for value in judged.values()):
        hints += other_origins(evidence.plan, evidence.adjustment, index)
    standing = standing_of(placement, fixture.is_mat, judged, measured, units, hints)
    advice = advise(
        as_turns(judged),
        measured,
        reach(fixture, target),
        {**found.budget, **as_turns({key: found.budget[key] for key in judged})},
        placement.datum,
        declared_datums(vehicle),
        evidence.contradiction,
        units,
        standing,
    )
    return JudgedPlacement(
        found.keys,
        found.values,
        found.covariance,
        found.budget,
        found.missing,
        found.decision,
        () if evidence.distrusted else (*advice, *found.advice),
        placement,
    )


def as_turns(by_key: Mapping[str, Any]) -> dict[str, Any]:
    """By value: a tilt required against the plumb line is set by the same turn as one against the floor."""
    turns = {key.replace("_plumb_", "_"): value for key, value in by_key.items() if key in PLUMB_KEYS}
    return {**turns, **{key: value for key, value in by_key.items() if key not in PLUMB_KEYS}}


def judge_relation(
    index: int,
    relation: Relation,
    placements: Sequence[JudgedPlacement],
    evidence: Evidence,
    units: Units = MILLIMETRES,
) -> JudgedRelation:
    """Decide relation number `index` of the plan, and say what to do.

    Args:
        placements: All of the plan as judged, by which the relation counts its two.
    """
    found_keys = evidence.reported.keys
    missing = {key: NO_COMMON_ANGLE for key in RELATION_KEYS if f"r{index}:{key}" not in found_keys}
    found = _decided(f"r{index}:", RELATION_KEYS, relation.values, missing, evidence, units)
    one, other = (_partner(placements[i]) for i in relation.of)
    judged = _judged_values(relation.values, found)
    measured = {key: float(value) for key, value in zip(found.keys, found.values, strict=True)}
    advice = pair_advice(judged, measured, (one, other), found.budget, evidence.contradiction, units)
    return JudgedRelation(
        found.keys,
        found.values,
        found.covariance,
        found.budget,
        found.missing,
        found.decision,
        () if evidence.distrusted else (*advice, *found.advice),
        relation,
        (one.name, other.name),
    )


def _partner(placement: JudgedPlacement) -> Partner:
    required = placement.placement
    return Partner(required.name, placement.decision.decision, _judged_values(required.values, placement))


def _decided(
    start: str,
    all_keys: Sequence[str],
    required: Mapping[str, Tolerance],
    missing: Mapping[str, str],
    evidence: Evidence,
    units: Units,
) -> Judged:
    """The reported quantities whose names begin with `start`; the advice is a closing photo, or none."""
    reported, moves, withheld = evidence.reported, evidence.moves, evidence.withheld
    keys = tuple(key for key in all_keys if f"{start}{key}" in reported.keys and not withheld)
    at = [reported.keys.index(f"{start}{key}") for key in keys]
    values, covariance = reported.values[at], reported.covariance[np.ix_(at, at)]
    budget = {
        key: {cause: float(share[i]) for cause, share in reported.shares.items()}
        for key, i in zip(keys, at, strict=True)
    }
    missing = dict.fromkeys(all_keys, withheld) if withheld else missing
    failed = tuple(test.says for test in evidence.tests if not test.ok)
    decision = decide_placement(required, keys, values, covariance, missing, failed)
    closing: tuple[str, ...] = ()
    if decision.decision == "conforming":
        if_moved = carried(reported, moves, MOVEMENT).covariance[np.ix_(at, at)]
        if decide_placement(required, keys, values, if_moved, missing, ()).decision != "conforming":
            says = (not_excluded(moves, reported, units),)
            decision = decide_placement(required, keys, values, covariance, missing, says)
            closing = (closing_photo(moves),)
    if evidence.distrusted:
        decision, closing = undecided_by(decision, evidence.distrusted), ()
    return Judged(keys, values, covariance, budget, missing, decision, closing)


def _judged_values(required: Mapping[str, Tolerance], found: Judged) -> dict[str, JudgedValue]:
    return {
        key: JudgedValue(
            float(found.values[found.keys.index(key)]),
            float(np.sqrt(found.covariance[found.keys.index(key), found.keys.index(key)])),
            tolerance,
            found.decision.values[key].decision,
        )
        for key, tolerance in required.items()
        if key in found.keys
    }
