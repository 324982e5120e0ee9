"""What is said of photos that cannot serve."""

from dataclasses import replace

import pytest

from calib_data.layouts import load_layouts
from vision.errors import NotEnoughError
from vision.measure import measure_found

MIRRORED = "This photo is mirrored (selfie camera or edited)."


def test_a_refusal_names_the_photos_that_would_have_served(simulated):
    scene, found = simulated.noisy(4)
    wheel = scene.kit.clamps["rear_left"].plate
    shows = [f.name for f in found if wheel in {d.plate for d in f.detections}]
    spoilt = [replace(f, detections=(), says=MIRRORED) if f.name in shows else f for f in found]
    with pytest.raises(NotEnoughError, match="rear left is in no usable photo") as refused:
        measure_found(spoilt, scene.kit, scene.vehicle, [scene.placement], load_layouts())
    assert all(f"{name}: {MIRRORED}" in str(refused.value) for name in shows)
