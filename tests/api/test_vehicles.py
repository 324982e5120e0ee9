"""The vehicle's facts. Check digits: samples of 49 CFR 565 and of NHTSA's outline for new manufacturers."""

import re

import pytest

from api.problems import NotAcceptedError
from api.visits.vehicles import check_digit, checked
from vision.errors import SetError

VEHICLE = {"label": "estate, white", "wheelbase_mm": 2712}


@pytest.mark.parametrize(
    ("vin", "digit"),
    [
        ("1G4AH59H45G118341", "4"),  # 49 CFR 565, table V (products add to 411)
        ("1J9RP1A36A1644345", "6"),  # NHTSA, Outline for New Manufacturer Information (314)
        ("1M8GDM9AXKP042788", "X"),  # the worked example that Wikibooks prints (351)
        ("11111111111111111", "1"),  # weights add to 89 = 8 * 11 + 1
    ],
)
def test_the_check_digit_is_that_of_the_published_examples(vin, digit):
    assert check_digit(vin) == digit
    assert checked(VEHICLE, None, vin).doubts == ()


@pytest.mark.parametrize("place", [0, 3, 7, 9, 13, 16])
def test_one_figure_misread_is_always_doubted(place):
    # No weight is a multiple of 11, so a change of one value by less than 11 moves the remainder.
    vin = "11111111111111111"
    wrong = vin[:place] + "4" + vin[place + 1 :]
    (doubt,) = checked(VEHICLE, None, wrong).doubts
    assert doubt.where == ("vin",) and "ninth character would have to be" in doubt.says


def test_outside_north_america_no_check_digit_is_asked_for():
    assert checked(VEHICLE, None, "W1111111112222222").doubts == ()


def test_blanks_and_small_letters_of_a_vin_are_put_right():
    assert checked(VEHICLE, None, " 1g4ah59h 45g118341 ").vin == "1G4AH59H45G118341"


def test_an_empty_vin_is_none():
    assert checked(VEHICLE, None, "  ").vin is None


@pytest.mark.parametrize(
    ("vin", "says"),
    [
        ("1O4AH59H45G118341", "no O: it has figures"),
        ("1G4AH59H45G11834", "has 17 characters, and this has 16"),
        ("1G4AH59H45G1183411", "leave it out"),
        ("1G4AH59H45G11834ä", "has no Ä"),
    ],
)
def test_a_wrong_vin_is_refused_with_words(vin, says):
    with pytest.raises(NotAcceptedError, match=re.escape(says)) as caught:
        checked(VEHICLE, None, vin)
    assert caught.value.where == "vin"


@pytest.mark.parametrize(
    ("vehicle", "says"),
    [
        ({"label": "estate"}, "wheelbase_mm is missing. Enter millimetres, e.g. 2712"),
        ({"label": " ", "wheelbase_mm": 2712}, "label is missing"),
        ({"label": " ", "wheelbase_mm": 2712}, "never the number plate"),
        ({"label": "estate", "wheelbase_mm": 2.712}, "2712 mm if these are metres"),
        ({"label": "estate", "wheelbase_mm": 106.8}, "2712.7 mm if these are inches"),
        ({"label": "estate", "wheelbase_mm": "2712"}, "without quotes"),
        ({"label": "a\nb", "wheelbase_mm": 2712}, "one line"),
    ],
)
def test_a_wrong_vehicle_is_refused_with_words(vehicle, says):
    with pytest.raises(SetError, match=re.escape(says)):
        checked(vehicle, None, None)


@pytest.mark.parametrize("km", [-1, 3_000_001, 10**30])
def test_an_impossible_odometer_is_refused(km):
    with pytest.raises(NotAcceptedError, match="no reading of an odometer"):
        checked(VEHICLE, km, None)


@pytest.mark.parametrize("label", ["W 123 AB", "AB12 CDE", "M-XY 4711"])
def test_what_looks_like_a_number_plate_is_asked_back(label):
    (doubt,) = checked(VEHICLE | {"label": label}, None, None).doubts
    assert doubt.where == ("label",) and "looks like a number plate" in doubt.says


@pytest.mark.parametrize("label", ["estate, white", "van 2, blue", "DEMO hatchback", "bay 2 left"])
def test_ordinary_labels_are_not_doubted(label):
    assert checked(VEHICLE | {"label": label}, None, None).doubts == ()


def test_an_unusual_wheelbase_is_asked_back():
    (doubt,) = checked(VEHICLE | {"wheelbase_mm": 5200}, None, None).doubts
    assert "1800 to 4500 is usual" in doubt.says
