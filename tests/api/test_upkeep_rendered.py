"""A fixture is taught and a kit proved on rendered photos, sent to the running service as a phone sends them.

Truth is that of the scene: where each plate and the target stand, and how long the bar is.
"""

import io
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest
from PIL import Image
from starlette.testclient import TestClient

from calib_data.convert import to_kit
from calib_data.formats import KitFile
from tools.make_set import kit_file
from tools.plates_alone import bar_before, fixture_errors, with_stand_in
from tools.render import encode_photo, render_photo
from tools.scene import BAR_PLATES, Care, make_scene
from tools.story_photos import stamped
from tools.truth import Scene
from vision.kit import Fixture

STAND_IN = 20  # lies on the floor otherwise
SIZE_PX = (2048, 1536)
# As the entry is declared before it is taught: measured by tape.
BY_TAPE = Care(u_mount_mm=2.0, u_mount_deg=0.3)


@pytest.fixture(scope="module")
def scene() -> Scene:
    """A fixture with a plate in its target's place, and a bar before it."""
    rng = np.random.default_rng(12)
    made = make_scene(rng, target_distance_mm=2500, n_photos=4, with_bar=True, drawn=BY_TAPE)
    return with_stand_in(rng, made, STAND_IN, also=bar_before(made), size_px=SIZE_PX)


@pytest.fixture(scope="module")
def photos(scene: Scene) -> dict[str, bytes]:
    rendered = {}
    for number, photo in enumerate(scene.photos):
        pixels = render_photo(np.random.default_rng([12, number]), photo)
        rendered[photo.name] = encode_photo(pixels, photo.exif, 88)
    return rendered


def with_a_comment(data: bytes, says: str) -> bytes:
    """Another file of the same picture."""
    out = io.BytesIO(data)
    image = Image.open(out)
    again = io.BytesIO()
    image.save(again, "JPEG", quality="keep", exif=image.getexif(), comment=says)
    return again.getvalue()


def worked_out(phone: TestClient, begun: dict[str, Any], photos: dict[str, bytes]) -> dict[str, Any]:
    """Send a group's photos, close it, and wait for what comes of it."""
    group = begun["groups"][-1]["id"]
    for number, (name, data) in enumerate(photos.items()):
        at = datetime.now() - timedelta(seconds=len(photos) - number)
        headers = {"X-Photo-Key": f"{group[:20]}-{number:02}", "X-Photo-Name": name}
        sent = with_a_comment(stamped(data, at), group)
        answer = phone.post(f"/api/rounds/{group}/photos", content=sent, headers=headers)
        assert answer.status_code == 201 and answer.json()["photo"]["tray_reason"] is None, answer.text
    assert phone.post(f"/api/rounds/{group}/close").status_code == 200
    end = time.monotonic() + 300
    while True:
        view = phone.get(f"/api/upkeep/{begun['id']}").json()
        if view["groups"][-1]["state"] not in ("waiting", "none"):
            assert view["groups"][-1]["state"] == "done", view["groups"][-1]["says"]
            return view
        assert time.monotonic() < end
        time.sleep(0.1)


def _apart(fixture: Fixture, numbers: list[int]) -> float:
    """The distance of two plates' origins in a fixture's entry, in mm."""
    at_mm = {mount.plate: mount.T_fixture_plate[:3, 3] for mount in fixture.mounts}
    return float(np.linalg.norm(at_mm[numbers[0]] - at_mm[numbers[1]]))


@pytest.mark.study
def test_a_fixture_is_taught_and_the_kit_is_proved_and_flagged(
    client: Callable, scene: Scene, photos: dict[str, bytes]
) -> None:
    reviewer, phone = client("reviewer"), client("technician")
    body = {"file": kit_file(scene.kit) | {"name": "van 1"}, "says": "", "confirmed": True}
    kit = f"/api/kits/{reviewer.post('/api/kits', json=body).json()['kit_id']}"

    name = scene.kit.fixtures[0].name
    asked = {"name": name, "target": scene.kit.fixtures[0].targets[0].name, "target_plate": STAND_IN}
    view = worked_out(phone, reviewer.post(f"{kit}/upkeep/fixture", json=asked).json(), photos)
    taken = {"says": "taught", "based_on": 1, "confirmed": True}
    assert reviewer.post(f"/api/upkeep/{view['id']}/kit", json=taken).json()["kit_revision"] == 2
    file = reviewer.get(kit).json()[0]["file"]
    entry = next(f for f in to_kit(KitFile.model_validate(file)).fixtures if f.name == name)
    was = next(f for f in scene.kit.fixtures if f.name == name)
    true = {plate.number: plate.T_world_plate[:3, 3] for plate in scene.plates}
    numbers = [mount.plate for mount in entry.mounts][:2]
    apart_mm, before_mm = (_apart(one, numbers) for one in (entry, was))
    true_mm = float(np.linalg.norm(true[numbers[0]] - true[numbers[1]]))
    u_mm = float(np.hypot(*(mount.u_position_mm for mount in entry.mounts[:2])))
    assert abs(apart_mm - true_mm) < 3 * u_mm < 1.0
    # Seen from the target, the plate in its place adds its own turn, by the arm.
    (target,) = entry.targets
    arm_mm = max(
        np.linalg.norm(m.T_fixture_plate[:3, 3] - target.T_fixture_target[:3, 3]) for m in entry.mounts
    )
    off_mm = float(np.abs(fixture_errors(entry, scene).reshape(-1, 6)[:-1, :3]).max())
    assert off_mm < 3 * (target.u_position_mm + arm_mm * target.u_rotation_rad)
    print(
        f"\nplates' distance off by {apart_mm - true_mm:+.2f} mm, u {u_mm:.2f}; before by "
        f"{before_mm - true_mm:+.2f}; off from the target by {off_mm:.2f} mm at most"
    )

    length_mm = float(np.linalg.norm(true[BAR_PLATES[0]] - true[BAR_PLATES[1]]))
    for factor, verdict in ((1.0, "passed"), (1.01, "flagged")):
        bar = {"first_plate": BAR_PLATES[0], "second_plate": BAR_PLATES[1], "u_length_mm": 0.2}
        begun = reviewer.post(f"{kit}/upkeep/bar", json=bar | {"length_mm": factor * length_mm}).json()
        (proof,) = worked_out(phone, begun, photos)["proofs"]
        assert (proof["verdict"], proof["kit_revision"]) == (verdict, 2)
        assert abs(proof["file"]["value"] - length_mm) < 3 * proof["file"]["u"]
        print(f"{proof['file']['says']} Shows {proof['file']['shows']:.2f} mm.")
    assert phone.get(f"{kit}/proofs").json()["flagged"]["verdict"] == "flagged"
