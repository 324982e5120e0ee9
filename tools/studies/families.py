"""Every kind of target, by family: how often 95 % intervals hold the truth.

`python -m tools.studies.families --family mats_round --sets 1000 --seed 1`

Set by set the places, the vehicle, all errors and the photos are drawn anew; the photos' points are simulated
and measured from nothing. Counted are the values of the placements and of the relations.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.random import Generator

from calib_data.formats import ShiftFile
from calib_data.layouts import load_layouts
from calib_data.photoset import photo_set_of
from calib_data.result import Json, to_result
from calib_data.shift import decide_shift
from tools.kind_mistakes import MISTAKES, NAMED
from tools.kinds import Bay, Pair, Unit, make_bay
from tools.make_set import kit_file, placement_file, vehicle_file
from tools.simulate import observe_scene
from tools.studies.counting import lower_bound, run, share, study_words, table
from tools.studies.coverage import INTERVAL, NO_ALARM
from tools.studies.situations import difference, rng_of
from vision.errors import PlumbsightError
from vision.kit import Origin
from vision.measure import Measurement, measure_found

Drawn = tuple[tuple[Unit, ...], tuple[Pair, ...], int]

SQUARE = {"distance_mm": 10.0, "lateral_mm": 8.0, "height_mm": 8.0, "yaw_deg": 0.5}
POLAR = {"range_mm": 20.0, "bearing_deg": 0.5, "height_mm": 10.0}
_HALF_TURN = float(np.pi)


def reflector_ahead(rng: Generator) -> Drawn:
    """From a radar sensor behind the bumper, known from a drawing to 2 mm, aimed ahead."""
    sensor = Origin("front_axle", (float(rng.uniform(600, 850)), float(rng.uniform(-300, 300))), 2.0, 0.0)
    place = (float(rng.uniform(2000, 8000)), float(rng.uniform(-500, 500)), float(rng.uniform(300, 900)))
    return (Unit("reflector", place, POLAR, origin=sensor),), (), 14


def corner_units(rng: Generator) -> Drawn:
    """Behind each rear corner: left from the axle's end, right from a plate on the bumper's corner."""
    x, y = -float(rng.uniform(4000, 5500)), float(rng.uniform(1200, 2600))
    starts = (Origin("rear_left", axis_rad=_HALF_TURN), Origin("corner_right", axis_rad=_HALF_TURN))
    units = tuple(
        Unit(name, (x, side * y, 700.0), POLAR, facing, datum="rear_axle", origin=start)
        for name, side, facing, start in zip(("left", "right"), (1, -1), (145.0, -145.0), starts, strict=True)
    )
    return units, (Pair((0, 1), {"spacing_mm": 10.0, "symmetry_mm": 10.0}),), 16


def rear_board(rng: Generator) -> Drawn:
    """Behind the vehicle, squared to it: facing half a turn, where angles wrap."""
    place = (-float(rng.uniform(4300, 6000)), float(rng.uniform(-100, 100)), float(rng.uniform(500, 1200)))
    return (Unit("rear", place, SQUARE, 180.0, datum="rear_axle"),), (), 14


def side_board(rng: Generator) -> Drawn:
    """At a bearing, left or right, from a front wheel."""
    side = float(rng.choice([-1, 1]))
    at_rad, range_mm = side * rng.uniform(np.radians(50), np.radians(120)), rng.uniform(1800, 3500)
    wheel = "front_left" if side > 0 else "front_right"
    place = (range_mm * np.cos(at_rad), side * 780 + range_mm * np.sin(at_rad), 900.0)
    unit = Unit("side", place, {**POLAR, "yaw_deg": 0.5}, float(np.degrees(at_rad)), origin=Origin(wheel))
    return (unit,), (), 14


def pair_of_boards(rng: Generator) -> Drawn:
    """Left and right of the line."""
    x, y = float(rng.uniform(1800, 4000)), float(rng.uniform(450, 1100))
    units = tuple(
        Unit(name, (x, side * y, 1000.0), SQUARE, half_width_mm=(160.0, 0.0))
        for name, side in (("left", 1), ("right", -1))
    )
    together = {"spacing_mm": 4.0, "height_difference_mm": 4.0, "distance_difference_mm": 6.0}
    return units, (Pair((0, 1), {**together, "symmetry_mm": 5.0, "parallelism_deg": 0.5}),), 14


def mats_round(rng: Generator) -> Drawn:
    """Left, right, front and rear; gaps from the wheels and from the axles' middles."""
    side_y, x = float(rng.uniform(1500, 1900)), -float(rng.uniform(1000, 1600))
    gap = {"gap_mm": 15.0, "distance_mm": 15.0, "heading_deg": 1.0, "flatness_mm": 12.0}
    line = {"distance_mm": 15.0, "lateral_mm": 15.0, "heading_deg": 1.0}
    quarter = _HALF_TURN / 2
    units = (
        Unit(
            "mat_left", (x, side_y, 2.0), gap, 0.0, True, origin=Origin("rear_left", axis_rad=quarter),
            half_width_mm=(300.0, 500.0),
        ),
        Unit(
            "mat_right", (x, -side_y, 2.0), gap, 0.0, True, origin=Origin("rear_right", axis_rad=-quarter),
            half_width_mm=(300.0, 500.0),
        ),
        Unit(
            "mat_front", (float(rng.uniform(1500, 2200)), 0.0, 2.0), line, 0.0, True,
            half_width_mm=(500.0, 300.0),
        ),
        Unit(
            "mat_rear", (-float(rng.uniform(4300, 5000)), 0.0, 2.0), line, 180.0, True, datum="rear_axle",
            half_width_mm=(500.0, 300.0),
        ),
    )  # fmt: skip
    pairs = (
        Pair((0, 1), {"spacing_mm": 10.0, "parallelism_deg": 1.0}),
        Pair((2, 3), {"spacing_mm": 10.0}),
    )
    return units, pairs, 20


def mirror_plate(rng: Generator) -> Drawn:
    """Close ahead of the bumper, at the tightest angles."""
    place = (float(rng.uniform(1700, 2900)), 0.0, float(rng.uniform(400, 800)))
    angles = {"distance_mm": 20.0, "yaw_deg": 0.3, "pitch_deg": 0.3}
    return (Unit("plate", place, angles, half_width_mm=(300.0, 0.0), off_deg=0.08),), (), 16


FAMILIES: Mapping[str, Callable[[Generator], Drawn]] = MappingProxyType(
    {
        "reflector_ahead": reflector_ahead,
        "corner_units": corner_units,
        "rear_board": rear_board,
        "side_board": side_board,
        "pair_of_boards": pair_of_boards,
        "mats_round": mats_round,
        "mirror_plate": mirror_plate,
    }
)


def board_near_and_far(rng: Generator) -> tuple[Unit, Unit, dict[str, Any]]:
    """The same board in two rounds, 0.8 to 2 m apart along the line."""
    x, height = float(rng.uniform(1800, 3000)), float(rng.uniform(700, 1200))
    way = round(float(rng.uniform(800, 2000)), -1)
    near = Unit("board", (x, 0.0, height), {}, off_mm=2.0)
    far = replace(near, position_mm=(x + way, 0.0, height))
    asked = {
        "distance_mm": (way, 8.0),
        "lateral_mm": (0.0, 5.0),
        "height_mm": (0.0, 5.0),
        "yaw_deg": (0.0, 0.5),
    }
    return near, far, _shift(asked)


def angle_stops(rng: Generator) -> tuple[Unit, Unit, dict[str, Any]]:
    """A mirror plate close ahead, turned from stop to stop of 2 degrees about the upright."""
    place = (float(rng.uniform(1700, 2600)), 0.0, float(rng.uniform(400, 800)))
    stops = 2.0 * float(rng.integers(1, 4)) * float(rng.choice([-1, 1]))
    straight = Unit("plate", place, {}, half_width_mm=(300.0, 0.0), off_deg=0.05)
    turned = replace(straight, facing_deg=stops)
    return straight, turned, _shift({"yaw_deg": (stops, 0.4), "pitch_deg": (0.0, 0.4)}, {"yaw_deg": 2.0})


def _shift(asked: Mapping[str, tuple[float, float]], step: Mapping[str, float] = {}) -> dict[str, Any]:  # noqa: B006
    return {
        "format": "plumbsight.shift/1",
        "name": "from one to the next",
        "from": "placed",
        "to": "placed",
        "values": {key: {"nominal": n, "minus": half, "plus": half} for key, (n, half) in asked.items()},
        "step": dict(step),
    }


TWO_ROUNDS: Mapping[str, Callable[[Generator], tuple[Unit, Unit, dict[str, Any]]]] = MappingProxyType(
    {"board_near_and_far": board_near_and_far, "angle_stops": angle_stops}
)


@dataclass(frozen=True)
class Outcome:
    """One set: error / u and u by value (`0:range_mm`, `r0:spacing_mm`), alarms, why it was not measured."""

    index: int
    z: Mapping[str, float] = field(default_factory=dict)
    u: Mapping[str, float] = field(default_factory=dict)
    failed: tuple[tuple[str, str], ...] = ()
    decision: str = ""
    says: str = ""


def draw_bay(rng: Generator, family: str) -> Bay:
    """A scene of this family."""
    units, pairs, n_photos = FAMILIES[family](rng)
    line = str(rng.choice(["centreline", "thrust_line"]))
    return make_bay(rng, units, pairs, n_photos=n_photos, reference_line=line)


def measure_bay(rng: Generator, bay: Bay) -> Measurement:
    """Its photos observed and measured.

    Raises:
        PlumbsightError: They do not suffice.
    """
    found = observe_scene(rng, bay)
    layouts = load_layouts()
    return measure_found(found, bay.kit, bay.vehicle, bay.placements, layouts, relations=bay.relations)


def true_of(bay: Bay) -> dict[str, float]:
    """Every true value by the names of `Reported`."""
    out = {}
    for i in range(len(bay.placements)):
        out.update({f"{i}:{key}": value for key, value in bay.true_values(i).items()})
    for i in range(len(bay.relations)):
        out.update({f"r{i}:{key}": value for key, value in bay.true_relation(i).items()})
    return out


def one_set(seed: int, family: str, index: int) -> Outcome:
    rng = rng_of(seed, index)
    bay = draw_bay(rng, family)
    try:
        m = measure_bay(rng, bay)
    except PlumbsightError as wrong:
        return Outcome(index, says=str(wrong))
    true = true_of(bay)
    keys = [key for key in m.reported.keys if key in true]
    u = {key: m.reported.u(key) for key in keys}
    return Outcome(
        index,
        {key: difference(key, m.reported.value(key), true[key]) / u[key] for key in keys},
        u,
        tuple((t.name, t.says) for t in m.tests if not t.ok and t.name not in NO_ALARM),
        m.decision,
    )


def two_rounds(seed: int, family: str, index: int, planted: float = 0.0) -> tuple[Json, dict[str, float]]:
    """The shift's decision on two rounds of one scene, and the true differences.

    All that is not photos is drawn first, so the same seed gives the same shop with other photos.

    Args:
        planted: Degrees by which the fixture is turned too far in the second round.

    Raises:
        PlumbsightError: The photos of a round do not suffice.
    """
    rng = rng_of(seed, index)
    one, other, asked = TWO_ROUNDS[family](rng)
    other = replace(other, facing_deg=other.facing_deg + planted)
    line = str(rng.choice(["centreline", "thrust_line"]))
    results, true = [], []
    for unit, n_photos in ((one, 12), (other, 13)):
        bay = make_bay(
            np.random.default_rng([seed, index, 1]), [unit], n_photos=n_photos, reference_line=line
        )
        # Angles count from forward in both rounds: a turned plate is the same placement.
        p = replace(bay.placements[0], name="placed", facing_rad=0.0)
        bay = replace(bay, placements=(p,), meant=(p,))
        files = kit_file(bay.kit), vehicle_file(bay.vehicle), [placement_file(p)]
        photo_set = photo_set_of("a round", *files)
        found = observe_scene(rng, bay)
        m = measure_found(found, photo_set.kit, photo_set.vehicle, photo_set.placements, load_layouts())
        results.append(to_result(m, photo_set, found))
        true.append(bay.true_values(0))
    shift = ShiftFile.model_validate(asked)
    return decide_shift(results[0], results[1], shift), {k: true[1][k] - true[0][k] for k in asked["values"]}


def one_pair(seed: int, family: str, index: int) -> Outcome:
    try:
        decided, true = two_rounds(seed, family, index)
    except PlumbsightError as wrong:
        return Outcome(index, says=str(wrong))
    values = {f"s:{key}": value for key, value in decided["values"].items() if value["value"] is not None}
    return Outcome(
        index,
        {
            key: difference(key, v["value"], true[key.removeprefix("s:")]) / v["u"]
            for key, v in values.items()
        },
        {key: v["u"] for key, v in values.items()},
        tuple(
            ("shift", says) for says in decided["says"] if "not exclude" not in says and "Joint" not in says
        ),
        decided["decision"],
    )


def summary(outcomes: Sequence[Outcome]) -> str:
    """Coverage by kind of value; sets count once for each target that has it."""
    measured = [o for o in outcomes if not o.says]
    by_kind: dict[str, list[tuple[float, float]]] = {}
    for o in measured:
        for key, z in o.z.items():
            prefix, kind = key.split(":")
            name = {"r": f"{kind} of two", "s": f"{kind} between rounds"}.get(prefix[0], kind)
            by_kind.setdefault(name, []).append((z, o.u[key]))
    rows = []
    for name, found in by_kind.items():
        off, u = np.abs([z for z, _ in found]), np.median([u for _, u in found])
        inside, far = int((off <= INTERVAL).sum()), int((off > 3.3).sum())
        rms = f"{np.sqrt((off**2).mean()):.3f}"
        rows.append([name, len(off), share(inside, len(off)), rms, far, f"{off.max():.1f}", f"{u:.3f}"])
    head = ("value", "values", "in the 95 % interval", "rms z", "|z|>3.3", "largest", "median u")
    alarmed = [o for o in measured if o.failed]
    decisions = Counter(o.decision for o in measured)
    lines = [
        table(head, rows),
        f"sets measured: {len(measured)} of {len(outcomes)}; {dict(decisions)}",
        f"sets with a false alarm: {len(alarmed)}, {share(len(alarmed), len(measured))}",
    ]
    lines += [f"  set {o.index}: {o.failed[0][0]}: {o.failed[0][1][:140]}" for o in alarmed[:10]]
    lines += [f"  set {o.index} not measured: {o.says[:140]}" for o in outcomes if o.says][:10]
    return "\n".join(lines)


@dataclass(frozen=True)
class Told:
    """What became of one set with a mistake in it."""

    index: int
    found: bool
    named: bool
    decision: str
    says: str


def told(seed: int, mistake: str, index: int) -> Told:
    """Found: not conforming, and something speaks; named: the words that belong to it are said."""
    rng = rng_of(seed, index)
    family, words = NAMED[mistake]
    bay = MISTAKES[mistake](rng, draw_bay(rng, family))
    try:
        m = measure_bay(rng, bay)
    except PlumbsightError as wrong:
        return Told(index, True, False, "refused", str(wrong))
    said = [test.says for test in m.tests if not test.ok][:1]
    said += [one for p in m.placements for one in p.advice]
    is_found = m.decision == "nonconforming" or any(not test.ok for test in m.tests)
    return Told(index, is_found, any(words in one for one in said), m.decision, " ".join(said)[:200])


def told_summary(mistake: str, sets: Sequence[Told]) -> str:
    n, found, named = len(sets), sum(t.found for t in sets), sum(t.named for t in sets)
    bound = 100 * lower_bound(named, n)
    conforming = sum(t.decision == "conforming" for t in sets)
    lines = [
        f"{mistake}: {n} sets, found {found}, named {named} (at least {bound:.1f} %), conforming {conforming}"
    ]
    lines += [f"  set {t.index}: {t.decision}: {t.says}" for t in sets if not t.named][:8]
    return "\n".join(lines)


def main() -> None:
    parser = study_words("Coverage of every kind of target's values, by family; or a mistake in it.", 1000)
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument("--family", choices=[*FAMILIES, *TWO_ROUNDS])
    which.add_argument("--mistake", choices=[*NAMED], help="planted in the family that has it")
    words = parser.parse_args()
    if words.mistake:
        found = list(run(partial(told, words.seed, words.mistake), words.jobs, range(words.sets)))
        print(told_summary(words.mistake, found))
        return
    of_one = one_set if words.family in FAMILIES else one_pair
    print(summary(list(run(partial(of_one, words.seed, words.family), words.jobs, range(words.sets)))))


if __name__ == "__main__":
    main()
