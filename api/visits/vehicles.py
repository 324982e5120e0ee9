"""The vehicle's facts: label, wheelbase, odometer, vehicle identification number.

VIN: length and alphabet by ISO 3779; the check digit by 49 CFR 565.15(c), which binds vehicles of North
America, whose number begins with 1 to 5.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from api.problems import NotAcceptedError
from api.visits.revisions import as_in_a_file
from calib_data.formats import VehicleFile
from calib_data.reading import Problem, check, raise_problems
from vision.errors import SetError

SOURCE = "vehicle"
VIN_LENGTH = 17
MOST_ODOMETER_KM = 3_000_000  # common practice, no source
USUAL_WHEELBASE_MM = (1800, 4500)  # smallest cars to long vans; common practice, no source

# 49 CFR 565.15(c), tables III and IV.
_VALUES = dict(zip("ABCDEFGHJKLMNPRSTUVWXYZ", "12345678123457923456789", strict=True))
_WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_CHECK_PLACE = 8  # the ninth
# A number plate as people type it: capitals and figures, short, both kinds.
_LIKE_A_NUMBER_PLATE = re.compile(r"(?=.*[0-9])(?=.*[A-ZÄÖÜ])[A-ZÄÖÜ0-9]{4,9}")


@dataclass(frozen=True)
class VehicleFacts:
    """A vehicle as a visit keeps it, and what may be meant otherwise.

    Attributes:
        vehicle: As in plumbsight.set/1, with a wheelbase.
    """

    vehicle: dict[str, Any]
    odometer_km: int | None
    vin: str | None
    doubts: tuple[Problem, ...]


def checked(vehicle: dict[str, Any], odometer_km: int | None, vin: str | None) -> VehicleFacts:
    """The facts of a vehicle that may be measured.

    Raises:
        SetError: A figure is wrong, or label or wheelbase is missing.
        NotAcceptedError: Odometer or VIN is wrong.
    """
    made, _ = check(VehicleFile, as_in_a_file(vehicle, SOURCE, SetError), SOURCE, SetError)
    raise_problems(_missing(made), SOURCE, SetError)
    if odometer_km is not None and not 0 <= odometer_km <= MOST_ODOMETER_KM:
        raise NotAcceptedError(
            f"{odometer_km} km is no reading of an odometer. Read it again, or leave it out.", "odometer_km"
        )
    number = _plain_vin(vin)
    return VehicleFacts(vehicle, odometer_km, number, tuple(_doubts(made, number)))


def _missing(file: VehicleFile) -> Iterator[Problem]:
    if not file.label.strip():
        says = 'is missing. Enter a few words such as "estate, white, bay 2", never the number plate.'
        yield Problem(("label",), says)
    if file.wheelbase_mm is None:
        says = (
            "is missing. Enter millimetres, e.g. 2712, from the vehicle's papers: the photos are held "
            "against it, which is the free check of their scale."
        )
        yield Problem(("wheelbase_mm",), says)


def _plain_vin(vin: str | None) -> str | None:
    """The number in capitals without blanks; none where nothing was entered."""
    number = "".join((vin or "").split()).upper()
    if not number:
        return None
    strange = sorted({c for c in number if c not in _VALUES and c not in "0123456789"})
    if strange:
        raise NotAcceptedError(
            f"A VIN has no {' and no '.join(strange)}: it has figures, and letters without I, O and Q "
            "(read them as 1 and 0). Read it again.",
            "vin",
        )
    if len(number) != VIN_LENGTH:
        raise NotAcceptedError(
            f"A VIN has {VIN_LENGTH} characters, and this has {len(number)}. Read it again, or leave it out "
            "(vehicles built before 1981 may have a shorter one).",
            "vin",
        )
    return number


def has_check_digit(vin: str) -> bool:
    """Whether the number is of a vehicle of North America, where the ninth character must agree."""
    return vin[0] in "12345"


def check_digit(vin: str) -> str:
    """What the ninth character must be, 49 CFR 565.15(c): the weighted sum modulo 11, 10 written as X."""
    total = sum(weight * int(_VALUES.get(c, c)) for weight, c in zip(_WEIGHTS, vin, strict=True))
    return "0123456789X"[total % 11]


def _doubts(file: VehicleFile, vin: str | None) -> Iterator[Problem]:
    if _LIKE_A_NUMBER_PLATE.fullmatch(re.sub(r"[\s-]", "", file.label)):
        says = (
            f'is "{file.label}", which looks like a number plate. That must not be stored: '
            "describe the vehicle instead."
        )
        yield Problem(("label",), says)
    lowest, highest = USUAL_WHEELBASE_MM
    if file.wheelbase_mm is not None and not lowest <= file.wheelbase_mm <= highest:
        says = f"is {file.wheelbase_mm:g} mm, where {lowest} to {highest} is usual. Read it again."
        yield Problem(("wheelbase_mm",), says)
    if vin is not None and has_check_digit(vin) and vin[_CHECK_PLACE] != check_digit(vin):
        says = (
            f"is {vin}, whose ninth character would have to be {check_digit(vin)}, not {vin[_CHECK_PLACE]}: "
            "one of its characters is misread, or it was given out wrong. Read it again."
        )
        yield Problem(("vin",), says)
