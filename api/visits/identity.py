"""Whether a round's photos themselves say whose they are."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol


class SeenPhoto(Protocol):
    """What is asked of a photo; `taken` is the phone's local time, `seq` the order of arrival."""

    @property
    def name(self) -> str: ...
    @property
    def state(self) -> str: ...
    @property
    def seq(self) -> int: ...
    @property
    def taken(self) -> str | None: ...
    @property
    def slip_seen(self) -> str | None: ...


@dataclass(frozen=True)
class Identity:
    """On what the vehicle's identity rests in a round."""

    rests_on: Literal["slip", "person alone"]
    says: str


def identity(photos: Sequence[SeenPhoto], slip: str) -> Identity:
    """Look for the visit's slip in the first photo of a round."""
    if not photos:
        return Identity("person alone", "The round has no photo yet. Hold the slip in the first one.")
    first = _first(photos)
    if first.slip_seen == slip:
        return Identity("slip", f"The first photo ({first.name}) shows the visit's slip.")
    alone = "that these photos are of this vehicle rests on the person alone."
    if first.state == "waiting":
        return Identity(
            "person alone", f"The first photo ({first.name}) waits to be looked at; until then {alone}"
        )
    later = next((photo for photo in photos if photo.slip_seen == slip), None)
    if later is not None:
        return Identity(
            "person alone",
            f"The slip is seen in {later.name}, not in the first photo ({first.name}): {alone}",
        )
    return Identity("person alone", f"The first photo ({first.name}) does not show the visit's slip: {alone}")


def _first(photos: Sequence[SeenPhoto]) -> SeenPhoto:
    """By the time in the photos where all have one, else by arrival: a gallery sends in any order."""
    if all(photo.taken for photo in photos):
        return min(photos, key=lambda photo: (photo.taken or "", photo.seq))
    return min(photos, key=lambda photo: photo.seq)
