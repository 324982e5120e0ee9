"""Mistakes that photos cannot show: planted, and held to what u, decision and words say of them."""

import math
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from tools import mistakes
from tools.scene import make_scene
from tools.simulate import observe_scene
from tools.truth import true_values
from vision.kit import Tolerance
from vision.measure import measure_found
from vision.placement import Reported
from vision.unseen import Unseen, carried

LAYOUTS = load_layouts()
N_PHOTOS = 12
FIRST_OF_OTHER_SIDE = 6  # a walk takes the left half of its photos first
REAR_RIGHT = 3  # the plate's number


# --- by hand ------------------------------------------------------------------------------------------


def reported_of(variances):
    n = len(variances)
    keys = ("track_front_mm", *(f"0:value {i}" for i in range(1, n)))
    zeros = np.zeros((n, 1))
    return Reported(keys, np.zeros(n), np.diag(variances), {"image": np.ones(n)}, zeros, zeros)


def test_what_u_covers_changes_nothing():
    reported = reported_of([1.0, 1.0])
    # 5 times the track's u, but 0.9 of the value's: only what is asked of a target counts.
    assert carried(reported, [Unseen(np.array([[5.0, 0.9]]))], "unseen") is reported


def test_u_becomes_as_large_as_the_worst_of_what_is_unseen_in_its_direction():
    reported = reported_of([1.0, 1.0, 1.0])
    one, smaller = Unseen(np.array([[0.0, 3.0, -4.0]])), Unseen(np.array([[0.0, 2.0, 0.0]]))
    wider = carried(reported, [smaller, one], "unseen")
    # The excess is 16, so 15/16 of the effects' squares and products are added; the smaller one then needs
    # nothing more: 1 + 9 * 15/16 > 4.
    expected = np.eye(3) + 15 / 16 * np.array([[0, 0, 0], [0, 9, -12], [0, -12, 16.0]])
    np.testing.assert_allclose(wider.covariance, expected)
    np.testing.assert_allclose(wider.shares["unseen"], [0, 1 - 1 / expected[1, 1], 15 / 16])
    for i in range(3):
        assert math.fsum(share[i] for share in wider.shares.values()) == 1.0


# --- sheets -------------------------------------------------------------------------------------------


def measured(scene, found):
    return measure_found(found, scene.kit, scene.vehicle, (scene.placement,), LAYOUTS)


def seen_once(found, plate):
    """The same photos, this plate covered in all but the first that shows it."""
    first = next(f.name for f in found if any(d.plate == plate for d in f.detections))
    return [
        f if f.name == first else replace(f, detections=tuple(d for d in f.detections if d.plate != plate))
        for f in found
    ]


@pytest.fixture(scope="module")
def one_percent_off():
    """A rear wheel's sheet printed at 99 %, in one photo only: scene and measurement."""
    rng = np.random.default_rng(1)
    scene = make_scene(rng, n_photos=N_PHOTOS, stations="chosen")
    scene = mistakes.sheets_scaled(scene, [REAR_RIGHT], (0.99, 0.99)).scene
    return scene, measured(scene, seen_once(observe_scene(rng, scene), REAR_RIGHT))


def test_the_error_of_a_wrong_sheet_that_one_photo_shows_is_within_what_u_says(one_percent_off):
    scene, m = one_percent_off
    true = true_values(scene.truth, scene.placement.reference_line, scene.placement.datum)
    off_mm = m.reported.value("0:lateral_mm") - true["lateral_mm"]
    u_mm, share = m.reported.u("0:lateral_mm"), m.placements[0].budget["lateral_mm"]["unchecked_sheets"]
    assert abs(off_mm) > 5 * u_mm * np.sqrt(1 - share)  # what u would say without it
    assert abs(off_mm) < 1.96 * u_mm
    assert m.decision != "conforming"


def test_a_sheet_that_the_photos_do_not_check_is_named(one_percent_off):
    _, m = one_percent_off
    (says,) = [says for says in m.not_checked if "printed scale" in says]
    assert f"plate {REAR_RIGHT}," in says


def test_sheets_seen_from_several_places_cost_nothing():
    rng = np.random.default_rng(3)
    scene = make_scene(rng, n_photos=16, stations="chosen", target_distance_mm=2500.0)
    found = observe_scene(rng, scene)
    n_seen = [sum(d.plate == wheel for f in found for d in f.detections) for wheel in range(4)]
    assert min(n_seen) >= 3
    m = measured(scene, found)
    assert "unchecked_sheets" not in m.placements[0].budget["lateral_mm"]


# --- moves --------------------------------------------------------------------------------------------


def walked(*, closing):
    """A round up the left side and down the right; `closing` adds a photo from where the first was taken."""
    rng = np.random.default_rng(1)
    scene = make_scene(rng, n_photos=N_PHOTOS, stations="walk")
    if closing:
        first = scene.photos[0]
        exif = replace(first.exif, taken="2026-03-14T09:30:00")
        again = replace(first, name="again.jpg", exif=exif, T_camera_world=first.T_camera_world.copy())
        again.T_camera_world[:3, 3] += rng.normal(0, 100, 3)
        scene = replace(scene, photos=(*scene.photos, again))
    return rng, scene


def rolled(scene):
    """The vehicle rolled on by 8 mm between the two sides."""
    centre_mm = scene.truth.wheel_centres_mm
    forward = centre_mm["front_left"] - centre_mm["rear_left"]
    shift_mm = 8.0 * forward / np.linalg.norm(forward)
    return mistakes.vehicle_moved(scene, FIRST_OF_OTHER_SIDE, shift_mm, 0.0).scene


def required_as_measured(scene, found, half_mm):
    """The distance alone is required, and it measures just what it should."""
    value = measured(scene, found).reported.value("0:distance_mm")
    values = MappingProxyType({"distance_mm": Tolerance(value, half_mm, half_mm)})
    return replace(scene, placement=replace(scene.placement, values=values))


def test_a_vehicle_that_may_have_rolled_between_the_sides_keeps_the_distance_from_conforming():
    # Half of 8 mm is in the distance unseen: sd 4 / sqrt(3) = 2.3 mm, and 0.51 T = 2.0 mm would be allowed.
    rng, scene = walked(closing=False)
    scene = rolled(scene)
    found = observe_scene(rng, scene)
    m = measured(required_as_measured(scene, found, 4.0), found)
    assert all(test.ok for test in m.tests)  # nothing shows
    assert m.placements[0].decision.values["distance_mm"].decision == "conforming"
    assert m.decision == "undecided"
    (judged,) = m.placements
    assert "a move of the vehicle between the photos" in judged.decision.says[0]
    assert "the distance by 4.0 mm" in judged.decision.says[0]
    assert "one more photo from where the first was taken" in judged.advice[-1]
    assert any("a move of the vehicle between" in says for says in m.not_checked)


def test_where_the_tolerance_has_room_for_an_unseen_move_the_distance_conforms():
    rng, scene = walked(closing=False)
    found = observe_scene(rng, scene)
    # 9 mm are more than 1.96 times the 2.3 mm of a vehicle and what a fixture may add.
    assert measured(required_as_measured(scene, found, 9.0), found).decision == "conforming"


def test_a_closing_photo_shows_the_move():
    rng, scene = walked(closing=True)
    m = measured(scene, observe_scene(rng, rolled(scene)))
    assert m.tests[0].name == "rigidity of vehicle" and not m.tests[0].ok


def test_with_a_closing_photo_a_vehicle_that_stood_still_needs_no_words():
    rng, scene = walked(closing=True)
    m = measured(scene, observe_scene(rng, scene))
    assert not [move for move in m.moves if move.body.kind == "vehicle"]
