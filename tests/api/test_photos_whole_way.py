"""From a phone's bytes to a result, through the service's own doors, on the demo photos."""

import hashlib
import io
import json
import re
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
import segno
from PIL import Image
from sqlalchemy.orm import Session
from starlette.testclient import TestClient

import calib_data
from api.context import Caller
from api.photos.work import unpack
from api.store import Store
from api.tables import Visit
from api.visits import kits, placements, results, rounds, slips, visits
from calib_data.layouts import load_layouts
from calib_data.observations import ObservationsFile, from_observations
from calib_data.photoset import photo_set_of, read_photo_set
from calib_data.reading import check
from calib_data.result import to_result
from tests.api.conftest import PROCEDURE
from vision.errors import InputFileError
from vision.measure import find_plates, measure_found
from vision.photo import read_photo

DEMO = Path(calib_data.__file__).parent / "demo"
NAMES = [f"p{k:02d}.jpg" for k in range(1, 9)]


@dataclass
class DemoBay:
    """A visit of the demo vehicle, with a paired phone."""

    store: Store
    phone: TestClient
    caller: Caller
    visit: Visit

    def open(self, kind: str = "first") -> str:
        with self.store.writing() as db:
            return rounds.open(db, self.caller, self.visit.id, kind).id

    def close(self, round_id: str) -> None:
        with self.store.writing() as db:
            rounds.close(db, self.caller, round_id)
        self.phone.app.state.service.jobs.wake()

    def send(self, round_id: str, data: bytes, name: str = "p.jpg", key: str | None = None) -> Any:
        headers = {
            "X-Photo-Key": key or f"key-of-{name}-{round_id}"[:64].replace(".", "-"),
            "X-Photo-Name": name,
        }
        return self.phone.post(f"/api/rounds/{round_id}/photos", content=data, headers=headers)

    def photos(self) -> list[dict[str, Any]]:
        return self.phone.get(f"/api/visits/{self.visit.id}/photos").json()["photos"]

    def wait_for_looks(self, seconds: float = 60) -> list[dict[str, Any]]:
        return _wait(self.photos, lambda photos: all(p["state"] != "waiting" for p in photos), seconds)

    def wait_for_result(self, round_id: str) -> dict[str, Any]:
        return _wait(
            lambda: self.phone.get(f"/api/rounds/{round_id}/result").json(),
            lambda result: result["state"] not in ("none", "waiting"),
        )


def demo_photo(name: str) -> bytes:
    """A demo photo as if it were taken now, by a phone whose clock is on the shop's time."""
    stamp = datetime.now().strftime("%Y:%m:%d %H:%M:%S").encode()
    return re.sub(
        rb"20[0-9]{2}:[0-9]{2}:[0-9]{2} [0-9]{2}:[0-9]{2}:[0-9]{2}", stamp, (DEMO / name).read_bytes()
    )


def _wait(ask: Callable[[], Any], until: Callable[[Any], bool], seconds: float = 60) -> Any:
    end = time.monotonic() + seconds
    while not until(answer := ask()):
        assert time.monotonic() < end, answer
        time.sleep(0.05)
    return answer


def begin_demo_visit(db: Session, reviewer: Caller, technician: Caller) -> Visit:
    """A visit of the demo vehicle, with the demo kit and placement."""
    files = {name: json.loads((DEMO / f"{name}.json").read_text()) for name in ("kit", "placement", "set")}
    kit = kits.add(db, reviewer, files["kit"], "", is_demo=True)
    placement = placements.add(db, reviewer, files["placement"], PROCEDURE, is_demo=True)
    wanted = visits.BeginVisit(
        vehicle=files["set"]["vehicle"],
        kit_id=kit.kit_id,
        placement_ids=[placement.placement_id],
        confirmed=True,
    )
    return visits.begin(db, technician, wanted)


@pytest.fixture
def demo_bay(store: Store, reviewer: Caller, technician: Caller, client: Callable) -> Iterator[DemoBay]:
    with store.writing() as db:
        visit = begin_demo_visit(db, reviewer, technician)
        db.flush()
        db.refresh(visit)
        db.expunge(visit)
    yield DemoBay(store, client("technician"), technician, visit)


def measured_by_itself(photos: dict[str, bytes]) -> dict[str, Any]:
    """The same photos straight through the measuring core."""
    photo_set = read_photo_set(DEMO)
    layouts = load_layouts()
    read = [read_photo(data, name) for name, data in photos.items()]
    found = [find_plates(photo, photo_set.kit, layouts) for photo in read]
    m = measure_found(
        found,
        photo_set.kit,
        photo_set.vehicle,
        photo_set.placements,
        layouts,
        photos={p.name: p for p in read},
    )
    return to_result(m, photo_set, found)


def test_a_round_of_photos_gives_the_result_that_the_core_gives(demo_bay: DemoBay):
    photos = {name: demo_photo(name) for name in NAMES}
    first = demo_bay.open()
    for name, data in photos.items():
        answer = demo_bay.send(first, data, name)
        assert answer.status_code == 201 and not answer.json()["duplicate"], answer.text
    assert demo_bay.send(first, photos["p01.jpg"], "p01.jpg").status_code == 200
    demo_bay.close(first)
    looked = demo_bay.wait_for_looks()
    assert [p["name"] for p in looked] == NAMES and {p["state"] for p in looked} == {"looked"}
    assert all(p["place_in_queue"] is None and p["plates"] for p in looked)
    answer = demo_bay.wait_for_result(first)
    assert answer["state"] == "done", answer["says"]
    expected, got = measured_by_itself(photos), answer["result"]
    for key, value in expected["placements"][0]["values"].items():
        assert got["placements"][0]["values"][key]["value"] == pytest.approx(
            value["value"], abs=1e-6 * value["u"]
        )
    assert got["decision"] == expected["decision"]

    _pictures_are_shown(demo_bay, looked[0])
    _observations_measure_again(demo_bay, first, got)

    # The same bay once more: the same photos, sent again, must not pass for a second look.
    second = demo_bay.open("after_correction")
    demo_bay.send(second, photos["p01.jpg"], "p01.jpg", key="another-key-of-p01")
    (again,) = [p for p in demo_bay.photos() if p["sent_to_round_id"] == second]
    assert again["round_id"] is None and "already" in again["tray_reason"]
    for name in NAMES:  # one byte behind the picture makes other files of the same pictures
        assert demo_bay.send(second, with_a_comment(photos[name]), f"second-{name}").status_code == 201
    demo_bay.close(second)
    assert demo_bay.wait_for_result(second)["state"] == "done"
    compared = demo_bay.phone.get(
        f"/api/visits/{demo_bay.visit.id}/compare?before={first}&after={second}"
    ).json()
    distance = compared["placements"][0]["values"][0]
    assert distance["difference"] == pytest.approx(0, abs=1e-6) and compared["shares_kit"]
    u_single = expected["placements"][0]["values"]["distance_mm"]["u"]
    assert 0 < distance["u"] < 2**0.5 * u_single and not any(fact["is_moved"] for fact in compared["vehicle"])


def with_a_comment(jpeg: bytes) -> bytes:
    """The same picture in another file."""
    return jpeg[:2] + b"\xff\xfe\x00\x06same" + jpeg[2:]


def _pictures_are_shown(bay: DemoBay, photo: dict[str, Any]) -> None:
    for what, side in (
        ("preview", 1600),
        ("found", 1600),
        (f"found?plate={photo['plates'][0]['plate']}", 1000),
    ):
        for _ in range(2):  # made, then from where it is kept
            answer = bay.phone.get(f"/api/photos/{photo['id']}/{what}")
            assert answer.status_code == 200 and answer.headers["content-type"] == "image/jpeg", answer.text
            assert abs(max(Image.open(io.BytesIO(answer.content)).size) - side) <= 2
    original = bay.phone.get(f"/api/photos/{photo['id']}/original")
    assert hashlib.sha256(original.content).hexdigest() == photo["sha256"]


def _observations_measure_again(bay: DemoBay, round_id: str, result: dict[str, Any]) -> None:
    with bay.store.reading() as db:
        row = results.latest(db, round_id)
        assert row is not None and row.observations is not None
        given, observations = row.inputs, unpack(row.observations)
    file, _ = check(ObservationsFile, observations, "observations", InputFileError)
    placements_files = [p["file"] for p in given["placements"]]
    photo_set = photo_set_of("again", given["kit"]["file"], given["vehicle"], placements_files)
    found = from_observations(file)
    m = measure_found(found, photo_set.kit, photo_set.vehicle, photo_set.placements, load_layouts())
    again = to_result(m, photo_set, found)["placements"][0]["values"]
    for key, value in result["placements"][0]["values"].items():
        assert again[key]["value"] == pytest.approx(value["value"], abs=1e-6 * value["u"])


def test_too_few_photos_and_one_that_cannot_be_read_are_told_in_words(demo_bay: DemoBay):
    first = demo_bay.open()
    good, broken = demo_photo("p01.jpg"), bytearray(demo_photo("p02.jpg"))
    start = broken.index(b"\xff\xda") + 20
    broken[start:-2] = broken[start : start + 400].replace(b"\xff", b"\0")  # a header, hardly any picture
    assert demo_bay.send(first, good, "good.jpg").status_code == 201
    assert demo_bay.send(first, bytes(broken), "broken.jpg").status_code == 201
    demo_bay.close(first)
    photos = {p["name"]: p for p in demo_bay.wait_for_looks()}
    assert photos["good.jpg"]["state"] == "looked"
    result = demo_bay.wait_for_result(first)
    assert result["state"] == "not_enough" and "at least two are needed" in result["says"]
    assert result["result"] is None


def test_a_photo_that_shows_another_visits_slip_goes_to_the_tray(demo_bay: DemoBay):
    round_id = demo_bay.open()
    slip = slips.text(4711, slips.new_slip())
    for name, text in (
        ("p01.jpg", slips.text(demo_bay.visit.number, demo_bay.visit.slip)),
        ("p02.jpg", slip),
    ):
        assert demo_bay.send(round_id, with_slip(demo_photo(name), text), name).status_code == 201
    own, other = demo_bay.wait_for_looks()
    assert own["shows_slip"] and own["round_id"] == round_id
    assert other["shows_slip"] and other["round_id"] is None and "slip" in other["tray_reason"]


def with_slip(jpeg: bytes, text: str) -> bytes:
    """A photo in which somebody holds a slip: a quarter of the photo's height, as from 1.5 m."""
    image = Image.open(io.BytesIO(jpeg))
    exif = image.info["exif"]
    code = io.BytesIO()
    segno.make_qr(text, error="q").save(code, kind="png", scale=12, border=4)
    side = image.size[1] // 4
    image.paste(Image.open(code).convert("RGB").resize((side, side)), (100, 100))
    out = io.BytesIO()
    image.save(out, "JPEG", exif=exif, quality=92)
    return out.getvalue()


def test_what_cannot_be_taken_in_is_answered_with_a_problem_in_words(demo_bay: DemoBay):
    round_id = demo_bay.open()
    for data, status, words in (
        (b"no photo", 422, "not a photo"),
        (b"II*\0 and so on", 422, "raw file"),
        (b"", 422, "empty"),
    ):
        answer = demo_bay.send(round_id, data)
        assert answer.status_code == status and words in answer.json()["detail"]
        assert answer.headers["content-type"] == "application/problem+json"
    assert demo_bay.photos() == []
    assert demo_bay.phone.get("/api/photos/none/preview").status_code == 404
