"""Does everything that was photographed agree with itself and with what was declared? In words.

A wrong set-up can fit its photos to the noise, so a chi-square alone guards nothing. Each mistake that
photos of plates can show is a hypothesis of its own. The statistical tests together raise a false alarm
in FAMILY_LEVEL of correct sets; those that fail are ranked by how much of the misfit their cause explains,
so that the likeliest cause comes first.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from vision import contradictions, declared, labels, levelled, movement, optics
from vision.adjust import Adjustment
from vision.advice import Units
from vision.contradictions import LARGEST_NOISE_FACTOR
from vision.declared import ALL_SHEETS, EACH_SHEET
from vision.frame import FramePlan
from vision.hypotheses import SaddleScores
from vision.kit import Kit, Vehicle
from vision.optics import LENS_OF_EACH_PHOTO
from vision.placement import Reported
from vision.trial import Case, ConsistencyTest, spoken
from vision.unseen import MOVE_MM

FAMILY_LEVEL = 0.003
# Scores are linear: of the misfit of a mistake as large as 3 % in scale they miss so much, as a share.
SCORE_ERROR = 0.03
# Fixtures are nudged and vehicles creep more often than one plate slips, and a printer that fits to the
# page does so to all sheets: where the photos tell them hardly apart, these are named. In units of a gain,
# odds of e^5; common practice, no source.
BODY_ODDS = 10.0

_PLAIN = (
    contradictions.mounted,
    labels.target_identity,
    contradictions.wheel_places,
    contradictions.lean,
    contradictions.wheels_in_line,
    contradictions.clamps_as_checked,
    levelled.level_plates,
    contradictions.facing,
    contradictions.swapped_units,
    contradictions.steering,
    contradictions.true_size,
    contradictions.rejected,
    contradictions.noise,
    contradictions.optimum,
    contradictions.scale_known,
)
_STATISTICAL = (
    declared.wheelbase,
    declared.all_sheets,
    declared.sheet_scale,
    declared.sheet_shape,
    declared.mounts,
    labels.target_place,
    declared.bars,
    movement.rigidity,
    movement.plate_rigidity,
    movement.plate_in_photo,
    optics.photo_optics,
    optics.lens_model,
    optics.focal_length,
    declared.floor,
    levelled.plumb_agrees,
    declared.floor_tilts,
    declared.tracks,
    declared.sides_alike,
)


def check_consistency(
    adjustment: Adjustment,
    plan: FramePlan,
    reported: Reported,
    kit: Kit,
    vehicle: Vehicle,
    mounted: str = "",
    beforehand: Sequence[ConsistencyTest] = (),
) -> tuple[ConsistencyTest, ...]:
    """All tests: those that failed first, the likeliest cause on top, then those that passed.

    Args:
        mounted: What mountcheck.adjust_as_hung says of the fixtures' plates.
        beforehand: What the photos say of themselves (roundcheck.check_round).
    """
    case = Case(adjustment, plan, reported, kit, vehicle, SaddleScores(adjustment), mounted)
    level = FAMILY_LEVEL / len(_STATISTICAL)
    plain = [test for check in _PLAIN for test in check(case)]
    if adjustment.noise_factor > LARGEST_NOISE_FACTOR:
        # Where the photos do not fit each other, crooked wheels are a consequence, not the cause.
        plain = [replace(test, gain=min(test.gain, 0.0)) for test in plain]
    tests = [*beforehand, *plain, *(test for check in _STATISTICAL for test in check(case, level))]
    failed = sorted((t for t in tests if not t.ok), key=_likeliness, reverse=True)
    first = [replace(t, says=t.says + _or_only_a_plate(t, failed)) for t in failed[:1]]
    rest = (replace(t, says=f"Perhaps only a consequence: {t.says}") for t in failed[1:])
    return (*first, *rest, *(t for t in tests if t.ok))


def _or_only_a_plate(first: ConsistencyTest, failed: Sequence[ConsistencyTest]) -> str:
    """Where one plate that moved explains as much as the body that is named, the plate in words.

    So it is where that plate alone shows the body after the move.
    """
    if first.moved is None or first.moved.kind == "plate":
        return ""
    for test in failed:
        one = test.moved
        if one is not None and one.kind == "plate" and test.gain >= first.gain * (1 - SCORE_ERROR):
            return f" Or only {one.words} moved: see first whether it still hangs as it did."
    return ""


def _likeliness(test: ConsistencyTest) -> float:
    """What failed tests are ranked by."""
    is_body = test.moved is not None and test.moved.kind != "plate"
    if is_body or test.name == ALL_SHEETS:
        return test.gain * (1 + SCORE_ERROR) + BODY_ODDS
    # One sheet's scale, or one photo's lens, that explains as much as a plate's six terms, to within the
    # scores' error, is the likelier cause.
    is_simple = test.name in (EACH_SHEET, LENS_OF_EACH_PHOTO)
    return test.gain * (1 + SCORE_ERROR) if is_simple else test.gain


def not_checked(kit: Kit, plan: FramePlan, adjustment: Adjustment, units: Units) -> tuple[str, ...]:
    """What a single round of photos cannot see; its possible size is in u as far as the kit states it.

    Clamps that were checked as they hang are left out.
    """
    unlabelled = [f"'{t.target.name}'" for t in plan.targets if t.target.label is None and not t.is_mat]
    unchecked = [wheel for wheel, clamp in kit.clamps.items() if clamp.seated is None]
    out = []
    if unchecked:
        some = f" of {', '.join(map(spoken, unchecked))}" if len(unchecked) < len(kit.clamps) else ""
        out.append(f"clamp seating{some} (a clamp off its seat moves a wheel centre unseen)")
    out += _floor_words(plan, adjustment, units)
    if not kit.scale_bars:
        out.append(
            "the rule that measured the printed rulers: u counts it as right to "
            f"{100 * kit.u_ruler_scale:.2g} %, as the kit declares. One that is off by 0.2 % puts every "
            "length off by 2 mm in each metre, and a declared wheelbase hardly shows that (a scale bar does)"
        )
    out.append("tyre pressures, ride height and load")
    if unlabelled:
        out.append(
            "which target stands there, which way up, and where it sits on its fixture beyond what the kit "
            f"states ({' and '.join(unlabelled)}: no label plate)"
        )
    out.append("whether the required values are right for this vehicle")
    return tuple(out)


def _floor_words(plan: FramePlan, adjustment: Adjustment, units: Units) -> Iterator[str]:
    """Floor plates that could lie on something unseen."""
    raised = declared.raised_unseen_mm(plan, adjustment, FAMILY_LEVEL / len(_STATISTICAL))
    alone = [str(plate) for plate, least_mm in raised.items() if not np.isfinite(least_mm)]
    if alone:
        yield (
            f"whether floor plates {', '.join(alone)} lie on the floor itself: none of the others checks "
            "them (lay a fourth, or one more beside them)"
        )
    for plate, least_mm in raised.items():
        if np.isfinite(least_mm) and least_mm > MOVE_MM:
            yield (
                f"whether floor plate {plate} lies on the floor itself: the others show only what raises it "
                f"by more than {units.length(least_mm)} (one more plate near it would tell)"
            )
