"""What detection would give for a scene's photos, drawn in milliseconds instead of rendered.

Stands in for photo and detect stages in studies and tests. The draw follows the covariances that each
Detection states, unless an argument says that the truth differs from them.
"""

from typing import Protocol

import numpy as np
from numpy.random import Generator

from tools.truth import TruePhoto, View, points_in_world_mm, project_points, views_in
from vision.detect import Detection
from vision.forecast import saddle_cov_px2
from vision.sightings import FoundPhoto

AFFINE_RADIUS_MM = 80.0  # where `u_affine_px` is stated (vision/detect.py)


class Photographed(Protocol):
    """A scene, of whatever kind, of which photos are taken."""

    @property
    def photos(self) -> tuple[TruePhoto, ...]: ...


def observe_scene(
    rng: Generator,
    scene: Photographed,
    *,
    noise_px: float = 0.029,
    u_shift_px: float = 0.012,
    u_affine_px: float = 0.006,
    outlier_share: float = 0.0,
    missing_share: float = 0.01,
    true_over_stated: float = 1.0,
) -> tuple[FoundPhoto, ...]:
    """Draw the detections of every photo of a scene.

    Args:
        noise_px: Standard uncertainty per axis of a saddle in an ordinary view; steep and small views
            have more. 0 gives the exact points, with the covariances of 0.029 px stated.
        u_shift_px, u_affine_px: Errors common to a plate's points in one photo, as Detection has them.
        outlier_share: Share of the saddles with a gross error of 1 to 15 px (sd, log-uniform) instead.
        missing_share: Share of the saddles that were not found.
        true_over_stated: Factor on every drawn error, for studies of wrong assumptions.
    """
    stated_px = noise_px or 0.029
    factor = true_over_stated if noise_px else 0.0
    photos = []
    for photo in scene.photos:
        views = views_in(photo)
        detections = _detections(
            rng, photo, views, stated_px, (u_shift_px, u_affine_px), outlier_share, missing_share, factor
        )
        sha256 = f"simulated {photo.name}"  # told apart by name: there is no file
        photos.append(FoundPhoto(photo.name, sha256, photo.size_px, photo.exif, detections))
    return tuple(photos)


def _detections(
    rng: Generator,
    photo: TruePhoto,
    views: tuple[View, ...],
    noise_px: float,
    common_px: tuple[float, float],
    outlier_share: float,
    missing_share: float,
    factor: float,
) -> tuple[Detection, ...]:
    if not views:
        return ()
    found = [np.flatnonzero(rng.random(len(view.plate.layout.saddles_mm)) >= missing_share) for view in views]
    in_layout_mm = [view.plate.layout.saddles_mm[index] for view, index in zip(views, found, strict=True)]
    # The plate's normal is projected too: along its image the plate is foreshortened.
    tips_mm = [view.plate.T_world_plate[:3, 3] + 50 * view.plate.T_world_plate[:3, 2] for view in views]
    feet_mm = [view.plate.T_world_plate[:3, 3] for view in views]
    world_mm = [points_in_world_mm(v.plate, xy) for v, xy in zip(views, in_layout_mm, strict=True)]
    pixels = project_points(photo, np.vstack([*world_mm, tips_mm, feet_mm]))
    n = len(views)
    points_px = np.split(pixels[: -2 * n], np.cumsum([len(xy) for xy in in_layout_mm])[:-1])
    narrow_px = pixels[-2 * n : -n] - pixels[-n:]

    detections = []
    for i, view in enumerate(views):
        cov_px2 = saddle_cov_px2(view.incidence_deg, view.tag_edge_px, narrow_px[i], noise_px)
        xy = in_layout_mm[i] / AFFINE_RADIUS_MM
        draw = rng.normal(0, 1, (len(xy) + 3, 2))
        error_px = draw[:-3] @ np.linalg.cholesky(cov_px2).T
        error_px += common_px[0] * draw[-3] + common_px[1] * xy @ draw[-2:]
        error_px *= factor
        if outlier_share:
            gross = rng.random(len(xy)) < outlier_share
            size_px = np.exp(rng.uniform(np.log(1), np.log(15), (int(gross.sum()), 1)))
            error_px[gross] += rng.normal(0, 1, (len(size_px), 2)) * size_px
        detections.append(
            Detection(
                plate=view.plate.number,
                layout=view.plate.layout.name,
                saddle_index=found[i],
                saddles_px=points_px[i] + error_px,
                cov_px2=np.broadcast_to(cov_px2, (len(xy), 2, 2)),
                u_shift_px=common_px[0],
                u_affine_px=common_px[1],
                tag_read=True,
                tag_edge_px=view.tag_edge_px,
                incidence_deg=view.incidence_deg,
            )
        )
    return tuple(detections)
