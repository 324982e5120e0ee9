"""Proof rounds: a length or a way that is known, measured with the kit, phone and prints of the shop.

**The criterion.** Value and reference agree where their difference is within 1.96 times their joint u (95 %
interval; JCGM 100:2008, 6.2), the reference's own u included. So one proof in twenty of a correct kit is
flagged by chance. The kit's own errors come again in every proof of it: proofs repeated with the same sheets
and ruler are not independent of each other, and passing twice says little more than passing once.

**What a proof can find.** An error of (1.96 + 1.64) joint u is flagged in at least 95 % of proofs; what is
smaller may pass. A proof that would not even show an error of the size that it is there for proves nothing,
and is called undecided when it passes.

- The bar finds what is wrong with the scale of all sheets, with the ruler or with the lens in length: 1 %
  of all sheets is 10 mm on a metre. It says nothing of clamps, mounts or floor.
- The slide finds a round that is not what it says: a wrong sign or axis, plates exchanged, a vehicle that
  moved, photos that contradict each other, u that is too small for photos and lens. What all rounds share
  cancels in it: 1 % of all sheets is 0.1 mm of 10 mm, and clamps, mounts and the target's place on the
  fixture do not show.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.stats import norm

from vision.adjust import Adjustment
from vision.errors import KitError, NotEnoughError
from vision.initial import adjust_from_nothing
from vision.kit import Kit
from vision.layout import Layout
from vision.lenses import Profile
from vision.measure import assemble
from vision.sightings import FoundPhoto
from vision.teach import FEWEST_VIEWS, need_agreement, need_lengths_agree, plates_and_bars, shared_errors
from vision.trial import FOUND_95

COVERAGE_95 = float(norm.isf(0.025))
# What each proof is there to find: of the bar's length, sheets printed to another scale (a printer's "fit to
# page" is 3 %); of the slide, more than half its way, or standing still would nearly pass.
BAR_MUST_SHOW, SLIDE_MUST_SHOW = 0.01, 0.5
# A fixture pushed by hand along an edge runs off that edge's direction by so much; common practice, no
# source.
U_DIRECTION_RAD = float(np.radians(5.0))

PASSED, FLAGGED, UNDECIDED = "passed", "flagged", "undecided"


@dataclass(frozen=True)
class Proof:
    """What came of a proof, in mm.

    Attributes:
        what: `bar` or `slide`.
        shows: Smallest error that such a proof flags in 95 % of cases.
    """

    what: str
    value: float
    u: float
    reference: float
    u_reference: float
    shows: float
    verdict: str
    says: str

    @property
    def difference(self) -> float:
        return self.value - self.reference

    @property
    def u_difference(self) -> float:
        return float(np.hypot(self.u, self.u_reference))

    @property
    def interval95(self) -> tuple[float, float]:
        """Of the difference."""
        half = COVERAGE_95 * self.u_difference
        return self.difference - half, self.difference + half


def proved_bar(length_mm: float, u_mm: float, reference_mm: float, u_reference_mm: float) -> Proof:
    """The verdict on a bar's measured length."""
    return _judged(
        "bar", (length_mm, u_mm), (reference_mm, u_reference_mm), BAR_MUST_SHOW * reference_mm, _BAR_WORDS
    )


def proved_slide(way_mm: float, u_mm: float, by_mm: float, u_by_mm: float) -> Proof:
    """The verdict on a measured way, signed like the value that it changed.

    A direction off by an angle a leaves by * cos a of the way, which counts into the reference's u.
    """
    u_reference_mm = float(np.hypot(u_by_mm, by_mm * U_DIRECTION_RAD**2 / 2))
    return _judged(
        "slide", (way_mm, u_mm), (by_mm, u_reference_mm), SLIDE_MUST_SHOW * abs(by_mm), _SLIDE_WORDS
    )


@dataclass(frozen=True)
class _Words:
    found: str
    flagged: str
    weak: str


_BAR_WORDS = _Words(
    "sheets, ruler or lens whose lengths are off by {share:.2g} %",
    "Are all sheets printed at 100 % and their rulers entered as measured? Measure rulers and bar again with "
    "another rule, photograph anew, and measure nothing with this kit until the proof passes.",
    "Take more photos of both plates, nearer and from all sides.",
)
_SLIDE_WORDS = _Words(
    "an error of {shows:.1f} mm in a change of place",
    "Did anything but the fixture move, or was it slid along another line? Slide it again and photograph "
    "both rounds anew; measure nothing with this kit until the proof passes.",
    "Take more photos in both rounds, with fixture and wheels together in several.",
)


def _judged(
    what: str, measured: tuple[float, float], known: tuple[float, float], must_show: float, words: _Words
) -> Proof:
    (value, u), (reference, u_reference) = measured, known
    joint = float(np.hypot(u, u_reference))
    shows = (COVERAGE_95 + FOUND_95) * joint
    off = value - reference
    numbers = f"{value:.2f} mm measured, {reference:.2f} mm known: {off:+.2f} mm, u {joint:.2f} mm."
    if abs(off) > COVERAGE_95 * joint:
        says = (
            f"The kit is flagged. {numbers} That is beyond the 95 % interval, which happens to a correct kit "
            f"in one proof of twenty. {words.flagged}"
        )
        return Proof(what, value, u, reference, u_reference, shows, FLAGGED, says)
    if shows > must_show:
        says = (
            f"Nothing is proved. {numbers} They agree, but this proof would show only errors of "
            f"{shows:.1f} mm and more, where {must_show:.1f} mm is needed. {words.weak}"
        )
        return Proof(what, value, u, reference, u_reference, shows, UNDECIDED, says)
    found = words.found.format(shows=shows, share=100 * shows / abs(reference))
    says = f"Passed. {numbers} Such a proof would have shown {found} in 95 of 100 cases."
    return Proof(what, value, u, reference, u_reference, shows, PASSED, says)


# --- the bar ---------------------------------------------------------------------------------------


class MeasuredLength(NamedTuple):
    """A distance of two plates' origins, its u, and the share of each cause in its variance."""

    length_mm: float
    u_mm: float
    budget: Mapping[str, float]


def measured_length(
    found: Sequence[FoundPhoto],
    kit: Kit,
    layouts: Mapping[str, Layout],
    plates: tuple[int, int],
    profiles: Sequence[Profile] = (),
) -> MeasuredLength:
    """Distance of two plates' origins, from photos and prints alone.

    All of the kit's bars are held out: another one in view would tell the scale in place of the sheets, whose
    scale is what is to be proved.

    Raises:
        KitError: A plate is not in the kit, or both are one.
        NotEnoughError: A plate is seen too seldom, or photos or rulers contradict each other.
    """
    for plate in plates:
        if plate not in kit.plates:
            raise KitError(f"Plate {plate} is not in the kit. Read the numbers off the bar's sheets again.")
    if plates[0] == plates[1]:
        raise KitError(f"A bar has two plates, and both are called {plates[0]}. Name the other one too.")
    sheets_only = replace(plates_and_bars(kit), scale_bars=())
    network = assemble(found, sheets_only, layouts, profiles).network
    o = network.observed
    for plate in plates:
        views = int((o.plate == o.plates.index(plate)).sum()) if plate in o.plates else 0
        if views < FEWEST_VIEWS:
            raise NotEnoughError(
                f"Plate {plate} of the bar is in {views} usable photos; {FEWEST_VIEWS} are the least, and "
                "eight from all sides are usual. Photograph both ends together with other plates of the kit."
            )
    adjustment = adjust_from_nothing(network)
    need_agreement(adjustment)
    need_lengths_agree(adjustment)
    return distance_between(adjustment, plates)


def distance_between(adjustment: Adjustment, plates: tuple[int, int]) -> MeasuredLength:
    """The distance of two plates' origins."""
    o, u, state = adjustment.network.observed, adjustment.network.unknowns, adjustment.state
    ends = [int(u.plate_pose(o.plates.index(plate))) for plate in plates]
    one, other = state.poses[ends]
    way = other[:3, 3] - one[:3, 3]
    length_mm = float(np.linalg.norm(way))
    along = np.concatenate([-way @ one[:3, :3], way @ other[:3, :3]]) / length_mm
    G = np.zeros((1, state.n_columns))
    G[0, np.concatenate([state.pose_columns(end)[:3] for end in ends])] = along
    variance = float((G @ adjustment.covariance @ G.T)[0, 0])
    causes = dict.fromkeys(block.cause for block in adjustment.blocks)
    budget = {cause: float(shared_errors(adjustment, G, (cause,))[0, 0]) / variance for cause in causes}
    return MeasuredLength(length_mm, float(np.sqrt(variance)), budget)
