"""Which wheel each wheel plate really hangs on, told by where the plates stand and which way they face.

Outward faces, sides and ends of a vehicle leave only one arrangement of the plates and the same turned by
half a turn; which of these two it is, the target tells.
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations, permutations

import numpy as np
from numpy.typing import NDArray

# wheel whose plate it is -> wheel that it hangs on
Arrangement = Mapping[str, str]


def likeliest(
    poses: Mapping[str, NDArray], up: NDArray, target_mm: NDArray, is_ahead: bool
) -> Arrangement | None:
    """The arrangement with the fewest plates out of place; None where no arrangement makes a vehicle.

    Args:
        poses: T_world_plate of the plate that the kit gives to each wheel.
        up: Upward in world, within some degrees.
        target_mm: A target's place in world.
        is_ahead: Whether that target is required ahead of the vehicle, not behind it.
    """
    possible = list(arrangements(poses, up))
    as_required = [a for a in possible if _is_ahead(poses, a, up, target_mm) == is_ahead]
    # The kit's own arrangement stands: a target that is on the wrong side has a test of its own.
    for a in possible:
        if all(plate == wheel for plate, wheel in a.items()):
            return a
    return min(as_required or possible, key=lambda a: sum(p != w for p, w in a.items()), default=None)


def arrangements(poses: Mapping[str, NDArray], up: NDArray) -> Iterator[Arrangement]:
    """Every way to give these plates to these wheels that makes a vehicle."""
    for order in permutations(poses):
        arrangement = dict(zip(poses, order, strict=True))
        on = {wheel: poses[plate] for plate, wheel in arrangement.items()}
        if all(_fits(one, on[one], other, on[other], up) for one, other in combinations(on, 2)):
            yield arrangement


def _end_and_side(wheel: str) -> tuple[str, str]:
    end, side = wheel.split("_")
    return end, side


def _leftward(wheel: str, T: NDArray) -> NDArray:
    return T[:3, 2] if wheel.endswith("left") else -T[:3, 2]


def _fits(one: str, T_one: NDArray, other: str, T_other: NDArray, up: NDArray) -> bool:
    """Whether two plates can hang on these two wheels."""
    (end, side), (other_end, other_side) = _end_and_side(one), _end_and_side(other)
    leftward = _leftward(one, T_one)
    if leftward @ _leftward(other, T_other) <= 0:
        return False
    apart = T_one[:3, 3] - T_other[:3, 3]
    if side != other_side and (apart @ leftward > 0) != (side == "left"):
        return False
    return end == other_end or (apart @ np.cross(leftward, up) > 0) == (end == "front")


def _is_ahead(poses: Mapping[str, NDArray], a: Arrangement, up: NDArray, target_mm: NDArray) -> bool:
    forward = np.cross(sum(_leftward(wheel, poses[plate]) for plate, wheel in a.items()), up)
    middle_mm = np.mean([T[:3, 3] for T in poses.values()], axis=0)
    return bool((target_mm - middle_mm) @ forward > 0)


def in_words(arrangement: Arrangement, plate_of: Mapping[str, int]) -> str:
    """Which plates hang where, for the technician; empty where all hang as the kit says."""
    wrong = {plate: wheel for plate, wheel in arrangement.items() if plate != wheel}
    if not wrong:
        return ""
    numbers = [plate_of[plate] for plate in wrong]
    places = [f"plate {plate_of[p]} hangs on the {w.replace('_', ' ')} wheel" for p, w in wrong.items()]
    how = "swapped" if len(wrong) == 2 or _in_pairs(wrong) else "exchanged all round"
    return f"The wheel plates {_joined(numbers)} are {how}: {_joined(places)}."


def _in_pairs(wrong: Arrangement) -> bool:
    return all(wrong[wheel] == plate for plate, wheel in wrong.items())


def _joined(items: Sequence) -> str:
    words = [str(item) for item in items]
    return f"{', '.join(words[:-1])} and {words[-1]}"
