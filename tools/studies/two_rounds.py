"""How often the 95 % interval of a difference between two rounds holds the true change.

`python -m tools.studies.two_rounds --sets 200 --jobs 2`

Both rounds see one scene: the same prints, clamps, mounts, floor, with the same errors. Between them the
fixture is moved by a few millimetres and tenths of a degree. Photos, phone and noise are drawn anew.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np

from calib_data.compare import COVERAGE_95, compare_results
from calib_data.layouts import load_layouts
from calib_data.photoset import photo_set_of
from calib_data.result import Json, to_result
from tools.make_set import kit_file, placement_file, vehicle_file
from tools.mistakes import fixture_moved
from tools.scene import make_scene
from tools.simulate import observe_scene
from tools.studies.counting import run, share, study_words, table
from tools.truth import Scene, true_values
from vision.errors import PlumbsightError
from vision.measure import measure_found
from vision.placement import VALUE_KEYS


@dataclass(frozen=True)
class Pair:
    """One pair of rounds: by value, error of the difference over its u, u, and u if nothing were shared."""

    z: dict[str, float]
    u: dict[str, float]
    u_apart: dict[str, float]
    moved: tuple[str, ...]
    says: str = ""


def result_of(scene: Scene, rng: np.random.Generator) -> Json:
    """A scene's photos observed and measured."""
    files = kit_file(scene.kit), vehicle_file(scene.vehicle), [placement_file(scene.placement)]
    photo_set = photo_set_of("a round", *files)
    found = observe_scene(rng, scene)
    m = measure_found(found, photo_set.kit, photo_set.vehicle, photo_set.placements, load_layouts())
    return to_result(m, photo_set, found)


def two_rounds(seed: int, index: int) -> Pair:
    """The pair of this number."""
    rng = np.random.default_rng([seed, index])
    situation: dict[str, Any] = {
        "target_distance_mm": float(rng.uniform(1500, 5000)),
        "with_bar": bool(rng.random() < 0.3),
        "reference_line": str(rng.choice(["centreline", "thrust_line"])),
    }
    # All that is not photos is drawn first, so the same seed gives the same scene with other photos.
    scenes = [
        make_scene(np.random.default_rng([seed, index, 1]), n_photos=n_photos, **situation)
        for n_photos in (10, 11)
    ]
    planted = fixture_moved(scenes[1], 0, rng.normal(0, 5, 3) * [1, 1, 0], float(rng.normal(0, 0.3)))
    assert planted.after is not None
    line, datum = scenes[0].placement.reference_line, scenes[0].placement.datum
    truths = [true_values(truth, line, datum) for truth in (scenes[0].truth, planted.after)]
    try:
        results = [result_of(scene, rng) for scene in (scenes[0], planted.scene)]
    except PlumbsightError as wrong:
        return Pair({}, {}, {}, (), str(wrong))
    compared = compare_results(*results)
    z, u, u_apart = {}, {}, {}
    for d in compared.placements[0].values:
        if d.difference is None or d.u is None:
            continue
        z[d.key] = (d.difference - (truths[1][d.key] - truths[0][d.key])) / d.u
        u[d.key] = d.u
        single = [result["placements"][0]["values"][d.key]["u"] for result in results]
        u_apart[d.key] = float(np.hypot(*single))
    return Pair(z, u, u_apart, tuple(d.key for d in compared.vehicle if d.is_moved))


def summary(pairs: Sequence[Pair]) -> str:
    rows = []
    for key in VALUE_KEYS:
        z = np.array([p.z[key] for p in pairs if key in p.z])
        if not len(z):
            continue
        ratio = np.median([p.u[key] / p.u_apart[key] for p in pairs if key in p.u])
        inside = int((abs(z) <= COVERAGE_95).sum())
        u = np.median([p.u[key] for p in pairs if key in p.u])
        rows.append(
            [
                key,
                str(len(z)),
                share(inside, len(z)),
                f"{np.sqrt((z**2).mean()):.3f}",
                f"{u:.3f}",
                f"{ratio:.2f}",
            ]
        )
    head = ("value", "pairs", "in the 95 % interval", "rms z", "median u", "u over u if nothing were shared")
    alarmed = sum(bool(p.moved) for p in pairs)
    lines = [
        table(head, rows),
        "",
        f"pairs whose vehicle is said to have moved: {share(alarmed, len(pairs))}",
    ]
    lines += [f"not measured: {p.says[:160]}" for p in pairs if p.says]
    return "\n".join(lines)


def main() -> None:
    words = study_words("Coverage of the differences between two rounds of one scene.", 200).parse_args()
    print(summary(list(run(partial(two_rounds, words.seed), words.jobs, range(words.sets)))))


if __name__ == "__main__":
    main()
