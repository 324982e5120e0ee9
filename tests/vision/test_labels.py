"""The label on a target's face: which target, which way up, and where, against what the fixture says."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from calib_data.layouts import load_layouts
from tools.mistakes import fixture_moved, other_target, target_slipped, target_turned
from tools.scene import LABEL_PLATE, OTHER_LABEL_PLATE, make_scene, pose
from tools.simulate import observe_scene
from vision.labels import miss_by_label
from vision.measure import Measurement, measure_found


def a_scene(seed: int):
    rng = np.random.default_rng(seed)
    return rng, make_scene(rng, with_label=True)


def measured(rng: np.random.Generator, scene) -> Measurement:
    found = observe_scene(rng, scene)
    return measure_found(found, scene.kit, scene.vehicle, (scene.placement,), load_layouts())


def test_the_right_target_in_its_place_passes_and_says_how_near_its_label_is():
    rng, scene = a_scene(3)
    m = measured(rng, scene)
    tests = {t.name: t for t in m.tests}
    assert all(t.ok for t in m.tests)
    assert "'board', the right way up" in tests[f"target of {scene.placement.name}"].says
    assert "by its label 'board' stands within" in tests["target on its fixture"].says
    assert not any("label" in line for line in m.not_checked)


@pytest.mark.parametrize(
    ("plant", "says"),
    [
        (lambda s: target_turned(s, 180), "hangs upside down, by its label (plate 45)"),
        (lambda s: target_turned(s, 90), "hangs a quarter turn clockwise"),
        (lambda s: target_turned(s, 270), "hangs a quarter turn counter-clockwise"),
        (other_target, f"the label of 'other board' (plate {OTHER_LABEL_PLATE}) is seen"),
        (lambda s: target_slipped(s, [0, 900, 0], [0, 0, 0]), "m away from where its fixture carries it"),
        (lambda s: target_slipped(s, [0, 12, 0], [0, 0, 0]), "(mostly to the left, seen from the vehicle)"),
        (lambda s: target_slipped(s, [0, 0, -12], [0, 0, 0]), "(mostly lower)"),
    ],
)  # fmt: skip
def test_a_wrong_or_turned_target_is_named_and_never_conforms(plant, says):
    rng, scene = a_scene(4)
    m = measured(rng, plant(scene).scene)
    first = m.tests[0]
    assert not first.ok
    assert says in first.says
    assert m.decision != "conforming"


def test_a_label_that_no_photo_shows_leaves_the_target_undecided():
    rng, scene = a_scene(3)
    found = tuple(
        replace(f, detections=tuple(d for d in f.detections if d.plate != LABEL_PLATE))
        for f in observe_scene(rng, scene)
    )
    m = measure_found(found, scene.kit, scene.vehicle, (scene.placement,), load_layouts())
    failed = [t for t in m.tests if not t.ok]
    assert [t.name for t in failed] == [f"target of {scene.placement.name}"]
    assert f"No photo shows the label of the target 'board' (plate {LABEL_PLATE})" in failed[0].says
    assert m.decision != "conforming"


def test_a_label_goes_where_its_fixture_goes():
    """The fixture moved between photos with all that hangs on it: one body, and both states are told."""
    rng, scene = a_scene(5)
    planted = fixture_moved(scene, len(scene.photos) // 2, np.array([8.0, 0, 0]), 0.0)
    m = measured(rng, planted.scene)
    assert m.tests[0].name == "rigidity of fixture front"
    assert len(m.states) == 2


def test_values_do_not_depend_on_the_label_but_for_its_points_in_the_photos():
    """It stands for itself: moved by 12 mm on the fixture it leaves distance, height and the rest alone."""
    _, scene = a_scene(6)
    slipped = target_slipped(scene, [0, 12, 0], [0, 0, 0]).scene
    one, other = (measured(np.random.default_rng(1), s) for s in (scene, slipped))
    for key in ("0:distance_mm", "0:lateral_mm", "0:height_mm", "0:yaw_deg"):
        assert abs(one.reported.value(key) - other.reported.value(key)) < 0.5 * one.reported.u(key)


def test_a_label_at_the_edge_of_a_large_board_is_on_that_board_upside_down_too():
    """1.2 m from the board's middle: that is where the kit says, and no other board's place."""
    rng, scene = a_scene(4)
    (board, other), motion = scene.kit.fixtures[0].targets, pose([0, 0, 0], [0, 0, 0])
    motion[:3, 3] = [0, 1150, 0]
    label = replace(board.label, T_target_plate=motion @ board.label.T_target_plate)
    fixture = replace(scene.kit.fixtures[0], targets=(replace(board, label=label), other))
    large = replace(target_slipped(scene, [0, 1150, 0], [0, 0, 0]).scene, truth=scene.truth)
    large = replace(large, kit=replace(scene.kit, fixtures=(fixture,)))
    assert all(t.ok for t in measured(rng, large).tests)
    assert "hangs upside down" in measured(rng, target_turned(large, 180).scene).tests[0].says


@pytest.mark.study
def test_the_miss_has_the_covariance_that_it_states():
    """60 correct scenes: squared misses, whitened, are chi-square with six degrees of freedom."""
    squared = []
    for seed in range(60):
        rng, scene = a_scene(1000 + seed)
        m = measured(rng, scene)
        (plan,) = m.plan.targets
        if plan.target.label.plate in m.adjustment.network.observed.plates:
            squared.append(miss_by_label(m.adjustment, plan, plan.target.label)[0].statistic)
    n = len(squared)
    print(f"{n} misses, mean square {np.mean(squared):.2f} of 6")
    low, high = chi2.ppf([0.0005, 0.9995], 6 * n)
    assert low < sum(squared) < high
