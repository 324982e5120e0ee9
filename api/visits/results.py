"""Results of rounds: asked for, kept, compared. What was measured once is never changed, only added to."""

from typing import Any

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from api.problems import ConflictError, NotThereError
from api.store import now, tell
from api.tables import Arrival, Measured, PhotoFile, Round
from api.visits import clampchecks, inputs
from api.visits.clampchecks import BEFORE
from calib_data.compare import RoundsCompared, compare_results
from calib_data.record import LOOKS


def ask(db: Session, round_id: str) -> Measured | None:
    """Ask for a round's measuring, with kit, vehicle and placements as they stand now.

    Harmless where one waits already, even if it is under way: it is done again if what it took as given
    has changed by its end. Photos before rolling are measured with those after it, once there are any; until
    then there is nothing to ask for.
    """
    if db.get_one(Round, round_id).kind == BEFORE:
        after = clampchecks.after_of(db, round_id)
        return ask(db, after.id) if after is not None and after.closed_at is not None else None
    return ask_with(db, round_id, inputs.of_round(db, round_id))


def ask_with(db: Session, round_id: str, given: dict[str, Any]) -> Measured:
    """As `ask`, with these inputs."""
    waiting = db.scalar(select(Measured).where(Measured.round_id == round_id, Measured.state == "waiting"))
    if waiting is not None:
        waiting.inputs = given
        return waiting
    row = Measured(round_id=round_id, state="waiting", says="", asked_at=now(), inputs=given)
    db.add(row)
    db.flush()
    tell(db, db.get_one(Round, round_id).visit_id, "result")
    return row


def clamps_changed(db: Session, visit_id: str) -> None:
    """Ask again for the looks whose clamps are known otherwise by now than when they were measured."""
    looks = select(Round).where(Round.visit_id == visit_id, Round.kind.in_(LOOKS)).order_by(Round.number)
    for one in db.scalars(looks):
        last = latest(db, one.id)
        if last is None or "id" not in last.inputs.get("kit", {}):
            continue
        given = inputs.as_hung(db, one, last.inputs)
        if given != last.inputs:
            ask_with(db, one.id, given)


def latest(db: Session, round_id: str) -> Measured | None:
    """The latest measuring of a round; none if none was asked for."""
    query = select(Measured).where(Measured.round_id == round_id).order_by(Measured.seq.desc())
    return db.scalar(query.limit(1))


def observations(db: Session, round_id: str) -> bytes | None:
    """What the round's last measuring that came to a result was made from, packed."""
    query = select(Measured.observations).where(Measured.round_id == round_id, Measured.state == "done")
    return db.scalar(query.order_by(Measured.seq.desc()).limit(1))


def photos_of(db: Session, round_id: str) -> list[Arrival]:
    """A round's photos, in the order of arrival."""
    return list(db.scalars(select(Arrival).where(Arrival.round_id == round_id).order_by(Arrival.seq)))


def look_afresh(db: Session, visit_id: str) -> None:
    """Let a visit's photos be looked at again: its kit has changed, perhaps to other layouts."""
    removed = select(PhotoFile.sha256).where(PhotoFile.removed_at.is_not(None))
    at_hand = Arrival.sha256.not_in(removed)
    db.execute(update(Arrival).where(Arrival.visit_id == visit_id, at_hand).values(state="waiting"))
    tell(db, visit_id, "photos")


def compare(db: Session, round_a: str, round_b: str) -> RoundsCompared:
    """What changed from one round of a visit to another, with the joint uncertainty.

    Raises:
        NotThereError: One of the rounds is not there.
        ConflictError: They are of two visits, or one has no result.
    """
    first, second = (_round(db, round_id) for round_id in (round_a, round_b))
    if first.visit_id != second.visit_id:
        raise ConflictError(
            "These rounds are of two visits: another vehicle, or hung anew. Nothing compares them."
        )
    return compare_results(_result(db, first), _result(db, second))


def _round(db: Session, round_id: str) -> Round:
    found = db.get(Round, round_id)
    if found is None:
        raise NotThereError("There is no such round. Open it from its visit.")
    return found


def _result(db: Session, one: Round) -> dict[str, Any]:
    measured = latest(db, one.id)
    if measured is None or measured.result is None or one.kind not in LOOKS:
        raise ConflictError(
            f"Round {one.number} has no result to compare with. Wait for it, or measure it again."
        )
    return measured.result
