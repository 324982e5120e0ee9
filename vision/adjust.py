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
from scipy.special import chdtri

from vision.blocks import SaddleBlock, distance_block, lens_block, mount_block, saddle_block
from vision.kit import Kit
from vision.least_squares import GROSS_MISFIT, ResidualBlock, Solution, State, solve
from vision.observe import Observations
from vision.parameters import LensPrior, PhotoPriors, Unknowns, parameter_priors, printed_scales
from vision.rejection import REJECTION_LIMIT, gross_errors, noise_level, point_tests

# Huber's k for a point's two whitened coordinates: 95 % of correct points keep full weight.
HUBER_LIMIT = float(np.sqrt(scipy.stats.chi2.ppf(0.95, 2)))
# A weak network (five photos, two phones) has taken 84 steps; more than this is no matter of patience.
MOST_ITERATIONS = 150
# Weights feed the estimate of a plate's common error, which feeds the weights: so many times.
HUBER_PASSES = 4
# Keeps the root of a weight finite where a state is absurd.
LEAST_WEIGHT = 1e-9
# Noise factors, coarse to fine: at the first, start values wrong by a hundred pixels still converge.
GRADES = (1000.0, 30.0, 1.0)
# A start that misfits so many times as much as its rival at the same grade is given up, to spare time.
# Of three wrong ones seen, two misfitted 5 and 7 times as much at the second grade, one in the end a
# third more.
HOPELESS = 2.0


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

    def cameras(self) -> NDArray:
        """Indices of the photos' poses."""
        return np.arange(self.unknowns.n_photos)


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
    def is_contradictory(self) -> bool:
        """Whether observations contradict each other so grossly that no number from them means anything."""
        return self.chi2 > GROSS_MISFIT * self.redundancy

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
                np.array([m.u for _, m in mounts]),
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
        before, weights = weights, np.clip(HUBER_LIMIT / np.maximum(length, HUBER_LIMIT), LEAST_WEIGHT, 1.0)
        if np.array_equal(before, weights):  # as at a coarse grade, where all keep full weight
            break
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


@dataclass(frozen=True, eq=False)
class RobustStart:
    """Where a start ended that gross errors cannot lead astray.

    Attributes:
        absurd: (G,) views that it disregarded.
        beyond: (G, n) points whose weights say that they are gross errors.
        residuals: (G, 2n) whitened, of all points at full weight.
        badness: Chi-square of all points, large ones by Huber's measure, and of everything declared.
        redundancy: What badness is expected to be, where there is no gross error.
        misfits: Chi-square at the end of each grade, by its weights.
    """

    state: State
    absurd: NDArray
    beyond: NDArray
    residuals: NDArray
    badness: float
    redundancy: float
    misfits: tuple[float, ...]

    @property
    def is_within_noise(self) -> bool:
        """Whether noise alone would make it as bad as this in one set of a thousand."""
        return self.badness < chdtri(self.redundancy, 0.001)

    def is_like(self, other: "RobustStart") -> bool:
        """Whether both ended at the same place.

        No point lies elsewhere by its own uncertainty, as large as the residuals together say that it is.
        """
        noise = max(1.0, self.badness / self.residuals.size)
        off = (self.residuals - other.residuals) ** 2
        return bool((off < noise).all() and (self.absurd == other.absurd).all())


def robust_start(
    network: Network,
    start: State,
    grades: Sequence[float] = GRADES,
    rival: RobustStart | None = None,
) -> RobustStart:
    """Huber's weights by re-weighting, coarse noise to true; of views that the start does not make absurd.

    Args:
        rival: Where given, a start that misfits far more than this one did is not pursued to the end.
    """
    observed, rest, state = network.observed, constraint_blocks(network, start), start
    everything = _saddles(network, observed)
    absurd = _absurd(everything, start) & bool(grades)
    misfits: list[float] = []
    for grade in grades:
        solution = _reweighted(network, observed.with_noise_scaled(grade), state, rest, ~absurd)
        state = solution.state
        misfits.append(solution.cost)
        if rival is not None and misfits[-1] > HOPELESS * rival.misfits[len(misfits) - 1]:
            break
    weights = _huber_weights(network, observed, state)
    with np.errstate(invalid="ignore"):
        residuals = everything.residuals(state)
        weighted = _saddles(network, observed, weights).residuals(state).reshape(*weights.shape, 2)
    # Huber's measure of a length d is d^2 up to k, then 2 k d - k^2; its weight there is k / d.
    measure = np.where(weights < 1, 2 * (weighted**2).sum(-1) - HUBER_LIMIT**2, (weighted**2).sum(-1))
    declared = sum(float((b.residuals(state) ** 2).sum()) for b in rest)
    badness = float(np.nan_to_num(measure[observed.used].sum() + declared, nan=np.inf))
    beyond = observed.used & (weights**2 < HUBER_LIMIT**2 / (2 * REJECTION_LIMIT)) & bool(grades)
    redundancy = _redundancy(network, (everything, *rest), state)
    return RobustStart(state, absurd, beyond, residuals, badness, redundancy, tuple(misfits))


def _reweighted(
    network: Network,
    observed: Observations,
    state: State,
    rest: Sequence[ResidualBlock],
    trusted: NDArray,
) -> Solution:
    """Adjusted with Huber's weights until they settle; of trusted views (G,) only."""
    weights = _huber_weights(network, observed, state) * trusted[:, None]
    for _ in range(4):
        blocks = (_saddles(network, observed, weights), *rest)
        solution = solve(
            blocks,
            state,
            held=network.held(),
            resect=network.cameras(),
            decrement_limit=0.1,
            max_iterations=25,
            redundancy=_redundancy(network, blocks, state),
        )
        state = solution.state
        new = _huber_weights(network, observed, state) * trusted[:, None]
        settled = np.abs(new - weights).max() < 0.1
        weights = new
        if settled:
            break
    return solution


def adjust(network: Network, start: State, *, grades: Sequence[float] = GRADES) -> Adjustment:
    """Adjust the set.

    Args:
        start: Start values (initial.start), or the state of an earlier adjustment.
        grades: Noise factors of the robust start; empty when `start` is already adjusted.

    Raises:
        SingularError: Something is not determined by these photos.
    """
    return adjust_on(network, robust_start(network, start, grades))


def adjust_on(network: Network, robust: RobustStart) -> Adjustment:
    """Adjust the set from a robust start: reject what fails its test, then scale the noise to what is seen.

    Raises:
        SingularError: Something is not determined by these photos.
    """
    held, cameras = network.held(), network.cameras()
    rest = constraint_blocks(network, robust.state)
    block, solution, rejected = _with_rejections(network, robust, rest)
    blocks = (block, *rest)
    redundancy = _redundancy(network, blocks, solution.state)
    if not solution.converged and solution.cost < GROSS_MISFIT * redundancy:
        solution = solve(blocks, solution.state, held=held, resect=cameras, max_iterations=MOST_ITERATIONS)
    chi2 = solution.cost
    image_chi2, image_redundancy = _image_part(block, solution)
    noise_factor = max(1.0, float(np.sqrt(image_chi2 / max(image_redundancy, 1.0))))
    if noise_factor > 1.0:
        observed = network.observed.without(rejected).with_noise_scaled(noise_factor)
        block = _saddles(network, observed)
        solution = solve((block, *rest), solution.state, held=held, resect=cameras)
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


def _with_rejections(
    network: Network, robust: RobustStart, rest: Sequence[ResidualBlock]
) -> tuple[SaddleBlock, Solution, NDArray]:
    """Adjusted again until the same points (G, n) fail their tests: saddles, solution, and these points."""
    state, present = robust.state, network.observed.used
    everything = _saddles(network, network.observed)
    rejected = gross_errors(robust.beyond, everything, state, robust.absurd)
    for _ in range(6):
        block = _saddles(network, network.observed.without(rejected))
        blocks = (block, *rest)
        solution = solve(
            blocks,
            state,
            held=network.held(),
            resect=network.cameras(),
            redundancy=_redundancy(network, blocks, state),
        )
        state = solution.state
        tests = point_tests(block, solution)
        failing = present & (tests > REJECTION_LIMIT * noise_level(tests[block.observed.used]))
        again = gross_errors(failing, everything, state, robust.absurd)
        if (again == rejected).all():
            break
        rejected = again
    return block, solution, rejected


def _image_part(block: SaddleBlock, solution: Solution) -> tuple[float, float]:
    """Chi-square of the saddles and the redundancy that belongs to them: 2 n - trace(J C J')."""
    r, J = block.linearise(solution.state)
    C = solution.covariance[block.columns[:, :, None], block.columns[:, None, :]]
    taken = float(np.einsum("gmi,gij,gmj->", J, C, J, optimize=True))
    return float(np.vdot(r, r)), 2.0 * float(block.observed.used.sum()) - taken


def _redundancy(network: Network, blocks: Sequence[ResidualBlock], state: State) -> float:
    """Scalar observations and priors, without padding, less the unknowns."""
    first, *rest = blocks
    assert isinstance(first, SaddleBlock)
    n_observations = 2 * int(first.observed.used.sum()) + sum(b.residuals(state).size for b in rest)
    return float(n_observations - (~network.held()).sum())
