"""`plumbsight recheck`: an archive measured again with today's software."""

import importlib
from pathlib import Path
from typing import Any

import click

from calib_data.recheck import OUTCOMES, SOUND
from tools.cli import STOPPED, OutputError

ALL_SOUND, TO_BE_LOOKED_AT = 0, 1
NEEDS_EXTRA = (
    "This command needs libraries that are not installed with the rest ({missing} is missing): install them "
    "with  pip install 'plumbsight[recheck]'  (in a checkout:  pip install '.[recheck]')."
)


@click.command("recheck")
@click.argument("archive", metavar="ARCHIVE")
@click.option(
    "--out", "results", type=click.Path(dir_okay=False, path_type=Path), required=True, metavar="RESULTS",
    help="The SQLite file that keeps what comes of it; made where there is none, else gone on with.",
)  # fmt: skip
@click.option(
    "--mode", type=click.Choice(["photos", "observations"]), default="photos", show_default=True,
    help="Measure from the photos, or from what was found in them then: quick, and exact.",
)  # fmt: skip
@click.option(
    "--workers", type=click.IntRange(1), help="Sets at once; as many as cores unless memory is short."
)
@click.option("--scheduler", metavar="ADDRESS", help="A Dask scheduler's, e.g. tcp://10.0.0.5:8786.")
@click.option("--photos", default="", metavar="ADDRESS",
              help="Where a store's photo files lie, if not in its folder: s3://BUCKET/FOLDER.")  # fmt: skip
@click.option("--again", is_flag=True, help="Measure also what stands in RESULTS already.")
@click.option("--parquet", type=click.Path(file_okay=False, path_type=Path), metavar="FOLDER",
              help="Write the tables there as Parquet.")  # fmt: skip
@click.option("--csv", type=click.Path(file_okay=False, path_type=Path), metavar="FOLDER",
              help="Write the tables there as CSV.")  # fmt: skip
def recheck_command(
    archive: str,
    results: Path,
    mode: str,
    workers: int | None,
    scheduler: str | None,
    photos: str,
    again: bool,
    parquet: Path | None,
    csv: Path | None,
) -> int:
    """Measure every round of ARCHIVE again and compare it with what was signed. ARCHIVE is only read.

    ARCHIVE is a service's store, exported visits, photo sets, or any folder with these: a path or an fsspec
    address; of a store in PostgreSQL the database's URL, with --photos. Stopped at any moment, the same
    command goes on; what is done is not done again unless the software, the photos or the record changed.

    Exit status: 0 all agrees (or was not signed, or its photos were removed by order), 1 some rounds ask for
    somebody's eyes, 130 stopped.
    """
    run, listing, export, progress = (_needed(name) for name in ("run", "listing", "export", "progress"))
    wanted = run.Wanted(listing.archive_of(archive, photos), results, mode, workers, scheduler, again)
    try:
        with progress.bar() as tell:
            summary = run.run(wanted, tell)
    except KeyboardInterrupt:
        click.echo("\nStopped. What is done is kept: the same command goes on from here.", err=True)
        return STOPPED
    _say(summary)
    for ending, folder in (("parquet", parquet), ("csv", csv)):
        if folder is not None:
            click.echo("Written: " + ", ".join(map(str, export.written(results, folder, ending))))
    return ALL_SOUND if set(summary.outcomes) <= set(SOUND) else TO_BE_LOOKED_AT


def _needed(name: str) -> Any:
    try:
        return importlib.import_module(f"tools.recheck.{name}")
    except ModuleNotFoundError as wrong:
        raise OutputError(NEEDS_EXTRA.format(missing=wrong.name)) from wrong


def _say(summary: Any) -> None:
    click.echo(f"{summary.n_sets} sets, {summary.n_measured} of them measured in this run.")
    for outcome, words in OUTCOMES.items():
        n = summary.outcomes.get(outcome, 0)
        if n:
            click.echo(f"{n:8d} {'round ' if n == 1 else 'rounds'}  {words}")
    for title, says in summary.examples:
        click.echo(f"{title}: {says}")
