"""`plumbsight review`: what hundreds of re-measured rounds say of kits, phones, bays and single rounds."""

import importlib
from pathlib import Path

import click

from tools.cli import OutputError
from tools.cli_recheck import NEEDS_EXTRA

NOTHING_FOUND, SOMETHING_FOUND = 0, 1


@click.command("review")
@click.argument("results", type=click.Path(dir_okay=False, path_type=Path), metavar="RESULTS")
@click.option(
    "--out", "folder", type=click.Path(file_okay=False, path_type=Path), metavar="FOLDER",
    help="Write summary, tables (CSV and Parquet) and plots (SVG) there.",
)  # fmt: skip
def review_command(results: Path, folder: Path | None) -> int:
    """Say which kits, phones, bays, vehicle models or rounds are off, likeliest first.

    RESULTS is the file that plumbsight recheck --out wrote; it is only read.

    Exit status: 0 nothing stands out, 1 something does.
    """
    try:
        reading = importlib.import_module("calib_data.review.reading")
        report = importlib.import_module("calib_data.review.report")
    except ModuleNotFoundError as wrong:
        raise OutputError(NEEDS_EXTRA.format(missing=wrong.name)) from wrong
    done = report.review(reading.read_rounds(results))
    for line in report.in_words(done):
        click.echo(line)
    if folder is not None:
        written = [path.name for path in report.write(done, folder)]
        click.echo(f"Written into {folder}: {', '.join(written)}.")
    return SOMETHING_FOUND if done.findings else NOTHING_FOUND
