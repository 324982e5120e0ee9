"""What a page or a program is shown of a visit's photos."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.problems import NotThereError
from api.tables import Arrival, PhotoFile
from api.visits import visit_rows


@dataclass(frozen=True)
class SeenPlate:
    """A plate in a photo; `says` what is wrong with its sight and what to do, empty if nothing is."""

    plate: int
    says: str


@dataclass(frozen=True)
class PhotoView:
    """A photo that is stored.

    Attributes:
        state: waiting, looked or failed.
        place_in_queue: How many photos are looked at before it, and itself; none once it was looked at.
        says: Sentences on its file and on what is seen, for the technician.
        round_id: None in the tray, and where it was refused.
        sha256: Of what is stored; `came_as_sha256` of what came, before `taken_out` was taken out.
        is_removed: By order; what was found in it still counts.
    """

    id: str
    visit_id: str
    round_id: str | None
    sent_to_round_id: str
    name: str
    state: str
    place_in_queue: int | None
    plates: list[SeenPlate]
    says: list[str]
    shows_slip: bool
    tray_reason: str | None
    refused_reason: str | None
    sha256: str
    came_as_sha256: str
    taken_out: list[str]
    kind: str
    n_bytes: int
    size_px: list[int]
    taken: str | None
    at: str
    is_removed: bool


def of_visit(db: Session, visit_id: str) -> list[PhotoView]:
    """All photos of a visit, in the order of arrival."""
    visit_rows.get(db, visit_id)
    return _views(db, Arrival.visit_id == visit_id)


def one(db: Session, arrival_id: str) -> PhotoView:
    """One photo.

    Raises:
        NotThereError: There is none of this id.
    """
    found = _views(db, Arrival.id == arrival_id)
    if not found:
        raise NotThereError("There is no such photo. Open it from its visit.")
    return found[0]


def _views(db: Session, which: Any) -> list[PhotoView]:
    waiting = list(db.scalars(select(Arrival.id).where(Arrival.state == "waiting").order_by(Arrival.seq)))
    places = {arrival_id: place for place, arrival_id in enumerate(waiting, start=1)}
    rows = db.execute(
        select(Arrival, PhotoFile)
        .join(PhotoFile, PhotoFile.sha256 == Arrival.sha256)
        .where(which)
        .order_by(Arrival.seq)
    )
    return [_view(arrival, file, places.get(arrival.id)) for arrival, file in rows]


def _view(arrival: Arrival, file: PhotoFile, place: int | None) -> PhotoView:
    seen = arrival.seen or {"plates": [], "says": []}
    return PhotoView(
        id=arrival.id,
        visit_id=arrival.visit_id,
        round_id=arrival.round_id,
        sent_to_round_id=arrival.sent_to_round_id,
        name=arrival.name,
        state=arrival.state,
        place_in_queue=place,
        plates=[SeenPlate(**plate) for plate in seen["plates"]],
        says=[*arrival.remarks, *seen["says"]],
        shows_slip=arrival.slip_seen is not None,
        tray_reason=arrival.tray_reason,
        refused_reason=arrival.refused_reason,
        sha256=arrival.sha256,
        came_as_sha256=file.came_as_sha256,
        taken_out=list(file.taken_out),
        kind=file.kind,
        n_bytes=file.n_bytes,
        size_px=list(file.size_px),
        taken=file.exif.get("taken"),
        at=arrival.at,
        is_removed=file.removed_at is not None,
    )
