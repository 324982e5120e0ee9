"""Consistency tests of level plates: do they hang or lie as the kit says, and agree which way is up?"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.differences import differences
from vision.hypotheses import Score
from vision.plumb import AXES, LevelPlan, plumb_up
from vision.trial import Case, ConsistencyTest, Tried, family, plain_test

# Floors slope by a degree or two; a level plate that is off the floor's normal by more hangs or lies as the
# kit does not say. Common practice, no source.
LARGEST_SLOPE_DEG = 10.0


def level_plates(case: Case) -> Iterator[ConsistencyTest]:
    """Each level plate's axis upward, to within what a floor may slope."""
    if not case.plan.levels:
        return
    wrong = []
    for one in case.plan.levels:
        axis = case.adjustment.state.poses[one.pose, :3, AXES.index(one.level.axis)]
        off_deg = np.degrees(np.arccos(np.clip(axis @ case.plan.up, -1, 1)))
        if off_deg > LARGEST_SLOPE_DEG:
            how = "hang free, its upper edge up" if one.level.axis == "y" else "lie level, its face up"
            wrong.append(
                f"Plate {one.level.plate} should {how}, and is {off_deg:.0f} degrees away from that by the "
                "floor. Hang or lay it as the kit says, or correct the kit."
            )
    yield plain_test("level plates", " ".join(wrong), "the level plates hang or lie as the kit says")


def plumb_agrees(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Two level plates or more: each against the mean of all."""
    levels = case.plan.levels
    if len(levels) < 2:
        return
    tried = []
    # Of two nobody can say which is wrong.
    for one in levels if len(levels) > 2 else levels[:1]:
        others = [other for other in levels if other is not one]
        score = _apart(case, one, others)
        against = "the others" if len(others) > 1 else f"plate {others[0].level.plate}"
        apart_deg = np.degrees(np.linalg.norm(score.estimate))
        says = (
            f"Plate {one.level.plate} and {against} differ by {apart_deg:.2f} degrees about which way is up. "
            "Check that what hangs is free of wind and touch, and the level by which a plate was laid."
        )
        tried.append(Tried(score, says))
    yield from family("plumb", "the level plates agree which way is up", tried, level)


def _apart(case: Case, one: LevelPlan, others: Sequence[LevelPlan]) -> Score:
    """How far one plate's up is from the others', along two level directions, in rad."""
    east = np.cross(np.eye(3)[np.argmin(np.abs(case.plan.up))], case.plan.up)
    across = np.stack([east, np.cross(case.plan.up, east)]) / np.linalg.norm(east)

    def apart(poses: NDArray, inputs: NDArray) -> NDArray:
        at = _At(poses, inputs, np.zeros(0))
        return (one.up(at) - plumb_up(others, at)) @ across.T

    J_state, J_inputs = differences(case.plan, case.adjustment, apart)
    u = np.array([i.u for i in case.plan.inputs])
    cov = J_state @ case.adjustment.covariance @ J_state.T + (J_inputs * u**2) @ J_inputs.T
    off = apart(case.adjustment.state.poses, np.zeros(len(u)))
    return Score(float(off @ np.linalg.solve(cov, off)), len(off), off)


@dataclass(frozen=True, eq=False)
class _At:
    poses: NDArray
    inputs: NDArray
    centres: NDArray
