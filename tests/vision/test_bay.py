"""Where the plates of a nominal bay stand, by hand from the placement and the declared vehicle."""

from types import MappingProxyType

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from tools.scene import make_scene
from vision.bay import lay_out
from vision.forecast import forecast
from vision.kit import Placement, Tolerance, Vehicle
from vision.stations import choose_stations, reachable_stations

LAYOUTS = load_layouts()


@pytest.fixture(scope="module")
def scene():
    return make_scene(np.random.default_rng(7), T_world_vehicle=np.eye(4), n_photos=8, with_bar=True)


def target_in(bay, placement):
    fixture = bay.kit.fixtures[0]
    target = next(t for t in fixture.targets if t.name == placement.target)
    return bay.T_vehicle_fixture[fixture.name] @ target.T_fixture_target


def asking(datum="front_axle", **nominals):
    values = {key: Tolerance(nominal, 5.0, 5.0) for key, nominal in nominals.items()}
    return Placement("asked", "front", "board", "centreline", datum, MappingProxyType(values))


@pytest.mark.parametrize(("datum", "x_mm"), [("front_axle", 2000.0), ("rear_axle", 2000.0 - 2600.0)])
def test_the_target_stands_at_its_nominal_values(scene, datum, x_mm):
    placement = asking(datum, distance_mm=2000.0, lateral_mm=-300.0, height_mm=900.0, yaw_deg=2.0)
    bay = lay_out(scene.kit, [placement], Vehicle(wheelbase_mm=2600.0), LAYOUTS)
    T = target_in(bay, placement)
    np.testing.assert_allclose(T[:3, 3], [x_mm, -300, 900], atol=1e-9)
    np.testing.assert_allclose(T[:3, 0], [np.cos(np.radians(2)), np.sin(np.radians(2)), 0], atol=1e-12)


def test_wheel_plates_stand_off_the_declared_wheels(scene):
    vehicle = Vehicle(wheelbase_mm=2600.0, track_front_mm=1500.0, track_rear_mm=1520.0)
    bay = lay_out(scene.kit, [scene.placement], vehicle, LAYOUTS)
    standoff_mm = scene.kit.clamps["rear_left"].standoff_mm
    rear_left = bay.T_vehicle_plate[scene.kit.clamps["rear_left"].plate]
    np.testing.assert_allclose(rear_left[:2, 3], [-2600, 760 + standoff_mm], atol=1e-9)
    np.testing.assert_allclose(rear_left[:3, 2], [0, 1, 0], atol=1e-12)
    right = bay.T_vehicle_plate[scene.kit.clamps["front_right"].plate]
    np.testing.assert_allclose(right[:2, 3], [0, -750 - standoff_mm], atol=1e-9)


def test_a_target_behind_the_vehicle_faces_it_and_can_be_forecast(scene):
    placement = asking("rear_axle", distance_mm=-2500.0, height_mm=900.0)
    bay = lay_out(scene.kit, [placement], scene.vehicle, LAYOUTS)
    np.testing.assert_allclose(target_in(bay, placement)[:3, 0], [-1, 0, 0], atol=1e-12)
    stations = choose_stations(bay, 6, reachable_stations(bay)[::3])
    assert forecast(bay, stations).u["0:distance_mm"] < 3.0


def test_the_label_of_the_target_asked_for_sits_on_it_and_no_other_ones():
    scene = make_scene(np.random.default_rng(7), T_world_vehicle=np.eye(4), n_photos=1, with_label=True)
    bay = lay_out(scene.kit, [scene.placement], scene.vehicle, LAYOUTS)
    ((plate, label),) = bay.labels.items()
    assert label.target.name == scene.placement.target
    sits_mm = label.target.label.T_target_plate[:3, 3]
    T_vehicle_target = target_in(bay, scene.placement)
    expected = T_vehicle_target[:3, 3] + T_vehicle_target[:3, :3] @ sits_mm
    np.testing.assert_allclose(bay.T_vehicle_plate[plate][:3, 3], expected, atol=1e-9)
    others = [t.label.plate for t in bay.kit.fixtures[0].targets if t.label and t.label.plate != plate]
    assert others and not set(others) & set(bay.T_vehicle_plate)


def test_level_plates_stand_beside_the_target_that_is_held_against_the_plumb_line():
    scene = make_scene(np.random.default_rng(7), T_world_vehicle=np.eye(4), n_photos=8, plumb=("y", "z"))
    hanging, lying = (level.plate for level in scene.kit.levels)
    placement = asking(distance_mm=2000.0, height_mm=900.0, pitch_plumb_deg=0.0)
    bay = lay_out(scene.kit, [placement], scene.vehicle, LAYOUTS)
    np.testing.assert_allclose(bay.T_vehicle_plate[hanging][:3, 3], [1850, 750, 900], atol=1e-9)
    np.testing.assert_allclose(bay.T_vehicle_plate[hanging][:3, 1:3], [[0, -1], [0, 0], [1, 0]], atol=1e-12)
    np.testing.assert_allclose(bay.T_vehicle_plate[lying][:3, 3], [1850, -750, 350], atol=1e-9)
    stations = choose_stations(bay, 6, reachable_stations(bay)[::3])
    assert forecast(bay, stations).u["0:pitch_plumb_deg"] < 0.3
    without = lay_out(scene.kit, [asking(distance_mm=2000.0, height_mm=900.0)], scene.vehicle, LAYOUTS)
    assert not {hanging, lying} & without.T_vehicle_plate.keys()
