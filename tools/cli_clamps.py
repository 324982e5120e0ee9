"""`plumbsight clamps`: photos before and after rolling the vehicle on -> how each clamp sits now."""

import datetime
import os
import textwrap
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import click
import numpy as np

from calib_data.convert import with_clamps
from calib_data.formats import KitFile
from calib_data.layouts import load_layouts
from calib_data.photoset import read_photos_of_plates, write_json_atomically
from tools.cli import OutputError
from tools.cli_camera import find_plates_of
from tools.tables import WIDTH
from vision.seating import Seat, Seating, clamps_as_seated
from vision.sightings import FoundPhoto

OFF_SEAT = 1  # exit status where a clamp has left its seat


@click.command("clamps")
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
@click.option(
    "--kit", type=click.Path(path_type=Path), required=True, metavar="FILE", help="The kit with the clamps."
)
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="FILE",
    help="Where the kit goes with the clamps as they sit now.",
)  # fmt: skip
def clamps_command(before: Path, after: Path, kit: Path, out: Path | None) -> int:
    """Find how the wheel clamps sit, from the photos in BEFORE and in AFTER rolling the vehicle on.

    Hang the clamps, lay the floor plates, and photograph every wheel's plate together with floor plates from
    both sides: ten photos. Roll the vehicle straight on by about a metre, so that its wheels turn by half a
    turn; touch neither clamps nor floor plates. Photograph again in the same way. What is found holds until a
    clamp is taken off; the standoff is not seen by turning and stays as the kit says.

    Exit status: 0 every clamp sits as the kit says, 1 one is off its seat, 3 the photos do not suffice.
    """
    if out is not None and (out.is_dir() or not out.parent.is_dir() or not os.access(out.parent, os.W_OK)):
        raise OutputError(f"--out {out} cannot be written. Name a file in a folder where you may write.")
    earlier, later = read_photos_of_plates(before, kit), read_photos_of_plates(after, kit)
    found = []
    for name, photo_set in (("before", earlier), ("after", later)):
        some, remarks = find_plates_of(photo_set)
        for says in (*photo_set.warnings, *remarks):
            click.echo(_wrapped(says), err=True)
        found.append(_named(some, name))
    layouts = {layout.name: layout for layout in load_layouts()}
    seating = clamps_as_seated(found[0], found[1], earlier.kit, layouts)
    click.echo("\n".join(seating_text(seating)))
    if out is not None:
        file = KitFile.model_validate_json(earlier.kit_text.text)
        clamps = seating.kit(earlier.kit).clamps
        today = datetime.date.today().isoformat()
        write_json_atomically(out, with_clamps(file, clamps, today).model_dump(exclude_none=True))
        click.echo(f"\nThe kit with the clamps as they sit now: {out}")
    return 0 if all(seat.is_seated for seat in seating.seats) else OFF_SEAT


def _named(photos: tuple[FoundPhoto, ...], position: str) -> tuple[FoundPhoto, ...]:
    """Phones count from 1 anew: the same name may stand in both folders."""
    return tuple(replace(photo, name=f"{position}/{photo.name}") for photo in photos)


def seating_text(seating: Seating) -> Iterator[str]:
    """What was found of each clamp, in columns and words."""
    columns = f"{'eccentricity x, y mm':>22} {'u':>5}   {'tilt x, y deg':>16} {'u':>6}   {'turned':>6}"
    yield f"{'wheel':<12} {columns}"
    for seat in seating.seats:
        yield _row(seat)
    yield ""
    yield from (_wrapped(seat.says) for seat in seating.seats)


def _row(seat: Seat) -> str:
    ecc, tilt = seat.clamp.eccentricity_mm, np.degrees(seat.clamp.tilt_rad)
    return (
        f"{seat.wheel.replace('_', ' '):<12} {f'{ecc[0]:+.2f}, {ecc[1]:+.2f}':>22} "
        f"{seat.clamp.u_eccentricity_mm:5.2f}   {f'{tilt[0]:+.3f}, {tilt[1]:+.3f}':>16} "
        f"{np.degrees(seat.clamp.u_tilt_rad):6.3f}   {seat.turn_deg:5.0f}\N{DEGREE SIGN}"
    )


def _wrapped(says: str) -> str:
    return textwrap.fill(says, WIDTH, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)
