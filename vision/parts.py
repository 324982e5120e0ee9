"""Which photos and plates hang together."""

from collections.abc import Sequence
from dataclasses import dataclass

from vision.kit import Kit
from vision.observe import Sighting


@dataclass(frozen=True)
class Part:
    """Photos (indices) and plates (numbers) that hang together."""

    photos: tuple[int, ...]
    plates: tuple[int, ...]


def connected_parts(sightings: Sequence[Sighting], kit: Kit) -> tuple[Part, ...]:
    """What hangs together through photos that show two plates, or through a fixture; most photos first."""
    sets = [({i}, {d.plate for d in s.detections}) for i, s in enumerate(sightings)]
    seen = set().union(*(plates for _, plates in sets))
    for fixture in kit.fixtures:
        on_it = seen & {m.plate for m in fixture.mounts}
        sets.append((set(), on_it))
    parts: list[tuple[set[int], set[int]]] = []
    for photos, plates in sets:
        touching = [p for p in parts if p[1] & plates]
        parts = [p for p in parts if not p[1] & plates]
        parts.append((photos.union(*(p[0] for p in touching)), plates.union(*(p[1] for p in touching))))
    found = [Part(tuple(sorted(photos)), tuple(sorted(plates))) for photos, plates in parts if photos]
    return tuple(sorted(found, key=lambda part: (-len(part.photos), -len(part.plates), part.plates)))
