"""Photos removed by order: who, when and why stays, and so does what was seen in them.

First the entry and the mark on the file's row, in one transaction; then the file. A file that a pulled plug
left behind is deleted by the next `sweep`.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.context import Caller
from api.photos import photofiles
from api.problems import ConflictError, NotAcceptedError, NotThereError
from api.records import chain
from api.store import Store, tell
from api.tables import Arrival, Entry, PhotoFile, Visit
from calib_data.record import REMOVAL, RemovalFile

REMOVAL_KIND = "removal"
FEWEST_WHY = 4  # characters; a reason is a word at least


def write(db: Session, store_id: str, caller: Caller, arrival_ids: Sequence[str], why: str) -> Entry:
    """Mark photo files as removed and say so in the chain; the files go with the next `sweep`.

    A file that came more than once is removed everywhere: the entry names each place.

    Raises:
        NotThereError: There is no such photo.
        NotAcceptedError: No reason is given.
        ConflictError: It was removed before, or nobody has looked at it yet.
    """
    why = tidy(why)
    if len(why) < FEWEST_WHY:
        raise NotAcceptedError(
            "Say why the photo is removed, and by whose order: the record keeps it.", "why"
        )
    arrivals = [_arrival(db, one) for one in arrival_ids]
    photos = [_removed(db, sha256) for sha256 in dict.fromkeys(one.sha256 for one in arrivals)]
    visits = {visit for photo in photos for visit in photo["visits"]}
    body = {
        "format": REMOVAL,
        "photos": photos,
        "why": why,
        "by": caller.person_id,
        "name": caller.name,
        "role": caller.role,
    }
    entry = chain.append(db, store_id, REMOVAL_KIND, arrivals[0].visit_id, body)
    RemovalFile.model_validate(chain.body_of(entry))
    for photo in photos:
        db.get_one(PhotoFile, photo["sha256"]).removed_at = entry.at
    for visit_id in visits:
        tell(db, visit_id, "photos")
    return entry


def tidy(why: str) -> str:
    """A reason as the entry keeps it."""
    return " ".join(why.split())


def entry_of(db: Session, arrival_id: str) -> Entry | None:
    """The entry that says why a photo was removed; None while it is there."""
    entries = db.scalars(select(Entry).where(Entry.kind == REMOVAL_KIND, Entry.body.is_not(None)))
    named = (
        entry
        for entry in entries
        if any(arrival_id in photo["arrivals"] for photo in chain.body_of(entry)["photos"])
    )
    return next(named, None)


def _arrival(db: Session, arrival_id: str) -> Arrival:
    found = db.get(Arrival, arrival_id)
    if found is None:
        raise NotThereError("There is no such photo. Look at the visit's photos again.")
    return found


def _removed(db: Session, sha256: str) -> chain.Json:
    file = db.get_one(PhotoFile, sha256)
    if file.removed_at is not None:
        raise ConflictError("This photo was removed before.")
    came = list(db.scalars(select(Arrival).where(Arrival.sha256 == sha256).order_by(Arrival.seq)))
    if any(one.state == "waiting" for one in came):
        raise ConflictError("This photo is not looked at yet. Wait a moment, then remove it.")
    return {
        "sha256": sha256,
        "came_as_sha256": file.came_as_sha256,
        "arrivals": [one.id for one in came],
        "visits": sorted({one.visit_id for one in came}),
    }


def sweep(store: Store, among: Collection[str] | None = None) -> int:
    """Delete the files, previews and drawings of photos that are marked as removed; how many there were.

    Args:
        among: Hashes of the photos in question; None: all that are stored.
    """
    files = photofiles.files_at(store.place)
    with store.reading() as db:
        marked = set(db.scalars(select(PhotoFile.sha256).where(PhotoFile.removed_at.is_not(None))))
    if among is None:
        left = [sha256 for sha256, _ in files.stored() if sha256 in marked] if marked else []
    else:
        left = [sha256 for sha256 in among if sha256 in marked and files.has(sha256)]
    for sha256 in left:
        photofiles.remove(store, sha256)
    return len(left)


# --- retention ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Old:
    """A signed visit whose photos are older than the shop keeps them."""

    visit_id: str
    number: int
    label: str
    signed_at: str
    arrival_ids: tuple[str, ...]
    n_bytes: int


def older_than(db: Session, days: int, now: str) -> list[Old]:
    """Signed visits with photos still stored that were signed more than so many days ago, oldest first."""
    before = datetime.fromisoformat(now).astimezone(UTC) - timedelta(days=days)
    limit = before.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    signed = select(Visit).where(Visit.signed_at < limit).order_by(Visit.signed_at)
    found = []
    for visit in db.scalars(signed):
        photos = db.execute(
            select(Arrival, PhotoFile)
            .join(PhotoFile, PhotoFile.sha256 == Arrival.sha256)
            .where(Arrival.visit_id == visit.id, PhotoFile.removed_at.is_(None))
            .order_by(Arrival.seq)
        ).all()
        sizes = {file.sha256: file.n_bytes for _, file in photos}
        if photos:
            ids = tuple(arrival.id for arrival, _ in photos)
            label = visit.vehicle.get("label", "")
            assert visit.signed_at is not None
            found.append(Old(visit.id, visit.number, label, visit.signed_at, ids, sum(sizes.values())))
    return found
