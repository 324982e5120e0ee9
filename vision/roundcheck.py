"""What the round of photos tells of itself, before anything is measured: one visit, each number once."""

from collections.abc import Iterator, Sequence
from datetime import datetime

from vision.kit import Kit
from vision.sightings import FoundPhoto
from vision.trial import ConsistencyTest, plain_test

# A round takes minutes. After a longer pause nobody can say that nothing moved; common practice, no source.
LONGEST_PAUSE_H = 2.0


def check_round(found: Sequence[FoundPhoto], kit: Kit) -> tuple[ConsistencyTest, ...]:
    """Tests of the photos as found, in time order."""
    return (
        plain_test("one visit", _pause(found), "the photos are of one visit, as far as they tell the time"),
        plain_test("each number once", _twice(found, kit), "no plate number is in one photo twice"),
    )


def _pause(found: Sequence[FoundPhoto]) -> str:
    for (one, t_one), (other, t_other) in _neighbours(found):
        hours = (t_other - t_one).total_seconds() / 3600
        if hours > LONGEST_PAUSE_H:
            return (
                f"Photos of two visits are mixed: {one} was taken on {t_one:%Y-%m-%d at %H:%M}, {other} on "
                f"{t_other:%Y-%m-%d at %H:%M}. Measure the photos of one visit by themselves."
            )
    return ""


def _neighbours(found: Sequence[FoundPhoto]) -> Iterator[tuple[tuple[str, datetime], tuple[str, datetime]]]:
    timed = []
    for photo in found:
        try:
            timed.append((photo.name, datetime.fromisoformat((photo.exif.taken or "")[:19])))
        except ValueError:
            continue
    timed.sort(key=lambda item: item[1])
    yield from zip(timed, timed[1:], strict=False)


def _twice(found: Sequence[FoundPhoto], kit: Kit) -> str:
    for photo in found:
        numbers = [d.plate for d in photo.detections]
        twice = sorted({n for n in numbers if numbers.count(n) > 1 and n in kit.plates})
        if twice:
            return (
                f"Two plates with the same number {twice[0]} are in photo {photo.name}. Other photos may "
                "show either of them: take the spare print away, and photograph again."
            )
    return ""
