"""Two prints with one number, of which no photo shows both: named, and not taken for what follows from it."""

from dataclasses import replace

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from tools.mistakes import number_twice, plate_shifted
from tools.scene import make_scene
from tools.simulate import observe_scene
from tools.truth import Scene
from vision.measure import measure_found
from vision.sightings import FoundPhoto

NAME = "each number in one place"


def measured(scene: Scene, found: list[FoundPhoto]):
    return measure_found(found, scene.kit, scene.vehicle, [scene.placement], load_layouts())


def plate_of(scene: Scene, role: str):
    return next(p for p in scene.plates if p.role == role)


def each_once(photo: FoundPhoto, number: int, spare_first: bool) -> FoundPhoto:
    """Of two detections of a number one; the simulated spare comes last."""
    of_it = [d for d in photo.detections if d.plate == number]
    kept = of_it[-1 if spare_first else 0 :][:1]
    return replace(photo, detections=(*(d for d in photo.detections if d.plate != number), *kept))


@pytest.mark.parametrize(("role", "seed"), [("front_left", 4), ("fixture", 5)])
def test_two_prints_that_no_photo_shows_together_are_named(role, seed):
    rng = np.random.default_rng(seed)
    scene = make_scene(rng, n_photos=10)
    plate, floor = plate_of(scene, role), plate_of(scene, "floor")
    T_world_spare = floor.T_world_plate.copy()
    T_world_spare[:2, 3] += 300.0
    planted = number_twice(scene, plate.number, T_world_spare).scene
    found = [each_once(f, plate.number, i % 3 == 0) for i, f in enumerate(observe_scene(rng, planted))]
    shown = [f.name for f in found if plate.number in {d.plate for d in f.detections}]
    first = measured(planted, found).tests[0]
    assert not first.ok
    assert first.name == NAME
    apart_mm = float(np.linalg.norm(T_world_spare[:3, 3] - plate.T_world_plate[:3, 3]))
    assert int(first.says.split(" mm apart")[0].split()[-1]) == pytest.approx(apart_mm, rel=0.03)
    assert f"Plate {plate.number} is seen in two places" in first.says
    assert "two prints with the same number" in first.says
    assert all(name in first.says for name in shown)


def test_a_plate_that_was_only_bumped_is_in_one_place():
    rng = np.random.default_rng(4)
    scene = make_scene(rng, n_photos=8)
    bumped = plate_shifted(scene, plate_of(scene, "front_left").number, 4, [0, 40, 0], [0, 0, 0]).scene
    tests = measured(bumped, list(observe_scene(rng, bumped))).tests
    assert not tests[0].ok
    assert [t.ok for t in tests if t.name == NAME] == [True]
