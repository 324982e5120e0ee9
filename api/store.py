"""The store: one folder with the database, the photo files and the previews."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from uuid import uuid4

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, delete, event, insert, select
from sqlalchemy.engine import Engine
from sqlalchemy.orm import Session

from api.problems import ConflictError
from api.tables import Change, Setting

DATABASE = "plumbsight.sqlite"
STORE_ID = "store_id"
# A writer waits this long for another one before the request fails.
BUSY_MS = 20_000
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
        folder: Where it lies.
        engine: The database. Transactions through `reading` and `writing`, short, one per fact.
        id: Of this store, as its chain and its visits carry it.
    """

    def __init__(self, folder: Path, engine: Engine) -> None:
        self.folder = folder
        self.engine = engine
        with self.writing() as db:
            self.id = _store_id(db)

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A transaction that sees one state throughout and changes nothing."""
        with Session(self.engine) as db:
            yield db

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """A transaction that holds the write lock from its start: what it read stays so until it commits."""
        with Session(self.engine) as db, db.begin():
            db.connection(execution_options={"begin": "IMMEDIATE"})
            yield db

    def close(self) -> None:
        self.engine.dispose()


def open_store(folder: Path) -> Store:
    """Open a store, make it where there is none, and bring its tables to today's state."""
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    engine = _engine(folder / DATABASE)
    migrate(engine)
    return Store(folder, engine)


def newest_state() -> str:
    """The revision to which `migrate` brings the tables."""
    head = ScriptDirectory.from_config(_migrations()).get_current_head()
    assert head is not None
    return head


def migrate(engine: Engine, to: str = "head") -> None:
    """Bring the tables to a revision; SQLite's change and its record are one transaction.

    Raises:
        ConflictError: They are of a later version than this program.
    """
    config = _migrations()
    known = {one.revision for one in ScriptDirectory.from_config(config).walk_revisions()}
    with engine.begin() as connection:
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


def _engine(path: Path) -> Engine:
    engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": BUSY_MS / 1000})

    @event.listens_for(engine, "connect")
    def _configure(connection, _record):  # type: ignore[no-untyped-def]
        # The driver would begin transactions by itself, late and not for every statement.
        connection.isolation_level = None
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", f"busy_timeout={BUSY_MS}"):
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begin(connection):  # type: ignore[no-untyped-def]
        kind = connection.get_execution_options().get("begin", "DEFERRED")
        connection.exec_driver_sql(f"BEGIN {kind}")

    os.chmod(path.parent, 0o700)
    return engine


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
