"""A first kit from what somebody measured on the first day: a few questions, the rest is the usual.

The questions are those of calib_data/starting.py; what is wrong with the kit that they make is told at them.
"""

from dataclasses import replace
from typing import Literal, get_args

from pydantic import Field

from api.visits.kitfilled import EMPTY, RULER, Filled, told_in_form
from api.visits.kitform import Part, Vector
from calib_data.crosschecks import needs_for_measuring
from calib_data.formats import KIT, KitFile, WheelName
from calib_data.reading import Where, raise_problems
from calib_data.starting import (
    BOARD_MM,
    MOST_FLOOR,
    RULER_MM,
    RULES,
    USUAL_FIXTURE_PLATES_MM,
    USUAL_STANDOFF_MM,
    USUAL_TARGET_MM,
    Answers,
    starting_kit,
)
from vision.errors import KitError

WHEELS: tuple[WheelName, ...] = get_args(WheelName)
USUAL = Answers("", dict.fromkeys(WHEELS, USUAL_STANDOFF_MM), USUAL_FIXTURE_PLATES_MM, USUAL_TARGET_MM)


class Spot(Part):
    """A plate's centre on the fixture, in mm from its origin: y to the vehicle's left, z up."""

    y: float | None = None
    z: float | None = None


class RulerRead(Part):
    """The ruler printed on a sheet, as measured."""

    plate: int
    mm: float | None = None


class FirstKit(Part):
    """What was measured; what is left empty was not.

    Attributes:
        standoffs_mm: By wheel; one without a plate is left out.
        target_mm: The target's reference point from the fixture's origin.
        rule: What measured the printed rulers.
    """

    name: str | None = Field(None, examples=["van 1"])
    standoffs_mm: dict[WheelName, float] = {}
    fixture_plates: list[Spot | None] = []
    target_mm: Vector = Vector()
    n_floor: int | None = None
    board_mm: float | None = None
    rulers: list[RulerRead | None] = []
    bar_mm: float | None = None
    rule: Literal["steel", "tape", "plastic"] | None = None

    def answers(self) -> Answers:
        """As the first kit is made of them; where nothing is measured yet it takes the usual."""
        spots = [(s.y, s.z) for s in self.fixture_plates if s and s.y is not None and s.z is not None]
        target = (self.target_mm.x, self.target_mm.y, self.target_mm.z)
        return Answers(
            name=(self.name or "").strip(),
            standoffs_mm=self.standoffs_mm or USUAL.standoffs_mm,
            fixture_plates_mm=spots or USUAL.fixture_plates_mm,
            target_mm=(target[0] or 0.0, target[1] or 0.0, target[2] or 0.0)
            if any(v is not None for v in target)
            else USUAL.target_mm,
            n_floor=min(max(self.n_floor if self.n_floor is not None else USUAL.n_floor, 0), MOST_FLOOR),
            board_mm=self.board_mm if self.board_mm is not None else BOARD_MM,
            rulers_mm={read.plate: read.mm for read in self.rulers if read and read.mm is not None},
            bar_mm=self.bar_mm,
            u_ruler_scale=RULES[self.rule or "steel"],
        )


FLOOR = f"must be a whole number from 0 to {MOST_FLOOR}; three at least give a height."
NO_RULE = (
    "Say which rule measured the sheets: it is the scale of everything, and no photo shows that it is wrong."
)
NO_PLATES = "is empty. Measure from the fixture's origin to the plate's centre and enter millimetres."


def filled_in(first: FirstKit) -> Filled:
    """The kit's file, from what was measured only, and where each figure of it was asked for.

    Raises:
        KitError: A figure is missing or out of all proportion; it names the question.
    """
    filled = _places(first)
    made = _made(first.answers(), filled)
    filled.file = made.model_dump(exclude_none=True)
    if not first.standoffs_mm:
        filled.file["wheels"] = {}  # the usual is no measurement
    return filled


def to_prove(first: FirstKit) -> Answers:
    """What a first kit would be, in so far as it was measured; the rest is the usual.

    Raises:
        KitError: A figure is out of all proportion; it names the question.
    """
    filled = _places(first)
    filled.problems = []  # what is missing is the usual
    answers = first.answers()
    made = _made(answers, filled)
    with told_in_form(filled):
        raise_problems(needs_for_measuring(made), "kit", KitError)
    return replace(answers, name="")


def _made(answers: Answers, filled: Filled) -> KitFile:
    try:
        return starting_kit(answers)
    except KitError as wrong:
        found = [filled.in_form(where, says) for where, says in wrong.problems]
        filled.problems += [one for one in found if one[0] not in dict(filled.problems)]
        raise KitError(
            "\n".join(f"{where} {says}" for where, says in filled.problems), tuple(filled.problems)
        ) from wrong


def _places(first: FirstKit) -> Filled:
    filled = Filled({"format": KIT})
    filled.put(("name",), "first.name")
    for wheel in WHEELS:
        filled.put(("wheels", wheel, "standoff_mm"), f"first.standoffs_mm.{wheel}")
    filled.put_whole(("wheels",), "first.standoffs_mm.rear_left")
    fixture: Where = ("fixtures", USUAL.fixture)
    missing = [None] * (len(USUAL.fixture_plates_mm) - len(first.fixture_plates))
    for i, spot in enumerate([*first.fixture_plates, *missing]):
        for axis, asked in enumerate(("y", "z"), start=1):
            place = f"first.fixture_plates.{i}.{asked}"
            filled.put((*fixture, "plates", i, "position_mm", axis), place)
            if spot is None or getattr(spot, asked) is None:
                filled.problems.append((place, NO_PLATES))
        filled.put_whole((*fixture, "plates", i, "position_mm"), f"first.fixture_plates.{i}.y")
    for axis, asked in enumerate("xyz"):
        filled.put((*fixture, "targets", USUAL.target, "position_mm", axis), f"first.target_mm.{asked}")
        if getattr(first.target_mm, asked) is None:
            filled.problems.append((f"first.target_mm.{asked}", EMPTY))
    if first.n_floor is None or not 0 <= first.n_floor <= MOST_FLOOR:
        filled.problems.append(("first.n_floor", FLOOR))
    if first.rule is None:
        filled.problems.append(("first.rule", NO_RULE))
    for n, read in enumerate(first.rulers):
        if read is not None:
            words = RULER.format(nominal=RULER_MM, such_as=RULER_MM - 0.2)
            filled.put(("plates", str(read.plate), "printed_scale"), f"first.rulers.{n}.mm", words)
    for number in replace(USUAL, n_floor=MOST_FLOOR).on_floor():
        filled.put(("plates", str(number), "thickness_mm"), "first.board_mm")
    filled.put(("scale_bars", 0, "length_mm"), "first.bar_mm")
    return filled
