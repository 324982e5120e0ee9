"""Two rounds of one visit, side by side: what changed, and how sure that is."""

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class RoundsCompared:
    """What changed from one round to the other."""

    placements: tuple[Any, ...] = ()


def compare_results(before: dict[str, Any], after: dict[str, Any]) -> RoundsCompared:
    """Differences of two results of one visit."""
    return RoundsCompared()
