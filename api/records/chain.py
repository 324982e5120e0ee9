"""The chain: every record, removal, import and note of a store, each link bound by hash to the one before.

A link's hash is SHA-256 over the ASCII hex digits of the hash before it (64 zeros before the first) and of
its body's SHA-256. A body is canonical JSON: keys sorted by code point, no space between tokens, UTF-8 with
only quotes, backslashes and control characters escaped, integers as digits, other numbers with the fewest
digits that read back as the same double, nothing that is not finite. The stored bytes are what was hashed.

Whoever holds the database can rewrite a chain from any link on. What they cannot do is make it end in, or
pass through, a head that was printed before.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, fields, replace
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.problems import NotAcceptedError
from api.store import now
from api.tables import Entry

Json = dict[str, Any]

START = "0" * 64
ELSEWHERE = "elsewhere"  # the kind of another store's link whose body was not brought along

# Crockford's base 32: no I, L, O, U. 26 symbols hold 130 bits of the hash; two more check them.
SYMBOLS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
CODE_SYMBOLS, CHECK_SYMBOLS, GROUP = 26, 2, 4
# The largest prime below 32**2: a wrong symbol and two exchanged neighbours always change the remainder.
CHECK_PRIME = 1021


def canonical(value: Any) -> bytes:
    """The one way to write a JSON value, by the rules above."""
    text = json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.encode("utf-8")


def link_sha256(previous_sha256: str, body_sha256: str) -> str:
    """The hash of a link."""
    return hashlib.sha256((previous_sha256 + body_sha256).encode("ascii")).hexdigest()


def append(db: Session, store_id: str, kind: str, visit_id: str | None, body: Json) -> Entry:
    """Add a link at a chain's end. The body gets the key `chain`: where and when it was added.

    The caller's transaction holds the write lock (Store.writing), so that no other link comes between.
    """
    last = _last(db, store_id)
    seq, at = (last.seq + 1 if last else 1), now()
    place = {"store_id": store_id, "seq": seq, "kind": kind, "visit_id": visit_id, "at": at}
    data = canonical({**body, "chain": place})
    body_sha256 = hashlib.sha256(data).hexdigest()
    previous = last.sha256 if last else START
    entry = Entry(
        store_id=store_id,
        seq=seq,
        kind=kind,
        visit_id=visit_id,
        body=data,
        body_sha256=body_sha256,
        previous_sha256=previous,
        sha256=link_sha256(previous, body_sha256),
        at=at,
    )
    db.add(entry)
    db.flush()
    return entry


def _last(db: Session, store_id: str) -> Entry | None:
    return db.scalar(select(Entry).where(Entry.store_id == store_id).order_by(Entry.seq.desc()).limit(1))


def head(db: Session, store_id: str) -> str | None:
    """The code of a chain's last link; None while it has none."""
    last = _last(db, store_id)
    return code(last.sha256) if last else None


def body_of(entry: Entry) -> Json:
    """What a link says. Only for links whose body is here."""
    assert entry.body is not None
    return json.loads(entry.body)


# --- the code that people carry -------------------------------------------------------------------


def code(sha256: str) -> str:
    """A link's hash as people print, read out and type it: seven groups of four."""
    number = int(sha256, 16) >> (256 - 5 * CODE_SYMBOLS)
    symbols = _symbols(number, CODE_SYMBOLS) + _symbols(number % CHECK_PRIME, CHECK_SYMBOLS)
    return "-".join(symbols[i : i + GROUP] for i in range(0, len(symbols), GROUP))


def read_code(typed: str) -> str:
    """A code as `code` writes it, from what a person typed: spaces, small letters, O for 0, I or L for 1.

    Raises:
        NotAcceptedError: It is too short or long, or its check symbols do not fit.
    """
    plain = "".join(typed.upper().replace("-", " ").split()).translate(str.maketrans("OIL", "011"))
    wrong = sorted(set(plain) - set(SYMBOLS))
    if wrong:
        raise NotAcceptedError(f'The code holds "{wrong[0]}", which no code has. Read it again.', "head")
    if len(plain) != CODE_SYMBOLS + CHECK_SYMBOLS:
        raise NotAcceptedError(
            f"The code has {len(plain)} symbols instead of {CODE_SYMBOLS + CHECK_SYMBOLS}. "
            "Type all groups of the line that the record prints as the chain's head.",
            "head",
        )
    number = _number(plain[:CODE_SYMBOLS])
    if number % CHECK_PRIME != _number(plain[CODE_SYMBOLS:]):
        raise NotAcceptedError("A symbol of the code was mistyped. Compare it with the record.", "head")
    return "-".join(plain[i : i + GROUP] for i in range(0, len(plain), GROUP))


def _symbols(number: int, n: int) -> str:
    return "".join(SYMBOLS[number >> 5 * (n - 1 - i) & 31] for i in range(n))


def _number(symbols: str) -> int:
    number = 0
    for symbol in symbols:
        number = number * 32 + SYMBOLS.index(symbol)
    return number


# --- checking -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Link:
    """A link as it stands in a table or a file. `body` is None where it was not brought along."""

    store_id: str
    seq: int
    kind: str
    visit_id: str | None
    at: str
    body: bytes | None
    body_sha256: str
    previous_sha256: str
    sha256: str


@dataclass(frozen=True)
class Fault:
    """What is wrong at a place of a chain, in words."""

    store_id: str
    seq: int | None
    says: str


def links(db: Session, store_id: str) -> Iterator[Link]:
    """A chain's links in order, one at a time: bodies are large."""
    columns = [getattr(Entry, field.name) for field in fields(Link)]
    rows = db.execute(select(*columns).where(Entry.store_id == store_id).order_by(Entry.seq))
    for row in rows.yield_per(1):
        link = Link(*row)
        yield replace(link, body=as_stored(link.body))


def as_stored(body: bytes | str | None) -> bytes | None:
    """An entry's bytes; other programs that changed it may have left it as text."""
    return body.encode("utf-8") if isinstance(body, str) else body


def store_ids(db: Session) -> tuple[str, ...]:
    """The stores whose chains are here."""
    return tuple(db.scalars(select(Entry.store_id).distinct().order_by(Entry.store_id)))


def length(db: Session, store_id: str) -> int:
    """How many links a chain has."""
    return db.scalar(select(func.count()).where(Entry.store_id == store_id)) or 0


def faults(chain: Iterable[Link], needs_bodies: bool) -> Iterator[Fault]:
    """Everything that is wrong with one chain, in order. A cut tail shows only against a printed head.

    Args:
        needs_bodies: Whether each link must have its body, as in the store that made it.
    """
    previous, expected = START, 1
    for link in chain:
        if link.seq != expected:
            n = link.seq - expected
            lost = f"{expected}" if n == 1 else f"{expected} to {link.seq - 1}"
            says = f"entry {lost} is lost" if n > 0 else f"entry {link.seq} stands out of order"
            yield Fault(link.store_id, link.seq, says)
        elif link.previous_sha256 != previous:
            yield Fault(link.store_id, link.seq, "does not follow the entry before it: one was changed")
        yield from _link_faults(link, needs_bodies)
        previous, expected = link.sha256, link.seq + 1


def _link_faults(link: Link, needs_bodies: bool) -> Iterator[Fault]:
    def fault(says: str) -> Fault:
        return Fault(link.store_id, link.seq, says)

    if link.sha256 != link_sha256(link.previous_sha256, link.body_sha256):
        yield fault("its hash is not that of its content: it was changed")
    if link.body is None:
        if needs_bodies or link.kind != ELSEWHERE:
            yield fault("its content is lost")
        return
    if hashlib.sha256(link.body).hexdigest() != link.body_sha256:
        yield fault("its content was changed")
        return
    told = _place(link.body)
    stands = {key: getattr(link, key) for key in ("store_id", "seq", "kind", "visit_id", "at")}
    for key, value in stands.items():
        if told.get(key) != value:
            yield fault(f"it stands as {key} {value}, its content says {told.get(key)}: it was changed")


def _place(body: bytes) -> Json:
    try:
        value = json.loads(body)
    except ValueError:
        return {}
    place = value.get("chain") if isinstance(value, dict) else None
    return place if isinstance(place, dict) else {}
