"""A fixture's plates turned or exchanged: named, and measured as they hang."""

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from tools.mistakes import UNSIZED, values_of
from tools.scene import make_scene
from tools.simulate import observe_scene
from tools.studies.planted import try_mistake
from vision.measure import measure_found

WORDS = {
    "fixture plate upside down": "hangs upside down on the fixture front",
    "both fixture plates upside down": "hangs upside down on the fixture front",
    "fixture plates exchanged": "Plates 10 and 11 are exchanged on the fixture front",
}


@pytest.mark.parametrize("mistake", WORDS)
def test_it_is_named_and_the_values_stay_true(mistake):
    rng = np.random.default_rng(4)
    planted = UNSIZED[mistake](rng, make_scene(rng))
    scene = planted.scene
    m = measure_found(observe_scene(rng, scene), scene.kit, scene.vehicle, (scene.placement,), load_layouts())
    assert m.tests[0].name == "mounted as in the kit"
    assert not m.tests[0].ok
    assert WORDS[mistake] in m.tests[0].says
    assert m.decision != "conforming"
    (true,) = values_of(planted)
    for key, value in true.items():
        assert abs(m.reported.value(f"0:{key}") - value) < 4.5 * m.reported.u(f"0:{key}")


def test_a_correct_fixture_raises_no_word():
    rng = np.random.default_rng(5)
    scene = make_scene(rng)
    m = measure_found(observe_scene(rng, scene), scene.kit, scene.vehicle, (scene.placement,), load_layouts())
    assert {t.name: t.ok for t in m.tests}["mounted as in the kit"]


def test_rough_start_values_still_tell_how_the_plates_hang():
    """Here they are a quarter of a metre off, and the way between the two plates is turned by 39 degrees."""
    assert try_mistake(21, "fixture plate upside down", None, 18).named
