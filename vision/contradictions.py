"""Consistency tests that need no statistics: what contradicts the kit, or what the photos plainly lack."""

from collections.abc import Iterator

import numpy as np

from vision.readings import swapped
from vision.seated import checked_clamps_off
from vision.trial import GAIN_OF_SYMPTOM, Case, ConsistencyTest, plain_test, spoken
from vision.wheelplaces import in_words, likeliest

# Residuals this much above the stated noise mean a model that does not hold; common practice, no source.
# Below it the reported u has been widened by the same factor.
LARGEST_NOISE_FACTOR = 1.5
# Front wheels turned by more than this no longer stand "straight ahead"; common practice, no source.
LARGEST_STEER_DEG = 2.0
# Camber of road vehicles stays within 3 degrees, of lowered ones within 5, and is alike on both sides to 1;
# toe of a wheel stays within 1, at the rear with the thrust angle within 2. What a plate shows beyond that,
# and beyond what its clamp may be tilted by, is a clamp not seated. Common practice, no source.
LARGEST_CAMBER_DEG = 5.0
LARGEST_CROSS_CAMBER_DEG = 3.0
LARGEST_TOE_DEG = 2.0
# Of normal errors one in a thousand is beyond so many u.
FAR_U = 3.3
# A target faces as required or the other way: whichever is nearer.
LARGEST_FACING_OFF_DEG = 90.0
# A mat can also be laid a quarter turn off: whichever quarter is nearest.
LARGEST_MAT_TURN_DEG = 45.0
# Printers are off by some tenths of a per cent; "fit to page" by 3 to 6 (common practice, no source).
LARGEST_UNMEASURED = 0.005
# A printer is blamed only where chance is out of the question, in u; common practice, no source.
SURELY_OFF_U = 4.0
# A plate of which so many points were rejected is not the flat, true print that the model assumes.
LARGEST_REJECTED_SHARE = 0.2
CLAMPS_AS_CHECKED = "clamps as checked"
# A lack, not a contradiction: it ranks below all of those, and judge.py lets it spoil no move.
GAIN_OF_LACK = -1.0


def wheel_places(case: Case) -> Iterator[ConsistencyTest]:
    """Each plate on the wheel that the kit says: sides, faces and ends make only one vehicle of them."""
    poses = {w.wheel: case.adjustment.state.poses[w.pose] for w in case.plan.wheels}
    # A board tells best which way is up and where the front is.
    target = next((t for t in case.plan.targets if not t.is_mat), case.plan.targets[0])
    T_world_target = case.adjustment.state.poses[target.fixture_pose] @ target.target.T_fixture_target
    is_on_floor = any(h.pose >= 0 for h in case.plan.heights)
    up = case.plan.up if is_on_floor or target.is_mat else T_world_target[:3, 2]
    required = target.placement.values.get("distance_mm")
    stands_ahead = np.cos(target.placement.facing_rad) > -0.1
    is_ahead = bool(stands_ahead) if required is None else required.nominal > 0
    arrangement = likeliest(poses, up, T_world_target[:3, 3], is_ahead)
    if arrangement is None:
        problem = "The wheel plates do not face away from the vehicle, two on each side of it."
    else:
        problem = in_words(arrangement, {wheel: clamp.plate for wheel, clamp in case.kit.clamps.items()})
    advice = " Hang them as the kit says, or correct the kit, and photograph again." if problem else ""
    yield plain_test("wheel plates", problem + advice, "each wheel's plate is where the kit says")


def mounted(case: Case) -> Iterator[ConsistencyTest]:
    """Each fixture plate the right way up, in its own place."""
    advice = " Hang it as the kit says, or correct the kit, and photograph again." if case.mounted else ""
    passed = "every fixture plate hangs the right way up in its own place"
    yield plain_test("mounted as in the kit", case.mounted + advice, passed)


def lean(case: Case) -> Iterator[ConsistencyTest]:
    """Each wheel's plate upright, and both of an axle alike, to within camber and the clamps' tilts."""
    wrong = []
    lean_deg, u_deg = {}, {}
    for w in case.plan.wheels:
        out = case.adjustment.state.poses[w.pose][:3, 2]
        lean_deg[w.wheel] = float(np.degrees(np.arcsin(np.clip(out @ case.plan.up, -1, 1))))
        u_deg[w.wheel] = float(np.degrees(w.clamp.u_tilt_rad))
        if abs(lean_deg[w.wheel]) > LARGEST_CAMBER_DEG + FAR_U * u_deg[w.wheel]:
            wrong.append(
                f"The plate of the {spoken(w.wheel)} wheel leans by {abs(lean_deg[w.wheel]):.0f} degrees, "
                "more than a wheel does: seat the clamp anew."
            )
    for axle in ("front", "rear"):
        pair = [f"{axle}_left", f"{axle}_right"]
        if wrong or not set(pair) <= set(lean_deg):
            continue
        off_deg = abs(lean_deg[pair[0]] - lean_deg[pair[1]])
        if off_deg > LARGEST_CROSS_CAMBER_DEG + FAR_U * np.hypot(u_deg[pair[0]], u_deg[pair[1]]):
            wrong.append(
                f"The plates of the two {axle} wheels lean by {off_deg:.1f} degrees against each other, more "
                "than wheels do: seat both clamps anew."
            )
    yield plain_test("clamps upright", " ".join(wrong), "every wheel plate stands upright")


def wheels_in_line(case: Case) -> Iterator[ConsistencyTest]:
    """Each rear wheel's plate along the vehicle, and both front ones along each other, to within toe."""
    wrong = []
    for wheel in ("rear_left", "rear_right"):
        toe_deg, limit_deg = _toe(case, [wheel])
        if abs(toe_deg) > limit_deg:
            wrong.append(
                f"The plate of the {spoken(wheel)} wheel is turned by {abs(toe_deg):.1f} degrees against the "
                "vehicle, more than a wheel is: seat the clamp anew."
            )
    front = [w.wheel for w in case.plan.wheels if w.wheel.startswith("front")]
    if len(front) == 2:  # how far both are turned together is for the steering
        toe_deg, limit_deg = _toe(case, front)
        if abs(toe_deg) > limit_deg:
            wrong.append(
                f"The plates of the front left and the front right wheel are turned by {abs(toe_deg):.1f} "
                "degrees against each other, more than wheels are: seat both clamps anew."
            )
    yield plain_test("wheels in line", " ".join(wrong), "no wheel plate is turned against the others")


def _toe(case: Case, wheels: list[str]) -> tuple[float, float]:
    """Sum of the toe of these wheels, and how large it may be, in degrees."""
    at = [case.reported.keys.index(f"toe_{wheel}_deg") for wheel in wheels]
    u_deg = float(np.sqrt(case.reported.covariance[np.ix_(at, at)].sum()))
    return float(case.reported.values[at].sum()), LARGEST_TOE_DEG + FAR_U * u_deg


def clamps_as_checked(case: Case) -> Iterator[ConsistencyTest]:
    """Clamps that were checked as they hang: none was taken off since."""
    if all(clamp.seated is None for clamp in case.kit.clamps.values()):
        return
    off = checked_clamps_off(case.adjustment, case.kit)
    problem = ""
    if off:
        names = ", ".join(f"the {spoken(w)} wheel (turned by {abs(d):.1f} degrees)" for w, d in off.items())
        problem = (
            f"The clamp on {names} hangs otherwise than when the clamps were checked: it was taken off, or "
            "slipped. What was found of it then no longer holds. Say so on the visit's page; the round is "
            "then measured without it."
        )
    yield plain_test(CLAMPS_AS_CHECKED, problem, "no clamp turned otherwise than the rest since the check")


def facing(case: Case) -> Iterator[ConsistencyTest]:
    """A target must stand on the side of the vehicle that its placement says, and face as it says."""
    for i, target in enumerate(case.plan.targets):
        key = "heading_deg" if target.is_mat else "yaw_deg"
        required = target.placement.values.get(key)
        if required is None or f"{i}:{key}" not in case.reported.keys:
            continue
        off_deg = (case.reported.value(f"{i}:{key}") - required.nominal + 180) % 360 - 180
        problem = ""
        if target.is_mat and abs(off_deg) > LARGEST_MAT_TURN_DEG:
            problem = (
                f"The mat of '{target.placement.name}' lies the wrong way round: it is turned by "
                f"{90 * round(abs(off_deg) / 90)} degrees. Turn it until its mark points as required."
            )
        if not target.is_mat and abs(off_deg) > LARGEST_FACING_OFF_DEG:
            problem = (
                "The vehicle seems to be the other way round: the wheel plates are exchanged crosswise "
                "(front left with rear right, front right with rear left), or the target of "
                f"'{target.placement.name}' faces away."
            )
        yield plain_test(f"facing of {target.placement.name}", problem, "the target faces as required")


def swapped_units(case: Case) -> Iterator[ConsistencyTest]:
    """Each unit in its own place, where several stand or lie."""
    if len({t.fixture_pose for t in case.plan.targets}) > 1:
        problem = swapped(case.plan, case.adjustment)
        yield plain_test("units in their places", problem, "no two units stand in each other's place")


def steering(case: Case) -> Iterator[ConsistencyTest]:
    """The front wheels straight ahead."""
    if "steer_deg" not in case.reported.keys:
        return
    steer_deg = case.reported.value("steer_deg")
    problem = ""
    if abs(steer_deg) > LARGEST_STEER_DEG:
        problem = (
            f"The front wheels are turned {abs(steer_deg):.1f} degrees to the "
            f"{'left' if steer_deg > 0 else 'right'}. "
            "Set the steering straight ahead and photograph again."
        )
    passed = f"the front wheels point {steer_deg:+.1f} degrees off straight ahead"
    yield plain_test("steering straight", problem, passed)


def true_size(case: Case) -> Iterator[ConsistencyTest]:
    """Sheets that nobody measured: are they printed at true size?"""
    unmeasured = [p for p in case.plates if not case.kit.plates[p].scale_is_measured]
    problem = ""
    if unmeasured:
        off, u_off = _off_true_size(case, unmeasured)
        if abs(off) > max(LARGEST_UNMEASURED, SURELY_OFF_U * u_off):
            problem = (
                f"The sheets are printed at about {100 * (1 + off):.1f} % "
                f"(plates {', '.join(map(str, unmeasured))}), not at true size, and nobody measured their "
                "rulers: measure them and enter printed_scale, or print at 100 %."
            )
    passed = "no sheet is known to be printed at another size than it should"
    yield plain_test("prints at true size", problem, passed)


def _off_true_size(case: Case, plates: list[int]) -> tuple[float, float]:
    """By what share these sheets are larger than true size in the mean, and its u."""
    a = case.adjustment
    u = a.network.unknowns
    at = [case.plates.index(p) for p in plates]
    # Each sheet's scale = declared (1 + ruler's error + its own); their mean tells of the printer.
    index = np.r_[u.plate_values()[at, 0], u.ruler_value()]
    weights = np.r_[np.full(len(at), 1 / len(at)), 1.0]
    columns = 6 * len(a.state.poses) + index
    declared = np.mean([case.kit.plates[p].printed_scale_xy for p in plates])
    off = declared * (1 + weights @ a.state.values[index]) - 1
    return float(off), float(np.sqrt(weights @ a.covariance[np.ix_(columns, columns)] @ weights))


def rejected(case: Case) -> Iterator[ConsistencyTest]:
    """Each plate's points fit a flat, true print."""
    a, o = case.adjustment, case.adjustment.network.observed
    bad = []
    for k, plate in enumerate(o.plates):
        groups = o.plate == k
        n_rejected = int(a.rejected[groups].sum())
        n_points = n_rejected + int(o.used[groups].sum())
        if n_rejected > LARGEST_REJECTED_SHARE * n_points:
            bad.append(
                f"Plate {plate}: {n_rejected} of {n_points} points do not fit a flat, true print. "
                "It is bent, partly hidden or reflecting, or stood elsewhere in some photos."
            )
    passed = "the points of every plate fit a flat, true print"
    yield plain_test("points of each plate", " ".join(bad), passed, GAIN_OF_SYMPTOM)


def noise(case: Case) -> Iterator[ConsistencyTest]:
    """The photos fit each other to their own noise."""
    factor = case.adjustment.noise_factor
    ok = factor <= LARGEST_NOISE_FACTOR
    says = f"the photos fit to {factor:.2f} times their own noise"
    if not ok:
        says = (
            f"The photos fit only to {factor:.1f} times their own noise: something in them is not as the "
            "model assumes. If nothing else is named: take the photos again, without zoom, filters or "
            "editing."
        )
    yield ConsistencyTest("noise of the photos", ok, factor, LARGEST_NOISE_FACTOR, says, GAIN_OF_SYMPTOM)


def optimum(case: Case) -> Iterator[ConsistencyTest]:
    """The adjustment reached its optimum."""
    problem = ""
    if not case.adjustment.solution.converged:
        problem = "The adjustment did not reach its optimum. Take more photos of fixture and wheels together."
    yield plain_test("optimum reached", problem, "the adjustment reached its optimum")


def scale_known(case: Case) -> Iterator[ConsistencyTest]:
    """Something beside the printed rulers confirms the scale."""
    has_wheelbase = case.vehicle.wheelbase_mm is not None and case.plan.front_from != ""
    problem = ""
    if not case.bars and not has_wheelbase:
        problem = (
            "Scale rests on the printed rulers alone. Declare the vehicle's wheelbase (wheelbase_mm), or lay "
            "a scale bar."
        )
    passed = "a declared wheelbase or a scale bar confirms the scale"
    yield plain_test("scale has a second source", problem, passed, GAIN_OF_LACK)
