"""A photo-set folder -> what there is to measure; and results written so that a pulled plug spares them."""

import contextlib
import difflib
import errno
import hashlib
import json
import os
import re
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path, PureWindowsPath
from types import MappingProxyType
from typing import Any, NamedTuple

from calib_data.convert import to_kit, to_placement, to_profile, to_relation, to_shift, to_vehicle
from calib_data.crosschecks import (
    camera_problems,
    kit_doubts,
    kit_problems,
    needs_for_measuring,
    placement_doubts,
    placement_problems,
    relation_problems,
    set_problems,
    shift_problems,
    shift_problems_among,
    shift_problems_with,
)
from calib_data.formats import (
    CameraFile,
    KitFile,
    PlacementFile,
    RelationFile,
    SetFile,
    ShiftFile,
    VehicleFile,
)
from calib_data.layouts import load_layouts
from calib_data.observations import ObservationsFile, from_observations, observations_problems
from calib_data.reading import MOST_BYTES, Problem, Where, check, parse_json, raise_problems, say, say_where
from vision.errors import InputFileError, KitError, PlacementError, PlumbsightError, SetError
from vision.kit import Kit, Placement, Relation, Shift, Vehicle
from vision.lenses import Profile
from vision.sightings import FoundPhoto

OBSERVATIONS_NAME = "observations.json"
# Sixty photos of twenty plates take 7 MB; common practice, no source.
MOST_OBSERVED_BYTES = 50_000_000
PHOTO_ENDINGS = (".jpg", ".jpeg", ".heic", ".heif", ".png")


@dataclass(frozen=True)
class SourceText:
    """A file as it was read, for the record. A part of a larger file is that part, written out."""

    name: str
    text: str
    sha256: str  # of the file's bytes; of a part, of `text` in UTF-8


@dataclass(frozen=True)
class _Part:
    """A JSON value with where it stands: a whole file, or what lies at `inside` in one."""

    value: Any
    source: str
    inside: Where
    text: SourceText


@dataclass(frozen=True, eq=False)
class PhotoSet:
    """One visit: photos, and what is declared about kit, vehicle and placements.

    Attributes:
        photos: In the order of set.json, else sorted by name with numbers counted (IMG_2 before IMG_10).
        stored: By name, the photos whose stored findings take the place of their pixels: those that
            set.json lists, that are not in the folder and that its observations hold.
        placements: Empty where nothing was required.
        profiles: Stored lenses that the set names.
        distrusted: What is known against the kit.
        warnings: Each names file and key.
        set_text: None for a folder without set.json.
    """

    folder: Path
    title: str
    taken: str | None
    photos: tuple[Path, ...]
    kit: Kit
    vehicle: Vehicle
    placements: tuple[Placement, ...]
    warnings: tuple[str, ...]
    set_text: SourceText | None
    kit_text: SourceText
    placement_texts: tuple[SourceText, ...]
    relations: tuple[Relation, ...] = ()
    profiles: tuple[Profile, ...] = ()
    distrusted: str = ""
    observations: str | None = None
    stored: Mapping[str, FoundPhoto] = field(default_factory=lambda: MappingProxyType({}))


def read_photo_set(
    folder: Path, kit: Path | None = None, placement: tuple[Path, ...] = (), wheelbase_mm: float | None = None
) -> PhotoSet:
    """Read a folder of photos with its set.json, or without one if the caller names the kit.

    Args:
        kit: Used in place of the set's kit.
        placement: Used in place of the set's placements.
        wheelbase_mm: Used in place of the set's wheelbase.

    Raises:
        SetError: set.json, the folder or a photo's name is wrong.
        KitError: The kit is wrong, or lacks what measuring needs.
        PlacementError: A placement is wrong, or names what the kit does not have.
    """
    if not os.path.isdir(folder):
        raise SetError(f"{folder} is no folder. Name the folder that holds the photos.")
    set_file, set_text, warnings = _read_set(folder)
    kit_part = _kit_part(folder, set_file, set_text, kit)
    parts = _placement_parts(folder, set_file, set_text, placement)
    # Relations are of the set's own placements: with others named, they have nothing to be of.
    references = () if placement else enumerate(set_file.relations)
    related = tuple(_referred(folder, r, ("relations", i), PlacementError) for i, r in references)
    if placement and set_file.relations:
        warnings += ("set.json: relations are left out, for other placements were named.",)
    declared = _declared(kit_part, parts, related)
    stored = _stored(folder, set_file)
    return PhotoSet(
        folder=folder,
        title=set_file.title or folder.resolve().name,
        taken=set_file.taken,
        photos=_photos(folder, set_file, stored),
        observations=set_file.observations,
        stored=stored,
        profiles=tuple(_profiles(folder, set_file)),
        distrusted=set_file.distrusted or "",
        kit=declared.kit,
        vehicle=to_vehicle(_vehicle(set_file, wheelbase_mm)),
        placements=declared.placements,
        relations=declared.relations,
        warnings=warnings + declared.warnings,
        set_text=set_text,
        kit_text=kit_part.text,
        placement_texts=tuple(part.text for part in (*parts, *related)),
    )


def photo_set_of(
    title: str,
    kit: Any,
    vehicle: Any,
    placements: Sequence[Any],
    relations: Sequence[Any] = (),
    *,
    cameras: Sequence[Any] = (),
    distrusted: str = "",
) -> PhotoSet:
    """A set without a folder, from the JSON values of its files; `distrusted` as in the set.

    Raises:
        SetError, KitError, PlacementError: As `read_photo_set`.
    """
    kit_part = _value_part(kit, "kit")
    parts = tuple(_value_part(value, f"placement {i}") for i, value in enumerate(placements, start=1))
    related = tuple(_value_part(value, f"relation {i}") for i, value in enumerate(relations, start=1))
    declared = _declared(kit_part, parts, related)
    vehicle_file, warnings = check(VehicleFile, vehicle, "vehicle", SetError)
    return PhotoSet(
        folder=Path(),
        title=title,
        taken=None,
        photos=(),
        profiles=tuple(to_profile(read_camera_value(value)) for value in cameras),
        distrusted=distrusted,
        kit=declared.kit,
        vehicle=to_vehicle(vehicle_file),
        placements=declared.placements,
        relations=declared.relations,
        warnings=warnings + declared.warnings,
        set_text=None,
        kit_text=kit_part.text,
        placement_texts=tuple(part.text for part in (*parts, *related)),
    )


def read_kit_value(kit: Any) -> Kit:
    """A kit from the JSON value of its file.

    Raises:
        KitError: It is wrong.
    """
    return to_kit(_check_kit(_value_part(kit, "kit"))[0])


class _Declared(NamedTuple):
    kit: Kit
    placements: tuple[Placement, ...]
    relations: tuple[Relation, ...]
    warnings: tuple[str, ...]
    shifts: tuple[Shift, ...]


def _declared(
    kit_part: _Part,
    placement_parts: tuple[_Part, ...],
    related: tuple[_Part, ...],
    shifted: tuple[_Part, ...] = (),
) -> _Declared:
    kit_file, kit_warnings = _check_kit(kit_part)
    raise_problems(needs_for_measuring(kit_file), kit_part.source, KitError, kit_part.inside)
    files, warnings = _check_placements(placement_parts, kit_file)
    placements = tuple(to_placement(file) for file in files)
    relations: list[Relation] = []
    for part in related:
        file, ignored = check(RelationFile, part.value, part.source, PlacementError, part.inside)
        problems = [*relation_problems(file, files), *_name_taken(file.name, [r.name for r in relations])]
        raise_problems(problems, part.source, PlacementError, part.inside)
        relations.append(to_relation(file, placements))
        warnings += ignored
    shifts = []
    for part in shifted:
        shift, ignored = check(ShiftFile, part.value, part.source, PlacementError, part.inside)
        problems = [*shift_problems(shift), *shift_problems_among(shift, files)]
        problems += shift_problems_with(shift, files, kit_file)
        raise_problems(dict.fromkeys(problems), part.source, PlacementError, part.inside)
        shifts.append(to_shift(shift, placements))
        warnings += ignored
    return _Declared(to_kit(kit_file), placements, tuple(relations), kit_warnings + warnings, tuple(shifts))


@dataclass(frozen=True, eq=False)
class Task:
    """What is to be measured with which kit, before there are photos. Warnings name file and key."""

    kit: Kit
    vehicle: Vehicle
    placements: tuple[Placement, ...]
    warnings: tuple[str, ...]
    relations: tuple[Relation, ...] = ()
    shifts: tuple[Shift, ...] = ()


def read_task(
    kit: Path,
    placement: tuple[Path, ...],
    vehicle: Mapping[str, float | None],
    relation: tuple[Path, ...] = (),
    shift: tuple[Path, ...] = (),
) -> Task:
    """Read a kit and placements by themselves, and what is required between the placements.

    Args:
        vehicle: What is declared about the vehicle, by the keys of FORMATS.md; None counts as absent.

    Raises:
        KitError: The kit is wrong, or lacks what measuring needs.
        PlacementError: A placement, relation or shift is wrong, or names what is not there.
        SetError: A measure of the vehicle is out of all proportion.
    """
    parts, related, shifted = (
        tuple(_part(path, str(path), PlacementError) for path in paths)
        for paths in (placement, relation, shift)
    )
    task = _declared(_part(kit, str(kit), KitError), parts, related, shifted)
    known = {key: value for key, value in vehicle.items() if value is not None}
    declared, _ = check(VehicleFile, known, "given beside the kit", SetError)
    return Task(
        task.kit, to_vehicle(declared), task.placements, task.warnings, task.relations, task.shifts
    )


def task_of(
    kit: Any,
    vehicle: Any,
    placements: Sequence[Any],
    relations: Sequence[Any] = (),
    shifts: Sequence[Any] = (),
) -> Task:
    """The same from the JSON values of the files.

    Raises:
        KitError, PlacementError, SetError: As `read_task`.
    """
    parts, related, shifted = (
        tuple(_value_part(value, f"{what} {i}") for i, value in enumerate(values, start=1))
        for what, values in (("placement", placements), ("relation", relations), ("shift", shifts))
    )
    task = _declared(_value_part(kit, "kit"), parts, related, shifted)
    declared, warnings = check(VehicleFile, vehicle, "vehicle", SetError)
    told = warnings + task.warnings
    return Task(task.kit, to_vehicle(declared), task.placements, told, task.relations, task.shifts)


def read_photos_of_plates(folder: Path, kit: Path) -> PhotoSet:
    """A folder with photos of a kit's plates, wherever they hang or lie: no vehicle, no placement.

    Stored findings take the place of photos that are not in it.

    Raises:
        SetError: set.json, the folder or a photo's name is wrong.
        KitError: The kit is wrong.
    """
    if not os.path.isdir(folder):
        raise SetError(f"{folder} is no folder. Name the folder that holds the photos.")
    set_file, set_text, warnings = _read_set(folder)
    kit_part = _part(kit, str(kit), KitError)
    kit_file, kit_warnings = _check_kit(kit_part)
    stored = _stored(folder, set_file)
    return PhotoSet(
        folder=folder,
        title=set_file.title or folder.resolve().name,
        taken=set_file.taken,
        photos=_photos(folder, set_file, stored),
        observations=set_file.observations,
        stored=stored,
        kit=to_kit(kit_file),
        vehicle=Vehicle(),
        placements=(),
        warnings=warnings + kit_warnings,
        set_text=set_text,
        kit_text=kit_part.text,
        placement_texts=(),
    )


def read_kit(path: Path) -> tuple[Kit, tuple[str, ...]]:
    """A kit file by itself, and its warnings.

    Raises:
        KitError: The file is missing or wrong.
    """
    file, warnings = _check_kit(_part(path, str(path), KitError))
    return to_kit(file), warnings


def read_camera_profile(path: Path) -> tuple[CameraFile, tuple[str, ...]]:
    """A stored lens profile, and warnings.

    Raises:
        InputFileError: The file is missing or wrong.
    """
    part = _part(path, str(path), InputFileError)
    profile, warnings = check(CameraFile, part.value, part.source, InputFileError)
    raise_problems(camera_problems(profile), part.source, InputFileError)
    return profile, warnings


def read_camera_value(camera: Any) -> CameraFile:
    """A lens profile from the JSON value of its file.

    Raises:
        InputFileError: It is wrong.
    """
    profile, _ = check(CameraFile, camera, "lens profile", InputFileError)
    raise_problems(camera_problems(profile), "lens profile", InputFileError)
    return profile


def write_json_atomically(path: Path, value: Any) -> None:
    """Write a JSON file that is whole or not there: temporary file beside it, sync, rename.

    Raises:
        PlumbsightError: It cannot be written (disk full, no such folder, no permission); an older file
            of the name is as it was.
    """
    text = json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
    temporary = path.parent / f".{path.name}.{uuid.uuid4().hex}.tmp"
    try:
        try:
            with open(temporary, "x", encoding="utf-8", newline="\n") as out:
                out.write(text)
                out.flush()
                os.fsync(out.fileno())
            os.replace(temporary, path)
        finally:
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
        _sync_folder(path.parent)
    except OSError as wrong:
        says = {
            errno.ENOSPC: "the disk is full. Free some space",
            errno.EDQUOT: "your share of the disk is used up. Free some space",
            errno.ENOENT: "its folder does not exist. Make the folder",
            errno.EACCES: "you may not write there. Choose another folder",
            errno.EROFS: "the disk can only be read. Choose another folder",
        }.get(wrong.errno or 0, f"{wrong.strerror or wrong}. Choose another place")
        raise PlumbsightError(f"{path} was not written: {says}, then try again.") from wrong


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":  # other systems have no handle on a folder to sync
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _read_bytes(path: Path, name: str, error: type[InputFileError], most_bytes: int = MOST_BYTES) -> bytes:
    if not os.path.exists(path):
        raise error(f"{name} is not there. Put the file in its place, or correct its name.")
    if not os.path.isfile(path):  # a folder, or a pipe that would keep us waiting
        raise error(f"{name} is no file. Name the file that holds the description.")
    try:
        with open(path, "rb") as file:
            return file.read(most_bytes + 1)
    except OSError as wrong:
        raise error(f"{name} cannot be read ({wrong.strerror}). See that you may read it.") from wrong


def _part(path: Path, name: str, error: type[InputFileError]) -> _Part:
    data = _read_bytes(path, name, error)
    value = parse_json(data, name, error)
    text = SourceText(name, data.decode("utf-8-sig"), hashlib.sha256(data).hexdigest())
    return _Part(value, name, (), text)


def _value_part(value: Any, name: str) -> _Part:
    """A JSON value that lies in no file."""
    text = json.dumps(value, ensure_ascii=False, indent=1)
    return _Part(value, name, (), SourceText(name, text, hashlib.sha256(text.encode()).hexdigest()))


def _read_set(folder: Path) -> tuple[SetFile, SourceText | None, tuple[str, ...]]:
    path = folder / "set.json"
    if not os.path.exists(path):
        return SetFile.model_construct(format="plumbsight.set/1"), None, ()
    part = _part(path, "set.json", SetError)
    set_file, warnings = check(SetFile, part.value, "set.json", SetError)
    raise_problems(set_problems(set_file), "set.json", SetError)
    return set_file, part.text, warnings


def _kit_part(folder: Path, set_file: SetFile, set_text: SourceText | None, kit: Path | None) -> _Part:
    if kit is not None:
        return _part(kit, str(kit), KitError)
    if set_text is None:
        raise SetError(f"{folder} has no set.json. Write one, or name the kit file when measuring.")
    if set_file.kit is None:
        says = 'is missing: it is the kit file. Enter e.g. "kit.json", or name the kit file when measuring.'
        raise SetError(say(Problem(("kit",), says), "set.json"))
    return _referred(folder, set_file.kit, ("kit",), KitError)


def _placement_parts(
    folder: Path, set_file: SetFile, set_text: SourceText | None, placement: tuple[Path, ...]
) -> tuple[_Part, ...]:
    if placement:
        return tuple(_part(path, str(path), PlacementError) for path in placement)
    if set_file.placement is not None:
        return (_referred(folder, set_file.placement, ("placement",), PlacementError),)
    return tuple(
        _referred(folder, reference, ("placements", i), PlacementError)
        for i, reference in enumerate(set_file.placements or ())
    )


def _referred(
    folder: Path, reference: str | dict[str, Any], inside: Where, error: type[InputFileError]
) -> _Part:
    """What set.json refers to at `inside`: a file beside it, or the object that stands there."""
    if isinstance(reference, dict):
        text = json.dumps(reference, ensure_ascii=False, indent=1)
        name = f"set.json: {say_where(inside)}"
        return _Part(
            reference, "set.json", inside, SourceText(name, text, hashlib.sha256(text.encode()).hexdigest())
        )
    if PureWindowsPath(reference).anchor:
        raise SetError(
            f"set.json: {say_where(inside)} must be a path relative to the set's folder, such as "
            f'"{inside[0]}.json". Put the file beside the photos.'
        )
    return _part(folder / reference, reference, error)


def _check_kit(part: _Part) -> tuple[KitFile, tuple[str, ...]]:
    file, warnings = check(KitFile, part.value, part.source, KitError, part.inside)
    raise_problems(kit_problems(file, load_layouts()), part.source, KitError, part.inside)
    return file, warnings + _warnings(part, kit_doubts(file))


def _check_placements(
    parts: tuple[_Part, ...], kit: KitFile
) -> tuple[tuple[PlacementFile, ...], tuple[str, ...]]:
    files: list[PlacementFile] = []
    warnings: tuple[str, ...] = ()
    for part in parts:
        file, ignored = check(PlacementFile, part.value, part.source, PlacementError, part.inside)
        problems = [*placement_problems(file, kit), *_name_taken(file.name, [f.name for f in files])]
        raise_problems(problems, part.source, PlacementError, part.inside)
        files.append(file)
        warnings += ignored + _warnings(part, placement_doubts(file))
    return tuple(files), warnings


def _name_taken(name: str, others: Sequence[str]) -> Iterable[Problem]:
    if name in others:
        yield Problem(("name",), f'is "{name}", which an earlier one has. Give it its own name.')


def _warnings(part: _Part, doubts: Iterable[Problem]) -> tuple[str, ...]:
    return tuple(say(doubt, part.source, part.inside) for doubt in doubts)


def _vehicle(set_file: SetFile, wheelbase_mm: float | None) -> VehicleFile:
    if wheelbase_mm is None:
        return set_file.vehicle
    known = {"wheelbase_mm": wheelbase_mm}
    given, _ = check(VehicleFile, known, "given beside the set", SetError)
    return set_file.vehicle.model_copy(update={"wheelbase_mm": given.wheelbase_mm})


def from_stored_only(photo_set: PhotoSet) -> PhotoSet:
    """The set with all its photos as they were once found, whether or not they are in the folder.

    Raises:
        SetError: There is no such file, or it is wrong.
    """
    name = photo_set.observations or OBSERVATIONS_NAME
    stored = read_observations(photo_set.folder / name, name)
    photos = tuple(photo_set.folder / name for name in stored)
    return replace(photo_set, photos=photos, stored=MappingProxyType(stored))


def read_observations(path: Path, name: str) -> dict[str, FoundPhoto]:
    """What was found in photos, by their names, in the file's order.

    Raises:
        SetError: The file is missing or wrong.
    """
    value = parse_json(
        _read_bytes(path, name, SetError, MOST_OBSERVED_BYTES), name, SetError, MOST_OBSERVED_BYTES
    )
    file, _ = check(ObservationsFile, value, name, SetError)
    raise_problems(observations_problems(file, load_layouts()), name, SetError)
    return {photo.name: photo for photo in from_observations(file)}


def _stored(folder: Path, set_file: SetFile) -> Mapping[str, FoundPhoto]:
    """Stored findings of the photos that are not in the folder."""
    if set_file.observations is None:
        return MappingProxyType({})
    if not _is_inside(folder, set_file.observations):
        raise SetError("set.json: observations leaves the set's folder. Put the file beside the photos.")
    found = read_observations(folder / set_file.observations, set_file.observations)
    wanted = found if set_file.photos is None else set_file.photos
    missing = [name for name in wanted if name in found and not os.path.isfile(folder / name)]
    return MappingProxyType({name: found[name] for name in missing})


def _profiles(folder: Path, set_file: SetFile) -> Iterator[Profile]:
    for name in set_file.cameras or ():
        if not _is_inside(folder, name):
            raise SetError(f"set.json: cameras: {name} leaves the set's folder. Put it beside the photos.")
        yield to_profile(read_camera_profile(folder / name)[0])


def _photos(folder: Path, set_file: SetFile, stored: Mapping[str, FoundPhoto]) -> tuple[Path, ...]:
    if set_file.photos is not None:
        return _listed_photos(folder, set_file.photos, stored)
    names = [name for name in _photo_names(folder) if os.path.isfile(folder / name)]
    if not names and not stored:
        raise SetError(f"{folder} holds no photo ({', '.join(PHOTO_ENDINGS)}). Copy the photos into it.")
    for name in names:
        if not _is_inside(folder, name):
            raise SetError(f"{name} in {folder} is a link that leaves the folder. Copy the photo into it.")
    return tuple(folder / name for name in sorted({*names, *stored}, key=_counted))


def has_photos(folder: Path) -> bool:
    """Whether a folder holds photos, or what was found in some."""
    return bool(_photo_names(folder)) or os.path.exists(folder / "set.json")


def _photo_names(folder: Path) -> list[str]:
    try:
        names = os.listdir(folder)
    except OSError as wrong:
        raise SetError(f"{folder} cannot be read ({wrong.strerror}). See that you may read it.") from wrong
    return [name for name in names if name.lower().endswith(PHOTO_ENDINGS) and not name.startswith(".")]


def _listed_photos(folder: Path, names: list[str], stored: Mapping[str, FoundPhoto]) -> tuple[Path, ...]:
    problems, photos, seen = [], [], set()
    for i, name in enumerate(names):
        says = "" if name in stored else _photo_problem(folder, name)
        real = os.path.realpath(folder / name)
        if not says and real in seen:
            says = f'is "{name}", which is listed before. Remove one of the two.'
        if says:
            problems.append(Problem(("photos", i), says))
            continue
        seen.add(real)
        photos.append(folder / name)
    raise_problems(problems, "set.json", SetError)
    return tuple(photos)


def _photo_problem(folder: Path, name: str) -> str:
    """What is wrong with a listed photo, or nothing."""
    if "\\" in name:
        return f'is "{name}". Write "/" between folder and photo.'
    if not _is_inside(folder, name):
        return f'is "{name}", which leaves the set\'s folder. Copy the photo into it and list its name.'
    if not name.lower().endswith(PHOTO_ENDINGS):
        endings = ", ".join(PHOTO_ENDINGS)
        return f'is "{name}", which is no photo that can be read ({endings}). Convert or remove it.'
    if not os.path.isfile(folder / name):
        there = {other.casefold(): other for other in _photo_names(folder)}
        near = difflib.get_close_matches(name.casefold(), sorted(there), n=1, cutoff=0.6)
        meant = f' There is "{there[near[0]]}": is it that one?' if near else ""
        return f'is "{name}", which is not in the folder. Copy it there or take it off the list.{meant}'
    return ""


def _is_inside(folder: Path, name: str) -> bool:
    """Whether a name stays in the folder as written, on every system, and after following links."""
    written = PureWindowsPath(name)  # knows "/", "\\" and drive letters
    if written.anchor or ".." in written.parts:
        return False
    return Path(os.path.realpath(folder / name)).is_relative_to(os.path.realpath(folder))


def _counted(name: str) -> tuple[list[tuple[int, int | str]], str]:
    """A sorting key that counts: IMG_2 before IMG_10; the name itself settles ties."""
    parts = re.split(r"([0-9]+)", name.casefold())
    return [(0, int(p)) if i % 2 else (1, p) for i, p in enumerate(parts)], name
