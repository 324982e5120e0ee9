"""Who works with the service, in which role, and the PIN by which a person proves who he is.

A technician takes photos and signs; a reviewer also edits kits and placements; an owner also sets up the
shop and its people.
"""

import threading
from datetime import UTC, datetime, timedelta

from argon2 import PasswordHasher
from argon2.exceptions import VerifyMismatchError
from sqlalchemy import func, select, update
from sqlalchemy.orm import Session as Db

from api.access import sessions
from api.context import Role
from api.problems import ConflictError, NotAcceptedError, NotAllowedError, NotThereError, TooOftenError
from api.store import Store, new_id, now
from api.tables import Pairing, Person

FEWEST_PIN_CHARACTERS, MOST_PIN_CHARACTERS = 4, 200
# After this many wrong PINs in a row each further attempt waits, twice as long as the one before.
FREE_ATTEMPTS = 3
FIRST_WAIT, LONGEST_WAIT = timedelta(seconds=30), timedelta(hours=1)
# NIST SP 800-63B, 5.2.2: at most 100 failed attempts in a row on one account.
MOST_ATTEMPTS = 100

# The library's defaults: argon2id, RFC 9106's second recommended choice (64 MiB, three passes).
_HASHER = PasswordHasher()
# Each hash takes 64 MiB: one at a time, or a burst of attempts would fill a small machine's memory.
_ONE_AT_A_TIME = threading.Lock()


def get(db: Db, person_id: str) -> Person:
    """A person who has not been withdrawn."""
    person = db.get(Person, person_id)
    if person is None or person.withdrawn_at is not None:
        raise NotThereError("There is no such person here (any more). Look at the list of people again.")
    return person


def listed(db: Db) -> list[Person]:
    """All people, also those withdrawn: records name them."""
    return list(db.scalars(select(Person).order_by(Person.withdrawn_at.is_not(None), Person.name)))


def present(db: Db) -> list[Person]:
    """The people who may pair a device."""
    return list(db.scalars(select(Person).where(Person.withdrawn_at.is_(None)).order_by(Person.name)))


def add(db: Db, name: str, role: Role) -> Person:
    """A new person; pairs a device by a code that an owner hands over."""
    name = " ".join(name.split())
    if not name or not name.isprintable():
        raise NotAcceptedError("Give a name, as it is to stand in records.", "name")
    if any(one.name.casefold() == name.casefold() for one in present(db)):
        raise ConflictError(f"There is a {name} already. Give a name that tells the two apart.")
    person = Person(id=new_id(), name=name, role=role, added_at=now())
    db.add(person)
    db.flush()
    return person


def change_role(db: Db, person_id: str, role: Role) -> Person:
    """Give a person another role; there is always an owner."""
    person = get(db, person_id)
    if person.role == "owner" and role != "owner":
        _check_not_last_owner(db)
    person.role = role
    return person


def withdraw(db: Db, person_id: str) -> Person:
    """Let a person no longer in: all devices, and all codes not used yet."""
    person = get(db, person_id)
    if person.role == "owner":
        _check_not_last_owner(db)
    person.withdrawn_at = now()
    sessions.withdraw_all(db, person_id)
    db.execute(
        update(Pairing).where(Pairing.person_id == person_id, Pairing.used_at.is_(None)).values(used_at=now())
    )
    return person


def _check_not_last_owner(db: Db) -> None:
    owners = select(func.count()).where(Person.role == "owner", Person.withdrawn_at.is_(None))
    if db.scalar(owners) == 1:
        raise ConflictError("This is the only owner. Make another person an owner first.")


# --- the PIN --------------------------------------------------------------------------------------


def hash_pin(pin: str) -> str:
    """What is kept of a PIN or password; refuses what is too easy to guess."""
    if not FEWEST_PIN_CHARACTERS <= len(pin) <= MOST_PIN_CHARACTERS:
        raise NotAcceptedError(
            f"Choose a PIN of at least {FEWEST_PIN_CHARACTERS} digits, or a password.", "pin"
        )
    steps = {ord(b) - ord(a) for a, b in zip(pin, pin[1:], strict=False)}
    if len(steps) == 1 and steps <= {-1, 0, 1}:
        raise NotAcceptedError("1234, 1111 and their like are guessed first. Choose another PIN.", "pin")
    with _ONE_AT_A_TIME:
        return _HASHER.hash(pin)


def set_pin(db: Db, person_id: str, pin_hash: str) -> None:
    """Keep a new PIN; earlier wrong attempts are forgotten."""
    person = get(db, person_id)
    person.pin_hash, person.pin_failures, person.pin_tried_at = pin_hash, 0, None


def check_pin(store: Store, person_id: str, pin: str) -> None:
    """Make sure that whoever asks knows the person's PIN.

    Takes the store, since an attempt is counted, in a transaction of its own, before it is looked at:
    attempts at the same moment, a crash or a rolled-back caller do not make one that does not count.

    Raises:
        NotAllowedError: It is wrong, or none was chosen.
        TooOftenError: Too many were wrong; says how long to wait.
    """
    with store.writing() as db:
        person = get(db, person_id)
        pin_hash = person.pin_hash
        if pin_hash is None:
            raise NotAllowedError(
                "You have not chosen a PIN yet. Ask an owner for a pairing code and choose one."
            )
        _check_waited(person)
        person.pin_failures += 1
        person.pin_tried_at = now()
    if not _is_pin(pin_hash, pin):
        raise NotAllowedError(
            "This PIN is wrong. Try again; after three wrong ones each attempt has to wait."
        )
    with store.writing() as db:
        db.execute(update(Person).where(Person.id == person_id).values(pin_failures=0, pin_tried_at=None))


def wait_after(n_failures: int) -> timedelta:
    """How long the next attempt waits after so many wrong ones in a row."""
    if n_failures < FREE_ATTEMPTS:
        return timedelta(0)
    return min(FIRST_WAIT * 2 ** min(n_failures - FREE_ATTEMPTS, 20), LONGEST_WAIT)


def _check_waited(person: Person) -> None:
    if person.pin_failures >= MOST_ATTEMPTS:
        raise TooOftenError(
            f"The PIN was wrong {MOST_ATTEMPTS} times and is blocked. "
            "An owner's pairing code for a forgotten PIN lets you choose a new one."
        )
    wait = wait_after(person.pin_failures)
    if person.pin_tried_at is None or not wait:
        return
    passed = datetime.now(UTC) - datetime.fromisoformat(person.pin_tried_at)
    # A clock that was set back must not block anyone for longer than the wait itself.
    left = min(wait - passed, wait)
    if left > timedelta(0):
        raise TooOftenError(f"Too many wrong PINs. Try again in {_words(left)}.")


def _words(time: timedelta) -> str:
    seconds = max(1, round(time.total_seconds()))
    return f"{seconds} s" if seconds < 120 else f"{round(seconds / 60)} minutes"


def _is_pin(pin_hash: str, pin: str) -> bool:
    try:
        with _ONE_AT_A_TIME:
            return _HASHER.verify(pin_hash, pin[:MOST_PIN_CHARACTERS])
    except VerifyMismatchError:
        return False
