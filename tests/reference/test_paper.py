"""Paper sizes, and what "fit to page" would do to a print.

Source: ISO 216 (A4) and ANSI/ASME Y14.1 (letter), by way of ../shared/checks (PAPER).
"""

import json
from pathlib import Path

import pypdfium2
import pytest

from calib_data.layouts import load_layouts
from calib_data.sheets import PAPERS_MM, PRINTABLE_MARGIN_MM, plate_sheet_pdf

CHECKS = Path(__file__).parents[2].parent / "shared" / "checks" / "checks.json"
EXPECTED = {
    "A4_on_Letter": 0.94074,
    "Letter_on_A4": 0.97267,
    "A4_with_6p35mm_margins": 0.93952,
    "a4_pt": [595.2756, 841.8898],
    "letter_pt": [612, 792],
}


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("layout", load_layouts(), ids=lambda layout: layout.name)
def test_every_page_has_the_standard_size(layout, paper):
    for page in pypdfium2.PdfDocument(plate_sheet_pdf(layout, [layout.first_plate], paper)):
        assert page.get_size() == pytest.approx(EXPECTED[f"{paper}_pt"], abs=0.001)


def fit(sheet: tuple[float, float], into: tuple[float, float]) -> float:
    return min(into[0] / sheet[0], into[1] / sheet[1])


def test_fit_to_page_factors():
    a4, letter = PAPERS_MM["a4"], PAPERS_MM["letter"]
    within_margins = (a4[0] - 2 * PRINTABLE_MARGIN_MM, a4[1] - 2 * PRINTABLE_MARGIN_MM)
    assert fit(a4, letter) == pytest.approx(EXPECTED["A4_on_Letter"], abs=1e-5)
    assert fit(letter, a4) == pytest.approx(EXPECTED["Letter_on_A4"], abs=1e-5)
    assert fit(a4, within_margins) == pytest.approx(EXPECTED["A4_with_6p35mm_margins"], abs=1e-5)


def test_the_constants_above_are_those_of_the_shared_checks():
    if not CHECKS.exists():
        pytest.skip("../shared/checks/checks.json is not here")
    checks = {check["id"]: check for check in json.loads(CHECKS.read_text(encoding="utf-8"))["checks"]}
    assert checks["PAPER"]["expected"] == EXPECTED
