"""Visits with measured rounds, written straight into the tables, for tests of records. All is invented.

A set-up whose board stands 15 mm too far left is seen in a first round and stands right in the second;
detections are simulated, results come from the measuring core, photo files are stand-ins.
"""

import hashlib
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import func, select

from api.access.people import hash_pin
from api.context import Caller
from api.photos import photofiles
from api.photos.work import pack
from api.records import chain
from api.records.signing import sign
from api.store import Store, new_id, now
from api.tables import (
    Arrival,
    Condition,
    Deviation,
    Kit,
    KitRevision,
    Measured,
    Person,
    PhotoFile,
    Placement,
    PlacementRevision,
    Round,
    Visit,
    VisitPlacement,
)
from api.visits import proofs
from calib_data.layouts import load_layouts
from calib_data.observations import to_observations
from calib_data.photoset import PhotoSet, SourceText
from calib_data.result import to_result
from tools.make_set import kit_file, placement_file, vehicle_file
from tools.mistakes import fixture_moved
from tools.scene import SetUp, make_scene
from tools.simulate import observe_scene
from tools.truth import Scene
from vision.kit import Tolerance
from vision.measure import measure_found

PIN = "4711-board"
N_PHOTOS = 6


@cache
def scene() -> Scene:
    """A board 2.5 m ahead that stands as required."""
    rng = np.random.default_rng(31)
    made = make_scene(
        rng, target_distance_mm=2500, n_photos=N_PHOTOS, set_up=SetUp(height_mm=1100, off_mm=0, off_deg=0)
    )
    values = {
        "distance_mm": Tolerance(2500.0, 10.0, 10.0),
        "lateral_mm": Tolerance(0.0, 6.0, 6.0),
        "height_mm": Tolerance(1100.0, 6.0, 6.0),
        "yaw_deg": Tolerance(0.0, 0.5, 0.5),
    }
    return replace(made, placement=replace(made.placement, name="board ahead, family A", values=values))


def photo_bytes(name: str, of: str) -> bytes:
    """A stand-in for a photo's file."""
    return f"a photo called {name} of {of}".encode()


@cache
def measured(left_mm: float, seed: int) -> tuple[dict[str, Any], dict[str, Any]]:
    """Observations and result of a round in which the board stands `left_mm` beside its place."""
    here = scene()
    axis = here.truth.T_world_target[:3, 1]
    stands = fixture_moved(here, 0, left_mm * axis, 0.0).scene if left_mm else here
    found = observe_scene(np.random.default_rng(seed), stands)
    found = tuple(
        replace(f, sha256=hashlib.sha256(photo_bytes(f.name, f"round {seed}")).hexdigest()) for f in found
    )
    layouts = load_layouts()
    m = measure_found(found, here.kit, here.vehicle, (here.placement,), layouts)
    text = SourceText("kit.json", "", "0" * 64)
    photo_set = PhotoSet(
        Path(), "a visit", None, (), here.kit, here.vehicle, (here.placement,), (), None, text, (text,)
    )
    return to_observations(m.found), to_result(m, photo_set, m.found)


@cache
def _pin_hash() -> str:
    return hash_pin(PIN)


def add_person(store: Store, name: str = "Kim Invented", role: str = "owner") -> Caller:
    """Someone with the PIN of these tests."""
    with store.writing() as db:
        person = Person(id=new_id(), name=name, role=role, added_at=now(), pin_hash=_pin_hash())
        db.add(person)
        db.flush()
        return Caller(person.id, name, role, new_id())  # type: ignore[arg-type]


def add_visit(
    store: Store,
    caller: Caller,
    *,
    left_mm: tuple[float, ...] = (15.0, 0.0),
    is_demo: bool = False,
    label: str = "estate, white",
    n_refused: int = 1,
) -> str:
    """A visit with closed, measured rounds, ready to be signed; its id."""
    here = scene()
    with store.writing() as db:
        own = {"by": caller.person_id, "at": now(), "is_demo": is_demo, "says": "first"}
        kit, placement = Kit(id=new_id(), added_at=now()), Placement(id=new_id(), added_at=now())
        db.add_all([kit, placement])
        db.flush()
        kit_json = kit_file(here.kit, "2026-03-14")
        placement_json = placement_file(here.placement)
        number = (db.scalar(select(func.max(Visit.number))) or 0) + 1
        visit = Visit(
            id=new_id(), number=number, store_id=store.id, slip=new_id()[:8], bay="bay 2",
            vehicle=vehicle_file(replace(here.vehicle, label=label)), odometer_km=48211, vin=None,
            kit_id=kit.id, kit_revision=1, begun_by=caller.person_id, begun_at=now(),
        )  # fmt: skip
        db.add_all(
            [
                KitRevision(kit_id=kit.id, revision=1, name="trolley 3", file=kit_json, **own),
                PlacementRevision(
                    placement_id=placement.id, revision=1, name=here.placement.name, file=placement_json,
                    procedure_title="Workshop handbook, front camera", procedure_edition="7th, 2025", **own
                ),
            ]
        )  # fmt: skip
        db.flush()
        db.add(visit)
        db.flush()
        db.add_all(
            [
                VisitPlacement(visit_id=visit.id, position=1, placement_id=placement.id, revision=1),
                _condition(visit, caller, "tyres", "measured", "2.4 bar all round"),
                _condition(visit, caller, "steering", "not_checked", ""),
                _condition(visit, caller, "floor", "not_checked", ""),
                _condition(visit, caller, "floor", "declared", "levelled in spring"),
                Deviation(
                    visit_id=visit.id, says="The bay's gate stayed open.", by=caller.person_id, at=now()
                ),
            ]
        )
        inputs = {
            "vehicle": visit.vehicle,
            "kit": {"file": kit_json},
            "placements": [{"file": placement_json}],
        }
        kinds = ("first", "after_correction", "after_calibration")
        for i, left in enumerate(left_mm):
            _add_round(store, db, caller, visit, (i + 1, kinds[min(i, 2)]), left, inputs)
        first = db.scalars(select(Round).where(Round.visit_id == visit.id).order_by(Round.number)).first()
        assert first is not None
        proofs.add(db, proof_file(), kit.id, 1, [first])  # a stand-in for an upkeep's group
        for i in range(n_refused):
            last = db.scalars(select(Round).where(Round.visit_id == visit.id)).all()[-1]
            name = f"late{i}.jpg"
            _add_photo(
                store, db, caller, last, name, photo_bytes(name, visit.id),
                round_id=None, tray_reason="It came after the round was closed.",
                refused_reason="of another vehicle", refused_by=caller.person_id, decided_at=now(),
            )  # fmt: skip
        return visit.id


def add_shift(store: Store, caller: Caller, visit_id: str, nominal_mm: float) -> None:
    """Let a visit also require how far to the left its board is moved between the last two rounds."""
    name = scene().placement.name
    values = {"lateral_mm": {"nominal": nominal_mm, "minus": 12.0, "plus": 12.0}}
    file = {
        "format": "plumbsight.shift/1",
        "name": "to the middle",
        "from": name,
        "to": name,
        "values": values,
    }
    with store.writing() as db:
        made = Placement(id=new_id(), added_at=now())
        db.add(made)
        db.flush()
        own = {"by": caller.person_id, "at": now(), "is_demo": False, "says": "first"}
        db.add(
            PlacementRevision(
                placement_id=made.id, revision=1, name=file["name"], file=file,
                procedure_title="Workshop handbook, front camera", procedure_edition="7th, 2025", **own
            )
        )  # fmt: skip
        db.flush()
        db.add(VisitPlacement(visit_id=visit_id, position=2, placement_id=made.id, revision=1))


def proof_file(**changed: Any) -> dict[str, Any]:
    """What a bar that was met leaves behind."""
    return {
        "format": "plumbsight.proof/1", "date": "2026-03-14", "kit": "trolley 3", "kit_sha256": "0" * 64,
        "phones": ["Invented Phone 3"], "what": "bar", "plates": [30, 31], "value": 1000.2, "u": 0.25,
        "reference": 1000.0, "u_reference": 0.2, "interval95": [-0.43, 0.83], "shows": 1.15,
        "verdict": "passed", "says": "Passed.", "photos_sha256": ["1" * 64],
    } | changed  # fmt: skip


def _condition(visit: Visit, caller: Caller, name: str, state: str, value: str) -> Condition:
    return Condition(visit_id=visit.id, name=name, state=state, value=value, by=caller.person_id, at=now())


def _add_round(store, db, caller, visit, number_and_kind, left_mm, inputs):  # type: ignore[no-untyped-def]
    number, kind = number_and_kind
    row = Round(
        id=new_id(), visit_id=visit.id, number=number, kind=kind, opened_by=caller.person_id, opened_at=now(),
        closed_by=caller.person_id, closed_at=now(),
    )  # fmt: skip
    db.add(row)
    db.flush()
    observations, result = measured(left_mm, number)
    for photo in observations["photos"]:
        slip = visit.slip if photo["file"] == observations["photos"][0]["file"] else None
        data = photo_bytes(photo["file"], f"round {number}")
        _add_photo(store, db, caller, row, photo["file"], data, slip_seen=slip)
    db.add(
        Measured(
            round_id=row.id, state="done", says="", asked_at=now(), done_at=now(), inputs=inputs,
            result=result, observations=pack(observations),
        )
    )  # fmt: skip


def _add_photo(store, db, caller, row, name, data, **more):  # type: ignore[no-untyped-def]
    sha256 = hashlib.sha256(data).hexdigest()
    if db.get(PhotoFile, sha256) is None:
        path = photofiles.incoming(store)
        path.write_bytes(data)
        photofiles.files_at(store.place).put(path, sha256)
        db.add(
            PhotoFile(
                sha256=sha256, came_as_sha256=hashlib.sha256(b"gps" + data).hexdigest(),
                taken_out=["place (GPS)"], n_bytes=len(data), kind="jpeg", size_px=[4032, 3024],
                exif={"make": "Invented", "model": "Phone 3"}, stored_at=now(),
            )
        )  # fmt: skip
        db.flush()
    seq = (db.scalar(select(func.max(Arrival.seq))) or 0) + 1
    placed = {"round_id": row.id, "sent_to_round_id": row.id, "visit_id": row.visit_id} | more
    db.add(
        Arrival(
            id=new_id(), seq=seq, sha256=sha256, name=name, client_key=new_id(), by=caller.person_id,
            at=now(), state="looked", remarks=[], **placed,
        )
    )  # fmt: skip
    db.flush()


@dataclass(frozen=True)
class Signed:
    """A store with two signed visits, and who signed them."""

    store: Store
    kim: Caller
    visit_ids: tuple[str, ...]
    heads: tuple[str, ...]


def sign_two(store: Store) -> Signed:
    """Two visits of one person, signed one after the other."""
    kim = add_person(store)
    visit_ids = tuple(add_visit(store, kim) for _ in range(2))
    heads = tuple(chain.code(sign(store, kim, one, PIN, "Floor was swept.").sha256) for one in visit_ids)
    return Signed(store, kim, visit_ids, heads)
