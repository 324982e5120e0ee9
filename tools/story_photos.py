"""Photos for walking through the service: one vehicle, a board 9 mm off to a side, then corrected.

Rendered, with known truth; kit, vehicle and requirement are the same in both rounds, as in a real visit.
They are told to be no demo, since a demo cannot be signed.
"""

import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import segno
from PIL import Image

from tools.make_set import kit_file, placement_file, vehicle_file
from tools.render import encode_photo, render_photo
from tools.scene import SetUp, draw_car, make_scene
from tools.shop import make_shop
from tools.truth import (
    Scene,
    TruePhoto,
    plate_outline_mm,
    points_in_world_mm,
    project_points,
    views_in,
)
from vision.kit import Tolerance

SEED = 2026
SIZE_PX = (2048, 1536)
SLIP_PX = 430  # as large as a phone's screen, held up two metres before the lens, is in such a photo
QUALITY = 85
BETWEEN_PHOTOS = timedelta(seconds=8)
_STAMP = re.compile(rb"20[0-9]{2}:[0-9]{2}:[0-9]{2} [0-9]{2}:[0-9]{2}:[0-9]{2}")
LATERAL_MM = {"off": 6.0, "corrected": -3.0}
REQUIRED = MappingProxyType(
    {
        "distance_mm": Tolerance(2500.0, 6.0, 6.0),
        "lateral_mm": Tolerance(0.0, 4.0, 4.0),
        "height_mm": Tolerance(1100.0, 5.0, 5.0),
        "yaw_deg": Tolerance(0.0, 0.3, 0.3),
    }
)


@dataclass(frozen=True)
class StoryRound:
    """One round's photos as the phone made them, and where in the first one a slip hides no plate.

    Attributes:
        photos: File name -> JPEG bytes, in the order of the walk.
        slip_at_px: Upper left corner of the slip in the first photo.
    """

    photos: Mapping[str, bytes]
    slip_at_px: tuple[int, int]

    def taken(self, at: datetime, slip_text: str = "", prefix: str = "IMG") -> dict[str, bytes]:
        """The photos as if the last one had been taken at this moment, the others some seconds before.

        Args:
            slip_text: What the slip in the first photo says; none is in it where this is empty.
        """
        made = {}
        for number, (name, data) in enumerate(self.photos.items()):
            shown = with_slip(data, slip_text, self.slip_at_px) if slip_text and number == 0 else data
            before = (len(self.photos) - 1 - number) * BETWEEN_PHOTOS
            made[f"{prefix}_{name}"] = stamped(shown, at - before)
        return made


def story_scene(which: str) -> Scene:
    """The vehicle with the board as it stands `off`, or `corrected`."""
    rng = np.random.default_rng(SEED)
    scene = make_scene(
        rng,
        target_distance_mm=2501.2,
        n_photos=8,
        stations="chosen",
        size_px=SIZE_PX,
        car=draw_car(rng),
        set_up=SetUp(lateral_mm=LATERAL_MM[which], height_mm=1100.8, yaw_deg=0.06, off_mm=0.0, off_deg=0.0),
    )
    placement = replace(scene.placement, name="front camera board", values=REQUIRED)
    vehicle = replace(scene.vehicle, label="hatchback, grey")
    return replace(scene, kit=replace(scene.kit, name="van 1"), vehicle=vehicle, placement=placement)


def story_files() -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    """Kit, placement and vehicle as their files say them."""
    scene = story_scene("off")
    return kit_file(scene.kit), placement_file(scene.placement), vehicle_file(scene.vehicle)


def story_round(which: str, cache: Path | None = None) -> StoryRound:
    """Render a round's photos.

    Args:
        cache: A folder in which they are kept for the next call.
    """
    scene = story_scene(which)
    rng = np.random.default_rng(SEED)
    shop = make_shop(rng, scene)
    photos = {}
    for number, photo in enumerate(scene.photos):
        kept = cache / f"{which}_{number}.jpg" if cache else None
        if kept is None or not kept.is_file():
            pixels = render_photo(np.random.default_rng([SEED, number]), photo, shop)
            data = encode_photo(pixels, photo.exif, QUALITY)
            if kept is not None:
                kept.write_bytes(data)
        else:
            data = kept.read_bytes()
        photos[f"{which}_{number + 1}.jpg"] = data
    return StoryRound(MappingProxyType(photos), _free_corner(scene.photos[0]))


def _free_corner(photo: TruePhoto) -> tuple[int, int]:
    """The corner of a photo that is farthest from every plate in it."""
    outlines = [
        project_points(photo, points_in_world_mm(view.plate, plate_outline_mm(view.plate.layout)))
        for view in views_in(photo)
    ]
    plates_px = np.vstack(outlines)
    right, bottom = photo.size_px[0] - SLIP_PX - 20, photo.size_px[1] - SLIP_PX - 20
    corners = [(x, y) for x in (20, right) for y in (20, bottom)]

    def clearance_px(corner: tuple[int, int]) -> float:
        nearest = np.clip(plates_px, corner, np.add(corner, SLIP_PX))
        return float(np.linalg.norm(plates_px - nearest, axis=-1).min())

    return max(corners, key=clearance_px)


def with_slip(data: bytes, text: str, at_px: tuple[int, int]) -> bytes:
    """The photo with a slip's QR code held into it; its EXIF stays."""
    image = Image.open(io.BytesIO(data))
    code = io.BytesIO()
    segno.make_qr(text, error="q").save(code, kind="png", scale=8, border=4)
    image.paste(Image.open(code).convert("RGB").resize((SLIP_PX, SLIP_PX)), at_px)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=QUALITY + 7, exif=image.getexif())
    return out.getvalue()


def stamped(data: bytes, at: datetime) -> bytes:
    """The photo as if the phone had taken it then, by its own clock."""
    return _STAMP.sub(at.strftime("%Y:%m:%d %H:%M:%S").encode(), data)
