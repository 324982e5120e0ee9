"""The drawings of a result and of what was found in a photo. Vehicle, shop and numbers are invented."""

import copy
import xml.etree.ElementTree as ElementTree
from itertools import combinations

import cv2
import numpy as np
import pytest
from matplotlib.colors import to_rgb

from calib_data.drawings import BAR_STYLES, SECOND_CHECK, draw_findings, draw_views, save_views
from vision.detect import Detection


def pose(position_mm, columns):
    T = np.eye(4)
    T[:3, :3] = np.transpose(columns)
    T[:3, 3] = position_mm
    return T.tolist()


X, Y, Z = np.eye(3)


def values():
    return {
        "distance_mm": {"value": 1502.1, "u": 1.4, "interval95": [1499.4, 1504.8], "nominal": 1500,
                        "minus": 5, "plus": 5, "decision": "conforming", "p_conform": 0.98},
        "lateral_mm": {"value": 2.6, "u": 0.81, "interval95": [1.0, 4.2], "nominal": 0, "minus": 3, "plus": 3,
                       "decision": "undecided", "p_conform": 0.69},
        "height_mm": {"value": 1209.8, "u": 0.53, "interval95": [1208.8, 1210.8], "nominal": 1200, "minus": 5,
                      "plus": 5, "decision": "nonconforming", "p_conform": 0.0},
        "yaw_deg": {"value": 0.12, "u": 0.043, "interval95": [0.036, 0.204], "nominal": 0, "minus": 0.3,
                    "plus": 0.3, "decision": "conforming", "p_conform": 1.0},
        "pitch_deg": {"value": -0.31, "u": 0.05, "interval95": [-0.41, -0.21]},
        "roll_deg": {"value": None, "says": "only one fixture plate was seen; photograph the lower one too"},
    }  # fmt: skip


def example_result():
    wheels, plates, number = {}, {}, 0
    for end, x in (("front", 0.0), ("rear", -2712.0)):
        for side, y in (("left", 1.0), ("right", -1.0)):
            origin = [x, y * 900.0, 315.0]
            wheels[f"{end}_{side}"] = {"centre_mm": [x, y * 780.0, 315.0], "plate_origin_mm": origin}
            T_vehicle_plate = pose(origin, (-y * X, Z, y * Y))
            plates[str(number)] = {
                "role": f"wheel {end} {side}",
                "half_mm": 94.25,
                "T_vehicle_plate": T_vehicle_plate,
            }
            number += 1
    for number, position in ((4, (1490, 350, 1000)), (5, (1490, -350, 1000)), (6, (1490, 0, 600))):
        plates[str(number)] = {
            "role": "fixture front",
            "half_mm": 94.25,
            "T_vehicle_plate": pose(position, (-Y, Z, -X)),
        }
    floor = {10: (400, 1100, 3), 11: (400, -1100, 3), 12: (-1800, 1250, 3), 13: (1300, 0, 3)}
    for number, position in floor.items():
        plates[str(number)] = {
            "role": "floor",
            "half_mm": 94.25,
            "T_vehicle_plate": pose(position, (-Y, X, Z)),
        }
    cameras = []
    stations = [(1400, 2300), (600, 2500), (-600, 2600), (-1800, 2500), (-2900, 2200), (-3400, 900),
                (-3400, -900), (-2700, -2300), (-1300, -2500), (0, -2500), (900, -2300),
                (-300, 1900)]  # fmt: skip
    for k, (x, y) in enumerate(stations):
        aim = np.array([-700.0 - x, -y, -900.0])
        axis = (aim / np.linalg.norm(aim)).tolist()
        position = [x, y, 1350 + 60 * (k % 4)]
        cameras.append({"file": f"p{k + 1:02d}.jpg", "position_mm": position, "axis": axis})
    return {
        "format": "plumbsight.result/1",
        "decision": "nonconforming",
        "placements": [{
            "name": "front camera board, family A", "fixture": "front", "target": "board",
            "decision": "nonconforming", "values": values(),
            "advice": ["Lower the target by 9.8 mm.",
                       "Lateral is undecided: measure the standoff of the left front clamp to 0.2 mm, or "
                       "take one more photo from the right of the target at knee height."],
        }],
        "tests": [{"name": "rigidity of fixture front", "ok": True, "statistic": 0.8, "limit": 2.1,
                   "says": "did not move"},
                  {"name": "scale confirmed", "ok": False, "statistic": 0.0, "limit": 0.0,
                   "says": "no wheelbase and no scale bar is declared; enter one of them"}],
        "geometry": {
            "wheels": wheels, "plates": plates, "cameras": cameras, "datum_mm": [0, 0, 0],
            "reference_line": "centreline",
            "targets": [{"fixture": "front", "target": "board",
                         "T_vehicle_target": pose((1502.1, 2.6, 1209.8), (X, Y, Z))}],
        },
    }  # fmt: skip


def hard_result():
    """Two targets, one behind; one height missing, a wrong datum, a wheel without a clamp, much to say."""
    result = example_result()
    front = result["placements"][0]
    front["values"]["height_mm"] = {"value": None, "says": "two floor plates were seen; lay a third one and "
                                    "photograph it, not in a row with the others"}  # fmt: skip
    front["values"]["distance_mm"].update(value=2420.3, interval95=[2417.5, 2423.1], decision="nonconforming")
    rear = copy.deepcopy(front)
    rear["values"]["height_mm"] = dict(values()["height_mm"], value=1100.0, interval95=[1099.0, 1101.0])
    rear.update(name="rear board", fixture="rear")
    rear["values"]["distance_mm"].update(
        value=-4712.0, interval95=[-4714.7, -4709.3], nominal=-4700, minus=0, plus=20
    )
    result["placements"].append(rear)
    del result["geometry"]["wheels"]["front_right"]
    result["geometry"]["targets"].append(
        {"fixture": "rear", "target": "board", "T_vehicle_target": pose((-4712, 40, 1100), (-X, -Y, Z))}
    )
    return result


RESULTS = pytest.mark.parametrize("result", [example_result(), hard_result()], ids=["plain", "hard"])


@RESULTS
def test_both_views_have_one_scale_along_all_axes(result):
    plan, side = draw_views(result).axes[:2]
    scales = [np.diff(ax.transData.transform([(0, 0), (1000, 1000)]), axis=0) for ax in (plan, side)]
    np.testing.assert_allclose(np.ravel(scales), scales[0][0, 0], rtol=1e-6)


@RESULTS
def test_nothing_is_cut_off_and_no_line_of_words_covers_another(result):
    figure = draw_views(result)
    renderer = figure.canvas.get_renderer()
    page = figure.bbox
    boxes = [text.get_window_extent(renderer) for text in figure.texts if text.get_text()]
    for box in boxes:
        assert contains(page, box)
    for ax in figure.axes[:2]:
        for text in ax.texts:
            assert not text.get_text() or contains(ax.bbox, text.get_window_extent(renderer)), text.get_text()
    strips = [ax.get_tightbbox(renderer) for ax in figure.axes[2:]]
    blocks = boxes + strips
    assert not [pair for pair in combinations(blocks, 2) if overlap_px(*pair) > 1.5]


def contains(outer, box):
    return outer.x0 <= box.x0 and box.x1 <= outer.x1 and outer.y0 <= box.y0 and box.y1 <= outer.y1


def overlap_px(a, b):
    return min(min(a.x1, b.x1) - max(a.x0, b.x0), min(a.y1, b.y1) - max(a.y0, b.y0))


def test_plan_has_the_vehicles_left_on_top_and_forward_to_the_right():
    plan, side = draw_views(example_result()).axes[:2]
    bars = [line.get_xydata() for line in plan.lines if line.get_linewidth() == 4]
    assert sorted(bar.mean(axis=0).tolist() for bar in bars) == [
        [-2712.0, -780.0], [-2712.0, 780.0], [0.0, -780.0], [0.0, 780.0]]  # fmt: skip
    assert plan.get_xlim()[0] < plan.get_xlim()[1]
    assert plan.get_ylim()[0] < plan.get_ylim()[1]
    assert side.get_ylim()[0] < side.get_ylim()[1]
    words = {text.get_text(): text.get_position() for text in plan.texts}
    np.testing.assert_allclose(words["front left"], (0.0, 780.0), atol=200.0)
    assert words["front: board"][0] == pytest.approx(1502.1)


def test_target_arrow_points_the_way_it_faces():
    plan = draw_views(hard_result()).axes[0]
    arrows = [text for text in plan.texts if getattr(text, "arrow_patch", None) and not text.get_text()]
    steps = {round(text.xyann[0]): text.xy[0] - text.xyann[0] for text in arrows[:2]}
    assert steps == {1502: pytest.approx(-350.0), -4712: pytest.approx(350.0)}


def test_strip_shows_interval_and_limits_where_they_are():
    strip = draw_views(example_result()).axes[2]
    band, bar = strip.patches
    assert (band.get_x(), band.get_x() + band.get_width()) == (-5, 5)
    assert (bar.get_x(), bar.get_x() + bar.get_width()) == pytest.approx((-0.6, 4.8))
    assert [label.get_text() for label in strip.get_xticklabels()] == ["1495", "1500", "1505"]
    assert np.mean(strip.get_xlim()) == 0


def test_a_value_far_out_is_named_at_the_strips_end():
    strip = draw_views(hard_result()).axes[2]
    assert len(strip.patches) == 1  # the band alone: the interval is not on the strip
    assert "+920.3 mm, off the strip" in [text.get_text() for text in strip.texts]


@RESULTS
def test_words_say_what_the_hatching_says(result, tmp_path):
    save_views(result, tmp_path / "views.svg", tmp_path / "views.png")
    svg = (tmp_path / "views.svg").read_text(encoding="utf-8")
    for placement in result["placements"]:
        for entry in placement["values"].values():
            assert f"<!-- {entry.get('decision', 'undecided')} -->" in svg
    for words in (f"Result: {result['decision']}", SECOND_CHECK, "Consistency: not passed", "What to do",
                  "roll not measured"):  # fmt: skip
        assert f"<!-- {words}" in svg


def test_svg_is_well_formed_and_the_same_every_time(tmp_path):
    for name in ("one", "two"):
        save_views(example_result(), tmp_path / f"{name}.svg", tmp_path / f"{name}.png")
    one = (tmp_path / "one.svg").read_bytes()
    assert one == (tmp_path / "two.svg").read_bytes()
    assert ElementTree.fromstring(one).tag.endswith("svg")
    assert cv2.imread(str(tmp_path / "one.png")).shape[1] > 1500


def test_decisions_differ_without_colour():
    looks = {(round(np.mean(to_rgb(style["facecolor"])), 1), style["hatch"]) for style in BAR_STYLES.values()}
    assert len(looks) == len(BAR_STYLES) == 3
    assert len({hatch for _, hatch in looks}) == 3


def detection(plate, corner_px, step_px=20.0, **changes):
    """Saddles on a square grid of 5 x 5."""
    grid = np.stack(np.meshgrid(np.arange(5), np.arange(5)), axis=-1).reshape(-1, 2)
    fields = {
        "plate": plate, "layout": "ring13", "saddle_index": np.arange(25),
        "cov_px2": np.tile(np.eye(2), (25, 1, 1)),
        "saddles_px": np.asarray(corner_px) + step_px * grid, "u_shift_px": 0.0, "u_affine_px": 0.0,
        "tag_read": True, "tag_edge_px": 60.0, "incidence_deg": 20.0, **changes,
    }  # fmt: skip
    return Detection(**fields)


GREY_PHOTO = np.full((900, 1200), 200, np.uint8)


def black_words(drawn):
    """The boxes (x, y, width, height) of the grounds on which words stand."""
    _, _, stats, _ = cv2.connectedComponentsWithStats((drawn.max(axis=2) < 5).astype(np.uint8))
    return [row[:4].tolist() for row in stats[1:] if row[4] > 200]


def test_every_saddle_stays_visible():
    found = [detection(3, (200, 300)), detection(4, (340, 300)), detection(5, (1100, 780))]
    drawn = draw_findings(GREY_PHOTO, found)
    assert drawn.shape == (900, 1200, 3)
    for one in found:
        x, y = one.saddles_px.astype(int).T
        assert (drawn[y, x] == 200).all()
        assert (drawn[y, x + 4] != 200).any(axis=1).all()  # an arm of the cross
    assert (GREY_PHOTO == 200).all()


def test_words_stand_beside_their_plate_inside_the_photo():
    drawn = draw_findings(GREY_PHOTO, [detection(3, (200, 300)), detection(5, (1100, 780))])
    (x_left, y_left, *_), (x_right, y_right, width, _) = sorted(black_words(drawn))
    assert 280 < x_left < 340 and 250 < y_left < 320  # right of plate 3, at its top
    assert 1000 < x_right + width < 1100 and 740 < y_right < 800  # left of 5: the photo ends there


def test_what_is_said_of_a_plate_takes_more_room():
    def words_of(**changes):
        (box,) = black_words(draw_findings(GREY_PHOTO, [detection(3, (200, 300), **changes)]))
        return np.array(box[2:])

    plain, unread = words_of(), words_of(tag_read=False)
    blurred = words_of(says="blurred: hold the phone still")
    assert unread[0] > 1.5 * plain[0]
    assert blurred[1] > 1.5 * plain[1]


def test_residuals_are_drawn_from_observed_along_their_direction():
    found = detection(3, (200, 300), step_px=100.0)
    residuals = np.zeros((25, 2))
    residuals[12] = (0.2, 0.0)  # 40 px to the right at 200 times
    drawn = draw_findings(GREY_PHOTO, [found], {3: residuals})
    x, y = found.saddles_px[12].astype(int)
    assert (drawn[y, x + 10 : x + 38] != 200).any(axis=1).all()
    assert (drawn[y, x + 45 : x + 80] == 200).all()


def test_words_are_large_on_a_large_photo():
    photo = np.full((3024, 4032), 200, np.uint8)
    (box,) = black_words(draw_findings(photo, [detection(3, (1200, 1300))]))
    assert box[3] > 60  # a line of words; 12 megapixels on a 1000 px wide screen leave it 15 px


def test_nothing_required_is_said_in_words():
    result = example_result()
    result["decision"] = "none"
    assert "Result: measured, nothing required" in [text.get_text() for text in draw_views(result).texts]


def test_without_heights_no_floor_is_drawn_and_it_is_said():
    result = example_result()
    assert draw_views(result).axes[1].get_title(loc="left").endswith("same scale")
    result["placements"][0]["values"]["height_mm"] = {"value": None, "says": "no floor plate was seen"}
    side = draw_views(result).axes[1]
    assert side.get_title(loc="left").endswith("Heights are not measured")
    assert "floor" not in [text.get_text() for text in side.texts]


def test_a_result_with_little_geometry_is_still_drawn():
    result = example_result()
    result["geometry"] = {"plates": {}, "wheels": {}, "targets": [], "cameras": [], "datum_mm": None}
    assert "Result: nonconforming" in [text.get_text() for text in draw_views(result).texts]


def overlaps(ax) -> list[tuple[str, str]]:
    """Words of a view that cover each other."""
    renderer = ax.figure.canvas.get_renderer()
    boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in ax.texts if t.get_text()]
    return [(a, b) for i, (a, one) in enumerate(boxes) for b, other in boxes[:i] if one.overlaps(other)]


@pytest.mark.parametrize("apart_mm", [0.0, 15.0, 200.0])
def test_words_of_targets_near_each_other_cover_nothing(apart_mm):
    """As left and right units do, seen from the side."""
    result = hard_result()
    front = result["placements"][0]
    for n, name in enumerate(("left unit", "right unit"), start=1):
        unit = copy.deepcopy(front) | {"name": name, "fixture": name}
        unit["values"]["height_mm"] = dict(values()["height_mm"])
        place = (1502 + n * apart_mm, 300 * (-1) ** n, 1209)
        target = {"fixture": name, "target": "board", "T_vehicle_target": pose(place, (X, Y, Z))}
        result["placements"].append(unit)
        result["geometry"]["targets"].append(target)
    assert [overlaps(ax) for ax in draw_views(result).axes[:2]] == [[], []]
