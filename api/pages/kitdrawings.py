"""Small drawings of a kit's parts: what a figure is measured from and to, and which way the axes point.

The fixture is drawn to scale from its own figures, so that a plate on the wrong side is seen.
"""

from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from api.pages import svg
from api.pages.svg import Point, View, arrow, line, path, tag, text
from api.pages.words import Words
from calib_data.convert import T_fixture_plate, T_fixture_target
from calib_data.layouts import load_layouts

drawing = partial(svg.drawing, class_="sketch small")
Json = Mapping[str, Any]
WIDTH = 320.0  # one unit is about a pixel of a small phone
EDGE_MM, PLATE_HALF_MM, TARGET_HALF_MM, AXIS_MM = 160.0, 95.0, 130.0, 120.0


def clamp(words: Words) -> Markup:
    """A wheel and its plate from above: the standoff, from the wheel's centre to the printed face."""
    return drawing(
        WIDTH,
        206,
        words("draw.clamp.title"),
        tag("rect", x=34, y=40, width=56, height=124, class_="outline"),
        text((62, 32), words("draw.wheel")),
        line((8, 102), (312, 102), "reference"),
        *(path([(90, y), (170, y), (206, 102 + 0.7 * (y - 102))], "outline") for y in (64, 140)),
        tag("rect", x=206, y=66, width=6, height=72, class_="plate"),
        text((209, 58), words("draw.face")),
        arrow((212, 102), (268, 102), "facing"),
        text((274, 96), "z", "strong"),
        tag("circle", cx=62, cy=102, r=4, class_="dot"),
        *(line((x, y), (x, 186), "helper") for x, y in ((62, 102), (212, 138))),
        arrow((62, 180), (212, 180), "dimension", both=True),
        text((137, 174), words("draw.standoff"), "label strong"),
        text((62, 200), words("draw.wheel_centre")),
        text((298, 118), words("draw.axis"), "label"),
    )


def off_axis(words: Words) -> Markup:
    """A wheel plate as one looks at it: where the spin axis passes, and the axes of its tilt."""
    return drawing(
        WIDTH,
        170,
        words("draw.off_axis.title"),
        *_plate_axes((78, 92), 54.0),
        tag("circle", cx=104, cy=70, r=5, class_="dot"),
        *(
            text((186, y), words(f"draw.off_axis.{n}"), anchor="start")
            for n, y in enumerate((48, 64, 80), start=1)
        ),
        line((109, 70), (182, 52), "helper"),
    )


def datum(words: Words) -> Markup:
    """A plate on the body: the way from its centre to the body point, in the plate's axes."""
    return _off_plate(words, words("draw.datum.title"), words("draw.body_point"))


def stand_in(words: Words) -> Markup:
    """A plate in the target's place: the way from its centre to the reference point, in the plate's axes."""
    return _off_plate(words, words("draw.stand_in.title"), words("draw.reference_point"))


def _off_plate(words: Words, title: str, point: str) -> Markup:
    return drawing(
        WIDTH,
        190,
        title,
        *_plate_axes((110, 96), 62.0),
        arrow((110, 96), (236, 142), "dimension"),
        tag("circle", cx=240, cy=144, r=4, class_="dot"),
        text((240, 164), point),
        text((196, 116), words("draw.offset"), "label strong", "start"),
    )


def _plate_axes(centre: Point, half: float) -> Iterator[Markup]:
    """A plate as its reader sees it: x to the right, y up, z toward the reader."""
    x, y = centre
    yield tag("rect", x=x - half, y=y - half, width=2 * half, height=2 * half, class_="plate")
    yield arrow(centre, (x + half + 26, y), "facing")
    yield text((x + half + 34, y + 4), "x", "strong")
    yield arrow(centre, (x, y - half - 16), "facing")
    yield text((x + 10, y - half - 10), "y", "strong")
    yield tag("circle", cx=x, cy=y, r=7, class_="outline")
    yield tag("circle", cx=x, cy=y, r=2, class_="dot")
    yield text((x - 14, y + 16), "z", "strong")


def mat_axes(words: Words) -> Markup:
    """A mat as its reader sees it: where x and y of its plates run, and which way its mark points."""
    middle, up = (132.0, 104.0), 84.0
    return drawing(
        WIDTH,
        206,
        words("draw.mat.title"),
        tag("rect", x=32, y=20, width=200, height=168, class_="outline"),
        *(tag("rect", x=x, y=y, width=34, height=34, class_="plate") for x in (40, 190) for y in (28, 146)),
        arrow(middle, (212, 104), "facing"),
        text((222, 108), "x", "strong"),
        arrow(middle, (132, 104 - up + 8), "facing"),
        text((142, 40), "y", "strong"),
        tag("circle", cx=middle[0], cy=middle[1], r=4, class_="dot"),
        text((126, 122), words("draw.mat.mark"), "label strong", "end"),
        arrow(middle, (57, 163), "dimension"),
        text((240, 160), words("draw.mat.plate.1"), "label", "start"),
        text((240, 174), words("draw.mat.plate.2"), "label", "start"),
    )


def level(words: Words) -> Markup:
    """The two ways in which a plate shows the plumb line: hanging free, and lying on what was levelled."""
    return drawing(
        WIDTH,
        178,
        words("draw.level.title"),
        line((80, 8), (80, 60), "scale"),
        tag("rect", x=42, y=60, width=76, height=76, class_="plate"),
        arrow((80, 98), (80, 42), "facing"),
        text((92, 48), "y", "strong", "start"),
        text((80, 168), words("draw.level.hangs")),
        tag("rect", x=190, y=112, width=100, height=8, class_="plate"),
        tag("rect", x=180, y=120, width=120, height=16, class_="outline"),
        line((172, 136), (308, 136), "floor"),
        arrow((240, 112), (240, 54), "facing"),
        text((252, 62), "z", "strong", "start"),
        text((240, 168), words("draw.level.lies")),
    )


def floor_plate(words: Words) -> Markup:
    """A board on the floor from the side: its thickness, from the floor to the printed face."""
    return drawing(
        WIDTH,
        110,
        words("draw.floor_plate.title"),
        line((10, 84), (310, 84), "floor"),
        text((30, 102), words("draw.floor"), anchor="start"),
        tag("rect", x=70, y=62, width=120, height=22, class_="plate"),
        line((70, 62), (190, 62), "target"),
        text((130, 52), words("draw.face_up")),
        line((190, 62), (236, 62), "helper"),
        arrow((224, 36), (224, 62), "dimension"),
        arrow((224, 108), (224, 84), "dimension"),
        text((234, 77), words("draw.thickness"), "label strong", "start"),
    )


def bar(words: Words) -> Markup:
    """A bar with two plates: its length, from pattern centre to pattern centre."""
    return drawing(
        WIDTH,
        120,
        words("draw.bar.title"),
        tag("rect", x=40, y=44, width=240, height=10, class_="outline"),
        *(tag("rect", x=x - 28, y=21, width=56, height=56, class_="plate") for x in (60, 260)),
        *(tag("circle", cx=x, cy=49, r=3, class_="dot") for x in (60, 260)),
        *(line((x, 49), (x, 104), "helper") for x in (60, 260)),
        arrow((60, 98), (260, 98), "dimension", both=True),
        text((160, 92), words("draw.bar.length"), "label strong"),
    )


def sheet(words: Words) -> Markup:
    """A printed sheet: where its ruler and the pattern's height and width are measured."""
    left, right, at = 70.0, 202.0, 176.0
    ruler_mm = load_layouts()[0].ruler_mm
    ticks = [left + n * (right - left) / 15 for n in range(16)]
    return drawing(
        WIDTH,
        232,
        words("draw.sheet.title"),
        tag("rect", x=50, y=6, width=172, height=196, class_="outline"),
        tag("rect", x=64, y=16, width=144, height=130, class_="plate"),
        text((136, 86), words("draw.pattern")),
        arrow((234, 16), (234, 146), "dimension", both=True),
        text((240, 84), words("draw.height"), "label", "start"),
        arrow((64, 156), (208, 156), "dimension", both=True),
        text((226, 162), words("draw.width"), "label", "start"),
        line((left, at), (right, at), "scale"),
        *(line((x, at), (x, at - 7), "scale") for x in ticks),
        text((left, at + 14), "0"),
        text((right, at + 14), f"{ruler_mm:g}"),
        *(line((x, at), (x, 222), "helper") for x in (left, right)),
        arrow((left, 216), (right, 216), "dimension", both=True),
        text((right + 8, 220), words("draw.ruler"), "label strong", "start"),
    )


# --- a fixture, to scale ----------------------------------------------------------------------------


def fixture(file: Json, words: Words) -> list[Markup]:
    """A fixture of a kit's file as seen from the vehicle, and from above."""
    plates = [(str(m["plate"]), T_fixture_plate(m["position_mm"], m["rotation_deg"])) for m in file["plates"]]
    targets = [
        (name, T_fixture_target(t["position_mm"], t["rotation_deg"])) for name, t in file["targets"].items()
    ]
    # A label lies on a target's face by the rule for plates on fixtures.
    plates += [
        (str(t["label"]["plate"]), T @ T_fixture_plate(t["label"]["position_mm"], t["label"]["rotation_deg"]))
        for (_, T), t in zip(targets, file["targets"].values(), strict=True)
        if t.get("label")
    ]
    # Across the drawing runs the vehicle's right; its left is left, as one sits in it.
    front = _view(plates, targets, up=(2, 1))
    above = _view(plates, targets, up=(0, 1))
    return [
        _drawn(front, words("draw.fixture.front.title"), [
            *(_square(front, T, name) for name, T in plates),
            *(_cross(front, T, name) for name, T in targets),
            *_axes(front, (1, 2)),
        ], words("draw.fixture.front")),
        _drawn(above, words("draw.fixture.above.title"), [
            *(_edge(above, T, name) for name, T in plates),
            *(_back(above, T, name) for name, T in targets),
            *_axes(above, (1, 0)),
        ], words("draw.fixture.above")),
    ]  # fmt: skip


# --- a mat, to scale --------------------------------------------------------------------------------


def mat(file: Json, words: Words) -> Markup:
    """A mat of a kit's file as its reader sees it: plates and marks in its own plane."""
    plates = [(str(m["plate"]), _in_plane(m)) for m in file["plates"]]
    marks = [(name, _in_plane(t)) for name, t in file["targets"].items()]
    corners = np.array([np.zeros(2), *(T[:2, 3] for _, T in (*plates, *marks))])
    (left, low), (right, high) = corners.min(axis=0) - EDGE_MM, corners.max(axis=0) + EDGE_MM
    view = View((0, 1), (1, 1), (left, low), (right, high), (right - left) / WIDTH, top=6.0)
    return _drawn(view, words("draw.mat.own.title"), [
        *(_square(view, T, name) for name, T in plates),
        *(_mark(view, T, name) for name, T in marks),
        *_axes(view, (0, 1)),
    ], words("draw.mat.own"))  # fmt: skip


def _in_plane(entry: Json) -> NDArray:
    """A plate's or mark's pose on its mat, (4, 4)."""
    turn = np.radians(entry.get("rotation_deg", 0.0))
    T = np.eye(4)
    T[:2, :2] = [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]
    T[:2, 3] = entry["position_mm"]
    return T


def _mark(view: View, T: NDArray, name: str) -> Markup:
    """An arrow the way the mark points, from its place."""
    start, end = view(T[:3, 3]), view((T @ [0, 1.6 * AXIS_MM, 0, 1])[:3])
    dot = tag("circle", cx=start[0], cy=start[1], r=4, class_="dot")
    return Markup("").join([arrow(start, end, "facing"), dot, _label(start, name, 18, "label strong")])


Placed = Sequence[tuple[str, NDArray]]


def _view(plates: Placed, targets: Placed, up: tuple[int, int]) -> View:
    corners = [np.zeros(3), *(T[:3, 3] for _, T in (*plates, *targets))]
    across = [-float(corner[1]) for corner in corners]
    along = [up[1] * float(corner[up[0]]) for corner in corners]
    low = (min(across) - EDGE_MM, min(along) - EDGE_MM)
    high = (max(across) + EDGE_MM, max(along) + EDGE_MM)
    return View((1, -1), up, low, high, (high[0] - low[0]) / WIDTH, top=6.0)


def _drawn(view: View, title: str, parts: Sequence[Markup], caption: str) -> Markup:
    below = view.height + 6
    return drawing(WIDTH, below + 22, title, *parts, text((WIDTH / 2, below + 14), caption))


def _square(view: View, T: NDArray, name: str) -> Markup:
    half = PLATE_HALF_MM
    corners = [view((T @ [x, y, 0, 1])[:3]) for x, y in _SQUARE * half]
    return Markup("").join(
        [path(corners, "plate", closed=True), _label(view(T[:3, 3]), name, 4, "label strong")]
    )


_SQUARE = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])


def _cross(view: View, T: NDArray, name: str) -> Markup:
    ends = [[view((T @ [0, *(s * d * 45), 1])[:3]) for s in (-1, 1)] for d in (np.eye(2)[0], np.eye(2)[1])]
    x, y = view(T[:3, 3])
    beside = text((x + 12, y - 8), name, "label", "start") if x < WIDTH - 80 else _label((x, y), name, 26)
    return Markup("").join([*(line(a, b, "target") for a, b in ends), beside])


def _edge(view: View, T: NDArray, name: str) -> Markup:
    """A plate from above: its edge, and which way its face looks."""
    a, b, face = (view((T @ p)[:3]) for p in ([-95, 0, 0, 1], [95, 0, 0, 1], [0, 0, 90, 1]))
    at = view(T[:3, 3])
    return Markup("").join(
        [line(a, b, "wheel"), arrow(at, face, "facing"), _label(at, name, -8, "label strong")]
    )


def _back(view: View, T: NDArray, name: str) -> Markup:
    a, b = (view((T @ [0, y, 0, 1])[:3]) for y in (-TARGET_HALF_MM, TARGET_HALF_MM))
    return Markup("").join([line(a, b, "target"), _label(view(T[:3, 3]), name, 18)])


def _label(at: Point, words: str, down: float, class_: str = "label") -> Markup:
    anchor = "start" if at[0] < 50 else "end" if at[0] > WIDTH - 50 else "middle"
    return text((at[0], at[1] + down), words, class_, anchor)


def _axes(view: View, shown: tuple[int, int]) -> Iterator[Markup]:
    """The fixture's own axes at its origin."""
    for i in shown:
        end = np.zeros(3)
        end[i] = AXIS_MM
        tip, beyond = view(end), view(end * 1.25)
        yield arrow(view(np.zeros(3)), tip, "dimension")
        yield text((beyond[0], beyond[1] + 4), "xyz"[i], "label strong")
    x, y = view(np.zeros(3))
    yield tag("circle", cx=x, cy=y, r=4, class_="dot")
