"""A result's placement, read back as what its moves depend on (vision.other_moves.Stand)."""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from vision import geometry
from vision.advice import JudgedValue, Reach, reach_of_plates
from vision.kit import Origin, Placement, Tolerance

Json = Mapping[str, Any]


def placement_of(told: Json) -> Placement:
    """What was asked of a placement of a result, as far as moves depend on it; no tolerances."""
    origin = told.get("origin")
    start = None
    if origin is not None:
        x_mm, y_mm = origin["offset_mm"]
        start = Origin(origin["at"], (x_mm, y_mm), origin["u_mm"], math.radians(origin["axis_deg"]))
    return Placement(
        told["name"],
        told["fixture"],
        told["target"],
        told["reference_line"],
        told["datum"],
        facing_rad=math.radians(told.get("facing_deg", 0.0)),
        origin=start,
    )


def judged_of(told: Json) -> dict[str, JudgedValue]:
    """The required values that were measured."""
    return {
        key: JudgedValue(v["value"], v["u"], Tolerance(v["nominal"], v["minus"], v["plus"]), v["decision"])
        for key, v in told["values"].items()
        if v["value"] is not None and "nominal" in v
    }


def measured_of(told: Json) -> dict[str, float]:
    """All values that were measured, required or not."""
    return {key: v["value"] for key, v in told["values"].items() if v["value"] is not None}


def reach_of(result: Json, index: int) -> Reach:
    """Where the plates of placement number `index` lie as seen from its target, by those photographed.

    Without a drawing's geometry in the result, or a plate of the fixture in it: the target itself.
    """
    at = result.get("geometry", {"targets": ()})
    if index >= len(at["targets"]):
        return Reach(0.0, (0.0, 0.0, 0.0))
    target = at["targets"][index]
    what = "mat" if target.get("kind") == "mat" else "fixture"
    role = f"{what} {result['placements'][index]['fixture']}"
    in_vehicle_mm = [
        np.array(plate["T_vehicle_plate"])[:3, 3] for plate in at["plates"].values() if plate["role"] == role
    ]
    if not in_vehicle_mm:
        return Reach(0.0, (0.0, 0.0, 0.0))
    T_target_vehicle = geometry.invert(np.array(target["T_vehicle_target"]))
    return reach_of_plates(geometry.apply(T_target_vehicle, np.stack(in_vehicle_mm)))
