"""The slip: what its code says, read back by another library."""

import cv2
import numpy as np
import pypdfium2
import pytest

from api.tables import Visit
from api.visits import slips


def visit(**more) -> Visit:
    facts = {"number": 10, "slip": "0123456789", "bay": "bay 2", "vehicle": {"label": "estate, white"}}
    return Visit(**facts | more)


def test_a_slip_is_read_back_from_its_text():
    assert slips.read(slips.text(10, "0123456789")) == "0123456789"


@pytest.mark.parametrize(
    "seen",
    ["", "https://example.org", "PLUMBSIGHT VISIT 10", "PLUMBSIGHT VISIT 10 0123456789A", "0123456789"],
)
def test_any_other_code_is_no_slip(seen):
    assert slips.read(seen) is None


def test_every_new_slip_can_be_read_and_none_comes_twice():
    made = [slips.new_slip() for _ in range(500)]
    assert len(set(made)) == 500  # by chance twice: 500**2 / 2 / 32**10 = 1e-10
    assert all(slips.read(slips.text(1, slip)) == slip for slip in made)


@pytest.mark.parametrize(("paper", "size_pt"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_the_printed_slip_is_read_by_another_library(paper, size_pt):
    page = pypdfium2.PdfDocument(slips.pdf(visit(), paper, is_demo=False))[0]
    assert tuple(round(side) for side in page.get_size()) == size_pt
    grey = np.asarray(page.render(scale=1.5, grayscale=True).to_pil())
    seen, _, _ = cv2.QRCodeDetector().detectAndDecode(grey)
    assert slips.read(seen) == "0123456789"


def test_the_printed_slip_shows_number_label_and_bay():
    text = words_of(slips.pdf(visit(), "A4", is_demo=False))
    assert "Visit 10" in text and "estate, white" in text and "bay 2" in text and "DEMO" not in text


def test_a_demos_slip_says_so():
    assert "DEMO" in words_of(slips.pdf(visit(), "A4", is_demo=True))


def test_a_label_in_any_script_makes_a_slip():
    assert "Visit 10" in words_of(slips.pdf(visit(vehicle={"label": "универсал 白色"}), "A4", is_demo=False))


def test_the_code_for_a_screen_is_an_svg_without_fixed_size():
    made = slips.svg(visit())
    assert made.startswith("<svg") and "viewBox" in made and "width=" not in made.split(">")[0]


def words_of(pdf: bytes) -> str:
    return pypdfium2.PdfDocument(pdf)[0].get_textpage().get_text_range()
