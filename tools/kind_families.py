"""Every kind of target as bays with truth: where units stand, what is asked of them, and rounds in pairs."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any, Literal

import numpy as np
from numpy.random import Generator

from tools.kinds import Bay, Pair, Unit, make_bay
from vision.kit import Origin

Drawn = tuple[tuple[Unit, ...], tuple[Pair, ...], int]

SQUARE = {"distance_mm": 10.0, "lateral_mm": 8.0, "height_mm": 8.0, "yaw_deg": 0.5}
POLAR = {"range_mm": 20.0, "bearing_deg": 0.5, "height_mm": 10.0}
_HALF_TURN = float(np.pi)


def reflector_ahead(rng: Generator) -> Drawn:
    """From a radar sensor behind the bumper, known from a drawing to 2 mm, aimed ahead."""
    sensor = Origin("front_axle", (float(rng.uniform(600, 850)), float(rng.uniform(-300, 300))), 2.0, 0.0)
    place = (float(rng.uniform(2000, 8000)), float(rng.uniform(-500, 500)), float(rng.uniform(300, 900)))
    return (Unit("reflector", place, POLAR, origin=sensor, body="reflector"),), (), 14


def corner_units(rng: Generator) -> Drawn:
    """Behind each rear corner: left from the axle's end, right from a plate on the bumper's corner."""
    x, y = -float(rng.uniform(4000, 5500)), float(rng.uniform(1200, 2600))
    starts = (Origin("rear_left", axis_rad=_HALF_TURN), Origin("corner_right", axis_rad=_HALF_TURN))
    units = tuple(
        Unit(name, (x, side * y, 700.0), POLAR, facing, datum="rear_axle", origin=start, body="reflector")
        for name, side, facing, start in zip(("left", "right"), (1, -1), (145.0, -145.0), starts, strict=True)
    )
    return units, (Pair((0, 1), {"spacing_mm": 10.0, "symmetry_mm": 10.0}),), 16


def rear_board(rng: Generator) -> Drawn:
    """Behind the vehicle, squared to it: facing half a turn, where angles wrap."""
    place = (-float(rng.uniform(4300, 6000)), float(rng.uniform(-100, 100)), float(rng.uniform(500, 1200)))
    return (Unit("rear", place, SQUARE, 180.0, datum="rear_axle"),), (), 14


def side_board(rng: Generator) -> Drawn:
    """At a bearing, left or right, from a front wheel."""
    side = float(rng.choice([-1, 1]))
    at_rad, range_mm = side * rng.uniform(np.radians(50), np.radians(120)), rng.uniform(1800, 3500)
    wheel = "front_left" if side > 0 else "front_right"
    place = (range_mm * np.cos(at_rad), side * 780 + range_mm * np.sin(at_rad), 900.0)
    unit = Unit("side", place, {**POLAR, "yaw_deg": 0.5}, float(np.degrees(at_rad)), origin=Origin(wheel))
    return (unit,), (), 14


def pair_of_boards(rng: Generator) -> Drawn:
    """Left and right of the line."""
    x, y = float(rng.uniform(1800, 4000)), float(rng.uniform(450, 1100))
    units = tuple(
        Unit(name, (x, side * y, 1000.0), SQUARE, half_width_mm=(160.0, 0.0))
        for name, side in (("left", 1), ("right", -1))
    )
    together = {"spacing_mm": 4.0, "height_difference_mm": 4.0, "distance_difference_mm": 6.0}
    return units, (Pair((0, 1), {**together, "symmetry_mm": 5.0, "parallelism_deg": 0.5}),), 14


def mats_round(rng: Generator) -> Drawn:
    """Left, right, front and rear; gaps from the wheels and from the axles' middles."""
    side_y, x = float(rng.uniform(1500, 1900)), -float(rng.uniform(1000, 1600))
    gap = {"gap_mm": 15.0, "distance_mm": 15.0, "heading_deg": 1.0, "flatness_mm": 12.0}
    line = {"distance_mm": 15.0, "lateral_mm": 15.0, "heading_deg": 1.0}
    quarter = _HALF_TURN / 2
    units = (
        Unit(
            "mat_left", (x, side_y, 2.0), gap, 0.0, True, origin=Origin("rear_left", axis_rad=quarter),
            half_width_mm=(300.0, 500.0),
        ),
        Unit(
            "mat_right", (x, -side_y, 2.0), gap, 0.0, True, origin=Origin("rear_right", axis_rad=-quarter),
            half_width_mm=(300.0, 500.0),
        ),
        Unit(
            "mat_front", (float(rng.uniform(1500, 2200)), 0.0, 2.0), line, 0.0, True,
            half_width_mm=(500.0, 300.0),
        ),
        Unit(
            "mat_rear", (-float(rng.uniform(4300, 5000)), 0.0, 2.0), line, 180.0, True, datum="rear_axle",
            half_width_mm=(500.0, 300.0),
        ),
    )  # fmt: skip
    pairs = (
        Pair((0, 1), {"spacing_mm": 10.0, "parallelism_deg": 1.0}),
        Pair((2, 3), {"spacing_mm": 10.0}),
    )
    return units, pairs, 20


def mirror_plate(rng: Generator) -> Drawn:
    """Close ahead of the bumper, at the tightest angles."""
    place = (float(rng.uniform(1700, 2900)), 0.0, float(rng.uniform(400, 800)))
    angles = {"distance_mm": 20.0, "yaw_deg": 0.3, "pitch_deg": 0.3}
    return (Unit("plate", place, angles, half_width_mm=(300.0, 0.0), off_deg=0.08, body="plate"),), (), 16


FAMILIES: Mapping[str, Callable[[Generator], Drawn]] = MappingProxyType(
    {
        "reflector_ahead": reflector_ahead,
        "corner_units": corner_units,
        "rear_board": rear_board,
        "side_board": side_board,
        "pair_of_boards": pair_of_boards,
        "mats_round": mats_round,
        "mirror_plate": mirror_plate,
    }
)


# What stands as far off as 8 m needs a plan: evenly from all round, photos leave out a rear wheel.
FAR_FAMILIES = frozenset({"reflector_ahead"})


def draw_bay(
    rng: Generator,
    family: str,
    *,
    n_photos: int | None = None,
    stations: Literal["ring", "planned"] | None = None,
    size_px: tuple[int, int] = (4032, 3024),
    with_label: bool = False,
    plumb: str = "",
) -> Bay:
    """A scene of this family.

    Args:
        n_photos, stations: The family's own unless given.
        with_label: The first unit's target carries a label; for stands that have room for one.
        plumb: Level plates beside the first unit.
    """
    units, pairs, usual = FAMILIES[family](rng)
    line = str(rng.choice(["centreline", "thrust_line"]))
    units = (replace(units[0], has_label=with_label), *units[1:])
    return make_bay(
        rng,
        units,
        pairs,
        n_photos=n_photos or usual,
        stations=stations or ("planned" if family in FAR_FAMILIES else "ring"),
        reference_line=line,
        size_px=size_px,
        plumb=plumb,
    )


def board_near_and_far(rng: Generator) -> tuple[Unit, Unit, dict[str, Any]]:
    """The same board in two rounds, 0.8 to 2 m apart along the line."""
    x, height = float(rng.uniform(1800, 3000)), float(rng.uniform(700, 1200))
    way = round(float(rng.uniform(800, 2000)), -1)
    near = Unit("board", (x, 0.0, height), {}, off_mm=2.0)
    far = replace(near, position_mm=(x + way, 0.0, height))
    asked = {
        "distance_mm": (way, 8.0),
        "lateral_mm": (0.0, 5.0),
        "height_mm": (0.0, 5.0),
        "yaw_deg": (0.0, 0.5),
    }
    return near, far, _shift(asked)


def angle_stops(rng: Generator) -> tuple[Unit, Unit, dict[str, Any]]:
    """A mirror plate close ahead, turned from stop to stop of 2 degrees about the upright."""
    place = (float(rng.uniform(1700, 2600)), 0.0, float(rng.uniform(400, 800)))
    stops = 2.0 * float(rng.integers(1, 4)) * float(rng.choice([-1, 1]))
    straight = Unit("plate", place, {}, half_width_mm=(300.0, 0.0), off_deg=0.05, body="plate")
    turned = replace(straight, facing_deg=stops)
    return straight, turned, _shift({"yaw_deg": (stops, 0.4), "pitch_deg": (0.0, 0.4)}, {"yaw_deg": 2.0})


def _shift(asked: Mapping[str, tuple[float, float]], step: Mapping[str, float] = {}) -> dict[str, Any]:  # noqa: B006
    return {
        "format": "plumbsight.shift/1",
        "name": "from one to the next",
        "from": "placed",
        "to": "placed",
        "values": {key: {"nominal": n, "minus": half, "plus": half} for key, (n, half) in asked.items()},
        "step": dict(step),
    }


TWO_ROUNDS: Mapping[str, Callable[[Generator], tuple[Unit, Unit, dict[str, Any]]]] = MappingProxyType(
    {"board_near_and_far": board_near_and_far, "angle_stops": angle_stops}
)


def draw_two_rounds(
    seed: int,
    family: str,
    index: int = 0,
    *,
    n_photos: tuple[int, int] = (12, 13),
    stations: Literal["ring", "planned"] = "ring",
    size_px: tuple[int, int] = (4032, 3024),
    with_label: bool = False,
    turned_too_far_deg: float = 0.0,
) -> tuple[tuple[Bay, Bay], dict[str, Any]]:
    """Both rounds of one shop, and what is asked of their difference.

    All that is not photos is drawn first, so the same seed gives the same shop with other photos. Plans are
    those for each round by itself, as if it had to be as sure as the difference must be.
    """
    rng = np.random.default_rng([seed, index])
    one, other, asked = TWO_ROUNDS[family](rng)
    half_widths = {key: tolerance["plus"] for key, tolerance in asked["values"].items()}
    other = replace(other, facing_deg=other.facing_deg + turned_too_far_deg)
    line = str(rng.choice(["centreline", "thrust_line"]))
    bays = []
    for unit, n in zip((one, other), n_photos, strict=True):
        bay = make_bay(
            np.random.default_rng([seed, index, 1]),
            [replace(unit, has_label=with_label, tolerances=half_widths if stations == "planned" else {})],
            n_photos=n,
            stations=stations,
            reference_line=line,
            size_px=size_px,
        )
        # Angles count from forward in both rounds: a turned plate is the same placement.
        p = replace(bay.placements[0], name="placed", facing_rad=0.0, values=MappingProxyType({}))
        bays.append(replace(bay, placements=(p,), meant=(p,)))
    return (bays[0], bays[1]), asked
