"""Pitch and roll against the plumb line: exact, with the right u; plates that say otherwise are named."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calib_data.layouts import load_layouts
from tools.photo_round import Phone
from tools.scene import HANGING_PLATE, PERFECT, make_scene
from tools.simulate import observe_scene
from tools.truth import Scene, true_target_values
from vision.frame import quantities
from vision.kit import Tolerance
from vision.measure import Measurement, measure_found

KEYS = ("pitch_plumb_deg", "roll_plumb_deg")
STEADY = Phone(u_focal_change=0.0, u_centre_shift_px=0.0, u_twist_mm=0.0, u_twist_rad=0.0)


def measured(rng: np.random.Generator, scene: Scene, **more) -> Measurement:
    found = observe_scene(rng, scene, **more)
    return measure_found(found, scene.kit, scene.vehicle, (scene.placement,), load_layouts())


@pytest.mark.parametrize("plumb", ["y", "z", "yz"])
def test_exact_points_give_the_exact_tilt_against_gravity(plumb):
    rng = np.random.default_rng(7)
    scene = make_scene(rng, plumb=plumb, drawn=PERFECT, phone=STEADY, n_photos=14)
    m = measured(rng, scene, noise_px=0, missing_share=0)
    true = true_target_values(scene.truth, scene.placement, is_mat=False)
    for key in KEYS:
        assert abs(m.reported.value(f"0:{key}") - true[key]) < 0.02 * m.reported.u(f"0:{key}")
    # The floor is not level, so the two pitches differ by its slope along the line: on a floor that
    # rises forward a board square to it leans back toward the vehicle, its face down.
    slope_deg = m.reported.value("floor_plumb_along_deg")
    between_deg = m.reported.value("0:pitch_plumb_deg") - m.reported.value("0:pitch_deg")
    assert abs(slope_deg) > 0.05
    assert between_deg == pytest.approx(-slope_deg, abs=0.02)
    assert [t.says for t in m.tests if not t.ok] == []


def test_the_level_plates_own_error_is_in_u():
    """JCGM 101: 2,000 draws of the inputs alone. Their part of the variance is what the Jacobians give."""
    rng = np.random.default_rng(8)
    scene = make_scene(rng, plumb="yz")
    m = measured(rng, scene)
    u = np.array([i.u for i in m.plan.inputs])
    drawn = quantities(
        m.plan,
        np.broadcast_to(m.adjustment.state.poses, (2000, *m.adjustment.state.poses.shape)),
        rng.normal(size=(2000, len(u))) * u,
    )
    for key in KEYS:
        at = m.reported.keys.index(f"0:{key}")
        by_inputs = np.linalg.norm(m.reported.J_inputs[at] * u)
        # n normal draws know their standard deviation to 1 / sqrt(2 n) = 1.6 %: 4.5 of these.
        assert drawn[f"0:{key}"].std() == pytest.approx(by_inputs, rel=0.07)
        # Two plates of 0.1 degrees each leave 0.1 / sqrt(2) to their mean.
        assert by_inputs > np.degrees(scene.kit.levels[0].u_rad) / np.sqrt(2)


def tipped(scene: Scene, number: int, about_x_deg: float) -> Scene:
    R = Rotation.from_euler("x", about_x_deg, degrees=True).as_matrix()

    def turned(plate):
        T = plate.T_world_plate.copy()
        T[:3, :3] = T[:3, :3] @ R
        return replace(plate, T_world_plate=T) if plate.number == number else plate

    photos = tuple(replace(p, plates=tuple(map(turned, p.plates))) for p in scene.photos)
    return replace(scene, photos=photos)


@pytest.mark.parametrize(
    ("by_deg", "test", "says"),
    [
        (2.0, "plumb", "Plate 48 and plate 49 differ by"),
        (-25.0, "level plates", "should hang free, its upper edge up"),
    ],
)
def test_a_plate_that_does_not_hang_free_is_named_and_nothing_conforms(by_deg, test, says):
    rng = np.random.default_rng(9)
    scene = tipped(make_scene(rng, plumb="yz"), HANGING_PLATE, by_deg)
    m = measured(rng, scene)
    first = m.tests[0]
    assert (first.name, first.ok) == (test, False)
    assert says in first.says and f"Plate {HANGING_PLATE}" in first.says
    assert m.decision != "conforming"


def test_a_tilt_required_against_the_plumb_line_is_decided_and_moved_by():
    rng = np.random.default_rng(10)
    scene = make_scene(rng, plumb="yz")
    tolerance = Tolerance(3.0, 0.5, 0.5)
    placement = replace(scene.placement, values=MappingProxyType({"pitch_plumb_deg": tolerance}))
    m = measured(rng, replace(scene, placement=placement))
    assert m.decision == "nonconforming"
    assert "Tilt the top of the target away from the vehicle" in m.placements[0].advice[0]


def test_where_no_photo_shows_a_level_plate_a_required_tilt_is_undecided_with_the_reason():
    rng = np.random.default_rng(10)
    scene = make_scene(rng, plumb="y")
    placement = replace(scene.placement, values=MappingProxyType({"roll_plumb_deg": Tolerance(0, 1, 1)}))
    found = tuple(
        replace(f, detections=tuple(d for d in f.detections if d.plate != HANGING_PLATE))
        for f in observe_scene(rng, scene)
    )
    m = measure_found(found, scene.kit, scene.vehicle, (placement,), load_layouts())
    assert m.decision == "undecided"
    assert "No level plate of the kit is in a usable photo" in m.placements[0].missing["roll_plumb_deg"]
