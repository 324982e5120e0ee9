"""What a check of the clamps found -> what its pages show, in this device's units."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from api.figures import Figures
from api.visits.visit_view import ClampsView


@dataclass(frozen=True)
class ShownSeat:
    """One clamp: how far its plate misses the spin axis, how far it leans, each with u.

    Attributes:
        is_seated: Whether it sat as the kit says.
        holds, why_not: Whether what was found still counts, and if not why.
    """

    wheel: str
    eccentricity: str
    u_eccentricity: str
    tilt: str
    u_tilt: str
    is_seated: bool
    says: str
    holds: bool
    why_not: str


def shown_seats(clamps: ClampsView, figures: Figures) -> list[ShownSeat]:
    """The last check's clamps."""
    return [shown_seat(one.wheel, one.found, figures, one.holds, one.why_not) for one in clamps.seats]


def shown_seat(
    wheel: str, found: Mapping[str, Any], figures: Figures, holds: bool = True, why_not: str = ""
) -> ShownSeat:
    """One clamp of plumbsight.clamps/1."""
    ecc, u_ecc = math.hypot(*found["eccentricity_mm"]), found["u_eccentricity_mm"]
    tilt, u_tilt = math.hypot(*found["tilt_deg"]), found["u_tilt_deg"]
    return ShownSeat(
        wheel=wheel,
        eccentricity=figures.with_unit("_mm", figures.value("_mm", ecc, u_ecc)),
        u_eccentricity=figures.with_unit("_mm", figures.u("_mm", u_ecc)),
        tilt=figures.with_unit("_deg", figures.value("_deg", tilt, u_tilt)),
        u_tilt=figures.with_unit("_deg", figures.u("_deg", u_tilt)),
        is_seated=found["is_seated"],
        says=figures.words(found["says"]),
        holds=holds,
        why_not=figures.words(why_not),
    )
