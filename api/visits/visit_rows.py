"""A visit's row: found, known to be open still, a next round in it, and what was done otherwise within it."""

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.context import Caller
from api.problems import ConflictError, NotThereError
from api.store import STORE_ID, new_id, now, tell
from api.tables import Deviation, Round, Setting, Upkeep, Visit


def get(db: Session, visit_id: str) -> Visit:
    """The visit of this id."""
    visit = db.get(Visit, visit_id)
    if visit is None:
        raise NotThereError("There is no such visit. Open it from the list of visits.")
    return visit


def of_a_vehicle(db: Session, visit_id: str) -> Visit:
    """The visit, which is a vehicle's and no kit's upkeep."""
    visit = get(db, visit_id)
    if db.get(Upkeep, visit_id) is not None:
        raise NotThereError(f"Number {visit.number} is a kit's upkeep and no visit. Open it from its kit.")
    return visit


def still_open(db: Session, visit_id: str) -> Visit:
    """The visit, which is not signed.

    Raises:
        ConflictError: It is signed, and so closed to every change.
    """
    visit = get(db, visit_id)
    if visit.signed_at is not None:
        raise ConflictError(
            f"Visit {visit.number} is signed, so nothing in it can be changed. Begin a new visit."
        )
    return visit


def open_next_round(
    db: Session, visit_id: str, kind: str, caller: Caller, standing: list[str] | None = None
) -> Round:
    """A round of photos after those that the visit has; whether it may be opened is the caller's to know.

    Args:
        standing: Ids of the placements that stand in it; none: all of the visit's.
    """
    last = db.scalar(select(func.max(Round.number)).where(Round.visit_id == visit_id)) or 0
    made = Round(
        id=new_id(),
        visit_id=visit_id,
        number=last + 1,
        kind=kind,
        opened_by=caller.person_id,
        opened_at=now(),
        standing=standing,
    )
    db.add(made)
    db.flush()
    tell(db, visit_id, "rounds")
    return made


def next_number(db: Session) -> int:
    """The number of the next visit, or upkeep, that begins here."""
    store_id = db.get_one(Setting, STORE_ID).value["id"]
    return (db.scalar(select(func.max(Visit.number)).where(Visit.store_id == store_id)) or 0) + 1


def deviate(db: Session, caller: Caller, visit_id: str, says: str) -> None:
    """Name what was done otherwise; it goes into the record."""
    db.add(Deviation(visit_id=visit_id, says=says, by=caller.person_id, at=now()))
