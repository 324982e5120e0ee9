"""`plumbsight clamps`: the table, the kit that is written, and what is refused."""

import numpy as np
import pytest

from calib_data.convert import to_kit, with_clamps
from calib_data.formats import KitFile
from tools.cli import WRONG_FILE, WRONG_WORDS, run
from tools.cli_clamps import seating_text
from vision.kit import Clamp
from vision.seating import Seat, Seating

KIT = {
    "format": "plumbsight.kit/1",
    "name": "van 1",
    "u_ruler_scale": 0.0003,
    "plates": {"0": {"layout": "ring13", "printed_scale": 1.0, "u_printed_scale": 0.0005}},
    "wheels": {
        "rear_left": {
            "plate": 0,
            "standoff_mm": 120.0,
            "u_standoff_mm": 0.3,
            "u_eccentricity_mm": 1.0,
            "u_tilt_deg": 0.15,
        }
    },
}
FOUND = Clamp(0, 120.0, 0.3, 0.21, float(np.radians(0.018)), (1.25, -0.5), tuple(np.radians([0.1, -0.2])))


def test_the_kit_takes_the_clamp_as_found_and_keeps_the_rest():
    file = with_clamps(KitFile.model_validate(KIT), {"rear_left": FOUND}, "2026-03-14")
    wheel = file.wheels["rear_left"]
    assert wheel.eccentricity_mm == [1.25, -0.5]
    assert wheel.tilt_deg == pytest.approx([0.1, -0.2])
    assert (wheel.u_eccentricity_mm, wheel.u_tilt_deg) == (0.21, 0.018)
    assert (wheel.standoff_mm, wheel.measured_on) == (120.0, "2026-03-14")
    again = to_kit(KitFile.model_validate(file.model_dump())).clamps["rear_left"]
    assert again.tilt_rad == pytest.approx(FOUND.tilt_rad)


def test_every_clamp_stands_in_the_table_with_its_words():
    seat = Seat("rear_left", FOUND, np.zeros(4), np.eye(4), 172.0, 31.0, 19.1, "The clamp is off its seat.")
    lines = list(seating_text(Seating((seat,), np.eye(4), None, {})))
    assert lines[1].split() == [
        "rear",
        "left",
        "+1.25,",
        "-0.50",
        "0.21",
        "+0.100,",
        "-0.200",
        "0.018",
        "172°",
    ]
    assert "off its seat" in lines[-1]


def test_a_missing_folder_or_file_is_named(tmp_path, capsys):
    folders = [str(tmp_path)] * 2
    assert run(["clamps", *folders, "--kit", str(tmp_path / "no.json")]) == WRONG_FILE
    assert "no.json" in capsys.readouterr().err
    assert run(["clamps", *folders, "--kit", "k", "--out", str(tmp_path)]) == WRONG_WORDS
