"""Verifying a store of many signed visits holds a few of them in memory, however many there are.

PLUMBSIGHT_VISITS chooses another size. The peak is counted by tracemalloc, so that it is the same everywhere.
"""

import os
import time
import tracemalloc

import pytest

from api.records import signing, verify
from tests.api.signed import add_person, add_visit

VISITS = int(os.environ.get("PLUMBSIGHT_VISITS", "24"))

pytestmark = pytest.mark.study


def _peak_bytes(store) -> int:
    tracemalloc.start()
    try:
        with verify.reading_only(store.folder) as db:
            assert verify.verify(db, store.folder).is_sound
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_the_memory_that_verifying_takes_does_not_grow_with_the_store(store):
    kim = add_person(store)
    peaks, begun = [], time.monotonic()
    for n_more in (VISITS // 4, VISITS - VISITS // 4):
        for _ in range(n_more):
            visit_id = add_visit(store, kim)
            with store.writing() as db:
                record = signing.write(db, store.id, kim, visit_id, "")
                n_bytes = len(record.body)
        peaks.append(_peak_bytes(store))
    print(
        f"\n{VISITS} visits of {n_bytes / 1e6:.2f} MB each: peak {peaks[0] / 1e6:.1f} MB with a quarter, "
        f"{peaks[1] / 1e6:.1f} MB with all, {time.monotonic() - begun:.0f} s with planting"
    )
    # Four times as many visits: not even one record more is held.
    assert peaks[1] - peaks[0] < n_bytes
