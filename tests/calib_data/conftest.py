"""An invented shop's set that uses every key of FORMATS.md, for the tests to copy and to spoil."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest


def _wheel(plate: int) -> dict[str, Any]:
    return {
        "plate": plate,
        "standoff_mm": 121.5,
        "u_standoff_mm": 0.3,
        "u_eccentricity_mm": 0.25,
        "u_tilt_deg": 0.15,
    }


def _plate(layout: str = "ring13") -> dict[str, Any]:
    return {"layout": layout, "printed_scale": 1.0004, "u_printed_scale": 0.0005, "thickness_mm": 3.0}


def _mount(plate: int, y_mm: float) -> dict[str, Any]:
    return {
        "plate": plate,
        "position_mm": [0, y_mm, 12.5],
        "rotation_deg": [0, 2, -15],
        "u_position_mm": 0.2,
        "u_rotation_deg": 0.05,
    }


@pytest.fixture
def kit() -> dict[str, Any]:
    """A kit with every kind of thing in it."""
    wheels = {"front_left": 0, "front_right": 1, "rear_left": 2, "rear_right": 3}
    made: dict[str, Any] = {
        "format": "plumbsight.kit/1",
        "name": "trolley 3",
        "u_ruler_scale": 0.0003,
        "plates": {str(n): _plate() for n in (0, 1, 2, 3, 4, 5, 10, 11, 12, 30, 31, 40, 45, 48)},
        "wheels": {name: _wheel(plate) for name, plate in wheels.items()},
        "fixtures": {
            "front": {
                "plates": [_mount(4, 350), _mount(5, -350)],
                "targets": {
                    "board": {
                        "position_mm": [12, 0, -200],
                        "rotation_deg": [0, 0, 1.5],
                        "u_position_mm": 0.2,
                        "u_rotation_deg": 0.05,
                        "label": {**_mount(45, 0), "position_mm": [0, 0, -100]},
                    }
                },
            }
        },
        "floor": [{"plate": n, "u_flatness_mm": 0.5} for n in (10, 11, 12)],
        "scale_bars": [{"plates": [30, 31], "length_mm": 1000.0, "u_length_mm": 0.05}],
        "levels": [{"plate": 48, "up": "y", "u_deg": 0.1}],
        "datum_plates": {"bumper_centre": {"plate": 40, "offset_mm": [0, 5, -20], "u_mm": 1.0}},
    }
    made["plates"]["60"] = _plate("cross2x2") | {
        "printed_scale_xy": [1.0003, 1.0005],
        "u_scale_difference": 0.0004,
        "u_bow_mm": 0.1,
    }
    made["plates"]["5"] = {"layout": "ring13"}  # not measured
    made["wheels"]["rear_left"] |= {
        "eccentricity_mm": [0.4, -0.1],
        "tilt_deg": [0.09, -0.18],
        "u_tilt_deg": 0.03,
        "measured_on": "2026-02-28",
    }
    return made


@pytest.fixture
def placement() -> dict[str, Any]:
    """A placement that the kit can serve."""
    return {
        "format": "plumbsight.placement/1",
        "name": "front camera board, family A",
        "fixture": "front",
        "target": "board",
        "reference_line": "thrust_line",
        "datum": "bumper_centre",
        "values": {
            "distance_mm": {"nominal": 1500, "minus": 5, "plus": 7},
            "yaw_deg": {"nominal": 0, "minus": 0.3, "plus": 0.3},
        },
    }


@pytest.fixture
def set_json() -> dict[str, Any]:
    """A set that refers to kit.json and placement.json beside it."""
    return {
        "format": "plumbsight.set/1",
        "title": "Bay 2, morning",
        "taken": "2026-03-14",
        "kit": "kit.json",
        "vehicle": {
            "label": "estate, white",
            "wheelbase_mm": 2712,
            "u_wheelbase_mm": 4,
            "track_front_mm": 1560,
            "track_rear_mm": 1555,
            "wheel_radius_front_mm": 315,
            "wheel_radius_rear_mm": 316,
            "overhang_front_mm": 870,
            "overhang_rear_mm": 1010,
        },
        "placement": "placement.json",
        "photos": ["p02.jpg", "p01.jpg"],
    }


@pytest.fixture
def write_set(
    tmp_path: Path, kit: dict[str, Any], placement: dict[str, Any], set_json: dict[str, Any]
) -> Callable[[], Path]:
    """Write the three files as they stand then, and two photos, into a folder."""

    def write() -> Path:
        files = (("kit.json", kit), ("placement.json", placement), ("set.json", set_json))
        for name, value in files:
            (tmp_path / name).write_text(json.dumps(value), encoding="utf-8")
        for name in ("p01.jpg", "p02.jpg"):
            (tmp_path / name).write_bytes(b"a photo, for a reader of folders")
        return tmp_path

    return write
