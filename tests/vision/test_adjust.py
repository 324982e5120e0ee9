"""The adjustment: optimum against SciPy, uncertainty against Monte Carlo, outliers, what must not matter."""

from dataclasses import replace

import numpy as np
import pytest
import scipy.optimize
import scipy.stats

from vision import geometry
from vision.adjust import adjust, robust_start
from vision.blocks import LensBlock, MountBlock, SaddleBlock, saddle_block
from vision.frame import quantities
from vision.initial import looks_settled
from vision.least_squares import PriorBlock, SingularError, State, redundancy_numbers, solve


def values(simulated, scene, adjustment):
    reported, _ = simulated.values_of(scene, adjustment)
    u = np.sqrt(np.diag(reported.covariance))
    return dict(zip(reported.keys, zip(reported.values, u, strict=True), strict=True))


def assert_same_values(a, b, within_u):
    assert a.keys() == b.keys()
    for key, (value, u) in a.items():
        assert abs(value - b[key][0]) < within_u * u, key


def test_moving_the_world_changes_no_value(simulated):
    one = simulated.one
    T = geometry.exp(np.array([3000.0, -700, 250, 0.4, -1.1, 2.0]))
    moved = State(T @ one.adjustment.state.poses, one.adjustment.state.values)
    again = adjust(one.network, moved, grades=())
    before = values(simulated, one.scene, one.adjustment)
    assert_same_values(before, values(simulated, one.scene, again), 1e-6)


def test_order_and_names_of_the_photos_change_no_value(simulated):
    one = simulated.one
    order = [5, 2, 7, 0, 1, 6, 4, 3]
    renamed = {photo.name: f"IMG_{k}.heic" for k, photo in enumerate(one.found)}
    found = [replace(one.found[k], name=renamed[one.found[k].name]) for k in order]
    photos = tuple(replace(photo, name=renamed[photo.name]) for photo in one.scene.photos)
    scene = replace(one.scene, photos=photos)
    problem = simulated.network(scene, found)
    again = adjust(problem, simulated.true_state(scene, problem), grades=(1.0,))
    before = values(simulated, one.scene, one.adjustment)
    # Both stop within 1e-3 u of the optimum, here far nearer, for the last step is one of Newton's.
    assert_same_values(before, values(simulated, scene, again), 1e-4)


def test_starts_that_end_alike_are_told_from_those_that_do_not(simulated):
    problem, state = simulated.one.network, simulated.one.adjustment.state
    rng = np.random.default_rng(2)
    off = rng.normal(size=(len(state.poses), 6)) * [5, 5, 5, 2e-3, 2e-3, 2e-3]
    off[problem.held()[: off.size].reshape(off.shape)[:, 0]] = 0
    near = State(state.poses @ geometry.exp(off), state.values)
    one, other = robust_start(problem, state), robust_start(problem, near)
    assert one.is_like(other) and other.badness == pytest.approx(one.badness, rel=1e-3)
    elsewhere = robust_start(problem, near, grades=())
    assert not elsewhere.is_like(one) and elsewhere.badness > 10 * one.badness


def test_the_held_plate_is_free_to_choose(simulated):
    """Another plate defines the frame: same values, same uncertainties."""
    one = simulated.one
    u = one.network.unknowns
    held = np.zeros_like(one.network.held())
    other = 6 * int(u.plate_pose(1))
    held[other : other + 6] = True
    assert not one.network.held()[other]
    blocks = one.adjustment.blocks
    solution = solve(blocks, one.adjustment.state, held=held, resect=np.array([], int))
    again = replace(one.adjustment, solution=solution)
    before, after = values(simulated, one.scene, one.adjustment), values(simulated, one.scene, again)
    # This goes one step on, nearer to the optimum than the 1e-3 u at which adjusting stops.
    assert_same_values(before, after, 1e-3)
    for key, (_, u_before) in before.items():
        assert after[key][1] == pytest.approx(u_before, rel=1e-4), key


def test_redundancy_numbers_add_up_to_observations_minus_unknowns(simulated):
    a = simulated.one.adjustment
    saddles, *rest = a.blocks
    of_points = redundancy_numbers(saddles, a.solution).reshape(*a.saddles.observed.used.shape, 2)
    total = of_points[a.saddles.observed.used].sum()
    total += sum(redundancy_numbers(block, a.solution).sum() for block in rest)
    assert total == pytest.approx(a.redundancy, abs=1e-3)
    assert a.image_redundancy == pytest.approx(of_points[a.saddles.observed.used].sum(), rel=0.01)


def test_chi_square_is_as_large_as_expected(simulated):
    """Two-sided, one chance in 10,000; 30 points that only the noise makes large may be rejected."""
    a = simulated.one.adjustment
    low, high = scipy.stats.chi2.ppf([5e-5, 1 - 5e-5], a.redundancy)
    assert low < a.chi2 < high and a.rejected.sum() <= 4


@pytest.fixture(scope="module")
def small(simulated):
    """Four photos, adjusted."""
    scene, found = simulated.noisy(15, n_photos=4)
    problem = simulated.network(scene, found)
    return adjust(problem, simulated.true_state(scene, problem), grades=(1.0,))


def test_optimum_against_scipy(small):
    """Dense trust-region steps with exact Jacobians, started 1 u away: same cost, same place."""
    free = np.flatnonzero(~small.network.held())
    base = small.state
    u = np.sqrt(np.diag(small.covariance)[free])

    def moved(x):
        full = np.zeros(base.n_columns)
        full[free] = x * u
        return full, base.moved(full)

    def residuals(x):
        state = moved(x)[1]
        return np.concatenate([block.residuals(state).ravel() for block in small.blocks])

    def jacobian(x):
        full, state = moved(x)
        rows = []
        for block in small.blocks:
            _, J = block.linearise(state)
            dense = np.zeros((*J.shape[:2], base.n_columns))
            for g, columns in enumerate(block.columns):
                np.add.at(dense[g], (slice(None), columns), J[g])
            rows.append(dense.reshape(-1, base.n_columns))
        J = np.concatenate(rows)
        # From the moved pose's tangent to that of the base: exp(w + d) = exp(w) exp(Jr d).
        for k in range(len(base.poses)):
            w = full[6 * k + 3 : 6 * k + 6]
            turn = np.zeros((6, 6))
            turn[:3, :3] = geometry.rotation_exp(-w)
            turn[3:, 3:] = np.linalg.inv(geometry.rotation_log_jacobian_inverse(w))
            J[:, 6 * k : 6 * k + 6] = J[:, 6 * k : 6 * k + 6] @ turn
        return -J[:, free] * u

    start = np.random.default_rng(0).normal(size=len(free))
    found = scipy.optimize.least_squares(
        residuals, start, jacobian, method="trf", tr_solver="exact", xtol=1e-15, ftol=1e-15, gtol=1e-12
    )
    assert 2 * found.cost == pytest.approx(small.solution.cost, rel=1e-9)
    assert np.abs(found.x).max() < 1e-4
    # And its curvature there is our covariance.
    cov = np.linalg.inv(found.jac.T @ found.jac)
    np.testing.assert_allclose(np.sqrt(np.diag(cov)), 1, rtol=1e-5)


def redrawn(block, state, rng):
    """The same block with observations drawn anew round what the state says, by their covariance."""
    if isinstance(block, SaddleBlock):
        o = block.observed
        off = block.residuals_px(state)
        own = np.linalg.solve(o.sqrt_information, rng.normal(size=(*o.used.shape, 2, 1)))[..., 0]
        shift = o.u_shift_px[:, None, None] * rng.normal(size=(len(o.photo), 1, 2))
        linear = o.u_affine_px[:, None, None] * rng.normal(size=(len(o.photo), 2, 2))
        noise = own + shift + o.points_mm / 80.0 @ linear
        observed = replace(o, saddles_px=o.saddles_px - off + noise)
        return saddle_block(block.unknowns, observed, block.scales)
    if isinstance(block, PriorBlock):
        return replace(block, mean=state.values[block.value_index] + block.u * rng.normal(size=block.u.shape))
    if isinstance(block, LensBlock):
        noise = np.linalg.solve(block.whitening, rng.normal(size=(*block.mean.shape, 1)))[..., 0]
        return replace(block, mean=state.values[block.value_index] + noise)
    assert isinstance(block, MountBlock)
    T_fixture_plate = geometry.invert(state.poses[block.fixture_pose]) @ state.poses[block.plate_pose]
    declared = T_fixture_plate @ geometry.exp(block.u * rng.normal(size=block.u.shape))
    return replace(block, T_plate_fixture=geometry.invert(declared))


def monte_carlo(one, n, seed):
    """(n, k) values of the reported quantities when all inputs are drawn anew (JCGM 101, 5.9)."""
    rng = np.random.default_rng(seed)
    state, held = one.adjustment.state, one.network.held()
    u_inputs = np.array([item.u for item in one.plan.inputs])
    drawn = []
    for _ in range(n):
        blocks = [redrawn(block, state, rng) for block in one.adjustment.blocks]
        solution = solve(blocks, state, held=held, resect=np.arange(one.network.unknowns.n_photos))
        assert solution.converged
        inputs = u_inputs * rng.normal(size=len(u_inputs))
        at = quantities(one.plan, solution.state.poses, inputs)
        drawn.append([float(at[key]) for key in one.reported.keys])
    return np.array(drawn)


def check_monte_carlo(one, n, seed):
    drawn = monte_carlo(one, n, seed)
    u = np.sqrt(np.diag(one.reported.covariance))
    targets = [k for k, key in enumerate(one.reported.keys) if key.startswith("0:")]
    # 99.99 % of the sampling spread of n draws, and 4 % for what the linear model leaves out.
    low, high = np.sqrt(scipy.stats.chi2.ppf([5e-5, 1 - 5e-5], n - 1) / (n - 1)) * [0.96, 1.04]
    ratio = drawn.std(0, ddof=1)[targets] / u[targets]
    assert ((low < ratio) & (ratio < high)).all(), ratio
    bias = (drawn.mean(0) - one.reported.values)[targets] / u[targets]
    assert np.abs(bias).max() < 0.15 + 4 / np.sqrt(n)
    return ratio


def test_u_against_monte_carlo(simulated):
    check_monte_carlo(simulated.one, 60, seed=1)


@pytest.mark.study
def test_u_against_a_long_monte_carlo(simulated):
    check_monte_carlo(simulated.one, 2000, seed=2)


def spoiled(network, groups_and_points, off_px):
    """The same observations with some saddles shifted."""
    saddles = network.observed.saddles_px.copy()
    for (g, k), off in zip(groups_and_points, off_px, strict=True):
        saddles[g, k] += off
    return replace(network, observed=replace(network.observed, saddles_px=saddles))


def test_planted_outliers_are_the_ones_rejected(simulated):
    one = simulated.one
    usable = np.argwhere(one.adjustment.saddles.observed.used)
    planted = usable[np.random.default_rng(6).choice(len(usable), 12, replace=False)]
    angles = np.arange(12.0)
    off = np.stack([np.cos(angles), np.sin(angles)], 1) * np.geomspace(1, 40, 12)[:, None]
    problem = spoiled(one.network, planted, off)
    again = simulated.adjust_from_nothing(problem)
    expected = one.adjustment.rejected.copy()
    expected[tuple(planted.T)] = True
    # One near the limit may change sides when its neighbours leave.
    assert again.rejected[tuple(planted.T)].all() and (again.rejected ^ expected).sum() <= 2
    before, after = values(simulated, one.scene, one.adjustment), values(simulated, one.scene, again)
    assert_same_values(before, after, 0.3)


@pytest.mark.parametrize("seed", range(6))
def test_a_start_far_away_converges_or_says_that_it_did_not(simulated, seed):
    one = simulated.one
    rng = np.random.default_rng(seed)
    off = rng.normal(size=(len(one.adjustment.state.poses), 6)) * ([150.0] * 3 + [0.1] * 3)
    start = one.adjustment.state.moved(np.concatenate([off.ravel(), np.zeros(one.network.unknowns.n_values)]))
    try:
        found = adjust(one.network, start)
    except SingularError:  # all plates of a photo started absurdly
        return
    if looks_settled(found):
        # A point at the limit of its test may be in or out, by the way one came.
        before = values(simulated, one.scene, one.adjustment)
        assert_same_values(before, values(simulated, one.scene, found), 0.2)


def test_the_noise_is_raised_to_what_the_residuals_show(simulated):
    """Detections that claim 1.3 times too little: u comes out as with the right claim, within 5 %."""
    one = simulated.one
    claimed = replace(one.network, observed=one.network.observed.with_noise_scaled(1 / 1.3))
    found = adjust(claimed, one.adjustment.state, grades=())
    before, after = values(simulated, one.scene, one.adjustment), values(simulated, one.scene, found)
    assert found.noise_factor == pytest.approx(1.3, rel=0.04)
    for key, (_, u) in before.items():
        assert after[key][1] == pytest.approx(u, rel=0.05), key
