"""The coach over HTTP: from what was found in a round's photos to the next one."""

from dataclasses import replace

import pytest

from api.photos import work
from api.tables import Arrival
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
    assert "phone held" in said["next"]["says"] and "the fixture" in said["next"]["says"]
    assert {10, 11} & set(said["next"]["stand"]["plates"])  # the scene's fixture


def test_photos_so_far_and_the_next_one(client, opened, looked, bay):
    names = [f"{k}.jpg" for k in range(1, 9)]
    looked(opened, names)
    bay.arrive(opened, "late.jpg", state="waiting")
    answer = client("technician").get(f"/api/rounds/{opened.id}/coach")
    assert answer.status_code == 200, answer.text
    said = answer.json()
    assert said["placement"] == "front camera board, family A"
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


def test_a_placement_of_another_visit_is_refused(client, opened):
    answer = client("technician").get(f"/api/rounds/{opened.id}/coach", params={"placement": "0" * 32})
    assert answer.status_code == 409 and "Choose one of the visit's" in answer.json()["detail"]


def test_a_round_that_is_not_there(client):
    answer = client("technician").get(f"/api/rounds/{'0' * 32}/coach")
    assert answer.status_code == 404
