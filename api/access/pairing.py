"""Pairing a device: a code, shown as a QR code, good once and for ten minutes.

Whose code it is decides what is asked of whoever scans it:

| code | made by | asks |
|---|---|---|
| the first, while there is nobody | the terminal | a name and a new PIN; makes the owner |
| without a person | the terminal | which of the known people, if there are several, and that person's PIN |
| a person's further device | that person | that person's PIN |
| a new person's, or for a forgotten PIN | an owner, or the terminal | a new PIN |
"""

import hashlib
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

from sqlalchemy.orm import Session as Db

from api.access import people, sessions
from api.problems import NotAcceptedError, NotAllowedError
from api.store import Store, now
from api.tables import Pairing, Person

VALID = timedelta(minutes=10)
# Without I, L, O, U, 0, 1: read aloud and typed without doubt. Ten of thirty signs: 49 bits, in ten minutes.
_SIGNS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
_N_SIGNS = 10

Ask = Literal["name", "person", "pin", "new_pin"]


@dataclass(frozen=True)
class Code:
    """A fresh code; only its hash is kept."""

    text: str
    ends_at: str


@dataclass(frozen=True)
class Asked:
    """What a code asks of whoever scans it, and of whom."""

    asks: tuple[Ask, ...]
    person: Person | None
    people: tuple[Person, ...]


@dataclass(frozen=True)
class Answers:
    """What the person said when pairing."""

    person_id: str | None = None
    name: str = ""
    pin: str = ""


def make(db: Db, person_id: str | None = None, sets_pin: bool = False) -> Code:
    """A fresh code; without a person it is the terminal's."""
    if person_id is not None:
        people.get(db, person_id)
    signs = "".join(secrets.choice(_SIGNS) for _ in range(_N_SIGNS))
    begins = datetime.now(UTC)
    made_at, ends_at = (f"{at:%Y-%m-%dT%H:%M:%S.%f}Z" for at in (begins, begins + VALID))
    db.add(
        Pairing(
            code_hash=_hash(signs), person_id=person_id, sets_pin=sets_pin, made_at=made_at, ends_at=ends_at
        )
    )
    return Code(f"{signs[:5]}-{signs[5:]}", ends_at)


def is_used(db: Db, code: str) -> bool:
    """Whether a code has been used up, or withdrawn."""
    row = db.get(Pairing, _hash(code))
    return row is None or row.used_at is not None


def look(db: Db, code: str) -> Asked:
    """What this code asks for; it is not used up by looking."""
    row = _good(db, code)
    if row.person_id is not None:
        person = people.get(db, row.person_id)
        return Asked(_asks(row, person), person, ())
    known = tuple(people.present(db))
    if not known:
        return Asked(("name", "new_pin"), None, ())
    # Where one person works alone there is no name to choose.
    return Asked(("pin",), known[0], ()) if len(known) == 1 else Asked(("person", "pin"), None, known)


def pair(store: Store, code: str, answers: Answers, device: str, before: str = "") -> sessions.Opened:
    """Use a code up: the device that sent it belongs to the person from now on.

    A wrong PIN does not use the code up; its attempts are counted with the person.

    Args:
        before: The secret by which the device was paired until now; that session ends.
    """
    with store.reading() as db:
        asked = look(db, code)
        person_id = asked.person.id if asked.person else answers.person_id
        if "person" in asked.asks and person_id not in {one.id for one in asked.people}:
            raise NotAcceptedError("Say who you are: choose your name.", "person_id")
    if "pin" in asked.asks:
        assert person_id is not None
        people.check_pin(store, person_id, answers.pin)
    new_hash = people.hash_pin(answers.pin) if "new_pin" in asked.asks else None
    with store.writing() as db:
        row = _good(db, code)  # again: another phone may have been quicker
        row.used_at = now()
        if "name" in asked.asks:
            person_id = _first_owner(db, answers.name).id
        assert person_id is not None
        if new_hash is not None:
            people.set_pin(db, person_id, new_hash)
        sessions.replace(db, before)
        return sessions.begin(db, people.get(db, person_id).id, device)


def _first_owner(db: Db, name: str) -> Person:
    if people.present(db):
        raise NotAllowedError("Someone else was first and is the owner. Ask for a pairing code of your own.")
    return people.add(db, name, "owner")


def _asks(row: Pairing, person: Person) -> tuple[Ask, ...]:
    if row.sets_pin:
        return ("new_pin",)
    # Somebody without a PIN has nothing to prove it by; such a code is made for the demo alone.
    return ("pin",) if person.pin_hash else ()


def _good(db: Db, code: str) -> Pairing:
    row = db.get(Pairing, _hash(code))
    # One that seems to come from the future was made before the clock was set back.
    if row is None or row.used_at is not None or not row.made_at <= now() < row.ends_at:
        raise NotAllowedError(
            "This code is not good (any more): each pairs one device, within ten minutes. "
            "Scan a fresh one, from the terminal or from a device that is paired."
        )
    return row


def _hash(code: str) -> str:
    signs = "".join(sign for sign in code.upper() if sign.isalnum())
    return hashlib.sha256(signs.encode()).hexdigest()
