"""The chain that goes with an exported visit: whether it holds, and what it says of removed photos."""

import hashlib
import json
from collections.abc import Iterator
from itertools import pairwise

from api.records import chain
from api.records.chain import ELSEWHERE, Link
from api.records.removal import REMOVAL_KIND
from calib_data.reading import check, parse_json
from calib_data.recheck import Finding
from calib_data.record import ChainFile
from tools.recheck.folders import Folder
from tools.recheck.listing import CHAIN_NAME
from vision.errors import InputFileError

MOST_CHAIN_BYTES = 500_000_000  # three million links


def findings(folder: Folder | None, body: bytes) -> Iterator[Finding]:
    """What is wrong with the chain that binds a record.

    Args:
        folder: With chain.json; None: there is none.
        body: The record's very bytes.
    """
    if folder is None:
        yield _broken("There is no chain.json with it: nothing binds the record.")
        return
    try:
        chains = list(_chains(folder))
    except (InputFileError, OSError) as wrong:
        yield _broken(f"Its chain cannot be read: {wrong}")
        return
    body_sha256 = hashlib.sha256(body).hexdigest()
    own = [told for told in chains if any(link.body_sha256 == body_sha256 for link in told.links)]
    if not own:
        yield _broken("The record's content was changed: no link of the chain has its hash.")
        return
    for told in own:
        yield from _faults(told)


def removed_photos(folder: Folder | None) -> frozenset[str]:
    """Hashes of photos that an entry beside the chain says were removed by order."""
    found: set[str] = set()
    if folder is None:
        return frozenset()
    try:
        for told in _chains(folder):
            for link in told.links:
                if link.file and link.file.startswith("entries/"):
                    found |= _removed_by(folder.read(link.file), link.body_sha256)
    except (InputFileError, OSError):
        return frozenset()  # `findings` says so
    return frozenset(found)


def _removed_by(data: bytes, sha256: str) -> set[str]:
    if hashlib.sha256(data).hexdigest() != sha256:
        return set()  # it was changed, and orders nothing
    value = json.loads(data)
    is_removal = value["chain"]["kind"] == REMOVAL_KIND
    return {photo["sha256"] for photo in value["photos"]} if is_removal else set()


def _chains(folder: Folder) -> Iterator[ChainFile]:
    """The chain of the record's own store, and those of others that came with it."""
    names = [entry.name for entry in folder.entries() if not entry.is_folder]
    for name in sorted(name for name in names if name == CHAIN_NAME or _is_another(name)):
        value = parse_json(folder.read(name, MOST_CHAIN_BYTES), name, InputFileError, MOST_CHAIN_BYTES)
        yield check(ChainFile, value, name, InputFileError)[0]


def _is_another(name: str) -> bool:
    return name.startswith("chain-") and name.endswith(".json")


def _faults(told: ChainFile) -> Iterator[Finding]:
    hashes = [chain.START, *(link.sha256 for link in told.links)]
    links = [
        Link(told.store_id, one.seq, ELSEWHERE, None, "", None, one.body_sha256, previous, one.sha256)
        for (previous, _), one in zip(pairwise(hashes), told.links, strict=True)
    ]
    for fault in chain.faults(links, needs_bodies=False):
        yield _broken(f"The chain does not hold at entry {fault.seq}: {fault.says}.")
    if chain.code(told.links[-1].sha256) != told.head:
        yield _broken("The chain's head is not that of its last entry: it was cut off.")


def _broken(says: str) -> Finding:
    return Finding("record_broken", "", says)
