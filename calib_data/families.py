"""Families of placements: templates without any number, and what is usual in each, to ask again by.

A template's numbers are null until the shop fills them in from the vehicle maker's procedure. The usual
ranges serve no measurement: a figure outside is asked again, for it may be a full width typed for a half,
minutes for degrees, inches for millimetres.
"""

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, NamedTuple

from calib_data.crosschecks import placement_doubts
from calib_data.formats import PlacementFile, RelationFile, ShiftFile, ToleranceFile
from calib_data.reading import Problem, Where, say_where

FOLDER = Path(__file__).parent / "placements"


class Range(NamedTuple):
    lowest: float
    highest: float

    def has(self, figure: float) -> bool:
        return self.lowest <= figure <= self.highest


@dataclass(frozen=True)
class Usual:
    """What is usual for one value of a family: the nominal, and the width on either side of it."""

    nominal: Range | None
    width: Range


@dataclass(frozen=True)
class Family:
    """A family of placements, by an invented name.

    Attributes:
        where: Round the vehicle: ahead, behind, beside, corners or round.
        kind: Of the target: stands, lies (a mat), or either.
        template: A placement file (plumbsight.placement/1) with null where the shop fills in.
        usual: By value.
        relation, shift: Where the family asks something of two placements together, or of two rounds: such
            a file with null likewise, else None. What is usual in it is in `usual_of_two`.
    """

    name: str
    label: str
    says: str
    where: str
    kind: str
    template: Mapping[str, Any]
    usual: Mapping[str, Usual]
    relation: Mapping[str, Any] | None = None
    shift: Mapping[str, Any] | None = None
    usual_of_two: Mapping[str, Usual] = field(default_factory=lambda: MappingProxyType({}))


# Common practice, no source: orders of magnitude of the trade, for asking again only.
_BOARD_HEIGHT, _NEAR_LINE, _SQUARE = Range(200, 2500), Range(-500, 500), Range(-10, 10)
_BEHIND = Range(-3500, -300)
_USUAL: Mapping[str, Mapping[str, Usual]] = {
    "board_ahead": {
        "distance_mm": Usual(Range(1000, 6000), Range(5, 30)),
        "lateral_mm": Usual(_NEAR_LINE, Range(3, 10)),
        "height_mm": Usual(_BOARD_HEIGHT, Range(3, 10)),
        "yaw_deg": Usual(_SQUARE, Range(0.1, 1)),
        "pitch_deg": Usual(_SQUARE, Range(0.3, 1)),
        "roll_deg": Usual(_SQUARE, Range(0.3, 1)),
    },
    "board_near_and_far": {
        "distance_mm": Usual(Range(1000, 8000), Range(5, 30)),
        "lateral_mm": Usual(_NEAR_LINE, Range(3, 10)),
        "height_mm": Usual(_BOARD_HEIGHT, Range(3, 10)),
        "yaw_deg": Usual(_SQUARE, Range(0.1, 1)),
    },
    "boards_pair": {
        "distance_mm": Usual(Range(1000, 6000), Range(5, 30)),
        "lateral_mm": Usual(Range(-2000, 2000), Range(2, 10)),
        "height_mm": Usual(_BOARD_HEIGHT, Range(3, 10)),
    },
    "reflector_ahead": {
        "distance_mm": Usual(Range(1500, 8000), Range(10, 50)),
        "lateral_mm": Usual(Range(-2000, 2000), Range(5, 15)),
        "height_mm": Usual(Range(200, 1200), Range(5, 15)),
    },
    "reflectors_in_turn": {
        "distance_mm": Usual(Range(1500, 8000), Range(10, 50)),
        "lateral_mm": Usual(Range(-3000, 3000), Range(5, 15)),
        "height_mm": Usual(Range(200, 1200), Range(5, 15)),
    },
    "plate_ahead": {
        "distance_mm": Usual(Range(800, 2000), Range(10, 50)),
        "yaw_deg": Usual(Range(-20, 20), Range(0.1, 0.3)),
        "pitch_deg": Usual(Range(-20, 20), Range(0.1, 0.3)),
    },
    "corner_unit": {
        "distance_mm": Usual(None, Range(10, 30)),
        "lateral_mm": Usual(None, Range(10, 30)),
        "height_mm": Usual(Range(200, 1500), Range(10, 30)),
        "yaw_deg": Usual(None, Range(0.5, 2)),
    },
    "mat_beside": {
        "distance_mm": Usual(None, Range(5, 20)),
        "lateral_mm": Usual(None, Range(5, 20)),
    },
    "board_behind": {
        "distance_mm": Usual(_BEHIND, Range(5, 20)),
        "lateral_mm": Usual(_NEAR_LINE, Range(3, 20)),
        "height_mm": Usual(Range(0, 2500), Range(3, 20)),
        "yaw_deg": Usual(Range(170, 190), Range(0.1, 1)),
    },
    "board_beside": {
        "distance_mm": Usual(None, Range(5, 10)),
        "lateral_mm": Usual(None, Range(5, 10)),
        "height_mm": Usual(_BOARD_HEIGHT, Range(5, 10)),
        "yaw_deg": Usual(None, Range(0.2, 0.5)),
        "pitch_deg": Usual(_SQUARE, Range(0.2, 0.5)),
    },
    "reflector_from_sensor": {
        "range_mm": Usual(Range(1000, 8000), Range(10, 50)),
        "bearing_deg": Usual(Range(-90, 90), Range(0.2, 0.5)),
        "height_mm": Usual(Range(200, 1200), Range(5, 15)),
    },
    "corner_by_bearing": {
        "range_mm": Usual(Range(800, 4000), Range(10, 30)),
        "bearing_deg": Usual(None, Range(0.5, 2)),
        "height_mm": Usual(Range(200, 1500), Range(10, 30)),
        "yaw_deg": Usual(_SQUARE, Range(0.5, 5)),
    },
    "mat_round": {
        "distance_mm": Usual(None, Range(5, 20)),
        "gap_mm": Usual(Range(100, 2500), Range(5, 20)),
        "heading_deg": Usual(_SQUARE, Range(0.3, 1)),
        "flatness_mm": Usual(Range(0, 0), Range(3, 20)),
    },
    "board_facing": {
        "distance_mm": Usual(None, Range(5, 20)),
        "lateral_mm": Usual(None, Range(3, 20)),
        "height_mm": Usual(Range(0, 2500), Range(3, 20)),
        "yaw_deg": Usual(_SQUARE, Range(0.1, 1)),
        "pitch_deg": Usual(_SQUARE, Range(0.2, 1)),
    },
    "side_by_bearing": {
        "range_mm": Usual(Range(800, 8000), Range(5, 20)),
        "bearing_deg": Usual(None, Range(0.2, 0.5)),
        "height_mm": Usual(_BOARD_HEIGHT, Range(5, 10)),
        "yaw_deg": Usual(_SQUARE, Range(0.2, 0.5)),
        "pitch_deg": Usual(_SQUARE, Range(0.2, 0.5)),
    },
    "warm_target": {
        "distance_mm": Usual(Range(1000, 8000), Range(10, 20)),
        "lateral_mm": Usual(Range(-2000, 2000), Range(10, 20)),
        "height_mm": Usual(_BOARD_HEIGHT, Range(10, 20)),
    },
}

_OF_TWO: Mapping[str, Mapping[str, Usual]] = {
    "boards_pair": {
        "spacing_mm": Usual(Range(400, 4000), Range(2, 5)),
        "distance_difference_mm": Usual(Range(-20, 20), Range(2, 10)),
        "height_difference_mm": Usual(Range(-20, 20), Range(2, 10)),
        "symmetry_mm": Usual(Range(-20, 20), Range(2, 10)),
    },
    "mat_round": {
        "spacing_mm": Usual(Range(500, 12000), Range(5, 20)),
        "parallelism_deg": Usual(_SQUARE, Range(0.3, 1)),
    },
    "corner_by_bearing": {
        "spacing_mm": Usual(Range(1000, 8000), Range(10, 30)),
        "symmetry_mm": Usual(Range(-30, 30), Range(5, 30)),
    },
    "board_near_and_far": {
        "distance_mm": Usual(Range(300, 5000), Range(5, 10)),
        "lateral_mm": Usual(Range(-20, 20), Range(3, 10)),
        "height_mm": Usual(Range(-20, 20), Range(3, 10)),
        "yaw_deg": Usual(Range(-1, 1), Range(0.1, 1)),
    },
    "reflectors_in_turn": {
        "distance_mm": Usual(Range(-5000, 5000), Range(5, 15)),
        "lateral_mm": Usual(Range(-6000, 6000), Range(5, 15)),
        "height_mm": Usual(Range(-50, 50), Range(5, 15)),
    },
    "plate_ahead": {
        "yaw_deg": Usual(Range(-15, 15), Range(0.1, 0.3)),
        "pitch_deg": Usual(Range(-15, 15), Range(0.1, 0.3)),
    },
}

# What a figure may have been meant as: the words, and the factor to the value's own unit.
_UNITS_MM = (("inches", 25.4), ("centimetres", 10.0), ("metres", 1000.0))
_UNITS_DEG = (("minutes of arc", 1 / 60), ("milliradians", math.degrees(1e-3)), ("radians", math.degrees(1)))
_FULL_WIDTH = ("the whole width from edge to edge", 0.5)


@cache
def families() -> Mapping[str, Family]:
    """Every family, by name."""
    made = {}
    for path in sorted(FOLDER.glob("*.json")):
        file = json.loads(path.read_text(encoding="utf-8"))
        name = file["family"]
        usual = MappingProxyType(dict(_USUAL[name]))
        beside = {kind: MappingProxyType(file[kind]) for kind in ("relation", "shift") if kind in file}
        of_two = MappingProxyType(dict(_OF_TWO.get(name, {})))
        template = MappingProxyType(file["placement"])
        made[name] = Family(
            name,
            file["label"],
            file["says"],
            file["where"],
            file["kind"],
            template,
            usual,
            **beside,
            usual_of_two=of_two,
        )
    return MappingProxyType(made)


def not_filled_in(file: Mapping[str, Any]) -> Iterator[Problem]:
    """The places of a template that are null still."""
    for where in _nulls(file):
        what = say_where(where).replace("_", " ").replace(".", ", ")
        more = " Take the value out if the procedure asks for none." if where[0] == "values" else ""
        yield Problem(
            where,
            f"({what}) is not filled in. Enter it from the vehicle maker's procedure; "
            f"a template has no numbers of its own.{more}",
        )


def _nulls(value: Any, where: Where = ()) -> Iterator[Where]:
    if value is None:
        yield where
    elif isinstance(value, Mapping):
        for key, part in value.items():
            yield from _nulls(part, (*where, key))


def family_doubts(placement: PlacementFile, family: Family | None) -> Iterator[Problem]:
    """Figures that are unusual in the family, or in any, and what may have been meant."""
    found = list(_unusual_figures(placement.values, family.usual if family else {}))
    yield from found
    doubted = {one.where[1:] for one in found}
    yield from (one for one in placement_doubts(placement) if one.where[1:] not in doubted)


def doubts_of_two(asked: RelationFile | ShiftFile, family: Family | None) -> Iterator[Problem]:
    """The same of a relation or a shift."""
    yield from _unusual_figures(asked.values, family.usual_of_two if family else {})


def _unusual_figures(values: Mapping[Any, ToleranceFile], usual_of: Mapping[str, Usual]) -> Iterator[Problem]:
    for key, tolerance in values.items():
        usual = usual_of.get(key)
        if usual is None:
            continue
        units = _UNITS_DEG if key.endswith("_deg") else _UNITS_MM
        figures = [("minus", tolerance.minus, usual.width, (_FULL_WIDTH, *units))]
        figures.append(("plus", tolerance.plus, usual.width, (_FULL_WIDTH, *units)))
        if usual.nominal is not None:
            opposite = ("counted the other way", -1.0)
            figures.append(("nominal", tolerance.nominal, usual.nominal, (opposite, *units)))
        for name, figure, ordinary, meanings in figures:
            if not ordinary.has(figure) and not (name == "nominal" and _is_turned(key, figure, ordinary)):
                yield Problem(("values", key, name), _unusual(key, figure, ordinary, meanings))


def _is_turned(key: str, figure: float, ordinary: Range) -> bool:
    """Whether an angle is usual after a full turn: -175 is 185."""
    return key.endswith("_deg") and (ordinary.has(figure + 360) or ordinary.has(figure - 360))


def _unusual(key: str, figure: float, ordinary: Range, meanings: tuple[tuple[str, float], ...]) -> str:
    unit = "degrees" if key.endswith("_deg") else "mm"
    fits = [f"{words}, enter {figure * by:.4g} {unit}" for words, by in meanings if ordinary.has(figure * by)]
    meant = f" If this is {'; if it is '.join(fits)}." if fits else ""
    usual = f"{ordinary.lowest:g} {unit} to {ordinary.highest:g} {unit}"
    return f"is {figure:g} {unit}, where {usual} is usual for this family.{meant}"
