"""Everything that an archive holds to be measured again, listed one set at a time.

An archive is a service's store, an export (zip or unpacked), a photo set, or any tree of folders with these.
Below a folder that is one of them nothing more is looked for.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal
from zipfile import BadZipFile

from calib_data.recheck import Finding
from tools.recheck import service_store
from tools.recheck.folders import Folder, folder_of, is_zip
from tools.recheck.service_store import StoreAddress
from tools.recheck.sets import ArchivedSet, fingerprint_of
from vision.errors import InputFileError

RECORD_NAME, CHAIN_NAME, SET_NAME = "record.json", "chain.json", "set.json"
# Pictures that are nobody's photos, such as drawings, are PNG; a folder with these and no set.json lacks it.
_PHOTO_ENDINGS = (".jpg", ".jpeg", ".heic", ".heif")

Archive = Folder | StoreAddress


@dataclass(frozen=True)
class Place:
    """A store, an exported visit or a photo set, and the way to it from the archive's top.

    Attributes:
        chain: The nearest folder on the way that has a chain.json.
        says: Why it cannot be looked into.
    """

    kind: Literal["store", "visit", "photos", "unread"]
    folder: Folder
    way: str
    chain: Folder | None = None
    says: str = ""


def archive_of(address: str, photos: str = "") -> Archive:
    """An archive as a person names it.

    Args:
        photos: Where a store's photo files lie, if not with its tables.

    Raises:
        InputFileError: There is no such archive.
    """
    if service_store.is_postgresql(address) and not photos:
        raise InputFileError("A database holds no photo files. Name their place too: --photos ADDRESS.")
    return service_store.address_of(address, photos) if photos else folder_of(address)


def sets_of(archive: Archive) -> Iterator[ArchivedSet]:
    """All sets of an archive, in no particular order.

    Raises:
        InputFileError: A store in it cannot be read.
    """
    if isinstance(archive, StoreAddress):
        yield from service_store.sets_of(archive, str(archive), "")
        return
    for place in places_of(archive):
        if place.kind == "store":
            yield from _sets_of_store(archive, place)
        else:
            yield _set(archive, place)


def count(archive: Archive) -> int:
    """How many sets there are, without looking into them."""
    if isinstance(archive, StoreAddress):
        return service_store.count(archive)
    return sum(
        service_store.count(StoreAddress.of(place.folder)) if place.kind == "store" else 1
        for place in places_of(archive)
    )


def places_of(folder: Folder, way: str = "", chain: Folder | None = None) -> Iterator[Place]:
    """Where there is something, found by the names of files alone."""
    try:
        yield from _places(folder, way, chain)
    except (OSError, BadZipFile) as wrong:
        yield Place("unread", folder, way, says=f"{folder} cannot be read ({wrong}).")


def _places(folder: Folder, way: str, chain: Folder | None) -> Iterator[Place]:
    chain = folder if folder.has(CHAIN_NAME) else chain
    if service_store.is_store(folder):
        yield Place("store", folder, way)
    elif folder.has(RECORD_NAME):
        yield Place("visit", folder, way, chain)
    elif folder.has(SET_NAME):
        yield Place("photos", folder, way)
    else:
        yield from _below(folder, way, chain)


def _below(folder: Folder, way: str, chain: Folder | None) -> Iterator[Place]:
    has_photos = False
    for entry in folder.entries():
        if entry.name.startswith("."):
            continue
        there = f"{way}/{entry.name}" if way else entry.name
        if entry.is_folder:
            yield from places_of(folder.under(entry.name), there, chain)
        elif folder.inside is None and is_zip(entry.name):
            yield from places_of(folder.zipped(entry.name), there)
        has_photos |= entry.name.lower().endswith(_PHOTO_ENDINGS)
    if has_photos:
        yield Place("photos", folder, way)


def _sets_of_store(archive: Folder, place: Place) -> Iterator[ArchivedSet]:
    prefix = f"{place.way}/" if place.way else ""
    try:
        yield from service_store.sets_of(StoreAddress.of(place.folder), str(archive), prefix)
    except InputFileError as wrong:
        if not place.way:
            raise
        yield _unread(archive, replace(place, says=str(wrong)))


def _set(archive: Folder, place: Place) -> ArchivedSet:
    if place.kind == "unread":
        return _unread(archive, place)
    folders = [place.folder]
    if place.kind == "visit":
        below = sorted(entry.name for entry in place.folder.entries() if entry.is_folder)
        folders += [place.folder.under(name) for name in below]
    stamps = [sorted((e.name, folder.stamp(e.name)) for e in folder.entries()) for folder in folders]
    beside = place.chain.stamp(CHAIN_NAME) if place.chain is not None else None
    return ArchivedSet(
        str(archive),
        place.way or ".",
        fingerprint_of(stamps, beside),
        folder=place.folder,
        chain=place.chain,
    )


def _unread(archive: Folder, place: Place) -> ArchivedSet:
    finding = Finding("not_measured", "", place.says)
    return ArchivedSet(str(archive), place.way or ".", fingerprint_of(place.says), (finding,))
