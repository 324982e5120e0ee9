"""Records on paper, as a reader of PDF files sees them: words, size, what a printer makes of them."""

import copy
import io

import numpy as np
import pypdfium2
import pytest
from reportlab.pdfgen.canvas import Canvas

from api.figures import Figures
from api.records import chain
from api.records.paper import Drawing, shown, use_fonts
from api.records.record_parts import Page
from api.records.record_pdf import record_pdf
from api.records.signing import draft, entry_of
from api.store import open_store
from calib_data.drawings import draw_strip
from tests.api.signed import add_person, add_visit


@pytest.fixture(scope="module")
def kept(_signed_once):
    """A record with the chain's head that ends with it."""
    opened = open_store(_signed_once.store.folder)
    with opened.reading() as db:
        entry = entry_of(db, _signed_once.visit_ids[0])
        record = chain.body_of(entry)
    opened.close()
    return record, chain.code(entry.sha256)


@pytest.fixture
def record(kept):
    """The record, to be changed at will."""
    return copy.deepcopy(kept[0])


@pytest.fixture(scope="module")
def a4(kept):
    """The record's pages."""
    return record_pdf(kept[0], Page(head=kept[1], link=LINK))


LINK = "entry 1 of store abcd"
HEAD = "0000-1111-2222-3333-4444-5555-6666"


def _pages(data: bytes) -> list[str]:
    """Each page's text, white space as single blanks."""
    pdf = pypdfium2.PdfDocument(data)
    return [" ".join(page.get_textpage().get_text_range().split()) for page in pdf]


def _grey(data: bytes, page: int, scale: float = 2.0):
    return np.asarray(pypdfium2.PdfDocument(data)[page].render(scale=scale).to_pil().convert("L"))


def test_the_pages_tell_who_what_when_and_how_it_was_decided(record, a4):
    pages = _pages(a4)
    words = " ".join(pages)
    assert "CONFORMING in round 2 of 2" in pages[0]
    for said in (
        "estate, white", "trolley 3, revision 1", "Kim Invented (owner)", "Workshop handbook, front camera",
        "1: first look", "nonconforming", "2: after a correction", "steering", "The bay's gate stayed open.",
        "of another vehicle", "Floor was swept.", "not a qualified electronic signature", "Signed by hand",
        "place (GPS) taken out", "numpy", "Invented Phone 3", "nothing else: not the sensor",
    ):  # fmt: skip
        assert said in words, said
    for photo in record["photos"]:
        assert photo["sha256"] in words and photo["came_as_sha256"] in words


def test_every_page_carries_the_head_its_number_and_that_it_is_a_second_check(kept, a4):
    head, pages = kept[1], _pages(a4)
    for i, words in enumerate(pages, start=1):
        assert head in words
        assert f"page {i} of {len(pages)}" in words
        assert "second check" in words


@pytest.mark.parametrize(("paper", "size_mm"), [("A4", (210.0, 297.0)), ("Letter", (215.9, 279.4))])
def test_pages_have_the_papers_size_and_stay_within_it(kept, paper, size_mm):
    record, head = kept
    data = record_pdf(record, Page(paper, head=head))
    assert len(data) < 5_000_000
    pdf = pypdfium2.PdfDocument(data)
    for i, page in enumerate(pdf):
        assert np.array(page.get_size()) * 25.4 / 72 == pytest.approx(size_mm, abs=0.1)
        edge = round(6 * 2 * 72 / 25.4)  # what office printers keep white, in pixels
        grey = _grey(data, i)
        assert grey[:edge].min() == grey[-edge:].min() == 255
        assert grey[:, :edge].min() == grey[:, -edge:].min() == 255


def test_only_fonts_that_are_in_the_file_are_used(a4):
    assert a4.count(b"/FontFile2 ") == a4.count(b"/BaseFont ") > 0


def test_a_label_in_other_letters_is_shown_or_its_code_points_are(record):
    record["visit"]["vehicle"]["label"] = "Škoda Ёлка \u8f66 \u05d0 <b>&amp;"
    words = " ".join(_pages(record_pdf(record, Page(head=HEAD))))
    assert "Škoda Ёлка [U+8F66] [U+05D0] <b>&amp;" in words
    assert "keeps what was typed exactly" in " ".join(words.split())


def test_where_every_character_is_printed_nothing_is_said_of_those_that_are_not(a4):
    assert "typed exactly" not in " ".join(" ".join(_pages(a4)).split())


def test_no_character_is_drawn_as_an_empty_box():
    use_fonts()
    text = "".join(map(chr, [*range(0x20, 0x250), 0x2212, 0x4E00, 0x1F697, 0x627]))
    made = shown(text)
    assert "[U+4E00]" in made and "[U+1F697]" in made and "[U+0627]" in made and "ž" in made
    assert "\x7f" not in made


def test_the_same_record_gives_the_same_bytes(kept, a4):
    record, head = kept
    assert record_pdf(record, Page(head=head, link=LINK)) == a4


def test_inches_and_decimal_commas_where_the_shop_uses_them(record):
    words = " ".join(_pages(record_pdf(record, Page("Letter", Figures("in", ","), HEAD))))
    distance = record["rounds"][-1]["result"]["placements"][0]["values"]["distance_mm"]["value"]
    assert f"{distance / 25.4:.3f}".replace(".", ",") in words
    assert "98,425 ±0,394" in words  # 2500 and 10 mm


def test_a_demonstration_says_so_on_each_page_and_a_draft_that_it_is_not_signed(store):
    kim = add_person(store)
    for is_demo, mark in ((True, "DEMO"), (False, "NOT SIGNED")):
        visit_id = add_visit(store, kim, is_demo=is_demo, left_mm=(0.0,))
        with store.reading() as db:
            pages = _pages(record_pdf(draft(db, visit_id), Page()))
        assert all(mark in words and "not signed: no record" in words for words in pages)
        assert "in no chain" in pages[-1]


def _strip(decision: str) -> float:
    """How dark a strip's bar is in grey."""
    entry = {"value": 1.0, "u": 1.0, "interval95": [-2.0, 4.0], "nominal": 0.0, "minus": 6.0, "plus": 6.0}
    drawing = Drawing(draw_strip("lateral_mm", entry | {"decision": decision}, 2.05, 0.46, str))
    pdf = io.BytesIO()
    canvas = Canvas(pdf, pagesize=(drawing.width, drawing.height))
    drawing.drawOn(canvas, 0, 0)
    canvas.save()
    grey = _grey(pdf.getvalue(), 0, 8.0)
    # The strip's axes run from -9 to 9 mm, 0.2 in from either side; the bar is 44 % of their height.
    left, width, bottom, height = (round(inches * 72 * 8) for inches in (0.2, 1.65, 0.22, 0.21))
    x = [left + round(width * (mm + 9) / 18) for mm in (-1.7, 0.3)]  # inside the outline, left of the dot
    y = [len(grey) - bottom - round(height * share) for share in (0.66, 0.34)]
    return float((grey[y[0] : y[1], x[0] : x[1]] < 128).mean())


def test_the_three_decisions_differ_in_black_and_white():
    dark = {name: _strip(name) for name in ("conforming", "undecided", "nonconforming")}
    assert dark["conforming"] > 0.9
    assert 0.05 < dark["undecided"] < dark["nonconforming"] < 0.75


def test_a_value_that_was_not_measured_says_why(record):
    entry = record["rounds"][-1]["result"]["placements"][0]["values"]["height_mm"]
    why = {"value": None, "says": "no floor plate was seen", "decision": "undecided"}
    record["rounds"][-1]["result"]["placements"][0]["values"]["height_mm"] = {
        key: entry[key] for key in ("nominal", "minus", "plus")
    } | why
    pages = _pages(record_pdf(record, Page(head=HEAD)))
    assert "not measured: no floor plate was seen" in pages[0]


def test_no_decision_is_broken_over_two_lines(record):
    for entry in record["rounds"][-1]["result"]["placements"][0]["values"].values():
        if "decision" in entry:
            entry["decision"] = "nonconforming"
    for paper in ("A4", "Letter"):
        page = pypdfium2.PdfDocument(record_pdf(record, Page(paper, head=HEAD)))[0]
        lines = [
            line.split()[0] for line in page.get_textpage().get_text_range().splitlines() if line.split()
        ]
        assert lines.count("nonconforming") + lines.count("P") >= 4 and "ming" not in lines


def test_a_probability_that_rounds_to_certainty_is_not_called_certain(a4):
    pages = _pages(a4)
    assert "P > 99.9 %" in pages[0] and "P 100" not in pages[0]
