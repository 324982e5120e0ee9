"""Signing: the PIN again, then one entry that closes a visit with all that happened in it."""

from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.access import people
from api.access.shop import shop
from api.context import Caller
from api.problems import ConflictError, NotThereError
from api.records import chain
from api.records.recording import Json, facts, is_demo
from api.store import Store, now, tell
from api.tables import Arrival, Entry, Measured, Round, Upkeep, Visit
from api.visits import proofs
from calib_data.record import RecordFile
from calib_data.result import made_with

MEANS = (
    "The person's PIN was asked again on a paired device. This is not a qualified electronic signature; "
    "the printed page has lines for ink."
)
RECORD_KIND = "record"


def sign(store: Store, caller: Caller, visit_id: str, pin: str, statement: str) -> Entry:
    """Close a visit for good and write its record as the next entry of the store's chain.

    Raises:
        NotAllowedError, TooOftenError: The PIN is wrong, or was wrong too often.
        ConflictError: Something in the visit is still open, or it is a demonstration.
    """
    people.check_pin(store, caller.person_id, pin)
    with store.writing() as db:
        entry = write(db, store.id, caller, visit_id, statement)
        db.expunge(entry)
    return entry


def write(db: Session, store_id: str, caller: Caller, visit_id: str, statement: str) -> Entry:
    """`sign` within a transaction, for a caller whose PIN was just asked."""
    visit = visit_of(db, visit_id)
    _check_may_be_signed(db, visit)
    record = facts(db, visit)
    _check_is_worth_signing(record)
    proofs.keep_for_record(db, visit)
    visit.signed_at = now()
    record |= {
        "shop": _shop(db),
        "made_with": _made_with(),
        "signature": _signature(caller, statement, visit.signed_at),
        "people": _with(record["people"], caller),
    }
    entry = chain.append(db, store_id, RECORD_KIND, visit.id, record)
    RecordFile.model_validate(chain.body_of(entry))  # a record that breaks its own format is a defect
    tell(db, visit.id, "signed")
    return entry


def open_points(db: Session, visit_id: str) -> list[str]:
    """What still stands in the way of signing, each in words; empty: it can be signed."""
    visit = visit_of(db, visit_id)
    try:
        _check_may_be_signed(db, visit)
        _check_is_worth_signing(facts(db, visit))
    except ConflictError as wrong:
        return [str(wrong)]
    return []


def entry_of(db: Session, visit_id: str) -> Entry | None:
    """The entry that holds a visit's record; None while it is not signed."""
    return db.scalar(select(Entry).where(Entry.visit_id == visit_id, Entry.kind == RECORD_KIND))


def draft(db: Session, visit_id: str) -> Json:
    """A record as it would be now: for looking at, with neither chain nor signature."""
    visit = visit_of(db, visit_id)
    return {**facts(db, visit), "shop": _shop(db), "made_with": _made_with()}


def visit_of(db: Session, visit_id: str) -> Visit:
    """A visit that is here.

    Raises:
        NotThereError: There is none with this id.
    """
    visit = db.get(Visit, visit_id)
    if visit is None or db.get(Upkeep, visit_id) is not None:
        raise NotThereError("This visit is not in this store. Look for it in the list of visits.")
    return visit


def _check_may_be_signed(db: Session, visit: Visit) -> None:
    if visit.signed_at is not None:
        raise ConflictError("This visit is signed and closed already. Begin a new visit to look again.")
    if _count(db, Round.id, Round.visit_id == visit.id, Round.closed_at.is_(None)):
        raise ConflictError("A round is still open for photos. Close it, wait for its result, then sign.")
    of_visit = Arrival.visit_id == visit.id
    tray = (Arrival.round_id.is_(None), Arrival.refused_reason.is_(None))
    in_tray = _count(db, Arrival.id, of_visit, *tray)
    if in_tray:
        raise ConflictError(
            f"{_photos(in_tray)} in the tray. Put each into its round, or refuse it, then sign."
        )
    waiting = _count(db, Arrival.id, of_visit, Arrival.state == "waiting")
    if waiting:
        raise ConflictError(f"{_photos(waiting)} not looked at yet. Wait a moment, then sign.")
    asked = select(Measured.round_id).join(Round, Round.id == Measured.round_id)
    pending = db.scalars(asked.where(Round.visit_id == visit.id, Measured.state == "waiting")).first()
    if pending is not None:
        raise ConflictError("A round is still being measured. Wait for its result, then sign.")


def _check_is_worth_signing(record: Json) -> None:
    if is_demo(record):
        raise ConflictError(
            "This visit uses a demonstration kit or placement, whose numbers belong to no real procedure. "
            "It cannot be signed: begin the visit with the shop's own."
        )
    if not any(one["result"] for one in record["rounds"]):
        raise ConflictError(
            "No round of this visit was measured: there is nothing to sign. Take a round of photos."
        )


def _photos(n: int) -> str:
    return "1 photo is" if n == 1 else f"{n} photos are"


def _count(db: Session, column: Any, *where: Any) -> int:
    return db.scalar(select(func.count(column)).where(*where)) or 0


def _shop(db: Session) -> Json:
    ours = shop(db)
    return {"name": ours.name, "zone": ours.zone}


def _made_with() -> Json:
    return {key: str(value) for key, value in made_with().items()}


def _signature(caller: Caller, statement: str, at: str) -> Json:
    return {
        "by": caller.person_id,
        "name": caller.name,
        "role": caller.role,
        "at": at,
        "statement": statement,
        "means": MEANS,
    }


def _with(told: list[Json], caller: Caller) -> list[Json]:
    """The people, with the one who signs."""
    own = {"id": caller.person_id, "name": caller.name, "role": caller.role}
    return sorted([*(one for one in told if one["id"] != caller.person_id), own], key=lambda one: one["id"])
