"""The store: its database, opened, brought up to date, and used in transactions."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import delete, insert, select
from sqlalchemy.engine import Engine
from sqlalchemy.orm import Session

from api import databases
from api.databases import DATABASE as DATABASE
from api.place import Place
from api.problems import ConflictError
from api.tables import Change, Setting

STORE_ID = "store_id"
# A page that slept through more changes than these looks at everything again.
KEPT_CHANGES = 2_000


def now() -> str:
    """This moment, as the tables keep it."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def new_id() -> str:
    """An id that no other store will give."""
    return uuid4().hex


class Store:
    """An open store.

    Attributes:
        place: Where it lies.
        engine: The database. Transactions through `reading` and `writing`, short, one per fact.
        id: Of this store, as its chain and its visits carry it.
    """

    def __init__(self, place: Place, engine: Engine) -> None:
        self.place = place
        self.engine = engine
        with self.writing() as db:
            self.id = _store_id(db)

    @property
    def folder(self) -> Path:
        """The store's folder on this machine."""
        return self.place.folder

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A transaction that sees one state throughout and changes nothing."""
        with Session(self.engine) as db:
            databases.begin_reading(db)
            yield db

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """A transaction that holds the write lock from its start: what it read stays so until it commits."""
        with Session(self.engine) as db, db.begin():
            databases.begin_writing(db)
            yield db

    def close(self) -> None:
        self.engine.dispose()


def open_store(at: Path | Place) -> Store:
    """Open a store, make it where there is none, and bring its tables to today's state.

    Raises:
        ServiceError: It cannot be had, in words.
    """
    place = Place.of(at)
    place.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    place.folder.chmod(0o700)
    engine = databases.engine_of(place)
    migrate(engine)
    return Store(place, engine)


def newest_state() -> str:
    """The revision to which `migrate` brings the tables."""
    head = ScriptDirectory.from_config(_migrations()).get_current_head()
    assert head is not None
    return head


def migrate(engine: Engine, to: str = "head") -> None:
    """Bring the tables to a revision; the change and its record are one transaction.

    Raises:
        ConflictError: They are of a later version than this program.
    """
    config = _migrations()
    known = {one.revision for one in ScriptDirectory.from_config(config).walk_revisions()}
    with engine.begin() as connection:
        if databases.is_postgresql(connection):
            databases.take_write_lock(connection)
        at = MigrationContext.configure(connection).get_current_revision()
        if at is not None and at not in known:
            raise ConflictError(
                "This store was made by a later version of plumbsight. Start that one, or update this one."
            )
        config.attributes["connection"] = connection
        command.upgrade(config, to)


def _migrations() -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    return config


def _store_id(db: Session) -> str:
    kept = db.scalar(select(Setting).where(Setting.name == STORE_ID))
    if kept is None:
        kept = Setting(name=STORE_ID, value={"id": new_id()})
        db.add(kept)
    return kept.value["id"]


def tell(db: Session, visit_id: str | None, what: str) -> None:
    """Let open pages know, once this transaction stands, that something changed."""
    last = db.scalar(insert(Change).values(visit_id=visit_id, what=what).returning(Change.seq))
    db.execute(delete(Change).where(Change.seq <= (last or 0) - KEPT_CHANGES))
