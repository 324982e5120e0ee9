"""Parts of a record on paper: styles, tables, and what was measured."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from reportlab.lib.colors import black
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, KeepTogether, Paragraph, Table

from api.figures import Figures
from api.records.paper import BOLD, FIXED, PLAIN, Drawing, marked_up
from api.records.recording import Json
from calib_data.drawings import draw_plan_and_side, draw_strip
from calib_data.visit import Counted
from vision.advice import LABELS
from vision.kit import EVERY_KEY, RELATION_KEYS

PAPERS = {"A4": A4, "Letter": LETTER}
MARGIN, FOOT = 16 * mm, 20 * mm
STRIP_IN = (1.85, 0.46)
ROOM = 40 * mm  # a heading starts a new page rather than with less below it
CAUSES_SHOWN = 3
DECISIONS = {"none": "measured, nothing required"}
FACTS_SHOWN = {
    "wheelbase_left_mm": "wheelbase, left",
    "wheelbase_right_mm": "wheelbase, right",
    "track_front_mm": "front track",
    "track_rear_mm": "rear track",
    "thrust_angle_deg": "thrust angle (left positive)",
    "steer_deg": "front wheels' steer (left positive)",
    "floor_slope_deg": "floor slope",
    "floor_step_mm": "floor step",
    "floor_plumb_along_deg": "floor against the plumb line, rising forward positive",
    "floor_plumb_across_deg": "floor against the plumb line, rising to the left positive",
}


@dataclass(frozen=True)
class Page:
    """How a record is to be printed.

    Attributes:
        head: The chain's head that ends with this record, as a code; None for a draft.
        link: Which entry of which store it is, in words; empty for a draft.
    """

    paper: Literal["A4", "Letter"] = "A4"
    figures: Figures = Figures()
    head: str | None = None
    link: str = ""

    @property
    def width(self) -> float:
        return PAPERS[self.paper][0] - 2 * MARGIN

    @property
    def height(self) -> float:
        return PAPERS[self.paper][1] - MARGIN - FOOT


class Clock:
    """UTC times as the shop's clocks showed them."""

    def __init__(self, zone: str) -> None:
        try:
            self.zone = ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError):
            self.zone = ZoneInfo("UTC")

    def __call__(self, time: str | None) -> str:
        if time is None:
            return ""
        there = datetime.fromisoformat(time).astimezone(self.zone)
        return f"{there:%Y-%m-%d %H:%M} (UTC{there.isoformat()[-6:]})"

    def hour(self, time: str | None) -> str:
        """Without day and zone, beside a time that has them."""
        return f"{datetime.fromisoformat(time).astimezone(self.zone):%H:%M}" if time else ""


# --- styles ---------------------------------------------------------------------------------------


def style(size: float = 8.5, font: str = PLAIN, **more: Any) -> ParagraphStyle:
    """A paragraph's look."""
    return ParagraphStyle(
        "", fontName=font, fontSize=size, leading=1.28 * size, splitLongWords=1, bulletFontName=PLAIN, **more
    )


TEXT, SMALL, STRONG = style(), style(7), style(8.5, BOLD)
HEADING = style(11, BOLD, spaceBefore=9, spaceAfter=3)
SUBHEADING = style(9, BOLD, spaceBefore=4, spaceAfter=2)
HASH = style(5.6, FIXED)
_BULLET = style(8.5, leftIndent=11, bulletIndent=0, spaceAfter=1.5)


def text(words: str, look: ParagraphStyle = TEXT) -> Paragraph:
    """A paragraph of plain words."""
    return Paragraph(marked_up(words), look)


def lines_of(lines: Sequence[str], look: ParagraphStyle = TEXT) -> Paragraph:
    """Lines below one another in one cell."""
    return Paragraph("<br/>".join(marked_up(line) for line in lines), look)


def header(*words: str) -> list[Any]:
    """A table's first row."""
    return [text(one, STRONG) for one in words]


def bullets(lines: Sequence[str]) -> Iterator[Flowable]:
    """One paragraph a line, each with a dash."""
    for line in lines:
        yield Paragraph(marked_up(line), _BULLET, bulletText="\N{EN DASH}")


def listed(heading: str, lines: Sequence[str]) -> Iterator[Flowable]:
    """A heading and its lines, or that there are none."""
    said = list(bullets(lines)) or [text("None.")]
    yield KeepTogether([text(heading, HEADING), *said[:3]])
    yield from said[3:]


def grid(rows: list[list[Any]], widths: Sequence[float], *more: Any, has_header: bool = True) -> Table:
    """A table with a thin line below each row."""
    looks: list[Any] = [
        ("FONTNAME", (0, 0), (-1, -1), PLAIN),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.3, black),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 4),
        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
        *more,
    ]
    if has_header:
        looks.append(("LINEBELOW", (0, 0), (-1, 0), 0.9, black))
    return Table(rows, list(widths), style=looks, repeatRows=1 if has_header else 0, hAlign="LEFT")


def decision_words(word: str) -> str:
    return DECISIONS.get(word, word)


def plain(name: str) -> str:
    return name.replace("_", " ")


def in_order(by_key: Json) -> Iterator[tuple[str, Any]]:
    """By the values' names in their usual order: canonical JSON has them by letter."""
    return ((key, by_key[key]) for key in (*EVERY_KEY, *RELATION_KEYS) if key in by_key)


# --- what was measured --------------------------------------------------------------------------


def values(record: Json, counted: Sequence[Counted], page: Page) -> Iterator[Flowable]:
    """Values against what was required: of each placement, between two, and from round to round."""
    required = {one["file"]["name"]: one for one in record["placements"]}
    relations = {one["file"]["name"]: one for one in record.get("relations", ())}
    for one in counted:
        if one.part is None:
            yield text(f"{one.name}: undecided. {one.says}", HEADING)
            continue
        is_relation = "of" in one.part
        procedure = (relations if is_relation else required).get(one.name)
        says = (_between if is_relation else _required_by)(one.part, procedure) if procedure else ""
        yield from _decided(one.part, f"round {one.number}", says, page)
    for shift in record.get("shifts", ()):
        came_to = shift["came_to"]
        numbers = [came_to[key] for key in ("before_round", "after_round")]
        where = "no two rounds" if None in numbers else f"from round {numbers[0]} to round {numbers[1]}"
        yield from _decided(came_to, where, _from_to(came_to, shift), page)


def _decided(part: Json, where: str, source: str, page: Page) -> Iterator[Flowable]:
    head = f"{part['name']}: {decision_words(part['decision'])} ({where})"
    told = [text(source, SMALL)] if source else []
    yield KeepTogether([text(head, HEADING), *told, _value_table(part, page)])
    yield text(
        "Strips: grey = allowed, its ends and the required value marked; bar = 95 % interval, plain "
        "where conforming, slanted lines where undecided, crossed where nonconforming; dot = value. "
        "P: probability of lying within what is allowed.",
        SMALL,
    )
    for words in part.get("says", ()):
        yield text(page.figures.words(words))
    if part["decision"] in ("nonconforming", "undecided") and part.get("advice"):
        yield CondPageBreak(ROOM / 2)
        yield text("What the program advised", SUBHEADING)
        yield from bullets([page.figures.words(words) for words in part["advice"]])


def _procedure(one: Json) -> str:
    return f"Required by: {one['procedure_title']}, {one['procedure_edition']}"


def _between(relation: Json, procedure: Json) -> str:
    first, second = relation["of"]
    return (
        f"{_procedure(procedure)} (relation revision {procedure['revision']}). Between {first} and {second}: "
        "differences are the first minus the second."
    )


def _from_to(shift: Json, procedure: Json) -> str:
    return (
        f"{_procedure(procedure)} (shift revision {procedure['revision']}). From {shift['from']} to "
        f"{shift['to']}: the later round minus the earlier one; what both share takes no part in u."
    )


def _required_by(placement: Json, procedure: Json) -> str:
    line, datum = (plain(procedure["file"][key]) for key in ("reference_line", "datum"))
    return (
        f"{_procedure(procedure)} (placement revision {procedure['revision']}). Target {placement['target']} "
        f"on fixture {placement['fixture']}; distance from the {datum}, lateral and yaw from the {line}."
    )


def _value_table(placement: Json, page: Page) -> Table:
    widths = [18 * mm, 25 * mm, 23 * mm, 33 * mm, 0, STRIP_IN[0] * 72 + 6]
    widths[4] = page.width - sum(widths)
    rows: list[list[Any]] = [header("Value", "Required", "Measured", "95 % interval", "Decision", "")]
    spans = []
    for key, entry in in_order(placement["values"]):
        label = text(LABELS.get(key, plain(key)), STRONG)
        if entry.get("value") is None:
            spans += [("SPAN", (2, len(rows)), (3, len(rows))), ("SPAN", (4, len(rows)), (5, len(rows)))]
            says = text(f"not measured: {entry.get('says', '')}", SMALL)
            decided = text(entry.get("decision", "none"), STRONG)
            rows.append([label, text(_required(key, entry, page.figures)), says, "", decided, ""])
        else:
            rows.append([label, *_value_cells(key, entry, page.figures)])
    return grid(rows, widths, ("VALIGN", (0, 1), (-1, -1), "MIDDLE"), *spans)


def _value_cells(key: str, entry: Json, figures: Figures) -> list[Any]:
    unit, u = figures.unit_of(key), entry["u"]
    low, high = (figures.value(key, end, u) for end in entry["interval95"])
    value = lines_of([f"{figures.value(key, entry['value'], u)} {unit}", f"u {figures.u(key, u)}"])
    interval = text(f"{low} to {high}")
    if "nominal" not in entry:
        return [text("nothing"), value, interval, text("none"), ""]
    decided = f"<b>{entry['decision']}</b><br/>P {marked_up(figures.words(_percent(entry['p_conform'])))}"
    strip = Drawing(draw_strip(*_in_units(key, entry, figures), *STRIP_IN, figures.words))
    return [text(_required(key, entry, figures)), value, interval, Paragraph(decided, TEXT), strip]


def _percent(p: float) -> str:
    """A probability; what rounds to 0 or 100 % is neither."""
    if 0.001 <= p <= 0.999:
        return f"{100 * p:.1f} %"
    return "> 99.9 %" if p > 0.5 else "< 0.1 %"


def _in_units(key: str, entry: Json, figures: Figures) -> tuple[str, Json]:
    """A value's name and entry in the unit that is shown."""
    per = figures.per(key)
    numbers = {name: entry[name] / per for name in ("value", "u", "nominal", "minus", "plus")}
    name = key if per == 1.0 else key.replace("_mm", "_in")
    return name, {**entry, **numbers, "interval95": [end / per for end in entry["interval95"]]}


def _required(key: str, entry: Json, figures: Figures) -> str:
    if "nominal" not in entry:
        return "nothing"
    nominal, minus, plus = (figures.given(key, entry[name]) for name in ("nominal", "minus", "plus"))
    width = f"\N{PLUS-MINUS SIGN}{plus}" if minus == plus else f"\N{MINUS SIGN}{minus} +{plus}"
    return f"{nominal} {width}\N{NO-BREAK SPACE}{figures.unit_of(key)}"


def checks(result: Json, figures: Figures, of: str = "") -> Iterator[Flowable]:
    """What the photos say of themselves and of the vehicle: reasons to trust or to doubt.

    Args:
        of: Which round it is, where that must be said.
    """
    tests = result.get("tests", ())
    failed = [f"{test['name']}: {test['says']}" for test in tests if not test["ok"]]
    yield CondPageBreak(ROOM)
    yield text(f"Do the photos{of} agree with each other and with what was declared?", HEADING)
    if failed:
        yield text(f"No: {len(failed)} of {len(tests)} tests not passed.", STRONG)
        yield from bullets([figures.words(words) for words in failed])
    else:
        yield text(f"Yes: all {len(tests)} tests passed.")
    measured = result.get("vehicle", {})
    known = [key for key in FACTS_SHOWN if measured.get(key, {}).get("value") is not None]
    if known:
        said = "; ".join(f"{FACTS_SHOWN[key]} {quantity(key, measured[key], figures)}" for key in known)
        yield text(f"The vehicle as measured: {said}.")


def quantity(key: str, entry: Json, figures: Figures) -> str:
    """A value with unit and u, in one line."""
    value, u = figures.value(key, entry["value"], entry["u"]), figures.u(key, entry["u"])
    return f"{value} {figures.unit_of(key)}, u {u}"


def views(result: Json, page: Page, of: str = " in the last round") -> Iterator[Flowable]:
    """Plan and side view on a page of their own, to a scale that a ruler can check; `of`: of which round."""
    if "geometry" not in result:
        return
    height_in = page.height / 72 - 0.75  # heading and caption
    caption = "A target is drawn 1 m across, whatever its size; its arrow shows the way it faces."
    yield KeepTogether(
        [
            text(f"As it stood{of}", HEADING),
            Drawing(draw_plan_and_side(result, page.width / 72, height_in)),
            text(caption, SMALL),
        ]
    )


def budget(counted: Sequence[Counted], page: Page) -> Iterator[Flowable]:
    """Where the uncertainty of each value comes from."""
    rows: list[list[Any]] = [header("Value", "Where its uncertainty comes from (shares of the variance)")]
    for one in counted:
        for key, shares in in_order((one.part or {}).get("budget", {})):
            most = sorted(shares.items(), key=lambda item: -item[1])[:CAUSES_SHOWN]
            words = ", ".join(f"{plain(cause)} {100 * share:.0f} %" for cause, share in most)
            rows.append([text(f"{one.name}: {LABELS.get(key, plain(key))}"), text(words)])
    if len(rows) > 1:
        yield KeepTogether([text("Uncertainty", HEADING), grid(rows, (70 * mm, page.width - 70 * mm))])
