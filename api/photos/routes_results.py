"""Routes: results of rounds, what a round lacks while its photos arrive, and two rounds side by side."""

from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, Field
from sqlalchemy.orm import Session

from api.access.guard import Technician
from api.context import TheService
from api.idempotency import Once
from api.photos import coaching
from api.photos.coach_question import question_of
from api.problems import ConflictError, NotThereError
from api.tables import Measured
from api.visits import results, rounds, visit_rows
from calib_data.compare import RoundsCompared

router = APIRouter(prefix="/api", tags=["results"])


class RoundResult(BaseModel):
    """The latest measuring of a round."""

    round_id: str
    state: str = Field(description="none, waiting, done, not_enough or failed", examples=["done"])
    says: str = Field(description="Why there is no result, and what to do.", examples=[""])
    asked_at: str | None
    done_at: str | None
    result: dict[str, Any] | None = Field(
        description="plumbsight.result/1, or of a round after rolling plumbsight.clamps/1"
    )


@router.get("/rounds/{round_id}/result")
def result(round_id: str, service: TheService, caller: Technician) -> RoundResult:
    """What a round's photos say, or why nothing yet."""
    with service.store.reading() as db:
        rounds.get(db, round_id)
        return _view(round_id, results.latest(db, round_id))


@router.post("/rounds/{round_id}/result", status_code=202, response_model=RoundResult)
def measure_again(round_id: str, caller: Technician, once: Once) -> Response:
    """Ask for a closed round's measuring once more, with kit and placements as they are now."""

    def act(db: Session) -> RoundResult:
        one = rounds.get(db, round_id)
        visit_rows.still_open(db, one.visit_id)
        if one.closed_at is None:
            raise ConflictError("The round is still open for photos. Close it; then it is measured.")
        return _view(round_id, results.ask(db, round_id))

    return once.do(202, act)


@router.get("/rounds/{round_id}/coach")
def coach(
    round_id: str,
    service: TheService,
    caller: Technician,
) -> coaching.RoundCoaching:
    """What a round's photos come to so far, whether that is enough for all its placements, and the next one.

    Photos that were not looked at yet do not count. Nothing of it is stored.
    """
    with service.store.reading() as db:
        question, n_waiting = question_of(db, round_id)
    return service.jobs.coach(question).model_copy(update={"n_waiting": n_waiting})


@router.get("/visits/{visit_id}/compare")
def compare(
    visit_id: str,
    service: TheService,
    caller: Technician,
    before: Annotated[str, Query(description="The earlier round's id.")],
    after: Annotated[str, Query(description="The later round's id.")],
) -> RoundsCompared:
    """What changed from one round to another, with the joint uncertainty, and whether the vehicle moved."""
    with service.store.reading() as db:
        if rounds.get(db, before).visit_id != visit_id:
            raise NotThereError("There is no such round in this visit.")
        return results.compare(db, before, after)


def _view(round_id: str, row: Measured | None) -> RoundResult:
    if row is None:
        return RoundResult(round_id=round_id, state="none", says="", asked_at=None, done_at=None, result=None)
    return RoundResult(
        round_id=round_id,
        state=row.state,
        says=row.says,
        asked_at=row.asked_at,
        done_at=row.done_at,
        result=row.result,
    )
