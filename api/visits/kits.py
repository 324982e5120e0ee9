"""Kits in revisions: which plates a shop owns and where they hang."""

from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from api.context import Caller
from api.store import now
from api.tables import Kit, KitRevision
from api.visits import firstkits
from api.visits.firstkits import FirstKit
from api.visits.kitfilled import Filled, filled_in, told_in_form
from api.visits.kitform import KitForm
from api.visits.revisions import Revisions, as_in_a_file, changes, confirmed_doubts, differs, name_of, said
from calib_data.crosschecks import kit_doubts, kit_problems, needs_for_measuring
from calib_data.formats import KitFile
from calib_data.layouts import load_layouts
from calib_data.reading import Problem, check, raise_problems
from vision.errors import KitError

SOURCE = "kit"
DEMO = "DEMO"

KITS = Revisions(Kit, KitRevision, KitRevision.kit_id, "kit", "the kit's history")
retire, current, at, for_visit = KITS.retire, KITS.current, KITS.at, KITS.standing
listed, history = KITS.listed, KITS.history


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
    kit_id = KITS.begin(db, caller)
    return _append(db, caller, kit_id, 1, file, says.strip(), is_demo, confirmed)


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
    last = KITS.to_revise(db, caller, kit_id, based_on)
    reason = said(says, "says", "Say what changed and why, e.g. which clamp was measured again.")
    differs(last.file, file, last)
    return _append(db, caller, kit_id, last.revision + 1, file, reason, last.is_demo, confirmed)


def add_by_form(
    db: Session, caller: Caller, form: KitForm, says: str, *, confirmed: bool = False
) -> KitRevision:
    """Take in a new kit as a form has it; what is wrong is told at the form's fields."""
    filled = _checked_form(form, {})
    with told_in_form(filled):
        return add(db, caller, filled.file, says, confirmed=confirmed)


def add_first(
    db: Session, caller: Caller, first: FirstKit, says: str, *, confirmed: bool = False
) -> KitRevision:
    """Take in a first kit from what somebody measured; what is wrong is told at the questions."""
    filled = firstkits.filled_in(first)
    with told_in_form(filled):
        checked(filled.file)
    with told_in_form(filled):
        return add(db, caller, filled.file, says, confirmed=confirmed)


def revise_by_form(
    db: Session,
    caller: Caller,
    kit_id: str,
    form: KitForm,
    says: str,
    *,
    based_on: int,
    confirmed: bool = False,
) -> KitRevision:
    """Add a revision as a form has it, begun on the revision `based_on`; what it does not show stays."""
    last = KITS.to_revise(db, caller, kit_id, based_on)
    filled = _checked_form(form, last.file)
    with told_in_form(filled):
        return revise(db, caller, kit_id, filled.file, says, based_on=based_on, confirmed=confirmed)


def view(db: Session, row: KitRevision) -> KitView:
    before = KITS.before(db, row)
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
        retired_at=KITS.retired_at(db, row.kit_id),
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


def _checked_form(form: KitForm, old: dict[str, Any]) -> Filled:
    """The file of a form, in which nothing is wrong."""
    filled = filled_in(form, old)
    with told_in_form(filled):
        checked(filled.file)
    return filled


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
    return KITS.append(db, row)
