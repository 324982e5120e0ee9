"""Situations as they come, drawn over the whole range that the tool promises to serve, and measured.

A set is told by two whole numbers, the study's seed and its own index; the same two give the same set.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.random import Generator

from calib_data.layouts import load_layouts
from tools.scene import Care, make_scene
from tools.simulate import observe_scene
from tools.truth import Scene, true_values
from vision.errors import PlumbsightError
from vision.kit import WHEELS
from vision.measure import Measurement, measure_found
from vision.placement import VALUE_KEYS
from vision.sightings import FoundPhoto
from vision.unseen import UNCHECKED_SHEETS

SMALL_PHOTO_PX = (3264, 2448)
# The layout of two by two crosses begins at this plate number.
FIRST_CROSS = 60


def rng_of(seed: int, index: int) -> Generator:
    return np.random.default_rng([seed, index])


def draw_situation(rng: Generator) -> dict[str, Any]:
    """Arguments of make_scene for one situation out of the whole range.

    Target 1.2 to 6 m ahead of or behind the vehicle, 4 to 16 photos walked or chosen, one or two phones,
    four, three or two clamps, with and without scale bar and floor plates, both lines, all datums, both
    layouts.
    """
    wheels, reference_line, datum = _draw_reference(rng)
    rear_only = len(wheels) == 2
    return {
        "target_distance_mm": float(rng.uniform(1200, 6000)),
        "n_photos": int(rng.integers(4, 17)),
        "stations": str(rng.choice(["walk", "chosen"])),
        "size_px": SMALL_PHOTO_PX if rng.random() < 0.2 else (4032, 3024),
        "care": _draw_care(rng),
        "n_phones": 2 if rng.random() < 0.25 else 1,
        "reference_line": reference_line,
        "datum": datum,
        # No floor plates: the floor comes from the declared wheel radii.
        "n_floor": int(rng.choice([0, 3, 4, 5, 6], p=[0.15, 0.05, 0.1, 0.1, 0.6])),
        # Without front wheels there is no wheelbase to confirm the scale.
        "with_bar": bool(rear_only or rng.random() < 0.3),
        "with_datum_plate": datum == "bumper_centre",
        "wheels": wheels,
        "measured_clamps": bool(rng.random() < 0.2),
        "behind": bool(rng.random() < 0.15 and datum != "bumper_centre"),
        "first_plate": FIRST_CROSS if rng.random() < 0.15 else 0,
    }


def _draw_reference(rng: Generator) -> tuple[tuple[str, ...], str, str]:
    """Wheels with clamps, line and datum that go together (MEASUREMENT.md, "Fewer clamps")."""
    clamps = rng.choice(["all", "one front", "rear"], p=[0.8, 0.12, 0.08])
    if clamps == "rear":
        return WHEELS[2:], "thrust_line", "rear_axle"
    wheels = WHEELS if clamps == "all" else (str(rng.choice(WHEELS[:2])), *WHEELS[2:])
    line = str(rng.choice(["centreline", "thrust_line"]))
    return (
        tuple(wheels),
        line,
        str(rng.choice(["front_axle", "rear_axle", "bumper_centre"], p=[0.6, 0.2, 0.2])),
    )


def _draw_care(rng: Generator) -> Care:
    """Kits measured with care, with less, and hardly."""
    return Care(
        u_ruler_scale=float(rng.choice([0.0002, 0.0005])),
        u_printed_scale=float(rng.choice([0.0003, 0.001])),
        u_tilt_deg=float(rng.choice([0.03, 0.15])),
        u_flatness_mm=float(rng.choice([0.3, 0.5, 1.0])),
    )


@dataclass(frozen=True)
class Outcome:
    """What measuring one set came to.

    Attributes:
        z: Error / u by value; values that were not measured are missing.
        u: By value.
        unchecked: By value, the share of its variance that stands for sheets whose scale no photo shows.
        failed: (name, words) of each failed test, the likeliest cause first.
        says: Why it was not measured; empty when it was.
        notes: The words on photos and sets that were left out.
    """

    index: int
    situation: Mapping[str, Any] = field(default_factory=dict)
    z: Mapping[str, float] = field(default_factory=dict)
    u: Mapping[str, float] = field(default_factory=dict)
    unchecked: Mapping[str, float] = field(default_factory=dict)
    failed: tuple[tuple[str, str], ...] = ()
    decision: str = ""
    says: str = ""
    notes: str = ""
    n_used: int = 0

    @property
    def is_measured(self) -> bool:
        return not self.says


def measure_scene(scene: Scene, found: tuple[FoundPhoto, ...]) -> Measurement:
    """Raises: PlumbsightError, in words, where the photos do not suffice."""
    return measure_found(found, scene.kit, scene.vehicle, (scene.placement,), load_layouts())


def outcome_of(
    index: int,
    situation: Mapping[str, Any],
    scene: Scene,
    found: tuple[FoundPhoto, ...],
    true: Mapping[str, float],
) -> Outcome:
    """Measure a set and compare with the true values."""
    try:
        m = measure_scene(scene, found)
    except PlumbsightError as error:
        return Outcome(index, situation, says=str(error))
    keys = [key for key in VALUE_KEYS if f"0:{key}" in m.reported.keys]
    u = {key: m.reported.u(f"0:{key}") for key in keys}
    return Outcome(
        index,
        situation,
        z={key: difference(key, m.reported.value(f"0:{key}"), true[key]) / u[key] for key in keys},
        u=u,
        unchecked={key: m.placements[0].budget[key].get(UNCHECKED_SHEETS, 0.0) for key in keys},
        failed=tuple((test.name, test.says) for test in m.tests if not test.ok),
        decision=m.decision,
        notes=" ".join([*(note.says for note in m.notes if note.says), *m.warnings]),
        n_used=len(m.sightings),
    )


def difference(key: str, value: float, true: float) -> float:
    """Measured minus true; of angles the one within half a turn."""
    off = value - true
    return (off + 180) % 360 - 180 if key.endswith("_deg") else off


def measure_situation(
    seed: int,
    index: int,
    *,
    scene_words: Mapping[str, Any] = MappingProxyType({}),
    observe_words: Mapping[str, Any] = MappingProxyType({}),
) -> Outcome:
    """One set out of the whole range; the words given replace what was drawn."""
    rng = rng_of(seed, index)
    situation = {**draw_situation(rng), **scene_words}
    scene = make_scene(rng, **situation)
    outliers = {"outlier_share": float(rng.choice([0.0, 0.01]))}
    found = observe_scene(rng, scene, **{**outliers, **observe_words})
    true = true_values(scene.truth, scene.placement.reference_line, scene.placement.datum)
    return outcome_of(index, situation, scene, found, true)
