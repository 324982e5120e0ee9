"""The demo's kit and placement, for trying out. What is demo says so everywhere and cannot be signed."""

import json
from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

import calib_data
from api.context import Caller
from api.tables import KitRevision, PlacementRevision
from api.visits import kits, placements
from api.visits.placements import Typed

FOLDER = Path(calib_data.__file__).parent / "demo"
PROCEDURE = Typed("DEMO procedure, invented", "DEMO", "board_ahead", "", confirmed=True)


def lay_in(db: Session, caller: Caller) -> tuple[KitRevision, PlacementRevision]:
    """The demo's kit and placement, added where they are not there."""
    kit_file, placement_file = file("kit.json"), file("placement.json")
    kit = next((one for one in kits.listed(db) if one.is_demo and one.file == kit_file), None)
    kit = kit or kits.add(db, caller, kit_file, "", is_demo=True, confirmed=True)
    there = [one for one in placements.listed(db) if one.is_demo and one.file == placement_file]
    placement = there[0] if there else placements.add(db, caller, placement_file, PROCEDURE, is_demo=True)
    return kit, placement


def file(name: str) -> dict[str, Any]:
    """One of the demo's files: set.json has its vehicle."""
    return json.loads((FOLDER / name).read_text(encoding="utf-8"))
