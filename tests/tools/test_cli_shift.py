"""`plumbsight shift`: two results and a requirement on their difference, from files to an exit status."""

import json

import pytest

from tools.cli import run

VALUE = {"u": 0.05, "interval95": [-1000.0, 10000.0]}


@pytest.fixture
def rounds(tmp_path):
    def write(name, yaw_deg):
        placement = {
            "name": "plate", "fixture": "plate", "target": "target", "reference_line": "centreline",
            "datum": "front_axle", "decision": "none", "values": {"yaw_deg": {"value": yaw_deg, **VALUE}},
            "covariance": {"keys": ["yaw_deg"], "matrix": [[0.0025]]},
        }  # fmt: skip
        result = {
            "format": "plumbsight.result/1",
            "decision": "none",
            "placements": [placement],
            "photos": [],
        }
        path = tmp_path / f"{name}.json"
        path.write_text(json.dumps({**result, "vehicle": {}, "tests": []}))
        return str(path)

    asked = {
        "format": "plumbsight.shift/1", "name": "one stop", "from": "plate", "to": "plate",
        "values": {"yaw_deg": {"nominal": 2, "minus": 0.3, "plus": 0.3}}, "step": {"yaw_deg": 2},
    }  # fmt: skip
    shift = tmp_path / "shift.json"
    shift.write_text(json.dumps(asked))
    return shift, write


@pytest.mark.parametrize(
    ("turned_deg", "status", "word"), [(2.0, 0, "conforming"), (4.0, 1, "1 stop too far")]
)
def test_the_difference_decides(rounds, tmp_path, capsys, turned_deg, status, word):
    shift, write = rounds
    out = tmp_path / "decided.json"
    words = ["shift", str(shift), write("a", 0.0), write("b", turned_deg), "--json", str(out)]
    assert run(words) == status
    assert word in capsys.readouterr().out
    assert json.loads(out.read_text())["values"]["yaw_deg"]["value"] == turned_deg


def test_a_wrong_requirement_is_told_in_words(rounds, capsys):
    shift, write = rounds
    asked = json.loads(shift.read_text())
    shift.write_text(json.dumps({**asked, "step": {"pitch_deg": 2}}))
    assert run(["shift", str(shift), write("a", 0.0), write("b", 2.0)]) == 65
    assert "step.pitch_deg is a step of a value that is not required" in capsys.readouterr().err


def test_a_file_that_is_no_result_is_told(rounds, capsys):
    shift, write = rounds
    assert run(["shift", str(shift), write("a", 0.0), str(shift)]) == 65
    assert "a result file" in capsys.readouterr().err
