"""What if phone, noise or paper are twice as bad as assumed: what falls, and which test speaks up?

`python -m tools.studies.wrong_assumptions --sets 200 --jobs 2`
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from types import MappingProxyType
from typing import Any

from tools.photo_round import Phone
from tools.studies.counting import run, share, study_words, table
from tools.studies.coverage import INTERVAL, alarms, z_of
from tools.studies.situations import Outcome, draw_situation, measure_situation, rng_of
from vision.placement import VALUE_KEYS

FACTOR = 2.0
PHONE = Phone()
REFOCUS = replace(
    PHONE,
    u_focal_change=FACTOR * PHONE.u_focal_change,
    u_centre_shift_px=FACTOR * PHONE.u_centre_shift_px,
)
READ_OUT = replace(PHONE, u_twist_mm=FACTOR * PHONE.u_twist_mm, u_twist_rad=FACTOR * PHONE.u_twist_rad)
BOTH = replace(REFOCUS, u_twist_mm=READ_OUT.u_twist_mm, u_twist_rad=READ_OUT.u_twist_rad)

# What is drawn otherwise than declared: (arguments of make_scene, arguments of observe_scene).
WORLDS: Mapping[str, tuple[Mapping[str, Any], Mapping[str, Any]]] = MappingProxyType(
    {
        "as assumed": ({}, {}),
        "noise of the points x 2": ({}, {"true_over_stated": FACTOR}),
        "focus and stabilisation x 2": ({"phone": REFOCUS}, {}),
        "motion during read-out x 2": ({"phone": READ_OUT}, {}),
        "all of the phone x 2": ({"phone": BOTH}, {}),
        "bow of the sheets x 2": ({}, {}),
    }
)


def measure_in_world(seed: int, world: str, index: int) -> Outcome:
    scene_words, observe_words = WORLDS[world]
    if world.startswith("bow"):
        care = draw_situation(rng_of(seed, index))["care"]
        scene_words = {"drawn": replace(care, u_bow_mm=FACTOR * care.u_bow_mm)}
    return measure_situation(seed, index, scene_words=scene_words, observe_words=observe_words)


def row(world: str, outcomes: Sequence[Outcome]) -> list[str]:
    measured = [o for o in outcomes if o.is_measured]
    cells = [world, str(len(measured))]
    for key in VALUE_KEYS:
        z = z_of(measured, key)
        cells.append(share(int((abs(z) <= INTERVAL).sum()), len(z)))
    return [*cells, share(sum(bool(alarms(o)) for o in measured), len(measured))]


def main() -> None:
    words = study_words("Coverage where an assumption is wrong by a factor of two.", 200).parse_args()
    rows, speaking = [], []
    for world in WORLDS:
        outcomes = list(run(partial(measure_in_world, words.seed, world), words.jobs, range(words.sets)))
        rows.append(row(world, outcomes))
        who = Counter(alarms(o)[0][0] for o in outcomes if alarms(o))
        speaking.append(
            f"{world}: " + ("; ".join(f"{n} x {name}" for name, n in who.most_common()) or "no test")
        )
    head = ("drawn", "sets", *VALUE_KEYS, "sets with a failed test")
    print("\n".join([table(head, rows), "", "which test speaks first:", *speaking]))


if __name__ == "__main__":
    main()
