"""Proofs: what passes, what is flagged, what proves nothing; the bar's length by perfect data."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest

from calib_data.layouts import load_layouts
from tools.photo_round import Phone
from tools.plates_alone import bar_about, photographed, places_round, prints_of, sheets_about
from tools.scene import Care
from tools.simulate import observe_scene
from vision.errors import KitError, NotEnoughError
from vision.kit import ScaleBar
from vision.proof import measured_length, proved_bar, proved_slide

LAYOUTS = {layout.name: layout for layout in load_layouts()}
STEADY = Phone(u_focal_change=0, u_centre_shift_px=0, u_twist_mm=0, u_twist_rad=0)
BAR = (30, 31)


def photos_of_a_bar(factor=1.0, length_mm=1000.0):
    """Exact photos of four sheets and a bar; all sheets printed by a factor larger than the kit says."""
    rng = np.random.default_rng(1)
    prints = prints_of(rng, Care(), exact=True)
    plates = [*sheets_about(prints, range(4)), *bar_about(prints, BAR, length_mm, (0, -600, 25))]
    plates = [(replace(true, scale_xy=(factor, factor)), declared) for true, declared in plates]
    scene = photographed(rng, plates, places_round(rng, 6), Care(), phone=STEADY)
    return observe_scene(rng, scene, noise_px=0.0, missing_share=0.0), scene.kit


@pytest.fixture(scope="module")
def a_bar():
    return photos_of_a_bar()


# --- the verdict, by hand -----------------------------------------------------------------------------------


def test_a_bar_within_its_interval_passes():
    # u = hypot(0.3, 0.4) = 0.5 mm; 0.9 mm is 1.8 of it.
    proof = proved_bar(1000.9, 0.3, 1000.0, 0.4)
    assert proof.verdict == "passed" and proof.u_difference == pytest.approx(0.5)
    assert proof.difference == pytest.approx(0.9)
    assert proof.interval95 == pytest.approx((0.9 - 0.98, 0.9 + 0.98), abs=1e-3)


def test_a_bar_beyond_its_interval_flags_the_kit_and_says_what_to_do():
    proof = proved_bar(998.95, 0.3, 1000.0, 0.4)
    assert proof.verdict == "flagged"
    assert "-1.05 mm" in proof.says and "Measure rulers and bar again" in proof.says
    assert "one proof of twenty" in proof.says


def test_what_a_proof_would_show_is_flagged_in_95_of_100_cases():
    """An error of that size, drawn with its u: half a million times, counted."""
    u, reference = 0.5, 1000.0
    shows = proved_bar(1000.0, u, reference, 1e-9).shows
    drawn = np.random.default_rng(2).normal(reference + shows, u, 500_000)
    flagged = (np.abs(drawn - reference) > 1.959964 * u).mean()
    assert flagged == pytest.approx(0.95, abs=0.001)


def test_an_agreement_that_would_hide_one_per_cent_proves_nothing():
    proof = proved_bar(1000.0, 3.0, 1000.0, 0.1)  # shows 10.8 mm and more
    assert proof.verdict == "undecided" and "Nothing is proved" in proof.says
    # Far off it is flagged all the same.
    assert proved_bar(1010.0, 3.0, 1000.0, 0.1).verdict == "flagged"


@pytest.mark.parametrize(
    ("way_mm", "u_mm", "verdict"),
    [
        (10.1, 0.3, "passed"),
        (11.2, 0.3, "flagged"),
        (-10.0, 0.3, "flagged"),
        (0.0, 0.3, "flagged"),
        (10.0, 1.5, "undecided"),
    ],
)
def test_a_slide_of_ten_millimetres(way_mm, u_mm, verdict):
    assert proved_slide(way_mm, u_mm, 10.0, 0.1).verdict == verdict


def test_sheets_one_per_cent_off_do_not_show_in_a_slide():
    assert proved_slide(9.9, 0.3, 10.0, 0.1).verdict == "passed"


def test_a_slide_toward_the_vehicle_is_negative():
    proof = proved_slide(-10.2, 0.3, -10.0, 0.1)
    assert proof.verdict == "passed" and proof.difference == pytest.approx(-0.2)


def test_the_slides_direction_counts_into_its_reference():
    # 5 degrees off: 10 (1 - cos 5) = 0.038 mm.
    assert proved_slide(10.0, 0.3, 10.0, 1e-9).u_reference == pytest.approx(0.038, abs=2e-4)


# --- the bar's length -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def its_length(a_bar):
    return measured_length(*a_bar, LAYOUTS, BAR)


def test_exact_photos_give_the_length_exactly(its_length):
    length_mm, u_mm, _ = its_length
    assert length_mm == pytest.approx(1000.0, abs=2e-3)
    # Six sheets of 0.0003 under a ruler of 0.0002: 0.23 mm of a metre, and the photos' own part.
    assert np.hypot(0.2, 0.3 / np.sqrt(6)) < u_mm < 0.3


def test_the_kits_bars_are_held_out(a_bar, its_length):
    found, kit = a_bar
    told = replace(kit, scale_bars=(ScaleBar((31, 30), 1010.0, 0.05), ScaleBar((0, 1), 500.0, 0.05)))
    assert measured_length(found, told, LAYOUTS, BAR) == its_length


def test_sheets_that_are_one_per_cent_off_are_flagged():
    # Sheets larger than the kit says make everything seem smaller: 1000 / 1.01 = 990.1 mm.
    length_mm, u_mm, _ = measured_length(*photos_of_a_bar(1.01), LAYOUTS, BAR)
    assert length_mm == pytest.approx(990.1, abs=0.02)
    assert proved_bar(length_mm, u_mm, 1000.0, 0.2).verdict == "flagged"


def test_a_sheet_whose_ruler_disagrees_is_named(a_bar):
    found, kit = a_bar
    wrong = replace(kit.plates[2], printed_scale_xy=(0.97, 0.97))
    kit = replace(kit, plates=MappingProxyType({**kit.plates, 2: wrong}))
    with pytest.raises(NotEnoughError, match="The ruler of plate 2 and the other sheets' disagree"):
        measured_length(found, kit, LAYOUTS, BAR)


@pytest.mark.parametrize(
    ("plates", "error", "says"),
    [
        ((30, 99), KitError, "Plate 99 is not in the kit"),
        ((30, 30), KitError, "both are called 30"),
    ],
)
def test_a_wrong_bar_is_named(a_bar, plates, error, says):
    with pytest.raises(error, match=says):
        measured_length(*a_bar, LAYOUTS, plates)


def test_a_bar_that_is_hardly_seen_is_refused(a_bar):
    found, kit = a_bar
    hidden = [
        replace(photo, detections=tuple(d for d in photo.detections if d.plate != 31 or k < 2))
        for k, photo in enumerate(found)
    ]
    with pytest.raises(NotEnoughError, match="Plate 31 of the bar is in . usable photos"):
        measured_length(hidden, kit, LAYOUTS, BAR)


@pytest.mark.parametrize("n_photos", [0, 1])
def test_too_few_photos_are_refused(a_bar, n_photos):
    found, kit = a_bar
    with pytest.raises(NotEnoughError, match="photos"):
        measured_length(found[:n_photos], kit, LAYOUTS, BAR)
