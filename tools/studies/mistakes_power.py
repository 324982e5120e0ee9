"""From which size on a mistake is found and named, and what the smaller ones do to the values.

`python -m tools.studies.mistakes_power --sets 300 --jobs 2`
`python -m tools.studies.mistakes_power --only "fixture moved" --sizes 8`

A mistake is *found* when any test fails, when no measurement is given, or when the decision is
nonconforming with the right hint; it is *named* when the first failed test, or the words beside the
result, tell its true cause.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.random import Generator

from tools.mistakes import SIZED, UNSIZED, Planted, values_of
from tools.scene import SetUp, make_scene
from tools.simulate import observe_scene
from tools.studies.counting import lower_bound, run, study_words, table
from tools.studies.situations import difference, measure_scene, rng_of
from tools.truth import Scene, hangs_together
from vision.errors import PlumbsightError
from vision.measure import Measurement
from vision.placement import VALUE_KEYS
from vision.sightings import FoundPhoto

POWER = 0.97
MOST_DRAWS = 50


@dataclass(frozen=True)
class Cause:
    """How a mistake should come out.

    Attributes:
        tests: Beginnings of the names of the tests that name it.
        words: One of these must be in what the first failed test, the advice or the notes say.
        sizes: The ladder, smallest first; empty for a mistake without a size.
        scene: Arguments of make_scene without which the mistake cannot be seen.
        by_decision: Named by the words of the advice on a nonconforming value.
        says_plate: The words must hold the number of a plate that the mistake touched.
    """

    tests: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    sizes: tuple[float, ...] = ()
    scene: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))
    by_decision: bool = False
    says_plate: bool = False


_BAR = MappingProxyType({"with_bar": True})
_ASIDE = MappingProxyType({"set_up": SetUp(lateral_mm=150.0)})
_SWAP = Cause(("wheel plates",), ("swapped", "exchanged", "other way round"))

CAUSES: Mapping[str, Cause] = MappingProxyType(
    {
        "fixture moved": Cause(("rigidity of fixture",), sizes=(1, 2, 4, 8)),
        "fixture turned, deg": Cause(("rigidity of fixture",), sizes=(0.05, 0.1, 0.2, 0.3)),
        "vehicle moved": Cause(("rigidity of vehicle",), sizes=(1, 2, 4, 8)),
        "plate shifted": Cause(
            ("rigidity of each plate", "plates in each photo"), sizes=(1, 2, 4, 8), says_plate=True
        ),
        "one sheet scaled, share": Cause(
            ("scale of each sheet", "declared track"), sizes=(0.003, 0.006, 0.01, 0.03), says_plate=True
        ),
        "one sheet stretched, share": Cause(
            ("shape of each sheet",), sizes=(0.002, 0.003, 0.006), says_plate=True
        ),
        "all sheets scaled, share": Cause(
            ("scale of all sheets", "scale confirmed"),
            ("All sheets", "all sheets"),
            sizes=(0.003, 0.006, 0.01, 0.03),
        ),
        "all sheets scaled, not measured, share": Cause(("prints at true size",), sizes=(0.01, 0.03, 0.06)),
        "steering turned, deg": Cause(("steering",), sizes=(2.0, 2.5, 3.0)),
        "steering turned between photos, deg": Cause(
            ("rigidity of each plate", "rigidity of vehicle", "steering", "plates in each photo"),
            sizes=(0.3, 1.0, 3.0),
        ),
        "floor plate raised": Cause(("floor",), sizes=(2, 3, 5, 10), says_plate=True),
        "floor plate on a ramp, deg": Cause(("floor",), sizes=(1, 2, 4, 6), says_plate=True),
        "plate bowed": Cause(("shape of each sheet",), sizes=(1, 2, 3, 5), says_plate=True),
        "clamp off its seat": Cause(("declared track", "clamps"), sizes=(3, 10, 30)),
        "clamp tilted, deg": Cause(("clamps upright",), sizes=(1, 5, 12)),
        "visits mixed": Cause(("rigidity of",), sizes=(5, 20, 100)),
        "lenses mixed, share of f": Cause(("lens of each photo", "lens model"), sizes=(0.01, 0.03, 0.1)),
        "lens ripple, px": Cause(("lens model",), sizes=(0.3, 1.0, 3.0)),
        "bar length, share": Cause(("scale bars",), sizes=(0.002, 0.005, 0.01, 0.2), scene=_BAR),
        "bar bent, deg": Cause(("scale bars",), sizes=(5, 10, 20), scene=_BAR),
        "wheel plates swapped left and right, front": _SWAP,
        "wheel plates swapped left and right, rear": _SWAP,
        "wheel plates swapped front and rear": _SWAP,
        "wheel plates swapped across": _SWAP,
        "all wheel plates swapped front and rear": _SWAP,
        "all wheel plates swapped left and right": _SWAP,
        "fixture plate upside down": Cause(
            ("mounted", "plates on fixtures"), ("upside down",), says_plate=True
        ),
        "both fixture plates upside down": Cause(
            ("mounted", "plates on fixtures"), ("upside down",), says_plate=True
        ),
        "fixture plates exchanged": Cause(("mounted", "plates on fixtures"), ("exchanged",), says_plate=True),
        "a number twice": Cause(
            ("plates in each photo", "points of each plate", "each number"), ("twice", "same number")
        ),
        "photo mirrored": Cause((), ("mirrored",)),
        "rear axle meant": Cause((), ("axle",), by_decision=True),
        "bumper meant": Cause((), ("bumper", "overhang"), by_decision=True),
        "lateral mirrored": Cause((), ("same amount",), scene=_ASIDE, by_decision=True),
        "visits mixed, by date": Cause(
            ("rigidity of", "one visit"),
        ),
        "zoomed photos": Cause(("lens of each photo", "lens model", "focal length")),
    }
)


@dataclass(frozen=True)
class Found:
    """What became of one set with a mistake in it.

    `first` is the first failed test's name, `refused` where no measurement was given, or the decision.
    `z`: errors / u of the last state that the photos show.
    """

    index: int
    found: bool
    named: bool
    conforming: bool
    first: str
    says: str
    z: Mapping[str, float]


def draw_scene(rng: Generator, words: Mapping[str, Any]) -> Scene:
    """An ordinary job: 10 to 16 photos that hang together, from chosen stations, target 1.2 to 6 m ahead."""
    for _ in range(MOST_DRAWS):
        scene = make_scene(
            rng,
            target_distance_mm=float(rng.uniform(1200, 6000)),
            n_photos=int(rng.integers(10, 17)),
            **{"stations": "chosen", **words},
        )
        if hangs_together(scene):
            return scene
    raise RuntimeError("no scene hangs together")


def plant(name: str, size: float | None, rng: Generator, scene: Scene) -> Planted:
    return UNSIZED[name](rng, scene) if size is None else SIZED[name](rng, scene, size)


def detections_of(rng: Generator, scene: Scene) -> tuple[FoundPhoto, ...]:
    """As detection gives them: a mirrored photo's tags cannot be read, and find_plates says so."""
    mirrored = {photo.name for photo in scene.photos if photo.mirrored}
    return tuple(
        FoundPhoto(f.name, f.sha256, f.size_px, f.exif, (), "This photo is mirrored.")
        if f.name in mirrored
        else f
        for f in observe_scene(rng, scene)
    )


def touched_plates(before: Scene, after: Scene) -> set[int]:
    """Numbers of the plates that are otherwise than they were in some photo."""
    return {
        b.number
        for one, other in zip(before.photos, after.photos, strict=True)
        for a, b in zip(one.plates, other.plates, strict=False)
        if a is not b
    }


def try_mistake(seed: int, name: str, size: float | None, index: int, stations: str = "chosen") -> Found:
    rng = rng_of(seed, index)
    cause = CAUSES[name]
    scene = draw_scene(rng, {**cause.scene, "stations": stations})
    planted = plant(name, size, rng, scene)
    found = detections_of(rng, planted.scene)
    try:
        m = measure_scene(planted.scene, found)
    except PlumbsightError as error:
        return Found(index, True, any(w in str(error) for w in cause.words), False, "refused", str(error), {})
    failed = [test for test in m.tests if not test.ok]
    first, says = (failed[0].name, failed[0].says) if failed else (m.decision, "")
    true = values_of(planted)[-1]
    keys = [key for key in VALUE_KEYS if f"0:{key}" in m.reported.keys]
    z = {k: difference(k, m.reported.value(f"0:{k}"), true[k]) / m.reported.u(f"0:{k}") for k in keys}
    named = is_named(cause, first if failed else "", says, m, touched_plates(scene, planted.scene))
    is_found = (
        bool(failed) or (cause.by_decision and m.decision == "nonconforming") or (not cause.tests and named)
    )
    return Found(index, is_found, named, m.decision == "conforming", first, says, z)


def is_named(cause: Cause, first: str, says: str, m: Measurement, touched: set[int]) -> bool:
    if not cause.tests:
        # No test's business: the words beside the result.
        beside = " ".join([*m.placements[0].advice, *(note.says for note in m.notes)])
        return any(w in beside for w in cause.words) and (not first or cause.by_decision)
    if not first.startswith(cause.tests):
        return False
    if cause.words and not any(w in says for w in cause.words):
        return False
    return not cause.says_plate or any(str(number) in says for number in touched)


# --- counting ---------------------------------------------------------------------------------------------

HEAD = (
    "mistake",
    "size",
    "sets",
    "found",
    "named",
    "lower bound",
    "conforming",
    "rms z unseen",
    "max |z|",
    "else named",
)


def row(name: str, size: float | None, outcomes: Sequence[Found]) -> list[str]:
    n = len(outcomes)
    n_found, n_named = sum(o.found for o in outcomes), sum(o.named for o in outcomes)
    unseen = np.array([z for o in outcomes if not o.found for z in o.z.values()])
    others = Counter(o.first for o in outcomes if not o.named)
    return [
        name,
        "" if size is None else f"{size:g}",
        str(n),
        f"{100 * n_found / n:.1f} %",
        f"{100 * n_named / n:.1f} %",
        f"{100 * lower_bound(n_named, n):.1f} %",
        str(sum(o.conforming for o in outcomes)),
        f"{np.sqrt((unseen**2).mean()):.2f}" if len(unseen) else "-",
        f"{abs(unseen).max():.1f}" if len(unseen) else "-",
        "; ".join(f"{k} x {what}" for what, k in others.most_common(3)),
    ]


def smallest(name: str, by_size: Mapping[float | None, Sequence[Found]]) -> str:
    """From which size on the power is proved, with no set conforming."""
    proved = [
        size
        for size, outcomes in by_size.items()
        if lower_bound(sum(o.named for o in outcomes), len(outcomes)) >= POWER
        and not any(o.conforming for o in outcomes)
    ]
    if not proved:
        return f"{name}: not proved with these sets"
    return f"{name}: always" if proved == [None] else f"{name}: from {proved[0]:g}"


def main() -> None:
    parser = study_words("The smallest mistakes that are found and named.", 300)
    parser.add_argument("--only", default="", help="mistakes whose name contains this")
    parser.add_argument("--stations", default="chosen", help="how the photos are taken: chosen or walk")
    parser.add_argument("--sizes", type=float, nargs="*", help="in place of the ladder")
    words = parser.parse_args()
    proofs = []
    for name, cause in CAUSES.items():
        if words.only not in name:
            continue
        by_size: dict[float | None, Sequence[Found]] = {}
        for size in (words.sizes or cause.sizes) if name in SIZED else (None,):
            by_size[size] = list(
                run(
                    partial(try_mistake, words.seed, name, size, stations=words.stations),
                    words.jobs,
                    range(words.sets),
                )
            )
            print(table(HEAD, [row(name, size, by_size[size])]), flush=True)
            missed = [o for o in by_size[size] if not o.named][:4]
            print("\n".join(f"    set {o.index}: {o.first}: {o.says[:160]}" for o in missed), flush=True)
        proofs.append(smallest(name, by_size))
    print(
        "\n".join(
            [
                f"\nNamed with a power of {100 * POWER:g} % (lower 95 % bound; at least 99 sets are needed):",
                *proofs,
            ]
        )
    )


if __name__ == "__main__":
    main()
