"""What was found in photos, as JSON: plumbsight.observations/1. Everything can be measured again from it.

Numbers keep every digit that a double has, so that the same measurement comes out. Pixels are those of the
stored photo's array, (0, 0) at the centre of the top-left pixel; EXIF orientation is not applied.
"""

from collections.abc import Iterator, Sequence
from typing import Annotated, Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from calib_data.formats import FileModel, Name, PlateNumber, Sha256, _field
from calib_data.reading import Problem
from vision.detect import Detection
from vision.layout import Layout
from vision.photo import ExifFacts
from vision.sightings import FoundPhoto

OBSERVATIONS = "plumbsight.observations/1"

_AGAIN = "Restore the file from a copy, or measure again from the photos."
# Index in the layout; x and y in px; variance of x, covariance, variance of y in px2.
Saddle = Annotated[list[float], Field(min_length=6, max_length=6)]
Side = Annotated[int, Field(ge=16, le=100_000)]


class ExifFile(FileModel):
    """What the photo's file said of the camera."""

    make: str | None = None
    model: str | None = None
    lens_model: str | None = None
    focal_length_mm: float | None = Field(None, gt=0)
    focal_35mm: float | None = Field(None, gt=0)
    digital_zoom: float | None = Field(None, gt=0)
    exposure_time_s: float | None = Field(None, gt=0)
    orientation: int = Field(1, ge=1, le=8)
    taken: str | None = None
    software: str | None = None


class SeenPlate(FileModel):
    """One plate in one photo."""

    plate: PlateNumber = _field("the figure printed on the plate", _AGAIN)
    layout: Name = _field("the pattern's name", _AGAIN)
    saddles: list[Saddle] = _field(
        "the points: index in the layout, x, y in px, variance of x, covariance, variance of y in px2",
        _AGAIN,
        min_length=4,
    )
    u_shift_px: float = _field("the uncertainty of a shift common to all points", _AGAIN, ge=0)
    u_affine_px: float = _field("the uncertainty of the common linear terms", _AGAIN, ge=0)
    tag_read: bool = _field("whether the tag was read", _AGAIN)
    tag_edge_px: float = _field("the shortest edge of the tag in px", _AGAIN, gt=0)
    incidence_deg: float = _field("the angle from the plate's normal", _AGAIN, ge=0, le=90)
    says: str = ""


class SeenPhoto(FileModel):
    """One photo."""

    file: Name = _field("the photo's file name", _AGAIN)
    sha256: Sha256 = _field("the SHA-256 of the photo's bytes", _AGAIN)
    size_px: list[Side] = _field("the stored array's width and height", _AGAIN, min_length=2, max_length=2)
    exif: ExifFile = ExifFile.model_construct()
    plates: list[SeenPlate] = _field("the plates found at first sight", _AGAIN)
    predicted: list[list[SeenPlate]] = _field(
        "the plates that each second look found where the others told that they must be", _AGAIN, []
    )
    says: str = ""


class ObservationsFile(FileModel):
    """What was found in a round's photos."""

    format: Literal["plumbsight.observations/1"] = _field(
        "the file's kind and version", f'Enter "{OBSERVATIONS}".'
    )
    photos: list[SeenPhoto] = _field("the photos", _AGAIN)


def to_observations(found: Sequence[FoundPhoto]) -> dict[str, Any]:
    """Found photos as a file; `Measurement.found` carries what the second look found too."""
    return {"format": OBSERVATIONS, "photos": [to_seen_photo(photo) for photo in found]}


def from_observations(file: ObservationsFile) -> tuple[FoundPhoto, ...]:
    """Found photos of a file that was checked."""
    return tuple(from_seen_photo(photo) for photo in file.photos)


def observations_problems(file: ObservationsFile, layouts: Sequence[Layout]) -> Iterator[Problem]:
    """What contradicts itself, or the layouts."""
    by_name = {layout.name: layout for layout in layouts}
    names: set[str] = set()
    for i, photo in enumerate(file.photos):
        if photo.file in names:
            yield Problem(("photos", i, "file"), f'is "{photo.file}", which stands there before. {_AGAIN}')
        names.add(photo.file)
        looks = [("plates", photo.plates), *((f"predicted[{k}]", p) for k, p in enumerate(photo.predicted))]
        for key, plates in looks:
            for k, plate in enumerate(plates):
                says = _plate_problem(plate, by_name.get(plate.layout))
                if says:
                    yield Problem(("photos", i, key, k), f"{says} {_AGAIN}")


def _plate_problem(plate: SeenPlate, layout: Layout | None) -> str:
    if layout is None:
        return f'has the layout "{plate.layout}", which this program does not know.'
    rows = np.array(plate.saddles)
    index = rows[:, 0]
    if (index != np.rint(index)).any() or len(set(index.tolist())) < len(index):
        return "has points whose index is no whole number, or stands there twice."
    if index.min() < 0 or index.max() >= len(layout.saddles_mm):
        return f'has points that the layout "{layout.name}" does not have.'
    if not ((rows[:, 3] > 0) & (rows[:, 3] * rows[:, 5] > rows[:, 4] ** 2)).all():
        return "has points with an impossible covariance."
    return ""


def to_seen_photo(photo: FoundPhoto) -> dict[str, Any]:
    """One found photo as it stands in the file."""
    return {
        "file": photo.name,
        "sha256": photo.sha256,
        "size_px": list(photo.size_px),
        "exif": {name: getattr(photo.exif, name) for name in ExifFile.model_fields},
        "plates": [_to_plate(d) for d in photo.detections],
        "predicted": [[_to_plate(d) for d in look] for look in photo.predicted],
        "says": photo.says,
    }


def from_seen_photo(photo: SeenPhoto) -> FoundPhoto:
    """One photo of a file that was checked."""
    return FoundPhoto(
        photo.file,
        photo.sha256,
        (photo.size_px[0], photo.size_px[1]),
        ExifFacts(**{name: getattr(photo.exif, name) for name in ExifFile.model_fields}),
        tuple(_from_plate(p) for p in photo.plates),
        photo.says,
        tuple(tuple(_from_plate(p) for p in look) for look in photo.predicted),
    )


def _to_plate(d: Detection) -> dict[str, Any]:
    cov = d.cov_px2
    numbers = np.column_stack([d.saddles_px, cov[:, 0, 0], cov[:, 0, 1], cov[:, 1, 1]]).tolist()
    return {
        "plate": int(d.plate),
        "layout": d.layout,
        "saddles": [[int(k), *row] for k, row in zip(d.saddle_index, numbers, strict=True)],
        "u_shift_px": float(d.u_shift_px),
        "u_affine_px": float(d.u_affine_px),
        "tag_read": bool(d.tag_read),
        "tag_edge_px": float(d.tag_edge_px),
        "incidence_deg": float(d.incidence_deg),
        "says": d.says,
    }


def _from_plate(p: SeenPlate) -> Detection:
    rows = np.array(p.saddles)
    return Detection(
        plate=p.plate,
        layout=p.layout,
        saddle_index=_fixed(rows[:, 0].astype(int)),
        saddles_px=_fixed(np.ascontiguousarray(rows[:, 1:3])),
        cov_px2=_fixed(rows[:, [3, 4, 4, 5]].reshape(-1, 2, 2)),
        u_shift_px=p.u_shift_px,
        u_affine_px=p.u_affine_px,
        tag_read=p.tag_read,
        tag_edge_px=p.tag_edge_px,
        incidence_deg=p.incidence_deg,
        says=p.says,
    )


def _fixed(array: NDArray) -> NDArray:
    array.flags.writeable = False
    return array
