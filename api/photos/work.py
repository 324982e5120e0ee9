"""What runs in worker processes: looking at a photo, measuring a round, drawing (receiving.py: a file).

Everything comes and goes as plain values and bytes; kit and placements travel as the JSON of their
files. A function that raises PhotoError says in words why the photo cannot serve.
"""

import json
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from api.photos import pictures
from api.photos.photofiles import PhotoFiles, read
from calib_data.clamps import to_clamps
from calib_data.layouts import load_layouts
from calib_data.observations import (
    SeenPhoto,
    from_seen_photo,
    to_observations,
    to_seen_photo,
)
from calib_data.photoset import photo_set_of, read_kit_value
from calib_data.result import UnreadPhoto, to_result
from vision.errors import InputFileError, NotEnoughError, PhotoError
from vision.kit import Kit
from vision.measure import find_plates, measure_found
from vision.photo import Photo, read_photo
from vision.seating import clamps_as_seated
from vision.sightings import FoundPhoto, sightings_of

# Without a plate nothing else tells why: grey levels and blur of the whole photo; common practice, no source.
DARK_LEVEL, BRIGHT_SHARE, BRIGHT_LEVEL, LEAST_SHARPNESS = 40, 0.3, 250, 12.0
LONG_SIDE_PX = 1600  # of previews, and for reading the slip's code and judging sharpness


def warm() -> None:
    """Nothing: that a worker has done it means that all is imported."""
    load_layouts()


# --- looking ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Looked:
    """What a photo shows.

    Attributes:
        found: One photo of plumbsight.observations/1, packed.
        seen: For people: plates with a word on each, and sentences on the whole.
        codes: Texts of the QR codes in it.
    """

    found: bytes
    seen: dict[str, Any]
    codes: tuple[str, ...]


def look(files: PhotoFiles, sha256: str, name: str, kit_file: dict[str, Any], preview_path: Path) -> Looked:
    """Find plates and slip in a stored photo, and make its preview.

    Raises:
        PhotoError: It cannot be decoded.
    """
    data = read(files, sha256)
    photo = read_photo(data, name)
    kit = read_kit_value(kit_file)
    found = find_plates(photo, kit, load_layouts())
    small = pictures.shrunk(photo.grey, LONG_SIDE_PX)
    pictures.write_whole(preview_path, pictures.preview(data, LONG_SIDE_PX))
    return Looked(pack(to_seen_photo(found)), _seen(found, kit, small), tuple(_codes(small)))


def _seen(found: FoundPhoto, kit: Kit, small: NDArray) -> dict[str, Any]:
    _, (note,) = sightings_of([found], [0], kit)
    says = [note.says] if note.says else []
    if not found.detections and not found.says:
        says += _on_whole_photo(small)
    plates = [{"plate": d.plate, "says": d.says} for d in found.detections if d.plate in kit.plates]
    return {"plates": plates, "says": says}


def _on_whole_photo(small: NDArray) -> Iterator[str]:
    if np.median(small) < DARK_LEVEL:
        yield "The photo is very dark: put more light on the plates."
    elif np.mean(small > BRIGHT_LEVEL) > BRIGHT_SHARE:
        yield "The photo is over-exposed: tap on a plate so that the phone darkens it."
    if cv2.Laplacian(small, cv2.CV_32F).std() < LEAST_SHARPNESS / 2:
        yield "The photo is blurred: hold the phone still, or tap on a plate to focus."


def _codes(small: NDArray) -> Iterator[str]:
    try:
        _, texts, _, _ = cv2.QRCodeDetectorAruco().detectAndDecodeMulti(small)
    except cv2.error:
        return  # what looked like a code, and was none
    yield from (text for text in texts if text)


# --- measuring --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class RoundToMeasure:
    """A closed round.

    Attributes:
        found: What was found in its photos, packed, in the order of arrival.
        files, stored: Where the files are, and by name the hash of each that is there, for looking again
            where plates must be.
        earlier: Observations of an earlier measuring, packed, where a file was removed since: they tell what
            was found in it at second look.
        unread: Name and reason of those that cannot be decoded.
        cameras: Lens profiles of the shop's phones.
        distrusted: What is known against the kit.
        relations: What is required of two of the placements together.
    """

    title: str
    vehicle: dict[str, Any]
    kit: dict[str, Any]
    placements: tuple[dict[str, Any], ...]
    found: tuple[bytes, ...]
    files: PhotoFiles
    stored: dict[str, str]
    unread: tuple[tuple[str, str], ...]
    earlier: bytes | None = None
    cameras: tuple[dict[str, Any], ...] = ()
    distrusted: str = ""
    relations: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True)
class MeasuredRound:
    """What measuring gave: a result with its observations, or in words why there is none."""

    says: str
    result: dict[str, Any] | None = None
    observations: bytes | None = None


class _PhotosStored(Mapping[str, Photo]):
    """Photos that are decoded when they are asked for, and not kept."""

    def __init__(self, files: PhotoFiles, stored: Mapping[str, str]) -> None:
        self._files = files
        self._stored = stored

    def __getitem__(self, name: str) -> Photo:
        return read_photo(read(self._files, self._stored[name]), name)

    def __contains__(self, name: object) -> bool:
        return name in self._stored  # the mapping's own would decode

    def __iter__(self) -> Iterator[str]:
        return iter(self._stored)

    def __len__(self) -> int:
        return len(self._stored)


def measure_round(job: RoundToMeasure) -> MeasuredRound:
    """Measure a round from what was found in its photos."""
    unread = [UnreadPhoto(name, says) for name, says in job.unread]
    found = list(found_of(job))
    if not found:
        return nothing_to_measure(job)
    try:
        photo_set = photo_set_of(
            job.title,
            job.kit,
            job.vehicle,
            job.placements,
            job.relations,
            cameras=job.cameras,
            distrusted=job.distrusted,
        )
        measurement = measure_found(
            found,
            photo_set.kit,
            photo_set.vehicle,
            photo_set.placements,
            load_layouts(),
            relations=photo_set.relations,
            photos=_PhotosStored(job.files, job.stored),
            profiles=photo_set.profiles,
            distrusted=photo_set.distrusted,
        )
    except (NotEnoughError, InputFileError) as wrong:
        return MeasuredRound(str(wrong))
    result = to_result(measurement, photo_set, found, unread)
    return MeasuredRound("", result, pack(to_observations(measurement.found)))


@dataclass(frozen=True)
class ClampsToMeasure:
    """A check of the clamps: what was found in the photos before rolling and after it, packed."""

    kit: dict[str, Any]
    before: tuple[bytes, ...]
    after: tuple[bytes, ...]


def measure_clamps(job: ClampsToMeasure) -> MeasuredRound:
    """How the clamps hang, from photos of both positions; the observations are those of all photos."""
    before, after = ([unpack_found(packed) for packed in some] for some in (job.before, job.after))
    if not before or not after:
        where = "before" if not before else "after"
        return MeasuredRound(f"No photo {where} rolling the vehicle can be measured. Check the clamps anew.")
    # Phones count from 1 anew: the same name may stand in both rounds.
    first, then = (
        [replace(photo, name=f"{position}/{photo.name}") for photo in photos]
        for position, photos in (("before", before), ("after", after))
    )
    layouts = {layout.name: layout for layout in load_layouts()}
    try:
        seating = clamps_as_seated(first, then, read_kit_value(job.kit), layouts)
    except (NotEnoughError, InputFileError) as wrong:
        return MeasuredRound(str(wrong))
    return MeasuredRound("", to_clamps(seating, before, after), pack(to_observations([*before, *after])))


def nothing_to_measure(job: RoundToMeasure) -> MeasuredRound:
    """The answer to a round without a photo that was read."""
    reasons = " ".join(says for _, says in job.unread)
    return MeasuredRound(f"The round has no photo that can be measured. {reasons}".strip())


def found_of(job: RoundToMeasure) -> Iterator[FoundPhoto]:
    """What was found in a round's photos, with a removed one's second look."""
    earlier = unpack(job.earlier)["photos"] if job.earlier is not None else []
    complete = {photo["sha256"]: photo for photo in earlier}
    for packed in job.found:
        photo = unpack_found(packed)
        is_removed = photo.name not in job.stored and photo.sha256 in complete
        yield _found(complete[photo.sha256]) if is_removed else photo


# --- drawing ----------------------------------------------------------------------------------------


def draw(files: PhotoFiles, sha256: str, name: str, packed: bytes, plate: int | None, out: Path) -> None:
    """Write a photo with what was found drawn on it: whole, or near one plate.

    Args:
        packed: What was found in it, or in all photos of its round.
    """
    value, photo = unpack(packed), read_photo(read(files, sha256), name)
    seen = (
        next((p for p in value["photos"] if p["sha256"] == photo.sha256), None)
        if "photos" in value
        else value
    )
    if seen is None:
        raise PhotoError(f"{name}: what was found in it is not kept. Let it be looked at again.")
    pictures.write_whole(out, pictures.with_findings(photo, _found(seen), plate))


# --- packed JSON ------------------------------------------------------------------------------------


def pack(value: Any) -> bytes:
    """JSON as the tables keep it: every digit, and small."""
    return zlib.compress(json.dumps(value, separators=(",", ":"), allow_nan=False).encode())


def unpack(packed: bytes) -> Any:
    """The value that was packed."""
    return json.loads(zlib.decompress(packed))


def unpack_found(packed: bytes) -> FoundPhoto:
    """One found photo that was packed."""
    return _found(unpack(packed))


def _found(seen: dict[str, Any]) -> FoundPhoto:
    return from_seen_photo(SeenPhoto.model_validate(seen))
