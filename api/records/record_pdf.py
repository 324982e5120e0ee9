"""A record on paper: A4 or Letter, readable in black and white, with lines for ink.

The words carry every decision; hatching repeats them. The same record gives the same bytes.
"""

import io
import math
from collections.abc import Iterator, Sequence
from typing import Any

from reportlab.lib.colors import Color, black
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
)

from api.figures import Figures
from api.records.paper import BOLD, FIXED, PLAIN, marked_up, shown, use_fonts
from api.records.record_parts import (
    FOOT,
    HASH,
    HEADING,
    MARGIN,
    PAPERS,
    ROOM,
    SMALL,
    STRONG,
    TEXT,
    Clock,
    Page,
    budget,
    checks,
    decision_words,
    grid,
    header,
    in_order,
    lines_of,
    listed,
    plain,
    quantity,
    style,
    text,
    values,
    views,
)
from api.records.recording import STUDY, Json, asked_of, is_demo
from calib_data.record import LOOKS
from calib_data.sheets import SECOND_CHECK
from calib_data.visit import counted_of, counting_looks, last_look
from vision.advice import LABELS

PALE = Color(0.9, 0.9, 0.9)
KINDS = {
    "first": "first look",
    "after_correction": "after a correction",
    "after_calibration": "after the calibration",
    "clamps_before": "clamps, before rolling",
    "clamps_after": "clamps, after rolling",
    "repeat": "a repeat",
}
MARKS = {
    "DEMO": "DEMO: cannot be signed, of no use for any vehicle",
    "NOT SIGNED": "NOT SIGNED: how the visit stands now",
    "STUDY": "STUDY: how far rounds of one set-up agree. No proof of any job",
}


def record_pdf(record: Json, page: Page) -> bytes:
    """A record's pages. What is unsigned or for demonstration says so across each page."""
    use_fonts()
    pdf = io.BytesIO()
    size = PAPERS[page.paper]
    title = shown(f"Visit {record['visit']['number']}: {record['says']}")
    about = {"title": title, "author": shown(record["shop"]["name"]), "lang": "en"}
    document = BaseDocTemplate(pdf, pagesize=size, invariant=1, initialFontName=PLAIN, **about)
    frame = Frame(MARGIN, FOOT, page.width, page.height, 0, 0, 0, 0)
    mark = _mark(record, page)
    template = PageTemplate("record", [frame], onPage=lambda canvas, _: _watermark(canvas, mark, size))
    document.addPageTemplates([template])
    foot = _foot(record, page)
    document.build(list(_story(record, page)), canvasmaker=lambda *a, **more: _Counted(*a, foot=foot, **more))
    return pdf.getvalue()


class _Counted(Canvas):
    """A canvas whose pages say how many there are: their feet are written once all are known."""

    def __init__(self, *args: Any, foot: Sequence[str], **more: Any) -> None:
        super().__init__(*args, **more)
        self.foot = foot
        self.kept: list[dict[str, Any]] = []

    def showPage(self) -> None:
        self.kept.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        kept = self.kept
        for i, state in enumerate(kept, start=1):
            self.__dict__.update(state)
            self._write_foot(f"page {i} of {len(kept)}")
            super().showPage()
        super().save()

    def _write_foot(self, count: str) -> None:
        right = self._pagesize[0] - MARGIN
        self.setStrokeColor(black)
        self.setFillColor(black)
        self.setLineWidth(0.5)
        self.line(MARGIN, FOOT - 2 * mm, right, FOOT - 2 * mm)
        self.setFont(PLAIN, 6.5)
        for row, line in enumerate(self.foot):
            self.drawString(MARGIN, FOOT - 5.2 * mm - row * 3 * mm, line)
        self.drawRightString(right, FOOT - 5.2 * mm, count)


def _watermark(canvas: Canvas, mark: str, size: tuple[float, float]) -> None:
    if not mark:
        return
    canvas.saveState()
    canvas.setFillColor(PALE)
    canvas.translate(size[0] / 2, size[1] / 2)
    canvas.rotate(55)
    canvas.setFont(BOLD, 84 if mark == "DEMO" else 62)
    for row in (-190, 0, 190):
        canvas.drawCentredString(0, row, mark)
    canvas.restoreState()


def _mark(record: Json, page: Page) -> str:
    if is_demo(record):
        return "DEMO"
    if not page.head:
        return "NOT SIGNED"
    return "STUDY" if record.get("study") else ""


def _foot(record: Json, page: Page) -> list[str]:
    chained = f"{page.link}, head {page.head}" if page.head else "not signed: no record"
    demo = ". DEMO: of no use for any vehicle" if is_demo(record) else ""
    study = ". Of a study, no proof of a job" if record.get("study") else ""
    return [f"Visit {record['visit']['number']}, {chained}{demo}{study}", SECOND_CHECK]


# --- the pages ------------------------------------------------------------------------------------


def _story(record: Json, page: Page) -> Iterator[Flowable]:
    clock = Clock(record["shop"]["zone"])
    names = {one["id"]: one["name"] for one in record["people"]}
    last = last_look(record["rounds"])
    counted = counted_of(record["rounds"], asked_of(record))
    looks = [one for one in counting_looks(record["rounds"], counted) if one["result"]]
    yield from _opening(record, page)
    yield _facts(record, page, clock, names)
    if looks and not record.get("study"):
        yield from values(record, counted, page)
        for one in looks:
            of = {"of": f" in round {one['number']}"} if len(looks) > 1 else {}
            yield from views(one["result"], page, **of)
            yield from checks(one["result"], page.figures, **of)
        yield from budget(counted, page)
    yield from _rounds(record, page, clock, names)
    yield from listed("Not checked here", record["not_checked"])
    yield from listed("Cautions", [*record["cautions"], *_unprinted(record)])
    yield from listed("Clamps", list(_clamps(last, record)))
    yield from listed("Deviations", [one["says"] for one in record["deviations"]])
    yield from _conditions(record, page, clock, names)
    yield from _photos(record, page, clock)
    yield from _ending(record, page, clock)


# What people typed, or their phones named.
_TYPED = ("visit", "shop", "people", "placements", "conditions", "deviations", "photos", "signature")


def _unprinted(record: Json) -> Iterator[str]:
    if any(shown(one) != one for key in _TYPED for one in _texts(record.get(key))):
        yield (
            "This page has no letters for some characters that were typed, and prints the number of each "
            "instead, as in [U+8F66]. The record itself, record.json, keeps what was typed exactly."
        )


def _texts(value: Any) -> Iterator[str]:
    """Every text in a JSON value."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict | list):
        for part in value.values() if isinstance(value, dict) else value:
            yield from _texts(part)


def _opening(record: Json, page: Page) -> Iterator[Flowable]:
    kind = "Record" if page.head else "Draft of a record"
    yield text(record["shop"]["name"] or "A shop without a name", style(9))
    about = "a study of how far rounds agree" if record.get("study") else "where the target stood"
    yield text(f"{kind}: {about}", style(16, BOLD, spaceAfter=5))
    mark = _mark(record, page)
    if mark:
        yield text(MARKS[mark], style(8.5, BOLD, spaceAfter=5))
    n = len(STUDY if record.get("study") else decision_words(record["decision"]))
    says = f"<b>{marked_up(record['says'][:n].upper())}</b>{marked_up(record['says'][n:])}"
    looks: list[Any] = [
        ("FONTNAME", (0, 0), (-1, -1), PLAIN),
        ("BOX", (0, 0), (-1, -1), 1.6, black),
        ("LEFTPADDING", (0, 0), (-1, -1), 8),
        ("TOPPADDING", (0, 0), (-1, 0), 6),
        ("BOTTOMPADDING", (0, 0), (-1, 0), 8),
        ("BOTTOMPADDING", (0, 1), (-1, 1), 6),
    ]
    yield Table([[Paragraph(says, style(15))], [text(record["covers"], SMALL)]], [page.width], style=looks)
    yield Spacer(1, 3 * mm)


def _facts(record: Json, page: Page, clock: Clock, names: dict[str, str]) -> Table:
    visit, vehicle, kit = record["visit"], record["visit"]["vehicle"], record["kit"]
    odometer, signature = visit["odometer_km"], record.get("signature")
    closed = f"{clock(signature['at'])}, {signature['name']} ({signature['role']})" if signature else "open"
    rows = {
        "Visit": f"number {visit['number']}, slip {visit['slip']}",
        "Bay": visit["bay"] or "not named",
        "Vehicle": vehicle.get("label") or "without a label",
        "VIN": visit["vin"] or "not recorded",
        "Odometer": f"{odometer} km" if odometer is not None else "not recorded",
        "Wheelbase as declared": _length(vehicle.get("wheelbase_mm"), page.figures),
        "That it is this vehicle": visit["identity"],
        **_of_study(record.get("study")),
        "Begun": f"{clock(visit['begun_at'])}, {names.get(visit['begun_by'], '')}",
        "Signed and closed": closed,
        "Kit": f"{kit['name'] or 'without a name'}, revision {kit['revision']} of {clock(kit['at'])}",
        "Proof of the kit": " ".join(record["proof"]["says"]) if record.get("proof") else "not recorded",
        "Cameras": ", ".join(record["phones"]) or "none",
    }
    cells = [[text(name, STRONG), text(value)] for name, value in rows.items()]
    return grid(cells, (44 * mm, page.width - 44 * mm), has_header=False)


def _of_study(study: Json | None) -> dict[str, str]:
    if not study:
        return {}
    varies = ", ".join(study["varies"])
    return {"Study": f"{study['name']}, set-up {study['set_up']}", "What differs between rounds": varies}


def _length(value_mm: float | None, figures: Figures) -> str:
    return f"{figures.given('_mm', value_mm)} {figures.unit}" if value_mm else "not declared"


def _rounds(record: Json, page: Page, clock: Clock, names: dict[str, str]) -> Iterator[Flowable]:
    rows: list[list[Any]] = [header("Round", "Photos taken in", "Decision", "Values that were required")]
    is_study = bool(record.get("study"))
    for one in record["rounds"]:
        n_photos = sum(1 for p in record["photos"] if p["round"] == one["number"])
        times = f"{clock(one['opened_at'])} to {clock.hour(one['closed_at'])}"
        decision = decision_words(one["result"]["decision"]) if one["result"] else "no result"
        decision = "nothing is decided" if record.get("study") else decision
        decision = "check of the clamps" if one["kind"] not in LOOKS else decision
        rows.append(
            [
                lines_of(
                    [f"{one['number']}: {KINDS.get(one['kind'], plain(one['kind']))}", *_stood(record, one)]
                ),
                text(f"{times}; {n_photos} photos; {names.get(one['opened_by'], '')}"),
                text(decision, STRONG),
                lines_of(list(_round_lines(one, page.figures, is_study)) or [one["says"]]),
            ]
        )
    widths = (28 * mm, 46 * mm, 31 * mm)
    yield CondPageBreak(ROOM)
    yield text(f"All rounds, in order ({len(record['rounds'])})", HEADING)
    yield grid(rows, (*widths, page.width - sum(widths)))


def _stood(record: Json, one: Json) -> Iterator[str]:
    """Which placements stood in a round, where these are not all of the visit's."""
    standing = one.get("standing")
    if standing is not None:
        names = [placement["name"] for placement in record["placements"] if placement["id"] in standing]
        yield f"at {', '.join(names)}"


def _round_lines(one: Json, figures: Figures, is_study: bool) -> Iterator[str]:
    for wheel, seat in (one.get("clamps") or {}).get("seats", {}).items():
        off = {key: math.hypot(*seat[key]) for key in ("eccentricity_mm", "tilt_deg")}
        told = [
            f"{figures.with_unit(key, figures.value(key, off[key], seat[f'u_{key}']))} "
            f"(u {figures.u(key, seat[f'u_{key}'])})"
            for key in off
        ]
        state = "as the kit says" if seat["is_seated"] else "off its seat"
        yield f"{plain(wheel)}: {told[0]} off the axis, {told[1]} of tilt: {state}"
    result = one["result"] or {}
    for placement in (*result.get("placements", ()), *result.get("relations", ())):
        for key, entry in in_order(placement["values"]):
            if "nominal" not in entry:
                continue
            is_measured = entry["value"] is not None
            value = quantity(key, entry, figures) if is_measured else "not measured"
            decision = "" if is_study else f": {entry['decision']}"
            yield f"{LABELS.get(key, plain(key))} {value}{decision}"


def _clamps(last: Json | None, record: Json) -> Iterator[str]:
    """On which check the last look's clamps rest, and which were taken off since one."""
    clamps = ((last or {}).get("result") or {}).get("clamps", {})
    for says in dict.fromkeys(one["says"] for one in clamps.values()):
        wheels = ", ".join(plain(wheel) for wheel, one in clamps.items() if one["says"] == says)
        yield f"As they hang ({wheels}): {says}"
    for one in record.get("clamps_off", ()):
        yield f"Taken off before round {one['from_round']}: {plain(one['wheel'])}: {one['says']}"


def _conditions(record: Json, page: Page, clock: Clock, names: dict[str, str]) -> Iterator[Flowable]:
    rows: list[list[Any]] = [header("Condition", "State", "What was said", "By")]
    for one in record["conditions"]:
        rows.append(
            [
                text(f"{plain(one['name'])}: {one['asks']}".removesuffix(": ")),
                text(plain(one["state"]), STRONG),
                text(one["value"]),
                text(f"{names.get(one['by'], '')}, {clock(one['at'])}" if one["at"] else "nobody", SMALL),
            ]
        )
    yield CondPageBreak(ROOM)
    yield text("Conditions, in the order said; the last of a kind counts", HEADING)
    yield grid(rows, (62 * mm, 24 * mm, page.width - 124 * mm, 38 * mm))


def _photos(record: Json, page: Page, clock: Clock) -> Iterator[Flowable]:
    rows: list[list[Any]] = [header("Photo", "Where", "SHA-256")]
    for photo in record["photos"]:
        where = f"round {photo['round']}" if photo["round"] else f"refused: {photo['refused_reason']}"
        if photo["taken_out"]:
            where += f"; {', '.join(photo['taken_out'])} taken out"
        if photo["removed_at"]:
            where += f"; file removed {clock(photo['removed_at'])}"
        hashes = [f"{photo['sha256']} stored"]
        if photo["came_as_sha256"] != photo["sha256"]:
            hashes.append(f"{photo['came_as_sha256']} as it came")
        rows.append([text(photo["name"], SMALL), text(where, SMALL), lines_of(hashes, HASH)])
    yield CondPageBreak(ROOM)
    yield text(f"All photos, in order of arrival ({len(record['photos'])})", HEADING)
    yield grid(rows, (36 * mm, page.width - 128 * mm, 92 * mm))


def _ending(record: Json, page: Page, clock: Clock) -> Iterator[Flowable]:
    made = ", ".join(f"{name} {version}" for name, version in sorted(record["made_with"].items()))
    rule = [text("How it was decided", HEADING), text(record["rule"]["says"])]
    yield KeepTogether([*rule, text(f"Made with: {made}.", SMALL)])
    signature = record.get("signature")
    if signature is None or page.head is None:
        yield text("This page is a draft: nobody has signed it, and it is in no chain.", STRONG)
        return
    parts: list[Flowable] = [
        text("Signature", HEADING),
        text(f"{signature['name']} ({signature['role']}), {clock(signature['at'])}", STRONG),
    ]
    if signature["statement"]:
        parts.append(text(f"Said in signing: {signature['statement']}", TEXT))
    yield KeepTogether([*parts, text(signature["means"], SMALL), Spacer(1, 5 * mm), _ink(page)])
    yield KeepTogether(
        [
            text("The chain's head", HEADING),
            text(page.head, style(13, FIXED, spaceBefore=2, spaceAfter=4)),
            text(
                f"{page.link[:1].upper()}{page.link[1:]}. Keep this page: plumbsight verify STORE --head "
                "with this code finds whether the store still holds this record and everything before it, "
                "unchanged. Without a printed head, whoever holds the store could write its chain anew. The "
                "whole record, with the kit's file and every point seen, is record.json of the export.",
                SMALL,
            ),
        ]
    )


def _ink(page: Page) -> Table:
    """Lines to sign on by hand."""
    labels = ("Signed by hand (optional)", "", "Date", "", "Seen by", "", "Date")
    widths = [page.width * share for share in (0.34, 0.02, 0.13, 0.02, 0.34, 0.02, 0.13)]
    rows = [[""] * len(labels), [text(words, SMALL) for words in labels]]
    looks: list[Any] = [("LINEABOVE", (i, 1), (i, 1), 0.7, black) for i in range(0, len(labels), 2)]
    looks += [("FONTNAME", (0, 0), (-1, -1), PLAIN), ("LEFTPADDING", (0, 0), (-1, -1), 1)]
    return Table(rows, widths, [9 * mm, 5 * mm], style=looks)
