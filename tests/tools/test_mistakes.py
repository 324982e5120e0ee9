"""Planted mistakes: each changes what it says and nothing else; values by hand."""

import numpy as np
import pytest

from tools import mistakes
from tools.mistakes import SIZED, UNSIZED, Planted, values_of
from tools.scene import PERFECT, SetUp, car_of, make_scene, pose
from tools.simulate import observe_scene
from tools.truth import points_in_world_mm, project_points

EXACT = SetUp(lateral_mm=80.0, height_mm=1200.0, yaw_deg=0.0, off_mm=0.0, off_deg=0.0)


@pytest.fixture(scope="module")
def scene():
    """No errors, and the design frame is the world: forward is x, left is y."""
    return make_scene(
        np.random.default_rng(3),
        drawn=PERFECT,
        car=car_of(2700.0, (1500.0, 1500.0), (310.0, 310.0)),
        set_up=EXACT,
        n_photos=6,
        with_bar=True,
        with_datum_plate=True,
        T_world_vehicle=np.eye(4),
    )


def pose_of(scene, number, photo=0):
    return next(p.T_world_plate for p in scene.photos[photo].plates if p.number == number)


def moved_plates(before, after, photo):
    return {
        p.number
        for p, q in zip(before.photos[photo].plates, after.photos[photo].plates, strict=True)
        if not np.array_equal(p.T_world_plate, q.T_world_plate)
    }


def test_a_moved_fixture_takes_plates_boxes_and_target_along_from_that_photo_on(scene):
    planted = mistakes.fixture_moved(scene, 3, [8.0, -2.0, 0.0], 0.3)
    assert moved_plates(scene, planted.scene, 2) == set()
    assert moved_plates(scene, planted.scene, 3) == {10, 11}
    for before, after in zip(scene.photos[3].boxes, planted.scene.photos[3].boxes, strict=True):
        same = np.array_equal(before.T_world_box, after.T_world_box)
        assert same == (after.what in ("body", "cabin"))
    before, after = values_of(planted)
    assert after["yaw_deg"] - before["yaw_deg"] == pytest.approx(0.3, abs=1e-6)
    # The target is within 20 mm of the upright through the plates' middle: the turn moves it by 0.1 mm.
    assert after["distance_mm"] - before["distance_mm"] == pytest.approx(8.0, abs=0.15)
    assert after["lateral_mm"] - before["lateral_mm"] == pytest.approx(-2.0, abs=0.15)
    # What holds on the fixture goes on holding.
    for photo in (2, 5):
        T_left_right = np.linalg.inv(pose_of(planted.scene, 10, photo)) @ pose_of(planted.scene, 11, photo)
        np.testing.assert_allclose(T_left_right[:3, 3], [700, 0, 0], atol=1e-9)


def test_a_moved_vehicle_takes_its_wheels_and_datum_along(scene):
    planted = mistakes.vehicle_moved(scene, 2, [5.0, 0.0, 0.0], 0.0)
    assert moved_plates(scene, planted.scene, 1) == set()
    assert moved_plates(scene, planted.scene, 2) == {0, 1, 2, 3, 40}
    before, after = values_of(planted)
    assert after["distance_mm"] - before["distance_mm"] == pytest.approx(-5.0)


def test_turned_steering_turns_the_front_wheels_about_their_centres(scene):
    planted = mistakes.steering_turned(scene, 2.0)
    assert moved_plates(scene, planted.scene, 0) == {0, 1}
    for wheel, clamp in list(scene.kit.clamps.items())[:2]:
        T = pose_of(planted.scene, clamp.plate)
        np.testing.assert_allclose(T[:3, 3] - 120 * T[:3, 2], scene.truth.wheel_centres_mm[wheel], atol=1e-9)
        np.testing.assert_allclose(T[:3, 2], planted.scene.truth.spin_axes[wheel], atol=1e-12)
    left = planted.scene.truth.spin_axes["front_left"]
    assert np.degrees(np.arctan2(-left[0], left[1])) == pytest.approx(2.0)  # to the left


def test_swapped_plates_keep_their_print_and_change_their_place(scene):
    planted = mistakes.plates_swapped(scene, 0, 3)
    np.testing.assert_array_equal(pose_of(planted.scene, 0), pose_of(scene, 3))
    np.testing.assert_array_equal(pose_of(planted.scene, 3), pose_of(scene, 0))
    assert planted.scene.plates[0].scale_xy == scene.plates[0].scale_xy
    assert planted.scene.kit is scene.kit


def test_an_upside_down_plate_looks_the_same_way_with_y_down(scene):
    T = pose_of(mistakes.plate_upside_down(scene, 10).scene, 10)
    old = pose_of(scene, 10)
    np.testing.assert_allclose(T[:3, 2], old[:3, 2], atol=1e-12)
    np.testing.assert_allclose(T[:3, 1], -old[:3, 1], atol=1e-12)


def test_sheets_can_be_scaled_with_the_kit_unaware_or_honest(scene):
    unaware = mistakes.sheets_scaled(scene, [10], (0.97, 0.97)).scene
    honest = mistakes.all_sheets_scaled(scene, 0.97, is_measured=False).scene
    true = next(p for p in scene.plates if p.number == 10).scale_xy[0]
    for planted, n_changed in ((unaware, 1), (honest, len(scene.plates))):
        plate = next(p for p in planted.plates if p.number == 10)
        assert plate.scale_xy[0] == pytest.approx(0.97 * true)
        changed = [p.scale_xy != q.scale_xy for p, q in zip(scene.plates, planted.plates, strict=True)]
        assert sum(changed) == n_changed
    assert unaware.kit.plates[10].scale_is_measured and not honest.kit.plates[10].scale_is_measured
    assert honest.kit.plates[10].u_printed_scale == 0.03


def test_a_plate_on_a_ramp_is_raised_and_leans(scene):
    T = pose_of(mistakes.floor_plate_raised(scene, [21], 3.0, ramp_deg=2.0).scene, 21)
    assert T[2, 3] - pose_of(scene, 21)[2, 3] == pytest.approx(3.0)
    assert np.degrees(np.arccos(T[2, 2])) == pytest.approx(2.0)


def test_a_mistaken_datum_shifts_the_nominal_by_a_length_of_the_vehicle(scene):
    nominal = scene.placement.values["distance_mm"].nominal
    rear = mistakes.datum_mistaken(scene, "rear_axle").scene.placement.values["distance_mm"].nominal
    bumper = mistakes.datum_mistaken(scene, "front_bumper").scene.placement.values["distance_mm"].nominal
    # 3000 from the front axle is 5700 from the rear one and 2150 from a bumper 850 ahead.
    assert rear - nominal == pytest.approx(2700.0, abs=0.1)
    assert bumper - nominal == pytest.approx(-850.0)


def test_a_mirrored_offset_is_twice_the_offset_away(scene):
    planted = mistakes.lateral_mirrored(scene)
    (values,) = values_of(planted)
    assert values["lateral_mm"] - planted.scene.placement.values["lateral_mm"].nominal == pytest.approx(
        160, abs=0.1
    )


def test_a_bent_bar_is_shorter_than_its_length(scene):
    planted = mistakes.bar_bent(scene, 10.0).scene
    length_mm = np.linalg.norm(pose_of(planted, 30)[:3, 3] - pose_of(planted, 31)[:3, 3])
    assert length_mm == pytest.approx(1000 * np.cos(np.radians(5.0)))  # two arms of 500 at 170 degrees
    assert pose_of(planted, 31)[2, 3] > pose_of(scene, 31)[2, 3]  # up, not into the floor


def test_a_mirrored_photo_has_every_point_at_the_other_side(scene):
    planted = mistakes.photo_mirrored(scene, 2).scene
    for photo in (1, 2):
        plate = scene.photos[photo].plates[0]
        points = points_in_world_mm(plate, plate.layout.saddles_mm)
        straight = project_points(scene.photos[photo], points)
        now = project_points(planted.photos[photo], points)
        expected = 4031 - straight[:, 0] if photo == 2 else straight[:, 0]
        np.testing.assert_allclose(now[:, 0], expected)
        np.testing.assert_allclose(now[:, 1], straight[:, 1])


def test_a_rippled_lens_is_off_by_the_amplitude_at_most(scene):
    planted = mistakes.lens_rippled(scene, 0.5).scene
    photo = scene.photos[0]
    points = points_in_world_mm(scene.plates[0], np.random.default_rng(0).uniform(-90, 90, (50, 2)))
    off_px = np.linalg.norm(project_points(planted.photos[0], points) - project_points(photo, points), axis=1)
    assert 0 < off_px.max() < 0.5 * 1.01


def test_mixed_lenses_and_visits_leave_exif_as_it_was_unless_told(scene):
    zoomed = mistakes.lenses_mixed(scene, [1, 4], 1.9).scene
    assert zoomed.photos[1].lens.fx_px == pytest.approx(1.9 * scene.photos[1].lens.fx_px)
    assert zoomed.photos[1].exif == scene.photos[1].exif and zoomed.photos[0] is scene.photos[0]
    silent = mistakes.visits_mixed(scene, 3, 300.0, 2.0, None).scene
    dated = mistakes.visits_mixed(scene, 3, 300.0, 2.0, "2026-03-09").scene
    assert silent.photos[4].exif == scene.photos[4].exif
    assert dated.photos[4].exif.taken == "2026-03-09" + scene.photos[4].exif.taken[10:]
    assert moved_plates(scene, silent, 4) == {0, 1, 2, 3, 10, 11, 40}


def test_a_number_twice_is_seen_twice(scene):
    beside = pose([1000, 1700, 1])
    planted = mistakes.number_twice(scene, 10, beside).scene
    assert sum(p.number == 10 for p in planted.plates) == 2


@pytest.mark.parametrize("name", [*SIZED, *UNSIZED])
def test_every_catalogued_mistake_can_be_observed_and_leaves_the_scene_alone(scene, name):
    before = [p.T_world_plate.copy() for p in scene.plates]
    generator = np.random.default_rng(1)
    planted = SIZED[name](generator, scene, 0.5) if name in SIZED else UNSIZED[name](generator, scene)
    assert isinstance(planted, Planted) and planted.scene is not scene
    assert all(np.array_equal(T, p.T_world_plate) for T, p in zip(before, scene.plates, strict=True))
    photos = observe_scene(generator, planted.scene)
    assert sum(len(photo.detections) for photo in photos) > 10
