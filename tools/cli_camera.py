"""`plumbsight camera`: photos of printed plates -> a lens profile."""

import os
import sys
import textwrap
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import click
import cv2

from calib_data.formats import CameraFile
from calib_data.layouts import load_layouts
from calib_data.photoset import PhotoSet, read_photos_of_plates, write_json_atomically
from calib_data.taught import lens_label, profile_file
from tools.cli import NOT_ENOUGH, OutputError
from tools.cli_measure import MOST_WORKERS, Progress, read_photos
from tools.tables import WIDTH
from vision.profile import LensFit, fit_lenses
from vision.sightings import FoundPhoto


@click.command("camera")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--kit", type=click.Path(path_type=Path), required=True, metavar="FILE", help="The kit with the plates."
)
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, metavar="FILE",
    help="Where the profile goes. With several lenses, -1, -2 ... is added to its name.",
)  # fmt: skip
def camera_command(folder: Path, kit: Path, out: Path) -> int:
    """Make a lens profile of the photos of printed plates in FOLDER, for `measure --camera`.

    Lay or hang six or more plates anywhere, some of them slanting, and do not touch them again. Take ten
    or more photos from about 1.5 m: from all sides, slanting, the phone upright in some and on its side in
    others, plates reaching every corner of the picture. No vehicle is needed.

    Exit status: 0 a profile was written, 3 the photos do not fix the lens.
    """
    if out.is_dir() or not out.parent.is_dir() or not os.access(out.parent, os.W_OK):
        raise OutputError(f"--out {out} cannot be written. Name a file in a folder where you may write.")
    photo_set = read_photos_of_plates(folder, kit)
    found, remarks = find_plates_of(photo_set)
    for says in (*photo_set.warnings, *remarks):
        click.echo(_wrapped(says), err=True)
    fits = fit_lenses(found, photo_set.kit, {layout.name: layout for layout in load_layouts()})
    sha256 = {photo.name: photo.sha256 for photo in found}
    files = [profile_file(fit, [sha256[name] for name in fit.photos]) for fit in fits]
    usable = sum(file is not None for file in files)
    written = 0
    for fit, file in zip(fits, files, strict=True):
        path = None
        if file is not None:
            written += 1
            path = out if usable == 1 else out.with_name(f"{out.stem}-{written}{out.suffix}")
            write_json_atomically(path, file.model_dump(exclude_none=True))
        click.echo("\n".join(lens_text(fit, file, path)), err=path is None)
    if not fits:
        click.echo("None of the photos can be read.", err=True)
    return 0 if written else NOT_ENOUGH


def find_plates_of(photo_set: PhotoSet) -> tuple[tuple[FoundPhoto, ...], tuple[str, ...]]:
    """The plates of every photo, and what is to be said of photos that cannot be read.

    A few photos at a time: nothing here needs their pixels again.
    """
    cv2.setNumThreads(1)  # the workers are the parallelism
    found: list[FoundPhoto] = []
    remarks: list[str] = []
    n = len(photo_set.photos)
    with Progress(sys.stderr.isatty()) as progress, ThreadPoolExecutor(MOST_WORKERS) as pool:
        for first in range(0, n, MOST_WORKERS):
            few = replace(photo_set, photos=photo_set.photos[first : first + MOST_WORKERS])
            _, some, unread = read_photos(few, pool, Progress(False))
            found += some
            remarks += [photo.says for photo in unread]
            progress("looking for plates", min(first + MOST_WORKERS, n), n)
    return tuple(found), tuple(remarks)


def lens_text(fit: LensFit, file: CameraFile | None, path: Path | None) -> Iterator[str]:
    """What became of one lens, in words."""
    if file is not None:
        yield f"{lens_label(fit)}: profile of {len(fit.photos)} photos, written to {path}"
        u = fit.covariance.diagonal() ** 0.5
        yield f"  focal length     {file.f_px:9.2f} px   u {u[0]:.2f} px ({100 * fit.u_focal:.3f} %)"
        yield f"  principal point  {file.cx_px:9.2f} px   u {u[1]:.2f} px"
        yield f"                   {file.cy_px:9.2f} px   u {u[2]:.2f} px"
        yield f"  distortion at the picture's corners   u {fit.u_corner_px:.2f} px"
        yield _wrapped(
            "That is the lens in these photos. The file allows for another day's focus and stabilisation too."
        )
    else:
        yield f"{lens_label(fit)}: no profile"
        if fit.profile is not None:
            yield _wrapped(
                "The photos' EXIF names neither make nor model, so that nobody could tell later which photos "
                "are of this lens. Use the phone's original files."
            )
    for says in fit.says:
        yield _wrapped(says)


def _wrapped(says: str) -> str:
    return textwrap.fill(says, WIDTH, initial_indent="  ", subsequent_indent="  ", break_on_hyphens=False)
