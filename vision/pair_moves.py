"""Two targets together -> which of them to move, which way and by how much, in a technician's words.

Each of the two may have moves of its own. These come first, so a relation's moves are what is then left. The
target that moves is the one of which less is required, or that is less sure to stand as required; where they
are alike, either may.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from vision.advice import (
    SHIFTS,
    JudgedValue,
    Units,
    after_shift,
    largest_usable_u,
    needed_change,
    settle,
)
from vision.decide import Verdict

# A target with which nothing is wrong stays; one of which nothing is required goes before one that only a
# smaller u would settle.
_STAYS = ("conforming", "undecided", "none", "nonconforming")
_TURNS = ("yaw_deg", "heading_deg")
_DIFFERENCES = dict(
    zip(SHIFTS, ("distance_difference_mm", "lateral_difference_mm", "height_difference_mm"), strict=True)
)
# What moving one of both sideways alone would change too.
_SIDEWAYS = ("spacing_mm", "lateral_difference_mm")


@dataclass(frozen=True)
class Partner:
    """One of the two, with what is required of it by itself."""

    name: str
    decision: Verdict
    judged: Mapping[str, JudgedValue]

    def own_changes(self) -> dict[str, float]:
        """By how much its own moves change each of its values."""
        return {
            key: amount
            for key, value in self.judged.items()
            if value.decision != "conforming" and abs(amount := needed_change(key, value)) > value.u
        }


def pair_advice(
    judged: Mapping[str, JudgedValue],
    measured: Mapping[str, float],
    both: tuple[Partner, Partner],
    budget: Mapping[str, Mapping[str, float]],
    contradiction: Sequence[str],
    units: Units,
) -> tuple[str, ...]:
    """What brings two targets together as required; what would settle what no move settles.

    Args:
        judged: The relation's required values.
        measured: All its values, in mm and degrees, by name.
    """
    if contradiction:
        return tuple(f"Do not move the targets on these numbers. {says}" for says in contradiction)
    moves: list[str] = []
    settling = []
    by_own = _by_own_moves(measured, both)
    brought_about = False
    for key, value in judged.items():
        is_too_wide = value.u >= largest_usable_u(value.tolerance)
        off = value.decision != "conforming" and abs(needed_change(key, value)) > value.u
        if not off and value.decision == "undecided":
            is_too_wide = True
        after = after_shift(key, value, by_own.get(key, 0.0))
        amount = needed_change(key, after)
        if after.decision != "conforming" and abs(amount) > after.u:
            moves.append(_words(key, amount, both, judged, units))
        elif off:
            brought_about = True
        if value.decision != "conforming" and is_too_wide:
            settling.append(settle(key, value, budget[key], False, units))
    again = ("Then photograph again, as a new set.",) if moves or brought_about else ()
    return (*_own_first(both, moves, brought_about), *moves, *again, *settling)


def _by_own_moves(measured: Mapping[str, float], both: tuple[Partner, Partner]) -> dict[str, float]:
    """How far each relation's value goes by the moves of each target by itself."""
    one, other = (partner.own_changes() for partner in both)
    apart = {_DIFFERENCES[key]: one.get(key, 0.0) - other.get(key, 0.0) for key in SHIFTS}
    apart["symmetry_mm"] = (one.get("lateral_mm", 0.0) + other.get("lateral_mm", 0.0)) / 2
    apart["parallelism_deg"] = sum(one.get(key, 0.0) - other.get(key, 0.0) for key in _TURNS)
    spacing_mm = measured.get("spacing_mm", 0.0)
    if spacing_mm:
        along = sum(measured.get(key, 0.0) * apart[key] for key in _DIFFERENCES.values())
        apart["spacing_mm"] = along / spacing_mm
    return apart


def _own_first(both: tuple[Partner, Partner], moves: Sequence[str], brought_about: bool) -> Iterator[str]:
    names = [f"'{partner.name}'" for partner in both if partner.own_changes()]
    if names and (moves or brought_about):
        alone = f"First do what is said for {' and '.join(names)} alone"
        yield f"{alone}{'. What follows is counted from there:' if moves else ': that brings this about.'}"


def _mover(both: tuple[Partner, Partner]) -> int | None:
    """Which one moves; None: either. Once its own moves are done, a target stands as required."""
    ranks = [
        _STAYS.index("conforming" if partner.own_changes() else partner.decision) for partner in both
    ]
    return None if ranks[0] == ranks[1] else ranks.index(max(ranks))


def _words(
    key: str,
    amount: float,
    both: tuple[Partner, Partner],
    judged: Mapping[str, JudgedValue],
    units: Units,
) -> str:
    mover = _mover(both)
    if key == "symmetry_mm":
        if mover is None or any(key in judged for key in _SIDEWAYS):
            one, other = (f"'{partner.name}'" for partner in both)
            return f"Move {one} and {other} together {_by(key, amount, units)} {_side(amount)}."
        amount *= 2  # the middle goes half as far as the one
    elif mover == 1 and key != "spacing_mm":
        amount = -amount  # differences are the first's minus the second's
    who, rest = (f"'{both[k].name}'" for k in ((1, 0) if mover == 1 else (0, 1)))
    by, up = _by(key, amount, units), amount > 0
    if key == "spacing_mm":
        way, line = ("away from" if up else "toward"), "along the line between both"
        says, instead = f"Move {who} {by} {way} {rest}, {line}", f"{rest} as much {way} {who}"
    elif key == "height_difference_mm":
        says = f"{'Raise' if up else 'Lower'} {who} by {by}"
        instead = f"{'lower' if up else 'raise'} {rest} by as much"
    elif key == "parallelism_deg":
        sense = "counter-clockwise" if up else "clockwise"
        says = f"Turn {who} {by} {sense} seen from above"
        instead = f"{rest} as much the other way"
    else:
        forward = f"{'forward' if up else 'rearward'} (as the vehicle drives)"
        says = f"Move {who} {by} {forward if key == 'distance_difference_mm' else _side(amount)}"
        instead = f"{rest} as much the other way"
    return f"{says}, or {instead}." if mover is None else f"{says}; {rest} stays."


def _by(key: str, amount: float, units: Units) -> str:
    return units.length(abs(amount)) if key.endswith("_mm") else f"{abs(amount):.2f} degrees"


def _side(amount: float) -> str:
    return f"to the vehicle's {'left' if amount > 0 else 'right'} (as seen sitting in it)"
