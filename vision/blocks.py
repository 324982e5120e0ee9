"""The residual blocks of a set: saddles in photos, lens priors, plates on fixtures, scale bars."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from vision import geometry
from vision.camera import project, project_with_jacobians
from vision.least_squares import State
from vision.observe import AFFINE_ARM_MM, Observations
from vision.parameters import LensPrior, Unknowns


@dataclass(frozen=True, eq=False)
class _Sight:
    """Where a state has the points of G groups of n.

    Attributes:
        on_plate, before, in_camera: (G, n, 3) mm: on the plate; in the camera, before and after the
            motion during read-out.
        time: (G, n) of the point's row, from the middle row, in units of the whole read-out.
        sag: (G, n, 2) lift per unit of either bow.
        turn_rad: (G, 3) turn during the read-out.
    """

    on_plate: NDArray
    before: NDArray
    in_camera: NDArray
    time: NDArray
    sag: NDArray
    T_camera_plate: NDArray
    turn_rad: NDArray


@dataclass(frozen=True, eq=False)
class SaddleBlock:
    """Saddles of plates in photos, the heart of the adjustment.

    A saddle's place on its plate is its nominal one, stretched by the print's scales and lifted by the
    sheet's bow, z = bow_x (1/3 - (x/h)^2) + bow_y (1/3 - (y/h)^2), which has no mean over the sheet.
    The camera moves while the rows are read: p = p_camera + s (v + w x p_camera), s = row time from the
    middle row, in units of the whole read-out.

    Whitening: a point's own covariance, then the terms that all points of one plate in one photo
    share (a shift, four linear terms). With B their 2n x 6 pattern after the first step and S their
    covariance, W = I - B K B' makes W (I + B S B') W' = I.

    Attributes:
        scales: (N, 2) declared print scales.
        counts: (G, n) points of some weight.
        shared, shared_gain: B (G, 2n, 6) and K B' (G, 6, 2n).
    """

    cause: str
    columns: NDArray
    unknowns: Unknowns
    observed: Observations
    scales: NDArray
    counts: NDArray
    sqrt_information: NDArray
    shared: NDArray
    shared_gain: NDArray

    def _sight(self, state: State) -> "_Sight":
        o, u = self.observed, self.unknowns
        plate_values = state.values[u.plate_values()][o.plate]
        ruler = state.values[u.ruler_value()]
        scale_x = self.scales[o.plate, 0] * (1 + ruler + plate_values[:, 0] + plate_values[:, 1] / 2)
        scale_y = self.scales[o.plate, 1] * (1 + ruler + plate_values[:, 0] - plate_values[:, 1] / 2)
        sag = 1 / 3 - (o.points_mm / o.half_mm[:, None, None]) ** 2
        on_plate = np.stack(
            [
                o.points_mm[..., 0] * scale_x[:, None],
                o.points_mm[..., 1] * scale_y[:, None],
                (sag @ plate_values[:, 2:4, None])[..., 0],
            ],
            -1,
        )
        T_world_camera = state.poses[o.photo]
        T_world_plate = state.poses[u.plate_pose(o.plate)]
        T_camera_plate = geometry.invert(T_world_camera) @ T_world_plate
        before = geometry.apply(T_camera_plate, on_plate)
        height = o.size_px[o.photo, 1]
        time = (o.saddles_px[..., 1] - (height[:, None] - 1) / 2) / height[:, None]
        twist = state.values[u.photo_values()][o.photo][:, 3:9]
        # v + w x p, and w x p is p times the transpose of skew(w).
        motion = twist[:, None, :3] - before @ geometry.skew(twist[:, 3:])
        in_camera = before + time[..., None] * motion
        return _Sight(on_plate, before, in_camera, time, sag, T_camera_plate, twist[:, 3:])

    def _lenses(self, state: State) -> NDArray:
        """(G, 1, 9): the lens as it was in each group's photo."""
        o, u = self.observed, self.unknowns
        lens = state.values[u.lens_values()][o.lens_of_photo[o.photo]].copy()
        change = state.values[u.photo_values()][o.photo]
        lens[:, 0] *= 1 + change[:, 0]
        lens[:, 1:3] += change[:, 1:3]
        return lens[:, None]

    def _own_whitened(self, raw: NDArray) -> NDArray:
        """(G, k, n, 2) in pixels -> (G, k, 2n) in each point's own uncertainties."""
        x, y, L = raw[..., 0], raw[..., 1], self.sqrt_information[:, None]
        out = np.empty(raw.shape)
        for axis in (0, 1):
            # Written out, for numpy's matrix product is slow on many small matrices.
            np.add(L[..., axis, 0] * x, L[..., axis, 1] * y, out=out[..., axis])
        return out.reshape(*raw.shape[:2], -1)

    def _without_common(self, own: NDArray) -> NDArray:
        """(G, k, 2n) in own uncertainties -> whitened, in place."""
        own -= own @ self.shared @ self.shared_gain
        return own

    def whitened(self, raw: NDArray) -> NDArray:
        """(G, n, 2, k) in pixels -> (G, 2n, k) whitened."""
        return np.swapaxes(self._without_common(self._own_whitened(np.moveaxis(raw, -1, 1))), 1, 2)

    def residuals_px(self, state: State) -> NDArray:
        """(G, n, 2) observed minus computed, in pixels, padding included."""
        in_camera = self._sight(state).in_camera
        return self._off_px(in_camera, project(in_camera, self._lenses(state)))

    def _off_px(self, in_camera: NDArray, computed_px: NDArray) -> NDArray:
        # A point behind the camera has no image: the state is absurd, and says so by infinity.
        return np.where(in_camera[..., 2:] <= 0, np.inf, self.observed.saddles_px - computed_px)

    def residuals(self, state: State) -> NDArray:
        return self._residuals(self.residuals_px(state))

    def _residuals(self, off_px: NDArray) -> NDArray:
        # A point of no weight behind the camera would make 0 * infinity.
        off_px = np.where(self.counts[..., None], off_px, 0.0)
        return self._without_common(self._own_whitened(off_px[:, None]))[:, 0]

    def linearise(self, state: State) -> tuple[NDArray, NDArray]:
        sight = self._sight(state)
        at = project_with_jacobians(sight.in_camera, self._lenses(state))
        # Each column of the Jacobian is made of these by numbers of its point, so whitening comes first.
        own = [self._own_whitened(np.moveaxis(J, -1, 1)) for J in (at.J_point, at.J_lens)]
        # The Jacobian is finite everywhere, and padding has no weight: only the residuals need the mask.
        J = self._without_common(self._columns(state, sight, *own))
        return self._residuals(self._off_px(sight.in_camera, at.points_px)), np.swapaxes(J, 1, 2)

    def linearise_px(self, state: State) -> tuple[NDArray, NDArray]:
        """Residuals (G, n, 2) in pixels and the Jacobian (G, n, 2, 35) of the computed pixels."""
        sight = self._sight(state)
        at = project_with_jacobians(sight.in_camera, self._lenses(state))
        G, n = sight.time.shape
        rows = [np.moveaxis(J, -1, 1).reshape(G, -1, 2 * n) for J in (at.J_point, at.J_lens)]
        J = np.swapaxes(self._columns(state, sight, *rows), 1, 2)
        return self._off_px(sight.in_camera, at.points_px), J.reshape(G, n, 2, -1)

    def _columns(self, state: State, sight: "_Sight", J_point: NDArray, J_lens: NDArray) -> NDArray:
        """The Jacobian's columns (G, 35, 2n), from its parts by point in the camera and by lens.

        Camera pose 6, plate pose 6, photo 9, lens 9, plate 4, ruler 1.
        """
        o, u = self.observed, self.unknowns
        time, before, on_plate = _rows(sight.time), _rows(sight.before), _rows(sight.on_plate)
        R, t = sight.T_camera_plate[:, :3, :3], sight.T_camera_plate[:, :3, 3]
        J = np.empty((len(J_point), 35, J_point.shape[-1]))
        # The motion turns a displacement of the point only by 1e-4; kept, for exact derivatives.
        J[:, 0:3] = time * (geometry.skew(sight.turn_rad) @ J_point) - J_point
        np.matmul(-np.swapaxes(R, -1, -2), J[:, 0:3], out=J[:, 6:9])
        _cross(on_plate, J[:, 6:9], out=J[:, 9:12])
        # Camera and plate turn the same point: before x d = R (on_plate x R' d) + t x d.
        J[:, 3:6] = geometry.skew(t) @ J[:, 0:3] - R @ J[:, 9:12]
        change = state.values[u.photo_values()][o.photo]
        lens_f = state.values[u.lens_values()][o.lens_of_photo[o.photo], 0]
        J[:, 12] = J_lens[:, 0] * lens_f[:, None]
        J[:, 13:15] = J_lens[:, 1:3]
        np.multiply(time, J_point, out=J[:, 15:18])
        _cross(before, J[:, 15:18], out=J[:, 18:21])
        J[:, 21:30] = J_lens
        J[:, 21] *= 1 + change[:, 0, None]
        along = J[:, 6:8] * _rows(o.points_mm * self.scales[o.plate][:, None])
        np.add(along[:, 0], along[:, 1], out=J[:, 30])
        J[:, 31] = along[:, 0] - J[:, 30] / 2
        np.multiply(J[:, 8:9], _rows(sight.sag), out=J[:, 32:34])
        J[:, 34] = J[:, 30]
        return J

    def is_behind(self, state: State) -> NDArray:
        """(G, n) points that lie behind the camera."""
        return self._sight(state).in_camera[..., 2] <= 0

    def point_covariance(self) -> NDArray:
        """(G, n, 2, 2) px2 of each point by itself, its share of the plate's common terms included."""
        o = self.observed
        info = np.swapaxes(o.sqrt_information, -1, -2) @ o.sqrt_information
        pattern = _shared_pattern(o)
        return np.linalg.inv(info) + (pattern * _shared_variance(o)[:, None, None]) @ np.swapaxes(
            pattern, -1, -2
        )

    def observation_covariance(self, group: int) -> NDArray:
        """(2n, 2n) in px2 of one group, shared terms included; padding and rejected points as given."""
        o = self.observed
        info = np.swapaxes(o.sqrt_information[group], -1, -2) @ o.sqrt_information[group]
        own = scipy.linalg.block_diag(*np.linalg.inv(info))
        pattern = _shared_pattern(o)[group].reshape(len(own), 6)
        return own + (pattern * _shared_variance(o)[group]) @ pattern.T


def _rows(of_points: NDArray) -> NDArray:
    """(G, n) or (G, n, k), one for each point -> (G, 1 or k, 2n), the same for its x and y."""
    by_kind = np.atleast_3d(of_points).swapaxes(1, 2)
    return np.repeat(by_kind, 2, axis=2)


def _cross(a: NDArray, b: NDArray, out: NDArray) -> None:
    """Cross products of (G, 3, 2n) arrays along their middle axis."""
    for k in range(3):
        i, j = (k + 1) % 3, (k + 2) % 3
        np.subtract(a[:, i] * b[:, j], a[:, j] * b[:, i], out=out[:, k])


def _shared_pattern(o: Observations) -> NDArray:
    """(G, n, 2, 6) displacement in px per unit of each shared term: shift x, y, then linear terms."""
    unit = o.points_mm / AFFINE_ARM_MM
    out = np.zeros((*o.used.shape, 2, 6))
    out[..., 0, 0] = out[..., 1, 1] = 1.0
    out[..., 0, 2:4] = out[..., 1, 4:6] = unit
    return out


def _shared_variance(o: Observations) -> NDArray:
    """(G, 6) px2."""
    return np.concatenate(
        [np.repeat(o.u_shift_px[:, None] ** 2, 2, 1), np.repeat(o.u_affine_px[:, None] ** 2, 4, 1)], 1
    )


def saddle_block(
    unknowns: Unknowns, observed: Observations, scales: NDArray, weights: NDArray | None = None
) -> SaddleBlock:
    """The block of all saddles.

    Args:
        scales: (N, 2) declared print scales.
        weights: (G, n) multiply each point's information (robust start); None for ones.
    """
    o, u = observed, unknowns
    root = np.where(o.used, 1.0, 0.0) if weights is None else np.sqrt(np.where(o.used, weights, 0.0))
    sqrt_information = o.sqrt_information * root[..., None, None]
    G, n = o.used.shape
    shared = (sqrt_information @ _shared_pattern(o)).reshape(G, 2 * n, 6)
    s = np.sqrt(_shared_variance(o))
    scaled = shared * s[:, None]
    lam, V = np.linalg.eigh(np.swapaxes(scaled, -1, -2) @ scaled)
    lam = np.maximum(lam, 0.0)
    # (1 - 1/sqrt(1 + lam)) / lam, in a form that stays finite as lam -> 0.
    factor = 1 / (1 + lam + np.sqrt(1 + lam))
    SV = s[..., None] * V
    gain = (SV * factor[:, None]) @ np.swapaxes(shared @ SV, -1, -2)

    def pose(index: NDArray) -> NDArray:
        return 6 * index[:, None] + np.arange(6)

    first = 6 * u.n_poses
    columns = np.concatenate(
        [
            pose(o.photo),
            pose(np.asarray(u.plate_pose(o.plate))),
            first + u.photo_values()[o.photo],
            first + u.lens_values()[o.lens_of_photo[o.photo]],
            first + u.plate_values()[o.plate],
            np.full((G, 1), first + u.ruler_value()),
        ],
        1,
    )
    return SaddleBlock("image", columns, u, o, scales, root > 0, sqrt_information, shared, gain)


@dataclass(frozen=True, eq=False)
class LensBlock:
    """What is known of the lenses beforehand, correlations included."""

    cause: str
    columns: NDArray
    value_index: NDArray
    mean: NDArray
    whitening: NDArray

    def residuals(self, state: State) -> NDArray:
        off = self.mean - state.values[self.value_index]
        return (self.whitening @ off[..., None])[..., 0]

    def linearise(self, state: State) -> tuple[NDArray, NDArray]:
        return self.residuals(state), self.whitening


def lens_block(unknowns: Unknowns, priors: Sequence[LensPrior]) -> LensBlock:
    """Priors of all lenses, one group each."""
    index = unknowns.lens_values()
    factors = [np.linalg.cholesky(p.covariance) for p in priors]
    whitening = np.stack([scipy.linalg.solve_triangular(L, np.eye(len(L)), lower=True) for L in factors])
    mean = np.stack([p.mean for p in priors])
    return LensBlock("lens", 6 * unknowns.n_poses + index, index, mean, whitening)


@dataclass(frozen=True, eq=False)
class MountBlock:
    """Plates on their fixtures: log(T_fixture_plate declared^-1 @ adjusted) is zero within the kit's u."""

    cause: str
    columns: NDArray
    fixture_pose: NDArray
    plate_pose: NDArray
    T_plate_fixture: NDArray
    u: NDArray

    def _off(self, state: State) -> NDArray:
        T_fixture_plate = geometry.invert(state.poses[self.fixture_pose]) @ state.poses[self.plate_pose]
        return self.T_plate_fixture @ T_fixture_plate

    def residuals(self, state: State) -> NDArray:
        return -geometry.log(self._off(state)) / self.u

    def linearise(self, state: State) -> tuple[NDArray, NDArray]:
        off = self._off(state)
        xi = geometry.log(off)
        R, inverse = off[:, :3, :3], geometry.rotation_log_jacobian_inverse(xi[:, 3:])
        J = np.zeros((len(xi), 6, 12))
        # Plate: off @ exp(d): translation moves by R v, rotation by the inverse right Jacobian.
        J[:, :3, 6:9], J[:, 3:, 9:12] = R, inverse
        # Fixture: T_pf exp(-d) T_fp' = off @ (Adjoint of -d through T_plate_fixture adjusted).
        T_plate_fixture = geometry.invert(state.poses[self.plate_pose]) @ state.poses[self.fixture_pose]
        R_pf, t_pf = T_plate_fixture[:, :3, :3], T_plate_fixture[:, :3, 3]
        J[:, :3, 0:3] = -R @ R_pf
        J[:, :3, 3:6] = -R @ geometry.skew(t_pf) @ R_pf
        J[:, 3:, 3:6] = -inverse @ R_pf
        return -xi / self.u, J / self.u[..., None]


def mount_block(
    unknowns: Unknowns,
    fixture: Sequence[int],
    plate: Sequence[int],
    T_fixture_plate: NDArray,
    u: NDArray,
) -> MountBlock:
    """Args: index of fixture and of plate for each mount; declared pose (M, 4, 4) and its u (M, 6)."""
    fixture_pose = np.asarray(unknowns.fixture_pose(np.asarray(fixture, int)))
    plate_pose = np.asarray(unknowns.plate_pose(np.asarray(plate, int)))
    columns = np.concatenate(
        [6 * fixture_pose[:, None] + np.arange(6), 6 * plate_pose[:, None] + np.arange(6)], 1
    )
    return MountBlock("fixture", columns, fixture_pose, plate_pose, geometry.invert(T_fixture_plate), u)


@dataclass(frozen=True, eq=False)
class DistanceBlock:
    """Known distances between the origins of pairs of poses (scale bars)."""

    cause: str
    columns: NDArray
    poses: NDArray
    length_mm: NDArray
    u_mm: NDArray

    def _between(self, state: State) -> tuple[NDArray, NDArray]:
        d = state.poses[self.poses[:, 1], :3, 3] - state.poses[self.poses[:, 0], :3, 3]
        return d, np.linalg.norm(d, axis=1)

    def residuals(self, state: State) -> NDArray:
        return ((self.length_mm - self._between(state)[1]) / self.u_mm)[:, None]

    def linearise(self, state: State) -> tuple[NDArray, NDArray]:
        d, length = self._between(state)
        unit = d / length[:, None]
        R = state.poses[self.poses][..., :3, :3]
        J = np.zeros((len(d), 1, 12))
        J[:, 0, 0:3] = -(unit[:, None] @ R[:, 0])[:, 0]
        J[:, 0, 6:9] = (unit[:, None] @ R[:, 1])[:, 0]
        return ((self.length_mm - length) / self.u_mm)[:, None], J / self.u_mm[:, None, None]


def distance_block(poses: NDArray, length_mm: NDArray, u_mm: NDArray) -> DistanceBlock:
    """Args: (M, 2) pose indices; lengths and their u (M,)."""
    poses = np.asarray(poses, int).reshape(-1, 2)
    columns = (6 * poses[:, :, None] + np.arange(6)).reshape(len(poses), 12)
    return DistanceBlock("scale_bars", columns, poses, np.asarray(length_mm, float), np.asarray(u_mm, float))
