"""`plumbsight shift`: what is required of the difference between two rounds."""

from pathlib import Path
from typing import Any

import click

from calib_data.crosschecks import shift_problems
from calib_data.formats import ResultFile, ShiftFile
from calib_data.photoset import write_json_atomically
from calib_data.reading import check, parse_json, raise_problems
from calib_data.shift import decide_shift
from tools.cli import STATUS_OF_DECISION
from tools.tables import shift_table
from vision.advice import INCHES, MILLIMETRES
from vision.errors import InputFileError, PlacementError


@click.command("shift")
@click.argument("shift", type=click.Path(path_type=Path))
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
@click.option(
    "--json", "json_path", type=click.Path(path_type=Path), metavar="FILE", help="Write the decision to it."
)
@click.option("--inches", is_flag=True, help="Show lengths in inches. The JSON stays in millimetres.")
def shift_command(shift: Path, before: Path, after: Path, json_path: Path | None, inches: bool) -> int:
    """Decide what SHIFT requires of the difference between two rounds of one visit.

    BEFORE and AFTER are results, as `plumbsight measure FOLDER --json FILE` wrote them: a board near and
    far, or a plate at one stop and at the next. What both rounds share cancels.
    """
    file, warnings = check(ShiftFile, _json(shift, PlacementError), str(shift), PlacementError)
    raise_problems(shift_problems(file), str(shift), PlacementError)
    results = []
    for path in (before, after):
        value = _json(path, InputFileError)
        check(ResultFile, value, str(path), InputFileError)
        results.append(value)
    decided = decide_shift(results[0], results[1], file).told
    for warning in warnings:
        click.echo(warning, err=True)
    units = INCHES if inches else MILLIMETRES
    click.echo(shift_table(decide_shift(results[0], results[1], file, units).told, units))
    if json_path is not None:
        write_json_atomically(json_path, decided)
    return STATUS_OF_DECISION[decided["decision"]]


def _json(path: Path, error: type[InputFileError]) -> Any:
    try:
        return parse_json(path.read_bytes(), str(path), error, most_bytes=50_000_000)
    except OSError as wrong:
        raise error(f"{path} cannot be read ({wrong.strerror}). Name the right file.") from wrong
