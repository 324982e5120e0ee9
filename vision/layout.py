"""Which saddles and tags a printed plate has, in mm of the plate frame.

The plate frame (MEASUREMENT.md): origin at the pattern's centre on the printed face, x to the
reader's right, y up, z out of the face. Layouts are data (calib_data/layouts); another needs no code.
"""

from dataclasses import dataclass

from numpy.typing import NDArray


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
        polarity: (n,) of +1 or -1: which diagonal of the saddle is black.
        half_window_mm: How far around a saddle the artwork is its own half-turn.
        black_mm: Polygons, each (k, 2), that draw the artwork in black; tags included.
        first_plate, n_plates: The plate numbers that belong to this layout.
        first_id, ids_per_plate: Tag id of slot s on plate p = first_id + (p - first_plate) * ids_per_plate + s.
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
