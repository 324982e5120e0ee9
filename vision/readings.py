"""What else a placement may have meant: another reading that fits where its own does not."""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace

from vision.adjust import Adjustment
from vision.decide import near_nominal
from vision.frame import FramePlan, values_as
from vision.kit import WHEELS, Tolerance
from vision.other_moves import AXLE_WORDS, origin_words
from vision.targets import OriginPlan, TargetPlan

# A reading explains a set-up where what is left of the misfit is so small a share of it; and a misfit is
# gross from so many half-widths on. Common practice, no source.
LEFT_OVER = 0.2
GROSS = 3.0


def misfit(values: Mapping[str, float], required: Mapping[str, Tolerance], keys: Collection[str]) -> float:
    """The largest deviation from nominal of these values, in half-widths of the tolerance."""
    off = [
        abs(near_nominal(key, values[key], required[key].nominal) - required[key].nominal)
        / max(required[key].minus, required[key].plus)
        for key in keys
    ]
    return max(off, default=0.0)


def explains(plan: FramePlan, adjustment: Adjustment, own: TargetPlan, other: TargetPlan) -> bool:
    """Whether a gross misfit of the own reading goes away with another one, by what both have measured."""
    as_own, as_other = (values_as(plan, adjustment.state.poses, reading) for reading in (own, other))
    required = own.placement.values
    keys = set(required) & set(as_own) & set(as_other)
    before, after = misfit(as_own, required, keys), misfit(as_other, required, keys)
    return before > GROSS and after < LEFT_OVER * before


def other_origins(plan: FramePlan, adjustment: Adjustment, index: int) -> tuple[str, ...]:
    """Each origin, or side of the offset, from which a placement would fit, as a question."""
    own = plan.targets[index]
    if own.origin is None:
        return ()
    start = origin_words(own.origin.origin.at)
    hints = []
    for origin, says in _origins(plan, own.origin):
        if explains(plan, adjustment, own, replace(own, origin=origin)):
            hints.append(f"The target does not stand as required from {start}, but it does {says}")
    return tuple(hints)


def _origins(plan: FramePlan, own: OriginPlan) -> Iterator[tuple[OriginPlan, str]]:
    origin = own.origin
    x_mm, y_mm = origin.offset_mm
    if y_mm:
        mirrored = replace(own, origin=replace(origin, offset_mm=(x_mm, -y_mm)))
        yield mirrored, "with the origin's offset to the other side: check its sign (left is positive)."
    hung = [w.wheel for w in plan.wheels]
    for at in (*AXLE_WORDS, *WHEELS):
        if at == origin.at or (at in WHEELS and at not in hung):
            continue
        wheel = hung.index(at) if at in hung else -1
        there = OriginPlan(replace(origin, at=at), own.inputs, wheel)
        yield there, f"from {origin_words(at)}: was that one meant?"


def swapped(plan: FramePlan, adjustment: Adjustment) -> str:
    """Which targets stand in each other's place, in words; empty where none do."""
    targets = plan.targets
    for i, one in enumerate(targets):
        for other in targets[i + 1 :]:
            if one.fixture_pose == other.fixture_pose or one.is_mat != other.is_mat:
                continue
            if explains(plan, adjustment, one, _in_place_of(one, other)) and explains(
                plan, adjustment, other, _in_place_of(other, one)
            ):
                a, b = one.placement, other.placement
                return (
                    f"'{a.name}' and '{b.name}' stand in each other's place: their units ({a.fixture} and "
                    f"{b.fixture}) are exchanged. Exchange them back, or correct which fixture each "
                    "placement names."
                )
    return ""


def _in_place_of(one: TargetPlan, other: TargetPlan) -> TargetPlan:
    """The other target, as what the placement of the first asks for."""
    return replace(
        one,
        fixture_pose=other.fixture_pose,
        target=other.target,
        inputs=other.inputs,
        mat_poses=other.mat_poses,
    )
