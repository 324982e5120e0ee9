"""One simulated set with a mistake in it: planted, measured, and told whether it was found and named.

A mistake is *found* when any test fails, when no measurement is given, or when the decision is
nonconforming with the right hint; it is *named* when the first failed test, or the words beside the
result, tell its true cause.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from numpy.random import Generator

from tools.mistakes import SIZED, UNSIZED, Planted, values_of
from tools.scene import SetUp, make_scene
from tools.simulate import observe_scene
from tools.studies.situations import difference, measure_scene, rng_of
from tools.truth import Scene, TruePhoto, TruePlate, hangs_together, views_in
from vision.errors import PlumbsightError
from vision.measure import Measurement
from vision.placement import VALUE_KEYS
from vision.sightings import FoundPhoto

MOST_DRAWS = 50


def _plain_scene(_size: float) -> Mapping[str, Any]:
    return {}


def _scene_with_bar(_size: float) -> Mapping[str, Any]:
    return {"with_bar": True}


@dataclass(frozen=True)
class Cause:
    """How a mistake should come out.

    Attributes:
        tests: Beginnings of the names of the tests that name it.
        words: One of these must be in what the first failed test, the advice or the notes say.
        sizes: The rungs of the ladder, largest first; empty for a mistake without a size.
        unit: Of the sizes.
        scene: Arguments of make_scene, by size, without which the mistake cannot be seen.
        by_decision: Named by the words of the advice on a nonconforming value.
        says_plate: The words must hold the number of a plate that the mistake touched.
    """

    tests: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    sizes: tuple[float, ...] = ()
    unit: str = "mm"
    scene: Callable[[float], Mapping[str, Any]] = _plain_scene
    by_decision: bool = False
    says_plate: bool = False


_SWAP = Cause(("wheel plates",), ("swapped", "exchanged", "other way round"))

# The order is that of how much hangs on it.
CAUSES: Mapping[str, Cause] = MappingProxyType(
    {
        "fixture moved": Cause(("rigidity of fixture",), sizes=(8, 4, 2, 1, 0.5)),
        "fixture turned, deg": Cause(("rigidity of fixture",), sizes=(0.3, 0.15, 0.08, 0.04), unit="deg"),
        "all sheets scaled, share": Cause(
            ("scale of all sheets", "scale confirmed"),
            ("All sheets", "all sheets"),
            sizes=(0.06, 0.03, 0.015, 0.008, 0.004, 0.002),
            unit="share",
        ),
        "one sheet scaled, share": Cause(
            ("scale of each sheet", "declared track"),
            sizes=(0.06, 0.03, 0.015, 0.008, 0.004, 0.002),
            unit="share",
            says_plate=True,
        ),
        "all sheets scaled, not measured, share": Cause(
            ("prints at true size",), sizes=(0.06, 0.03, 0.015, 0.008), unit="share"
        ),
        "vehicle moved": Cause(("rigidity of vehicle",), sizes=(8, 4, 2, 1)),
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
        "steering turned, deg": Cause(("steering",), sizes=(5, 3, 2.5, 2), unit="deg"),
        "plate shifted": Cause(("rigidity of", "plates in each photo"), sizes=(8, 4, 2, 1), says_plate=True),
        "floor plate on a ramp, deg": Cause(("floor",), sizes=(6, 4, 2, 1), unit="deg", says_plate=True),
        "floor plate raised": Cause(("floor",), sizes=(10, 5, 3, 2), says_plate=True),
        "rear axle meant": Cause((), ("meant from the rear axle",), by_decision=True),
        "bumper meant": Cause((), ("meant from the front edge of the bumper",), by_decision=True),
        "lateral mirrored": Cause(
            (),
            ("left and right mixed up",),
            sizes=(150, 40, 20, 10),
            scene=lambda mm: {"set_up": SetUp(lateral_mm=mm)},
            by_decision=True,
        ),
        "zoomed photos": Cause(("lens of each photo", "lens model", "focal length")),
        "lenses mixed, share of f": Cause(
            ("lens of each photo", "lens model"), sizes=(0.1, 0.03, 0.01), unit="share of f"
        ),
        "visits mixed, by date": Cause(("one visit", "rigidity of")),
        "visits mixed": Cause(("rigidity of",), sizes=(100, 20, 5, 2)),
        "a number twice": Cause(("plates in each photo", "each number"), ("twice", "same number")),
        "photo mirrored": Cause((), ("mirrored",)),
        "one sheet stretched, share": Cause(
            ("shape of each sheet",), sizes=(0.006, 0.003, 0.0015), unit="share", says_plate=True
        ),
        "plate bowed": Cause(("shape of each sheet",), sizes=(5, 3, 2, 1), says_plate=True),
        "steering turned between photos, deg": Cause(
            ("rigidity of each plate", "rigidity of vehicle", "steering", "plates in each photo"),
            sizes=(3, 1, 0.3),
            unit="deg",
        ),
        "clamp off its seat": Cause(("both sides alike", "declared track"), sizes=(40, 30, 10, 3)),
        "clamp tilted, deg": Cause(("clamps upright",), sizes=(12, 8, 5, 1), unit="deg"),
        "clamp turned, deg": Cause(("wheels in line",), sizes=(12, 8, 5, 1), unit="deg"),
        "lens ripple, px": Cause(("lens model",), sizes=(3, 1, 0.3), unit="px"),
        "bar length, share": Cause(
            ("scale bars",), sizes=(0.2, 0.01, 0.005, 0.002), unit="share", scene=_scene_with_bar
        ),
        "bar bent, deg": Cause(("scale bars",), sizes=(20, 10, 5), unit="deg", scene=_scene_with_bar),
    }
)


@dataclass(frozen=True)
class Found:
    """What became of one set with a mistake in it.

    Attributes:
        first: The first failed test's name, `refused` where no measurement was given, or the decision.
        z: Errors / u of the last state that the photos show.
        told: The result says that its photos do not exclude such a move.
    """

    index: int
    found: bool
    named: bool
    conforming: bool
    first: str
    says: str
    z: Mapping[str, float]
    told: bool = False

    @property
    def silent(self) -> bool:
        """Nothing in the result speaks of the mistake."""
        return not self.found and not self.told


def draw_planted(rng: Generator, name: str, size: float | None, stations: str) -> tuple[Scene, Planted]:
    """An ordinary job and the same with the mistake: 10 to 16 photos, target 1.2 to 6 m ahead.

    Both hang together: a sheet printed at 97 % may be too small in the only photo that shows it, and that is
    told as such. And the mistake is one that the photos show.
    """
    words = {"stations": stations, **CAUSES[name].scene(size or 0.0)}
    for _ in range(MOST_DRAWS):
        scene = make_scene(
            rng,
            target_distance_mm=float(rng.uniform(1200, 6000)),
            n_photos=int(rng.integers(10, 17)),
            **words,
        )
        if not hangs_together(scene):
            continue
        planted = UNSIZED[name](rng, scene) if size is None else SIZED[name](rng, scene, size)
        if hangs_together(planted.scene) and is_shown(scene, planted.scene):
            return scene, planted
    raise RuntimeError("no scene hangs together and shows the mistake")


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
        plate.number
        for one, other in zip(before.photos, after.photos, strict=True)
        for plate in _changed(one, other)
    }


def is_shown(before: Scene, after: Scene) -> bool:
    """Whether the photos show a plate as it is with the mistake, and, of a move between photos, as it was."""
    touched = touched_plates(before, after)
    if not touched:
        return True  # it lies in lenses or in what was declared
    as_was: set[int] = set()
    as_is: set[int] = set()
    is_between = False
    for one, other in zip(before.photos, after.photos, strict=True):
        changed = _changed(one, other)
        is_between |= not changed
        for view in views_in(other):
            (as_is if any(view.plate is plate for plate in changed) else as_was).add(view.plate.number)
    return bool(touched & as_is) and (not is_between or bool(touched & as_was))


def _changed(one: TruePhoto, other: TruePhoto) -> list[TruePlate]:
    return [plate for plate in other.plates if not any(plate is same for same in one.plates)]


def try_mistake(seed: int, name: str, size: float | None, index: int, stations: str = "chosen") -> Found:
    rng = rng_of(seed, index)
    cause = CAUSES[name]
    scene, planted = draw_planted(rng, name, size, stations)
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
    told = any(one.body and f"rigidity of {one.body.words}".startswith(cause.tests) for one in m.moves)
    return Found(index, is_found, named, m.decision == "conforming", first, says, z, told)


def is_named(cause: Cause, first: str, says: str, m: Measurement, touched: set[int]) -> bool:
    if not cause.tests:
        # No test's business: the words beside the result.
        beside = " ".join([*m.placements[0].advice, *(note.says for note in m.notes)])
        return any(w in beside for w in cause.words) and (not first or cause.by_decision)
    if not first.startswith(cause.tests):
        return False
    if cause.words and not any(w in says for w in cause.words):
        return False
    return not cause.says_plate or bool(plates_in(says) & touched)


def plates_in(says: str) -> set[int]:
    """The numbers of the plates or sheets that words speak of: `Plates 10 and 11`, `the sheets 0 and 1`."""
    lists = re.findall(r"\b(?:plates?|sheets) (\d+(?:(?:, | and )\d+)*)", says, re.IGNORECASE)
    return {int(number) for listed in lists for number in re.findall(r"\d+", listed)}
