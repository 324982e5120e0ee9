"""Placements in revisions, filled in by the shop."""

import copy
import re
from dataclasses import replace

import pytest

from api.figures import Figures
from api.problems import ConflictError, DoubtError, NotAcceptedError, NotAllowedError, NotThereError
from api.visits import demo, kits, placements
from api.visits.placements import Typed
from calib_data.formats import KitFile
from vision.errors import PlacementError

TYPED = Typed("An invented procedure", "2026-02", "board_ahead")


def with_value(file: dict, key: str, nominal: float, width: float) -> dict:
    made = copy.deepcopy(file)
    made["values"][key] = {"nominal": nominal, "minus": width, "plus": width}
    return made


def test_a_technician_may_neither_add_nor_revise_nor_retire(store, technician, placement, placement_json):
    with store.writing() as db:
        for act in (
            lambda: placements.add(db, technician, placement_json, TYPED),
            lambda: placements.revise(db, technician, placement.placement_id, {}, TYPED, based_on=1),
            lambda: placements.retire(db, technician, placement.placement_id),
        ):
            with pytest.raises(NotAllowedError, match="Only an owner or a reviewer edits placements"):
                act()


def test_procedure_edition_and_who_typed_it_are_kept(store, placement):
    with store.reading() as db:
        view = placements.view(db, placements.current(db, placement.placement_id))
    assert (view.procedure_title, view.procedure_edition) == ("An invented procedure", "2026-02")
    assert (view.by, view.family, view.confirmed) == ("R. Example", "board_ahead", [])


def test_the_tolerances_are_read_back_from_edge_to_edge(store, placement):
    with store.reading() as db:
        view = placements.view(db, placements.current(db, placement.placement_id))
    assert view.read_back == [
        "distance: from 2494 to 2506 mm, 12 mm from edge to edge",
        "lateral: from −4 to 4 mm, 8 mm from edge to edge",
        "yaw: from −0.3 to 0.3 degrees, 0.6 degrees from edge to edge",
    ]
    in_inches = placements.read_back(view.file, Figures("in", ","))
    assert in_inches[:2] == [
        "distance: from 98,189 to 98,661 in, 0,472 in from edge to edge",
        "lateral: from −0,157 to 0,157 in, 0,315 in from edge to edge",
    ]


@pytest.mark.parametrize("family", [template.family for template in placements.templates()])
def test_a_template_as_it_stands_is_refused(store, reviewer, family):
    template = next(one for one in placements.templates() if one.family == family)
    with pytest.raises(PlacementError, match="is not filled in"), store.writing() as db:
        placements.add(db, reviewer, template.placement, replace(TYPED, family=family))


def test_a_single_empty_field_is_named(store, reviewer, placement_json):
    placement_json["values"]["yaw_deg"]["plus"] = None
    with pytest.raises(PlacementError) as caught, store.writing() as db:
        placements.add(db, reviewer, placement_json, TYPED)
    assert "values.yaw_deg.plus (values, yaw deg, plus) is not filled in" in str(caught.value)
    assert "Take the value out if the procedure asks for none." in str(caught.value)


@pytest.mark.parametrize(
    ("typed", "where"),
    [
        (replace(TYPED, procedure_title=" "), "procedure_title"),
        (replace(TYPED, procedure_edition=""), "procedure_edition"),
    ],
)
def test_without_procedure_or_edition_nothing_is_taken(store, reviewer, kit, placement_json, typed, where):
    with pytest.raises(NotAcceptedError, match="Enter the") as caught, store.writing() as db:
        placements.add(db, reviewer, placement_json, typed)
    assert caught.value.where == where


def test_a_family_that_is_not_there_is_refused(store, reviewer, kit, placement_json):
    says = 'no family "boards". The families are board_ahead'
    with pytest.raises(NotAcceptedError, match=says), store.writing() as db:
        placements.add(db, reviewer, placement_json, replace(TYPED, family="boards"))


def test_a_placement_without_values_is_refused(store, reviewer, placement_json):
    with pytest.raises(PlacementError, match="at least one value"), store.writing() as db:
        placements.add(db, reviewer, placement_json | {"values": {}}, TYPED)


def test_an_angle_that_is_no_tolerance_cannot_be_confirmed(store, reviewer, kit, placement_json):
    file = with_value(placement_json, "yaw_deg", 0, 60)
    with pytest.raises(PlacementError, match="If these are minutes of arc, enter 1"), store.writing() as db:
        placements.add(db, reviewer, file, replace(TYPED, confirmed=True))


def test_a_doubt_is_asked_back_and_kept_once_confirmed(store, reviewer, kit, placement_json):
    file = with_value(placement_json, "lateral_mm", 0, 16)
    with pytest.raises(DoubtError, match="If it is meant so, confirm it") as caught, store.writing() as db:
        placements.add(db, reviewer, file, TYPED)
    assert [where for where, _ in caught.value.doubts] == [
        "values.lateral_mm.minus",
        "values.lateral_mm.plus",
    ]
    with store.reading() as db:
        assert placements.listed(db) == []
    with store.writing() as db:
        made = placements.add(db, reviewer, file, replace(TYPED, confirmed=True))
        assert "whole width from edge to edge, enter 8" in placements.view(db, made).confirmed[0]


@pytest.mark.parametrize(("key", "value"), [("fixture", "rear"), ("target", "bord"), ("datum", "emblem")])
def test_what_no_kit_of_the_shop_serves_is_asked_back(store, reviewer, kit, placement_json, key, value):
    with pytest.raises(DoubtError, match="which no kit of this shop has together"), store.writing() as db:
        placements.add(db, reviewer, placement_json | {key: value}, TYPED)


def test_a_revision_says_what_changed(store, reviewer, placement, placement_json):
    file = with_value(placement_json, "lateral_mm", 0, 5)
    typed = replace(TYPED, procedure_edition="2026-03", says="newer edition")
    with store.writing() as db:
        made = placements.revise(db, reviewer, placement.placement_id, file, typed, based_on=1)
        view = placements.view(db, made)
    assert view.changed == [
        'procedure_edition: "2026-02" -> "2026-03"',
        "values.lateral_mm.minus: 4 -> 5",
        "values.lateral_mm.plus: 4 -> 5",
    ]
    with store.reading() as db:
        assert placements.at(db, placement.placement_id, 1).file == placement_json
        assert [row.revision for row in placements.history(db, placement.placement_id)] == [2, 1]


def test_a_revision_needs_a_reason_a_difference_and_the_current_one(
    store, reviewer, placement, placement_json
):
    one = placement.placement_id
    with store.writing() as db:
        with pytest.raises(NotAcceptedError, match="which edition of the procedure"):
            placements.revise(db, reviewer, one, placement_json, TYPED, based_on=1)
        with pytest.raises(ConflictError, match="Nothing differs"):
            placements.revise(db, reviewer, one, placement_json, replace(TYPED, says="x"), based_on=1)
        with pytest.raises(ConflictError, match="is at revision 1 by now"):
            placements.revise(db, reviewer, one, placement_json, replace(TYPED, says="x"), based_on=0)


def test_placements_are_held_against_the_visits_kit(store, reviewer, kit, placement, placement_json):
    with store.writing() as db:
        elsewhere = placement_json | {"name": "other", "fixture": "rear"}
        other = placements.add(db, reviewer, elsewhere, replace(TYPED, confirmed=True)).placement_id
    file = KitFile.model_validate(kit.file)
    with store.reading() as db:
        with pytest.raises(
            PlacementError, match='placement "other": fixture is "rear", but the kit has "front"'
        ):
            placements.for_visit(db, [other], file)
        with pytest.raises(NotAcceptedError, match="Choose at least one placement"):
            placements.for_visit(db, [], file)
        with pytest.raises(NotAcceptedError, match="chosen twice"):
            placements.for_visit(db, [placement.placement_id] * 2, file)
        with pytest.raises(NotThereError, match="no such placement"):
            placements.for_visit(db, ["none"], file)


def test_two_placements_of_one_name_are_refused_in_a_visit(store, reviewer, kit, placement, placement_json):
    with store.writing() as db:
        twin = placements.add(db, reviewer, placement_json, TYPED).placement_id
        with pytest.raises(NotAcceptedError, match="Give one another name"):
            placements.for_visit(db, [placement.placement_id, twin], KitFile.model_validate(kit.file))


def test_a_retired_placement_is_not_used_again(store, reviewer, kit, placement):
    with store.writing() as db:
        placements.retire(db, reviewer, placement.placement_id)
        assert placements.listed(db) == []
        with pytest.raises(ConflictError, match="This placement is retired"):
            placements.for_visit(db, [placement.placement_id], KitFile.model_validate(kit.file))


@pytest.mark.parametrize("lay_in", [demo.lay_in, demo.lay_in_three])
def test_a_demo_is_laid_in_once_and_marked(lay_in, store, reviewer):
    with store.writing() as db:
        first, again = lay_in(db, reviewer), lay_in(db, reviewer)
        assert first == again and all(row.is_demo for row in (first.kit, *first.placements))
        assert placements.for_visit(
            db, [row.placement_id for row in first.placements], kits.checked(first.kit.file)
        )


def test_a_mat_of_the_shops_kit_serves_its_placement(store, reviewer, kit_json, placement_json):
    """Two spare plates on a mat; its gap counts from a wheel."""
    spare = [{"plate": n, "position_mm": [x, 0], "u_position_mm": 1.0} for n, x in ((50, -300), (51, 300))]
    mark = {"position_mm": [0, 0], "u_position_mm": 0.5, "u_rotation_deg": 0.1}
    sheets = {"50": {"layout": "ring13"}, "51": {"layout": "ring13"}}
    mats = {"left": {"plates": spare, "targets": {"mark": mark}}}
    with store.writing() as db:
        kits.add(db, reviewer, kit_json | {"plates": kit_json["plates"] | sheets, "mats": mats}, "with a mat")
    gap = {"gap_mm": {"nominal": 500, "minus": 15, "plus": 15}}
    of_mat = {
        "fixture": "left",
        "target": "mark",
        "origin": {"at": "rear_left", "axis_deg": 90},
        "values": gap,
    }
    with store.writing() as db:
        made = placements.add(
            db, reviewer, placement_json | of_mat | {"values": gap}, replace(TYPED, family="mat_round")
        )
        assert placements.view(db, made).confirmed == []


OFFERED = {
    # family, values that its form asks, values that it offers besides, and some that it does not
    "mat_round": ("gap_mm flatness_mm", "tilt_along_deg bearing_deg", "yaw_deg height_mm roll_deg"),
    "board_ahead": ("distance_mm yaw_deg roll_deg", "range_mm gap_mm", "heading_deg pitch_plumb_deg"),
    "reflector_from_sensor": ("range_mm bearing_deg height_mm", "distance_mm yaw_deg", "tilt_along_deg"),
    "plate_ahead": ("distance_mm yaw_deg pitch_deg", "roll_deg lateral_mm", "heading_deg"),
}  # fmt: skip


@pytest.mark.parametrize("family", OFFERED)
def test_a_form_offers_what_makes_sense_for_its_kind_and_no_number(client, kit, family):
    page = client("reviewer").get(f"/placements/new?family={family}").text
    asked, besides, never = (set(keys.split()) for keys in OFFERED[family])
    rows = {
        key: row
        for row in page.split("<details ")
        for key in re.findall(r'name="file\.values\.(\w+)\.nominal"', row)
    }
    assert asked | besides <= set(rows) and not never & set(rows)
    assert not any("disabled hidden" in rows[key] for key in asked)  # what is out sends nothing
    assert all("disabled hidden" in rows[key] for key in besides)
    assert set(re.findall(r'name="file\.(?:values|origin|facing)[^"]*"[^>]*value="([^"]*)"', page)) <= {
        "",
        *ORIGINS,
    }


ORIGINS = ("front_axle", "rear_axle", "front_left", "front_right", "rear_left", "rear_right")


def test_a_value_put_in_and_left_empty_is_refused_and_a_range_needs_its_start(
    store, reviewer, placement_json
):
    empty = placement_json | {"values": {"range_mm": {"nominal": None, "minus": None, "plus": None}}}
    with pytest.raises(PlacementError, match="Take the value out"), store.writing() as db:
        placements.add(db, reviewer, empty, TYPED)
    file = with_value(placement_json, "range_mm", 1500, 10)
    with pytest.raises(PlacementError, match="Enter where it starts"), store.writing() as db:
        placements.add(db, reviewer, file, TYPED)
    offset = file | {"origin": {"at": "front_left", "offset_mm": [100, 0]}}
    with pytest.raises(PlacementError, match="uncertainty of the offset"), store.writing() as db:
        placements.add(db, reviewer, offset, TYPED)
