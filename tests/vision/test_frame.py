"""Planes, wheel centres and what follows the floor, by hand."""

from dataclasses import replace

import numpy as np
import pytest

from vision.frame import FramePlan, HeightPlan, Input, WheelPlan, fit_plane, settle, wheel_centres
from vision.kit import Clamp, Vehicle

CORNERS = np.array([[0.0, 0, 0], [1000, 0, 0], [0, 1000, 0], [1000, 1000, 0]])
UP = np.array([0.0, 0, 1])


def test_a_tilted_plane_is_found_exactly():
    """Through z = 10 + 0.02 x - 0.01 y; heights known as 3, 3, 3, 3 above it."""
    normal = np.array([-0.02, 0.01, 1]) / np.sqrt(1 + 0.02**2 + 0.01**2)
    points = CORNERS.copy()
    points[:, 2] = 10 + 0.02 * points[:, 0] - 0.01 * points[:, 1]
    found, offset = fit_plane(points + 3 * normal, np.full(4, 3.0), np.eye(4), UP)
    np.testing.assert_allclose(found, normal, atol=1e-7)
    assert found @ [500, 200, 800] + offset == pytest.approx(normal @ [500, 200, 800 - 10], abs=1e-3)


def test_a_badly_known_point_hardly_counts():
    points = CORNERS.copy()
    points[3, 2] = 8.0
    alike, _ = fit_plane(points, np.zeros(4), np.eye(4), UP)
    weighted, _ = fit_plane(points, np.zeros(4), np.diag([1, 1, 1, 1e-6]), UP)
    # Equal weights: the slopes of the least-squares plane are 8 / 2 per 1000 mm.
    np.testing.assert_allclose(alike[:2] / alike[2], [-0.004, -0.004], atol=1e-9)
    np.testing.assert_allclose(weighted[:2], 0, atol=1e-7)


def plan_of(clamp=None, **what):
    clamp = clamp or Clamp(0, 120.0, 0.3, 0.3, 0.001)
    inputs = tuple(Input(f"wheel {k}", 0.3, "clamps") for k in range(5))
    wheel = WheelPlan("front_left", 0, clamp, slice(0, 5))
    plan = FramePlan((wheel,), (), (), Vehicle(), inputs, "", slice(0, 0), np.eye(0), UP)
    return replace(plan, **what)


def test_a_wheel_centre_lies_one_standoff_behind_the_plate():
    plan = plan_of()
    centres, axes = wheel_centres(plan, np.eye(4)[None], np.zeros(5))
    np.testing.assert_allclose(centres[0], [0, 0, -120])
    np.testing.assert_allclose(axes[0], [0, 0, 1])


@pytest.mark.parametrize("declared", [True, False])
def test_eccentricity_and_tilt_are_taken_off(declared):
    """The plate 2 mm right of and 1 mm above the spin axis, turned from it by 0.01 rad about its x.

    The spin axis, in the plate, is then z turned by -0.01 rad about x: (0, sin 0.01, cos 0.01).
    """
    errors = np.array([2.0, 1.0, 0.01, 0.0, 0.5])
    if declared:
        clamp = Clamp(0, 120.5, 0.3, 0.3, 0.001, eccentricity_mm=(2.0, 1.0), tilt_rad=(0.01, 0.0))
        centres, axes = wheel_centres(plan_of(clamp), np.eye(4)[None], np.zeros(5))
    else:
        centres, axes = wheel_centres(plan_of(), np.eye(4)[None], errors)
    axis = np.array([0, np.sin(0.01), np.cos(0.01)])
    np.testing.assert_allclose(axes[0], axis, atol=1e-12)
    np.testing.assert_allclose(centres[0], [-2, -1, 0] - 120.5 * axis, atol=1e-9)


def test_what_hangs_together_with_a_floor_plate_follows_it():
    """Four floor plates, the last 4 mm high, and a wheel plate whose height goes with that plate's.

    With equal weights the plane leaves 4 / 4 = 1 mm at each corner, + - - +; a pull of -0.5 per mm
    of the last plate lowers the wheel plate by 0.5 mm.
    """
    poses = np.broadcast_to(np.eye(4), (5, 4, 4)).copy()
    poses[1:, :3, 3] = CORNERS
    poses[4, 2, 3] = 4.0
    inputs = tuple(Input(f"{k}", 0.3, "floor") for k in range(9))
    heights = tuple(HeightPlan(0.0, 5 + k, pose=1 + k) for k in range(4))
    pull = np.zeros((6 + 9, 4))
    pull[2, 3] = -0.5
    plan = plan_of(inputs=inputs, heights=heights, weights=np.eye(4), pulled=(0,), pull=pull)
    at = settle(plan, poses, np.zeros(9))
    np.testing.assert_allclose(at.poses[0, :3, 3], [0, 0, -0.5], atol=1e-4)
    np.testing.assert_array_equal(at.poses[1:], poses[1:])
    np.testing.assert_allclose(at.centres[0], [0, 0, -120.5], atol=1e-4)
