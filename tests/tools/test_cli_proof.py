"""`plumbsight proof`: the bar on the demo's rendered photos, the slide on two simulated rounds; the file."""

import hashlib
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calib_data.observations import to_observations
from calib_data.photoset import write_json_atomically
from calib_data.proof import ProofFile, proof_file, slide_of
from tools.cli import WRONG_FILE, WRONG_WORDS, run
from tools.make_demo import demo_scene
from tools.make_set import kit_file, placement_file, vehicle_file
from tools.mistakes import fixture_moved
from tools.scene import make_scene
from tools.simulate import observe_scene
from vision.errors import NotEnoughError
from vision.photo import ExifFacts
from vision.proof import proved_bar
from vision.sightings import FoundPhoto

DEMO = Path(__file__).parents[2] / "calib_data/demo"


def proof_in(path):
    return ProofFile.model_validate(json.loads(path.read_text(encoding="utf-8")))


# --- the bar -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def demo_length_mm():
    true = {plate.number: plate.T_world_plate[:3, 3] for plate in demo_scene().plates}
    return float(np.linalg.norm(true[10] - true[11]))


def bar_proof(tmp_path, length_mm):
    out = tmp_path / "proof.json"
    bar = ["--bar", "10", "11", f"{length_mm:.3f}", "0.1"]
    return run(["proof", "bar", str(DEMO), "--kit", str(DEMO / "kit.json"), *bar, "--out", str(out)]), out


def test_a_known_length_in_rendered_photos_passes_and_is_filed(tmp_path, capsys, demo_length_mm):
    """The demo's fixture plates for a bar: their true distance is known, and their mounts are not used."""
    status, out = bar_proof(tmp_path, demo_length_mm)
    assert status == 0 and "Passed." in capsys.readouterr().out
    file = proof_in(out)
    assert (file.what, file.plates, file.verdict) == ("bar", [10, 11], "passed")
    assert abs(file.value - demo_length_mm) < 3 * file.u and file.u < 0.5
    assert file.date == "2026-03-14" and len(file.photos_sha256) == 8 and file.phones
    assert file.kit_sha256 == hashlib.sha256((DEMO / "kit.json").read_bytes()).hexdigest()


def test_a_length_one_per_cent_off_flags_the_kit(tmp_path, capsys, demo_length_mm):
    status, out = bar_proof(tmp_path, 1.01 * demo_length_mm)
    assert status == 1 and "The kit is flagged" in capsys.readouterr().out
    assert proof_in(out).verdict == "flagged"


@pytest.mark.parametrize(
    ("bar", "status", "says"),
    [
        (["30", "31", "1000", "0"], WRONG_WORDS, "is no known length"),
        (["30", "31", "1.0", "0.1"], WRONG_WORDS, "is no known length"),
        (["30", "thirty", "1000", "0.1"], WRONG_WORDS, "thirty"),
        (["30", "31", "1000", "0.1"], WRONG_FILE, "Plate 30 is not in the kit"),
    ],
)
def test_a_wrong_bar_is_named(tmp_path, capsys, bar, status, says):
    words = ["--kit", str(DEMO / "kit.json"), "--bar", *bar, "--out", str(tmp_path / "proof.json")]
    assert run(["proof", "bar", str(DEMO), *words]) == status
    assert says in capsys.readouterr().err


# --- the slide -----------------------------------------------------------------------


def write_round(folder, rng, scene, kit):
    """A set whose photos are not there, only what was found in them."""
    found = tuple(
        replace(photo, sha256=hashlib.sha256(f"{folder} {photo.name}".encode()).hexdigest())
        for photo in observe_scene(rng, scene)
    )
    folder.mkdir()
    write_json_atomically(folder / "observations.json", to_observations(found))
    write_json_atomically(folder / "kit.json", kit)
    write_json_atomically(
        folder / "set.json",
        {
            "format": "plumbsight.set/1",
            "kit": "kit.json",
            "vehicle": vehicle_file(scene.vehicle),
            "placement": placement_file(scene.placement),
            "photos": [photo.name for photo in found],
            "observations": "observations.json",
        },
    )


@pytest.fixture(scope="module")
def rounds(tmp_path_factory):
    """Before, and slid by 10 mm away from the vehicle."""
    folder, rng = tmp_path_factory.mktemp("rounds"), np.random.default_rng(4)
    scenes = [make_scene(np.random.default_rng(3), n_photos=n, target_distance_mm=2500.0) for n in (9, 10)]
    kit = kit_file(scenes[0].kit)
    away = scenes[1].truth.T_world_target[:3, 0] * [1, 1, 0]
    away /= np.linalg.norm(away)
    write_round(folder / "before", rng, scenes[0], kit)
    write_round(folder / "slid", rng, fixture_moved(scenes[1], 0, 10.0 * away, 0.0).scene, kit)
    return folder


def slide(rounds, tmp_path, after, *more):
    out = tmp_path / "proof.json"
    words = ["--kit", str(rounds / "before" / "kit.json"), *more, "--out", str(out)]
    return run(["proof", "slide", str(rounds / "before"), str(rounds / after), *words]), out


def test_a_fixture_slid_by_ten_millimetres_passes(rounds, tmp_path, capsys):
    status, out = slide(rounds, tmp_path, "slid", "--by", "10.0")
    assert status == 0 and "Passed." in capsys.readouterr().out
    file = proof_in(out)
    assert (file.what, file.along, file.reference, file.verdict) == ("slide", "distance_mm", 10.0, "passed")
    assert abs(file.value - 10.0) < 3 * file.u < 3.0
    assert len(file.photos_sha256) == 19


def test_the_same_slide_called_the_other_way_flags_the_kit(rounds, tmp_path):
    status, out = slide(rounds, tmp_path, "slid", "--by", "-10.0")
    assert status == 1 and proof_in(out).verdict == "flagged"


@pytest.mark.parametrize("more", [["--by", "0"], ["--by", "10", "--along", "height"], []])
def test_a_slide_without_a_way_is_refused(rounds, tmp_path, capsys, more):
    status, out = slide(rounds, tmp_path, "slid", *more)
    assert status == WRONG_WORDS and "--" in capsys.readouterr().err and not out.exists()


def result(distance_mm, wheelbase_mm=2700.0, kit="a", **more):
    values = {"distance_mm": {"value": distance_mm, "u": 0.3}}
    return {
        "placements": [{"name": "board", "fixture": "front", "target": "board", "values": values}],
        "vehicle": {"wheelbase_left_mm": {"value": wheelbase_mm, "u": 0.3}},
        "kit_effects": {"kit_sha256": kit, "names": [], "effects": {}},
        **more,
    }


def test_what_rounds_share_is_not_counted_twice():
    effects = {"kit_sha256": "a", "names": ["ruler"], "effects": {"0:distance_mm": [0.24]}}
    pair = [result(1500.0, kit_effects=effects), result(1510.1, kit_effects=effects)]
    # 0.3^2 - 0.24^2 = 0.18^2 is each round's own.
    assert slide_of(pair, "distance_mm", 10.0, 0.1).u == pytest.approx(0.18 * np.sqrt(2))


@pytest.mark.parametrize(
    ("after", "says"),
    [
        (result(1510.0, wheelbase_mm=2710.0), "wheelbase_left_mm changed"),
        (result(1510.0, states=[{}]), "Something but the fixture moved"),
        (result(1510.0, kit="b"), "different kit files"),
        (result(None), "was not measured in both rounds"),
        (result(1510.0, placements=[]), "no placement in common"),
    ],
)
def test_rounds_that_prove_nothing_are_refused(after, says):
    with pytest.raises(NotEnoughError, match=says):
        slide_of([result(1500.0), after], "distance_mm", 10.0, 0.1)


# --- the file -----------------------------------------------------------------------


def test_the_file_says_what_was_proved_by_what():
    exif = ExifFacts(make="Lumora", model="L2", taken="2026-03-14T10:00:00")
    photos = [FoundPhoto(f"p{k}.jpg", "1" * 64, (4032, 3024), exif, ()) for k in (1, 2)]
    proof = proved_bar(1000.4, 0.25, 1000.0, 0.2)
    file = proof_file(
        proof, photos, today="2026-03-15", kit="van 1", kit_sha256="0" * 64, plates=(30, 31)
    )  # fmt: skip
    assert file.date == "2026-03-14"
    assert file.format == "plumbsight.proof/1" and file.phones == ["Lumora L2"]
    assert (file.value, file.reference, file.along) == (1000.4, 1000.0, None)
    assert file.interval95[0] < 0 < file.interval95[1]
