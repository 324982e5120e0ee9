"""Kits in revisions: which plates a shop owns and where they hang."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.context import Caller
from api.problems import ConflictError, NotThereError
from api.store import new_id, now, tell
from api.tables import Kit, KitRevision
from api.visits.revisions import as_in_a_file, changes, confirmed_doubts, is_next, may_edit, name_of, said
from calib_data.crosschecks import kit_doubts, kit_problems, needs_for_measuring
from calib_data.formats import KitFile
from calib_data.layouts import load_layouts
from calib_data.reading import Problem, check, raise_problems
from vision.errors import KitError

SOURCE = "kit"
DEMO = "DEMO"


@dataclass(frozen=True)
class KitView:
    """One revision of a kit.

    Attributes:
        says: Why it was revised, in the person's words.
        changed: What differs from the revision before, one line per place.
        confirmed: Doubts that the person confirmed.
        current_revision: Of the kit by now.
    """

    kit_id: str
    revision: int
    name: str
    is_demo: bool
    says: str
    changed: list[str]
    confirmed: list[str]
    by: str
    at: str
    current_revision: int
    retired_at: str | None
    file: dict[str, Any]


def add(
    db: Session,
    caller: Caller,
    file: dict[str, Any],
    says: str,
    *,
    is_demo: bool = False,
    confirmed: bool = False,
) -> KitRevision:
    """Take in a new kit.

    Raises:
        NotAllowedError: A technician.
        KitError: The file is wrong.
        DoubtError: It may be meant otherwise, and `confirmed` is not set.
    """
    may_edit(caller, "kits")
    kit = Kit(id=new_id(), added_at=now(), retired_at=None)
    db.add(kit)
    db.flush()
    return _append(db, caller, kit.id, 1, file, says.strip(), is_demo, confirmed)


def revise(
    db: Session,
    caller: Caller,
    kit_id: str,
    file: dict[str, Any],
    says: str,
    *,
    based_on: int,
    confirmed: bool = False,
) -> KitRevision:
    """Add a revision to a kit; `based_on` is the one that the person saw."""
    may_edit(caller, "kits")
    last = current(db, kit_id)
    _not_retired(db, kit_id)
    is_next(based_on, last.revision, f'The kit "{last.name}"')
    reason = said(says, "says", "Say what changed and why, e.g. which clamp was measured again.")
    if file == last.file:
        raise ConflictError(
            f'Nothing differs from revision {last.revision} of "{last.name}", so no revision was made.'
        )
    return _append(db, caller, kit_id, last.revision + 1, file, reason, last.is_demo, confirmed)


def retire(db: Session, caller: Caller, kit_id: str) -> KitRevision:
    """Offer a kit for new visits no longer. Visits that used it keep it."""
    may_edit(caller, "kits")
    last = current(db, kit_id)
    kit = db.get_one(Kit, kit_id)
    kit.retired_at = kit.retired_at or now()
    tell(db, None, "kits")
    return last


def current(db: Session, kit_id: str) -> KitRevision:
    """The latest revision of a kit."""
    found = db.scalar(
        select(KitRevision).where(KitRevision.kit_id == kit_id).order_by(KitRevision.revision.desc()).limit(1)
    )
    if found is None:
        raise NotThereError("There is no such kit. Choose one from the list of kits.")
    return found


def at(db: Session, kit_id: str, revision: int) -> KitRevision:
    """A kit as it was at a revision."""
    found = db.get(KitRevision, (kit_id, revision))
    if found is None:
        raise NotThereError("There is no such revision of this kit. Choose one from the kit's history.")
    return found


def for_visit(db: Session, kit_id: str) -> KitRevision:
    """The revision with which a visit begins: the latest, of a kit that is not retired."""
    found = current(db, kit_id)
    _not_retired(db, kit_id)
    return found


def listed(db: Session, with_retired: bool = False) -> list[KitRevision]:
    """The latest revision of every kit, by name."""
    latest = select(KitRevision.kit_id, func.max(KitRevision.revision)).group_by(KitRevision.kit_id)
    last = latest.subquery().c
    query = (
        select(KitRevision)
        .join(last.kit_id.table, (KitRevision.kit_id == last[0]) & (KitRevision.revision == last[1]))
        .join(Kit, Kit.id == KitRevision.kit_id)
        .order_by(KitRevision.name, KitRevision.kit_id)
    )
    return list(db.scalars(query if with_retired else query.where(Kit.retired_at.is_(None))))


def history(db: Session, kit_id: str) -> list[KitRevision]:
    """Every revision of a kit, the latest first."""
    current(db, kit_id)
    query = select(KitRevision).where(KitRevision.kit_id == kit_id).order_by(KitRevision.revision.desc())
    return list(db.scalars(query))


def view(db: Session, row: KitRevision) -> KitView:
    before = db.get(KitRevision, (row.kit_id, row.revision - 1))
    return KitView(
        kit_id=row.kit_id,
        revision=row.revision,
        name=row.name,
        is_demo=row.is_demo,
        says=row.says,
        changed=changes(before.file, row.file) if before else [],
        confirmed=list(row.confirmed),
        by=name_of(db, row.by),
        at=row.at,
        current_revision=current(db, row.kit_id).revision,
        retired_at=db.get_one(Kit, row.kit_id).retired_at,
        file=row.file,
    )


def checked(file: dict[str, Any]) -> KitFile:
    """The kit's model, in which nothing contradicts itself.

    Raises:
        KitError: The file is wrong; it says where, and what to do.
    """
    made, _ = check(KitFile, as_in_a_file(file, SOURCE, KitError), SOURCE, KitError)
    raise_problems([*kit_problems(made, load_layouts()), *needs_for_measuring(made)], SOURCE, KitError)
    if not made.name.strip():
        raise_problems([Problem(("name",), 'is missing. Enter e.g. "van 1".')], SOURCE, KitError)
    return made


def _append(
    db: Session,
    caller: Caller,
    kit_id: str,
    revision: int,
    file: dict[str, Any],
    says: str,
    is_demo: bool,
    confirmed: bool,
) -> KitRevision:
    made = checked(file)
    row = KitRevision(
        kit_id=kit_id,
        revision=revision,
        name=made.name,
        file=file,
        # What calls itself a demo is one, whoever brings it in.
        is_demo=is_demo or made.name.upper().startswith(DEMO),
        says=says,
        confirmed=confirmed_doubts(kit_doubts(made), confirmed),
        by=caller.person_id,
        at=now(),
    )
    db.add(row)
    db.flush()
    tell(db, None, "kits")
    return row


def _not_retired(db: Session, kit_id: str) -> None:
    if db.get_one(Kit, kit_id).retired_at is not None:
        raise ConflictError("This kit is retired. Choose another one, or add it anew.")
