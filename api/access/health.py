"""How the service and its store are: room on the disk, what waits, whether the clock can be right."""

import os
import platform
import shutil
import sqlite3
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import func, select, text
from sqlalchemy.orm import Session as Db

from api.settings import Settings
from api.tables import Arrival, Entry, Measured, PhotoFile, Session
from calib_data.result import made_with

# Recent use: four weeks hold a shop's weekly ups and downs.
_RECENT = timedelta(days=28)
# "In time" for a shop to get another disk. Common practice, no source.
FEWEST_DAYS = 14
# Two machines' clocks may differ by so much without anyone having set one.
_CLOCK_DOUBT = timedelta(minutes=2)
# The program is not older than this, so that no earlier moment can be now.
_NOT_BEFORE = "2026-01-01"


@dataclass(frozen=True)
class Room:
    """Room on the store's disk.

    Attributes:
        days_left: Working days until it is full, at the use of the last four weeks; None: no use yet.
        says: What to do; empty while there is enough.
    """

    free_bytes: int
    store_bytes: int
    bytes_per_working_day: int | None
    days_left: int | None
    says: str


@dataclass(frozen=True)
class Queue:
    """What waits for the workers."""

    n_photos: int
    n_rounds: int


@dataclass(frozen=True)
class Versions:
    """What runs, as a report of a defect needs it."""

    plumbsight: str
    python: str
    database: str
    tables: str
    system: str


def room(db: Db, settings: Settings) -> Room:
    """Room on the disk, and for how long it lasts."""
    free, store = shutil.disk_usage(settings.folder).free, _folder_bytes(settings.folder)
    usable = max(0, free - settings.reserve_bytes)
    per_day = _bytes_per_working_day(db, store, is_with_photos=not settings.photos)
    days_left = None if per_day is None else usable // per_day
    return Room(free, store, per_day, days_left, _room_says(usable, days_left))


def _room_says(usable_bytes: int, days_left: int | None) -> str:
    if usable_bytes == 0:
        return "The disk is full: no photo is taken in. Make room, or move the store to a larger disk."
    if days_left is not None and days_left < FEWEST_DAYS:
        return f"The disk will be full in about {days_left} working days. Make room in time."
    return ""


def _bytes_per_working_day(db: Db, store_bytes: int, is_with_photos: bool) -> int | None:
    """Mean growth of the store on days when photos came; previews and tables grow with the photos.

    Args:
        is_with_photos: The photos lie on this disk, too.
    """
    stored = select(func.sum(PhotoFile.n_bytes)).where(PhotoFile.removed_at.is_(None))
    since = f"{datetime.now(UTC) - _RECENT:%Y-%m-%dT%H:%M:%S}"
    days = func.count(func.distinct(func.substr(PhotoFile.stored_at, 1, 10)))
    recent, n_days = db.execute(
        select(func.sum(PhotoFile.n_bytes), days).where(PhotoFile.stored_at > since)
    ).one()
    if not recent:
        return None
    share = store_bytes / max(db.scalar(stored) or 0, 1)
    return max(1, round(recent / n_days * (max(share, 1.0) if is_with_photos else share)))


def _folder_bytes(folder: Path) -> int:
    total = 0
    for where, _, names in os.walk(folder):
        for name in names:
            try:
                total += os.stat(os.path.join(where, name)).st_size
            except FileNotFoundError:  # a file on its way into the store was just renamed
                continue
    return total


def queue(db: Db) -> Queue:
    """What waits for the workers."""
    return Queue(_n_waiting(db, Arrival), _n_waiting(db, Measured))


def _n_waiting(db: Db, table: type[Arrival] | type[Measured]) -> int:
    return db.scalar(select(func.count()).select_from(table).where(table.state == "waiting")) or 0


def clock_says(db: Db, at: datetime | None = None) -> str:
    """Why this machine's clock cannot be right; empty if nothing speaks against it."""
    at = at or datetime.now(UTC)
    if at < datetime.fromisoformat(_NOT_BEFORE).replace(tzinfo=UTC):
        return f"This machine's clock says {at:%Y-%m-%d}. Set it before you go on: records carry its time."
    latest = max(filter(None, (db.scalar(select(func.max(one))) for one in _TIMES)), default=None)
    if latest is None or at > datetime.fromisoformat(latest) - _CLOCK_DOUBT:
        return ""
    return (
        f"This machine's clock says {at:%Y-%m-%d %H:%M} UTC, and something was stored here at "
        f"{latest[:16].replace('T', ' ')} UTC. One is wrong: set the clock, and note it in the visit."
    )


_TIMES = (Arrival.at, Entry.at, Measured.asked_at, Session.seen_at)


def _database(db: Db) -> str:
    dialect = db.get_bind().dialect
    version = ".".join(map(str, getattr(dialect, "server_version_info", ()) or ()))
    return f"PostgreSQL {version}" if dialect.name == "postgresql" else f"SQLite {sqlite3.sqlite_version}"


def versions(db: Db) -> Versions:
    """What runs here."""
    tables = db.scalar(text("select version_num from alembic_version")) or ""
    return Versions(
        made_with()["plumbsight"],
        platform.python_version(),
        _database(db),
        tables,
        f"{platform.system()} {platform.machine()}",
    )
