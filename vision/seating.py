"""Two positions of the wheels -> how each clamp sits now, and whether it left its seat.

Photos are taken, the vehicle is rolled on by about half a turn of its wheels (a metre), and photos are
taken again; fixture and floor plates stay. A clamp turns with its wheel. What it misses the spin axis by
turns with it, while the wheel's centre and its axis move as the whole vehicle does:

    centre_later = T_later_earlier centre_earlier        axis_later = R_later_earlier axis_earlier

per wheel, for one rigid motion of the vehicle. Each place that a clamp misses by thus counts twice, with
opposite signs, and the motion shows what all wheels have in common. What turning cannot show is the standoff:
it stays as the kit says. That all clamps miss alike, fore and aft, looks like rolling farther; that both
front ones are turned alike looks like steering. There the kit's own uncertainty stays.

Least squares with conditions between observations and unknowns (Gauss-Helmert model; Koch 1999, 3.2 and
ISO/IEC Guide 98-3:2008/Suppl. 2 for the covariance), linearised again until it stands.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import scipy.stats
from numpy.typing import NDArray

from vision import geometry
from vision.adjust import Adjustment
from vision.errors import NotEnoughError
from vision.frame import FramePlan, WheelPlan, wheel_centres
from vision.initial import adjust_from_nothing
from vision.kit import WHEELS, Clamp, Kit, Vehicle
from vision.layout import Layout
from vision.lenses import Profile
from vision.measure import assemble
from vision.moved import LATER
from vision.propagate import jacobian
from vision.seated import among_wheels
from vision.sightings import FoundPhoto

# A wheel's turn between the positions, as an angle from 0 to 180 degrees: half a turn serves best, and a
# third still separates the clamp's miss from the vehicle's motion; common practice, no source.
LEAST_TURN_DEG = 100.0
# How far a wheel's centre and axis settle otherwise than the rest when a vehicle rolls a metre (bushings,
# tyres, toe and camber): common practice, no source. Upward the floor's flatness counts besides.
U_SETTLE_MM, U_SETTLE_RAD = 0.3, float(np.radians(0.01))
# Floor under the wheels where the kit declares none.
U_FLOOR_MM = 1.0
# The steering wheel may be held a little otherwise; both front wheels then turn alike.
U_STEER_RAD = float(np.radians(1.0))
# How far and where to the vehicle rolls is not known beforehand: priors that only keep the equations regular.
# But it stays on the floor: as a whole it rises and leans little; common practice, no source.
U_ROLL_MM, U_YAW_RAD = 2000.0, 0.2
U_HEAVE_MM, U_LEAN_RAD = 3.0, float(np.radians(0.1))
# A clamp that left its seat: what it may then miss by.
U_LOOSE_MM, U_LOOSE_RAD = 30.0, float(np.radians(3.0))
# All clamps of a correct check pass with 99.7 %, as in the family of consistency tests.
FAMILY_LEVEL = 0.003
# Linearising settles in two or three steps; a motion of half a turn is no small angle, but is started from.
N_STEPS = 6
MISSES = 4  # of a clamp: eccentricity x and y, tilt x and y
STEP_MM, STEP_RAD = 1e-2, 1e-5


@dataclass(frozen=True, eq=False)
class Seat:
    """How one clamp sits.

    Attributes:
        clamp: As the kit has it, with the eccentricity and tilt found and their uncertainties.
        miss: (4,) eccentricity x, y in mm and tilt x, y in rad, about the plate's own axes.
        covariance: (4, 4) of `miss`.
        turn_deg: By how much the wheel turned between the positions.
        statistic, limit: The clamp's departure from what the kit says, chi-square with four degrees of
            freedom; above the limit it has left its seat.
        says: In words.
    """

    wheel: str
    clamp: Clamp
    miss: NDArray
    covariance: NDArray
    turn_deg: float
    statistic: float
    limit: float
    says: str

    @property
    def is_seated(self) -> bool:
        return self.statistic <= self.limit


@dataclass(frozen=True, eq=False)
class Seating:
    """All clamps, in the order of `WHEELS`, with their joint covariance (4 w, 4 w).

    `T_wheels_plate`: by wheel, how the plates hung among each other in the later position (seated.py).
    """

    seats: tuple[Seat, ...]
    covariance: NDArray
    adjustment: Adjustment
    T_wheels_plate: Mapping[str, NDArray]

    def kit(self, kit: Kit) -> Kit:
        """The kit with the clamps as they sit now: true until one of them is taken off."""
        seated = {seat.wheel: seat.clamp for seat in self.seats}
        return replace(kit, clamps=MappingProxyType({**kit.clamps, **seated}))


def clamps_as_seated(
    before: Sequence[FoundPhoto],
    after: Sequence[FoundPhoto],
    kit: Kit,
    layouts: Mapping[str, Layout],
    profiles: Sequence[Profile] = (),
) -> Seating:
    """How the clamps sit, from photos before and after the vehicle was rolled on.

    Args:
        before, after: With names of their own; fixture, floor plates and bars did not move between them.

    Raises:
        NotEnoughError: The photos of both positions do not hang together, a wheel is missing from one of
            them, or the wheels hardly turned.
    """
    plates = {clamp.plate for clamp in kit.clamps.values()} | {d.plate for d in kit.datum_plates}
    copies = {p + LATER: replace(kit.plates[p], number=p + LATER) for p in plates}
    both = replace(kit, plates=MappingProxyType({**kit.plates, **copies}))
    later = tuple(_renamed(photo, plates) for photo in after)
    network = assemble((*before, *later), both, layouts, profiles).network
    adjustment = adjust_from_nothing(network)
    return seating(adjustment, kit)


def _renamed(photo: FoundPhoto, plates: set[int]) -> FoundPhoto:
    detections = (replace(d, plate=d.plate + LATER) if d.plate in plates else d for d in photo.detections)
    return replace(photo, detections=tuple(detections))


def seating(adjustment: Adjustment, kit: Kit) -> Seating:
    """As `clamps_as_seated`, from the adjustment of both positions' photos.

    A clamp that has left its seat would spoil what the others are judged by: the worst one is set loose and
    all are judged again, until no other fails.
    """
    problem = _Problem.of(adjustment, kit)
    loose: frozenset[int] = frozenset()
    every = range(len(problem.wheels))
    while True:
        tests = {k: problem.departure(k, loose) for k in every}
        failed = [k for k in every if k not in loose and tests[k] > problem.limit]
        if not failed:
            break
        loose |= {max(failed, key=lambda k: tests[k])}
    solved = problem.solved(loose)
    index = np.concatenate([problem.misses(k) for k in every])
    seats = tuple(problem.seat(k, solved, tests[k]) for k in every)
    hung = among_wheels(adjustment, kit, LATER)
    return Seating(seats, solved.covariance[np.ix_(index, index)], adjustment, hung)


@dataclass(frozen=True, eq=False)
class _Solved:
    """Unknowns, their covariance, and the weighted squares that are left."""

    x: NDArray
    covariance: NDArray
    squares: float


# --- the equations ------------------------------------------------------------------------------------

_MOTION = slice(0, 6)  # about the vehicle's middle: forward, left, up; about the same axes
_STEER = 6
_FIRST = 7  # of the clamps' inputs, five each, as frame.wheel_centres takes them


@dataclass(frozen=True, eq=False)
class _Problem:
    """Unknowns x: the motion, the steering, five inputs of each clamp. Observations: the plates' poses.

    Attributes:
        earlier, later: The same clamps, at their plates' poses in either position.
        T_world_body: (4, 4) the vehicle's middle in the earlier position, axes forward, left, up.
        T_start: (4, 4) level motion, in that frame, that the linearisation starts from.
        cov_model: (5 w, 5 w) how far conditions may be off though everything is measured well.
    """

    adjustment: Adjustment
    wheels: tuple[str, ...]
    earlier: FramePlan
    later: FramePlan
    T_world_body: NDArray
    T_start: NDArray
    turns_deg: NDArray
    cov_model: NDArray

    @staticmethod
    def of(adjustment: Adjustment, kit: Kit) -> "_Problem":
        o, u = adjustment.network.observed, adjustment.network.unknowns
        pose_of = {plate: int(u.plate_pose(k)) for k, plate in enumerate(o.plates)}
        names = tuple(n for n in WHEELS if n in kit.clamps and _is_in_both(kit.clamps[n].plate, pose_of))
        _need_wheels(names, kit)
        earlier = _plan([(n, kit.clamps[n], pose_of[kit.clamps[n].plate]) for n in names])
        later = _plan([(n, kit.clamps[n], pose_of[kit.clamps[n].plate + LATER]) for n in names])
        poses, nothing = adjustment.state.poses, np.zeros(_FIRST + 5 * len(names))
        centres, _ = wheel_centres(earlier, poses, nothing)
        T_world_body = _body(dict(zip(names, centres, strict=True)), _up(adjustment, kit, pose_of))
        T_body_world = geometry.invert(T_world_body)
        centres_later, _ = wheel_centres(later, poses, nothing)
        T_start = _level_motion(
            geometry.apply(T_body_world, centres), geometry.apply(T_body_world, centres_later)
        )
        turns_deg = _turns_deg(earlier, later, poses, T_world_body @ T_start @ T_body_world)
        _need_turns(names, turns_deg)
        floor_mm = [f.u_flatness_mm for f in kit.floor] or [U_FLOOR_MM]
        return _Problem(
            adjustment,
            names,
            earlier,
            later,
            T_world_body,
            T_start,
            turns_deg,
            _cov_model(len(names), float(np.sqrt(2) * max(floor_mm))),
        )

    @property
    def limit(self) -> float:
        return float(scipy.stats.chi2.isf(FAMILY_LEVEL / len(self.wheels), MISSES))

    def inputs(self, k: int) -> NDArray:
        return _FIRST + 5 * k + np.arange(5)

    def misses(self, k: int) -> NDArray:
        return self.inputs(k)[:MISSES]

    def conditions(self, poses: NDArray, x: NDArray) -> NDArray:
        """(..., 5 w): by wheel how far its centre (forward, left, up) and its axis (two) break the rule."""
        R_body_world = self.T_world_body[:3, :3].T
        T_world_body = self.T_world_body @ self.T_start @ geometry.exp(x[..., _MOTION])
        T = T_world_body @ geometry.invert(self.T_world_body)
        centre, axis = wheel_centres(self.earlier, poses, x)
        centre_later, axis_later = wheel_centres(self.later, poses, x)
        off_mm = (centre_later - geometry.apply(T, centre)) @ R_body_world.T
        turned = (T[..., None, :3, :3] @ axis[..., None])[..., 0]
        off_axis = (axis_later - turned) @ R_body_world[[0, 2]].T
        front = np.array([name.startswith("front") for name in self.wheels])
        side = np.array([1.0 if name.endswith("left") else -1.0 for name in self.wheels])
        # Steering left by s turns a left wheel's outward axis backward, a right wheel's forward.
        off_axis[..., 0] += front * side * x[..., _STEER, None]
        return np.concatenate([off_mm, off_axis], -1).reshape(*off_mm.shape[:-2], -1)

    def solved(self, loose: Collection[int]) -> "_Solved":
        """The unknowns, the clamps `loose` not held by what the kit says of them."""
        u = self._u(loose)
        x = np.zeros(len(u))
        for _ in range(N_STEPS):
            f, A, cov = self._linearised(x)
            W = np.linalg.inv(cov)
            N = A.T @ W @ A + np.diag(u**-2.0)
            step = np.linalg.solve(N, A.T @ W @ f + x / u**2)
            x = x - step
        at = f - A @ step
        return _Solved(x, np.linalg.inv(N), float(at @ W @ at + ((x / u) ** 2).sum()))

    def departure(self, k: int, loose: Collection[int]) -> float:
        """By how much the weighted squares fall when clamp k is not held by what the kit says of it."""
        return self.solved(set(loose) - {k}).squares - self.solved(set(loose) | {k}).squares

    def seat(self, k: int, solved: "_Solved", statistic: float) -> Seat:
        x, covariance = solved.x, solved.covariance
        wheel, declared = self.wheels[k], self.earlier.wheels[k].clamp
        index = self.misses(k)
        own = covariance[np.ix_(index, index)]
        miss = x[index] + [*declared.eccentricity_mm, *declared.tilt_rad]
        clamp = replace(
            declared,
            eccentricity_mm=(float(miss[0]), float(miss[1])),
            tilt_rad=(float(miss[2]), float(miss[3])),
            u_eccentricity_mm=float(np.sqrt(np.linalg.eigvalsh(own[:2, :2])[-1])),
            u_tilt_rad=float(np.sqrt(np.linalg.eigvalsh(own[2:, 2:])[-1])),
        )
        turn_deg = float(self.turns_deg[k])
        says = _words(wheel, x[index], statistic > self.limit)
        return Seat(wheel, clamp, miss, own, turn_deg, statistic, self.limit, says)

    def _u(self, loose: Collection[int]) -> NDArray:
        u = [U_ROLL_MM, U_ROLL_MM, U_HEAVE_MM, U_LEAN_RAD, U_LEAN_RAD, U_YAW_RAD, U_STEER_RAD]
        for k, w in enumerate(self.earlier.wheels):
            ecc, tilt = (
                (U_LOOSE_MM, U_LOOSE_RAD) if k in loose else (w.clamp.u_eccentricity_mm, w.clamp.u_tilt_rad)
            )
            u += [ecc, ecc, tilt, tilt, w.clamp.u_standoff_mm]
        return np.array(u)

    def _linearised(self, x: NDArray) -> tuple[NDArray, NDArray, NDArray]:
        """Conditions (m,) at x, their Jacobian by x (m, n), and their covariance (m, m)."""
        state = self.adjustment.state
        used = [w.pose for plan in (self.earlier, self.later) for w in plan.wheels]

        def of_poses(tangents: NDArray) -> NDArray:
            poses = np.broadcast_to(state.poses, (len(tangents), *state.poses.shape)).copy()
            poses[:, used] = poses[:, used] @ geometry.exp(tangents.reshape(len(tangents), len(used), 6))
            return self.conditions(poses, np.broadcast_to(x, (len(tangents), len(x))))

        def of_unknowns(dx: NDArray) -> NDArray:
            poses = np.broadcast_to(state.poses, (len(dx), *state.poses.shape))
            return self.conditions(poses, x + dx)

        B = jacobian(of_poses, np.tile([STEP_MM] * 3 + [STEP_RAD] * 3, len(used)))
        clamp_steps = [STEP_MM] * 2 + [STEP_RAD] * 2 + [STEP_MM]
        A = jacobian(
            of_unknowns,
            np.array([STEP_MM] * 3 + [STEP_RAD] * 4 + clamp_steps * len(self.wheels)),
        )
        columns = np.concatenate([state.pose_columns(p) for p in used])
        cov = B @ self.adjustment.covariance[np.ix_(columns, columns)] @ B.T + self.cov_model
        return self.conditions(state.poses, x), A, cov


def _plan(wheels: Sequence[tuple[str, Clamp, int]]) -> FramePlan:
    """Only wheels: what `frame.wheel_centres` needs."""
    return FramePlan(
        wheels=tuple(
            WheelPlan(name, pose, clamp, slice(_FIRST + 5 * k, _FIRST + 5 * k + 5))
            for k, (name, clamp, pose) in enumerate(wheels)
        ),
        heights=(),
        targets=(),
        vehicle=Vehicle(),
        inputs=(),
        front_from="",
        declared=slice(0, 0),
        weights=np.zeros((0, 0)),
        up=np.zeros(3),
    )


def _is_in_both(plate: int, pose_of: Mapping[int, int]) -> bool:
    return plate in pose_of and plate + LATER in pose_of


def _level_motion(before_mm: NDArray, after_mm: NDArray) -> NDArray:
    """(4, 4) the level motion of points (n, 3) that fits best, by least squares in the plane."""
    a, b = before_mm[:, :2] - before_mm[:, :2].mean(0), after_mm[:, :2] - after_mm[:, :2].mean(0)
    yaw_rad = np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum())
    R = geometry.rotation_exp(np.array([0.0, 0, yaw_rad]))
    shift = after_mm.mean(0) - R @ before_mm.mean(0)
    return geometry.transform(R, shift * [1.0, 1, 0])


def _turns_deg(earlier: FramePlan, later: FramePlan, poses: NDArray, T: NDArray) -> NDArray:
    """(w,) by how much each plate turned in the vehicle, 0 to 180."""
    before = T[:3, :3] @ poses[[w.pose for w in earlier.wheels], :3, :3]
    after = poses[[w.pose for w in later.wheels], :3, :3]
    turns = geometry.rotation_log(np.swapaxes(before, -1, -2) @ after)
    return np.degrees(np.linalg.norm(turns, axis=-1))


def _body(centres_mm: Mapping[str, NDArray], up: NDArray | None) -> NDArray:
    """T_world_body (4, 4): the wheels' middle; x forward, y left, z up (the floor's, else the wheels')."""
    left = centres_mm["rear_left"] - centres_mm["rear_right"]
    rear = (centres_mm["rear_left"] + centres_mm["rear_right"]) / 2
    front = [c for name, c in centres_mm.items() if name.startswith("front")]
    up = np.cross(np.mean(front, axis=0) - rear, left) if up is None else up
    x, z = np.cross(left, up), up / np.linalg.norm(up)
    x = x / np.linalg.norm(x)
    middle = np.mean(list(centres_mm.values()), axis=0)
    return geometry.transform(np.column_stack([x, np.cross(z, x), z]), middle)


def _up(adjustment: Adjustment, kit: Kit, pose_of: Mapping[int, int]) -> NDArray | None:
    """The floor plates' mean normal; None where none is seen."""
    normals = [adjustment.state.poses[pose_of[f.plate]][:3, 2] for f in kit.floor if f.plate in pose_of]
    return np.mean(normals, axis=0) if normals else None


def _cov_model(n: int, u_rise_mm: float) -> NDArray:
    u = [U_SETTLE_MM, U_SETTLE_MM, float(np.hypot(u_rise_mm, U_SETTLE_MM)), U_SETTLE_RAD, U_SETTLE_RAD]
    return np.diag(np.tile(np.square(u), n))


def _need_wheels(names: Sequence[str], kit: Kit) -> None:
    missing = [n for n in kit.clamps if n not in names]
    if len(names) >= 3 and {"rear_left", "rear_right"} <= set(names):
        return
    which = ", ".join(n.replace("_", " ") for n in missing) or "a front wheel"
    raise NotEnoughError(
        f"Both rear wheels and a front one must be seen in either position; missing: {which}. Photograph "
        "each wheel's plate together with the floor plates, before and after rolling the vehicle."
    )


def _need_turns(names: Sequence[str], turns_deg: NDArray) -> None:
    least = int(np.argmin(turns_deg))
    if turns_deg[least] >= LEAST_TURN_DEG:
        return
    raise NotEnoughError(
        f"The {names[least].replace('_', ' ')} wheel turned by {turns_deg[least]:.0f} degrees between the "
        "two positions; half a turn is needed. Roll the vehicle on by about a metre (half the tyre's girth), "
        "straight, and take the second photos again."
    )


def _words(wheel: str, departure: NDArray, is_off: bool) -> str:
    name = wheel.replace("_", " ")
    off_mm, off_deg = np.hypot(*departure[:2]), np.degrees(np.hypot(*departure[2:]))
    if not is_off:
        return f"The clamp on the {name} wheel sits as the kit says, as far as turning the wheel shows."
    return (
        f"The clamp on the {name} wheel is off its seat: {off_mm:.1f} mm and {off_deg:.2f} degrees otherwise "
        "than the kit says. Clean the rim's edge, seat the clamp anew and repeat both positions; what was "
        "found holds only while the clamp stays as it is."
    )
