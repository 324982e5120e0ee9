"""What photos teach a kit: exact data in, exact entry out; u that bound every direction; what is refused."""

from dataclasses import replace
from functools import cache
from types import MappingProxyType

import numpy as np
import pytest

from calib_data.convert import R0_FIXTURE_PLATE
from calib_data.layouts import load_layouts
from tools.photo_round import Phone
from tools.plates_alone import (
    bar_about,
    bar_before,
    fixture_errors,
    photographed,
    places_round,
    prints_of,
    sheets_about,
    with_stand_in,
)
from tools.scene import PERFECT, Care, make_scene, pose
from tools.simulate import observe_scene
from vision import geometry
from vision.errors import KitError, NotEnoughError
from vision.kit import ScaleBar
from vision.sheetscales import teach_sheets
from vision.teach import (
    R_TARGET_PLATE,
    SHARED_ALLOWANCE,
    SHARED_CAUSES,
    U_KEPT_MM,
    U_KEPT_RAD,
    InTargetsPlace,
    isotropic_bound,
    shared_errors,
    teach_fixture,
)

LAYOUTS = {layout.name: layout for layout in load_layouts()}
STEADY = Phone(u_focal_change=0, u_centre_shift_px=0, u_twist_mm=0, u_twist_rad=0)
STAND_IN = 20
CARE = Care()


# --- a fixture ----------------------------------------------------------------------------------------------


@cache
def exact_scene(seed, **words):
    """Prints and target as declared; the plates 10 mm and 3 degrees (sd) off the kit's sketch of them."""
    rng = np.random.default_rng(seed)
    drawn = replace(PERFECT, u_mount_mm=10.0, u_mount_deg=3.0)
    scene = make_scene(rng, n_photos=2, drawn=drawn, **words)
    exact = with_stand_in(rng, scene, STAND_IN, u_offset_mm=0.0, u_turn_deg=0.0, phone=STEADY)
    return scene, exact, observe_scene(rng, exact, noise_px=0.0)


@cache
def drawn_fixture(seed, n_photos=6, **words):
    rng = np.random.default_rng(seed)
    scene = make_scene(rng, n_photos=2, drawn=replace(CARE, u_mount_mm=10.0, u_mount_deg=3.0), **words)
    bar = bar_before(scene) if words.get("with_bar") else ()
    found = observe_scene(rng, with_stand_in(rng, scene, STAND_IN, n_photos, also=bar))
    return scene, found


def reference_point(taught):
    return taught.fixture.targets[0].T_fixture_target[:3, 3]


@pytest.fixture(scope="module")
def taught():
    scene, _, found = exact_scene(1)
    return scene, teach_fixture(found, scene.kit, LAYOUTS, "front", InTargetsPlace(STAND_IN))


def test_exact_photos_give_the_fixture_exactly(taught):
    scene, found = taught
    # 0.029 px are stated and none drawn: what is left is the solver's tolerance, a thousandth of u.
    errors = fixture_errors(found.fixture, scene).reshape(-1, 2, 3)
    np.testing.assert_allclose(errors[:, 0], 0, atol=2e-3)
    np.testing.assert_allclose(np.degrees(errors[:, 1]), 0, atol=1e-3)


def test_the_axes_are_the_targets_and_the_origin_is_the_middle_of_the_plates(taught):
    _, found = taught
    target = found.fixture.targets[0].T_fixture_target
    np.testing.assert_allclose(target[:3, :3], np.eye(3), atol=1e-12)
    middle = np.mean([m.T_fixture_plate[:3, 3] for m in found.fixture.mounts], axis=0)
    np.testing.assert_allclose(middle, 0, atol=1e-9)
    left, right = (m.T_fixture_plate[:3, 3] for m in found.fixture.mounts)
    assert left[1] > 300 and right[1] < -300  # plate 10 hangs on the vehicle's left
    # The face of a plate that looks at the vehicle is turned as FORMATS.md's R0 says.
    np.testing.assert_array_equal(R_TARGET_PLATE, R0_FIXTURE_PLATE)


def test_the_reference_point_is_on_the_targets_face_behind_the_sheet(taught):
    scene, found = taught
    # Without the thickness of 3 mm the target would stand 3 mm nearer to the vehicle.
    thin = replace(scene.kit, plates=MappingProxyType({
        n: replace(p, thickness_mm=0.0) for n, p in scene.kit.plates.items()
    }))  # fmt: skip
    _, _, photos = exact_scene(1)
    nearer = teach_fixture(photos, thin, LAYOUTS, "front", InTargetsPlace(STAND_IN))
    shift = (
        nearer.fixture.targets[0].T_fixture_target[:3, 3] - found.fixture.targets[0].T_fixture_target[:3, 3]
    )
    np.testing.assert_allclose(shift, [-3.0, 0, 0], atol=1e-6)


def test_another_way_to_the_reference_point_is_taken_in_the_plates_frame(taught):
    scene, found = taught
    _, _, photos = exact_scene(1)
    # 40 mm to the reader's right is the vehicle's right, 100 mm up stays up, 5 mm out is toward the vehicle.
    aside = teach_fixture(
        photos, scene.kit, LAYOUTS, "front", InTargetsPlace(STAND_IN, offset_mm=(40.0, 100.0, 2.0))
    )
    shift = (
        aside.fixture.targets[0].T_fixture_target[:3, 3] - found.fixture.targets[0].T_fixture_target[:3, 3]
    )
    np.testing.assert_allclose(shift, [-5.0, -40.0, 100.0], atol=1e-6)


def test_the_kits_u_bound_the_joint_covariance_in_every_direction():
    scene, found = drawn_fixture(2)
    taught = teach_fixture(found, scene.kit, LAYOUTS, "front", InTargetsPlace(STAND_IN))
    bodies = [*taught.fixture.mounts, *taught.fixture.targets]
    D = np.diag(np.concatenate([[b.u_position_mm**2] * 3 + [b.u_rotation_rad**2] * 3 for b in bodies]))
    scale = 1 / np.sqrt(np.diag(D))
    margin = np.linalg.eigvalsh((D - taught.covariance) * np.outer(scale, scale))
    assert margin[0] >= -1e-9
    # What the stand-in leaves open and what a fixture gives on the way are in it.
    assert taught.fixture.targets[0].u_position_mm > np.hypot(0.5, U_KEPT_MM)
    assert taught.fixture.targets[0].u_rotation_rad > np.hypot(np.radians(0.1), U_KEPT_RAD)


def test_what_later_photos_of_the_same_sheets_share_is_allowed_for():
    """One error e moves the fixture by Q e and the later scale by e: declared apart, no u is too small.

    For values a'e + b'(fixture) the kit's variance, 1 + allowance times, is at least the true one.
    """
    scene, found = drawn_fixture(2)
    taught = teach_fixture(found, scene.kit, LAYOUTS, "front", InTargetsPlace(STAND_IN))
    a = taught.adjustment
    u, plates = a.network.unknowns, a.network.observed.plates
    G = np.zeros((12, a.state.n_columns))
    for k, plate in enumerate((10, 11)):
        G[6 * k : 6 * k + 6, a.state.pose_columns(int(u.plate_pose(plates.index(plate))))] = np.eye(6)
    ruler = a.state.value_column(u.ruler_value())
    # The ruler's effect by hand: it stretches everything, so the plates' places off their middle.
    q = taught.inner[:12, :12] @ G @ a.covariance[:, ruler]
    places = np.stack([m.T_fixture_plate for m in taught.fixture.mounts])
    by_hand = np.einsum("nji,nj->ni", places[:, :3, :3], places[:, :3, 3])
    size = scene.kit.u_ruler_scale**2
    np.testing.assert_allclose(q.reshape(2, 6)[:, :3], size * by_hand, atol=0.03 * size * 350)
    D = np.diag(np.concatenate([[m.u_position_mm**2] * 3 + [m.u_rotation_rad**2] * 3
                                for m in taught.fixture.mounts]))  # fmt: skip
    declared = np.block([[np.array([[size]]), np.zeros((1, 12))], [np.zeros((12, 1)), D]])
    true = np.block([[np.array([[size]]), q[None]], [q[:, None], taught.covariance[:12, :12]]])
    scale = 1 / np.sqrt(np.diag(declared))
    margin = np.linalg.eigvalsh(((1 + SHARED_ALLOWANCE) * declared - true) * np.outer(scale, scale))
    assert margin[0] >= -1e-9


def test_what_budget_lines_bring_adds_up_to_the_covariance():
    scene, found = drawn_fixture(2)
    a = teach_fixture(found, scene.kit, LAYOUTS, "front", InTargetsPlace(STAND_IN)).adjustment
    u = a.network.unknowns
    G = np.eye(a.state.n_columns)[a.state.pose_columns(int(u.plate_pose(0)))]
    G = G + np.eye(a.state.n_columns)[a.state.pose_columns(int(u.plate_pose(1)))]
    causes = {block.cause for block in a.blocks}
    assert set(SHARED_CAUSES) & causes
    total = sum(shared_errors(a, G, {cause}) for cause in causes)
    np.testing.assert_allclose(total, G @ a.covariance @ G.T, rtol=1e-5, atol=1e-10)


def test_the_bound_of_independent_bodies_is_their_own_u():
    """Two plates so far apart that the frame is theirs alone would share nothing; one target, by hand."""
    T = np.stack([np.eye(4)] * 3)
    T[0, :3, 3], T[1, :3, 3], T[2, :3, 3] = [0, 350, 0], [0, -350, 0], [10, 0, 200]
    target = np.diag([0.04, 0.09, 0.01, 1e-6, 4e-6, 1e-6])
    C = np.zeros((18, 18))
    C[12:, 12:] = target
    bound, _ = isotropic_bound(C, T)
    np.testing.assert_allclose(bound[-1], [0.3, 0.002], rtol=1e-9)  # the largest of each


def test_a_movement_of_the_frame_costs_nothing():
    rng = np.random.default_rng(5)
    T = np.stack([geometry.exp(rng.normal(0, [300] * 3 + [0.5] * 3)) for _ in range(4)])
    B = rng.normal(size=(24, 24)) * np.tile([0.1] * 3 + [1e-3] * 3, 4)[:, None]
    frame = np.concatenate(list(geometry.adjoint(geometry.invert(T))))
    moved = B @ B.T + frame @ np.diag([25.0] * 3 + [1e-4] * 3) @ frame.T
    np.testing.assert_allclose(isotropic_bound(moved, T)[0], isotropic_bound(B @ B.T, T)[0], rtol=1e-4)


def test_a_bar_in_view_betters_the_plates():
    scene, found = drawn_fixture(6, with_bar=True)
    without = replace(scene.kit, scale_bars=())
    u_mm = []
    for kit in (without, scene.kit):
        taught = teach_fixture(found, kit, LAYOUTS, "front", InTargetsPlace(STAND_IN), plates=(10, 11))
        u_mm.append(max(m.u_position_mm for m in taught.fixture.mounts))
        assert taught.u_exact_sheets_mm < u_mm[-1]
    # Ruler and three sheets together leave 0.00026 of the width open, the bar 0.00005.
    assert u_mm[1] < 0.7 * u_mm[0]


@pytest.mark.parametrize(
    ("stand_in", "plates", "error", "says"),
    [
        (99, (), KitError, "Plate 99 is not in the kit"),
        (STAND_IN, (10, 77), KitError, "Plate 77 is not in the kit"),
        (STAND_IN, (10, STAND_IN), KitError, "cannot be in the target's place and on the fixture"),
        (0, (), NotEnoughError, "Plate 0, the plate in the target's place, is in 0 usable photos"),
        (STAND_IN, (10, 11, 25), NotEnoughError, "Plate 25, a plate of the fixture, is in 0 usable photos"),
    ],
)
def test_what_is_missing_is_named(stand_in, plates, error, says):
    scene, found = drawn_fixture(2)
    with pytest.raises(error, match=says):
        teach_fixture(found, scene.kit, LAYOUTS, "front", InTargetsPlace(stand_in), plates=plates)


@pytest.mark.parametrize("n_photos", [0, 1, 2])
def test_too_few_photos_are_refused(n_photos):
    scene, found = drawn_fixture(2)
    with pytest.raises(NotEnoughError, match="photos"):
        teach_fixture(found[:n_photos], scene.kit, LAYOUTS, "front", InTargetsPlace(STAND_IN))


def test_lengths_that_contradict_each_other_are_not_taught():
    scene, found = drawn_fixture(2)
    with pytest.raises(NotEnoughError, match="The ruler of plate 11 and the other sheets' disagree"):
        teach_fixture(
            found, with_wrong_ruler(scene.kit, 11, 0.97), LAYOUTS, "front", InTargetsPlace(STAND_IN)
        )
    scene, found = drawn_fixture(6, with_bar=True)
    longer = replace(scene.kit.scale_bars[0], length_mm=1010.0)
    with pytest.raises(NotEnoughError, match="scale bar of 1010 mm and the sheets' rulers disagree"):
        teach_fixture(
            found, replace(scene.kit, scale_bars=(longer,)), LAYOUTS, "front", InTargetsPlace(STAND_IN)
        )


def test_a_plate_that_moved_between_the_photos_is_not_taught():
    rng = np.random.default_rng(9)
    scene = make_scene(rng, n_photos=2)
    photographed_once = with_stand_in(rng, scene, STAND_IN, 6)
    bumped = [
        replace(p, T_world_plate=p.T_world_plate @ pose([6, 0, 0])) if p.number == STAND_IN else p
        for p in photographed_once.plates
    ]
    later = [replace(photo, plates=tuple(bumped)) for photo in photographed_once.photos[3:]]
    moved = replace(photographed_once, photos=(*photographed_once.photos[:3], *later))
    found = observe_scene(rng, moved)
    with pytest.raises(NotEnoughError, match="contradict each other"):
        teach_fixture(found, scene.kit, LAYOUTS, "front", InTargetsPlace(STAND_IN))


# --- sheets -------------------------------------------------------------------------------------------


@cache
def sheets(seed, *, exact=False, n=6, n_photos=6, bar_mm=0.0, stretched=None, factor=1.0):
    """Photos of sheets, the kit, and each sheet's true relative error; some `stretched` by a factor."""
    rng = np.random.default_rng(seed)
    prints = prints_of(rng, CARE, exact)
    plates, bars = sheets_about(prints, range(n)), ()
    if bar_mm:
        plates += bar_about(prints, (30, 31), bar_mm)
        bars = (ScaleBar((30, 31), 1000.0, 0.05),)
    plates = [
        (replace(t, scale_xy=tuple(factor * s for s in t.scale_xy)), d)
        if stretched == "all" or d.number in (stretched or ())
        else (t, d)
        for t, d in plates
    ]
    phone = STEADY if exact else Phone()
    scene = photographed(rng, plates, places_round(rng, n_photos), CARE, phone=phone, bars=bars)
    found = observe_scene(rng, scene, noise_px=0.0 if exact else 0.029)
    errors = {d.number: np.mean(t.scale_xy) / d.printed_scale_xy[0] - 1 for t, d in plates}
    return found, scene.kit, errors


def with_wrong_ruler(kit, number, factor):
    wrong = replace(kit.plates[number], printed_scale_xy=(factor, factor))
    return replace(kit, plates=MappingProxyType({**kit.plates, number: wrong}))


def test_exact_sheets_keep_their_scales_and_their_own_u_falls():
    found, kit, _ = sheets(1, exact=True)
    taught = teach_sheets(found, kit, LAYOUTS)
    for sheet in taught.sheets:
        np.testing.assert_allclose(sheet.after.printed_scale_xy, 1.0, atol=1e-6)
        assert sheet.after.u_printed_scale < 0.5 * sheet.before.u_printed_scale
        assert not sheet.disagrees


def test_without_a_bar_the_common_part_is_the_rulers_and_the_mean_of_the_sheets_own():
    found, kit, _ = sheets(1, exact=True)
    taught = teach_sheets(found, kit, LAYOUTS)
    # Six sheets of 0.0003 each under one ruler of 0.0002, measured against each other without error.
    by_hand = np.hypot(0.0002, 0.0003 / np.sqrt(6))
    assert taught.u_ruler_scale == pytest.approx(by_hand, rel=0.02)
    assert taught.u_ruler_scale > kit.u_ruler_scale


def test_the_kits_figures_bound_the_sheets_in_every_direction():
    found, kit, _ = sheets(2)
    taught = teach_sheets(found, kit, LAYOUTS)
    own = np.array([s.after.u_printed_scale for s in taught.sheets])
    D = taught.u_ruler_scale**2 + np.diag(own**2)
    assert np.linalg.eigvalsh((D - taught.covariance) * 1e8)[0] >= -1e-6


def test_a_bar_in_view_tells_what_all_rulers_have_in_common():
    found, kit, errors = sheets(3, bar_mm=1000.0)
    taught = teach_sheets(found, kit, LAYOUTS)
    assert taught.with_bar and taught.u_ruler_scale < kit.u_ruler_scale
    off = [taught.scale_errors[k] - errors[s.before.number] for k, s in enumerate(taught.sheets)]
    assert np.abs(off / np.sqrt(np.diag(taught.covariance))).max() < 4


def test_a_sheet_that_nobody_measured_is_measured_by_the_others():
    found, kit, errors = sheets(4)
    unknown = replace(
        kit.plates[3], printed_scale_xy=(1.0, 1.0), u_printed_scale=0.03, scale_is_measured=False
    )
    kit = replace(kit, plates=MappingProxyType({**kit.plates, 3: unknown}))
    sheet = next(s for s in teach_sheets(found, kit, LAYOUTS).sheets if s.before.number == 3)
    assert sheet.after.scale_is_measured and sheet.after.u_printed_scale < 3e-4


@pytest.mark.parametrize("factor", [0.97, 1.003])
def test_a_sheet_whose_ruler_disagrees_is_named_and_measured_by_the_others(factor):
    found, kit, _ = sheets(5)
    right = kit.plates[2].printed_scale_xy[0]
    taught = teach_sheets(found, with_wrong_ruler(kit, 2, right * factor), LAYOUTS)
    assert [s.before.number for s in taught.sheets if s.disagrees] == [2]
    sheet = next(s for s in taught.sheets if s.disagrees)
    # The right figure's own error is 0.0003, the mean of the five others' 0.00013.
    assert sheet.after.printed_scale_xy[0] == pytest.approx(right, abs=4 * np.hypot(3e-4, 1.5e-4))


def test_two_sheets_that_disagree_accuse_each_other_and_nothing_is_taught():
    found, kit, _ = sheets(6, n=2)
    with pytest.raises(NotEnoughError, match="plates 0 and 1 disagree, and nothing tells which"):
        teach_sheets(found, with_wrong_ruler(kit, 1, 0.98), LAYOUTS)


def test_a_bar_that_contradicts_all_sheets_is_not_believed():
    found, kit, _ = sheets(7, bar_mm=1000.0, stretched="all", factor=1.01)
    with pytest.raises(NotEnoughError, match="scale bar of 1000 mm and the sheets' rulers disagree"):
        teach_sheets(found, kit, LAYOUTS)


def test_sheets_that_no_photo_shows_get_a_larger_u():
    """Their difference to the others has the mean of the others' own errors in it, which nobody knows."""
    found, kit, _ = sheets(8)
    away = replace(kit.plates[0], number=50)
    taught = teach_sheets(found, replace(kit, plates=MappingProxyType({**kit.plates, 50: away})), LAYOUTS)
    ((before, after),) = taught.unseen
    u_difference = np.hypot(before.u_printed_scale, 0.0003 / np.sqrt(6))
    assert after.u_printed_scale * np.sqrt(1 + SHARED_ALLOWANCE) > u_difference
    assert taught.kit(kit).plates[50].u_printed_scale == after.u_printed_scale


def test_sheets_without_any_ruler_or_bar_have_no_size():
    found, kit, _ = sheets(9)
    nobody = {
        n: replace(p, printed_scale_xy=(1.0, 1.0), u_printed_scale=0.03, scale_is_measured=False)
        for n, p in kit.plates.items()
    }
    with pytest.raises(NotEnoughError, match="photos alone tell no size"):
        teach_sheets(found, replace(kit, plates=MappingProxyType(nobody)), LAYOUTS)


def test_one_sheet_alone_is_refused():
    found, kit, _ = sheets(10)
    alone = [replace(p, detections=tuple(d for d in p.detections if d.plate == 0)) for p in found]
    with pytest.raises(NotEnoughError, match="Only one sheet"):
        teach_sheets(alone, kit, LAYOUTS)
