"""Zip files from elsewhere: nothing is unpacked to a path that they name, and nothing is believed."""

import hashlib
import stat
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path, PureWindowsPath
from typing import BinaryIO
from zlib import error as ZlibError

from api.problems import NotAcceptedError, TooLargeError

MOST_FILES = 50_000
MOST_JSON_BYTES = 64_000_000  # a record of twenty rounds of 25 photos has a third of it
_PIECE = 1 << 20
_NOT_OURS = "Export the visit again where it was signed, and take that file."


@contextmanager
def opened(path: Path, most_bytes: int) -> Iterator[zipfile.ZipFile]:
    """A zip file whose list of files is fit to be looked at.

    Raises:
        NotAcceptedError: It is no zip file, or holds what no export of ours does.
        TooLargeError: It would unpack to more than `most_bytes`.
    """
    try:
        with zipfile.ZipFile(path) as file:
            _check_list(file.infolist(), most_bytes)
            _check_places(file)
            yield file
    except (zipfile.BadZipFile, ZlibError, EOFError, NotImplementedError, UnicodeDecodeError) as wrong:
        raise NotAcceptedError(f"The file is no whole zip file. {_NOT_OURS}") from wrong


def _check_list(infos: list[zipfile.ZipInfo], most_bytes: int) -> None:
    if len(infos) > MOST_FILES:
        raise TooLargeError(f"The zip lists {len(infos)} files, which no export has. {_NOT_OURS}")
    names: set[str] = set()
    for info in infos:
        name = info.filename
        written = PureWindowsPath(name)  # knows "/", "\\" and drive letters
        if written.anchor or ".." in written.parts or not name.isprintable() or "\\" in info.orig_filename:
            raise NotAcceptedError(
                f"The zip holds {name!r}, a path that leads out of its folder. {_NOT_OURS}"
            )
        kind = info.external_attr >> 16
        if kind and stat.S_IFMT(kind) not in (0, stat.S_IFREG, stat.S_IFDIR):
            raise NotAcceptedError(f"The zip holds {name!r}, which is a link and no file. {_NOT_OURS}")
        if info.flag_bits & 1:
            raise NotAcceptedError(f"The zip is locked by a password. {_NOT_OURS}")
        if name.casefold() in names:
            raise NotAcceptedError(f"The zip holds {name!r} twice. {_NOT_OURS}")
        names.add(name.casefold())
    if sum(info.file_size for info in infos) > most_bytes:
        most = most_bytes // 1_000_000_000
        raise TooLargeError(f"Unpacked, the zip would have more than {most} GB. Export fewer visits at once.")


def _check_places(file: zipfile.ZipFile) -> None:
    """Whether each file is said to begin within the zip; the library would look for it before its start."""
    if any(not 0 <= info.header_offset < file.start_dir for info in file.infolist()):
        raise zipfile.BadZipFile


def read_small(file: zipfile.ZipFile, name: str) -> bytes:
    """A JSON file's bytes, whole.

    Raises:
        NotAcceptedError: It is not in the zip.
        TooLargeError: It is larger than any of ours.
    """
    try:
        with file.open(name) as inside:
            data = inside.read(MOST_JSON_BYTES + 1)
    except KeyError as wrong:
        raise NotAcceptedError(f"The zip lacks {name}. {_NOT_OURS}") from wrong
    if len(data) > MOST_JSON_BYTES:
        raise TooLargeError(f"{name} in the zip is larger than any of ours. {_NOT_OURS}")
    return data


def copy_hashed(file: zipfile.ZipFile, name: str, out: BinaryIO) -> str:
    """Copy one file out of the zip; the SHA-256 of what it holds. Its stated size is never exceeded."""
    running = hashlib.sha256()
    with file.open(name) as inside:
        while piece := inside.read(_PIECE):
            running.update(piece)
            out.write(piece)
    return running.hexdigest()


def sizes(file: zipfile.ZipFile) -> Mapping[str, int]:
    """The files' names and unpacked sizes, folders left out."""
    return {info.filename: info.file_size for info in file.infolist() if not info.is_dir()}
