"""Rounds: a walk with the phone, opened and closed for photos; one open at a time, none opened again.

A round is a look at the target (`LOOKS` of calib_data.record), or its kind says what else it is for; of a
visit only looks decide. A look is at all of the visit's placements, or at those that are said to stand in
it: a board near in one round, the same board far in the next.
"""

from collections.abc import Sequence

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from api.context import Caller
from api.problems import ConflictError, NotAcceptedError, NotThereError
from api.store import now, tell
from api.tables import Arrival, Measured, PlacementRevision, Round
from api.visits import inputs, results, studies
from api.visits.clampchecks import AFTER, BEFORE
from api.visits.revisions import said
from api.visits.visit_rows import deviate, of_a_vehicle, open_next_round, still_open
from calib_data.record import LOOKS, REPEAT

_NOT_OF_A_STUDY = (
    "In a study every round is a repeat: nothing is corrected or rolled in between. Open a repeat."
)
KINDS = {
    "first": "first look",
    "after_correction": "look after a correction",
    "after_calibration": "last look after the calibration",
    BEFORE: "check of the clamps, before rolling",
    AFTER: "check of the clamps, after rolling",
    REPEAT: "repeat of a study",
}


def get(db: Session, round_id: str) -> Round:
    """The round of this id."""
    found = db.get(Round, round_id)
    if found is None:
        raise NotThereError("There is no such round. Open it from its visit.")
    return found


def of_visit(db: Session, visit_id: str) -> list[Round]:
    """A visit's rounds, in order."""
    return list(db.scalars(select(Round).where(Round.visit_id == visit_id).order_by(Round.number)))


def kinds_to_open(before: list[Round], *, of_study: bool = False) -> list[str]:
    """Which kinds the next round may have, the likeliest first; none while one is open.

    The first look may be repeated, since it may fail, until something was corrected or calibrated. The clamps
    may be checked at any time: rolling the vehicle then makes a new look necessary. A study has repeats
    alone, since nothing is to be touched in between.
    """
    if any(one.closed_at is None for one in before):
        return []
    if of_study:
        return [REPEAT]
    looks = [one.kind for one in before if one.kind in LOOKS]
    first, *others = (kind for kind in LOOKS if kind != REPEAT)
    may_look = [first] if not looks else [first, *others] if set(looks) == {first} else others
    if before and before[-1].kind == BEFORE:
        return [AFTER, BEFORE, *may_look]
    return [*may_look, BEFORE]


def open(  # noqa: A001 - read as rounds.open
    db: Session, caller: Caller, visit_id: str, kind: str, placement_ids: list[str] | None = None
) -> Round:
    """Open the next round of a visit for photos.

    Args:
        placement_ids: Those of the visit's placements that stand there now; none: all.

    Raises:
        NotAcceptedError: None stands there, or one that the visit does not check.
        ConflictError: The visit is signed, a round is open, or this kind does not come next.
    """
    of_a_vehicle(db, visit_id)
    visit = still_open(db, visit_id)
    if kind not in KINDS:
        raise NotAcceptedError(f'"{kind}" is no kind of round. Choose one of {", ".join(KINDS)}.', "kind")
    before = of_visit(db, visit_id)
    unclosed = next((one for one in before if one.closed_at is None), None)
    if unclosed is not None:
        raise ConflictError(
            f"Round {unclosed.number} of visit {visit.number} is open. Close it first: only one round takes "
            "photos at a time."
        )
    of_study = studies.is_one(db, visit_id)
    if kind not in kinds_to_open(before, of_study=of_study):
        raise ConflictError(_NOT_OF_A_STUDY if of_study else _why_not(kind, before))
    standing = _standing(db, visit_id, placement_ids) if kind in LOOKS else None
    return open_next_round(db, visit_id, kind, caller, standing)


def stand(
    db: Session, caller: Caller, round_id: str, placement_ids: list[str] | None, reason: str = ""
) -> Round:
    """Say which of the visit's placements stand in a round, after all.

    Of a closed round this is a named deviation, and it is measured again.

    Raises:
        ConflictError: The visit is signed, it is no look at a target, or nothing would change.
        NotAcceptedError: As of `open`, or a closed round's reason is missing.
    """
    one = get(db, round_id)
    of_a_vehicle(db, one.visit_id)
    still_open(db, one.visit_id)
    if one.kind not in LOOKS:
        raise ConflictError(f"Round {one.number} checks the clamps, whatever stands there.")
    standing = _standing(db, one.visit_id, placement_ids)
    if standing == one.standing:
        raise ConflictError(f"Round {one.number} has it so already.")
    required = inputs.required_of(db, one.visit_id)
    was = _names(inputs.standing_in(required, one).placements)
    wanted = "Say why another target stood there than was said before."
    why = said(reason, "reason", wanted) if one.closed_at is not None else ""
    one.standing = standing
    if one.closed_at is not None:
        stood = _names(inputs.standing_in(required, one).placements)
        deviate(db, caller, one.visit_id, f"In round {one.number} stood {stood}, not {was}: {why}")
    db.flush()
    if results.latest(db, round_id) is not None:
        results.ask(db, round_id)
    tell(db, one.visit_id, "rounds")
    return one


def _names(rows: Sequence[PlacementRevision]) -> str:
    return ", ".join(f'"{row.name}"' for row in rows)


def _standing(db: Session, visit_id: str, placement_ids: list[str] | None) -> list[str] | None:
    """The ids in the visit's order; none where they are all of them."""
    ids = [row.placement_id for row in inputs.required_of(db, visit_id).placements]
    if placement_ids is None or set(placement_ids) == set(ids):
        return None
    if not placement_ids:
        says = "Choose at least one placement whose target stands there now."
        raise NotAcceptedError(says, "placement_ids")
    if not set(ids).issuperset(placement_ids):
        says = "One of these placements is not checked by the visit. Choose among those that it checks."
        raise NotAcceptedError(says, "placement_ids")
    return [one for one in ids if one in placement_ids]


def _why_not(kind: str, before: list[Round]) -> str:
    """Why a round of this kind may not come next."""
    if kind == AFTER:
        return "No photos were taken before rolling the vehicle. Take those first, then roll it."
    if kind == REPEAT:
        return "Repeats are rounds of a study. Begin a study for them: this visit is a job."
    looks = [one for one in before if one.kind in LOOKS]
    if not looks:
        return "A visit begins with a first look. Open that one."
    return (
        f"Round {looks[-1].number} was a {KINDS[looks[-1].kind]}, so a first look is over. Open a "
        f"{KINDS['after_correction']} or a {KINDS['after_calibration']}."
    )


def close(db: Session, caller: Caller, round_id: str) -> Round:
    """Close a round for photos and ask for its measuring.

    Raises:
        ConflictError: It is closed already, or its visit is signed.
    """
    one = get(db, round_id)
    still_open(db, one.visit_id)
    if one.closed_at is not None:
        raise ConflictError(
            f"Round {one.number} is closed already, and is not opened again. Open the next round instead."
        )
    one.closed_at, one.closed_by = now(), caller.person_id
    db.flush()
    n_photos = db.scalar(select(func.count()).select_from(Arrival).where(Arrival.round_id == round_id))
    if n_photos and one.kind != BEFORE:
        results.ask(db, round_id)
    elif not n_photos:
        deviate(db, caller, one.visit_id, f"Round {one.number} was closed without a photo.")
    tell(db, one.visit_id, "rounds")
    return one


def measure_again(db: Session, visit_id: str) -> None:
    """Ask for the measuring of every round that was measured, or is about to be, with what holds now."""
    asked = (
        select(Measured.round_id).join(Round, Round.id == Measured.round_id).where(Round.visit_id == visit_id)
    )
    for round_id in sorted(set(db.scalars(asked))):
        results.ask(db, round_id)
