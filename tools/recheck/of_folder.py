"""A photo set (plumbsight.set/1) that no record tells of -> its round to be measured."""

from pathlib import Path

from calib_data.formats import SetFile
from calib_data.photoset import (
    MOST_OBSERVED_BYTES,
    OBSERVATIONS_NAME,
    PHOTO_ENDINGS,
    PhotoSet,
    read_observations,
    read_photo_set,
)
from calib_data.reading import check, parse_json
from calib_data.recheck import Finding
from tools.recheck.folders import Folder
from tools.recheck.listing import SET_NAME
from tools.recheck.material import (
    Json,
    RoundToMeasure,
    WantedPhoto,
    kit_facts,
    plain_facts,
    vehicle_facts,
)
from tools.recheck.sets import ArchivedSet, PhotoPlace
from vision.errors import InputFileError, SetError
from vision.sightings import FoundPhoto

_NOT_SIGNED = "No record tells of this set, so there is nothing to compare with; it was measured as it is."


def round_of(one: ArchivedSet, folder: Folder, temporary: Path) -> RoundToMeasure:
    """The one round of a set.

    Args:
        temporary: An empty folder for the set's descriptions, where it lies on no disk of this machine.

    Raises:
        InputFileError: set.json, or a file that it names, is wrong.
    """
    local = folder.local or _fetched(folder, temporary)
    photo_set = read_photo_set(local)
    stored = _stored(photo_set)
    photos = []
    for path in photo_set.photos:
        name = path.relative_to(local).as_posix()
        kept = stored.get(name)
        place = PhotoPlace(folder, name, "there" if folder.has(name) else "missing")
        photos.append(WantedPhoto(name, kept.sha256 if kept else None, place))
    kit = parse_json(photo_set.kit_text.text.encode(), "the kit", InputFileError)
    told = _told(photo_set)
    vehicle = told.get("vehicle") or {}
    facts = plain_facts(one) | {"taken": photo_set.taken, "bay": told.get("bay") or None}
    facts |= kit_facts(kit) | vehicle_facts(vehicle) | _study(told.get("study") or {})
    findings = (*one.findings, Finding("not_signed", "", _NOT_SIGNED))
    return RoundToMeasure(facts | {"vehicle": vehicle}, photo_set, tuple(photos), stored, findings=findings)


def _study(told: Json) -> Json:
    return {"study": told.get("name") or None, "set_up": told.get("set_up"), "by": told.get("by")}


def _stored(photo_set: PhotoSet) -> dict[str, FoundPhoto]:
    name = photo_set.observations or OBSERVATIONS_NAME
    is_kept = (photo_set.folder / name).is_file()
    return read_observations(photo_set.folder / name, name) if is_kept else {}


def _told(photo_set: PhotoSet) -> Json:
    """What set.json says, which was checked when it was read."""
    if photo_set.set_text is None:
        return {}
    return parse_json(photo_set.set_text.text.encode(), SET_NAME, SetError)


def _fetched(folder: Folder, temporary: Path) -> Path:
    """The set's descriptions in a folder of this machine, with empty files in place of its photos.

    Raises:
        SetError: set.json is wrong, or names a file outside the set.
    """
    if not folder.has(SET_NAME):
        return temporary  # reading the set says so
    data = folder.read(SET_NAME)
    (temporary / SET_NAME).write_bytes(data)
    told, _ = check(SetFile, parse_json(data, SET_NAME, SetError), SET_NAME, SetError)
    parts = (told.kit, told.placement, *(told.placements or ()), *told.relations, *(told.cameras or ()))
    described = [one for one in parts if isinstance(one, str)]
    for name in (*described, told.observations or OBSERVATIONS_NAME):
        if _is_plain(name) and folder.has(name):
            _written(temporary / name, folder.read(name, MOST_OBSERVED_BYTES))
    listed = told.photos if told.photos is not None else [entry.name for entry in folder.entries()]
    for name in listed:
        if _is_plain(name) and name.lower().endswith(PHOTO_ENDINGS) and folder.has(name):
            _written(temporary / name, b"")
    return temporary


def _is_plain(name: str) -> bool:
    """Whether a name stays in its folder on any system; reading the set says what is wrong with others."""
    return not any(sign in name for sign in ("\\", ":")) and ".." not in name.split("/") and name[:1] != "/"


def _written(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
