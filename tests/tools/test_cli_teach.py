"""`plumbsight teach` on the demo's rendered photos, whose prints and places are known; what is refused."""

import json
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest

from calib_data.convert import to_kit, with_fixture, with_sheets
from calib_data.formats import KitFile
from calib_data.photoset import read_kit, write_json_atomically
from tools.cli import WRONG_FILE, WRONG_WORDS, run
from tools.cli_teach import fixture_text, sheets_text
from tools.make_demo import demo_scene
from tools.make_set import kit_file
from tools.plates_alone import fixture_errors, with_stand_in
from tools.render import Look, encode_photo, render_photo
from tools.scene import Care, make_scene
from vision import geometry
from vision.kit import Fixture, Kit, Mount, Plate, Target
from vision.sheetscales import TaughtSheet, TaughtSheets
from vision.teach import R_TARGET_PLATE, TaughtFixture

DEMO = Path(__file__).parents[2] / "calib_data/demo"


def turned(position_mm, rotation_deg, at_zero=R_TARGET_PLATE):
    rx, ry, rz = np.radians(rotation_deg)
    return geometry.transform(geometry.rz_ry_rx(rz, ry, rx) @ at_zero, np.array(position_mm, float))


MOUNT = Mount(10, turned([1.5, 350.25, -100], [2, -3, 4]), 0.12341, np.radians(0.0123))
BOARD = Target("board", turned([12.5, 0, 200], [0, 0, 0], np.eye(3)), 0.6, np.radians(0.105))
ENTRY = Fixture("front", (MOUNT,), (BOARD,))


# --- the kit's file -----------------------------------------------------------------------


def a_kit(**more):
    plates = {n: {"layout": "ring13", "printed_scale": 1.0, "u_printed_scale": 0.0005} for n in ("10", "20")}
    return KitFile.model_validate(
        {"format": "plumbsight.kit/1", "u_ruler_scale": 0.0003, "plates": plates, **more}
    )


def test_the_kit_takes_the_fixture_as_formats_md_writes_it():
    entry = with_fixture(a_kit(), ENTRY).fixtures["front"]
    (plate,) = entry.plates
    assert plate.position_mm == pytest.approx([1.5, 350.25, -100])
    assert plate.rotation_deg == pytest.approx([2, -3, 4], abs=1e-6)
    assert plate.u_position_mm == 0.1235 and plate.u_rotation_deg == 0.0123  # never rounded down
    assert entry.targets["board"].rotation_deg == [0, 0, 0]


def test_the_fixture_is_read_again_as_it_was():
    file = KitFile.model_validate(with_fixture(a_kit(), ENTRY).model_dump(exclude_none=True))
    (fixture,) = to_kit(file).fixtures
    np.testing.assert_allclose(fixture.mounts[0].T_fixture_plate, MOUNT.T_fixture_plate, atol=1e-4)
    np.testing.assert_allclose(fixture.targets[0].T_fixture_target, BOARD.T_fixture_target, atol=1e-4)


def test_a_target_taught_anew_keeps_its_label():
    """Where the label sits on the target is no matter of where the target sits on its fixture."""
    label = {"plate": 20, "position_mm": [0, 5, -90], "rotation_deg": [0, 0, 180], "u_position_mm": 0.3}
    board = {"position_mm": [0, 0, 0], "rotation_deg": [0, 0, 0], "u_position_mm": 1, "u_rotation_deg": 1}
    on_fixture = {"plate": 10, **board}
    old = {"plates": [on_fixture], "targets": {"board": {**board, "label": {**label, "u_rotation_deg": 0.1}}}}
    file = with_fixture(a_kit(fixtures={"front": old}), ENTRY)
    (fixture,) = to_kit(KitFile.model_validate(file.model_dump(exclude_none=True))).fixtures
    kept = fixture.targets[0].label
    assert kept is not None and kept.plate == 20
    np.testing.assert_allclose(kept.T_target_plate[:3, 3], [0, 5, -90])
    # FORMATS.md, R0: at rotation zero a plate's z is the carrier's -x, its y the carrier's z; about z turned
    # by half a turn it looks the other way, its y up all the same.
    np.testing.assert_allclose(kept.T_target_plate[:3, 1:3].T, [[0, 0, 1], [1, 0, 0]], atol=1e-12)


def test_the_kit_takes_the_sheets_and_keeps_the_rest():
    sheet = Plate(10, "ring13", (1.00031, 1.00031), 0.00004001, scale_is_measured=True)
    new = with_sheets(a_kit(name="van 1"), {10: sheet}, 0.00024)
    assert new.name == "van 1" and new.u_ruler_scale == 0.00024
    assert new.plates["10"].printed_scale == 1.00031 and new.plates["10"].u_printed_scale == 0.0000401
    assert new.plates["20"].printed_scale == 1.0


def test_two_scales_stay_two():
    kit = a_kit()
    both = kit.plates["10"].model_copy(update={"printed_scale": None, "printed_scale_xy": [1.0, 1.001]})
    kit = kit.model_copy(update={"plates": {**kit.plates, "10": both}})
    new = with_sheets(kit, {10: Plate(10, "ring13", (1.0002, 1.0012), 5e-5)}, 0.0003).plates["10"]
    assert (new.printed_scale, new.printed_scale_xy) == (None, [1.0002, 1.0012])


# --- in words -----------------------------------------------------------------------


def words(lines):
    return " ".join(" ".join(lines).split())


def test_a_fixture_is_told_in_columns_and_what_it_replaces_is_named():
    old = replace(ENTRY, targets=(BOARD, replace(BOARD, name="reflector")))
    kit = Kit("van 1", 0.0003, MappingProxyType({}), fixtures=(old,))
    taught = TaughtFixture(ENTRY, np.eye(12), np.eye(12), 0.05, None, ("p07.jpg was left out.",))
    lines = list(fixture_text(taught, kit))
    assert lines[1].split()[:5] == ["plate", "10", "+1.50,", "+350.25,", "-100.00"]
    told = words(lines)
    assert "reflector is left out and must be taught too" in told and "p07.jpg was left out" in told
    assert "with exact ones it would be 0.05 mm" in told


def test_sheets_are_told_with_what_changed_and_who_disagrees():
    before = Plate(3, "ring13", (1.0, 1.0), 0.0003, scale_is_measured=True)
    after = replace(before, printed_scale_xy=(0.97, 0.97), u_printed_scale=0.00004)
    away, raised = replace(before, number=50), replace(before, number=50, u_printed_scale=0.00039)
    kit = Kit("van 1", 0.0002, MappingProxyType({3: before, 50: away}))
    sheet = TaughtSheet(before, after, 7, 900.0, 12.0)
    taught = TaughtSheets((sheet,), ((away, raised),), 0.00024, np.zeros(1), np.eye(1), False, None, ())
    told = words(sheets_text(taught, kit))
    assert "3 7 1.00000 0.00030 0.97000 0.00004 disagrees" in told
    assert "Plate 3: its ruler says 1.0000, the other sheets say 0.9700" in told
    assert "u_ruler_scale is now 0.000240, before 0.000200" in told and "tell nothing of it" in told
    assert "Not in these photos: plate 50. Their own u is now 1.30 times" in told


# --- the demo's photos -----------------------------------------------------------------------


def test_the_demos_sheets_come_out_as_they_were_printed(tmp_path, capsys):
    out = tmp_path / "kit.json"
    assert run(["teach", "sheets", str(DEMO), "--kit", str(DEMO / "kit.json"), "--out", str(out)]) == 0
    kit, _ = read_kit(out)
    before, _ = read_kit(DEMO / "kit.json")
    true = {plate.number: np.mean(plate.scale_xy) for plate in demo_scene().plates}
    off = np.array([np.mean(kit.plates[n].printed_scale_xy) - true[n] for n in true])
    own = np.array([kit.plates[n].u_printed_scale for n in true])
    assert np.abs((off - off.mean()) / own).max() < 4
    assert np.abs(off / np.hypot(own, kit.u_ruler_scale)).max() < 4
    # The rear wheels' plates are in two photos each: little is learnt of them, and that is said.
    assert {n for n in true if kit.plates[n].u_printed_scale > before.plates[n].u_printed_scale} == {2, 3}
    assert kit.fixtures[0].name == "front" and len(kit.clamps) == 4
    told = capsys.readouterr().out
    assert "u_ruler_scale is now" in told and "Plate 2, 3: the photos tell less of it" in told


def test_one_plate_of_the_demos_fixture_stands_for_the_target(tmp_path):
    """Plate 11 in the target's place: the entry's plate 10 lies from it as it truly does."""
    out = tmp_path / "kit.json"
    command = ["teach", "fixture", str(DEMO), "--kit", str(DEMO / "kit.json"), "--name", "front",
               "--target-plate", "11", "--offset", "0", "0", "0", "--out", str(out)]  # fmt: skip
    assert run(command) == 0
    (fixture,) = read_kit(out)[0].fixtures
    true = {plate.number: plate.T_world_plate for plate in demo_scene().plates}
    T_10_11 = geometry.invert(true[10]) @ true[11]
    target = geometry.invert(fixture.mounts[0].T_fixture_plate) @ fixture.targets[0].T_fixture_target
    off = geometry.log(geometry.invert(T_10_11) @ target @ geometry.transform(R_TARGET_PLATE, np.zeros(3)))
    # Far inside the 0.5 mm and 0.1 degrees that the entry says of a plate laid by hand: none was.
    assert np.abs(off[:3]).max() < 0.5 and np.degrees(np.abs(off[3:])).max() < 0.1
    assert fixture.targets[0].u_position_mm > 0.5


def test_too_few_photos_write_nothing(tmp_path, capsys):
    folder = tmp_path / "photos"
    folder.mkdir()
    (folder / "p01.jpg").write_bytes((DEMO / "p01.jpg").read_bytes())
    out = tmp_path / "new.json"
    kit = ["--kit", str(DEMO / "kit.json"), "--out", str(out)]
    assert run(["teach", "sheets", str(folder), *kit]) == 3
    assert run(["teach", "fixture", str(folder), *kit, "--name", "front", "--target-plate", "20"]) == 3
    assert "do not suffice" in capsys.readouterr().err and not out.exists()


@pytest.mark.parametrize(
    ("folder", "more", "status", "says"),
    [
        ("nowhere", ["--name", "front", "--target-plate", "20"], WRONG_FILE, "nowhere is no folder"),
        (str(DEMO), ["--name", "front", "--target-plate", "99"], WRONG_FILE, "Plate 99 is not in the kit"),
        (str(DEMO), ["--name", "front"], WRONG_WORDS, "--target-plate"),
        (str(DEMO), ["--name", "front", "--target-plate", "20", "--u-turn", "0"], WRONG_WORDS, "--u-turn"),
    ],
)
def test_wrong_words_are_named(tmp_path, capsys, folder, more, status, says):
    out = ["--kit", str(DEMO / "kit.json"), "--out", str(tmp_path / "new.json")]
    assert run(["teach", "fixture", folder, *out, *more]) == status
    assert says in capsys.readouterr().err


def test_an_output_that_cannot_be_written_is_refused_before_the_work(tmp_path, capsys):
    words = ["teach", "sheets", str(DEMO), "--kit", str(DEMO / "kit.json"), "--out", str(tmp_path)]
    assert run(words) == WRONG_WORDS
    assert "cannot be written" in capsys.readouterr().err


# --- rendered for it -----------------------------------------------------------------------


@pytest.mark.study
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_rendered_photos_teach_the_fixture_as_it_is(tmp_path, seed):
    rng = np.random.default_rng(seed)
    scene = make_scene(rng, n_photos=2, drawn=replace(Care(), u_mount_mm=10.0, u_mount_deg=3.0))
    for photo in with_stand_in(rng, scene, 20, 8).photos:
        pixels = render_photo(rng, photo, (), Look())
        (tmp_path / photo.name).write_bytes(encode_photo(pixels, photo.exif))
    kit, out = tmp_path / "kit.json", tmp_path / "new.json"
    write_json_atomically(kit, json.loads(json.dumps(kit_file(scene.kit))))
    command = ["teach", "fixture", str(tmp_path), "--kit", str(kit), "--name", "front",
               "--target-plate", "20", "--out", str(out)]  # fmt: skip
    assert run(command) == 0
    (fixture,) = read_kit(out)[0].fixtures
    # The frame is the entry's own; plates against each other, and the target against them, are not.
    errors = fixture_errors(fixture, scene).reshape(-1, 2, 3)
    T = [*(m.T_fixture_plate for m in fixture.mounts), fixture.targets[0].T_fixture_target]
    places = np.stack([t[:3, 3] + t[:3, :3] @ e[0] for t, e in zip(T, errors, strict=True)])
    entry = np.stack([t[:3, 3] for t in T])
    for one, other in ((0, 1), (0, 2), (1, 2)):
        off = np.linalg.norm(places[one] - places[other]) - np.linalg.norm(entry[one] - entry[other])
        u = [body.u_position_mm for body in (*fixture.mounts, *fixture.targets)]
        assert abs(off) < 3.3 * np.hypot(u[one], u[other])
