"""`plumbsight measure` of two boards: relations in the table, the worst of all as the exit status."""

import json
from dataclasses import replace

import numpy as np
import pytest

from calib_data.observations import to_observations
from tools.cli import run
from tools.kind_families import draw_bay
from tools.make_set import kit_file, placement_file, relation_file, vehicle_file
from tools.simulate import observe_scene


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A pair of boards whose spacing is asked for 20 mm wider than it is; each board stands as required."""
    rng = np.random.default_rng(3)
    bay = draw_bay(rng, "pair_of_boards")
    path = tmp_path_factory.mktemp("pair")
    placements = [placement_file(p) for p in bay.placements]
    for i, placement in enumerate(placements):
        true = bay.true_values(i)
        placement["values"] = {
            key: {"nominal": true[key], "minus": 10, "plus": 10} for key in ("distance_mm", "height_mm")
        }
    relation = relation_file(bay.relations[0], bay.placements)
    wide = bay.true_relation(0)["spacing_mm"] + 20
    relation["values"] = {"spacing_mm": {"nominal": wide, "minus": 4, "plus": 4}}
    (path / "pair.json").write_text(json.dumps(relation))
    (path / "kit.json").write_text(json.dumps(kit_file(bay.kit)))
    found = [replace(f, sha256=f"{i:064x}") for i, f in enumerate(observe_scene(rng, bay))]
    (path / "observations.json").write_text(json.dumps(to_observations(found)))
    told = {
        "format": "plumbsight.set/1", "kit": "kit.json", "vehicle": vehicle_file(bay.vehicle),
        "placements": placements, "relations": ["pair.json"], "observations": "observations.json",
    }  # fmt: skip
    (path / "set.json").write_text(json.dumps(told))
    return path


def test_a_relation_decides_and_is_shown(folder, tmp_path, capsys):
    out = tmp_path / "result.json"
    assert run(["measure", str(folder), "--json", str(out)]) == 1
    said = capsys.readouterr().out
    result = json.loads(out.read_text())
    assert [p["decision"] for p in result["placements"]] == ["conforming", "conforming"]
    assert result["relations"][0]["decision"] == "nonconforming"
    assert "pair 1: nonconforming" in said and "away from" in said
    assert result["set"]["files"][-1]["name"] == "pair.json"


def test_a_relation_of_an_unknown_placement_is_a_wrong_file(folder, capsys):
    told = json.loads((folder / "pair.json").read_text())
    other = folder / "other.json"
    other.write_text(json.dumps({**told, "of": ["left placed", "middle"]}))
    of_set = json.loads((folder / "set.json").read_text())
    wrong = folder.parent / "wrong"
    wrong.mkdir(exist_ok=True)
    for name in ("kit.json", "observations.json", "other.json"):
        (wrong / name).write_text((folder / name).read_text())
    (wrong / "set.json").write_text(json.dumps({**of_set, "relations": ["other.json"]}))
    assert run(["measure", str(wrong)]) == 65
    assert 'other.json: of[1] is "middle"' in capsys.readouterr().err
