"""What is required between two placements: side by side in one round, or from one round to the next.

Relations and shifts stand among the placements, in the same store of revisions: their file's format tells.
"""

from collections.abc import Sequence
from typing import Any, Literal

from calib_data.crosschecks import (
    relation_problems,
    shift_problems,
    shift_problems_among,
    shift_problems_with,
)
from calib_data.families import not_filled_in
from calib_data.formats import RELATION, SHIFT, KitFile, PlacementFile, RelationFile, ShiftFile
from calib_data.reading import check, raise_problems
from vision.errors import PlacementError

Kind = Literal["placement", "relation", "shift"]
OURS = "the shop's"
VISITS = "the visit's"


def kind_of(file: Any) -> Kind:
    """What a file asks for; whatever is neither relation nor shift is read as a placement."""
    format_ = file.get("format") if isinstance(file, dict) else None
    return "relation" if format_ == RELATION else "shift" if format_ == SHIFT else "placement"


def named(file: dict[str, Any]) -> list[str]:
    """The names of the placements that a relation's or a shift's file is of: first and second."""
    return list(file["of"]) if kind_of(file) == "relation" else [file["from"], file["to"]]


def checked(
    file: dict[str, Any], placements: Sequence[PlacementFile], whose: str = OURS, source: str = ""
) -> RelationFile | ShiftFile:
    """The model of a relation or a shift, filled in, of placements that are there.

    Raises:
        PlacementError: The file is wrong, or names what is not there; it says where, and what to do.
    """
    kind = kind_of(file)
    source = source or kind
    raise_problems(not_filled_in(file), source, PlacementError)
    if kind == "relation":
        relation, _ = check(RelationFile, file, source, PlacementError)
        raise_problems(relation_problems(relation, placements, whose), source, PlacementError)
        return relation
    shift, _ = check(ShiftFile, file, source, PlacementError)
    problems = [*shift_problems(shift), *shift_problems_among(shift, placements, whose)]
    raise_problems(problems, source, PlacementError)
    return shift


def check_for_visit(
    file: dict[str, Any], name: str, placements: Sequence[PlacementFile], kit: KitFile
) -> None:
    """Hold one against the placements that a visit checks, and their kit.

    Raises:
        PlacementError: It is of a placement that the visit does not check, or of a value that is none.
    """
    source = f'"{name}"'
    made = checked(file, placements, VISITS, source)
    if isinstance(made, ShiftFile):
        raise_problems(dict.fromkeys(shift_problems_with(made, placements, kit)), source, PlacementError)
