"""Each wrong file is answered by the right error, which names file and key and says what to do."""

import json
import random
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calib_data.convert import to_kit, to_profile
from calib_data.crosschecks import kit_problems
from calib_data.formats import KitFile
from calib_data.layouts import load_layouts
from calib_data.photoset import read_camera_profile, read_kit, read_photo_set
from calib_data.reading import check, parse_json, raise_problems
from vision.errors import InputFileError, KitError, PlacementError, SetError

ERRORS = {"set.json": SetError, "kit.json": KitError, "placement.json": PlacementError}
DROP = object()

# Place, what is put there, a word of the advice, and the key that is named where that is another one.
WRONG: dict[str, list[tuple[Any, ...]]] = {
    "kit.json": [
        ("format", DROP, "kit file"),
        ("format", "plumbsight.kit/2", "update"),
        ("format", "plumbsight.set/1", "right file"),
        ("format", 1, "right file"),
        ("name", 7, "text in quotes"),
        ("name", "van\u001b[2J", "one line"),
        ("u_ruler_scale", DROP, "steel rule"),
        ("u_ruler_scale", 0, "above 0"),
        ("u_ruler_scale", 0.3, "0.003"),
        ("plates", {}, "ring13"),
        ("plates", [], "object"),
        ("plates.07", {"layout": "ring13"}, "leading zero", '"07"'),
        ("plates.four", {"layout": "ring13"}, "plate number", '"four"'),
        ("plates.4", "ring13", "object"),
        ("plates.4.layout", DROP, "ring13"),
        ("plates.4.layout", "ring14", "no known layout"),
        ("plates.4.layout", "cross2x2", "60 to 119"),
        ("plates.900", {"layout": "ring13"}, "off the sheet", "plates.900.layout"),
        ("plates.4.printed_scale", 97, "Measure the ruler"),
        ("plates.4.printed_scale", "1.0004", "without quotes"),
        ("plates.4.printed_scale", "1,0004", "decimal point"),
        ("plates.4.printed_scale", True, "number"),
        ("plates.4.printed_scale", [1, 1], "number"),
        ("plates.4.printed_scale", DROP, "both"),
        ("plates.4.u_printed_scale", DROP, "0.0005"),
        ("plates.4.u_printed_scale", 0, "above 0"),
        ("plates.4.u_printed_scale", -0.001, "above 0"),
        ("plates.60.printed_scale_xy", [1.0], "both edges"),
        ("plates.60.printed_scale_xy", [1.02, 1.02], "Measure again", "plates.60.printed_scale"),
        ("plates.60.printed_scale_xy", [1, 99], "0.99", "plates.60.printed_scale_xy[1]"),
        ("plates.4.u_bow_mm", 0.0, "above 0"),
        ("plates.4.u_scale_difference", 0, "above 0"),
        ("plates.4.thickness_mm", -3, "Measure"),
        ("plates.10.thickness_mm", DROP, "floor[0]"),
        ("wheels.front_lef", {}, "front_left", '"front_lef"'),
        ("wheels.rear_left", DROP, "each rear wheel", "wheels"),
        ("wheels.front_left.plate", DROP, "off the sheet"),
        ("wheels.front_left.plate", 0.5, "whole number"),
        ("wheels.front_left.plate", -1, "off the sheet"),
        ("wheels.front_left.plate", 6, "Correct the number"),
        ("wheels.front_left.plate", 1, "one place", "wheels.front_right.plate"),
        ("wheels.front_left.standoff_mm", DROP, "Measure"),
        ("wheels.front_left.standoff_mm", 0, "10 mm to 1000 mm"),
        ("wheels.front_left.standoff_mm", -120, "10 mm to 1000 mm"),
        ("wheels.front_left.standoff_mm", 0.12, "120 mm if these are metres"),
        ("wheels.front_left.standoff_mm", 4.7, "119.38 mm if these are inches"),
        ("wheels.front_left.standoff_mm", None, "number"),
        ("wheels.front_left.u_standoff_mm", 0, "above 0"),
        ("wheels.front_left.u_tilt_deg", 9, "minutes"),
        ("wheels.front_left.u_tilt_deg", 0, "above 0"),
        ("wheels.rear_left.tilt_deg", [10.8, 0], "minutes", "wheels.rear_left.tilt_deg[0]"),
        ("wheels.rear_left.eccentricity_mm", 0.4, "two numbers"),
        ("wheels.rear_left.measured_on", "28.2.2026", "2026-03-14"),
        ("fixtures.front.plates", [], "one at least"),
        ("fixtures.front.targets", {}, "one at least"),
        ("fixtures.front.plates[0].plate", 0, "wheels.front_left"),
        ("fixtures.front.plates[1].position_mm", [0, 350, 12.5], "1"),
        ("fixtures.front.plates[0].position_mm", [0, 350], "three"),
        ("fixtures.front.plates[0].position_mm", [0, 1000000000.0, 0], "three numbers", "position_mm[1]"),
        ("fixtures.front.plates[0].rotation_deg", DROP, "degrees"),
        ("fixtures.front.plates[0].u_rotation_deg", 0, "above 0"),
        ("fixtures.front.targets.board.position_mm", "12", "list"),
        ("fixtures.front.targets.board.label.plate", 77, "add"),
        ("fixtures.front.targets.board.label.plate", 4, "fixtures.front.plates.0"),
        ("fixtures.front.targets.board.label.position_mm", [0, 0], "three"),
        ("levels[0].up", "x", "hangs free"),
        ("levels[0].plate", 4, "fixtures.front.plates.0"),
        ("levels[0].u_deg", 0, "above 0"),
        ("floor[0].plate", 77, "add"),
        ("floor[0].plate", 11, "floor.0", "floor[1].plate"),
        ("floor[0].u_flatness_mm", 0, "above 0"),
        ("floor", {"plate": 10}, "list"),
        ("scale_bars[0].plates", [30, 30], "two plates"),
        ("scale_bars[0].plates", [30], "two plate numbers"),
        ("scale_bars[0].plates", [30, 99], "add"),
        ("scale_bars[0].length_mm", 1, "1000 mm if these are metres"),
        ("scale_bars[0].u_length_mm", 0, "above 0"),
        ("datum_plates.rear_axle", {"plate": 31, "offset_mm": [0, 0, 0], "u_mm": 1}, "another name"),
        ("datum_plates.bumper_centre.plate", 41, "add"),
    ],
    "placement.json": [
        ("format", "plumbsight.placement/9", "update"),
        ("name", DROP, "front camera board"),
        ("name", "  ", "visible"),
        ("fixture", "rear", '"front"'),
        ("target", "bord", '"board"'),
        ("reference_line", "centerline", "thrust_line"),
        ("reference_line", DROP, "centreline"),
        ("datum", "bumper", '"bumper_centre"'),
        ("values.distance", {"nominal": 1, "minus": 1, "plus": 1}, "distance_mm", '"distance"'),
        ("values.distance_mm", 1500, "object"),
        ("values.distance_mm.nominal", DROP, "unit"),
        ("values.distance_mm.minus", -5, "without a sign"),
        ("values.distance_mm.plus", 0, "above 0"),
        ("values.distance_mm.nominal", 10000000.0, "unit"),
        ("values.yaw_deg.minus", 60, "minutes of arc, enter 1"),
        ("values.yaw_deg.nominal", 400, "full turn"),
    ],
    "set.json": [
        ("format", DROP, "set file"),
        ("title", 3, "text"),
        ("taken", "2026-02-30", "day of the calendar"),
        ("taken", 20260314, "text"),
        ("kit", DROP, "kit.json"),
        ("kit", 5, "kit.json"),
        ("kit", "/somewhere/kit.json", "relative"),
        ("placements", ["placement.json"], "Keep one", "placement"),
        ("vehicle", "estate", "object"),
        ("vehicle.wheelbase_mm", 2.712, "2712 mm if these are metres"),
        ("vehicle.wheelbase_mm", 106.8, "2712.7 mm if these are inches"),
        ("vehicle.u_wheelbase_mm", 0, "above 0"),
        ("vehicle.track_front_mm", 15600, "e.g. 1560"),
        ("vehicle.wheel_radius_rear_mm", 31.5, "315 mm if these are centimetres"),
        ("photos", [], "leave it out"),
        ("photos", "p01.jpg", "list"),
        ("photos[1]", "p03.jpg", "Copy it there"),
        ("photos[1]", "P1.JPG", '"p01.jpg": is it that one'),
        ("photos[1]", "p02.jpg", "Remove one"),
        ("photos[1]", "./p02.jpg", "Remove one"),
        ("photos[1]", "../p01.jpg", "leaves the set's folder"),
        ("photos[1]", "/p01.jpg", "leaves the set's folder"),
        ("photos[1]", "a\\p01.jpg", '"/" between'),
        ("photos[1]", "C:/p01.jpg", "leaves the set's folder"),
        ("photos[1]", "ä" * 190 + ".jpg", "Copy it there"),
        ("photos[1]", "p01.jpg/p.jpg", "Copy it there"),
        ("placements", [3], "path in quotes", "placements[0]"),
        ("kit", "", "path in quotes"),
        ("kit", "kit\u0000.json", "path in quotes"),
        ("kit", "C:\\kit.json", "relative"),
        ("photos[1]", "kit.json", "no photo"),
        ("photos[1]", 4, "text"),
    ],
}  # fmt: skip
ROWS = [(file, *row) for file, rows in WRONG.items() for row in rows]


def spoil(value: Any, place: str, new: Any) -> None:
    """Put `new` at a place such as `floor[0].plate`, or take away what is there."""
    *way, last = [int(key) if index else key for index, key in re.findall(r"(\[)?([^.\[\]]+)", place)]
    for key in way:
        value = value[key]
    if new is DROP:
        del value[last]
    else:
        value[last] = new


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row[0]}-{row[1]}")
def test_a_wrong_entry_is_named_with_advice(row, write_set, request):
    file, place, new, advice, key = (*row, row[1])[:5]
    spoil(request.getfixturevalue(file.replace("set.json", "set_json").removesuffix(".json")), place, new)
    with pytest.raises(InputFileError) as raised:
        read_photo_set(write_set())
    message = str(raised.value)
    assert type(raised.value) is ERRORS[file]
    assert key in message and advice in message
    for line in message.splitlines():
        assert line.startswith(f"{file}: ") and line.isprintable()


# What a file's bytes can be that is no description at all, and a word of the advice.
UNREADABLE: list[tuple[bytes, str]] = [
    (b"", "empty"),
    (b"  \n", "empty"),
    (b"{", "line 1, column 2"),
    (b'{"format": "plumbsight.kit/1",}', "comma"),
    (b'{"u_ruler_scale": 0,0003}', "decimals take a point"),
    (b"{'format': 1}", "quote"),
    (b'{"a": 1, "a": 2}', "twice"),
    (b'{"plates": {"4": {}, "4": {}}}', "twice"),
    (b'{"a": NaN}', "NaN"),
    (b'{"a": -Infinity}', "Infinity"),
    (b'{"a": 1e999}', "exponent"),
    (b'{"a": ' + b"9" * 5000 + b"}", "too large"),
    (b'{"a": "\\ud800"}', "half a character"),
    (b"[" * 100_000, "nested"),
    (b'{"a": ' + b"[" * 900 + b"]" * 900 + b"}", "nested"),
    ("{}".encode("utf-16"), "UTF-8"),
    (b"\xff\xd8\xff\xe0 a photo", "UTF-8"),
    (b"[]", "object"),
    (b"null", "object"),
    (b'"kit"', "object"),
    (b" " * 9_000_000, "right file"),
]


@pytest.mark.parametrize("file", ERRORS)
@pytest.mark.parametrize(("data", "advice"), UNREADABLE, ids=range(len(UNREADABLE)))
def test_what_is_no_description_is_named_with_advice(file, data, advice, write_set):
    folder = write_set()
    (folder / file).write_bytes(data)
    with pytest.raises(InputFileError) as raised:
        read_photo_set(folder)
    assert type(raised.value) is ERRORS[file]
    assert str(raised.value).startswith(file) and advice in str(raised.value)


@pytest.mark.parametrize("file", ["kit.json", "placement.json"])
def test_a_missing_or_unreadable_file_is_named(file, write_set):
    folder = write_set()
    (folder / file).unlink()
    with pytest.raises(ERRORS[file], match=f"^{file} is not there. Put the file in its place"):
        read_photo_set(folder)
    (folder / file).mkdir()
    with pytest.raises(ERRORS[file], match=f"^{file} is no file"):
        read_photo_set(folder)


def test_a_wrong_part_of_set_json_is_named_by_its_whole_way(set_json, kit, placement, write_set):
    kit["wheels"]["front_left"]["standoff_mm"] = "x"
    set_json["kit"] = kit
    with pytest.raises(KitError, match=r"^set.json: kit.wheels.front_left.standoff_mm is"):
        read_photo_set(write_set())
    kit["wheels"]["front_left"]["standoff_mm"] = 120
    del set_json["placement"]
    set_json["placements"] = ["placement.json", placement | {"name": "second", "target": "mat"}]
    with pytest.raises(PlacementError, match=r"^set.json: placements\[1\].target is \"mat\""):
        read_photo_set(write_set())


def test_two_placements_of_one_name_are_refused(set_json, write_set):
    del set_json["placement"]
    set_json["placements"] = ["placement.json", "placement.json"]
    with pytest.raises(PlacementError, match="its own name"):
        read_photo_set(write_set())


def test_every_problem_of_a_file_is_told_at_once_but_not_by_the_dozen(kit, write_set):
    kit["wheels"]["front_left"]["standoff_mm"] = "x"
    kit["floor"][0]["u_flatness_mm"] = 0
    with pytest.raises(KitError) as raised:
        read_photo_set(write_set())
    assert len(str(raised.value).splitlines()) == 2
    kit["plates"] = {str(n): {} for n in range(50)}
    with pytest.raises(KitError, match="46 more") as raised:  # 50 layouts and 2 others, 6 told
        read_photo_set(write_set())
    assert len(str(raised.value).splitlines()) == 7


def _broken_at_random(kit: Any, rng: random.Random) -> None:
    """Change one place of a kit, at any depth, into something else."""
    places = []

    def walk(value: Any) -> None:
        for key in value if isinstance(value, dict) else range(len(value)):
            places.append((value, key))
            if isinstance(value[key], dict | list):
                walk(value[key])

    walk(kit)
    inside, key = rng.choice(places)
    odd = [
        None,
        True,
        "",
        "x",
        "\u0000",
        "12",
        -1,
        0,
        1,
        3.5,
        1e308,
        -1e-308,
        10**25,
        [],
        {},
        [1, 2, 3],
        {"a": [{}]},
    ]
    what = rng.randrange(4)
    if what == 0:
        inside[key] = rng.choice(odd)
    elif what == 1 and isinstance(inside[key], int | float):
        inside[key] *= rng.choice([-1, 0, 0.001, 25.4, 1000, 1e200])
    elif what == 2 and isinstance(inside, dict):
        inside[rng.choice(["", "plate", "07", "\u001b", "0", "é", "u_bow_mm", key + "x"])] = inside.pop(key)
    else:
        other_inside, other_key = rng.choice(places)
        inside[key] = json.loads(json.dumps(other_inside[other_key]))  # as from another place


def test_random_mistakes_are_accepted_or_named_never_a_traceback(kit):
    rng = random.Random(20260314)
    text = json.dumps(kit)
    n_refused = 0
    for _ in range(3000):
        spoiled = json.loads(text)
        for _ in range(rng.randrange(1, 4)):
            _broken_at_random(spoiled, rng)
        try:
            value = parse_json(json.dumps(spoiled).encode(), "kit.json", KitError)
            file, _ = check(KitFile, value, "kit.json", KitError)
            raise_problems(kit_problems(file, load_layouts()), "kit.json", KitError)
            to_kit(file)
        except KitError as error:
            n_refused += 1
            assert all(line.startswith("kit.json") and line.isprintable() for line in str(error).splitlines())
    assert 1000 < n_refused < 3000  # the mistakes are neither all harmless nor all fatal


def test_random_bytes_in_a_kit_are_accepted_or_named(kit, tmp_path):
    rng = random.Random(14032026)
    data = json.dumps(kit).encode()
    path = tmp_path / "kit.json"
    for _ in range(500):
        spoiled = bytearray(data)
        for _ in range(rng.randrange(1, 4)):
            spoiled[rng.randrange(len(spoiled))] = rng.randrange(256)
        path.write_bytes(spoiled[: rng.choice([len(spoiled), rng.randrange(len(spoiled))])])
        try:
            read_kit(path)
        except KitError as error:
            assert str(error).startswith(str(path))


def _profile() -> dict[str, Any]:
    u = [2.0, 1.0, 1.0, 1e-3, 1e-3, 1e-4, 1e-4, 1e-3]
    return {
        "format": "plumbsight.camera/1",
        "label": "phone 2, main lens",
        "applies_to": {"make": "Invented", "model": "P2", "focal_35mm": 26},
        "size_px": [4032, 3024],
        "f_px": 2931.2,
        "cx_px": 2015.5,
        "cy_px": 1511.5,
        "k1": 0.03,
        "covariance": [[u[i] ** 2 if i == j else 0.0 for j in range(8)] for i in range(8)],
        "n_photos": 12,
        "made_from": ["0" * 64],
    }


def test_a_camera_profile_reads_back(tmp_path):
    path = tmp_path / "camera.json"
    path.write_text(json.dumps(_profile() | {"remark": "kept"}))
    profile, warnings = read_camera_profile(path)
    assert (profile.f_px, profile.k1, profile.k2) == (2931.2, 0.03, 0.0)
    assert len(warnings) == 1 and "remark" in warnings[0]
    prior = to_profile(profile)
    assert prior.exif.model == "P2" and prior.exif.lens_model is None and prior.size_px == (4032, 3024)
    np.testing.assert_array_equal(prior.mean, [2931.2, 2015.5, 1511.5, 0.03, 0, 0, 0, 0, 0])
    assert prior.covariance.shape == (9, 9) and prior.covariance[0, 0] == 4.0
    assert np.all(np.linalg.eigvalsh(prior.covariance) > 0)


@pytest.mark.parametrize(
    ("place", "new"),
    [
        ("covariance[0][1]", 0.5),  # not symmetric
        ("covariance[0][0]", -4.0),
        ("covariance[0]", [0.0] * 7),
        ("covariance", []),
        ("f_px", 29.3),
        ("cx_px", 5000.0),
        ("size_px", [4032]),
        ("made_from[0]", "p01.jpg"),
        ("n_photos", 0),
        ("applies_to", DROP),
        ("applies_to", {"focal_35mm": 26}),
    ],
)
def test_a_wrong_camera_profile_is_named_with_advice(place, new, tmp_path: Path):
    profile = _profile()
    spoil(profile, place, new)
    path = tmp_path / "camera.json"
    path.write_text(json.dumps(profile))
    with pytest.raises(InputFileError) as raised:
        read_camera_profile(path)
    assert place.split("[")[0] in str(raised.value)
