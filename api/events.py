"""The event stream: tells open pages that something changed, so that they look again.

Server-sent events (WHATWG HTML, 9.2). All streams of the service share one reader of the table `change`,
with a thread of its own, so that no stream holds one of the threads that answer requests. A stream ends by
itself after some minutes and the browser takes it up again where it stood.
"""

import asyncio
import json
import secrets
from collections import OrderedDict
from collections.abc import AsyncIterator, Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from sqlalchemy import func, select

from api.store import Store
from api.tables import Change, Session

Answer = TypeVar("Answer")

LOOK_EVERY_S = 0.3
# Comfort for proxies and phones that drop silent connections; common practice, no source.
BEAT_EVERY_S = 15.0
LIFETIME_S = 300.0
RETRY_MS = 1000
MOST_STREAMS = 12  # of one paired device
ALL = "all"


@dataclass(frozen=True)
class News:
    """What changed after a position: which kinds of thing, and up to where that reaches."""

    seq: int
    what: tuple[str, ...]

    def event(self) -> str:
        data = json.dumps({"seq": self.seq, "what": self.what})
        return f"id: {self.seq}\nevent: change\ndata: {data}\n\n"


def position(store: Store) -> int:
    """The latest change's number."""
    with store.reading() as db:
        return db.scalar(select(func.max(Change.seq))) or 0


def news(store: Store, after: int, visit_id: str | None) -> News:
    """What changed after `after`: in one visit and in what all share, or anywhere.

    A position that the table does not reach back to, or has not reached yet (another store was put in its
    place), gives ALL.
    """
    with store.reading() as db:
        first, last = db.execute(select(func.min(Change.seq), func.max(Change.seq))).one()
        if last is None or after > last or after + 1 < first:
            return News(last or 0, (ALL,) if after != (last or 0) else ())
        query = select(Change.what).where(Change.seq > after, Change.seq <= last).order_by(Change.seq)
        if visit_id is not None:
            query = query.where((Change.visit_id == visit_id) | Change.visit_id.is_(None))
        return News(last, tuple(dict.fromkeys(db.scalars(query))))


def is_paired(store: Store, session_id: str) -> bool:
    """Whether the stream's device is still let in."""
    with store.reading() as db:
        session = db.get(Session, session_id)
        return session is not None and session.withdrawn_at is None


class Feed:
    """The one reader behind all streams; it runs while there is a listener."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._position = -1
        self._moved = asyncio.Condition()
        self._listeners = 0
        self._reader: asyncio.Task | None = None
        # One thread beside those that answer requests.
        self._thread = ThreadPoolExecutor(1, "events")
        self._streams: OrderedDict[tuple[str, str], object] = OrderedDict()

    async def stream(
        self, session_id: str, page: str, visit_id: str | None, after: int | None
    ) -> AsyncIterator[str]:
        """The events of one page. A second stream with the same page's key ends the first."""
        page = page or secrets.token_hex(8)
        token = self._enter(session_id, page)
        ends_at = asyncio.get_running_loop().time() + LIFETIME_S
        try:
            async with self._listening():
                at = await self._read(lambda: position(self._store)) if after is None else after
                yield f"retry: {RETRY_MS}\n\n"
                while self._streams.get((session_id, page)) is token:
                    found = await self._read(partial(news, self._store, at, visit_id))
                    at = found.seq
                    # A device's withdrawal is a change, so that its streams hear of it at once, and end.
                    if not await self._read(lambda: is_paired(self._store, session_id)):
                        return
                    if found.what:
                        yield found.event()
                    left_s = ends_at - asyncio.get_running_loop().time()
                    if left_s <= 0:
                        return
                    if not await self._moves_beyond(at, min(left_s, BEAT_EVERY_S)):
                        yield ": still here\n\n"
        finally:
            if self._streams.get((session_id, page)) is token:
                del self._streams[session_id, page]

    def _enter(self, session_id: str, page: str) -> object:
        token = object()
        self._streams[session_id, page] = token
        self._streams.move_to_end((session_id, page))
        own = [key for key in self._streams if key[0] == session_id]
        for key in own[:-MOST_STREAMS]:
            del self._streams[key]
        return token

    @asynccontextmanager
    async def _listening(self) -> AsyncIterator[None]:
        self._listeners += 1
        if self._reader is None or self._reader.done():
            self._reader = asyncio.create_task(self._look())
        try:
            yield
        finally:
            self._listeners -= 1
            if not self._listeners and self._reader is not None:
                self._reader.cancel()
                self._reader = None

    async def _look(self) -> None:
        while True:
            found = await self._read(lambda: position(self._store))
            if found != self._position:
                self._position = found
                async with self._moved:
                    self._moved.notify_all()
            await asyncio.sleep(LOOK_EVERY_S)

    async def _moves_beyond(self, at: int, within_s: float) -> bool:
        """Wait until the table has moved from a position; False if it has not in this time."""
        with suppress(TimeoutError):
            async with asyncio.timeout(within_s), self._moved:
                await self._moved.wait_for(lambda: self._position > at)
                return True
        return False

    def _read(self, ask: Callable[[], Answer]) -> Awaitable[Answer]:
        return asyncio.get_running_loop().run_in_executor(self._thread, ask)
