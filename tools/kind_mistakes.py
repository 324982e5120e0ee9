"""Mistakes with units and mats, planted into a correct bay: what must be named.

Every function takes a Bay and gives another; what each does is common practice of the trade.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tools.kinds import Bay
from tools.scene import pose
from tools.truth import TruePhoto, TruePlate
from vision.kit import Placement

Change = Callable[[TruePlate], TruePlate]


def units_swapped(rng: Generator, bay: Bay, one: int = 0, other: int = 1) -> Bay:
    """Two units stand, or lie, in each other's place."""
    first, second = bay.T_world_targets[one], bay.T_world_targets[other]
    return _moved(_moved(bay, one, second @ np.linalg.inv(first)), other, first @ np.linalg.inv(second))


def mat_turned(rng: Generator, bay: Bay, turn_deg: float) -> Bay:
    """A mat lies turned about its own mark."""
    mat = int(rng.integers(len(bay.placements)))
    T = bay.T_world_targets[mat]
    about = pose(T[:3, 3]) @ pose([0, 0, 0], [0, 0, turn_deg]) @ pose(-T[:3, 3])
    return _moved(bay, mat, about)


def mat_folded(rng: Generator, bay: Bay, height_mm: float = 30.0, tilt_deg: float = 12.0) -> Bay:
    """One corner of a mat stands up over a fold: higher, nearer to the middle, and tilted."""
    mat = bay.kit.fixtures[int(rng.integers(len(bay.kit.fixtures)))]
    mount = mat.mounts[int(rng.integers(len(mat.mounts)))]
    inward = -mount.T_fixture_plate[:3, 3]
    step = np.array([0.0, 0.0, height_mm]) + 0.3 * height_mm * inward / np.linalg.norm(inward)

    def lifted(plate: TruePlate) -> TruePlate:
        return replace(plate, T_world_plate=plate.T_world_plate @ pose(step, [tilt_deg, 0, 0]))

    return _with_plates(bay, {mount.plate: lifted})


def target_upside_down(rng: Generator, bay: Bay) -> Bay:
    """The first unit's target hangs upside down, its label with it; the fixture is where it was."""
    T = bay.T_world_targets[0]
    turned = T @ pose([0, 0, 0], [180, 0, 0])
    (number,) = (t.label.plate for f in bay.kit.fixtures for t in f.targets if t.name == "target" and t.label)

    def hung(plate: TruePlate) -> TruePlate:
        return replace(plate, T_world_plate=turned @ np.linalg.inv(T) @ plate.T_world_plate)

    return replace(_with_plates(bay, {number: hung}), T_world_targets=(turned, *bay.T_world_targets[1:]))


def offset_mirrored(rng: Generator, bay: Bay) -> Bay:
    """The sensor's place beside the line was typed with the wrong sign."""
    p = bay.placements[0]
    assert p.origin is not None
    x_mm, y_mm = p.origin.offset_mm
    y_mm = y_mm if abs(y_mm) > 100 else 200.0 * (1 if y_mm >= 0 else -1)
    true = replace(p.origin, offset_mm=(x_mm, y_mm))
    meant = replace(bay, meant=(replace(bay.meant[0], origin=true),)).true_values(0)
    values = {
        key: replace(t, nominal=meant[key] if key in ("range_mm", "bearing_deg") else t.nominal)
        for key, t in p.values.items()
    }
    typed = replace(p.origin, offset_mm=(x_mm, -y_mm))
    return _placed(bay, 0, replace(p, origin=typed, values=MappingProxyType(values)))


def bearing_mirrored(rng: Generator, bay: Bay) -> Bay:
    """The bearing was typed with the wrong sign."""
    p = bay.placements[0]
    asked = p.values["bearing_deg"]
    values = {**p.values, "bearing_deg": replace(asked, nominal=-asked.nominal)}
    return _placed(bay, 0, replace(p, values=MappingProxyType(values)))


def other_wheel(rng: Generator, bay: Bay) -> Bay:
    """Range and bearing were set out from the rear wheel of that side."""
    p = bay.placements[0]
    assert p.origin is not None
    rear = replace(p.origin, at=p.origin.at.replace("front", "rear"))
    meant = replace(bay, meant=(replace(bay.meant[0], origin=rear),)).true_values(0)
    values = {
        key: replace(t, nominal=meant[key] if key in ("range_mm", "bearing_deg") else t.nominal)
        for key, t in p.values.items()
    }
    return _placed(bay, 0, replace(p, values=MappingProxyType(values)))


# By name: the family it is planted in, and what must be said of it.
NAMED: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "units swapped": ("corner_units", "stand in each other's place"),
        "pair swapped": ("pair_of_boards", "stand in each other's place"),
        "mats swapped": ("mats_round", "stand in each other's place"),
        "mat turned round": ("mats_round", "turned by 180 degrees"),
        "mat a quarter off": ("mats_round", "turned by 90 degrees"),
        "mat folded": ("mats_round", "is folded, bulged or stretched"),
        "offset to the wrong side": ("reflector_ahead", "to the other side"),
        "bearing to the wrong side": ("side_board", "the same angle to the"),
        "other wheel": ("side_board", "was that one meant?"),
        "target upside down": ("rear_board", "hangs upside down, by its label"),
    }
)

# Those that take a target with a label.
LABELLED = frozenset({"target upside down"})

MISTAKES: Mapping[str, Callable[[Generator, Bay], Bay]] = MappingProxyType(
    {
        "units swapped": units_swapped,
        "pair swapped": units_swapped,
        "mats swapped": units_swapped,
        "mat turned round": lambda rng, bay: mat_turned(rng, bay, 180.0),
        "mat a quarter off": lambda rng, bay: mat_turned(rng, bay, float(rng.choice([-90.0, 90.0]))),
        "mat folded": mat_folded,
        "offset to the wrong side": offset_mirrored,
        "bearing to the wrong side": bearing_mirrored,
        "other wheel": other_wheel,
        "target upside down": target_upside_down,
    }
)


def _placed(bay: Bay, index: int, placement: Placement) -> Bay:
    placements = list(bay.placements)
    placements[index] = placement
    return replace(bay, placements=tuple(placements))


def _moved(bay: Bay, index: int, motion: NDArray) -> Bay:
    """A unit, with its plates and its box, stands elsewhere from the first photo on."""
    numbers = {m.plate for m in bay.kit.fixtures[index].mounts}
    targets = list(bay.T_world_targets)
    T_old = targets[index]
    targets[index] = motion @ T_old

    def moving(plate: TruePlate) -> TruePlate:
        return replace(plate, T_world_plate=motion @ plate.T_world_plate)

    moved = _with_plates(bay, dict.fromkeys(numbers, moving))

    def boxes(photo: TruePhoto) -> TruePhoto:
        near = [np.linalg.norm(box.T_world_box[:2, 3] - T_old[:2, 3]) < 200 for box in photo.boxes]
        return replace(
            photo,
            boxes=tuple(
                replace(box, T_world_box=motion @ box.T_world_box)
                if is_near and box.what not in ("body", "cabin")
                else box
                for box, is_near in zip(photo.boxes, near, strict=True)
            ),
        )

    return replace(moved, T_world_targets=tuple(targets), photos=tuple(boxes(p) for p in moved.photos))


def _with_plates(bay: Bay, changes: Mapping[int, Change]) -> Bay:
    def changed(photo: TruePhoto) -> TruePhoto:
        plates = tuple(changes[p.number](p) if p.number in changes else p for p in photo.plates)
        return replace(photo, plates=plates)

    return replace(bay, photos=tuple(changed(photo) for photo in bay.photos))
