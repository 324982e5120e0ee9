"""Scenes without a vehicle: a fixture with a plate in the target's place, sheets lying about, a bar.

What teaching a kit and proving it see. Every error is drawn from what the kit declares, as in `scene.py`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tools.photo_round import Phone, draw_phone, take_photos
from tools.scene import R_FIXTURE_FACE, Care, layout_of, nudge, pose
from tools.truth import Scene, TruePlate, Truth
from vision.kit import Kit, Placement, Plate, ScaleBar, Vehicle

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


@dataclass(frozen=True, eq=False)
class TrueFixture:
    """A fixture as it is: plates and the target's place in its own frame, which nothing else defines."""

    plates: tuple[tuple[TruePlate, Plate], ...]
    stand_in: tuple[TruePlate, Plate]
    T_world_plates: NDArray
    T_world_target: NDArray


def fixture_about(
    prints: Prints, numbers: Sequence[int], stand_in: int, u_offset_mm: float = 0.5, u_turn_deg: float = 0.1
) -> TrueFixture:
    """Plates across 700 mm, roughly facing the vehicle, the target 100 to 250 mm above or below their middle.

    Args:
        stand_in: The plate laid on the target's face, off by the two u.
    """
    rng = prints.rng
    T_world_target = pose(
        [*rng.uniform(-300, 300, 2), 1100], [0, *rng.normal(0, 1, 1), rng.uniform(-180, 180)]
    )
    face = np.eye(4)
    face[:3, :3] = R_FIXTURE_FACE
    across = np.linspace(350, -350, len(numbers))
    above_mm = rng.choice([-1, 1]) * rng.uniform(100, 250)
    plates = []
    for number, y_mm in zip(numbers, across, strict=True):
        on_target = pose([*rng.normal(0, 20, 1), y_mm + rng.normal(0, 10), above_mm], rng.normal(0, 3, 3))
        plates.append(prints.plate(number, T_world_target @ on_target @ face, "fixture"))
    laid = T_world_target if prints.exact else T_world_target @ nudge(rng, u_offset_mm, u_turn_deg)
    there = prints.plate(stand_in, laid @ pose([-THICKNESS_MM, 0, 0]) @ face, "fixture")
    T_world_plates = np.stack([plate.T_world_plate for plate, _ in plates])
    return TrueFixture(tuple(plates), there, T_world_plates, T_world_target)
