"""The results of a re-check: one SQLite file, apart from the archive, that statistics read.

Six tables: `run` (who measured when, with which versions), `round` (one row for each round of each archive
and mode, never two), `value` (its figures, then and today), `photo` (what is left over in each of its photos
today), `failed` (the consistency tests that it fails today), `finding` (all that was noticed). A round that
is measured again replaces all its rows in one transaction, so that whatever moment a run ends in, the file
holds each round whole or not at all. No names of people are kept, only their roles, and in a study an id.

Lengths in mm, angles in degrees, times ISO 8601 as the archive tells them.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import JSON, Computed, Engine, ForeignKey, Index, UniqueConstraint, create_engine, event
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import DeclarativeBase, Mapped, Session, mapped_column

from vision.errors import InputFileError

# Raised when tables or columns change: an older file is refused, since measuring anew is cheap to ask for.
STATE = 4


# A page of a hundred thousand rounds is found by these in milliseconds (tools/benchmarks/bench_review.py).
SORTED_BY = ("taken", "wheelbase_off", "residual_ratio", "redundancy", "n_photos", "largest_off_u")
FILTERED_BY = ("bay", "kit_name", "phone", "vehicle", "decision_today", "outcome", "study")


class Table(DeclarativeBase):
    """Base of the tables."""

    type_annotation_map = {dict[str, Any]: JSON, list[Any]: JSON}


class Run(Table):
    """One call of the command. `ended_at` stays empty where it was stopped or killed."""

    __tablename__ = "run"
    id: Mapped[int] = mapped_column(primary_key=True)
    archive: Mapped[str]  # as named on the command line
    mode: Mapped[str]  # observations, photos
    versions: Mapped[dict[str, Any]]  # as a result's made_with, and a digest of the code
    started_at: Mapped[str]
    ended_at: Mapped[str | None]
    n_listed: Mapped[int] = mapped_column(default=0)
    n_measured: Mapped[int] = mapped_column(default=0)  # the others stood here from an earlier run


class Round(Table):
    """One round, measured again. What the archive does not tell, or measuring did not give, is NULL.

    A round belongs to a set: a visit, or a folder of photos that belongs to none. Archive, set, number and
    mode name the row for good. `person` is the role of who closed the round. The same visit may lie in an
    archive several times, as exports do: each is measured, and all but the first have `is_copy`.
    """

    __tablename__ = "round"
    id: Mapped[int] = mapped_column(primary_key=True)
    run_id: Mapped[int] = mapped_column(ForeignKey("run.id"))
    archive: Mapped[str]  # as named on the command line
    set_id: Mapped[str]  # where in the archive: a visit's id in a store, else a path
    number: Mapped[int]  # of the round in its visit; 1 where there is none
    mode: Mapped[str]  # observations, photos
    # What it stands for: the same again is not measured again.
    fingerprint: Mapped[str]
    software: Mapped[str]

    # What happened, as the archive tells it.
    round_id: Mapped[str]  # the record's id of the round; where there is none, as set_id
    is_copy: Mapped[bool]  # the archive has this round in an earlier row too
    store_id: Mapped[str | None]
    shop: Mapped[str | None]
    visit_id: Mapped[str | None]
    visit: Mapped[int | None]  # its number, as on the slip
    kind: Mapped[str | None]  # first, after_correction, after_calibration
    is_last: Mapped[bool]  # the look whose decision is the visit's
    taken: Mapped[str | None]  # when the round was opened; of a plain set, its day
    bay: Mapped[str | None]
    person: Mapped[str | None]  # technician, reviewer, owner
    # Of a study (plumbsight.set/1 and record/1, `study`): its name, which set-up, and who by a sign, no name:
    # of a record the person's id. None took it where several people's photos are in one round.
    study: Mapped[str | None]
    set_up: Mapped[str | None]
    by: Mapped[str | None]
    phone_make: Mapped[str | None]
    phone_model: Mapped[str | None]
    phone_lens: Mapped[str | None]
    n_phones: Mapped[int | None]
    kit_id: Mapped[str | None]
    kit_name: Mapped[str | None]
    kit_revision: Mapped[int | None]
    kit_sha256: Mapped[str | None]  # of the kit's file as the round used it, canonical
    vehicle_label: Mapped[str | None]
    vehicle_model: Mapped[str | None]
    wheelbase_mm: Mapped[float | None]  # declared
    u_wheelbase_mm: Mapped[float | None]

    # What measuring it today gave.
    n_photos: Mapped[int | None]
    n_photos_used: Mapped[int | None]
    n_plates: Mapped[int | None]
    wheelbase_left_mm: Mapped[float | None]
    u_wheelbase_left_mm: Mapped[float | None]
    wheelbase_right_mm: Mapped[float | None]
    u_wheelbase_right_mm: Mapped[float | None]
    chi2: Mapped[float | None]
    redundancy: Mapped[float | None]
    rms_px: Mapped[float | None]
    decision_signed: Mapped[str | None]
    decision_today: Mapped[str | None]

    # What comes of comparing: an outcome of calib_data.recheck.
    outcome: Mapped[str]
    says: Mapped[str]
    largest_off_u: Mapped[float | None]  # largest difference of all values, in the signed u
    largest_off: Mapped[str | None]  # which value that is
    seconds: Mapped[float]

    # What a reviewer sorts and filters by, kept by the database itself.
    phone: Mapped[str | None] = mapped_column(
        Computed("nullif(trim(coalesce(phone_make, '') || ' ' || coalesce(phone_model, '')), '')", False)
    )
    vehicle: Mapped[str | None] = mapped_column(Computed("coalesce(vehicle_model, vehicle_label)", False))
    wheelbase_off: Mapped[float | None] = mapped_column(  # measured over declared, less 1
        Computed("(wheelbase_left_mm + wheelbase_right_mm) / 2 / wheelbase_mm - 1", False)
    )
    residual_ratio: Mapped[float | None] = mapped_column(Computed("chi2 / redundancy", False))

    __table_args__ = (
        UniqueConstraint("archive", "set_id", "number", "mode"),
        Index("ix_round_round_id", "round_id"),
        Index("ix_round_outcome", "mode", "outcome"),
        *(Index(f"ix_round_by_{name}", name, "id") for name in SORTED_BY),
        *(Index(f"ix_round_of_{name}", name, "taken", "id") for name in FILTERED_BY),
    )


class Value(Table):
    """One figure of a round, signed and today.

    | subject | name | key |
    |---|---|---|
    | placement | the placement's name | distance_mm, lateral_mm ... |
    | relation | the relation's name | spacing_mm, symmetry_mm ... |
    | shift | the shift's name | of the round where it ends: the difference from the earlier round |
    | vehicle | empty | wheelbase_left_mm, toe_rear_left_deg ... |
    | sheet | the plate's number | printed_scale: measured / nominal length as the photos have it |
    | ruler | empty | scale: what all sheets have in common, 1 as declared |

    A sheet's figure is an adjusted one: its declared value with its u took part in it.
    """

    __tablename__ = "value"
    round: Mapped[int] = mapped_column(ForeignKey("round.id", ondelete="CASCADE"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    subject: Mapped[str]
    name: Mapped[str]
    key: Mapped[str]
    declared: Mapped[float | None]
    u_declared: Mapped[float | None]
    signed: Mapped[float | None]
    u_signed: Mapped[float | None]
    today: Mapped[float | None]
    u_today: Mapped[float | None]
    off_u: Mapped[float | None]  # today - signed, in u_signed
    nominal: Mapped[float | None]
    minus: Mapped[float | None]
    plus: Mapped[float | None]
    decision_signed: Mapped[str | None]
    decision_today: Mapped[str | None]
    p_conform_today: Mapped[float | None]
    says: Mapped[str]  # why there is no figure

    __table_args__ = (Index("ix_value_key", "subject", "key"),)


class Photo(Table):
    """What today's adjustment leaves over in a photo that took part (calib_data.levels).

    `rms`: of the whitened residuals, about 1; `plates`: [plate, n, rms, rms_px, left, top, right, bottom]
    of each, the box in px of the stored array.
    """

    __tablename__ = "photo"
    round: Mapped[int] = mapped_column(ForeignKey("round.id", ondelete="CASCADE"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str]
    n: Mapped[int]  # points used
    rms: Mapped[float]
    worst_plate: Mapped[int]
    worst_rms: Mapped[float]
    plates: Mapped[list[Any]]


class Failed(Table):
    """A consistency test that a round fails today, the likeliest cause first."""

    __tablename__ = "failed"
    round: Mapped[int] = mapped_column(ForeignKey("round.id", ondelete="CASCADE"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(index=True)
    says: Mapped[str]


class Finding(Table):
    """Something noticed in a round; `kind` is an outcome of calib_data.recheck, or one of its notes."""

    __tablename__ = "finding"
    round: Mapped[int] = mapped_column(ForeignKey("round.id", ondelete="CASCADE"), primary_key=True)
    position: Mapped[int] = mapped_column(primary_key=True)
    kind: Mapped[str] = mapped_column(index=True)
    about: Mapped[str]  # a photo, a value, a file; empty: the round as a whole
    says: Mapped[str]


@contextmanager
def opened(path: Path, *, makes: bool) -> Iterator[Engine]:
    """A results file.

    Args:
        makes: Whether it may be made where there is none, and written; else it is only read.

    Raises:
        InputFileError: It is not there, no results file, or of another version.
    """
    if not makes and not path.is_file():
        raise InputFileError(f"{path} is not there. Name the file that plumbsight recheck --out wrote.")
    # Not "ro" for reading: a run that was killed may have left a journal that has to be rolled back first.
    address = f"{path.absolute().as_uri()}?mode={'rwc' if makes else 'rw'}"
    engine = create_engine("sqlite://", creator=lambda: sqlite3.connect(address, timeout=60, uri=True))

    @event.listens_for(engine, "connect")
    def _configure(connection, _record):  # type: ignore[no-untyped-def]
        connection.isolation_level = None  # the driver would leave the making of tables out of transactions
        connection.execute("PRAGMA foreign_keys=ON")
        connection.execute(f"PRAGMA query_only={'OFF' if makes else 'ON'}")

    @event.listens_for(engine, "begin")
    def _begin(connection):  # type: ignore[no-untyped-def]
        connection.exec_driver_sql("BEGIN")

    try:
        try:
            _check_state(engine, path, makes)
        except DatabaseError as wrong:
            raise InputFileError(
                f"{path} is no file of results ({wrong.orig}). Name another file, or a new one."
            ) from wrong
        yield engine
    finally:
        engine.dispose()


def settle(engine: Engine) -> None:
    """Count what is where, so that the database knows which of two filters leaves fewer rounds."""
    with engine.begin() as connection:
        connection.exec_driver_sql("ANALYZE")


def _check_state(engine: Engine, path: Path, makes: bool) -> None:
    with engine.connect() as connection:
        state = connection.exec_driver_sql("PRAGMA user_version").scalar_one()
        is_empty = connection.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar_one() == 0
    if makes and is_empty:
        with engine.begin() as connection:
            Table.metadata.create_all(connection)
            connection.exec_driver_sql(f"PRAGMA user_version={STATE}")
    elif state != STATE or is_empty:
        raise InputFileError(
            f"{path} holds no results of this version of plumbsight. Name a new file and measure again."
        )


@contextmanager
def reading(path: Path) -> Iterator[Session]:
    """A session on a results file, for statistics: nothing is written.

    Raises:
        InputFileError: It is not there, no results file, or of another version.
    """
    with opened(path, makes=False) as engine, Session(engine) as db:
        yield db
