"""A scene whose vehicle was rolled on: what the second half of a check of the clamps sees."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tools.photo_round import Phone, take_photos
from tools.scene import pose
from tools.truth import Scene, TruePlate, Truth, camera_position_mm
from vision.kit import WHEELS

CAR_BOXES = ("body", "cabin")


@dataclass(frozen=True)
class Settling:
    """How a rolled vehicle stands otherwise than a rigid body: standard uncertainties, common practice."""

    u_mm: float = 0.2
    u_rise_mm: float = 0.5
    u_deg: float = 0.008
    u_steer_deg: float = 0.3
    u_yaw_deg: float = 0.3
    u_heave_mm: float = 1.0
    u_lean_deg: float = 0.03


def rolled(
    rng: Generator,
    scene: Scene,
    roll_mm: float = 1000.0,
    settling: Settling = Settling(),  # noqa: B008 (frozen)
    phone: Phone = Phone(),  # noqa: B008 (frozen)
) -> Scene:
    """The scene after its vehicle was rolled ahead by `roll_mm`, its wheels turned with it, in new photos."""
    truth = scene.truth
    centres = np.array([truth.wheel_centres_mm[w] for w in WHEELS])
    forward = centres[:2].mean(0) - centres[2:].mean(0)
    forward[2] = 0
    forward /= np.linalg.norm(forward)
    middle = centres.mean(0)
    there = middle + roll_mm * forward + [0, 0, rng.normal(0, settling.u_heave_mm)]
    turn_deg = rng.normal(0, [settling.u_lean_deg, settling.u_lean_deg, settling.u_yaw_deg])
    motion = pose(there) @ pose([0, 0, 0], turn_deg) @ pose(-middle)
    steer_deg = rng.normal(0, settling.u_steer_deg)
    turns = {w: motion @ _turn(rng, truth, w, forward, roll_mm, steer_deg, settling) for w in WHEELS}
    first = scene.photos[0]
    plates = tuple(_moved(plate, turns, motion) for plate in first.plates)
    boxes = tuple(
        replace(b, T_world_box=motion @ b.T_world_box) if b.what in CAR_BOXES else b for b in first.boxes
    )
    # Whoever stood beside the vehicle goes with it; whoever stood ahead of it stays.
    places = np.array([camera_position_mm(photo) for photo in scene.photos])
    beside = (places - centres[:2].mean(0)) @ forward < 0
    places[beside] += roll_mm * forward
    lens = [(first.lens, first.exif)]
    photos = take_photos(rng, phone, lens, first.size_px, np.eye(4), places, plates, boxes, True)
    return replace(scene, photos=tuple(replace(p, name=f"q{p.name[1:]}") for p in photos))


def _turn(
    rng: Generator,
    truth: Truth,
    wheel: str,
    forward: NDArray,
    roll_mm: float,
    steer_deg: float,
    settling: Settling,
) -> NDArray:
    """(4, 4) how a wheel turns, steers and settles about its centre, in world."""
    centre, axis = truth.wheel_centres_mm[wheel], truth.spin_axes[wheel]
    # A left wheel's outward axis points left: rolling ahead is a turn about it by the right hand.
    side = 1 if wheel.endswith("left") else -1
    spin = Rotation.from_rotvec(side * axis * roll_mm / centre[2])
    steered = [0, 0, steer_deg if wheel.startswith("front") else 0]
    settle = Rotation.from_rotvec(np.radians(rng.normal(0, settling.u_deg, 3) + steered))
    T = np.eye(4)
    T[:3, :3] = (settle * spin).as_matrix()
    left = np.cross([0.0, 0, 1], forward)
    shift = rng.normal(0, settling.u_mm, 2) @ [forward, left] + [0, 0, rng.normal(0, settling.u_rise_mm)]
    T[:3, 3] = centre - T[:3, :3] @ centre + shift
    return T


def _moved(plate: TruePlate, turned: Mapping[str, NDArray], motion: NDArray) -> TruePlate:
    if plate.role in turned:
        return replace(plate, T_world_plate=turned[plate.role] @ plate.T_world_plate)
    return replace(plate, T_world_plate=motion @ plate.T_world_plate) if plate.role == "datum" else plate
