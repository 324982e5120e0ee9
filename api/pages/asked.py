"""A placement before anything is measured -> what views.py draws: where its target is meant to be.

Around a vehicle of a usual size, for the placement does not know which one it is. What the procedure leaves
open (a board's lateral offset, where only its distance is asked) is drawn in an ordinary place and not named.
"""

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calib_data.crosschecks import AXLES
from calib_data.families import Family
from vision.geometry import rz_ry_rx

Json = Mapping[str, Any]

# A usual car (common practice, no source), for the drawing alone.
WHEELBASE_MM, HALF_TRACK_MM, RADIUS_MM, OVERHANG_MM = 2700.0, 780.0, 310.0, 850.0
CLAMP_MM = 150.0  # from a wheel's centre out to its plate
AWAY_MM, HEIGHT_MM = 2000.0, 700.0  # of what no number is asked of
MAT_HALF_MM = (350.0, 500.0)

# An example of each value for drawings of a template, which has none.
EXAMPLES: Mapping[str, float] = {
    "range_mm": 2200.0, "bearing_deg": 30.0, "gap_mm": 700.0, "lateral_mm": 500.0,
}  # fmt: skip
EXAMPLE_FACING_DEG: Mapping[str, float] = {
    "ahead": 0.0, "behind": 180.0, "beside": 70.0, "corners": 145.0, "round": 0.0,
}  # fmt: skip
EXAMPLE_ORIGIN: Mapping[str, Json] = {
    "ahead": {"at": "front_axle", "offset_mm": [700.0, 200.0], "axis_deg": 0.0},
    "behind": {"at": "rear_axle", "axis_deg": 180.0},
    "beside": {"at": "front_left", "axis_deg": 90.0},
    "corners": {"at": "rear_left", "axis_deg": 180.0},
    "round": {"at": "rear_left", "axis_deg": 90.0},
}
# Where else a family's target stands, or its fellow: by how much on along X and Y, and turned further.
FELLOWS: Mapping[str, tuple[tuple[float, float, float], ...]] = {
    "board_near_and_far": ((1500.0, 0.0, 0.0),),
    "reflectors_in_turn": ((0.0, -500.0, 0.0), (0.0, -1000.0, 0.0)),
    "plate_ahead": ((0.0, 0.0, 8.0), (0.0, 0.0, -8.0)),
}
MIRRORED = ("boards_pair", "corner_unit", "corner_by_bearing", "mat_round")


def of_placement(file: Json, is_mat: bool) -> Json:
    """A placement's file, filled in, as a result with its nominal values in place of measured ones."""
    values = {
        key: {"value": one["nominal"], "u": None, "nominal": one["nominal"]}
        for key, one in file["values"].items()
    }
    return _result(file, values, is_mat)


def of_family(family: Family) -> Json:
    """A family's template with an example in place of each number, of which the names alone are shown."""
    template, where, lies = family.template, family.where, family.where == "round"
    file = {
        **template,
        "fixture": "",
        "target": "",
        "reference_line": "centreline",
        "datum": "front_axle" if where in ("ahead", "beside") else "rear_axle",
        "facing_deg": EXAMPLE_FACING_DEG[where],
    }
    if "origin" in template:
        file["origin"] = EXAMPLE_ORIGIN[where]
    T, _, _ = _standing({**file, "values": {}}, lies)
    examples = {**EXAMPLES, "distance_mm": float(T[0, 3] - _datum(file["datum"])[0]), "height_mm": HEIGHT_MM}
    if where in ("behind", "beside", "corners"):
        examples["lateral_mm"] = float(T[1, 3])
    if where == "corners":
        examples["bearing_deg"] = -EXAMPLES["bearing_deg"]  # outward, as seen by who looks back
    if where == "round":
        examples["lateral_mm"] = 2 * HALF_TRACK_MM
    values = {
        key: {"value": (v := examples.get(key, 0.0)), "u": None, "nominal": v, "is_example": True}
        for key in template["values"]
    }
    made = _result(file, values, lies)
    (one,) = made["geometry"]["targets"]
    made["geometry"]["targets"] = [*({**one, **fellow} for fellow in _fellows(family.name, one)), one]
    return made


def _fellows(family: str, target: Json) -> Iterator[Json]:
    """Where else it stands, or what stands with it; drawn without a value."""
    T = np.asarray(target["T_vehicle_target"])
    for x, y, turn_deg in FELLOWS.get(family, ()):
        other = T.copy()
        other[:3, :3] = rz_ry_rx(np.radians(turn_deg), np.zeros(()), np.zeros(())) @ T[:3, :3]
        other[:2, 3] += (x, y)
        yield {"T_vehicle_target": other.tolist()}
    if family in MIRRORED:
        # A mirrored body is none: its axis across is turned back.
        mirror = np.diag([1.0, -1.0, 1.0, 1.0])
        other = mirror @ T @ np.diag([1.0, -1.0, 1.0, 1.0])
        outline = [[x, -y, z] for x, y, z in target.get("outline_mm", ())]
        yield {"T_vehicle_target": other.tolist(), **({"outline_mm": outline} if outline else {})}


def _result(file: Json, values: Json, is_mat: bool) -> Json:
    T, origin, datum = _standing({**file, "values": values}, is_mat)
    target: dict[str, Any] = {
        "fixture": file["fixture"],
        "target": file["target"],
        "T_vehicle_target": T.tolist(),
        "datum_mm": datum.tolist(),
    }
    if is_mat:
        across, along = MAT_HALF_MM
        corners = [T[:3, 3] + a * across * T[:3, 1] + b * along * T[:3, 2] for a in (-1, 1) for b in (-1, 1)]
        target |= {"kind": "mat", "outline_mm": [corner.tolist() for corner in corners]}
    if origin is not None:
        target["origin_mm"] = origin.tolist()
    geometry = {
        "reference_line": file["reference_line"],
        "datum_mm": datum.tolist(),
        "wheels": {name: _wheel(name) for name in _WHEELS},
        "targets": [target],
    }
    return {"geometry": geometry, "placements": [{**file, "values": values}]}


_WHEELS: Mapping[str, tuple[float, float]] = {
    f"{axle}_{side}": (x, y)
    for axle, x in (("front", 0.0), ("rear", -WHEELBASE_MM))
    for side, y in (("left", HALF_TRACK_MM), ("right", -HALF_TRACK_MM))
}


def _wheel(name: str) -> Json:
    x, y = _WHEELS[name]
    return {
        "centre_mm": [x, y, RADIUS_MM],
        "plate_origin_mm": [x, y + math.copysign(CLAMP_MM, y), RADIUS_MM],
    }


def _datum(at: str) -> NDArray:
    """An axle's middle, a wheel's centre; of a datum plate, whose place nobody knows here, the bumper's."""
    if at in _WHEELS:
        return np.array([*_WHEELS[at], 0.0])
    x = {"front_axle": 0.0, "rear_axle": -WHEELBASE_MM}.get(at, OVERHANG_MM)
    return np.array([x, 0.0, 0.0])


def _start(origin: Json, axis: NDArray) -> NDArray:
    """Where range and gap start; a datum plate is drawn on that side of the body to which the axis points."""
    at = origin["at"]
    middle = _datum(at)
    if at not in (*_WHEELS, *AXLES):
        ends = {1: OVERHANG_MM, 0: -WHEELBASE_MM / 2, -1: -WHEELBASE_MM - OVERHANG_MM}
        forward, left = (round(float(part)) for part in axis[:2])
        middle = np.array([ends[forward], left * (HALF_TRACK_MM + 100.0), 0.0])
    return middle + [*origin.get("offset_mm", (0.0, 0.0)), 0.0]  # type: ignore[no-any-return]


def _standing(file: Json, is_mat: bool) -> tuple[NDArray, NDArray | None, NDArray]:
    """The target's nominal pose (4, 4), where its range starts (3,) if anywhere, and its datum (3,), mm."""
    values = {key: one["value"] for key, one in file["values"].items()}
    facing = math.radians(file.get("facing_deg", 0.0))
    datum = _datum(file["datum"])
    start, axis = None, np.array([1.0, 0.0, 0.0])
    if "origin" in file:
        origin = file["origin"]
        turn = math.radians(origin.get("axis_deg", 0.0))
        axis = np.array([math.cos(turn), math.sin(turn), 0.0])
        start = _start(origin, axis)
    T = np.eye(4)
    T[:3, 3] = _place(values, datum, start, axis, 0.0 if is_mat else facing)
    T[2, 3] = 0.0 if is_mat else values.get("height_mm", HEIGHT_MM)
    if is_mat:
        heading = facing + math.radians(values.get("heading_deg", 0.0))
        mark, down = np.array([math.cos(heading), math.sin(heading), 0.0]), np.array([0.0, 0.0, -1.0])
        T[:3, :3] = np.stack([down, np.cross(mark, down), mark], axis=1)
    else:
        yaw, pitch, roll = (math.radians(values.get(f"{key}_deg", 0.0)) for key in ("yaw", "pitch", "roll"))
        T[:3, :3] = rz_ry_rx(np.array(facing + yaw), np.array(pitch), np.array(roll))
    return T, start, datum


def _place(values: Json, datum: NDArray, start: NDArray | None, axis: NDArray, facing: float) -> NDArray:
    """The point on the floor plan (3,), from whichever of its values fix it."""
    away = np.array([math.cos(facing), math.sin(facing), 0.0])
    usual = datum + (AWAY_MM + HALF_TRACK_MM * abs(away[1])) * away
    x = datum[0] + values["distance_mm"] if "distance_mm" in values else None
    y = values.get("lateral_mm")
    if start is not None and ("range_mm" in values or "bearing_deg" in values):
        turn = math.radians(values.get("bearing_deg", 0.0))
        c, s = math.cos(turn), math.sin(turn)
        way = np.array([c * axis[0] - s * axis[1], s * axis[0] + c * axis[1], 0.0])
        return start + values.get("range_mm", AWAY_MM) * way
    if start is not None and "gap_mm" in values:
        along = float(start @ axis) + values["gap_mm"]  # of the point, along the axis
        if x is not None and abs(axis[1]) > 0.2:
            return np.array([x, (along - x * axis[0]) / axis[1], 0.0])
        if y is not None and abs(axis[0]) > 0.2:
            return np.array([(along - y * axis[1]) / axis[0], y, 0.0])
        return start + values["gap_mm"] * axis
    return np.array([usual[0] if x is None else x, usual[1] if y is None else y, 0.0])
