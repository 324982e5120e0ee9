"""Rendered sets are written as FORMATS.md says, and the demo that ships is the one that is made."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from calib_data.layouts import load_layouts
from calib_data.photoset import read_photo_set
from tools.cli import run
from tools.make_demo import FOLDER, THREE, demo_scene, three_bay
from tools.make_set import truth_file, write_set
from tools.scene import make_scene
from tools.truth import hangs_together, points_in_world_mm, project_points, true_values
from vision.detect import detect_plates
from vision.photo import read_photo


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    scene = make_scene(
        np.random.default_rng(2),
        n_photos=2,
        size_px=(2000, 1500),
        with_bar=True,
        with_datum_plate=True,
        measured_clamps=True,
        datum="bumper_centre",
    )
    folder = tmp_path_factory.mktemp("set") / "bay"
    write_set(np.random.default_rng(0), folder, scene, "bay 2")
    return folder, scene


def test_what_is_written_is_read_back_as_the_same_declaration(written):
    folder, scene = written
    read = read_photo_set(folder)
    assert read.warnings == ()
    assert read.title == "bay 2"
    assert [p.name for p in read.photos] == ["p01.jpg", "p02.jpg"]
    assert dict(read.kit.plates) == dict(scene.kit.plates)
    assert read.vehicle == scene.vehicle
    (placement,) = read.placements
    assert placement == scene.placement
    assert read.kit.floor == scene.kit.floor and read.kit.scale_bars == scene.kit.scale_bars
    assert read.kit.datum_plates == scene.kit.datum_plates
    for wheel, clamp in scene.kit.clamps.items():
        other = read.kit.clamps[wheel]
        assert other.eccentricity_mm == clamp.eccentricity_mm and other.plate == clamp.plate
        np.testing.assert_allclose(other.tilt_rad, clamp.tilt_rad, atol=1e-12)
        assert other.u_tilt_rad == pytest.approx(clamp.u_tilt_rad)
    for one, other in zip(scene.kit.fixtures[0].mounts, read.kit.fixtures[0].mounts, strict=True):
        np.testing.assert_allclose(other.T_fixture_plate, one.T_fixture_plate, atol=1e-9)
    target, other = scene.kit.fixtures[0].targets[0], read.kit.fixtures[0].targets[0]
    np.testing.assert_allclose(other.T_fixture_target, target.T_fixture_target, atol=1e-6)


def test_truth_lies_beside_but_is_no_part_of_the_set(written):
    folder, scene = written
    truth = json.loads((folder / "truth.json").read_text())
    assert truth["values"]["centreline"] == pytest.approx(
        true_values(scene.truth, "centreline", "bumper_centre")
    )
    assert "truth" not in (folder / "set.json").read_text()


@pytest.mark.parametrize(("folder", "n_photos", "n_placements"), [(FOLDER, 8, 1), (THREE, 12, 4)])
def test_a_demo_is_small_invented_and_says_so(folder, n_photos, n_placements):
    assert sum(photo.stat().st_size for photo in FOLDER.rglob("*.jpg")) < 5e6  # of both together
    photos = sorted(folder.glob("*.jpg"))
    assert len(photos) == n_photos
    for photo in photos:
        with Image.open(photo) as image:
            assert 2e6 <= image.width * image.height <= 5e6
    demo = read_photo_set(folder)
    assert demo.warnings == () and len(demo.placements) == n_placements
    called = [demo.title, demo.kit.name, *(one.name for one in (*demo.placements, *demo.relations))]
    assert all("DEMO" in name for name in called)
    assert demo.vehicle.label.startswith("DEMO")


def test_one_of_the_three_targets_is_to_be_corrected():
    """The left mat's gap, by its truth; all else that is required is as required."""
    demo = read_photo_set(THREE)
    truth = json.loads((THREE / "truth.json").read_text())
    outside = {
        (p.fixture, key)
        for p, true in zip(demo.placements, truth["placements"], strict=True)
        for key, t in p.values.items()
        if not -t.minus <= true[key] - t.nominal <= t.plus
    }
    assert outside == {("mat_left", "gap_mm")}
    asked = demo.relations[0].values["parallelism_deg"]
    assert abs(truth["relations"][0]["parallelism_deg"] - asked.nominal) < asked.plus


@pytest.mark.study
def test_the_demo_of_three_targets_that_ships_is_the_one_that_is_made_and_measures_true(tmp_path):
    made = truth_file(three_bay())
    shipped = json.loads((THREE / "truth.json").read_text())
    for one, other in zip(made["placements"], shipped["placements"], strict=True):
        assert one == pytest.approx(other, abs=1e-6)
    assert run(["demo", "--three", str(tmp_path)]) == 0
    result = json.loads((tmp_path / "result.json").read_text())
    assert [p["decision"] for p in result["placements"]] == 2 * ["conforming"] + [
        "nonconforming",
        "conforming",
    ]
    for placement, true in zip(result["placements"], shipped["placements"], strict=True):
        for key, value in placement["values"].items():
            assert abs(value["value"] - true[key]) < 4.5 * value["u"], key


def test_the_demos_truth_has_one_value_to_correct():
    scene = demo_scene()
    assert hangs_together(scene)
    values = true_values(scene.truth, "centreline", "front_axle")
    outside = {
        key: not -t.minus <= values[key] - t.nominal <= t.plus for key, t in scene.placement.values.items()
    }
    assert outside == {"distance_mm": False, "lateral_mm": True, "height_mm": False, "yaw_deg": False}


def test_the_demo_that_ships_is_the_one_that_is_made():
    scene = demo_scene()
    shipped, made = json.loads((FOLDER / "truth.json").read_text()), truth_file(scene)
    assert shipped["values"]["centreline"] == pytest.approx(made["values"]["centreline"], abs=1e-6)
    cv2.setNumThreads(1)
    photo = scene.photos[0]
    data = (Path(FOLDER) / photo.name).read_bytes()
    plates = {p.number: p for p in photo.plates}
    found = [
        d for d in detect_plates(read_photo(data, photo.name), load_layouts(), set(plates)) if d.tag_read
    ]
    assert len(found) >= 4
    for detection in found:
        plate = plates[detection.plate]
        xy = plate.layout.saddles_mm[detection.saddle_index]
        error_px = detection.saddles_px - project_points(photo, points_in_world_mm(plate, xy))
        assert np.median(np.abs(error_px)) < 0.2  # small, steep plates in a JPEG of 85 %
