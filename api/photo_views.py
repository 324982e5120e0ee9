"""A visit's photos as pages show them: what was found in each, what to do, its place in the queue."""

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.tables import Arrival, PhotoFile


@dataclass(frozen=True)
class PhotoView:
    """One photo.

    Attributes:
        remarks: Sentences on its file and on what is seen in it.
        on_plates: (plate, what is said of it in this photo).
        queue_place: Counted over all photos of the store that wait; None: it does not.
        is_removed: The file was removed by order.
    """

    id: str
    name: str
    state: str
    plates: tuple[int, ...]
    remarks: tuple[str, ...]
    on_plates: tuple[tuple[int, str], ...]
    slip_seen: str | None
    queue_place: int | None
    tray_reason: str
    refused_reason: str
    is_removed: bool


def photos_of(db: Session, visit_id: str) -> Mapping[str, PhotoView]:
    """Every photo that was sent to a visit, by its id."""
    row = Arrival
    query = select(row, PhotoFile.removed_at).join(PhotoFile, PhotoFile.sha256 == row.sha256)
    waiting = list(db.scalars(select(row.seq).where(row.state == "waiting")))
    return {
        arrival.id: _view(arrival, removed_at, waiting)
        for arrival, removed_at in db.execute(query.where(row.visit_id == visit_id).order_by(row.seq))
    }


def _view(row: Arrival, removed_at: str | None, waiting: list[int]) -> PhotoView:
    seen = row.seen or {}
    plates = seen.get("plates", ())
    return PhotoView(
        id=row.id,
        name=row.name,
        state=row.state,
        plates=tuple(one["plate"] for one in plates),
        on_plates=tuple((one["plate"], one["says"]) for one in plates if one["says"]),
        remarks=(*row.remarks, *seen.get("says", ())),
        slip_seen=row.slip_seen,
        queue_place=sum(seq <= row.seq for seq in waiting) if row.state == "waiting" else None,
        tray_reason=row.tray_reason or "",
        refused_reason=row.refused_reason or "",
        is_removed=removed_at is not None,
    )
