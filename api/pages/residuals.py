"""What a re-measurement leaves over in a round's photos: drawn over the stored picture where it is here."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup

from api.figures import Figures
from api.pages import svg
from api.pages.words import Words
from api.photos.pictures import points_upright
from api.tables import PhotoFile
from calib_data.results import Photo

LONG_SIDE = 1000  # drawing units
# Residuals so many times their uncertainties are worth a look; common practice, no source.
LARGE = 2.0


@dataclass(frozen=True)
class ShownPhoto:
    """A photo's levels; `drawing` where its picture is here. Each row: plate, points, level, px."""

    name: str
    n: int
    level: str
    worst_plate: int
    worst_level: str
    is_large: bool
    drawing: Markup | None
    rows: list[tuple[int, int, str, str]]


def shown(
    levels: Sequence[Photo], here: Mapping[str, tuple[str, PhotoFile]], words: Words, figures: Figures
) -> list[ShownPhoto]:
    """The photos that took part.

    Args:
        here: By name, id and file of the photos that are stored here.
    """
    return [_photo(one, here.get(one.name), words, figures) for one in levels]


def _photo(one: Photo, stored: tuple[str, PhotoFile] | None, words: Words, figures: Figures) -> ShownPhoto:
    drawing = None
    if stored is not None:
        drawing = over_the_picture(
            one.plates,
            f"/api/photos/{stored[0]}/preview",
            (stored[1].size_px[0], stored[1].size_px[1]),
            stored[1].exif.get("orientation") or 1,
            words("review.levels.drawing", name=one.name),
            figures,
        )
    rows = [
        (plate, n, figures.number(rms, 2), figures.number(rms_px, 3))
        for plate, n, rms, rms_px, *_ in one.plates
    ]
    worst = figures.number(one.worst_rms, 2)
    level = figures.number(one.rms, 2)
    return ShownPhoto(one.name, one.n, level, one.worst_plate, worst, one.worst_rms > LARGE, drawing, rows)


def over_the_picture(
    plates: Sequence[Sequence[Any]],
    address: str,
    size_px: tuple[int, int],
    orientation: int,
    title: str,
    figures: Figures,
) -> Markup:
    """A frame around each plate with its number and level, over the upright picture.

    Args:
        plates: As `results.Photo` has them, boxes in px of the stored array.
        address: Of the upright picture.
        size_px: Width and height of the stored array.
        orientation: EXIF's, by which the picture was turned upright.
    """
    corners = points_upright(
        np.array([[0, 0], [size_px[0] - 1, size_px[1] - 1]], float), size_px, orientation
    )
    scale = LONG_SIDE / max(size_px)
    width, height = (np.abs(np.diff(corners, axis=0))[0] + 1) * scale
    parts = [svg.tag("image", href=address, x=0, y=0, width=float(width), height=float(height))]
    for plate, _, rms, _, left, top, right, bottom in plates:
        box = points_upright(np.array([[left, top], [right, bottom]], float), size_px, orientation) * scale
        (x, y), (x_end, y_end) = box.min(0).tolist(), box.max(0).tolist()
        class_ = "level large" if rms > LARGE else "level"
        parts.append(svg.path([(x, y), (x_end, y), (x_end, y_end), (x, y_end)], class_, closed=True))
        words = f"{plate}: {figures.number(rms, 2)}"
        parts.append(svg.text(((x + x_end) / 2, y - 6 if y > 30 else y_end + 24), words, "level"))
    return svg.drawing(float(width), float(height), title, *parts, class_="sketch picture")
