"""What the coach is asked; the same is worked out once, and what is out of date not at all."""

import threading
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import CancelledError, Future
from typing import Any

from api.photos.coaching import Asked

# Rounds whose last answer is kept: more are hardly open at a time.
MOST_KEPT = 32


class Coachings:
    """The latest question of each round, with its answer once there is one.

    Several phones ask the same, and each photo changes the question: one that no worker has begun on is given
    up for the newer one, and who asked it hears the newer one's answer.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._latest: OrderedDict[str, tuple[Asked, Future[Any]]] = OrderedDict()

    def ask(self, question: Asked, begin: Callable[[], Future[Any]]) -> Any:
        """The answer to this question, or to a newer one of the same round.

        Args:
            begin: Hands the question to a worker.

        Raises:
            Exception: Whatever the worker raised; it is asked anew next time.
        """
        key = question.round_id
        future = self._of(key, question, begin)
        while True:
            try:
                return future.result()
            except CancelledError:
                newer = self._newer(key, future)
                if newer is None:  # the service ends
                    raise
                future = newer
            except Exception:
                self._forget(key, future)
                raise

    def _newer(self, key: str, future: Future[Any]) -> Future[Any] | None:
        with self._lock:
            known = self._latest.get(key)
            return known[1] if known is not None and known[1] is not future else None

    def _forget(self, key: str, future: Future[Any]) -> None:
        with self._lock:
            known = self._latest.get(key)
            if known is not None and known[1] is future:
                del self._latest[key]

    def _of(self, key: str, question: Asked, begin: Callable[[], Future[Any]]) -> Future[Any]:
        with self._lock:
            known = self._latest.get(key)
            if known is not None and known[0] == question:
                self._latest.move_to_end(key)
                return known[1]
            future = begin()
            self._latest[key] = question, future
            self._latest.move_to_end(key)
            # Not what a worker has begun on: cancelling that would end the worker.
            if known is not None and not known[1].running():
                known[1].cancel()
            while len(self._latest) > MOST_KEPT:
                self._latest.popitem(last=False)
            return future
