"""Photo files that no row names: a service that was killed had given a file its place and not yet its row.

Nobody was told that such a photo is stored, and it was sent again. It is deleted at a later start, when it is
so old that nothing can be under way with it, under the write lock. Whoever stores a photo looks whether its
file is still there before saying so: intake in the transaction that writes the row, so that a file is either
named before this looks or missed by it; an import at its end, since the zip brought again mends it.
"""

import time

from sqlalchemy import select

from api.photos import photofiles
from api.problems import ConflictError
from api.store import Store
from api.tables import PhotoFile

SAFE_AGE_S = 86_400.0  # the longest import takes hours


def sweep(store: Store) -> int:
    """Delete old files that no row names; how many there were."""
    files = photofiles.files_at(store.place)
    before = time.time() - SAFE_AGE_S
    old = {sha256 for sha256, written_at in files.stored() if written_at < before}
    if not old:
        return 0
    with store.writing() as db:
        left = old.difference(db.scalars(select(PhotoFile.sha256).execution_options(yield_per=1000)))
        for sha256 in left:
            photofiles.remove(store, sha256)
    return len(left)


def check_there(store: Store, sha256: str) -> None:
    """Whether a file that was stored was not swept away meanwhile.

    Raises:
        ConflictError: It was.
    """
    if not photofiles.files_at(store.place).has(sha256):
        raise ConflictError("The photo's file went missing while it was stored. Send it again.")
