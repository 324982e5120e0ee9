"""The target itself, by the label plate on its face: which one stands there, which way up, and where.

A fixture's plates tell where the target must be if it sits on the fixture as the kit says; the label tells
where it is. It takes no part in the values: it is a body of its own in the adjustment, so that the two check
each other.
"""

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.adjust import Adjustment
from vision.blocks import mount_block
from vision.contradictions import GAIN_OF_LACK
from vision.hypotheses import Score
from vision.kit import Label, Target
from vision.targets import TargetPlan
from vision.trial import Case, ConsistencyTest, Tried, family, plain_test

# Between quarter turns the nearer one is meant.
LARGEST_TURN_DEG = 45.0
# A label that is off by less, however the target hangs, is on that target: targets stand farther apart.
# Common practice, no source.
LARGEST_REACH_MM = 700.0
# How a target may hang on its fixture: turned about its x axis, for who looks at its face, or about its z.
TURNS = {
    "a quarter turn clockwise": (0, 90),
    "upside down": (0, 180),
    "a quarter turn counter-clockwise": (0, 270),
    "with its back to the vehicle": (2, 180),
}
# Along the target's x, y and z, on whatever side of the vehicle it stands.
WAYS = (
    ("farther away", "nearer"),
    ("to the left, seen from the vehicle", "to the right, seen from the vehicle"),
    ("higher", "lower"),
)


ASKED = "Take a photo of its face together with a plate of the fixture."
NOT_THERE = "If the label is not there, it is another target, or its face is turned away."


def unshown_words(target: str, plate: int) -> str:
    """What it means that no photo shows a target's label."""
    return (
        f"No photo shows the label of the target '{target}' (plate {plate}): whether it is the right target, "
        "and which way up, is not checked."
    )


class Seen(NamedTuple):
    """A label that photos show, with the target whose label it is."""

    target: Target
    label: Label
    T_world_target: NDArray


def target_identity(case: Case) -> Iterator[ConsistencyTest]:
    """Of each target with a label: the right one, the right way up, its face to the vehicle."""
    seen = _seen(case)
    for plan in case.plan.targets:
        label = plan.target.label
        if label is None:
            continue
        name = f"target of {plan.placement.name}"
        problem = _identity_problem(case, plan, label, seen)
        if problem:
            yield plain_test(name, problem, "")
        elif label.plate not in [one.label.plate for one in seen]:
            lack = f"{unshown_words(plan.target.name, label.plate)} {ASKED} {NOT_THERE}"
            yield plain_test(name, lack, "", GAIN_OF_LACK)
        else:
            yield plain_test(name, "", f"it is '{plan.target.name}', the right way up, facing the vehicle")


def target_place(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Each target by its label against where its fixture carries it."""
    tried, passed = [], []
    seen = _seen(case)
    for plan in case.plan.targets:
        label = plan.target.label
        at = [one for one in seen if label is not None and one.label.plate == label.plate]
        if label is None or not at or _identity_problem(case, plan, label, seen):
            continue
        score, u = miss_by_label(case.adjustment, plan, label)
        says = (
            f"By its label (plate {label.plate}) the target '{plan.target.name}' stands "
            f"{_off_words(score.estimate)} from where its fixture carries it. Check how it sits on the "
            "fixture and how the label sits on it, or teach the fixture anew."
        )
        tried.append(Tried(score, says))
        (off_mm, off_deg), (u_mm, u_deg) = _lengths(score.estimate), _lengths(u)
        passed.append(
            f"by its label '{plan.target.name}' stands within {off_mm:.1f} mm and {off_deg:.2f} degrees of "
            f"where its fixture carries it (u {u_mm:.1f} mm, {u_deg:.2f} degrees)"
        )
    yield from family("target on its fixture", "; ".join(passed), tried, level)


def miss_by_label(adjustment: Adjustment, plan: TargetPlan, label: Label) -> tuple[Score, NDArray]:
    """How far the target, by its label, is from where its fixture carries it.

    Returns:
        The score, its estimate the miss (3 mm, 3 rad) in the target's declared frame, and the miss's u (6,).
    """
    network = adjustment.network
    fixture = plan.fixture_pose - int(network.unknowns.fixture_pose(0))
    plate = network.observed.plates.index(label.plate)
    T_fixture_plate = plan.target.T_fixture_target @ label.T_target_plate
    block = mount_block(network.unknowns, [fixture], [plate], T_fixture_plate[None], np.ones((1, 6)))
    r, J = block.linearise(adjustment.state)  # in mm and rad, in the label's declared frame
    to_target = geometry.adjoint(label.T_target_plate)
    columns = block.columns[0]
    J_target = to_target @ J[0]
    cov = J_target @ adjustment.covariance[np.ix_(columns, columns)] @ J_target.T
    cov += np.diag([plan.target.u_position_mm**2] * 3 + [plan.target.u_rotation_rad**2] * 3)
    cov += (to_target * np.repeat([label.u_position_mm**2, label.u_rotation_rad**2], 3)) @ to_target.T
    miss = -to_target @ r[0]
    return Score(float(miss @ np.linalg.solve(cov, miss)), len(miss), miss), np.sqrt(np.diag(cov))


def _seen(case: Case) -> list[Seen]:
    poses = case.adjustment.state.poses
    return [
        Seen(target, label, poses[_pose_of(case, label)] @ np.linalg.inv(label.T_target_plate))
        for fixture in case.kit.fixtures
        for target in fixture.targets
        if (label := target.label) is not None and label.plate in case.plates
    ]


def _pose_of(case: Case, label: Label) -> int:
    return int(case.adjustment.network.unknowns.plate_pose(case.plates.index(label.plate)))


def _identity_problem(case: Case, plan: TargetPlan, label: Label, seen: list[Seen]) -> str:
    """What is wrong with what stands in a target's place; empty where nothing is, or nothing shows it."""
    T_world_target = _declared(case, plan)
    own = next((one for one in seen if one.label.plate == label.plate), None)
    own_reach_mm = _reach_mm(T_world_target, own) if own is not None else np.inf
    for other in seen:
        reach_mm = _reach_mm(T_world_target, other)
        if other.label.plate != label.plate and reach_mm < min(LARGEST_REACH_MM, own_reach_mm):
            return (
                f"Where '{plan.target.name}' is required, the label of '{other.target.name}' (plate "
                f"{other.label.plate}) is seen: the wrong target stands there, or two are exchanged. Put up "
                "the one that the procedure asks for, and photograph again."
            )
    if own is None:
        return ""
    if own_reach_mm >= LARGEST_REACH_MM:
        return (
            f"The label of '{plan.target.name}' (plate {label.plate}) is seen {own_reach_mm / 1000:.1f} m "
            "away from where its fixture carries it: the target is on another fixture, or the label on "
            "another target."
        )
    turn = _turn_words(np.linalg.inv(T_world_target) @ own.T_world_target)
    if not turn:
        return ""
    return (
        f"The target '{plan.target.name}' hangs {turn}, by its label (plate {label.plate}). Put it up as the "
        "procedure shows it, and photograph again."
    )


def _declared(case: Case, plan: TargetPlan) -> NDArray:
    """T_world_target, as the fixture carries it."""
    return case.adjustment.state.poses[plan.fixture_pose] @ plan.target.T_fixture_target


def _reach_mm(T_world_target: NDArray, seen: Seen) -> float:
    """How far a label is from a target's reference point, beyond where it sits on its own target.

    However a target is turned about its reference point, that stays nothing, be the board as large as it may.
    """
    on_target_mm = seen.label.T_target_plate[:3, 3]
    label_mm = geometry.apply(seen.T_world_target, on_target_mm)
    return float(abs(np.linalg.norm(label_mm - T_world_target[:3, 3]) - np.linalg.norm(on_target_mm)))


def _turn_words(T_declared_seen: NDArray) -> str:
    """How a target is turned from what is declared, by quarter turns; empty where it is not."""
    turns: dict[str, NDArray] = {"": np.eye(3)}
    for words, (axis, turn_deg) in TURNS.items():
        turns[words] = geometry.rotation_exp(np.radians(turn_deg) * np.eye(3)[axis])
    away_deg = {words: _angle_deg(R.T @ T_declared_seen[:3, :3]) for words, R in turns.items()}
    if away_deg[""] <= LARGEST_TURN_DEG:
        return ""
    return min((w for w in turns if w), key=lambda words: away_deg[words])


def _angle_deg(R: NDArray) -> float:
    return float(np.degrees(np.linalg.norm(geometry.rotation_log(R))))


def _off_words(miss: NDArray) -> str:
    """A miss in the target's frame (x away from the vehicle, y left of who looks along x), in words."""
    worst = int(np.argmax(np.abs(miss[:3])))
    forth, back = WAYS[worst]
    off_mm, off_deg = _lengths(miss)
    return f"{off_mm:.1f} mm (mostly {forth if miss[worst] > 0 else back}) and {off_deg:.2f} degrees"


def _lengths(tangent: NDArray) -> tuple[float, float]:
    """Of a tangent (6,): mm and degrees."""
    return float(np.linalg.norm(tangent[:3])), float(np.degrees(np.linalg.norm(tangent[3:])))
