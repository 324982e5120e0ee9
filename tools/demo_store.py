"""A store to try the service with: invented people, the demos' kits and placements."""

from api.access import people, shop
from api.context import Caller
from api.store import Store
from api.visits import demo


def fill(store: Store) -> str:
    """Put the demo into an empty store; the id of the person whose phone is to be paired."""
    with store.writing() as db:
        owner = people.add(db, "DEMO owner", "owner")
        technician = people.add(db, "DEMO technician", "technician")
        shop.change(db, {"name": "DEMO shop", "bays": ("DEMO bay",)})
        caller = Caller(owner.id, owner.name, "owner", session_id="")
        demo.lay_in(db, caller)
        demo.lay_in_three(db, caller)
        return technician.id
