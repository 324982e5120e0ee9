"""`plumbsight verify`, `export`, `import`, `backup`, `restore` and `retention`: a store's command line."""

import functools
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any
from uuid import uuid4

import click
from sqlalchemy import select

from api.access import people
from api.access.shop import shop
from api.context import Caller
from api.photos.photofiles import sync_folder
from api.place import Place
from api.problems import NotAcceptedError, ServiceError, TooLargeError
from api.records import backup, imports, removal, verify
from api.records.exports import signed_visits, write_visits
from api.records.verify import Findings, short
from api.store import DATABASE, Store, now, open_store
from api.tables import Visit
from tools.cli import OutputError
from tools.cli_measure import Progress
from tools.cli_serve import DEFAULT_STORE, store_options
from vision.errors import InputFileError

SOUND, FAULTY = 0, 1
HOME = Place(DEFAULT_STORE)
Command = Callable[..., int]


def _in_words(command: Command) -> Command:
    """Errors of the service as the command line says them: wrong files are status 65, all else 64."""

    @functools.wraps(command)
    def run(*args: Any, **more: Any) -> int:
        try:
            return command(*args, **more)
        except (NotAcceptedError, TooLargeError) as wrong:
            raise InputFileError(str(wrong)) from wrong
        except ServiceError as wrong:
            raise OutputError(str(wrong)) from wrong

    return run


@contextmanager
def _opened(place: Place | None) -> Iterator[Store]:
    place = place or HOME
    if not place.database and not (place.folder / DATABASE).is_file():
        raise OutputError(
            f"{place.folder} is no store. Name the store's folder, or start plumbsight serve on it once."
        )
    store = open_store(place)
    try:
        yield store
    finally:
        store.close()


def _progress() -> tuple[Progress, Callable[[int, int], None]]:
    shown = Progress(sys.stderr.isatty())
    return shown, lambda done, total: shown("reading photos", done, total)


# --- verify ---------------------------------------------------------------------------------------


@click.command("verify")
@click.argument("store", type=click.Path(path_type=Path), required=False, metavar="[STORE]")
@store_options
@click.option(
    "--head", "heads", multiple=True, metavar="CODE",
    help="The chain's head that a record prints. May be given several times.",
)  # fmt: skip
@click.option("--no-photos", is_flag=True, help="Do not read the photos, only look whether they are there.")
@_in_words
def verify_command(store: Path | None, place: Place | None, heads: tuple[str, ...], no_photos: bool) -> int:
    """Check a store's records, tables and photos. Nothing is changed.

    A chain that was cut off, or written anew as a whole, shows only against a head that was kept elsewhere:
    give the code of the latest printed record. Exit status: 0 all is as it was, 1 something is not.
    """
    if store is not None and place is not None and place.folder not in (DEFAULT_STORE, store):
        raise click.UsageError("The store is named twice. Leave STORE or --store out.")
    place = place or HOME
    place = replace(place, folder=store) if store is not None else place
    shown, progress = _progress()
    with verify.reading_only(place) as db, shown:
        found = verify.verify(db, place, heads, reads_photos=not no_photos, progress=progress)
    _tell(found)
    return SOUND if found.is_sound else FAULTY


def _tell(found: Findings) -> None:
    for one in found.chains:
        whose = "this store" if one.is_own else f"store {short(one.store_id)}"
        click.echo(f"Chain of {whose}: {one.n_entries} entries, head {one.head}")
    for head in found.heads:
        where = f"entry {head.seq} of store {short(head.store_id)}, {head.n_after} after it"
        click.echo(f"Head {head.code}: {where if head.is_there else 'NOT THERE'}")
    photos = ", ".join(f"{n} {_STATES[state]}" for state, n in found.photos.items() if n) or "none"
    click.echo(f"Records: {found.n_records}. Photos: {photos}.")
    for fault in found.faults:
        click.echo(f"FAULT: {fault}")
    click.echo("All is as it was written." if found.is_sound else f"{len(found.faults)} faults.")
    if found.is_sound and not found.heads:
        click.echo("Without --head nobody can tell whether the chain was cut off or written anew.")


_STATES = {
    "intact": "intact",
    "altered": "ALTERED",
    "missing": "MISSING",
    "removed": "removed by order",
    "unread": "there, not read",
}


# --- export, import -------------------------------------------------------------------------------


@click.command("export")
@click.argument("zip_path", type=click.Path(dir_okay=False, path_type=Path), metavar="ZIP")
@store_options
@click.option("--visit", "numbers", type=int, multiple=True, metavar="NUMBER", help="Only this visit.")
@_in_words
def export_command(zip_path: Path, place: Place | None, numbers: tuple[int, ...]) -> int:
    """Write signed visits with their photos and the chain into ZIP, for another store or a reader."""
    if zip_path.exists():
        raise OutputError(f"{zip_path} is there already, and is not overwritten. Name a new file.")
    with _opened(place) as store:
        n = _write_zip(store, zip_path, numbers)
    click.echo(f"{n} visits written to {zip_path}.")
    return 0


def _write_zip(store: Store, zip_path: Path, numbers: Sequence[int]) -> int:
    """Write the zip so that it is whole or not there."""
    part = zip_path.parent / f".{zip_path.name}.{uuid4().hex}"
    try:
        with store.reading() as db, open(part, "xb") as out:
            chosen = _chosen(db, store, numbers)
            write_visits(db, store, chosen, out)
            out.flush()
            os.fsync(out.fileno())
        os.replace(part, zip_path)
        sync_folder(zip_path.absolute().parent)
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return len(chosen)


def _chosen(db: Any, store: Store, numbers: Sequence[int]) -> list[str]:
    signed = signed_visits(db, store.id)
    if not numbers:
        return signed
    rows = db.scalars(select(Visit).where(Visit.store_id == store.id, Visit.number.in_(numbers)))
    by_number = {visit.number: visit.id for visit in rows}
    unknown = sorted(set(numbers) - {n for n, visit_id in by_number.items() if visit_id in signed})
    if unknown:
        raise OutputError(f"Visit {', '.join(map(str, unknown))} is not here, or not signed.")
    return [by_number[n] for n in numbers]


@click.command("import")
@click.argument("zip_path", type=click.Path(exists=True, dir_okay=False, path_type=Path), metavar="ZIP")
@store_options
@_in_words
def import_command(zip_path: Path, place: Place | None) -> int:
    """Take the signed visits of another store's export into this one, verified first. Twice is once."""
    with _opened(place) as store:
        done = imports.take_in(store, None, zip_path)
    if done.n_entries or done.n_photos:
        n_before = len(done.visits) - len(done.visit_ids)
        click.echo(f"{len(done.visit_ids)} visits taken in, {done.n_photos} photos.")
        if n_before:
            click.echo(f"{n_before} visits were here before, and stay as they are.")
        if done.n_removed:
            click.echo(f"{done.n_removed} photos were left out: they were removed by order.")
    else:
        click.echo("All of it is here already.")
    return 0


# --- backup, restore ------------------------------------------------------------------------------


@click.command("backup")
@click.argument("to", type=click.Path(path_type=Path), metavar="FOLDER")
@store_options
@_in_words
def backup_command(to: Path, place: Place | None) -> int:
    """Copy the store into a new FOLDER and verify the copy. The service may be running.

    The copy is as confidential as the store. Exit status: 0 all is sound, 1 something in it is not.
    """
    shown, progress = _progress()
    with shown:
        found = backup.back_up(place or HOME, to, progress)
    _tell(found)
    click.echo(f"Copied to {to}.")
    return SOUND if found.is_sound else FAULTY


@click.command("restore")
@click.argument("copy", type=click.Path(exists=True, file_okay=False, path_type=Path), metavar="COPY")
@store_options
@_in_words
def restore_command(copy: Path, place: Place | None) -> int:
    """Bring a copy that backup made back as a store. Nothing is overwritten."""
    shown, progress = _progress()
    with shown:
        found = backup.restore(copy, place or HOME, progress)
    _tell(found)
    click.echo(f"Restored to {(place or HOME).folder}. Start plumbsight serve on it.")
    return 0


# --- retention ------------------------------------------------------------------------------------


@click.command("retention")
@store_options
@click.option("--days", type=click.IntRange(1), help="In place of what the shop has set.")
@click.option("--remove", is_flag=True, help="Delete these photos; an entry for each visit says who and why.")
@click.option("--person", metavar="NAME", help="Who removes: an owner or reviewer, whose PIN is asked.")
@_in_words
def retention_command(place: Place | None, days: int | None, remove: bool, person: str | None) -> int:
    """List signed visits whose photos are older than the shop keeps them.

    Only with --remove anything is deleted, and only photo files: records and what was seen in them stay.
    """
    if remove and not person:
        raise click.UsageError("--remove needs --person NAME: the chain keeps who removed the photos.")
    with _opened(place) as store:
        with store.reading() as db:
            days = days or shop(db).retention_days
            old = removal.older_than(db, days, now()) if days is not None else []
        if days is None:
            click.echo("The shop has set no limit: photos are kept for good. --days N lists older ones.")
        elif not old:
            click.echo(f"No photo is older than {days} days.")
        else:
            _list(old)
            if person and remove:
                _remove(store, _caller(store, person), old, days)
    return 0


def _list(old: Sequence[removal.Old]) -> None:
    for one in old:
        size = f"{len(one.arrival_ids)} photos, {one.n_bytes / 1e6:.1f} MB"
        click.echo(f"Visit {one.number}, {one.label}, signed {one.signed_at[:10]}: {size}")


def _caller(store: Store, name: str) -> Caller:
    with store.reading() as db:
        found = [one for one in people.present(db) if one.name.casefold() == name.casefold()]
        if not found or found[0].role == "technician":
            raise OutputError(
                f"There is no owner or reviewer called {name}. Name one as the page lists them."
            )
        who = found[0]
        caller = Caller(who.id, who.name, who.role, "")  # type: ignore[arg-type]
    people.check_pin(store, caller.person_id, click.prompt(f"PIN of {caller.name}", hide_input=True))
    return caller


def _remove(store: Store, caller: Caller, old: Sequence[removal.Old], days: int) -> None:
    for visit in old:
        with store.writing() as db:
            # A photo that came to two visits may have gone with the one before.
            left = [one for one in removal.older_than(db, days, now()) if one.visit_id == visit.visit_id]
            for one in left:
                removal.write(db, store.id, caller, one.arrival_ids, f"Retention: older than {days} days.")
    n = removal.sweep(store)
    click.echo(f"{n} photo files deleted; records and observations stay.")
