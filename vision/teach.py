"""Photos of a fixture's plates with a plate in the target's place -> the kit's entry of that fixture.

**The fixture frame.** Its axes are the target's (x away from the vehicle, y to the vehicle's left, z up),
so the target's rotation is zero; its origin is the middle of the fixture's plates. The plate in the
target's place lies on the target's face, printed side toward the vehicle and upright, its centre on the
reference point: that point is the plate's origin less its thickness along z, unless the caller measured
another way there.

**What the kit can say.** It holds one u of position and one of rotation for each plate and the target, as
if they erred independently and alike in all directions, while the adjustment knows their joint covariance
C. Any u is valid that makes the kit's covariance D no smaller than C in every direction of the joint space
(D - C has no negative eigenvalue): whatever is later computed from the kit with D is then off by no more
than it says (cov = K C K' <= K D K'). Nothing depends on where the frame sits, so C is taken with the frame
that fits the fixture's plates best (inner constraints; Baarda, S-transformations and criterion matrices,
1973).

**What later rounds share.** Sheets' and ruler's errors act on the taught entry and on later photos of the
same sheets alike, but the kit holds the two as independent. With Q the effect of these errors, (1 + a)
times the later covariance is still enough where D >= C + Q Q'/a: the Schur complement of the joint
covariance.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import scipy.stats
from numpy.typing import NDArray

from vision import geometry
from vision.adjust import Adjustment
from vision.blocks import DistanceBlock
from vision.errors import KitError, NotEnoughError
from vision.hypotheses import own_residual, pull
from vision.initial import adjust_from_nothing, looks_settled
from vision.kit import Fixture, Kit, Mount, Target
from vision.layout import Layout
from vision.lenses import Profile
from vision.measure import assemble
from vision.observe import Observations
from vision.sightings import FoundPhoto

# FORMATS.md, R0: how a plate that looks at the vehicle is turned in a frame whose x leads away from it.
R_TARGET_PLATE = np.array([[0.0, 0.0, -1.0], [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
# Budget lines whose errors stay with the sheets and bars, in whatever round they are photographed.
SHARED_CAUSES = ("print_scale", "flatness", "scale_bars")
# By how much a later variance may be too small by what rounds share: 15 % of it are 7 % of u, and a 95 %
# interval still holds the truth in 93.2 % of cases at worst (MEASUREMENT.md asks for 93).
SHARED_ALLOWANCE = 0.15
# All rulers of a correct kit pass with 99.7 %, as in the family of consistency tests.
FAMILY_LEVEL = 0.003
# One photo that is off shows only where others tell otherwise; common practice, no source.
FEWEST_VIEWS = 3
# The frame that makes the bound tight is found by repetition; any frame is valid.
N_FRAMES = 6
# What screws, boards and beam give between being taught and being used: common practice, no source.
U_KEPT_MM, U_KEPT_RAD = 0.1, float(np.radians(0.02))
# Where nothing is open (a single plate is the frame itself), so that nothing is divided by zero.
LEAST_U_MM, LEAST_U_RAD = 1e-3, 1e-6


@dataclass(frozen=True)
class InTargetsPlace:
    """The plate that stands for the target.

    Attributes:
        offset_mm: From the printed origin to the target's reference point, in the plate's frame; None for
            the point of its underside behind the origin.
        u_offset_mm, u_turn_rad: How well plate and target agree, per axis. A plate laid by hand on a
            marked centre and against an edge: common practice, no source.
    """

    plate: int
    offset_mm: tuple[float, float, float] | None = None
    u_offset_mm: float = 0.5
    u_turn_rad: float = float(np.radians(0.1))

    def T_plate_target(self, thickness_mm: float) -> NDArray:
        """(4, 4) the target in the plate's frame."""
        offset_mm = (0.0, 0.0, -thickness_mm) if self.offset_mm is None else self.offset_mm
        return geometry.transform(R_TARGET_PLATE.T, np.array(offset_mm))


@dataclass(frozen=True, eq=False)
class TaughtFixture:
    """A fixture as photos show it.

    Attributes:
        fixture: The kit's entry: mounts in the order of their plates, one target.
        covariance: (6 n, 6 n) of the bodies' tangents, mounts first, then the target; what the photos, the
            sheets and the plate in the target's place leave open, before any allowance.
        inner: (6 n, 6 n) takes from tangents what a movement of the frame explains.
        u_exact_sheets_mm: Largest u of a plate's position if sheets and ruler were exact: what a scale bar
            can better.
        adjustment: What it comes from.
        says: Remarks, in words.
    """

    fixture: Fixture
    covariance: NDArray
    inner: NDArray
    u_exact_sheets_mm: float
    adjustment: Adjustment
    says: tuple[str, ...]


def teach_fixture(
    found: Sequence[FoundPhoto],
    kit: Kit,
    layouts: Mapping[str, Layout],
    name: str,
    stand_in: InTargetsPlace,
    *,
    target: str = "board",
    plates: Collection[int] = (),
    profiles: Sequence[Profile] = (),
) -> TaughtFixture:
    """The entry of the fixture called `name`.

    Args:
        target: What the target is called.
        plates: The fixture's; where none are named those of the kit's entry of this name, else all
            that are seen and are nothing else in the kit.

    Raises:
        KitError: A plate that was named is not in the kit.
        NotEnoughError: A plate is missing, seen too seldom, or photos, rulers, bars contradict each other.
    """
    _need_in_kit(kit, (stand_in.plate, *plates))
    assembled = assemble(found, plates_and_bars(kit), layouts, profiles)
    seen = assembled.network.observed.plates
    on_fixture = _plates_of(kit, name, stand_in.plate, plates, seen)
    _need_views(assembled.network.observed, on_fixture, stand_in.plate)
    adjustment = adjust_from_nothing(assembled.network)
    need_agreement(adjustment)
    need_lengths_agree(adjustment)
    return taught(adjustment, kit, name, target, on_fixture, stand_in, assembled.apart)


def plates_and_bars(kit: Kit) -> Kit:
    """The kit without all that says where a plate is: they may hang anywhere."""
    return replace(kit, clamps=MappingProxyType({}), fixtures=(), floor=(), datum_plates=(), levels=())


def need_agreement(adjustment: Adjustment) -> None:
    """Raise NotEnoughError where the photos contradict each other."""
    if looks_settled(adjustment):
        return
    raise NotEnoughError(
        "The photos contradict each other: a plate was moved between them, two prints carry one number, or "
        "some photos are cropped or zoomed. Fix all plates, touch nothing, and photograph anew."
    )


def need_lengths_agree(adjustment: Adjustment) -> None:
    """Raise NotEnoughError where a sheet's ruler or a bar contradicts the others: all else would be bent."""
    need_bars_agree(adjustment, 0.0)
    statistics = ruler_statistics(adjustment)
    worst = max(statistics, key=lambda plate: statistics[plate], default=-1)
    if statistics and statistics[worst] > ruler_limit(len(statistics)):
        raise NotEnoughError(
            f"The ruler of plate {worst} and the other sheets' disagree about its size. Measure the rulers "
            "again and see that the sheets are flat, or let `plumbsight teach sheets` tell which is wrong."
        )


def ruler_statistics(adjustment: Adjustment) -> dict[int, float]:
    """By plate with a measured ruler: how far the others' sizes contradict it, chi-square with one degree."""
    own, kit = adjustment.network.unknowns.plate_values()[:, 0], adjustment.network.kit
    return {
        number: pull(
            adjustment, own[k : k + 1], np.zeros(1), np.array([[kit.plates[number].u_printed_scale ** 2]])
        ).statistic
        for k, number in enumerate(adjustment.network.observed.plates)
        if kit.plates[number].scale_is_measured
    }


def ruler_limit(n: int) -> float:
    """Of one of n statistics."""
    return float(scipy.stats.chi2.isf(FAMILY_LEVEL / max(n, 1), 1))


def bars_of(adjustment: Adjustment) -> list[DistanceBlock]:
    """The scale bars of which both ends were seen."""
    return [block for block in adjustment.blocks if isinstance(block, DistanceBlock)]


def need_bars_agree(adjustment: Adjustment, worst_sheet: float) -> None:
    """Refuse a bar that all sheets together contradict more than any one sheet contradicts the rest."""
    for block in bars_of(adjustment):
        for group, length_mm in enumerate(block.length_mm):
            statistic = own_residual(adjustment, block, group).statistic
            if statistic > ruler_limit(len(block.length_mm)) and statistic >= worst_sheet:
                raise NotEnoughError(
                    f"The scale bar of {length_mm:g} mm and the sheets' rulers disagree: all rulers were "
                    "read alike wrongly, or the bar's length is wrong. Measure the bar and the rulers again, "
                    "with another rule."
                )


def taught(
    adjustment: Adjustment,
    kit: Kit,
    name: str,
    target: str,
    on_fixture: Sequence[int],
    stand_in: InTargetsPlace,
    says: Sequence[str] = (),
) -> TaughtFixture:
    """As `teach_fixture`, from the adjustment of its photos."""
    o, u, poses = adjustment.network.observed, adjustment.network.unknowns, adjustment.state.poses
    pose_of = {plate: int(u.plate_pose(k)) for k, plate in enumerate(o.plates)}
    used = [*(pose_of[p] for p in on_fixture), pose_of[stand_in.plate]]
    T_plate_target = stand_in.T_plate_target(kit.plates[stand_in.plate].thickness_mm)
    T_world = np.stack([*poses[used[:-1]], poses[used[-1]] @ T_plate_target])
    frame = geometry.transform(T_world[-1, :3, :3], T_world[:-1, :3, 3].mean(0))
    T_fixture = geometry.invert(frame) @ T_world
    G = _tangents(adjustment, used, geometry.invert(T_plate_target))
    raw = G @ adjustment.covariance @ G.T
    raw[-6:, -6:] += np.diag([stand_in.u_offset_mm**2] * 3 + [stand_in.u_turn_rad**2] * 3)
    shared = shared_errors(adjustment, G, SHARED_CAUSES)
    bound, inner = isotropic_bound(raw + shared / SHARED_ALLOWANCE, T_fixture)
    bound = np.hypot(bound, [U_KEPT_MM, U_KEPT_RAD])
    without, _ = isotropic_bound(raw - shared, T_fixture)
    mounts = tuple(
        Mount(plate, T, float(mm), float(rad))
        for plate, T, (mm, rad) in zip(on_fixture, T_fixture, bound, strict=False)
    )
    board = Target(target, T_fixture[-1], float(bound[-1, 0]), float(bound[-1, 1]))
    return TaughtFixture(
        Fixture(name, mounts, (board,)),
        inner @ raw @ inner.T,
        inner,
        float(np.hypot(without[:-1, 0].max(), U_KEPT_MM)),
        adjustment,
        tuple(says),
    )


def isotropic_bound(covariance: NDArray, T_fixture_body: NDArray) -> tuple[NDArray, NDArray]:
    """u of position and of rotation (n, 2) that bound a joint covariance in every direction.

    Args:
        covariance: (6 n, 6 n) of the bodies' tangents, in any frame.
        T_fixture_body: (n, 4, 4) the plates, then the target.

    Returns:
        The bounds, and the projection (6 n, 6 n) on tangents without movement of the frame, in which
        they hold.
    """
    n = len(T_fixture_body)
    A = np.concatenate(list(geometry.adjoint(geometry.invert(T_fixture_body))))
    least = np.array([LEAST_U_MM, LEAST_U_RAD])
    # At first an angle counts by what it does at the plates' distance from their middle, then by its u.
    arm_mm = max(float(np.sqrt((T_fixture_body[:-1, :3, 3] ** 2).sum(1).mean())), 1.0)
    typical = np.array([1.0, 1 / arm_mm])
    for _ in range(N_FRAMES):
        weights = np.tile(np.repeat(typical**-2.0, 3), n) * (np.arange(6 * n) < 6 * (n - 1))
        AW = A.T * weights
        inner = np.eye(6 * n) - A @ np.linalg.solve(AW @ A, AW)
        C = inner @ covariance @ inner.T
        # Largest singular value of each 3 by 3 block: how far positions and rotations go together.
        together = np.linalg.norm(C.reshape(2 * n, 3, 2 * n, 3).swapaxes(1, 2), ord=2, axis=(2, 3))
        own = np.maximum(np.sqrt(np.diag(together)).reshape(n, 2), least)
        typical = np.sqrt((own[:-1] ** 2).mean(0))
    bound = bound_by_rows(together, own.ravel()).reshape(n, 2)
    each = np.repeat(bound, 3, axis=1).ravel()
    worst = np.linalg.eigvalsh(C / np.outer(each, each))[-1]
    return np.maximum(bound * np.sqrt(worst), own), inner


def bound_by_rows(together: NDArray, own: NDArray) -> NDArray:
    """u (k,) of independent blocks that together are no smaller than dependent ones in any direction.

    x' C x is at most the sum over i and j of |x_i| |x_j| c_ij, and with c_ij = own_i own_j r_ij at most
    that of |x_i|^2 own_i^2 (r_i1 + r_i2 + ...): each block takes what goes along with it.

    Args:
        together: (k, k) norms c_ij of the blocks of C.
        own: (k,) roots of their diagonal, or more.
    """
    return own * np.sqrt((together / np.outer(own, own)).sum(1).clip(1.0))


def _tangents(adjustment: Adjustment, used: Sequence[int], T_target_plate: NDArray) -> NDArray:
    """(6 n, columns) the bodies' tangents by the state's; the last plate's as the target's."""
    G = np.zeros((6 * len(used), adjustment.state.n_columns))
    for k, pose in enumerate(used):
        G[6 * k : 6 * k + 6, adjustment.state.pose_columns(pose)] = np.eye(6)
    G[-6:] = geometry.adjoint(T_target_plate) @ G[-6:]
    return G


def shared_errors(adjustment: Adjustment, G: NDArray, causes: Collection[str]) -> NDArray:
    """Q Q' (k, k): what some lines of the budget bring of G C G', for values with the Jacobian G."""
    through = adjustment.covariance @ G.T
    parts = np.zeros((len(G), len(G)))
    for block in adjustment.blocks:
        if block.cause in causes:
            _, J = block.linearise(adjustment.state)
            effects = np.einsum("gmc,gck->gmk", J, through[block.columns]).reshape(-1, len(G))
            parts += effects.T @ effects
    return parts


# --- what must be there --------------------------------------------------------------------------------


def _need_in_kit(kit: Kit, plates: Collection[int]) -> None:
    for plate in plates:
        if plate not in kit.plates:
            known = ", ".join(map(str, kit.plates))
            raise KitError(
                f"Plate {plate} is not in the kit, whose plates are {known}. Read the number off the sheet "
                "again, or add the sheet to the kit's plates."
            )


def _plates_of(
    kit: Kit, name: str, stand_in: int, named: Collection[int], seen: Sequence[int]
) -> tuple[int, ...]:
    entry = next((f for f in kit.fixtures if f.name == name), None)
    if named:
        chosen = set(named)
    elif entry is not None:
        chosen = {m.plate for m in entry.mounts}
    else:
        elsewhere = {clamp.plate for clamp in kit.clamps.values()} | {f.plate for f in kit.floor}
        elsewhere |= {d.plate for d in kit.datum_plates} | {p for bar in kit.scale_bars for p in bar.plates}
        elsewhere |= {m.plate for f in kit.fixtures for m in f.mounts}
        chosen = set(seen) - elsewhere
    if named and stand_in in chosen:
        raise KitError(
            f"Plate {stand_in} cannot be in the target's place and on the fixture. Name another one."
        )
    chosen -= {stand_in}
    if not chosen:
        raise NotEnoughError(
            f"No plate of the fixture {name} is in the photos: those seen ({', '.join(map(str, seen))}) are "
            "elsewhere in the kit. Name the fixture's plates."
        )
    return tuple(sorted(chosen))


def _need_views(observed: Observations, on_fixture: Sequence[int], stand_in: int) -> None:
    for number in (stand_in, *on_fixture):
        index = observed.plates.index(number) if number in observed.plates else -1
        views = int((observed.plate == index).sum())
        if views < FEWEST_VIEWS:
            what = "the plate in the target's place" if number == stand_in else "a plate of the fixture"
            raise NotEnoughError(
                f"Plate {number}, {what}, is in {views} usable photos; {FEWEST_VIEWS} are the least, and "
                "eight from all sides are usual. Photograph it together with the other plates."
            )
