"""The planted archive's rounds, measured in memory: the frames that the results of a re-check give.

What goes through files and `plumbsight recheck` is the same numbers; hundreds of archives want it without.
"""

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from calib_data.review.rounds import Rounds
from tools.planted_archive import BAYS, KITS, PHONES, Planned, PlantedArchive, scene_of
from tools.simulate import observe_scene
from tools.studies.situations import measure_scene
from tools.truth import Scene
from vision.errors import PlumbsightError
from vision.measure import Measurement
from vision.placement import VALUE_KEYS

SIDES = ("wheelbase_left_mm", "wheelbase_right_mm")
OTHER_FACTS = ("track_front_mm", "track_rear_mm")


def measured(archive: PlantedArchive) -> Rounds:
    """Simulate and measure every round."""
    rows = [_measure(archive.name, planned) for planned in archive.rounds]
    return Rounds(
        pd.DataFrame([row for row, _, _ in rows]),
        pd.DataFrame([sheet for _, sheets, _ in rows for sheet in sheets]),
        pd.DataFrame([test for _, _, tests in rows for test in tests], columns=["round_id", "name", "says"]),
    )


def kept(archive: PlantedArchive, folder: Path | None) -> Rounds:
    """`measured`, read from a folder that kept it before, or kept there."""
    if folder is None:
        return measured(archive)
    stem = f"{archive.name.replace(' ', '_')}_{len(archive.rounds)}_{'_'.join(archive.subject) or 'clean'}"
    if (size := archive.rounds[0].size) != 1:
        stem += f"_size_{size:g}"
    paths = [folder / f"{stem}_{part}.parquet" for part in ("rounds", "sheets", "tests")]
    if all(path.is_file() for path in paths):
        return Rounds(*(pd.read_parquet(path) for path in paths))
    rounds = measured(archive)
    folder.mkdir(parents=True, exist_ok=True)
    for path, frame in zip(paths, (rounds.rounds, rounds.sheets, rounds.tests), strict=True):
        frame.to_parquet(path)
    return rounds


def _measure(name: str, p: Planned) -> tuple[dict[str, Any], list[dict[str, Any]], list[dict[str, Any]]]:
    scene = scene_of(p)
    found = observe_scene(np.random.default_rng([p.seed, 5, p.index]), scene)
    row = _declared(name, p, scene)
    try:
        m = measure_scene(scene, found)
    except PlumbsightError as wrong:
        return {**row, "outcome": "not measured", "says": str(wrong)}, [], []
    tests = [{"round_id": p.round_id, "name": t.name, "says": t.says} for t in m.tests if not t.ok]
    return {**row, **_figures(m)}, list(_sheets(p, m)), tests


def _declared(name: str, p: Planned, scene: Scene) -> dict[str, Any]:
    make, model = PHONES[p.phone]
    return {
        "archive": name,
        "round_id": p.round_id,
        "taken": pd.Timestamp(p.taken, tz="UTC"),
        "bay": BAYS[p.bay],
        "phone": f"{make} {model}",
        "kit": KITS[p.kit],
        "vehicle": scene.vehicle.label,
        "wheelbase_mm": scene.vehicle.wheelbase_mm,
        "u_wheelbase_mm": scene.vehicle.u_wheelbase_mm,
        "track_front_mm_declared": scene.vehicle.track_front_mm,
        "track_rear_mm_declared": scene.vehicle.track_rear_mm,
        "shop": name,
        "study": name if p.is_study else None,
        "person": f"person {p.person + 1}" if p.is_study else None,
        "set_up": f"set-up {p.set_up + 1}" if p.is_study else None,
        "n_photos": p.n_photos,
    }


def _figures(m: Measurement) -> dict[str, Any]:
    a, r = m.adjustment, m.reported
    row: dict[str, Any] = {
        "outcome": "measured",
        "decision": m.decision,
        "chi2": a.chi2,
        "redundancy": a.redundancy,
        "n_plates": len(a.network.observed.plates),
    }
    placement = m.placements[0].placement
    if a.is_contradictory:
        return row
    for key in (*SIDES, *OTHER_FACTS):
        if key in r.keys:
            row |= {key: r.value(key), f"u_{key}": r.u(key)}
    for key in VALUE_KEYS:
        if f"0:{key}" in r.keys:
            tolerance = placement.values.get(key)
            row |= {key: r.value(f"0:{key}"), f"u_{key}": r.u(f"0:{key}")}
            row[f"{key}_nominal"] = tolerance.nominal if tolerance else None
    return row


def _sheets(p: Planned, m: Measurement) -> Iterable[dict[str, Any]]:
    """Printed scale of each sheet against its declared one, and what all have in common."""
    a = m.adjustment
    u = a.network.unknowns
    index = [*u.plate_values()[:, 0], u.ruler_value()]
    for plate, i in zip([*a.network.observed.plates, -1], index, strict=True):
        column = a.state.value_column(int(i))
        yield {
            "round_id": p.round_id,
            "plate": int(plate),
            "off": float(a.state.values[i]),
            "u_off": float(np.sqrt(a.covariance[column, column])),
        }
