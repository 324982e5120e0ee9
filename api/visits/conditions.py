"""The conditions of the workplace and the vehicle that a measurement takes for granted.

Each is measured, declared or not checked; not checked until someone says otherwise. What was said before
stays in the table.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.context import Caller
from api.problems import NotAcceptedError
from api.store import now, tell
from api.tables import Condition, Round
from api.visits.visit_rows import deviate, still_open

# Name, and what is asked.
CONDITIONS: dict[str, str] = {
    "floor": "level and flat under the vehicle and under the target",
    "room": "clear in front and around, nothing shiny or striped behind the target",
    "light": "even, no sun patches, no glare on the target",
    "tyres": "same size left and right, pressures as prescribed, tread alike",
    "ride_height": "within range, load and tank as prescribed, doors shut",
    "steering": "straight ahead, wheel held, brakes as prescribed",
    "settled": "rolled and bounced after a lift, not just lowered",
    "faults": "battery supplied, fault memory read, windscreen and sensor seat checked",
}
STATES = ("measured", "declared", "not_checked")
MOST_VALUE = 200  # characters, as the table keeps them


@dataclass(frozen=True)
class ConditionSaid:
    """What a person says of one condition; `value` is the figure or remark."""

    name: str
    state: str
    value: str = ""


@dataclass(frozen=True)
class ConditionView:
    """How one condition stands; `by` and `at` are empty where nobody said anything."""

    name: str
    asks: str
    state: str
    value: str
    by: str
    at: str


def say(db: Session, caller: Caller, visit_id: str, said: Iterable[ConditionSaid]) -> None:
    """Record what a person says of some conditions. After the first round began it is a deviation."""
    still_open(db, visit_id)
    is_late = db.scalar(select(Round.id).where(Round.visit_id == visit_id).limit(1)) is not None
    stand = latest(db, visit_id)
    for one in said:
        value = _checked(one)
        before = stand.get(one.name)
        if before is not None and (before.state, before.value) == (one.state, value):
            continue
        row = Condition(
            visit_id=visit_id, name=one.name, state=one.state, value=value, by=caller.person_id, at=now()
        )
        db.add(row)
        stand[one.name] = row
        if is_late:
            was = f"{_words(before.state, before.value)} before" if before else "nothing was said before"
            now_is = f"{one.name} was set to {_words(one.state, value)}"
            deviate(db, caller, visit_id, f"The condition {now_is} after photos had begun; {was}.")
    tell(db, visit_id, "conditions")


def latest(db: Session, visit_id: str) -> dict[str, Condition]:
    """The last that was said of each condition."""
    rows = db.scalars(select(Condition).where(Condition.visit_id == visit_id).order_by(Condition.seq))
    return {row.name: row for row in rows}


def views(db: Session, visit_id: str, names: dict[str, str]) -> list[ConditionView]:
    """Every condition, in order. `names` are people's, by id."""
    said = latest(db, visit_id)
    return [_view(name, said.get(name), names) for name in CONDITIONS]


def _view(name: str, row: Condition | None, names: dict[str, str]) -> ConditionView:
    if row is None:
        return ConditionView(name, CONDITIONS[name], "not_checked", "", "", "")
    return ConditionView(name, CONDITIONS[name], row.state, row.value, names[row.by], row.at)


def _checked(one: ConditionSaid) -> str:
    """The value, of a condition that can be recorded so."""
    where = f"conditions.{one.name}"
    if one.name not in CONDITIONS:
        raise NotAcceptedError(
            f'There is no condition "{one.name}". They are {", ".join(CONDITIONS)}.', "conditions"
        )
    if one.state not in STATES:
        raise NotAcceptedError(f'"{one.state}" is none of {", ".join(STATES)}. Choose one.', where)
    value = " ".join(one.value.split())
    if one.state == "measured" and not value:
        raise NotAcceptedError(
            f"{one.name} is marked as measured, and no figure is given. Enter what was measured, or mark it "
            "as declared.",
            where,
        )
    if len(value) > MOST_VALUE or not value.isprintable():
        raise NotAcceptedError(f"Say it on one line of at most {MOST_VALUE} characters.", where)
    return value


def _words(state: str, value: str) -> str:
    words = state.replace("_", " ")
    return f"{words} ({value})" if value else words
