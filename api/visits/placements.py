"""Placements in revisions: what the vehicle maker's procedure asks of a target, as the shop typed it in.

What it asks between two of them (between.py) stands here too, by the same rules.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from api.context import Caller
from api.figures import Figures
from api.problems import NotAcceptedError
from api.store import now
from api.tables import Placement, PlacementRevision
from api.visits import between, kits
from api.visits.between import Kind
from api.visits.revisions import Revisions, as_in_a_file, changes, confirmed_doubts, differs, name_of, said
from calib_data.crosschecks import AXLES, lone_problems, placement_problems
from calib_data.families import Family, doubts_of_two, families, family_doubts, not_filled_in
from calib_data.formats import KitFile, PlacementFile, RelationFile, ShiftFile
from calib_data.reading import Problem, check, raise_problems
from vision.errors import PlacementError
from vision.kit import WHEELS

SOURCE = "placement"

PLACEMENTS = Revisions(
    Placement, PlacementRevision, PlacementRevision.placement_id, "placement", "its history"
)
retire, current, at, history = PLACEMENTS.retire, PLACEMENTS.current, PLACEMENTS.at, PLACEMENTS.history


@dataclass(frozen=True)
class Required:
    """What a visit checks: its placements, in order, and what is required between them."""

    placements: tuple[PlacementRevision, ...]
    relations: tuple[PlacementRevision, ...] = ()
    shifts: tuple[PlacementRevision, ...] = ()

    @classmethod
    def of(cls, rows: Sequence[PlacementRevision]) -> "Required":
        by_kind = {kind: tuple(r for r in rows if between.kind_of(r.file) == kind) for kind in KINDS}
        return cls(by_kind["placement"], by_kind["relation"], by_kind["shift"])

    @property
    def between(self) -> tuple[PlacementRevision, ...]:
        return (*self.relations, *self.shifts)

    @property
    def rows(self) -> tuple[PlacementRevision, ...]:
        return (*self.placements, *self.between)


KINDS: tuple[Kind, ...] = ("placement", "relation", "shift")


@dataclass(frozen=True)
class PlacementView:
    """One revision of a placement, or of what is required between two.

    Attributes:
        kind: placement, relation or shift, by the file's format.
        by: Who typed it in.
        read_back: Each tolerance in words, for the person to hold against the procedure; in mm.
        says, changed, confirmed, current_revision: As of a kit.
    """

    placement_id: str
    revision: int
    kind: Kind
    name: str
    family: str
    procedure_title: str
    procedure_edition: str
    is_demo: bool
    says: str
    changed: list[str]
    confirmed: list[str]
    by: str
    at: str
    current_revision: int
    retired_at: str | None
    read_back: list[str]
    file: dict[str, Any]


@dataclass(frozen=True)
class TemplateView:
    """A family's template: a placement file with null where the shop fills in.

    Attributes:
        relation, shift: Such a file likewise, where the family asks something between two placements.
    """

    family: str
    label: str
    says: str
    placement: dict[str, Any]
    relation: dict[str, Any] | None
    shift: dict[str, Any] | None


@dataclass(frozen=True)
class Typed:
    """What a person types in of a placement, beside the file itself.

    Attributes:
        family: Of the template it was made from; empty for the shop's own.
    """

    procedure_title: str
    procedure_edition: str
    family: str = ""
    says: str = ""
    confirmed: bool = False


def templates() -> list[TemplateView]:
    """Every template, by its family's name."""
    return [
        TemplateView(
            one.name,
            one.label,
            one.says,
            dict(one.template),
            dict(one.relation) if one.relation else None,
            dict(one.shift) if one.shift else None,
        )
        for one in families().values()
    ]


def listed(db: Session, with_retired: bool = False) -> list[PlacementRevision]:
    """The latest revision of every placement, by name."""
    return list(Required.of(PLACEMENTS.listed(db, with_retired)).placements)


def listed_between(db: Session, with_retired: bool = False) -> list[PlacementRevision]:
    """The latest revision of every relation, and of every shift."""
    return list(Required.of(PLACEMENTS.listed(db, with_retired)).between)


def add(
    db: Session, caller: Caller, file: dict[str, Any], typed: Typed, *, is_demo: bool = False
) -> PlacementRevision:
    """Take in a new placement, relation or shift.

    Raises:
        NotAllowedError: A technician.
        PlacementError: The file is wrong, a template not filled in, or of placements that are not there.
        NotAcceptedError: The procedure's title or edition is missing.
        DoubtError: A figure may be meant otherwise, and `confirmed` is not set.
    """
    placement_id = PLACEMENTS.begin(db, caller)
    return _append(db, caller, placement_id, 1, file, typed, is_demo)


def revise(
    db: Session, caller: Caller, placement_id: str, file: dict[str, Any], typed: Typed, *, based_on: int
) -> PlacementRevision:
    """Add a revision to a placement; `based_on` is the one that the person saw."""
    last = PLACEMENTS.to_revise(db, caller, placement_id, based_on)
    said(typed.says, "says", "Say what changed and why, e.g. which edition of the procedure asks for it.")
    before = (last.file, last.procedure_title, last.procedure_edition, last.family)
    after = (file, typed.procedure_title.strip(), typed.procedure_edition.strip(), typed.family)
    differs(before, after, last)
    was, now_is = between.kind_of(last.file), between.kind_of(file)
    if was != now_is:
        raise NotAcceptedError(f"This is a {was}, and the file is a {now_is}'s. Add it as a new one.", "file")
    return _append(db, caller, placement_id, last.revision + 1, file, typed, last.is_demo)


def for_visit(db: Session, placement_ids: list[str], kit: KitFile) -> list[PlacementRevision]:
    """The latest revisions of the placements that a visit checks, each held against the visit's kit."""
    if not placement_ids:
        raise NotAcceptedError("Choose at least one placement: it says what is required.", "placements")
    if len(set(placement_ids)) != len(placement_ids):
        raise NotAcceptedError("One placement is chosen twice. Choose each once.", "placements")
    found = [PLACEMENTS.standing(db, placement_id) for placement_id in placement_ids]
    for row in found:
        if (kind := between.kind_of(row.file)) != "placement":
            says = f'"{row.name}" is a {kind}. Choose it beside the placements, not among them.'
            raise NotAcceptedError(says, "placements")
        file, _ = check(PlacementFile, row.file, f'placement "{row.name}"', PlacementError)
        raise_problems(placement_problems(file, kit), f'placement "{row.name}"', PlacementError)
    names = [row.name for row in found]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise NotAcceptedError(
            f'Two of the placements are called "{twice}". Give one another name, so that a result can be '
            "told from the other.",
            "placements",
        )
    return found


def between_for_visit(
    db: Session, between_ids: list[str], chosen: Sequence[PlacementRevision], kit: KitFile
) -> list[PlacementRevision]:
    """The latest revisions of the relations and shifts that a visit checks, each of placements it has chosen.

    Raises:
        PlacementError: One is of a placement that was not chosen.
    """
    if len(set(between_ids)) != len(between_ids):
        raise NotAcceptedError("A relation or shift is chosen twice. Choose each once.", "between_ids")
    found = [PLACEMENTS.standing(db, one) for one in between_ids]
    files = [PlacementFile.model_validate(row.file) for row in chosen]
    for row in found:
        if between.kind_of(row.file) == "placement":
            says = f'"{row.name}" is a placement. Choose it among the placements.'
            raise NotAcceptedError(says, "between_ids")
        between.check_for_visit(row.file, row.name, files, kit)
    names = [row.name for row in found]
    if len(set(names)) != len(names):
        says = "Two of the relations and shifts have one name. Give one another name, to tell them apart."
        raise NotAcceptedError(says, "between_ids")
    return list(Required.of(found).between)


def view(db: Session, row: PlacementRevision) -> PlacementView:
    before = PLACEMENTS.before(db, row)
    return PlacementView(
        placement_id=row.placement_id,
        revision=row.revision,
        kind=between.kind_of(row.file),
        name=row.name,
        family=row.family,
        procedure_title=row.procedure_title,
        procedure_edition=row.procedure_edition,
        is_demo=row.is_demo,
        says=row.says,
        changed=_changed(before, row) if before else [],
        confirmed=list(row.confirmed),
        by=name_of(db, row.by),
        at=row.at,
        current_revision=current(db, row.placement_id).revision,
        retired_at=PLACEMENTS.retired_at(db, row.placement_id),
        read_back=read_back(row.file),
        file=row.file,
    )


def read_back(file: dict[str, Any], figures: Figures = Figures()) -> list[str]:  # noqa: B008 (frozen)
    """Each tolerance of a checked file in words that show a slip of unit, sign or half."""
    return [
        f"{key.rsplit('_', 1)[0].replace('_', ' ')}: from {figures.given(key, nominal - minus)} to "
        f"{figures.given(key, nominal + plus)} {unit}, {figures.given(key, minus + plus)} {unit} "
        "from edge to edge"
        for key, tolerance in file.get("values", {}).items()
        for unit in ("degrees" if key.endswith("_deg") else figures.unit,)
        for nominal, minus, plus in [(tolerance["nominal"], tolerance["minus"], tolerance["plus"])]
    ]


def checked(file: dict[str, Any]) -> PlacementFile:
    """The placement's model, filled in and in proportion.

    Raises:
        PlacementError: The file is wrong; it says where, and what to do.
    """
    raise_problems(not_filled_in(file), SOURCE, PlacementError)
    made, _ = check(PlacementFile, file, SOURCE, PlacementError)
    raise_problems(lone_problems(made), SOURCE, PlacementError)
    if not made.values:
        says = "has nothing in it. Enter at least one value with its nominal and tolerance."
        raise_problems([Problem(("values",), says)], SOURCE, PlacementError)
    return made


def _append(
    db: Session,
    caller: Caller,
    placement_id: str,
    revision: int,
    file: dict[str, Any],
    typed: Typed,
    is_demo: bool,
) -> PlacementRevision:
    made, doubts = _looked_through(db, as_in_a_file(file, SOURCE, PlacementError), _family(typed.family))
    title = said(
        typed.procedure_title, "procedure_title", "Enter the title of the vehicle maker's procedure."
    )
    edition = said(
        typed.procedure_edition, "procedure_edition", "Enter the edition or date of the procedure."
    )
    row = PlacementRevision(
        placement_id=placement_id,
        revision=revision,
        name=made.name,
        file=file,
        procedure_title=title,
        procedure_edition=edition,
        family=typed.family,
        is_demo=is_demo or made.name.upper().startswith(kits.DEMO),
        says=typed.says.strip(),
        confirmed=confirmed_doubts(doubts, typed.confirmed),
        by=caller.person_id,
        at=now(),
    )
    return PLACEMENTS.append(db, row)


def _looked_through(
    db: Session, file: dict[str, Any], family: Family | None
) -> tuple[PlacementFile | RelationFile | ShiftFile, list[Problem]]:
    """The file's model, and what in it may be meant otherwise."""
    if between.kind_of(file) == "placement":
        made = checked(file)
        return made, [*family_doubts(made, family), *_not_served(db, made)]
    ours = [PlacementFile.model_validate(row.file) for row in listed(db)]
    of_two = between.checked(file, ours)
    return of_two, list(doubts_of_two(of_two, family))


def _family(name: str) -> Family | None:
    if not name:
        return None
    found = families().get(name)
    if found is None:
        raise NotAcceptedError(
            f'There is no family "{name}". The families are {", ".join(families())}; '
            "leave it empty for the shop's own.",
            "family",
        )
    return found


def _not_served(db: Session, placement: PlacementFile) -> Iterator[Problem]:
    """A doubt where no kit of the shop can serve the placement."""
    for row in kits.listed(db):
        carriers = {**row.file.get("fixtures", {}), **row.file.get("mats", {})}
        has_target = placement.target in carriers.get(placement.fixture, {}).get("targets", {})
        datums = (*AXLES, *row.file.get("datum_plates", {}))
        has_origin = placement.origin is None or placement.origin.at in (*WHEELS, *datums)
        if has_target and has_origin and placement.datum in datums:
            return
    yield Problem(
        ("fixture",),
        f'is "{placement.fixture}" with the target "{placement.target}" and the datum "{placement.datum}", '
        "which no kit of this shop has together.",
    )


def _changed(before: PlacementRevision, row: PlacementRevision) -> list[str]:
    beside = ("procedure_title", "procedure_edition", "family")
    old = {name: getattr(before, name) for name in beside} | before.file
    new = {name: getattr(row, name) for name in beside} | row.file
    return changes(old, new)
