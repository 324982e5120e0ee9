"""The command line: exit statuses of FORMATS.md, errors in words, the table. Shops are invented."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from types import MappingProxyType

import cv2
import numpy as np
import pypdfium2
import pytest

from calib_data.photoset import write_json_atomically
from calib_data.published import FILES
from calib_data.result import UnreadPhoto
from tools import cli, cli_measure
from tools.cli import COMMANDS, run
from tools.cli_print import plate_numbers
from tools.make_set import kit_file, placement_file, vehicle_file
from tools.scene import make_scene
from tools.simulate import observe_scene
from vision.measure import measure_found

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "calib_data" / "demo"


@pytest.fixture(scope="module")
def simulated():
    """A scene and what detection would find in its photos."""
    rng = np.random.default_rng(21)
    scene = make_scene(rng, n_photos=8)
    return scene, observe_scene(rng, scene)


@pytest.fixture
def folder(tmp_path, simulated, monkeypatch):
    """A set folder whose photos are read as the simulated ones: decoding and detection are left out."""
    scene, found = simulated
    photos = tmp_path / "set"
    photos.mkdir()
    write_json_atomically(photos / "kit.json", kit_file(scene.kit, "2026-03-14"))
    write_json_atomically(photos / "placement.json", placement_file(scene.placement))
    vehicle = vehicle_file(scene.vehicle)
    set_file = {
        "format": "plumbsight.set/1",
        "kit": "kit.json",
        "vehicle": vehicle,
        "placement": "placement.json",
    }
    write_json_atomically(photos / "set.json", set_file)
    for photo in found:
        (photos / photo.name).write_bytes(b"not decoded in this test")
    monkeypatch.setattr(cli_measure, "read_photos", lambda *_: (MappingProxyType({}), found, ()))
    return photos


@pytest.fixture
def require(folder):
    """Ask for other values, each nominal with one width on both sides."""

    def write(**values):
        placement = json.loads((folder / "placement.json").read_text(encoding="utf-8"))
        placement["values"] = {k: {"nominal": n, "minus": w, "plus": w} for k, (n, w) in values.items()}
        write_json_atomically(folder / "placement.json", placement)

    return write


@pytest.fixture
def measured_mm(simulated):
    """The distance that the simulated photos give."""
    scene, found = simulated
    layouts = cli_measure.load_layouts()
    m = measure_found(found, scene.kit, scene.vehicle, (scene.placement,), layouts)
    return m.reported.value("0:distance_mm"), m.reported.u("0:distance_mm")


# --- decisions ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("off_mm", "width_mm", "status", "word"),
    [(0, 50, 0, "CONFORMING"), (100, 50, 1, "NONCONFORMING"), (50, 50, 2, "UNDECIDED")],
)
def test_the_exit_status_is_the_decision(
    folder, require, measured_mm, capsys, off_mm, width_mm, status, word
):
    require(distance_mm=(measured_mm[0] + off_mm, width_mm))
    assert run(["measure", str(folder)]) == status
    assert f"\nRESULT: {word}\n" in capsys.readouterr().out


def test_measured_with_nothing_required_is_status_4(folder, require, capsys):
    require()
    assert run(["measure", str(folder)]) == 4
    assert "RESULT: MEASURED, NOTHING REQUIRED" in capsys.readouterr().out


def test_the_table_holds_the_values_and_stays_within_its_width(folder, measured_mm, capsys):
    run(["measure", str(folder)])
    out = capsys.readouterr().out
    value, u = measured_mm
    decimals = 2 if u < 0.995 else 1  # two significant digits of u (JCGM 100, 7.2.6)
    assert re.search(rf"distance +{value:.{decimals}f} mm +{u:.{decimals}f} ", out)
    assert max(map(len, out.splitlines())) <= 96
    for words in ("What to do", "wheelbase left", "Where u comes from", "Not checked here", "second check"):
        assert words in out


def test_inches_are_millimetres_over_25_4_and_degrees_stay(folder, require, measured_mm, capsys, tmp_path):
    value, u = measured_mm
    require(distance_mm=(value - 20, 10))
    run(["measure", str(folder)])
    in_mm = capsys.readouterr().out
    run(["measure", str(folder), "--inches", "--json", str(tmp_path / "r.json")])
    in_inches = capsys.readouterr().out
    decimals = max(0, 1 - int(np.floor(np.log10(u / 25.4))))
    assert re.search(rf"distance +{value / 25.4:.{decimals}f} in ", in_inches)
    yaw = next(line for line in in_mm.splitlines() if line.startswith("  yaw  "))
    assert yaw in in_inches
    assert re.search(r"Move the target [\d.]+ in ", in_inches) and " in toward" not in in_mm
    assert not re.search(r"\d mm(?! equivalent|\s+in\s+each)", in_inches)
    kept = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))["placements"][0]
    assert kept["values"]["distance_mm"]["value"] == pytest.approx(value, abs=1e-5)
    assert re.search(r"Move the target [\d.]+ mm ", kept["advice"][0])


def test_the_json_is_written_and_quiet_says_nothing(folder, tmp_path, capsys):
    status = run(["measure", str(folder), "--quiet", "--json", str(tmp_path / "r.json")])
    result = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    assert status == cli.STATUS_OF_DECISION[result["decision"]]
    assert result["set"]["files"][0]["name"] == "set.json"
    assert capsys.readouterr() == ("", "")


def test_kit_placements_and_wheelbase_from_the_command_line(folder, tmp_path, capsys):
    (folder / "set.json").unlink()
    second = json.loads((folder / "placement.json").read_text(encoding="utf-8")) | {
        "name": "again",
        "values": {},
    }
    write_json_atomically(tmp_path / "second.json", second)
    kit, first = folder / "kit.json", folder / "placement.json"
    words = ["measure", str(folder), "--kit", str(kit), "--placement", str(first)]
    words += ["--placement", str(tmp_path / "second.json"), "--wheelbase", "2500"]
    run(words)
    out = capsys.readouterr().out
    assert "again: measured, nothing required" in out
    assert "2500 mm" in out  # the simulated vehicle has another wheelbase: the test of scale says so


def test_a_photo_that_cannot_be_read_is_a_warning(folder, simulated, monkeypatch, capsys):
    found = simulated[1]
    bad = UnreadPhoto("p99.jpg", "p99.jpg: the file is empty. Copy it from the phone again, or leave it out.")
    before = run(["measure", str(folder)])
    monkeypatch.setattr(cli_measure, "read_photos", lambda *_: (MappingProxyType({}), found, (bad,)))
    capsys.readouterr()
    assert run(["measure", str(folder)]) == before
    out = capsys.readouterr().out
    assert "8 of 9 photos used" in out and "  p99.jpg: the file is empty." in out


def test_a_failed_test_is_said_and_undecides(folder, require, measured_mm, capsys):
    """Without a second length the scale rests on the prints alone (MEASUREMENT.md, "Decision")."""
    set_file = json.loads((folder / "set.json").read_text(encoding="utf-8"))
    del set_file["vehicle"]["wheelbase_mm"]
    write_json_atomically(folder / "set.json", set_file)
    require(distance_mm=(measured_mm[0], 50))
    assert run(["measure", str(folder)]) == 2
    out = capsys.readouterr().out
    assert "1 of" in out and "wheelbase_mm" in out


# --- the photos do not suffice: 3 -----------------------------------------------------------


@pytest.fixture
def folder_of(tmp_path, simulated):
    """A set folder with the simulated scene's kit and real files as photos."""
    scene = simulated[0]

    def make(**files):
        folder = tmp_path / "photos"
        folder.mkdir()
        write_json_atomically(folder / "kit.json", kit_file(scene.kit, "2026-03-14"))
        write_json_atomically(folder / "set.json", {"format": "plumbsight.set/1", "kit": "kit.json"})
        for name, data in files.items():
            (folder / f"{name}.jpg").write_bytes(data)
        return folder

    return make


def test_photos_that_are_none_do_not_suffice(folder_of, capsys):
    assert run(["measure", str(folder_of(a=b"", b=b"GIF89a and so on"))]) == 3
    said = capsys.readouterr()
    assert said.out == ""
    assert "a.jpg: the file is empty" in said.err and "b.jpg: this is a GIF" in said.err


def test_photos_without_plates_do_not_suffice(folder_of, capsys):
    blank = cv2.imencode(".jpg", np.full((1300, 1600), 128, np.uint8))[1].tobytes()
    assert run(["measure", str(folder_of(a=blank))]) == 3
    assert "a.jpg" in capsys.readouterr().err


# --- wrong files: 65 --------------------------------------------------------------------------


def test_a_folder_that_is_not_there(tmp_path, capsys):
    assert run(["measure", str(tmp_path / "nowhere")]) == 65
    assert "nowhere" in capsys.readouterr().err


def test_a_folder_without_photos(folder_of, capsys):
    assert run(["measure", str(folder_of())]) == 65
    assert "holds no photo" in capsys.readouterr().err


def test_a_wrong_kit_is_named_with_its_key(folder, capsys):
    kit = json.loads((folder / "kit.json").read_text(encoding="utf-8"))
    kit["u_ruler_scale"] = -1
    write_json_atomically(folder / "kit.json", kit)
    assert run(["measure", str(folder)]) == 65
    said = capsys.readouterr()
    assert "kit.json: u_ruler_scale" in said.err and said.out == ""


@pytest.mark.parametrize("option", ["--kit", "--placement", "--camera"])
def test_a_named_file_that_is_not_there(folder, tmp_path, capsys, option):
    assert run(["measure", str(folder), option, str(tmp_path / "none.json")]) == 65
    assert "none.json" in capsys.readouterr().err


def test_a_wheelbase_out_of_range(folder, capsys):
    assert run(["measure", str(folder), "--wheelbase", "2.7"]) == 65
    assert "wheelbase_mm" in capsys.readouterr().err


# --- wrong words, and what cannot be written: 64 ------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [
        ["mesure"],
        ["measure"],
        ["measure", "a", "b"],
        ["measure", "a", "--jsn", "b"],
        ["measure", "a", "--wheelbase", "long"],
        ["print", "0", "--paper", "a3"],
        ["print", "x"],
        ["print", "3-1"],
        ["print", "99999"],
        ["print", "0,60"],
        ["schemas", "photo"],
        ["completion", "cmd"],
    ],
    ids=" ".join,
)
def test_wrong_command_words(words, capsys):
    assert run(words) == 64
    said = capsys.readouterr()
    assert said.out == "" and said.err and "Traceback" not in said.err


@pytest.mark.parametrize("place", ["none/r.json", "."])
def test_a_result_that_cannot_be_written_is_refused_before_the_work(
    folder, tmp_path, capsys, monkeypatch, place
):
    monkeypatch.setattr(cli_measure, "measure_set", lambda *_: pytest.fail("measured all the same"))
    assert run(["measure", str(folder), "--json", str(tmp_path / place)]) == 64
    assert "--json" in capsys.readouterr().err


def test_a_folder_of_drawings_that_cannot_be_made(folder, tmp_path, capsys):
    (tmp_path / "file").write_text("in the way")
    assert run(["measure", str(folder), "--views", str(tmp_path / "file")]) == 64
    assert "cannot be made" in capsys.readouterr().err


def test_a_disk_that_fills_up_while_writing(folder, tmp_path, capsys, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device", "views.png")

    monkeypatch.setattr(cli_measure, "save_views", full)
    assert run(["measure", str(folder), "--views", str(tmp_path / "views")]) == 64
    said = capsys.readouterr()
    assert "RESULT:" in said.out  # the result was not lost
    assert "views.png was not written (No space left on device)" in said.err


# --- stopping, and defects ------------------------------------------------------------------------


def test_ctrl_c_is_answered_in_words_and_is_no_decision(folder, capsys, monkeypatch):
    def stopped(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(cli_measure, "read_photos", stopped)
    assert run(["measure", str(folder)]) == 130
    assert "Stopped" in capsys.readouterr().err


def test_a_defect_of_our_own_is_no_decision_either(folder, capsys, monkeypatch):
    """Python itself would leave with 1, which means nonconforming."""

    def broken(*_):
        raise ZeroDivisionError

    monkeypatch.setattr(cli_measure, "read_photos", broken)
    assert run(["measure", str(folder)]) == 70
    assert "defect of plumbsight" in capsys.readouterr().err


def in_a_process(words, **more):
    return subprocess.run(
        [sys.executable, "-m", "tools.cli", *words],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        **more,
    )


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no device that is always full")
def test_a_full_disk_behind_standard_output():
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "tools.cli", "schemas", "kit"],
            cwd=ROOT, stdout=full, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
    assert done.returncode == 64 and "Traceback" not in done.stderr


# --- demo, print, schemas, completion -----------------------------------------------------------


def test_the_demo_measures_real_files_end_to_end(tmp_path):
    """Decoding, detection, two workers and all outputs; the demo's own truth.json is the truth."""
    done = in_a_process(["demo", str(tmp_path / "out")])
    assert done.returncode == 0 and done.stderr == ""
    assert "RESULT: " in done.stdout and "8 of 8 photos used" in done.stdout
    result = json.loads((tmp_path / "out" / "result.json").read_text(encoding="utf-8"))
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["values"]
    placement = result["placements"][0]
    for key, true in truth[placement["reference_line"]].items():
        value = placement["values"][key]
        assert abs(value["value"] - true) < 4.5 * value["u"], key
    written = {path.name for path in (tmp_path / "out").iterdir()}
    assert {"result.json", "views.svg", "views.png", "p01_found.jpg", "p08_found.jpg"} <= written
    drawn = cv2.imread(str(tmp_path / "out" / "p01_found.jpg"))
    stored = cv2.imread(str(DEMO / "p01.jpg"), cv2.IMREAD_IGNORE_ORIENTATION | cv2.IMREAD_COLOR)
    assert drawn.shape == stored.shape


def test_a_demo_that_is_missing_is_said(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(cli_measure.resources, "files", lambda _: tmp_path)
    monkeypatch.setattr(cli_measure.resources, "as_file", _as_it_is)
    assert run(["demo", str(tmp_path / "out")]) == 65
    assert "not part of this installation" in capsys.readouterr().err


class _as_it_is:
    def __init__(self, path):
        self.path = path

    def __enter__(self):
        return self.path

    def __exit__(self, *_):
        pass


def test_print_makes_one_page_per_plate_and_one_of_instructions(tmp_path, capsys):
    pdf = tmp_path / "plates.pdf"
    assert run(["print", "0-2,10", "--paper", "letter", "--pdf", str(pdf)]) == 0
    assert "100 %" in capsys.readouterr().out
    document = pypdfium2.PdfDocument(pdf)
    assert len(document) == 4 + 1
    assert document[0].get_size() == pytest.approx((8.5 * 72, 11 * 72), abs=0.01)  # US Letter, in points


def test_plate_numbers():
    assert plate_numbers("0-3, 10") == [0, 1, 2, 3, 10]


def test_schemas_are_shown(capsys):
    assert run(["schemas"]) == 0
    assert capsys.readouterr().out.split() == list(FILES)
    assert run(["schemas", "kit"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown == json.loads((ROOT / "calib_data/schemas/kit.schema.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_completion_scripts_are_shown(shell, capsys):
    assert run(["completion", shell]) == 0
    assert "_PLUMBSIGHT_COMPLETE" in capsys.readouterr().out


def test_completion_knows_the_commands():
    asked = {"_PLUMBSIGHT_COMPLETE": "zsh_complete", "COMP_WORDS": "plumbsight me", "COMP_CWORD": "1"}
    done = in_a_process([], env={**os.environ, **asked})
    assert "measure" in done.stdout


# --- documentation --------------------------------------------------------------------------------


def documents():
    texts = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    return "\n".join(path.read_text(encoding="utf-8") for path in texts if path.is_file())


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_is_in_the_documents_and_in_the_help(command, capsys):
    assert f"plumbsight {command}" in documents()
    assert run(["--help"]) == 0
    assert re.search(rf"^  {command} ", capsys.readouterr().out, re.MULTILINE)


def test_every_exit_status_is_in_the_documents():
    said = {int(number) for number in re.findall(r"^\| (\d+) \|", documents(), re.MULTILINE)}
    codes = {cli.NOT_ENOUGH, cli.WRONG_WORDS, cli.WRONG_FILE, cli.DEFECT, cli.STOPPED, cli.PIPE_CLOSED}
    assert said >= {*cli.STATUS_OF_DECISION.values(), *codes}


def test_every_option_of_measure_says_what_it_is_for():
    assert all(option.help for option in cli_measure.measure_command.params if option.name != "folder")
