"""Routes: kits, placements, templates of placements, and the demo of both."""

import json
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Response
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy.orm import Session

from api.access.guard import Reviewer, Technician
from api.context import TheService
from api.idempotency import Once
from api.problems import NotAcceptedError
from api.visits import demo, kits, mountings, placements
from api.visits.firstkits import FirstKit
from api.visits.kitform import KitForm, layout_of
from api.visits.kits import KitView
from api.visits.mountings import Mountings
from api.visits.placements import PlacementView, TemplateView, Typed
from calib_data.layouts import load_layouts
from calib_data.sheets import plate_sheet_pdf

router = APIRouter(prefix="/api", tags=["kits and placements"])

_KIT = {"format": "plumbsight.kit/1", "name": "van 1", "u_ruler_scale": 0.0003, "plates": {}, "wheels": {}}
_PLACEMENT = {
    "format": "plumbsight.placement/1",
    "name": "front camera board",
    "fixture": "front",
    "target": "board",
    "reference_line": "thrust_line",
    "datum": "front_axle",
    "values": {"distance_mm": {"nominal": None, "minus": None, "plus": None}},
}
_FILE: dict[int | str, dict[str, Any]] = {200: {"content": {"application/json": {}}}}
_PDF: dict[int | str, dict[str, Any]] = {200: {"content": {"application/pdf": {}}}}
MOST_SHEETS = 60  # a layout's numbers
WithRetired = Annotated[bool, Query(description="Also those that are offered for new visits no longer.")]


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid")


class NewKitBody(_Body):
    file: dict[str, Any] = Field(description="plumbsight.kit/1", examples=[_KIT])
    says: str = Field("", examples=["measured with the steel rule, 14 March"])
    confirmed: bool = Field(False, description="The person has looked at the doubts and means it so.")


class KitRevisionBody(NewKitBody):
    based_on: int = Field(description="The revision that the person edited.", examples=[1])


class KitFormBody(_Body):
    form: KitForm
    says: str = Field("", examples=["measured with the steel rule, 14 March"])
    confirmed: bool = Field(False, description="The person has looked at the doubts and means it so.")


class KitFormRevisionBody(KitFormBody):
    based_on: int = Field(description="The revision that the person edited.", examples=[1])


class FirstKitBody(_Body):
    first: FirstKit
    says: str = Field("", examples=["measured with tape and steel rule, 14 March"])
    confirmed: bool = Field(False, description="The person has looked at the doubts and means it so.")


class MountingsBody(_Body):
    says: str = Field(examples=["as the checks of the clamps in spring tell"])
    based_on: int = Field(description="The revision that the person saw.", examples=[1])
    confirmed: bool = Field(False, description="The person has looked at the doubts and means it so.")


class NewPlacementBody(_Body):
    file: dict[str, Any] = Field(
        description="plumbsight.placement/1, every null filled in from the procedure", examples=[_PLACEMENT]
    )
    procedure_title: str = Field(examples=["Front camera, static calibration"])
    procedure_edition: str = Field(examples=["2026-02"])
    family: str = Field(
        "", description="Of the template; empty for the shop's own.", examples=["board_ahead"]
    )
    says: str = ""
    confirmed: bool = Field(False, description="The person has looked at the doubts and means it so.")

    def typed(self) -> Typed:
        return Typed(
            self.procedure_title, self.procedure_edition, self.family, self.says, confirmed=self.confirmed
        )


class PlacementRevisionBody(NewPlacementBody):
    based_on: int = Field(description="The revision that the person edited.", examples=[1])


class DemoOfThree(BaseModel):
    """A kit and placements that one round of photos shows together."""

    kit: KitView
    placements: list[PlacementView]


class DemoAnswer(BaseModel):
    """The demos' kits and placements; visits with them say DEMO and cannot be signed."""

    kit: KitView
    placement: PlacementView
    three: DemoOfThree = Field(description="Of the demo with a board, a reflector and two mats.")


# --- kits -------------------------------------------------------------------------------------------


@router.get("/kits")
def all_kits(_: Technician, service: TheService, with_retired: WithRetired = False) -> list[KitView]:
    """The current revision of every kit."""
    with service.store.reading() as db:
        return [kits.view(db, row) for row in kits.listed(db, with_retired)]


@router.post("/kits", status_code=201, response_model=KitView)
def add_kit(body: NewKitBody, caller: Reviewer, once: Once) -> Response:
    """Take in a new kit."""
    return once.do(
        201,
        lambda db: kits.view(db, kits.add(db, caller, body.file, body.says, confirmed=body.confirmed)),
    )


@router.get("/kits/{kit_id}")
def kit(kit_id: str, _: Technician, service: TheService) -> list[KitView]:
    """A kit's revisions, the current one first."""
    with service.store.reading() as db:
        return [kits.view(db, row) for row in kits.history(db, kit_id)]


@router.post("/kits/{kit_id}/revisions", status_code=201, response_model=KitView)
def revise_kit(kit_id: str, body: KitRevisionBody, caller: Reviewer, once: Once) -> Response:
    """Add a revision; earlier ones stay, and visits keep theirs."""
    return once.do(
        201,
        lambda db: kits.view(
            db,
            kits.revise(
                db, caller, kit_id, body.file, body.says, based_on=body.based_on, confirmed=body.confirmed
            ),
        ),
    )


@router.get("/kits/{kit_id}/mountings")
def mountings_of(kit_id: str, _: Technician, service: TheService) -> Mountings:
    """How alike the kit's clamps sat in the checks of all visits."""
    with service.store.reading() as db:
        return mountings.of_kit(db, kit_id)


@router.post("/kits/{kit_id}/mountings", status_code=201, response_model=KitView)
def adopt_mountings(kit_id: str, body: MountingsBody, caller: Reviewer, once: Once) -> Response:
    """Add a revision whose clamps' u of eccentricity and tilt are those that the checks tell."""

    def act(db: Session) -> KitView:
        row = mountings.adopt(db, caller, kit_id, body.based_on, body.says, confirmed=body.confirmed)
        return kits.view(db, row)

    return once.do(201, act)


@router.post("/kits/by-form", status_code=201, response_model=KitView)
def add_kit_by_form(body: KitFormBody, caller: Reviewer, once: Once) -> Response:
    """Take in a new kit as a form has it: lists of parts, and the rulers in millimetres."""
    return once.do(
        201,
        lambda db: kits.view(
            db, kits.add_by_form(db, caller, body.form, body.says, confirmed=body.confirmed)
        ),
    )


@router.post("/kits/first", status_code=201, response_model=KitView)
def add_first_kit(body: FirstKitBody, caller: Reviewer, once: Once) -> Response:
    """Take in a first kit from what was measured on the first day, with honest starting uncertainties."""
    return once.do(
        201,
        lambda db: kits.view(db, kits.add_first(db, caller, body.first, body.says, confirmed=body.confirmed)),
    )


@router.post("/kits/{kit_id}/by-form", status_code=201, response_model=KitView)
def revise_kit_by_form(kit_id: str, body: KitFormRevisionBody, caller: Reviewer, once: Once) -> Response:
    """Add a revision as a form has it; what the form does not hold stays as it is in the file."""
    return once.do(
        201,
        lambda db: kits.view(
            db,
            kits.revise_by_form(
                db, caller, kit_id, body.form, body.says, based_on=body.based_on, confirmed=body.confirmed
            ),
        ),
    )


@router.get("/kits/{kit_id}/file", response_class=Response, responses=_FILE)
def kit_file(
    kit_id: str,
    _: Technician,
    service: TheService,
    revision: Annotated[int | None, Query(description="Left out: the current one.")] = None,
) -> Response:
    """A revision's file, to keep or to edit elsewhere."""
    with service.store.reading() as db:
        row = kits.at(db, kit_id, revision) if revision else kits.current(db, kit_id)
        name, text = f"kit_revision_{row.revision}.json", json.dumps(row.file, indent=1, ensure_ascii=False)
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(text, media_type="application/json", headers=headers)


@router.post("/kits/{kit_id}/retire", response_model=KitView)
def retire_kit(kit_id: str, caller: Reviewer, once: Once) -> Response:
    """Offer a kit for new visits no longer."""
    return once.do(200, lambda db: kits.view(db, kits.retire(db, caller, kit_id)))


# --- sheets to print --------------------------------------------------------------------------------


@router.get("/sheets.pdf", response_class=Response, responses=_PDF)
def sheets(
    _: Technician,
    plates: Annotated[
        str, Query(description="Numbers of one layout, as printed.", examples=["0,1,2,3"], max_length=1000)
    ],
    paper: Literal["A4", "Letter"] = "A4",
) -> Response:
    """Sheets of these plates at true size, and the page that tells how to mount them. Print at 100 %."""
    words = [word.strip() for word in plates.split(",")]
    if not all(word.isdecimal() for word in words) or len(words) > MOST_SHEETS:
        raise NotAcceptedError(f"Enter up to {MOST_SHEETS} plate numbers such as 0,1,2,3.", "plates")
    numbers = [int(word) for word in words]
    layout = layout_of(numbers[0]) or load_layouts()[0]
    data = plate_sheet_pdf(layout, numbers, paper.lower())
    headers = {"Content-Disposition": 'inline; filename="plates.pdf"'}
    return Response(data, media_type="application/pdf", headers=headers)


# --- placements -------------------------------------------------------------------------------------


@router.get("/placement-templates")
def placement_templates(_: Technician) -> list[TemplateView]:
    """Templates by family. They carry no numbers: fill in every null from the vehicle maker's procedure."""
    return placements.templates()


@router.get("/placements")
def all_placements(
    _: Technician, service: TheService, with_retired: WithRetired = False
) -> list[PlacementView]:
    """The current revision of every placement."""
    with service.store.reading() as db:
        return [placements.view(db, row) for row in placements.listed(db, with_retired)]


@router.post("/placements", status_code=201, response_model=PlacementView)
def add_placement(body: NewPlacementBody, caller: Reviewer, once: Once) -> Response:
    """Take in a new placement."""
    return once.do(201, lambda db: placements.view(db, placements.add(db, caller, body.file, body.typed())))


@router.get("/placements/{placement_id}")
def placement(placement_id: str, _: Technician, service: TheService) -> list[PlacementView]:
    """A placement's revisions, the current one first."""
    with service.store.reading() as db:
        return [placements.view(db, row) for row in placements.history(db, placement_id)]


@router.post("/placements/{placement_id}/revisions", status_code=201, response_model=PlacementView)
def revise_placement(
    placement_id: str, body: PlacementRevisionBody, caller: Reviewer, once: Once
) -> Response:
    """Add a revision; earlier ones stay, and visits keep theirs."""
    return once.do(
        201,
        lambda db: placements.view(
            db,
            placements.revise(db, caller, placement_id, body.file, body.typed(), based_on=body.based_on),
        ),
    )


@router.post("/placements/{placement_id}/retire", response_model=PlacementView)
def retire_placement(placement_id: str, caller: Reviewer, once: Once) -> Response:
    """Offer a placement for new visits no longer."""
    return once.do(200, lambda db: placements.view(db, placements.retire(db, caller, placement_id)))


# --- demo -------------------------------------------------------------------------------------------


@router.post("/demo", status_code=201, response_model=DemoAnswer)
def lay_in_demo(caller: Reviewer, once: Once) -> Response:
    """Lay in the demos' kits and placements, for trying out; once laid in, they are given again."""

    def act(db: Any) -> DemoAnswer:
        one, three = demo.lay_in(db, caller), demo.lay_in_three(db, caller)
        (placed,) = one.placements
        return DemoAnswer(
            kit=kits.view(db, one.kit),
            placement=placements.view(db, placed),
            three=DemoOfThree(
                kit=kits.view(db, three.kit),
                placements=[placements.view(db, row) for row in three.placements],
            ),
        )

    return once.do(201, act)
