"""What kits and placements share: who may edit them, in which order, and what changed between revisions."""

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from sqlalchemy import func, select
from sqlalchemy.orm import InstrumentedAttribute, Session

from api.context import Caller
from api.problems import ConflictError, DoubtError, NotAcceptedError, NotAllowedError, NotThereError
from api.store import new_id, now, tell
from api.tables import Kit, KitRevision, Person, Placement, PlacementRevision
from calib_data.reading import Problem, Where, parse_json, say_where
from vision.errors import InputFileError

EDITORS = ("reviewer", "owner")
MOST_WORDS = 1000  # characters of what a person says; common practice, no source

Head = TypeVar("Head", Kit, Placement)
Row = TypeVar("Row", KitRevision, PlacementRevision)


@dataclass(frozen=True)
class Revisions(Generic[Head, Row]):
    """Things of one kind, each in revisions that are added and never altered.

    Attributes:
        head: The table of the things themselves.
        row: The table of their revisions.
        of: The revision's column that names its thing.
        word: What people call one of them.
        here: Where another one or an earlier revision is chosen.
    """

    head: type[Head]
    row: type[Row]
    of: InstrumentedAttribute[str]
    word: str
    here: str

    def begin(self, db: Session, caller: Caller) -> str:
        """The id of a new thing, which has no revision yet."""
        may_edit(caller, f"{self.word}s")
        made = self.head(id=new_id(), added_at=now(), retired_at=None)
        db.add(made)
        db.flush()
        return made.id

    def to_revise(self, db: Session, caller: Caller, thing_id: str, based_on: int) -> Row:
        """The latest revision, which an edit begun on `based_on` may follow."""
        may_edit(caller, f"{self.word}s")
        last = self.standing(db, thing_id)
        if based_on != last.revision:
            raise ConflictError(
                f'The {self.word} "{last.name}" is at revision {last.revision} by now, and this edit was '
                f"begun on revision {based_on}. Open the current one, see what changed, and make the edit "
                "there."
            )
        return last

    def retire(self, db: Session, caller: Caller, thing_id: str) -> Row:
        """Offer it for new visits no longer. Visits that used it keep it."""
        may_edit(caller, f"{self.word}s")
        last = self.current(db, thing_id)
        head = db.get_one(self.head, thing_id)
        head.retired_at = head.retired_at or now()
        tell(db, None, f"{self.word}s")
        return last

    def append(self, db: Session, row: Row) -> Row:
        """Keep a revision, and tell the pages."""
        db.add(row)
        db.flush()
        tell(db, None, f"{self.word}s")
        return row

    def current(self, db: Session, thing_id: str) -> Row:
        """The latest revision."""
        found = db.scalar(self._of(thing_id).limit(1))
        if found is None:
            raise NotThereError(f"There is no such {self.word}. Choose one from the list of {self.word}s.")
        return found

    def at(self, db: Session, thing_id: str, revision: int) -> Row:
        """As it was at a revision."""
        found = db.get(self.row, (thing_id, revision))
        if found is None:
            raise NotThereError(
                f"There is no such revision of this {self.word}. Choose one from {self.here}."
            )
        return found

    def standing(self, db: Session, thing_id: str) -> Row:
        """The latest revision of one that is not retired: what visits begin with, and edits."""
        found = self.current(db, thing_id)
        if self.retired_at(db, thing_id) is not None:
            raise ConflictError(f"This {self.word} is retired. Choose another one, or add it anew.")
        return found

    def listed(self, db: Session, with_retired: bool = False) -> list[Row]:
        """The latest revision of every one, by name."""
        row = self.row
        latest = select(self.of, func.max(row.revision)).group_by(self.of).subquery()
        query = (
            select(row)
            .join(latest, (self.of == latest.c[0]) & (row.revision == latest.c[1]))
            .join(self.head, self.head.id == self.of)
            .order_by(row.name, self.of)
        )
        return list(db.scalars(query if with_retired else query.where(self.head.retired_at.is_(None))))

    def history(self, db: Session, thing_id: str) -> list[Row]:
        """Every revision, the latest first."""
        self.current(db, thing_id)
        return list(db.scalars(self._of(thing_id)))

    def before(self, db: Session, row: Row) -> Row | None:
        """The revision that a revision followed."""
        return db.get(self.row, (getattr(row, self.of.key), row.revision - 1))

    def retired_at(self, db: Session, thing_id: str) -> str | None:
        return db.get_one(self.head, thing_id).retired_at

    def _of(self, thing_id: str) -> Any:
        return select(self.row).where(self.of == thing_id).order_by(self.row.revision.desc())


def may_edit(caller: Caller, what: str) -> None:
    """Let only an owner or a reviewer pass."""
    if caller.role not in EDITORS:
        raise NotAllowedError(
            f"Only an owner or a reviewer edits {what}; {caller.name} is a {caller.role}. Ask one of them."
        )


def said(says: str, where: str, wanted: str) -> str:
    """What a person said, on one or more lines; `wanted` says what is missing where it is empty."""
    text = says.strip()
    if not text:
        raise NotAcceptedError(wanted, where)
    if len(text) > MOST_WORDS:
        raise NotAcceptedError(
            f"This has {len(text)} characters; {MOST_WORDS} are taken. Say it shorter.", where
        )
    if any(not (c.isprintable() or c == "\n") for c in text):
        raise NotAcceptedError("This has characters that cannot be shown. Type the text again.", where)
    return text


def as_in_a_file(value: Any, source: str, error: type[InputFileError]) -> Any:
    """A file's value that came inside a request, held to what `parse_json` demands of a file.

    The request's own reader lets pass what could not be written out again: no numbers, half characters,
    endless nesting.
    """
    try:
        data = json.dumps(value).encode()
    except RecursionError as wrong:
        says = f"{source}: its brackets are nested too deep. Is it the right file?"
        raise error(says) from wrong
    return parse_json(data, source, error)


def differs(old: Any, new: Any, last: KitRevision | PlacementRevision) -> None:
    """Refuse a revision that would be the same as the last one."""
    if old == new:
        raise ConflictError(
            f'Nothing differs from revision {last.revision} of "{last.name}", so no revision was made.'
        )


def confirmed_doubts(doubts: Iterable[Problem], confirmed: bool) -> list[str]:
    """The doubts in words, as the revision keeps them.

    Raises:
        DoubtError: There are any, and the person has not confirmed them.
    """
    pairs = [(say_where(doubt.where), doubt.says) for doubt in doubts]
    if pairs and not confirmed:
        raise DoubtError(pairs)
    return [f"{where} {says}".strip() for where, says in pairs]


def changes(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """What changed between two files, one line per place."""
    before, after = dict(_leaves(old)), dict(_leaves(new))
    places = list(before) + [where for where in after if where not in before]
    return [
        f"{say_where(where)}: {_show(before, where)} -> {_show(after, where)}"
        for where in places
        if before.get(where, _ABSENT) != after.get(where, _ABSENT)
    ]


_ABSENT = object()


def _leaves(value: Any, where: Where = ()) -> Iterator[tuple[Where, Any]]:
    parts: Iterable[tuple[str | int, Any]] = ()
    if isinstance(value, Mapping):
        parts = value.items()
    elif isinstance(value, list):
        parts = enumerate(value)
    if not isinstance(value, Mapping | list) or not value:
        yield where, value
    for key, part in parts:
        yield from _leaves(part, (*where, key))


def _show(leaves: Mapping[Where, Any], where: Where) -> str:
    return json.dumps(leaves[where], ensure_ascii=False) if where in leaves else "nothing"


def name_of(db: Session, person_id: str) -> str:
    """A person's name, as views show it."""
    person = db.get(Person, person_id)
    return person.name if person else "someone no longer known"
