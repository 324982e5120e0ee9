"""A check of the clamps through the service's own doors, on rendered photos whose every clamp is known."""

import time
from datetime import datetime

import numpy as np
import pytest

from api.store import new_id
from api.visits import kits, placements
from tests.api.conftest import PROCEDURE
from tests.api.served import unlike
from tools.make_set import kit_file, placement_file, vehicle_file
from tools.mistakes import clamp_off_seat
from tools.render import encode_photo, render_photo
from tools.rolled import rolled
from tools.scene import Care, make_scene
from tools.shop import make_shop
from tools.story_photos import stamped
from tools.truth import true_values

pytestmark = pytest.mark.study

N_PHOTOS, SIZE_PX, SEED = 8, (3264, 2448), 41
OFF_MM, OFF_DEG = (4.0, 0.0, 0.0), (0.25, 0.0)


@pytest.fixture(scope="module")
def scene():
    """The rear left clamp is off its seat by 4 mm and 0.25 degrees; the thrust line is asked for."""
    rng = np.random.default_rng(SEED)
    care = Care(u_eccentricity_mm=0.3, u_tilt_deg=0.03)
    made = make_scene(
        rng, n_photos=N_PHOTOS, size_px=SIZE_PX, care=care, target_distance_mm=2500.0,
        reference_line="thrust_line",
    )  # fmt: skip
    return clamp_off_seat(made, "rear_left", np.array(OFF_MM), OFF_DEG).scene


def photos_of(scene, seed):
    shop = make_shop(np.random.default_rng(SEED), scene)
    return [
        encode_photo(render_photo(np.random.default_rng([seed, k]), photo, shop), photo.exif)
        for k, photo in enumerate(scene.photos)
    ]


def test_a_clamp_off_its_seat_is_found_and_no_longer_turns_the_thrust_line(client, store, reviewer, scene):
    with store.writing() as db:
        kit = kits.add(db, reviewer, kit_file(scene.kit) | {"name": "van 1"}, "measured", confirmed=True)
        file = placement_file(scene.placement) | {"name": "board"}
        placement = placements.add(db, reviewer, file, PROCEDURE)
        ids = {"kit_id": kit.kit_id, "placement_ids": [placement.placement_id]}
    phone = client("technician")

    def post(path, body=None):
        answer = phone.post(path, json=body, headers={"Idempotency-Key": new_id()})
        assert answer.status_code < 300, answer.text
        return answer.json()

    vehicle = vehicle_file(scene.vehicle) | {"label": "hatchback, grey"}
    visit = post("/api/visits", {"vehicle": vehicle, **ids, "confirmed": True})

    def walk(kind, photos):
        one = post(f"/api/visits/{visit['id']}/rounds", {"kind": kind})["id"]
        for k, data in enumerate(photos):
            named = {"X-Photo-Key": f"{kind}-key-{k}", "X-Photo-Name": f"p{k}.jpg"}
            data = stamped(data, datetime.now())
            assert phone.post(f"/api/rounds/{one}/photos", content=data, headers=named).status_code == 201
        post(f"/api/rounds/{one}/close")
        while (answer := phone.get(f"/api/rounds/{one}/result").json())["state"] == "waiting":
            time.sleep(0.2)
        return answer

    before = photos_of(scene, 1)
    walk("clamps_before", before)
    found = walk("clamps_after", photos_of(rolled(np.random.default_rng(SEED + 1), scene), 2))
    assert found["state"] == "done", found["says"]
    seats = found["result"]["seats"]
    assert {wheel for wheel, seat in seats.items() if not seat["is_seated"]} == {"rear_left"}
    off_mm = np.subtract(seats["rear_left"]["eccentricity_mm"], OFF_MM[:2])
    # What was drawn besides is within 4.5 u of the kit's own 0.3 mm, with the check's own.
    assert np.abs(off_mm).max() < 4.5 * np.hypot(0.3, seats["rear_left"]["u_eccentricity_mm"])
    assert np.hypot(*seats["rear_left"]["tilt_deg"]) > 0.15

    # Rolled back to its place; the same pictures in other files stand in for new ones.
    look = walk("first", [unlike(data, 7) for data in before])["result"]
    assert set(look["clamps"]) == set(seats) and all(one["holds"] for one in look["clamps"].values())
    assert next(t for t in look["tests"] if t["name"] == "clamps as checked")["ok"]
    true = true_values(scene.truth, "thrust_line", scene.placement.datum)["lateral_mm"]
    lateral = look["placements"][0]["values"]["lateral_mm"]
    assert abs(lateral["value"] - true) < 4.5 * lateral["u"]
    # 0.25 degrees of one rear wheel turn the thrust line by half of that: 11 mm over 5.2 m and more.
    assert lateral["u"] < 5.0
