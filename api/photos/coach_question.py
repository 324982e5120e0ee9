"""The tables -> what to ask the coach of a round."""

from typing import Literal

from sqlalchemy.orm import Session

from api.photos.coaching import Asked
from api.problems import ConflictError
from api.visits import inputs, results, rounds
from calib_data.record import LOOKS


def question_of(db: Session, round_id: str, unit: Literal["mm", "in"] = "mm") -> tuple[Asked, int]:
    """What to ask the coach of a round, and how many of its photos wait to be looked at.

    Raises:
        NotThereError, ConflictError: There is no such round, or it checks the clamps.
    """
    kind = rounds.get(db, round_id).kind
    given = inputs.of_round(db, round_id)
    if kind not in LOOKS:
        raise ConflictError("This round checks the clamps: what to photograph is said on its page.")
    photos = results.photos_of(db, round_id)
    asked = Asked(
        round_id,
        given["kit"]["file"],
        given["vehicle"],
        tuple(one["file"] for one in given["placements"]),
        tuple(photo.found for photo in photos if photo.found is not None),
        unit,
        tuple(one["file"] for one in given.get("relations", ())),
    )
    return asked, sum(photo.state == "waiting" for photo in photos)
