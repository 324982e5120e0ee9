"""The tray: photos that must not slip into a round in silence wait here for a person's word.

A photo waits that came after its round was closed, was taken outside the round's time, is in another
round or visit already, or shows another visit's slip.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from api.access.shop import shop
from api.context import Caller
from api.problems import ConflictError, NotThereError
from api.store import STORE_ID, now, tell
from api.tables import Arrival, PhotoFile, Round, Setting, Visit
from api.visits import results, rounds
from api.visits.clocks import TOLERANCE, apart, local, span
from api.visits.revisions import said
from api.visits.visit_list import demos_of
from api.visits.visit_rows import deviate, still_open

NO_TIME = (
    "The photo does not say when it was taken, so that it belongs to this round rests on the person alone."
)
DEMO_TIME = "DEMO: when the photo was taken does not count here."


@dataclass(frozen=True)
class ArrivalFacts:
    """What is known of a photo when its bytes are stored.

    Attributes:
        sha256: Of what is stored.
        came_as_sha256: Of what came, before anything was taken out.
        taken: The photo's own time, ISO 8601, with an offset if the photo has one.
    """

    visit_id: str
    round_id: str
    sha256: str
    came_as_sha256: str
    taken: str | None


class Placing(NamedTuple):
    """Where an arriving photo goes: into the round, or with a reason into the tray; and what to remark."""

    round_id: str | None
    tray_reason: str | None
    remarks: tuple[str, ...]


def place_on_arrival(db: Session, facts: ArrivalFacts) -> Placing:
    """Decide between round and tray, in the transaction that adds the arrival.

    Raises:
        ConflictError: The visit is signed: nothing more is taken in.
        NotThereError: There is no such round in the visit.
    """
    still_open(db, facts.visit_id)
    one = rounds.get(db, facts.round_id)
    if one.visit_id != facts.visit_id:
        raise NotThereError("This round is of another visit. Open it from its own visit.")
    # The demo's photos were made once; a shop's own are of the day.
    is_demo = bool(demos_of(db, [facts.visit_id]))
    reasons = list(_reasons(db, one, facts, asks_time=not is_demo))
    if reasons:
        return Placing(None, " ".join(reasons), ())
    if is_demo:
        return Placing(one.id, None, (DEMO_TIME,))
    return Placing(one.id, None, () if facts.taken else (NO_TIME,))


def _reasons(db: Session, one: Round, facts: ArrivalFacts, *, asks_time: bool) -> Iterator[str]:
    zone = shop(db).zone
    if one.closed_at is not None:
        yield f"It came after round {one.number} was closed (at {local(one.closed_at, zone)})."
    yield from _elsewhere(db, one, facts)
    if asks_time and facts.taken is not None:
        # An open round's time reaches to this moment.
        outside = apart(facts.taken, zone, one.opened_at, one.closed_at or now())
        if outside is not None:
            side = "before" if outside.total_seconds() < 0 else "after"
            yield (
                f"By its own clock it was taken {span(outside)} {side} the time of round {one.number} "
                f"({TOLERANCE.seconds // 60} minutes are allowed). If the phone's clock is wrong, set it."
            )


def _elsewhere(db: Session, one: Round, facts: ArrivalFacts) -> Iterator[str]:
    """Where the same photo has arrived before: the same bytes as they came or as they were stored."""
    hashes = {facts.sha256, facts.came_as_sha256}
    query = (
        select(Arrival, Visit)
        .join(PhotoFile, PhotoFile.sha256 == Arrival.sha256)
        .join(Visit, Visit.id == Arrival.visit_id)
        .where(or_(PhotoFile.sha256.in_(hashes), PhotoFile.came_as_sha256.in_(hashes)))
        .where(or_(Arrival.round_id.is_(None), Arrival.round_id != one.id))
        .order_by(Arrival.seq)
        .limit(1)
    )
    found = db.execute(query).first()
    if found is None:
        return
    arrival, visit = found
    whose = "this visit" if visit.id == one.visit_id else _words(db, visit)
    if arrival.round_id is not None:
        yield f"The same photo is in round {rounds.get(db, arrival.round_id).number} of {whose} already."
    elif arrival.refused_reason is not None:
        yield f"The same photo was refused in {whose}: {arrival.refused_reason}"
    else:
        yield f"The same photo waits in the tray of {whose} already."


def after_looking(db: Session, arrival: Arrival) -> bool:
    """Move a photo that shows another visit's slip from its round to the tray.

    Returns:
        Whether it was moved. A photo that a person placed stays: the person has said so.
    """
    visit = db.get_one(Visit, arrival.visit_id)
    is_other = arrival.slip_seen is not None and arrival.slip_seen != visit.slip
    if not is_other or visit.signed_at is not None or arrival.refused_reason is not None:
        return False
    says = _slip_says(db, arrival.slip_seen or "")
    if arrival.round_id is None:
        if says not in (arrival.tray_reason or ""):
            arrival.tray_reason = f"{arrival.tray_reason} {says}"
            tell(db, visit.id, "tray")
        return False
    if arrival.placed_by is not None:
        return False
    one = rounds.get(db, arrival.round_id)
    arrival.round_id, arrival.tray_reason = None, says
    db.flush()
    if one.closed_at is not None:
        results.ask(db, one.id)
    tell(db, visit.id, "tray")
    return True


def _slip_says(db: Session, slip: str) -> str:
    other = db.scalar(select(Visit).where(Visit.slip == slip))
    return f"It shows the slip of {_words(db, other) if other else 'a visit that is not in this store'}."


def _words(db: Session, visit: Visit) -> str:
    """A visit by its number, which is unique in the store that it began in."""
    store_id = db.get_one(Setting, STORE_ID).value["id"]
    return f"visit {visit.number}{'' if visit.store_id == store_id else ' of another store'}"


def waiting(db: Session, visit_id: str) -> list[Arrival]:
    """What waits in a visit's tray."""
    query = select(Arrival).where(
        Arrival.visit_id == visit_id, Arrival.round_id.is_(None), Arrival.refused_reason.is_(None)
    )
    return list(db.scalars(query.order_by(Arrival.seq)))


def place(db: Session, caller: Caller, arrival_id: str, round_id: str) -> Arrival:
    """Put a photo of the tray into an open round, by a person's word; it becomes a named deviation."""
    arrival = _in_tray(db, arrival_id)
    one = rounds.get(db, round_id)
    if one.visit_id != arrival.visit_id:
        raise ConflictError("This round is of another visit. Place the photo into a round of its own visit.")
    if one.closed_at is not None:
        raise ConflictError(
            f"Round {one.number} is closed and takes no photo any more. Open a round and place it there, or "
            "refuse the photo."
        )
    if db.scalar(select(Arrival.id).where(Arrival.round_id == one.id, Arrival.sha256 == arrival.sha256)):
        raise ConflictError(f"Round {one.number} has the same photo already. Refuse this one.")
    arrival.round_id, arrival.placed_by, arrival.decided_at = one.id, caller.person_id, now()
    deviate(
        db,
        caller,
        arrival.visit_id,
        f"The photo {arrival.name} was placed into round {one.number} by hand. {arrival.tray_reason}",
    )
    db.flush()
    tell(db, arrival.visit_id, "photos")
    return arrival


def refuse(db: Session, caller: Caller, arrival_id: str, reason: str) -> Arrival:
    """Leave a photo of the tray out, with a reason. It is kept, and goes into the record."""
    arrival = _in_tray(db, arrival_id)
    arrival.refused_reason = said(reason, "reason", "Say why the photo is left out.")
    arrival.refused_by, arrival.decided_at = caller.person_id, now()
    tell(db, arrival.visit_id, "tray")
    return arrival


def get(db: Session, arrival_id: str) -> Arrival:
    """The arrival of this id."""
    arrival = db.get(Arrival, arrival_id)
    if arrival is None:
        raise NotThereError("There is no such photo. Open it from its visit.")
    return arrival


def _in_tray(db: Session, arrival_id: str) -> Arrival:
    arrival = get(db, arrival_id)
    still_open(db, arrival.visit_id)
    if arrival.round_id is not None:
        raise ConflictError(
            f"{arrival.name} is in round {rounds.get(db, arrival.round_id).number}, not in the tray."
        )
    if arrival.refused_reason is not None:
        raise ConflictError(f"{arrival.name} was refused already: {arrival.refused_reason}")
    return arrival
