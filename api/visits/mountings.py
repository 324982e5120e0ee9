"""What the checks of a kit's clamps, over visits, tell of how alike they sit; offered as the kit's own u.

What one check found belongs to its visit. The kit gains only how far a clamp that is hung anew sits from what
the kit says, and only when a person adds that as a revision.
"""

import math
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from api.context import Caller
from api.problems import ConflictError
from api.tables import ClampOff, KitRevision, Measured, Round, Visit
from api.visits import kits
from api.visits.clampchecks import AFTER
from api.visits.visit_list import demos_of, latest_measured
from vision.mountings import Repeatability, repeatability

# With so many degrees of freedom a standard deviation is itself known to about a fifth (1/sqrt(2 dof), JCGM
# 100:2008, E.4.3).
LEAST_DOF = 12


@dataclass(frozen=True)
class Mountings:
    """How a kit's clamps sat in checks.

    Attributes:
        n_checks, n_mountings: Checks that count, and clamps hung in them, each mounting once.
        n_off: Mountings left out, since the clamp was found off its seat.
        eccentricity_mm, tilt_deg: Pooled over clamps and axes; None where no clamp was found twice.
        is_enough: Whether they may become the kit's u.
    """

    n_checks: int
    n_mountings: int
    n_off: int
    eccentricity_mm: Repeatability | None
    tilt_deg: Repeatability | None
    is_enough: bool


def of_kit(db: Session, kit_id: str) -> Mountings:
    """What all visits with a kit, in any revision, tell of its clamps."""
    file = kits.current(db, kit_id).file
    seats: dict[tuple[str, int], list[dict[str, Any]]] = defaultdict(list)
    checks, n_off = set(), 0
    for round_id, wheel, seat in _mountings(db, kit_id):
        checks.add(round_id)
        declared = file["wheels"].get(wheel)
        if declared is None or declared["plate"] != seat["plate"]:
            continue
        if seat["is_seated"]:
            seats[wheel, seat["plate"]].append(seat)
        else:
            n_off += 1
    pooled = {
        key: repeatability(
            [np.array([seat[key] for seat in found]) for found in seats.values()],
            [np.array(file["wheels"][wheel].get(key, [0.0, 0.0])) for wheel, _ in seats],
        )
        for key in ("eccentricity_mm", "tilt_deg")
    }
    dof = pooled["tilt_deg"].dof if pooled["tilt_deg"] else 0
    n = sum(map(len, seats.values()))
    return Mountings(len(checks), n, n_off, **pooled, is_enough=dof >= LEAST_DOF)


def _mountings(db: Session, kit_id: str) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Round, wheel and seat of each mounting: within a visit a clamp that nobody took off counts once."""
    ids = list(db.scalars(select(Visit.id).where(Visit.kit_id == kit_id).order_by(Visit.begun_at)))
    demos = demos_of(db, ids)
    for visit_id in ids:
        if visit_id in demos:
            continue
        after = select(Round.id).where(Round.visit_id == visit_id, Round.kind == AFTER)
        rows = db.execute(
            select(Round.id, Round.number, Measured.result)
            .join(Measured, Measured.round_id == Round.id)
            .where(Measured.seq.in_(latest_measured(after)), Measured.state == "done")
            .order_by(Round.number)
        )
        taken_off = select(ClampOff.wheel, ClampOff.from_round).where(ClampOff.visit_id == visit_id)
        off = list(db.execute(taken_off))
        last: dict[str, int] = {}
        for round_id, number, result in rows:
            for wheel, seat in result["seats"].items():
                since = last.get(wheel)
                was_off = any(w == wheel and (since or 0) < at <= number for w, at in off)
                if since is None or was_off:
                    yield round_id, wheel, seat
                last[wheel] = number


def adopt(
    db: Session, caller: Caller, kit_id: str, based_on: int, says: str, *, confirmed: bool = False
) -> KitRevision:
    """Add a revision whose clamps' u of eccentricity and tilt are those of the mountings.

    Raises:
        NotAllowedError: A technician.
        ConflictError: Too few mountings tell, or the kit was revised meanwhile.
    """
    found = of_kit(db, kit_id)
    if not found.is_enough or found.eccentricity_mm is None or found.tilt_deg is None:
        raise ConflictError(
            f"Too few mountings tell how alike the clamps sit ({found.n_mountings} so far). Check the clamps "
            "in more visits first."
        )
    u = {
        "u_eccentricity_mm": math.ceil(1000 * found.eccentricity_mm.u) / 1000,
        "u_tilt_deg": math.ceil(10000 * found.tilt_deg.u) / 10000,
    }
    file = kits.current(db, kit_id).file
    wheels = {wheel: part | u for wheel, part in file["wheels"].items()}
    file = {**file, "wheels": wheels}
    return kits.revise(db, caller, kit_id, file, says, based_on=based_on, confirmed=confirmed)
