"""Numbers for people; expected texts by hand, digits after JCGM 100, 7.2.6."""

import re
from dataclasses import asdict

import pytest

from api.figures import Figures, decimals_for
from api.pages.showing import photo_words, show
from api.pages.words import load_words
from tests.api.signed import measured, scene
from tools.make_set import kit_file

MM, INCHES, COMMA = Figures(), Figures("in"), Figures("mm", ",")


@pytest.mark.parametrize(
    ("u", "decimals"), [(0.75, 2), (0.098, 3), (1.0, 1), (3.2, 1), (12.0, 0), (250.0, 0)]
)
def test_a_value_has_as_many_decimals_as_two_digits_of_u(u, decimals):
    assert decimals_for(u) == decimals


def test_a_length_is_shown_in_millimetres_or_inches():
    assert MM.value("distance_mm", 2502.1019, 0.68) == "2502.10"
    assert INCHES.value("distance_mm", 2502.1019, 0.68) == "98.508"
    assert INCHES.with_unit("distance_mm", "98.508") == "98.508\N{NO-BREAK SPACE}in"


def test_an_angle_is_in_degrees_everywhere():
    assert INCHES.value("yaw_deg", 0.14378, 0.0378) == "0.144"
    assert INCHES.with_unit("yaw_deg", "0.144") == "0.144°"


def test_the_decimal_mark_is_the_devices_own():
    assert COMMA.value("lateral_mm", -9.68, 0.63) == "\N{MINUS SIGN}9,68"
    assert COMMA.words("Move it 9.7 mm. Then again.") == "Move it 9,7 mm. Then again."
    assert COMMA.given("lateral_mm", 0.25) == "0,25"


def test_nothing_is_shown_as_minus_zero():
    assert MM.value("lateral_mm", -0.001, 0.6) == "0.00"


def test_what_was_entered_is_shown_as_it_was_entered():
    assert MM.given("distance_mm", 2500.0) == "2500"
    assert MM.given("yaw_deg", 0.3) == "0.3"
    assert INCHES.given("distance_mm", 2500.0) == "98.425"


@pytest.mark.parametrize(
    ("told", "shown"),
    [
        ("The wheelbase measures 2740 mm but 2712 mm is declared (+28 mm, 3 u).",
         "The wheelbase measures 107.87~in but 106.77~in is declared (+1.10~in, 3 u)."),
        ("The board is -0.8 mm off.", "The board is −0.031~in off."),
        ("26 mm equivalent", "26 mm equivalent"),
        ("a length off by 2 mm in each metre", "a length off by 2 mm in each metre"),
    ],
)  # fmt: skip
def test_a_sentence_of_the_core_is_shown_in_inches(told, shown):
    assert INCHES.words(told) == shown.replace("~", "\N{NO-BREAK SPACE}")
    assert MM.words(told) == told.replace(" -", " −")


def test_only_the_sign_of_a_number_becomes_a_minus():
    told = "Plates 10-15, 2026-11-26, IMG-2.jpg: from -0.3 to (-1.5) mm."
    assert MM.words(told) == "Plates 10-15, 2026-11-26, IMG-2.jpg: from −0.3 to (−1.5) mm."


def test_who_chose_inches_reads_no_millimetres_in_a_result():
    """All that the page of a result is filled with, its failed tests and photos too."""
    _, result = measured(15.0, 1)
    failed = {
        "name": "wheelbase",
        "ok": False,
        "says": "The wheelbase measures 2740 mm but 2712 mm is declared.",
    }
    told = result | {"tests": [*result["tests"], failed]}
    shown = show(told, kit_file(scene().kit), load_words(), INCHES)
    photos = [says for photo in told["photos"] for says in photo_words(photo, load_words(), INCHES)]
    # One sentence tells a gain, not a length.
    text = f"{asdict(shown)} {photos}".replace("2 mm in each metre", "")
    assert "107.87" in text and not re.search(r"\bmm\b", text)
