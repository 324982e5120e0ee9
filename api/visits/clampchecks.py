"""Checks of the clamps within a visit: rounds before and after the vehicle is rolled, and what holds of them.

What a check found of a clamp serves every later look until the clamp is taken off: a person says so, or a
look's photos show that it hangs otherwise.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.tables import ClampOff, Measured, Round
from calib_data.clamps import as_hung
from calib_data.record import LOOKS, ROLLED

BEFORE, AFTER = "clamps_before", ROLLED


@dataclass(frozen=True)
class Check:
    """A check that was measured.

    Attributes:
        before, after: Numbers of its rounds.
        found: plumbsight.clamps/1.
        day: On which it was measured.
    """

    before: int
    after: int
    seq: int
    day: str
    found: dict[str, Any]

    @property
    def says(self) -> str:
        """Where what is known of the clamps comes from."""
        return f"checked in rounds {self.before} and {self.after} ({len(self.found['photos'])} photos)"


def before_of(db: Session, after: Round) -> Round | None:
    """The round before rolling that belongs to this one after it; none where there is none."""
    query = select(Round).where(
        Round.visit_id == after.visit_id, Round.kind == BEFORE, Round.number < after.number
    )
    return db.scalar(query.order_by(Round.number.desc()).limit(1))


def after_of(db: Session, before_id: str) -> Round | None:
    """The round after rolling that this one before it belongs to; none while there is none."""
    before = db.get_one(Round, before_id)
    query = select(Round).where(
        Round.visit_id == before.visit_id, Round.kind == AFTER, Round.number > before.number
    )
    after = db.scalar(query.order_by(Round.number).limit(1))
    first = before_of(db, after) if after is not None else None
    return after if first is not None and first.id == before_id else None


def latest(db: Session, visit_id: str, before_number: int) -> Check | None:
    """The last check before a round; none where there was none, or it came to nothing."""
    query = select(Round).where(Round.visit_id == visit_id, Round.kind == AFTER, Round.number < before_number)
    after = db.scalar(query.order_by(Round.number.desc()).limit(1))
    measured = _latest_measured(db, after.id) if after is not None else None
    first = before_of(db, after) if after is not None else None
    if after is None or first is None or measured is None or measured.result is None:
        return None
    day = (measured.done_at or measured.asked_at)[:10]
    return Check(first.number, after.number, measured.seq, day, measured.result)


def not_holding(db: Session, visit_id: str, check: Check, before_number: int) -> dict[str, str]:
    """The wheels of which the check no longer holds when a round begins, each with the reason in words."""
    off = {}
    rows = select(ClampOff).where(ClampOff.visit_id == visit_id, ClampOff.from_round > check.after)
    for row in db.scalars(rows.order_by(ClampOff.seq)):
        if row.from_round <= before_number:
            off[row.wheel] = f"taken off before round {row.from_round}: {row.says}"
    looks = select(Round).where(
        Round.visit_id == visit_id, Round.number > check.after, Round.number < before_number
    )
    for look in db.scalars(looks.order_by(Round.number)):
        measured = _latest_measured(db, look.id) if look.kind in LOOKS else None
        clamps = (measured.result or {}).get("clamps", {}) if measured is not None else {}
        for wheel, one in clamps.items():
            if not one["holds"]:
                off.setdefault(wheel, f"it hangs otherwise by the photos of round {look.number}")
    return off


def kit_as_hung(
    db: Session, one: Round, file: Mapping[str, Any]
) -> tuple[dict[str, Any], dict[str, Any] | None]:
    """A kit's file for a look, and which check says how its clamps hang; None where none does."""
    check = latest(db, one.visit_id, one.number)
    if check is None:
        return dict(file), None
    off = not_holding(db, one.visit_id, check, one.number)
    wheels = [
        wheel
        for wheel, seat in check.found["seats"].items()
        if wheel not in off and file["wheels"].get(wheel, {}).get("plate") == seat["plate"]
    ]
    if not wheels:
        return dict(file), None
    told = {"rounds": [check.before, check.after], "measured": check.seq, "wheels": wheels}
    return as_hung(file, check.found, wheels, check.day, check.says), told


def _latest_measured(db: Session, round_id: str) -> Measured | None:
    query = select(Measured).where(Measured.round_id == round_id).order_by(Measured.seq.desc())
    return db.scalar(query.limit(1))
