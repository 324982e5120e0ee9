"""The workers: what breaks them costs one task, what waits is never lost."""

import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from api.photos import workers
from api.photos.jobs import Failed, Jobs, Task


@dataclass
class Table:
    """What waits, in place of the store's tables: a task is gone once its outcome is written."""

    waiting: dict[str, tuple[Callable[..., Any], tuple[Any, ...]]]
    written: dict[str, Any] = field(default_factory=dict)
    done: threading.Event = field(default_factory=threading.Event)
    refusals: int = 0

    def next_task(self, db, store, under_way, n_workers) -> Task | None:
        for name, (function, args) in self.waiting.items():
            if ("look", name) not in under_way:
                return Task("look", name, function, args, lambda db, outcome, n=name: self._write(n, outcome))
        return None

    def _write(self, name: str, outcome: Any) -> None:
        if self.refusals:
            self.refusals -= 1
            raise OSError("the disk is full")
        self.written[name] = outcome
        del self.waiting[name]
        if not self.waiting:
            self.done.set()


@pytest.fixture
def run(store, service_settings):
    """`run(waiting)`: begin workers on what waits, and give the table once nothing waits any more."""
    started: list[Jobs] = []

    def begin(waiting, **settings: Any) -> Table:
        table = Table(dict(waiting))
        jobs = Jobs(store, replace(service_settings, **settings), table.next_task)
        started.append(jobs)
        jobs.start()
        assert table.done.wait(90), table.waiting
        return table

    yield begin
    for jobs in started:
        jobs.stop()


def test_a_task_that_kills_its_worker_is_tried_once_more_and_given_up_and_the_others_go_on(run):
    waiting = {"deadly": (os._exit, (9,)), "plain": (abs, (-3,)), "greedy": (bytearray, (10**13,))}
    table = run(waiting)
    assert table.written["plain"] == 3
    for name in ("deadly", "greedy"):
        assert isinstance(table.written[name], Failed) and "Leave it out" in table.written[name].says


def test_a_task_that_takes_too_long_is_ended(run):
    begun = time.monotonic()
    table = run({"endless": (time.sleep, (600,)), "plain": (abs, (-3,))}, look_seconds=1.0)
    assert isinstance(table.written["endless"], Failed) and table.written["plain"] == 3
    assert time.monotonic() - begun < 60


def test_a_defect_of_ours_costs_one_task(run):
    table = run({"defect": (int, ("no number",)), "plain": (abs, (-3,))})
    assert isinstance(table.written["defect"], Failed) and table.written["plain"] == 3


def test_an_outcome_that_cannot_be_written_waits_and_is_done_again(store, service_settings):
    table = Table({"plain": (abs, (-3,))}, refusals=1)
    jobs = Jobs(store, service_settings, table.next_task)
    jobs.start()
    try:
        assert table.done.wait(60)
    finally:
        jobs.stop()
    assert table.written == {"plain": 3} and table.refusals == 0


def test_what_had_not_ended_at_a_stop_waits_for_the_next_start(store, service_settings):
    table = Table({"long": (time.sleep, (600,))})
    jobs = Jobs(store, service_settings, table.next_task)
    jobs.start()
    time.sleep(0.5)
    jobs.stop()
    assert table.waiting and not table.written
    table.waiting["long"] = (abs, (-3,))
    jobs = Jobs(store, service_settings, table.next_task)
    jobs.start()
    try:
        assert table.done.wait(60)
    finally:
        jobs.stop()
    assert table.written == {"long": 3}


def test_workers_step_back_and_keep_to_their_memory(run):
    table = run({"nice": (os.nice, (0,))}, worker_memory_bytes=3_000_000_000)
    assert table.written["nice"] >= workers.BENCH_NICE


def test_workers_are_counted_by_cores_and_memory(monkeypatch):
    monkeypatch.setattr(os, "cpu_count", lambda: 4)
    for free, n in ((100 * workers.USUAL_BYTES, 4), (2.5 * workers.USUAL_BYTES, 2), (0, 1)):
        monkeypatch.setattr(workers, "_free_bytes", lambda free=free: int(free))
        assert workers.count() == n
