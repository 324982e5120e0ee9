"""Another lens from some photo on, and one that bends light as the model cannot: both are named."""

import numpy as np

from calib_data.layouts import load_layouts
from tools.mistakes import lens_rippled, lenses_mixed
from tools.scene import make_scene
from tools.simulate import observe_scene
from vision.measure import measure_found


def test_the_photo_from_which_on_another_lens_was_used_is_named():
    rng = np.random.default_rng(11)
    scene = make_scene(rng, n_photos=10)
    mixed = lenses_mixed(scene, range(6, 10), 1.1).scene
    found = observe_scene(rng, mixed)
    first = measure_found(found, mixed.kit, mixed.vehicle, [mixed.placement], load_layouts()).tests[0]
    assert not first.ok
    assert first.name == "lens of each photo"
    names = [photo.name for photo in mixed.photos]
    assert f"From photo {names[6]} on" in first.says
    assert f"than up to {names[5]}" in first.says


def test_a_lens_that_bends_light_in_waves_is_named_and_no_plate_accused():
    rng = np.random.default_rng(11)
    scene = lens_rippled(make_scene(rng, n_photos=8), 0.5).scene
    found = observe_scene(rng, scene)
    first = measure_found(found, scene.kit, scene.vehicle, [scene.placement], load_layouts()).tests[0]
    assert not first.ok and first.name == "lens model"
