"""What kits and placements share: who may edit them, in which order, and what changed between revisions."""

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from sqlalchemy.orm import Session

from api.context import Caller
from api.problems import ConflictError, DoubtError, NotAcceptedError, NotAllowedError
from api.tables import Person
from calib_data.reading import Problem, Where, parse_json, say_where
from vision.errors import InputFileError

EDITORS = ("reviewer", "owner")
MOST_WORDS = 1000  # characters of what a person says; common practice, no source


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


def is_next(based_on: int, current: int, what: str) -> None:
    """Refuse an edit that was begun on a revision which is no longer the current one."""
    if based_on != current:
        raise ConflictError(
            f"{what} is at revision {current} by now, and this edit was begun on revision {based_on}. "
            "Open the current one, see what changed, and make the edit there."
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
