"""Observations + priors -> Adjustment: one robust least-squares adjustment of everything.

Order of work: noise graded from coarse to fine with Huber's weights (far start values, gross errors);
then plain least squares, with points rejected by a test whose chance of a false alarm is known; then
the photos' noise level as the residuals show it. Hard rejection and plain least squares leave a
chi-square that means something; robust weights to the end would blind every test.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import scipy.stats
from numpy.typing import NDArray

from vision.blocks import SaddleBlock, distance_block, lens_block, mount_block, saddle_block
from vision.kit import Kit
from vision.least_squares import ResidualBlock, Solution, State, solve
from vision.observe import Observations
from vision.parameters import LensPrior, PhotoPriors, Unknowns, parameter_priors, printed_scales

# A correct point is rejected once in 10,000: in a set of 3,000 points, a third of a point.
REJECTION_LEVEL = 1e-4
REJECTION_LIMIT = float(scipy.stats.chi2.isf(REJECTION_LEVEL, 2))
# Huber's k for a point's two whitened coordinates: 95 % of correct points keep full weight.
HUBER_LIMIT = float(np.sqrt(scipy.stats.chi2.ppf(0.95, 2)))
# More of a view's points than this do not fail by themselves; common practice, no source.
LARGEST_POINT_SHARE = 0.4
# A weak network (five photos, two phones) has taken 84 steps; more than this is no matter of patience.
MOST_ITERATIONS = 150
# So many times the median distance from a view's middle residual: 99.99 % of a normal scatter in two
# dimensions lie within 3.65 of it; linear terms of a moved plate spread the points by less than twice that.
ODD = 8.0
# A plate or a photo needs a homography's worth of points to have a pose.
LEAST_POINTS = 4
# Weights feed the estimate of a plate's common error, which feeds the weights: so many times.
HUBER_PASSES = 4
# Keeps the root of a weight finite where a state is absurd.
LEAST_WEIGHT = 1e-9
# Noise factors, coarse to fine: at the first, start values wrong by a hundred pixels still converge.
GRADES = (1000.0, 30.0, 1.0)


@dataclass(frozen=True, eq=False)
class Network:
    """The problem: what was observed, what the kit declares, and which plate holds the frame still."""

    observed: Observations
    kit: Kit
    lens_priors: tuple[LensPrior, ...]
    photo_priors: PhotoPriors = PhotoPriors()

    @property
    def unknowns(self) -> Unknowns:
        o = self.observed
        return Unknowns(o.n_photos, o.n_lenses, len(o.plates), len(self.fixtures()))

    def fixtures(self) -> tuple[int, ...]:
        """Indices into the kit's fixtures of those with at least one plate seen."""
        seen = set(self.observed.plates)
        return tuple(k for k, f in enumerate(self.kit.fixtures) if any(m.plate in seen for m in f.mounts))

    def held(self) -> NDArray:
        """The unknowns that define the frame: the pose of the plate seen most. No value depends on it."""
        u = self.unknowns
        held = np.zeros(6 * u.n_poses + u.n_values, bool)
        most = int(np.argmax(np.bincount(self.observed.plate, minlength=u.n_plates)))
        first = 6 * int(u.plate_pose(most))
        held[first : first + 6] = True
        return held


@dataclass(frozen=True, eq=False)
class Adjustment:
    """The adjusted set.

    Attributes:
        network: As adjusted: its `observed.used` leaves out the rejected points.
        solution: Estimate and covariance of all unknowns.
        blocks: What was adjusted, photos first, one per line of the budget or more.
        rejected: (G, n) points found to be gross errors.
        noise_factor: What the detector's uncertainties were multiplied by (1 or more).
        chi2, redundancy: Of all observations and priors together, before the noise was scaled.
        image_chi2, image_redundancy: The photos' share of it.
    """

    network: Network
    solution: Solution
    blocks: tuple[ResidualBlock, ...]
    rejected: NDArray
    noise_factor: float
    chi2: float
    redundancy: float
    image_chi2: float
    image_redundancy: float

    @property
    def saddles(self) -> SaddleBlock:
        block = self.blocks[0]
        assert isinstance(block, SaddleBlock)
        return block

    @property
    def state(self) -> State:
        return self.solution.state

    @property
    def covariance(self) -> NDArray:
        return self.solution.covariance


def constraint_blocks(network: Network, state: State) -> tuple[ResidualBlock, ...]:
    """Everything but the photos: priors, lenses, mounts, scale bars."""
    o, u, kit = network.observed, network.unknowns, network.kit
    index_of = {plate: k for k, plate in enumerate(o.plates)}
    blocks: list[ResidualBlock] = [
        *parameter_priors(
            u, state, kit=kit, plates=o.plates, size_px=o.size_px, photo_priors=network.photo_priors
        ),
        lens_block(u, network.lens_priors),
    ]
    mounts = [
        (f, m)
        for f, k in enumerate(network.fixtures())
        for m in kit.fixtures[k].mounts
        if m.plate in index_of
    ]
    if mounts:
        blocks.append(
            mount_block(
                u,
                [f for f, _ in mounts],
                [index_of[m.plate] for _, m in mounts],
                np.stack([m.T_fixture_plate for _, m in mounts]),
                [m.u_position_mm for _, m in mounts],
                [m.u_rotation_rad for _, m in mounts],
            )
        )
    bars = [b for b in kit.scale_bars if all(p in index_of for p in b.plates)]
    if bars:
        ends = np.array([[u.plate_pose(index_of[p]) for p in b.plates] for b in bars])
        blocks.append(
            distance_block(
                ends, np.array([b.length_mm for b in bars]), np.array([b.u_length_mm for b in bars])
            )
        )
    return tuple(blocks)


def _saddles(network: Network, observed: Observations, weights: NDArray | None = None) -> SaddleBlock:
    scales = printed_scales([network.kit.plates[p] for p in observed.plates])
    return saddle_block(network.unknowns, observed, scales, weights)


def _huber_weights(network: Network, observed: Observations, state: State) -> NDArray:
    """Huber's weights (G, n) of the points at a state.

    Whitening takes out what a plate's points have in common, and one point fifty pixels off would spoil that
    for all of them. So it is estimated with the weights themselves, again until they settle.
    """
    weights = np.ones(observed.used.shape)
    for _ in range(HUBER_PASSES):
        block = _saddles(network, observed, weights)
        with np.errstate(invalid="ignore"):
            weighted = np.linalg.norm(block.residuals(state).reshape(*weights.shape, 2), axis=-1)
        length = np.nan_to_num(weighted / np.sqrt(weights), nan=np.inf)
        weights = np.clip(HUBER_LIMIT / np.maximum(length, HUBER_LIMIT), LEAST_WEIGHT, 1.0)
    return weights


def _absurd(block: SaddleBlock, state: State) -> NDArray:
    """(G,) groups that start a quarter of the photo away from where they were seen.

    A second print of the same number, a reflection: no weight is small enough for such a group while the
    start is coarse. Point tests decide on it at the end, as on all others.
    """
    o = block.observed
    with np.errstate(invalid="ignore"):
        off = np.linalg.norm(block.residuals_px(state), axis=-1)
    off = np.where(o.used & np.isfinite(off), off, np.where(o.used, np.inf, 0.0))
    return off.max(1) > 0.25 * o.size_px[o.photo].max(1)


def _graded(
    network: Network, state: State, held: NDArray, grades: Sequence[float], trusted: NDArray
) -> State:
    """Robust start: Huber's weights by re-weighting, coarse noise to true; of trusted views (G,) only."""
    rest = constraint_blocks(network, state)
    cameras = np.arange(network.unknowns.n_photos)
    for grade in grades:
        observed = network.observed.with_noise_scaled(grade)
        weights = _huber_weights(network, observed, state) * trusted[:, None]
        for _ in range(4):
            block = _saddles(network, observed, weights)
            state = solve(
                (block, *rest), state, held=held, resect=cameras, decrement_limit=0.1, max_iterations=25
            ).state
            new = _huber_weights(network, observed, state) * trusted[:, None]
            settled = np.abs(new - weights).max() < 0.1
            weights = new
            if settled:
                break
    return state


def point_tests(block: SaddleBlock, solution: Solution) -> NDArray:
    """Each point's test statistic (G, n), chi-square with 2 degrees of freedom if nothing is wrong.

    For used points w' Q^-1 w, with w the whitened residual and Q its covariance I - J C J' (Baarda's
    test in two dimensions). For others, whether they may come back: the residual against all that is
    uncertain in its prediction, S + J C J' with S the point's own and its plate's shared covariance.
    """
    o = block.observed
    G, n = o.used.shape
    r, J = block.linearise(solution.state)
    C = solution.covariance[block.columns[:, :, None], block.columns[:, None, :]]
    w, Jw = r.reshape(G, n, 2), J.reshape(G, n, 2, -1)
    # A point that alone determines something has Q near zero: it cannot be tested, and passes.
    Q = np.eye(2) * (1 + 1e-6) - np.einsum("gnai,gij,gnbj->gnab", Jw, C, Jw, optimize=True)
    raw, J_px = block.linearise_px(solution.state)
    predicted = np.einsum("gnai,gij,gnbj->gnab", J_px, C, J_px, optimize=True) + block.point_covariance()
    outside = _length_by(predicted, raw)
    # A rejected point behind the camera has no image, so it cannot come back.
    behind = block.is_behind(solution.state)
    return np.where(o.used, _length_by(Q, w), np.where(behind, np.inf, outside))


def _length_by(cov: NDArray, v: NDArray) -> NDArray:
    """v' cov^-1 v for (..., 2) vectors and (..., 2, 2) covariances."""
    a, b, c = cov[..., 0, 0], cov[..., 0, 1], cov[..., 1, 1]
    return (c * v[..., 0] ** 2 - 2 * b * v[..., 0] * v[..., 1] + a * v[..., 1] ** 2) / (a * c - b * b)


def _noise_level(tests: NDArray) -> float:
    """How much noisier than stated the points are as a whole, squared; 1 or more.

    By the median, which outliers do not move. Without it, points noisier than the detector says would be
    rejected from both flanks, and what is left would look better than it is.
    """
    return max(1.0, float(np.median(tests)) / float(scipy.stats.chi2.median(2))) if len(tests) else 1.0


def _isolated(rejected: NDArray, block: SaddleBlock, state: State, absurd: NDArray) -> NDArray:
    """Of the points that fail their test, those that are errors of points and not of a whole view.

    Where much of a view fails, something stood elsewhere: a moved fixture, another print. The view stays in,
    for the tests of whole views to see it and name the cause, less the points that are odd even there; only
    views that were absurd (G,) from the start stay out, unless a plate or a photo would hang in the air
    without them.
    """
    o = block.observed
    present = o.used | rejected
    whole = (rejected.sum(1) > LARGEST_POINT_SHARE * np.maximum(present.sum(1), 1)) & ~absurd
    odd = present & _odd_within_view(block.residuals_px(state), present)
    rejected = np.where(whole[:, None], odd, rejected)
    used = present & ~rejected
    n_of_plate = np.bincount(o.plate, used.sum(1), minlength=len(o.plates))
    n_of_photo = np.bincount(o.photo, used.sum(1), minlength=o.n_photos)
    adrift = (n_of_plate[o.plate] < LEAST_POINTS) | (n_of_photo[o.photo] < LEAST_POINTS)
    return rejected & ~adrift[:, None]


def _odd_within_view(residuals_px: NDArray, present: NDArray) -> NDArray:
    """(G, n) points whose residual is far from those of the same view, by medians.

    A single gross point spoils the test of all its neighbours, which share an error with it; medians it
    does not move.
    """
    counted = present & np.isfinite(residuals_px).all(-1)
    counted[~counted.any(1)] = True  # views without points have no median, and nothing to find
    r = np.where(counted[..., None], residuals_px, np.nan)
    off = np.linalg.norm(r - np.nanmedian(r, axis=1, keepdims=True), axis=-1)
    return ~(off <= ODD * np.nanmedian(off, axis=1, keepdims=True))


def adjust(network: Network, start: State, *, grades: Sequence[float] = GRADES) -> Adjustment:
    """Adjust the set.

    Args:
        start: Start values (initial.start), or the state of an earlier adjustment.
        grades: Noise factors of the robust start; empty when `start` is already adjusted.

    Raises:
        SingularError: Something is not determined by these photos.
    """
    held = network.held()
    present = network.observed.used
    cameras = np.arange(network.unknowns.n_photos)
    absurd = _absurd(_saddles(network, network.observed), start) if grades else np.zeros(len(present), bool)
    state = _graded(network, start, held, grades, ~absurd)
    rest = constraint_blocks(network, state)

    rejected = np.zeros_like(present)
    if grades:
        weights = _huber_weights(network, network.observed, state)
        beyond = weights**2 < HUBER_LIMIT**2 / (2 * REJECTION_LIMIT)
        block = _saddles(network, network.observed)
        rejected = _isolated(present & beyond, block, state, absurd)
    for _ in range(6):
        block = _saddles(network, network.observed.without(rejected))
        solution = solve((block, *rest), state, held=held, resect=cameras)
        state = solution.state
        tests = point_tests(block, solution)
        failing = present & (tests > REJECTION_LIMIT * _noise_level(tests[block.observed.used]))
        again = _isolated(failing, _saddles(network, network.observed), state, absurd)
        if (again == rejected).all():
            break
        rejected = again
    if not solution.converged:
        solution = solve((block, *rest), state, held=held, resect=cameras, max_iterations=MOST_ITERATIONS)
        state = solution.state
    chi2, redundancy = solution.cost, float(_n_observations((block, *rest), state) - (~held).sum())
    image_chi2, image_redundancy = _image_part(block, solution)
    noise_factor = max(1.0, float(np.sqrt(image_chi2 / max(image_redundancy, 1.0))))
    if noise_factor > 1.0:
        observed = network.observed.without(rejected).with_noise_scaled(noise_factor)
        block = _saddles(network, observed)
        solution = solve((block, *rest), state, held=held, resect=cameras)
    return Adjustment(
        network=replace(network, observed=block.observed),
        solution=solution,
        blocks=(block, *rest),
        rejected=rejected,
        noise_factor=noise_factor,
        chi2=chi2,
        redundancy=redundancy,
        image_chi2=image_chi2,
        image_redundancy=image_redundancy,
    )


def _image_part(block: SaddleBlock, solution: Solution) -> tuple[float, float]:
    """Chi-square of the saddles and the redundancy that belongs to them: 2 n - trace(J C J')."""
    r, J = block.linearise(solution.state)
    C = solution.covariance[block.columns[:, :, None], block.columns[:, None, :]]
    taken = float(np.einsum("gmi,gij,gmj->", J, C, J, optimize=True))
    return float(np.vdot(r, r)), 2.0 * float(block.observed.used.sum()) - taken


def _n_observations(blocks: Sequence[ResidualBlock], state: State) -> int:
    """Scalar observations and priors, without padding."""
    first, *rest = blocks
    assert isinstance(first, SaddleBlock)
    return 2 * int(first.observed.used.sum()) + sum(b.residuals(state).size for b in rest)
