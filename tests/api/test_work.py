"""What runs in the workers."""

import hashlib
import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from api.photos import work
from api.photos.photofiles import PhotoFolder
from api.photos.pictures import shrunk
from tests.api.test_photos_whole_way import DEMO, NAMES, demo_photo
from vision.errors import PhotoError
from vision.photo import read_photo


@pytest.fixture
def kit_file() -> dict:
    return json.loads((DEMO / "kit.json").read_text())


def keep(files: PhotoFolder, data: bytes) -> str:
    """Store a file; its hash."""
    sha256 = hashlib.sha256(data).hexdigest()
    path = files.folder / "temporary"
    path.write_bytes(data)
    files.put(path, sha256)
    return sha256


@pytest.fixture
def job(tmp_path, kit_file) -> work.RoundToMeasure:
    """Three of the demo's photos, looked at."""
    files = PhotoFolder(tmp_path)
    stored = {name: keep(files, demo_photo(name)) for name in NAMES[:3]}
    found = [work.look(files, stored[name], name, kit_file, tmp_path / "preview").found for name in stored]
    placement = json.loads((DEMO / "placement.json").read_text())
    vehicle = json.loads((DEMO / "set.json").read_text())["vehicle"]
    return work.RoundToMeasure("a round", vehicle, kit_file, (placement,), tuple(found), files, stored, ())


def test_photos_are_decoded_only_where_something_is_to_be_searched(job, monkeypatch):
    decoded = []
    monkeypatch.setattr(work, "read_photo", lambda data, name: decoded.append(name) or read_photo(data, name))
    work.measure_round(job)
    assert len(decoded) < 2 * len(job.stored)  # each at most once a look, and not all


def test_a_round_without_a_photo_that_can_be_read_says_so(job):
    empty = replace(job, found=(), stored={}, unread=(("p01.jpg", "p01.jpg: the file is damaged."),))
    outcome = work.measure_round(empty)
    assert (
        outcome.result is None
        and "no photo that can be measured" in outcome.says
        and "damaged" in outcome.says
    )


def test_a_kit_that_is_wrong_is_told_in_words(job):
    wrong = replace(job, kit=job.kit | {"wheels": {}})
    outcome = work.measure_round(wrong)
    assert outcome.result is None and "kit" in outcome.says


def test_a_photo_without_plates_is_judged_as_a_whole(tmp_path, kit_file):
    for level, word in ((10, "dark"), (255, "over-exposed")):
        png = cv2.imencode(".png", np.full((1300, 1700), level, np.uint8))[1].tobytes()
        files = PhotoFolder(tmp_path)
        looked = work.look(files, keep(files, png), "grey.png", kit_file, tmp_path / "preview.jpg")
        assert looked.seen["plates"] == [] and any(word in says for says in looked.seen["says"])
        assert any("No plate" in says for says in looked.seen["says"])


def test_a_photo_that_cannot_be_decoded_is_an_error_in_words(tmp_path, kit_file):
    files = PhotoFolder(tmp_path)
    sha256 = keep(files, demo_photo("p01.jpg")[:90_000])
    with pytest.raises(PhotoError, match="end of the file"):
        work.look(files, sha256, "cut.jpg", kit_file, tmp_path / "preview.jpg")


def test_a_blurred_plate_is_told_with_what_to_do(tmp_path, kit_file):
    sharp = read_photo(demo_photo("p01.jpg"), "p01.jpg").grey
    png = cv2.imencode(".png", cv2.GaussianBlur(sharp, (0, 0), 3.0))[1].tobytes()
    files = PhotoFolder(tmp_path)
    seen = work.look(files, keep(files, png), "blurred.png", kit_file, tmp_path / "preview.jpg").seen
    assert any("blurred" in plate["says"] for plate in seen["plates"]) or any(
        "hold the phone still" in s for s in seen["says"]
    )


def test_packed_values_keep_every_digit():
    value = {"x": [0.1, 1e-300, 12345.678901234567]}
    assert work.unpack(work.pack(value)) == value


def test_a_photo_is_made_small_by_its_long_side():
    assert shrunk(np.zeros((3000, 4000), np.uint8), 1600).shape == (1200, 1600)
    assert shrunk(np.zeros((30, 40), np.uint8), 1600).shape == (30, 40)


def test_a_removed_photo_counts_with_what_an_earlier_measuring_found_in_it(job):
    first = work.measure_round(job)
    assert first.observations is not None
    name = NAMES[0]
    told = work.unpack(first.observations)
    photo = next(p for p in told["photos"] if p["file"] == name)
    elsewhere = {seen["plate"] for p in told["photos"] if p["file"] != name for seen in p["plates"]}
    plate = next(seen for seen in photo["plates"] if seen["plate"] in elsewhere)
    photo["plates"].remove(plate)  # as if it had been found at second look
    photo["predicted"] = [[plate]]
    bare = [
        work.pack(work.unpack(f) | {"plates": photo["plates"]}) if k == 0 else f
        for k, f in enumerate(job.found)
    ]
    stored = {other: sha256 for other, sha256 in job.stored.items() if other != name}
    again = work.measure_round(replace(job, found=tuple(bare), stored=stored, earlier=work.pack(told)))
    assert again.result is not None and first.result is not None
    plates = {p["file"]: p["plates"] for p in again.result["photos"]}
    assert plates[name] == next(p["plates"] for p in first.result["photos"] if p["file"] == name)
