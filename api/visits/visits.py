"""The visit: one vehicle, once in the bay."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from api.access.shop import shop
from api.context import Caller
from api.problems import ConflictError, NotAcceptedError
from api.store import STORE_ID, new_id, now, tell
from api.tables import ClampOff, KitRevision, PlacementRevision, Setting, Visit, VisitPlacement
from api.visits import clampchecks, conditions, inputs, kits, placements, results, rounds, studies
from api.visits.conditions import ConditionSaid
from api.visits.placements import Required
from api.visits.revisions import changes, confirmed_doubts, said
from api.visits.slips import new_slip
from api.visits.studies import StudySaid
from api.visits.vehicles import VehicleFacts, checked
from api.visits.visit_list import VisitLine, demos_of, listed, of_vehicles
from api.visits.visit_rows import deviate, get, next_number, of_a_vehicle, still_open
from api.visits.visit_view import VisitView, summary

__all__ = [
    "BeginVisit",
    "Defaults",
    "VisitLine",
    "VisitView",
    "begin",
    "defaults",
    "demos_of",
    "get",
    "listed",
    "still_open",
    "summary",
]

MOST_RECENT = 12  # vehicles that are offered again


@dataclass(frozen=True)
class BeginVisit:
    """What a person enters to begin a visit.

    Attributes:
        vehicle: As in plumbsight.set/1; label and wheelbase_mm are asked for.
        between_ids: Relations and shifts of these placements.
        conditions: What is said already; the others stand at not_checked.
        study: Which study the visit is of; none: it is a job.
        confirmed: The person has looked at the doubts and means it so.
    """

    vehicle: dict[str, Any]
    kit_id: str
    placement_ids: list[str]
    between_ids: list[str] = field(default_factory=list)
    odometer_km: int | None = None
    vin: str | None = None
    bay: str = ""
    conditions: list[ConditionSaid] = field(default_factory=list)
    study: StudySaid | None = None
    confirmed: bool = False


@dataclass(frozen=True)
class VehicleCorrection:
    """What a person corrects of the vehicle's facts, all of them as they should be, and why."""

    vehicle: dict[str, Any]
    reason: str
    odometer_km: int | None = None
    vin: str | None = None
    confirmed: bool = False


@dataclass(frozen=True)
class Defaults:
    """What the next visit most likely takes: the last one's choices, where they still stand.

    Attributes:
        vehicles: Of the latest visits, each once: a label chosen again brings its wheelbase along.
    """

    kit_id: str | None
    placement_ids: list[str]
    between_ids: list[str]
    bay: str
    bays: list[str]
    vehicles: list[dict[str, Any]]


def begin(db: Session, caller: Caller, wanted: BeginVisit) -> Visit:
    """Begin a visit with the latest revisions of kit and placements.

    Raises:
        SetError, NotAcceptedError: The vehicle's facts are wrong or missing.
        DoubtError: They may be meant otherwise, and `confirmed` is not set.
        PlacementError: A placement names what the kit does not have, a relation or shift a placement that was
            not chosen.
    """
    facts = checked(wanted.vehicle, wanted.odometer_km, wanted.vin)
    doubts = confirmed_doubts(facts.doubts, wanted.confirmed)
    kit = kits.for_visit(db, wanted.kit_id)
    is_study = wanted.study is not None
    required = _chosen(db, kit, wanted.placement_ids, wanted.between_ids, is_study)
    visit = Visit(
        id=new_id(),
        number=next_number(db),
        store_id=db.get_one(Setting, STORE_ID).value["id"],
        slip=new_slip(),
        bay=_bay(wanted.bay),
        vehicle=facts.vehicle,
        odometer_km=facts.odometer_km,
        vin=facts.vin,
        kit_id=kit.kit_id,
        kit_revision=kit.revision,
        begun_by=caller.person_id,
        begun_at=now(),
    )
    db.add(visit)
    db.flush()
    _require(db, visit.id, required)
    if wanted.study is not None:
        studies.mark(db, visit.id, wanted.study)
    conditions.say(db, caller, visit.id, wanted.conditions)
    for doubt in doubts:
        deviate(db, caller, visit.id, f"Confirmed: {doubt}")
    tell(db, visit.id, "visits")
    return visit


def _bay(name: str) -> str:
    plain = " ".join(name.split())
    if len(plain) > 200 or not plain.isprintable():
        raise NotAcceptedError("The bay's name must be on one line of at most 200 characters.", "bay")
    return plain


def _chosen(
    db: Session, kit: KitRevision, placement_ids: list[str], between_ids: list[str], is_study: bool
) -> list[PlacementRevision]:
    """The latest revisions of what a visit is to check, held against its kit."""
    file = kits.checked(kit.file)
    chosen = placements.for_visit(db, placement_ids, file)
    of_two = placements.between_for_visit(db, between_ids, chosen, file)
    if is_study and Required.of(of_two).shifts:
        says = "A study repeats one set-up: nothing moves from one round to another. Leave the shift out."
        raise NotAcceptedError(says, "between_ids")
    return [*chosen, *of_two]


def _require(db: Session, visit_id: str, rows: Sequence[PlacementRevision]) -> None:
    db.execute(delete(VisitPlacement).where(VisitPlacement.visit_id == visit_id))
    db.add_all(
        VisitPlacement(
            visit_id=visit_id, position=position, placement_id=row.placement_id, revision=row.revision
        )
        for position, row in enumerate(rows)
    )
    db.flush()


def defaults(db: Session) -> Defaults:
    """What to offer for the next visit, from the last ones begun here."""
    store_id = db.get_one(Setting, STORE_ID).value["id"]
    mine = select(Visit).where(Visit.store_id == store_id, of_vehicles()).order_by(Visit.number.desc())
    latest = list(db.scalars(mine.limit(4 * MOST_RECENT)))
    standing_kits = {row.kit_id for row in kits.listed(db)}
    standing = {row.placement_id for row in (*placements.listed(db), *placements.listed_between(db))}
    last = latest[0] if latest else None
    chosen = inputs.required_of(db, last.id) if last else Required(())
    vehicles = {visit.vehicle["label"]: visit.vehicle for visit in reversed(latest)}
    labels = list(dict.fromkeys(visit.vehicle["label"] for visit in latest))
    return Defaults(
        kit_id=last.kit_id if last and last.kit_id in standing_kits else None,
        placement_ids=_ids(chosen.placements, standing),
        between_ids=_ids(chosen.between, standing),
        bay=last.bay if last else "",
        bays=list(shop(db).bays),
        vehicles=[vehicles[label] for label in labels[:MOST_RECENT]],
    )


def _ids(rows: Sequence[PlacementRevision], standing: set[str]) -> list[str]:
    return [row.placement_id for row in rows if row.placement_id in standing]


# --- changes within a visit: each is a named deviation ---------------------------------------------


def use_kit(
    db: Session, caller: Caller, visit_id: str, kit_id: str, reason: str, *, again: bool = False
) -> Visit:
    """Take the latest revision of a kit from now on.

    Args:
        again: Measure the rounds that are closed again with it: the kit's file was wrong. Otherwise the kit
            itself was changed, and earlier rounds keep the revision that they were measured with.
    """
    of_a_vehicle(db, visit_id)
    visit = still_open(db, visit_id)
    why = said(reason, "reason", "Say why the kit is changed within the visit.")
    kit = kits.for_visit(db, kit_id)
    if (kit.kit_id, kit.revision) == (visit.kit_id, visit.kit_revision):
        raise ConflictError(f'The visit has revision {kit.revision} of "{kit.name}" already.')
    chosen = inputs.required_of(db, visit_id)
    standing, of_two = ([row.placement_id for row in rows] for rows in (chosen.placements, chosen.between))
    _chosen(db, kit, standing, of_two, is_study=False)  # it has none that a study refuses
    was = kits.at(db, visit.kit_id, visit.kit_revision)
    visit.kit_id, visit.kit_revision = kit.kit_id, kit.revision
    if _patterns(kit.file) != _patterns(was.file):
        results.look_afresh(db, visit_id)
    change = f'kit "{was.name}" revision {was.revision} to "{kit.name}" revision {kit.revision}'
    _changed(db, caller, visit, f"Changed from {change}: {why}", again)
    return visit


def _patterns(file: dict[str, Any]) -> dict[str, str]:
    """Which printed patterns a kit's photos are searched for."""
    return {number: plate["layout"] for number, plate in file["plates"].items()}


def use_placements(
    db: Session,
    caller: Caller,
    visit_id: str,
    placement_ids: list[str],
    reason: str,
    *,
    between_ids: list[str] | None = None,
    again: bool = False,
) -> Visit:
    """Take the latest revisions of these placements from now on; `again` as in `use_kit`.

    Args:
        between_ids: Relations and shifts of them; none: those that the visit has.
    """
    of_a_vehicle(db, visit_id)
    visit = still_open(db, visit_id)
    why = said(reason, "reason", "Say why the placements are changed within the visit.")
    kit = kits.at(db, visit.kit_id, visit.kit_revision)
    was = inputs.required_of(db, visit_id)
    kept = [row.placement_id for row in was.between]
    of_two = kept if between_ids is None else between_ids
    required = _chosen(db, kit, placement_ids, of_two, studies.view(db, visit_id) is not None)
    if list(was.rows) == required:
        raise ConflictError("The visit has these placements, in their latest revisions, already.")
    _require(db, visit_id, required)
    change = " to ".join(
        ", ".join(f'"{row.name}" revision {row.revision}' for row in rows) for rows in (was.rows, required)
    )
    _changed(db, caller, visit, f"Placements changed from {change}: {why}", again)
    return visit


def correct_vehicle(db: Session, caller: Caller, visit_id: str, correction: VehicleCorrection) -> Visit:
    """Correct the vehicle's facts; closed rounds are measured again, for the vehicle is one and the same."""
    of_a_vehicle(db, visit_id)
    visit = still_open(db, visit_id)
    why = said(correction.reason, "reason", "Say why the vehicle's facts are corrected.")
    facts = checked(correction.vehicle, correction.odometer_km, correction.vin)
    doubts = confirmed_doubts(facts.doubts, correction.confirmed)
    lines = changes(_facts(visit), _facts(facts))
    if not lines:
        raise ConflictError("Nothing differs from what the visit has already.")
    is_measured_with = facts.vehicle != visit.vehicle
    visit.vehicle, visit.odometer_km, visit.vin = facts.vehicle, facts.odometer_km, facts.vin
    for doubt in doubts:
        deviate(db, caller, visit_id, f"Confirmed: {doubt}")
    _changed(db, caller, visit, f"Vehicle corrected ({'; '.join(lines)}): {why}", is_measured_with)
    return visit


def _facts(of: Visit | VehicleFacts) -> dict[str, Any]:
    return {"vehicle": of.vehicle, "odometer_km": of.odometer_km, "vin": of.vin}


def clamps_off(
    db: Session, caller: Caller, visit_id: str, wheels: Sequence[str], reason: str, from_round: int | None
) -> None:
    """Say that clamps were taken off after a check: from a round on, what it found of them holds no more.

    Args:
        from_round: The first round without them; none: the one that is open, or else the next.

    Raises:
        ConflictError: The visit is signed, or no check says anything of such a clamp.
    """
    still_open(db, visit_id)
    why = said(reason, "says", "Say why the clamp was taken off, e.g. that it slipped.")
    before = rounds.of_visit(db, visit_id)
    standing = next((one.number for one in before if one.closed_at is None), len(before) + 1)
    number = standing if from_round is None else from_round
    check = clampchecks.latest(db, visit_id, len(before) + 1)
    known = set(check.found["seats"]) if check is not None else set()
    unknown = [wheel for wheel in wheels if wheel not in known]
    if check is None or unknown or not wheels:
        raise ConflictError(
            "No check says how that clamp hangs, so nothing changes when it is taken off. Choose one "
            "that was checked."
        )
    if not check.after < number <= len(before) + 1:
        raise NotAcceptedError(
            f"The clamps were checked in round {check.after}. Name a later round, up to {len(before) + 1}.",
            "from_round",
        )
    for wheel in wheels:
        db.add(
            ClampOff(
                visit_id=visit_id, wheel=wheel, from_round=number, says=why, by=caller.person_id, at=now()
            )
        )
    db.flush()
    results.clamps_changed(db, visit_id)
    tell(db, visit_id, "visits")


def name_deviation(db: Session, caller: Caller, visit_id: str, says: str) -> None:
    """Name something that was done otherwise, in the person's own words."""
    still_open(db, visit_id)
    deviate(db, caller, visit_id, said(says, "says", "Say what was done otherwise."))
    tell(db, visit_id, "deviations")


def _changed(db: Session, caller: Caller, visit: Visit, says: str, again: bool) -> None:
    deviate(db, caller, visit.id, says)
    db.flush()
    if again:
        rounds.measure_again(db, visit.id)
    tell(db, visit.id, "visits")
