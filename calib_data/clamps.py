"""How a check of the clamps found them to sit, as JSON; and the kit's file with clamps as they hang.

The check belongs to its visit: what it found of a clamp holds until that is taken off.
"""

from collections.abc import Collection, Mapping, Sequence
from typing import Any, Literal

import numpy as np
from pydantic import Field

from calib_data.formats import FileModel, Sha256, _field
from calib_data.result import PhotoFacts, made_with
from vision.seating import Seat, Seating

CLAMPS = "plumbsight.clamps/1"
Json = dict[str, Any]


class SeatFile(FileModel):
    """How one clamp sat: what a wheel of a kit's file says of it, and whether it had left its seat."""

    plate: int
    eccentricity_mm: list[float] = Field(min_length=2, max_length=2)
    tilt_deg: list[float] = Field(min_length=2, max_length=2)
    u_eccentricity_mm: float = Field(ge=0)
    u_tilt_deg: float = Field(ge=0)
    turn_deg: float = Field(description="By how much the wheel turned between the positions, 0 to 180.")
    statistic: float = Field(description="Departure from the kit, chi-square with four degrees of freedom.")
    limit: float = Field(description="Above it the clamp had left its seat.")
    is_seated: bool
    says: str
    T_wheels_plate: list[list[float]] = Field(description="How the plate hung among the wheels' plates.")


class PhotoOfClamps(FileModel):
    """A photo of the check."""

    file: str
    sha256: Sha256
    position: Literal["before", "after"] = Field(description="Of rolling the vehicle.")


class ClampsFile(FileModel):
    """What a check of the clamps in two positions of the wheels found."""

    format: Literal["plumbsight.clamps/1"] = _field("the file's kind and version", f'It is "{CLAMPS}".')
    seats: dict[Literal["front_left", "front_right", "rear_left", "rear_right"], SeatFile]
    photos: list[PhotoOfClamps]
    made_with: dict[str, str]


def to_clamps(seating: Seating, before: Sequence[PhotoFacts], after: Sequence[PhotoFacts]) -> Json:
    """What a check found; numbers as `convert.with_clamps` rounds them."""
    return {
        "format": CLAMPS,
        "seats": {seat.wheel: _seat(seat, seating) for seat in seating.seats},
        "photos": [
            {"file": photo.name, "sha256": photo.sha256, "position": position}
            for position, photos in (("before", before), ("after", after))
            for photo in photos
        ],
        "made_with": made_with(),
    }


def _seat(seat: Seat, seating: Seating) -> Json:
    clamp = seat.clamp
    return {
        "plate": clamp.plate,
        "eccentricity_mm": [round(v, 4) for v in clamp.eccentricity_mm],
        "tilt_deg": np.degrees(clamp.tilt_rad).round(5).tolist(),
        "u_eccentricity_mm": round(clamp.u_eccentricity_mm, 4),
        "u_tilt_deg": round(float(np.degrees(clamp.u_tilt_rad)), 5),
        "turn_deg": round(seat.turn_deg, 2),
        "statistic": float(f"{seat.statistic:.6g}"),
        "limit": float(f"{seat.limit:.6g}"),
        "is_seated": seat.is_seated,
        "says": seat.says,
        "T_wheels_plate": seating.T_wheels_plate[seat.wheel].round(7).tolist(),
    }


def as_hung(
    kit: Mapping[str, Any], clamps: Mapping[str, Any], wheels: Collection[str], measured_on: str, says: str
) -> Json:
    """A kit's file in which these wheels' clamps are as the check found them.

    Args:
        clamps: plumbsight.clamps/1.
        measured_on: The day, as ISO 8601 writes it.
        says: Which check that was.
    """
    measured = ("eccentricity_mm", "tilt_deg", "u_eccentricity_mm", "u_tilt_deg")
    on = dict(kit["wheels"])
    for wheel in wheels:
        seat = clamps["seats"][wheel]
        seated = {"T_wheels_plate": seat["T_wheels_plate"], "says": says}
        on[wheel] = on[wheel] | {key: seat[key] for key in measured}
        on[wheel] |= {"measured_on": measured_on, "seated": seated}
    return {**kit, "wheels": on}
