"""Copies of a store: made while the service runs, verified, and brought back where nothing stands in the way.

A copy is itself a store, in one folder: the database as it was at one moment, and the photo files that it
names. Previews and drawings are left out; they are made again.
"""

import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from api.photos import photofiles
from api.place import Place
from api.problems import ConflictError, NotThereError
from api.records import chain
from api.records.verify import Findings, Progress, reading_only, verify
from api.store import DATABASE, open_store
from api.tables import PhotoFile
from calib_data.record import NOTE, NoteFile

NOTE_KIND = "note"
# A photo that is removed by order while it is copied makes the copied database old; then it is taken anew.
_MOST_TRIES = 3


def back_up(at: Path | Place, to: Path, progress: Progress = lambda *_: None) -> Findings:
    """Copy a store into a new folder and verify the copy; what is wrong with it is in the findings.

    Raises:
        ConflictError: `to` is there already, or the store lies elsewhere than in a folder.
        NotThereError: The folder holds no store.
    """
    folder = _in_a_folder(at)
    if not (folder / DATABASE).is_file():
        raise NotThereError(f"{folder} has no {DATABASE}: it is no store. Name the folder of a store.")
    _check_free(to)
    part = _part(to)
    for _ in range(_MOST_TRIES):
        shutil.rmtree(part, ignore_errors=True)
        part.mkdir(parents=True, mode=0o700)
        _copy_database(folder / DATABASE, part / DATABASE)
        with reading_only(part) as db:
            wanted = _stored(db)
        if not _copy_photos(folder, part, wanted):
            break  # none went missing meanwhile
    found = _verified(part, progress)
    _into_place(part, to)
    return found


def restore(copy: Path, at: Path | Place, progress: Progress = lambda *_: None) -> Findings:
    """Bring a copy back as a store, into a folder where there is none; its chain tells of it.

    Raises:
        ConflictError: There is something there, or it is elsewhere than in a folder; the copy is not sound.
        NotThereError: `copy` holds no store.
    """
    to = _in_a_folder(at)
    _check_free(to)
    found = _verified(copy, progress)
    if not found.is_sound:
        raise ConflictError(f"The copy is not sound, so nothing was restored from it. {found.faults[0]}")
    part = _part(to)
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(parents=True, mode=0o700)
    _copy_database(copy / DATABASE, part / DATABASE)
    with reading_only(part) as db:
        wanted = _stored(db)
    _copy_photos(copy, part, wanted)
    _say_restored(part, found)
    found = _verified(part, lambda *_: None)
    _into_place(part, to)
    return found


def _in_a_folder(at: Path | Place) -> Path:
    place = Place.of(at)
    if place.database:
        raise ConflictError(
            "This store's database is PostgreSQL's: it is copied and brought back by pg_dump and pg_restore, "
            "or by the server's own archive. Copy the database first and the photos after it, so that each "
            "photo that it names is in the copy; then check the copy with plumbsight verify."
        )
    if place.photos:
        raise ConflictError(
            "This store's photos lie in an object store: they are copied by its own means, after the "
            "database. Check the copy with plumbsight verify."
        )
    return place.folder


def _check_free(to: Path) -> None:
    if to.exists() and not (to.is_dir() and not any(to.iterdir())):
        raise ConflictError(f"{to} is there already, and nothing is overwritten. Name a new folder.")


def _part(to: Path) -> Path:
    """Where a copy grows until it is whole."""
    return to.absolute().parent / f".{to.name}.unfinished"


def _into_place(part: Path, to: Path) -> None:
    for folder, _, names in os.walk(part):
        for name in names:
            _sync(Path(folder) / name)
        photofiles.sync_folder(Path(folder))
    if to.exists():
        to.rmdir()  # empty, as was checked
    os.replace(part, to)
    photofiles.sync_folder(to.absolute().parent)


def _sync(path: Path) -> None:
    with open(path, "rb+") as file:
        os.fsync(file.fileno())


def _copy_database(source: Path, to: Path) -> None:
    """The database as it is at one moment, also while it is written; in one file."""
    address = f"{source.absolute().as_uri()}?mode=ro"
    with closing(sqlite3.connect(address, uri=True)) as here, closing(sqlite3.connect(to)) as there:
        here.backup(there)
        there.execute("PRAGMA journal_mode=DELETE")
    to.chmod(0o600)


def _stored(db: Session) -> list[str]:
    """Hashes of the photos whose files a store holds."""
    return list(db.scalars(select(PhotoFile.sha256).where(PhotoFile.removed_at.is_(None))))


def _copy_photos(folder: Path, part: Path, wanted: list[str]) -> bool:
    """Copy the files; whether one was removed by order since the database was copied."""
    missing = [sha256 for sha256 in wanted if not _copy_photo(folder, part, sha256)]
    if not missing:
        return False
    with reading_only(folder) as db:
        marked = select(PhotoFile.sha256).where(PhotoFile.removed_at.is_not(None))
        return bool(set(missing) & set(db.scalars(marked)))


def _copy_photo(folder: Path, part: Path, sha256: str) -> bool:
    to = photofiles.local(part, sha256)
    to.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    try:
        shutil.copyfile(photofiles.local(folder, sha256), to)
    except FileNotFoundError:
        return False
    return True


def _verified(folder: Path, progress: Progress) -> Findings:
    with reading_only(folder) as db:
        return verify(db, folder, progress=progress)


def _say_restored(folder: Path, found: Findings) -> None:
    """A later record then shows that its chain went on from a copy."""
    store = open_store(folder)
    try:
        own = next((one for one in found.chains if one.store_id == store.id), None)
        ended = (
            f"whose chain ended with entry {own.n_entries}, head {own.head}" if own else "without a record"
        )
        with store.writing() as db:
            body = {"format": NOTE, "says": f"Restored from a copy {ended}."}
            entry = chain.append(db, store.id, NOTE_KIND, None, body)
            NoteFile.model_validate(chain.body_of(entry))
    finally:
        store.close()
    _fold_log(folder)


def _fold_log(folder: Path) -> None:
    """Fold the write-ahead log into the database's file."""
    with closing(sqlite3.connect(folder / DATABASE)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
