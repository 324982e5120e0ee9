"""The floor's plane: how much each plate on it counts, and what the tilt of a plate says of its height.

A plate lies on the floor, so its own normal, which the photos show, is the plane's. Where it is not, the
plate lies on something, or in a hollow: with one edge on the plane its middle is off it by half its width
times the tilt, one way or the other. Beyond what flatness and photos explain, that is added to the height's
u (rectangular; JCGM 100:2008, 4.3.7).
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vision.adjust import Adjustment
from vision.differences import differences, used_poses
from vision.frame import FramePlan, Tilt, fit_plane, height_points, known_heights, wheel_centres


def with_floor(plan: FramePlan, adjustment: Adjustment) -> FramePlan:
    """The plan with its floor: what plates' tilts add to their heights' u, weights, and sides."""
    weighted = _with_weights(plan, adjustment)
    widened = _with_tilts(weighted, tilts(weighted, adjustment))
    if widened.inputs != weighted.inputs:
        widened = _with_weights(widened, adjustment)
    return _with_sides(widened, adjustment.state.poses)


def spans_a_plane(points: Sequence[NDArray]) -> bool:
    """At least three points, and not in a row: the second extent is a tenth of the first or more."""
    if len(points) < 3:
        return False
    spread = np.linalg.svd(np.array(points) - np.mean(points, axis=0), compute_uv=False)
    return bool(spread[1] > 0.1 * spread[0])


def _with_weights(plan: FramePlan, adjustment: Adjustment) -> FramePlan:
    """The floor's weights, and how everything else follows the floor (frame.settle)."""
    J_state, J_inputs = height_jacobians(plan, adjustment)
    weights = np.linalg.inv(cov_of_heights(plan, adjustment))
    used = used_poses(plan)
    columns = np.concatenate([adjustment.state.pose_columns(p) for p in used])
    u = np.array([i.u for i in plan.inputs])
    with_heights = np.concatenate([adjustment.covariance[columns] @ J_state.T, (J_inputs * u**2).T])
    return replace(plan, weights=weights, pulled=tuple(used), pull=-with_heights @ weights)


def height_jacobians(plan: FramePlan, adjustment: Adjustment) -> tuple[NDArray, NDArray]:
    """d heights of the floor's points along `up` / d tangent of the state, and / d inputs."""

    def heights_of(poses: NDArray, inputs: NDArray) -> NDArray:
        centres, _ = wheel_centres(plan, poses, inputs)
        return height_points(plan, poses, centres) @ plan.up

    return differences(plan, adjustment, heights_of)


def cov_of_heights(plan: FramePlan, adjustment: Adjustment) -> NDArray:
    """Covariance (k, k) of the points' heights along `up`: adjustment, clamps and flatness."""
    J_state, J_inputs = height_jacobians(plan, adjustment)
    cov = J_state @ adjustment.covariance @ J_state.T
    u = np.array([i.u for i in plan.inputs])
    cov = cov + (J_inputs * u**2) @ J_inputs.T
    own = np.array([plan.inputs[h.input].u for h in plan.heights])
    return cov + np.diag(own**2)


def tilts(plan: FramePlan, adjustment: Adjustment) -> tuple[Tilt, ...]:
    """Of each floor plate; a floor as uneven at its edges as in its middle tilts it by u / half its width."""
    laid = [k for k, h in enumerate(plan.heights) if h.pose >= 0]
    if not laid:
        return ()
    e1 = np.cross(plan.up, np.eye(3)[np.argmin(np.abs(plan.up))])
    e1 = e1 / np.linalg.norm(e1)
    across = np.stack([e1, np.cross(plan.up, e1)])

    def tilts_of(poses: NDArray, inputs: NDArray) -> NDArray:
        centres, _ = wheel_centres(plan, poses, inputs)
        points = height_points(plan, poses, centres)
        normal, _ = fit_plane(points, known_heights(plan, inputs), plan.weights, plan.up)
        own = np.stack([poses[..., plan.heights[k].pose, :3, 2] for k in laid], -2)
        return ((own - normal[..., None, :]) @ across.T).reshape(*normal.shape[:-1], -1)

    rad = tilts_of(adjustment.state.poses, np.zeros(len(plan.inputs)))
    J_state, J_inputs = differences(plan, adjustment, tilts_of)
    u = np.array([i.u for i in plan.inputs])
    covariance = J_state @ adjustment.covariance @ J_state.T + (J_inputs * u**2) @ J_inputs.T
    found = []
    for n, k in enumerate(laid):
        half_mm, at = _half_mm(plan.heights[k].pose, adjustment), slice(2 * n, 2 * n + 2)
        edge = np.eye(2) * (plan.inputs[plan.heights[k].input].u / half_mm) ** 2
        found.append(Tilt(k, rad[at], covariance[at, at] + edge, half_mm))
    return tuple(found)


def _half_mm(pose: int, adjustment: Adjustment) -> float:
    o = adjustment.network.observed
    plate = pose - adjustment.network.unknowns.n_photos  # plates come after the photos
    return float(o.half_mm[o.plate == plate][0])


def _with_tilts(plan: FramePlan, found: Sequence[Tilt]) -> FramePlan:
    inputs = list(plan.inputs)
    for tilt in found:
        at = plan.heights[tilt.height].input
        beyond = max(0.0, float(tilt.rad @ tilt.rad - np.trace(tilt.covariance)))
        u_mm = float(np.hypot(inputs[at].u, tilt.half_mm * np.sqrt(beyond / 3)))
        inputs[at] = replace(inputs[at], u=u_mm)
    return replace(plan, inputs=tuple(inputs), tilts=tuple(found))


def _with_sides(plan: FramePlan, poses: NDArray) -> FramePlan:
    """Which floor plates lie beside the car and which nearer to the first target."""
    if not plan.targets:
        return plan
    wheels = np.mean([poses[w.pose][:3, 3] for w in plan.wheels], axis=0)
    target = poses[plan.targets[0].fixture_pose][:3, 3]
    across = target - wheels
    along = [
        (k, float((poses[h.pose][:3, 3] - wheels) @ across / (across @ across)))
        for k, h in enumerate(plan.heights)
        if h.pose >= 0
    ]
    car = tuple(k for k, share in along if share < 0.6)
    ahead = tuple(k for k, share in along if share >= 0.6)
    if not ahead or not spans_a_plane([poses[plan.heights[k].pose][:3, 3] for k in car]):
        return plan
    return replace(plan, car_side=car, target_side=ahead)
