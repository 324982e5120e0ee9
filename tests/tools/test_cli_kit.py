"""`plumbsight kit new`: asks for what was not given, and refuses what is no number."""

import json

import pytest
from click.testing import CliRunner

from calib_data.starting import Answers
from tools.cli import run
from tools.cli_kit import kit_group, table_of_proofs

WORDS = ["--name", "van 1", "--standoff", "120", "--fixture-plate", "350,0", "--fixture-plate", "-350,0"]
PROVES = "tools.cli_kit.table_of_proofs"  # takes ten seconds; tried by itself below


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(PROVES, lambda answers: iter(["computed"]))


def test_what_is_not_given_is_asked(tmp_path, quick):
    typed = "van 2\n121\n\n119\n120\n\n\n12,0,-200\n" + "149.8\n" + 9 * "\n"  # ten sheets
    done = CliRunner().invoke(kit_group, ["new", "--out", str(tmp_path / "kit.json")], input=typed)
    assert done.exit_code == 0, done.output
    kit = json.loads((tmp_path / "kit.json").read_text())
    assert {wheel: clamp["standoff_mm"] for wheel, clamp in kit["wheels"].items()} == {
        "front_left": 121.0, "rear_left": 119.0, "rear_right": 120.0
    }  # fmt: skip
    assert [m["position_mm"] for m in kit["fixtures"]["front"]["plates"]] == [[0, 350, 0], [0, -350, 0]]
    assert "plumbsight print 0,2,3,4,5,10,11,12,13,14" in done.output
    assert kit["plates"]["0"]["printed_scale"] == round(149.8 / 150, 6)
    assert "Nobody has measured the rulers of sheets 2, 3, 4" in done.output


def test_an_older_kit_is_not_written_over(tmp_path, quick, capsys):
    (tmp_path / "kit.json").write_text("mine")
    words = ["kit", "new", *WORDS, "--target", "0,0,0", "--out", str(tmp_path / "kit.json")]
    assert run(words) == 64
    assert "is there already" in capsys.readouterr().err
    assert (tmp_path / "kit.json").read_text() == "mine"


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--target", "1,2"], "not 3 numbers"),
        (["--target", "a,b,c"], "no number of millimetres"),
        (["--target", "0,0,0", "--standoff", "front=120"], "is no wheel"),
        (["--target", "0,0,0", "--ruler", "149.8"], "Write e.g. 4=149.8"),
    ],
)
def test_what_cannot_be_read_is_said_in_words(tmp_path, quick, capsys, words, says):
    assert run(["kit", "new", *WORDS, *words, "--out", str(tmp_path / "kit.json")]) == 64
    assert says in capsys.readouterr().err


def test_a_kit_of_tape_and_cardboard_proves_a_wide_tolerance_and_no_narrow_one():
    answers = Answers(
        "van 1",
        dict.fromkeys(("front_left", "front_right", "rear_left", "rear_right"), 120.0),
        [(350.0, 0.0), (-350.0, 0.0)],
        (12.0, 0.0, -200.0),
    )
    lines = list(table_of_proofs(answers))
    far = next(k for k, line in enumerate(lines) if line.startswith("target 5.0 m"))
    lateral = next(line for line in lines[far:] if "lateral" in line)
    # Clamps' standoffs of 1 mm alone leave 0.7 mm at the axles; three wheelbases on, millimetres.
    u = float(lateral.split()[2])
    assert 1.0 < u < 6.0
