"""`plumbsight teach`: photos of plates -> a kit's fixture, or its sheets' scales."""

import os
import textwrap
from collections.abc import Iterator
from pathlib import Path

import click
import numpy as np

from calib_data.convert import to_profile, with_fixture, with_sheets
from calib_data.formats import KitFile
from calib_data.layouts import load_layouts
from calib_data.photoset import PhotoSet, read_camera_profile, read_photos_of_plates, write_json_atomically
from calib_data.taught import fixture_remarks, sheet_remarks, taught_kit, turned_deg
from tools.cli import OutputError
from tools.cli_camera import find_plates_of
from tools.cli_print import plate_numbers
from tools.tables import WIDTH
from vision.kit import Kit, Mount, Target
from vision.lenses import Profile
from vision.sheetscales import TaughtSheet, TaughtSheets, teach_sheets
from vision.sightings import FoundPhoto
from vision.teach import InTargetsPlace, TaughtFixture, teach_fixture

DISAGREES = 1  # exit status where a sheet's ruler disagrees with the others

KIT_OPTION = click.option(
    "--kit", type=click.Path(path_type=Path), required=True, metavar="FILE", help="The kit with the plates."
)
OUT_OPTION = click.option(
    "--out", type=click.Path(path_type=Path), required=True, metavar="FILE", help="Where the new kit goes."
)
CAMERA_OPTION = click.option(
    "--camera", type=click.Path(path_type=Path), multiple=True, metavar="FILE",
    help="Stored lens profile. May be given several times.",
)  # fmt: skip


@click.group("teach")
def teach_commands() -> None:
    """Let photos of plates say what the kit file must: a fixture's plates and target, the sheets' scales."""


@teach_commands.command("fixture")
@click.argument("folder", type=click.Path(path_type=Path))
@KIT_OPTION
@click.option("--name", required=True, help="The fixture's name.")
@click.option(
    "--target-plate", type=int, required=True, metavar="N", help="The plate that lies in the target's place."
)
@click.option("--target", default="board", show_default=True, help="The target's name.")
@click.option(
    "--plates", metavar="PLATES",
    help="The fixture's plates, such as 10,11. Without it those of the kit's entry, else all that are seen "
    "and are nothing else in the kit.",
)  # fmt: skip
@click.option(
    "--offset", type=float, nargs=3, metavar="X Y Z",
    help="Way from the printed centre to the target's reference point, mm in the plate's frame. Without it "
    "the sheet's board lies flat on the point: 0 0 -thickness_mm.",
)  # fmt: skip
@click.option(
    "--u-offset", type=click.FloatRange(0.01, 20), default=0.5, show_default=True, metavar="MM",
    help="How well the plate's centre meets the reference point, one standard uncertainty per axis.",
)  # fmt: skip
@click.option(
    "--u-turn", type=click.FloatRange(0.005, 5), default=0.1, show_default=True, metavar="DEG",
    help="How well the plate is turned as the target is, per axis.",
)  # fmt: skip
@CAMERA_OPTION
@OUT_OPTION
def fixture_command(
    folder: Path,
    kit: Path,
    name: str,
    target_plate: int,
    target: str,
    plates: str | None,
    offset: tuple[float, float, float] | None,
    u_offset: float,
    u_turn: float,
    camera: tuple[Path, ...],
    out: Path,
) -> int:
    """Find where a fixture's plates and its target sit, from the photos in FOLDER.

    Lay a plate on the target's face, upright, its printed centre on the target's reference point. Touch
    nothing more and take eight photos or more, from 60 degrees on one side to 60 degrees on the other, high
    and low, each with the target's plate and the fixture's plates in view. A scale bar in view helps.

    The fixture's axes are then the target's (x away from the vehicle, y to the vehicle's left, z up), its
    origin is the middle of the fixture's plates.

    Exit status: 0 the kit was written, 3 the photos do not suffice.
    """
    _check_out(out)
    photo_set = read_photos_of_plates(folder, kit)
    stand_in = InTargetsPlace(target_plate, offset, u_offset, float(np.radians(u_turn)))
    taught = teach_fixture(
        _found(photo_set),
        photo_set.kit,
        _layouts(),
        name,
        stand_in,
        target=target,
        plates=plate_numbers(plates) if plates else (),
        profiles=_profiles(camera),
    )
    click.echo("\n".join(fixture_text(taught, photo_set.kit)))
    _write(with_fixture(KitFile.model_validate_json(photo_set.kit_text.text), taught.fixture), out)
    return 0


@teach_commands.command("sheets")
@click.argument("folder", type=click.Path(path_type=Path))
@KIT_OPTION
@CAMERA_OPTION
@OUT_OPTION
def sheets_command(folder: Path, kit: Path, camera: tuple[Path, ...], out: Path) -> int:
    """Measure the sheets' scales against each other, from the photos in FOLDER.

    Lay or hang all sheets of the kit anywhere within two metres and do not touch them again. Take ten
    photos or more from about 1.5 m, from all sides and slanting, several sheets in each. What all rulers
    have in common is not seen so: a scale bar in view tells it.

    Exit status: 0 the kit was written, 1 it was and a sheet's ruler disagrees with the others, 3 the photos
    do not suffice.
    """
    _check_out(out)
    photo_set = read_photos_of_plates(folder, kit)
    taught = teach_sheets(_found(photo_set), photo_set.kit, _layouts(), _profiles(camera))
    click.echo("\n".join(sheets_text(taught, photo_set.kit)))
    new = {s.after.number: s.after for s in taught.sheets} | {a.number: a for _, a in taught.unseen}
    file = KitFile.model_validate_json(photo_set.kit_text.text)
    _write(with_sheets(file, new, taught.u_ruler_scale), out)
    return DISAGREES if any(sheet.disagrees for sheet in taught.sheets) else 0


def _check_out(out: Path) -> None:
    if out.is_dir() or not out.parent.is_dir() or not os.access(out.parent, os.W_OK):
        raise OutputError(f"--out {out} cannot be written. Name a file in a folder where you may write.")


def _found(photo_set: PhotoSet) -> tuple[FoundPhoto, ...]:
    found, remarks = find_plates_of(photo_set)
    for says in (*photo_set.warnings, *remarks):
        click.echo(_wrapped(says), err=True)
    return found


def _layouts() -> dict:
    return {layout.name: layout for layout in load_layouts()}


def _profiles(camera: tuple[Path, ...]) -> list[Profile]:
    return [to_profile(read_camera_profile(path)[0]) for path in camera]


def _write(file: KitFile, out: Path) -> None:
    write_json_atomically(out, taught_kit(file))
    click.echo(f"\nThe kit with what was found: {out}")


# --- in words -----------------------------------------------------------------------


def fixture_text(taught: TaughtFixture, kit: Kit) -> Iterator[str]:
    """The fixture's entry in columns, and remarks."""
    entry = taught.fixture
    yield f"{entry.name:<12} {'position x, y, z mm':>28} {'u':>6}   {'face turned by deg':>18} {'u':>6}"
    for mount in entry.mounts:
        yield _row(f"plate {mount.plate}", mount, turned_deg(mount))
    for target in entry.targets:
        yield _row(target.name, target, 0.0)
    yield ""
    for says in (*taught.says, *fixture_remarks(taught, kit)):
        yield _wrapped(says)


def _row(what: str, body: Mount | Target, turned_deg: float) -> str:
    T = body.T_fixture_plate if isinstance(body, Mount) else body.T_fixture_target
    x, y, z = T[:3, 3]
    place = f"{x:+.2f}, {y:+.2f}, {z:+.2f}"
    u_deg = np.degrees(body.u_rotation_rad)
    return f"{what:<12} {place:>28} {body.u_position_mm:6.2f}   {turned_deg:18.2f} {u_deg:6.3f}"


def sheets_text(taught: TaughtSheets, kit: Kit) -> Iterator[str]:
    """What became of each sheet, and of what all have in common."""
    yield f"{'plate':>5} {'photos':>6} {'ruler said':>11} {'u':>8}   {'photos say':>11} {'u':>8}"
    for sheet in taught.sheets:
        yield _sheet_row(sheet)
    yield ""
    for says in sheet_remarks(taught, kit):
        yield _wrapped(says)


def _sheet_row(sheet: TaughtSheet) -> str:
    before, after = sheet.before, sheet.after
    ruler = f"{np.mean(before.printed_scale_xy):.5f}" if before.scale_is_measured else "not measured"
    mark = "   disagrees" if sheet.disagrees else ""
    return (
        f"{before.number:>5} {sheet.n_photos:>6} {ruler:>11} {before.u_printed_scale:8.5f}   "
        f"{np.mean(after.printed_scale_xy):11.5f} {after.u_printed_scale:8.5f}{mark}"
    )


def _wrapped(says: str) -> str:
    return textwrap.fill(says, WIDTH, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)
