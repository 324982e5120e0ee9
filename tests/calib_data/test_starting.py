"""A first kit: what is measured stands in it, what is not is left open, the rest is on the careful side."""

from dataclasses import replace

import pytest

from calib_data.convert import to_kit
from calib_data.crosschecks import kit_problems, needs_for_measuring
from calib_data.layouts import load_layouts
from calib_data.starting import Answers, starting_kit
from vision.errors import KitError

ANSWERS = Answers(
    name="van 1",
    standoffs_mm={"front_left": 121.0, "front_right": 120.0, "rear_left": 118.5, "rear_right": 120.0},
    fixture_plates_mm=[(350.0, 0.0), (-350.0, 0.0)],
    target_mm=(12.0, 0.0, -200.0),
    rulers_mm={4: 149.85},
    bar_mm=1000.0,
)


def test_the_kit_has_a_plate_for_every_place_and_nothing_is_wrong_with_it():
    file = starting_kit(ANSWERS)
    assert sorted(map(int, file.plates)) == [0, 1, 2, 3, 4, 5, 10, 11, 12, 13, 14, 30, 31]
    assert not [*kit_problems(file, load_layouts()), *needs_for_measuring(file)]
    assert file.wheels["rear_left"].standoff_mm == 118.5
    assert file.fixtures["front"].targets["board"].position_mm == [12.0, 0.0, -200.0]


def test_a_measured_ruler_gives_the_sheets_scale_and_others_stay_open():
    kit = to_kit(starting_kit(ANSWERS))
    assert kit.plates[4].printed_scale_xy == pytest.approx((0.999, 0.999))  # 149.85 / 150
    assert kit.plates[4].scale_is_measured and not kit.plates[5].scale_is_measured
    assert kit.plates[5].u_printed_scale == 0.03


def test_a_poor_rule_counts_as_such():
    assert starting_kit(replace(ANSWERS, u_ruler_scale=0.001)).u_ruler_scale == 0.001


def test_a_wheel_without_a_clamp_is_left_out():
    answers = Answers("van 1", {"rear_left": 120.0, "rear_right": 120.0}, [(0.0, 0.0)], (0.0, 0.0, 0.0))
    file = starting_kit(answers)
    assert set(file.wheels) == {"rear_left", "rear_right"}
    assert {"0", "1"}.isdisjoint(file.plates)


def test_a_figure_out_of_all_proportion_is_named():
    answers = Answers("van 1", {"rear_left": 4.7, "rear_right": 4.7}, [(0.0, 0.0)], (0.0, 0.0, 0.0))
    with pytest.raises(KitError, match="standoff_mm"):
        starting_kit(answers)
