"""Make the demo set in calib_data/demo: an invented shop and vehicle, eight photos, one thing to correct.

Run `python -m tools.make_demo`; the same code makes the same bytes on the same library versions.
"""

from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np

from tools.make_set import write_set
from tools.render import Look
from tools.scene import SetUp, draw_car, make_scene
from tools.truth import Scene
from vision.kit import Tolerance

FOLDER = Path(__file__).parents[1] / "calib_data" / "demo"
SEED = 2026
SIZE_PX = (2560, 1920)


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


def make_demo(folder: Path = FOLDER) -> None:
    write_set(
        np.random.default_rng(SEED), folder, demo_scene(), "DEMO bay, invented", looks=(Look(),), quality=85
    )


if __name__ == "__main__":
    make_demo()
