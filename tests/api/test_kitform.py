"""A kit as a form: nothing is lost, figures that nobody touched stay, problems stand at their fields."""

import copy
import json
from typing import Any

import pytest

from api.problems import DoubtError, NotAllowedError
from api.visits import kits
from api.visits.kitfilled import filled_in
from api.visits.kitform import KitForm, shown
from calib_data.layouts import load_layouts
from vision.errors import KitError

WHOLE = {
    "format": "plumbsight.kit/1",
    "name": "van 1",
    "u_ruler_scale": 0.0003,
    "owner": "kept as it is",
    "plates": {
        "0": {"layout": "ring13", "printed_scale": 1.00041, "u_printed_scale": 0.0005, "paper": "matt"},
        "2": {"layout": "ring13", "printed_scale": 0.99871234, "u_printed_scale": 0.0005, "u_bow_mm": 0.3},
        "3": {"layout": "ring13", "printed_scale_xy": [1.0004, 1.0011], "u_printed_scale": 0.0007},
        "4": {"layout": "RING13", "u_scale_difference": 0.001},
        "10": {"layout": "ring13", "thickness_mm": 3.0},
        "64": {"layout": "cross2x2", "printed_scale": 1.0, "u_printed_scale": 0.001},
        "65": {"layout": "cross2x2"},
        "45": {"layout": "ring13"},
        "48": {"layout": "ring13"},
        "49": {"layout": "ring13"},
        "50": {"layout": "ring13", "printed_scale": 1.0002, "u_printed_scale": 0.001},
        "51": {"layout": "ring13"},
    },
    "wheels": {
        "rear_left": {
            "plate": 2, "standoff_mm": 121.37, "u_standoff_mm": 0.3, "u_eccentricity_mm": 0.3,
            "u_tilt_deg": 0.03, "eccentricity_mm": [0.2, -0.1], "tilt_deg": [0.05, -0.02],
            "measured_on": "2026-03-14", "clamp": "the blue one",
        },
        "rear_right": {
            "plate": 3, "standoff_mm": 120.0, "u_standoff_mm": 0.3, "u_eccentricity_mm": 0.3,
            "u_tilt_deg": 0.15,
        },
    },
    "fixtures": {
        "front": {
            "plates": [
                {"plate": 4, "position_mm": [0, 350, 0], "rotation_deg": [0, 0, 1.5], "u_position_mm": 0.2,
                 "u_rotation_deg": 0.05, "screws": 4},
            ],
            "targets": {
                "board": {"position_mm": [12.34, 0, -200], "rotation_deg": [0, 0, 0], "u_position_mm": 0.2,
                          "u_rotation_deg": 0.05, "colour": "white",
                          "label": {"plate": 45, "position_mm": [0, 0, -100.25], "rotation_deg": [0, 0, 90],
                                    "u_position_mm": 0.3, "u_rotation_deg": 0.1, "glue": "both sides"}},
                "small board": {"position_mm": [0, 0, 100], "rotation_deg": [0, 0, 0], "u_position_mm": 0.2,
                                "u_rotation_deg": 0.05},
            },
            "stand": "tripod",
        },
    },
    "mats": {
        "left": {
            "plates": [
                {"plate": 50, "position_mm": [-300.5, -400], "rotation_deg": 90, "u_position_mm": 1.0,
                 "u_rotation_deg": 1.5, "sewn": "yes"},
                {"plate": 51, "position_mm": [300, 400], "u_position_mm": 1.0},
            ],
            "targets": {
                "mark": {"position_mm": [0, 12.5], "rotation_deg": 0.5, "u_position_mm": 0.5,
                         "u_rotation_deg": 0.1, "colour": "blue"},
            },
            "u_flatness_mm": 1.25, "cloth": "felt",
        },
    },
    "levels": [{"plate": 48, "up": "y", "u_deg": 0.1, "wire": "0.5 mm"},
               {"plate": 49, "up": "z", "u_deg": 0.05}],
    "floor": [{"plate": 10, "u_flatness_mm": 0.5, "where": "by the gate"}],
    "scale_bars": [{"plates": [64, 65], "length_mm": 1000.03, "u_length_mm": 0.05, "made_of": "carbon"}],
    "datum_plates": {"bumper_centre": {"plate": 0, "offset_mm": [0, 0, 1.5], "u_mm": 1.0, "tape": "yes"}},
}  # fmt: skip


def form_of(file: dict[str, Any], **changes: Any) -> KitForm:
    """The form of a file as a browser would send it, some fields (dotted) typed over."""
    sent = json.loads(shown(file).model_dump_json())
    for path, value in changes.items():
        *names, last = path.split("__")
        place: Any = sent
        for name in names:
            place = place[int(name)] if isinstance(place, list) else place[name]
        place[int(last) if isinstance(place, list) else last] = value
    return KitForm.model_validate(sent)


def test_a_form_that_nobody_touched_makes_the_same_file_with_all_it_does_not_show():
    assert filled_in(form_of(WHOLE), WHOLE).file == WHOLE
    assert kits.checked(copy.deepcopy(WHOLE))  # the file is a right one


def test_what_the_form_does_not_show_stays_beside_what_was_changed():
    form = form_of(WHOLE, wheels__rear_left__standoff_mm=122.0, fixtures__0__targets__0__name="mat")
    file = filled_in(form, WHOLE).file
    assert file["wheels"]["rear_left"] == WHOLE["wheels"]["rear_left"] | {"standoff_mm": 122.0}
    before = WHOLE["fixtures"]["front"]["targets"]
    assert file["fixtures"]["front"]["targets"] == {
        "mat": before["board"],
        "small board": before["small board"],
    }
    assert file["fixtures"]["front"]["stand"] == "tripod" and file["owner"] == "kept as it is"
    assert file["plates"] == WHOLE["plates"]


@pytest.mark.parametrize(
    ("form", "scale"),
    [
        # FORMATS.md: printed_scale = measured / nominal length of the printed ruler; 149.7 / 150.
        ({"plates__0__ruler_mm": 149.7}, {"printed_scale": 0.998}),
        # The sheet's own text: a = printed_scale, b = a x height / width.
        (
            {"plates__0__ruler_mm": 150.0, "plates__0__height_mm": 188.7, "plates__0__width_mm": 188.5},
            {"printed_scale_xy": [1.0, 1.00106101]},
        ),
        ({"plates__0__ruler_mm": None, "plates__0__u_ruler_mm": None}, {}),
    ],
)
def test_nobody_computes_a_ratio(form, scale):
    plate = filled_in(form_of(WHOLE, **form), WHOLE).file["plates"]["0"]
    kept = {"u_printed_scale": 0.0005} if scale else {}
    assert plate == {"layout": "ring13", "paper": "matt"} | kept | scale


def test_rulers_are_shown_beside_their_nominal_length():
    plates = {part.was: part for part in shown(WHOLE).plates if part}
    assert (plates["0"].ruler_mm, plates["0"].u_ruler_mm) == (150.0615, 0.075)
    ring = next(one for one in load_layouts() if one.name == "ring13")
    assert plates["3"].height_mm == pytest.approx(2 * ring.pattern_half_mm * 1.0011)
    assert plates["4"].ruler_mm is None


def test_the_rule_is_told_in_millimetres_over_a_metre():
    assert shown(WHOLE).rule_mm_per_m == 0.3
    assert filled_in(form_of(WHOLE, rule_mm_per_m=0.5), WHOLE).file["u_ruler_scale"] == 0.0005


def test_rows_are_added_and_taken_out():
    sent = json.loads(shown(WHOLE).model_dump_json())
    sent["floor"] = [None, {"plate": 11, "u_flatness_mm": 1}]
    sent["plates"][4] = {"number": 11, "thickness_mm": 3}
    del sent["wheels"]["rear_left"]
    sent["scale_bars"] = [None]
    file = filled_in(KitForm.model_validate(sent), WHOLE).file
    assert file["floor"] == [{"plate": 11, "u_flatness_mm": 1}]
    assert file["plates"]["11"] == {"layout": "ring13", "thickness_mm": 3} and "10" not in file["plates"]
    assert file["scale_bars"] == [] and list(file["wheels"]) == ["rear_right"]


def test_a_label_is_taken_off_a_target_and_put_on_another():
    label = {"plate": 45, "position_mm": {"x": 0, "y": 0, "z": 5}, "rotation_deg": {"x": 0, "y": 0, "z": 0}}
    us = {"u_position_mm": 0.3, "u_rotation_deg": 0.1}
    form = form_of(WHOLE, fixtures__0__targets__0__label=None, fixtures__0__targets__1__label=label | us)
    targets = filled_in(form, WHOLE).file["fixtures"]["front"]["targets"]
    assert "label" not in targets["board"] and targets["board"]["colour"] == "white"
    on = {"plate": 45, "position_mm": [0, 0, 5], "rotation_deg": [0, 0, 0], **us}
    assert targets["small board"]["label"] == on


def test_a_sheet_renumbered_keeps_what_else_is_known_of_it():
    file = filled_in(form_of(WHOLE, plates__0__number=70), WHOLE).file
    assert file["plates"]["70"] == WHOLE["plates"]["0"] | {"layout": "cross2x2"}


PROBLEMS = [
    # field typed over, value, where it is told, what to do
    ("wheels__rear_left__standoff_mm", 0.12, "form.wheels.rear_left.standoff_mm", "120 mm if these are"),
    ("wheels__rear_left__u_tilt_deg", None, "form.wheels.rear_left.u_tilt_deg", "Enter degrees"),
    ("wheels__rear_left__tilt_deg__y", 9, "form.wheels.rear_left.tilt_deg.y", "allowed: -5 to 5"),
    ("wheels__rear_left__plate", 7, "form.wheels.rear_left.plate", "the kit's plates are"),
    ("plates__0__ruler_mm", 15.0, "form.plates.0.ruler_mm", "from mark 0 to mark 150"),
    ("plates__0__ruler_mm", None, "form.plates.0.ruler_mm", "149.8"),
    ("plates__0__u_ruler_mm", None, "form.plates.0.u_ruler_mm", "0.1 mm with a steel rule"),
    ("plates__0__u_ruler_mm", 0, "form.plates.0.u_ruler_mm", "0.1 mm with a steel rule"),
    ("plates__0__height_mm", 188.5, "form.plates.0.width_mm", "or neither"),
    ("plates__0__number", None, "form.plates.0.number", "figure printed on the plate"),
    ("plates__0__number", 4000, "form.plates.0.number", "Read it off the sheet again"),
    ("plates__0__number", 2, "form.plates.1.number", "stands twice"),
    ("plates__4__thickness_mm", None, "form.plates.4.thickness_mm", "Measure sheet and board"),
    ("rule_mm_per_m", None, "form.rule_mm_per_m", "over one metre"),
    ("rule_mm_per_m", 300, "form.rule_mm_per_m", "over one metre"),
    ("fixtures__0__name", " ", "form.fixtures.0.name", "Enter a name, e.g. front"),
    ("fixtures__0__plates", [None], "form.fixtures.0.name", "Enter one at least"),
    ("fixtures__0__targets__0__name", None, "form.fixtures.0.targets.0.name", "e.g. board"),
    ("fixtures__0__plates__0__position_mm__y", None, "form.fixtures.0.plates.0.position_mm.y", "is empty"),
    ("fixtures__0__targets__0__u_position_mm", 0, "form.fixtures.0.targets.0.u_position_mm", "above 0"),
    ("floor__0__u_flatness_mm", None, "form.floor.0.u_flatness_mm", "Enter e.g. 0.5"),
    ("scale_bars__0__other", None, "form.scale_bars.0.other", "figure printed on the plate"),
    ("scale_bars__0__other", 64, "form.scale_bars.0.one", "twice"),
    ("scale_bars__0__length_mm", 1, "form.scale_bars.0.length_mm", "1000 mm if these are metres"),
    ("datum_plates__0__name", "front_axle", "form.datum_plates.0.name", "another name"),
    ("datum_plates__0__u_mm", None, "form.datum_plates.0.u_mm", "Enter e.g. 1.0"),
    ("name", None, "form.name", "Enter e.g."),
    ("mats__0__name", None, "form.mats.0.name", "Enter a name, e.g. left"),
    ("mats__0__name", "front", "form.mats.0.name", "the name of a fixture"),
    ("mats__0__plates", [None, {"was": 1, "plate": 51, "position_mm": {"x": 1, "y": 2}, "u_position_mm": 1}],
     "form.mats.0.name", "Enter two at least"),
    ("mats__0__plates__0__plate", 51, "form.mats.0.plates.1.plate", "one place only"),
    ("mats__0__plates__0__position_mm__y", None, "form.mats.0.plates.0.position_mm.y", "is empty"),
    ("mats__0__plates__1__rotation_deg", 999, "form.mats.0.plates.1.rotation_deg", "allowed: -360 to 360"),
    ("mats__0__targets", [], "form.mats.0.name", "Enter one at least"),
    ("mats__0__targets__0__name", " ", "form.mats.0.targets.0.name", "e.g. mark"),
    ("mats__0__targets__0__u_rotation_deg", None, "form.mats.0.targets.0.u_rotation_deg", "e.g. 0.1"),
    ("levels__0__up", None, "form.levels.0.up", "if it hangs free"),
    ("levels__1__u_deg", 0, "form.levels.1.u_deg", "above 0"),
    ("levels__1__plate", None, "form.levels.1.plate", "figure printed on the plate"),
    ("fixtures__0__targets__0__label__plate", 7, "form.fixtures.0.targets.0.label.plate", "plates are"),
    ("fixtures__0__targets__0__label__position_mm__z", None,
     "form.fixtures.0.targets.0.label.position_mm.z", "is empty"),
    ("fixtures__0__targets__1__label", {"plate": 48}, "form.fixtures.0.targets.1.label.u_position_mm",
     "e.g. 0.2"),
]  # fmt: skip


@pytest.mark.parametrize(("field", "value", "where", "says"), PROBLEMS, ids=lambda one: str(one)[:40])
def test_each_problem_stands_at_its_field_and_says_what_to_do(store, reviewer, field, value, where, says):
    with store.writing() as db:
        kit_id = kits.add(db, reviewer, WHOLE, "").kit_id
    form = form_of(WHOLE, **{field: value})
    with pytest.raises(KitError) as caught, store.writing() as db:
        kits.revise_by_form(db, reviewer, kit_id, form, "x", based_on=1)
    told = dict(caught.value.problems)
    assert where in told and says in told[where]
    with store.reading() as db:
        assert kits.current(db, kit_id).revision == 1


def test_all_problems_are_told_at_once(store, reviewer):
    form = form_of(
        WHOLE, name=None, plates__0__number=None, wheels__rear_left__standoff_mm=0.12, floor__0__plate=None
    )
    with pytest.raises(KitError) as caught, store.writing() as db:
        kits.add_by_form(db, reviewer, form, "")
    assert {"form.plates.0.number", "form.wheels.rear_left.standoff_mm", "form.floor.0.plate"} <= set(
        dict(caught.value.problems)
    )


def test_a_doubt_is_asked_back_at_its_field(store, reviewer):
    form = form_of(WHOLE, fixtures__0__plates__0__rotation_deg__z=1.5708)
    with pytest.raises(DoubtError) as caught, store.writing() as db:
        kits.add_by_form(db, reviewer, form, "")
    assert caught.value.doubts[0][0] == "form.fixtures.0.plates.0.rotation_deg.x"
    with store.writing() as db:
        assert kits.add_by_form(db, reviewer, form, "", confirmed=True).confirmed


def test_a_technician_edits_no_kit_by_a_form_either(store, technician, reviewer):
    with store.writing() as db:
        kit_id = kits.add(db, reviewer, WHOLE, "").kit_id
        for act in (
            lambda: kits.add_by_form(db, technician, form_of(WHOLE), ""),
            lambda: kits.revise_by_form(db, technician, kit_id, form_of(WHOLE), "x", based_on=1),
        ):
            with pytest.raises(NotAllowedError):
                act()


def test_a_kit_is_made_and_revised_by_forms_over_http(client):
    editor = client("reviewer")
    made = editor.post("/api/kits/by-form", json={"form": json.loads(shown(WHOLE).model_dump_json())})
    assert made.status_code == 201, made.text
    kit_id = made.json()["kit_id"]
    form = json.loads(form_of(WHOLE, wheels__rear_left__standoff_mm=0.12).model_dump_json())
    wrong = editor.post(f"/api/kits/{kit_id}/by-form", json={"form": form, "says": "x", "based_on": 1})
    assert wrong.status_code == 422
    assert [one["where"] for one in wrong.json()["errors"]] == ["form.wheels.rear_left.standoff_mm"]
    file = editor.get(f"/api/kits/{kit_id}/file")
    assert "attachment" in file.headers["content-disposition"]
    assert set(file.json()["plates"]) == set(WHOLE["plates"])
