"""Upkeep of a kit: photos that belong to the kit and to no customer's vehicle, and what comes of them.

An upkeep is a visit that is marked as one: number, slip, rounds, photos and tray are those of all visits, so
nothing is taken in another way. Its rounds are called groups. It is never signed; what came of it stays:
each proof as a row of its own, a taught kit once somebody makes it the next revision, a lens once kept.

Proofs count by themselves, whatever came out. Who closes the photos has no word in it, or a flag could be
looked at and left.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.context import Caller
from api.problems import ConflictError, NotAcceptedError, NotThereError
from api.store import STORE_ID, new_id, now, tell
from api.tables import (
    Arrival,
    Change,
    KitRevision,
    LensProfile,
    Measured,
    Person,
    PhotoFile,
    Round,
    Setting,
    Upkeep,
    Visit,
    VisitPlacement,
)
from api.visits import inputs, kits, placements, proofs, results
from api.visits.proofs import ProofView
from api.visits.revisions import changes, may_edit
from api.visits.slips import new_slip
from api.visits.vehicles import checked
from api.visits.visit_rows import next_number, open_next_round
from calib_data.proof import proof_file, slide_of
from vision.errors import NotEnoughError
from vision.photo import ExifFacts
from vision.sightings import FoundPhoto

KINDS = ("bar", "slide", "fixture", "sheets", "lens")
PROOFS = ("bar", "slide")
PHOTOS, BEFORE, AFTER = "photos", "before_slide", "after_slide"
NO_VEHICLE = {"label": "no vehicle"}


@dataclass(frozen=True)
class BeginUpkeep:
    """What a person enters to begin.

    Attributes:
        asked: What the kind takes as given, as photos/upkeep_work.py reads it.
        plates: Plates that must be in the kit, by the field that names them.
        vehicle, placement_id: Of a slide: beside which vehicle, and which target is slid.
    """

    kind: str
    kit_id: str
    asked: dict[str, Any] = field(default_factory=dict)
    plates: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    vehicle: dict[str, Any] | None = None
    placement_id: str | None = None


@dataclass(frozen=True)
class GroupView:
    """One group of photos."""

    id: str
    number: int
    kind: str
    is_open: bool
    opened_by: str
    opened_at: str
    closed_by: str
    closed_at: str | None
    n_photos: int
    state: str
    says: str
    done_at: str | None


@dataclass(frozen=True)
class UpkeepView:
    """An upkeep whole, but for its photos.

    Attributes:
        kit_revision: Of the kit by now.
        next_kind: Of the group that may be opened now; none while one is open or measured.
        outcome: Of the latest group: what it taught, with the revision that it was computed with; a proof's
            stands in `proofs`.
        offered: What the taught kit would change, one line per figure.
        is_taken: The taught kit is a revision by now.
        kept: Names of the lens profiles that were kept.
        change_seq: Position of the event stream that this view stands for.
    """

    id: str
    number: int
    kind: str
    asked: dict[str, Any]
    vehicle: dict[str, Any]
    kit_id: str
    kit_name: str
    kit_revision: int
    is_demo: bool
    placements: list[str]
    begun_by: str
    begun_at: str
    groups: list[GroupView]
    next_kind: str | None
    proofs: list[ProofView]
    outcome: dict[str, Any] | None
    outcome_revision: int | None
    offered: list[str]
    is_taken: bool
    kept: list[str]
    change_seq: int


# --- begin, open, close -----------------------------------------------------------------------------


def begin(db: Session, caller: Caller, wanted: BeginUpkeep) -> Visit:
    """Begin an upkeep, with its first group open for photos. Owner or reviewer decide on it.

    Raises:
        NotAllowedError: A technician.
        NotAcceptedError, SetError, PlacementError: What it needs is missing, or not in the kit.
    """
    may_edit(caller, "kits, so only they begin their upkeep")
    kit = kits.for_visit(db, wanted.kit_id)
    _need_plates(kit, wanted.plates)
    visit = Visit(
        id=new_id(),
        number=next_number(db),
        store_id=db.get_one(Setting, STORE_ID).value["id"],
        slip=new_slip(),
        bay="",
        vehicle=NO_VEHICLE,
        odometer_km=None,
        vin=None,
        kit_id=kit.kit_id,
        kit_revision=kit.revision,
        begun_by=caller.person_id,
        begun_at=now(),
    )
    if wanted.kind == "slide":
        visit.vehicle = checked(wanted.vehicle or {}, None, None).vehicle
    db.add(visit)
    db.flush()
    if wanted.kind == "slide":
        (row,) = placements.for_visit(db, [wanted.placement_id or ""], kits.checked(kit.file))
        chosen = {"placement_id": row.placement_id, "revision": row.revision}
        db.add(VisitPlacement(visit_id=visit.id, position=0, **chosen))
    db.add(Upkeep(visit_id=visit.id, kind=wanted.kind, asked=wanted.asked))
    db.flush()
    open_group(db, caller, visit.id)
    tell(db, None, "upkeep")
    return visit


def _need_plates(kit: KitRevision, plates: Mapping[str, tuple[int, ...]]) -> None:
    for where, numbers in plates.items():
        missing = next((number for number in numbers if str(number) not in kit.file["plates"]), None)
        if missing is not None:
            says = "is not in the kit. Read the number off the sheet again, or add the sheet to the kit."
            raise NotAcceptedError(f"Plate {missing} {says}", where)


def is_one(db: Session, visit_id: str) -> bool:
    """Whether a visit is a kit's upkeep."""
    return db.get(Upkeep, visit_id) is not None


def get(db: Session, visit_id: str) -> Upkeep:
    """The upkeep of this id."""
    found = db.get(Upkeep, visit_id)
    if found is None:
        raise NotThereError("There is no such upkeep. Open it from its kit.")
    return found


def of_kit(db: Session, kit_id: str) -> list[tuple[Visit, Upkeep]]:
    """A kit's upkeeps, the latest first."""
    query = select(Visit, Upkeep).join(Upkeep, Upkeep.visit_id == Visit.id).where(Visit.kit_id == kit_id)
    return [(visit, row) for visit, row in db.execute(query.order_by(Visit.begun_at.desc(), Visit.id))]


def open_group(db: Session, caller: Caller, visit_id: str) -> Round:
    """Open the next group of an upkeep for photos.

    Raises:
        ConflictError: One is open, or is measured just now.
    """
    upkeep = get(db, visit_id)
    kind = next_kind(db, upkeep)
    if kind is None:
        raise ConflictError("Photos are taken in or looked at just now. Close the group, or wait for it.")
    return open_next_round(db, visit_id, kind, caller)


def next_kind(db: Session, upkeep: Upkeep) -> str | None:
    """What the next group is of. A slide's second group follows a first one that could be measured."""
    groups = _groups(db, upkeep.visit_id)
    last = groups[-1] if groups else None
    if last is not None and last.closed_at is None:
        return None
    measured = results.latest(db, last.id) if last is not None else None
    if measured is not None and measured.state == "waiting":
        return None
    if upkeep.kind != "slide":
        return PHOTOS
    is_measured = measured is not None and measured.state == "done"
    return AFTER if last is not None and last.kind == BEFORE and is_measured else BEFORE


def _groups(db: Session, visit_id: str) -> list[Round]:
    return list(db.scalars(select(Round).where(Round.visit_id == visit_id).order_by(Round.number)))


# --- what came of it --------------------------------------------------------------------------------


def after_measuring(db: Session, row: Measured) -> None:
    """Keep the proof that a group's measuring completes, and let the kit's visits know where it stands.

    Called in the transaction that writes the measuring; `row` is done, or could not be.
    """
    if row.state != "done" or row.result is None:
        return
    one = db.get_one(Round, row.round_id)
    upkeep = get(db, one.visit_id)
    file, groups = (row.result, [one]) if upkeep.kind == "bar" else (None, [])
    if upkeep.kind == "slide" and one.kind == AFTER:
        groups = [_before(db, one), one]
        file = _slide(db, upkeep, groups, row)
    if file is None:
        return
    kit = row.inputs["kit"]
    before = proofs.distrust(db, kit["id"])
    proofs.add(db, file, kit["id"], kit["revision"], groups)
    after = proofs.distrust(db, kit["id"])
    if before != after:
        for measured in proofs.results_to_distrust(db, kit["id"]):
            if "upkeep" not in measured.inputs:
                results.ask_with(db, measured.round_id, inputs.with_distrust(measured.inputs, after))


def _before(db: Session, after: Round) -> Round:
    """The group before the slide that a group after it is compared with."""
    earlier = [one for one in _groups(db, after.visit_id) if one.kind == BEFORE and one.number < after.number]
    return earlier[-1]


def _slide(db: Session, upkeep: Upkeep, groups: Sequence[Round], row: Measured) -> dict[str, Any] | None:
    """The proof by the way between two groups; none where they do not tell it, which `row` then says."""
    first = results.latest(db, groups[0].id)
    if first is None or first.result is None or row.result is None:
        return None  # the first is measured again just now: then this one is to be, too
    asked = upkeep.asked
    try:
        proof = slide_of([first.result, row.result], asked["along"], asked["by_mm"], asked["u_by_mm"])
    except NotEnoughError as wrong:
        row.state, row.says = "not_enough", str(wrong)
        return None
    made = proof_file(
        proof,
        list(_photos(db, [one.id for one in groups])),
        today=now()[:10],
        kit=row.inputs["kit"]["file"].get("name", ""),
        kit_sha256=row.result["kit_effects"]["kit_sha256"],
        along=asked["along"],
    )
    return made.model_dump(exclude_none=True)


def _photos(db: Session, round_ids: Sequence[str]) -> Iterator[FoundPhoto]:
    """The photos of some groups, without what was found in them."""
    query = select(Arrival, PhotoFile).join(PhotoFile, PhotoFile.sha256 == Arrival.sha256)
    for one, file in db.execute(query.where(Arrival.round_id.in_(round_ids)).order_by(Arrival.seq)):
        width, height = file.size_px
        yield FoundPhoto(one.name, one.sha256, (width, height), ExifFacts(**file.exif), ())


def take_kit(
    db: Session, caller: Caller, visit_id: str, says: str, *, based_on: int, confirmed: bool = False
) -> KitRevision:
    """Make the taught kit the next revision, by a person's word.

    Args:
        based_on: The revision that the person saw it compared with.

    Raises:
        ConflictError: Nothing was taught, or the kit was revised since it was.
    """
    may_edit(caller, "kits")
    upkeep = get(db, visit_id)
    row = _latest_done(db, upkeep)
    if row is None or row.result is None or "kit" not in row.result:
        raise ConflictError("These photos have not taught a kit anything. Take photos, and close the group.")
    kit = row.inputs["kit"]
    if kits.current(db, kit["id"]).revision != kit["revision"]:
        raise ConflictError(
            f"The kit was revised since revision {kit['revision']}, with which this was computed. Measure "
            "the photos again: then it is worked out anew with the kit as it is."
        )
    made = kits.revise(db, caller, kit["id"], row.result["kit"], says, based_on=based_on, confirmed=confirmed)
    tell(db, visit_id, "upkeep")
    return made


def keep_lenses(db: Session, caller: Caller, visit_id: str) -> list[LensProfile]:
    """Use the lenses that were found for these phones' photos from now on, in place of earlier ones.

    Raises:
        ConflictError: No lens was found, or they are kept already.
    """
    may_edit(caller, "lens profiles")
    row = _latest_done(db, get(db, visit_id))
    files = [one["file"] for one in row.result["lenses"] if one["file"]] if row and row.result else []
    if not files:
        raise ConflictError("These photos have not fixed a lens. Take photos, and close the group.")
    made = []
    for file in files:
        if any(one.file == file and one.retired_at is None for one in profiles(db)):
            raise ConflictError("These lens profiles are kept already.")
        for older in profiles(db):
            same = older.file["applies_to"] == file["applies_to"] and older.file["size_px"] == file["size_px"]
            if same and older.retired_at is None:
                older.retired_by, older.retired_at = caller.person_id, now()
        kept = LensProfile(
            id=new_id(), label=file["label"], file=file, visit_id=visit_id, by=caller.person_id, at=now()
        )
        db.add(kept)
        made.append(kept)
    db.flush()
    tell(db, visit_id, "upkeep")
    return made


def retire_lens(db: Session, caller: Caller, profile_id: str) -> LensProfile:
    """Use a lens profile no longer. Results that were made with it carry it."""
    may_edit(caller, "lens profiles")
    found = db.get(LensProfile, profile_id)
    if found is None:
        raise NotThereError("There is no such lens profile. Choose one from the list.")
    if found.retired_at is None:
        found.retired_by, found.retired_at = caller.person_id, now()
    tell(db, None, "upkeep")
    return found


def profiles(db: Session) -> list[LensProfile]:
    """All lens profiles, the latest first."""
    return list(db.scalars(select(LensProfile).order_by(LensProfile.at.desc(), LensProfile.id)))


def _latest_done(db: Session, upkeep: Upkeep) -> Measured | None:
    groups = _groups(db, upkeep.visit_id)
    measured = results.latest(db, groups[-1].id) if groups else None
    return measured if measured is not None and measured.state == "done" else None


# --- view -------------------------------------------------------------------------------------------


def view(db: Session, visit_id: str) -> UpkeepView:
    """An upkeep as pages and programs need it, in one reading."""
    upkeep = get(db, visit_id)
    visit = db.get_one(Visit, visit_id)
    names = {key: name for key, name in db.execute(select(Person.id, Person.name))}
    kit = kits.current(db, visit.kit_id)
    row = _latest_done(db, upkeep)
    taught = row.result if row and row.result and upkeep.kind in ("fixture", "sheets", "lens") else None
    computed_with = row.inputs["kit"]["revision"] if row and taught else None
    chosen = inputs.required_of(db, visit_id).placements
    new_file = taught.get("kit") if taught else None
    return UpkeepView(
        id=visit_id,
        number=visit.number,
        kind=upkeep.kind,
        asked=upkeep.asked,
        vehicle=visit.vehicle,
        kit_id=visit.kit_id,
        kit_name=kit.name,
        kit_revision=kit.revision,
        is_demo=kit.is_demo,
        placements=[one.name for one in chosen],
        begun_by=names[visit.begun_by],
        begun_at=visit.begun_at,
        groups=[_group(db, one, names) for one in _groups(db, visit_id)],
        next_kind=next_kind(db, upkeep),
        proofs=[proofs.view(db, one) for one in proofs.of_upkeep(db, visit_id)],
        outcome=taught,
        outcome_revision=computed_with,
        offered=changes(kit.file, new_file) if new_file else [],
        is_taken=new_file is not None and new_file == kit.file,
        kept=list(
            db.scalars(
                select(LensProfile.label).where(
                    LensProfile.visit_id == visit_id, LensProfile.retired_at.is_(None)
                )
            )
        ),
        change_seq=db.scalar(select(func.max(Change.seq))) or 0,
    )


def _group(db: Session, one: Round, names: Mapping[str, str]) -> GroupView:
    measured = results.latest(db, one.id)
    n_photos = db.scalar(select(func.count()).select_from(Arrival).where(Arrival.round_id == one.id)) or 0
    return GroupView(
        id=one.id,
        number=one.number,
        kind=one.kind,
        is_open=one.closed_at is None,
        opened_by=names[one.opened_by],
        opened_at=one.opened_at,
        closed_by=names.get(one.closed_by or "", ""),
        closed_at=one.closed_at,
        n_photos=n_photos,
        state=measured.state if measured else "none",
        says=measured.says if measured else "",
        done_at=measured.done_at if measured else None,
    )
