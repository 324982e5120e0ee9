"""A round's coaching -> a plan of the bay so far, and one strip per required value.

As in sketches.py: forward is up, the vehicle's left is left, one scale. What photos show is drawn full, what
is only taken to stand there dashed.
"""

from collections.abc import Callable, Iterator, Sequence

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from api.figures import Figures
from api.pages.sketches import EDGE, TARGET_HALF_MM, WIDTH, fitted, scale_bar
from api.pages.svg import Point, View, arrow, drawing, line, path, tag, text
from api.pages.words import Words
from api.photos.coaching import CoachedValue, PlateOnPlan, RoundCoaching, Stand

WHEEL_HALF_MM, TICK_MM = 310.0, 420.0
STRIP_HEIGHT = 30.0
# A bar longer than so many times what is enough is cut off, with an arrow.
MOST_TIMES = 3.0


def plan(coaching: RoundCoaching, words: Words, figures: Figures) -> Markup:
    """Vehicle, plates, where photos were taken from, and where the next one is."""
    view = fitted(_points(coaching), (1, -1), (0, 1), EDGE)
    parts = [
        *_vehicle(coaching, view),
        *_target(coaching, view),
        *_sights(coaching, view),
        *(_plate(plate, view) for plate in coaching.plates),
        *_stands(coaching, view),
        *_next(coaching, view, words),
        *scale_bar(view, figures),
    ]
    return drawing(WIDTH, view.top + view.height + 34, _plan_words(coaching, words), *parts)


def _plan_words(coaching: RoundCoaching, words: Words) -> str:
    said = words.count("coach.plan", len(coaching.stands))
    return f"{said} {coaching.next.says}" if coaching.next else said


def _points(coaching: RoundCoaching) -> NDArray:
    stands = [*coaching.stands, *([coaching.next.stand] if coaching.next else [])]
    places = [np.asarray(s.T_vehicle_camera)[:3, 3] for s in stands]
    places += [np.asarray(p.T_vehicle_plate)[:3, 3] for p in coaching.plates]
    places += [np.array([*corner, 0.0]) for corner in coaching.vehicle_mm]
    for T in np.asarray(coaching.T_vehicle_targets):
        places += [T[:3, 3] + sign * TARGET_HALF_MM * T[:3, 1] for sign in (-1, 1)]
    return np.array(places)


def _vehicle(coaching: RoundCoaching, view: View) -> Iterator[Markup]:
    """The body, with an arrow the way it looks, and the wheels that carry plates."""
    (rear, right), (front, left) = coaching.vehicle_mm
    (x0, y0), (x1, y1) = view((front, left, 0)), view((rear, right, 0))
    yield tag("rect", x=x0, y=y0, width=x1 - x0, height=y1 - y0, rx=14.0, class_="outline body")
    middle = (left + right) / 2
    yield arrow(view((front - 900, middle, 0)), view((front - 250, middle, 0)), "forward")
    for plate in coaching.plates:
        if plate.role.startswith("wheel"):
            x, y, _ = np.asarray(plate.T_vehicle_plate)[:3, 3]
            inward = y - np.sign(y - middle) * 160
            rear_end, front_end = ((x + sign * WHEEL_HALF_MM, inward, 0) for sign in (-1, 1))
            yield line(view(rear_end), view(front_end), "wheel")


def _target(coaching: RoundCoaching, view: View) -> Iterator[Markup]:
    for T in np.asarray(coaching.T_vehicle_targets):
        across = TARGET_HALF_MM * T[:3, 1]
        yield line(view(T[:3, 3] - across), view(T[:3, 3] + across), "target")


def _plate(plate: PlateOnPlan, view: View) -> Markup:
    """A square as it lies; one that stands upright is a stroke from above, so it is drawn a little deep."""
    T, half = np.asarray(plate.T_vehicle_plate), plate.half_mm
    a, b = half * T[:3, 0], half * T[:3, 1]
    if abs(T[2, 2]) < 0.5:  # upright: its breadth along the floor, and its thickness enlarged
        level = np.cross([0.0, 0.0, 1.0], T[:3, 2])
        a, b = half * level / np.linalg.norm(level), 35.0 * T[:3, 2]
    at = T[:3, 3]
    corners = [at - a - b, at + a - b, at + a + b, at - a + b]
    return path([view(c) for c in corners], "plate" if plate.is_seen else "plate unseen", closed=True)


def _sights(coaching: RoundCoaching, view: View) -> Iterator[Markup]:
    """From the next stand to what must be in the picture."""
    if coaching.next is None:
        return
    at = np.asarray(coaching.next.stand.T_vehicle_camera)[:3, 3]
    where = {p.plate: np.asarray(p.T_vehicle_plate)[:3, 3] for p in coaching.plates}
    for plate in coaching.next.stand.plates:
        yield line(view(at), view(where[plate]), "sight")


def _stands(coaching: RoundCoaching, view: View) -> Iterator[Markup]:
    """Photos by their numbers; those that do not hang together with the main part in dashed circles."""
    main = set(coaching.parts[0].photos) if coaching.parts else set()
    for number, stand in enumerate(coaching.stands, start=1):
        x, y = view(_place(stand))
        yield line((x, y), _tip(stand, view), "thin")
        joined = "station" if stand.photo in main else "station unjoined"
        yield tag("circle", cx=x, cy=y, r=9.0, class_=joined)
        yield text((x, y + 4), str(number), "label")


def _next(coaching: RoundCoaching, view: View, words: Words) -> Iterator[Markup]:
    if coaching.next is None:
        return
    stand = coaching.next.stand
    x, y = view(_place(stand))
    yield arrow((x, y), _tip(stand, view), "facing")
    yield tag("circle", cx=x, cy=y, r=12.0, class_="station coming")
    yield text((x, y + 4), str(len(coaching.stands) + 1), "strong coming")
    anchor, aside = ("end", -16) if x > WIDTH / 2 else ("start", 16)
    yield text((x + aside, y + 4), words("coach.plan.next"), "label strong", anchor)


def _place(stand: Stand) -> NDArray:
    return np.asarray(stand.T_vehicle_camera)[:3, 3]


def _tip(stand: Stand, view: View) -> Point:
    axis = np.asarray(stand.T_vehicle_camera)[:3, 2]
    return view(_place(stand) + TICK_MM * axis / max(float(np.hypot(axis[0], axis[1])), 0.2))


# --- strips -----------------------------------------------------------------------------------------


def strip(value: CoachedValue, says: str) -> Markup:
    """The u reached as a bar against what is enough, the box; a mark where the next photo brings it."""
    shown = [value.enough_at, *(u for u in (value.u, value.u_with_next) if u is not None)]
    end = min(max(shown), MOST_TIMES * value.enough_at) * 1.08

    def x(u: float) -> float:
        return EDGE + min(u, end) / end * (WIDTH - 2 * EDGE)

    parts = [
        tag("rect", x=EDGE, y=5, width=x(value.enough_at) - EDGE, height=20, class_="zone"),
        line((EDGE, 15), (WIDTH - EDGE, 15), "axis"),
    ]
    if value.u is not None:
        parts += _bar(value, x, end)
    return drawing(WIDTH, STRIP_HEIGHT, says, *parts, class_="strip")


def _bar(value: CoachedValue, x: Callable[[float], float], end: float) -> Sequence[Markup]:
    assert value.u is not None
    bar = {"x": EDGE, "y": 9, "width": max(x(value.u) - EDGE, 3.0), "height": 12}
    looks = "conforming" if value.u <= value.enough_at else "undecided"
    parts = [tag("rect", **bar, class_="interval-ground"), tag("rect", **bar, class_=f"interval {looks}")]
    if value.u > end:
        parts.append(arrow((x(end) - 20, 15), (x(end), 15), "dimension"))
    if value.u_with_next is not None:
        at = x(value.u_with_next)
        parts.append(line((at, 3), (at, 27), "mark"))
    return parts
