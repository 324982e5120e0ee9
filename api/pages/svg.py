"""SVG elements as escaped text, and a view that maps millimetres to the drawing's units.

No style attributes: looks come from the style sheet by class, so that dark and light, and a page's
security policy, hold for drawings too.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from markupsafe import Markup, escape

Point = tuple[float, float]


def tag(name: str, *inside: str, **attributes: object) -> Markup:
    """An element; `class_` is class, underscores are hyphens, None is left out."""
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(_short(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    body = "".join(escape(part) for part in inside)
    return Markup(f"<{name}{written}>{body}</{name}>")  # noqa: S704 - every part was escaped above


def _short(value: object) -> object:
    return f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else value


def line(a: Point, b: Point, class_: str) -> Markup:
    return tag("line", x1=a[0], y1=a[1], x2=b[0], y2=b[1], class_=class_)


def path(points: Iterable[Point], class_: str, *, closed: bool = False) -> Markup:
    d = "M" + "L".join(f"{x:.2f} {y:.2f}" for x, y in points) + ("Z" if closed else "")
    return tag("path", d=d, class_=class_)


def text(at: Point, words: str, class_: str = "", anchor: str = "middle") -> Markup:
    return tag("text", words, x=at[0], y=at[1], class_=class_ or None, text_anchor=anchor)


def arrow(start: Point, end: Point, class_: str, *, both: bool = False) -> Markup:
    """A line with a head at its end, or at both."""
    parts = [line(start, end, class_), _head(start, end, class_)]
    if both:
        parts.append(_head(end, start, class_))
    return Markup("").join(parts)


def _head(start: Point, end: Point, class_: str) -> Markup:
    dx, dy = end[0] - start[0], end[1] - start[1]
    length = max((dx * dx + dy * dy) ** 0.5, 1e-9)
    ux, uy = dx / length, dy / length
    back = (end[0] - 7 * ux, end[1] - 7 * uy)
    sides = [(back[0] - 3 * uy, back[1] + 3 * ux), end, (back[0] + 3 * uy, back[1] - 3 * ux)]
    return path(sides, f"{class_} head", closed=True)


def drawing(width: float, height: float, title: str, *inside: str, class_: str = "sketch") -> Markup:
    """A whole drawing with its description for those who do not see it."""
    return tag(
        "svg", *inside, viewBox=f"0 0 {width:.0f} {height:.0f}", role="img", aria_label=title, class_=class_
    )


@dataclass(frozen=True)
class View:
    """Which two of X, Y, Z a drawing shows, and where.

    Attributes:
        right, up: Index of the axis that runs to the right, to the top, and its sign.
        low: Lowest shown millimetres (along right, along up), signs applied.
        mm_per_unit: Scale; one drawing unit is one pixel of a 360 px wide screen.
        top: Drawing units from the drawing's top to the highest shown millimetre.
    """

    right: tuple[int, int]
    up: tuple[int, int]
    low: Point
    high: Point
    mm_per_unit: float
    left: float = 0.0
    top: float = 0.0

    def __call__(self, point_mm: Iterable[float]) -> Point:
        p = list(point_mm)
        across, along = self.right[1] * p[self.right[0]], self.up[1] * p[self.up[0]]
        return (
            self.left + (across - self.low[0]) / self.mm_per_unit,
            self.top + (self.high[1] - along) / self.mm_per_unit,
        )

    @property
    def width(self) -> float:
        return (self.high[0] - self.low[0]) / self.mm_per_unit

    @property
    def height(self) -> float:
        return (self.high[1] - self.low[1]) / self.mm_per_unit
