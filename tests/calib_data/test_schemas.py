"""The published JSON Schemas are those of the models, and the result is held to FORMATS.md."""

import copy
import json
from pathlib import Path
from typing import Any

import pytest

import calib_data
from calib_data.crosschecks import result_problems
from calib_data.formats import ResultFile
from calib_data.published import FILES, write_schemas
from calib_data.reading import check, raise_problems
from vision.errors import InputFileError

SCHEMAS = Path(calib_data.__file__).parent / "schemas"

# FORMATS.md, "Result": its example, with the covariance written out and the budget adding to 1.
RESULT: dict[str, Any] = {
    "format": "plumbsight.result/1",
    "decision": "undecided",
    "placements": [
        {
            "name": "front camera board, family A",
            "fixture": "front",
            "target": "board",
            "decision": "undecided",
            "values": {
                "distance_mm": {
                    "value": 1502.1,
                    "u": 0.6,
                    "interval95": [1500.9, 1503.3],
                    "nominal": 1500,
                    "minus": 5,
                    "plus": 5,
                    "decision": "conforming",
                    "p_conform": 0.9999,
                },
                "height_mm": {"value": None, "says": "no floor plate: lay three plates on the floor"},
            },
            "covariance": {"keys": ["distance_mm"], "matrix": [[0.36]]},
            "budget": {"distance_mm": {"image": 0.2, "lens": 0.1, "print_scale": 0.6, "clamps": 0.1}},
            "advice": ["Move the target 2 mm toward the vehicle."],
        }
    ],
    "vehicle": {"wheelbase_left_mm": {"value": 2711.8, "u": 0.5}},
    "tests": [
        {
            "name": "rigidity of fixture front",
            "ok": True,
            "statistic": 0.8,
            "limit": 2.1,
            "says": "did not move between photos",
        }
    ],
    "photos": [{"file": "p01.jpg", "used": True, "camera": 0, "plates": [0, 4], "rms_px": 0.11, "says": ""}],
    "cameras": [{"id": 0, "label": "…", "f_px": 2931.2, "u_f_px": 1.9}],
}


def hold_against_formats(result: Any) -> None:
    made, _ = check(ResultFile, result, "result.json", InputFileError)
    raise_problems(result_problems(made), "result.json", InputFileError)


def test_the_committed_schemas_are_those_of_the_models(tmp_path):
    write_schemas(tmp_path)
    made = {path.name: path.read_text(encoding="utf-8") for path in tmp_path.iterdir()}
    committed = {path.name: path.read_text(encoding="utf-8") for path in SCHEMAS.glob("*.json")}
    assert made == committed, "run calib_data.published.write_schemas on calib_data/schemas"
    assert set(made) == {f"{name}.schema.json" for name in FILES}


def test_a_schema_refers_only_to_what_is_there():
    for path in SCHEMAS.glob("*.json"):
        schema = json.loads(path.read_text(encoding="utf-8"))
        for reference in _references(schema):
            inside = reference.removeprefix("#/$defs/")
            assert inside in schema["$defs"] or (SCHEMAS / reference).is_file(), reference


def _references(value: Any) -> list[str]:
    if isinstance(value, dict):
        own = [value["$ref"]] if isinstance(value.get("$ref"), str) else []
        return own + [r for part in value.values() for r in _references(part)]
    if isinstance(value, list):
        return [r for part in value for r in _references(part)]
    return []


def test_every_key_a_person_types_says_what_it_is_and_what_to_enter():
    for name in ("set", "kit", "placement"):
        schema = json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8"))
        for part in [schema, *schema["$defs"].values()]:
            for key, field in part["properties"].items():
                assert field.get("description") and field.get("x-advice"), (name, key)


def test_the_example_of_the_contract_is_a_result():
    hold_against_formats(RESULT)


@pytest.mark.parametrize(
    ("place", "new", "says"),
    [
        (("decision",), "passed", "must be"),
        (("placements", 0, "values", "distance_mm", "value"), float("nan"), "finite"),
        (("placements", 0, "values", "distance_mm", "u"), 0.0, "above 0"),
        (("placements", 0, "values", "distance_mm", "interval95"), [1503.3, 1500.9], "hold the value"),
        (("placements", 0, "values", "distance_mm", "interval95"), None, "interval95"),
        (("placements", 0, "values", "distance_mm", "nominal"), None, "needs nominal"),
        (("placements", 0, "values", "distance_mm", "p_conform"), 1.5, "p_conform"),
        (("placements", 0, "values", "height_mm", "says"), "", "reason"),
        (("placements", 0, "values", "height_mm", "decision"), "conforming", "undecided"),
        (("placements", 0, "values", "height"), {"value": 1.0}, "none of"),
        (("placements", 0, "covariance", "keys"), ["distance_mm", "height_mm"], "square"),
        (("placements", 0, "covariance", "matrix"), [[-0.36]], "positive"),
        (("placements", 0, "budget", "distance_mm", "lens"), 0.3, "add to 1"),
        (("vehicle", "thrust_angle_deg"), {"value": None}, "reason"),
        (("photos", 0, "used"), 1, "true or false"),
    ],
)
def test_a_result_that_contradicts_itself_is_refused(place, new, says):
    result = copy.deepcopy(RESULT)
    at: Any = result
    for key in place[:-1]:
        at = at[key]
    at[place[-1]] = new
    with pytest.raises(InputFileError, match=says):
        hold_against_formats(result)
