"""A visit's row: found, known to be open still, and what was done otherwise within it."""

from sqlalchemy.orm import Session

from api.context import Caller
from api.problems import ConflictError, NotThereError
from api.store import now
from api.tables import Deviation, Visit


def get(db: Session, visit_id: str) -> Visit:
    """The visit of this id."""
    visit = db.get(Visit, visit_id)
    if visit is None:
        raise NotThereError("There is no such visit. Open it from the list of visits.")
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


def deviate(db: Session, caller: Caller, visit_id: str, says: str) -> None:
    """Name what was done otherwise; it goes into the record."""
    db.add(Deviation(visit_id=visit_id, says=says, by=caller.person_id, at=now()))
