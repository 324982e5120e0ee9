"""Start values: poses of single plates, what hangs together, convergence from nothing."""

from types import SimpleNamespace

import numpy as np
import pytest
import scipy.stats

from calib_data.layouts import load_layouts
from tools.kind_families import draw_bay
from tools.simulate import observe_scene
from tools.studies.situations import rng_of
from tools.truth import true_values
from vision import geometry
from vision.adjust import adjust
from vision.camera import project
from vision.initial import adjust_from_nothing, looks_settled
from vision.kit import Fixture, Kit, Mount
from vision.measure import assemble
from vision.parameters import printed_scales
from vision.parts import connected_parts
from vision.single_plate import focal_length_seen, plate_poses

LENS = np.array([3000.0, 2015.5, 1511.5, 0.05, -0.03, 0, 0, 0, 0])
GRID = np.stack(np.meshgrid(np.linspace(-80, 80, 5), np.linspace(-80, 80, 5)), -1).reshape(-1, 2)


@pytest.mark.parametrize("tilt_rad", [0.01, 0.3, -0.9])
def test_the_true_pose_of_a_plate_is_among_the_two(tilt_rad):
    T_camera_plate = geometry.exp(np.array([200.0, -100, 3000, np.pi - tilt_rad, 0, 0]))
    pixels = project(geometry.apply(T_camera_plate, np.c_[GRID, np.zeros(25)]), LENS)
    T, rms_px = plate_poses(GRID, pixels, LENS)
    off = geometry.log(geometry.invert(T_camera_plate) @ T)
    assert np.abs(off[0, :3]).max() < 1e-2 and np.abs(off[0, 3:]).max() < 1e-4
    assert rms_px[0] < 1e-3 and rms_px[0] <= rms_px[1]


def test_a_plate_that_distortion_bends_in_the_corner_still_gets_its_poses():
    """Of its points hardly any fit one plane, and those may lie in a row."""
    side = np.linspace(-80, 80, 12)
    rim = np.array([[x, y] for x in side for y in side if max(abs(x), abs(y)) > 79])
    true_lens = np.array([2732.0, 1993, 1514, -0.065, -0.061, 0, 0, -0.0465, 0])
    assumed = np.array([2630.0, 2015.5, 1511.5, 0, 0, 0, 0, 0, 0])
    corner = geometry.exp(np.array([2077.5, 1240.2, 2074.9, 1.295, -1.757, 1.174]))
    for seed in range(60):
        rng = np.random.default_rng(seed)
        T_camera_plate = corner @ geometry.exp(np.r_[np.zeros(3), rng.normal(0, 0.2, 3)])
        pixels = project(geometry.apply(T_camera_plate, np.c_[rim, np.zeros(len(rim))]), true_lens)
        T, rms_px = plate_poses(rim, pixels + rng.normal(0, 0.03, pixels.shape), assumed)
        assert T.shape == (2, 4, 4) and np.isfinite(T).all()
        # The lens bends this plate by some tens of pixels; a pose beside the point misses by hundreds.
        seen_px = project(T[0, :3, 3], assumed)
        assert np.linalg.norm(seen_px - pixels.mean(0)) < 100 and np.isfinite(rms_px).all()


def sighting(*plates):
    return SimpleNamespace(detections=tuple(SimpleNamespace(plate=p) for p in plates))


def kit_with(*fixture_plates):
    mounts = tuple(Mount(p, np.eye(4), 0.2, 0.001) for p in fixture_plates)
    return Kit("k", 0.0002, {}, fixtures=(Fixture("front", mounts, ()),))


def test_photos_hang_together_through_shared_plates():
    parts = connected_parts([sighting(1, 2), sighting(3), sighting(2, 4), sighting(5, 6)], kit_with())
    assert [(p.photos, p.plates) for p in parts] == [((0, 2), (1, 2, 4)), ((3,), (5, 6)), ((1,), (3,))]


def test_photos_hang_together_through_a_fixture():
    parts = connected_parts([sighting(1, 10), sighting(11, 2)], kit_with(10, 11, 12))
    assert [(p.photos, p.plates) for p in parts] == [((0, 1), (1, 2, 10, 11))]


def test_the_focal_length_shows_in_the_plates(simulated):
    one = simulated.one
    scales = printed_scales([one.scene.kit.plates[p] for p in one.network.observed.plates])
    true_px = one.scene.photos[0].lens.fx_px
    assert focal_length_seen(one.network.observed, 0, scales) == pytest.approx(true_px, rel=0.1)


@pytest.mark.parametrize("seed", range(6))
def test_from_nothing_to_the_same_optimum_as_from_the_truth(simulated, seed):
    """4 to 13 photos, focal length 5 % off, no distortion assumed: the cost of a start at the truth."""
    rng = np.random.default_rng([21, seed])
    what = {"n_photos": 4 + seed % 4 * 3, "target_distance_mm": float(rng.uniform(1200, 5500))}
    scene, found = simulated.noisy(100 + seed, stations=("chosen", "walk")[seed % 2], **what)
    f_px = scene.photos[0].lens.fx_px * (1.05 if seed % 3 else 0.95)
    mean = np.array([f_px, 2015.5, 1511.5, 0, 0, 0, 0, 0, 0])
    u_lens = np.array([0.05 * f_px, 30, 30, 0.1, 0.1, 1e-3, 1e-3, 0.1, 2e-4])
    problem = simulated.network(scene, found, mean, u_lens)
    mine = adjust_from_nothing(problem)
    best = adjust(problem, simulated.true_state(scene, problem), grades=(1.0,))
    assert looks_settled(mine)
    assert mine.chi2 == pytest.approx(best.chi2, rel=1e-6)
    reported, _ = simulated.values_of(scene, mine)
    true = true_values(scene.truth, "centreline", "front_axle")
    for key, value in true.items():
        assert abs(reported.value(f"0:{key}") - value) < 5 * reported.u(f"0:{key}")


def test_halves_that_hang_on_one_plate_in_one_photo_are_tried_both_ways():
    """Here the mirrored half fits the votes better, and the wrong whole misfits by a third only."""
    rng = rng_of(33, 342)
    bay = draw_bay(rng, "side_board")
    network = assemble(observe_scene(rng, bay), bay.kit, {one.name: one for one in load_layouts()}).network
    adjustment = adjust_from_nothing(network)
    # The noise is drawn as declared, so chi-square exceeds this in one correct set of a million.
    assert adjustment.chi2 < scipy.stats.chi2.isf(1e-6, adjustment.redundancy)
