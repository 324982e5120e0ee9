"""The visit's slip: number and code, printed or on a screen, for the first photo of each round."""

import io
import re
import secrets

import segno
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas

from api.tables import Visit

# Without I, L, O and U, which are misread or spell words (Crockford's base 32).
_ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_LENGTH = 10  # 50 bits: two visits of any two stores will not share one
_TEXT = re.compile(rf"PLUMBSIGHT VISIT [0-9]{{1,9}} ([{_ALPHABET}]{{{_LENGTH}}})")
_PAPERS = {"A4": A4, "Letter": LETTER}


def new_slip() -> str:
    """A code that no other visit has."""
    return "".join(secrets.choice(_ALPHABET) for _ in range(_LENGTH))


def text(number: int, slip: str) -> str:
    """What the QR code says; capitals, figures and blanks keep the code coarse."""
    return f"PLUMBSIGHT VISIT {number} {slip}"


def read(seen: str) -> str | None:
    """The slip that a QR code's text names; none if it is no slip of ours."""
    found = _TEXT.fullmatch(seen.strip())
    return found[1] if found else None


def svg(visit: Visit) -> str:
    """The QR code alone, for a screen; it fills its box, dark on white with its quiet zone."""
    out = io.BytesIO()
    _code(visit).save(out, kind="svg", border=4, light="#fff", xmldecl=False, svgns=True, omitsize=True)
    return out.getvalue().decode()


def pdf(visit: Visit, paper: str, is_demo: bool) -> bytes:
    """The slip on one sheet, readable from two metres."""
    width, height = _PAPERS[paper]
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(width, height), invariant=True)
    canvas.setTitle(f"Slip of visit {visit.number}")
    side = 130 * mm
    _draw_code(canvas, visit, (width - side) / 2, height - 40 * mm - side, side)
    lines = [(56, f"Visit {visit.number}"), (18, visit.slip), (14, _drawable(str(visit.vehicle["label"])))]
    lines += [(14, _drawable(visit.bay))] if visit.bay else []
    lines += [(11, "Hold this slip in the first photo of each round.")]
    if is_demo:
        lines.insert(0, (28, "DEMO"))
    y = height - 55 * mm - side
    for size, line in lines:
        canvas.setFont("Helvetica-Bold" if size > 20 else "Helvetica", size)
        canvas.drawCentredString(width / 2, y - size, line)
        y -= 1.5 * size
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def _code(visit: Visit) -> segno.QRCode:
    return segno.make_qr(text(visit.number, visit.slip), error="q")


def _draw_code(canvas: Canvas, visit: Visit, x: float, y: float, side: float) -> None:
    rows = tuple(_code(visit).matrix_iter(border=0))
    module = side / len(rows)
    for i, row in enumerate(rows):
        for k, is_dark in enumerate(row):
            if is_dark:
                canvas.rect(x + k * module, y + side - (i + 1) * module, module, module, stroke=0, fill=1)


def _drawable(line: str) -> str:
    """What the sheet's standard font can draw; the rest as a question mark."""
    return line.encode("cp1252", "replace").decode("cp1252")[:80]
