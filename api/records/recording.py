"""A visit's rows -> what its record says of it (plumbsight.record/1), before it is signed.

The same function serves signing and checking: what it gathers from the tables of a signed visit must be
what the record says.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.photos.work import unpack
from api.tables import (
    Arrival,
    ClampOff,
    Condition,
    Deviation,
    KitRevision,
    Measured,
    Person,
    PhotoFile,
    PlacementRevision,
    Round,
    Study,
    Visit,
)
from api.visits import inputs, proofs
from api.visits.clampchecks import BEFORE
from api.visits.conditions import CONDITIONS
from calib_data.record import LOOKS, RECORD
from calib_data.sheets import SECOND_CHECK
from calib_data.visit import Asked, Whole, counting_looks, whole_of
from vision.decide import P_PROOF

Json = dict[str, Any]

COVERS = (
    "It covers the place of the target relative to the vehicle, as the photos showed it, and nothing else: "
    "not the sensor, its mounting or its calibration, not whether the required values are right for this "
    f"vehicle. {SECOND_CHECK}"
)
STUDY = "a study, no proof of a job"
STUDY_COVERS = (
    "It covers how far rounds of one set-up agree, for a study. It is no proof that a target stood as "
    f"required: nothing is decided, whatever single rounds came to. {SECOND_CHECK}"
)
UNMEASURED = "It was closed without measuring."
ROLLED_NEXT = "Its photos count with those after the vehicle was rolled."
RULE = (
    "A value conforms if it lies within its tolerance with a probability of at least 95 %, does not conform "
    "if with at most 5 %, and is undecided between (ISO 14253-1, JCGM 106). What must be measured and was "
    "not is undecided, and so is a whole whose photos contradict themselves. With a kit that a proof flagged "
    "nothing is decided."
)


def facts(db: Session, visit: Visit) -> Json:
    """All that the tables say of a visit, in the record's words; without chain, shop and signature."""
    rounds = list(db.scalars(select(Round).where(Round.visit_id == visit.id).order_by(Round.number)))
    told = [_round(db, one) for one in rounds]
    required = _required(db, visit)
    whole = whole_of(told, asked_of(required))
    photos = list(_photos(db, visit, rounds))
    conditions = _conditions(db, visit)
    study = _study(db, visit)
    made: Json = {
        "format": RECORD,
        "decision": "none" if study else whole.decision,
        "says": study_words(study, told) if study else whole.says,
        "covers": STUDY_COVERS if study else COVERS,
        "visit": _visit(visit, told, photos),
        "study": study,
        "kit": _kit(db, visit),
        "proof": _standing(db, visit),
        "proofs": _proofs(db, visit),
        "placements": required["placements"],
        "relations": required["relations"],
        "shifts": list(_shifts(required["shifts"], whole)),
        "conditions": conditions,
        "deviations": _deviations(db, visit),
        "rounds": told,
        "clamps_off": _clamps_off(db, visit),
        "photos": photos,
        "phones": _phones(photos),
        "rule": _rule(whole),
        "not_checked": _not_checked(counting_looks(told, whole.counted), conditions),
        "cautions": _cautions(told, photos, whole),
    }
    return made | {"people": _people(db, made)}


# --- decision -----------------------------------------------------------------------------------


def asked_of(record: Json) -> Asked:
    """What a record says was required; an older one knows placements only."""
    relations, shifts = ([one["file"] for one in record.get(key, ())] for key in ("relations", "shifts"))
    return Asked(record["placements"], relations, shifts)


def study_words(study: Json, rounds: Sequence[Json]) -> str:
    """E.g. "a study, no proof of a job: 6 rounds of board at 2.5 m"."""
    n = len(rounds)
    return f"{STUDY}: {n} {'round' if n == 1 else 'rounds'} of {study['set_up']}"


def is_demo(record: Json) -> bool:
    """Whether anything in it is for demonstration only."""
    required = [one for key in ("placements", "relations", "shifts") for one in record.get(key, ())]
    return record["kit"]["is_demo"] or any(one["is_demo"] for one in required)


# --- parts --------------------------------------------------------------------------------------


def _visit(visit: Visit, rounds: Sequence[Json], photos: Sequence[Json]) -> Json:
    return {
        "id": visit.id,
        "store_id": visit.store_id,
        "number": visit.number,
        "slip": visit.slip,
        "bay": visit.bay,
        "begun_by": visit.begun_by,
        "begun_at": visit.begun_at,
        "vehicle": visit.vehicle,
        "odometer_km": visit.odometer_km,
        "vin": visit.vin,
        "identity": _identity(visit.slip, rounds, photos),
    }


def _study(db: Session, visit: Visit) -> Json | None:
    row = db.get(Study, visit.id)
    return {"name": row.name, "set_up": row.set_up, "varies": row.varies} if row else None


def _identity(slip: str, rounds: Sequence[Json], photos: Sequence[Json]) -> str:
    """Which rounds show the visit's slip; the others rest on the person's word."""
    shown = {p["round"] for p in photos if p["slip_seen"] == slip}
    without = [one["number"] for one in rounds if one["number"] not in shown]
    if not without:
        return "The visit's slip is in a photo of each round."
    of = "each round" if not shown else f"round {', '.join(map(str, without))}"
    return f"In {of}, no photo shows the visit's slip: that it is this vehicle rests on the person alone."


def _kit(db: Session, visit: Visit) -> Json:
    row = db.get_one(KitRevision, (visit.kit_id, visit.kit_revision))
    return _revision(row, row.kit_id) | {"file": row.file}


def _standing(db: Session, visit: Visit) -> Json:
    """How the kit stands by its proofs, in words, and when the next one is due."""
    told = proofs.for_record(db, visit)
    n_changed = proofs.n_changed(db, visit.kit_id, told, visit.kit_revision)
    due = proofs.due(db, visit.kit_id, told)
    return {
        "says": [*proofs.in_words(told, visit.kit_revision, n_changed), *proofs.due_words(due)],
        "is_flagged": proofs.flagging(told) is not None,
        "due": due.isoformat() if due else None,
    }


def _proofs(db: Session, visit: Visit) -> list[Json]:
    return [
        {"id": row.id, "kit_revision": row.kit_revision, "by": row.by, "at": row.at, "file": row.file}
        for row in proofs.for_record(db, visit)
    ]


def _required(db: Session, visit: Visit) -> dict[str, list[Json]]:
    """Placements, relations and shifts, each with who entered it and by which procedure."""
    required = inputs.required_of(db, visit.id)
    return {
        kind: [
            _revision(row, row.placement_id)
            | {
                "procedure_title": row.procedure_title,
                "procedure_edition": row.procedure_edition,
                "family": row.family,
                "file": row.file,
            }
            for row in getattr(required, kind)
        ]
        for kind in ("placements", "relations", "shifts")
    }


def _shifts(required: Sequence[Json], whole: Whole) -> Iterator[Json]:
    """Each shift with its two rounds, and what it comes to."""
    for one, decided in zip(required, whole.shifts, strict=True):
        came_to = {"before_round": decided.before, "after_round": decided.after, **decided.result}
        yield one | {"came_to": came_to}


def _revision(row: KitRevision | PlacementRevision, own_id: str) -> Json:
    return {
        "id": own_id,
        "revision": row.revision,
        "name": row.name,
        "is_demo": row.is_demo,
        "says": row.says,
        "confirmed": row.confirmed,
        "by": row.by,
        "at": row.at,
    }


def _conditions(db: Session, visit: Visit) -> list[Json]:
    """What was said, in order, then what nobody said anything of."""
    rows = db.scalars(select(Condition).where(Condition.visit_id == visit.id).order_by(Condition.seq))
    said = [
        {"name": r.name, "asks": CONDITIONS.get(r.name, ""), "state": r.state, "value": r.value}
        | {"by": r.by, "at": r.at}
        for r in rows
    ]
    unsaid = [name for name in CONDITIONS if name not in {one["name"] for one in said}]
    nothing = {"state": "not_checked", "value": "", "by": None, "at": None}
    return said + [{"name": name, "asks": CONDITIONS[name], **nothing} for name in unsaid]


def _deviations(db: Session, visit: Visit) -> list[Json]:
    rows = db.scalars(select(Deviation).where(Deviation.visit_id == visit.id).order_by(Deviation.seq))
    return [{"says": r.says, "by": r.by, "at": r.at} for r in rows]


def _clamps_off(db: Session, visit: Visit) -> list[Json]:
    rows = db.scalars(select(ClampOff).where(ClampOff.visit_id == visit.id).order_by(ClampOff.seq))
    own = ("wheel", "from_round", "says", "by", "at")
    return [{key: getattr(row, key) for key in own} for row in rows]


def _round(db: Session, row: Round) -> Json:
    measured = list(
        db.scalars(select(Measured).where(Measured.round_id == row.id).order_by(Measured.seq.desc()))
    )
    last = measured[0] if measured else None
    is_look = row.kind in LOOKS
    unmeasured = ROLLED_NEXT if row.kind == BEFORE else UNMEASURED
    return {
        "id": row.id,
        "number": row.number,
        "kind": row.kind,
        "opened_by": row.opened_by,
        "opened_at": row.opened_at,
        "closed_by": row.closed_by,
        "closed_at": row.closed_at,
        "standing": row.standing,
        "state": last.state if last else "not_asked",
        "says": last.says if last else unmeasured,
        "asked_at": last.asked_at if last else None,
        "done_at": last.done_at if last else None,
        "inputs": last.inputs if last else {},
        "result": last.result if last and is_look else None,
        "clamps": last.result if last and not is_look else None,
        "observations": unpack(last.observations) if last and last.observations else None,
        "earlier": [_earlier(one, is_look) for one in reversed(measured[1:])],
    }


def _earlier(row: Measured, is_look: bool) -> Json:
    times = {"asked_at": row.asked_at, "done_at": row.done_at}
    told = {"result": row.result if is_look else None, "clamps": None if is_look else row.result}
    return {**times, "state": row.state, "says": row.says, **told}


def _photos(db: Session, visit: Visit, rounds: Sequence[Round]) -> Iterator[Json]:
    number = {one.id: one.number for one in rounds}
    rows = db.execute(
        select(Arrival, PhotoFile)
        .join(PhotoFile, PhotoFile.sha256 == Arrival.sha256)
        .where(Arrival.visit_id == visit.id)
        .order_by(Arrival.seq)
    )
    for a, file in rows:
        yield {
            "id": a.id,
            "name": a.name,
            "round": number[a.round_id] if a.round_id else None,
            "sent_to_round": number[a.sent_to_round_id],
            "sha256": file.sha256,
            "came_as_sha256": file.came_as_sha256,
            "taken_out": file.taken_out,
            "n_bytes": file.n_bytes,
            "kind": file.kind,
            "size_px": file.size_px,
            "exif": file.exif,
            "by": a.by,
            "at": a.at,
            "state": a.state,
            "remarks": a.remarks,
            "seen": a.seen,
            "tray_reason": a.tray_reason,
            "refused_reason": a.refused_reason,
            "refused_by": a.refused_by,
            "placed_by": a.placed_by,
            "decided_at": a.decided_at,
            "slip_seen": a.slip_seen,
            "removed_at": file.removed_at,
        }


def _phones(photos: Iterable[Json]) -> list[str]:
    """The cameras that the photos of the rounds name, each once."""
    named: list[str] = []
    for photo in photos:
        words = [str(photo["exif"].get(key) or "").strip() for key in ("make", "model")]
        label = " ".join(word for word in words if word) or "a camera that its photos do not name"
        if photo["round"] is not None and label not in named:
            named.append(label)
    return named


def _rule(whole: Whole) -> Json:
    joint = [
        {"placement": one.name, **one.part["joint"]}
        for one in whole.counted
        if one.part is not None and "joint" in one.part
    ]
    limits = {"conforming_from_p": P_PROOF, "nonconforming_to_p": round(1 - P_PROOF, 9)}
    return {"says": RULE, **limits, "joint": joint}


def _not_checked(looks: Sequence[Json], conditions: Sequence[Json]) -> list[str]:
    """What the results that count leave open, and the conditions that nobody looked at."""
    left_open = [says for one in looks if one["result"] for says in one["result"].get("not_checked", ())]
    latest = {one["name"]: one for one in conditions}
    unchecked = [one for one in latest.values() if one["state"] == "not_checked"]
    words = [f"{one['name'].replace('_', ' ')}: {one['asks']}".removesuffix(": ") for one in unchecked]
    return [*dict.fromkeys(left_open), *words]


def _cautions(rounds: Sequence[Json], photos: Sequence[Json], whole: Whole) -> list[str]:
    results = [one["result"] or {} for one in rounds]
    said = list(dict.fromkeys(result["caution"] for result in results if result.get("caution")))
    for one, result in zip(rounds, results, strict=True):
        failed = [f"{t['name']}: {t['says']}" for t in result.get("tests", ()) if not t["ok"]]
        said += [f"Round {one['number']}: {words}" for words in (*failed, *result.get("warnings", ()))]
        if one["result"] is None and one["clamps"] is None and one["kind"] != BEFORE:
            said.append(f"Round {one['number']} gave no result: {one['says']}")
    said += [f"{shift.name}: {says}" for shift in whole.shifts for says in shift.missing]
    removed = sum(1 for p in photos if p["removed_at"])
    if removed:
        said.append(f"{removed} of {len(photos)} photos were removed by order before signing.")
    return said


def _people(db: Session, record: Json) -> list[Json]:
    ids = sorted(set(_ids_of_people(record)))
    rows = db.scalars(select(Person).where(Person.id.in_(ids)).order_by(Person.id))
    return [{"id": p.id, "name": p.name, "role": p.role} for p in rows]


_PEOPLE = ("by", "begun_by", "opened_by", "closed_by", "placed_by", "refused_by")
_NOBODY = ("file", "inputs", "result", "observations")  # large, and they know nobody


def _ids_of_people(value: Any) -> Iterator[str]:
    """Every id under a key that names a person."""
    if isinstance(value, dict):
        for key, part in value.items():
            if key in _PEOPLE:
                yield from (part,) if part else ()
            elif key not in _NOBODY:
                yield from _ids_of_people(part)
    elif isinstance(value, list):
        for part in value:
            yield from _ids_of_people(part)
