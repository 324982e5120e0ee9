"""A clamp that hangs crooked is named by what its plate shows; camber and toe are left alone."""

from dataclasses import replace

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from tools.mistakes import clamp_off_seat, plate_shifted
from tools.scene import make_scene
from tools.simulate import observe_scene
from vision.measure import measure_found


def measured(wheel, tilt_deg, shift_mm=(0.0, 0.0, 0.0)):
    rng = np.random.default_rng(8)
    scene = clamp_off_seat(make_scene(rng, n_photos=8), wheel, np.array(shift_mm), tilt_deg).scene
    found = observe_scene(rng, scene)
    return measure_found(found, scene.kit, scene.vehicle, [scene.placement], load_layouts())


@pytest.mark.parametrize(
    ("wheel", "tilt_deg", "name", "words"),
    [
        ("rear_left", (8.0, 0.0), "clamps upright", "The plate of the rear left wheel leans by"),
        ("front_right", (-4.0, 0.0), "clamps upright", "of the two front wheels lean by"),
        ("rear_right", (0.0, 4.0), "wheels in line", "The plate of the rear right wheel is turned by"),
        ("front_left", (0.0, -4.0), "wheels in line", "front left and the front right wheel are turned by"),
    ],
)
def test_a_crooked_clamp_is_named_and_nothing_conforms(wheel, tilt_deg, name, words):
    m = measured(wheel, tilt_deg)
    assert m.tests[0].name == name and words in m.tests[0].says
    assert m.decision != "conforming"


@pytest.mark.parametrize("shift_mm", [(24.0, 0.0, 0.0), (0.0, 30.0, 0.0), (20.0, -20.0, 0.0)])
def test_a_clamp_beside_its_seat_shows_in_what_both_sides_have_alike(shift_mm):
    m = measured("front_left", (0.0, 0.0), shift_mm)
    assert m.tests[0].name == "both sides alike" and "clamps of the front axle" in m.tests[0].says
    assert m.decision != "conforming"


def test_as_much_as_a_wheel_may_stand_off_upright_and_straight_is_not_called_crooked():
    m = measured("rear_left", (-1.0, 0.8))
    assert [t.says for t in m.tests if not t.ok] == []


def test_where_one_wheel_plate_alone_shows_the_vehicle_afterwards_that_plate_is_named_too():
    """The other wheels' plates are taken out of the photos after the move."""
    rng = np.random.default_rng(3)
    scene = make_scene(rng, n_photos=8)
    plate = scene.kit.clamps["rear_left"].plate
    shifted = plate_shifted(scene, plate, 4, np.array([6.0, 4.0, 0]), np.zeros(3)).scene
    others = {clamp.plate for clamp in scene.kit.clamps.values()} - {plate}
    found = list(observe_scene(rng, shifted))
    for k in range(4, 8):
        shown = tuple(d for d in found[k].detections if d.plate not in others)
        found[k] = replace(found[k], detections=shown)
    assert any(plate in {d.plate for d in f.detections} for f in found[4:])
    m = measure_found(found, scene.kit, scene.vehicle, [scene.placement], load_layouts())
    assert m.tests[0].name == "rigidity of vehicle"
    assert f"Or only plate {plate} moved" in m.tests[0].says
