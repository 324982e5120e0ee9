"""Each block's Jacobian against central differences, and its whitening against the covariance."""

from dataclasses import replace

import numpy as np
import pytest

from vision import geometry
from vision.blocks import distance_block, lens_block, mount_block, saddle_block
from vision.least_squares import State, prior
from vision.observe import Observations
from vision.parameters import LensPrior, Unknowns

UNKNOWNS = Unknowns(n_photos=2, n_lenses=1, n_plates=2, n_fixtures=1)
LENS = np.array([1500.0, 1000, 750, 0.05, -0.1, 3e-4, -2e-4, 0.03, 1e-4])


def some_state(rng):
    u = UNKNOWNS
    poses = np.broadcast_to(np.eye(4), (u.n_poses, 4, 4)).copy()
    poses[2:4] = geometry.exp(np.array([[200, -100, 3000, 0.5, 0.3, 0.1], [-300, 50, 3500, -0.6, 0.2, 2.0]]))
    poses[4] = geometry.exp(np.array([0, 10, 3200, 0.1, -0.1, 0.2]))
    poses = poses @ geometry.exp(rng.normal(size=(u.n_poses, 6)) * [20, 20, 20, 0.05, 0.05, 0.05])
    values = np.zeros(u.n_values)
    values[u.photo_values()] = rng.normal(size=(2, 9)) * [1e-3, 4, 4, 0.3, 0.3, 0.3, 3e-4, 3e-4, 3e-4]
    values[u.lens_values()] = LENS
    values[u.plate_values()] = rng.normal(size=(2, 4)) * [1e-3, 1e-3, 0.5, 0.5]
    values[u.ruler_value()] = 1e-3
    return State(poses, values)


def some_observations(rng):
    grid = np.stack(np.meshgrid([-80.0, -30, 40, 80], [-80.0, 0, 80]), -1).reshape(-1, 2)
    G, n = 4, len(grid)
    spread = rng.normal(size=(G, n, 2, 2)) * 0.01 + 0.05 * np.eye(2)
    used = np.ones((G, n), bool)
    used[1, 7:] = False
    return Observations(
        photo_names=("a", "b"), plates=(3, 7), lens_of_photo=np.array([0, 0]),
        size_px=np.array([[2000, 1500], [2000, 1500]]),
        photo=np.array([0, 0, 1, 1]), plate=np.array([0, 1, 0, 1]),
        points_mm=np.broadcast_to(grid, (G, n, 2)), half_mm=np.full(G, 94.0),
        saddles_px=rng.uniform(200, 1300, (G, n, 2)),
        sqrt_information=np.linalg.inv(spread), used=used,
        u_shift_px=np.full(G, 0.02), u_affine_px=np.full(G, 0.01), incidence_deg=np.full(G, 30.0),
    )  # fmt: skip


def some_blocks(rng, state):
    scales = np.array([[1.001, 0.999], [0.97, 0.98]])
    cov = np.diag(np.array([50, 20, 20, 0.1, 0.2, 1e-3, 1e-3, 0.3, 1e-4]) ** 2)
    cov[0, 3] = cov[3, 0] = 2.0
    T = (
        geometry.invert(state.poses[[4, 4]])
        @ state.poses[[2, 3]]
        @ geometry.exp(rng.normal(size=(2, 6)) * 0.3)
    )
    u_mounts = np.array([[0.2] * 3 + [1e-3] * 3, [0.3, 0.3, 1.0] + [2e-3] * 3])
    return {
        "saddles": saddle_block(UNKNOWNS, some_observations(rng), scales, rng.uniform(0.2, 1, (4, 12))),
        "lens": lens_block(UNKNOWNS, [LensPrior(LENS + 0.1, cov)]),
        "mounts": mount_block(UNKNOWNS, [0, 0], [0, 1], T, u_mounts),
        "bars": distance_block([[2, 3]], [500.0], [0.1]),
        "prior": prior("x", state, UNKNOWNS.plate_values(), 0.1, 0.5),
    }


@pytest.mark.parametrize("name", ["saddles", "lens", "mounts", "bars", "prior"])
def test_jacobian_agrees_with_central_differences(name):
    rng = np.random.default_rng(4)
    state = some_state(rng)
    block = some_blocks(rng, state)[name]
    r, J = block.linearise(state)
    np.testing.assert_allclose(r, block.residuals(state), atol=1e-9)
    dense = np.zeros((*r.shape, state.n_columns))
    for g in range(len(r)):
        dense[g][:, block.columns[g]] += J[g]
    for column in range(state.n_columns):
        size = max(np.abs(dense[..., column]).max(), 1e-9)
        dx = np.zeros(state.n_columns)
        dx[column] = 1e-3 / size  # residuals move by 1e-3: rounding and truncation stay below 1e-6 of it
        numeric = -(block.residuals(state.moved(dx)) - block.residuals(state.moved(-dx))) / 2e-3
        np.testing.assert_allclose(dense[..., column] / size, numeric, atol=2e-5, err_msg=f"column {column}")


def test_whitening_inverts_the_covariance_of_a_group():
    rng = np.random.default_rng(5)
    observed = some_observations(rng)
    block = saddle_block(UNKNOWNS, observed, np.ones((2, 2)))
    for g in range(4):
        used = np.repeat(observed.used[g], 2)
        eye = np.zeros((4, 12, 2, 24))
        eye[g] = np.eye(24).reshape(12, 2, 24)
        W = block.whitened(eye)[g][:, used]
        cov = block.observation_covariance(g)[np.ix_(used, used)]
        np.testing.assert_allclose(W.T @ W @ cov, np.eye(used.sum()), atol=1e-9)


def test_a_plate_behind_the_camera_has_no_finite_cost():
    rng = np.random.default_rng(6)
    state = some_state(rng)
    block = saddle_block(UNKNOWNS, some_observations(rng), np.ones((2, 2)))
    poses = state.poses.copy()
    poses[2, 2, 3] = -3000
    with np.errstate(invalid="ignore"):
        assert not np.isfinite(block.residuals(replace(state, poses=poses))).all()
