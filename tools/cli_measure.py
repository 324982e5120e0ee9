"""`plumbsight measure` and `plumbsight demo`."""

import os
import sys
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from types import MappingProxyType

import click
import cv2
import numpy as np
from numpy.typing import NDArray

from calib_data.convert import to_profile
from calib_data.drawings import draw_findings, save_views
from calib_data.layouts import load_layouts
from calib_data.observations import to_observations
from calib_data.photoset import (
    PhotoSet,
    from_stored_only,
    read_camera_profile,
    read_photo_set,
    write_json_atomically,
)
from calib_data.result import Json, UnreadPhoto, to_result
from tools.cli import STATUS_OF_DECISION, OutputError
from tools.tables import result_table
from vision.advice import INCHES, MILLIMETRES
from vision.errors import NotEnoughError, PhotoError, SetError
from vision.judge import Evidence, judge, judge_relation
from vision.lenses import Profile
from vision.measure import Measurement, find_plates, measure_found, why_withheld
from vision.moved import LATER
from vision.photo import Photo, read_photo
from vision.sightings import FoundPhoto

# Decoding and detection release the interpreter's lock most of the time; more than two at once would hold
# too many large photos' work in memory.
MOST_WORKERS = 2
JPEG_QUALITY = 88


@click.command("measure")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option(
    "--json", "json_path", type=click.Path(path_type=Path), metavar="FILE", help="Write the result to it."
)
@click.option("--views", type=click.Path(path_type=Path), metavar="FOLDER", help="Write plan and side view.")
@click.option(
    "--findings",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write the photos with what was found on them.",
)
@click.option("--kit", type=click.Path(path_type=Path), metavar="FILE", help="Kit, in place of the set's.")
@click.option(
    "--placement", type=click.Path(path_type=Path), multiple=True, metavar="FILE",
    help="Placement, in place of the set's. May be given several times.",
)  # fmt: skip
@click.option("--wheelbase", type=float, metavar="MM", help="Declared wheelbase in millimetres.")
@click.option(
    "--camera", type=click.Path(path_type=Path), multiple=True, metavar="FILE",
    help="Stored lens profile. May be given several times.",
)  # fmt: skip
@click.option(
    "--observations", "from_observations", is_flag=True,
    help="Measure from observations.json (or what set.json names so), not from the photos.",
)  # fmt: skip
@click.option(
    "--keep-observations", "observations_path", type=click.Path(path_type=Path), metavar="FILE",
    help="Write to it what was found in the photos: the set can be measured again from that alone.",
)  # fmt: skip
@click.option("--inches", is_flag=True, help="Show lengths in inches. The JSON stays in millimetres.")
@click.option("--quiet", is_flag=True, help="Write no table and no progress: the exit status tells.")
def measure_command(
    folder: Path,
    json_path: Path | None,
    views: Path | None,
    findings: Path | None,
    kit: Path | None,
    placement: tuple[Path, ...],
    wheelbase: float | None,
    camera: tuple[Path, ...],
    from_observations: bool,
    observations_path: Path | None,
    inches: bool,
    quiet: bool,
) -> int:
    """Measure the photos in FOLDER: where the target stands, how sure that is, and what to do.

    FOLDER holds the photos and a set.json. Without set.json, name the kit (and, for a decision, the
    placement and the wheelbase).
    """
    outputs = Outputs(json_path, views, findings, observations_path)
    outputs.check()
    photo_set = read_photo_set(folder, kit, placement, wheelbase)
    if from_observations:
        photo_set = from_stored_only(photo_set)
    profiles = [to_profile(read_camera_profile(path)[0]) for path in camera]
    with Progress(sys.stderr.isatty() and not quiet) as progress:
        done = measure_set(photo_set, profiles, progress)
    if not quiet:
        shown = result_in_inches(done) if inches else done.result
        click.echo(result_table(shown, INCHES if inches else MILLIMETRES))
    outputs.write(done)
    return STATUS_OF_DECISION[done.result["decision"]]


@click.command("demo")
@click.argument("folder", type=click.Path(path_type=Path), default=Path("plumbsight-demo"))
@click.option("--three", is_flag=True, help="Of a board, a reflector and two mats, in one round of photos.")
def demo_command(folder: Path, three: bool) -> int:
    """Measure the demo photos that come with plumbsight; write result and drawings into FOLDER.

    FOLDER is plumbsight-demo in the current folder unless named. They show a board ahead, or with --three
    a board, a reflector and two mats.
    """
    with resources.as_file(resources.files("calib_data") / "demo") as of_one:
        demo = of_one / "three" if three else of_one
        if not (demo / "set.json").is_file():
            raise SetError("The demo set is not part of this installation. Install plumbsight again.")
        outputs = Outputs(folder / "result.json", folder, folder, None)
        outputs.check()
        with Progress(sys.stderr.isatty()) as progress:
            done = measure_set(read_photo_set(demo), (), progress)
        click.echo(result_table(done.result, MILLIMETRES))
        outputs.write(done)
    click.echo(
        f"\nWritten to {folder}: result.json, views.svg, views.png, and the photos with what was found."
    )
    return 0


@dataclass(frozen=True, eq=False)
class Done:
    """A measured set, with what the drawings need."""

    result: Json
    photo_set: PhotoSet
    measurement: Measurement
    photos: Mapping[str, Photo]
    found: tuple[FoundPhoto, ...]
    unread: tuple[UnreadPhoto, ...]


def measure_set(photo_set: PhotoSet, profiles: Sequence[Profile], progress: "Progress") -> Done:
    """Read the photos, find plates and measure, two photos at a time.

    Raises:
        NotEnoughError: No photo can be read, or they do not suffice.
    """
    cv2.setNumThreads(1)  # the workers are the parallelism
    pool = ThreadPoolExecutor(min(MOST_WORKERS, os.cpu_count() or 1))
    try:
        photos, found, unread = read_photos(photo_set, pool, progress)
        if not found:
            reasons = "\n".join(f"  {photo.says}" for photo in unread)
            raise NotEnoughError(f"None of the {len(unread)} photos can be read:\n{reasons}")
        measurement = measure_found(
            found,
            photo_set.kit,
            photo_set.vehicle,
            photo_set.placements,
            load_layouts(),
            photos=photos,
            relations=photo_set.relations,
            profiles=(*profiles, *photo_set.profiles),
            distrusted=photo_set.distrusted,
            map_photos=pool.map,
            progress=progress,
        )
    finally:
        pool.shutdown(cancel_futures=True)  # at Ctrl-C nothing new is begun
    result = to_result(measurement, photo_set, found, unread)
    return Done(result, photo_set, measurement, photos, found, unread)


def read_photos(
    photo_set: PhotoSet, pool: Executor, progress: "Progress"
) -> tuple[Mapping[str, Photo], tuple[FoundPhoto, ...], tuple[UnreadPhoto, ...]]:
    """Decode each photo and find its plates; those that cannot be read are told with the reason."""
    layouts = load_layouts()

    def work(path: Path) -> tuple[Photo | None, FoundPhoto] | UnreadPhoto:
        name = path.relative_to(photo_set.folder).as_posix()
        if name in photo_set.stored:
            return None, photo_set.stored[name]
        try:
            photo = read_photo(path.read_bytes(), name)
            return photo, find_plates(photo, photo_set.kit, layouts)
        except PhotoError as wrong:
            return UnreadPhoto(name, str(wrong))
        except MemoryError:
            return UnreadPhoto(name, f"{name}: too large for this machine. Take it at the ordinary size.")
        except OSError as wrong:
            return UnreadPhoto(name, f"{name} cannot be read ({wrong.strerror}). See that you may read it.")

    photos: dict[str, Photo] = {}
    found, unread = [], []
    for n, outcome in enumerate(pool.map(work, photo_set.photos), start=1):
        progress("reading photos and looking for plates", n, len(photo_set.photos))
        if isinstance(outcome, UnreadPhoto):
            unread.append(outcome)
        else:
            photo, seen = outcome
            found.append(seen)
            if photo is not None:
                photos[photo.name] = photo
    return MappingProxyType(photos), tuple(found), tuple(unread)


def result_in_inches(done: Done) -> Json:
    """The same result with the advice worded in inches; its figures stay in mm, as in every file."""
    m, kit, vehicle = done.measurement, done.photo_set.kit, done.photo_set.vehicle
    withheld, distrusted = why_withheld(m.adjustment), done.photo_set.distrusted
    evidence = Evidence(m.adjustment, m.plan, m.reported, m.tests, m.moves, withheld, distrusted)
    judged = tuple(judge(i, p.placement, kit, vehicle, evidence, INCHES) for i, p in enumerate(m.placements))
    relations = [one.relation for one in m.relations]
    related = tuple(judge_relation(i, r, judged, evidence, INCHES) for i, r in enumerate(relations))
    return to_result(
        replace(m, placements=judged, relations=related), done.photo_set, done.found, done.unread
    )


class Progress:
    """One line on standard error that tells what is being done; nothing where nobody looks."""

    def __init__(self, is_shown: bool) -> None:
        self.is_shown = is_shown

    def __call__(self, what: str, done: int, total: int) -> None:
        if self.is_shown:
            click.echo(f"\r{f'{what}: {done} of {total}':<70}", nl=False, err=True)

    def __enter__(self) -> "Progress":
        return self

    def __exit__(self, *_: object) -> None:
        if self.is_shown:
            click.echo(f"\r{'':<70}\r", nl=False, err=True)


@dataclass(frozen=True)
class Outputs:
    """Where the result goes besides the table."""

    json_path: Path | None
    views: Path | None
    findings: Path | None
    observations_path: Path | None

    def check(self) -> None:
        """Refuse before the work what could not be written after it.

        Raises:
            OutputError: A folder cannot be made, or its file not be written.
        """
        for folder in {self.views, self.findings} - {None}:
            _make_folder(folder)
        for option, path in (("--json", self.json_path), ("--keep-observations", self.observations_path)):
            if path is not None:
                _check_file(option, path)

    def write(self, done: Done) -> None:
        """Write what was asked for."""
        if self.json_path is not None:
            write_json_atomically(self.json_path, done.result)
        if self.observations_path is not None:
            write_json_atomically(self.observations_path, to_observations(done.measurement.found))
        if self.views is not None:
            save_views(done.result, self.views / "views.svg", self.views / "views.png")
        if self.findings is not None:
            write_findings(done, self.findings)


def _check_file(option: str, path: Path) -> None:
    if path.is_dir():
        raise OutputError(f"{option} {path} is a folder. Name a file.")
    if not path.parent.is_dir():
        raise OutputError(f"The folder {path.parent} for {option} is not there. Make it first.")
    if not os.access(path.parent, os.W_OK):
        raise OutputError(f"You may not write into {path.parent}. Choose another place.")


def _make_folder(folder: Path | None) -> None:
    assert folder is not None
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as wrong:
        says = f"The folder {folder} cannot be made ({wrong.strerror}). Choose another place."
        raise OutputError(says) from wrong
    if not os.access(folder, os.W_OK):
        raise OutputError(f"You may not write into {folder}. Choose another folder.")


def write_findings(done: Done, folder: Path) -> None:
    """Each photo at hand with plates, saddles and residuals drawn on it, in the axes of the file."""
    sightings = {s.name: s for s in done.measurement.sightings}
    residuals = residuals_px(done.measurement)
    for found in (f for f in done.found if f.name in done.photos):
        photo, sighting = done.photos[found.name], sightings.get(found.name)
        # A file that somebody had turned was measured turned back: there the first finding is drawn.
        is_as_stored = sighting is not None and sighting.size_px == photo.size_px
        detections = sighting.detections if sighting is not None and is_as_stored else found.detections
        drawn = draw_findings(
            photo.grey,
            [replace(d, plate=d.plate % LATER) for d in detections],
            residuals[found.name] if is_as_stored else None,
        )
        ok, data = cv2.imencode(".jpg", drawn, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
        assert ok
        name = found.name.replace("/", "_").removesuffix(".jpg")
        (folder / f"{name}_found.jpg").write_bytes(data.tobytes())


def residuals_px(measurement: Measurement) -> dict[str, dict[int, NDArray]]:
    """Photo -> plate -> residuals (n, 2) in px, in the order of the detection's saddles.

    The adjustment's groups follow the sightings' detections (vision.observe.observe).
    """
    block = measurement.adjustment.saddles
    all_px = block.residuals_px(measurement.adjustment.state)
    out: dict[str, dict[int, NDArray]] = {}
    group = 0
    for sighting in measurement.sightings:
        for detection in sighting.detections:
            own = all_px[group, : len(detection.saddle_index)]
            out.setdefault(sighting.name, {})[detection.plate % LATER] = np.where(np.isfinite(own), own, 0.0)
            group += 1
    return out
