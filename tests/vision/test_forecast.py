"""Forecasts against simulated measurements, and what must hold between forecasts of different kits."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calib_data.layouts import load_layouts
from tools.scene import make_scene
from tools.simulate import observe_scene
from vision.bay import lay_out
from vision.errors import NotEnoughError
from vision.forecast import forecast, saddle_cov_px2, stations_at
from vision.kit import Shift, Tolerance, Vehicle
from vision.kit_effects import EACH_ROUNDS
from vision.measure import measure_found
from vision.placement import VALUE_KEYS
from vision.provable import Outlook, rounds_of, shift_outlook
from vision.stations import choose_stations, reachable_stations

LAYOUTS = load_layouts()


def scene_of(seed, **how):
    """A shop in the forecast's own frame: the front axle at x = 0."""
    how = {"target_distance_mm": 3000.0, "n_photos": 8, **how}
    return make_scene(np.random.default_rng(seed), T_world_vehicle=np.eye(4), **how)


def bay_of(scene, **changes):
    return lay_out(replace(scene.kit, **changes), [scene.placement], scene.vehicle, LAYOUTS)


@pytest.fixture(scope="module")
def scene():
    return scene_of(7, with_bar=True)


@pytest.fixture(scope="module")
def stations(scene):
    bay = bay_of(scene)
    return choose_stations(bay, 8, reachable_stations(bay)[::2])


# --- against measurements ---------------------------------------------------------------------------


def photographed_from(rng, scene, stations):
    """The scene's photos, taken at these stations by a hand that is 100 mm and two degrees off (sd)."""
    photos = []
    for photo, station in zip(scene.photos, stations, strict=True):
        T = np.linalg.inv(station.T_vehicle_camera)
        shake = np.eye(4)
        shake[:3, :3] = Rotation.from_rotvec(np.radians(rng.normal(0, [1, 1, 2.5]))).as_matrix()
        shake[:3, 3] = rng.normal(0, 100, 3)
        photos.append(replace(photo, T_camera_world=shake @ T))
    return replace(scene, photos=tuple(photos))


@pytest.mark.parametrize(
    ("seed", "how"),
    [
        (1, {"target_distance_mm": 4500.0}),
        (2, {"target_distance_mm": 1800.0, "with_bar": True}),
        (3, {"reference_line": "thrust_line", "datum": "rear_axle"}),
        (4, {"with_datum_plate": True, "datum": "bumper_centre", "n_photos": 6}),
    ],
)
def test_photos_taken_as_planned_reach_the_forecast_u(seed, how):
    """Within 15 %: the car is not nominal, plates lie where they lie, the hand is off, points are missed."""
    rng, scene = np.random.default_rng(seed), scene_of(seed, **how)
    bay = bay_of(scene)
    stations = choose_stations(bay, len(scene.photos), reachable_stations(bay)[::3])
    expected = forecast(bay, stations)
    taken = observe_scene(rng, photographed_from(rng, scene, stations))
    measured = measure_found(taken, scene.kit, scene.vehicle, [scene.placement], LAYOUTS).reported
    assert set(expected.u) == {f"0:{key}" for key in VALUE_KEYS}
    for key, u in expected.u.items():
        assert u == pytest.approx(measured.u(key), rel=0.15), key


# --- what must hold between forecasts -------------------------------------------------------------------


def test_more_photos_never_make_u_larger(scene, stations):
    bay = bay_of(scene)
    fewer = forecast(bay, stations[:4])
    for n in range(5, 9):
        more = forecast(bay, stations[:n])
        for key, u in more.u.items():
            assert u <= fewer.u[key] * (1 + 1e-9), (n, key)
        fewer = more


def test_a_scale_bar_lowers_the_u_of_the_distance(scene, stations):
    """The same photos; without the bar its two plates are still there to be seen."""
    bay = bay_of(scene)
    with_bar, without = forecast(bay, stations), forecast(barred(bay), stations)
    assert with_bar.u["0:distance_mm"] < 0.95 * without.u["0:distance_mm"]
    # A bar of unknown length tells nothing.
    useless = forecast(barred(bay, u_length_mm=1e6), stations)
    assert useless.u["0:distance_mm"] == pytest.approx(without.u["0:distance_mm"], rel=1e-6)


def barred(bay, u_length_mm=None):
    """The same bay with another u of its scale bars; without bars for None."""
    bars = tuple(replace(bar, u_length_mm=u_length_mm) for bar in bay.kit.scale_bars if u_length_mm)
    return replace(bay, kit=replace(bay.kit, scale_bars=bars))


def test_a_better_ruler_lowers_the_u_of_the_distance(scene, stations):
    def ruled(factor):
        plates = {
            n: replace(
                p,
                u_printed_scale=factor * p.u_printed_scale,
                u_scale_difference=factor * p.u_scale_difference,
            )
            for n, p in scene.kit.plates.items()
        }
        u_ruler = factor * scene.kit.u_ruler_scale
        return barred(bay_of(scene, plates=MappingProxyType(plates), u_ruler_scale=u_ruler))

    usual, better = forecast(ruled(1), stations), forecast(ruled(0.25), stations)
    assert better.u["0:distance_mm"] < 0.9 * usual.u["0:distance_mm"]
    for key, u in better.u.items():
        assert u <= usual.u[key] * (1 + 1e-9), key


def test_the_ruler_shared_by_all_sheets_scales_the_distance(scene, stations):
    """With nothing else to tell the scale, a ruler off by u moves a target at distance d by u d."""
    perfect = {
        n: replace(p, u_printed_scale=1e-7, u_scale_difference=1e-7) for n, p in scene.kit.plates.items()
    }

    def variance(u_ruler):
        bay = bay_of(scene, plates=MappingProxyType(perfect), u_ruler_scale=u_ruler)
        return forecast(barred(bay), stations).u["0:distance_mm"] ** 2

    d = scene.placement.values["distance_mm"].nominal
    # Mounts 700 mm apart, known to 0.2 mm, tell the scale to 4e-4 too; 1e-5 is far below that.
    assert variance(1e-5) - variance(1e-8) == pytest.approx((1e-5 * d) ** 2, rel=0.05)


def test_the_budget_adds_to_one(scene, stations):
    for shares in forecast(bay_of(scene), stations).budget.values():
        assert sum(shares.values()) == pytest.approx(1, abs=1e-12)


def test_between_two_rounds_alike_the_kits_part_cancels(scene, stations):
    """The same place twice, from the same stations: of the variance only what photos bring anew is left."""
    bay = bay_of(scene)
    expected = forecast(bay, stations)
    once = Outlook({}, bay, tuple(stations), (), expected)
    wide = {"distance_mm": Tolerance(0.0, 9.0, 9.0), "bearing_deg": Tolerance(0.0, 1.0, 1.0)}
    told = shift_outlook(once, once, (0, 0), wide)
    u, budget = expected.u["0:distance_mm"], expected.budget["0:distance_mm"]
    anew = sum(budget.get(cause, 0.0) for cause in EACH_ROUNDS)
    assert 0 < anew < 0.9
    assert told["distance_mm"].u ** 2 == pytest.approx(2 * u**2 * anew, rel=1e-6)
    assert told["distance_mm"].budget["kit"] == pytest.approx(0.0, abs=1e-6)
    assert told["bearing_deg"].u is None and told["bearing_deg"].says


@pytest.mark.parametrize(
    ("shifts", "rounds"),
    [
        ([], [(0, 1, 2)]),
        ([(1, 1)], [(0, 1, 2)]),
        ([(0, 1)], [(0, 2), (1, 2)]),
        ([(0, 1), (1, 2)], [(0,), (1,), (2,)]),
        ([(0, 1), (1, 0)], [(0, 2), (1, 2)]),
    ],
)
def test_the_later_placement_of_a_shift_stands_a_round_later(shifts, rounds):
    asked = [Shift("", of, {}) for of in shifts]
    assert [tuple(one) for one in rounds_of(3, asked)] == rounds


def test_without_floor_plates_the_height_is_missing_with_the_reason(scene, stations):
    floor = {f.plate for f in scene.kit.floor}
    bare = [replace(s, plates=tuple(p for p in s.plates if p not in floor)) for s in stations]
    bay = lay_out(replace(scene.kit, floor=()), [scene.placement], Vehicle(), LAYOUTS)
    expected = forecast(bay, bare)
    assert "0:height_mm" not in expected.u and "floor plates" in expected.missing["0:height_mm"]


def test_photos_that_share_nothing_are_refused(scene, stations):
    lonely = [replace(s, plates=(p,)) for s, p in zip(stations, (0, 1, 2, 3), strict=False)]
    with pytest.raises(NotEnoughError):
        forecast(bay_of(scene), lonely)


# --- what a photo would show ------------------------------------------------------------------------------


def test_the_body_hides_the_far_wheels(scene):
    bay = bay_of(scene)
    place = np.array([-1300.0, 4000.0, 1600.0])  # beside the left door
    z = np.array([-1300.0, 0, 300.0]) - place
    z /= np.linalg.norm(z)
    x = np.cross(z, [0, 0, 1.0])
    x /= np.linalg.norm(x)
    T = np.eye(4)
    T[:3, :3], T[:3, 3] = np.column_stack([x, np.cross(z, x), z]), place
    (station,) = stations_at(bay, T[None])
    clamps = {wheel: clamp.plate for wheel, clamp in scene.kit.clamps.items()}
    assert {clamps["front_left"], clamps["rear_left"]} <= set(station.plates)
    assert not {clamps["front_right"], clamps["rear_right"]} & set(station.plates)


def test_a_saddle_is_less_sure_across_a_steep_plate():
    """By hand: the mean of both variances is the rms squared, the ratio of sigmas 0.5 + 0.5 / cos."""
    frontal = saddle_cov_px2(0.0, 1e6, np.zeros(2), 0.029)
    np.testing.assert_allclose(frontal, 0.029**2 * np.eye(2))
    steep = saddle_cov_px2(60.0, 1e6, np.array([0.0, 3.0]), 0.029)
    assert steep[1, 1] / steep[0, 0] == pytest.approx(1.5**2)
    assert np.trace(steep) / 2 == pytest.approx(((0.029 + 0.032) / 2) ** 2)  # half-way between table rows
    small = saddle_cov_px2(0.0, 25.3, np.zeros(2), 0.029)
    assert np.sqrt(small[0, 0]) == pytest.approx(0.0345, abs=0.0002)


def test_a_wheel_that_one_photo_would_show_has_its_unchecked_sheet_in_u(scene, stations):
    bay, wheel = bay_of(scene), 3
    first = next(i for i, s in enumerate(stations) if wheel in s.plates)
    once = [
        replace(s, plates=tuple(p for p in s.plates if p != wheel or i == first))
        for i, s in enumerate(stations)
    ]
    seen, barely = forecast(bay, stations), forecast(bay, once)
    assert "unchecked_sheets" not in seen.budget["0:lateral_mm"]
    # The declared track knows the wheel's place to 5 mm, far better than 3 % of some metres; half of that
    # is in the axle's middle, and a target as far ahead as the wheelbase is long has it about once again.
    assert 2.5 < barely.u["0:lateral_mm"] < 10.0
    assert barely.budget["0:lateral_mm"]["unchecked_sheets"] > 0.8
