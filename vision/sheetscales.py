"""Photos of several sheets, lying or hanging anywhere -> the sheets' scales against each other.

Photos tell how large one sheet is against another, to a few hundredths of a per mille, and nothing of what is
common to all of them: for that there is the ruler, or a scale bar in view. So afterwards

    scale error of a sheet = what all have in common (u_ruler_scale) + its own (u_printed_scale)

with a common part that holds the ruler's error and the mean of the sheets' own ones, and an own part that is
as small as the photos are sharp. With S the joint covariance of the sheets' scales the common variance is the
largest c with S - c 11' not negative, c = 1 / (1' S^-1 1); without a bar it is no less than the ruler's.
The own ones bound the rest in every direction, as in `teach.py`.

Sheets that were not photographed share the ruler with the others, but not the mean of their own errors, which
the kit's one common figure now holds. Their own u is raised until the kit's covariance D is at least
S / (1 + a) in every direction, with the allowance a of `teach.py`.

A bar, and the sheets' bows, err in later rounds as they do here: with Q their effect S stands for S + Q
Q'/a, for the reason given in `teach.py`. The rulers' own errors are not counted so, since what is found
replaces them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from vision.adjust import Adjustment
from vision.errors import NotEnoughError
from vision.initial import adjust_from_nothing
from vision.kit import Kit, Plate
from vision.layout import Layout
from vision.lenses import Profile
from vision.measure import assemble
from vision.parameters import U_UNMEASURED_SCALE
from vision.sightings import FoundPhoto
from vision.teach import (
    SHARED_ALLOWANCE,
    bars_of,
    bound_by_rows,
    need_agreement,
    need_bars_agree,
    plates_and_bars,
    ruler_limit,
    ruler_statistics,
    shared_errors,
)

# Two rulers that disagree accuse each other; a third tells which is wrong.
FEWEST_JUDGES = 3
# Budget lines that later rounds have again.
SHARED_CAUSES = ("flatness", "scale_bars")
# A u below this overflows weights (formats.py) and nobody prints so well.
LEAST_U = 1e-6


@dataclass(frozen=True, eq=False)
class TaughtSheet:
    """One sheet.

    Attributes:
        before, after: As the kit had it and as it is now.
        n_photos: That show it.
        statistic, limit: How far the others' sizes contradict its ruler, chi-square with one degree of
            freedom; nan where it was not measured.
    """

    before: Plate
    after: Plate
    n_photos: int
    statistic: float
    limit: float

    @property
    def disagrees(self) -> bool:
        return self.statistic > self.limit


@dataclass(frozen=True, eq=False)
class TaughtSheets:
    """All sheets in the photos.

    Attributes:
        unseen: Sheets that the photos do not show and whose u had to be raised, before and after.
        u_ruler_scale: What all sheets have in common now.
        scale_errors: (k,) relative, of `before`, in the order of the sheets; `covariance` (k, k) of them.
        with_bar: Whether a scale bar was in view.
        says: Remarks, in words.
    """

    sheets: tuple[TaughtSheet, ...]
    unseen: tuple[tuple[Plate, Plate], ...]
    u_ruler_scale: float
    scale_errors: NDArray
    covariance: NDArray
    with_bar: bool
    adjustment: Adjustment
    says: tuple[str, ...]

    def kit(self, kit: Kit) -> Kit:
        """The kit with the sheets as they are now."""
        new = {s.after.number: s.after for s in self.sheets} | {a.number: a for _, a in self.unseen}
        return replace(kit, u_ruler_scale=self.u_ruler_scale, plates=MappingProxyType({**kit.plates, **new}))


def teach_sheets(
    found: Sequence[FoundPhoto], kit: Kit, layouts: Mapping[str, Layout], profiles: Sequence[Profile] = ()
) -> TaughtSheets:
    """The sheets' scales, measured against each other.

    A sheet whose ruler disagrees would spoil what the others are judged by: the worst one is set loose and
    all are judged again, until no other fails.

    Raises:
        NotEnoughError: Fewer than two sheets, no ruler among them, or figures that contradict each other
            without a way to tell which is wrong.
    """
    loose: dict[int, float] = {}
    while True:
        assembled = assemble(found, _loosened(plates_and_bars(kit), loose), layouts, profiles)
        _need_sheets(assembled.network.observed.plates, kit, assembled.network.kit)
        adjustment = adjust_from_nothing(assembled.network)
        need_agreement(adjustment)
        statistics = {p: value for p, value in ruler_statistics(adjustment).items() if p not in loose}
        limit = ruler_limit(len(statistics))
        worst = max(statistics, key=lambda p: statistics[p], default=-1)
        need_bars_agree(adjustment, max(statistics.values(), default=0.0))
        if not statistics or statistics[worst] <= limit:
            break
        if len(statistics) < FEWEST_JUDGES and not bars_of(adjustment):
            raise NotEnoughError(_ambiguous(list(statistics)))
        loose[worst] = statistics[worst]
    return taught_sheets(adjustment, kit, {**statistics, **loose}, limit, assembled.apart)


def taught_sheets(
    adjustment: Adjustment, kit: Kit, statistics: Mapping[int, float], limit: float, says: Sequence[str]
) -> TaughtSheets:
    """As `teach_sheets`, from an adjustment in which the rulers agree.

    Args:
        statistics: By plate; above `limit` the sheet's ruler was not believed.
    """
    u, plates = adjustment.network.unknowns, adjustment.network.observed.plates
    own, ruler = u.plate_values()[:, 0], u.ruler_value()
    errors = adjustment.state.values[own] + adjustment.state.values[ruler]
    first = 6 * u.n_poses
    T = np.zeros((len(own) + 1, adjustment.state.n_columns))
    T[np.arange(len(own)), first + own] = 1.0
    T[:, first + ruler] = 1.0
    joint = T @ adjustment.covariance @ T.T  # the sheets' scales, then the ruler's
    again = shared_errors(adjustment, T, SHARED_CAUSES)
    c, u_own = _common_and_own((joint + again / SHARED_ALLOWANCE)[:-1, :-1])
    others = [kit.plates[p] for p in kit.plates if p not in plates]
    raised = _raised(
        joint + again / SHARED_ALLOWANCE, c, u_own, np.array([p.u_printed_scale for p in others])
    )
    observed = adjustment.network.observed
    sheets = tuple(
        TaughtSheet(
            kit.plates[number],
            _rescaled(kit.plates[number], float(errors[k]), float(u_own[k])),
            int((observed.plate == k).sum()),
            statistics.get(number, np.nan),
            limit,
        )
        for k, number in enumerate(plates)
    )
    return TaughtSheets(
        sheets,
        tuple((p, replace(p, u_printed_scale=float(v))) for p, v in zip(others, raised, strict=True)),
        float(np.sqrt(c)),
        errors,
        joint[:-1, :-1],
        bool(bars_of(adjustment)),
        adjustment,
        tuple(says),
    )


def _rescaled(plate: Plate, error: float, u_own: float) -> Plate:
    x, y = plate.printed_scale_xy
    return replace(
        plate,
        printed_scale_xy=(x * (1 + error), y * (1 + error)),
        u_printed_scale=u_own,
        scale_is_measured=True,
    )


def _common_and_own(S: NDArray) -> tuple[float, NDArray]:
    """Common variance, and the sheets' own u (k,) that bound what is left in every direction."""
    c = float(1 / np.linalg.inv(S).sum())
    rest = S - c
    own = np.sqrt(np.maximum(np.diag(rest), LEAST_U**2))
    bound = bound_by_rows(np.abs(rest), own)
    worst = np.linalg.eigvalsh(rest / np.outer(bound, bound))[-1]
    return c, np.maximum(bound * np.sqrt(worst), own)


def _raised(joint: NDArray, c: float, u_own: NDArray, u_others: NDArray) -> NDArray:
    """The u of sheets that were not seen, by one factor as small as holds."""
    n, m = len(u_own), len(u_others)
    if not m:
        return u_others
    S = np.full((n + m, n + m), joint[-1, -1])
    S[:n, :n] = joint[:-1, :-1]
    S[:n, n:] = joint[:-1, -1:]
    S[n:, :n] = joint[-1:, :-1]
    S[n:, n:] += np.diag(u_others**2)

    def is_enough(factor: float) -> bool:
        D = c + np.diag(np.concatenate([u_own**2, (factor * u_others) ** 2]))
        return bool(scipy.linalg.eigh(S, D, eigvals_only=True)[-1] <= 1 + SHARED_ALLOWANCE)

    low, high = 1.0, 1.0
    while not is_enough(high):
        low, high = high, 2 * high
    while high > 1.01 * low:
        middle = (low * high) ** 0.5
        low, high = (low, middle) if is_enough(middle) else (middle, high)
    return high * u_others


# --- whose figure is wrong --------------------------------------------------------------------------------


def _loosened(kit: Kit, loose: Mapping[int, float]) -> Kit:
    free = {p: replace(kit.plates[p], u_printed_scale=U_UNMEASURED_SCALE) for p in loose}
    return replace(kit, plates=MappingProxyType({**kit.plates, **free}))


def _ambiguous(plates: Sequence[int]) -> str:
    numbers = " and ".join(map(str, plates)) or "of these sheets"
    return (
        f"The rulers of plates {numbers} disagree, and nothing tells which one is wrong. Measure both rulers "
        "again, or take photos with a third measured sheet or a scale bar in view."
    )


def _need_sheets(seen: Sequence[int], kit: Kit, network_kit: Kit) -> None:
    if len(seen) < 2:
        raise NotEnoughError(
            "Only one sheet is in the photos that hang together; it can be measured against nothing. Lay two "
            "or more sheets within one picture, and take photos from all sides."
        )
    has_bar = any(set(bar.plates) <= set(seen) for bar in network_kit.scale_bars)
    if not has_bar and not any(kit.plates[p].scale_is_measured for p in seen):
        raise NotEnoughError(
            "No ruler of these sheets was measured and no scale bar is in view: photos alone tell no size. "
            "Measure the ruler of one sheet at least, and enter its printed_scale."
        )
