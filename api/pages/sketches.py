"""A result -> drawings for the page: close-up at the target, a strip per value, and what drawings share.

Made from the result's own JSON (mm, vehicle frame). Plan and side view: views.py.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from markupsafe import Markup

from api.figures import Figures
from api.pages.svg import View, drawing, line, path, tag, text
from api.pages.words import Words

Json = Mapping[str, Any]

WIDTH = 320.0  # one unit is about a pixel of a small phone
EDGE = 8.0
MARGIN_MM = 250.0
TARGET_HALF_MM = 500.0  # a target's size is not known; it is drawn one metre wide
STRIP_HEIGHT = 46.0
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


# --- for every drawing to scale ---------------------------------------------------------------------


def fitted(
    points: np.ndarray, right: tuple[int, int], up: tuple[int, int], top: float, room: float = 0.0
) -> View:
    """Everything in the drawing's width, but for `room` at its right for dimension lines."""
    across, along = right[1] * points[:, right[0]], up[1] * points[:, up[0]]
    low = (float(across.min()) - MARGIN_MM, float(along.min()) - MARGIN_MM)
    high = (float(across.max()) + MARGIN_MM, float(along.max()) + MARGIN_MM)
    return View(right, up, low, high, (high[0] - low[0]) / (WIDTH - 2 * EDGE - room), EDGE, top)


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
