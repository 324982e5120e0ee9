"""Room on the disk, what waits, the clock."""

import shutil
from collections import namedtuple
from datetime import UTC, datetime, timedelta

import pytest

from api.access import health, people, sessions
from api.store import now
from api.tables import PhotoFile

Usage = namedtuple("Usage", "total used free")
GIGABYTE = 10**9


def _stored(store, sha: str, n_bytes: int, days_ago: float, removed: bool = False) -> None:
    at = f"{datetime.now(UTC) - timedelta(days=days_ago):%Y-%m-%dT%H:%M:%S.%f}Z"
    row = PhotoFile(
        sha256=sha * 64,
        came_as_sha256=sha * 64,
        taken_out=[],
        n_bytes=n_bytes,
        kind="jpeg",
        size_px=[1, 1],
        exif={},
        stored_at=at,
        removed_at=at if removed else None,
    )
    with store.writing() as db:
        db.add(row)


@pytest.fixture
def room(store, service_settings, monkeypatch):
    """`room(free, store_bytes)`: the room on a disk and in a store of these sizes."""

    def of(free: int, store_bytes: int) -> health.Room:
        monkeypatch.setattr(shutil, "disk_usage", lambda _: Usage(0, 0, free))
        monkeypatch.setattr(health, "_folder_bytes", lambda _: store_bytes)
        with store.reading() as db:
            return health.room(db, service_settings)

    return of


def test_before_any_use_no_days_are_told(room):
    found = room(10 * GIGABYTE, 1)
    assert (found.days_left, found.says) == (None, "")


def test_days_left_are_free_room_over_recent_growth(store, room, service_settings):
    # 2 GB on each of two days of four weeks; what lies longer back does not count as recent.
    for sha, days_ago in (("a", 1), ("b", 1), ("c", 3), ("d", 3), ("e", 40)):
        _stored(store, sha, GIGABYTE, days_ago)
    # 5 GB of photos make a store of 6 GB: previews and tables grow with them, 2.4 GB a day.
    found = room(service_settings.reserve_bytes + 24 * GIGABYTE, 6 * GIGABYTE)
    assert found.bytes_per_working_day == pytest.approx(2.4 * GIGABYTE, rel=1e-9)
    assert found.days_left == 10
    assert "10 working days" in found.says


def test_enough_room_needs_no_words(store, room):
    _stored(store, "a", GIGABYTE, 1)
    assert room(1000 * GIGABYTE, GIGABYTE).says == ""


def test_a_full_disk_says_what_is_refused(store, room, service_settings):
    _stored(store, "a", GIGABYTE, 1)
    found = room(service_settings.reserve_bytes, GIGABYTE)
    assert found.days_left == 0
    assert "full" in found.says


def test_the_stores_size_is_that_of_its_files(store, service_settings):
    before = health._folder_bytes(service_settings.folder)
    (service_settings.folder / "photos").mkdir(exist_ok=True)
    (service_settings.folder / "photos" / "one").write_bytes(b"x" * 1234)
    assert health._folder_bytes(service_settings.folder) == before + 1234


def test_a_clock_behind_what_was_stored_is_doubted(store):
    with store.writing() as db:
        sessions.begin(db, people.add(db, "A. Example", "owner").id, "phone")
    at = datetime.fromisoformat(now())
    with store.reading() as db:
        assert health.clock_says(db, at) == ""
        assert health.clock_says(db, at - timedelta(minutes=1)) == ""
        assert "set the clock" in health.clock_says(db, at - timedelta(minutes=3))
        assert health.clock_says(db, at + timedelta(days=900)) == ""  # nothing here can know


def test_a_clock_that_lost_its_battery_is_doubted_in_an_empty_store(store):
    with store.reading() as db:
        assert "1970" in health.clock_says(db, datetime(1970, 1, 1, 0, 5, tzinfo=UTC))


def test_what_waits_is_counted(store, bay):
    one = bay.open(bay.begin())
    for name, state in (("a.jpg", "waiting"), ("b.jpg", "waiting"), ("c.jpg", "looked")):
        bay.arrive(one, name, state=state)
    bay.close(one)
    with store.reading() as db:
        assert health.queue(db) == health.Queue(n_photos=2, n_rounds=1)
