"""Make the demo sets: an invented shop and vehicle, and one thing to correct in each.

In calib_data/demo one board in eight photos; in its folder `three` a board, a reflector and two mats that the
same twelve photos show. Run `python -m tools.make_demo`; the same code makes the same bytes on the same
library versions.
"""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from tools.kinds import Bay, Pair, Unit, make_bay
from tools.make_set import write_set
from tools.render import Look
from tools.scene import SetUp, draw_car, make_scene
from tools.truth import Scene
from vision.kit import Origin, Tolerance

FOLDER = Path(__file__).parents[1] / "calib_data" / "demo"
SEED = 2026
SIZE_PX = (2560, 1920)
THREE, THREE_SIZE_PX = FOLDER / "three", (1640, 1230)
# Where they stand, such that what is not planted comes to the round figures below; the seed is one of photos
# that are sure of every value.
PLACES_MM: Mapping[str, tuple[float, float, float]] = MappingProxyType(
    {
        "board": (2500.0, -3.5, 1100.0),
        "reflector": (2605.6, 1096.6, 600.5),
        "mat_left": (-1299.0, 1665.4, 2.0),
        "mat_right": (-1302.3, -1640.5, 2.0),
    }
)
THREE_SEED = 2028
BESIDE: Mapping[str, Tolerance] = MappingProxyType(
    {
        "gap_mm": Tolerance(900.0, 15.0, 15.0),
        "distance_mm": Tolerance(-1300.0, 15.0, 15.0),
        "heading_deg": Tolerance(0.0, 1.0, 1.0),
    }
)
ASKED: Mapping[str, tuple[str, Mapping[str, Tolerance]]] = MappingProxyType(
    {
        "board": (
            "DEMO board ahead",
            {
                "distance_mm": Tolerance(2500.0, 8.0, 8.0),
                "lateral_mm": Tolerance(0.0, 6.0, 6.0),
                "height_mm": Tolerance(1100.0, 6.0, 6.0),
                "yaw_deg": Tolerance(0.0, 0.4, 0.4),
            },
        ),
        "reflector": (
            "DEMO reflector ahead",
            {
                "range_mm": Tolerance(2200.0, 15.0, 15.0),
                "bearing_deg": Tolerance(30.0, 0.5, 0.5),
                "height_mm": Tolerance(600.0, 10.0, 10.0),
            },
        ),
        "mat_left": ("DEMO mat left", BESIDE),
        "mat_right": ("DEMO mat right", BESIDE),
    }
)


def demo_scene() -> Scene:
    """The board stands 9 mm too far to the left; everything else is as required."""
    rng = np.random.default_rng(SEED)
    scene = make_scene(
        rng,
        target_distance_mm=2501.2,
        n_photos=8,
        stations="chosen",
        size_px=SIZE_PX,
        car=draw_car(rng),
        set_up=SetUp(lateral_mm=6.0, height_mm=1100.8, yaw_deg=0.06, off_mm=0.0, off_deg=0.0),
    )
    placement = replace(
        scene.placement,
        name="DEMO front camera board",
        values=MappingProxyType(
            {
                "distance_mm": Tolerance(2500.0, 6.0, 6.0),
                "lateral_mm": Tolerance(0.0, 4.0, 4.0),
                "height_mm": Tolerance(1100.0, 5.0, 5.0),
                "yaw_deg": Tolerance(0.0, 0.3, 0.3),
            }
        ),
    )
    vehicle = replace(scene.vehicle, label="DEMO hatchback, invented")
    return replace(scene, kit=replace(scene.kit, name="DEMO kit"), vehicle=vehicle, placement=placement)


def three_bay() -> Bay:
    """The left mat lies 25 mm too far out; board, reflector and right mat are as required."""
    rng = np.random.default_rng(THREE_SEED)
    sensor = Origin("front_axle", (700.0, 0.0), 1.0)
    quarter = float(np.pi / 2)
    half_widths = {name: {key: t.plus for key, t in asked.items()} for name, (_, asked) in ASKED.items()}

    def unit(name: str, **more: Any) -> Unit:
        return Unit(name, PLACES_MM[name], half_widths[name], off_mm=0.0, off_deg=0.0, **more)

    mat = {"is_mat": True, "half_width_mm": (300.0, 500.0)}
    units = [
        unit("board"),
        unit("reflector", origin=sensor, body="reflector"),
        unit("mat_left", origin=Origin("rear_left", axis_rad=quarter), **mat),
        unit("mat_right", origin=Origin("rear_right", axis_rad=-quarter), **mat),
    ]
    pairs = [Pair((2, 3), {"parallelism_deg": 1.0})]
    car = draw_car(np.random.default_rng(SEED))
    bay = make_bay(rng, units, pairs, n_photos=12, stations="planned", car=car, size_px=THREE_SIZE_PX)
    placements = tuple(
        replace(
            p,
            name=ASKED[p.fixture][0],
            values=MappingProxyType(ASKED[p.fixture][1]),
            origin=p.origin and replace(p.origin, offset_mm=_rounded(p.origin.offset_mm)),
        )
        for p in bay.placements
    )
    (mats,) = bay.relations
    parallel = replace(
        mats, name="DEMO mats", values=MappingProxyType({"parallelism_deg": Tolerance(0.0, 1.0, 1.0)})
    )
    return replace(
        bay,
        kit=replace(bay.kit, name="DEMO kit for three targets"),
        vehicle=replace(bay.vehicle, label="DEMO hatchback, invented"),
        placements=placements,
        relations=(parallel,),
    )


def _rounded(offset_mm: tuple[float, float]) -> tuple[float, float]:
    """As one reads it off a drawing."""
    return round(offset_mm[0], 1), round(offset_mm[1], 1)


def make_demo(folder: Path = FOLDER) -> None:
    rng = np.random.default_rng(SEED)
    write_set(rng, folder, demo_scene(), "DEMO bay, invented", looks=(Look(),), quality=85)


def make_three(folder: Path = THREE) -> None:
    rng = np.random.default_rng(THREE_SEED)
    write_set(rng, folder, three_bay(), "DEMO bay with three targets, invented", quality=74)


if __name__ == "__main__":
    make_demo()
    make_three()
