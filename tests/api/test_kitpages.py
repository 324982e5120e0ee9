"""A kit's pages: its form, its drawings, and what changed in words."""

import copy
import re
from concurrent.futures import Future
from dataclasses import replace

import pytest

from api.figures import Figures
from api.pages import kitdrawings, kitwords
from api.pages.words import load_words
from api.photos.outlooks import Better, ExpectedValue, FirstOutlook, Outlooks, PlacementOutlook, ProvedValue
from tests.api.test_kitform import WHOLE

WORDS, MM, INCHES = load_words(), Figures(), Figures("in", ",")


def told(change, figures=MM):
    """What is told of a change to a copy of the whole kit."""
    after = copy.deepcopy(WHOLE)
    change(after)
    return kitwords.told(WHOLE, after, WORDS, figures)


def test_a_figure_is_told_with_its_part_old_and_new():
    def change(kit):
        kit["wheels"]["rear_left"]["standoff_mm"] = 122.0

    assert told(change) == ["Wheel rear left, standoff: 121.37\xa0mm → 122\xa0mm"]
    assert told(change, INCHES) == ["Wheel rear left, standoff: 4,778\xa0in → 4,803\xa0in"]


def test_a_scale_is_told_as_the_ruler():
    def change(kit):
        kit["plates"]["0"]["printed_scale"] = 149.7 / 150

    assert told(change) == ["Sheet 0, printed ruler, measured: 150.061\xa0mm → 149.7\xa0mm"]


def test_a_row_more_moves_no_other():
    def change(kit):
        kit["floor"].insert(0, {"plate": 64, "u_flatness_mm": 1.0})
        kit["fixtures"]["front"]["plates"].insert(
            0, kit["fixtures"]["front"]["plates"][0] | {"plate": 65, "position_mm": [0, -350, 0]}
        )
        del kit["datum_plates"]["bumper_centre"]

    lines = told(change)
    assert len(lines) == 3 and "Datum plate bumper_centre: taken out" in lines
    assert any(line.startswith("Floor plate 64: added (") and "1\xa0mm" in line for line in lines)
    assert any(line.startswith("Fixture front, plate 65: added (") and "−350\xa0mm" in line for line in lines)


def test_what_no_form_shows_is_told_by_its_keys():
    def change(kit):
        kit["owner"] = "somebody"
        kit["wheels"]["rear_left"]["clamp"] = "the red one"
        kit["mats"]["left"]["cloth"] = "wool"

    assert told(change) == [
        "The kit, owner: kept as it is → somebody",
        "Wheel rear left, clamp: the blue one → the red one",
        "Mat left, cloth: felt → wool",
    ]


def test_what_photos_taught_has_no_more_digits_than_its_u_deserves():
    def change(kit):
        body = kit["fixtures"]["front"]["plates"][0]
        body |= {"position_mm": [0.1234, 350.4321, -0.0456], "u_position_mm": 0.31234}
        body |= {"rotation_deg": [0.012345, 0, 1.512345], "u_rotation_deg": 0.03456}

    lines = told(change)
    assert "Fixture front, plate 4, y, to the vehicle's left: 350\xa0mm → 350.43\xa0mm" in lines
    assert "Fixture front, plate 4, u of the place, per axis: 0.2\xa0mm → 0.312\xa0mm" in lines
    assert "Fixture front, plate 4, turn about z: counter-clockwise from above: 1.5° → 1.512°" in lines
    # u of 0.2 mm is 0.0079 in, of 0.31 mm 0.0123: four and three decimals.
    inches = told(change, INCHES)
    assert "Fixture front, plate 4, y, to the vehicle's left: 13,7795\xa0in → 13,797\xa0in" in inches


def test_mats_labels_and_level_plates_are_told_as_their_form_calls_them():
    def change(kit):
        kit["mats"]["left"]["plates"][0]["position_mm"] = [-310, -400]
        del kit["mats"]["left"]["u_flatness_mm"]
        kit["levels"][0]["u_deg"] = 0.2
        del kit["fixtures"]["front"]["targets"]["board"]["label"]

    assert told(change) == [
        "Fixture front, target board, its label: taken out",
        "Mat left, u of the flatness there: 1.25\xa0mm → nothing",
        "Mat left, plate 50, x, to the reader's right: −300.5\xa0mm → −310\xa0mm",
        "Level plate 48, u of that axis against the plumb line: 0.1° → 0.2°",
    ]


def test_a_mat_is_drawn_as_one_reads_it():
    at = {words: float(x) for words, x in _texts(kitdrawings.mat(WHOLE["mats"]["left"], WORDS))}
    assert at["50"] < at["mark"] < at["51"] and at["mark"] < at["x"]


def test_a_change_smaller_than_what_is_shown_is_told_to_the_digit():
    def change(kit):
        kit["wheels"]["rear_left"]["standoff_mm"] = 121.371

    assert told(change, INCHES) == ["Wheel rear left, standoff: 121.37 → 121.371"]


def test_nothing_changed_is_nothing_told():
    assert told(lambda kit: None) == []


@pytest.mark.parametrize("y_mm", [350, -350])
def test_the_fixture_is_drawn_with_the_vehicles_left_on_the_left(y_mm):
    fixture = copy.deepcopy(WHOLE["fixtures"]["front"])
    fixture["plates"][0]["position_mm"] = [0, y_mm, 0]
    for drawing in kitdrawings.fixture(fixture, WORDS):
        at = {words: float(x) for words, x in _texts(drawing)}
        assert (at["4"] < at["y"]) == (y_mm > 0)  # the y axis points to the vehicle's left


def _texts(drawing):
    return [(m[2], m[1]) for m in re.finditer(r'<text x="([-\d.]+)"[^>]*>([^<]+)</text>', str(drawing))]


def test_the_form_shows_every_figure_of_the_kit_and_a_row_for_each_part(client):
    editor = client("reviewer")
    kit_id = editor.post("/api/kits", json={"file": WHOLE}).json()["kit_id"]
    page = editor.get(f"/kits/{kit_id}/edit").text
    for name, value in {
        "form.wheels.rear_left.standoff_mm": "121.37",
        "form.wheels.rear_left.eccentricity_mm.y": "−0.1",
        "form.plates.0.ruler_mm": "150.0615",
        "form.fixtures.0.plates.0.rotation_deg.z": "1.5",
        "form.fixtures.0.targets.0.position_mm.x": "12.34",
        "form.scale_bars.0.length_mm": "1000.03",
        "form.datum_plates.0.offset_mm.z": "1.5",
        "form.floor.0.plate": "10",
        "form.fixtures.0.targets.0.label.position_mm.z": "−100.25",
        "form.mats.0.u_flatness_mm": "1.25",
        "form.mats.0.plates.0.position_mm.x": "−300.5",
        "form.mats.0.targets.0.rotation_deg": "0.5",
        "form.levels.1.u_deg": "0.05",
        "form.rule_mm_per_m": "0.3",
    }.items():
        assert re.search(rf'name="{re.escape(name)}"[^>]*value="{re.escape(value)}"', page), name
    assert "This form does not show owner;" in page
    # What is not there stands ready, and sends nothing as long as it is out: two wheels, a label on the
    # second target, and on those that may be added to the fixture or to a new one.
    assert "Wheel front left: no plate" in page and page.count("disabled hidden") == 2 + 1 + 2
    # Folded, each part says what it holds.
    for line in ("front: board, small board", "left: mark", "plates 48, 49", "12 sheets"):
        assert f'<span class="soft">{line}</span>' in page


def test_a_page_tells_what_a_revision_changed_who_and_when(client):
    editor = client("reviewer")
    kit_id = editor.post("/api/kits", json={"file": WHOLE}).json()["kit_id"]
    after = copy.deepcopy(WHOLE)
    after["floor"][0]["u_flatness_mm"] = 1.0
    body = {"file": after, "says": "the gate's floor is worn", "based_on": 1}
    assert editor.post(f"/api/kits/{kit_id}/revisions", json=body).status_code == 201
    page = client("technician").get(f"/kits/{kit_id}").text
    assert "Floor plate 10, u of the flatness there: 0.5\xa0mm → 1\xa0mm" in page
    assert "the gate&#39;s floor is worn" in page and "R. Example" in page


# --- what a kit can prove ---------------------------------------------------------------------------


@pytest.fixture
def outlooks(client, app):
    """The service's questions in place of its bench: `answer(told)` answers all of them."""
    asked: list[Future] = []

    def schedule(function, question):
        asked.append(Future())
        return asked[-1]

    client("owner")  # the service has started by now
    app.state.service = replace(app.state.service, outlooks=Outlooks(schedule))

    def answer(told):
        for future in asked:
            future.set_result(told)

    return answer


LACKING = PlacementOutlook(
    placement="front camera board",
    kit="van 1",
    n_photos=12,
    can_be_proved=False,
    says="CANNOT BE PROVED as things are: lateral offset.",
    values=[
        ExpectedValue(
            key="lateral_mm", nominal=0, minus=4, plus=4, u=3.1, largest_u=2.04, conforming=None,
            limits={"clamps": 0.8, "image": 0.1},
        )
    ],
    betterments=[Better(says="Measure the clamps twice as well.", u={"lateral_mm": 1.6}, proves=True)],
    stations=["Beside the rear left wheel"],
)  # fmt: skip


def test_a_page_does_not_wait_for_what_is_worked_out(client, outlooks, kit, placement):
    phone = client("technician")
    path = f"/placements/{placement.placement_id}/provable?kit={kit.kit_id}"
    assert "Being worked out" in (page := phone.get(path).text) and "data-again" in page
    outlooks([LACKING])
    page = phone.get(path).text
    assert "data-again" not in page and "CANNOT BE PROVED as things are: lateral offset." in page
    assert "To be expected: u 3.1\xa0mm. More than 2.0\xa0mm proves nothing." in page
    assert "wheel clamps 80 %" in page and "Measure the clamps twice as well." in page
    assert re.search(r"u.1\.6.mm", page) and "Then all of it can be proved." in page
    assert path.replace("&", "&amp;") in phone.get(f"/placements/{placement.placement_id}").text
    assert path in phone.get(f"/kits/{kit.kit_id}").text


def test_a_visits_page_asks_for_its_own_kit_and_placements(client, outlooks, bay):
    visit, phone = bay.begin(), client("technician")
    assert f"/visits/{visit.id}/provable" in phone.get(f"/visits/{visit.id}").text
    assert "data-again" in phone.get(f"/visits/{visit.id}/provable").text
    outlooks([LACKING])
    page = phone.get(f"/visits/{visit.id}/provable").text
    assert "cannot be proved" in page and "hatchback, grey" in page


def test_an_outlook_that_failed_says_so(client, outlooks, app, kit, placement):
    def broken(function, question):
        failed: Future = Future()
        failed.set_exception(MemoryError())
        return failed

    app.state.service = replace(app.state.service, outlooks=Outlooks(broken))
    page = client("technician").get(f"/placements/{placement.placement_id}/provable?kit={kit.kit_id}").text
    assert "could not be worked out. Ask again" in page and "data-again" not in page


def test_the_first_kits_page_is_the_editors_and_shows_what_it_proves(client, outlooks):
    assert client("technician").get("/kits/new/first").status_code == 403
    editor = client("reviewer")
    page = editor.get("/kits/new/first").text
    assert "/api/sheets.pdf?plates=0,1,2,3,4,5,10,11,12,13,14&amp;paper=A4" in page
    (own,) = re.findall(r'data-live="(/kits/new/first/outlook\?key=[0-9a-f]{64})" data-again', page)
    proved = [
        ProvedValue(key="lateral_mm", u=2.1, at_best=4.2, easily=7.1, says=""),
        ProvedValue(key="height_mm", u=None, at_best=None, easily=None, says="No floor plates."),
    ]
    outlooks(FirstOutlook(n_photos=12, distances=[(3000.0, proved)]))
    page = editor.get(own).text
    assert "±4.2\xa0mm" in page and "±7.1\xa0mm" in page and "No floor plates." in page
    assert "data-again" not in page
