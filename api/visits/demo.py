"""The demo's kits and placements, for trying out. What is demo says so everywhere and cannot be signed."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

import calib_data
from api.context import Caller
from api.tables import KitRevision, PlacementRevision
from api.visits import kits, placements
from api.visits.placements import Typed

FOLDER = Path(calib_data.__file__).parent / "demo"
# The files of the one with three targets, and the family of each placement.
THREE = {
    "three/board.json": "board_ahead",
    "three/reflector.json": "reflector_from_sensor",
    "three/mat_left.json": "mat_beside",
    "three/mat_right.json": "mat_beside",
}


@dataclass(frozen=True)
class Laid:
    """A kit and the placements that it serves in one round."""

    kit: KitRevision
    placements: tuple[PlacementRevision, ...]


def lay_in(db: Session, caller: Caller) -> Laid:
    """The demo's kit and placement, added where they are not there."""
    return Laid(_kit(db, caller, "kit.json"), (_placement(db, caller, "placement.json", "board_ahead"),))


def lay_in_three(db: Session, caller: Caller) -> Laid:
    """The kit and the placements of the demo with three targets: board, reflector and two mats."""
    placed = [_placement(db, caller, name, family) for name, family in THREE.items()]
    return Laid(_kit(db, caller, "three/kit.json"), tuple(placed))


def _kit(db: Session, caller: Caller, name: str) -> KitRevision:
    wanted = file(name)
    there = next((one for one in kits.listed(db) if one.is_demo and one.file == wanted), None)
    return there or kits.add(db, caller, wanted, "", is_demo=True, confirmed=True)


def _placement(db: Session, caller: Caller, name: str, family: str) -> PlacementRevision:
    wanted = file(name)
    there = next((one for one in placements.listed(db) if one.is_demo and one.file == wanted), None)
    procedure = Typed("DEMO procedure, invented", "DEMO", family, "", confirmed=True)
    return there or placements.add(db, caller, wanted, procedure, is_demo=True)


def file(name: str) -> dict[str, Any]:
    """One of the demo's files: set.json has its vehicle."""
    return json.loads((FOLDER / name).read_text(encoding="utf-8"))
