"""The tables -> what to ask the coach of a round."""

from typing import Literal

from sqlalchemy.orm import Session

from api.photos.coaching import Asked
from api.problems import ConflictError
from api.visits import inputs, results, rounds
from calib_data.record import LOOKS


def question_of(
    db: Session, round_id: str, placement_id: str | None, unit: Literal["mm", "in"] = "mm"
) -> tuple[Asked, int]:
    """What to ask the coach of a round, and how many of its photos wait to be looked at.

    Args:
        placement_id: One of the visit's placements; none: its first.

    Raises:
        NotThereError, ConflictError: There is no such round, or the visit does not check that placement.
    """
    kind = rounds.get(db, round_id).kind
    given = inputs.of_round(db, round_id)
    chosen = [p for p in given["placements"] if placement_id in (None, p["id"])]
    if kind not in LOOKS:
        raise ConflictError("This round checks the clamps: what to photograph is said on its page.")
    if not chosen:
        raise ConflictError("This visit does not check that placement. Choose one of the visit's.")
    photos = results.photos_of(db, round_id)
    asked = Asked(
        round_id,
        chosen[0]["id"],
        given["kit"]["file"],
        given["vehicle"],
        chosen[0]["file"],
        tuple(photo.found for photo in photos if photo.found is not None),
        unit,
    )
    return asked, sum(photo.state == "waiting" for photo in photos)
