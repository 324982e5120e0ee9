"""`plumbsight camera` on the demo's rendered photos, whose lens is known, and its file used again."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from calib_data.convert import from_profile, to_profile
from calib_data.photoset import read_camera_profile
from tools.cli import run
from vision.lenses import Profile, matching_profile
from vision.photo import ExifFacts, read_header

DEMO = Path(__file__).parents[2] / "calib_data/demo"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    path = tmp_path_factory.mktemp("profile") / "phone.json"
    assert run(["camera", str(DEMO), "--kit", str(DEMO / "kit.json"), "--out", str(path)]) == 0
    return path


def test_the_profile_covers_the_lens_that_the_photos_were_rendered_with(made):
    """Each photo was rendered with its own focal length and principal point; the profile is their middle."""
    profile = to_profile(read_camera_profile(made)[0])
    photos = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["photos"]
    u = np.sqrt(np.diag(profile.covariance))
    true = np.mean([[photo["f_px"], *photo["centre_px"]] for photo in photos], axis=0)
    off = np.abs(profile.mean[:3] - true)
    assert np.all(off < 3 * u[:3])
    # The allowance for another day dominates u; the photos themselves tell f to 1.1 px (0.06 %).
    assert np.all(off < 4.0), off


def test_it_is_found_again_by_the_photos_facts(made):
    profile = to_profile(read_camera_profile(made)[0])
    header = read_header((DEMO / "p01.jpg").read_bytes(), "p01.jpg")
    assert matching_profile(header.exif, header.size_px, [profile]) is profile


def test_the_file_names_the_photos_it_was_made_from(made):
    file, warnings = read_camera_profile(made)
    assert file.n_photos == len(file.made_from) == 8 and not warnings
    assert np.array(file.covariance).shape == (9, 9)


def test_too_few_photos_are_refused_and_nothing_is_written(tmp_path, capsys):
    shutil.copy(DEMO / "p01.jpg", tmp_path)
    out = tmp_path / "phone.json"
    assert run(["camera", str(tmp_path), "--kit", str(DEMO / "kit.json"), "--out", str(out)]) == 3
    assert "no profile" in capsys.readouterr().err and not out.exists()


@pytest.mark.parametrize(
    ("folder", "kit", "out", "status"),
    [
        ("nowhere", DEMO / "kit.json", "phone.json", 65),
        (DEMO, "no.json", "phone.json", 65),
        (DEMO, DEMO / "kit.json", "no/such/folder/phone.json", 64),
        (DEMO, DEMO / "kit.json", ".", 64),
    ],
)
def test_wrong_words_are_told_without_a_traceback(folder, kit, out, status, tmp_path, capsys):
    place = tmp_path / out
    assert (
        run(["camera", str(tmp_path / folder), "--kit", str(tmp_path / kit), "--out", str(place)]) == status
    )
    assert "Traceback" not in capsys.readouterr().err


def test_a_profile_survives_its_file():
    rng = np.random.default_rng(1)
    A = rng.normal(0, 1, (9, 9))
    u = np.array([2.0, 1, 1, 1e-3, 1e-2, 1e-4, 1e-4, 1e-2, 1e-4])
    covariance = (A @ A.T + np.eye(9)) * u * u[:, None]
    mean = np.array([2931.2, 2015.5, 1511.5, 0.03, -0.02, 1e-4, 2e-4, 0.01, 1e-4])
    profile = Profile(ExifFacts(make="Lumora", model="L2", focal_35mm=26.0), (4032, 3024), mean, covariance)
    again = to_profile(from_profile(profile, "main lens", ["0" * 64]))
    np.testing.assert_array_equal(again.mean, mean)
    np.testing.assert_allclose(again.covariance, covariance, rtol=1e-12)
    assert again.exif == profile.exif and again.size_px == profile.size_px
