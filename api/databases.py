"""The two databases that a store may have, and all that differs between them.

SQLite, in the store's folder: a writer takes its one write lock at once (BEGIN IMMEDIATE). PostgreSQL: a
writer first takes an advisory lock that all writers of the store take, so that they come one after the other
there too; chain, numbers and order of arrival rest on that. Readers see one state throughout on both.
"""

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import create_engine, event, make_url, text
from sqlalchemy.engine import URL, Connection, Engine
from sqlalchemy.exc import ArgumentError, OperationalError
from sqlalchemy.orm import Session

from api.place import Place
from api.problems import AwayError, ConflictError, NotAcceptedError

DATABASE = "plumbsight.sqlite"
# A writer waits this long for another one before the request fails.
BUSY_MS = 20_000
# Keys of the advisory locks, any two that no other program in the same database uses.
_WRITE_LOCK, _SERVICE_LOCK = 0x706C756D62, 0x706C756D63
# After a service was killed, its server may need a moment to notice.
_SERVICE_LOCK_SECONDS = 15.0
_LEAST_VERSION = 13
_CONNECTIONS = 20  # and as many more at once; requests are answered by at most forty threads
_LACKING = "This needs the packages of plumbsight's extra `fleet`: pip install plumbsight[fleet]."


def engine_of(place: Place) -> Engine:
    """The database, not yet connected to.

    Raises:
        NotAcceptedError: The URL is none of a PostgreSQL database.
        ConflictError: Its driver is not installed.
    """
    return _postgresql(place.database) if place.database else _sqlite(place.folder / DATABASE)


def is_postgresql(bound: Engine | Connection) -> bool:
    return bound.dialect.name == "postgresql"


def begin_reading(db: Session) -> None:
    """See one state from now on."""
    if is_postgresql(db.get_bind()):
        db.connection(execution_options={"isolation_level": "REPEATABLE READ", "postgresql_readonly": True})


def begin_writing(db: Session) -> None:
    """Take the write lock: what is read from now on stays so until this transaction commits."""
    if is_postgresql(db.get_bind()):
        take_write_lock(db.connection())
    else:
        db.connection(execution_options={"begin": "IMMEDIATE"})


def take_write_lock(connection: Connection) -> None:
    """PostgreSQL's, until the transaction ends; every statement after it sees what was committed before.

    Whatever the server is set to, a commit is answered only when it is on its disk.
    """
    connection.exec_driver_sql("SET LOCAL synchronous_commit = on")
    connection.exec_driver_sql(f"SET LOCAL lock_timeout = {BUSY_MS}")
    connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITE_LOCK})")


@contextmanager
def reading_only(place: Place) -> Iterator[Session]:
    """A session that cannot change the database, nor make one."""
    engine = _postgresql(place.database) if place.database else _sqlite_for_reading(place.folder / DATABASE)
    try:
        with Session(engine) as db:
            begin_reading(db)
            db.connection()
            yield db
    finally:
        engine.dispose()


@contextmanager
def held_by_a_service(engine: Engine) -> Iterator[None]:
    """A PostgreSQL database, by a lock that all its clients see; SQLite's lies in the folder that is held.

    Raises:
        ConflictError: Another service runs on this database.
    """
    if not is_postgresql(engine):
        yield
        return
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        ends_at = time.monotonic() + _SERVICE_LOCK_SECONDS
        while not connection.scalar(text(f"SELECT pg_try_advisory_lock({_SERVICE_LOCK})")):
            if time.monotonic() > ends_at:
                raise ConflictError(
                    "Another service runs on this database already. Use that one, or end it first."
                )
            time.sleep(0.2)
        try:
            yield
        finally:
            connection.scalar(text(f"SELECT pg_advisory_unlock({_SERVICE_LOCK})"))


# --- SQLite ---------------------------------------------------------------------------------------


def _sqlite(path: Path) -> Engine:
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

    return engine


def _sqlite_for_reading(path: Path) -> Engine:
    # Where nothing can be written no service runs, and the database would want to write its locks.
    how = "mode=ro" if os.access(path.parent, os.W_OK) else "mode=ro&immutable=1"

    def connect() -> sqlite3.Connection:
        address = f"{path.absolute().as_uri()}?{how}"
        return sqlite3.connect(address, uri=True, isolation_level=None, check_same_thread=False)

    engine = create_engine("sqlite://", creator=connect)

    @event.listens_for(engine, "begin")
    def _begin(connection):  # type: ignore[no-untyped-def]
        connection.exec_driver_sql("BEGIN")

    return engine


# --- PostgreSQL -----------------------------------------------------------------------------------


def _postgresql(address: str) -> Engine:
    try:
        engine = create_engine(
            _url(address),
            pool_pre_ping=True,  # a connection that broke meanwhile is made anew
            pool_size=_CONNECTIONS,
            max_overflow=_CONNECTIONS,
            connect_args={"connect_timeout": 10, "application_name": "plumbsight"},
        )
    except ModuleNotFoundError as wrong:
        raise ConflictError(_LACKING) from wrong
    _check_server(engine)
    return engine


def _url(address: str) -> URL:
    try:
        url = make_url(address)
    except ArgumentError as wrong:
        raise NotAcceptedError(
            "The database's address is no URL like postgresql://plumbsight@db.shop/plumbsight."
        ) from wrong
    if url.get_backend_name() not in ("postgresql", "postgres"):
        raise NotAcceptedError(
            f"A {url.get_backend_name()} database is not served: only PostgreSQL, or, with no address, the "
            "SQLite file in the store's folder."
        )
    return url.set(drivername="postgresql+psycopg")


def _check_server(engine: Engine) -> None:
    try:
        with engine.connect() as connection:
            encoding, version, fsync = (
                str(connection.exec_driver_sql(f"SHOW {name}").scalar())
                for name in ("server_encoding", "server_version_num", "fsync")
            )
    except OperationalError as wrong:
        where, says = engine.url.host or "this machine", str(wrong.orig).strip()
        raise AwayError(
            f"The database at {where} cannot be reached ({says}). Start it, or mend its address."
        ) from wrong
    if encoding != "UTF8":
        raise ConflictError(f"The database is encoded as {encoding}. Make one with the encoding UTF8.")
    if int(version) < 10_000 * _LEAST_VERSION:
        raise ConflictError(f"The database is older than PostgreSQL {_LEAST_VERSION}. Use a newer one.")
    if fsync != "on":
        raise ConflictError(
            "The database runs with fsync off: a pulled plug would lose what was acknowledged. Turn it on."
        )
