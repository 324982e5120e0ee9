"""Whether a kit can prove a placement: the core's own answer, worked out once, in a worker."""

from concurrent.futures import Future
from dataclasses import replace

import pytest

from api.photos.outlooks import Asked, Outlooks, PlacementOutlook, answer, first_answer
from api.problems import NotAcceptedError
from api.visits import firstkits, placements
from api.visits.firstkits import FirstKit, RulerRead, Spot
from api.visits.kitform import Vector
from calib_data.layouts import load_layouts
from calib_data.photoset import task_of
from calib_data.starting import Answers
from vision.errors import KitError
from vision.kit import Relation, Shift
from vision.provable import Betterment, RoundOutlook, ShiftOutlook, VisitOutlook, outlook

N_PHOTOS = 4


@pytest.fixture
def wide(placement_json):
    """Tolerances that any kit proves, so that no betterment is looked for, which takes long."""
    values = {"distance_mm": (2500, 100), "lateral_mm": (0, 100), "yaw_deg": (0, 5)}
    made = {key: {"nominal": n, "minus": half, "plus": half} for key, (n, half) in values.items()}
    return placement_json | {"values": made}


@pytest.fixture(scope="module")
def core_says():
    """The core's own outlook for files, worked out once."""
    known = {}

    def of(kit, placement):
        if "it" not in known:
            task = task_of(kit, {}, [placement])
            known["it"] = outlook(task.kit, task.placements, task.vehicle, load_layouts(), N_PHOTOS)
        return known["it"]

    return of


def says(monkeypatch, expected, asked=None, shifts=()):
    """The core answers with this, of one round with one placement."""
    whole = VisitOutlook((RoundOutlook((0,), tuple(range(len(expected.bay.relations))), expected),), shifts)

    def answered(*given, **_):
        if asked is not None:
            asked.append(given)
        return whole

    monkeypatch.setattr("api.photos.outlooks.visit_outlook", answered)


def test_the_answer_is_the_cores_own(kit_json, wide, core_says, monkeypatch):
    expected = core_says(kit_json, wide)
    asked = []
    says(monkeypatch, expected, asked)
    (told,) = answer(Asked(kit_json, [wide], {"wheelbase_mm": 2712.0}, n_photos=N_PHOTOS))
    assert asked[0][2].wheelbase_mm == 2712.0 and asked[0][4] == N_PHOTOS
    assert told.can_be_proved and {f"0:{v.key}": v.u for v in told.values} == {
        key: value.u for key, value in expected.values.items()
    }
    assert len(told.stations) == N_PHOTOS and "phone" in told.stations[0]
    assert all(0.5 < sum(v.limits.values()) <= 1 + 1e-9 and len(v.limits) <= 3 for v in told.values)


def test_what_would_have_to_be_better_is_told_where_something_cannot_be_proved(
    kit_json, wide, core_says, monkeypatch
):
    # Working betterments out takes long; tests/tools/test_cli_plan.py holds the core to them.
    better = Betterment("Measure the clamps.", {"0:lateral_mm": 0.4}, proves=True)
    expected = core_says(kit_json, wide)
    lateral = replace(expected.values["0:lateral_mm"], conforming=None)
    values = {**expected.values, "0:lateral_mm": lateral}
    lacking = replace(expected, values=values, betterments=(better,))
    says(monkeypatch, lacking)
    (told,) = answer(Asked(kit_json, [wide], {}))
    assert not told.can_be_proved and told.says.startswith("CANNOT BE PROVED as things are: lateral")
    assert [(b.says, b.u, b.proves) for b in told.betterments] == [
        ("Measure the clamps.", {"lateral_mm": 0.4}, True)
    ]


def test_what_is_required_between_two_placements_has_an_answer_of_its_own(
    kit_json, wide, core_says, monkeypatch
):
    expected = core_says(kit_json, wide)
    lateral = expected.values["0:lateral_mm"]
    pair = Relation("pair", (0, 1), {"spacing_mm": lateral.tolerance})
    related = replace(
        expected,
        values={**expected.values, "r0:spacing_mm": lateral},
        bay=replace(expected.bay, relations=(pair,)),
    )
    far = Shift("near to far", (0, 1), {"distance_mm": lateral.tolerance})
    says(monkeypatch, related, shifts=(ShiftOutlook(far, (0, 1), {"distance_mm": lateral}),))
    told = answer(Asked(kit_json, [wide], {}))
    named = [(one.placement, one.kind, [value.key for value in one.values]) for one in told]
    keys = [key.removeprefix("0:") for key in expected.values]
    name = wide["name"]
    assert named == [
        (name, "placement", keys), ("pair", "relation", ["spacing_mm"]),
        ("near to far", "shift", ["distance_mm"]),
    ]  # fmt: skip
    assert told[1].values[0].u == lateral.u and told[1].stations == told[0].stations
    assert "Not forecast is whether vehicle" in told[2].says and told[2].stations == []


def test_a_kit_without_the_placements_fixture_is_told_in_words(kit_json, placement_json):
    (told,) = answer(Asked(kit_json, [placement_json | {"fixture": "rear"}], {}))
    assert not told.can_be_proved and 'fixture is "rear", but the kit has "front"' in told.says


# --- remembered -------------------------------------------------------------------------------------


class Bench:
    """Work that ends when the test says so."""

    def __init__(self):
        self.futures = []

    def __call__(self, function, question):
        self.futures.append(Future())
        return self.futures[-1]


def test_a_question_is_worked_out_once_and_a_failed_one_again():
    bench = Bench()
    outlooks = Outlooks(bench)
    question = Asked({"a": 1}, {"b": 2}, {})
    key = outlooks.ask(question)
    assert outlooks.ask(Asked({"a": 1}, {"b": 2}, {})) == key and len(bench.futures) == 1
    assert outlooks.found(key) is None
    bench.futures[0].set_exception(MemoryError())
    with pytest.raises(NotAcceptedError, match="could not be worked out"):
        outlooks.found(key)
    assert outlooks.ask(question) == key and len(bench.futures) == 2
    bench.futures[1].set_result("done")
    assert outlooks.found(key) == "done"
    with pytest.raises(NotAcceptedError, match="Ask again"):
        outlooks.found("0" * 64)


def test_only_the_latest_questions_are_remembered():
    outlooks = Outlooks(Bench())
    first = outlooks.ask(Asked({"n": 0}, {}, {}))
    for n in range(1, 65):
        outlooks.ask(Asked({"n": n}, {}, {}))
    with pytest.raises(NotAcceptedError):
        outlooks.found(first)


def test_a_placement_is_worked_out_in_a_worker(client, store, reviewer, kit, wide, core_says):
    with store.writing() as db:
        typed = placements.Typed("An invented procedure", "2026-02", confirmed=True)
        placement_id = placements.add(db, reviewer, wide, typed).placement_id
    asked = {"kit_id": kit.kit_id, "n_photos": N_PHOTOS}
    told = client("technician").get(f"/api/placements/{placement_id}/outlook", params=asked)
    assert told.status_code == 200, told.text
    expected = core_says(kit.file, wide)
    # A worker's libraries use one thread: the last digits may differ.
    assert {f"0:{v['key']}": v["u"] for v in told.json()["values"]} == pytest.approx(
        {key: value.u for key, value in expected.values.items()}, rel=1e-4
    )


def test_a_visit_asks_with_its_own_kit_placements_and_vehicle(client, app, bay, placement):
    visit, phone, asked = bay.begin(), client("technician"), []

    def schedule(function, question):
        asked.append(question)
        done = Future()
        one = PlacementOutlook(placement="a", kit="b", n_photos=3, can_be_proved=True, says="c")
        done.set_result((one,))
        return done

    app.state.service = replace(app.state.service, outlooks=Outlooks(schedule))
    answers = phone.get(f"/api/visits/{visit.id}/outlook", params={"n_photos": 3}).json()
    assert [one["says"] for one in answers] == ["c"]
    assert asked[0].vehicle == visit.vehicle and asked[0].n_photos == 3
    assert (asked[0].kit, asked[0].placements) == (bay.kit.file, [placement.file])


# --- a first kit ------------------------------------------------------------------------------------

MEASURED = FirstKit(
    name="van 1",
    standoffs_mm=dict.fromkeys(firstkits.WHEELS, 121.0),
    fixture_plates=[Spot(y=350, z=0), Spot(y=-350, z=0)],
    target_mm=Vector(x=12, y=0, z=-200),
    n_floor=3,
    rulers=[RulerRead(plate=4, mm=149.8), RulerRead(plate=5)],
    bar_mm=1000.0,
    rule="tape",
)


def test_a_first_kit_is_the_command_lines_own(client):
    editor = client("reviewer")
    body = {"first": MEASURED.model_dump(), "says": "measured today"}
    made = editor.post("/api/kits/first", json=body)
    assert made.status_code == 201, made.text
    file = made.json()["file"]
    assert file["plates"]["4"]["printed_scale"] == round(149.8 / 150, 6)
    assert "printed_scale" not in file["plates"]["5"] and file["plates"]["10"]["thickness_mm"] == 3.0
    assert {w["standoff_mm"] for w in file["wheels"].values()} == {121.0}
    assert file["u_ruler_scale"] == 0.001  # a tape's, as calib_data/FIRST_HOUR.md has it
    assert len(file["floor"]) == 3 and file["scale_bars"][0]["length_mm"] == 1000.0
    assert client("technician").post("/api/kits/first", json=body).status_code == 403


@pytest.mark.parametrize(
    ("change", "where", "says"),
    [
        ({"standoffs_mm": {"rear_left": 0.12, "rear_right": 120}}, "standoffs_mm.rear_left", "are metres"),
        ({"standoffs_mm": {"front_left": 120, "front_right": 120}}, "standoffs_mm.rear_left", "and no"),
        ({"standoffs_mm": {}}, "standoffs_mm.rear_left", "Hang a plate on each rear wheel"),
        ({"target_mm": Vector(x=1, z=2)}, "target_mm.y", "is empty"),
        ({"fixture_plates": [Spot(y=350), Spot(y=-350, z=0)]}, "fixture_plates.0.z", "plate's centre"),
        ({"fixture_plates": [Spot(y=1, z=0), Spot(y=1, z=0)]}, "fixture_plates.1.y", "two plates"),
        ({"fixture_plates": []}, "fixture_plates.0.y", "is empty"),
        ({"fixture_plates": [None, Spot(y=-350, z=0)]}, "fixture_plates.0.y", "is empty"),
        ({"rulers": [RulerRead(plate=4, mm=15)]}, "rulers.0.mm", "from mark 0 to mark 150"),
        ({"n_floor": 11}, "n_floor", "from 0 to 10"),
        ({"bar_mm": 1.0}, "bar_mm", "1000 mm if these are metres"),
        ({"rule": None}, "rule", "which rule"),
        ({"board_mm": 3000.0}, "board_mm", "allowed"),
        ({"name": None}, "name", "Enter e.g."),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_first_kit_stands_at_its_question(client, change, where, says):
    first = MEASURED.model_copy(update=change)
    answer = client("reviewer").post("/api/kits/first", json={"first": first.model_dump()})
    assert answer.status_code == 422
    told = {one["where"]: one["says"] for one in answer.json()["errors"]}
    assert says in told[f"first.{where}"]


def test_before_anything_is_measured_the_usual_is_taken():
    assert firstkits.to_prove(FirstKit()) == firstkits.USUAL
    with pytest.raises(KitError) as caught:
        firstkits.to_prove(FirstKit(standoffs_mm={"rear_left": 0.12, "rear_right": 120}))
    assert caught.value.problems[0][0] == "first.standoffs_mm.rear_left"


def test_what_a_first_kit_proves_is_asked_and_found_over_http(client, monkeypatch):
    editor = client("reviewer")
    key = editor.post("/api/kits/first/outlook", json={"first": {}}).json()["outlook"]
    found = editor.get(f"/api/kits/first/outlook/{key}")
    assert found.status_code == 200  # null as long as it is worked out
    assert editor.get(f"/api/kits/first/outlook/{'0' * 64}").status_code == 422


def test_a_first_kit_that_cannot_measure_says_why():
    told = first_answer(Answers("", {"rear_left": 120.0}, [(350.0, 0.0)], (12.0, 0.0, -200.0)))
    assert told.says and not told.distances


def test_sheets_are_printed_of_just_these_plates(client):
    phone = client("technician")
    answer = phone.get("/api/sheets.pdf", params={"plates": "0, 4,10", "paper": "Letter"})
    assert answer.status_code == 200 and answer.content.startswith(b"%PDF")
    assert answer.content.count(b"/Type /Page\n") == 4  # three sheets, and how to mount them
    for plates, says in (("a", "plate numbers"), ("0,60", "not of the layout"), ("999", "not of the layout")):
        wrong = phone.get("/api/sheets.pdf", params={"plates": plates})
        assert wrong.status_code == 422 and says in wrong.json()["detail"]
