"""Photos whose pixels were turned before they were stored come back to the sensor's axes."""

from dataclasses import replace

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from tools.scene import make_scene
from tools.simulate import observe_scene
from vision.measure import measure_found
from vision.sightings import FoundPhoto
from vision.turned import turned_back


def found_photos(seed=5, n_photos=10):
    rng = np.random.default_rng(seed)
    scene = make_scene(rng, n_photos=n_photos)
    found = tuple(
        FoundPhoto(p.name, f"{k:064x}", p.size_px, p.exif, p.detections)
        for k, p in enumerate(observe_scene(rng, scene))
    )
    return scene, found


def stored_turned(photo, clockwise):
    """What an app makes of a photo: the inverse of turned_back is the turn the other way."""
    once = turned_back(photo, not clockwise)
    return replace(once, exif=replace(once.exif, orientation=1))


@pytest.mark.parametrize("clockwise", [True, False])
def test_turning_there_and_back_changes_nothing(clockwise):
    _, found = found_photos()
    back = turned_back(stored_turned(found[0], clockwise), clockwise)
    assert back.size_px == found[0].size_px
    for a, b in zip(back.detections, found[0].detections, strict=True):
        np.testing.assert_allclose(a.saddles_px, b.saddles_px, atol=1e-9)
        np.testing.assert_allclose(a.cov_px2, b.cov_px2, atol=1e-15)


@pytest.mark.parametrize("clockwise", [True, False])
def test_values_do_not_change_when_some_files_were_turned(clockwise):
    scene, found = found_photos()
    mixed = tuple(stored_turned(f, clockwise) if k in (2, 5, 7) else f for k, f in enumerate(found))
    plain = measure_found(found, scene.kit, scene.vehicle, (scene.placement,), load_layouts())
    turned = measure_found(mixed, scene.kit, scene.vehicle, (scene.placement,), load_layouts())
    u = np.sqrt(np.diag(plain.reported.covariance))
    assert (np.abs(turned.reported.values - plain.reported.values) < 1e-3 * u).all()
    assert len(turned.adjustment.network.lens_priors) == 1
