"""Photos of two visits in one set: no value is given, and it is said why."""

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from tools.mistakes import visits_mixed
from tools.scene import make_scene
from tools.simulate import observe_scene
from vision.measure import measure_found
from vision.placement import VALUE_KEYS


@pytest.fixture(scope="module")
def mixed():
    rng = np.random.default_rng(4)
    scene = visits_mixed(make_scene(rng, n_photos=6), 3, 100.0, 1.0, None).scene
    found = observe_scene(rng, scene)
    return measure_found(found, scene.kit, scene.vehicle, [scene.placement], load_layouts())


def test_no_value_is_given_and_nothing_is_decided(mixed):
    assert mixed.adjustment.is_contradictory
    (judged,) = mixed.placements
    assert mixed.decision == judged.decision.decision == "undecided"
    assert judged.keys == () and set(judged.missing) == set(VALUE_KEYS)


def test_the_words_name_the_contradiction_and_what_to_do(mixed):
    (judged,) = mixed.placements
    assert "contradict each other" in judged.missing["distance_mm"]
    assert "photograph again" in judged.missing["distance_mm"]
    assert not mixed.tests[0].ok
