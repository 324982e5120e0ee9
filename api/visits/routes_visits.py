"""Routes: visits, their conditions, rounds, tray and slip."""

from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy.orm import Session

from api.access.guard import Technician
from api.access.shop import shop
from api.context import TheService
from api.idempotency import Once
from api.tables import Arrival, Round
from api.visits import conditions, rounds, slips, tray, visit_rows, visits, whole
from api.visits.conditions import ConditionSaid, ConditionView
from api.visits.revisions import name_of
from api.visits.studies import StudySaid
from api.visits.visits import BeginVisit, Defaults, VehicleCorrection, VisitLine, VisitView
from calib_data.visit import Whole

router = APIRouter(prefix="/api", tags=["visits"])

_VEHICLE = {"label": "estate, white", "wheelbase_mm": 2712}
_VIN = "1G4AH59H45G118341"  # the sample calculation of 49 CFR 565


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid")


class ConditionBody(_Body):
    name: str = Field(examples=["floor"])
    state: str = Field(description="measured, declared or not_checked", examples=["measured"])
    value: str = Field("", examples=["2 mm from wheel to wheel"])

    def said(self) -> ConditionSaid:
        return ConditionSaid(self.name, self.state, self.value)


class _VehicleBody(_Body):
    vehicle: dict[str, Any] = Field(
        description="As in plumbsight.set/1; label (never a number plate) and wheelbase_mm are asked for.",
        examples=[_VEHICLE],
    )
    odometer_km: int | None = Field(None, examples=[48210])
    vin: str | None = Field(None, examples=[_VIN])
    confirmed: bool = Field(False, description="The person has looked at the doubts and means it so.")


class StudyBody(_Body):
    name: str = Field(description="The same in all visits of the study.", examples=["people, spring"])
    set_up: str = Field(description="Which set-up is photographed.", examples=["board at 2.5 m"])
    varies: list[str] = Field(max_length=4, description="person, phone, kit, shop", examples=[["person"]])


class BeginBody(_VehicleBody):
    kit_id: str
    placement_ids: list[str] = Field(max_length=50)
    between_ids: list[str] = Field([], max_length=50, description="Relations and shifts of these placements.")
    bay: str = Field("", examples=["bay 2"])
    conditions: list[ConditionBody] = Field([], max_length=50)
    study: StudyBody | None = Field(None, description="Which study the visit is of; left out: it is a job.")

    def wanted(self) -> BeginVisit:
        said = [one.said() for one in self.conditions]
        return BeginVisit(
            vehicle=self.vehicle,
            kit_id=self.kit_id,
            placement_ids=self.placement_ids,
            between_ids=self.between_ids,
            odometer_km=self.odometer_km,
            vin=self.vin,
            bay=self.bay,
            conditions=said,
            study=StudySaid(self.study.name, self.study.set_up, self.study.varies) if self.study else None,
            confirmed=self.confirmed,
        )


class VehicleBody(_VehicleBody):
    reason: str = Field(examples=["wheelbase was read off the wrong line"])


class ConditionsBody(_Body):
    conditions: list[ConditionBody] = Field(max_length=50)


class UseKitBody(_Body):
    kit_id: str
    reason: str = Field(examples=["the front left clamp was measured again"])
    again: bool = Field(False, description="Measure closed rounds again: the kit's file was wrong before.")


class UsePlacementsBody(_Body):
    placement_ids: list[str] = Field(max_length=50)
    between_ids: list[str] | None = Field(
        None, max_length=50, description="Relations and shifts of them; left out: those that the visit has."
    )
    reason: str = Field(examples=["the procedure's newer edition applies"])
    again: bool = Field(False, description="Measure closed rounds again with them.")


class DeviationBody(_Body):
    says: str = Field(
        examples=["The left rear clamp sat on the tyre's edge and was set anew before round 2."]
    )


class ClampsOffBody(_Body):
    wheels: list[str] = Field(max_length=4, examples=[["rear_left"]])
    says: str = Field(examples=["It slipped when the vehicle was moved."])
    from_round: int | None = Field(
        None, description="The first round without them; left out: the open one, or else the next.", ge=1
    )


class OpenRoundBody(_Body):
    kind: str = Field(
        description="first, after_correction or after_calibration; clamps_before and, once the vehicle was "
        "rolled, clamps_after for a check of the clamps; repeat in a study",
        examples=["first"],
    )
    placement_ids: list[str] | None = Field(
        None, max_length=50, description="Those of the visit's that stand there now; left out: all."
    )


class StandBody(_Body):
    placement_ids: list[str] | None = Field(
        max_length=50, description="Those of the visit's placements that stand in the round; null: all."
    )
    reason: str = Field("", description="Of a closed round.", examples=["the board still stood near"])


class PlaceBody(_Body):
    round_id: str


class RefuseBody(_Body):
    reason: str = Field(examples=["shows the vehicle before it was moved"])


class RoundAnswer(BaseModel):
    """A round as it stands; its photos and result have views of their own."""

    id: str
    visit_id: str
    number: int
    kind: str
    opened_by: str
    opened_at: str
    closed_by: str
    closed_at: str | None
    standing: list[str] | None = Field(description="Ids of the placements that stand in it; null: all.")

    @classmethod
    def of(cls, db: Session, row: Round) -> "RoundAnswer":
        return cls(
            id=row.id,
            visit_id=row.visit_id,
            number=row.number,
            kind=row.kind,
            opened_by=name_of(db, row.opened_by),
            opened_at=row.opened_at,
            closed_by=name_of(db, row.closed_by) if row.closed_by else "",
            closed_at=row.closed_at,
            standing=row.standing,
        )


class PlacedAnswer(BaseModel):
    """Where a photo of the tray went."""

    id: str
    visit_id: str
    name: str
    round_id: str | None
    refused_reason: str | None

    @classmethod
    def of(cls, row: Arrival) -> "PlacedAnswer":
        return cls(
            id=row.id,
            visit_id=row.visit_id,
            name=row.name,
            round_id=row.round_id,
            refused_reason=row.refused_reason,
        )


# --- visits -----------------------------------------------------------------------------------------


@router.get("/visits")
def all_visits(
    _: Technician,
    service: TheService,
    skip: Annotated[int, Query(ge=0, le=1_000_000)] = 0,
    limit: Annotated[int, Query(ge=1, le=200)] = 50,
) -> list[VisitLine]:
    """Visits, the latest first."""
    with service.store.reading() as db:
        return visits.listed(db, skip, limit)


@router.get("/visits/defaults")
def visit_defaults(_: Technician, service: TheService) -> Defaults:
    """What the next visit most likely takes."""
    with service.store.reading() as db:
        return visits.defaults(db)


@router.post("/visits", status_code=201, response_model=VisitView)
def begin_visit(body: BeginBody, caller: Technician, once: Once) -> Response:
    """Begin a visit with the current revisions of kit and placements."""
    return once.do(201, lambda db: visits.summary(db, visits.begin(db, caller, body.wanted()).id))


@router.get("/visits/{visit_id}")
def visit(visit_id: str, _: Technician, service: TheService) -> VisitView:
    """A visit with its rounds, photos, tray and deviations."""
    with service.store.reading() as db:
        return visits.summary(db, visit_id)


@router.post("/visits/{visit_id}/vehicle", response_model=VisitView)
def correct_vehicle(visit_id: str, body: VehicleBody, caller: Technician, once: Once) -> Response:
    """Correct the vehicle's facts: a named deviation; closed rounds are measured again."""
    correction = VehicleCorrection(body.vehicle, body.reason, body.odometer_km, body.vin, body.confirmed)
    return once.do(
        200, lambda db: visits.summary(db, visits.correct_vehicle(db, caller, visit_id, correction).id)
    )


@router.post("/visits/{visit_id}/kit", response_model=VisitView)
def use_kit(visit_id: str, body: UseKitBody, caller: Technician, once: Once) -> Response:
    """Take a kit's current revision from now on: a named deviation."""
    return once.do(
        200,
        lambda db: visits.summary(
            db, visits.use_kit(db, caller, visit_id, body.kit_id, body.reason, again=body.again).id
        ),
    )


@router.post("/visits/{visit_id}/placements", response_model=VisitView)
def use_placements(visit_id: str, body: UsePlacementsBody, caller: Technician, once: Once) -> Response:
    """Take these placements' current revisions from now on: a named deviation."""
    return once.do(
        200,
        lambda db: visits.summary(
            db,
            visits.use_placements(
                db,
                caller,
                visit_id,
                body.placement_ids,
                body.reason,
                between_ids=body.between_ids,
                again=body.again,
            ).id,
        ),
    )


@router.post("/visits/{visit_id}/conditions", response_model=list[ConditionView])
def say_conditions(visit_id: str, body: ConditionsBody, caller: Technician, once: Once) -> Response:
    """Say of some conditions whether they were measured, declared or not checked."""

    def act(db: Session) -> list[ConditionView]:
        conditions.say(db, caller, visit_id, [one.said() for one in body.conditions])
        return visits.summary(db, visit_id).conditions

    return once.do(200, act)


@router.post("/visits/{visit_id}/deviations", status_code=201, response_model=VisitView)
def name_deviation(visit_id: str, body: DeviationBody, caller: Technician, once: Once) -> Response:
    """Name something that was done otherwise; it goes into the record."""

    def act(db: Session) -> VisitView:
        visits.name_deviation(db, caller, visit_id, body.says)
        return visits.summary(db, visit_id)

    return once.do(201, act)


@router.post("/visits/{visit_id}/clamps/off", status_code=201, response_model=VisitView)
def clamps_off(visit_id: str, body: ClampsOffBody, caller: Technician, once: Once) -> Response:
    """Say that clamps were taken off after their check; later rounds are measured without what it found."""

    def act(db: Session) -> VisitView:
        visits.clamps_off(db, caller, visit_id, body.wheels, body.says, body.from_round)
        return visits.summary(db, visit_id)

    return once.do(201, act)


@router.get("/visits/{visit_id}/decision")
def decision_so_far(visit_id: str, _: Technician, service: TheService) -> Whole:
    """What the visit comes to so far, as its record would say: the worst of all that is required."""
    with service.store.reading() as db:
        visit_rows.of_a_vehicle(db, visit_id)
        return whole.of_visit(db, visit_id)


# --- the slip ---------------------------------------------------------------------------------------


@router.get(
    "/visits/{visit_id}/slip.svg",
    response_class=Response,
    responses={200: {"content": {"image/svg+xml": {}}}},
)
def slip_svg(visit_id: str, _: Technician, service: TheService) -> Response:
    """The slip's code, for a screen."""
    with service.store.reading() as db:
        return Response(slips.svg(visits.get(db, visit_id)), media_type="image/svg+xml")


@router.get(
    "/visits/{visit_id}/slip.pdf",
    response_class=Response,
    responses={200: {"content": {"application/pdf": {}}}},
)
def slip_pdf(visit_id: str, _: Technician, service: TheService) -> Response:
    """The slip, for printing on the shop's paper."""
    with service.store.reading() as db:
        found = visits.get(db, visit_id)
        data = slips.pdf(found, shop(db).paper, found.id in visits.demos_of(db, [found.id]))
    return Response(data, media_type="application/pdf")


# --- rounds and tray --------------------------------------------------------------------------------


@router.post("/visits/{visit_id}/rounds", status_code=201, response_model=RoundAnswer)
def open_round(visit_id: str, body: OpenRoundBody, caller: Technician, once: Once) -> Response:
    """Open the next round for photos."""
    return once.do(
        201,
        lambda db: RoundAnswer.of(db, rounds.open(db, caller, visit_id, body.kind, body.placement_ids)),
    )


@router.get("/rounds/{round_id}")
def one_round(round_id: str, _: Technician, service: TheService) -> RoundAnswer:
    """A round, by its id alone."""
    with service.store.reading() as db:
        return RoundAnswer.of(db, rounds.get(db, round_id))


@router.post("/rounds/{round_id}/standing", response_model=RoundAnswer)
def say_what_stands(round_id: str, body: StandBody, caller: Technician, once: Once) -> Response:
    """Say which placements stand in a round, after all; a closed one is measured again, and names it."""
    return once.do(
        200,
        lambda db: RoundAnswer.of(db, rounds.stand(db, caller, round_id, body.placement_ids, body.reason)),
    )


@router.post("/rounds/{round_id}/close", response_model=RoundAnswer)
def close_round(round_id: str, caller: Technician, once: Once) -> Response:
    """Close a round for photos and ask for its measuring."""
    return once.do(200, lambda db: RoundAnswer.of(db, rounds.close(db, caller, round_id)))


@router.post("/photos/{arrival_id}/place", response_model=PlacedAnswer)
def place_photo(arrival_id: str, body: PlaceBody, caller: Technician, once: Once) -> Response:
    """Put a photo of the tray into an open round: a named deviation."""
    return once.do(200, lambda db: PlacedAnswer.of(tray.place(db, caller, arrival_id, body.round_id)))


@router.post("/photos/{arrival_id}/refuse", response_model=PlacedAnswer)
def refuse_photo(arrival_id: str, body: RefuseBody, caller: Technician, once: Once) -> Response:
    """Leave a photo of the tray out, with a reason; it goes into the record."""
    return once.do(200, lambda db: PlacedAnswer.of(tray.refuse(db, caller, arrival_id, body.reason)))
