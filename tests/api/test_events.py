"""The event stream: what it says, where it resumes, when it ends, and that it holds no thread."""

import asyncio
import json
import threading
import time

import anyio.to_thread
import pytest
from sqlalchemy import func, select

from api import events
from api import store as stores
from api.access import sessions
from api.events import Feed, News, news, position
from api.store import tell
from api.tables import Change


def change(store, visit_id, what):
    with store.writing() as db:
        tell(db, visit_id, what)


@pytest.fixture
def quick(monkeypatch):
    """Looks, beats and ends fast."""
    monkeypatch.setattr(events, "LOOK_EVERY_S", 0.01)
    monkeypatch.setattr(events, "BEAT_EVERY_S", 0.05)
    monkeypatch.setattr(events, "LIFETIME_S", 5.0)


def data_of(chunk: str) -> dict:
    return json.loads(next(line for line in chunk.splitlines() if line.startswith("data: "))[6:])


async def next_event(stream) -> str:
    """The next chunk that carries an event; beats and the retry time are passed over."""
    async for chunk in stream:
        if "event: change" in chunk:
            return chunk
    raise AssertionError("the stream ended")


# --- what is new after a position -------------------------------------------------------------------


def test_news_name_each_kind_of_thing_once(store):
    for what in ("photos", "rounds", "photos"):
        change(store, "a", what)
    last = position(store)
    assert news(store, last - 3, None) == News(last, ("photos", "rounds"))
    assert news(store, last, None) == News(last, ())


def test_news_of_one_visit_leave_out_the_others_and_keep_what_all_share(store):
    start = position(store)
    for visit_id, what in (("a", "photos"), ("b", "rounds"), (None, "kits")):
        change(store, visit_id, what)
    assert news(store, start, "a").what == ("photos", "kits")


def test_a_position_the_table_no_longer_reaches_means_all(store, monkeypatch):
    monkeypatch.setattr(stores, "KEPT_CHANGES", 5)
    for _ in range(12):
        change(store, "a", "photos")
    with store.reading() as db:
        assert db.scalar(select(func.count()).select_from(Change)) == 5
    last = position(store)
    assert news(store, 1, "a") == News(last, (events.ALL,))
    assert news(store, last - 5, "a") == News(last, ("photos",))


def test_a_position_of_another_store_means_all(store):
    change(store, "a", "photos")
    assert news(store, position(store) + 100, "a") == News(position(store), (events.ALL,))


# --- the stream -------------------------------------------------------------------------------------


def test_a_change_is_told_as_it_happens(store, technician, quick):
    async def run():
        stream = Feed(store).stream(technician.session_id, "p", "a", None)
        first = await anext(stream)
        waiting = asyncio.ensure_future(next_event(stream))
        await asyncio.sleep(0.05)
        assert not waiting.done()
        await asyncio.to_thread(change, store, "a", "rounds")
        chunk = await asyncio.wait_for(waiting, 5)
        await stream.aclose()
        return first, chunk

    first, chunk = asyncio.run(run())
    assert first == "retry: 1000\n\n"
    assert data_of(chunk) == {"seq": position(store), "what": ["rounds"]}
    assert chunk.startswith(f"id: {position(store)}\n") and chunk.endswith("\n\n")


def test_a_stream_resumes_where_it_stood(store, technician, quick):
    stood = position(store)
    change(store, "a", "photos")

    async def run():
        stream = Feed(store).stream(technician.session_id, "p", "a", stood)
        chunk = await asyncio.wait_for(next_event(stream), 5)
        await stream.aclose()
        return chunk

    assert data_of(asyncio.run(run()))["what"] == ["photos"]


def test_a_stream_ends_by_itself_and_beats_until_then(store, technician, quick, monkeypatch):
    monkeypatch.setattr(events, "LIFETIME_S", 0.3)

    async def run():
        return [chunk async for chunk in Feed(store).stream(technician.session_id, "p", None, None)]

    chunks = asyncio.run(asyncio.wait_for(run(), 10))
    assert ": still here\n\n" in chunks


def test_a_page_that_comes_again_ends_its_earlier_stream(store, technician, quick):
    async def run():
        feed = Feed(store)
        older = feed.stream(technician.session_id, "p", None, None)
        await anext(older)
        newer = feed.stream(technician.session_id, "p", None, None)
        await anext(newer)
        rest = [chunk async for chunk in older]
        assert "still here" in (await anext(newer))  # the newer one goes on
        await newer.aclose()
        return rest

    assert not any("event:" in chunk for chunk in asyncio.run(asyncio.wait_for(run(), 10)))


def test_streams_without_a_pages_key_let_each_other_be(store, technician, quick):
    async def run():
        feed = Feed(store)
        streams = [feed.stream(technician.session_id, "", None, None) for _ in range(2)]
        for stream in streams:
            await anext(stream)
        await asyncio.to_thread(change, store, "a", "photos")
        heard = [data_of(await asyncio.wait_for(next_event(stream), 5))["what"] for stream in streams]
        for stream in streams:
            await stream.aclose()
        return heard

    assert asyncio.run(run()) == [["photos"], ["photos"]]


def test_a_change_costs_a_stream_a_bounded_number_of_readings(store, technician, quick, monkeypatch):
    monkeypatch.setattr(events, "LOOK_EVERY_S", 0.5)
    monkeypatch.setattr(events, "BEAT_EVERY_S", 10.0)
    n_readings = 0

    async def run():
        nonlocal n_readings
        stream = Feed(store).stream(technician.session_id, "p", None, position(store))
        await anext(stream)
        await asyncio.sleep(0.1)  # the feed has looked once
        change(store, "a", "photos")  # and looks next in 0.4 s
        await asyncio.wait_for(next_event(stream), 5)
        before = events.news

        def counted(*args):
            nonlocal n_readings
            n_readings += 1
            return before(*args)

        monkeypatch.setattr(events, "news", counted)
        waiting = asyncio.ensure_future(next_event(stream))
        await asyncio.sleep(1.2)
        waiting.cancel()

    asyncio.run(run())
    assert n_readings <= 1  # when the feed has caught up with what the stream knows already


def test_a_device_has_a_bounded_number_of_streams(store, technician, quick, monkeypatch):
    monkeypatch.setattr(events, "MOST_STREAMS", 2)

    async def run():
        feed = Feed(store)
        streams = [feed.stream(technician.session_id, f"p{i}", None, None) for i in range(3)]
        for stream in streams:
            await anext(stream)
        rest = [chunk async for chunk in streams[0]]
        for stream in streams[1:]:
            await stream.aclose()
        return rest

    asyncio.run(asyncio.wait_for(run(), 10))


def test_a_withdrawn_devices_stream_ends_at_once(store, technician, quick, monkeypatch):
    monkeypatch.setattr(events, "LIFETIME_S", 600.0)
    monkeypatch.setattr(events, "BEAT_EVERY_S", 600.0)

    async def run():
        stream = Feed(store).stream(technician.session_id, "p", None, None)
        await anext(stream)

        def withdraw():
            with store.writing() as db:
                sessions.withdraw(db, technician, technician.session_id)

        await asyncio.to_thread(withdraw)
        return [chunk async for chunk in stream]

    # Long before anything else would end or wake it; not even the change itself is told to it.
    assert asyncio.run(asyncio.wait_for(run(), 60)) == []


def test_streams_hold_none_of_the_threads_that_answer_requests(store, technician, quick):
    async def run():
        limiter = anyio.to_thread.current_default_thread_limiter()
        limiter.total_tokens = 1
        release = threading.Event()
        blocked = asyncio.ensure_future(anyio.to_thread.run_sync(release.wait))
        await asyncio.sleep(0.05)  # the only thread is taken
        feed = Feed(store)
        streams = [feed.stream(technician.session_id, f"p{i}", "a", position(store)) for i in range(8)]
        try:
            for stream in streams:
                await asyncio.wait_for(anext(stream), 5)
            waiting = [asyncio.ensure_future(next_event(stream)) for stream in streams]
            await asyncio.to_thread(change, store, "a", "photos")
            await asyncio.wait_for(asyncio.gather(*waiting), 5)
            assert limiter.borrowed_tokens == 1  # the blocked one alone
        finally:
            release.set()
            await blocked
            for stream in streams:
                await stream.aclose()

    asyncio.run(run())


def test_the_reader_rests_when_nobody_listens(store, technician, quick):
    async def run():
        feed = Feed(store)
        stream = feed.stream(technician.session_id, "p", None, None)
        await anext(stream)
        reader = feed._reader
        await stream.aclose()
        await asyncio.sleep(0.05)
        return reader.cancelled() and feed._reader is None

    assert asyncio.run(run())


# --- over HTTP --------------------------------------------------------------------------------------


def test_the_route_streams_events_and_prefers_the_last_event_id(client, store, quick, monkeypatch):
    monkeypatch.setattr(events, "LIFETIME_S", 0.2)
    change(store, "a", "photos")
    change(store, "a", "rounds")
    last = position(store)
    http = client("technician")
    answer = http.get(f"/api/events?visit=a&after={last - 2}", headers={"Last-Event-ID": str(last - 1)})
    assert answer.headers["content-type"].startswith("text/event-stream")
    assert answer.headers["cache-control"] == "no-store"
    assert data_of(answer.text[answer.text.index("id:") :]) == {"seq": last, "what": ["rounds"]}


def test_a_strange_last_event_id_is_passed_over(client, store, quick, monkeypatch):
    monkeypatch.setattr(events, "LIFETIME_S", 0.1)
    for strange in ("abc", "-1", "9" * 40):
        answer = client("technician").get("/api/events", headers={"Last-Event-ID": strange})
        assert answer.status_code == 200


def test_a_stranger_hears_nothing(client):
    assert client(None).get("/api/events").status_code == 401


def test_while_streams_are_open_requests_are_answered(client, store, quick, monkeypatch):
    monkeypatch.setattr(events, "LIFETIME_S", 1.0)
    http = client("technician")
    listeners = [threading.Thread(target=lambda i=i: http.get(f"/api/events?page=p{i}")) for i in range(6)]
    for thread in listeners:
        thread.start()
    time.sleep(0.2)
    assert http.get("/api/visits").status_code == 200
    for thread in listeners:
        thread.join()
