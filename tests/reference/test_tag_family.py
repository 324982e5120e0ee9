"""Printed tags against the published family 36h11.

Source: AprilRobotics/apriltag, tag36h11.c (BSD-2-Clause), by way of ../shared/checks (TAG36H11). Codes
are row by row from the top left of the library's art, 1 = white. OpenCV's art, which we print, is the
library's turned by half a turn.
"""

import hashlib
import json
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest

from calib_data.layouts import load_layouts
from calib_data.sheets import plate_sheet_pdf

CHECKS = Path(__file__).parents[2].parent / "shared" / "checks" / "checks.json"
ALL_CODES_SHA256 = "40304e21e96749398af7a06b79af46066eddb4d1243519f0afeaf19cfa3ec410"
FIRST_CODES = [
    "d5d628584", "d97f18b49", "dd280910e", "e479e9c98", "ebcbca822", "f31dab3ac",
    "056a5d085", "10652e1d4", "22b1dfead", "265ad0472", "34fe91b86", "3ff962cd5",
]  # fmt: skip


def code_of(is_white: np.ndarray) -> str:
    """36 bits (6, 6) as nine hex digits, row by row."""
    return f"{int(''.join('1' if white else '0' for white in is_white.ravel()), 2):09x}"


def test_opencv_dictionary_is_the_published_family_turned_by_half_a_turn():
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    arts = [cv2.aruco.generateImageMarker(dictionary, tag_id, 8) for tag_id in range(587)]
    codes = [code_of(np.rot90(art[1:7, 1:7], 2) > 0) for art in arts]
    assert codes[:12] == FIRST_CODES
    assert hashlib.sha256(",".join(codes).encode()).hexdigest() == ALL_CODES_SHA256


def test_printed_sheets_carry_the_published_codes():
    ring13 = next(layout for layout in load_layouts() if layout.name == "ring13")
    document = pypdfium2.PdfDocument(plate_sheet_pdf(ring13, range(12), "a4"))
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11))
    for plate in range(12):
        grey = np.asarray(document[plate].render(scale=100 / 72, grayscale=True).to_pil())
        corners, _, _ = detector.detectMarkers(grey)
        # Only where the tag is comes from the detector; which way it is turned comes from the page.
        low, high = corners[0].reshape(4, 2).min(axis=0), corners[0].reshape(4, 2).max(axis=0)
        x, y = np.rint(low[:, None] + (high - low)[:, None] * (np.arange(8) + 0.5) / 8).astype(int)
        bits = grey[np.ix_(y, x)] > 127
        assert not bits[[0, -1]].any()
        assert not bits[:, [0, -1]].any()
        assert code_of(np.rot90(bits[1:7, 1:7], 2)) == FIRST_CODES[plate]


def test_the_constants_above_are_those_of_the_shared_checks():
    if not CHECKS.exists():
        pytest.skip("../shared/checks/checks.json is not here")
    checks = {check["id"]: check for check in json.loads(CHECKS.read_text(encoding="utf-8"))["checks"]}
    inputs = checks["TAG36H11"]["inputs"]
    assert inputs["all_codes_row_major_library_sha256"] == ALL_CODES_SHA256
    assert [code.removeprefix("0x") for code in inputs["library_row_major"]] == FIRST_CODES
    assert checks["TAG36H11"]["expected"]["n"] == 587
