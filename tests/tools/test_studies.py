"""Studies: exact bounds, the ladder's early stops, and what counts as proved; values by hand."""

import argparse
import pickle
from dataclasses import replace

import numpy as np
import pytest

from tools.mistakes import SIZED, UNSIZED, datum_mistaken, fixture_moved, number_twice
from tools.scene import make_scene, pose
from tools.studies import mistakes_power
from tools.studies.counting import clopper_pearson, lower_bound, run
from tools.studies.mistakes_power import Rung, climb, most_missed, smallest
from tools.studies.planted import CAUSES, Found, is_shown, plates_in
from tools.studies.situations import Outcome

WORDS = argparse.Namespace(seed=1, sets=300, few=20, jobs=1, stations="chosen")


def outcome(index, *, found=True, named=True, conforming=False, z=0.0):
    return Found(index, found, named, conforming, "", "", {} if found else {"distance_mm": z})


def shop_where(named_from, found_from, missed=()):
    """A stand-in for the simulation: sizes named and found from fixed limits on, but for some sets."""

    def try_mistake(_seed, _name, size, index, stations="chosen"):
        named = size >= named_from and (size, index) not in missed
        return outcome(index, found=named or size >= found_from, named=named)

    return try_mistake


def climbed(monkeypatch, *limits, sizes=(8.0, 4.0, 2.0, 1.0), **more):
    monkeypatch.setattr(mistakes_power, "try_mistake", shop_where(*limits, **more))
    return climb("fixture moved", sizes, WORDS)


def test_bounds_are_exact():
    # All of n seen: the bound is alpha^(1/n).
    assert lower_bound(300, 300) == pytest.approx(0.05 ** (1 / 300))
    assert clopper_pearson(300, 300)[0] == pytest.approx(0.025 ** (1 / 300))
    assert lower_bound(0, 300) == 0.0


def test_of_300_sets_three_may_be_missed_and_of_99_none():
    # At a power of 97 % at most 3 of 300 are missed with a chance of 0.020, at most 4 with 0.052 (binomial).
    assert most_missed(300) == 3
    assert most_missed(99) == 0  # 0.97^99 = 0.049
    assert most_missed(98) == 98  # 0.97^98 = 0.0505: nothing can be proved, all are looked at


def test_a_closed_run_does_no_more_sets():
    done = []
    sets = run(done.append, 1, range(100))
    next(sets)
    sets.close()
    assert done == [0]


def test_the_ladder_fills_up_the_smallest_size_that_is_named_and_looks_at_few_sets_of_the_others(monkeypatch):
    rungs = climbed(monkeypatch, 2.0, 2.0)
    assert [(r.size, len(r.outcomes)) for r in rungs] == [(8.0, 20), (4.0, 20), (2.0, 300), (1.0, 20)]
    assert smallest(rungs).size == 2.0


def test_the_ladder_ends_where_most_go_unseen(monkeypatch):
    rungs = climbed(monkeypatch, 4.0, 4.0)
    assert [r.size for r in rungs] == [8.0, 4.0, 2.0]


def test_a_size_is_given_up_as_soon_as_it_cannot_be_proved(monkeypatch):
    missed = {(2.0, index) for index in (30, 40, 50, 60)}
    rungs = climbed(monkeypatch, 2.0, 1.0, missed=missed)
    assert {r.size: len(r.outcomes) for r in rungs} == {8.0: 20, 4.0: 300, 2.0: 61, 1.0: 20}
    assert smallest(rungs).size == 4.0


def test_a_larger_size_that_missed_a_set_is_filled_up_too(monkeypatch):
    missed = {(8.0, index) for index in (3, 100, 101, 102)}
    rungs = climbed(monkeypatch, 2.0, 2.0, missed=missed)
    assert {r.size: len(r.outcomes) for r in rungs} == {8.0: 103, 4.0: 20, 2.0: 300, 1.0: 20}
    assert smallest(rungs) is None  # what is larger must be named as surely


def test_a_set_that_conforms_spoils_its_size_and_all_below():
    named = tuple(outcome(i) for i in range(300))
    conforming = (outcome(0, conforming=True), *named[1:])
    rungs = [Rung("fixture moved", 8.0, named), Rung("fixture moved", 4.0, conforming)]
    assert smallest(rungs).size == 8.0
    assert smallest(rungs[::-1]) is None


def test_the_errors_counted_are_those_of_values_without_a_warning():
    told = Found(3, False, False, False, "undecided", "", {"distance_mm": 8.0}, told=True)
    silent = (outcome(0, found=False, z=-2.5), outcome(2, found=False))
    rung = Rung("fixture moved", 1.0, (*silent, outcome(1), told))
    assert sorted(rung.unseen_z) == [0.0, 2.5]
    assert rung.n_told == 1


def test_a_mistake_is_shown_by_photos_of_what_is_otherwise_and_a_move_by_those_from_before_it_too():
    scene = make_scene(np.random.default_rng(3), n_photos=6)
    half_turn = np.diag([1.0, -1, -1, 1])  # about the camera's x axis: nothing is in view
    away = [replace(photo, T_camera_world=half_turn @ photo.T_camera_world) for photo in scene.photos]
    early = replace(scene, photos=(*scene.photos[:3], *away[3:]))
    late = replace(scene, photos=(*away[:3], *scene.photos[3:]))
    shown = [is_shown(s, fixture_moved(s, 3, [8.0, 0, 0], 0.0).scene) for s in (scene, early, late)]
    assert shown == [True, False, False]
    assert is_shown(late, fixture_moved(late, 0, [8.0, 0, 0], 0.0).scene)
    assert not is_shown(scene, number_twice(scene, 10, pose([1e6, 0, 1])).scene)
    assert is_shown(scene, datum_mistaken(scene, "rear_axle").scene)


def test_every_mistake_has_its_causes_and_its_sizes_largest_first():
    assert set(CAUSES) == {*SIZED, *UNSIZED}
    for name, cause in CAUSES.items():
        assert bool(cause.sizes) == (name in SIZED)
        assert list(cause.sizes) == sorted(cause.sizes, reverse=True)


@pytest.mark.parametrize(
    ("says", "numbers"),
    [
        ("Plates 10 and 11 are exchanged on the fixture front.", {10, 11}),
        ("Check the rulers of the sheets 0 and 1 (one printed at 97 % looks farther away)", {0, 1}),
        ("Plate 3 seems to be printed -2.0 % off", {3}),
        ("Floor plate 22 is +3.0 mm off (or else: floor plate 23, floor plate 24)", {22, 23, 24}),
        ("off by 3 mm", set()),
    ],
)
def test_numbers_are_read_as_plates_only_where_plates_are_spoken_of(says, numbers):
    assert plates_in(says) == numbers


def test_an_outcome_comes_back_from_a_process_also_where_nothing_was_measured():
    outcome = Outcome(3, says="no photos")
    assert pickle.loads(pickle.dumps(outcome)) == outcome
