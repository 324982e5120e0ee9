"""Another lens from some photo on, which the photos' own data do not tell: named, with the photo."""

import numpy as np

from calib_data.layouts import load_layouts
from tools.mistakes import lenses_mixed
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
