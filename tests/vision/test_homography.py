"""Homographies: exact on exact points, and their derivatives against differences."""

import numpy as np

from vision.homography import fit_homographies, jacobian, map_points, narrow_scale

H = np.array([[2.0, 0.3, 500], [-0.2, -1.8, 700], [1e-4, -2e-4, 1]])
POINTS = np.random.default_rng(1).uniform(-90, 90, (20, 2))


def test_mapping_is_the_matrix_product_divided_by_its_last_row():
    product = np.column_stack([POINTS, np.ones(20)]) @ H.T
    np.testing.assert_allclose(map_points(H, POINTS), product[:, :2] / product[:, 2:], rtol=1e-13)


def test_exact_points_give_the_homography_back():
    pixels = map_points(H, POINTS)
    fitted = fit_homographies(np.stack([POINTS] * 2), np.stack([pixels] * 2), np.ones((2, 20)))
    np.testing.assert_allclose(map_points(fitted, POINTS), np.stack([pixels] * 2), atol=1e-7)


def test_points_of_weight_zero_do_not_count():
    pixels, weights = map_points(H, POINTS), np.ones((1, 20))
    pixels[3] += 100
    weights[0, 3] = 0
    fitted = fit_homographies(POINTS[None], pixels[None], weights)[0]
    np.testing.assert_allclose(map_points(fitted, POINTS[:3]), pixels[:3], atol=1e-7)


def test_points_in_a_row_or_none_give_numbers_not_errors():
    row = np.column_stack([np.arange(8.0), np.zeros(8)])[None]
    assert np.isfinite(fit_homographies(row, row + 5, np.ones((1, 8)))).all()
    assert np.isfinite(fit_homographies(row, row + 5, np.zeros((1, 8)))).all()


def test_two_points_of_very_unequal_weight_give_numbers_not_errors():
    """As robust weights leave them of a plate that is hardly there."""
    rng = np.random.default_rng(0)
    points = np.broadcast_to(POINTS, (200, 20, 2))
    weights = np.zeros((200, 20))
    for row in weights:
        row[rng.choice(20, 2, replace=False)] = 0.8, 10 ** -rng.uniform(2, 6)
    pixels = 400 + 0.3 * points + rng.normal(0, 0.3, points.shape)
    assert np.isfinite(fit_homographies(points, pixels, weights)).all()


def test_jacobian_agrees_with_central_differences():
    step = 1e-4  # truncation about 1e-9 px / mm for this H
    numeric = [(map_points(H, POINTS + d) - map_points(H, POINTS - d)) / (2 * step) for d in step * np.eye(2)]
    np.testing.assert_allclose(jacobian(H, POINTS), np.stack(numeric, axis=-1), atol=1e-7)


def test_narrow_scale_is_the_smaller_singular_value():
    J = np.random.default_rng(2).normal(size=(50, 2, 2))
    np.testing.assert_allclose(narrow_scale(J), np.linalg.svd(J, compute_uv=False)[:, 1], atol=1e-7)
