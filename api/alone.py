"""One service alone hands out a store's work: a second one is refused in words.

Both locks go with the process that holds them, however it ends: nothing has to be cleared away after a kill.
"""

import os
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from api import databases
from api.problems import ConflictError
from api.store import Store

LOCK = "service.lock"


@contextmanager
def as_the_only_service(store: Store) -> Iterator[None]:
    """Hold the store's folder, and its database where that serves several machines.

    Raises:
        ConflictError: Another service runs on either.
    """
    with ExitStack() as held:
        held.enter_context(_folder_held(store.folder))
        held.enter_context(databases.held_by_a_service(store.engine))
        yield


@contextmanager
def _folder_held(folder: Path) -> Iterator[None]:
    """The lock is the system's on an open file; workers, which are started afresh, do not inherit it.

    The file stays when the service ends: deleted, it could be held twice.
    """
    file = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            _lock(file)
        except OSError as wrong:
            raise ConflictError(
                f"Another service runs on the store in {folder} already. Use that one, or end it first."
            ) from wrong
        try:
            yield
        finally:
            _unlock(file)
    finally:
        os.close(file)


if sys.platform == "win32":
    import msvcrt

    # On bytes from the file's position on, which nothing here moves; they may lie beyond its end.
    def _lock(file: int) -> None:
        msvcrt.locking(file, msvcrt.LK_NBLCK, 1)

    # A close alone lets go only some time after, as its maker says.
    def _unlock(file: int) -> None:
        msvcrt.locking(file, msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _lock(file: int) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _unlock(file: int) -> None:
        fcntl.flock(file, fcntl.LOCK_UN)
