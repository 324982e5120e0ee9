"""A store to try the service with: an invented technician, the demo kit and its placement."""

import json
from importlib import resources
from typing import Any

from sqlalchemy.orm import Session as Db

from api import kits, people, placements, shop
from api.context import Caller
from api.store import Store

_SAYS = "Comes with the program, to try it out."


def fill(store: Store) -> str:
    """Put the demo into an empty store; the id of the person whose phone is to be paired."""
    with store.writing() as db:
        owner = people.add(db, "DEMO owner", "owner")
        technician = people.add(db, "DEMO technician", "technician")
        shop.change(db, {"name": "DEMO shop", "bays": ("DEMO bay",)})
        _add_kit_and_placement(db, Caller(owner.id, owner.name, "owner", session_id=""))
        return technician.id


def _add_kit_and_placement(db: Db, caller: Caller) -> None:
    kits.add(db, caller, _file("kit.json"), _SAYS, is_demo=True, confirmed=True)
    typed = placements.Typed("DEMO procedure, invented", "DEMO", says=_SAYS, confirmed=True)
    placements.add(db, caller, _file("placement.json"), typed, is_demo=True)


def _file(name: str) -> dict[str, Any]:
    return json.loads((resources.files("calib_data") / "demo" / name).read_text(encoding="utf-8"))
