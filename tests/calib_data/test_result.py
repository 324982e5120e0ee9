"""The result file: held to its format, to the measurement it was made from, and to the simulated truth."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from calib_data.crosschecks import result_problems
from calib_data.formats import ResultFile
from calib_data.layouts import load_layouts
from calib_data.photoset import PhotoSet, SourceText
from calib_data.reading import check, raise_problems
from calib_data.result import UnreadPhoto, plate_roles, to_result
from tools.mistakes import fixture_moved
from tools.scene import make_scene
from tools.simulate import observe_scene
from tools.truth import true_values
from vision.errors import InputFileError
from vision.kit import Tolerance
from vision.measure import measure_found


def photo_set_of(scene, folder):
    text = SourceText("kit.json", "{}", "44136fa355b3678a1146ad16f7e8649e94fb4fc21fe77e8310c060f61caaff8a")
    return PhotoSet(
        folder=folder, title="Bay 2", taken="2026-03-14", photos=(), kit=scene.kit, vehicle=scene.vehicle,
        placements=(scene.placement,), warnings=("kit.json: color is not a key of this format",),
        set_text=None, kit_text=text, placement_texts=(),
    )  # fmt: skip


def measured(seed, folder, **scene_words):
    rng = np.random.default_rng(seed)
    scene = make_scene(rng, n_photos=8, **scene_words)
    found = observe_scene(rng, scene)
    measurement = measure_found(found, scene.kit, scene.vehicle, (scene.placement,), load_layouts())
    unread = (UnreadPhoto("p99.jpg", "p99.jpg: the file is empty."),)
    return scene, measurement, to_result(measurement, photo_set_of(scene, folder), found, unread)


@pytest.fixture(scope="module")
def ahead(tmp_path_factory):
    return measured(3, tmp_path_factory.mktemp("set"))


@pytest.fixture(scope="module")
def behind(tmp_path_factory):
    return measured(5, tmp_path_factory.mktemp("set"), behind=True, n_floor=0)


def hold_against_formats(result):
    read_back = json.loads(json.dumps(result, allow_nan=False))
    made, _ = check(ResultFile, read_back, "result.json", InputFileError)
    raise_problems(result_problems(made), "result.json", InputFileError)


def test_it_is_a_result_of_the_format(ahead, behind):
    hold_against_formats(ahead[2])
    hold_against_formats(behind[2])


def test_values_are_the_measurements_to_a_millionth_of_u(ahead):
    _, m, result = ahead
    for key, entry in result["placements"][0]["values"].items():
        u = m.reported.u(f"0:{key}")
        assert entry["value"] == pytest.approx(m.reported.value(f"0:{key}"), abs=1e-6 * u)
        assert entry["u"] == pytest.approx(u, rel=1e-6)
        low, high = entry["interval95"]
        # 1.96: a normal distribution's 95 % (JCGM 100, table G.1).
        assert (high - low) / (2 * u) == pytest.approx(1.96, abs=1e-4)
        assert (high + low) / 2 == pytest.approx(entry["value"], abs=1e-5 * u)


def test_values_agree_with_the_simulated_truth(ahead):
    scene, _, result = ahead
    true = true_values(scene.truth, scene.placement.reference_line, scene.placement.datum)
    for key, entry in result["placements"][0]["values"].items():
        assert abs(entry["value"] - true[key]) < 4.5 * entry["u"], key


def test_covariance_and_budget_belong_to_the_values(ahead):
    placement = ahead[2]["placements"][0]
    for i, key in enumerate(placement["covariance"]["keys"]):
        u = placement["values"][key]["u"]
        assert placement["covariance"]["matrix"][i][i] == pytest.approx(u**2, rel=1e-5)
        assert math.fsum(placement["budget"][key].values()) == pytest.approx(1, abs=1e-5)


def test_geometry_shows_what_the_values_say(ahead):
    """Distance, lateral and height are the target's place in the drawing, counted from the drawn datum."""
    result = ahead[2]
    values, geometry = result["placements"][0]["values"], result["geometry"]
    x_mm, y_mm, z_mm = np.array(geometry["targets"][0]["T_vehicle_target"])[:3, 3]
    assert x_mm - geometry["datum_mm"][0] == pytest.approx(values["distance_mm"]["value"], abs=1e-3)
    assert y_mm == pytest.approx(values["lateral_mm"]["value"], abs=1e-3)
    assert z_mm == pytest.approx(values["height_mm"]["value"], abs=1e-3)
    assert geometry["datum_mm"] == pytest.approx([0, 0, 0], abs=1e-3)  # the front axle is the origin
    for wheel, drawn in geometry["wheels"].items():
        height_mm = result["vehicle"][f"wheel_height_{wheel}_mm"]["value"]
        assert drawn["centre_mm"][2] == pytest.approx(height_mm, abs=1e-3)


def test_every_plate_seen_is_drawn_with_what_it_hangs_on(ahead):
    scene, _, result = ahead
    seen = {plate for photo in result["photos"] for plate in photo.get("plates", ())}
    assert {int(number) for number in result["geometry"]["plates"]} == seen
    roles = plate_roles(scene.kit)
    clamp = scene.kit.clamps["rear_left"]
    assert roles[clamp.plate] == "wheel rear left"
    assert result["geometry"]["plates"][str(clamp.plate)]["role"] == "wheel rear left"
    assert roles[scene.kit.fixtures[0].mounts[0].plate] == f"fixture {scene.kit.fixtures[0].name}"


def test_photos_carry_hash_plates_and_rms(ahead):
    _, m, result = ahead
    *used, unread = result["photos"]
    assert unread == {"file": "p99.jpg", "used": False, "says": "p99.jpg: the file is empty."}
    assert len(used) == 8 and all(photo["sha256"].startswith("simulated") for photo in used)
    # The simulator draws 0.029 px per axis and more in steep views (tools/simulate.py).
    assert 0.02 < np.median([photo["rms_px"] for photo in used]) < 0.06
    (camera,) = result["cameras"]
    f_px = m.adjustment.state.values[m.adjustment.network.unknowns.lens_values()[0, 0]]
    assert camera["f_px"] == pytest.approx(f_px) and 0 < camera["u_f_px"] < 0.01 * f_px


def test_the_record_names_sources_versions_and_what_is_not_said(ahead):
    result = ahead[2]
    assert result["set"]["files"][0]["name"] == "kit.json" and len(result["set"]["files"][0]["sha256"]) == 64
    assert {"plumbsight", "numpy", "opencv-python-headless"} <= set(result["made_with"])
    assert result["warnings"] == ["kit.json: color is not a key of this format"]
    assert any("clamp" in what for what in result["not_checked"])
    assert "vehicle maker" in result["caution"]
    assert any("Joint risk" in says for says in result["placements"][0]["says"])


def test_a_value_that_was_not_measured_is_null_with_the_reason(tmp_path):
    rng = np.random.default_rng(5)
    scene = make_scene(rng, n_photos=8, n_floor=0)
    vehicle = type(scene.vehicle)(wheelbase_mm=scene.vehicle.wheelbase_mm)  # no wheel radius
    found = observe_scene(rng, scene)
    m = measure_found(found, scene.kit, vehicle, (scene.placement,), load_layouts())
    result = to_result(m, photo_set_of(scene, tmp_path), found)
    height = result["placements"][0]["values"]["height_mm"]
    assert height["value"] is None and "floor plates" in height["says"]
    assert "u" not in height and height["decision"] == "undecided"
    assert "height_mm" not in result["placements"][0]["covariance"]["keys"]
    hold_against_formats(result)


def test_a_yaw_beside_half_a_turn_is_told_near_what_is_asked_for(behind, tmp_path):
    """MEASUREMENT.md, "Behind and beside": differences of angles wrap to +-180."""
    scene, m, _ = behind
    measured_deg = m.reported.value("0:yaw_deg")
    asked_deg = -180.0 if measured_deg > 0 else 180.0
    asked = replace(scene.placement, values={"yaw_deg": Tolerance(asked_deg, 3.0, 3.0)})
    found = observe_scene(np.random.default_rng(5), scene)
    m = measure_found(found, scene.kit, scene.vehicle, (asked,), load_layouts())
    yaw = to_result(m, photo_set_of(scene, tmp_path), found)["placements"][0]["values"]["yaw_deg"]
    assert m.reported.value("0:yaw_deg") * asked_deg < 0
    assert abs(yaw["value"] - asked_deg) < 3 and yaw["decision"] == "conforming"


def test_a_fixture_that_moved_is_told_in_two_states(tmp_path):
    rng = np.random.default_rng(11)
    planted = fixture_moved(make_scene(rng, n_photos=12), 6, (0.0, 3.0, 0.0), 0.15)
    scene = planted.scene
    found = observe_scene(rng, scene)
    m = measure_found(found, scene.kit, scene.vehicle, (scene.placement,), load_layouts())
    result = to_result(m, photo_set_of(scene, tmp_path), found)
    hold_against_formats(result)
    before, after = result["states"]
    assert after["placements"][0]["values"] == result["placements"][0]["values"]
    moved_mm = [s["placements"][0]["values"]["lateral_mm"]["value"] for s in (before, after)]
    assert abs(moved_mm[1] - moved_mm[0]) > 1
    # Plates have the numbers that are printed on them, in both states.
    printed = set(scene.kit.plates)
    assert {plate for photo in result["photos"] for plate in photo["plates"]} <= printed
    assert {int(number) for number in result["geometry"]["plates"]} <= printed


def test_the_same_measurement_gives_the_same_bytes(ahead, tmp_path):
    again = measured(3, tmp_path)[2]
    assert json.dumps(again) == json.dumps(ahead[2])
