"""`plumbsight measure` from what was once found: the same result without the photos."""

import json
import shutil
from pathlib import Path

import pytest

import calib_data
from calib_data.observations import ObservationsFile
from calib_data.reading import check
from tools.cli import main
from vision.errors import InputFileError

DEMO = Path(calib_data.__file__).parent / "demo"


def run(*words: object) -> int:
    with pytest.raises(SystemExit) as end:
        main([str(word) for word in words])
    return int(end.value.code or 0)


@pytest.fixture(scope="module")
def kept(tmp_path_factory) -> tuple[Path, dict]:
    """A copy of the demo set with its observations beside it, and the result from the photos."""
    folder = tmp_path_factory.mktemp("sets") / "demo"
    shutil.copytree(DEMO, folder)
    result = folder.parent / "result.json"
    words = ("--json", result, "--keep-observations", folder / "observations.json", "--quiet")
    assert run("measure", folder, *words) == 1  # the demo's board stands wrong
    return folder, json.loads(result.read_text())


def figures(result: dict) -> dict[str, tuple[float, float]]:
    values = result["placements"][0]["values"] | result["vehicle"]
    return {key: (value["value"], value["u"]) for key, value in values.items()}


def agrees(result: dict, expected: dict, in_u: float) -> None:
    for key, (value, u) in figures(expected).items():
        assert figures(result)[key][0] == pytest.approx(value, abs=in_u * u), key


def test_observations_alone_measure_the_same(kept, tmp_path):
    folder, expected = kept
    bare = tmp_path / "bare"
    bare.mkdir()
    for name in ("set.json", "kit.json", "placement.json", "observations.json"):
        shutil.copy(folder / name, bare / name)
    told = json.loads((bare / "set.json").read_text()) | {"observations": "observations.json"}
    (bare / "set.json").write_text(json.dumps(told))
    for option in (("--observations",), ()):  # asked for, or because the photos are missing
        assert run("measure", bare, *option, "--json", tmp_path / "again.json", "--quiet") == 1
        agrees(json.loads((tmp_path / "again.json").read_text()), expected, 1e-6)


def test_observations_take_the_place_of_missing_photos_only(kept, tmp_path):
    folder, expected = kept
    some = tmp_path / "some"
    shutil.copytree(folder, some)
    (some / "p03.jpg").unlink()
    told = json.loads((some / "set.json").read_text()) | {"observations": "observations.json"}
    (some / "set.json").write_text(json.dumps(told))
    words = ("--json", tmp_path / "again.json", "--findings", tmp_path / "drawn", "--quiet")
    assert run("measure", some, *words) == 1
    agrees(json.loads((tmp_path / "again.json").read_text()), expected, 0.05)
    assert sorted(p.name for p in (tmp_path / "drawn").iterdir()) == [
        f"p{k:02d}_found.jpg" for k in (1, 2, 4, 5, 6, 7, 8)
    ]


def test_a_missing_photo_without_observations_is_an_error(kept, tmp_path, capsys):
    folder, _ = kept
    some = tmp_path / "some"
    shutil.copytree(folder, some)
    (some / "p03.jpg").unlink()
    assert run("measure", some, "--quiet") == 65
    assert "p03.jpg" in capsys.readouterr().err


def test_missing_or_wrong_observations_are_told(kept, tmp_path, capsys):
    folder, _ = kept
    some = tmp_path / "some"
    shutil.copytree(folder, some)
    (some / "observations.json").unlink()
    assert run("measure", some, "--observations", "--quiet") == 65
    assert "observations.json is not there" in capsys.readouterr().err
    (some / "observations.json").write_text('{"format": "plumbsight.observations/1", "photos": [{}]}')
    assert run("measure", some, "--observations", "--quiet") == 65
    assert "photos[0]" in capsys.readouterr().err


def test_observations_outside_the_folder_are_refused(kept, tmp_path, capsys):
    folder, _ = kept
    some = tmp_path / "some"
    shutil.copytree(folder, some)
    told = json.loads((some / "set.json").read_text()) | {"observations": "../observations.json"}
    (some / "set.json").write_text(json.dumps(told))
    assert run("measure", some, "--quiet") == 65
    assert "leaves the set's folder" in capsys.readouterr().err


def test_where_observations_cannot_be_written_is_said_before_the_work(kept, tmp_path, capsys):
    folder, _ = kept
    assert run("measure", folder, "--keep-observations", tmp_path / "none" / "o.json", "--quiet") == 64
    assert "--keep-observations" in capsys.readouterr().err


def test_the_written_file_is_of_the_published_format(kept):
    value = json.loads((kept[0] / "observations.json").read_text())
    _, warnings = check(ObservationsFile, value, "observations.json", InputFileError)
    assert not warnings and len(value["photos"]) == 8
