"""Where sets are measured: processes of this machine, a Dask cluster, or right here.

Each way is a context that gives `submit(set) -> Future`. Few sets are in flight at once, so memory does not
grow with the archive, and a worker that dies costs its set one more try.
"""

import multiprocessing
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, wait
from contextlib import contextmanager
from typing import Any

import pebble

from api.photos import workers
from calib_data.recheck import Mode
from tools.recheck.again import RoundAgain, recheck_set, without_a_worker
from tools.recheck.sets import ArchivedSet
from tools.recheck.software import software
from vision.errors import PlumbsightError

# Waiting for a worker, or being measured; each holds a record of a few MB.
IN_FLIGHT_PER_WORKER = 2
TRIES = 2
# A set of sixty photos of 50 megapixels takes a few minutes; what takes an hour never ends.
MOST_SECONDS = 3600.0
SECONDS_FOR_SCHEDULER = 30

Again = tuple[RoundAgain, ...]
Submit = Callable[[ArchivedSet], "Future[Again]"]


def done_of(
    sets: Iterable[ArchivedSet], submit: Submit, n_in_flight: int
) -> Iterator[tuple[ArchivedSet, Again]]:
    """Each set with what came of it, in the order in which they are done.

    Args:
        sets: Taken one at a time, as workers get free.
    """
    waiting: dict[Future[Again], tuple[ArchivedSet, int]] = {}
    listed = iter(sets)
    is_more = True
    while is_more or waiting:
        while is_more and len(waiting) < n_in_flight:
            one = next(listed, None)
            is_more = one is not None
            if one is not None:
                waiting[submit(one)] = (one, 1)
        for future in wait(waiting, return_when=FIRST_COMPLETED).done:
            one, tried = waiting.pop(future)
            wrong = future.exception()
            if wrong is None:
                yield one, future.result()
            elif isinstance(wrong, KeyboardInterrupt):
                raise wrong
            elif tried < TRIES and not isinstance(wrong, TimeoutError):
                waiting[submit(one)] = (one, tried + 1)
            else:
                yield one, without_a_worker(one, _says(wrong))


def _says(wrong: BaseException) -> str:
    if isinstance(wrong, TimeoutError):
        return f"It was not measured within {MOST_SECONDS / 60:.0f} minutes and was given up."
    return (
        f"The process that measured it ended, twice ({type(wrong).__name__}): there may be too little "
        "memory. Run with fewer workers at once."
    )


# --- ways -----------------------------------------------------------------------------------------


def count() -> int:
    """How many workers this machine has room for: its cores, unless memory allows fewer."""
    return workers.count(os.cpu_count() or 1)


@contextmanager
def on_this_machine(n_workers: int, mode: Mode) -> Iterator[Submit]:
    """Spawned processes, one thread of linear algebra each, that end with this one."""
    workers.one_thread_each()
    pool = pebble.ProcessPool(
        n_workers, context=multiprocessing.get_context("spawn"), initializer=workers.end_with_the_parent
    )
    try:
        yield lambda one: pool.schedule(recheck_set, args=[one, mode], timeout=MOST_SECONDS)
        pool.close()
    finally:
        pool.stop()
        pool.join()


@contextmanager
def right_here(mode: Mode) -> Iterator[Submit]:
    """In this process: for archives that no other one can see."""

    def submit(one: ArchivedSet) -> "Future[Again]":
        future: Future[Again] = Future()
        future.set_result(recheck_set(one, mode))
        return future

    yield submit


@contextmanager
def on_a_cluster(address: str, mode: Mode) -> Iterator[tuple[Submit, int]]:
    """The workers of a Dask scheduler, and how many threads they have now.

    They must have this very version of everything, and see the archive at the same address.

    Raises:
        PlumbsightError: No scheduler answers, it has no workers, or they have other versions.
    """
    from distributed import Client  # takes a second to load, and few need it

    try:
        client = Client(address, timeout=SECONDS_FOR_SCHEDULER, set_as_default=False)
    except (OSError, ValueError) as wrong:
        raise PlumbsightError(
            f"No scheduler answers at {address} ({wrong}). Start one (dask scheduler), and workers."
        ) from wrong
    with client:
        n_threads = sum(client.nthreads().values())
        _check_workers(address, client.run(software))
        executor = client.get_executor(pure=False, retries=TRIES, allow_other_workers=False)
        yield (lambda one: executor.submit(recheck_set, one, mode)), n_threads


def _check_workers(address: str, versions: dict[str, Any]) -> None:
    if not versions:
        raise PlumbsightError(
            f"The scheduler at {address} has no workers. Start some (dask worker {address})."
        )
    ours = software()
    for worker, theirs in versions.items():
        other = [
            f"{name} {theirs.get(name)} (here {ours[name]})"
            for name in ours
            if theirs.get(name) != ours[name]
        ]
        if other:
            raise PlumbsightError(
                f"The worker {worker} measures with {', '.join(other)}. Install the same on all, so that one "
                "software speaks."
            )
