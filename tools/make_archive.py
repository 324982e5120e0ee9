"""A planted archive as folders that `plumbsight recheck` reads.

`python -m tools.make_archive FOLDER --rounds 300 --seed 1 --fault kit-drift --fault phone-lens`

Each round is a set with what was found in its photos (`observations.json`), as a van brings it home when
its photos stay behind; `--with-photos N` renders the photos of the first N too. `planted.json` says what
is wrong where.
"""

import argparse
import hashlib
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from calib_data.observations import to_observations
from calib_data.photoset import write_json_atomically
from tools.make_set import kit_file, placement_file, vehicle_file, write_set
from tools.planted_archive import (
    BAY_SLOPE,
    BAYS,
    FAULTS,
    FEWEST_ROUNDS,
    KIT_DRIFT,
    KITS,
    PHONE_LENS,
    PHONES,
    Planned,
    PlantedArchive,
    plan_archive,
    plan_study,
    round_id,
    scene_of,
)
from tools.simulate import observe_scene
from vision.sightings import FoundPhoto


def write_archive(folder: Path, archive: PlantedArchive, n_with_photos: int = 0) -> None:
    """Write every round's folder, and what was planted beside them."""
    folder.mkdir(parents=True, exist_ok=True)
    for planned in archive.rounds:
        write_round(folder / planned.round_id, planned, with_photos=planned.index < n_with_photos)
        if (planned.index + 1) % 50 == 0:
            print(f"{planned.index + 1} of {len(archive.rounds)}", file=sys.stderr, flush=True)
    write_json_atomically(folder / "planted.json", planted_file(archive))


def write_round(folder: Path, planned: Planned, *, with_photos: bool = False) -> None:
    """One round: set, kit, placement and observations; with photos, those are measured anew."""
    scene = scene_of(planned)
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([planned.seed, 5, planned.index])
    if with_photos:
        write_set(rng, folder, scene, planned.round_id)
    else:
        found = observe_scene(rng, scene)
        observations = to_observations([_hashed(photo, planned) for photo in found])
        # Detections as they are kept need no spaces: an archive of hundreds is large enough.
        (folder / "observations.json").write_text(json.dumps(observations, separators=(",", ":")))
        write_json_atomically(folder / "kit.json", kit_file(scene.kit))
        write_json_atomically(folder / "placement.json", placement_file(scene.placement))
    kept = {} if with_photos else {"observations": "observations.json"}
    set_file = {**set_of(planned, scene.vehicle, scene.photos), **kept}
    write_json_atomically(folder / "set.json", set_file)


def set_of(planned: Planned, vehicle: Any, photos: Any) -> dict[str, Any]:
    """The set, with bay and study."""
    study = {"set_up": f"{planned.set_up + 1}", "by": chr(ord("A") + planned.person)}
    return {
        "format": "plumbsight.set/1",
        "title": planned.round_id,
        "taken": planned.taken.strftime("%Y-%m-%d"),
        "bay": BAYS[planned.bay],
        **({"study": study} if planned.is_study else {}),
        "kit": "kit.json",
        "vehicle": vehicle_file(vehicle),
        "placement": "placement.json",
        "photos": [photo.name for photo in photos],
    }


def _hashed(photo: FoundPhoto, planned: Planned) -> FoundPhoto:
    """With a hash of its own in place of the missing file's."""
    text = f"{planned.seed} {planned.index} {photo.name}"
    return replace(photo, sha256=hashlib.sha256(text.encode()).hexdigest())


def planted_file(archive: PlantedArchive) -> dict[str, Any]:
    """What was planted, in words; nothing of plumbsight reads it."""
    names = {
        KIT_DRIFT: lambda i: KITS[i],
        PHONE_LENS: lambda i: " ".join(PHONES[i]),
        BAY_SLOPE: lambda i: BAYS[i],
    }
    subjects = {
        fault: names[fault](what) if fault in names else [round_id(i) for i in what]
        for fault, what in archive.subject.items()
    }
    return {"note": "known faults, for tests; measuring does not read this file", "planted": subjects}


def main() -> None:
    words = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    words.add_argument("folder", type=Path)
    words.add_argument("--rounds", type=int, default=300)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument(
        "--fault", choices=FAULTS, action="append", default=[], help="several times for several"
    )
    words.add_argument(
        "--with-photos", type=int, default=0, metavar="N", help="render the photos of the first N"
    )
    words.add_argument(
        "--study", action="store_true", help="five set-ups, three people, three rounds each, instead"
    )
    given = words.parse_args()
    if given.rounds < FEWEST_ROUNDS:
        words.error(f"--rounds is {given.rounds}; an archive has {FEWEST_ROUNDS} at least.")
    if given.study:
        archive = plan_study(given.seed, 5, 3, 3)
    else:
        archive = plan_archive(given.seed, given.rounds, given.fault)
    write_archive(given.folder, archive, given.with_photos)


if __name__ == "__main__":
    main()
