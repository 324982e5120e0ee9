"""Photo bytes -> Photo: the grey image as stored (sensor axes), EXIF facts, hash."""

from dataclasses import dataclass

from numpy.typing import NDArray


@dataclass(frozen=True)
class ExifFacts:
    """What the file says about the camera. A missing field is None.

    `orientation` is EXIF's 1..8 (1 where absent); it is never applied to the pixels we measure.
    `taken` is EXIF's local time as ISO text without zone, for sorting and for finding mixed visits.
    """

    make: str | None = None
    model: str | None = None
    lens_model: str | None = None
    focal_length_mm: float | None = None
    focal_35mm: float | None = None
    digital_zoom: float | None = None
    exposure_time_s: float | None = None
    orientation: int = 1
    taken: str | None = None
    software: str | None = None


@dataclass(frozen=True, eq=False)
class Photo:
    """One photo. `grey` is uint8 (height, width), read-only, EXIF orientation not applied."""

    name: str
    sha256: str
    size_px: tuple[int, int]  # (width, height) of the stored array
    exif: ExifFacts
    grey: NDArray
