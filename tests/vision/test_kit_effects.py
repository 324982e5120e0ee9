"""What the kit's errors do to each value: no more than the budget says, and what happens when one is real."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from tools.scene import make_scene
from tools.simulate import observe_scene
from vision.kit_effects import RULER, kit_effects
from vision.measure import measure_found

# The budget's lines of what the kit declares; the others are of photos and lenses.
KIT_LINES = ("print_scale", "flatness", "fixture", "scale_bars", "clamps", "floor", "declared")


@pytest.fixture(scope="module")
def scene():
    return make_scene(np.random.default_rng(4), target_distance_mm=2500, n_photos=8, with_bar=True)


@pytest.fixture(scope="module")
def found(scene):
    return observe_scene(np.random.default_rng(5), scene)


@pytest.fixture(scope="module")
def m(scene, found):
    return measured(scene, found)


def measured(scene, found, kit=None):
    return measure_found(found, kit or scene.kit, scene.vehicle, (scene.placement,), load_layouts())


def test_squares_of_the_effects_are_the_kits_share_of_the_budget(m):
    effects = kit_effects(m.adjustment, m.plan, m.reported)
    for i, key in enumerate(effects.keys):
        u = m.reported.u(key)
        declared = sum(share[i] for cause, share in m.reported.shares.items() if cause in KIT_LINES)
        assert (effects.effects[i] ** 2).sum() == pytest.approx(declared * u**2, rel=1e-6, abs=1e-9 * u**2)


@pytest.mark.parametrize("wheel", ["front_left", "rear_right"])
def test_a_clamp_that_is_declared_otherwise_moves_the_values_by_its_effect(scene, found, m, wheel):
    """Declared with one standoff off by its u: values follow by that input's effect, sign and all."""
    effects = kit_effects(m.adjustment, m.plan, m.reported)
    clamp = scene.kit.clamps[wheel]
    off = replace(clamp, standoff_mm=clamp.standoff_mm + clamp.u_standoff_mm)
    clamps = MappingProxyType({**scene.kit.clamps, wheel: off})
    other = measured(scene, found, replace(scene.kit, clamps=clamps))
    column = effects.effects[:, effects.names.index(f"clamp {wheel} 4")]
    moved = other.reported.values - m.reported.values
    u = np.sqrt(np.diag(m.reported.covariance))
    assert abs(column).max() > 0.01  # it does something
    assert abs(moved - column).max() < 1e-3 * u.max()


def test_a_bar_that_is_declared_otherwise_moves_the_values_by_its_effect(scene, found, m):
    effects = kit_effects(m.adjustment, m.plan, m.reported)
    (bar,) = scene.kit.scale_bars
    off = replace(bar, length_mm=bar.length_mm + bar.u_length_mm)
    other = measured(scene, found, replace(scene.kit, scale_bars=(off,)))
    name = f"bar {min(bar.plates)} {max(bar.plates)}"
    column = effects.effects[:, effects.names.index(name)]
    moved = other.reported.values - m.reported.values
    u = np.sqrt(np.diag(m.reported.covariance))
    assert (abs(moved - column) < 0.02 * abs(column) + 1e-3 * u).all()


def test_every_error_has_one_name(m):
    names = kit_effects(m.adjustment, m.plan, m.reported).names
    assert len(set(names)) == len(names) and RULER in names
    assert {f"plate {p} scale" for p in m.adjustment.network.observed.plates} <= set(names)
