"""What pages on paper have in common: embedded fonts, text that cannot vanish, drawings as vectors."""

import unicodedata
from functools import cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import matplotlib
import numpy as np
from matplotlib.backend_bases import GraphicsContextBase, RendererBase
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.path import Path as Outline
from matplotlib.transforms import Affine2D
from reportlab.lib.colors import Color
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable

# DejaVu comes with matplotlib, may be embedded, and has Latin, Greek and Cyrillic letters.
PLAIN, BOLD, ITALIC, FIXED = "DejaVuSans", "DejaVuSans-Bold", "DejaVuSans-Oblique", "DejaVuSansMono"
# Written from right to left, and joined: the page's library would set them in the wrong order.
_UNSET = {"R", "AL", "AN", "RLE", "LRE", "RLO", "LRO", "RLI", "LRI", "FSI", "PDF", "PDI"}


@cache
def use_fonts() -> None:
    """Make the fonts known to the page's library, once."""
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name in (PLAIN, BOLD, ITALIC, FIXED):
        pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=ITALIC, boldItalic=BOLD)


def shown(text: str) -> str:
    """A text with its code point in place of every character that the page could not show rightly."""
    use_fonts()
    known = pdfmetrics.getFont(BOLD).face.charToGlyph  # the bold one has the fewest letters
    return "".join(c if ord(c) in known and _is_settable(c) else f"[U+{ord(c):04X}]" for c in text)


def _is_settable(c: str) -> bool:
    return unicodedata.bidirectional(c) not in _UNSET and not unicodedata.category(c).startswith("C")


def marked_up(text: str) -> str:
    """A text for a paragraph: all of it shown, none of it taken for markup."""
    return escape(shown(text))


class Drawing(Flowable):
    """A figure of calib_data.drawings as vectors on the page, at its own size."""

    def __init__(self, figure: Figure) -> None:
        super().__init__()
        figure.set_dpi(72)  # one pixel is one point
        self.figure = figure
        self.width, self.height = (72 * inches for inches in figure.get_size_inches())

    def wrap(self, *_: float) -> tuple[float, float]:
        return self.width, self.height

    def draw(self) -> None:
        use_fonts()
        self.figure.draw(_OnCanvas(self.canv, self.width, self.height))


class _OnCanvas(RendererBase):
    """Draws what a figure consists of on the page's canvas, in points from the lower left corner."""

    def __init__(self, canvas: Canvas, width: float, height: float) -> None:
        super().__init__()
        self.canvas, self.size = canvas, (width, height)

    def get_canvas_width_height(self) -> tuple[float, float]:
        return self.size

    def flipy(self) -> bool:
        return False

    def draw_path(self, gc: GraphicsContextBase, path: Outline, transform: Any, rgbFace: Any = None) -> None:
        self.canvas.saveState()
        self._clip(gc)
        outline = self._outline(path, transform)
        if rgbFace is not None:
            self.canvas.setFillColor(_colour(rgbFace))
            self.canvas.drawPath(outline, stroke=0, fill=1)
        if gc.get_hatch():
            self._hatch(gc, path, transform, outline)
        if gc.get_linewidth() > 0 and gc.get_rgb()[3] > 0:
            self._pen(gc)
            self.canvas.drawPath(outline, stroke=1, fill=0)
        self.canvas.restoreState()

    def draw_text(
        self,
        gc: GraphicsContextBase,
        x: float,
        y: float,
        s: str,
        prop: FontProperties,
        angle: float,
        ismath: Any = False,
        mtext: Any = None,
    ) -> None:
        weight, style = prop.get_weight(), prop.get_style()
        font = BOLD if weight in ("bold", "heavy", 700) else ITALIC if style == "italic" else PLAIN
        self.canvas.saveState()
        self.canvas.translate(x, y)
        self.canvas.rotate(angle)
        self.canvas.setFillColor(_colour(gc.get_rgb()))
        self.canvas.setFont(font, prop.get_size_in_points())
        self.canvas.drawString(0, 0, shown(s))
        self.canvas.restoreState()

    def _outline(self, path: Any, transform: Any) -> Any:
        outline, at = self.canvas.beginPath(), (0.0, 0.0)
        for points, kind in path.iter_segments(transform, simplify=False):
            p = np.asarray(points, dtype=float).tolist()
            if kind == Outline.MOVETO:
                outline.moveTo(*p)
            elif kind == Outline.LINETO:
                outline.lineTo(*p)
            elif kind == Outline.CURVE3:  # a parabola as the cubic that it also is
                (x0, y0), (x1, y1, x2, y2) = at, p
                first = (x0 + 2 / 3 * (x1 - x0), y0 + 2 / 3 * (y1 - y0))
                second = (x2 + 2 / 3 * (x1 - x2), y2 + 2 / 3 * (y1 - y2))
                outline.curveTo(*first, *second, x2, y2)
            elif kind == Outline.CURVE4:
                outline.curveTo(*p)
            elif kind == Outline.CLOSEPOLY:
                outline.close()
            at = (p[-2], p[-1])
        return outline

    def _clip(self, gc: GraphicsContextBase) -> None:
        box = gc.get_clip_rectangle()
        if box is not None:
            outline = self.canvas.beginPath()
            outline.rect(box.x0, box.y0, box.width, box.height)
            self.canvas.clipPath(outline, stroke=0, fill=0)
        path, transform = gc.get_clip_path()
        if path is not None:
            self.canvas.clipPath(self._outline(path, transform), stroke=0, fill=0)

    def _hatch(self, gc: GraphicsContextBase, path: Outline, transform: Any, outline: Any) -> None:
        """The hatch pattern fills a square inch; squares are laid over the shape's box."""
        pattern = gc.get_hatch_path()
        box = path.get_extents(transform)
        self.canvas.saveState()
        self.canvas.clipPath(outline, stroke=0, fill=0)
        self.canvas.setStrokeColor(_colour(gc.get_hatch_color()))
        self.canvas.setLineWidth(0.8)
        for x in range(int(box.x0 // 72), int(box.x1 // 72) + 1):
            for y in range(int(box.y0 // 72), int(box.y1 // 72) + 1):
                square = Affine2D().scale(72).translate(72 * x, 72 * y)
                self.canvas.drawPath(self._outline(pattern, square), stroke=1, fill=0)
        self.canvas.restoreState()

    def _pen(self, gc: GraphicsContextBase) -> None:
        self.canvas.setStrokeColor(_colour(gc.get_rgb()))
        self.canvas.setLineWidth(gc.get_linewidth())
        self.canvas.setLineCap({"butt": 0, "round": 1, "projecting": 2}[gc.get_capstyle()])
        self.canvas.setLineJoin({"miter": 0, "round": 1, "bevel": 2}[gc.get_joinstyle()])
        offset, dashes = gc.get_dashes()
        if dashes is not None:
            self.canvas.setDash(np.asarray(dashes, dtype=float).tolist(), offset)


def _colour(colour: Any) -> Color:
    return Color(*to_rgba(colour))
