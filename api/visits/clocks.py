"""Times as people say them, and the phone's time held against the service's."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

# A phone on a network keeps time within seconds; a service without internet drifts by some seconds a day.
# Common practice, no source.
TOLERANCE = timedelta(minutes=2)


def moment(stored: str) -> datetime:
    """A time of the tables."""
    return datetime.fromisoformat(stored)


def local(stored: str, zone: str) -> str:
    """A time of the tables as the shop's clock shows it."""
    return moment(stored).astimezone(ZoneInfo(zone)).strftime("%H:%M:%S")


def taken_at(taken: str, zone: str) -> tuple[datetime, ...]:
    """The moments that a photo's own time may mean: two where the clocks were set back within it.

    Args:
        taken: ISO 8601; without an offset it is the time of the shop's zone.
    """
    read = datetime.fromisoformat(taken)
    if read.tzinfo is not None:
        return (read.astimezone(UTC),)
    at = [read.replace(tzinfo=ZoneInfo(zone), fold=fold).astimezone(UTC) for fold in (0, 1)]
    return tuple(dict.fromkeys(at))


def apart(taken: str, zone: str, start: str, end: str) -> timedelta | None:
    """How far outside the time from `start` to `end` a photo was taken; none if it lies within tolerance.

    Before is negative. Clocks jump, so that `end` may lie before `start`.
    """
    first, last = sorted((moment(start), moment(end)))
    outside = [
        at - first if at < first else at - last for at in taken_at(taken, zone) if not first <= at <= last
    ]
    if len(outside) < len(taken_at(taken, zone)):
        return None
    nearest = min(outside, key=abs)
    return None if abs(nearest) <= TOLERANCE else nearest


def span(length: timedelta) -> str:
    """A length of time in words."""
    seconds = abs(length).total_seconds()
    for unit, of, from_seconds in (("days", 86400, 172800), ("hours", 3600, 7200), ("minutes", 60, 0)):
        if seconds >= from_seconds:
            return f"{seconds / of:.0f} {unit}"
    raise AssertionError("a length of time is never negative")
