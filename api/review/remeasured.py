"""The results of a re-check as a reviewer goes through them: filtered, in an order, a page at a time.

A page begins after the last row of the one before (keyset), by an index of that order: the thousandth page
costs what the first one does.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from sqlalchemy import Select, and_, func, select, tuple_
from sqlalchemy.orm import Session

from api.context import Service
from api.problems import NotAcceptedError, NotThereError
from calib_data.results import FILTERED_BY, SORTED_BY, Failed, Finding, Photo, Round, Value, reading

PER_PAGE = 50
# More are counted as "more than": counting all would take longer than showing them.
MOST_COUNTED = 10_000
MOST_CHOICES = 200
_BETWEEN = ","

Order = Literal["taken", "wheelbase_off", "residual_ratio", "redundancy", "n_photos", "largest_off_u"]


@dataclass(frozen=True)
class Wanted:
    """Which rounds; empty: no matter. `since` and `until` are days, both within; `named` begins the id."""

    bay: str = ""
    kit_name: str = ""
    phone: str = ""
    vehicle: str = ""
    decision_today: str = ""
    outcome: str = ""
    study: str = ""
    since: str = ""
    until: str = ""
    named: str = ""

    def given(self) -> dict[str, str]:
        """Those that are not empty, as the address carries them."""
        return {one.name: getattr(self, one.name) for one in fields(self) if getattr(self, one.name)}


@dataclass(frozen=True)
class Page:
    """One page of rounds.

    Attributes:
        after: Where the next one begins; empty: there is none.
        n: How many there are in all, counted as far as MOST_COUNTED + 1.
    """

    rows: Sequence[Round]
    after: str
    n: int


@contextmanager
def results_of(service: Service) -> Iterator[Session]:
    """A session on the results that the service was started with.

    Raises:
        NotThereError: It was started without.
    """
    with reading(path_of(service)) as db:
        yield db


def path_of(service: Service) -> Path:
    """Where the results lie.

    Raises:
        NotThereError: Nowhere.
    """
    path = service.settings.results
    if path is None:
        raise NotThereError(
            "This service has no results of a re-check. Start it with --results and the file that "
            "plumbsight recheck --out wrote."
        )
    return path


def page(db: Session, wanted: Wanted, order: Order, down: bool, after: str) -> Page:
    """The rounds of a page, in an order. Those that lack what is ordered by are not in it.

    Raises:
        NotAcceptedError: `after` is none of ours.
    """
    key = getattr(Round, order)
    query = filtered(select(Round), wanted).where(key.is_not(None))
    if after:
        place = tuple_(*_read(after, order))
        here = tuple_(key, Round.id)
        query = query.where(here < place if down else here > place)
    direction = (key.desc(), Round.id.desc()) if down else (key, Round.id)
    rows = list(db.scalars(query.order_by(*direction).limit(PER_PAGE + 1)))
    shown, more = rows[:PER_PAGE], len(rows) > PER_PAGE
    last = shown[-1] if more else None
    return Page(shown, f"{getattr(last, order)}{_BETWEEN}{last.id}" if last else "", _count(db, wanted))


def _read(after: str, order: Order) -> tuple[Any, int]:
    value, _, number = after.rpartition(_BETWEEN)
    try:
        return (value if order == "taken" else float(value)), int(number)
    except ValueError:
        raise NotAcceptedError("There is no such page. Begin again with the first one.", "after") from None


def filtered(query: Select, wanted: Wanted) -> Select:
    """A query on rounds, held to what is wanted; the same visit brought twice counts once."""
    query = query.where(Round.is_copy.is_(False))
    for name in FILTERED_BY:
        if value := getattr(wanted, name):
            query = query.where(getattr(Round, name) == value)
    if wanted.since:
        query = query.where(Round.taken >= wanted.since)
    if wanted.until:
        query = query.where(Round.taken < f"{wanted.until}~")  # after every time of that day
    if wanted.named:
        query = query.where(
            and_(Round.round_id >= wanted.named, Round.round_id < f"{wanted.named}\U0010ffff")
        )
    return query


def _count(db: Session, wanted: Wanted) -> int:
    some = filtered(select(Round.id), wanted).limit(MOST_COUNTED + 1).subquery()
    return db.scalar(select(func.count()).select_from(some)) or 0


def choices(service: Service) -> dict[str, list[str]]:
    """By column, what rounds can be filtered by."""
    path = path_of(service)
    return _choices(path, path.stat().st_mtime_ns)


@lru_cache(4)
def _choices(path: Path, _changed_ns: int) -> dict[str, list[str]]:
    with reading(path) as db:
        return {name: _names(db, name) for name in FILTERED_BY}


def _names(db: Session, name: str) -> list[str]:
    """The names in a column, each found by one step in its index."""
    column = getattr(Round, name)
    found: list[str] = []
    last = db.scalar(select(func.min(column)))
    while last is not None and len(found) < MOST_CHOICES:
        found.append(last)
        last = db.scalar(select(func.min(column)).where(column > last))
    return found


@dataclass(frozen=True)
class OneRound:
    """A round with all that its re-measurement gave."""

    row: Round
    values: Sequence[Value]
    findings: Sequence[Finding]
    failed: Sequence[Failed]
    photos: Sequence[Photo]


def one_round(db: Session, row_id: int) -> OneRound:
    """Raises: NotThereError."""
    row = db.get(Round, row_id)
    if row is None:
        raise NotThereError("There is no such round. It may have been measured again since: list them anew.")

    def of(table: Any) -> Sequence[Any]:
        return list(db.scalars(select(table).where(table.round == row_id).order_by(table.position)))

    return OneRound(row, of(Value), of(Finding), of(Failed), of(Photo))


def orders() -> tuple[str, ...]:
    """What rounds can be ordered by."""
    return SORTED_BY
