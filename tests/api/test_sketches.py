"""Drawings of results: to scale, in the right direction, and readable without seeing them."""

import re
import xml.etree.ElementTree as ElementTree

import pytest

from api.figures import Figures
from api.pages import asked, sketches, views
from api.pages.words import load_words
from calib_data.families import families
from calib_data.labelling import box_of

WORDS, MM = load_words(), Figures()


def _value(value, u, nominal, half, decision):
    interval = [value - 2 * u, value + 2 * u]
    required = {"nominal": nominal, "minus": half, "plus": half, "decision": decision}
    return {"value": value, "u": u, "interval95": interval, **required}


def _target(x, y, z):
    return [[1, 0, 0, x], [0, 1, 0, y], [0, 0, 1, z], [0, 0, 0, 1]]


@pytest.fixture
def result():
    """A board 2.5 m ahead, 400 mm to the left, 1.1 m high: round figures, so that places are known."""
    values = {
        "distance_mm": _value(2500.0, 1.0, 2500.0, 6.0, "conforming"),
        "lateral_mm": _value(400.0, 1.0, 0.0, 4.0, "nonconforming"),
        "height_mm": _value(1100.0, 1.0, 1100.0, 5.0, "conforming"),
    }
    placement = {
        "fixture": "front",
        "target": "board",
        "values": values,
        "covariance": {"keys": ["distance_mm", "lateral_mm"], "matrix": [[1.0, 0.0], [0.0, 4.0]]},
    }
    wheels = {
        name: {"centre_mm": [x, y, 310.0], "plate_origin_mm": [x, 1.2 * y, 310.0]}
        for name, x, y in (
            ("front_left", 0.0, 750.0),
            ("front_right", 0.0, -750.0),
            ("rear_left", -2700.0, 750.0),
            ("rear_right", -2700.0, -750.0),
        )
    }
    geometry = {
        "reference_line": "centreline",
        "datum_mm": [0.0, 0.0, 0.0],
        "wheels": wheels,
        "plates": {"0": {"role": "floor", "half_mm": 94.0, "T_vehicle_plate": _target(500.0, 900.0, 0.0)}},
        "targets": [
            {"fixture": "front", "target": "board", "T_vehicle_target": _target(2500.0, 400.0, 1100.0)}
        ],
        "cameras": [{"file": "a.jpg", "position_mm": [-3000.0, 2500.0, 1500.0], "axis": [0.8, -0.6, 0.0]}],
    }
    return {"geometry": geometry, "placements": [placement]}


def _parts(svg, kind, class_):
    tree = ElementTree.fromstring(str(svg))
    return [one for one in tree.iter(kind) if class_ in (one.get("class") or "").split()]


def _numbers(element, *names):
    return [float(element.get(name)) for name in names]


def test_forward_is_up_and_left_is_left_in_the_plan(result):
    svg = views.plan(result, WORDS, MM)
    wheels = [_numbers(line, "x1", "y1", "x2", "y2") for line in _parts(svg, "line", "wheel")]
    front_left, front_right, rear_left, _ = [((a + c) / 2, (b + d) / 2) for a, b, c, d in wheels]
    (target,) = [_numbers(line, "x1", "y1", "x2", "y2") for line in _parts(svg, "line", "target")]
    assert front_left[0] < front_right[0] and front_left[1] == pytest.approx(front_right[1], abs=0.02)
    assert front_left[1] < rear_left[1] and target[1] < front_left[1]


def test_the_plan_has_one_scale(result):
    svg = views.plan(result, WORDS, MM)
    wheels = [_numbers(line, "x1", "y1", "x2", "y2") for line in _parts(svg, "line", "wheel")]
    track = wheels[1][0] - wheels[0][0]
    wheelbase = (wheels[2][1] + wheels[2][3] - wheels[0][1] - wheels[0][3]) / 2
    (target,) = [_numbers(line, "x1", "x2") for line in _parts(svg, "line", "target")]
    (bar,) = [re.findall(r"[\d.]+", path.get("d")) for path in _parts(svg, "path", "scale")]
    metre = float(bar[4]) - float(bar[0])
    assert track / 1500 == pytest.approx(wheelbase / 2700, rel=0.01)
    assert abs(target[1] - target[0]) == pytest.approx(metre, rel=0.01)  # a target is drawn one metre wide
    assert metre / 1000 == pytest.approx(track / 1500, rel=0.01)


def test_the_side_view_shows_the_floor_only_where_a_height_was_measured(result):
    assert _parts(views.side(result, WORDS, MM), "line", "floor")
    result["placements"][0]["values"]["height_mm"] |= {"value": None, "says": "no floor plate"}
    svg = views.side(result, WORDS, MM)
    assert not _parts(svg, "line", "floor")
    assert "heights are not measured" in str(svg)


def test_a_strip_is_to_scale_and_says_the_same_in_words():
    value = _value(9.0, 0.5, 0.0, 4.0, "nonconforming")
    svg = sketches.strip("lateral_mm", value, WORDS, MM)
    (zone,), (bar,) = _parts(svg, "rect", "zone"), _parts(svg, "rect", "interval")
    (mark,) = _parts(svg, "line", "mark")
    (zone_x, zone_width), (bar_x, bar_width) = (_numbers(one, "x", "width") for one in (zone, bar))
    assert bar_width / zone_width == pytest.approx(2 / 8, rel=0.02)
    # 9 lies 5 beyond the upper limit of 4, where the zone is 8 wide.
    assert (float(mark.get("x1")) - zone_x - zone_width) / zone_width == pytest.approx(5 / 8, rel=0.02)
    assert bar_x > zone_x + zone_width
    words = ElementTree.fromstring(str(svg)).get("aria-label")
    assert words.startswith("Lateral offset 9.00 mm, between 8.00 and 10.00")
    assert words.endswith("allowed from \N{MINUS SIGN}4 to 4: Nonconforming")


def test_a_value_that_was_not_measured_has_an_empty_strip():
    required = {"nominal": 0.0, "minus": 4.0, "plus": 4.0, "decision": "undecided"}
    svg = sketches.strip("lateral_mm", {"value": None, "says": "", **required}, WORDS, MM)
    assert _parts(svg, "rect", "zone") and not _parts(svg, "rect", "interval")
    assert "not measured" in str(svg)


def test_the_close_up_has_the_joint_95_percent_ellipse(result):
    svg = sketches.closeup(result["placements"][0], WORDS, MM)
    (path,) = _parts(svg, "path", "interval")
    points = [tuple(map(float, pair)) for pair in re.findall(r"([\d.]+) ([\d.]+)", path.get("d"))]
    (zone,) = _parts(svg, "path", "zone")
    corners = [tuple(map(float, pair)) for pair in re.findall(r"([\d.]+) ([\d.]+)", zone.get("d"))]
    per_mm = (max(x for x, _ in corners) - min(x for x, _ in corners)) / 8  # the zone is 8 mm across
    across = (max(x for x, _ in points) - min(x for x, _ in points)) / per_mm
    along = (max(y for _, y in points) - min(y for _, y in points)) / per_mm
    # u is 1 along and 2 across; the ellipse reaches 2.4477 u to either side (chi-square, two degrees, 95 %).
    assert across == pytest.approx(2 * 2.4477 * 2, rel=0.02)
    assert along == pytest.approx(2 * 2.4477 * 1, rel=0.02)


def test_no_close_up_where_distance_or_offset_is_not_asked_for(result):
    del result["placements"][0]["values"]["lateral_mm"]["nominal"]
    assert sketches.closeup(result["placements"][0], WORDS, MM) is None


def test_no_drawing_has_a_style_of_its_own(result):
    drawn = [views.plan(result, WORDS, MM), views.side(result, WORDS, MM), sketches.patterns()]
    assert all("style" not in str(one) for one in drawn)


def test_a_name_in_a_drawing_is_escaped(result):
    result["geometry"]["targets"][0]["target"] = result["placements"][0]["target"] = "<script>"
    assert "<script>" not in str(views.plan(result, WORDS, MM))


# --- words that cover nothing, and what is asked before anything is measured -------------------------


def _label_boxes(svg):
    """Where the words of a drawing stand, by a letter's mean width; turned ones apart."""
    return [
        (one.text, box_of((float(one.get("x")), float(one.get("y")) - 4), (6.2 * len(one.text), 11)))
        for one in ElementTree.fromstring(str(svg)).iter("text")
        if one.get("transform") is None and one.get("text-anchor") == "middle"
    ]


def _covered(svg):
    boxes = _label_boxes(svg)
    return [
        (a, b)
        for i, (a, one) in enumerate(boxes)
        for b, other in boxes[:i]
        if one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]
    ]


@pytest.mark.parametrize("apart_mm", [0.0, 20.0, 150.0, 400.0])
def test_names_of_targets_near_each_other_do_not_cover_each_other(result, apart_mm):
    """Units left and right of the line stand at one place, seen from the side."""
    (board,) = result["placements"]
    for n, name in enumerate(("left unit", "right unit")):
        T = _target(2500.0 + n * apart_mm, 400.0 - 300.0 * n, 1100.0)
        result["geometry"]["targets"].append({"fixture": name, "target": "board", "T_vehicle_target": T})
        result["placements"].append(board | {"fixture": name})
    for drawn in (views.plan(result, WORDS, MM), views.side(result, WORDS, MM)):
        assert {"left unit", "right unit"} <= {words for words, _ in _label_boxes(drawn)}
        assert not _covered(drawn)


@pytest.mark.parametrize("family", families().values(), ids=lambda one: one.name)
def test_no_words_lie_across_a_wheel_of_what_is_asked(family):
    drawn = views.plan(asked.of_family(family), WORDS, MM)
    wheels = [_numbers(line, "x1", "y1", "x2", "y2") for line in _parts(drawn, "line", "wheel")]
    assert len(wheels) == 4
    for words, (left, top, right, low) in _label_boxes(drawn):
        for x, y1, _, y2 in wheels:
            is_across = left < x < right and top < max(y1, y2) - 2 and min(y1, y2) + 2 < low
            assert not is_across, (words, x)


def test_words_leave_the_photos_numbers_free(result):
    result["geometry"]["cameras"] = [
        {"file": "a.jpg", "position_mm": [2500.0 + 60 * n, 400.0, 1500.0], "axis": [0.8, -0.6, 0.0]}
        for n in (-6, 6)
    ]
    assert not _covered(views.plan(result, WORDS, MM))


POLAR = {
    "format": "plumbsight.placement/1", "name": "x", "fixture": "corner", "target": "unit",
    "reference_line": "centreline", "datum": "rear_axle", "facing_deg": 180.0,
    "origin": {"at": "rear_left", "offset_mm": [-100.0, 20.0], "axis_deg": 180.0},
    "values": {"range_mm": {"nominal": 1000.0}, "bearing_deg": {"nominal": -30.0}},
}  # fmt: skip


def test_what_is_asked_is_where_range_and_bearing_say():
    """From 100 mm behind and 20 mm left of the wheel, 1000 mm at 30 degrees outward of straight back."""
    (target,) = asked.of_placement(POLAR, is_mat=False)["geometry"]["targets"]
    start = [-asked.WHEELBASE_MM - 100, asked.HALF_TRACK_MM + 20]
    assert target["origin_mm"][:2] == start
    x, y = (row[3] for row in target["T_vehicle_target"][:2])
    # cos 30 degrees = 0.8660 backward, sin 30 degrees = 0.5 to the vehicle's left.
    assert (x - start[0], y - start[1]) == pytest.approx((-866.03, 500.0), abs=0.01)
    assert target["T_vehicle_target"][0][0] == pytest.approx(-1.0)  # its back to the rear


def test_a_gap_beside_a_wheel_and_a_distance_fix_a_mats_place():
    values = {
        key: {"nominal": n} for key, n in (("gap_mm", 800.0), ("distance_mm", -1300.0), ("heading_deg", 0.0))
    }
    file = POLAR | {"origin": {"at": "front_left", "axis_deg": 90.0}, "datum": "front_axle", "values": values}
    meant = asked.of_placement(file | {"facing_deg": 90.0}, is_mat=True)
    T = meant["geometry"]["targets"][0]["T_vehicle_target"]
    assert [T[0][3], T[1][3], T[2][3]] == pytest.approx([-1300.0, asked.HALF_TRACK_MM + 800.0, 0.0])
    assert [row[2] for row in T[:3]] == pytest.approx([0.0, 1.0, 0.0])  # the mark points to the left
    drawn = str(views.plan(meant, WORDS, MM))
    assert "Gap 800\xa0mm" in drawn and "Heading 0°" in drawn and "Distance −1300\xa0mm" in drawn


@pytest.mark.parametrize("family", families().values(), ids=lambda one: one.name)
def test_each_family_has_a_drawing_that_names_what_is_asked_without_a_figure(family):
    example = asked.of_family(family)
    words = [one for one, _ in _label_boxes(views.plan(example, WORDS, MM))]
    words += [one for one, _ in _label_boxes(views.side(example, WORDS, MM))]
    for key, name in (
        ("range_mm", "Range"),
        ("bearing_deg", "Bearing"),
        ("gap_mm", "Gap"),
        ("heading_deg", "Heading"),
    ):
        assert (name in words) == (key in family.template["values"])
    assert not any(sign.isdigit() for one in words for sign in one)
    assert not _covered(views.plan(example, WORDS, MM))
