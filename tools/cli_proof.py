"""`plumbsight proof`: a known length or way, measured with the shop's own kit, phone and prints."""

import datetime
import os
import sys
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Literal

import click

from calib_data.convert import to_profile
from calib_data.layouts import load_layouts
from calib_data.photoset import (
    PhotoSet,
    read_camera_profile,
    read_photo_set,
    read_photos_of_plates,
    write_json_atomically,
)
from calib_data.proof import ProofFile, proof_file, slide_of
from tools.cli import OutputError
from tools.cli_camera import find_plates_of
from tools.cli_measure import Progress, measure_set
from tools.tables import WIDTH
from vision.errors import PlacementError
from vision.proof import Proof, measured_length, proved_bar
from vision.sightings import FoundPhoto

STATUS_OF_VERDICT = {"passed": 0, "flagged": 1, "undecided": 2}

CAMERA_OPTION = click.option(
    "--camera", type=click.Path(path_type=Path), multiple=True, metavar="FILE",
    help="Stored lens profile. May be given several times.",
)  # fmt: skip
OUT_OPTION = click.option(
    "--out", type=click.Path(path_type=Path), metavar="FILE",
    help="Where the proof's file goes. Without it: proof-bar-DATE.json or proof-slide-DATE.json here.",
)  # fmt: skip


@click.group("proof")
def proof_commands() -> None:
    """Prove a kit on the shop's own phone and prints: a known length or way must come out within its u.

    Exit status: 0 passed, 1 the kit is flagged, 2 nothing is proved, 3 the photos do not suffice.
    """


@proof_commands.command("bar")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--kit", type=click.Path(path_type=Path), required=True, metavar="FILE", help="The kit.")
@click.option(
    "--bar", type=(int, int, float, float), required=True, metavar="A B LENGTH U",
    help="The bar's two plates, the distance of their centres and its standard uncertainty, in mm.",
)  # fmt: skip
@CAMERA_OPTION
@OUT_OPTION
def bar_command(
    folder: Path, kit: Path, bar: tuple[int, int, float, float], camera: tuple[Path, ...], out: Path | None
) -> int:
    """Measure a bar of known length, held out of the adjustment, by the photos in FOLDER.

    Take eight photos or more from all sides, with both ends of the bar and other plates of the kit in view. A
    bar finds sheets that are all printed to another scale, a wrong ruler, and a lens that bends lengths. It
    says nothing of clamps, mounts and floor.

    Exit status: 0 passed, 1 the kit is flagged, 2 nothing is proved, 3 the photos do not suffice.
    """
    first, second, length_mm, u_mm = bar
    if not (50 <= length_mm <= 20000 and 1e-3 <= u_mm <= 0.02 * length_mm):
        raise click.UsageError(
            f"--bar: {length_mm:g} mm with u {u_mm:g} mm is no known length. Enter e.g. 30 31 1000.0 0.2."
        )
    path = _out(out, "bar")
    photo_set = read_photos_of_plates(folder, kit)
    found, remarks = find_plates_of(photo_set)
    for says in (*photo_set.warnings, *remarks):
        click.echo(_wrapped(says), err=True)
    layouts = {layout.name: layout for layout in load_layouts()}
    profiles = [to_profile(read_camera_profile(p)[0]) for p in camera]
    measured = measured_length(found, photo_set.kit, layouts, (first, second), profiles)
    proof = proved_bar(measured.length_mm, measured.u_mm, length_mm, u_mm)
    file = _filed(proof, photo_set, found, plates=(first, second), budget=measured.budget)
    return _finish(proof, file, path)


@proof_commands.command("slide")
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
@click.option("--kit", type=click.Path(path_type=Path), metavar="FILE", help="Kit, in place of the sets'.")
@click.option(
    "--placement", type=click.Path(path_type=Path), metavar="FILE", help="Placement, in place of the sets'."
)
@click.option("--wheelbase", type=float, metavar="MM", help="Declared wheelbase in millimetres.")
@click.option(
    "--by", "by_mm", type=float, required=True, metavar="MM",
    help="How far the fixture was slid, e.g. 10.0: away from the vehicle, or to its left, is positive.",
)  # fmt: skip
@click.option(
    "--u-by", "u_by_mm", type=click.FloatRange(0.005, 5), default=0.1, show_default=True, metavar="MM",
    help="Standard uncertainty of that.",
)  # fmt: skip
@click.option("--along", type=click.Choice(["distance", "lateral"]), default="distance", show_default=True)
@CAMERA_OPTION
@OUT_OPTION
def slide_command(
    before: Path,
    after: Path,
    kit: Path | None,
    placement: Path | None,
    wheelbase: float | None,
    by_mm: float,
    u_by_mm: float,
    along: str,
    camera: tuple[Path, ...],
    out: Path | None,
) -> int:
    """Measure how far a fixture was slid between the photos in BEFORE and in AFTER.

    Photograph a round as usual, slide the fixture by a known way along a straight edge (a gauge block between
    stop and foot: 10.0 mm) and photograph another round; touch nothing else. The way finds a wrong sign or
    axis, exchanged plates, a vehicle that moved, and uncertainties that are too small. What all rounds
    share does not show: 1 % of all sheets is 0.1 mm of it.

    Exit status: 0 passed, 1 the kit is flagged, 2 nothing is proved, 3 the photos do not suffice.
    """
    if not 1 <= abs(by_mm) <= 1000:
        raise click.UsageError(f"--by {by_mm:g} mm: slide the fixture by 1 to 1000 mm, best by 10.0.")
    path = _out(out, "slide")
    profiles = [to_profile(read_camera_profile(p)[0]) for p in camera]
    rounds = []
    for folder in (before, after):
        photo_set = read_photo_set(folder, kit, (placement,) if placement else (), wheelbase)
        if not photo_set.placements:
            raise PlacementError(f"{folder} names no placement. Name one: --placement FILE.")
        with Progress(sys.stderr.isatty()) as progress:
            rounds.append(measure_set(photo_set, profiles, progress))
    value: Literal["distance_mm", "lateral_mm"] = "lateral_mm" if along == "lateral" else "distance_mm"
    proof = slide_of([done.result for done in rounds], value, by_mm, u_by_mm)
    found = (*rounds[0].found, *rounds[1].found)
    return _finish(proof, _filed(proof, rounds[0].photo_set, found, along=value), path)


def _out(out: Path | None, what: str) -> Path:
    path = out or Path(f"proof-{what}-{datetime.date.today().isoformat()}.json")
    if path.is_dir() or not path.parent.is_dir() or not os.access(path.parent, os.W_OK):
        raise OutputError(f"--out {path} cannot be written. Name a file in a folder where you may write.")
    return path


def _filed(
    proof: Proof,
    photo_set: PhotoSet,
    found: Sequence[FoundPhoto],
    plates: Sequence[int] = (),
    along: Literal["distance_mm", "lateral_mm"] | None = None,
    budget: Mapping[str, float] = MappingProxyType({}),
) -> ProofFile:
    return proof_file(
        proof,
        found,
        today=datetime.date.today().isoformat(),
        kit=photo_set.kit.name,
        kit_sha256=photo_set.kit_text.sha256,
        plates=plates,
        along=along,
        budget=budget,
    )


def _finish(proof: Proof, file: ProofFile, path: Path) -> int:
    click.echo(_wrapped(proof.says))
    write_json_atomically(path, file.model_dump(exclude_none=True))
    click.echo(f"\nThe proof: {path}")
    return STATUS_OF_VERDICT[proof.verdict]


def _wrapped(says: str) -> str:
    return textwrap.fill(says, WIDTH, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)
