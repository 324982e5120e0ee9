"""Simulated sets for the tests of adjustment, frame and values: exact or noisy, with truth."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from tools.photo_round import Phone
from tools.scene import PERFECT, car_of, make_scene
from tools.simulate import observe_scene
from vision.adjust import adjust
from vision.initial import adjust_from_nothing
from vision.least_squares import State
from vision.parameters import LensPrior
from vision.placement import plan_frame, report
from vision.sightings import network_of, sightings_of

LAYOUTS = {layout.name: layout for layout in load_layouts()}
STEADY = Phone(u_focal_change=0.0, u_centre_shift_px=0.0, u_twist_mm=0.0, u_twist_rad=0.0)
U_LENS = np.array([60.0, 30, 30, 0.05, 0.05, 1e-3, 1e-3, 0.05, 2e-4])


def symmetric_car():
    """Headings and cambers alike on both sides, axles square to the centreline, round declared tracks."""
    toes = np.array([-0.2, 0.2, -0.1, 0.1])
    return car_of((2700.0), (1560.0, 1560.0), (315.0, 318.0), headings_deg=toes, cambers_deg=[-0.5] * 4)


def network(scene, found, lens_mean=None, u_lens=U_LENS):
    """The problem, with a lens prior round the true lens unless another mean is given."""
    sightings, _ = sightings_of(found, [0] * len(found), scene.kit)
    lens = scene.photos[0].lens
    true = np.array([lens.fx_px, lens.cx_px, lens.cy_px, *lens.distortion, lens.aspect])
    prior = LensPrior(true if lens_mean is None else lens_mean, np.diag(u_lens**2))
    return network_of(sightings, [prior], scene.kit, LAYOUTS)[1]


def true_state(scene, problem):
    """Poses as drawn, lenses at their prior's mean, all else zero."""
    u, photos = problem.unknowns, {photo.name: photo for photo in scene.photos}
    plates = {plate.number: plate.T_world_plate for plate in scene.photos[0].plates}
    poses = [np.linalg.inv(photos[name].T_camera_world) for name in problem.observed.photo_names]
    poses += [plates[number] for number in problem.observed.plates]
    for k in problem.fixtures():
        mount = next(m for m in problem.kit.fixtures[k].mounts if m.plate in problem.observed.plates)
        poses.append(plates[mount.plate] @ np.linalg.inv(mount.T_fixture_plate))
    values = np.zeros(u.n_values)
    values[u.lens_values()[0]] = problem.lens_priors[0].mean
    return State(np.stack(poses), values)


def exact(seed, **what):
    """A scene in which everything is as declared, and its exact image points."""
    rng = np.random.default_rng(seed)
    scene = make_scene(rng, drawn=PERFECT, phone=STEADY, **{"n_photos": 8, **what})
    return scene, observe_scene(rng, scene, noise_px=0, missing_share=0)


def noisy(seed, **what):
    rng = np.random.default_rng(seed)
    scene = make_scene(rng, **{"n_photos": 8, **what})
    return scene, observe_scene(rng, scene)


def values_of(scene, adjustment, vehicle=None):
    plan = plan_frame(adjustment, scene.kit, vehicle or scene.vehicle, [scene.placement])
    return report(adjustment, plan), plan


@pytest.fixture(scope="session")
def simulated():
    """The functions above, and one noisy set already adjusted."""
    scene, found = noisy(4)
    problem = network(scene, found)
    adjustment = adjust(problem, true_state(scene, problem), grades=(1.0,))
    reported, plan = values_of(scene, adjustment)
    return SimpleNamespace(
        symmetric_car=symmetric_car,
        network=network,
        true_state=true_state,
        exact=exact,
        noisy=noisy,
        values_of=values_of,
        adjust_from_nothing=adjust_from_nothing,
        replace=replace,
        one=SimpleNamespace(
            scene=scene, found=found, network=problem, adjustment=adjustment, reported=reported, plan=plan
        ),
    )
