"""Routes: rounds that were measured again, listed, plotted, taken away and judged."""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Query, Response
from fastapi.responses import FileResponse, StreamingResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.background import BackgroundTask

from api.access import people
from api.access.guard import Reviewer
from api.context import TheService
from api.photos import photofiles
from api.records import chain, reviewing
from api.review import remeasured, taking_away
from api.review.remeasured import Order, Wanted, results_of
from calib_data.record import ReviewedMeasuring
from calib_data.results import Round

router = APIRouter(prefix="/api/review", tags=["review"])

_Text = Annotated[str, Query(max_length=200)]
_Day = Annotated[str, Query(max_length=10, pattern=r"^([0-9]{4}-[0-9]{2}-[0-9]{2})?$")]


def wanted(
    bay: _Text = "",
    kit_name: _Text = "",
    phone: _Text = "",
    vehicle: _Text = "",
    decision_today: _Text = "",
    outcome: _Text = "",
    study: _Text = "",
    since: _Day = "",
    until: _Day = "",
    named: _Text = "",
) -> Wanted:
    """Which rounds, as an address says it."""
    return Wanted(bay, kit_name, phone, vehicle, decision_today, outcome, study, since, until, named)


TheWanted = Annotated[Wanted, Depends(wanted)]


class Remeasured(BaseModel):
    """A round of a re-check's results. `wheelbase_off`: measured over declared, less 1."""

    model_config = ConfigDict(from_attributes=True)
    id: int
    round_id: str
    visit: int | None
    taken: str | None
    bay: str | None
    kit_name: str | None
    phone: str | None
    vehicle: str | None
    study: str | None
    set_up: str | None
    decision_signed: str | None
    decision_today: str | None
    outcome: str
    says: str
    wheelbase_off: float | None
    residual_ratio: float | None
    redundancy: float | None
    n_photos: int | None
    largest_off_u: float | None


class RoundsPage(BaseModel):
    """A page of rounds; `after` asks for the next one, empty: there is none."""

    rows: list[Remeasured]
    after: str
    n: int = Field(description="How many there are; 10001: more than are counted.")


class VerdictBody(BaseModel):
    model_config = ConfigDict(extra="forbid")
    verdict: Literal["sound", "doubtful", "wrong"]
    words: str = Field("", max_length=2000, examples=["The wheelbase is that of another vehicle."])
    pin: str = Field(max_length=200, description="The caller's PIN or password, asked again.")


class Reviewed(BaseModel):
    """The entry, and the head that ends with it."""

    round_id: str
    seq: int
    at: str
    head: str


@router.get("/rounds")
def rounds(
    service: TheService,
    caller: Reviewer,
    which: TheWanted,
    order: Order = "taken",
    down: bool = True,
    after: Annotated[str, Query(max_length=100)] = "",
) -> RoundsPage:
    """Rounds that were measured again, a page at a time."""
    with results_of(service) as db:
        found = remeasured.page(db, which, order, down, after)
        rows = [Remeasured.model_validate(row) for row in found.rows]
    return RoundsPage(rows=rows, after=found.after, n=found.n)


def _file(media_type: str) -> dict[int | str, dict[str, Any]]:
    return {200: {"content": {media_type: {}}, "description": "The file."}}


@router.get("/rounds.csv", response_class=Response, responses=_file("text/csv"))
def as_csv(service: TheService, caller: Reviewer, which: TheWanted) -> StreamingResponse:
    """The filtered rounds, all of them, as CSV."""
    pieces = taking_away.as_csv(remeasured.path_of(service), which)
    return StreamingResponse(pieces, media_type="text/csv", headers=_saved_as("rounds.csv"))


@router.get("/rounds.parquet", response_class=FileResponse, responses=_file("application/vnd.apache.parquet"))
def as_parquet(service: TheService, caller: Reviewer, which: TheWanted) -> FileResponse:
    """The filtered rounds, all of them, as Parquet."""
    path = photofiles.incoming(service.store)
    try:
        taking_away.write_parquet(remeasured.path_of(service), which, path)
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    done = BackgroundTask(path.unlink, missing_ok=True)
    kind = "application/vnd.apache.parquet"
    return FileResponse(path, media_type=kind, filename="rounds.parquet", background=done)


def _saved_as(name: str) -> dict[str, str]:
    return {"Content-Disposition": f'attachment; filename="{name}"'}


@router.get("/plots/{name}", response_class=Response, responses=_file("image/svg+xml"))
def plot(name: taking_away.PlotName, service: TheService, caller: Reviewer, which: TheWanted) -> Response:
    """A plot of the latest of the filtered rounds."""
    with results_of(service) as db:
        svg = taking_away.plot(db, which, name)
    return Response(svg, media_type="image/svg+xml")


@router.post("/rounds/{row_id}/verdict", status_code=201)
def verdict(row_id: int, body: VerdictBody, service: TheService, caller: Reviewer) -> Reviewed:
    """Say what the round is worth, as an entry of the chain; said again otherwise, the last one counts.

    No idempotency key: what is kept of a request would help to guess the PIN. The same words are one entry.
    """
    people.check_pin(service.store, caller.person_id, body.pin)
    with results_of(service) as db:
        row = remeasured.one_round(db, row_id).row
        round_id, measured = row.round_id, _measured(row)
    with service.store.writing() as db:
        entry = reviewing.write(db, service.store.id, caller, round_id, measured, body.verdict, body.words)
        return Reviewed(round_id=round_id, seq=entry.seq, at=entry.at, head=chain.code(entry.sha256))


def _measured(row: Round) -> ReviewedMeasuring:
    names = ("archive", "set_id", "number", "mode", "fingerprint", "software", "outcome")
    return ReviewedMeasuring(**{name: getattr(row, name) for name in names}, decision=row.decision_today)
