"""A record from another store -> the rows that pages and checks read."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.photos.work import pack
from api.problems import ConflictError
from api.records.chain import Json
from api.store import now
from api.tables import (
    Arrival,
    ClampOff,
    Condition,
    Deviation,
    Kit,
    KitRevision,
    Measured,
    Person,
    PhotoFile,
    Placement,
    PlacementRevision,
    Proof,
    Round,
    Study,
    Visit,
    VisitPlacement,
    VisitProof,
)
from api.visits import proofs

_REVISION = ("revision", "name", "is_demo", "says", "confirmed", "by", "at", "file")
_PROCEDURE = ("procedure_title", "procedure_edition", "family")


def add_visit(db: Session, record: Json) -> None:
    """Add a signed visit as its record tells it. Its people cannot sign in here; its kit is not offered.

    Raises:
        ConflictError: What it brings contradicts what is here under the same name.
    """
    for person in record["people"]:
        _add_person(db, person)
    visit, kit = record["visit"], record["kit"]
    _add_revision(db, kit, Kit, KitRevision, "kit_id", _REVISION)
    required = [one for key in ("placements", "relations", "shifts") for one in record.get(key, ())]
    for placement in required:
        _add_revision(db, placement, Placement, PlacementRevision, "placement_id", _REVISION + _PROCEDURE)
    if db.scalar(select(Visit.id).where(Visit.slip == visit["slip"])):
        raise ConflictError(f"Another visit here has the slip {visit['slip']}. Nothing was taken in.")
    own = ("id", "number", "store_id", "slip", "bay", "vehicle", "odometer_km", "vin", "begun_by", "begun_at")
    signed_at = record["signature"]["at"]
    db.add(Visit(**_some(visit, own), kit_id=kit["id"], kit_revision=kit["revision"], signed_at=signed_at))
    db.flush()
    of_visit = {"visit_id": visit["id"]}
    if record.get("study"):
        db.add(Study(**of_visit, **_some(record["study"], ("name", "set_up", "varies"))))
    for position, one in enumerate(required):
        chosen = {"placement_id": one["id"], "revision": one["revision"]}
        db.add(VisitPlacement(**of_visit, position=position, **chosen))
    for one in record["conditions"]:
        if one["at"] is not None:
            db.add(Condition(**of_visit, **_some(one, ("name", "state", "value", "by", "at"))))
    for one in record["deviations"]:
        db.add(Deviation(**of_visit, **_some(one, ("says", "by", "at"))))
    for one in record.get("clamps_off", ()):
        db.add(ClampOff(**of_visit, **_some(one, ("wheel", "from_round", "says", "by", "at"))))
    for one in record["rounds"]:
        _add_round(db, visit["id"], one)
    _add_photos(db, record)
    _add_proofs(db, record)


def _some(value: Mapping[str, Any], keys: tuple[str, ...]) -> dict[str, Any]:
    return {key: value.get(key) for key in keys}


def _add_person(db: Session, person: Json) -> None:
    if db.get(Person, person["id"]) is None:
        at = now()
        db.add(Person(**_some(person, ("id", "name", "role")), added_at=at, withdrawn_at=at))
        db.flush()


def _add_revision(
    db: Session, one: Json, whole: type[Any], table: type[Any], key: str, columns: tuple[str, ...]
) -> None:
    row = db.get(table, (one["id"], one["revision"]))
    if row is not None:
        if row.file != one["file"] or row.name != one["name"]:
            raise ConflictError(
                f"Revision {one['revision']} of {one['name']} in the zip is not the one known here. Nothing "
                "was taken in: one of the two stores was changed."
            )
        return
    if db.get(whole, one["id"]) is None:
        at = now()
        db.add(whole(id=one["id"], added_at=at, retired_at=at))
        db.flush()
    db.add(table(**{key: one["id"]}, **_some(one, columns)))
    db.flush()


def _add_proofs(db: Session, record: Json) -> None:
    """The proofs that the record tells of, without an upkeep: of a kit here they say nothing."""
    for proof in reversed(record.get("proofs", [])):
        file = proof["file"]
        if db.get(Proof, proof["id"]) is None:
            own = _some(proof, ("id", "kit_revision", "by", "at", "file"))
            verdict = {"what": file["what"], "verdict": file["verdict"]}
            kit_id, seq = record["kit"]["id"], proofs.next_seq(db)
            db.add(Proof(**own, **verdict, kit_id=kit_id, seq=seq, last_photo=0, visit_id=None))
            db.flush()
        db.add(VisitProof(visit_id=record["visit"]["id"], proof_id=proof["id"]))
    db.flush()


def _add_round(db: Session, visit_id: str, one: Json) -> None:
    own = ("id", "number", "kind", "opened_by", "opened_at", "closed_by", "closed_at", "standing")
    db.add(Round(visit_id=visit_id, **_some(one, own)))
    db.flush()
    for earlier in one["earlier"]:
        told = _some(earlier, ("state", "says", "asked_at", "done_at"))
        db.add(Measured(round_id=one["id"], inputs={}, **told, result=_came_to(earlier)))
    if one["state"] != "not_asked":
        told = _some(one, ("state", "says", "asked_at", "done_at", "inputs"))
        observations = pack(one["observations"]) if one["observations"] else None
        db.add(Measured(round_id=one["id"], **told, result=_came_to(one), observations=observations))
    db.flush()


def _came_to(one: Json) -> Json | None:
    """A measuring's result, or what a check of the clamps found."""
    return one["result"] or one.get("clamps")


def _add_photos(db: Session, record: Json) -> None:
    rounds = {one["number"]: one["id"] for one in record["rounds"]}
    found = {
        photo["sha256"]: photo
        for one in record["rounds"]
        for photo in (one["observations"] or {}).get("photos", ())
    }
    seq = db.scalar(select(func.max(Arrival.seq))) or 0
    for n, photo in enumerate(record["photos"], start=1):
        _add_file(db, photo)
        told = _some(
            photo,
            ("id", "sha256", "name", "by", "at", "state", "remarks", "seen", "tray_reason", "refused_reason")
            + ("refused_by", "placed_by", "decided_at", "slip_seen"),
        )
        is_counted = photo["round"] is not None and photo["sha256"] in found
        db.add(
            Arrival(
                **told,
                seq=seq + n,
                visit_id=record["visit"]["id"],
                round_id=rounds[photo["round"]] if photo["round"] is not None else None,
                sent_to_round_id=rounds[photo["sent_to_round"]],
                client_key=photo["id"],
                found=pack(found[photo["sha256"]]) if is_counted else None,
            )
        )
    db.flush()


def _add_file(db: Session, photo: Json) -> None:
    if db.get(PhotoFile, photo["sha256"]) is not None:
        return
    own = ("sha256", "came_as_sha256", "taken_out", "n_bytes", "kind", "size_px", "exif", "removed_at")
    db.add(PhotoFile(**_some(photo, own), stored_at=photo["at"]))
    db.flush()
