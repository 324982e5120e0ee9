"""Which software measures: versions, and a digest of the code that computes.

The project's own version stays the same for many changes of its code, so it cannot tell whether a round that
was measured yesterday would come out the same today.
"""

import hashlib
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import calib_data
import vision
from calib_data.result import made_with

# Read what was measured, and measure nothing: a change there asks for no round again.
_READERS = "review"


@lru_cache(1)
def software() -> dict[str, str]:
    """What a row of the results was computed with; the same keys and values: the same numbers."""
    return made_with() | {"code": digest(*_folders())}


def digest(*folders: Path) -> str:
    """SHA-256 of all sources below some packages' folders, by their names and bytes.

    Python's modules and the plates' layouts; compiled files, schemas and demo data compute nothing.
    """
    told = hashlib.sha256()
    for folder in folders:
        for path in sorted(_sources(folder)):
            name = f"{folder.name}/{path.relative_to(folder).as_posix()}"
            told.update(f"{name}\0{hashlib.sha256(path.read_bytes()).hexdigest()}\n".encode())
    return told.hexdigest()


def _folders() -> Iterator[Path]:
    """The packages that compute: measuring, files to arrays and back, and what a re-check keeps of it."""
    for package in (vision, calib_data):
        yield from map(Path, package.__path__)
    yield Path(__file__).parent


def _sources(folder: Path) -> Iterator[Path]:
    yield from (path for path in folder.rglob("*.py") if path.relative_to(folder).parts[0] != _READERS)
    yield from folder.glob("layouts/*.json")
