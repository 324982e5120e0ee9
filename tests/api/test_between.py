"""What is required between two placements: kept in revisions, chosen in a visit, measured with both."""

import copy
import re
from dataclasses import replace
from types import SimpleNamespace

import pytest

from api.figures import Figures
from api.pages import showing
from api.pages.pages_visits import stand_next
from api.pages.words import load_words
from api.problems import ConflictError, DoubtError, NotAcceptedError, NotAllowedError
from api.visits import inputs, placements, rounds, visits
from api.visits.placements import Typed
from calib_data.visit import CountedShift
from vision.advice import JudgedValue, Reach
from vision.errors import PlacementError
from vision.kit import Placement, Tolerance
from vision.other_moves import Stand

TYPED = Typed("An invented procedure", "2026-02")


def asked(nominal, width=5):
    return {"nominal": nominal, "minus": width, "plus": width}


PAIR = {
    "format": "plumbsight.relation/1",
    "name": "near and far board",
    "of": ["board near", "board far"],
    "values": {"distance_difference_mm": asked(-1500)},
}
MOVE = {
    "format": "plumbsight.shift/1",
    "name": "near to far",
    "from": "board near",
    "to": "board far",
    "values": {"distance_mm": asked(1500)},
}


@pytest.fixture
def stand(store, reviewer, kit, placement_json):
    """Two placements of one board; their ids."""
    with store.writing() as db:
        return [
            placements.add(db, reviewer, placement_json | {"name": name}, TYPED).placement_id
            for name in ("board near", "board far")
        ]


@pytest.fixture
def between_them(store, reviewer, stand):
    """A relation and a shift of both; their ids."""
    with store.writing() as db:
        return [placements.add(db, reviewer, file, TYPED).placement_id for file in (PAIR, MOVE)]


def test_they_have_revisions_permission_history_and_are_retired(store, technician, reviewer, between_them):
    pair, move = between_them
    wider = copy.deepcopy(MOVE)
    wider["values"]["distance_mm"]["plus"] = 8
    with store.writing() as db:
        with pytest.raises(NotAllowedError):
            placements.add(db, technician, PAIR, TYPED)
        says = replace(TYPED, says="a newer edition")
        view = placements.view(db, placements.revise(db, reviewer, move, wider, says, based_on=1))
        assert (view.kind, view.revision) == ("shift", 2)
        assert view.changed == ["values.distance_mm.plus: 5 -> 8"]
        assert view.read_back == ["distance: from 1495 to 1508 mm, 13 mm from edge to edge"]
        with pytest.raises(NotAcceptedError, match="This is a relation, and the file is a shift's"):
            placements.revise(db, reviewer, pair, MOVE, says, based_on=1)
        placements.retire(db, reviewer, pair)
        assert [row.name for row in placements.listed_between(db)] == ["near to far"]
        assert {row.name for row in placements.listed(db)} == {"board near", "board far"}


WRONG = [
    (PAIR, {"of": ["board near", "bord"]}, r'of\[1\] is "bord", but the shop\'s placements are "bo'),
    (PAIR, {"of": ["board near"] * 2}, "names one placement twice"),
    (PAIR, {"of": None}, r"\(of\) is not filled in"),
    (PAIR, {"values": {}}, "values"),
    (PAIR, {"values": {"spacing_mm": asked(None)}}, "is not filled in"),
    (MOVE, {"from": 3}, 'It is the name of the placement in the earlier round. Enter e.g. "board near"'),
    (MOVE, {"to": "elsewhere"}, 'to is "elsewhere", but the shop\'s placements are'),
    (MOVE, {"values": {"range_mm": asked(5)}}, "needs one origin in both placements"),
    (MOVE, {"values": {"yaw_deg": asked(2, 60)}}, "If these are minutes of arc"),
    (MOVE, {"step": {"yaw_deg": 2}}, "is a step of a value that is not required"),
]  # fmt: skip


def test_what_is_wrong_is_said_with_what_to_do(store, reviewer, stand):
    for file, changed, says in WRONG:
        with pytest.raises(PlacementError, match=says), store.writing() as db:
            placements.add(db, reviewer, file | changed, TYPED)


def test_two_datums_have_no_common_distance_and_two_lines_nothing(store, reviewer, stand, placement_json):
    other = placement_json | {"name": "from behind", "datum": "rear_axle"}
    lines = {"centreline": "thrust_line", "thrust_line": "centreline"}
    by_line = placement_json | {
        "name": "by the other line",
        "reference_line": lines[placement_json["reference_line"]],
    }
    with store.writing() as db:
        for file in (other, by_line):
            placements.add(db, reviewer, file, TYPED)
        with pytest.raises(PlacementError, match="has no difference"):
            placements.add(db, reviewer, MOVE | {"to": "from behind"}, TYPED)
        with pytest.raises(PlacementError, match="another reference line"):
            placements.add(db, reviewer, MOVE | {"to": "by the other line"}, TYPED)


def test_a_template_as_it_stands_is_refused(store, reviewer, stand):
    ours = [
        (one.family, file) for one in placements.templates() for file in (one.relation, one.shift) if file
    ]
    assert {file["format"] for _, file in ours} == {PAIR["format"], MOVE["format"]}
    for family, file in ours:
        with pytest.raises(PlacementError, match="is not filled in"), store.writing() as db:
            placements.add(db, reviewer, file, replace(TYPED, family=family))


def test_an_unusual_figure_is_asked_back(store, reviewer, stand):
    of_family = replace(TYPED, family="board_near_and_far")
    with pytest.raises(DoubtError, match="whole width"), store.writing() as db:
        placements.add(db, reviewer, MOVE | {"values": {"distance_mm": asked(1500, 16)}}, of_family)


def test_a_visit_chooses_them_and_passes_relations_on(store, bay, stand, between_them):
    visit = bay.begin(placement_ids=stand, between_ids=between_them)
    view = bay.summary(visit)
    assert [one.name for one in view.placements] == ["board near", "board far"]
    assert ([one.name for one in view.relations], [one.name for one in view.shifts]) == (
        ["near and far board"],
        ["near to far"],
    )
    one = bay.open(visit)
    with store.reading() as db:
        given = inputs.of_round(db, one.id)
        defaults = visits.defaults(db)
    assert [part["file"]["name"] for part in given["relations"]] == ["near and far board"]
    assert (defaults.placement_ids, set(defaults.between_ids)) == (stand, set(between_them))


def test_a_visit_without_them_has_inputs_as_ever(store, bay):
    one = bay.open(bay.begin())
    with store.reading() as db:
        assert set(inputs.of_round(db, one.id)) == {"vehicle", "kit", "placements"}


def test_a_visit_takes_none_of_placements_that_it_does_not_check(bay, stand, between_them):
    with pytest.raises(PlacementError, match='of\\[1\\] is "board far", but the visit\'s placements are'):
        bay.begin(placement_ids=stand[:1], between_ids=between_them[:1])
    with pytest.raises(NotAcceptedError, match="is a placement. Choose it among the placements"):
        bay.begin(placement_ids=stand, between_ids=stand[:1])
    with pytest.raises(NotAcceptedError, match="is a relation. Choose it beside the placements"):
        bay.begin(placement_ids=between_them[:1])
    with pytest.raises(NotAcceptedError, match="chosen twice"):
        bay.begin(placement_ids=stand, between_ids=between_them[:1] * 2)


def test_a_shift_of_a_value_that_its_target_has_not_is_refused_with_the_kit(store, reviewer, bay, stand):
    with store.writing() as db:
        file = MOVE | {"values": {"heading_deg": asked(2, 0.5)}}
        shift = placements.add(db, reviewer, file, TYPED).placement_id
    with pytest.raises(PlacementError, match="has no meaning for a target that stands"):
        bay.begin(placement_ids=stand, between_ids=[shift])


def test_a_round_measures_what_stands_in_it(store, technician, bay, stand, between_them):
    near, far = stand
    visit = bay.begin(placement_ids=stand, between_ids=between_them)
    with store.writing() as db:
        one = rounds.open(db, technician, visit.id, "first", [near])
        given = inputs.of_round(db, one.id)
        assert [part["id"] for part in given["placements"]] == [near] and "relations" not in given
        assert rounds.stand(db, technician, one.id, [far]).standing == [far]
        assert rounds.stand(db, technician, one.id, [far, near]).standing is None
        with pytest.raises(ConflictError, match="has it so already"):
            rounds.stand(db, technician, one.id, None)
        with pytest.raises(NotAcceptedError, match="at least one placement"):
            rounds.stand(db, technician, one.id, [])
        with pytest.raises(NotAcceptedError, match="not checked by the visit"):
            rounds.stand(db, technician, one.id, ["none"])
        rounds.stand(db, technician, one.id, [near])
        db.expunge(one)
    assert bay.summary(visit).rounds[0].standing == ["board near"]
    bay.close(one)
    with pytest.raises(NotAcceptedError, match="Say why another"), store.writing() as db:
        rounds.stand(db, technician, one.id, [far])
    with store.writing() as db:
        rounds.stand(db, technician, one.id, [far], "the board was moved before")
    said = bay.summary(visit).deviations[-1].says
    assert said == 'In round 1 stood "board far", not "board near": the board was moved before'


def test_what_stood_and_is_checked_no_longer_lets_all_be_measured(store, technician, bay, stand):
    near, far = stand
    visit = bay.begin(placement_ids=stand)
    with store.writing() as db:
        one = rounds.open(db, technician, visit.id, "first", [near])
        visits.use_placements(db, technician, visit.id, [far], "another procedure")
        assert [part["id"] for part in inputs.of_round(db, one.id)["placements"]] == [far]


def test_the_visits_relations_stay_unless_others_are_named(store, technician, bay, stand, between_them):
    visit = bay.begin(placement_ids=stand, between_ids=between_them)
    with store.writing() as db:
        with pytest.raises(PlacementError, match='but the visit\'s placements are "board near"'):
            visits.use_placements(db, technician, visit.id, stand[:1], "only near")
        visits.use_placements(db, technician, visit.id, stand[:1], "only near", between_ids=[])
        assert [row.name for row in inputs.required_of(db, visit.id).rows] == ["board near"]
    assert 'to "board near" revision 1' in bay.summary(visit).deviations[-1].says


# --- pages ----------------------------------------------------------------------------------------


def test_the_pages_of_both_kinds_show_and_edit_them_without_a_number_filled_in(client, stand, between_them):
    desk = client("reviewer")
    listed = desk.get("/placements").text
    assert "near and far board" in listed and "From board near to board far" in listed
    for one in between_them:
        page = desk.get(f"/placements/{one}").text  # led on to its own page
        assert "An invented procedure" in page and "board near</a>" in page
        assert 'value="board near" checked' in desk.get(f"/between/{one}/edit").text
    for kind, family in (("relation", "boards_pair"), ("shift", "board_near_and_far"), ("relation", "")):
        form = desk.get(f"/between/new?kind={kind}&family={family}").text
        assert "board far" in form and not re.search(r'value="board \w+" checked', form)
        figures = re.findall(r'name="file\.(?:values|step)[^"]*"[^>]*value="([^"]*)"', form)
        assert figures and set(figures) == {""}
    assert "plumbsight.shift/1" in desk.get("/between/new/file").text


def test_a_name_that_the_shop_has_no_more_is_told(client, store, reviewer, stand, between_them):
    with store.writing() as db:
        placements.retire(db, reviewer, stand[1])
    page = client("reviewer").get(f"/between/{between_them[0]}").text
    assert "No placement of the shop is called board far now." in page


def test_a_visits_page_leads_from_near_to_far(client, store, technician, bay, stand, between_them):
    phone = client("technician")
    assert "near to far" in phone.get("/visits/new").text
    visit = bay.begin(placement_ids=stand, between_ids=between_them[1:])
    page = phone.get(f"/visits/{visit.id}").text
    assert 'value="' + stand[0] + '" data-many checked' in page
    assert 'value="' + stand[1] + '" data-many checked' not in page
    assert "Photograph &#34;board near&#34; first" in page
    assert "The first stand, board near, has not been photographed yet." in page and "Undecided" not in page
    with store.writing() as db:
        one = rounds.open(db, technician, visit.id, "first", stand[:1]).id
    assert "Of board near" in phone.get(f"/rounds/{one}").text
    decision = phone.get(f"/api/visits/{visit.id}/decision").json()
    assert decision["decision"] == "undecided"
    assert decision["counted"][0]["says"] == "Round 1 still takes photos. Close it once it has enough."
    for path in (f"/visits/{visit.id}/sign", "/visits"):
        assert phone.get(path).status_code == 200


def test_what_most_likely_stands_next_is_the_second_once_the_first_conforms():
    shift = SimpleNamespace(file=MOVE)
    view = SimpleNamespace(
        rounds=[], shifts=[shift], placements=[SimpleNamespace(name=name) for name in PAIR["of"]]
    )
    for decision, stands in (("conforming", "board far"), ("nonconforming", "board near")):
        counted = (SimpleNamespace(name="board near", decision=decision),)
        assert stand_next(view, SimpleNamespace(counted=counted)) == [stands]


def test_a_relations_advice_and_a_shifts_difference_are_shown_in_this_devices_units():
    value = {"value": 25.4, "u": 0.5, "interval95": [24.4, 26.4], "p_conform": 0.0}
    value |= {"nominal": 0.0, "minus": 5.0, "plus": 5.0, "decision": "nonconforming"}
    says = "Move the target 25 mm to the vehicle's right (as seen sitting in it)."
    told = {"decision": "nonconforming", "values": {"lateral_mm": value}, "says": [], "advice": [says]}
    placement = Placement("far", "front", "board", "centreline", "front_axle")
    judged = {"lateral_mm": JudgedValue(35.4, 0.5, Tolerance(10.0, 5.0, 5.0), "nonconforming")}
    stand = Stand(placement, False, judged, {"lateral_mm": 35.4, "yaw_deg": 0.0}, Reach(0.0, (0, 0, 0)))
    shift = CountedShift(1, 2, told | {"name": "a", "from": "near", "to": "far"}, stand)
    shown = showing.show_shift(shift, load_words(), Figures("in", "."))
    assert shown.where == "From near in round 1 to far in round 2"
    assert shown.values[0].figure.startswith("1.00") and not shown.is_bare
    (move,) = shown.moves
    assert move.says == "Move the target 1.00 in to the vehicle's right (as seen sitting in it)."
    assert (move.at_target, move.in_vehicle) == ("left", "right")
