"""What was found in photos survives writing and reading to the last digit, and measures the same."""

import copy
import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from calib_data.observations import (
    ObservationsFile,
    from_observations,
    observations_problems,
    to_observations,
)
from calib_data.reading import check, raise_problems
from tools.scene import make_scene
from tools.simulate import observe_scene
from vision.errors import InputFileError
from vision.measure import Measurement, measure_found
from vision.sightings import FoundPhoto


@pytest.fixture(scope="module")
def scene():
    return make_scene(np.random.default_rng(5), target_distance_mm=2500, n_photos=7)


@pytest.fixture(scope="module")
def found(scene) -> tuple[FoundPhoto, ...]:
    seen = observe_scene(np.random.default_rng(6), scene)
    return tuple(replace(f, sha256=f"{k:064x}") for k, f in enumerate(seen))


def read(value: Any) -> tuple[FoundPhoto, ...]:
    file, warnings = check(
        ObservationsFile, json.loads(json.dumps(value)), "observations.json", InputFileError
    )
    assert not warnings
    raise_problems(observations_problems(file, load_layouts()), "observations.json", InputFileError)
    return from_observations(file)


def measured(scene, found) -> Measurement:
    return measure_found(found, scene.kit, scene.vehicle, (scene.placement,), load_layouts())


def with_second_look(found: tuple[FoundPhoto, ...], plate: int) -> tuple[FoundPhoto, ...]:
    """As if one plate of the first photo that shows it had been found at the first second look."""
    k = next(k for k, f in enumerate(found) if plate in [d.plate for d in f.detections])
    rest = tuple(d for d in found[k].detections if d.plate != plate)
    late = tuple(d for d in found[k].detections if d.plate == plate)
    return (*found[:k], replace(found[k], detections=rest, predicted=(late,)), *found[k + 1 :])


def test_every_digit_survives(found):
    found = with_second_look(found, 10)
    for one, other in zip(found, read(to_observations(found)), strict=True):
        assert (one.name, one.sha256, one.size_px, one.exif, one.says) == (
            other.name, other.sha256, other.size_px, other.exif, other.says
        )  # fmt: skip
        ours = [d for look in (one.detections, *one.predicted) for d in look]
        theirs = [d for look in (other.detections, *other.predicted) for d in look]
        for a, b in zip(ours, theirs, strict=True):
            assert (a.saddles_px == b.saddles_px).all() and (a.saddle_index == b.saddle_index).all()
            np.testing.assert_allclose(
                a.cov_px2, b.cov_px2, rtol=1e-14
            )  # its two equal corners are one figure
            assert (a.plate, a.layout, a.u_shift_px, a.u_affine_px, a.says) == (
                b.plate, b.layout, b.u_shift_px, b.u_affine_px, b.says
            )  # fmt: skip
            assert (a.tag_read, a.tag_edge_px, a.incidence_deg) == (
                b.tag_read,
                b.tag_edge_px,
                b.incidence_deg,
            )


def test_a_set_measures_the_same_from_what_was_written(scene, found):
    first = measured(scene, with_second_look(found, 10))
    again = measured(scene, read(to_observations(first.found)))
    u = np.sqrt(np.diag(first.reported.covariance))
    assert (abs(again.reported.values - first.reported.values) <= 1e-6 * u).all()
    assert again.decision == first.decision


def test_a_plate_found_at_second_look_counts_as_one_found_at_first(scene, found):
    at_first, at_second = measured(scene, found), measured(scene, with_second_look(found, 10))
    u = np.sqrt(np.diag(at_first.reported.covariance))
    # Both ways end at the same least-squares estimate; its solver stops within a hundredth of u.
    assert (abs(at_first.reported.values - at_second.reported.values) <= 0.02 * u).all()
    (looked,) = [f for f in at_second.found if f.predicted and any(f.predicted)]
    assert [d.plate for d in looked.predicted[0]] == [10]


def test_a_plate_that_the_kit_no_longer_has_is_left_out(scene, found):
    late = with_second_look(found, 10)
    unknown = [
        replace(f, predicted=tuple(tuple(replace(d, plate=15) for d in look) for look in f.predicted))
        for f in late
    ]
    assert measured(scene, unknown).decision


@pytest.mark.parametrize(
    ("spoil", "word"),
    [
        (lambda p: p["plates"][0].update(layout="ring99"), "ring99"),
        (lambda p: p["plates"][0]["saddles"][1].__setitem__(0, 400), "does not have"),
        (lambda p: p["plates"][0]["saddles"][1].__setitem__(0, p["plates"][0]["saddles"][0][0]), "twice"),
        (lambda p: p["plates"][0]["saddles"][1].__setitem__(4, 9.0), "impossible covariance"),
        (lambda p: p["plates"][0]["saddles"][1].pop(), "saddles"),
        (lambda p: p.update(size_px=[4032]), "size_px"),
        (lambda p: p.update(sha256="abc"), "sha256"),
    ],
)
def test_a_wrong_file_is_told_by_its_place(found, spoil, word):
    value = copy.deepcopy(to_observations(found))
    spoil(value["photos"][0])
    with pytest.raises(InputFileError, match=word) as wrong:
        read(value)
    assert "photos[0]" in str(wrong.value)


def test_two_photos_of_one_name_are_refused(found):
    value = to_observations([found[0], found[0]])
    with pytest.raises(InputFileError, match="stands there before"):
        read(value)
