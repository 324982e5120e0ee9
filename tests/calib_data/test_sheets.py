"""The printed sheets, measured on pages that another library (PDFium) has rendered."""

import dataclasses
from dataclasses import dataclass

import cv2
import numpy as np
import pypdfium2
import pytest

from calib_data.layouts import load_layouts
from calib_data.sheets import PAPERS_MM, PRINTABLE_MARGIN_MM, SECOND_CHECK, plate_sheet_pdf
from vision.errors import LayoutError
from vision.layout import parse_layout

LAYOUTS = {layout.name: layout for layout in load_layouts()}
DPI = 600
CASES = [
    (name, plate, paper) for name, plate in (("ring13", 7), ("cross2x2", 119)) for paper in ("a4", "letter")
]


def rendered(pdf: bytes, page: int = 0, dpi: float = DPI) -> np.ndarray:
    """A page as grey levels, row 0 at the top."""
    return np.asarray(pypdfium2.PdfDocument(pdf)[page].render(scale=dpi / 72, grayscale=True).to_pil())


@dataclass(frozen=True, eq=False)
class Sheet:
    """A rendered sheet with its scale; y counts downward from the page's top."""

    grey: np.ndarray
    px_per_mm: tuple[float, float]
    page_mm: tuple[float, float]

    def edges_mm(self, along: str, at_mm: float, start_mm: float, stop_mm: float) -> np.ndarray:
        """Where the line at `at_mm` crosses mid-grey, interpolated between pixel centres."""
        axis = "xy".index(along)
        across = round(at_mm * self.px_per_mm[1 - axis] - 0.5)
        line = self.grey[across, :] if along == "x" else self.grey[:, across]
        first, last = (round(end * self.px_per_mm[axis]) for end in (start_mm, stop_mm))
        levels = line[first:last].astype(float) - 127.5
        k = np.flatnonzero(levels[:-1] * levels[1:] < 0)
        return (first + k + levels[k] / (levels[k] - levels[k + 1]) + 0.5) / self.px_per_mm[axis]

    def pattern_box_mm(self) -> tuple[float, float, float, float]:
        """Left, right, top, bottom of the pattern: its rows are the tallest block with 8 mm of black."""
        is_dark_row = (self.grey < 128).sum(axis=1) > 8 * self.px_per_mm[0]
        steps = np.flatnonzero(np.diff(np.concatenate([[False], is_dark_row, [False]]).astype(int)))
        top, bottom = max(steps.reshape(-1, 2), key=lambda block: block[1] - block[0]) / self.px_per_mm[1]
        x = self.edges_mm("x", top + 3, 0, self.page_mm[0])
        y = self.edges_mm("y", x[0] + 3, top - 2, bottom + 2)
        return x[0], x[-1], y[0], y[-1]


def sheet_of(layout, plate: int, paper: str) -> Sheet:
    grey = rendered(plate_sheet_pdf(layout, [plate], paper))
    page_mm = PAPERS_MM[paper]  # PDFium stretches the page to whole pixels, so the scale is taken from both
    return Sheet(grey, (grey.shape[1] / page_mm[0], grey.shape[0] / page_mm[1]), page_mm)


@pytest.fixture(scope="module", params=CASES, ids=lambda case: "-".join(map(str, case)))
def case(request):
    name, plate, paper = request.param
    return LAYOUTS[name], plate, sheet_of(LAYOUTS[name], plate, paper)


def test_pattern_has_its_true_size_and_stands_in_the_middle(case):
    layout, _, sheet = case
    left, right, top, bottom = sheet.pattern_box_mm()
    assert right - left == pytest.approx(2 * layout.pattern_half_mm, abs=0.05)
    assert bottom - top == pytest.approx(2 * layout.pattern_half_mm, abs=0.05)
    assert (left + right) / 2 == pytest.approx(sheet.page_mm[0] / 2, abs=0.05)


def test_saddles_lie_where_the_layout_says(case):
    layout, _, sheet = case
    left, right, top, bottom = sheet.pattern_box_mm()
    x0, y0 = (left + right) / 2, (top + bottom) / 2
    aside = 0.4 * layout.cell_mm
    for (x, y), polarity in zip(layout.saddles_mm, layout.polarity, strict=True):
        px, py = x0 + x, y0 - y  # the page's y runs downward
        upright = [sheet.edges_mm("x", py + s * aside, px - aside, px + aside) for s in (-1, 1)]
        level = [sheet.edges_mm("y", px + s * aside, py - aside, py + aside) for s in (-1, 1)]
        assert [len(edges) for edges in upright + level] == [1, 1, 1, 1]
        np.testing.assert_allclose(upright, px, atol=0.05)
        np.testing.assert_allclose(level, py, atol=0.05)
        upper_right = sheet.grey[
            int((py - aside) * sheet.px_per_mm[1]), int((px + aside) * sheet.px_per_mm[0])
        ]
        assert upper_right == (0 if polarity == 1 else 255)


def test_ruler_has_a_tick_at_every_millimetre(case):
    layout, _, sheet = case
    *_, bottom = sheet.pattern_box_mm()
    below = sheet.grey[round((bottom + layout.quiet_margin_mm) * sheet.px_per_mm[1]) :]
    base_mm = bottom + layout.quiet_margin_mm + int(np.argmin(below.sum(axis=1))) / sheet.px_per_mm[1]
    for above_mm, step_mm in ((4.5, 10), (3.0, 5), (1.0, 1)):
        left_edges = sheet.edges_mm("x", base_mm - above_mm, 0, sheet.page_mm[0])[::2]
        expected = np.arange(0, layout.ruler_mm + 1, step_mm)
        np.testing.assert_allclose(left_edges - left_edges[0], expected, atol=0.05)


def test_opencv_reads_every_tag_the_right_way_up(case):
    layout, plate, sheet = case
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11))
    corners, ids, _ = detector.detectMarkers(cv2.resize(sheet.grey, None, fx=0.25, fy=0.25))
    found = {int(i): c.reshape(4, 2) for i, c in zip(ids.ravel(), corners, strict=True)}
    assert set(found) == {layout.tag_id(plate, tag.slot) for tag in layout.tags}
    left, right, top, bottom = sheet.pattern_box_mm()
    middle = np.array([left + right, top + bottom]) / 2
    for tag in layout.tags:
        printed = (found[layout.tag_id(plate, tag.slot)] + 0.5) * 4 / sheet.px_per_mm
        np.testing.assert_allclose(printed, middle + tag.corners_mm * (1, -1), atol=0.3)  # a pixel is 0.17 mm


def test_no_seam_shows_between_black_neighbours(case):
    layout, _, sheet = case
    left, right, top, bottom = sheet.pattern_box_mm()
    for tag in layout.tags:
        x, y = ((left + right) / 2, (top + bottom) / 2) + tag.corners_mm[0] * (1, -1)
        size = 8 * tag.module_mm
        rows = slice(int(y * sheet.px_per_mm[1]) + 2, int((y + size) * sheet.px_per_mm[1]) - 2)
        columns = slice(int(x * sheet.px_per_mm[0]) + 2, int((x + size) * sheet.px_per_mm[0]) - 2)
        art = sheet.grey[rows, columns]
        assert art.max() == 255
        # A seam is a thin grey line with black on both sides, at least a module (200 px) long; opening with a
        # square removes it. It also darkens single pixels where two black corners touch.
        is_thin = art > cv2.morphologyEx(art, cv2.MORPH_OPEN, np.ones((7, 7), np.uint8))
        assert max(is_thin.sum(axis=0).max(), is_thin.sum(axis=1).max()) < 10


def test_margin_round_the_pattern_is_white(case):
    layout, _, sheet = case
    left, right, top, bottom = sheet.pattern_box_mm()
    quiet_mm = layout.quiet_margin_mm - 0.3  # the cut marks stand on its outer border
    x = [round(v * sheet.px_per_mm[0]) for v in (left - quiet_mm, left - 0.1, right + 0.1, right + quiet_mm)]
    y = [round(v * sheet.px_per_mm[1]) for v in (top - quiet_mm, top - 0.1, bottom + 0.1, bottom + quiet_mm)]
    for strip in (sheet.grey[y[0] : y[1], x[0] : x[3]], sheet.grey[y[2] : y[3], x[0] : x[3]],
                  sheet.grey[y[0] : y[3], x[0] : x[1]], sheet.grey[y[0] : y[3], x[2] : x[3]]):  # fmt: skip
        assert strip.size
        assert strip.min() == 255


@pytest.mark.parametrize(("name", "plate", "paper"), CASES)
def test_all_ink_lies_where_printers_print_and_is_black(name, plate, paper):
    pdf = plate_sheet_pdf(LAYOUTS[name], [plate], paper)
    document = pypdfium2.PdfDocument(pdf)
    assert len(document) == 2
    for page in document:
        pixels = page.render(scale=200 / 72).to_numpy()
        assert (pixels.min(axis=2) == pixels.max(axis=2)).all()
        rows, columns = np.nonzero(pixels[:, :, 0] < 250)
        ink_mm = [columns.min(), rows.min(), columns.max() + 1, rows.max() + 1] / np.array(200 / 25.4)
        width_mm, height_mm = PAPERS_MM[paper]
        pixel_mm = 25.4 / 200
        assert ink_mm[:2].min() >= PRINTABLE_MARGIN_MM - pixel_mm
        assert ink_mm[2] <= width_mm - PRINTABLE_MARGIN_MM + pixel_mm
        assert ink_mm[3] <= height_mm - PRINTABLE_MARGIN_MM + pixel_mm


@pytest.mark.parametrize(("name", "plate", "paper"), CASES)
def test_words_on_the_pages(name, plate, paper):
    document = pypdfium2.PdfDocument(plate_sheet_pdf(LAYOUTS[name], [plate], paper))
    sheet, mounting = (" ".join(page.get_textpage().get_text_bounded().split()) for page in document)
    for words in (f"PLATE {plate}", "UP", name, "100 %", "not fit to page", "steel rule", "printed_scale",
                  "measured / nominal", "140 150"):  # fmt: skip
        assert words in sheet
    for words in ("Matt", "stiff backing", "Pattern outward", "spin axis", "standoff", "printed face",
                  "On the floor", "thickness_mm", "Keep off running vehicles", SECOND_CHECK):  # fmt: skip
        assert words in mounting


def test_same_arguments_give_the_same_bytes_and_ask_for_true_size():
    pdf = plate_sheet_pdf(LAYOUTS["ring13"], [0, 1], "a4")
    assert pdf == plate_sheet_pdf(LAYOUTS["ring13"], [0, 1], "a4")
    assert b"/PrintScaling /None" in pdf


def test_pages_come_in_the_order_asked_for():
    document = pypdfium2.PdfDocument(plate_sheet_pdf(LAYOUTS["ring13"], [16, 3], "letter"))
    texts = [page.get_textpage().get_text_bounded() for page in document]
    assert len(texts) == 3
    assert "PLATE 16" in texts[0]
    assert "PLATE 3" in texts[1]


def test_another_layout_needs_no_code():
    """A checker strip under one tag that lies on its side: numbers, sizes, corner order from data."""
    lows = [(-50.0 + 10 * i, -50.0 + 10 * (i % 2)) for i in range(10)]
    cells = [[x, y, x + 10.0, y + 10.0] for x, y in lows]
    layout = parse_layout({
        "name": "STRIP", "pattern_half_mm": 50.0, "quiet_margin_mm": 5.0, "cell_mm": 10.0,
        "refine_half_window_mm": 8.0, "ruler_mm": 100,
        "tags": [{"slot": 0, "dictionary": "DICT_APRILTAG_36h11", "module_mm": 8.0,
                  "corners": [[32.0, 50.0], [32.0, -14.0], [-32.0, -14.0], [-32.0, 50.0]]}],
        "numbering": {"plates": 4, "first_id": 500, "ids_per_plate": 1, "first_plate": 300},
        "saddles": [{"x": -40.0 + 10 * i, "y": -40.0, "polarity": -1 if i % 2 == 0 else 1} for i in range(9)],
        "black_rects": cells,
    })  # fmt: skip
    grey = rendered(plate_sheet_pdf(layout, [303], "letter"), dpi=150)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11))
    corners, ids, _ = detector.detectMarkers(grey)
    assert ids.ravel().tolist() == [503]
    steps_mm = np.diff(corners[0].reshape(4, 2), axis=0) * 25.4 / 150
    np.testing.assert_allclose(steps_mm, [[0, 64], [-64, 0], [0, -64]], atol=0.5)


@pytest.mark.parametrize(
    ("plates", "paper", "says"),
    [
        ([60], "a4", "numbers from 0 to 59"),
        ([3, -1], "a4", "numbers from 0 to 59"),
        ([], "a4", "numbers from 0 to 59"),
        ([3], "a3", "a4, letter"),
    ],
)
def test_what_cannot_be_printed_is_said(plates, paper, says):
    with pytest.raises(LayoutError, match=says):
        plate_sheet_pdf(LAYOUTS["ring13"], plates, paper)


def test_a_layout_too_large_for_the_paper_is_refused():
    large = dataclasses.replace(LAYOUTS["ring13"], pattern_half_mm=105.0)
    with pytest.raises(LayoutError, match="larger paper"):
        plate_sheet_pdf(large, [3], "letter")
