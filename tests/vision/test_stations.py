"""The stations chosen against others that one could as well stand at."""

from dataclasses import replace

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from tools.kinds import Unit, make_bay
from tools.scene import make_scene
from vision.bay import lay_out
from vision.coach import needed_u
from vision.decide import largest_usable_u
from vision.errors import NotEnoughError
from vision.forecast import Phone, adjusted, forecast, nominal, shots_at
from vision.kit import Relation, Tolerance
from vision.stations import Search, choose_stations, reachable_stations


def test_chosen_stations_beat_a_random_choice_of_as_many():
    rng = np.random.default_rng(0)
    scene = make_scene(np.random.default_rng(7), T_world_vehicle=np.eye(4), n_photos=8, with_bar=True)
    bay = lay_out(scene.kit, [scene.placement], scene.vehicle, load_layouts())
    reachable = reachable_stations(bay)[::2]

    def worst(chosen):
        u = forecast(bay, chosen).u
        return max(u[key] / largest_usable_u(t) for key, t in bay.required.items())

    rich = [station for station in reachable if len(station.plates) > 3]
    others = []
    for _ in range(50):
        try:
            others.append(worst([rich[i] for i in rng.choice(len(rich), 8, replace=False)]))
        except NotEnoughError:
            continue
    assert len(others) > 5
    assert worst(choose_stations(bay, 8, reachable)) <= min(others)


def test_photos_eliminated_one_by_one_leave_the_covariance_of_the_whole():
    """The Schur complements of single photos add up to what one adjustment of all of them gives."""
    scene = make_scene(np.random.default_rng(7), T_world_vehicle=np.eye(4), n_photos=8, with_bar=True)
    bay, phone = lay_out(scene.kit, [scene.placement], scene.vehicle, load_layouts()), Phone()
    shots = shots_at(bay, phone, choose_stations(bay, 6, reachable_stations(bay)[::4]))
    search = Search(bay, (phone.lens_prior,), shots)
    H = search.base.copy()
    for share in search.shares:
        H[np.ix_(share.columns, share.columns)] += share.information
    network, state = nominal(bay, (phone.lens_prior,), shots)
    whole = adjusted(network, state).covariance
    u = network.unknowns
    photos = np.r_[0 : 6 * u.n_photos, 6 * u.n_poses + u.photo_values().ravel()]
    common = np.setdiff1d(np.arange(state.n_columns), photos)
    # Pixels of other plates may hold the frame: what does not depend on that is compared.
    values = common[common >= 6 * u.n_poses]
    expected = whole[np.ix_(values, values)]
    found = np.linalg.inv(H)[-len(values) :, -len(values) :]
    scale = np.sqrt(np.diag(expected))
    np.testing.assert_allclose(found / scale / scale[:, None], expected / scale / scale[:, None], atol=1e-3)


def test_the_photos_of_a_round_serve_all_its_targets():
    """A board ahead and one behind: six photos chosen for both do, six chosen for the one ahead do not."""
    half = {"distance_mm": 10.0, "lateral_mm": 8.0, "height_mm": 8.0, "yaw_deg": 0.5}
    ahead = Unit("front", (4000.0, 0.0, 1000.0), half)
    behind = Unit("rear", (-6000.0, 0.0, 800.0), half, 180.0, datum="rear_axle")
    made = make_bay(np.random.default_rng(1), [ahead, behind], n_photos=8)
    bay = lay_out(made.kit, made.placements, made.vehicle, load_layouts())
    needed, reachable = needed_u(made.placements), reachable_stations(bay)[::2]

    def worst(placements):
        u = forecast(bay, choose_stations(replace(bay, placements=placements), 6, reachable)).u
        return max(u.get(key, np.inf) / most for key, most in needed.items())

    assert {key.split(":")[0] for key in needed} == {"0", "1"}
    assert worst(made.placements) <= 1 < worst(made.placements[:1])
    # What is asked of both together has the u that the covariance of both gives it.
    apart = Relation("apart", (0, 1), {"lateral_difference_mm": Tolerance(0.0, 8.0, 8.0)})
    chosen = [s for s in reachable if len(s.plates) > 3][::12]
    found = forecast(replace(bay, relations=(apart,)), chosen)
    at = [found.found.reported.keys.index(f"{i}:lateral_mm") for i in (0, 1)]
    C = found.found.reported.covariance[np.ix_(at, at)]
    assert found.u["r0:lateral_difference_mm"] ** 2 == pytest.approx(C[0, 0] + C[1, 1] - 2 * C[0, 1])
    assert found.budget["r0:lateral_difference_mm"]


class Weighed(Search):
    """Photos with a known weight each: badness is what those chosen lack of it."""

    def __init__(self, weights):
        self.weights = weights

    def _each_badness(self, chosen, among):
        return [-sum(self.weights[i] for i in {*chosen, i}) for i in among]


def test_a_photo_of_the_label_takes_the_place_of_the_one_missed_least():
    search = Weighed([5.0, 1.0, 3.0, 0.5, 0.7])
    assert search.with_each([0, 1, 2], [{3, 4}]) == [0, 2, 4]
    assert search.with_each([0, 1, 2], [{1, 3}, set()]) == [0, 1, 2]
    # The one missed least is the only one to show another label.
    assert sorted(search.with_each([0, 1, 2], [{1}, {4}])) == [0, 1, 4]
