"""Routes: the upkeep of kits (proofs, teaching, lenses), and how a kit stands by its proofs."""

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from fastapi import APIRouter, Response
from pydantic import BaseModel, ConfigDict, Field

from api.access.guard import Reviewer, Technician
from api.context import Caller, TheService
from api.idempotency import Once, OnlyOnce
from api.problems import NotAcceptedError
from api.tables import LensProfile
from api.visits import kits, proofs, upkeep
from api.visits.proofs import Standing
from api.visits.revisions import name_of
from api.visits.upkeep import BeginUpkeep, UpkeepView
from calib_data.formats import Name, PlateNumber

FARTHEST_OFFSET_MM = 2000.0  # a target's size
LEAST_WAY_MM = 1.0  # standing still would nearly pass for less

router = APIRouter(prefix="/api", tags=["upkeep"])


class _Body(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class SheetsBody(_Body):
    """Sheets against each other: all that it takes is the kit."""


class LensBody(_Body):
    """A phone's lens: all that it takes is the kit whose plates are photographed."""


class BarBody(_Body):
    first_plate: PlateNumber = Field(description="The figure on one of the bar's plates.", examples=[30])
    second_plate: PlateNumber = Field(examples=[31])
    length_mm: float = Field(ge=50, le=20_000, description="Between the two centres.", examples=[1000.0])
    u_length_mm: float = Field(ge=1e-3, le=400, description="Standard uncertainty of that.", examples=[0.2])


class SlideBody(_Body):
    by_mm: float = Field(
        ge=-1000, le=1000, description="Away from the vehicle, or to its left, is positive.", examples=[10.0]
    )
    u_by_mm: float = Field(0.1, ge=0.005, le=5)
    along: Literal["distance_mm", "lateral_mm"] = "distance_mm"
    placement_id: str
    vehicle: dict[str, Any] = Field(
        description="As in plumbsight.set/1; label and wheelbase_mm are asked for.",
        examples=[{"label": "our estate, white", "wheelbase_mm": 2712}],
    )


class FixtureBody(_Body):
    name: Name = Field(description="The fixture's.", examples=["front"])
    target: Name = Field("board", description="The target's.")
    target_plate: PlateNumber = Field(description="The plate that lies in the target's place.", examples=[9])
    plates: list[PlateNumber] = Field(
        [],
        max_length=50,
        description="The fixture's; left out: those of its entry, else all seen that are nothing else.",
    )
    offset_mm: list[float | None] | None = Field(
        None,
        min_length=3,
        max_length=3,
        description="Way from the plate's printed centre to the target's reference point, in the plate's "
        "frame; left out: its board lies flat on the point.",
        examples=[[0.0, -80.0, -3.0]],
    )
    u_offset_mm: float = Field(0.5, ge=0.01, le=20, description="How well centre and point meet, per axis.")
    u_turn_deg: float = Field(0.1, ge=0.005, le=5, description="How well plate and target agree, per axis.")


class TakeBody(_Body):
    says: str = Field(examples=["the front fixture was taught by photos"])
    based_on: int = Field(description="The revision that the change was shown against.", examples=[3])
    confirmed: bool = False


class UpkeepLine(BaseModel):
    """An upkeep in a kit's list."""

    id: str
    number: int
    kind: str = Field(examples=["bar"])
    begun_by: str
    begun_at: str


class LensView(BaseModel):
    """A lens profile: plumbsight.camera/1, and whether it is used."""

    id: str
    label: str
    by: str
    at: str
    upkeep_id: str
    retired_at: str | None
    file: dict[str, Any]


# --- begin ------------------------------------------------------------------------------------------


def _begin(once: OnlyOnce, caller: Caller, wanted: BeginUpkeep) -> Response:
    return once.do(201, lambda db: upkeep.view(db, upkeep.begin(db, caller, wanted).id))


@router.post("/kits/{kit_id}/upkeep/bar", status_code=201, response_model=UpkeepView)
def prove_by_bar(kit_id: str, body: BarBody, caller: Reviewer, once: Once) -> Response:
    """Begin a proof by a bar of known length, which is held out of the adjustment."""
    plates = {"first_plate": (body.first_plate,), "second_plate": (body.second_plate,)}
    asked = {
        "plates": [body.first_plate, body.second_plate],
        "length_mm": body.length_mm,
        "u_length_mm": body.u_length_mm,
    }
    return _begin(once, caller, BeginUpkeep("bar", kit_id, asked, plates))


@router.post("/kits/{kit_id}/upkeep/slide", status_code=201, response_model=UpkeepView)
def prove_by_slide(kit_id: str, body: SlideBody, caller: Reviewer, once: Once) -> Response:
    """Begin a proof by a slide of a known way: a round before it, and one after."""
    if abs(body.by_mm) < LEAST_WAY_MM:
        raise NotAcceptedError("Slide the fixture by 1 mm at least, best by 10.", "by_mm")
    asked = {"by_mm": body.by_mm, "u_by_mm": body.u_by_mm, "along": body.along}
    return _begin(
        once,
        caller,
        BeginUpkeep("slide", kit_id, asked, vehicle=body.vehicle, placement_id=body.placement_id),
    )


@router.post("/kits/{kit_id}/upkeep/fixture", status_code=201, response_model=UpkeepView)
def teach_a_fixture(kit_id: str, body: FixtureBody, caller: Reviewer, once: Once) -> Response:
    """Begin to teach where a fixture's plates and its target sit, by a plate in the target's place."""
    plates: Mapping[str, tuple[int, ...]] = {
        "target_plate": (body.target_plate,),
        "plates": tuple(body.plates),
    }
    _need_whole(body.offset_mm)
    return _begin(once, caller, BeginUpkeep("fixture", kit_id, body.model_dump(), plates))


def _need_whole(offset_mm: Sequence[float | None] | None) -> None:
    """All three numbers of a way, or none, and within reach of a plate."""
    for axis, part in enumerate(offset_mm or ()):
        if part is None:
            says = "Enter all three, 0 where there is nothing, or leave all three empty."
            raise NotAcceptedError(says, f"offset_mm.{axis}")
        if abs(part) > FARTHEST_OFFSET_MM:
            says = f"This is {part:g} mm, farther than any target is wide. Measure it again."
            raise NotAcceptedError(says, f"offset_mm.{axis}")


@router.post("/kits/{kit_id}/upkeep/sheets", status_code=201, response_model=UpkeepView)
def compare_sheets(kit_id: str, body: SheetsBody, caller: Reviewer, once: Once) -> Response:
    """Begin to measure the sheets' scales against each other."""
    return _begin(once, caller, BeginUpkeep("sheets", kit_id))


@router.post("/kits/{kit_id}/upkeep/lens", status_code=201, response_model=UpkeepView)
def find_lens(kit_id: str, body: LensBody, caller: Reviewer, once: Once) -> Response:
    """Begin to make the lens profile of a phone, by the kit's plates."""
    return _begin(once, caller, BeginUpkeep("lens", kit_id))


# --- an upkeep --------------------------------------------------------------------------------------


@router.get("/kits/{kit_id}/upkeep")
def upkeep_of_kit(kit_id: str, _: Technician, service: TheService) -> list[UpkeepLine]:
    """A kit's upkeep, the latest first."""
    with service.store.reading() as db:
        kits.current(db, kit_id)
        return [
            UpkeepLine(
                id=visit.id,
                number=visit.number,
                kind=row.kind,
                begun_by=name_of(db, visit.begun_by),
                begun_at=visit.begun_at,
            )
            for visit, row in upkeep.of_kit(db, kit_id)
        ]


@router.get("/upkeep/{upkeep_id}")
def one_upkeep(upkeep_id: str, _: Technician, service: TheService) -> UpkeepView:
    """An upkeep, its groups of photos and what came of them. Its photos are those of the visit of its id."""
    with service.store.reading() as db:
        return upkeep.view(db, upkeep_id)


@router.post("/upkeep/{upkeep_id}/groups", status_code=201, response_model=UpkeepView)
def open_group(upkeep_id: str, caller: Technician, once: Once) -> Response:
    """Open the next group for photos; it is a round, which takes photos and is closed as one."""

    def act(db: Any) -> UpkeepView:
        upkeep.open_group(db, caller, upkeep_id)
        return upkeep.view(db, upkeep_id)

    return once.do(201, act)


@router.post("/upkeep/{upkeep_id}/kit", status_code=201, response_model=UpkeepView)
def take_kit(upkeep_id: str, body: TakeBody, caller: Reviewer, once: Once) -> Response:
    """Make what the photos taught the kit's next revision."""

    def act(db: Any) -> UpkeepView:
        upkeep.take_kit(db, caller, upkeep_id, body.says, based_on=body.based_on, confirmed=body.confirmed)
        return upkeep.view(db, upkeep_id)

    return once.do(201, act)


@router.post("/upkeep/{upkeep_id}/lenses", status_code=201, response_model=UpkeepView)
def keep_lenses(upkeep_id: str, caller: Reviewer, once: Once) -> Response:
    """Use the lenses that were found for photos of these phones from now on."""

    def act(db: Any) -> UpkeepView:
        upkeep.keep_lenses(db, caller, upkeep_id)
        return upkeep.view(db, upkeep_id)

    return once.do(201, act)


# --- how things stand -------------------------------------------------------------------------------


@router.get("/kits/{kit_id}/proofs")
def standing(kit_id: str, _: Technician, service: TheService) -> Standing:
    """How the kit stands by its proofs: the newest, whether it is flagged, what changed, what is due."""
    with service.store.reading() as db:
        return proofs.standing(db, kit_id, kits.current(db, kit_id).revision)


@router.get("/lenses")
def lenses(_: Technician, service: TheService) -> list[LensView]:
    """All lens profiles, the latest first."""
    with service.store.reading() as db:
        return [_lens(db, row) for row in upkeep.profiles(db)]


@router.post("/lenses/{profile_id}/retire", response_model=LensView)
def retire_lens(profile_id: str, caller: Reviewer, once: Once) -> Response:
    """Use a lens profile no longer."""
    return once.do(200, lambda db: _lens(db, upkeep.retire_lens(db, caller, profile_id)))


def _lens(db: Any, row: LensProfile) -> LensView:
    return LensView(
        id=row.id,
        label=row.label,
        by=name_of(db, row.by),
        at=row.at,
        upkeep_id=row.visit_id,
        retired_at=row.retired_at,
        file=row.file,
    )
