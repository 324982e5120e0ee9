"""A floor plate's own tilt: found in the photos, told, and carried in u as far as it may raise the plate."""

from dataclasses import replace

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from tools.mistakes import floor_plate_raised
from tools.scene import make_scene
from tools.simulate import observe_scene
from tools.truth import true_values
from vision.declared import raised_unseen_mm
from vision.measure import measure_found
from vision.unseen import MOVE_MM

FLATNESS_MM, HALF_MM = 0.5, 94.25  # of the simulated kit; of the layout ring13


def measured(raised_mm=0.0, ramp_deg=0.0, n_seen=6):
    """A set of 10 photos, measured, with one floor plate raised or on a ramp; and that plate's number."""
    rng = np.random.default_rng(8)
    scene = make_scene(rng, n_photos=10)
    number = next(p.number for p in scene.plates if p.role == "floor")
    planted = floor_plate_raised(scene, [number], raised_mm, ramp_deg).scene
    floor = [p.number for p in scene.plates if p.role == "floor"]
    found = [
        replace(f, detections=tuple(d for d in f.detections if d.plate not in floor[n_seen:]))
        for f in observe_scene(rng, planted)
    ]
    return measure_found(found, scene.kit, scene.vehicle, [scene.placement], load_layouts()), number, scene


def tilt_of(m, number):
    o = m.adjustment.network.observed
    (tilt,) = [t for t in m.plan.tilts if o.plates[m.plan.heights[t.height].pose - o.n_photos] == number]
    return tilt, m.plan.inputs[m.plan.heights[tilt.height].input]


def test_flat_plates_keep_the_declared_flatness():
    m, *_ = measured()
    assert len(m.plan.tilts) == 6
    assert all(m.plan.inputs[m.plan.heights[t.height].input].u == FLATNESS_MM for t in m.plan.tilts)
    assert [t.ok for t in m.tests if t.name.startswith("floor")] == [True, True]
    # Six check each other; what is raised by more than was promised to be found is not said to be open.
    unseen_mm = raised_unseen_mm(m.plan, m.adjustment, 0.003 / 18)
    said = [says for says in m.not_checked if says.startswith("whether floor plate")]
    assert len(unseen_mm) == 6 and len(said) == sum(mm > MOVE_MM for mm in unseen_mm.values())


def test_three_plates_make_a_plane_and_nothing_checks_them():
    m, *_ = measured(n_seen=3)
    assert all(np.isinf(mm) for mm in raised_unseen_mm(m.plan, m.adjustment, 0.003).values())
    assert any("none of the others checks them" in says for says in m.not_checked)


@pytest.mark.parametrize("ramp_deg", [2.0, 6.0])
def test_a_plate_on_a_ramp_is_named_and_leaves_no_error_that_u_does_not_hold(ramp_deg):
    # With its lower edge on the floor its middle is half a width times the tilt up.
    m, number, scene = measured(HALF_MM * np.sin(np.radians(ramp_deg)), ramp_deg)
    tilt, height = tilt_of(m, number)
    assert np.degrees(np.linalg.norm(tilt.rad)) == pytest.approx(ramp_deg, abs=0.2)
    # Rectangular within half a width times the tilt (JCGM 100:2008, 4.3.7), less what flatness explains.
    bound = np.hypot(FLATNESS_MM, HALF_MM * np.radians(ramp_deg) / np.sqrt(3))
    assert FLATNESS_MM < height.u < bound * 1.1
    first = m.tests[0]
    assert not first.ok
    assert first.name == "floor plates lie flat"
    assert f"Floor plate {number} is tilted by" in first.says
    true = true_values(scene.truth, scene.placement.reference_line, scene.placement.datum)
    for key in ("height_mm", "pitch_deg", "roll_deg"):
        assert abs(m.reported.value(f"0:{key}") - true[key]) < 3 * m.reported.u(f"0:{key}")


def test_a_plate_raised_flat_is_for_the_heights_to_show():
    m, number, _ = measured(raised_mm=10.0)
    assert m.tests[0].name == "floor"
    assert f"Floor plate {number}" in m.tests[0].says
    _, height = tilt_of(m, number)
    assert height.u == FLATNESS_MM
