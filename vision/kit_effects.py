"""What each error of the kit does to each value: what two rounds of one visit have in common.

The adjustment is linear at its end: with C the covariance, J a block's whitened Jacobian and e its whitened
errors (mean 0, variance 1), the state is off by the sum of C J' e over all blocks, so a value with gradient G
by G C J' e. Photos and lenses draw their e anew in each round; the errors of prints, mounts, bars, clamps,
floor and what is declared stay the same while nothing is hung, laid or printed anew.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.adjust import Adjustment
from vision.blocks import DistanceBlock, MountBlock
from vision.frame import FramePlan
from vision.least_squares import PriorBlock
from vision.parameters import N_PLATE_VALUES
from vision.placement import Reported

RULER = "ruler"
# Lines of the budget that each round has anew: the photos' own, and sheets that its photos leave open. All
# others are the kit's, and cancel as far as they weigh on both rounds alike.
EACH_ROUNDS = ("image", "lens", "refocus", "read_out", "unchecked_sheets")
_OF_PLATE = ("scale", "scale difference", "bow x", "bow y")


@dataclass(frozen=True, eq=False)
class KitEffects:
    """By how much one standard uncertainty of each of the kit's errors moves each value.

    Attributes:
        names: (n) of the errors; the same name in another round of the visit is the same error.
        keys: (k) of the values, as in `Reported`.
        effects: (k, n), signed, in mm and degrees. Their squares are a part of each value's variance.
    """

    names: tuple[str, ...]
    keys: tuple[str, ...]
    effects: NDArray


def kit_effects(adjustment: Adjustment, plan: FramePlan, reported: Reported) -> KitEffects:
    """Args: plan, reported: What was made from this very adjustment."""
    effects: dict[str, NDArray] = {}
    through = adjustment.covariance @ reported.J_state.T
    for block in adjustment.blocks:
        of_block = list(_names(adjustment, block))
        if not of_block:
            continue
        _, J = block.linearise(adjustment.state)
        of_errors = np.einsum("gmc,gck->gmk", J, through[block.columns])
        effects |= {name: of_errors[group, row] for group, row, name in of_block}
    for k, item in enumerate(plan.inputs):
        # Two placements of one target have its place on the fixture as an input each: it is one error.
        effects[item.name] = effects.get(item.name, 0.0) + reported.J_inputs[:, k] * item.u
    return KitEffects(tuple(effects), reported.keys, np.stack(list(effects.values()), axis=1))


def _names(adjustment: Adjustment, block: object) -> Iterator[tuple[int, int, str]]:
    """(group, row, name) of each of a block's errors that are the kit's."""
    unknowns, plates = adjustment.network.unknowns, adjustment.network.observed.plates
    if isinstance(block, PriorBlock):
        first = int(unknowns.plate_values().min())
        for group, index in enumerate(block.value_index.tolist()):
            if index == unknowns.ruler_value():
                yield group, 0, RULER
            elif index >= first:
                plate, which = divmod(index - first, N_PLATE_VALUES)
                yield group, 0, f"plate {plates[plate]} {_OF_PLATE[which]}"
    elif isinstance(block, MountBlock):
        for group, pose in enumerate(block.plate_pose.tolist()):
            for row in range(6):
                yield group, row, f"mount {plates[pose - unknowns.n_photos]} {row}"
    elif isinstance(block, DistanceBlock):
        for group, poses in enumerate(block.poses.tolist()):
            ends = sorted(plates[pose - unknowns.n_photos] for pose in poses)
            yield group, 0, f"bar {ends[0]} {ends[1]}"
