"""Scenes without a vehicle: a fixture with a plate in the target's place, sheets lying about, a bar.

What teaching a kit and proving it see. Every error is drawn from what the kit declares, as in `scene.py`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tools.photo_round import Phone, draw_phone, take_photos
from tools.scene import BAR_PLATES, R_FIXTURE_FACE, Care, layout_of, nudge, pose
from tools.truth import Scene, TruePlate, Truth
from vision.kit import Fixture, Kit, Placement, Plate, ScaleBar, Vehicle

NO_TRUTH = Truth({}, {}, np.zeros(3), np.array([0.0, 0, 1]), np.eye(4), {})
SIZE_PX = (4032, 3024)
THICKNESS_MM = 3.0


@dataclass(frozen=True)
class Prints:
    """Draws sheets: printers are off by 0.1 % (sd, common practice, no source), the rulers tell by how much.

    Attributes:
        ruler_error: Relative, common to all sheets.
        exact: No errors at all.
    """

    rng: Generator
    care: Care
    ruler_error: float
    exact: bool = False

    def plate(self, number: int, T_world_plate: NDArray, role: str = "floor") -> tuple[TruePlate, Plate]:
        """A sheet as it truly is, and as the kit declares it."""
        rng, care, error = self.rng, self.care, 0.0 if self.exact else 1.0
        declared = round(float(1 + error * rng.normal(0, 0.001)), 6)
        scale = declared * (1 + self.ruler_error + error * rng.normal(0, care.u_printed_scale))
        half = error * rng.normal(0, care.u_scale_difference) / 2
        bow_x, bow_y = error * rng.normal(0, care.u_bow_mm, 2)
        layout = layout_of(number)
        known = Plate(
            number,
            layout.name,
            (declared, declared),
            care.u_printed_scale,
            care.u_scale_difference,
            care.u_bow_mm,
            THICKNESS_MM,
            True,
        )
        true = TruePlate(number, layout, role, T_world_plate, (scale + half, scale - half), (bow_x, bow_y))
        return true, known


def prints_of(rng: Generator, care: Care, exact: bool = False) -> Prints:
    return Prints(rng, care, 0.0 if exact else float(rng.normal(0, care.u_ruler_scale)), exact)


def photographed(
    rng: Generator,
    plates: Sequence[tuple[TruePlate, Plate]],
    places_mm: NDArray,
    care: Care,
    *,
    phone: Phone = Phone(),  # noqa: B008 (frozen)
    bars: Sequence[ScaleBar] = (),
    name: str = "p",
) -> Scene:
    """The plates in photos from the places (n, 3), by a phone of its own."""
    phones = [draw_phone(rng, phone, SIZE_PX, 0)]
    true = tuple(plate for plate, _ in plates)
    photos = take_photos(rng, phone, phones, SIZE_PX, np.eye(4), places_mm, true, (), False)
    kit = Kit(
        "plates",
        care.u_ruler_scale,
        MappingProxyType({declared.number: declared for _, declared in plates}),
        scale_bars=tuple(bars),
    )
    photos = tuple(replace(p, name=f"{name}{p.name[1:]}") for p in photos)
    return Scene(kit, Vehicle(), Placement("", "", "", "", ""), photos, NO_TRUTH)


def places_before(rng: Generator, n: int, T_world_target: NDArray, distance_mm: float = 1500.0) -> NDArray:
    """Camera places (n, 3) in a fan before a target, 60 degrees to either side, from 0.6 to 2 m high."""
    round_rad = np.radians(np.linspace(-60, 60, n) + rng.normal(0, 4, n))
    away_mm = distance_mm * rng.uniform(0.8, 1.2, n)
    ahead = np.column_stack([-np.cos(round_rad), np.sin(round_rad), np.zeros(n)]) * away_mm[:, None]
    places = ahead @ T_world_target[:3, :3].T + T_world_target[:3, 3]
    places[:, 2] = np.where(np.arange(n) % 2, rng.uniform(1500, 2000, n), rng.uniform(600, 1000, n))
    return places


def places_round(rng: Generator, n: int, distance_mm: float = 1500.0) -> NDArray:
    """Camera places (n, 3) all round the origin, 35 to 60 degrees above the floor."""
    round_rad = 2 * np.pi * (np.arange(n) + rng.uniform(-0.3, 0.3, n)) / n
    up_rad = np.radians(rng.uniform(35, 60, n))
    away_mm = distance_mm * rng.uniform(0.8, 1.2, n)
    flat = np.cos(up_rad) * away_mm
    return np.column_stack([np.cos(round_rad) * flat, np.sin(round_rad) * flat, np.sin(up_rad) * away_mm])


def sheets_about(prints: Prints, numbers: Sequence[int]) -> list[tuple[TruePlate, Plate]]:
    """Sheets on the floor, 420 mm apart in rows of three, every third one on a slanting support."""
    rng, plates = prints.rng, []
    rows = (len(numbers) + 2) // 3
    for k, number in enumerate(numbers):
        slope_deg = rng.uniform(-35, 35, 2) if k % 3 == 2 else np.zeros(2)
        place_mm = [420 * (k % 3 - 1), 420 * (k // 3 - (rows - 1) / 2), 120 if k % 3 == 2 else 3]
        plates.append(prints.plate(number, pose(place_mm, [*slope_deg, rng.uniform(-180, 180)])))
    return plates


def bar_about(
    prints: Prints, numbers: tuple[int, int], length_mm: float, at_mm: Sequence[float] = (0, -750, 25)
) -> list[tuple[TruePlate, Plate]]:
    """A bar on the floor with a sheet at each end, true to its length."""
    T = pose(at_mm, [0, 0, prints.rng.normal(0, 5)])
    ends = [pose([side * length_mm / 2, 0, 0], [0, 0, prints.rng.normal(0, 20)]) for side in (-1, 1)]
    return [prints.plate(number, T @ end, "bar") for number, end in zip(numbers, ends, strict=True)]


def with_stand_in(
    rng: Generator,
    scene: Scene,
    stand_in: int,
    n_photos: int = 8,
    *,
    u_offset_mm: float = 0.5,
    u_turn_deg: float = 0.1,
    phone: Phone = Phone(),  # noqa: B008 (frozen)
    also: Sequence[TruePlate] = (),
    size_px: tuple[int, int] = SIZE_PX,
) -> Scene:
    """A scene's fixture with a plate on its target's face, in photos of their own.

    Args:
        stand_in: One of the scene's sheets, taken from its place and laid on the target, off by the two u.
        also: What else is about.
    """
    target = scene.truth.T_world_target
    face = np.eye(4)
    face[:3, :3] = R_FIXTURE_FACE
    laid = target @ nudge(rng, u_offset_mm, u_turn_deg) @ pose([-THICKNESS_MM, 0, 0]) @ face
    on_fixture = [plate for plate in scene.plates if plate.role == "fixture"]
    sheet = next(plate for plate in scene.plates if plate.number == stand_in)
    plates = (*on_fixture, replace(sheet, T_world_plate=laid), *also)
    places_mm = places_before(rng, n_photos, target)
    phones = [draw_phone(rng, phone, size_px, 0)]
    photos = take_photos(rng, phone, phones, size_px, np.eye(4), places_mm, plates, (), False)
    return replace(scene, photos=photos)


def bar_before(scene: Scene) -> tuple[TruePlate, ...]:
    """The scene's bar, carried before the fixture: as long and as printed as it is."""
    T = scene.truth.T_world_target
    ends = [plate for plate in scene.plates if plate.number in BAR_PLATES]
    middle = np.mean([end.T_world_plate[:3, 3] for end in ends], axis=0)
    there = T[:3, 3] - 450 * T[:3, 0]
    shift = np.array([there[0], there[1], 25.0]) - middle
    along = ends[1].T_world_plate[:3, 3] - ends[0].T_world_plate[:3, 3]
    turn = np.arctan2(T[1, 1], T[0, 1]) - np.arctan2(along[1], along[0])
    c, s = np.cos(turn), np.sin(turn)
    R = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    moved = []
    for end in ends:
        T_world_plate = end.T_world_plate.copy()
        T_world_plate[:3, :3] = R @ T_world_plate[:3, :3]
        T_world_plate[:3, 3] = R @ (end.T_world_plate[:3, 3] - middle) + middle + shift
        moved.append(replace(end, T_world_plate=T_world_plate))
    return tuple(moved)


def fixture_errors(fixture: Fixture, scene: Scene) -> NDArray:
    """(6 n,) tangents from a fixture's entry to the truth, plates, then target; in the target's frame."""
    true = {plate.number: plate.T_world_plate for plate in scene.plates}
    T_world = [*(true[m.plate] for m in fixture.mounts), scene.truth.T_world_target]
    T_fixture = [*(m.T_fixture_plate for m in fixture.mounts), fixture.targets[0].T_fixture_target]
    T_fixture_world = T_fixture[-1] @ np.linalg.inv(T_world[-1])
    errors = []
    for T, there in zip(T_fixture, T_world, strict=True):
        off = np.linalg.inv(T) @ T_fixture_world @ there
        errors.append([*off[:3, 3], *Rotation.from_matrix(off[:3, :3]).as_rotvec()])
    return np.concatenate(errors)
