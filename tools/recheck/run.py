"""One run of a re-check: what is listed and not in the results yet is measured, and kept as it is done."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from threading import Thread

from sqlalchemy import Engine, case, delete, func, select
from sqlalchemy.orm import Session

from calib_data.levels import PhotoLevel
from calib_data.recheck import OUTCOMES, SOUND, Mode
from calib_data.results import Failed, Finding, Photo, Round, Run, Value, opened, settle
from tools.recheck import listing, workers
from tools.recheck.again import RoundAgain
from tools.recheck.listing import Archive
from tools.recheck.service_store import StoreAddress
from tools.recheck.sets import ArchivedSet, fingerprint_of
from tools.recheck.software import software
from vision.errors import InputFileError

MOST_EXAMPLES = 10


@dataclass(frozen=True)
class Wanted:
    """What is asked for.

    Attributes:
        n_workers: Processes on this machine; None: as many as it has room for; 0: none, in this very one.
        scheduler: A Dask scheduler's address, in place of this machine's processes.
        again: Measure also what stands in the results already.
    """

    archive: Archive
    out: Path
    mode: Mode
    n_workers: int | None = None
    scheduler: str | None = None
    again: bool = False


# Called with how many sets are done, now or before, and how many there are; None while they are counted.
Tell = Callable[[int, int | None], None]


@dataclass(frozen=True)
class Summary:
    """What the results hold of an archive and mode after a run.

    Attributes:
        outcomes: How many rounds have which.
        examples: Some rounds that ask for somebody's eyes, the gravest first: title, and what is the matter.
    """

    n_sets: int
    n_measured: int
    outcomes: dict[str, int]
    examples: tuple[tuple[str, str], ...]


def run(wanted: Wanted, tell: Tell = lambda *_: None) -> Summary:
    """Measure an archive again, from wherever an earlier run came to.

    Raises:
        InputFileError: The archive or the results cannot be read.
        PlumbsightError: The cluster cannot be used.
    """
    _keep_out_of(wanted.archive, wanted.out)
    with opened(wanted.out, makes=True) as engine:
        done = _Kept(engine, wanted)
        counted = _Counted(wanted.archive)
        with ExitStack() as stack:
            submit, n_in_flight = _way(wanted, stack)
            todo = done.without_known(listing.sets_of(wanted.archive), lambda n: tell(n, counted.n))
            for one, again in workers.done_of(todo, submit, n_in_flight):
                done.keep(one, again)
                tell(done.n_done, counted.n)
        done.end()
        return done.summary()


def _keep_out_of(archive: Archive | None, out: Path) -> None:
    if isinstance(archive, StoreAddress):
        archive = archive.folder
    if archive is None:
        return
    local = archive.local or (Path(archive.url).parent if "://" not in archive.url else None)
    if local is not None and out.absolute().resolve().is_relative_to(local.resolve()):
        raise InputFileError(f"{out} lies in the archive, where nothing is written. Name a file elsewhere.")


def _way(wanted: Wanted, stack: ExitStack) -> tuple[workers.Submit, int]:
    if wanted.archive.is_in_memory or wanted.n_workers == 0:
        return stack.enter_context(workers.right_here(wanted.mode)), 1
    if wanted.scheduler is not None:
        submit, n = stack.enter_context(workers.on_a_cluster(wanted.scheduler, wanted.mode))
    else:
        n = wanted.n_workers or workers.count()
        submit = stack.enter_context(workers.on_this_machine(n, wanted.mode))
    return submit, n * workers.IN_FLIGHT_PER_WORKER


class _Counted:
    """How many sets there are, found out beside the measuring."""

    def __init__(self, archive: Archive) -> None:
        self.n: int | None = None
        self._archive = archive
        Thread(target=self._count, daemon=True).start()

    def _count(self) -> None:
        try:
            self.n = listing.count(self._archive)
        except InputFileError:
            return  # listing says so


class _Kept:
    """The results, as one run fills them."""

    def __init__(self, engine: Engine, wanted: Wanted) -> None:
        self._engine, self._wanted = engine, wanted
        versions = software()
        self._software = fingerprint_of(versions)
        self.n_done = 0
        self._n_measured = 0
        with Session(engine) as db, db.begin():
            row = Run(
                archive=str(wanted.archive),
                mode=wanted.mode,
                versions=versions,
                started_at=_now(),
                ended_at=None,
            )
            db.add(row)
            db.flush()
            self._run_id = row.id

    def without_known(
        self, sets: Iterator[ArchivedSet], tell: Callable[[int], None]
    ) -> Iterator[ArchivedSet]:
        """Those that have no rows yet, or rows of other contents or software."""
        with Session(self._engine) as db:
            for one in sets:
                if not self._wanted.again and self._is_known(db, one):
                    self.n_done += 1
                    tell(self.n_done)
                else:
                    yield one

    def _is_known(self, db: Session, one: ArchivedSet) -> bool:
        query = select(Round.id).where(
            *self._of(one), Round.fingerprint == one.fingerprint, Round.software == self._software
        )
        known = db.scalar(query.limit(1)) is not None
        db.rollback()  # a read that stays open would see yesterday's rows
        return known

    def _of(self, one: ArchivedSet) -> tuple:
        mode = self._wanted.mode
        return (Round.archive == one.archive, Round.set_id == one.set_id, Round.mode == mode)

    def keep(self, one: ArchivedSet, again: Sequence[RoundAgain]) -> None:
        """Put a set's rounds in the place of earlier rows, all at once."""
        with Session(self._engine) as db, db.begin():
            db.execute(delete(Round).where(*self._of(one)))
            for told in again:
                self._add(db, one, told)
            row = db.get_one(Run, self._run_id)
            row.n_measured += 1
        self.n_done += 1
        self._n_measured += 1

    def _add(self, db: Session, one: ArchivedSet, told: RoundAgain) -> None:
        mode = self._wanted.mode
        twin = select(Round.id).where(
            Round.archive == one.archive,
            Round.round_id == told.facts["round_id"],
            Round.mode == mode,
            Round.is_copy.is_(False),
        )
        row = Round(
            run_id=self._run_id,
            archive=one.archive,
            set_id=one.set_id,
            mode=mode,
            fingerprint=one.fingerprint,
            software=self._software,
            is_copy=db.scalar(twin.limit(1)) is not None,
            **told.facts,
        )
        db.add(row)
        db.flush()
        db.add_all(Value(round=row.id, position=i, **asdict(v)) for i, v in enumerate(told.values))
        db.add_all(
            Failed(round=row.id, position=i, name=t.name, says=t.says) for i, t in enumerate(told.failed)
        )
        db.add_all(_photo(row.id, i, level) for i, level in enumerate(told.photos))
        db.add_all(Finding(round=row.id, position=i, **asdict(f)) for i, f in enumerate(told.findings))

    def end(self) -> None:
        """Say that the run went through."""
        with Session(self._engine) as db, db.begin():
            row = db.get_one(Run, self._run_id)
            row.ended_at, row.n_listed = _now(), self.n_done
        settle(self._engine)

    def summary(self) -> Summary:
        of_this = (Round.archive == str(self._wanted.archive), Round.mode == self._wanted.mode)
        with Session(self._engine) as db:
            count = select(Round.outcome, func.count()).where(*of_this).group_by(Round.outcome)
            outcomes = {outcome: n for outcome, n in db.execute(count)}
            grave = [outcome for outcome in OUTCOMES if outcome in outcomes and outcome not in SOUND]
            order = (
                case({outcome: i for i, outcome in enumerate(grave)}, value=Round.outcome) if grave else None
            )
            rows = db.scalars(
                select(Round)
                .where(*of_this, Round.outcome.in_(grave))
                .order_by(order, Round.id)
                .limit(MOST_EXAMPLES)
            )
            examples = tuple((_title(row), f"{OUTCOMES[row.outcome]}. {row.says}") for row in rows)
        return Summary(self.n_done, self._n_measured, outcomes, examples)


def _photo(row_id: int, position: int, level: PhotoLevel) -> Photo:
    return Photo(
        round=row_id,
        position=position,
        name=level.name,
        n=level.n,
        rms=level.rms,
        worst_plate=level.worst.plate,
        worst_rms=level.worst.rms,
        plates=[
            [one.plate, one.n, round(one.rms, 3), round(one.rms_px, 4), *one.box_px] for one in level.plates
        ],
    )


def _title(row: Round) -> str:
    of_visit = f"visit {row.visit}, round {row.number}"
    return f"{row.set_id}: {of_visit}" if row.visit is not None else row.set_id


def _now() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
