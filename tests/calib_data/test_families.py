"""Templates carry no numbers; what is unusual in a family is asked again, with what may have been meant."""

import json

import pytest

from calib_data.families import FOLDER, doubts_of_two, families, family_doubts, not_filled_in
from calib_data.formats import VALUE_KEYS, PlacementFile, RelationFile
from vision.kit import LYING_KEYS, UPRIGHT_KEYS

NAMES = sorted(families())


def numbers(value):
    """Every number inside a JSON value."""
    if isinstance(value, dict | list):
        for part in value.values() if isinstance(value, dict) else value:
            yield from numbers(part)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield value


def filled(family: str, **values: dict) -> PlacementFile:
    template = dict(families()[family].template)
    words = {"name": "x", "fixture": "front", "target": "board", "reference_line": "centreline"}
    return PlacementFile.model_validate({**template, **words, "datum": "front_axle", "values": values})


def tolerance(nominal: float, width: float) -> dict:
    return {"nominal": nominal, "minus": width, "plus": width}


def doubts(family: str, **values: dict) -> dict:
    return {
        problem.where[1:]: problem.says
        for problem in family_doubts(filled(family, **values), families()[family])
    }


@pytest.mark.parametrize("name", NAMES)
def test_a_template_has_no_number(name):
    assert not list(numbers(json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))))


@pytest.mark.parametrize("name", NAMES)
def test_every_value_of_a_template_has_its_usual_range(name):
    family = families()[name]
    assert set(family.template["values"]) == set(family.usual) <= set(VALUE_KEYS)
    assert all(usual.width.lowest < usual.width.highest for usual in family.usual.values())


@pytest.mark.parametrize("name", NAMES)
def test_a_template_says_where_its_target_is_and_whether_it_stands_or_lies(name):
    family = families()[name]
    assert family.where in ("ahead", "behind", "beside", "corners", "round")
    others = {"stands": LYING_KEYS, "lies": UPRIGHT_KEYS[3:], "either": ()}[family.kind]
    assert not set(family.template["values"]) & set(others)


@pytest.mark.parametrize("name", NAMES)
def test_an_unfilled_template_names_every_field(name):
    family = families()[name]
    found = {problem.where: problem.says for problem in not_filled_in(family.template)}
    words = {"name", "fixture", "target", "reference_line", "datum"}
    others = set(family.template) - words - {"format", "values"}  # a facing, an origin with its four parts
    n_words = len(words) + len(others - {"origin"}) + (4 if "origin" in others else 0)
    assert len(found) == n_words + 3 * len(family.template["values"])
    assert found[("datum",)].startswith(
        "(datum) is not filled in. Enter it from the vehicle maker's procedure"
    )


def test_a_field_is_named_in_words():
    says = {p.where: p.says for p in not_filled_in({"values": {"lateral_mm": {"minus": None}}})}
    assert "(values, lateral mm, minus) is not filled in" in says[("values", "lateral_mm", "minus")]


@pytest.mark.parametrize(
    ("key", "typed", "meant"),
    [
        ("lateral_mm", tolerance(0, 16), "the whole width from edge to edge, enter 8"),
        ("lateral_mm", tolerance(0, 0.2), "inches, enter 5.08"),
        ("yaw_deg", tolerance(0, 30), "minutes of arc, enter 0.5"),
        ("yaw_deg", tolerance(0, 0.0087), "radians, enter 0.4985"),
    ],
)
def test_a_width_in_another_unit_is_asked_again(key, typed, meant):
    found = doubts("board_ahead", **{key: typed})
    assert set(found) == {(key, "minus"), (key, "plus")}
    assert meant in found[key, "minus"]


@pytest.mark.parametrize(
    ("typed", "meant"),
    [(59.06, "inches, enter 1500"), (1.5, "metres, enter 1500"), (150, "centimetres, enter 1500")],
)
def test_a_distance_in_another_unit_is_asked_again(typed, meant):
    found = doubts("board_ahead", distance_mm=tolerance(typed, 10))
    assert list(found) == [("distance_mm", "nominal")] and meant in found["distance_mm", "nominal"]


def test_a_board_behind_has_a_negative_distance():
    found = doubts("board_behind", distance_mm=tolerance(1500, 10))
    assert "counted the other way, enter -1500" in found["distance_mm", "nominal"]


@pytest.mark.parametrize("yaw_deg", [180, -180, 178])
def test_half_a_turn_is_usual_behind_however_it_is_counted(yaw_deg):
    assert not doubts("board_behind", yaw_deg=tolerance(yaw_deg, 0.5))


def test_usual_figures_raise_no_doubt():
    assert not doubts(
        "board_ahead",
        distance_mm=tolerance(1500, 5),
        lateral_mm=tolerance(0, 3),
        height_mm=tolerance(1200, 5),
        yaw_deg=tolerance(0, 0.3),
    )


def test_one_figure_is_doubted_once():
    # Too narrow for the family, and for any: 0.005 mm.
    found = list(
        family_doubts(filled("board_ahead", lateral_mm=tolerance(0, 0.005)), families()["board_ahead"])
    )
    assert len(found) == 2
    assert "metres, enter 5" in found[0].says


def test_without_a_family_the_general_doubts_remain():
    found = list(family_doubts(filled("board_ahead", yaw_deg=tolerance(0, 18)), None))
    assert [problem.where for problem in found] == [
        ("values", "yaw_deg", "minus"),
        ("values", "yaw_deg", "plus"),
    ]


WITH_TWO = [name for name in NAMES if families()[name].relation or families()[name].shift]


@pytest.mark.parametrize("name", WITH_TWO)
def test_what_is_asked_of_two_has_a_template_and_its_usual_ranges(name):
    family = families()[name]
    template = family.relation or family.shift
    assert not list(numbers(dict(template)))
    assert set(template["values"]) == set(family.usual_of_two)
    found = {problem.where for problem in not_filled_in(template)}
    assert ("name",) in found and len(found) >= 2 + 3 * len(template["values"])


def test_an_unusual_spacing_is_asked_again():
    asked = RelationFile.model_validate(
        {
            "format": "plumbsight.relation/1",
            "name": "pair",
            "of": ["left", "right"],
            "values": {"spacing_mm": tolerance(120, 0.16)},
        }
    )
    found = {p.where[1:]: p.says for p in doubts_of_two(asked, families()["boards_pair"])}
    assert "centimetres, enter 1200" in found["spacing_mm", "nominal"]
    assert "inches, enter 4.064" in found["spacing_mm", "plus"]
