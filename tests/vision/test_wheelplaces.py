"""Wheel plates told apart by plane geometry: every wrong arrangement is named, none is invented."""

from itertools import permutations

import numpy as np
import pytest

from vision.wheelplaces import arrangements, in_words, likeliest

WHEELS = ("front_left", "front_right", "rear_left", "rear_right")
UP = np.array([0.0, 0, 1])
AHEAD_MM, BEHIND_MM = np.array([3000.0, 0, 900]), np.array([-6000.0, 0, 900])
PLATE_OF = dict(zip(WHEELS, (0, 1, 2, 3), strict=True))


def place(wheel):
    """T_world_plate on this wheel: x forward, y left, z up; the face looks outward."""
    x_mm = 0.0 if wheel.startswith("front") else -2700.0
    side = 1.0 if wheel.endswith("left") else -1.0
    T = np.eye(4)
    T[:3, :3] = np.column_stack([[-side, 0, 0], [0, 0, 1], [0, side, 0]])
    T[:3, 3] = [x_mm, side * 900, 320]
    return T


@pytest.mark.parametrize("order", list(permutations(WHEELS)))
def test_every_arrangement_of_four_plates_is_recognised_by_the_target_ahead(order):
    poses = {plate: place(wheel) for plate, wheel in zip(WHEELS, order, strict=True)}
    half_turned = [w for plate, w in zip(WHEELS, order, strict=True)] == list(reversed(WHEELS))
    found = likeliest(poses, UP, AHEAD_MM, True)
    # Crosswise plates look like a vehicle turned round: the kit's arrangement stands, other tests tell.
    assert found == dict(zip(WHEELS, WHEELS if half_turned else order, strict=True))


def test_a_target_behind_tells_as_well():
    poses = {w: place(w) for w in WHEELS}
    poses["front_left"], poses["front_right"] = poses["front_right"], poses["front_left"]
    found = likeliest(poses, UP, BEHIND_MM, False)
    assert in_words(found, PLATE_OF) == (
        "The wheel plates 0 and 1 are swapped: plate 0 hangs on the front right wheel and plate 1 hangs on "
        "the front left wheel."
    )


def test_three_wheels_leave_one_arrangement():
    poses = {w: place(w) for w in WHEELS[1:]}
    assert list(arrangements(poses, UP)) == [{w: w for w in WHEELS[1:]}]


def test_a_plate_that_faces_the_vehicle_fits_no_arrangement():
    poses = {w: place(w) for w in WHEELS}
    poses["rear_left"] = poses["rear_left"] @ np.diag([-1.0, 1, -1, 1])
    assert likeliest(poses, UP, AHEAD_MM, True) is None
