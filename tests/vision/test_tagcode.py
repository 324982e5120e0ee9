"""Tag codes: every code and turn is read back, also with wrong bits (36h11: eleven apart)."""

import cv2
import numpy as np
import pytest

from vision.tagcode import nearest_code, tag_family

FAMILY = tag_family("DICT_APRILTAG_36h11")


def test_the_family_has_its_published_size():
    assert FAMILY.signs.shape == (587, 4, 36) and FAMILY.size == 6


@pytest.mark.parametrize("turn", range(4))
def test_a_picture_read_from_printed_corner_t_has_turn_t(turn):
    """OpenCV draws the marker; np.rot90 turns the picture counter-clockwise, so corner `turn` comes first."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    drawn = cv2.aruco.generateImageMarker(dictionary, 17, 8, borderBits=1)[1:-1, 1:-1]
    cells = np.where(np.rot90(drawn, turn) > 0, 0.9, -0.8).reshape(1, 36)
    reading = nearest_code(FAMILY, np.arange(587), cells)
    assert (reading.tag_id[0], reading.turn[0], reading.wrong[0]) == (17, turn, 0)
    assert reading.lead[0] >= 11


def test_five_wrong_bits_still_read_right():
    rng = np.random.default_rng(3)
    ids = np.arange(0, 587, 7)
    cells = FAMILY.signs[ids, 2].copy()
    for row in cells:
        row[rng.choice(36, 5, replace=False)] *= -1
    reading = nearest_code(FAMILY, np.arange(587), cells)
    np.testing.assert_array_equal(reading.tag_id, ids)
    assert (reading.wrong == 5).all() and (reading.turn == 2).all() and (reading.lead >= 1).all()
