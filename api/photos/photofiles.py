"""Photo files in the store: by the SHA-256 of what is stored, with what is made from them.

In the store's folder, on this machine:

photos/ab/abcd...      the file as stored, never changed; unless the shop keeps its photos in an object store
previews/ab/abcd....jpg  upright and small, without metadata
drawings/ab/abcd....*.jpg  with what was found drawn on it; made when asked for
incoming/              uploads that are not acknowledged yet; emptied at each start

Workers load this module, so it loads no database.
"""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Protocol
from uuid import uuid4

from api.place import Place

if TYPE_CHECKING:
    from api.store import Store

PHOTOS, PREVIEWS, DRAWINGS, INCOMING = "photos", "previews", "drawings", "incoming"


class PhotoFiles(Protocol):
    """Where photo files are kept. Plain values, so that workers are handed it."""

    def put(self, temporary: Path, sha256: str) -> None:
        """Keep a synced temporary file, which may be moved, so that it is there after a pulled plug."""

    def has(self, sha256: str) -> bool:
        """Whether it is there."""

    def open(self, sha256: str) -> BinaryIO:
        """Its bytes.

        Raises:
            FileNotFoundError: It is not there.
        """

    def remove(self, sha256: str) -> None:
        """Delete it, if it is there."""

    def stored(self) -> Iterator[tuple[str, float]]:
        """The hash of each that is there, and when it was written (seconds since 1970)."""


@dataclass(frozen=True)
class PhotoFolder:
    """Photo files in a store's folder."""

    folder: Path

    def put(self, temporary: Path, sha256: str) -> None:
        place = local(self.folder, sha256)
        place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        os.replace(temporary, place)
        for folder in (place.parent, place.parent.parent, self.folder):
            sync_folder(folder)

    def has(self, sha256: str) -> bool:
        return local(self.folder, sha256).is_file()

    def open(self, sha256: str) -> BinaryIO:
        return open(local(self.folder, sha256), "rb")

    def remove(self, sha256: str) -> None:
        place = local(self.folder, sha256)
        place.unlink(missing_ok=True)
        if place.parent.is_dir():
            sync_folder(place.parent)

    def stored(self) -> Iterator[tuple[str, float]]:
        for path in (self.folder / PHOTOS).glob("??/*"):
            yield path.name, path.stat().st_mtime


def files_at(at: Path | Place) -> PhotoFiles:
    """Where a store's photo files are kept."""
    place = Place.of(at)
    if place.photos:
        from api.photos.bucket import Bucket  # with all that it needs, where it is needed

        return Bucket(place.photos)
    return PhotoFolder(place.folder)


def local(folder: Path, sha256: str) -> Path:
    """Where a file lies, or would lie, in a folder that holds the photos."""
    return folder / PHOTOS / sha256[:2] / sha256


def read(files: PhotoFiles, sha256: str) -> bytes:
    """A whole file.

    Raises:
        FileNotFoundError: It is not there.
    """
    with files.open(sha256) as file:
        return file.read()


def is_intact(files: PhotoFiles, sha256: str) -> bool:
    """Whether what is stored, read back whole, is what its name says; no, if it is not there."""
    running = hashlib.sha256()
    try:
        for piece in pieces(files.open(sha256)):
            running.update(piece)
    except FileNotFoundError:
        return False
    return running.hexdigest() == sha256


def pieces(file: BinaryIO) -> Iterator[bytes]:
    """An open file's bytes, in pieces; it is closed at the end."""
    with file:
        while piece := file.read(1 << 20):
            yield piece


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


def remove(store: Store, sha256: str) -> None:
    """Delete a photo's file and all that was made from it."""
    files_at(store.place).remove(sha256)
    for path in (preview(store, sha256), *_drawings(store, sha256)):
        path.unlink(missing_ok=True)


def _drawings(store: Store, sha256: str) -> Iterator[Path]:
    return (store.folder / DRAWINGS / sha256[:2]).glob(f"{sha256}.*.jpg")


def free_bytes(store: Store) -> int:
    """How much room the disk of the store's folder has."""
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
