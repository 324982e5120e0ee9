"""Files of every kind of target: read into what measuring takes, written back, and refused in words."""

import json

import numpy as np
import pytest

from calib_data.crosschecks import kit_problems
from calib_data.formats import KitFile
from calib_data.layouts import load_layouts
from calib_data.photoset import photo_set_of
from tools.kind_families import FAMILIES, draw_bay
from tools.make_set import kit_file, placement_file, relation_file, vehicle_file
from vision.errors import PlacementError


@pytest.fixture(scope="module", params=sorted(FAMILIES))
def bay(request):
    return draw_bay(np.random.default_rng(2), request.param)


def files_of(bay):
    return (
        json.loads(json.dumps(kit_file(bay.kit))),
        vehicle_file(bay.vehicle),
        [placement_file(p) for p in bay.placements],
        [relation_file(r, bay.placements) for r in bay.relations],
    )


def test_what_is_written_is_read_back(bay):
    read = photo_set_of("a set", *files_of(bay))
    assert read.placements[0].facing_rad == pytest.approx(bay.placements[0].facing_rad)
    assert [p.values for p in read.placements] == [p.values for p in bay.placements]
    assert [p.origin is None for p in read.placements] == [p.origin is None for p in bay.placements]
    assert [(r.of, dict(r.values)) for r in read.relations] == [(r.of, dict(r.values)) for r in bay.relations]
    known = {f.name: f for f in bay.kit.fixtures}
    for fixture in read.kit.fixtures:
        own = known[fixture.name]
        assert fixture.is_mat == own.is_mat
        for mount, other in zip(fixture.mounts, own.mounts, strict=True):
            np.testing.assert_allclose(mount.T_fixture_plate, other.T_fixture_plate, atol=1e-6)
            np.testing.assert_allclose(mount.u, other.u, rtol=1e-9)
        np.testing.assert_allclose(
            fixture.targets[0].T_fixture_target, own.targets[0].T_fixture_target, atol=1e-6
        )


@pytest.fixture
def mats():
    return files_of(draw_bay(np.random.default_rng(2), "mats_round"))


def refused(files):
    with pytest.raises(PlacementError) as caught:
        photo_set_of("a set", *files)
    return str(caught.value)


def test_a_mat_has_no_yaw(mats):
    mats[2][0]["values"]["yaw_deg"] = {"nominal": 0, "minus": 1, "plus": 1}
    assert "no meaning for a target that lies" in refused(mats)


def test_a_bearing_needs_an_origin(mats):
    del mats[2][0]["origin"]
    assert "values.gap_mm counts from an origin" in refused(mats)


def test_an_origin_is_one_of_the_places_there_are(mats):
    mats[2][0]["origin"]["at"] = "bonnet"
    assert 'origin.at is "bonnet", which is no axle and no wheel' in refused(mats)


def test_an_offset_needs_its_u(mats):
    mats[2][0]["origin"]["offset_mm"] = [100, 0]
    assert "origin.u_mm is missing beside offset_mm" in refused(mats)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"of": ["mat_left placed", "mat_middle placed"]}, "the set's placements are"),
        ({"of": ["mat_left placed", "mat_left placed"]}, "names one placement twice"),
        (
            {"values": {"parallelism_deg": {"nominal": 0, "minus": 60, "plus": 60}}},
            "as degrees is no tolerance",
        ),
    ],
)
def test_a_relation_that_cannot_be_is_refused(mats, change, says):
    mats[3][0].update(change)
    assert says in refused(mats)


def test_both_placements_of_a_relation_have_one_line(mats):
    lines = {"centreline": "thrust_line", "thrust_line": "centreline"}
    mats[2][0]["reference_line"] = lines[mats[2][0]["reference_line"]]
    assert "two reference lines" in refused(mats)


def test_a_plate_on_a_mat_is_in_no_other_place(mats):
    mats[0]["mats"]["mat_left"]["plates"][0]["plate"] = mats[0]["floor"][0]["plate"]
    problems = list(kit_problems(KitFile.model_validate(mats[0]), load_layouts()))
    assert any("A plate is in one place only" in problem.says for problem in problems)


def test_a_mat_is_no_fixture(mats):
    mats[0]["fixtures"]["mat_left"] = {
        "plates": [
            {
                "plate": 5, "position_mm": [0, 0, 0], "rotation_deg": [0, 0, 0],
                "u_position_mm": 0.2, "u_rotation_deg": 0.1,
            }
        ],
        "targets": {
            "x": {
                "position_mm": [0, 0, 0], "rotation_deg": [0, 0, 0],
                "u_position_mm": 0.2, "u_rotation_deg": 0.1,
            }
        },
    }  # fmt: skip
    problems = list(kit_problems(KitFile.model_validate(mats[0]), load_layouts()))
    assert any("has the name of a fixture" in problem.says for problem in problems)
