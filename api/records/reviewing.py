"""What a reviewer makes of a round that was measured again: a later entry of the chain.

The results of a re-check lie outside the store and can be made anew; the entry says which measuring it was.
"""

from collections.abc import Mapping

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.context import Caller
from api.problems import NotAcceptedError
from api.records import chain
from api.store import tell
from api.tables import Entry, Round
from calib_data.record import REVIEW, ReviewedMeasuring, ReviewFile

REVIEW_KIND = "review"
FEWEST_WORDS = 4  # characters, where a round is not simply sound


def write(
    db: Session,
    store_id: str,
    caller: Caller,
    round_id: str,
    measured: ReviewedMeasuring,
    verdict: str,
    words: str,
) -> Entry:
    """Say it in the chain; of a round that this store has, with its visit.

    Sent again with the same words by the same person, of the same measuring, it is the same entry.

    Raises:
        NotAcceptedError: A round is doubted and nobody says why.
    """
    words = tidy(words)
    if verdict != "sound" and len(words) < FEWEST_WORDS:
        raise NotAcceptedError("Say what is wrong with the round: the entry keeps it.", "words")
    body = {
        "format": REVIEW,
        "round_id": round_id,
        "measured": measured.model_dump(),
        "verdict": verdict,
        "words": words,
        "by": caller.person_id,
        "name": caller.name,
        "role": caller.role,
    }
    before = latest(db).get(round_id)
    if before is not None and _without_place(before) == body:
        return before
    row = db.get(Round, round_id)
    entry = chain.append(db, store_id, REVIEW_KIND, row.visit_id if row else None, body)
    ReviewFile.model_validate(chain.body_of(entry))
    if row is not None:
        tell(db, row.visit_id, "review")
    return entry


def tidy(words: str) -> str:
    """A note as the entry keeps it."""
    return " ".join(words.split())


def latest(db: Session) -> Mapping[str, Entry]:
    """The last entry of each round that was reviewed, by the round's id."""
    entries = db.scalars(
        select(Entry).where(Entry.kind == REVIEW_KIND, Entry.body.is_not(None)).order_by(Entry.at)
    )
    return {chain.body_of(entry)["round_id"]: entry for entry in entries}


def of_round(db: Session, round_id: str) -> list[Entry]:
    """All entries on a round, the last first."""
    entries = db.scalars(
        select(Entry).where(Entry.kind == REVIEW_KIND, Entry.body.is_not(None)).order_by(Entry.at.desc())
    )
    return [entry for entry in entries if chain.body_of(entry)["round_id"] == round_id]


def _without_place(entry: Entry) -> chain.Json:
    body = chain.body_of(entry)
    body.pop("chain")
    return body
