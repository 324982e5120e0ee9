"""Buckets that fill up again."""

from api.access import rates
from api.access.rates import Buckets, Rate


class Clock:
    def __init__(self) -> None:
        self.at = 100.0

    def __call__(self) -> float:
        return self.at


def test_so_many_at_once_then_one_each_time_one_is_due():
    clock = Clock()
    buckets = Buckets(Rate(at_once=2, per_second=0.5), clock)
    assert [buckets.take("a") for _ in range(3)] == [0, 0, 2]  # the third is due in 1 / 0.5 s
    clock.at += 1
    assert buckets.take("a") == 1
    clock.at += 1
    assert buckets.take("a") == 0
    assert buckets.take("a") == 2


def test_a_refused_attempt_costs_nothing():
    clock = Clock()
    buckets = Buckets(Rate(at_once=1, per_second=1), clock)
    assert [buckets.take("a") for _ in range(5)] == [0, 1, 1, 1, 1]
    clock.at += 1
    assert buckets.take("a") == 0


def test_a_bucket_never_holds_more_than_at_once():
    clock = Clock()
    buckets = Buckets(Rate(at_once=2, per_second=1), clock)
    buckets.take("a")
    clock.at += 1000
    assert [buckets.take("a") for _ in range(3)] == [0, 0, 1]


def test_callers_do_not_share():
    buckets = Buckets(Rate(at_once=1, per_second=1), Clock())
    assert [buckets.take(caller) for caller in "abc"] == [0, 0, 0]


def test_a_flood_of_callers_does_not_fill_memory(monkeypatch):
    monkeypatch.setattr(rates, "MOST_CALLERS", 10)
    buckets = Buckets(Rate(at_once=1, per_second=1), Clock())
    for n in range(100):
        buckets.take(str(n))
    assert len(buckets._left) == 10
