"""Simulated detections: exact without noise, and as uncertain as they say."""

import numpy as np
import pytest

from tools.scene import make_scene
from tools.simulate import observe_scene
from tools.truth import points_in_world_mm, project_points, views_in


@pytest.fixture(scope="module")
def scene():
    return make_scene(np.random.default_rng(12), n_photos=8)


def errors_px(scene, photos):
    """Per detection: observed minus true, (n, 2)."""
    for true_photo, photo in zip(scene.photos, photos, strict=True):
        plates = {p.number: p for p in true_photo.plates}
        for detection in photo.detections:
            plate = plates[detection.plate]
            xy = plate.layout.saddles_mm[detection.saddle_index]
            true_px = project_points(true_photo, points_in_world_mm(plate, xy))
            yield detection, xy, detection.saddles_px - true_px


def test_without_noise_the_points_are_the_true_ones(scene):
    photos = observe_scene(np.random.default_rng(0), scene, noise_px=0, missing_share=0)
    for detection, _, error in errors_px(scene, photos):
        assert len(detection.saddles_px) == 44
        np.testing.assert_allclose(error, 0, atol=1e-9)


def test_every_visible_plate_is_detected_once(scene):
    photos = observe_scene(np.random.default_rng(0), scene)
    for true_photo, photo in zip(scene.photos, photos, strict=True):
        assert [d.plate for d in photo.detections] == [v.plate.number for v in views_in(true_photo)]
        assert photo.name == true_photo.name and photo.exif == true_photo.exif


def test_errors_have_the_covariance_that_the_detection_states(scene):
    """Whitened by the full covariance of a detection (own, shift, affine), the squares add to chi-square."""
    total, n = 0.0, 0
    for seed in range(20):
        photos = observe_scene(np.random.default_rng(seed), scene)
        for detection, xy, error in errors_px(scene, photos):
            basis = np.column_stack([np.full(len(xy), detection.u_shift_px), detection.u_affine_px * xy / 80])
            cov = np.kron(basis @ basis.T, np.eye(2))
            for i, own in enumerate(detection.cov_px2):
                cov[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] += own
            total += error.ravel() @ np.linalg.solve(cov, error.ravel())
            n += error.size
    # sd of chi-square / n is sqrt(2 / n), 0.5 % here: five of them.
    assert total / n == pytest.approx(1, abs=5 * np.sqrt(2 / n))


def test_steep_views_are_less_sure_than_frontal_ones(scene):
    photos = observe_scene(np.random.default_rng(0), scene)
    rms = {
        d.incidence_deg: np.sqrt(np.trace(d.cov_px2[0]) / 2)
        for photo in photos
        for d in photo.detections
        if d.tag_edge_px > 40
    }
    assert rms[max(rms)] > 1.2 * rms[min(rms)]
    assert min(rms.values()) == pytest.approx(0.029, rel=0.1)


def test_outliers_come_in_the_share_asked_for(scene):
    photos = observe_scene(np.random.default_rng(0), scene, outlier_share=0.05)
    sizes = np.concatenate([np.linalg.norm(e, axis=1) for _, _, e in errors_px(scene, photos)])
    # Of log-uniform sizes 1 to 15 px (sd per axis) some 97 % pass 0.4 px, which no good point does.
    assert np.mean(sizes > 0.4) == pytest.approx(0.05, abs=0.015)
