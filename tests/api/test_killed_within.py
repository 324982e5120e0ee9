"""The service is killed (SIGKILL) at every statement of a change, and at its commit: all of it, or nothing.

Each change runs in a process of its own that kills itself before its n-th statement, n = 1, 2, ... until one
gets through; then it is killed once more, with the change committed and nobody told. After each kill the
store is opened anew, as the service does at its start.
"""

import itertools
import multiprocessing
import os
import signal
import sys
from collections.abc import Callable
from functools import partial

import pytest
from sqlalchemy import event, func, select

from api.context import Caller
from api.photos import bench, work
from api.place import Place
from api.records import signing, verify
from api.store import Store, open_store
from api.tables import Entry, Measured, Round, Visit
from api.visits import results
from tests.api.signed import add_person, add_visit

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="it has no SIGKILL")

MOST_STATEMENTS = 500
Act = Callable[[Store], None]


def _die_at(place: Place, act: Act, n: int) -> None:
    """In a process of its own: do it, killed before statement n of what changes, or after the commit."""
    store = open_store(place)
    left = itertools.count(n - 1, -1)

    def pass_on(*_: object) -> None:
        if next(left) == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    event.listen(store.engine, "before_cursor_execute", pass_on)
    event.listen(store.engine, "commit", pass_on)
    act(store)
    os.kill(os.getpid(), signal.SIGKILL)


def _killed_at_each(place: Place, act: Act, is_done: Callable[[Store], bool]) -> int:
    """Kill it at each statement until it is done; how many kills left nothing of it."""
    processes = multiprocessing.get_context("forkserver")
    processes.set_forkserver_preload([__name__])
    for n in range(1, MOST_STATEMENTS):
        process = processes.Process(target=_die_at, args=(place, act, n))
        process.start()
        process.join()
        assert process.exitcode == -signal.SIGKILL
        store = open_store(place)
        try:
            if is_done(store):
                return n - 1
        finally:
            store.close()
    raise AssertionError("it never gets through")


# --- signing ----------------------------------------------------------------------------------------


def _sign(caller: Caller, visit_id: str, store: Store) -> None:
    with store.writing() as db:
        signing.write(db, store.id, caller, visit_id, "Checked.")


def _is_signed(visit_id: str, store: Store) -> bool:
    """Whether it is; either way everything holds together."""
    with verify.reading_only(store.place) as db:
        found = verify.verify(db, store.place)
        entries = list(db.scalars(select(Entry.kind)))
        signed_at = db.get_one(Visit, visit_id).signed_at
    assert found.is_sound, found.faults
    assert entries == (["record"] if signed_at else [])
    with store.reading() as db:
        assert bool(signing.open_points(db, visit_id)) == (signed_at is not None)
    return signed_at is not None


@pytest.mark.study
def test_a_visit_is_signed_wholly_and_once_or_not_at_all(store):
    kim = add_person(store)
    visit_id = add_visit(store, kim)
    n = _killed_at_each(store.place, partial(_sign, kim, visit_id), partial(_is_signed, visit_id))
    print(f"\nsigning: killed at each of {n} statements, nothing was left; after the commit, all was there")
    assert n >= 10


# --- measuring --------------------------------------------------------------------------------------


def _write_measured(seq: int, outcome: object, store: Store) -> None:
    with store.writing() as db:
        bench.measuring(db, store, db.get_one(Measured, seq)).write(db, outcome)


def _is_measured(seq: int, store: Store) -> bool:
    with store.reading() as db:
        row = db.get_one(Measured, seq)
        assert db.scalar(select(func.count()).where(Measured.round_id == row.round_id)) == 2
        assert (row.state, row.done_at is None) in {("waiting", True), ("done", False)}
        assert (row.result is None) == (row.observations is None) == (row.state == "waiting")
        return row.state == "done"


def test_a_round_is_measured_wholly_and_once_or_waits_still(store):
    kim = add_person(store)
    visit_id = add_visit(store, kim)
    with store.writing() as db:
        one = db.scalars(select(Round).where(Round.visit_id == visit_id)).first()
        done = results.latest(db, one.id)
        outcome = work.MeasuredRound("", done.result, done.observations)
        seq = results.ask(db, one.id).seq
    n = _killed_at_each(store.place, partial(_write_measured, seq, outcome), partial(_is_measured, seq))
    print(f"\nmeasuring: killed at each of {n} statements, it waited still; after the commit, all was there")
    assert n >= 5
