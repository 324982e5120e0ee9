"""Statistical consistency tests of what was declared: prints, mounts, scale bars, floor and vehicle."""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from vision.adjust import Adjustment
from vision.blocks import DistanceBlock, MountBlock
from vision.floorplane import cov_of_heights
from vision.frame import U_SETBACK_MM, FramePlan, height_points, wheel_centres
from vision.hypotheses import Score, own_residual, pull
from vision.kit import Vehicle
from vision.placement import Reported
from vision.trial import FOUND_95, Case, ConsistencyTest, Tried, family, limit_of, spoken

ALL_SHEETS = "scale of all sheets"
EACH_SHEET = "scale of each sheet"
# "Fit to page" takes off 3 to 6 %, two pages on one sheet 30 %; common practice, no source.
MOST_SCALE = 0.5
# Statistics that differ by less tell causes apart with odds of less than e^5.
ALIKE = 10.0
# Three heights make a plane; from four on they check each other.
FEWEST_HEIGHTS = 4
# By how much the centres of an axle's wheels differ in height where nothing is wrong: tyres, load, and the
# floor under the wheels. Common practice, no source.
U_HEIGHTS_MM = 6.0
# A height of which the others check so small a share is not checked at all; rounding is far below.
LEAST_CHECKED = 1e-6


def wheelbase(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Mean of both sides against the declared one: half a set-back on each side cancels."""
    declared, keys = case.vehicle.wheelbase_mm, ("wheelbase_left_mm", "wheelbase_right_mm")
    at = [case.reported.keys.index(k) for k in keys if k in case.reported.keys]
    if declared is None or not at:
        return
    mean = float(case.reported.values[at].mean())
    u = float(np.sqrt(case.reported.covariance[np.ix_(at, at)].mean()))
    off = mean - declared
    says = (
        f"The wheelbase measures {mean:.0f} mm but {declared:.0f} mm is declared ({off:+.0f} mm, "
        f"{100 * off / declared:+.1f} %). Either all sheets were printed to another scale than the kit says "
        "(measure their rulers; print at 100 %), or the declared wheelbase is wrong."
    )
    passed = f"the wheelbase measures {mean:.1f} mm, declared {declared:.0f} mm"
    tried = Tried(_score_of(off, float(np.hypot(u, case.vehicle.u_wheelbase_mm))), says)
    yield from family("scale confirmed by the wheelbase", passed, [tried], level)


def tracks(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Each axle's track against the declared one."""
    tried = []
    for key, (nominal, u) in declared_tracks(case.vehicle, case.reported).items():
        axle, measured = key.split("_")[1], case.reported.value(key)
        plates = [str(c.plate) for wheel, c in case.kit.clamps.items() if wheel.startswith(axle)]
        says = (
            f"The track {axle} measures {measured:.0f} mm but {nominal:.0f} mm is declared. Check "
            f"the rulers of the sheets {' and '.join(plates)} (one printed at 97 % looks farther away), "
            "their clamps' seats and standoffs, and the declared track."
        )
        tried.append(Tried(_score_of(measured - nominal, u), says))
    yield from family("declared track", "the tracks are as declared", tried, level)


def declared_tracks(vehicle: Vehicle, reported: Reported) -> dict[str, tuple[float, float]]:
    """Of the tracks that were measured and declared: declared length, and u of their difference."""
    declared = {
        "track_front_mm": (vehicle.track_front_mm, vehicle.u_track_front_mm),
        "track_rear_mm": (vehicle.track_rear_mm, vehicle.u_track_rear_mm),
    }
    return {
        key: (nominal, float(np.hypot(reported.u(key), u)))
        for key, (nominal, u) in declared.items()
        if nominal is not None and key in reported.keys
    }


def sides_alike(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """What a vehicle has alike on its left and right: its wheelbase, and how high each axle's wheels stand.

    A clamp off its seat moves one wheel's centre, so both for its axle, and no other test sees it.
    """
    tried = []
    for axle in ("front", "rear"):
        pairs = {
            "the wheelbase is {:.0f} mm on the left and {:.0f} mm on the right": (
                ("wheelbase_left_mm", "wheelbase_right_mm"),
                U_SETBACK_MM,
            ),
            f"the {axle} wheels' centres stand {{:.0f}} mm (left) and {{:.0f}} mm (right) above the floor": (
                (f"wheel_height_{axle}_left_mm", f"wheel_height_{axle}_right_mm"),
                U_HEIGHTS_MM,
            ),
        }
        had = {words: one for words, one in pairs.items() if set(one[0]) <= set(case.reported.keys)}
        if had:
            tried.append(_alike(case, axle, had))
    yield from family("both sides alike", "wheelbase and wheel heights are alike on both sides", tried, level)


def _alike(case: Case, axle: str, pairs: Mapping[str, tuple[tuple[str, str], float]]) -> Tried:
    """Left minus right of some facts, by their words, all at once; each may differ by its u."""
    left, right = ([case.reported.keys.index(keys[k]) for keys, _ in pairs.values()] for k in (0, 1))
    values, covariance = case.reported.values, case.reported.covariance
    off = values[left] - values[right]
    D = np.zeros((len(pairs), len(values)))
    D[range(len(pairs)), left], D[range(len(pairs)), right] = 1, -1
    V = D @ covariance @ D.T + np.diag([u_mm**2 for _, u_mm in pairs.values()])
    facts = [words.format(values[i], values[j]) for words, i, j in zip(pairs, left, right, strict=True)]
    says = (
        f"Left and right differ: {', and '.join(facts)}. Look whether both clamps of the {axle} axle sit on "
        "their seats, whether a tyre is flat, and whether both wheels stand on the same floor."
    )
    return Tried(Score(float(off @ np.linalg.solve(V, off)), len(off), off), says)


def _score_of(off: float, u: float) -> Score:
    """One value that is off by so much, with the standard uncertainty u."""
    return Score((off / u) ** 2, 1, np.array([off]))


def _score_of_vector(off: NDArray, covariance: NDArray) -> Score:
    return Score(float(off @ np.linalg.solve(covariance, off)), len(off), off)


def all_sheets(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """One scale error common to all sheets."""
    score = case.scores.scaled(np.arange(len(case.adjustment.network.observed.photo)))
    says = (
        f"All sheets seem to be printed {_share(score)} off what the kit says, judged by "
        "the distances on the fixture. Measure the printed rulers again; print at 100 %, not fitted to the "
        "page."
    )
    passed = "all sheets together have the scale that the kit says"
    tried = Tried(score, says, is_likely_size=_is_a_print(score))
    yield from family(ALL_SHEETS, passed, [tried], level)


def sheet_scale(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Each sheet's scale against what the kit says."""
    tried = []
    for plate in case.plates:
        score = case.scores.scaled(case.groups_of([plate]))
        says = (
            f"Plate {plate} seems to be printed {_share(score)} off the scale that the kit "
            "says. Measure its printed ruler and enter printed_scale, or print it again at 100 %."
        )
        tried.append(Tried(score, says, is_likely_size=_is_a_print(score)))
    yield from family(EACH_SHEET, "every sheet has the scale that the kit says", tried, level)


def _is_a_print(score: Score) -> bool:
    """Whether a sheet's scale is one that printers make."""
    return bool(abs(score.estimate[0]) < MOST_SCALE)


def _share(score: Score) -> str:
    return f"{100 * score.estimate[0]:+.1f} %" if _is_a_print(score) else "far"


def sheet_shape(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Each sheet's bows and x-y difference against what the kit allows."""
    a, index = case.adjustment, case.adjustment.network.unknowns.plate_values()
    tried = []
    for k, number in enumerate(case.plates):
        p = case.kit.plates[number]
        U = np.diag(np.array([p.u_scale_difference, p.u_bow_mm, p.u_bow_mm]) ** 2)
        score = pull(a, index[k, 1:4], np.zeros(3), U)
        stretch, bow_x, bow_y = score.estimate
        says = (
            f"Plate {number} is bent or stretched beyond what the kit allows (bow {abs(bow_x):.1f} and "
            f"{abs(bow_y):.1f} mm, width against height {100 * stretch:+.2f} %). Stick it on a flat, stiff "
            "board."
        )
        tried.append(Tried(score, says))
    yield from family("shape of each sheet", "every sheet is flat and evenly printed", tried, level)


def mounts(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Each plate's place on its fixture against what the kit says."""
    a = case.adjustment
    mat_of = {m.plate: f.name for f in case.kit.fixtures if f.is_mat for m in f.mounts}
    on_fixtures, on_mats = [], []
    for block in (b for b in a.blocks if isinstance(b, MountBlock)):
        for m, pose in enumerate(block.plate_pose):
            plate = _plate_of(case, int(pose))
            score = own_residual(a, block, m)
            if plate in mat_of:
                off = score.estimate[:3] * block.u[m, :3]
                says = (
                    f"Plate {plate} does not lie on the mat {mat_of[plate]} where the kit says "
                    f"({np.hypot(*off[:2]):.0f} mm off in the plane, {abs(off[2]):.0f} mm out of it): the "
                    "mat is folded, bulged or stretched near it. Smooth it, or measure its plates again."
                )
                on_mats.append(Tried(score, says))
                continue
            says = (
                f"Plate {plate} does not sit on its fixture where the kit says. Check "
                "its place, its number and which way up it is; or measure its position again and correct "
                "the kit."
            )
            on_fixtures.append(Tried(score, says))
    shared = level / 2 if on_fixtures and on_mats else level
    passed = "the fixtures' plates sit where the kit says"
    yield from family("plates on fixtures", passed, on_fixtures, shared)
    yield from family("mats lie flat", "the mats' plates lie where the kit says", on_mats, shared)


def bars(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Each scale bar's length against the declared one."""
    a = case.adjustment
    tried = []
    for block in (b for b in a.blocks if isinstance(b, DistanceBlock)):
        for m, bar in enumerate(case.bars):
            says = (
                f"The scale bar between plates {bar.plates[0]} and {bar.plates[1]} is not "
                f"{bar.length_mm:.1f} mm long by the photos. Check the length that was entered, and that "
                "the bar is straight."
            )
            tried.append(Tried(own_residual(a, block, m), says))
    yield from family("scale bars", "the scale bars have their declared lengths", tried, level)


def floor(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Each floor plate's height above the plane through all, against flatness and measurement."""
    if not floor_is_checked(case.plan):
        return
    h, P, checked = heights_off_plane(case.plan, case.adjustment)
    found = []
    for k in checked:
        e, p = float(P[k] @ h), float(P[k, k])
        found.append((_height_words(case, k), Score(e * e / p, 1, np.array([e / p]))))
    tried = [Tried(score, _floor_words(what, score, found)) for what, score in found]
    yield from family("floor", "the floor plates lie in one plane within the kit's flatness", tried, level)


def floor_tilts(case: Case, level: float) -> Iterator[ConsistencyTest]:
    """Each floor plate's own normal against the plane through all."""
    tried = []
    for tilt in case.plan.tilts:
        plate = _plate_of(case, case.plan.heights[tilt.height].pose)
        says = (
            f"Floor plate {plate} is tilted by {np.degrees(np.linalg.norm(tilt.rad)):.1f} degrees against "
            "the floor, more than the kit's flatness allows. Look for a ramp, a ridge or something under it, "
            "or a bent board; lay it flat elsewhere."
        )
        tried.append(Tried(_score_of_vector(tilt.rad, tilt.covariance), says))
    yield from family("floor plates lie flat", "the floor plates lie flat on the floor", tried, level)


def floor_is_checked(plan: FramePlan) -> bool:
    """Whether the heights check each other."""
    return len(plan.heights) >= FEWEST_HEIGHTS and plan.height_known


def heights_off_plane(plan: FramePlan, adjustment: Adjustment) -> tuple[NDArray, NDArray, list[int]]:
    """Heights h (k,) above those declared, P (k, k), and which of them the others check.

    Baarda's w-test: with W = V^-1 and P = W - W A (A' W A)^-1 A' W, height k is off by e_k / P_kk with the
    variance 1 / P_kk, where e = P h (W. Baarda, A testing procedure for use in geodetic networks, 1968).
    """
    centres, _ = wheel_centres(plan, adjustment.state.poses, np.zeros(len(plan.inputs)))
    points = height_points(plan, adjustment.state.poses, centres)
    local = points - points.mean(0)
    h = local @ plan.up - [height.height_mm for height in plan.heights]
    V, A = cov_of_heights(plan, adjustment), _plane_design(local, plan.up)
    W = np.linalg.inv(V)
    P = W - W @ A @ np.linalg.solve(A.T @ W @ A, A.T @ W)
    return h, P, [k for k in range(len(h)) if P[k, k] >= LEAST_CHECKED / V[k, k]]


def raised_unseen_mm(plan: FramePlan, adjustment: Adjustment, level: float) -> dict[int, float]:
    """By how much each floor plate may be raised and still be missed in more than five of a hundred sets.

    Baarda's internal reliability of the test `floor`; infinite where nothing checks the plate.
    """
    if not plan.height_known:
        return {}
    laid = [k for k, height in enumerate(plan.heights) if height.pose >= 0]
    n_photos, plates = adjustment.network.unknowns.n_photos, adjustment.network.observed.plates
    found = {plates[plan.heights[k].pose - n_photos]: np.inf for k in laid}
    if floor_is_checked(plan):
        _, P, checked = heights_off_plane(plan, adjustment)
        sure = np.sqrt(limit_of(level / len(checked), 1)) + FOUND_95 if checked else np.inf
        found |= {
            plates[plan.heights[k].pose - n_photos]: float(sure / np.sqrt(P[k, k]))
            for k in set(laid) & set(checked)
        }
    return found


def _plane_design(local: NDArray, up: NDArray) -> NDArray:
    """Columns (n, 3) of a plane's two slopes and its height."""
    e1 = np.cross(up, np.eye(3)[np.argmin(np.abs(up))])
    e1 = e1 / np.linalg.norm(e1)
    return np.c_[local @ e1, local @ np.cross(up, e1), np.ones(len(local))]


def _height_words(case: Case, k: int) -> str:
    height = case.plan.heights[k]
    if height.pose >= 0:
        return f"Floor plate {_plate_of(case, height.pose)}"
    return f"The {spoken(case.plan.wheels[height.wheel].wheel)} wheel's declared radius"


def _floor_words(what: str, score: Score, found: Sequence[tuple[str, Score]]) -> str:
    """What lies off the plane, and what may do so instead: with few plates the heights tell no better."""
    alike = [other for other, s in found if other != what and s.statistic > score.statistic - ALIKE]
    instead = f" (or else: {', '.join(alike).lower()})" if alike else ""
    return (
        f"{what} is {score.estimate[0]:+.1f} mm off the plane through the others, more than the kit's "
        f"flatness allows{instead}. Look for a ramp, a ridge or something under it; lay it elsewhere."
    )


def _plate_of(case: Case, pose: int) -> int:
    """The number of the plate with this pose: plates come after the photos."""
    return case.plates[pose - case.adjustment.network.unknowns.n_photos]
