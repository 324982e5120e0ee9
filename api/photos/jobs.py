"""Looking at photos and measuring rounds, in worker processes; what waits is told by the tables.

One thread of the service hands out the work and writes what comes back. Three kinds of workers: the desk, one
process for what somebody waits for (receiving a file, drawing), the bench, for looking and measuring, and the
coach, one process that steps back behind both. A worker that dies or takes too long is replaced; its task is
tried once more and then given up, in words.
"""

import logging
import multiprocessing
import threading
from collections import Counter
from collections.abc import Callable
from concurrent.futures import CancelledError, Future
from concurrent.futures import TimeoutError as TookTooLong
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any, Literal

from pebble import ProcessExpired, ProcessPool
from sqlalchemy.orm import Session

from api.photos import coaching, photofiles, receiving, work, workers
from api.photos.coachings import Coachings
from api.problems import AwayError, NotAcceptedError
from api.settings import Settings
from api.store import Store
from vision.errors import PhotoError

log = logging.getLogger("plumbsight")

# A call to wake the thread may be lost with an error: then it looks for work by itself.
IDLE_SECONDS, AFTER_ERROR_SECONDS = 30.0, 2.0
DESK_SECONDS = 30.0
OUTLOOK_SECONDS = 180.0  # half a minute is usual; the bench may have photos to look at first
MOST_TRIES = 2
TOO_MUCH = (
    "The program that reads photos failed on this one, twice. Leave it out, or take it again at the phone's "
    "ordinary size."
)
FAILED_ON_FILE = "The program that reads photos failed on this file. Leave it out, or take the photo again."
NOT_COACHED = "What these photos come to could not be worked out. Close the round: measuring tells more."
NOT_MEASURED = (
    "The program that measures failed on this round, twice. Measure it again; if that fails too, tell "
    "whoever keeps the service."
)
_BROKEN = (ProcessExpired, TookTooLong, MemoryError)


Key = tuple[str, str | int]


@dataclass(frozen=True)
class Failed:
    """A task that will not succeed, and why."""

    says: str


@dataclass(frozen=True)
class Task:
    """One thing for the bench to do.

    Attributes:
        id: The arrival's id, or the measuring's number.
        function, args: What the worker runs; plain values.
        write: Takes a transaction and the outcome, or `Failed`.
    """

    kind: Literal["look", "measure"]
    id: str | int
    function: Callable[..., Any]
    args: tuple[Any, ...]
    write: Callable[[Session, Any], None]

    @property
    def key(self) -> Key:
        return self.kind, self.id


# Gives the next task that waits in the tables, beside those that are under way; None: nothing to do now.
NextTask = Callable[[Session, Store, frozenset[Key], int], Task | None]


class Jobs:
    """Runs what waits in the tables; nothing is lost when it ends."""

    def __init__(self, store: Store, settings: Settings, next_task: NextTask) -> None:
        self.store = store
        self.settings = settings
        self._next_task = next_task
        self.n_workers = settings.n_workers or workers.count()
        self._bench: ProcessPool | None = None
        self._desk: ProcessPool | None = None
        self._coach: ProcessPool | None = None
        self._coachings = Coachings()
        self._thread: threading.Thread | None = None
        self._wake = threading.Event()
        self._is_ending = False
        self._under_way: set[Key] = set()
        self._ended: SimpleQueue[tuple[Task, Future]] = SimpleQueue()
        self._tries: Counter[Key] = Counter()

    def start(self) -> None:
        """Take up what waits."""
        photofiles.empty_incoming(self.store)
        workers.one_thread_each()
        self._bench = self._pool(self.n_workers, workers.BENCH_NICE)
        self._desk = self._pool(1, workers.DESK_NICE)
        self._coach = self._pool(1, workers.COACH_NICE)
        if self.settings.workers_at_start:
            self._desk.schedule(receiving.warm)
            self._coach.schedule(work.warm)
            for _ in range(self.n_workers):
                self._bench.schedule(work.warm)
        self._thread = threading.Thread(target=self._run, name="jobs", daemon=True)
        self._thread.start()
        self.wake()

    def stop(self) -> None:
        """End the workers; what they had not finished waits for the next start."""
        self._is_ending = True
        self.wake()
        if self._thread is not None:
            self._thread.join()
        for pool in (self._bench, self._desk, self._coach):
            if pool is not None:
                pool.stop()
                pool.join()

    def wake(self) -> None:
        """Say that something may wait."""
        self._wake.set()

    # --- the desk -----------------------------------------------------------------------------------

    def receive(self, path: Path, clean_path: Path, name: str, keeps_place: bool) -> receiving.Received:
        """Check a file that came in, and write what is to be stored of it.

        Raises:
            PhotoError, NotAcceptedError: It cannot be taken in.
        """
        return self._at_desk(FAILED_ON_FILE, receiving.receive, path, clean_path, name, keeps_place)

    def draw(self, sha256: str, name: str, found: bytes, plate: int | None, out: Path) -> None:
        """Draw what was found on a photo."""
        files = photofiles.files_at(self.store.place)
        self._at_desk(FAILED_ON_FILE, work.draw, files, sha256, name, found, plate, out)

    def coach(self, question: coaching.Asked) -> coaching.RoundCoaching:
        """What a round's photos come to so far, and the next one.

        Raises:
            ConflictError: The kit cannot measure the placement, whatever the photos.
        """
        assert self._coach is not None
        pool = self._coach
        try:
            return self._coachings.ask(
                question, lambda: pool.schedule(coaching.answer, args=(question,), timeout=DESK_SECONDS)
            )
        except (*_BROKEN, CancelledError) as broken:
            log.warning("the coach failed: %r", broken)
            raise NotAcceptedError(NOT_COACHED) from broken

    def at_bench(self, function: Callable[..., Any], *args: Any) -> Future:
        """Something that takes long and changes nothing, after what the bench has in hand."""
        assert self._bench is not None
        return self._bench.schedule(function, args=args, timeout=OUTLOOK_SECONDS)

    def _at_desk(self, if_it_fails: str, function: Callable[..., Any], *args: Any) -> Any:
        assert self._desk is not None
        try:
            return self._desk.schedule(function, args=args, timeout=DESK_SECONDS).result()
        except _BROKEN as broken:
            log.warning("the desk failed: %r", broken)
            raise NotAcceptedError(if_it_fails) from broken

    def _pool(self, n: int, nice: int) -> ProcessPool:
        return ProcessPool(
            max_workers=n,
            initializer=workers.begin,
            initargs=(nice, self.settings.worker_memory_bytes),
            context=multiprocessing.get_context("spawn"),
        )

    # --- the bench ----------------------------------------------------------------------------------

    def _run(self) -> None:
        while not self._is_ending:
            self._wake.wait(IDLE_SECONDS)
            self._wake.clear()
            try:
                self._write_what_ended()
                self._hand_out()
            except Exception:  # noqa: BLE001 - the tables still tell what waits; a full disk, say, may pass
                log.exception("handing out work failed; it is tried again")
                self._wake.wait(AFTER_ERROR_SECONDS)
                self._wake.set()

    def _hand_out(self) -> None:
        while len(self._under_way) < self.n_workers and not self._is_ending:
            with self.store.reading() as db:
                task = self._next_task(db, self.store, frozenset(self._under_way), self.n_workers)
            if task is None:
                return
            self._begin(task)

    def _begin(self, task: Task) -> None:
        assert self._bench is not None
        seconds = self.settings.look_seconds if task.kind == "look" else self.settings.measure_seconds
        self._under_way.add(task.key)
        future = self._bench.schedule(task.function, args=task.args, timeout=seconds)
        future.add_done_callback(lambda done: self._is_done(task, done))

    def _is_done(self, task: Task, future: Future) -> None:
        self._ended.put((task, future))
        self.wake()

    def _write_what_ended(self) -> None:
        while not self._is_ending:
            try:
                task, future = self._ended.get_nowait()
            except Empty:
                return
            try:
                self._write(task, future)
            finally:
                self._under_way.discard(task.key)

    def _write(self, task: Task, future: Future) -> None:
        try:
            outcome: Any = future.result()
        except PhotoError as wrong:
            outcome = Failed(str(wrong))
        except AwayError:
            raise  # it waits still, until the photos can be had again
        except FileNotFoundError:
            outcome = Failed("This photo was removed before it was looked at.")
        except _BROKEN as broken:
            log.warning("%s failed: %r", task.key, broken)
            self._tries[task.key] += 1
            if self._tries[task.key] < MOST_TRIES:
                return  # it waits still
            outcome = Failed(TOO_MUCH if task.kind == "look" else NOT_MEASURED)
        except Exception:  # noqa: BLE001 - a defect of ours must not stop the other photos
            log.exception("%s failed", task.key)
            outcome = Failed(TOO_MUCH if task.kind == "look" else NOT_MEASURED)
        self._tries.pop(task.key, None)
        with self.store.writing() as db:
            task.write(db, outcome)
