"""Drawings for people: a plan and a side view of the result, and what was found in a photo."""

import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import floor, log10
from pathlib import Path
from typing import Any

import cv2
import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle
from numpy.typing import NDArray

from calib_data.labelling import Box, Words, box_of, put_words
from calib_data.sheets import SECOND_CHECK
from vision.detect import Detection

VIEW_WIDTH_IN = 7.6
VIEW_HEIGHT_IN = 7.0  # both views together, at most
COLUMN_IN = 4.6
STRIP_IN = 0.82
LINE_IN = 0.155
MARGIN_IN = 0.55
COLUMN_CHARACTERS = 70  # of 8 pt text in the column
TARGET_HALF_MM = 500.0  # a target's size is not known; it is drawn one metre wide
# Of drawings on paper: those of common rulers (ISO 5455), and between them for room.
SCALES = (10, 15, 20, 25, 30, 40, 50, 60, 75, 100, 150, 200)
DIMENSION_MM = 200.0  # from one dimension line to the next
POINTS_PER_IN, LETTER = 72.0, 0.62  # a letter's mean width as a share of the type's size
ABOVE, BELOW, RIGHT, LEFT, MIDDLE = (0.0, 1.0), (0.0, -1.0), (1.0, 0.0), (-1.0, 0.0), (0.0, 0.0)
CORNERS = ((1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0))
ROUND = (ABOVE, BELOW, RIGHT, LEFT, *CORNERS)
INK, GREY, PALE, ACCENT = "black", "0.45", "0.86", "#0072B2"
# The words carry the meaning; the hatching repeats it for a glance at a black-and-white print.
BAR_STYLES: dict[str, dict[str, Any]] = {
    "conforming": {"facecolor": ACCENT, "hatch": ""},
    "undecided": {"facecolor": "white", "hatch": "////"},
    "nonconforming": {"facecolor": "white", "hatch": "xxxx"},
}


def save_views(result: Mapping[str, Any], path_svg: Path, path_png: Path) -> None:
    """Write `draw_views` as SVG and PNG. The same result gives the same SVG bytes."""
    figure = draw_views(result)
    with matplotlib.rc_context({"svg.hashsalt": "plumbsight"}):
        figure.savefig(path_svg, format="svg", metadata={"Date": None})
    figure.savefig(path_png, format="png", dpi=150)


def draw_views(result: Mapping[str, Any]) -> Figure:
    """Plan view, side view and one strip per value, from the result and its key `geometry`.

    Both views have one scale; X (forward) runs to the right, so left of the vehicle is up in the plan and
    the side view is seen from the vehicle's right. All lengths in mm of the vehicle frame.
    """
    geometry = result["geometry"]
    low, high = _range_mm(geometry, len(result["placements"]))
    extent = high - low
    mm_per_in = max(extent[0] / VIEW_WIDTH_IN, (extent[1] + extent[2]) / VIEW_HEIGHT_IN)
    width_in, plan_in, side_in = extent / mm_per_in
    blocks = list(_column(result))
    stations = _station_lines(geometry, width_in)
    views_in = plan_in + side_in + 2.3 * MARGIN_IN + LINE_IN * len(stations)

    page = _new_page(
        width_in + COLUMN_IN + 3.5 * MARGIN_IN,
        max(views_in, sum(block.height_in for block in blocks)) + 2 * MARGIN_IN,
    )
    left, top = 1.4 * MARGIN_IN, page.height_in - MARGIN_IN
    scale = f"1 : {mm_per_in / 25.4:.0f} where the page is {25.4 * page.width_in:.0f} mm wide"
    _draw_both(page, result, (left, top), (low, high), mm_per_in, scale)
    y = top + 0.2
    for block in blocks:
        block.draw(page, left + width_in + 0.9 * MARGIN_IN, y)
        y -= block.height_in
    page.text(left, 0.15, SECOND_CHECK, 8)
    return page.figure


def draw_plan_and_side(result: Mapping[str, Any], width_in: float, height_in: float) -> Figure:
    """The two views alone, for a page with that much room; true to the scale they state at that size."""
    geometry = result["geometry"]
    low, high = _range_mm(geometry, len(result["placements"]))
    extent = high - low
    lines = len(_station_lines(geometry, width_in - 1.8 * MARGIN_IN))
    room_in = (width_in - 1.8 * MARGIN_IN, height_in - 3.3 * MARGIN_IN - LINE_IN * lines)
    least = max(extent[0] / room_in[0], (extent[1] + extent[2]) / room_in[1]) / 25.4
    scale = next((scale for scale in SCALES if scale >= least), least)
    page = _new_page(width_in, height_in)
    corner = (1.4 * MARGIN_IN, height_in - 0.5 * MARGIN_IN)
    words = f"1 : {scale:.0f} when printed at full size"
    _draw_both(page, result, corner, (low, high), 25.4 * scale, words)
    return page.figure


def _draw_both(
    page: "_Page",
    result: Mapping[str, Any],
    corner: tuple[float, float],
    range_mm: tuple[NDArray, NDArray],
    mm_per_in: float,
    scale: str,
) -> None:
    """Plan and side view below one another from their upper left corner, then the photo stations."""
    (left, top), (low, high) = corner, range_mm
    width_in, plan_in, side_in = (high - low) / mm_per_in
    side_bottom = top - plan_in - 1.3 * MARGIN_IN - side_in
    plan = page.axes(left, top - plan_in, width_in, plan_in)
    _draw_plan(plan, result, low, high, mm_per_in)
    _draw_side(page.axes(left, side_bottom, width_in, side_in), result, low, high, mm_per_in)
    plan.set_title(f"Plan, scale {scale}", **_TITLE)
    for row, line in enumerate(_station_lines(result["geometry"], width_in)):
        page.text(left, side_bottom - MARGIN_IN - 0.1 - row * LINE_IN, line, 7)


_TITLE: dict[str, Any] = {"fontsize": 9, "loc": "left", "fontweight": "bold"}


@dataclass(frozen=True, eq=False)
class _Page:
    """A figure addressed in inches from its lower left corner."""

    figure: Figure
    width_in: float
    height_in: float

    def axes(self, left: float, bottom: float, width: float, height: float) -> Axes:
        return self.figure.add_axes(
            (left / self.width_in, bottom / self.height_in, width / self.width_in, height / self.height_in)
        )

    def text(self, x: float, y: float, words: str, size: float, **style: Any) -> None:
        self.figure.text(x / self.width_in, y / self.height_in, words, fontsize=size, **style)


def _new_page(width_in: float, height_in: float) -> _Page:
    figure = Figure(figsize=(width_in, height_in))
    FigureCanvasAgg(figure)
    return _Page(figure, width_in, height_in)


# ---- the two views


@dataclass(frozen=True, eq=False)
class _View:
    """Which two of X, Y, Z a view shows, its range (3,) in mm and its scale; and the words that want a place.

    Attributes:
        taken: Boxes in the view's own mm that words leave free.
        near: Words, with how they are written, that are put in once all is drawn.
    """

    axes: tuple[int, int]
    low: NDArray
    high: NDArray
    mm_per_in: float
    taken: list[Box] = field(default_factory=list)
    near: list[tuple[Words, str, dict[str, Any]]] = field(default_factory=list)

    def __call__(self, points: Any) -> NDArray:
        return np.asarray(points, dtype=float)[..., list(self.axes)]

    def point(self, point: Any) -> tuple[float, float]:
        x, y = self(point)
        return float(x), float(y)

    @property
    def is_plan(self) -> bool:
        return self.axes == (0, 1)

    def keep_free(self, points: Any) -> None:
        """Let no words go where these points of the view, (n, 2), span a box."""
        (x0, y0), (x1, y1) = np.min(points, axis=0), np.max(points, axis=0)
        self.taken.append((float(x0), float(y0), float(x1), float(y1)))

    def say(
        self, at: Any, words: str, sides: Sequence[tuple[float, float]], *, gap_mm: float = 0.0, **style: Any
    ) -> None:
        """Put words near a point of the view, (2,), and `gap_mm` from it, once all is drawn."""
        mm = style["fontsize"] / POINTS_PER_IN * self.mm_per_in  # of a letter's height
        size = (LETTER * mm * len(words), 1.25 * mm)
        self.near.append((Words((float(at[0]), float(at[1])), size, sides, gap_mm + 0.4 * mm), words, style))


def _draw_plan(
    ax: Axes, result: Mapping[str, Any], low: NDArray, high: NDArray, mm_per_in: float
) -> None:
    _draw_view(ax, result, _View((0, 1), low, high, mm_per_in))
    ax.set_ylabel("Y, left of the vehicle, mm", fontsize=8)


def _draw_side(
    ax: Axes, result: Mapping[str, Any], low: NDArray, high: NDArray, mm_per_in: float
) -> None:
    """The floor is drawn where a height was measured, for only then is Z counted from it."""
    is_known = any(_value_of(placement, "height_mm") is not None for placement in result["placements"])
    _draw_view(ax, result, _View((0, 2), low, high, mm_per_in))
    if is_known:
        ax.axhline(0.0, color=INK, linewidth=1.2, zorder=0.8)
        ax.annotate("floor", (low[0] + 60, 0), (0, -9), textcoords="offset points", fontsize=7)
    note = "" if is_known else ". Heights are not measured"
    ax.set_title(f"Side, seen from the vehicle's right, same scale{note}", **_TITLE)
    ax.set_xlabel("X, forward, mm", fontsize=8)
    ax.set_ylabel("Z, up, mm", fontsize=8)


def _draw_view(ax: Axes, result: Mapping[str, Any], view: _View) -> None:
    geometry = result["geometry"]
    (x0, y0), (x1, y1) = view(view.low), view(view.high)
    ax.set(xlim=(x0, x1), ylim=(y0, y1), aspect="equal")
    ax.tick_params(labelsize=7)
    ax.grid(color=PALE, linewidth=0.5)
    ax.set_axisbelow(True)
    _draw_wheels(ax, geometry, view)
    _draw_reference(ax, geometry, view)
    _draw_stations(ax, geometry, view)
    _draw_plates(ax, geometry, view)
    for target in geometry.get("targets", ()):
        if target.get("kind") == "mat":
            _draw_mat(ax, target, geometry, view)
        else:
            _draw_target(ax, target, half_drawn_mm(geometry), view)
        _draw_way(ax, target, view)
    for row, placement in enumerate(result["placements"]):
        _draw_dimension(ax, placement, geometry, view, row)
    _write_words(ax, view)


def _write_words(ax: Axes, view: _View) -> None:
    """Write what wants a place, each where it covers nothing; a thin line leads to what stands far off."""
    (x0, y0), (x1, y1) = view(view.low), view(view.high)
    # Names have the first choice.
    wanted = sorted(view.near, key=lambda one: "fontweight" not in one[2])
    places = put_words([words for words, _, _ in wanted], view.taken, (x0, y0, x1, y1))
    for (near, words, style), put in zip(wanted, places, strict=True):
        if put.is_far:
            left, low, right, high = box_of(put.middle, near.size)
            end = np.clip(near.at, (left, low), (right, high))
            ax.plot(*np.transpose([near.at, end]), color=GREY, linewidth=0.6)
        ax.text(
            *put.middle, words, ha="center", va="center", color=INK, **style,
            bbox={"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none"},
        )  # fmt: skip


def _draw_wheels(ax: Axes, geometry: Mapping[str, Any], view: _View) -> None:
    """Bars as long as the tyre is tall (plan) or circles that touch the floor (side), and the axle lines."""
    wheels = geometry.get("wheels", {})
    for name, wheel in wheels.items():
        centre = np.asarray(wheel["centre_mm"], dtype=float)
        radius_mm = centre[2] if 150.0 < centre[2] < 600.0 else 300.0
        if view.is_plan:
            outward = np.asarray(wheel["plate_origin_mm"], dtype=float) - centre
            along = np.array([-outward[1], outward[0], 0.0]) / np.hypot(outward[0], outward[1]) * radius_mm
            ends = view([centre - along, centre + along])
            ax.plot(*ends.T, color=INK, linewidth=4, solid_capstyle="butt")
            view.keep_free(ends)
        else:
            angles = np.linspace(0, 2 * np.pi, 73)
            x, z = view(centre)
            ax.plot(x + radius_mm * np.cos(angles), z + radius_mm * np.sin(angles), color=GREY, linewidth=0.8)
            ax.plot(x, z, "+", color=INK, markersize=6)
        if view.is_plan:
            sides = (BELOW, ABOVE) if "left" in name else (ABOVE, BELOW)
            view.say(view(centre), name.replace("_", " "), (*sides, *ROUND), fontsize=7)
    for axle in ("front", "rear"):
        names = [name for name in (f"{axle}_left", f"{axle}_right") if name in wheels]
        pair = [wheels[name]["centre_mm"] for name in names]
        if len(pair) == 2 and view.is_plan:
            ax.plot(*view(pair).T, color=INK, linewidth=0.9)


def _draw_reference(ax: Axes, geometry: Mapping[str, Any], view: _View) -> None:
    """The reference line runs along X through the datum (plan only); the datum is a ring with a dot."""
    if geometry.get("datum_mm") is None:
        return
    x, y = view(geometry["datum_mm"])
    if view.is_plan:
        ax.axhline(y, color=INK, linewidth=0.8, linestyle=(0, (12, 3, 2, 3)))
        name = str(geometry.get("reference_line", "reference line")).replace("_", " ")
        view.say((view.low[0] + 60, y), name, ((1.0, 1.0), (1.0, -1.0)), fontsize=7, fontstyle="italic")
    ax.plot(x, y, "o", color=INK, markersize=7, fillstyle="none")
    ax.plot(x, y, ".", color=INK, markersize=3)
    view.say((x, y), "datum", CORNERS, gap_mm=30.0, fontsize=7)


def _draw_stations(ax: Axes, geometry: Mapping[str, Any], view: _View) -> None:
    for number, camera in enumerate(geometry.get("cameras", ()), start=1):
        at = view.point(camera["position_mm"])
        aim = view(np.asarray(camera["position_mm"]) + 220.0 * np.asarray(camera["axis"]))
        ax.plot(*np.transpose([at, aim]), color=GREY, linewidth=0.8)
        ax.plot(*at, "o", markersize=9 if view.is_plan else 4, color="white", markeredgecolor=GREY)
        if view.is_plan:
            ax.text(at[0], at[1], str(number), fontsize=5.5, ha="center", va="center_baseline", color=INK)


def _draw_plates(ax: Axes, geometry: Mapping[str, Any], view: _View) -> None:
    labels: list[tuple[NDArray, list[str], float]] = []
    for number, plate in sorted(geometry.get("plates", {}).items(), key=lambda item: int(item[0])):
        corners = view(_plate_corners(plate))
        view.keep_free(corners)
        ax.add_patch(Polygon(corners, closed=True, facecolor=PALE, edgecolor=INK, linewidth=1.2))
        middle = corners.mean(axis=0)
        near = [numbers for at, numbers, _ in labels if np.linalg.norm(at - middle) < 120.0]
        if near:
            near[0].append(str(number))
        else:
            labels.append((middle, [str(number)], float(np.ptp(corners, axis=0).min()) / 2))
    for at, numbers, half_mm in labels:
        view.say(at, " ".join(numbers), (*CORNERS, *ROUND[:4]), gap_mm=half_mm, fontsize=6.5)


def _plate_corners(plate: Mapping[str, Any]) -> NDArray:
    T = np.asarray(plate["T_vehicle_plate"], dtype=float)
    half_mm = float(plate["half_mm"])
    square = half_mm * np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]])
    return square @ T[:3, :3].T + T[:3, 3]


def half_drawn_mm(geometry: Mapping[str, Any]) -> float:
    """Half of how wide targets are drawn: one metre, less where others stand as near, not in one place."""
    at = [np.asarray(t["T_vehicle_target"], dtype=float)[:2, 3] for t in geometry.get("targets", ())]
    apart = [float(np.linalg.norm(a - b)) for i, a in enumerate(at) for b in at[:i]]
    return min([TARGET_HALF_MM, *(0.4 * d for d in apart if d > 250)])


def _draw_target(ax: Axes, target: Mapping[str, Any], half_mm: float, view: _View) -> None:
    """A line across, and an arrow from its middle the way it faces (against its x)."""
    T = np.asarray(target["T_vehicle_target"], dtype=float)
    across = T[:3, 1] if view.is_plan else T[:3, 2]
    ends = view([T[:3, 3] - half_mm * across, T[:3, 3] + half_mm * across])
    ax.plot(*ends.T, color=ACCENT, linewidth=2.5, solid_capstyle="butt")
    ax.annotate(
        "", view.point(T[:3, 3] - 350.0 * T[:3, 0]), view.point(T[:3, 3]),
        arrowprops={"arrowstyle": "-|>", "color": ACCENT, "linewidth": 1.5, "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip
    view.keep_free(ends)
    _say_name(view, ends[np.argmax(ends[:, 1])], target)


def _say_name(view: _View, at: Any, target: Mapping[str, Any], gap_mm: float = 0.0) -> None:
    name = f"{target['fixture']}: {target['target']}"
    view.say(at, name, ROUND, gap_mm=gap_mm, fontsize=8, fontweight="bold")


def _draw_mat(ax: Axes, target: Mapping[str, Any], geometry: Mapping[str, Any], view: _View) -> None:
    """From above the outline round its plates, and an arrow along its mark; from the side a line."""
    T = np.asarray(target["T_vehicle_target"], dtype=float)
    plates = geometry.get("plates", {}).values()
    corners = [_plate_corners(p) for p in plates if p["role"] == f"mat {target['fixture']}"]
    outline = view(np.concatenate([*corners, T[None, :3, 3]]))
    if view.is_plan:
        hull = cv2.convexHull(outline.astype(np.float32))[:, 0]
        ax.add_patch(Polygon(hull, closed=True, fill=False, edgecolor=ACCENT, linewidth=2))
        ax.annotate(
            "", view.point(T[:3, 3] + 350.0 * T[:3, 2]), view.point(T[:3, 3]),
            arrowprops={"arrowstyle": "-|>", "color": ACCENT, "linewidth": 1.5, "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip
    else:
        low, high = outline.min(axis=0), outline.max(axis=0)
        ax.plot([low[0], high[0]], [low[1], low[1]], color=ACCENT, linewidth=2.5, solid_capstyle="butt")
    view.keep_free(outline)
    low, high = outline.min(axis=0), outline.max(axis=0)
    _say_name(view, (low + high) / 2, target, float(high[1] - low[1]) / 2)


def _draw_way(ax: Axes, target: Mapping[str, Any], view: _View) -> None:
    """From where range and bearing start to the target (plan only): a thin line from a ring."""
    if "origin_mm" not in target or not view.is_plan:
        return
    start = view.point(target["origin_mm"])
    end = view.point(np.asarray(target["T_vehicle_target"], dtype=float)[:3, 3])
    ax.plot(*np.transpose([start, end]), color=ACCENT, linewidth=0.9, linestyle=(0, (6, 3)))
    ax.plot(*start, "o", color=ACCENT, markersize=6, fillstyle="none")


def _draw_dimension(
    ax: Axes, placement: Mapping[str, Any], geometry: Mapping[str, Any], view: _View, row: int
) -> None:
    """Distance from the datum (plan) or height above the floor (side), as a dimension line."""
    value = _value_of(placement, "distance_mm" if view.is_plan else "height_mm")
    wanted = (placement["fixture"], placement["target"])
    targets = geometry.get("targets", ())
    ends = [target for target in targets if (target["fixture"], target["target"]) == wanted]
    # A result of an earlier version has one datum, the first placement's.
    datum_mm = ends[0].get("datum_mm", geometry.get("datum_mm")) if ends else None
    is_mat = bool(ends) and ends[0].get("kind") == "mat"
    if value is None or datum_mm is None or (is_mat and not view.is_plan):
        return
    T_vehicle_target = np.asarray(ends[0]["T_vehicle_target"], dtype=float)
    X, Y, Z = T_vehicle_target[:3, 3]
    datum = np.asarray(datum_mm, dtype=float)
    if view.is_plan:
        level = view.low[1] + DIMENSION_MM * (row + 0.7)
        start, stop = (datum[0], level), (X, level)
        helpers = [(datum[0], datum[1]), start], [(X, Y), stop]
        middle = ((datum[0] + X) / 2, level)
        view.say(middle, _figure(f"distance {value:.1f}"), (MIDDLE, ABOVE, BELOW), fontsize=7)
    else:
        upright = X + np.copysign(400.0, T_vehicle_target[0, 0])  # on the target's far side
        start, stop = (upright, 0.0), (upright, Z)
        helpers = [(X, Z), stop], [(upright, 0.0), start]
        view.say((upright, Z / 2), f"height {value:.1f}", (RIGHT, LEFT, *ROUND), fontsize=7)
    for helper in helpers:
        ax.plot(*np.transpose(helper), color=GREY, linewidth=0.6, linestyle=":")
    arrow = {"arrowstyle": "<|-|>", "color": INK, "linewidth": 0.8, "shrinkA": 0, "shrinkB": 0}
    ax.annotate("", stop, start, arrowprops=arrow)


def _range_mm(geometry: Mapping[str, Any], n_placements: int) -> tuple[NDArray, NDArray]:
    """Lowest and highest X, Y, Z of the views, with a margin and room for the dimension lines."""
    points = _all_points(geometry)
    low, high = points.min(axis=0) - 300.0, points.max(axis=0) + 300.0
    low[1] -= DIMENSION_MM * n_placements
    return low, high


def _all_points(geometry: Mapping[str, Any]) -> NDArray:
    """Everything that a view must not cut off, (n, 3)."""
    points = [np.zeros(3), np.array([0.0, 0.0, 200.0])]
    for wheel in geometry.get("wheels", {}).values():
        centre = np.asarray(wheel["centre_mm"], dtype=float)
        points += [centre - (320.0, 0, 0), centre + (320.0, 0, 320.0), np.asarray(wheel["plate_origin_mm"])]
    for plate in geometry.get("plates", {}).values():
        points += list(_plate_corners(plate))
    for target in geometry.get("targets", ()):
        T = np.asarray(target["T_vehicle_target"], dtype=float)
        points += [T[:3, 3] - (500.0, 0, 0), T[:3, 3] + (500.0, 0, 0)]  # room for its name and dimensions
        for axis in (1, 2):
            points += [T[:3, 3] - TARGET_HALF_MM * T[:3, axis], T[:3, 3] + TARGET_HALF_MM * T[:3, axis]]
    points += [np.asarray(camera["position_mm"], dtype=float) for camera in geometry.get("cameras", ())]
    return np.array(points)


def _station_lines(geometry: Mapping[str, Any], width_in: float) -> list[str]:
    stations = [f"{n} {camera['file']}" for n, camera in enumerate(geometry.get("cameras", ()), start=1)]
    characters = int(width_in / 0.055)  # of 7 pt text
    return textwrap.wrap("Photo stations: " + ", ".join(stations), characters) if stations else []


# ---- the column of values


@dataclass(frozen=True, eq=False)
class _Lines:
    """A paragraph of the column."""

    lines: Sequence[str]
    size: float = 8
    bold: bool = False

    @property
    def height_in(self) -> float:
        return LINE_IN * self.size / 8 * len(self.lines) + 0.05

    def draw(self, page: _Page, x: float, top: float) -> None:
        for row, line in enumerate(self.lines):
            y = top - LINE_IN * self.size / 8 * (row + 1)
            page.text(x, y, line, self.size, fontweight="bold" if self.bold else "normal")


@dataclass(frozen=True, eq=False)
class _Strip:
    """One measured value against its tolerance."""

    name: str
    entry: Mapping[str, Any]
    height_in: float = STRIP_IN

    def draw(self, page: _Page, x: float, top: float) -> None:
        page.text(x, top - 0.17, _value_words(self.name, self.entry), 8)
        page.text(x + COLUMN_IN, top - 0.17, self.entry["decision"], 8, fontweight="bold", ha="right")
        ax = page.axes(x + 0.1, top - 0.5, COLUMN_IN - 0.2, 0.24)
        _draw_strip(ax, self.name, self.entry)


def _column(result: Mapping[str, Any]) -> Iterator[_Lines | _Strip]:
    """The words and strips beside the views, from the top."""
    yield _Lines([f"Result: {_decision_words(result['decision'])}"], size=13, bold=True)
    if result.get("states"):
        yield _Lines(_wrapped(f"Something moved: shown is how things stood {result['states'][-1]['says']}."))
    for placement in (*result["placements"], *result.get("relations", ())):
        yield _Lines([""], size=4)
        heading = f"{placement['name']}: {_decision_words(placement['decision'])}"
        yield _Lines(_wrapped(heading), size=9, bold=True)
        for name, entry in placement["values"].items():
            if entry.get("value") is None:
                yield _Lines(_wrapped(f"{_plain(name)} not measured: {entry.get('says', '')}"))
            elif "nominal" in entry:
                yield _Strip(name, entry)
            else:
                yield _Lines([_value_words(name, entry) + "; nothing required"])
        if placement.get("advice"):
            yield _Lines([""], size=3)
            yield _Lines(["What to do"], bold=True)
            for advice in placement["advice"]:
                yield _Lines(_wrapped(advice))
    failed = [test for test in result.get("tests", ()) if not test["ok"]]
    yield _Lines([""], size=4)
    yield _Lines(["Consistency: passed" if not failed else "Consistency: not passed"], bold=True)
    for test in failed[:1]:
        yield _Lines(_wrapped(f"{test['name']}: {test['says']}"))
    if failed[1:]:
        others = ", ".join(test["name"] for test in failed[1:])
        yield _Lines(_wrapped(f"Perhaps only consequences of it: {others}."))
    yield _Lines([""], size=4)
    yield _Lines(_wrapped(
        "Strips: pale band = tolerance, ticks at its limits and at the nominal value; bar = 95 % interval, "
        "plain when conforming, crossed when nonconforming, slanted lines when undecided; dot = value. "
        "Views: a target is drawn 1 m across, less beside another, whatever its size; its arrow shows "
        "which way it faces."
    ), size=7)  # fmt: skip


def _decision_words(decision: str) -> str:
    return "measured, nothing required" if decision == "none" else decision


def _value_of(placement: Mapping[str, Any], name: str) -> float | None:
    return placement["values"].get(name, {}).get("value")


def _wrapped(words: str) -> list[str]:
    return textwrap.wrap(words, COLUMN_CHARACTERS)


def _plain(name: str) -> str:
    return name.rsplit("_", 1)[0].replace("_", " ")


def _unit(name: str) -> str:
    return name.rsplit("_", 1)[1]


def _value_words(name: str, entry: Mapping[str, Any]) -> str:
    """Value and u with two significant digits of u (JCGM 100, 7.2.6)."""
    decimals = max(0, 1 - floor(log10(entry["u"]))) if entry["u"] > 0 else 3
    value, u, low, high = (
        _figure(f"{number:.{decimals}f}") for number in (entry["value"], entry["u"], *entry["interval95"])
    )
    return f"{_plain(name)}  {value} {_unit(name)}   u {u}   95 %: {low} to {high}"


def _figure(digits: str) -> str:
    return digits.replace("-", "\N{MINUS SIGN}")


def draw_strip(
    name: str, entry: Mapping[str, Any], width_in: float, height_in: float, words: Callable[[str], str]
) -> Figure:
    """One measured value against its tolerance, by itself; `words` gives numbers their decimal mark."""
    page = _new_page(width_in, height_in)
    _draw_strip(page.axes(0.2, 0.22, width_in - 0.4, height_in - 0.25), name, entry, words)
    return page.figure


def _draw_strip(ax: Axes, name: str, entry: Mapping[str, Any], words: Callable[[str], str] = str) -> None:
    """Nominal in the middle; what lies beyond the strip is shown at its end with an arrow."""
    nominal, minus, plus = entry["nominal"], entry["minus"], entry["plus"]
    low, high = (end - nominal for end in entry["interval95"])
    deviation = entry["value"] - nominal
    tolerance = max(minus, plus)
    reach = max(1.5 * tolerance, min(1.15 * max(abs(low), abs(high)), 6.0 * tolerance))
    ax.set(xlim=(-reach, reach), ylim=(0, 1), yticks=[])
    ax.add_patch(Rectangle((-minus, 0), minus + plus, 1, facecolor=PALE, edgecolor="none"))
    for limit in (-minus, plus):
        ax.axvline(limit, color=INK, linewidth=1.4)
    ax.axvline(0, color=INK, linewidth=0.6, linestyle=(0, (4, 3)))
    if low < reach and high > -reach:
        bar = Rectangle((low, 0.28), high - low, 0.44, edgecolor=INK, linewidth=0.9)
        bar.set(**BAR_STYLES[entry["decision"]])
        ax.add_patch(bar)
        ax.plot(deviation, 0.5, "o", color=INK, markeredgecolor="white", markersize=5)
    else:
        side = np.sign(deviation)
        ax.annotate(
            "", (side * 0.995 * reach, 0.5), (side * 0.8 * reach, 0.5),
            arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.5},
        )  # fmt: skip
        ax.text(
            side * 0.79 * reach, 0.47, _figure(words(f"{deviation:+.4g} {_unit(name)}, off the strip")),
            fontsize=7, ha="right" if side > 0 else "left", va="center",
        )  # fmt: skip
    ticks = sorted({-minus, 0.0, plus}) if minus + plus > 0.35 * reach else [0.0]
    ax.set_xticks(ticks, [_figure(words(f"{nominal + tick:.6g}")) for tick in ticks])
    ax.tick_params(labelsize=7, length=2)
    for edge in ("left", "right", "top"):
        ax.spines[edge].set_visible(False)


# ---- what was found in a photo

OUTLINE_BGR, SADDLE_BGR, RESIDUAL_BGR = (0, 94, 213), (178, 114, 0), (0, 159, 230)
RESIDUAL_TIMES = 200


def draw_findings(
    photo_grey: NDArray, detections: Sequence[Detection], residuals: Mapping[int, NDArray] | None = None
) -> NDArray:
    """Draw plates, numbers and saddles on a photo, for a check by eye.

    Args:
        photo_grey: uint8 (height, width), in the axes in which it was measured.
        detections: What was found in it.
        residuals: Plate number to (n, 2) px, observed minus computed, in the order of the detection's
            saddles; drawn `RESIDUAL_TIMES` as long.

    Returns:
        uint8 (height, width, 3), blue, green, red, as OpenCV writes it.
    """
    drawn = cv2.cvtColor(photo_grey, cv2.COLOR_GRAY2BGR)
    # On a photo of 4000 px: lines of 4 px, figures 50 px tall. Smaller photos get less, down to legible.
    stroke_px = max(1, round(max(photo_grey.shape) / 1000))
    for detection in detections:
        outline = np.rint(_outline_px(detection.saddles_px)).astype(np.int32)
        cv2.polylines(drawn, [outline], True, OUTLINE_BGR, stroke_px, cv2.LINE_AA)
        _draw_saddles(drawn, detection.saddles_px, stroke_px)
        if residuals is not None and detection.plate in residuals:
            tips_px = detection.saddles_px + RESIDUAL_TIMES * residuals[detection.plate]
            for saddle, tip in zip(detection.saddles_px, tips_px, strict=True):
                _draw_line(drawn, saddle, tip, RESIDUAL_BGR, max(1, stroke_px // 2))
    taken = [_box(_outline_px(detection.saddles_px)) for detection in detections]
    for detection in detections:
        lines = _finding_words(detection)
        size = _words_size(lines, stroke_px)
        plate_box = _box(_outline_px(detection.saddles_px))
        corner = _free_corner(plate_box, size, taken, (drawn.shape[1], drawn.shape[0]))
        taken.append((*corner, corner[0] + size[0], corner[1] + size[1]))
        _write(drawn, lines, corner, stroke_px)
    if residuals:
        _write(drawn, [f"yellow lines: residuals, {RESIDUAL_TIMES} times as long"], (0, 0), stroke_px)
    return drawn


_FONT = cv2.FONT_HERSHEY_SIMPLEX
_SUBPIXEL_BITS = 4
_Box = tuple[float, float, float, float]  # left, top, right, bottom


def _finding_words(detection: Detection) -> list[str]:
    first = f"plate {detection.plate}" + ("" if detection.tag_read else " (tag not read)")
    return [first, *textwrap.wrap(detection.says, 32)]


def _outline_px(saddles_px: NDArray) -> NDArray:
    """The saddles' hull, widened by a sixth so that it does not cover them."""
    hull = cv2.convexHull(saddles_px.astype(np.float32)).reshape(-1, 2)
    middle = hull.mean(axis=0)
    return middle + (hull - middle) * 7 / 6


def _draw_saddles(drawn: NDArray, saddles_px: NDArray, stroke_px: int) -> None:
    """Crosses whose middle stays open, so that the point itself can be seen, small beside their spacing."""
    apart_px = np.linalg.norm(saddles_px[:, None] - saddles_px[None], axis=2)
    apart_px += np.diag([np.inf] * len(saddles_px))
    arm_px = min(4.0 * stroke_px, 0.3 * float(np.median(apart_px.min(axis=0))))
    thin_px = max(1, stroke_px // 2)
    for saddle in saddles_px:
        for arm in np.array([(1, 0), (-1, 0), (0, 1), (0, -1)]) * arm_px:
            _draw_line(drawn, saddle + 0.4 * arm, saddle + arm, SADDLE_BGR, thin_px)


def _draw_line(
    drawn: NDArray, start_px: NDArray, stop_px: NDArray, colour: tuple[int, int, int], thickness: int
) -> None:
    start, stop = np.rint(np.array([start_px, stop_px]) * 2**_SUBPIXEL_BITS).astype(int).tolist()
    cv2.line(drawn, start, stop, colour, thickness, cv2.LINE_AA, _SUBPIXEL_BITS)


def _box(points: NDArray) -> _Box:
    left, top = points.min(axis=0).tolist()
    right, bottom = points.max(axis=0).tolist()
    return left, top, right, bottom


def _free_corner(
    beside: _Box, size: tuple[int, int], taken: Sequence[_Box], photo_px: tuple[int, int]
) -> tuple[float, float]:
    """Where words may stand: right, left, below or above the plate, on nothing else if that can be had."""
    left, top, right, bottom = beside
    width, height = size
    places = [(right + 8, top), (left - 8 - width, top), (left, bottom + 8), (left, top - 8 - height)]
    inside = [
        (x, y) for x, y in places if 0 <= x <= photo_px[0] - width and 0 <= y <= photo_px[1] - height
    ] or [(min(max(left, 0), max(photo_px[0] - width, 0)), min(max(top, 0), max(photo_px[1] - height, 0)))]
    free = [
        (x, y)
        for x, y in inside
        if not any(x < box[2] and x + width > box[0] and y < box[3] and y + height > box[1] for box in taken)
    ]
    return (free or inside)[0]


def _words_size(lines: Sequence[str], stroke_px: int) -> tuple[int, int]:
    """Width and height of the words' black ground."""
    widths = [cv2.getTextSize(_ascii(line), _FONT, _font_scale(stroke_px), stroke_px)[0][0] for line in lines]
    return max(widths) + 6 * stroke_px, _line_px(stroke_px) * len(lines) + 2 * stroke_px


def _font_scale(stroke_px: int) -> float:
    return max(0.45, 0.5 * stroke_px)


def _line_px(stroke_px: int) -> int:
    return round(38 * _font_scale(stroke_px))  # the letters are about 22 px tall at scale 1


def _ascii(words: str) -> str:
    return words.encode("ascii", "replace").decode()  # OpenCV 4's letters are ASCII only


def _write(drawn: NDArray, lines: Sequence[str], corner: tuple[float, float], stroke_px: int) -> None:
    """White words on a black ground: legible on any photo."""
    x, y = round(corner[0]), round(corner[1])
    width, height = _words_size(lines, stroke_px)
    scale, white = _font_scale(stroke_px), (255, 255, 255)
    cv2.rectangle(drawn, (x, y), (x + width, y + height), (0, 0, 0), cv2.FILLED)
    for row, line in enumerate(lines):
        base = y + row * _line_px(stroke_px) + round(0.75 * _line_px(stroke_px)) + stroke_px
        origin = (x + 3 * stroke_px, base)
        cv2.putText(drawn, _ascii(line), origin, _FONT, scale, white, stroke_px, cv2.LINE_AA)
