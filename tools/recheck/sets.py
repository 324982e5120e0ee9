"""What a re-check takes in hand at once: a visit of a store or of an export, or a folder of photos.

It is listed where the command runs and measured elsewhere, so it carries all that a worker needs beside the
files themselves: addresses, and of a store's visit the record's bytes. So workers open no database.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from api.records.chain import canonical
from calib_data.recheck import Finding
from tools.recheck.folders import Folder

PhotoState = Literal["there", "missing", "removed"]


@dataclass(frozen=True)
class PhotoPlace:
    """Where a photo's file lies, and whether it does; `stamp` tells its state when it was listed."""

    folder: Folder
    file: str
    state: PhotoState
    stamp: str | None = None


@dataclass(frozen=True)
class StoredVisit:
    """A visit as a store has it.

    Attributes:
        body: Its record's very bytes; of a visit that is not signed, what the tables tell, in the same words.
        link: Where the chain has it: what the record's own key `chain` must say. None: it is not signed.
        photos: Of each round, by number and name.
        files_now: SHA-256 of the kit's and placements' files (canonical) that the tables have, by id and
            revision.
        newest: The latest revision of each kit, by id.
    """

    body: bytes
    link: Mapping[str, Any] | None
    photos: Mapping[tuple[int, str], PhotoPlace]
    files_now: Mapping[tuple[str, int], str]
    newest: Mapping[str, int]


@dataclass(frozen=True)
class ArchivedSet:
    """A visit or a folder of photos.

    Attributes:
        archive: As named in the results.
        set_id: What it is called there.
        fingerprint: Changes with all that its rounds' rows are made from.
        findings: What listing it brought up.
        visit: Of a store; None: all is in `folder`.
        folder: An exported visit, or a photo set.
        chain: The folder with the export's chain.json; None: there is none, or it is no export.
    """

    archive: str
    set_id: str
    fingerprint: str
    findings: tuple[Finding, ...] = ()
    visit: StoredVisit | None = None
    folder: Folder | None = None
    chain: Folder | None = None


def fingerprint_of(*parts: Any) -> str:
    """One hash of JSON values."""
    return hashlib.sha256(canonical(parts)).hexdigest()
