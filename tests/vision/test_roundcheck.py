"""Two visits in one set, and two prints with one number: told by the photos themselves."""

from dataclasses import replace

import numpy as np
import pytest

from tools.scene import make_scene
from tools.simulate import observe_scene
from vision.roundcheck import check_round


@pytest.fixture(scope="module")
def simulated():
    rng = np.random.default_rng(6)
    scene = make_scene(rng, n_photos=4)
    return scene, observe_scene(rng, scene)


def test_an_ordinary_round_passes(simulated):
    scene, found = simulated
    assert all(test.ok for test in check_round(found, scene.kit))


def test_a_photo_of_another_day_is_named(simulated):
    scene, found = simulated
    other = replace(found[2], exif=replace(found[2].exif, taken="2026-03-09T09:13:00"))
    visit, _ = check_round((*found[:2], other, found[3]), scene.kit)
    assert not visit.ok
    assert "p03.jpg was taken on 2026-03-09 at 09:13, p01.jpg on 2026-03-14 at 09:10" in visit.says


def test_photos_without_a_time_raise_no_word(simulated):
    scene, found = simulated
    timeless = tuple(replace(f, exif=replace(f.exif, taken=None)) for f in found)
    assert all(test.ok for test in check_round(timeless, scene.kit))


def test_a_number_that_is_in_a_photo_twice_is_named(simulated):
    scene, found = simulated
    double = replace(found[1], detections=(*found[1].detections, found[1].detections[0]))
    _, once = check_round((found[0], double), scene.kit)
    assert not once.ok
    assert f"same number {found[1].detections[0].plate} are in photo p02.jpg" in once.says
