"""The coach over HTTP: from what was found in a round's photos to the next one."""

import html
import re
from dataclasses import replace
from xml.etree import ElementTree

import pytest
from sqlalchemy import select

from api.figures import Figures
from api.pages import coach_sketch
from api.pages.words import load_words
from api.photos import work
from api.photos.coaching import RoundCoaching
from api.tables import Arrival, KitRevision
from calib_data.observations import to_seen_photo


@pytest.fixture
def looked(bay, store, simulated_found):
    """`looked(round, names)`: a round's photos, as if looked at; the first of as many simulated ones."""

    def put(one, names):
        for name, found in zip(names, simulated_found(), strict=False):
            arrival = bay.arrive(one, name)
            with store.writing() as db:
                row = db.get_one(Arrival, arrival.id)
                row.found = work.pack(to_seen_photo(replace(found, name=name, sha256=row.sha256)))

    return put


@pytest.fixture
def opened(bay):
    return bay.open(bay.begin())


def test_before_any_photo_it_says_what_to_begin_with(client, opened):
    said = client("technician").get(f"/api/rounds/{opened.id}/coach").json()
    assert said["next"]["reason"] == "first" and not said["is_enough"] and not said["parts"]
    assert "phone held" in said["next"]["says"] and "the fixture" in said["next"]["shows"]
    assert {10, 11} & set(said["next"]["stand"]["plates"])  # the scene's fixture


def test_photos_so_far_and_the_next_one(client, opened, looked, bay):
    names = [f"{k}.jpg" for k in range(1, 9)]
    looked(opened, names)
    bay.arrive(opened, "late.jpg", state="waiting")
    answer = client("technician").get(f"/api/rounds/{opened.id}/coach")
    assert answer.status_code == 200, answer.text
    said = answer.json()
    assert said["placements"] == ["front camera board, family A"]
    assert said["n_waiting"] == 1
    assert [one["key"] for one in said["values"]] == ["distance_mm", "lateral_mm", "yaw_deg"]
    assert all(one["u"] > 0 for one in said["values"])
    # 0.3 of the half-widths 6 mm, 4 mm and 0.3 degrees.
    assert [one["enough_at"] for one in said["values"]] == pytest.approx([1.8, 1.2, 0.09])
    assert [stand["photo"] for stand in said["stands"]] == names
    assert sorted(said["parts"][0]["photos"]) == names
    assert all(len(stand["T_vehicle_camera"]) == 4 for stand in said["stands"])
    seen = {one["plate"] for one in said["plates"] if one["is_seen"]}
    assert seen == set(said["parts"][0]["plates"])
    assert said["is_enough"] == (said["next"] is None)


def test_a_round_that_is_not_there(client):
    answer = client("technician").get(f"/api/rounds/{'0' * 32}/coach")
    assert answer.status_code == 404


# --- on the page --------------------------------------------------------------------------------------------


def test_the_round_s_page_does_not_wait_for_the_coach_but_says_where_it_is_read(client, opened):
    page = client("technician").get(f"/rounds/{opened.id}").text
    assert f'data-live="/rounds/{opened.id}/coach"' in page and "<svg" in page


def test_the_page_says_the_next_photo_in_words_and_draws_it(client, opened, looked, bay):
    names = [f"{k}.jpg" for k in range(1, 9)]
    looked(opened, names[:2])
    phone = client("technician")
    said = phone.get(f"/api/rounds/{opened.id}/coach").json()
    page = phone.get(f"/rounds/{opened.id}/coach").text
    assert said["next"]["says"] in html.unescape(page)
    assert "Photo 3" in page
    (plan,) = re.findall(r'<svg[^>]*class="sketch".*?</svg>', page, re.DOTALL)
    drawn = ElementTree.fromstring(plan)
    of = [one.get("class", "") for one in drawn.iter()]
    assert of.count("station") == 2 and of.count("station coming") == 1
    assert of.count("plate") == sum(one["is_seen"] for one in said["plates"])
    assert of.count("plate unseen") == sum(not one["is_seen"] for one in said["plates"])
    assert of.count("sight") == len(said["next"]["stand"]["plates"])
    assert of.count("wheel") == 4
    # Beside each value: reached, enough, and by the next photo; a state in words, not by colour.
    assert page.count('class="strip"') == 3 and page.count("is enough") >= 3
    assert "not sure enough" in page


def test_forward_is_up_and_the_vehicle_s_left_is_left_on_the_plan(client, opened, looked):
    looked(opened, [f"{k}.jpg" for k in range(1, 9)])
    coaching = RoundCoaching.model_validate(client("technician").get(f"/api/rounds/{opened.id}/coach").json())
    drawn = ElementTree.fromstring(coach_sketch.plan(coaching, load_words(), Figures()))
    body = next(one for one in drawn.iter() if one.get("class") == "outline body")
    target = next(one for one in drawn.iter() if one.get("class") == "target")
    assert float(target.get("y1")) < float(body.get("y"))  # the board stands ahead
    stands = [one for one in drawn.iter() if one.get("class", "").startswith("station")]
    for stand, circle in zip(coaching.stands, stands, strict=False):
        middle = float(body.get("x")) + float(body.get("width")) / 2
        y_mm = stand.T_vehicle_camera[1][3]
        if abs(y_mm) > 300:
            assert (float(circle.get("cx")) < middle) == (y_mm > 0)


def test_a_device_in_inches_hears_inches(client, opened):
    phone = client("technician")
    phone.cookies.set("plumbsight_shown", "in_point")
    page = phone.get(f"/rounds/{opened.id}/coach").text
    assert re.search(r"\(\d+ in\)", page) and not re.search(r"\d m\)", page)


def test_a_kit_that_cannot_measure_the_placement_says_so_on_the_page(client, store, bay, kit_json):
    one_rear = kit_json | {"wheels": {k: v for k, v in kit_json["wheels"].items() if k != "rear_left"}}
    opened = bay.open(bay.begin())
    with store.writing() as db:
        row = db.scalars(select(KitRevision)).one()
        row.file = one_rear
    page = client("technician").get(f"/rounds/{opened.id}/coach").text
    assert re.search(r'<div id="coach".*<p class="qualm" data-announce>[^<]*rear.left', page, re.DOTALL)
