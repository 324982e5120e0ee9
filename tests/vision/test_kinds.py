"""Every kind of target: exact points give the exact truth, and u is what drawing the inputs gives.

The truth is `tools.truth`'s, which shares no geometry with `vision/`.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from tools.kind_families import FAMILIES
from tools.kinds import PERFECT_MAT, Unit, make_bay
from tools.photo_round import Phone
from tools.scene import PERFECT
from tools.simulate import observe_scene
from tools.studies.families import true_of
from vision import geometry
from vision.bay import lay_out
from vision.frame import quantities
from vision.lenses import Profile
from vision.measure import measure_found
from vision.other_moves import origin_words
from vision.photo import ExifFacts
from vision.targets import off_plane

STEADY = Phone(u_focal_change=0.0, u_centre_shift_px=0.0, u_twist_mm=0.0, u_twist_rad=0.0)
U_LENS = np.array([60.0, 30, 30, 0.05, 0.05, 1e-3, 1e-3, 0.05, 2e-4])
WANTED = {
    "reflector_ahead": {"0:range_mm", "0:bearing_deg", "0:gap_mm"},
    "corner_units": {"1:bearing_deg", "r0:spacing_mm", "r0:symmetry_mm"},
    "rear_board": {"0:yaw_deg"},
    "side_board": {"0:yaw_deg", "0:bearing_deg"},
    "pair_of_boards": {f"r0:{key}_mm" for key in ("spacing", "symmetry", "height_difference")},
    "mats_round": {"0:heading_deg", "3:heading_deg", "2:tilt_along_deg", "0:gap_mm", "r0:parallelism_deg"},
    "mirror_plate": {"0:pitch_deg"},
}


def measured(bay, found, placements=None):
    """With the lens known as it is: else its prior, off by some u, pulls exact points by a hundredth of u."""
    photo = bay.photos[0]
    mean = [photo.lens.fx_px, photo.lens.cx_px, photo.lens.cy_px, *photo.lens.distortion, photo.lens.aspect]
    facts = ExifFacts(make=photo.exif.make, model=photo.exif.model)
    profile = Profile(facts, photo.size_px, np.array(mean), np.diag(U_LENS**2))
    return measure_found(
        found, bay.kit, bay.vehicle, placements or bay.placements, load_layouts(),
        relations=() if placements else bay.relations, profiles=[profile],
    )  # fmt: skip


def exact(seed, units, pairs=(), n_photos=14, plumb=""):
    """A scene in which everything is as declared, and what its exact image points come to."""
    rng = np.random.default_rng(seed)
    bay = make_bay(
        rng, units, pairs, n_photos=n_photos, plumb=plumb, drawn=PERFECT, drawn_mat=PERFECT_MAT, phone=STEADY
    )
    return bay, measured(bay, observe_scene(rng, bay, noise_px=0, missing_share=0))


@pytest.fixture(scope="module", params=sorted(FAMILIES))
def one_of_family(request):
    bay, m = exact(5, *FAMILIES[request.param](np.random.default_rng(5)))
    return SimpleNamespace(name=request.param, bay=bay, m=m)


def test_exact_points_give_the_exact_truth(one_of_family):
    true, reported = true_of(one_of_family.bay), one_of_family.m.reported
    assert WANTED[one_of_family.name] <= set(reported.keys)
    for key in set(true) & set(reported.keys):
        off = reported.value(key) - true[key]
        off = (off + 180) % 360 - 180 if key.endswith("_deg") else off
        # The adjustment stops within 1e-3 u of its optimum.
        assert abs(off) < 2e-3 * reported.u(key), key


def test_nothing_is_said_against_a_correct_set_up(one_of_family):
    assert [test.says for test in one_of_family.m.tests if not test.ok] == []


def test_shares_of_every_value_add_to_one(one_of_family):
    shares = np.stack(list(one_of_family.m.reported.shares.values()))
    np.testing.assert_allclose(shares.sum(0), 1, atol=1e-9)


def test_u_is_what_drawing_all_inputs_gives(one_of_family):
    """JCGM 101: 1,500 draws of poses and inputs from their covariance, through the same quantities.

    The standard deviation of n normal draws is uncertain by 1 / sqrt(2 n), 1.8 % of itself: 4.5 of these.
    """
    m, rng = one_of_family.m, np.random.default_rng(1)
    state, plan = m.adjustment.state, m.plan
    n = 1500
    u = np.array([i.u for i in plan.inputs])
    n_pose = 6 * len(state.poses)
    C = m.adjustment.covariance[:n_pose, :n_pose]
    values, vectors = np.linalg.eigh(C)
    tangents = rng.normal(size=(n, n_pose)) * np.sqrt(np.maximum(values, 0)) @ vectors.T
    poses = state.poses @ geometry.exp(tangents.reshape(n, -1, 6))
    drawn = quantities(plan, poses, rng.normal(size=(n, len(u))) * u)
    names = {key for key in m.reported.keys if ":" in key}
    assert names >= WANTED[one_of_family.name]
    J, Ji = m.reported.J_state, m.reported.J_inputs
    declared = J @ m.adjustment.covariance @ J.T + (Ji * u**2) @ Ji.T
    for key in names:
        at = m.reported.keys.index(key)
        off = drawn[key] - m.reported.values[at]
        off = (off + 180) % 360 - 180 if key.endswith("_deg") else off
        assert off.std() == pytest.approx(np.sqrt(declared[at, at]), rel=0.085), key


def test_a_board_behind_wraps_rightly():
    """Square to the rear, a little to either side of half a turn: yaw stays near 0."""
    for off_deg in (0.3, -0.3):
        unit = Unit("rear", (-4800.0, 0.0, 800.0), {"yaw_deg": 0.5}, 180.0 + off_deg, off_mm=0, off_deg=0)
        bay, m = exact(3, [unit])
        assert abs(m.reported.value("0:yaw_deg")) < 0.5
        turned = replace(bay.placements[0], facing_rad=np.pi)
        again = measured(bay, m.found, [turned])
        difference = again.reported.value("0:yaw_deg") - m.reported.value("0:yaw_deg")
        assert difference == pytest.approx(off_deg, abs=1e-6)


@pytest.mark.parametrize("facing_deg", [180.0, 90.0])
def test_pitch_and_roll_against_gravity_turn_with_the_side_of_the_vehicle(facing_deg):
    """A floor that slopes by half a degree: behind the vehicle it tips a board the other way than ahead."""
    place = {180.0: (-4800.0, 0.0, 800.0), 90.0: (-600.0, 2800.0, 800.0)}[facing_deg]
    bay, m = exact(3, [Unit("board", place, {}, facing_deg)], plumb="yz")
    true = bay.true_values(0)
    for key in ("pitch_plumb_deg", "roll_plumb_deg"):
        assert abs(true[key] - true[key.replace("_plumb", "")]) > 0.1
        assert abs(m.reported.value(f"0:{key}") - true[key]) < 0.02 * m.reported.u(f"0:{key}")


@pytest.mark.parametrize(
    ("at", "words"),
    [
        ("rear_left", "the rear left wheel"),
        ("rear_axle", "the middle of the rear axle"),
        ("rear_corner", "the datum 'rear_corner'"),  # whatever a datum plate is called
    ],
)
def test_an_origin_is_called_by_what_it_is(at, words):
    assert origin_words(at) == words


@pytest.mark.parametrize("name", sorted(FAMILIES))
def test_a_bay_is_laid_out_as_the_placement_asks(name):
    """Planned where it will be measured: the nominal place and direction of the first target."""
    bay = make_bay(np.random.default_rng(2), *FAMILIES[name](np.random.default_rng(2))[:2], n_photos=8)
    laid = lay_out(bay.kit, bay.placements[:1], bay.vehicle, load_layouts())
    fixture = next(f for f in bay.kit.fixtures if f.name == bay.placements[0].fixture)
    T = laid.T_vehicle_fixture[fixture.name] @ fixture.targets[0].T_fixture_target
    # As the scene's own: set up to some millimetres, in a car whose axles and line are off by as much.
    unit = FAMILIES[name](np.random.default_rng(2))[0][0]
    np.testing.assert_allclose(T[:2, 3], unit.position_mm[:2], atol=60)
    direction = T[:3, 2] if unit.is_mat else T[:3, 0]
    assert (
        np.degrees(np.arctan2(direction[1], direction[0]))
        == pytest.approx((unit.facing_deg + 180) % 360 - 180, abs=1.5)
        or abs(abs(unit.facing_deg) - 180) < 1.5
    )


def test_flatness_is_peak_to_valley_about_the_plane_of_least_squares():
    """A corner of four raised by h leaves h/4 above and h/4 below the plane; however the whole is tilted.

    Of five in a cross the middle raised by h leaves 4h/5 above and h/5 below. Worked out by hand.
    """
    T = geometry.exp(np.array([300.0, -200, 40, 0.3, -0.2, 1.0]))
    corners = np.array([[-300.0, -500, 0], [300, -500, 0], [300, 500, 8], [-300, 500, 0]])
    cross = np.array([[-300.0, 0, 0], [300, 0, 0], [0, 500, 0], [0, -500, 0], [0, 0, 5]])
    for points, wanted in ((corners, [2, -2, 2, -2]), (cross, [-1, -1, -1, -1, 4])):
        sloped = points @ geometry.rotation_exp(np.array([0.02, 0.01, 0])).T
        in_world = sloped @ T[:3, :3].T + T[:3, 3]
        np.testing.assert_allclose(off_plane(T, in_world), wanted, atol=2e-3)
