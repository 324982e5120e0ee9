"""Words in a drawing, put where they cover neither each other nor what they must leave free.

Whatever the drawing's units are; boxes are (left, least, right, most) along its two axes.
"""

from collections.abc import Sequence
from dataclasses import dataclass

Point = tuple[float, float]
Box = tuple[float, float, float, float]

_RINGS = 14  # so many heights of the words away from their place are looked at
# What a letter costs on words or beyond the edge, what on a line, and what each height farther off.
_HARD, _SOFT, _STEP = 20.0, 5.0, 0.1


@dataclass(frozen=True)
class Words:
    """A line of words that is to be put near its place.

    Attributes:
        at: What it names.
        size: Its width and height.
        sides: Directions from its place in which it may stand, the best first.
        gap: From its place to its nearest edge.
    """

    at: Point
    size: tuple[float, float]
    sides: Sequence[Point]
    gap: float = 4.0


@dataclass(frozen=True)
class Put:
    """Where words stand: their middle, and whether they stand so far off that a line must lead to them."""

    middle: Point
    is_far: bool


def put_words(
    wanted: Sequence[Words], taken: Sequence[Box], bounds: Box, written: Sequence[Box] = ()
) -> list[Put]:
    """A place for each, the earlier ones first, where it costs least: to cover other words costs most.

    Args:
        taken: What lines take.
        written: Where words stand already.
    """
    written = list(written)
    found = []
    for words in wanted:
        places = [(ring, _middle(words, side, ring)) for ring in range(_RINGS) for side in words.sides]
        costs = [_cost(box_of(middle, words.size), ring, written, taken, bounds) for ring, middle in places]
        ring, middle = places[costs.index(min(costs))]
        found.append(Put(middle, ring > 0))
        written.append(box_of(middle, words.size))
    return found


def _cost(box: Box, ring: int, written: Sequence[Box], taken: Sequence[Box], bounds: Box) -> float:
    """What it would cover, in letters as wide as they are high, and how far off it would stand."""
    width, height = box[2] - box[0], box[3] - box[1]
    hard = sum(_shared(box, other) for other in written) + width * height - _shared(box, bounds)
    soft = sum(_shared(box, other) for other in taken)
    return (_HARD * hard + _SOFT * soft) / min(width, height) ** 2 + _STEP * ring


def box_of(middle: Point, size: tuple[float, float]) -> Box:
    """The box of this size around a point."""
    (x, y), (width, height) = middle, size
    return x - width / 2, y - height / 2, x + width / 2, y + height / 2


def _middle(words: Words, side: Point, ring: int) -> Point:
    (x, y), (width, height) = words.at, words.size
    away = words.gap + ring * height
    return x + side[0] * (width / 2 + away), y + side[1] * (height / 2 + away)


def _shared(a: Box, b: Box) -> float:
    """The area that two boxes share."""
    width, height = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
    return width * height if width > 0 and height > 0 else 0.0
