"""Does everything that was photographed agree with itself and with what was declared? In words.

A wrong set-up can fit its photos to the noise, so a chi-square alone guards nothing. Each mistake that
photos of plates can show is a hypothesis of its own. The statistical tests together raise a false alarm
in FAMILY_LEVEL of correct sets; those that fail are ranked by how much of the misfit their cause explains,
so that the likeliest cause comes first.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import scipy.stats

from vision.adjust import Adjustment
from vision.blocks import DistanceBlock, MountBlock
from vision.frame import FramePlan, height_points, wheel_centres
from vision.hypotheses import SaddleScores, Score, own_residual, pull
from vision.kit import Kit, Vehicle
from vision.observe import Sighting
from vision.parameters import LensPrior
from vision.placement import Reported, cov_of_heights
from vision.wheelplaces import in_words, likeliest

FAMILY_LEVEL = 0.003
# Residuals this much above the stated noise mean a model that does not hold; common practice, no source.
# Below it the reported u has been widened by the same factor.
LARGEST_NOISE_FACTOR = 1.5
# Front wheels turned by more than this no longer stand "straight ahead"; common practice, no source.
LARGEST_STEER_DEG = 2.0
# A wheel's plate leans by camber and clamp tilt, a few degrees; more is a clamp not seated, or a plate
# that hangs on something else. Common practice, no source.
LARGEST_LEAN_DEG = 15.0
# Printers are off by some tenths of a per cent; "fit to page" by 3 to 6 (common practice, no source).
LARGEST_UNMEASURED = 0.005
# A nudge of this size must show, or the result says that it might not.
LARGEST_UNSEEN_MM = 8.0
# Statistics that differ by less tell causes apart with odds of less than e^5.
ALIKE = 10.0
# Scores are linear: of the misfit of a mistake as large as 3 % in scale they miss so much, as a share.
SCORE_ERROR = 0.03
ALL_SHEETS = "scale of all sheets"
# Fixtures are nudged and vehicles creep more often than one plate slips, and a printer that fits to the
# page does so to all sheets: where the photos tell them hardly apart, these are named. In units of a gain,
# odds of e^5; common practice, no source.
BODY_ODDS = 10.0
# A plate of which so many points were rejected is not the flat, true print that the model assumes.
LARGEST_REJECTED_SHARE = 0.2


@dataclass(frozen=True)
class ConsistencyTest:
    """One test and what it says.

    Attributes:
        ok: Passed.
        statistic, limit: Compared; for yes-no tests 0 or 1 against 0.
        gain: How much better the test's hypothesis describes the photos, less two per unknown; infinite
            for contradictions that need no statistics.
        moved: For movement: the body and the index of the first photo after it; else None.
    """

    name: str
    ok: bool
    statistic: float
    limit: float
    says: str
    gain: float = 0.0
    moved: tuple[str, int] | None = None


@dataclass(frozen=True, eq=False)
class _Case:
    """What the tests look at."""

    adjustment: Adjustment
    plan: FramePlan
    reported: Reported
    kit: Kit
    vehicle: Vehicle
    sightings: Sequence[Sighting]
    scores: SaddleScores
    mounted: str

    @property
    def plates(self) -> tuple[int, ...]:
        return self.adjustment.network.observed.plates

    def groups_of(self, plates: Iterable[int]) -> np.ndarray:
        index = [self.plates.index(p) for p in plates if p in self.plates]
        return np.flatnonzero(np.isin(self.adjustment.network.observed.plate, index))


def check_consistency(
    adjustment: Adjustment,
    plan: FramePlan,
    reported: Reported,
    kit: Kit,
    vehicle: Vehicle,
    sightings: Sequence[Sighting],
    mounted: str = "",
    beforehand: Sequence[ConsistencyTest] = (),
) -> tuple[ConsistencyTest, ...]:
    """All tests: those that failed first, the likeliest cause on top, then those that passed.

    Args:
        mounted: What mountcheck.adjust_as_hung says of the fixtures' plates.
        beforehand: What the photos say of themselves (roundcheck.check_round).
    """
    case = _Case(adjustment, plan, reported, kit, vehicle, sightings, SaddleScores(adjustment), mounted)
    level = FAMILY_LEVEL / len(_STATISTICAL)
    plain = [test for check in _PLAIN for test in check(case)]
    if adjustment.noise_factor > LARGEST_NOISE_FACTOR:
        # Where the photos do not fit each other, crooked wheels are a consequence, not the cause.
        plain = [replace(test, gain=min(test.gain, 0.0)) for test in plain]
    plain = [*beforehand, *plain]
    statistical = [test for check in _STATISTICAL for test in check(case, level)]
    failed = sorted((t for t in plain + statistical if not t.ok), key=_unlikeliness)
    first, rest = failed[:1], [replace(t, says=f"Perhaps only a consequence: {t.says}") for t in failed[1:]]
    return (*first, *rest, *(t for t in plain + statistical if t.ok))


def _unlikeliness(test: ConsistencyTest) -> float:
    """What failed tests are ranked by, the likeliest cause lowest."""
    is_body = test.moved is not None and not test.moved[0].startswith("plate")
    if is_body or test.name == ALL_SHEETS:
        return -(test.gain * (1 + SCORE_ERROR) + BODY_ODDS)
    return -test.gain


def not_checked(kit: Kit, plan: FramePlan, vehicle: Vehicle) -> tuple[str, ...]:
    """What a single round of photos cannot see; its possible size is in u as far as the kit states it."""
    out = ["clamp seating (a clamp off its seat moves a wheel centre unseen)"]
    if not any(bar for bar in kit.scale_bars):
        out.append("the length of the ruler that measured the prints, beyond what the wheelbase tells")
    out += [
        "tyre pressures, ride height and load",
        "where the target sits on its fixture, beyond what the kit states",
        "whether the required values are right for this vehicle",
    ]
    return tuple(out)


# --- the shape of a test ------------------------------------------------------------------------


def _limit(level: float, dof: int) -> float:
    return float(scipy.stats.chi2.isf(level, max(dof, 1)))


@dataclass(frozen=True, eq=False)
class _Tried:
    """One hypothesis of a family: its score, and the words if it is true."""

    score: Score
    says: Callable[[], str]
    moved: tuple[str, int] | None = None


def _family(name: str, passed: str, tried: Sequence[_Tried], level: float) -> Iterator[ConsistencyTest]:
    """One test over many hypotheses: the one with the largest gain stands for all (Bonferroni)."""
    usable = [t for t in tried if t.score.dof]
    if not usable:
        return

    def excess(t: _Tried) -> float:
        return t.score.statistic / _limit(level / len(usable), t.score.dof)

    worst = max(usable, key=excess)
    limit = _limit(level / len(usable), worst.score.dof)
    ok = worst.score.statistic <= limit
    if not ok:
        worst = max((t for t in usable if excess(t) > 1), key=lambda t: t.score.gain)
        limit = _limit(level / len(usable), worst.score.dof)
    yield ConsistencyTest(
        name, ok, worst.score.statistic, limit, passed if ok else worst.says(), worst.score.gain, worst.moved
    )


def plain_test(name: str, problem: str, passed: str) -> ConsistencyTest:
    """A test that needs no statistics: it fails where there are words for a problem."""
    return ConsistencyTest(
        name, not problem, float(bool(problem)), 0.0, problem or passed, np.inf if problem else 0.0
    )


def _by(score: Score) -> str:
    """A six-term displacement in words."""
    return (
        f"by about {np.linalg.norm(score.estimate[:3]):.1f} mm and "
        f"{np.degrees(np.linalg.norm(score.estimate[3:])):.2f} degrees"
    )


def _say(name: str) -> str:
    return name.replace("_", " ")


# --- plain tests: contradictions that need no statistics ------------------------------------------


def _wheel_places(case: _Case) -> Iterator[ConsistencyTest]:
    """Each plate on the wheel that the kit says: sides, faces and ends make only one vehicle of them."""
    poses = {w.wheel: case.adjustment.state.poses[w.pose] for w in case.plan.wheels}
    target = case.plan.targets[0]
    T_world_target = case.adjustment.state.poses[target.fixture_pose] @ target.target.T_fixture_target
    is_on_floor = any(h.pose >= 0 for h in case.plan.heights)
    up = case.plan.up if is_on_floor else T_world_target[:3, 2]
    required = target.placement.values.get("distance_mm")
    is_ahead = required is None or required.nominal > 0
    arrangement = likeliest(poses, up, T_world_target[:3, 3], is_ahead)
    if arrangement is None:
        problem = "The wheel plates do not face away from the vehicle, two on each side of it."
    else:
        problem = in_words(arrangement, {wheel: clamp.plate for wheel, clamp in case.kit.clamps.items()})
    advice = " Hang them as the kit says, or correct the kit, and photograph again." if problem else ""
    yield plain_test("wheel plates", problem + advice, "each wheel's plate is where the kit says")


def _mounted(case: _Case) -> Iterator[ConsistencyTest]:
    advice = " Hang it as the kit says, or correct the kit, and photograph again." if case.mounted else ""
    passed = "every fixture plate hangs the right way up in its own place"
    yield plain_test("mounted as in the kit", case.mounted + advice, passed)


def _lean(case: _Case) -> Iterator[ConsistencyTest]:
    poses = case.adjustment.state.poses
    wrong = [
        f"The plate of the {_say(w.wheel)} wheel leans by {lean:.0f} degrees: seat the clamp anew."
        for w in case.plan.wheels
        if (lean := float(np.degrees(np.arcsin(abs(np.clip(poses[w.pose][:3, 2] @ case.plan.up, -1, 1))))))
        > LARGEST_LEAN_DEG
    ]
    yield plain_test("clamps upright", " ".join(wrong), "every wheel plate stands upright")


def _facing(case: _Case) -> Iterator[ConsistencyTest]:
    """A target must stand on the side of the vehicle that its placement says, and face as it says."""
    for i, target in enumerate(case.plan.targets):
        required = target.placement.values.get("yaw_deg")
        if required is None or f"{i}:yaw_deg" not in case.reported.keys:
            continue
        off = (case.reported.value(f"{i}:yaw_deg") - required.nominal + 180) % 360 - 180
        problem = ""
        if abs(off) > 90:
            problem = (
                "The vehicle seems to be the other way round: the wheel plates are exchanged crosswise "
                "(front left with "
                f"rear right, front right with rear left), or the target of '{target.placement.name}' faces "
                f"away."
            )
        yield plain_test(f"facing of {target.placement.name}", problem, "the target faces as required")


def _rejected(case: _Case) -> Iterator[ConsistencyTest]:
    rejected, o = case.adjustment.rejected, case.adjustment.network.observed
    bad = []
    for k, plate in enumerate(o.plates):
        groups = o.plate == k
        n_rejected, n_used = int(rejected[groups].sum()), int(o.used[groups].sum())
        if n_rejected > LARGEST_REJECTED_SHARE * (n_rejected + n_used):
            bad.append(
                f"Plate {plate}: {n_rejected} of {n_rejected + n_used} points do not fit a flat, true "
                f"print. It is bent, "
                "partly hidden or reflecting, or stood elsewhere in some photos."
            )
    # Points are also rejected where a whole body moved: such causes, which explain more, come first.
    yield ConsistencyTest(
        "points of each plate", not bad, float(bool(bad)), 0.0,
        " ".join(bad) or "the points of every plate fit a flat, true print", 0.0,
    )  # fmt: skip


def _noise(case: _Case) -> Iterator[ConsistencyTest]:
    factor = case.adjustment.noise_factor
    ok = factor <= LARGEST_NOISE_FACTOR
    says = f"the photos fit to {factor:.2f} times their own noise"
    if not ok:
        says = (
            f"The photos fit only to {factor:.1f} times their own noise: something in them is not as the "
            f"model assumes. "
            "If nothing else is named: take the photos again, without zoom, filters or editing."
        )
    yield ConsistencyTest("noise of the photos", ok, factor, LARGEST_NOISE_FACTOR, says, 0.0)


def _optimum(case: _Case) -> Iterator[ConsistencyTest]:
    solution = case.adjustment.solution
    problem = (
        ""
        if solution.converged
        else "The adjustment did not reach its optimum. Take more photos of fixture and wheels together."
    )
    yield plain_test("optimum reached", problem, "the adjustment reached its optimum")


def _true_size(case: _Case) -> Iterator[ConsistencyTest]:
    """Sheets that nobody measured: are they printed at true size?"""
    a, plates = case.adjustment, case.kit.plates
    u = a.network.unknowns
    unmeasured = [k for k, number in enumerate(case.plates) if not plates[number].scale_is_measured]
    problem = ""
    if unmeasured:
        # Each sheet's scale = declared (1 + ruler's error + its own); their mean tells of the printer.
        index = np.r_[u.plate_values()[unmeasured, 0], u.ruler_value()]
        weights = np.r_[np.full(len(unmeasured), 1 / len(unmeasured)), 1.0]
        columns = 6 * len(a.state.poses) + index
        declared = np.mean([plates[case.plates[k]].printed_scale_xy for k in unmeasured])
        off = declared * (1 + weights @ a.state.values[index]) - 1
        u_off = float(np.sqrt(weights @ a.covariance[np.ix_(columns, columns)] @ weights))
        if abs(off) > max(LARGEST_UNMEASURED, 4 * u_off):
            numbers = ", ".join(str(case.plates[k]) for k in unmeasured)
            problem = (
                f"The sheets are printed at about {100 * (1 + off):.1f} % (plates {numbers}), not at true "
                f"size, and "
                "nobody measured their rulers: measure them and enter printed_scale, or print at 100 %."
            )
    yield plain_test(
        "prints at true size", problem, "no sheet is known to be printed at another size than it should"
    )


def _scale_known(case: _Case) -> Iterator[ConsistencyTest]:
    seen = set(case.plates)
    bars = [b for b in case.kit.scale_bars if set(b.plates) <= seen]
    has_wheelbase = case.vehicle.wheelbase_mm is not None and case.plan.front_from != ""
    problem = "" if bars or has_wheelbase else (
        "Scale rests on the printed rulers alone. Declare the vehicle's wheelbase (wheelbase_mm), or lay a "
        "scale bar."
    )  # fmt: skip
    yield ConsistencyTest(
        "scale has a second source", not problem, float(bool(problem)), 0.0,
        problem or "a declared wheelbase or a scale bar confirms the scale", -1.0,
    )  # fmt: skip


def _steering(case: _Case) -> Iterator[ConsistencyTest]:
    if "steer_deg" not in case.reported.keys:
        return
    steer = case.reported.value("steer_deg")
    problem = "" if abs(steer) <= LARGEST_STEER_DEG else (
        f"The front wheels are turned {abs(steer):.1f} degrees to the {'left' if steer > 0 else 'right'}. "
        f"Set the steering "
        "straight ahead and photograph again."
    )  # fmt: skip
    yield plain_test(
        "steering straight", problem, f"the front wheels point {steer:+.1f} degrees off straight ahead"
    )


# --- statistical tests ----------------------------------------------------------------------------


def _wheelbase(case: _Case, level: float) -> Iterator[ConsistencyTest]:
    """Mean of both sides against the declared one: half a set-back on each side cancels."""
    declared, keys = case.vehicle.wheelbase_mm, ("wheelbase_left_mm", "wheelbase_right_mm")
    at = [case.reported.keys.index(k) for k in keys if k in case.reported.keys]
    if declared is None or not at:
        return
    mean = float(case.reported.values[at].mean())
    u = float(np.sqrt(case.reported.covariance[np.ix_(at, at)].mean()))
    off = mean - declared
    z = off / np.hypot(u, case.vehicle.u_wheelbase_mm)

    def says() -> str:
        return (
            f"The wheelbase measures {mean:.0f} mm but {declared:.0f} mm is declared ({off:+.0f} mm, "
            f"{100 * off / declared:+.1f} %). Either all sheets were printed to another scale than the kit "
            f"says (measure "
            "their rulers; print at 100 %), or the declared wheelbase is wrong."
        )

    yield from _family(
        "scale confirmed by the wheelbase",
        f"the wheelbase measures {mean:.1f} mm, declared {declared:.0f} mm",
        [_Tried(Score(z * z, 1, np.array([off])), says)],
        level,
    )


def _all_sheets(case: _Case, level: float) -> Iterator[ConsistencyTest]:
    score = case.scores.scaled(np.arange(len(case.adjustment.network.observed.photo)))

    def says() -> str:
        return (
            f"All sheets seem to be printed {100 * (score.estimate[0]):+.1f} % off what the kit says, "
            f"judged by the "
            "distances on the fixture. Measure the printed rulers again; print at 100 %, not fitted to the "
            "page."
        )

    yield from _family(
        ALL_SHEETS,
        "all sheets together have the scale that the kit says",
        [_Tried(score, says)],
        level,
    )


def _sheet_scale(case: _Case, level: float) -> Iterator[ConsistencyTest]:
    def says(plate: int, score: Score) -> str:
        return (
            f"Plate {plate} seems to be printed {100 * score.estimate[0]:+.1f} % off the scale that the kit "
            f"says. Measure "
            "its printed ruler and enter printed_scale, or print it again at 100 %."
        )

    tried = []
    for plate in case.plates:
        score = case.scores.scaled(case.groups_of([plate]))
        tried.append(_Tried(score, partial(says, plate, score)))
    yield from _family("scale of each sheet", "every sheet has the scale that the kit says", tried, level)


def _sheet_shape(case: _Case, level: float) -> Iterator[ConsistencyTest]:
    a, index = case.adjustment, case.adjustment.network.unknowns.plate_values()

    def says(plate: int, score: Score) -> str:
        stretch, bow_x, bow_y = score.estimate
        return (
            f"Plate {plate} is bent or stretched beyond what the kit allows (bow {abs(bow_x):.1f} and "
            f"{abs(bow_y):.1f} mm, "
            f"width against height {100 * stretch:+.2f} %). Stick it on a flat, stiff board."
        )

    tried = []
    for k, number in enumerate(case.plates):
        p = case.kit.plates[number]
        U = np.diag(np.array([p.u_scale_difference, p.u_bow_mm, p.u_bow_mm]) ** 2)
        score = pull(a, index[k, 1:4], np.zeros(3), U)
        tried.append(_Tried(score, partial(says, number, score)))
    yield from _family("shape of each sheet", "every sheet is flat and evenly printed", tried, level)


def _mounts(case: _Case, level: float) -> Iterator[ConsistencyTest]:
    blocks = [b for b in case.adjustment.blocks if isinstance(b, MountBlock)]
    tried = []
    for block in blocks:
        for m, pose in enumerate(block.plate_pose):
            plate = case.plates[int(pose) - case.adjustment.network.unknowns.n_photos]
            score = own_residual(case.adjustment, block, m)
            says = (
                f"Plate {plate} does not sit on its fixture where the kit says. Check its place, its number "
                f"and which way "
                "up it is; or measure its position again and correct the kit."
            )
            tried.append(_Tried(score, partial(str, says)))
    yield from _family("plates on fixtures", "the fixtures' plates sit where the kit says", tried, level)


def _bars(case: _Case, level: float) -> Iterator[ConsistencyTest]:
    bars = [b for b in case.kit.scale_bars if set(b.plates) <= set(case.plates)]
    tried = []
    for block in case.adjustment.blocks:
        if isinstance(block, DistanceBlock):
            for m, bar in enumerate(bars):
                score = own_residual(case.adjustment, block, m)
                says = (
                    f"The scale bar between plates {bar.plates[0]} and {bar.plates[1]} is not "
                    f"{bar.length_mm:.1f} mm long by "
                    "the photos. Check the length that was entered, and that the bar is straight."
                )
                tried.append(_Tried(score, partial(str, says)))
    yield from _family("scale bars", "the scale bars have their declared lengths", tried, level)


def _bodies(case: _Case) -> Iterator[tuple[str, list[int], np.ndarray]]:
    """What moves as one: (words, plates, T_world_body)."""
    network, poses = case.adjustment.network, case.adjustment.state.poses
    for f, k in enumerate(network.fixtures()):
        fixture = case.kit.fixtures[k]
        yield (
            f"fixture {fixture.name}",
            [m.plate for m in fixture.mounts],
            poses[network.unknowns.fixture_pose(f)],
        )
    if case.plan.wheels:
        yield "vehicle", [c.plate for c in case.kit.clamps.values()], poses[case.plan.wheels[0].pose]


def _rigidity(case: _Case, level: float) -> Iterator[ConsistencyTest]:
    """Each body, and each plate by itself, against having moved between two successive photos."""
    o = case.adjustment.network.observed
    for body, plates, T_world_body in _bodies(case):
        groups = case.groups_of(plates)
        tried = [_moved_after(case, body, groups, T_world_body, k) for k in range(1, o.n_photos)]
        passed = f"{body} did not move between photos{_unseen_moves(case, groups, T_world_body, level)}"
        yield from _family(f"rigidity of {body}", passed, [t for t in tried if t], level / 2)


def _unseen_moves(case: _Case, groups: np.ndarray, T_world_body: np.ndarray, level: float) -> str:
    """Between which photos a large move would not show, in words; empty where every one would."""
    o = case.adjustment.network.observed
    # A score of six unknowns passes its limit with power 97 % (1.9 of a normal distribution).
    noncentrality = (np.sqrt(_limit(level / o.n_photos, 6)) + 1.9) ** 2
    unseen = []
    for k in range(1, o.n_photos):
        after = groups[o.photo[groups] >= k]
        if 0 < len(after) < len(groups):
            least_mm = case.scores.least_shift_mm(after, T_world_body, noncentrality)
            unseen += [(least_mm, k)] if least_mm > LARGEST_UNSEEN_MM else []
    if not unseen:
        return ""
    least_mm, k = max(unseen)
    size = f"of {least_mm:.0f} mm" if least_mm < 1000 else "of any size"
    return (
        f", as far as they can tell: a move {size} between {o.photo_names[k - 1]} and "
        f"{o.photo_names[k]} might not show. Photos, early and late in the round, that show it together with "
        "plates on both sides of the vehicle would tell"
    )


def _plate_rigidity(case: _Case, level: float) -> Iterator[ConsistencyTest]:
    o, u, poses = (
        case.adjustment.network.observed, case.adjustment.network.unknowns, case.adjustment.state.poses,
    )  # fmt: skip
    tried = [
        _moved_after(case, f"plate {number}", case.groups_of([number]), poses[u.plate_pose(index)], k)
        for index, number in enumerate(o.plates)
        for k in range(1, o.n_photos)
    ]
    yield from _family(
        "rigidity of each plate", "no plate moved between photos", _distinct([t for t in tried if t]), level
    )


def _distinct(tried: list[_Tried]) -> list[_Tried]:
    """Splits between photos that do not show the plate are the same hypothesis: count it once."""
    kept: dict[tuple[str, float], _Tried] = {}
    for t in tried:
        assert t.moved is not None
        kept.setdefault((t.moved[0], t.score.statistic), t)
    return list(kept.values())


def _moved_after(
    case: _Case, body: str, groups: np.ndarray, T_world_body: np.ndarray, k: int
) -> _Tried | None:
    o = case.adjustment.network.observed
    after = groups[o.photo[groups] >= k]
    if len(after) in (0, len(groups)):
        return None
    score = case.scores.moved(after, T_world_body)
    before_name, after_name = o.photo_names[k - 1], o.photo_names[k]
    says = (
        f"The {body} moved between the photos {before_name} and {after_name}, {_by(score)}. Make sure that "
        "nothing moves, set up anew if needed, and photograph again from the start."
    )
    if body.startswith("plate"):
        says = says.replace("The plate", "Plate", 1)
    return _Tried(score, partial(str, says), (body, k))


def _plate_in_photo(case: _Case, level: float) -> Iterator[ConsistencyTest]:
    o, u, poses = (
        case.adjustment.network.observed, case.adjustment.network.unknowns, case.adjustment.state.poses,
    )  # fmt: skip
    tried = []
    for g in range(len(o.photo)):
        score = case.scores.moved(np.array([g]), poses[u.plate_pose(o.plate[g : g + 1])][0])
        says = (
            f"Photo {o.photo_names[o.photo[g]]} shows plate {o.plates[o.plate[g]]} elsewhere than the other "
            f"photos do "
            f"({_by(score)}). Look whether it is another print with the same number, a reflection, or a "
            f"plate that moved."
        )
        tried.append(_Tried(score, partial(str, says)))
    yield from _family(
        "plates in each photo", "every photo shows the plates in the same places", tried, level
    )


def _photo_optics(case: _Case, level: float) -> Iterator[ConsistencyTest]:
    """Focal length, principal point and motion of each photo against what phones do."""
    a = case.adjustment
    index, priors = a.network.unknowns.photo_values(), a.network.photo_priors
    tried = []
    for i, name in enumerate(a.network.observed.photo_names):
        u_centre = priors.u_centre * a.network.observed.size_px[i].max()
        U = np.diag(
            np.r_[priors.u_focal, [u_centre] * 2, [priors.u_move_mm] * 3, [priors.u_turn_rad] * 3] ** 2
        )
        score = pull(a, index[i], np.zeros(9), U)
        says = (
            f"Photo {name} does not fit the lens of the others: another lens, zoom, cropping or a strong "
            f"shake. Leave it "
            "out, or take it again with the phone's main lens and without zoom."
        )
        tried.append(_Tried(score, partial(str, says)))
    yield from _family("lens of each photo", "the photos of one lens agree", tried, level)


def _lens_model(case: _Case, level: float) -> Iterator[ConsistencyTest]:
    tried = []
    for lens in range(case.adjustment.network.observed.n_lenses):
        says = (
            "The lens bends the picture in a way that the lens model does not know: a clip-on or fish-eye "
            "lens, a picture "
            "corrected by the phone, or a stitched one. Use the phone's main lens and its plain photo mode."
        )
        tried.append(_Tried(case.scores.lens_terms(lens), partial(str, says)))
    yield from _family("lens model", "the lens model fits", tried, level)


def _focal_length(case: _Case, level: float) -> Iterator[ConsistencyTest]:
    a = case.adjustment
    index = a.network.unknowns.lens_values()
    tried = []
    for lens, prior in enumerate(a.network.lens_priors):
        score = pull(a, index[lens, :1], prior.mean[:1], prior.covariance[:1, :1])
        says = partial(_focal_words, prior, score)
        tried.append(_Tried(score, says))
    yield from _family("focal length", "the focal length is what the photos' own data say", tried, level)


def _focal_words(prior: LensPrior, score: Score) -> str:
    return (
        f"The focal length found is {100 * score.estimate[0] / prior.mean[0]:+.0f} % off what the photos' "
        f"own data (EXIF or "
        "the camera profile) say: zoomed, cropped or edited photos, or another lens. Use the original files."
    )


def _floor(case: _Case, level: float) -> Iterator[ConsistencyTest]:
    """Each floor plate's height above the plane through all, against flatness and measurement."""
    plan, a = case.plan, case.adjustment
    if len(plan.heights) < 4 or not plan.height_known:
        return
    zeros = np.zeros(len(plan.inputs))
    centres, _ = wheel_centres(plan, a.state.poses, zeros)
    points = height_points(plan, a.state.poses, centres)
    known = np.array([h.height_mm for h in plan.heights])
    V = cov_of_heights(plan, a)
    local = points - points.mean(0)
    A = _plane_design(local, plan.up)
    solved = np.linalg.solve(A.T @ np.linalg.solve(V, A), A.T @ np.linalg.solve(V, local @ plan.up - known))
    residual = local @ plan.up - known - A @ solved
    Q = V - A @ np.linalg.solve(A.T @ np.linalg.solve(V, A), A.T)
    found = []
    for k, h in enumerate(plan.heights):
        e = np.linalg.solve(V, residual)[k]
        power = (np.linalg.solve(V, Q) @ np.linalg.inv(V))[k, k]
        if power < 1e-6 / V[k, k]:
            continue
        what = (
            f"Floor plate {case.plates[h.pose - a.network.unknowns.n_photos]}"
            if h.pose >= 0
            else f"The {_say(plan.wheels[h.wheel].wheel)} wheel's declared radius"
        )
        found.append((what, Score(e * e / power, 1, np.array([e / power]))))
    tried = [_Tried(score, partial(_floor_words, what, score, found)) for what, score in found]
    yield from _family("floor", "the floor plates lie in one plane within the kit's flatness", tried, level)


def _floor_words(what: str, score: Score, found: Sequence[tuple[str, Score]]) -> str:
    """What lies off the plane, and what may do so instead: with few plates the heights tell no better."""
    alike = [other for other, s in found if other != what and s.statistic > score.statistic - ALIKE]
    instead = f" (or else: {', '.join(alike).lower()})" if alike else ""
    return (
        f"{what} is {score.estimate[0]:+.1f} mm off the plane through the others, more than the kit's "
        f"flatness allows{instead}. Look for a ramp, a ridge or something under it; lay it elsewhere."
    )


def _plane_design(local: np.ndarray, up: np.ndarray) -> np.ndarray:
    e1 = np.cross(up, np.eye(3)[np.argmin(np.abs(up))])
    e1 = e1 / np.linalg.norm(e1)
    return np.c_[local @ e1, local @ np.cross(up, e1), np.ones(len(local))]


def _tracks(case: _Case, level: float) -> Iterator[ConsistencyTest]:
    declared = {
        "track_front_mm": (case.vehicle.track_front_mm, case.vehicle.u_track_front_mm),
        "track_rear_mm": (case.vehicle.track_rear_mm, case.vehicle.u_track_rear_mm),
    }
    tried = []
    for key, (nominal, u_nominal) in declared.items():
        if nominal is None or key not in case.reported.keys:
            continue
        off = case.reported.value(key) - nominal
        z = off / np.hypot(case.reported.u(key), u_nominal)
        says = (
            f"The {_say(key[:-3])} measures {nominal + off:.0f} mm but {nominal:.0f} mm is declared. Check "
            f"the rulers of the sheets {_axle_plates(case, key)} (one printed at 97 % looks farther away), "
            "their clamps' seats and standoffs, and the declared track."
        )
        tried.append(_Tried(Score(z * z, 1, np.array([off])), partial(str, says)))
    yield from _family("declared track", "the tracks are as declared", tried, level)


def _axle_plates(case: _Case, key: str) -> str:
    axle = key.split("_")[1]
    return " and ".join(str(c.plate) for wheel, c in case.kit.clamps.items() if wheel.startswith(axle))


_PLAIN = (
    _mounted,
    _wheel_places,
    _lean,
    _facing,
    _steering,
    _true_size,
    _rejected,
    _noise,
    _optimum,
    _scale_known,
)
_STATISTICAL = (
    _wheelbase,
    _all_sheets,
    _sheet_scale,
    _sheet_shape,
    _mounts,
    _bars,
    _rigidity,
    _plate_rigidity,
    _plate_in_photo,
    _photo_optics,
    _lens_model,
    _focal_length,
    _floor,
    _tracks,
)
