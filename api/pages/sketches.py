"""A result -> drawings for the page: plan, side view, close-up at the target, and one strip per value.

Made from the result's own JSON (mm, vehicle frame). Plan: forward is up and the vehicle's left is left, as
one sits in it. Side: forward to the right, seen from the vehicle's right. One scale per drawing.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from markupsafe import Markup

from api.figures import Figures
from api.pages.svg import Point, View, arrow, drawing, line, path, tag, text
from api.pages.words import Words

Json = Mapping[str, Any]

WIDTH = 360.0
EDGE = 8.0
MARGIN_MM = 250.0
TARGET_HALF_MM = 500.0  # a target's size is not known; it is drawn one metre wide
STRIP_HEIGHT = 46.0
DIMENSION = 22.0  # from one dimension line to the next
# Radius of the 95 % region of two jointly normal values, in u: sqrt(chi-square quantile, two degrees).
RADIUS_95_OF_TWO = math.sqrt(-2 * math.log(0.05))


def patterns() -> Markup:
    """The hatchings that stand for the decisions; once on a page that has drawings."""
    cross = [line((0, 0), (8, 8), "hatch"), line((8, 0), (0, 8), "hatch")]
    hatchings = {"undecided": [line((0, 8), (8, 0), "hatch")], "nonconforming": cross}
    made = [
        tag("pattern", *lines, id=f"hatch-{name}", width=8, height=8, patternUnits="userSpaceOnUse")
        for name, lines in hatchings.items()
    ]
    return tag("svg", tag("defs", *made), class_="patterns", aria_hidden="true", focusable="false")


# --- strips -----------------------------------------------------------------------------------------


def strip(key: str, value: Json, words: Words, figures: Figures) -> Markup:
    """A value's 95 % interval against what is allowed, to scale; the zone alone if none was measured."""
    low, high = _limits(value)
    measured = value["value"] is not None
    shown = [low, high, *(value["interval95"] if measured else ())]
    middle, half = (min(shown) + max(shown)) / 2, (max(shown) - min(shown)) / 2 * 1.12

    def x(number: float) -> float:
        return EDGE + (number - middle + half) / (2 * half) * (WIDTH - 2 * EDGE)

    zone = tag("rect", x=x(low), y=8, width=max(x(high) - x(low), 2.0), height=20, class_="zone")
    parts = [
        zone,
        line((EDGE, 18), (WIDTH - EDGE, 18), "axis"),
        line((x(value["nominal"]), 4), (x(value["nominal"]), 32), "nominal"),
        *_limit_labels(key, (low, high), x, figures),
    ]
    if measured:
        parts += _interval(value, x)
    return drawing(WIDTH, STRIP_HEIGHT, _strip_words(key, value, words, figures), *parts, class_="strip")


def _limits(value: Json) -> tuple[float, float]:
    return value["nominal"] - value["minus"], value["nominal"] + value["plus"]


def _limit_labels(key: str, limits: Sequence[float], x: Any, figures: Figures) -> Iterator[Markup]:
    """The two limits below their ends; pushed apart where the zone is narrow."""
    left, right = x(limits[0]), x(limits[1])
    gap = max(0.0, 70.0 - (right - left)) / 2
    for at, limit in ((left - gap, limits[0]), (right + gap, limits[1])):
        anchor = "start" if at < 40 else "end" if at > WIDTH - 40 else "middle"
        place = min(max(at, EDGE), WIDTH - EDGE)
        yield text((place, 43), figures.given(key, limit), "limit", anchor)


def _interval(value: Json, x: Any) -> list[Markup]:
    low, high = value["interval95"]
    width = max(x(high) - x(low), 3.0)
    bar = {"x": (x(low) + x(high) - width) / 2, "y": 12, "width": width, "height": 12}
    return [
        tag("rect", **bar, class_="interval-ground"),
        tag("rect", **bar, class_=f"interval {value['decision']}"),
        line((x(value["value"]), 6), (x(value["value"]), 30), "mark"),
    ]


def _strip_words(key: str, value: Json, words: Words, figures: Figures) -> str:
    low, high = _limits(value)
    said = {
        "label": words(f"value.{key}"),
        "low": figures.given(key, low),
        "high": figures.given(key, high),
        "unit": figures.unit_of(key),
    }
    if value["value"] is None:
        return words("strip.not_measured", **said)
    return words(
        "strip.measured",
        **said,
        value=figures.value(key, value["value"], value["u"]),
        from_=figures.value(key, value["interval95"][0], value["u"]),
        to=figures.value(key, value["interval95"][1], value["u"]),
        decision=words(f"decision.{value['decision']}"),
    )


# --- plan and side view -----------------------------------------------------------------------------


def plan(result: Json, words: Words, figures: Figures) -> Markup:
    """Everything seen from above."""
    geometry = result["geometry"]
    room = DIMENSION * len(result["placements"])
    view = fitted(_all_points(geometry), (1, -1), (0, 1), EDGE, room)
    parts = [
        *_reference_line(geometry, view, words),
        *_wheels_from_above(geometry, view, words),
        *_plates(geometry, view),
        *_stations(geometry, view),
        *_targets(geometry, view, axis=1),
        *_distances(result, view, words, figures),
        *scale_bar(view, figures),
    ]
    return drawing(WIDTH, view.top + view.height + 34, words("plan.title"), *parts)


def side(result: Json, words: Words, figures: Figures) -> Markup:
    """Everything seen from the vehicle's right; the floor only where a height was measured."""
    geometry = result["geometry"]
    view = fitted(_all_points(geometry), (0, 1), (2, 1), EDGE + 10)
    parts: list[Markup] = []
    has_floor = any(_number(placement, "height_mm") is not None for placement in result["placements"])
    if has_floor:
        y = view((0, 0, 0))[1]
        parts.append(line((EDGE, y), (WIDTH - EDGE, y), "floor"))
    parts += [
        *_wheels_from_the_side(geometry, view),
        *_plates(geometry, view),
        *_targets(geometry, view, axis=2),
        *_heights(result, view, words, figures),
        *scale_bar(view, figures),
    ]
    title = words("side.title" if has_floor else "side.title_no_floor")
    return drawing(WIDTH, view.top + view.height + 34, title, *parts)


def fitted(
    points: np.ndarray, right: tuple[int, int], up: tuple[int, int], top: float, room: float = 0.0
) -> View:
    """Everything in the drawing's width, but for `room` at its right for dimension lines."""
    across, along = right[1] * points[:, right[0]], up[1] * points[:, up[0]]
    low = (float(across.min()) - MARGIN_MM, float(along.min()) - MARGIN_MM)
    high = (float(across.max()) + MARGIN_MM, float(along.max()) + MARGIN_MM)
    return View(right, up, low, high, (high[0] - low[0]) / (WIDTH - 2 * EDGE - room), EDGE, top)


def _all_points(geometry: Json) -> np.ndarray:
    """Everything that a drawing must not cut off, (n, 3) mm."""
    points = [np.zeros(3)]
    for wheel in geometry.get("wheels", {}).values():
        centre = np.asarray(wheel["centre_mm"])
        points += [centre - (330, 0, 0), centre + (330, 0, 330), np.asarray(wheel["plate_origin_mm"])]
    points += [np.asarray(p["T_vehicle_plate"])[:3, 3] for p in geometry.get("plates", {}).values()]
    points += [np.asarray(camera["position_mm"]) for camera in geometry.get("cameras", ())]
    for target in geometry.get("targets", ()):
        T = np.asarray(target["T_vehicle_target"])
        points += [T[:3, 3] + sign * TARGET_HALF_MM * T[:3, axis] for sign in (-1, 1) for axis in (1, 2)]
    return np.array(points)


def _wheels_from_above(geometry: Json, view: View, words: Words) -> Iterator[Markup]:
    wheels = geometry.get("wheels", {})
    for axle in ("front", "rear"):
        pair = [wheels[name]["centre_mm"] for name in (f"{axle}_left", f"{axle}_right") if name in wheels]
        if len(pair) == 2:
            yield line(view(pair[0]), view(pair[1]), "thin")
    for name, wheel in wheels.items():
        centre = np.asarray(wheel["centre_mm"])
        outward = np.asarray(wheel["plate_origin_mm"]) - centre
        along = np.array([-outward[1], outward[0], 0.0]) / np.hypot(outward[0], outward[1]) * 310
        yield line(view(centre - along), view(centre + along), "wheel")
        x, y = view(centre)
        outward_to, anchor = (-16, "end") if "left" in name else (16, "start")
        yield text((x + outward_to, y - 8), words(f"wheel.{name}"), "label", anchor)


def _wheels_from_the_side(geometry: Json, view: View) -> Iterator[Markup]:
    for wheel in geometry.get("wheels", {}).values():
        x, y = view(wheel["centre_mm"])
        height_mm = wheel["centre_mm"][2]
        radius_mm = height_mm if 150 < height_mm < 600 else 300.0
        yield tag("circle", cx=x, cy=y, r=radius_mm / view.mm_per_unit, class_="outline")
        yield tag("circle", cx=x, cy=y, r=2.0, class_="dot")


def _reference_line(geometry: Json, view: View, words: Words) -> Iterator[Markup]:
    datum = geometry.get("datum_mm")
    if datum is None:
        return
    x, y = view(datum)
    yield line((x, view.top), (x, view.top + view.height), "reference")
    name = words(f"line.{geometry['reference_line']}")
    yield text((x + 5, view.top + view.height - 6), name, "label", "start")
    yield tag("circle", cx=x, cy=y, r=6.0, class_="outline")
    yield tag("circle", cx=x, cy=y, r=1.8, class_="dot")
    yield text((x + 9, y + 15), words("plan.datum"), "label", "start")


def _plates(geometry: Json, view: View) -> Iterator[Markup]:
    for plate in geometry.get("plates", {}).values():
        T, half = np.asarray(plate["T_vehicle_plate"]), plate["half_mm"]
        corners = ((-half, -half), (half, -half), (half, half), (-half, half))
        yield path([view(T[:3, 3] + a * T[:3, 0] + b * T[:3, 1]) for a, b in corners], "plate", closed=True)


def _stations(geometry: Json, view: View) -> Iterator[Markup]:
    """Where the photos were taken from: their numbers, and which way the phone looked."""
    for number, camera in enumerate(geometry.get("cameras", ()), start=1):
        at = np.asarray(camera["position_mm"])
        axis = np.asarray(camera["axis"])
        x, y = view(at)
        tip = view(at + 300.0 * axis / max(float(np.hypot(axis[0], axis[1])), 0.2))
        yield line((x, y), tip, "thin")
        yield tag("circle", cx=x, cy=y, r=9.0, class_="station")
        yield text((x, y + 4), str(number), "label")


def _targets(geometry: Json, view: View, axis: int) -> Iterator[Markup]:
    """A bar across, and an arrow from its middle the way it faces (against its x)."""
    for target in geometry.get("targets", ()):
        T = np.asarray(target["T_vehicle_target"])
        is_mat = target.get("kind") == "mat"
        # A mat shows its mark, which its z is, from above, and lies on the floor from the side.
        shown = 1 if is_mat else axis
        middle, across = T[:3, 3], TARGET_HALF_MM * T[:3, shown]
        yield line(view(middle - across), view(middle + across), "target")
        if not is_mat:
            yield arrow(view(middle), view(middle - 420 * T[:3, 0]), "facing")
        elif axis == 1:
            yield arrow(view(middle), view(middle + 420 * T[:3, 2]), "facing")
        x, y = view(middle + across)
        anchor = "end" if x > WIDTH / 2 else "start"
        yield text((x, y - 8), f"{target['fixture']}: {target['target']}", "label strong", anchor)


def _ends(result: Json) -> Iterator[tuple[int, Json, np.ndarray]]:
    targets = {(t["fixture"], t["target"]): t for t in result["geometry"].get("targets", ())}
    for row, placement in enumerate(result["placements"]):
        target = targets.get((placement["fixture"], placement["target"]))
        if target is not None:
            yield row, placement, np.asarray(target["T_vehicle_target"])


def _number(placement: Json, key: str) -> float | None:
    return placement["values"].get(key, {}).get("value")


def _turned(at: Point, words: str) -> Markup:
    """Words that run upward, along a dimension line to their right."""
    x, y = at[0] - 5, at[1]
    turn = f"rotate(-90 {x:.1f} {y:.1f})"
    return tag("text", words, x=x, y=y, class_="label", text_anchor="middle", transform=turn)


def _distances(result: Json, view: View, words: Words, figures: Figures) -> Iterator[Markup]:
    datum = result["geometry"].get("datum_mm")
    for row, placement, T in _ends(result):
        value = placement["values"]["distance_mm"]
        if value["value"] is None or datum is None:
            continue
        x = view.left + view.width + DIMENSION * (row + 1) - 4
        start, end = (x, view(datum)[1]), (x, view(T[:3, 3])[1])
        yield line(view(datum), start, "helper")
        yield line(view(T[:3, 3]), end, "helper")
        yield arrow(start, end, "dimension", both=True)
        middle = (x, (start[1] + end[1]) / 2)
        yield _turned(middle, _with_unit("distance_mm", value, words, figures))


def _heights(result: Json, view: View, words: Words, figures: Figures) -> Iterator[Markup]:
    for row, placement, T in _ends(result):
        value = placement["values"]["height_mm"]
        if value["value"] is None:
            continue
        X, _, Z = T[:3, 3]
        x = view((X, 0, 0))[0] - math.copysign(26 + 20 * row, X)
        start, end = (x, view((0, 0, 0))[1]), (x, view((0, 0, Z))[1])
        yield line(view(T[:3, 3]), end, "helper")
        yield arrow(start, end, "dimension", both=True)
        anchor, aside = ("end", -6) if X > 0 else ("start", 6)
        place = (x + aside, (start[1] + end[1]) / 2)
        yield text(place, _with_unit("height_mm", value, words, figures), "label", anchor)


def _with_unit(key: str, value: Json, words: Words, figures: Figures) -> str:
    return f"{words(f'value.{key}')} {figures.with_unit(key, figures.value(key, value['value'], value['u']))}"


def scale_bar(view: View, figures: Figures) -> Iterator[Markup]:
    length_mm, words = (1000.0, "1 m") if figures.unit == "mm" else (914.4, "36 in")
    y = view.top + view.height + 22
    left, right = EDGE + 2, EDGE + 2 + length_mm / view.mm_per_unit
    yield path([(left, y - 5), (left, y), (right, y), (right, y - 5)], "scale")
    yield text((right + 6, y + 2), words, "label", "start")


# --- close-up ---------------------------------------------------------------------------------------


def closeup(placement: Json, words: Words, figures: Figures) -> Markup | None:
    """The target's reference point from above, against the rectangle that is allowed; magnified, to scale.

    The ellipse holds the true place with a probability of 95 %, distance and lateral offset jointly.
    Only where both are required and measured.
    """
    values = placement["values"]
    distance, lateral = values["distance_mm"], values["lateral_mm"]
    if any(v["value"] is None or "nominal" not in v for v in (distance, lateral)):
        return None
    (near, far), (right, left) = _limits(distance), _limits(lateral)
    ellipse = _ellipse_mm(placement)
    corners = [(near, right), (near, left), (far, left), (far, right)]
    points = np.array([*corners, *ellipse])
    view = _square_view(points)
    nominal = view((distance["nominal"], lateral["nominal"], 0))
    parts = [
        path([view((*c, 0)) for c in corners], "zone", closed=True),
        line((nominal[0] - 10, nominal[1]), (nominal[0] + 10, nominal[1]), "nominal"),
        line((nominal[0], nominal[1] - 10), (nominal[0], nominal[1] + 10), "nominal"),
        path([view((*p, 0)) for p in ellipse], "interval-ground", closed=True),
        path([view((*p, 0)) for p in ellipse], f"interval {_worse(distance, lateral)}", closed=True),
        tag("circle", cx=view(_place(values))[0], cy=view(_place(values))[1], r=2.5, class_="dot"),
        *_closeup_bar(view, figures),
    ]
    return drawing(WIDTH, view.top + view.height + 30, words("closeup.title"), *parts)


def _place(values: Json) -> tuple[float, float, float]:
    return values["distance_mm"]["value"], values["lateral_mm"]["value"], 0.0


def _ellipse_mm(placement: Json) -> np.ndarray:
    """Outline (n, 2), distance and lateral offset, of the joint 95 % region."""
    keys = placement["covariance"]["keys"]
    at = [keys.index("distance_mm"), keys.index("lateral_mm")]
    covariance = np.asarray(placement["covariance"]["matrix"])[np.ix_(at, at)]
    angles = np.linspace(0, 2 * np.pi, 49)[:-1]
    circle = RADIUS_95_OF_TWO * np.stack([np.cos(angles), np.sin(angles)])
    return np.array(_place(placement["values"])[:2]) + (np.linalg.cholesky(covariance) @ circle).T


def _square_view(points: np.ndarray) -> View:
    """Forward up, left to the left, with a margin; no taller than wide."""
    middle = (points.max(0) + points.min(0)) / 2
    half = (points.max(0) - points.min(0)) / 2 * 1.15
    half_across = max(half[1], half[0] * 1.4)
    low = (-middle[1] - half_across, middle[0] - half[0])
    high = (-middle[1] + half_across, middle[0] + half[0])
    return View((1, -1), (0, 1), low, high, 2 * half_across / (WIDTH - 2 * EDGE), EDGE, EDGE)


def _closeup_bar(view: View, figures: Figures) -> Iterator[Markup]:
    """A round length that is about a fifth of the width."""
    aim = view.mm_per_unit * WIDTH / 5 / figures.units.mm
    power = 10.0 ** math.floor(math.log10(aim))
    length = max(step * power for step in (1, 2, 5) if step * power <= aim)
    y, right = view.top + view.height + 18, EDGE + 2 + length * figures.units.mm / view.mm_per_unit
    yield path([(EDGE + 2, y - 5), (EDGE + 2, y), (right, y), (right, y - 5)], "scale")
    yield text((right + 6, y + 2), f"{figures.plain(length)} {figures.unit}", "label", "start")


def _worse(*values: Json) -> str:
    order = ("conforming", "undecided", "nonconforming")
    return max((v["decision"] for v in values), key=order.index)
