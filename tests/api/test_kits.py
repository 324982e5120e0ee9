"""Kits in revisions."""

import copy

import pytest

from api.problems import ConflictError, DoubtError, NotAcceptedError, NotAllowedError, NotThereError
from api.visits import kits
from vision.errors import KitError


def changed(file: dict, standoff_mm: float) -> dict:
    made = copy.deepcopy(file)
    made["wheels"]["front_left"]["standoff_mm"] = standoff_mm
    return made


def test_a_technician_may_neither_add_nor_revise_nor_retire(store, technician, kit, kit_json):
    with store.writing() as db:
        for act in (
            lambda: kits.add(db, technician, kit_json, ""),
            lambda: kits.revise(db, technician, kit.kit_id, kit_json, "x", based_on=1),
            lambda: kits.retire(db, technician, kit.kit_id),
        ):
            with pytest.raises(
                NotAllowedError, match="Only an owner or a reviewer edits kits; T. Example is a"
            ):
                act()


@pytest.mark.parametrize("role", ["reviewer", "owner"])
def test_a_reviewer_or_an_owner_adds_a_kit(store, caller, kit_json, role):
    editor = caller(role)
    with store.writing() as db:
        made = kits.add(db, editor, kit_json, " first measured ")
        view = kits.view(db, made)
    assert (view.revision, view.name, view.says, view.is_demo) == (1, "van 1", "first measured", False)
    assert view.file == kit_json and view.changed == []


def test_a_revision_says_what_changed_why_and_by_whom(store, reviewer, kit, kit_json):
    with store.writing() as db:
        made = kits.revise(db, reviewer, kit.kit_id, changed(kit_json, 121.5), "measured anew", based_on=1)
        view = kits.view(db, made)
    assert view.changed == ["wheels.front_left.standoff_mm: 120.0 -> 121.5"]
    assert (view.revision, view.says, view.by) == (2, "measured anew", "R. Example")


def test_earlier_revisions_stay_as_they_were(store, reviewer, kit, kit_json):
    with store.writing() as db:
        kits.revise(db, reviewer, kit.kit_id, changed(kit_json, 121.5), "measured anew", based_on=1)
    with store.reading() as db:
        assert kits.at(db, kit.kit_id, 1).file == kit_json
        assert kits.current(db, kit.kit_id).file == changed(kit_json, 121.5)
        assert [row.revision for row in kits.history(db, kit.kit_id)] == [2, 1]
        assert [(row.name, row.revision) for row in kits.listed(db)] == [("van 1", 2)]


def test_an_edit_begun_on_an_older_revision_is_refused(store, reviewer, kit, kit_json):
    with store.writing() as db:
        kits.revise(db, reviewer, kit.kit_id, changed(kit_json, 121.5), "one person", based_on=1)
        with pytest.raises(ConflictError, match='The kit "van 1" is at revision 2 by now'):
            kits.revise(db, reviewer, kit.kit_id, changed(kit_json, 122.0), "another", based_on=1)


def test_a_revision_needs_a_reason_and_a_difference(store, reviewer, kit, kit_json):
    with store.writing() as db:
        with pytest.raises(NotAcceptedError, match="Say what changed and why"):
            kits.revise(db, reviewer, kit.kit_id, changed(kit_json, 121.5), "  ", based_on=1)
        with pytest.raises(ConflictError, match="Nothing differs from revision 1"):
            kits.revise(db, reviewer, kit.kit_id, kit_json, "same", based_on=1)


def test_a_wrong_kit_is_refused_and_leaves_nothing(store, reviewer, kit_json):
    kit_json["wheels"]["front_left"]["standoff_mm"] = 0.12
    with pytest.raises(KitError, match="120 mm if these are metres"), store.writing() as db:
        kits.add(db, reviewer, kit_json, "")
    with store.reading() as db:
        assert kits.listed(db) == []


def test_a_kit_that_cannot_measure_a_vehicle_is_refused(store, reviewer, kit_json):
    del kit_json["wheels"]["rear_left"]
    with pytest.raises(KitError, match="Hang a plate on each rear wheel"), store.writing() as db:
        kits.add(db, reviewer, kit_json, "")


def test_a_kit_without_a_name_is_refused(store, reviewer, kit_json):
    kit_json["name"] = " "
    with pytest.raises(KitError, match='name is missing. Enter e.g. "van 1"'), store.writing() as db:
        kits.add(db, reviewer, kit_json, "")


def test_a_doubt_is_asked_back_and_kept_once_confirmed(store, reviewer, kit_json):
    kit_json["fixtures"]["front"]["plates"][0]["rotation_deg"] = [0, 1.5708, 0]
    with (
        pytest.raises(DoubtError, match="If these are radians, enter degrees") as caught,
        store.writing() as db,
    ):
        kits.add(db, reviewer, kit_json, "")
    assert caught.value.doubts[0][0] == "fixtures.front.plates[0].rotation_deg"
    with store.writing() as db:
        (kept,) = kits.view(db, kits.add(db, reviewer, kit_json, "", confirmed=True)).confirmed
    assert "radians" in kept


def test_a_retired_kit_is_offered_no_longer_and_stays(store, reviewer, kit, kit_json):
    with store.writing() as db:
        kits.retire(db, reviewer, kit.kit_id)
        with pytest.raises(ConflictError, match="This kit is retired"):
            kits.revise(db, reviewer, kit.kit_id, changed(kit_json, 121.5), "x", based_on=1)
    with store.reading() as db:
        assert kits.listed(db) == []
        assert [row.kit_id for row in kits.listed(db, with_retired=True)] == [kit.kit_id]
        with pytest.raises(ConflictError, match="Choose another one"):
            kits.for_visit(db, kit.kit_id)


@pytest.mark.parametrize("name", ["DEMO kit", "Demo van"])
def test_what_calls_itself_a_demo_is_one(store, reviewer, kit_json, name):
    with store.writing() as db:
        assert kits.add(db, reviewer, kit_json | {"name": name}, "").is_demo


def test_a_demo_stays_one_under_another_name(store, reviewer, demo_kit, kit_json):
    with store.writing() as db:
        assert kits.revise(db, reviewer, demo_kit.kit_id, kit_json, "renamed", based_on=1).is_demo


def test_an_unknown_kit_or_revision_is_said(store, kit):
    with store.reading() as db:
        with pytest.raises(NotThereError, match="no such kit"):
            kits.current(db, "none")
        with pytest.raises(NotThereError, match="no such revision"):
            kits.at(db, kit.kit_id, 7)
