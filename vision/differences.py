"""How functions of the vehicle frame's poses and inputs answer to what these are computed from."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from vision import geometry
from vision.adjust import Adjustment
from vision.frame import FramePlan
from vision.propagate import jacobian

# Central differences: one hundredth of a millimetre and 1e-5 rad are far above rounding (1e-12 of
# 10 m) and far below where any quantity bends.
STEP_MM = 1e-2
STEP_RAD = 1e-5


def used_poses(plan: FramePlan) -> list[int]:
    """Indices of the poses that the frame and the values are computed from."""
    used = {w.pose for w in plan.wheels} | {h.pose for h in plan.heights} | {p.pose for p in plan.levels}
    return sorted(used.union(*(t.poses for t in plan.targets)) - {-1})


def differences(
    plan: FramePlan, adjustment: Adjustment, f: Callable[[NDArray, NDArray], NDArray]
) -> tuple[NDArray, NDArray]:
    """Jacobians of f(poses, inputs) -> (..., k) by the state's tangent and by the inputs."""
    state = adjustment.state
    used = used_poses(plan)
    n_pose = 6 * len(used)

    def of_deviations(deviations: NDArray) -> NDArray:
        poses = np.broadcast_to(state.poses, (len(deviations), *state.poses.shape)).copy()
        tangents = deviations[:, :n_pose].reshape(len(deviations), len(used), 6)
        poses[:, used] = poses[:, used] @ geometry.exp(tangents)
        return f(poses, deviations[:, n_pose:])

    # An input's natural step is its u; a tenth of it keeps the differences in the linear range.
    steps = np.concatenate(
        [np.tile([STEP_MM] * 3 + [STEP_RAD] * 3, len(used)), [0.1 * item.u for item in plan.inputs]]
    )
    J = jacobian(of_deviations, steps)
    J_state = np.zeros((len(J), state.n_columns))
    J_state[:, np.concatenate([state.pose_columns(p) for p in used])] = J[:, :n_pose]
    return J_state, J[:, n_pose:]
