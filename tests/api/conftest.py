"""A store in a temporary folder, people of each role, a kit, a placement, a visit; all invented.

What is in ON_THE_FLEET runs twice: on such a folder, and, marked `fleet`, on a PostgreSQL server and an
object store.
"""

import hashlib
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi import FastAPI
from sqlalchemy import func, select
from starlette.testclient import TestClient

from api.access import people, sessions
from api.app import create_app
from api.context import Caller, Role
from api.place import Place
from api.settings import Settings
from api.store import Store, new_id, now, open_store
from api.tables import Arrival, KitRevision, PhotoFile, PlacementRevision, Round, Visit
from api.visits import kits, placements, rounds, tray, visits
from tests.api import fleet
from tests.api.signed import Signed, sign_two
from tools.make_set import kit_file, placement_file, vehicle_file
from tools.scene import make_scene
from tools.simulate import observe_scene
from tools.truth import Scene
from vision.sightings import FoundPhoto

ON_THE_FLEET = {
    *("test_events", "test_verify", "test_rounds", "test_intake", "test_signing", "test_studies"),
    *("test_tray", "test_removal", "test_killed_within"),
    *("test_visits", "test_imports", "test_photos_whole_way"),
}
NAMES: dict[Role, str] = {"technician": "T. Example", "reviewer": "R. Example", "owner": "O. Example"}


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "place" not in metafunc.fixturenames:
        return
    of_folder = any(mark.name == "of_folder" for mark in metafunc.definition.iter_markers())
    if metafunc.module.__name__.rpartition(".")[2] in ON_THE_FLEET and not of_folder:
        kinds = ["folder", pytest.param("fleet", marks=pytest.mark.fleet)]
        metafunc.parametrize("place", kinds, indirect=True)


@pytest.fixture(scope="session")
def servers() -> Iterator[fleet.Fleet]:
    """A PostgreSQL server and an object store, started once."""
    if lacks := fleet.lacks():
        pytest.skip(f"{lacks}: nothing is tried on a fleet's store here")
    import fsspec.config

    with fleet.fleet() as made:
        os.environ.update(made.photos.environment())
        fsspec.config.set_conf_env(fsspec.config.conf)
        yield made


@pytest.fixture
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Place:
    """Where the test's store lies."""
    if getattr(request, "param", "folder") == "folder":
        return Place(tmp_path / "store")
    servers = request.getfixturevalue("servers")
    if "signed" in request.fixturenames:
        once = request.getfixturevalue("_signed_on_the_fleet")
        return servers.copy_of(once.store.place, tmp_path / "store")
    return servers.new_place(tmp_path / "store")


@pytest.fixture
def service_settings(place: Place) -> Settings:
    """Settings of a service of one worker that answers to the test client's host name."""
    return Settings(
        folder=place.folder,
        database=place.database,
        photos=place.photos,
        hosts=("testserver", "127.0.0.1", "localhost"),
        n_workers=1,
        workers_at_start=False,
    )


@pytest.fixture(scope="session")
def blank_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a store that was just made: making its tables takes longer than most tests."""
    folder = tmp_path_factory.mktemp("blank") / "store"
    open_store(folder).close()
    return folder


@pytest.fixture
def store(service_settings: Settings, blank_store: Path) -> Iterator[Store]:
    """An empty store; `app` and `client` run on the same one."""
    if not service_settings.database:
        shutil.copytree(blank_store, service_settings.folder)
    opened = open_store(service_settings.place)
    yield opened
    opened.close()


@pytest.fixture
def caller(store: Store) -> Callable[[Role], Caller]:
    """`caller(role)`: a person of that role with a paired device, the same one each time."""
    made: dict[Role, Caller] = {}

    def of(role: Role) -> Caller:
        if role not in made:
            with store.writing() as db:
                person = people.add(db, NAMES[role], role)
                session = sessions.begin(db, person.id, "a test")
                made[role] = Caller(person.id, person.name, role, session.id)
        return made[role]

    return of


@pytest.fixture
def technician(caller: Callable[[Role], Caller]) -> Caller:
    return caller("technician")


@pytest.fixture
def reviewer(caller: Callable[[Role], Caller]) -> Caller:
    return caller("reviewer")


@pytest.fixture
def app(service_settings: Settings, store: Store) -> FastAPI:
    """The whole service, not yet started; `client` starts it."""
    return create_app(service_settings)


@pytest.fixture
def client(app: FastAPI, store: Store, caller: Callable[[Role], Caller]) -> Iterator[Callable]:
    """`client(role)`: a test client with that person's paired device; `client(None)`: one of a stranger."""
    with ExitStack() as stack:
        started = stack.enter_context(TestClient(app))  # runs the service's start and end

        def of(role: Role | None) -> TestClient:
            made = TestClient(app, raise_server_exceptions=False)
            made.portal = started.portal  # one event loop for all, as in the running service
            if role is not None:
                who = caller(role)
                with store.writing() as db:
                    session = sessions.begin(db, who.person_id, "a test")
                made.cookies.set(sessions.COOKIE, session.secret)
                made.headers[sessions.TOKEN_HEADER] = session.form_token
                made.headers["Origin"] = "http://testserver"
            return made

        yield of


# --- what a visit needs -----------------------------------------------------------------------------


@pytest.fixture(scope="session")
def scene() -> Scene:
    """A vehicle and a board 2.5 m ahead, drawn once for all tests."""
    return make_scene(np.random.default_rng(7), target_distance_mm=2500, n_photos=8)


@pytest.fixture
def simulated_found(scene: Scene) -> Callable[[int], tuple[FoundPhoto, ...]]:
    """`simulated_found(seed)`: what detection would find in the scene's photos."""
    return lambda seed=1: observe_scene(np.random.default_rng(seed), scene)


@pytest.fixture
def kit_json(scene: Scene) -> dict[str, Any]:
    """A kit's file, as a reviewer would hand it in."""
    return kit_file(scene.kit) | {"name": "van 1"}


@pytest.fixture
def placement_json(scene: Scene) -> dict[str, Any]:
    """A placement's file that the kit can serve."""
    return placement_file(scene.placement) | {
        "name": "front camera board, family A",
        "values": {
            "distance_mm": {"nominal": 2500, "minus": 6, "plus": 6},
            "lateral_mm": {"nominal": 0, "minus": 4, "plus": 4},
            "yaw_deg": {"nominal": 0, "minus": 0.3, "plus": 0.3},
        },
    }


@pytest.fixture
def vehicle_json(scene: Scene) -> dict[str, Any]:
    """The scene's vehicle, as a visit asks for it."""
    return vehicle_file(scene.vehicle) | {"label": "hatchback, grey"}


PROCEDURE = placements.Typed(
    procedure_title="An invented procedure", procedure_edition="2026-02", family="board_ahead"
)


@pytest.fixture
def kit(store: Store, reviewer: Caller, kit_json: dict[str, Any]) -> KitRevision:
    with store.writing() as db:
        made = kits.add(db, reviewer, kit_json, "first measured")
        db.expunge(_whole(db, made))
    return made


@pytest.fixture
def placement(
    store: Store, reviewer: Caller, kit: KitRevision, placement_json: dict[str, Any]
) -> PlacementRevision:
    with store.writing() as db:
        made = placements.add(db, reviewer, placement_json, PROCEDURE)
        db.expunge(_whole(db, made))
    return made


@pytest.fixture
def demo_kit(store: Store, reviewer: Caller, kit_json: dict[str, Any]) -> KitRevision:
    with store.writing() as db:
        made = kits.add(db, reviewer, kit_json | {"name": "DEMO kit"}, "", is_demo=True)
        db.expunge(_whole(db, made))
    return made


@pytest.fixture
def demo_placement(
    store: Store, reviewer: Caller, demo_kit: KitRevision, placement_json: dict[str, Any]
) -> PlacementRevision:
    with store.writing() as db:
        file = placement_json | {"name": "DEMO front camera board"}
        made = placements.add(db, reviewer, file, PROCEDURE, is_demo=True)
        db.expunge(_whole(db, made))
    return made


def _whole(db: Any, row: Any) -> Any:
    """The row with every column read, so that it can be used after its transaction."""
    db.flush()
    db.refresh(row)
    return row


@dataclass
class Bay:
    """Takes a visit's steps straight through the domain functions, one transaction each."""

    store: Store
    caller: Caller
    kit: KitRevision
    placement: PlacementRevision
    vehicle: dict[str, Any]

    def begin(self, **more: Any) -> Visit:
        wanted = {"vehicle": self.vehicle, "placement_ids": [self.placement.placement_id]} | more
        with self.store.writing() as db:
            visit = visits.begin(db, self.caller, visits.BeginVisit(kit_id=self.kit.kit_id, **wanted))
            db.expunge(_whole(db, visit))
        return visit

    def open(self, visit: Visit, kind: str = "first") -> Round:
        with self.store.writing() as db:
            made = rounds.open(db, self.caller, visit.id, kind)
            db.expunge(_whole(db, made))
        return made

    def close(self, one: Round) -> Round:
        with self.store.writing() as db:
            made = rounds.close(db, self.caller, one.id)
            db.expunge(_whole(db, made))
        return made

    def arrive(
        self,
        one: Round,
        name: str,
        *,
        data: bytes | None = None,
        came_as: bytes | None = None,
        taken: str | None = None,
        state: str = "looked",
        slip_seen: str | None = None,
    ) -> Arrival:
        """A photo's arrival as intake records it: the file is only a hash here."""
        stored = hashlib.sha256(data if data is not None else name.encode()).hexdigest()
        came = hashlib.sha256(came_as).hexdigest() if came_as is not None else stored
        with self.store.writing() as db:
            facts = tray.ArrivalFacts(one.visit_id, one.id, stored, came, taken)
            placing = tray.place_on_arrival(db, facts)
            if db.get(PhotoFile, stored) is None:
                db.add(_photo_file(stored, came, taken))
            db.flush()
            arrival = Arrival(
                id=new_id(),
                seq=(db.scalar(select(func.max(Arrival.seq))) or 0) + 1,
                visit_id=one.visit_id,
                round_id=placing.round_id,
                sent_to_round_id=one.id,
                sha256=stored,
                name=name,
                client_key=new_id(),
                by=self.caller.person_id,
                at=now(),
                tray_reason=placing.tray_reason,
                state=state,
                remarks=list(placing.remarks),
                slip_seen=slip_seen,
            )
            db.add(arrival)
            db.flush()
            tray.after_looking(db, arrival)
            db.expunge(_whole(db, arrival))
        return arrival

    def summary(self, visit: Visit) -> visits.VisitView:
        with self.store.reading() as db:
            return visits.summary(db, visit.id)


def _photo_file(stored: str, came: str, taken: str | None) -> PhotoFile:
    return PhotoFile(
        sha256=stored,
        came_as_sha256=came,
        taken_out=["place (GPS)"] if came != stored else [],
        n_bytes=3_000_000,
        kind="jpeg",
        size_px=[4032, 3024],
        exif={"make": "Invented", "model": "Phone 1", "taken": taken},
        stored_at=now(),
    )


@pytest.fixture
def bay(
    store: Store,
    technician: Caller,
    kit: KitRevision,
    placement: PlacementRevision,
    vehicle_json: dict[str, Any],
) -> Bay:
    """A technician with kit, placement and vehicle, ready to begin."""
    return Bay(store, technician, kit, placement, vehicle_json)


@pytest.fixture
def sign(store: Store) -> Callable[[Visit], None]:
    """`sign(visit)`: mark a visit as signed, without a record."""

    def mark(visit: Visit) -> None:
        with store.writing() as db:
            db.get_one(Visit, visit.id).signed_at = now()

    return mark


# --- records ----------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def _signed_once(tmp_path_factory: pytest.TempPathFactory) -> Signed:
    opened = open_store(tmp_path_factory.mktemp("signed") / "store")
    made = sign_two(opened)
    opened.close()
    return made


@pytest.fixture(scope="session")
def _signed_on_the_fleet(servers: fleet.Fleet, tmp_path_factory: pytest.TempPathFactory) -> Signed:
    opened = open_store(servers.new_place(tmp_path_factory.mktemp("signed") / "fleet"))
    made = sign_two(opened)
    opened.close()
    return made


@pytest.fixture
def signed(service_settings: Settings, request: pytest.FixtureRequest) -> Iterator[Signed]:
    """A store with two signed visits, to be spoilt at will; `app` and `client` run on the same one."""
    is_on_the_fleet = bool(service_settings.database)
    once = request.getfixturevalue("_signed_on_the_fleet" if is_on_the_fleet else "_signed_once")
    if not is_on_the_fleet:
        shutil.copytree(once.store.folder, service_settings.folder, dirs_exist_ok=True)
    opened = open_store(service_settings.place)
    yield replace(once, store=opened)
    opened.close()
