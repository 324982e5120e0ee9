"""Plan and side view: of a result, where everything stood; of a placement, where its target is meant to be.

Made from a result's own JSON (mm, vehicle frame), or from what `asked.py` makes of a placement. Plan: forward
is up and the vehicle's left is left, as one sits in it. Side: forward to the right, seen from the vehicle's
right. One scale per drawing. Words are put where they cover neither each other nor what is drawn.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from api.figures import Figures
from api.pages.sketches import EDGE, WIDTH, fitted, scale_bar
from api.pages.svg import Point, View, arrow, drawing, line, path, tag, text
from api.pages.words import Words
from calib_data.drawings import half_drawn_mm
from calib_data.labelling import Box, box_of, put_words
from calib_data.labelling import Words as WordsNear

Json = Mapping[str, Any]

DIMENSION = 22.0  # from one dimension line to the next
LETTER, STRONG_LETTER, LINE = 6.4, 7.2, 12.0  # a wide font's mean letter, and a line, of 11 px text
ARROW_MM = 420.0
ARC = 26.0
MANY = 2  # targets; of more the plan names no wheels, headings and spacings, and lengths alone, for room
ABOVE, BELOW, RIGHT, LEFT = (0.0, -1.0), (0.0, 1.0), (1.0, 0.0), (-1.0, 0.0)
CORNERS = ((1.0, 1.0), (-1.0, 1.0), (1.0, -1.0), (-1.0, -1.0))
ROUND = (ABOVE, BELOW, RIGHT, LEFT, *CORNERS)
POLAR = ("range_mm", "bearing_deg", "gap_mm")


@dataclass
class _Sheet:
    """A drawing under way: what is drawn, what words must leave free, and words that want a place.

    `beside` are those that run upward, `written` is where words stand already.
    """

    result: Json
    view: View
    words: Words
    figures: Figures
    parts: list[Markup] = field(default_factory=list)
    taken: list[Box] = field(default_factory=list)
    near: list[tuple[WordsNear, str, str]] = field(default_factory=list)
    beside: list[tuple[WordsNear, str]] = field(default_factory=list)
    written: list[Box] = field(default_factory=list)

    @property
    def geometry(self) -> Json:
        return self.result["geometry"]  # type: ignore[no-any-return]

    def draw(self, *parts: Markup, free: Sequence[Point] = ()) -> None:
        """Draw; no words go where the points of `free` span a box."""
        self.parts += parts
        if free:
            xs, ys = zip(*free, strict=True)
            self.taken.append((min(xs) - 2, min(ys) - 2, max(xs) + 2, max(ys) + 2))

    def say(
        self, at: Point, words: str, sides: Sequence[Point], *, gap: float = 4.0, is_name: bool = False
    ) -> None:
        """Put words near their place, once all is drawn."""
        if not words:
            return
        width = len(words) * (STRONG_LETTER if is_name else LETTER)
        class_ = "label strong" if is_name else "label"
        self.near.append((WordsNear(at, (width, LINE), sides, gap), words, class_))

    def value(self, at: Point, key: str, value: Json, sides: Sequence[Point]) -> None:
        """Put a value's name and figure near its place."""
        self.say(at, self.told(key, value), sides)

    def told(self, key: str, value: Json) -> str:
        """Its name and figure: as measured, as asked, or of an example its name alone.

        Of many targets' lengths the figure alone: which they are, their arrows show.
        """
        name = self.words(f"view.{key}")
        if value.get("is_example"):
            return name
        given, u = value["value"], value["u"]
        shown = self.figures.given(key, given) if u is None else self.figures.value(key, given, u)
        figure = self.figures.with_unit(key, shown)
        is_plain = key.endswith("_mm") and len(self.result["placements"]) > MANY
        return figure if is_plain else f"{name} {figure}"

    def finished(self, title: str) -> Markup:
        height = self.view.top + self.view.height + 34
        self.parts += scale_bar(self.view, self.figures)
        bounds = (2.0, 2.0, WIDTH - 2, height - 22)
        # Names first: they have the first choice. What runs along a line has the least.
        wanted = sorted(self.near, key=lambda one: "strong" not in one[2])
        every = [one[0] for one in self.beside] + [one[0] for one in wanted]
        places = put_words(every, self.taken, bounds, self.written)
        for (_, words), put in zip(self.beside, places, strict=False):
            x, y = put.middle[0] + LINE / 3, put.middle[1]
            turn = f"rotate(-90 {x:.1f} {y:.1f})"
            self.parts.append(
                tag("text", words, x=x, y=y, class_="label", text_anchor="middle", transform=turn)
            )
        for (near, words, class_), put in zip(wanted, places[len(self.beside) :], strict=True):
            x, y = put.middle
            if put.is_far:
                left, top, right, bottom = box_of(put.middle, near.size)
                end = (min(max(near.at[0], left), right), min(max(near.at[1], top), bottom))
                self.parts.append(line(near.at, end, "thin"))
            self.parts.append(text((x, y + 4), words, class_))
        return drawing(WIDTH, height, title, *self.parts)


def plan(result: Json, words: Words, figures: Figures, title: str = "") -> Markup:
    """Everything seen from above; `title` says what it is to those who do not see it."""
    rows = [one for one in _placed(result) if _has_distance(one)]
    view = fitted(_all_points(result["geometry"]), (1, -1), (0, 1), EDGE + 6, DIMENSION * len(rows))
    sheet = _Sheet(result, view, words, figures)
    _reference_line(sheet)
    _wheels_from_above(sheet)
    _plates(sheet)
    _stations(sheet)
    for row, one in enumerate(rows):
        _distance(sheet, one, row)
    for one in _placed(result):
        _way(sheet, one)
        _lateral(sheet, one)
    _targets(sheet, axis=1)
    _spacings(sheet)
    return sheet.finished(title or words("plan.title"))


def side(result: Json, words: Words, figures: Figures, title: str = "") -> Markup:
    """Everything seen from the vehicle's right; the floor only where a height was measured."""
    view = fitted(_all_points(result["geometry"]), (0, 1), (2, 1), EDGE + 24)
    sheet = _Sheet(result, view, words, figures)
    has_floor = any(one.is_mat or _number(one.placement, "height_mm") is not None for one in _placed(result))
    if has_floor:
        y = view((0, 0, 0))[1]
        sheet.draw(line((EDGE, y), (WIDTH - EDGE, y), "floor"), free=[(EDGE, y), (WIDTH - EDGE, y)])
    _wheels_from_the_side(sheet)
    _plates(sheet)
    _heights(sheet)
    _targets(sheet, axis=2)
    return sheet.finished(title or words("side.title" if has_floor else "side.title_no_floor"))


# --- what both show ---------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Placed:
    """A placement of the result, and where its target stands: pose (4, 4), mm, in the vehicle frame."""

    placement: Json
    target: Json
    T: NDArray

    @property
    def is_mat(self) -> bool:
        return self.target.get("kind") == "mat"

    def asked(self, key: str) -> Json | None:
        """A value that is required and has a figure."""
        value: Json | None = self.placement["values"].get(key)
        return value if value is not None and value["value"] is not None and "nominal" in value else None


def _placed(result: Json) -> Iterator[_Placed]:
    targets = {(t["fixture"], t["target"]): t for t in result["geometry"].get("targets", ())}
    for placement in result["placements"]:
        target = targets.get((placement["fixture"], placement["target"]))
        if target is not None:
            yield _Placed(placement, target, np.asarray(target["T_vehicle_target"], dtype=float))


def _number(placement: Json, key: str) -> float | None:
    return placement["values"].get(key, {}).get("value")  # type: ignore[no-any-return]


def _all_points(geometry: Json) -> NDArray:
    """Everything that a drawing must not cut off, (n, 3) mm."""
    points = [np.zeros(3)]
    for wheel in geometry.get("wheels", {}).values():
        centre = np.asarray(wheel["centre_mm"])
        points += [centre - (330, 0, 0), centre + (330, 0, 330), np.asarray(wheel["plate_origin_mm"])]
    points += [np.asarray(p["T_vehicle_plate"])[:3, 3] for p in geometry.get("plates", {}).values()]
    points += [np.asarray(camera["position_mm"]) for camera in geometry.get("cameras", ())]
    half = half_drawn_mm(geometry)
    for target in geometry.get("targets", ()):
        T = np.asarray(target["T_vehicle_target"])
        points += [T[:3, 3] + sign * half * T[:3, axis] for sign in (-1, 1) for axis in (1, 2)]
        points += [np.asarray(target[key]) for key in ("origin_mm",) if key in target]
        points += list(_mat_corners(geometry, target))
    return np.array(points)


def _mat_corners(geometry: Json, target: Json) -> NDArray:
    """The corners of a mat's plates, (n, 3) mm; none of what stands, or where no plate of it was seen."""
    of_it = [p for p in geometry.get("plates", {}).values() if p["role"] == f"mat {target['fixture']}"]
    corners = [corner for plate in of_it for corner in _corners(plate)]
    if "outline_mm" in target:
        corners += list(np.asarray(target["outline_mm"], dtype=float))
    return np.array(corners).reshape(-1, 3)


def _corners(plate: Json) -> NDArray:
    T, half = np.asarray(plate["T_vehicle_plate"]), plate["half_mm"]
    return np.array(
        [T[:3, 3] + half * (a * T[:3, 0] + b * T[:3, 1]) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    )


def _plates(sheet: _Sheet) -> None:
    for plate in sheet.geometry.get("plates", {}).values():
        corners = [sheet.view(corner) for corner in _corners(plate)]
        sheet.draw(path(corners, "plate", closed=True), free=corners)


def _targets(sheet: _Sheet, axis: int) -> None:
    """A bar across, and an arrow from its middle the way it faces (against its x); of a mat its mark."""
    half = half_drawn_mm(sheet.geometry)
    for target in sheet.geometry.get("targets", ()):
        T = np.asarray(target["T_vehicle_target"], dtype=float)
        if target.get("kind") == "mat":
            _mat(sheet, target, T, axis, half)
            continue
        middle, across = T[:3, 3], half * T[:3, axis]
        one_end, other_end = sheet.view(middle - across), sheet.view(middle + across)
        tip = sheet.view(middle - min(ARROW_MM, half) * T[:3, 0])
        at = sheet.view(middle)
        sheet.draw(line(one_end, other_end, "target"), free=[one_end, other_end])
        sheet.draw(arrow(at, tip, "facing"), free=[at, tip])
        if axis == 1:
            sheet.say(at, _name(sheet, target), _away_from(at, tip), gap=7.0, is_name=True)
        else:
            top = one_end if one_end[1] < other_end[1] else other_end
            sheet.say(top, _name(sheet, target), ROUND, gap=5.0, is_name=True)


def _name(sheet: _Sheet, target: Json) -> str:
    """Of an example's target, none; of many that are alike on fixtures of their own, the fixture's."""
    if not target["fixture"]:
        return ""
    all_of = sheet.geometry["targets"]
    are_alike = len({one["target"] for one in all_of}) == 1
    if len(all_of) > MANY and are_alike and len({one["fixture"] for one in all_of}) == len(all_of):
        return str(target["fixture"])
    return f"{target['fixture']}: {target['target']}"


def _away_from(at: Point, tip: Point) -> Sequence[Point]:
    """All sides, the one that an arrow's back points to first."""
    return sorted(ROUND, key=lambda way: way[0] * (tip[0] - at[0]) + way[1] * (tip[1] - at[1]))


def _mat(sheet: _Sheet, target: Json, T: NDArray, axis: int, half: float) -> None:
    """From above its outline round its plates, and an arrow along its mark; from the side a line."""
    outline = np.array([sheet.view(p) for p in [T[:3, 3], *_mat_corners(sheet.geometry, target)]])
    low, high = outline.min(axis=0), outline.max(axis=0)
    at = sheet.view(T[:3, 3])
    if axis == 1:
        hull = cv2.convexHull(outline.astype(np.float32))[:, 0]
        tip = sheet.view(T[:3, 3] + min(ARROW_MM, half) * T[:3, 2])
        sheet.draw(path([(float(x), float(y)) for x, y in hull], "mat", closed=True), free=[*hull.tolist()])
        sheet.draw(arrow(at, tip, "facing"), tag("circle", cx=at[0], cy=at[1], r=2.5, class_="dot"))
        middle = ((low[0] + high[0]) / 2, (low[1] + high[1]) / 2)
        sheet.say(middle, _name(sheet, target), ROUND, gap=float(high[1] - low[1]) / 2 + 3, is_name=True)
        _heading(sheet, target, tip)
    else:
        left, right = (float(low[0]), at[1]), (float(high[0]), at[1])
        sheet.draw(line(left, right, "target"), free=[left, right])
        sheet.say(at, _name(sheet, target), ROUND, gap=6.0, is_name=True)


def _heading(sheet: _Sheet, target: Json, tip: Point) -> None:
    for one in _placed(sheet.result):
        heading = one.asked("heading_deg")
        if one.target is target and heading is not None and len(sheet.result["placements"]) <= MANY:
            sheet.value(tip, "heading_deg", heading, ROUND)


# --- plan -------------------------------------------------------------------------------------------


def _wheels_from_above(sheet: _Sheet) -> None:
    wheels, view = sheet.geometry.get("wheels", {}), sheet.view
    for axle in ("front", "rear"):
        pair = [wheels[name]["centre_mm"] for name in (f"{axle}_left", f"{axle}_right") if name in wheels]
        if len(pair) == 2:
            sheet.draw(line(view(pair[0]), view(pair[1]), "thin"))
    for name, wheel in wheels.items():
        centre = np.asarray(wheel["centre_mm"])
        outward = np.asarray(wheel["plate_origin_mm"]) - centre
        along = np.array([-outward[1], outward[0], 0.0]) / np.hypot(outward[0], outward[1]) * 310
        rear_end, front_end = view(centre - along), view(centre + along)
        sheet.draw(line(rear_end, front_end, "wheel"), free=[rear_end, front_end])
        if len(sheet.result["placements"]) > MANY:
            continue
        out = -1.0 if "left" in name else 1.0
        sides = ((out, 0.0), (out, -1.0), (out, 1.0), ABOVE, BELOW, (-out, 0.0))
        sheet.say(view(centre), sheet.words(f"wheel.{name}"), sides, gap=9.0)


def _reference_line(sheet: _Sheet) -> None:
    datum = sheet.geometry.get("datum_mm")
    if datum is None:
        return
    view = sheet.view
    x, y = view(datum)
    low = view.top + view.height
    sheet.draw(line((x, view.top), (x, low), "reference"))
    sheet.say((x, low - 6), sheet.words(f"line.{sheet.geometry['reference_line']}"), (RIGHT, LEFT))
    counted = {view(one.target.get("datum_mm", datum)) for one in _placed(sheet.result) if _has_distance(one)}
    for at in counted or {(x, y)}:
        circles = (("outline", 6.0), ("dot", 1.8))
        drawn = [tag("circle", cx=at[0], cy=at[1], r=r, class_=class_) for class_, r in circles]
        sheet.draw(*drawn, free=[(at[0] - 6, at[1] - 6), (at[0] + 6, at[1] + 6)])
        sheet.say(at, sheet.words("plan.datum"), (*CORNERS, BELOW, ABOVE), gap=5.0)


def _stations(sheet: _Sheet) -> None:
    """Where the photos were taken from: their numbers, and which way the phone looked."""
    for number, camera in enumerate(sheet.geometry.get("cameras", ()), start=1):
        at = np.asarray(camera["position_mm"])
        axis = np.asarray(camera["axis"])
        x, y = sheet.view(at)
        tip = sheet.view(at + 300.0 * axis / max(float(np.hypot(axis[0], axis[1])), 0.2))
        sheet.draw(
            line((x, y), tip, "thin"),
            tag("circle", cx=x, cy=y, r=9.0, class_="station"),
            text((x, y + 4), str(number), "label"),
        )
        sheet.written.append((x - 9, y - 9, x + 9, y + 9))


def _has_distance(one: _Placed) -> bool:
    """Whether its distance is drawn: it is required, or there is no other way to where it stands."""
    value = one.placement["values"].get("distance_mm", {})
    is_known = value.get("value") is not None and one.target.get("datum_mm", ()) is not None
    return is_known and ("nominal" in value or not any(one.asked(key) for key in POLAR))


def _distance(sheet: _Sheet, one: _Placed, row: int) -> None:
    """A dimension line at the right, from where the distance starts."""
    datum = one.target.get("datum_mm", sheet.geometry.get("datum_mm"))
    if datum is None:
        return
    view = sheet.view
    x = view.left + view.width + DIMENSION * (row + 1) - 4
    start, end = (x, view(datum)[1]), (x, view(one.T[:3, 3])[1])
    sheet.draw(
        line(view(datum), start, "helper"),
        line(view(one.T[:3, 3]), end, "helper"),
        arrow(start, end, "dimension", both=True),
        free=[start, end],
    )
    _turned(sheet, start, end, sheet.told("distance_mm", one.placement["values"]["distance_mm"]))


def _turned(sheet: _Sheet, start: Point, end: Point, words: str) -> None:
    """Words that run upward along a dimension line, beside its middle or a little higher or lower."""
    at = (start[0], (start[1] + end[1]) / 2)
    sides = [(aside, along) for along in (0.0, 0.4, -0.4, 0.8, -0.8, 1.2, -1.2) for aside in (-1.0, 1.0)]
    near = WordsNear(at, (LINE, len(words) * LETTER), sides, 2.0)
    sheet.beside.append((near, words))


def _lateral(sheet: _Sheet, one: _Placed) -> None:
    """From the reference line to the target, a little behind it; where it is nearly nothing, nothing."""
    value = one.asked("lateral_mm")
    datum = one.target.get("datum_mm", sheet.geometry.get("datum_mm"))
    if value is None or datum is None:
        return
    X, Y, _ = one.T[:3, 3]
    behind = 12.0 if datum[0] > X else -12.0
    (x0, y), (x1, _) = sheet.view((X, datum[1], 0)), sheet.view((X, Y, 0))
    if abs(x1 - x0) > 14:
        start, end = (x0, y + behind), (x1, y + behind)
        sheet.draw(line((x1, y), end, "helper"), arrow(start, end, "dimension", both=True), free=[start, end])
        sheet.value(((x0 + x1) / 2, y + behind), "lateral_mm", value, ROUND)


def _spacings(sheet: _Sheet) -> None:
    """Straight from one target's point to another's, where a spacing is required of them."""
    if len(sheet.result["placements"]) > MANY:
        return
    at = {one.placement.get("name"): sheet.view(one.T[:3, 3]) for one in _placed(sheet.result)}
    for relation in sheet.result.get("relations", ()):
        value = relation["values"].get("spacing_mm", {})
        if value.get("value") is not None and "nominal" in value and {*relation["of"]} <= {*at}:
            start, end = (at[name] for name in relation["of"])
            sheet.draw(arrow(start, end, "dimension", both=True))
            sheet.value(((start[0] + end[0]) / 2, (start[1] + end[1]) / 2), "spacing_mm", value, ROUND)


def _way(sheet: _Sheet, one: _Placed) -> None:
    """Where range, bearing and gap start, a ring; the way to the target, and what the bearing counts from."""
    if "origin_mm" not in one.target or not any(one.asked(key) for key in POLAR):
        return
    view, origin = sheet.view, np.asarray(one.target["origin_mm"], dtype=float)
    start, end = view(origin), view(one.T[:3, 3])
    axis_rad = math.radians(one.placement["origin"].get("axis_deg", 0.0))
    axis = np.array([math.cos(axis_rad), math.sin(axis_rad), 0.0])
    sheet.draw(
        tag("circle", cx=start[0], cy=start[1], r=4.5, class_="origin"),
        free=[(start[0] - 5, start[1] - 5), (start[0] + 5, start[1] + 5)],
    )
    middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
    if one.asked("range_mm") or one.asked("bearing_deg"):
        sheet.draw(arrow(start, end, "way-to"))
    if value := one.asked("range_mm"):
        sheet.value(middle, "range_mm", value, ROUND)
    if value := one.asked("bearing_deg"):
        _bearing(sheet, start, end, axis, value)
    if value := one.asked("gap_mm"):
        foot = view(origin + float((one.T[:3, 3] - origin) @ axis) * axis)
        sheet.draw(arrow(start, foot, "dimension", both=True), free=[start, foot])
        sheet.draw(line(foot, end, "helper"))
        sheet.value(((start[0] + foot[0]) / 2, (start[1] + foot[1]) / 2), "gap_mm", value, ROUND)


def _bearing(sheet: _Sheet, start: Point, end: Point, axis: NDArray, value: Json) -> None:
    """The direction from which it counts, and an arc from there to the way."""
    (x, y), (ax, ay) = start, sheet.view(np.asarray(axis) * 1000.0)
    ox, oy = sheet.view((0, 0, 0))
    from_rad, to_rad = math.atan2(ay - oy, ax - ox), math.atan2(end[1] - y, end[0] - x)
    turn = (to_rad - from_rad + math.pi) % (2 * math.pi) - math.pi
    steps = [from_rad + turn * n / 24 for n in range(25)]
    arc = [(x + ARC * math.cos(a), y + ARC * math.sin(a)) for a in steps]
    beyond = (x + 1.6 * ARC * math.cos(from_rad), y + 1.6 * ARC * math.sin(from_rad))
    sheet.draw(line(start, beyond, "helper"), path(arc, "arc"), free=arc)
    sheet.value(arc[12], "bearing_deg", value, ROUND)


# --- side -------------------------------------------------------------------------------------------


def _wheels_from_the_side(sheet: _Sheet) -> None:
    for wheel in sheet.geometry.get("wheels", {}).values():
        x, y = sheet.view(wheel["centre_mm"])
        height_mm = wheel["centre_mm"][2]
        radius = (height_mm if 150 < height_mm < 600 else 300.0) / sheet.view.mm_per_unit
        sheet.draw(
            tag("circle", cx=x, cy=y, r=radius, class_="outline"),
            tag("circle", cx=x, cy=y, r=2.0, class_="dot"),
        )
        for k in range(16):  # words may stand within the circle, and on no part of it
            turn = math.tau * k / 16
            sheet.draw(free=[(x + radius * math.cos(turn), y + radius * math.sin(turn))])


def _heights(sheet: _Sheet) -> None:
    """A dimension line before each target's face; of targets near each other one beside the other."""
    lines: list[float] = []
    for one in _placed(sheet.result):
        value = one.placement["values"].get("height_mm")
        if one.is_mat or value is None or value["value"] is None:
            continue
        X, _, Z = one.T[:3, 3]
        toward = -math.copysign(1.0, X)
        x = sheet.view((X, 0, 0))[0] + 26 * toward
        while any(abs(x - other) < 12 for other in lines):
            x += 14 * toward
        lines.append(x)
        start, end = (x, sheet.view((0, 0, 0))[1]), (x, sheet.view((0, 0, Z))[1])
        sheet.draw(line(sheet.view(one.T[:3, 3]), end, "helper"))
        sheet.draw(arrow(start, end, "dimension", both=True), free=[start, end])
        near = (LEFT, RIGHT) if toward < 0 else (RIGHT, LEFT)
        sheet.value((x, (start[1] + end[1]) / 2), "height_mm", value, (*near, *ROUND))
