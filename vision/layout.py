"""Which saddles and tags a printed plate has, in mm of the plate frame.

The plate frame (MEASUREMENT.md): origin at the pattern's centre on the printed face, x to the
reader's right, y up, z out of the face. Layouts are data (calib_data/layouts); another needs no code.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vision.errors import LayoutError


@dataclass(frozen=True, eq=False)
class Tag:
    """A coded square inside a plate; it identifies the plate and never measures.

    `corners_mm` (4, 2): top-left, top-right, bottom-right, bottom-left as printed.
    """

    slot: int
    dictionary: str
    module_mm: float
    corners_mm: NDArray


@dataclass(frozen=True, eq=False)
class Layout:
    """One kind of printed plate.

    Attributes:
        name: As the kit's `layout` names it, in small letters (`ring13`).
        saddles_mm: (n, 2) points where two black and two white cells meet: these measure.
        polarity: (n,) of +1 or -1: +1 where the quadrants (x+, y+) and (x-, y-) are black.
        half_window_mm: How far around a saddle the artwork is its own half-turn.
        black_mm: Polygons, each (k, 2), that draw the artwork in black, without the tags.
        first_plate, n_plates: The plate numbers that belong to this layout.
        first_id, ids_per_plate: Slot s of plate p has the tag id
            first_id + (p - first_plate) * ids_per_plate + s.
    """

    name: str
    saddles_mm: NDArray
    polarity: NDArray
    cell_mm: float
    half_window_mm: float
    pattern_half_mm: float
    quiet_margin_mm: float
    ruler_mm: float
    tags: tuple[Tag, ...]
    black_mm: tuple[NDArray, ...]
    first_plate: int
    n_plates: int
    first_id: int
    ids_per_plate: int

    def tag_id(self, plate: int, slot: int) -> int:
        return self.first_id + (plate - self.first_plate) * self.ids_per_plate + slot

    def has_plate(self, plate: int) -> bool:
        return self.first_plate <= plate < self.first_plate + self.n_plates


def parse_layout(data: Mapping[str, Any]) -> Layout:
    """Make a Layout of a layout file's content.

    Raises:
        LayoutError: A key is missing or of the wrong kind, or the content contradicts itself.
    """
    name = str(data.get("name", "without a name")).lower() if isinstance(data, Mapping) else ""
    try:
        layout = _layout(name, data)
    except KeyError as error:
        raise LayoutError(f"Layout {name}: the key {error} is missing. Complete the layout file.") from error
    except (TypeError, ValueError, AttributeError) as error:
        raise LayoutError(
            f"Layout {name}: a value has the wrong kind ({error}). Correct the layout file."
        ) from error
    fault = _contradiction(layout)
    if fault:
        raise LayoutError(f"Layout {name}: {fault}. Correct the layout file.")
    return layout


def _layout(name: str, data: Mapping[str, Any]) -> Layout:
    numbering = data["numbering"]
    polygons = [_rectangle(rect) for rect in data.get("black_rects", ())]
    polygons += [_fixed(points, (-1, 2)) for points in data.get("black_polygons", ())]
    return Layout(
        name=name,
        saddles_mm=_fixed([(s["x"], s["y"]) for s in data["saddles"]], (-1, 2)),
        polarity=_fixed([s["polarity"] for s in data["saddles"]], (-1,)),
        cell_mm=float(data["cell_mm"]),
        half_window_mm=float(data["refine_half_window_mm"]),
        pattern_half_mm=float(data["pattern_half_mm"]),
        quiet_margin_mm=float(data["quiet_margin_mm"]),
        ruler_mm=float(data["ruler_mm"]),
        tags=tuple(
            Tag(int(t["slot"]), str(t["dictionary"]), float(t["module_mm"]), _fixed(t["corners"], (4, 2)))
            for t in data["tags"]
        ),
        black_mm=tuple(polygons),
        first_plate=int(numbering["first_plate"]),
        n_plates=int(numbering["plates"]),
        first_id=int(numbering["first_id"]),
        ids_per_plate=int(numbering["ids_per_plate"]),
    )


def _contradiction(layout: Layout) -> str:
    lengths = (layout.cell_mm, layout.half_window_mm, layout.pattern_half_mm)
    if not all(length > 0 for length in lengths):
        return "cell_mm, refine_half_window_mm and pattern_half_mm must be positive lengths"
    if len(layout.saddles_mm) < 8:  # a homography has eight unknowns, and four points leave no check
        return "it needs at least 8 saddles"
    if not np.all(np.abs(layout.polarity) == 1):
        return "every saddle's polarity must be 1 or -1"
    if not np.all(np.abs(layout.saddles_mm) <= layout.pattern_half_mm):
        return "a saddle lies outside pattern_half_mm"
    if not layout.tags or [tag.slot for tag in layout.tags] != list(range(len(layout.tags))):
        return "tags must have the slots 0, 1, 2 ... in this order"
    if layout.ids_per_plate < len(layout.tags):
        return "ids_per_plate is smaller than the number of tags, so two plates would share an id"
    if layout.n_plates < 1 or layout.first_plate < 0 or layout.first_id < 0:
        return "the plate and tag numbers must be 0 or more, and there must be at least one plate"
    return ""


def _rectangle(rect: Any) -> NDArray:
    x0, y0, x1, y1 = (float(v) for v in rect)
    return _fixed([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], (4, 2))


def _fixed(values: Any, shape: tuple[int, ...]) -> NDArray:
    """A read-only array of finite numbers."""
    array = np.array(values, dtype=float).reshape(shape)
    if not np.all(np.isfinite(array)):
        raise ValueError("a number is not finite")
    array.flags.writeable = False
    return array
