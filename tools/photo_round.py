"""The round of photos: where the technician stands, where the phone looks, how it changes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tools.truth import (
    Box,
    Lens,
    TruePhoto,
    TruePlate,
    plate_outline_mm,
    points_in_world_mm,
    unhidden_views,
    views_in,
)
from vision.photo import ExifFacts

# Who is told where to stand and how to look is off by so much: at most 150 mm, the phone between 0.3 and
# 2.0 m high, the aim by one to two degrees, the roll by 2.5 (sd). Common practice, no source.
OFF_MM, HEIGHTS_MM, OFF_DEG, ROLL_DEG = 150.0, (300.0, 2000.0), (1.0, 2.0), 2.5


@dataclass(frozen=True)
class Phone:
    """What a 12-megapixel phone does: a range of focal lengths and changes from photo to photo (sd).

    Pixels are those of a photo 4032 wide; they go with the width of smaller ones.
    """

    f_px: tuple[float, float] = (2700.0, 3100.0)
    distortion: tuple[float, float, float, float, float] = (0.05, 0.03, 4e-4, 4e-4, 0.03)
    u_aspect: float = 1e-4
    u_centre_px: float = 15.0
    u_focal_change: float = 0.0015
    u_centre_shift_px: float = 4.0
    u_twist_mm: float = 0.3
    u_twist_rad: float = 3e-4


def stand(rng: Generator, habit: str, n_photos: int, far_axle_mm: float, distance_mm: float) -> NDArray:
    """Camera positions (n, 3) of a round, in the frame whose x runs from the nearer axle to the target.

    Args:
        habit: `walk`, evenly along both sides at eye height, or `chosen`, the places where the
            adjustment gains most (solver report, section 3.4), phone held high.
        far_axle_mm: x of the axle farther from the target.
    """
    if habit == "walk":
        n_left = (n_photos + 1) // 2
        sides = np.where(np.arange(n_photos) < n_left, 1.0, -1.0)
        steps = np.concatenate([np.linspace(0, 1, n_left), np.linspace(1, 0, n_photos - n_left)])
        start_mm, end_mm = far_axle_mm - 1600, 0.6 * distance_mm
        x_mm = start_mm + steps * (end_mm - start_mm) + rng.normal(0, 100, n_photos)
        y_mm = sides * rng.uniform(3300, 4100, n_photos)
        return np.column_stack([x_mm, y_mm, rng.uniform(1350, 1750, n_photos)])
    assert habit == "chosen", habit
    d = distance_mm
    # Beside the fixture looking back; from beyond 4 m the car would be too small from there.
    beside_mm = 1.1 * d if d < 4000 else 0.75 * d
    best = [
        [far_axle_mm - 600, 2700],
        [far_axle_mm - 600, -2700],
        [0.3 * d, 2800],
        [0.7 * d, -3400],
        [beside_mm, 3600],
        [-2000, -3800],
        [-300, 3500],
        [0.3 * d, -2800],
        [beside_mm, -3600],
        [-300, -3500],
        [0.7 * d, 3400],
        [-2000, 3800],
    ]
    xy_mm = np.array([best[i % len(best)] for i in range(n_photos)]) + rng.normal(0, 120, (n_photos, 2))
    return np.column_stack([xy_mm, rng.normal(1900, 50, n_photos)])


def draw_phone(rng: Generator, phone: Phone, size_px: tuple[int, int], number: int) -> tuple[Lens, ExifFacts]:
    """A lens, and the EXIF facts of its photos: the 35-mm equivalent by width or by diagonal, rounded."""
    scale = size_px[0] / 4032
    f_px = rng.uniform(*phone.f_px) * scale
    centre_px = (np.array(size_px) - 1) / 2 + rng.normal(0, 1, 2) * phone.u_centre_px * scale
    terms = rng.normal(0, 1, 5) * phone.distortion
    lens = Lens(f_px, centre_px[0], centre_px[1], tuple(terms), rng.normal(0, 1) * phone.u_aspect)
    by_width, by_diagonal = 36.0 / size_px[0], np.hypot(36.0, 24.0) / np.hypot(*size_px)
    focal_35mm = round(float(f_px * rng.choice([by_width, by_diagonal])))
    make, model = (("Lumora", "L2"), ("Vireo", "Seven"))[number % 2]
    focal_mm = round(focal_35mm / 5.6, 2)
    facts = ExifFacts(make=make, model=model, focal_length_mm=focal_mm, focal_35mm=focal_35mm)
    return lens, facts


def take_photos(
    rng: Generator,
    phone: Phone,
    phones: Sequence[tuple[Lens, ExifFacts]],
    size_px: tuple[int, int],
    T_world_vehicle: NDArray,
    places_in_vehicle_mm: NDArray,
    plates: tuple[TruePlate, ...],
    boxes: tuple[Box, ...],
    link: bool,
) -> tuple[TruePhoto, ...]:
    """One photo from every place, every third in portrait, aimed by `_aim`, with this photo's lens."""
    photos: list[TruePhoto] = []
    n_seen = {plate.number: 0 for plate in plates}
    for i, place_mm in enumerate(places_in_vehicle_mm):
        base, facts = phones[i % len(phones)]
        lens = _lens_now(rng, phone, base, size_px)
        position_mm = T_world_vehicle[:3, :3] @ place_mm + T_world_vehicle[:3, 3]
        orientation = int(rng.choice([6, 8])) if i % 3 == 2 else int(rng.choice([1, 1, 1, 3]))
        T_camera_world = _aim(rng, position_mm, orientation, lens, size_px, plates, boxes, n_seen, link)
        facts = replace(facts, orientation=orientation)
        photo = _exposed(rng, phone, i, size_px, facts, T_camera_world, lens, plates, boxes)
        for view in views_in(photo):
            n_seen[view.plate.number] += 1
        photos.append(photo)
    return tuple(photos)


def take_photo_from(
    rng: Generator,
    phone: Phone,
    taken_with: tuple[Lens, ExifFacts],
    size_px: tuple[int, int],
    T_world_camera: NDArray,
    number: int,
    plates: tuple[TruePlate, ...],
    boxes: tuple[Box, ...],
) -> TruePhoto:
    """One photo from just there, the round's photo of this number, with this photo's lens."""
    base, facts = taken_with
    lens = _lens_now(rng, phone, base, size_px)
    facts = replace(facts, orientation=1)
    return _exposed(rng, phone, number, size_px, facts, np.linalg.inv(T_world_camera), lens, plates, boxes)


def as_asked(rng: Generator, T_vehicle_camera: NDArray) -> NDArray:
    """Near the place and the view asked for: what a hand and two feet make of it."""
    step = rng.normal(0, 1, 3)
    T = T_vehicle_camera.copy()
    T[:3, 3] += step / np.linalg.norm(step) * OFF_MM * rng.random() ** (1 / 3)
    T[2, 3] = np.clip(T[2, 3], *HEIGHTS_MM)
    way, off_deg = rng.uniform(0, 2 * np.pi), rng.uniform(*OFF_DEG)
    aim = Rotation.from_rotvec(np.radians(off_deg) * np.array([np.cos(way), np.sin(way), 0]))
    roll = Rotation.from_euler("z", rng.normal(0, ROLL_DEG), degrees=True)
    T[:3, :3] = T[:3, :3] @ (aim * roll).as_matrix()
    return T


def _lens_now(rng: Generator, phone: Phone, base: Lens, size_px: tuple[int, int]) -> Lens:
    """The lens as it is focused and shifted in one photo."""
    f_px = base.fx_px * (1 + rng.normal(0, 1) * phone.u_focal_change)
    shift_px = rng.normal(0, 1, 2) * phone.u_centre_shift_px * (size_px[0] / 4032)
    return replace(
        base, fx_px=f_px, cx_px=float(base.cx_px + shift_px[0]), cy_px=float(base.cy_px + shift_px[1])
    )


def _exposed(
    rng: Generator,
    phone: Phone,
    i: int,
    size_px: tuple[int, int],
    facts: ExifFacts,
    T_camera_world: NDArray,
    lens: Lens,
    plates: tuple[TruePlate, ...],
    boxes: tuple[Box, ...],
) -> TruePhoto:
    """The round's photo i, with its exposure, its time and the hand's motion."""
    minute, second = divmod(15 * i, 60)
    facts = replace(
        facts,
        exposure_time_s=float(rng.choice([1 / 60, 1 / 100, 1 / 120])),
        taken=f"2026-03-14T09:{10 + minute:02d}:{second:02d}",
    )
    twist = rng.normal(0, 1, 6) * ([phone.u_twist_mm] * 3 + [phone.u_twist_rad] * 3)
    return TruePhoto(f"p{i + 1:02d}.jpg", size_px, facts, T_camera_world, lens, twist, plates, boxes)


def _aim(
    rng: Generator,
    position_mm: NDArray,
    orientation: int,
    lens: Lens,
    size_px: tuple[int, int],
    plates: tuple[TruePlate, ...],
    boxes: tuple[Box, ...],
    n_seen: Mapping[int, int],
    link: bool,
) -> NDArray:
    """Point the phone where it sees most plates, least seen ones first, then shake the hand.

    Who chooses stations (`link`) also sees to it that fixture and car are in one photo: such a photo
    counts as one plate more. The hand is off by 1 degree in aim and 2.5 in roll (sd).
    """
    views = unhidden_views(position_mm, plates, boxes)
    if not views:
        views = [(plate, 0.0) for plate in plates]
    seen = [plate for plate, _ in views]
    outlines = np.array([points_in_world_mm(p, plate_outline_mm(p.layout)) - position_mm for p in seen])
    sights = np.array([p.T_world_plate[:3, 3] - position_mm for p in seen])
    sights /= np.linalg.norm(sights, axis=1, keepdims=True)
    first, second = np.triu_indices(len(seen))
    aims = sights[first] + sights[second]
    R = _looking(aims, orientation)
    p = np.einsum("aij,nkj->anki", R, outlines)
    centre_px = (np.array(size_px) - 1) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        off_px = np.abs(lens.fx_px * p[..., :2] / p[..., 2:])
    # 8 % of the half size is left for distortion and the hand.
    fits = ((p[..., 2:] > 0) & (off_px < 0.92 * centre_px)).all(axis=(2, 3))
    gain = fits @ np.array([1 / (0.5 + n_seen[plate.number]) for plate in seen])
    if link:
        fixture = np.array([plate.role == "fixture" for plate in seen])
        gain = gain + 1.0 * (fits[:, fixture].any(axis=1) & fits[:, ~fixture].any(axis=1))
    shake = Rotation.from_euler("xyz", rng.normal(0, [1.0, 1.0, 2.5]), degrees=True).as_matrix()
    T_camera_world = np.eye(4)
    T_camera_world[:3, :3] = shake @ R[int(np.argmax(gain))]
    T_camera_world[:3, 3] = -T_camera_world[:3, :3] @ position_mm
    return T_camera_world


def _looking(directions: NDArray, orientation: int) -> NDArray:
    """R_camera_world (n, 3, 3) of a level phone: EXIF 1 upright, 3 upside down, 6 and 8 in portrait.

    Orientation 6: the stored array's left side is shown on top, so the sensor's x points down.
    """
    z = directions / np.linalg.norm(directions, axis=-1, keepdims=True)
    x = np.stack([z[:, 1], -z[:, 0], np.zeros(len(z))], -1)  # z cross up
    x /= np.linalg.norm(x, axis=-1, keepdims=True)
    down = np.cross(z, x)
    right_down = {1: (x, down), 3: (-x, -down), 6: (down, -x), 8: (-down, x)}[orientation]
    return np.stack([*right_down, z], axis=1)
