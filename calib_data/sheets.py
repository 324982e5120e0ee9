"""Plate sheets to print: one PDF page per plate at true size, and a last page of mounting instructions."""

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas

from vision.errors import LayoutError
from vision.layout import Layout, Tag

POINT_MM = 25.4 / 72
# Width and height in mm: ISO 216, and ANSI/ASME Y14.1 for letter.
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
# A quarter of an inch, which office printers keep white at each edge; common practice, no source.
PRINTABLE_MARGIN_MM = 6.35
TICK_MM = 0.2
# Heights of the sheet's other parts, from the top; they leave room on US Letter.
HEADER_MM = 5.0
LABEL_MM = 12.0
RULER_MM = 12.0
RECORD_MM = 7.5
TEXT_MM = 30.0
# 0.1 mm is what a steel rule under a magnifier shows; on 150 mm that is half a part in a thousand.
U_PRINTED_SCALE = 0.0005

SECOND_CHECK = (
    "A second check: it replaces neither the vehicle maker's procedure nor licensed practice nor local rules."
)


def plate_sheet_pdf(layout: Layout, plates: Sequence[int], paper: str) -> bytes:
    """Draw the sheets of some plates, then one page that tells how to mount them.

    The same arguments give the same bytes. The file asks the printing program for 100 %.

    Args:
        layout: What the plates look like.
        plates: Numbers that belong to the layout, one page each, in this order.
        paper: A key of `PAPERS_MM`.

    Raises:
        LayoutError: The paper is unknown or too small, or a number does not belong to the layout.
    """
    _check(layout, plates, paper)
    pdf = io.BytesIO()
    page_mm = PAPERS_MM[paper]
    canvas = Canvas(pdf, pagesize=(page_mm[0] / POINT_MM, page_mm[1] / POINT_MM), invariant=True)
    canvas.setTitle(f"Plates {', '.join(map(str, plates))} ({layout.name})")
    canvas.setViewerPreference("PrintScaling", "None")
    pen = _Pen(canvas)
    for plate in plates:
        _draw_sheet(pen, layout, plate, page_mm)
        canvas.showPage()
    _draw_instructions(pen, layout, page_mm)
    canvas.showPage()
    canvas.save()
    return pdf.getvalue()


def plate_art_mm(layout: Layout, plate: int) -> tuple[NDArray, ...]:
    """Everything black on a plate, as polygons (k, 2) in mm of the plate frame, counter-clockwise.

    Polygons may share edges: fill them all as one path, so that no seam shows between neighbours.
    """
    polygons = list(layout.black_mm)
    for tag in layout.tags:
        polygons += tag_art_mm(tag, layout.tag_id(plate, tag.slot))
    return tuple(_counter_clockwise(polygon) for polygon in polygons)


def tag_art_mm(tag: Tag, tag_id: int) -> list[NDArray]:
    """A tag's black modules, merged along the rows, as quadrilaterals (4, 2) in the plate frame.

    The art is OpenCV's, border included; the AprilTag library's own art is this turned by half a turn.
    """
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, tag.dictionary))
    n_modules = dictionary.markerSize + 2  # a border of one module all round
    is_black = cv2.aruco.generateImageMarker(dictionary, tag_id, n_modules, borderBits=1) == 0
    top_left, top_right, _, bottom_left = tag.corners_mm
    right = (top_right - top_left) / n_modules
    down = (bottom_left - top_left) / n_modules
    return [
        np.array([top_left + column * right + row * down for column, row in _box(start, end, r)])
        for r in range(n_modules)
        for start, end in _runs(is_black[r])
    ]


def _box(start: int, end: int, row: int) -> list[tuple[int, int]]:
    return [(start, row + 1), (end, row + 1), (end, row), (start, row)]


def _runs(is_black: NDArray) -> list[tuple[int, int]]:
    """Start and end of each run of true values."""
    steps = np.diff(np.concatenate([[0], is_black.astype(int), [0]]))
    return list(zip(np.flatnonzero(steps == 1).tolist(), np.flatnonzero(steps == -1).tolist(), strict=True))


def _counter_clockwise(polygon: NDArray) -> NDArray:
    x, y = polygon.T
    doubled_area = np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))
    return polygon if doubled_area > 0 else polygon[::-1]


def _check(layout: Layout, plates: Sequence[int], paper: str) -> None:
    if paper not in PAPERS_MM:
        raise LayoutError(f"The paper '{paper}' is not known. Choose one of: {', '.join(PAPERS_MM)}.")
    if not plates:
        raise LayoutError(f"No plate number was given. {_numbers_of(layout)}")
    for plate in plates:
        if not layout.has_plate(plate):
            raise LayoutError(f"Plate {plate} is not of the layout {layout.name}. {_numbers_of(layout)}")
    width_mm, height_mm = PAPERS_MM[paper]
    needed_width_mm = max(2 * layout.pattern_half_mm, layout.ruler_mm) + 2 * PRINTABLE_MARGIN_MM
    needed_height_mm = (
        2 * (layout.pattern_half_mm + layout.quiet_margin_mm + PRINTABLE_MARGIN_MM)
        + HEADER_MM + LABEL_MM + RULER_MM + RECORD_MM + TEXT_MM
    )  # fmt: skip
    if needed_width_mm > width_mm or needed_height_mm > height_mm:
        raise LayoutError(
            f"The layout {layout.name} needs {needed_width_mm:.0f} x {needed_height_mm:.0f} mm of paper; "
            f"{paper} has {width_mm:g} x {height_mm:g} mm. Choose a larger paper or a smaller layout."
        )


def _numbers_of(layout: Layout) -> str:
    last = layout.first_plate + layout.n_plates - 1
    return f"Choose numbers from {layout.first_plate} to {last}."


@dataclass(frozen=True, eq=False)
class _Pen:
    """Draws on the canvas in mm, from the page's lower left corner, in black only."""

    canvas: Canvas

    def fill(self, polygons: Iterable[NDArray]) -> None:
        """Fill polygons in mm as one path, so that shared edges leave no seam."""
        path = self.canvas.beginPath()
        for polygon in polygons:
            first, *others = np.asarray(polygon) / POINT_MM
            path.moveTo(first[0], first[1])
            for corner in others:
                path.lineTo(corner[0], corner[1])
            path.close()
        self.canvas.drawPath(path, stroke=0, fill=1, fillMode=1)  # 1: non-zero winding

    def line(self, *points_mm: tuple[float, float], width_mm: float = 0.2, dashed: bool = False) -> None:
        self.canvas.setLineWidth(width_mm / POINT_MM)
        self.canvas.setDash([2 / POINT_MM, 1.5 / POINT_MM] if dashed else [])
        path = self.canvas.beginPath()
        path.moveTo(points_mm[0][0] / POINT_MM, points_mm[0][1] / POINT_MM)
        for x_mm, y_mm in points_mm[1:]:
            path.lineTo(x_mm / POINT_MM, y_mm / POINT_MM)
        self.canvas.drawPath(path, stroke=1, fill=0)

    def circle(self, x_mm: float, y_mm: float, radius_mm: float) -> None:
        self.canvas.setLineWidth(0.3 / POINT_MM)
        self.canvas.setDash([])
        self.canvas.circle(x_mm / POINT_MM, y_mm / POINT_MM, radius_mm / POINT_MM, stroke=1, fill=0)

    def arrow(self, tail_mm: tuple[float, float], tip_mm: tuple[float, float], head_mm: float = 2.0) -> None:
        tail, tip = np.array(tail_mm), np.array(tip_mm)
        along = (tip - tail) / np.linalg.norm(tip - tail)
        neck = tip - head_mm * along
        across = 0.35 * head_mm * np.array([-along[1], along[0]])
        self.line(tail_mm, (neck[0], neck[1]), width_mm=0.3)
        self.fill([np.array([tip, neck + across, neck - across])])

    def text(
        self, x_mm: float, y_mm: float, words: str, size_pt: float, bold: bool = False, align: str = "left"
    ) -> None:
        self.canvas.setFont("Helvetica-Bold" if bold else "Helvetica", size_pt)
        draw = {
            "left": self.canvas.drawString,
            "middle": self.canvas.drawCentredString,
            "right": self.canvas.drawRightString,
        }[align]
        draw(x_mm / POINT_MM, y_mm / POINT_MM, words)

    def paragraph(
        self, x_mm: float, top_mm: float, width_mm: float, words: str, size_pt: float, label: str = ""
    ) -> float:
        """Set a paragraph, with `label` hanging to its left, and return the y where the next may start."""
        leading_mm = 1.22 * size_pt * POINT_MM
        indent_mm = 1.5 * size_pt * POINT_MM if label else 0.0
        if label:
            self.text(x_mm, top_mm - size_pt * POINT_MM, label, size_pt, bold=True)
        y_mm = top_mm
        for words_of_line in simpleSplit(words, "Helvetica", size_pt, (width_mm - indent_mm) / POINT_MM):
            self.text(x_mm + indent_mm, y_mm - size_pt * POINT_MM, words_of_line, size_pt)
            y_mm -= leading_mm
        return y_mm


def _rectangle(x0_mm: float, y0_mm: float, x1_mm: float, y1_mm: float) -> NDArray:
    return np.array([[x0_mm, y0_mm], [x1_mm, y0_mm], [x1_mm, y1_mm], [x0_mm, y1_mm]])


def _draw_sheet(pen: _Pen, layout: Layout, plate: int, page_mm: tuple[float, float]) -> None:
    """From the top: header, cut, pattern in its white margin, label, ruler, record, cut, what to do."""
    middle_mm = page_mm[0] / 2
    header_mm = page_mm[1] - PRINTABLE_MARGIN_MM
    cut_top_mm = header_mm - HEADER_MM
    centre_mm = cut_top_mm - layout.quiet_margin_mm - layout.pattern_half_mm
    label_mm = centre_mm - layout.pattern_half_mm - layout.quiet_margin_mm - LABEL_MM
    ruler_mm = label_mm - RULER_MM
    cut_bottom_mm = ruler_mm - RECORD_MM

    pen.text(
        middle_mm, header_mm - 3.0,
        f"Print at 100 % (actual size), not fit to page.  Plate {plate}, layout {layout.name}.",
        9, align="middle",
    )  # fmt: skip
    pen.fill(polygon + (middle_mm, centre_mm) for polygon in plate_art_mm(layout, plate))
    _draw_label(pen, layout, plate, middle_mm, label_mm)
    pen.fill(_ruler(layout.ruler_mm, middle_mm, ruler_mm))
    for at_mm in _numbered(layout.ruler_mm):
        pen.text(middle_mm - layout.ruler_mm / 2 + at_mm, ruler_mm + 6.0, f"{at_mm:g}", 8, align="middle")
    _draw_record(pen, layout, middle_mm, ruler_mm - RECORD_MM + 1.5)
    _draw_cut_marks(pen, layout, page_mm, cut_top_mm, cut_bottom_mm)
    _draw_what_to_do(pen, layout, plate, page_mm, cut_bottom_mm)


def _draw_label(pen: _Pen, layout: Layout, plate: int, middle_mm: float, y_mm: float) -> None:
    """Number in plain figures, which way is up, and what the sheet is."""
    left_mm, right_mm = middle_mm - layout.ruler_mm / 2, middle_mm + layout.ruler_mm / 2
    head = np.array([[0.0, 5.0], [8.0, 5.0], [4.0, 10.0]])
    pen.fill([head + (left_mm, y_mm), _rectangle(left_mm + 2.5, y_mm, left_mm + 5.5, y_mm + 5.0)])
    pen.text(left_mm + 10.5, y_mm + 1.0, "UP", 24, bold=True)
    pen.text(middle_mm, y_mm + 1.0, f"PLATE {plate}", 30, bold=True, align="middle")
    ids = [layout.tag_id(plate, tag.slot) for tag in layout.tags]
    pen.text(right_mm, y_mm + 5.5, f"layout {layout.name}", 10, align="right")
    tags = "tag" if len(ids) == 1 else "tags"
    pen.text(right_mm, y_mm + 1.0, f"{tags} {', '.join(map(str, ids))}", 10, align="right")


def _ruler(length_mm: float, middle_mm: float, y_mm: float) -> list[NDArray]:
    """A base line with a tick every mm, longer every 5 and 10; tick centres sit at the nominal places."""
    start_mm, half_mm = middle_mm - length_mm / 2, TICK_MM / 2
    strokes = [_rectangle(start_mm - half_mm, y_mm - half_mm, start_mm + length_mm + half_mm, y_mm + half_mm)]
    for at_mm in range(int(length_mm) + 1):
        tall_mm = 5.0 if at_mm % 10 == 0 else 3.5 if at_mm % 5 == 0 else 2.0
        x_mm = start_mm + at_mm
        strokes.append(_rectangle(x_mm - half_mm, y_mm, x_mm + half_mm, y_mm + tall_mm))
    return strokes


def _numbered(length_mm: float) -> range:
    return range(0, int(length_mm) + 1, 10)


def _draw_record(pen: _Pen, layout: Layout, middle_mm: float, y_mm: float) -> None:
    """Blanks for what was measured, on the part that stays with the plate."""
    blanks = ("ruler, mm", "printed_scale", "height, mm", "width, mm", "measured on")
    step_mm = layout.ruler_mm / len(blanks)
    for column, words in enumerate(blanks):
        left_mm = middle_mm - layout.ruler_mm / 2 + column * step_mm
        words_mm = pen.canvas.stringWidth(words, "Helvetica", 7) * POINT_MM
        pen.text(left_mm, y_mm, words, 7)
        pen.line((left_mm + words_mm + 1.0, y_mm), (left_mm + step_mm - 1.5, y_mm), width_mm=0.15)


def _cuts_sides(layout: Layout, page_mm: tuple[float, float]) -> bool:
    """Whether side cuts at the white margin's edge lie where the printer prints."""
    return layout.pattern_half_mm + layout.quiet_margin_mm <= page_mm[0] / 2 - PRINTABLE_MARGIN_MM


def _draw_cut_marks(
    pen: _Pen, layout: Layout, page_mm: tuple[float, float], top_mm: float, bottom_mm: float
) -> None:
    left_mm, right_mm = PRINTABLE_MARGIN_MM + 0.1, page_mm[0] - PRINTABLE_MARGIN_MM - 0.1
    for y_mm in (top_mm, bottom_mm):
        pen.line((left_mm, y_mm), (left_mm + 4.0, y_mm), width_mm=0.15)
        pen.line((right_mm - 4.0, y_mm), (right_mm, y_mm), width_mm=0.15)
    pen.text(left_mm + 5.0, bottom_mm - 0.8, "cut", 7)
    pen.text(right_mm - 5.0, bottom_mm - 0.8, "cut", 7, align="right")
    if _cuts_sides(layout, page_mm):
        half_mm = layout.pattern_half_mm + layout.quiet_margin_mm
        for x_mm in (page_mm[0] / 2 - half_mm, page_mm[0] / 2 + half_mm):
            pen.line((x_mm, top_mm), (x_mm, top_mm + 4.0), width_mm=0.15)
            pen.line((x_mm, bottom_mm), (x_mm, bottom_mm - 4.0), width_mm=0.15)


def _draw_what_to_do(
    pen: _Pen, layout: Layout, plate: int, page_mm: tuple[float, float], below_mm: float
) -> None:
    ruler_mm, size_mm = layout.ruler_mm, 2 * layout.pattern_half_mm
    sides = (
        "Cut at the marks on all four sides."
        if _cuts_sides(layout, page_mm)
        else "Cut at the marks above and below; at the sides the paper's own edge stays as the white margin."
    )
    steps = (
        f"{sides} Glue the sheet flat on a stiff, matt backing. Measure only then: "
        "glue and damp change the paper.",
        "Lay a steel rule along the ruler and measure from the left edge of mark 0 to the left edge of "
        f"mark {ruler_mm:g}, to 0.1 mm. The kit's printed_scale is measured / nominal, here measured / "
        f"{ruler_mm:g}: {ruler_mm - 0.3:g} mm gives {(ruler_mm - 0.3) / ruler_mm:.4f}. Enter it in the "
        f'kit under plates, "{plate}", as "printed_scale", with "u_printed_scale" {U_PRINTED_SCALE:g}.',
        "No second ruler stands upright: the pattern takes the room, so the height is checked on the "
        f"pattern. Its height and width, outer black edge to outer black edge, are both {size_mm:g} mm. "
        'If they differ by 0.1 mm or more, enter "printed_scale_xy": [a, b] too: a = printed_scale, b = '
        "a x height / width.",
        "A ruler that is off by more than 1 mm was scaled by the printing program: print again at 100 %.",
    )
    y_mm = below_mm - 3.0
    width_mm = page_mm[0] - 2 * (PRINTABLE_MARGIN_MM + 4.0)
    for number, words in enumerate(steps, start=1):
        label = str(number)
        y_mm = pen.paragraph(PRINTABLE_MARGIN_MM + 4.0, y_mm, width_mm, words, 8, label) - 0.4


def _draw_instructions(pen: _Pen, layout: Layout, page_mm: tuple[float, float]) -> None:
    left_mm = PRINTABLE_MARGIN_MM + 8.0
    width_mm = page_mm[0] - 2 * left_mm
    y_mm = page_mm[1] - PRINTABLE_MARGIN_MM - 8.0
    pen.text(left_mm, y_mm, f"How to mount the plates ({layout.name})", 16, bold=True)
    _draw_mounting_figures(pen, left_mm, y_mm - 54.0, width_mm)
    y_mm -= 58.0
    for heading, entries in _instructions(layout):
        pen.text(left_mm, y_mm - 4.0, heading, 11, bold=True)
        y_mm -= 5.6
        for words in entries:
            y_mm = pen.paragraph(left_mm, y_mm, width_mm, words, 9.5, "-") - 0.4
        y_mm -= 2.2


def _instructions(layout: Layout) -> tuple[tuple[str, tuple[str, ...]], ...]:
    coded = "coded square" if len(layout.tags) == 1 else "coded squares"
    return (
        ("Every plate", (
            "Matt paper, matt finish: gloss mirrors lamps. No laminate and no glass in front.",
            "Flat on a stiff backing (aluminium composite, glass or thick board), glued all over, without "
            "bubbles; a bow of 1 mm is too much. Leave the margin round the pattern white.",
            f"Keep the {coded}, and as much of the rest as possible, free of arms, cables, stickers and "
            "shadows.",
            "Each number once: two plates with one number spoil a measurement. Take spare prints off the "
            "wall.",
            "Measure the ruler on the finished plate, and again after damp or heat. The thickness of "
            "backing and sheet together is thickness_mm. One rule for all sheets: its own error is "
            "u_ruler_scale.",
            "One length besides the prints is needed to confirm the scale: the vehicle's wheelbase, or a "
            "rigid bar with a plate at each end, measured from pattern centre to pattern centre "
            "(scale_bars).",
        )),
        ("On a wheel clamp", (
            "Pattern outward, square to the wheel's spin axis, its centre on that axis: the plate's z "
            "axis is the spin axis, pointing away from the vehicle. Turning the plate about it does no "
            "harm.",
            "Measure the standoff from the wheel centre (on the axis, halfway across the rim) to the "
            "printed face: from the rim's outer edge to the face, plus half the rim's width. Do it alike "
            "on both sides.",
            "Seat the clamp on clean rim edges; it must not rock. Each clamp goes on the wheel that the "
            "kit names.",
        )),
        ("On the fixture that carries the target", (
            "Face toward the vehicle, UP arrow up. Two plates or more, as far apart as the fixture allows, "
            "screwed on: nothing may shift against the target.",
            "Measure from the fixture's origin to the pattern's centre (an outer black edge is "
            f"{layout.pattern_half_mm:g} mm from it), and the turn about each axis: "
            "position_mm and rotation_deg.",
        )),
        ("On the floor", (
            "Face up, lying without rocking, off ramps, joints and cables. Three at least, not in a row, "
            "round the vehicle and under the target. Height counts from their undersides: thickness_mm "
            "matters here.",
        )),
        ("Cautions", (
            SECOND_CHECK,
            "Work on a parked vehicle only: drive off, brake set, wheels chocked. Keep off running "
            "vehicles, hot brakes and anything of the high-voltage system. Nobody under a vehicle for "
            "this.",
            "Take clamps and plates off before the vehicle is driven. Secure the fixture against "
            "tipping; floor plates are slippery and easy to trip over.",
        )),
    )  # fmt: skip


def _draw_mounting_figures(pen: _Pen, left_mm: float, bottom_mm: float, width_mm: float) -> None:
    """Three sketches, side by side, 48 mm high: clamp from above, fixture from the side, floor."""
    third_mm = width_mm / 3
    _draw_clamp_figure(pen, left_mm, bottom_mm)
    _draw_fixture_figure(pen, left_mm + third_mm, bottom_mm)
    _draw_floor_figure(pen, left_mm + 2 * third_mm, bottom_mm)


def _draw_clamp_figure(pen: _Pen, x_mm: float, y_mm: float) -> None:
    pen.text(x_mm, y_mm, "Wheel clamp, seen from above", 8)
    wheel = _rectangle(x_mm + 4, y_mm + 8, x_mm + 14, y_mm + 46)
    pen.line(*map(tuple, wheel), (x_mm + 4, y_mm + 8), width_mm=0.3)
    pen.text(x_mm + 9, y_mm + 40, "wheel", 7, align="middle")
    pen.line((x_mm, y_mm + 27), (x_mm + 54, y_mm + 27), width_mm=0.15, dashed=True)
    pen.text(x_mm + 47, y_mm + 22.5, "spin axis", 7, align="middle")
    pen.fill([_rectangle(x_mm + 35, y_mm + 15, x_mm + 37, y_mm + 39)])
    pen.text(x_mm + 36, y_mm + 41, "plate, pattern outward", 7, align="middle")
    pen.circle(x_mm + 9, y_mm + 27, 1.0)
    pen.arrow((x_mm + 37, y_mm + 27), (x_mm + 47, y_mm + 27))
    pen.text(x_mm + 47.5, y_mm + 28.2, "z", 8, bold=True)
    for at_mm in (9.0, 37.0):
        pen.line((x_mm + at_mm, y_mm + 26), (x_mm + at_mm, y_mm + 10), width_mm=0.15)
    pen.arrow((x_mm + 23, y_mm + 11), (x_mm + 9, y_mm + 11))
    pen.arrow((x_mm + 23, y_mm + 11), (x_mm + 37, y_mm + 11))
    pen.text(x_mm + 25.5, y_mm + 12, "standoff", 7, align="middle")


def _draw_fixture_figure(pen: _Pen, x_mm: float, y_mm: float) -> None:
    pen.text(x_mm, y_mm, "Fixture, seen from the side", 8)
    pen.line((x_mm, y_mm + 6), (x_mm + 52, y_mm + 6), width_mm=0.3)
    pen.line((x_mm + 38, y_mm + 6), (x_mm + 38, y_mm + 46), width_mm=0.6)
    for plate_mm in (14.0, 34.0):
        pen.fill([_rectangle(x_mm + 35.5, y_mm + plate_mm, x_mm + 37.5, y_mm + plate_mm + 10)])
        pen.arrow((x_mm + 35.5, y_mm + plate_mm + 5), (x_mm + 27, y_mm + plate_mm + 5))
        pen.text(x_mm + 25.5, y_mm + plate_mm + 4, "z", 8, bold=True, align="right")
    pen.arrow((x_mm + 43, y_mm + 34), (x_mm + 43, y_mm + 44))
    pen.text(x_mm + 45, y_mm + 38, "UP", 8, bold=True)
    pen.text(x_mm + 4, y_mm + 28, "toward the vehicle", 7)
    pen.arrow((x_mm + 22, y_mm + 26), (x_mm + 4, y_mm + 26))


def _draw_floor_figure(pen: _Pen, x_mm: float, y_mm: float) -> None:
    pen.text(x_mm, y_mm, "Floor plate, seen from the side", 8)
    pen.line((x_mm, y_mm + 14), (x_mm + 54, y_mm + 14), width_mm=0.3)
    pen.text(x_mm + 2, y_mm + 10.5, "floor", 7)
    pen.line((x_mm + 8, y_mm + 14), (x_mm + 8, y_mm + 17), (x_mm + 36, y_mm + 17), (x_mm + 36, y_mm + 14))
    pen.text(x_mm + 22, y_mm + 14.5, "backing", 6, align="middle")
    pen.fill([_rectangle(x_mm + 8, y_mm + 17, x_mm + 36, y_mm + 17.8)])
    pen.text(x_mm + 22, y_mm + 32.5, "pattern up", 7, align="middle")
    pen.arrow((x_mm + 22, y_mm + 17.8), (x_mm + 22, y_mm + 28))
    pen.text(x_mm + 23.5, y_mm + 25.5, "z", 8, bold=True)
    pen.line((x_mm + 36.5, y_mm + 17.8), (x_mm + 44, y_mm + 17.8), width_mm=0.15)
    pen.arrow((x_mm + 42, y_mm + 24.8), (x_mm + 42, y_mm + 17.8))
    pen.arrow((x_mm + 42, y_mm + 7), (x_mm + 42, y_mm + 14))
    pen.text(x_mm + 43, y_mm + 25.5, "thickness", 7)
