"""File models become frozen values with the units, rotations and defaults of FORMATS.md."""

import math

import numpy as np
import pytest

from calib_data.convert import T_fixture_plate, T_fixture_target, to_kit, to_placement, to_vehicle
from calib_data.formats import KitFile, PlacementFile, VehicleFile

# FORMATS.md, "Kit": R0 has the columns (0, -1, 0), (0, 0, 1), (-1, 0, 0).


def test_at_rotation_zero_a_plate_faces_the_vehicle():
    T = T_fixture_plate([10, 350, -5], [0, 0, 0])
    np.testing.assert_array_equal(T[:3, 0], [0, -1, 0])  # reader's right is the fixture's right
    np.testing.assert_array_equal(T[:3, 1], [0, 0, 1])  # reader's up is up
    np.testing.assert_array_equal(T[:3, 2], [-1, 0, 0])  # the face looks along -x
    np.testing.assert_array_equal(T[:3, 3], [10, 350, -5])
    assert np.linalg.det(T[:3, :3]) == pytest.approx(1)


@pytest.mark.parametrize(
    ("rotation_deg", "x_of_plate", "z_of_plate"),
    [
        # By hand, from the columns above. Rz(90): x -> y, y -> -x.
        ([0, 0, 90], (1, 0, 0), (0, -1, 0)),
        # Ry(90): z -> x, x -> -z. The face (-x) turns to +z, up.
        ([0, 90, 0], (0, -1, 0), (0, 0, 1)),
        # Rx(90): y -> z, z -> -y. The face stays, the plate's right (-y) turns down.
        ([90, 0, 0], (0, 0, -1), (-1, 0, 0)),
        # Rx first, then Ry, then Rz: (0, -1, 0) -> (0, 0, -1) -> (-1, 0, 0) -> (0, -1, 0).
        ([90, 90, 90], (0, -1, 0), (0, 0, 1)),
        # Rz(30) turns the face from -x to (-cos 30, -sin 30, 0).
        ([0, 0, 30], (0.5, -math.sqrt(0.75), 0), (-math.sqrt(0.75), -0.5, 0)),
    ],
)
def test_a_plate_is_turned_about_the_fixtures_axes_in_order(rotation_deg, x_of_plate, z_of_plate):
    T = T_fixture_plate([0, 0, 0], rotation_deg)
    np.testing.assert_allclose(T[:3, 0], x_of_plate, atol=1e-12)
    np.testing.assert_allclose(T[:3, 2], z_of_plate, atol=1e-12)


def test_a_target_has_no_rotation_of_its_own():
    np.testing.assert_array_equal(T_fixture_target([12, 0, -200], [0, 0, 0])[:3, :3], np.eye(3))
    # Rz(90) @ Ry(90) @ Rx(0), column x: Ry takes x to -z, Rz leaves it.
    np.testing.assert_allclose(T_fixture_target([0, 0, 0], [0, 90, 90])[:3, 0], [0, 0, -1], atol=1e-12)


def test_poses_cannot_be_written_to():
    with pytest.raises(ValueError, match="read-only"):
        T_fixture_plate([0, 0, 0], [0, 0, 0])[0, 3] = 1.0


def test_a_kit_with_everything_in_it(kit):
    made = to_kit(KitFile.model_validate(kit))
    assert list(made.plates) == [0, 1, 2, 3, 4, 5, 10, 11, 12, 30, 31, 40, 45, 48, 60]
    assert made.plates[0].printed_scale_xy == (1.0004, 1.0004)
    assert (made.plates[0].u_scale_difference, made.plates[0].u_bow_mm) == (0.0002, 0.2)
    assert made.plates[0].scale_is_measured and made.plates[0].thickness_mm == 3.0
    assert made.plates[60].printed_scale_xy == (1.0003, 1.0005)
    assert (made.plates[60].u_scale_difference, made.plates[60].u_bow_mm) == (0.0004, 0.1)

    assert list(made.clamps) == ["front_left", "front_right", "rear_left", "rear_right"]
    assert made.clamps["front_left"].u_tilt_rad == pytest.approx(0.15 * math.pi / 180)
    assert made.clamps["front_left"].tilt_rad == (0, 0)
    assert made.clamps["rear_left"].eccentricity_mm == (0.4, -0.1)
    assert made.clamps["rear_left"].tilt_rad == pytest.approx(
        (math.pi / 2000, -math.pi / 1000)
    )  # .09, -.18 deg

    (fixture,) = made.fixtures
    assert [mount.plate for mount in fixture.mounts] == [4, 5]
    assert fixture.mounts[0].T_fixture_plate[1, 3] == 350
    assert fixture.mounts[0].u_rotation_rad == pytest.approx(0.05 * math.pi / 180)
    assert fixture.targets[0].name == "board"
    assert [(f.plate, f.u_flatness_mm) for f in made.floor] == [(10, 0.5), (11, 0.5), (12, 0.5)]
    assert made.scale_bars[0].plates == (30, 31)
    assert made.datum_plates[0].offset_mm == (0, 5, -20)


def test_a_scale_that_was_not_measured_is_1_with_u_of_3_percent(kit):
    plate = to_kit(KitFile.model_validate(kit)).plates[5]
    assert (plate.printed_scale_xy, plate.u_printed_scale, plate.scale_is_measured) == ((1, 1), 0.03, False)


def test_the_order_of_a_kits_entries_does_not_matter(kit):
    turned = dict(reversed(kit.items()))
    turned["plates"] = dict(reversed(kit["plates"].items()))
    turned["wheels"] = dict(reversed(kit["wheels"].items()))
    turned["floor"] = kit["floor"][::-1]
    one, other = to_kit(KitFile.model_validate(kit)), to_kit(KitFile.model_validate(turned))
    assert list(one.plates.items()) == list(other.plates.items())
    assert list(one.clamps.items()) == list(other.clamps.items())
    assert one.floor == other.floor


def test_a_vehicle_of_which_nothing_is_known_has_the_contracts_uncertainties():
    vehicle = to_vehicle(VehicleFile.model_validate({}))
    assert vehicle.wheelbase_mm is None and vehicle.overhang_front_mm is None
    assert vehicle.u_wheelbase_mm == vehicle.u_track_rear_mm == vehicle.u_wheel_radius_front_mm == 5


def test_a_placement_keeps_its_tolerances(placement):
    made = to_placement(PlacementFile.model_validate(placement))
    assert (made.reference_line, made.datum) == ("thrust_line", "bumper_centre")
    assert list(made.values) == ["distance_mm", "yaw_deg"]
    distance = made.values["distance_mm"]
    assert (distance.nominal, distance.minus, distance.plus) == (1500, 5, 7)
