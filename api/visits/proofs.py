"""Proofs of a kit: which count, whether it is flagged, when the next one is due. None is ever removed.

A kit is flagged from a proof that missed until a proof of the same kind passes: a slide cannot show what a
bar flagged (all sheets 1 % off pass it), nor a bar what a slide did. A proof that proved nothing changes
nothing, and neither does a new revision: it may be what mends the kit, which the next proof tells.
"""

import calendar
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.access.shop import shop
from api.store import new_id, tell
from api.tables import Arrival, Kit, KitRevision, Measured, Person, Proof, Round, Visit, VisitProof
from api.visits.revisions import changes

PASSED, FLAGGED = "passed", "flagged"
BY = {"bar": "by a bar of known length", "slide": "by a slide of a known way"}
IN_WORDS = {"passed": "passed", "flagged": "flagged the kit", "undecided": "proved nothing"}


@dataclass(frozen=True)
class ProofView:
    """One proof.

    Attributes:
        what: bar or slide.
        verdict: passed, flagged, undecided.
        by: Name of who closed its photos.
        visit_id: The upkeep whose photos it rests on; none for one that came with a record.
        file: plumbsight.proof/1.
    """

    id: str
    what: str
    verdict: str
    kit_revision: int
    by: str
    at: str
    visit_id: str | None
    says: str
    file: dict[str, Any]


@dataclass(frozen=True)
class Standing:
    """How a kit stands by its proofs.

    Attributes:
        newest: The newest proof, whatever came of it.
        flagged: The proof that flagged the kit, where none of its kind has passed since.
        passed: The newest that passed.
        counted: What a record tells: of each kind the latest that passed or flagged, and the newest.
        changed: What was revised since the latest proof that passed, one line per figure.
        due: The day on which the next proof is due; none: the shop asks for none.
        says: All of it in sentences.
    """

    kit_id: str
    newest: ProofView | None
    flagged: ProofView | None
    passed: ProofView | None
    counted: list[ProofView]
    changed: list[str]
    due: str | None
    is_due: bool
    says: list[str]


def add(db: Session, file: dict[str, Any], kit_id: str, kit_revision: int, groups: Sequence[Round]) -> Proof:
    """Keep what came of a proof.

    Args:
        groups: The rounds whose photos it rests on, the last one last.
    """
    last = groups[-1]
    photos = select(func.max(Arrival.seq)).where(Arrival.round_id.in_([one.id for one in groups]))
    row = Proof(
        id=new_id(),
        seq=next_seq(db),
        last_photo=db.scalar(photos) or 0,
        kit_id=kit_id,
        kit_revision=kit_revision,
        visit_id=last.visit_id,
        what=file["what"],
        verdict=file["verdict"],
        file=file,
        by=last.closed_by or last.opened_by,
        at=last.closed_at or last.opened_at,
    )
    db.add(row)
    db.flush()
    tell(db, None, "proofs")
    return row


def next_seq(db: Session) -> int:
    """The place of the next proof in this store's order."""
    return (db.scalar(select(func.max(Proof.seq))) or 0) + 1


def of_kit(db: Session, kit_id: str) -> list[Proof]:
    """The proofs made here of a kit, that of the newest photos first.

    What other stores proved says nothing of a kit here, and old photos that are measured again do not make
    a proof newer than one of later photos.
    """
    query = select(Proof).where(Proof.kit_id == kit_id, Proof.visit_id.is_not(None))
    return list(db.scalars(query.order_by(Proof.last_photo.desc(), Proof.seq.desc())))


def of_upkeep(db: Session, visit_id: str) -> list[Proof]:
    """The proofs that came of an upkeep, the newest first."""
    return list(db.scalars(select(Proof).where(Proof.visit_id == visit_id).order_by(Proof.seq.desc())))


def flagging(rows: Sequence[Proof]) -> Proof | None:
    """The newest proof that flagged the kit and of whose kind none has passed since."""
    latest = _latest_decisive(rows)
    return next((row for row in latest if row.verdict == FLAGGED), None)


def _latest_decisive(rows: Iterable[Proof]) -> list[Proof]:
    """Of each kind the first that passed or flagged, in the order of the rows."""
    by_kind: dict[str, Proof] = {}
    for row in rows:
        if row.verdict in (PASSED, FLAGGED):
            by_kind.setdefault(row.what, row)
    return list(by_kind.values())


def counted(rows: Sequence[Proof]) -> list[Proof]:
    """What is to be told: of each kind the latest that passed or flagged, and the newest; newest first."""
    latest = _latest_decisive(rows)
    newest = [row for row in rows[:1] if row not in latest]
    return [*newest, *latest]


def distrust(db: Session, kit_id: str) -> str:
    """Why nothing is decided with a kit; empty: nothing is known against it."""
    row = flagging(of_kit(db, kit_id))
    if row is None:
        return ""
    return (
        f"The kit was flagged by a proof on {row.file['date']} ({_numbers(row.file)}), and no such proof has "
        "passed since. Values and their uncertainties are computed from this kit, so nothing is decided with "
        "it. Prove it anew, or take another kit."
    )


def _numbers(file: dict[str, Any]) -> str:
    return f"{BY[file['what']]}: {file['value']:.2f} mm measured, {file['reference']:.2f} mm known"


def for_record(db: Session, visit: Visit) -> list[Proof]:
    """The proofs that count for a visit: as they were when it was signed, else as they are now."""
    rows = counted(of_kit(db, visit.kit_id))
    if visit.signed_at is not None:
        theirs = select(VisitProof.proof_id).where(VisitProof.visit_id == visit.id)
        rows = list(db.scalars(select(Proof).where(Proof.id.in_(theirs))))
    # By time: an import may bring them in another order.
    return sorted(rows, key=lambda row: (row.at, row.id), reverse=True)


def keep_for_record(db: Session, visit: Visit) -> None:
    """Note which proofs counted; called as the visit is signed."""
    for row in counted(of_kit(db, visit.kit_id)):
        db.add(VisitProof(visit_id=visit.id, proof_id=row.id))


# --- how a kit stands -------------------------------------------------------------------------------


def standing(db: Session, kit_id: str, kit_revision: int) -> Standing:
    """How a kit stands in one of its revisions."""
    rows = of_kit(db, kit_id)
    flagged = flagging(rows)
    passed = next((row for row in rows if row.verdict == PASSED), None)
    changed = _changed(db, kit_id, passed, kit_revision) if passed else []
    day = due(db, kit_id, rows)
    told = [view(db, row) for row in counted(rows)]
    return Standing(
        kit_id=kit_id,
        newest=told[0] if told else None,
        flagged=view(db, flagged) if flagged else None,
        passed=view(db, passed) if passed else None,
        counted=told,
        changed=changed,
        due=day.isoformat() if day else None,
        is_due=day is not None and day <= _today(),
        says=[*in_words(counted(rows), kit_revision, len(changed)), *due_words(day)],
    )


def in_words(told: Sequence[Proof], kit_revision: int, n_changed: int) -> list[str]:
    """How the kit stands, in sentences, from the proofs that count."""
    if not told:
        return ["The kit has never been proved."]
    flagged = flagging(told)
    newest = told[0]
    says = [
        f"The newest proof, on {newest.file['date']} with revision {newest.kit_revision} "
        f"{_numbers(newest.file)}, {IN_WORDS[newest.verdict]}."
    ]
    if newest.verdict == PASSED:
        says[0] += f" It would have shown an error of {newest.file['shows']:.1f} mm in 95 of 100 cases."
    if flagged is not None:
        says.append(
            f"It is flagged since {flagged.file['date']}, until a proof {BY[flagged.what]} passes: nothing "
            "is decided with it."
        )
    passed = next((row for row in told if row.verdict == PASSED), None)
    if passed is not None and n_changed:
        figures = "1 figure" if n_changed == 1 else f"{n_changed} figures"
        says.append(
            f"The kit was revised since it passed (revision {passed.kit_revision} to {kit_revision}, "
            f"{figures}): of what was changed that proof says nothing."
        )
    return says


def n_changed(db: Session, kit_id: str, told: Sequence[Proof], kit_revision: int) -> int:
    """How many figures were revised between the latest of these proofs that passed and a revision."""
    passed = next((row for row in told if row.verdict == PASSED), None)
    return len(_changed(db, kit_id, passed, kit_revision)) if passed else 0


def _changed(db: Session, kit_id: str, passed: Proof, kit_revision: int) -> list[str]:
    was = db.get(KitRevision, (kit_id, passed.kit_revision))
    is_now = db.get(KitRevision, (kit_id, kit_revision))
    return changes(was.file, is_now.file) if was and is_now else []


def due(db: Session, kit_id: str, told: Sequence[Proof]) -> date | None:
    """The day on which the next proof is due, by the latest that passed; none: the shop asks for none."""
    months = shop(db).proof_months
    if months is None:
        return None
    passed = next((row for row in told if row.verdict == PASSED), None)
    if passed is None:
        return _day(db.get_one(Kit, kit_id).added_at)
    return months_after(_day(passed.at), months)


def _day(stored: str) -> date:
    return datetime.fromisoformat(stored).date()


def months_after(day: date, months: int) -> date:
    """The same day of a later month, or that month's last one."""
    year, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def due_words(day: date | None) -> list[str]:
    """When the next proof is due, as a sentence; none where the shop asks for none."""
    if day is None:
        return []
    return [f"The next proof is due {'since' if day <= _today() else 'on'} {day.isoformat()}."]


def _today() -> date:
    return datetime.now(UTC).date()


def view(db: Session, row: Proof) -> ProofView:
    person = db.get(Person, row.by)
    return ProofView(
        id=row.id,
        what=row.what,
        verdict=row.verdict,
        kit_revision=row.kit_revision,
        by=person.name if person else "",
        at=row.at,
        visit_id=row.visit_id,
        says=row.file["says"],
        file=row.file,
    )


def results_to_distrust(db: Session, kit_id: str) -> list[Measured]:
    """The latest measurings, of visits that are not signed, that were made with a kit."""
    last = select(func.max(Measured.seq)).join(Round, Round.id == Measured.round_id)
    last = last.join(Visit, Visit.id == Round.visit_id).where(Visit.signed_at.is_(None))
    rows = db.scalars(select(Measured).where(Measured.seq.in_(last.group_by(Measured.round_id))))
    return [row for row in rows if row.inputs.get("kit", {}).get("id") == kit_id]
