"""Folders of an archive, wherever they lie: only ever read, and listed one entry at a time."""

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import fsspec
from fsspec.implementations.local import LocalFileSystem

from vision.errors import InputFileError

MOST_PHOTO_BYTES = 200_000_000  # of one photo; 200 megapixels of JPEG have a half of it
# What file systems call what changes with a file's content, beside its size.
_STAMPS = ("size", "mtime", "CRC", "ETag", "etag", "md5Hash", "LastModified")
_PIECE = 1 << 20
_SEVERAL = 4  # zip files that a process keeps open


@dataclass(frozen=True)
class Entry:
    """A name in a folder."""

    name: str
    is_folder: bool


@dataclass(frozen=True)
class Folder:
    """A folder by its address.

    Attributes:
        url: A path or an fsspec address: of the folder, or of the zip file that it lies in.
        inside: Where in the zip file; None: in none.
    """

    url: str
    inside: str | None = None

    def __str__(self) -> str:
        return self.url if self.inside is None else f"{self.url}/{self.inside}".rstrip("/")

    @property
    def local(self) -> Path | None:
        """The same as a path, where it lies on this machine's disks."""
        fs, path = self._system()
        return Path(path) if isinstance(fs, LocalFileSystem) else None

    @property
    def is_in_memory(self) -> bool:
        """Whether only this very process can read it."""
        return self.url.startswith("memory://")

    def under(self, name: str) -> "Folder":
        """A folder in this one."""
        if self.inside is None:
            return Folder(f"{self.url.rstrip('/')}/{name}")
        return Folder(self.url, f"{self.inside}/{name}".strip("/"))

    def zipped(self, name: str) -> "Folder":
        """The inside of a zip file in this folder."""
        return Folder(f"{self.url.rstrip('/')}/{name}", "")

    def has(self, name: str) -> bool:
        """Whether there is a file of this name."""
        fs, path = self._system(name)
        return fs.isfile(path)

    def is_there(self) -> bool:
        """Whether the folder exists."""
        fs, path = self._system()
        return fs.isdir(path)

    def stamp(self, name: str) -> str | None:
        """Size and time of change, or what else a file system tells of a file's state; None: not there."""
        fs, path = self._system(name)
        return _stamp(fs, path)

    def entries(self) -> Iterator[Entry]:
        """What lies in it, in no order; links to folders are left out, since they may lead in circles."""
        fs, path = self._system()
        if isinstance(fs, LocalFileSystem):
            with os.scandir(path) as found:  # a million names never stand in memory at once
                for one in found:
                    yield Entry(one.name, one.is_dir(follow_symlinks=False))
            return
        for one in fs.ls(path, detail=True):
            yield Entry(one["name"].rstrip("/").rsplit("/", 1)[-1], one["type"] == "directory")

    def read(self, name: str, most_bytes: int = MOST_PHOTO_BYTES) -> bytes:
        """A file's bytes.

        Raises:
            FileNotFoundError: It is not there.
            InputFileError: It is larger than anything of ours.
        """
        fs, path = self._system(name)
        with fs.open(path, "rb") as file:
            data = file.read(most_bytes + 1)
        if len(data) > most_bytes:
            raise InputFileError(f"{name} is larger than {most_bytes // 1_000_000} MB: nothing of ours is.")
        return data

    def copy(self, name: str, to: Path) -> None:
        """Copy a file of any size to a place on this machine."""
        fs, path = self._system(name)
        with fs.open(path, "rb") as file, open(to, "xb") as out:
            shutil.copyfileobj(file, out, _PIECE)

    def _system(self, name: str = "") -> tuple[Any, str]:
        """The file system, and the path in it."""
        fs, path = _url_to_fs(self.url)
        if self.inside is None:
            return fs, f"{path.rstrip('/')}/{name}".rstrip("/")
        return _zip(self.url, _stamp(fs, path)), f"{self.inside}/{name}".strip("/")


def folder_of(address: str) -> Folder:
    """An archive as a person names it; a path becomes absolute, so that it is known again from elsewhere.

    Raises:
        InputFileError: There is no such folder, or it cannot be reached.
    """
    url = address if "://" in address else os.path.abspath(address)
    try:
        fs, path = _url_to_fs(url)
        if fs.isfile(path) and is_zip(path):
            return Folder(url, "")
        if fs.isdir(path):
            return Folder(url)
    except Exception as wrong:  # each file system's library has errors of its own
        raise InputFileError(f"{address} cannot be reached: {wrong}.") from wrong
    raise InputFileError(f"{address} is no folder. Name the folder of a store, or one that holds photo sets.")


def is_zip(name: str) -> bool:
    """Whether a file is one by its name."""
    return name.lower().endswith(".zip")


def _url_to_fs(url: str) -> tuple[Any, str]:
    return fsspec.core.url_to_fs(url, use_listings_cache=False)


@lru_cache(_SEVERAL)
def _zip(url: str, stamp: str | None) -> Any:
    """A zip file's inside, its list read once for each state of the file."""
    return fsspec.filesystem("zip", fo=url, skip_instance_cache=True)


def _stamp(fs: Any, path: str) -> str | None:
    try:
        found = fs.info(path)
    except FileNotFoundError:
        return None
    known = [str(found[key]) for key in _STAMPS if found.get(key) is not None]
    return ",".join(known if len(known) > 1 else [*known, str(found.get("created"))])
