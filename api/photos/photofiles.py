"""Photo files in the store: by the SHA-256 of what is stored, with what is made from them.

photos/ab/abcd...      the file as stored, never changed
previews/ab/abcd....jpg  upright and small, without metadata
drawings/ab/abcd....*.jpg  with what was found drawn on it; made when asked for
incoming/              uploads that are not acknowledged yet; emptied at each start
"""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

from api.store import Store

PHOTOS, PREVIEWS, DRAWINGS, INCOMING = "photos", "previews", "drawings", "incoming"


def original(store: Store, sha256: str) -> Path:
    """Where the file as stored lies, or would lie."""
    return store.folder / PHOTOS / sha256[:2] / sha256


def preview(store: Store, sha256: str) -> Path:
    """Where the preview lies, if it is made."""
    return store.folder / PREVIEWS / sha256[:2] / f"{sha256}.jpg"


def drawing(store: Store, sha256: str, of: str) -> Path:
    """Where a drawing lies, if it is made.

    Args:
        of: What it shows, as a name: other findings, another zoom, another name.
    """
    return store.folder / DRAWINGS / sha256[:2] / f"{sha256}.{of}.jpg"


def incoming(store: Store) -> Path:
    """A new place for bytes that are not acknowledged yet."""
    folder = store.folder / INCOMING
    folder.mkdir(mode=0o700, exist_ok=True)
    return folder / uuid4().hex


def empty_incoming(store: Store) -> None:
    """Drop what a service that ended had not acknowledged."""
    shutil.rmtree(store.folder / INCOMING, ignore_errors=True)


def put(store: Store, temporary: Path, sha256: str) -> Path:
    """Give a synced temporary file its place, so that it is there after a pulled plug."""
    place = original(store, sha256)
    place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    os.replace(temporary, place)
    for folder in (place.parent, place.parent.parent, store.folder):
        sync_folder(folder)
    return place


def remove(store: Store, sha256: str) -> None:
    """Delete a photo's file and all that was made from it."""
    for path in (original(store, sha256), preview(store, sha256), *_drawings(store, sha256)):
        path.unlink(missing_ok=True)
    folder = original(store, sha256).parent
    if folder.is_dir():
        sync_folder(folder)


def _drawings(store: Store, sha256: str) -> Iterator[Path]:
    return (store.folder / DRAWINGS / sha256[:2]).glob(f"{sha256}.*.jpg")


def free_bytes(store: Store) -> int:
    """How much room the store's disk has."""
    return shutil.disk_usage(store.folder).free


def sync_folder(folder: Path) -> None:
    """Make a folder's names last."""
    if os.name != "posix":  # other systems have no handle on a folder to sync
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
