"""A visit's rounds -> what they come to together: which look counts for what, shifts, the worst of all.

Rounds are those of a record (plumbsight.record/1), or told in the same words while a visit is under way. A
placement's decision is that of the last look in which its target stood, a relation's that of the last look in
which both stood. A shift is from the last look at its first placement before the last look at its second.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from calib_data.formats import ShiftFile
from calib_data.record import LOOKS, ROLLED
from calib_data.shift import cannot_decide, decide_shift
from vision.decide import Verdict, worst
from vision.other_moves import Stand

Json = dict[str, Any]


@dataclass(frozen=True)
class Asked:
    """What a visit checks. Each placement has its `id` and `file`; relations and shifts are files."""

    placements: Sequence[Json]
    relations: Sequence[Json] = ()
    shifts: Sequence[Json] = ()


@dataclass(frozen=True)
class Counted:
    """A placement or a relation, and the look that counts for it.

    Attributes:
        number: Of the look; None: its target stood in none.
        part: What the look's result says of it; None: nothing, and `says` tells why.
    """

    name: str
    number: int | None
    decision: Verdict
    part: Json | None = None
    says: str = ""


Awaited = Literal["first", "second", "again", "measuring"]


@dataclass(frozen=True)
class CountedShift:
    """A shift, decided (as decide_shift) or told why not.

    Attributes:
        before, after: Numbers of its two looks, as far as there are such.
        stand: As of `calib_data.shift.Decided`.
        awaits: Which of its two looks is still to come, or to be measured: then nothing went wrong, and it is
            undecided for that alone.
    """

    before: int | None
    after: int | None
    result: Json
    stand: Stand | None = None
    awaits: Awaited | None = None

    @property
    def name(self) -> str:
        return str(self.result["name"])

    @property
    def decision(self) -> Verdict:
        return self.result["decision"]  # type: ignore[no-any-return]

    @property
    def missing(self) -> tuple[str, ...]:
        """Why values of it are not there, and what to do."""
        values = self.result["values"].values()
        return tuple(dict.fromkeys(str(one["says"]) for one in values if one["value"] is None))


@dataclass(frozen=True)
class Whole:
    """What a visit comes to.

    Attributes:
        says: The decision in words, which begin with it: "conforming in round 3 of 3".
    """

    decision: Verdict
    says: str
    counted: tuple[Counted, ...]
    shifts: tuple[CountedShift, ...]

    @property
    def is_unfinished(self) -> bool:
        """Whether it is undecided for nothing but what has not been photographed yet."""
        lacking = [one.number is None for one in self.counted if one.decision == "undecided"]
        lacking += [one.awaits is not None for one in self.shifts if one.decision == "undecided"]
        return self.decision == "undecided" and bool(lacking) and all(lacking)

    @property
    def to_come(self) -> tuple[str, ...]:
        """What is still to be photographed, each once: a shift says more of its placements than these do."""
        shifts = [one for one in self.shifts if one.awaits is not None]
        told = {name for one in shifts for name in (one.result["from"], one.result["to"])}
        says = [one.says for one in self.counted if one.number is None and one.name not in told]
        return tuple(dict.fromkeys([*(text for one in shifts for text in one.missing), *says]))

    @property
    def missing(self) -> tuple[str, ...]:
        """What keeps a placement, relation or shift from being decided, and what to do."""
        told = [one.says for one in self.counted if one.part is None]
        told += [says for one in self.shifts for says in one.missing]
        return tuple(dict.fromkeys(told))


def whole_of(rounds: Sequence[Json], asked: Asked) -> Whole:
    """What the rounds come to for all that was asked."""
    counted = counted_of(rounds, asked)
    shifts = tuple(_shift(rounds, asked, ShiftFile.model_validate(file)) for file in asked.shifts)
    last = last_look(rounds)
    if not counted:
        is_told = last is not None and last["result"] and not _rolled_since(rounds, last["number"])
        decision: Verdict = last["result"]["decision"] if last is not None and is_told else "undecided"
    else:
        decision = worst([*(one.decision for one in counted), *(one.decision for one in shifts)])
    return Whole(decision, _in_words(rounds, decision, counted, shifts), counted, shifts)


def counted_of(rounds: Sequence[Json], asked: Asked) -> tuple[Counted, ...]:
    """The placements, then the relations, each with the look that counts for it."""
    return (*_placements(rounds, asked), *_relations(rounds, asked))


def last_look(rounds: Sequence[Json]) -> Json | None:
    """The last round that looked at a target; none if none did."""
    return next((one for one in reversed(rounds) if one["kind"] in LOOKS), None)


def counting_looks(rounds: Sequence[Json], counted: Sequence[Counted]) -> list[Json]:
    """The looks that count for something, in order; of those, the last one if nothing was asked."""
    numbers = {one.number for one in counted}
    last = last_look(rounds)
    if not counted and last is not None:
        numbers = {last["number"]}
    return [one for one in rounds if one["kind"] in LOOKS and one["number"] in numbers]


# --- placements and relations ---------------------------------------------------------------------


def _placements(rounds: Sequence[Json], asked: Asked) -> Iterator[Counted]:
    for placement in asked.placements:
        name = placement["file"]["name"]
        yield _counted(rounds, asked, [name], "placements", name)


def _relations(rounds: Sequence[Json], asked: Asked) -> Iterator[Counted]:
    for file in asked.relations:
        yield _counted(rounds, asked, file["of"], "relations", file["name"])


def _counted(rounds: Sequence[Json], asked: Asked, names: Sequence[str], where: str, name: str) -> Counted:
    look = _last_with(rounds, asked, names)
    if look is None:
        stood = " and ".join(f'"{one}"' for one in names)
        says = f"{stood} stood in no round{' together' if len(names) > 1 else ''}. Take a round of photos."
        return Counted(name, None, "undecided", None, says)
    number = look["number"]
    says = _why_not(look) or _rolled_since(rounds, number)
    result = look["result"]
    part = None if says else next((one for one in result.get(where, ()) if one["name"] == name), None)
    if part is None:
        says = says or f'"{name}" was not asked for when round {number} was measured. Measure it again.'
        return Counted(name, number, "undecided", None, says)
    states = (one for state in result.get("states", ()) for one in state.get(where, ()))
    moved = [one["decision"] for one in states if one["name"] == name]
    return Counted(name, number, worst((part["decision"], *moved)), part)


def _last_with(
    rounds: Sequence[Json], asked: Asked, names: Sequence[str], before: float = float("inf")
) -> Json | None:
    """The last look, before that number, in which all of these placements stood."""
    for one in reversed(rounds):
        if one["kind"] in LOOKS and one["number"] < before and _stood(one, asked).issuperset(names):
            return one
    return None


def _stood(one: Json, asked: Asked) -> set[str]:
    """Names of the placements that stood in a look; where none is left of those that were said to, all."""
    said = one.get("standing")
    stood = {p["file"]["name"] for p in asked.placements if said is None or p["id"] in said}
    return stood or {p["file"]["name"] for p in asked.placements}


def _why_not(one: Json) -> str:
    """Why a look has no result, and what to do; empty where it has one."""
    if one["result"] is not None:
        return ""
    if one["closed_at"] is None:
        return f"Round {one['number']} still takes photos. Close it once it has enough."
    if one["state"] == "waiting":
        return f"Round {one['number']} is being measured."
    return f"Round {one['number']} could not be measured. Take it again."


def _rolled_since(rounds: Sequence[Json], number: int) -> str:
    if any(one["kind"] == ROLLED and one["number"] > number for one in rounds):
        return f"The vehicle was rolled after round {number}. Take that round again."
    return ""


# --- shifts ---------------------------------------------------------------------------------------


def _shift(rounds: Sequence[Json], asked: Asked, shift: ShiftFile) -> CountedShift:
    after = _last_with(rounds, asked, [shift.to])
    before = _last_with(rounds, asked, [shift.from_], after["number"]) if after is not None else None
    says, awaits = _why_no_shift(rounds, asked, shift, before, after)
    numbers = [one["number"] if one is not None else None for one in (before, after)]
    if says or before is None or after is None:
        return CountedShift(numbers[0], numbers[1], cannot_decide(shift, says), awaits=awaits)
    decided = decide_shift(before["result"], after["result"], shift)
    return CountedShift(numbers[0], numbers[1], decided.told, decided.stand)


def _why_no_shift(
    rounds: Sequence[Json], asked: Asked, shift: ShiftFile, before: Json | None, after: Json | None
) -> tuple[str, Awaited | None]:
    """What is missing for a shift, and what to do (empty where nothing is); and what is still to come."""
    first = _last_with(rounds, asked, [shift.from_])
    if first is None:
        return f'Photograph "{shift.from_}" first, in a round of its own.', "first"
    if after is None or before is None and first is after:
        at = f'Round {first["number"]} is at "{shift.from_}".'
        if shift.from_ == shift.to:
            return f"{at} Move it on as required, and photograph it again in the next round.", "second"
        says = f'{at} Photograph "{shift.to}" in the next round, and say that it stands there then.'
        return says, "second"
    if before is None or first["number"] > after["number"]:
        says = (
            f'"{shift.from_}" was looked at in round {first["number"]}, and not before "{shift.to}" in round '
            f'{after["number"]}. Photograph "{shift.to}" again.'
        )
        return says, "again"
    says = _rolled_since(rounds, before["number"])
    pending = next((one for one in (before, after) if _why_not(one)), None)
    if says or pending is None:
        return says, None
    is_to_come = pending["closed_at"] is None or pending["state"] == "waiting"
    return _why_not(pending), "measuring" if is_to_come else None


# --- in words -------------------------------------------------------------------------------------


def _in_words(
    rounds: Sequence[Json], decision: Verdict, counted: Sequence[Counted], shifts: Sequence[CountedShift]
) -> str:
    last, n = last_look(rounds), len(rounds)
    if last is None:
        return "no round of the target"
    if _rolled_since(rounds, last["number"]):
        return f"undecided: the vehicle was rolled after round {last['number']} of {n}"
    if not last["result"] and _is_one_look(last, counted, shifts):
        return f"undecided: round {last['number']} of {n} could not be measured"
    word = "measured, nothing required" if decision == "none" else decision
    if _is_one_look(last, counted, shifts):
        return f"{word} in round {last['number']} of {n}"
    if decision in ("none", "conforming"):
        numbers = sorted({one.number for one in counted if one.number is not None})
        return f"{word} in rounds {' and '.join(map(str, numbers))} of {n}"
    # The first of what decided: more stands beside it.
    culprits = [
        f": {one.says}" if one.part is None else f' for "{one.name}" in round {one.number} of {n}'
        for one in counted
        if one.decision == decision
    ]
    culprits += [f' for "{one.name}"{_between(one)}' for one in shifts if one.decision == decision]
    return f"{word}{culprits[0]}"


def _is_one_look(last: Json, counted: Sequence[Counted], shifts: Sequence[CountedShift]) -> bool:
    return not shifts and all(one.number == last["number"] for one in counted)


def _between(one: CountedShift) -> str:
    """Where a shift was, or why it is not decided."""
    return f": {one.missing[0]}" if one.missing else f" from round {one.before} to round {one.after}"
