"""Exif 2.3, tag 0xA405 (FocalLengthIn35mmFilm): from the 35-mm equivalent to pixels, both readings.

The 36 x 24 mm frame has a diagonal of 43.2666 mm; CIPA DCG-001 goes by the diagonal angle of view,
others by the width.
"""

import pytest

from vision.lenses import DIAGONAL_35MM, focal_readings_px, lens_prior
from vision.photo import ExifFacts

FOUR_TO_THREE = (4032, 3024)


def test_diagonal_of_the_film_frame():
    assert pytest.approx(43.2666, abs=1e-4) == DIAGONAL_35MM


@pytest.mark.parametrize(("f35", "by_diagonal"), [(26, 3028.66), (24, 2795.7), (13, 1514.34)])
def test_reading_by_the_diagonal(f35, by_diagonal):
    reading, _ = focal_readings_px(ExifFacts(focal_35mm=f35), FOUR_TO_THREE)
    assert reading == pytest.approx(by_diagonal, abs=0.02)


def test_both_readings_of_26_mm_and_how_far_they_are_apart():
    by_diagonal, by_width = focal_readings_px(ExifFacts(focal_35mm=26), FOUR_TO_THREE)
    assert by_width == pytest.approx(2912.0, abs=1e-6)
    assert by_diagonal / by_width == pytest.approx(1.04006, abs=1e-4)


def test_sixteen_to_nine_crop():
    by_diagonal, _ = focal_readings_px(ExifFacts(focal_35mm=26), (4188, 2356))
    assert by_diagonal == pytest.approx(2887.5, abs=0.2)


def test_portrait_and_landscape_read_alike():
    exif = ExifFacts(focal_35mm=26)
    assert focal_readings_px(exif, (3024, 4032)) == focal_readings_px(exif, FOUR_TO_THREE)


def test_digital_zoom_is_read_both_ways():
    readings = focal_readings_px(ExifFacts(focal_35mm=26, digital_zoom=1.4), FOUR_TO_THREE)
    for expected in (3028.663, 2912.0, 1.4 * 3028.663, 1.4 * 2912.0):
        assert min(abs(f - expected) for f in readings) < 0.01


def test_the_prior_covers_both_readings_and_the_rounding():
    # Rounding to whole millimetres: half a millimetre at 26, that is 1.92 %.
    prior = lens_prior(ExifFacts(focal_35mm=26), FOUR_TO_THREE)
    f, u_f = prior.mean[0], prior.covariance[0, 0] ** 0.5
    assert f - 2 * u_f < 2912.0 * (1 - 0.0192)
    assert f + 2 * u_f > 3028.66 * (1 + 0.0192)


def test_zero_means_unknown():
    assert focal_readings_px(ExifFacts(focal_35mm=0), FOUR_TO_THREE) == ()
