"""Paired devices: a session's secret lies in the device's cookie, its hash in the store."""

import hashlib
import hmac
import secrets
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import cast

from sqlalchemy import ColumnElement, select, update
from sqlalchemy.orm import Session as Db

from api.context import Caller, Role
from api.problems import NotAllowedError, NotThereError
from api.store import new_id, now, tell
from api.tables import Person, Session

COOKIE = "plumbsight_session"
DEVICES = "devices"  # what a change of them is called in the event stream
TOKEN_HEADER = "X-Form-Token"
# A phone that nobody used for so long may have been sold. Common practice, no source.
IDLE_DAYS = 30
# When a device was last seen is written at most so often: every request would be a write otherwise.
SEEN_EVERY = timedelta(minutes=5)
_FORM_TOKEN_OF = b"plumbsight form token"
_DEVICES = (
    ("iPhone", "iPhone"),
    ("iPad", "iPad"),
    ("Android", "Android phone"),
    ("Windows", "Windows computer"),
    ("Macintosh", "Mac"),
    ("Linux", "Linux computer"),
)


@dataclass(frozen=True)
class Opened:
    """A new session; its secrets are told this once and go into the cookie and the page."""

    id: str
    secret: str
    form_token: str


def begin(db: Db, person_id: str, device: str) -> Opened:
    """Pair a device with a person."""
    secret = secrets.token_urlsafe(32)
    at = now()
    row = Session(
        id=new_id(),
        secret_hash=_hash(secret),
        person_id=person_id,
        device=device[:200],
        made_at=at,
        seen_at=at,
    )
    db.add(row)
    db.flush()
    return Opened(row.id, secret, form_token(secret))


def find(db: Db, secret: str) -> Caller | None:
    """Who calls with this secret; none if it was never given, was withdrawn, or lay idle too long."""
    row = db.execute(
        select(Session, Person)
        .join(Person, Person.id == Session.person_id)
        .where(Session.secret_hash == _hash(secret), Session.withdrawn_at.is_(None))
        .where(Person.withdrawn_at.is_(None), Session.seen_at > _ago(timedelta(days=IDLE_DAYS)))
    ).first()
    if row is None:
        return None
    session, person = row
    return Caller(person.id, person.name, cast(Role, person.role), session.id)


def is_seen_to_be_written(db: Db, session_id: str) -> bool:
    """Whether it is time to write again that this device was seen."""
    seen_at = db.scalar(select(Session.seen_at).where(Session.id == session_id))
    return seen_at is not None and not _ago(SEEN_EVERY) < seen_at <= now()


def seen(db: Db, session_id: str) -> None:
    """Write that this device was seen now."""
    db.execute(update(Session).where(Session.id == session_id).values(seen_at=now()))


def listed(db: Db, caller: Caller) -> list[tuple[Session, Person]]:
    """The devices a person may withdraw: his own, an owner's all; the latest seen first."""
    query = (
        select(Session, Person)
        .join(Person, Person.id == Session.person_id)
        .where(Session.withdrawn_at.is_(None), Session.seen_at > _ago(timedelta(days=IDLE_DAYS)))
        .order_by(Session.seen_at.desc())
    )
    if caller.role != "owner":
        query = query.where(Session.person_id == caller.person_id)
    return [(session, person) for session, person in db.execute(query)]


def withdraw(db: Db, caller: Caller, session_id: str) -> None:
    """End a session: that device must be paired again."""
    row = db.get(Session, session_id)
    if row is None or (row.person_id != caller.person_id and caller.role != "owner"):
        raise NotThereError("There is no such paired device of yours. Look at the list of devices again.")
    _end(db, Session.id == session_id)


def withdraw_all(db: Db, person_id: str) -> None:
    """End all sessions of a person."""
    _end(db, Session.person_id == person_id)


def replace(db: Db, secret: str) -> None:
    """End the session of this secret, if there is one: its device was paired anew."""
    _end(db, Session.secret_hash == _hash(secret))


def _end(db: Db, which: ColumnElement[bool]) -> None:
    db.execute(update(Session).where(which, Session.withdrawn_at.is_(None)).values(withdrawn_at=now()))
    tell(db, None, DEVICES)  # so that their event streams look, and end


def form_token(secret: str) -> str:
    """What a page must send back with each change; another site's page in the same browser cannot know it.

    Computed from the session's secret (HMAC, RFC 2104), so that it needs no keeping and ends with it.
    """
    return hmac.new(secret.encode(), _FORM_TOKEN_OF, hashlib.sha256).hexdigest()


def check_form_token(secret: str, token: str) -> None:
    """Refuse a change whose form token does not belong to the session."""
    if not hmac.compare_digest(form_token(secret).encode(), token.encode()):
        raise NotAllowedError("This did not come from a page of plumbsight. Reload the page and try again.")


def device_words(user_agent: str) -> str:
    """What to call a device in the list of sessions."""
    return next((words for mark, words in _DEVICES if mark in user_agent), "Device of unknown kind")


def _hash(secret: str) -> str:
    # The secret has 256 bits of chance: a plain hash of it cannot be searched, unlike one of a PIN.
    return hashlib.sha256(secret.encode()).hexdigest()


def _ago(time: timedelta) -> str:
    return (datetime.now(UTC) - time).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
