"""Every kind of target, by family: how often 95 % intervals hold the truth.

`python -m tools.studies.families --family mats_round --sets 1000 --seed 1`

Set by set the places, the vehicle, all errors and the photos are drawn anew; the photos' points are simulated
and measured from nothing. Counted are the values of the placements and of the relations.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from numpy.random import Generator

from calib_data.formats import ShiftFile
from calib_data.layouts import load_layouts
from calib_data.photoset import photo_set_of
from calib_data.result import Json, to_result
from calib_data.shift import decide_shift
from tools.kind_families import FAMILIES, TWO_ROUNDS, draw_bay, draw_two_rounds
from tools.kind_mistakes import LABELLED, MISTAKES, NAMED
from tools.kinds import Bay
from tools.make_set import kit_file, placement_file, vehicle_file
from tools.simulate import observe_scene
from tools.studies.counting import lower_bound, run, share, study_words, table
from tools.studies.coverage import INTERVAL, NO_ALARM
from tools.studies.situations import difference, rng_of
from vision.errors import PlumbsightError
from vision.measure import Measurement, measure_found


@dataclass(frozen=True)
class Outcome:
    """One set: error / u and u by value (`0:range_mm`, `r0:spacing_mm`), alarms, why it was not measured."""

    index: int
    z: Mapping[str, float] = field(default_factory=dict)
    u: Mapping[str, float] = field(default_factory=dict)
    failed: tuple[tuple[str, str], ...] = ()
    decision: str = ""
    says: str = ""


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

    Args:
        planted: Degrees by which the fixture is turned too far in the second round.

    Raises:
        PlumbsightError: The photos of a round do not suffice.
    """
    bays, asked = draw_two_rounds(seed, family, index, turned_too_far_deg=planted)
    rng = np.random.default_rng([seed, index, 2])
    results, true = [], []
    for bay in bays:
        files = kit_file(bay.kit), vehicle_file(bay.vehicle), [placement_file(p) for p in bay.placements]
        photo_set = photo_set_of("a round", *files)
        found = observe_scene(rng, bay)
        m = measure_found(found, photo_set.kit, photo_set.vehicle, photo_set.placements, load_layouts())
        results.append(to_result(m, photo_set, found))
        true.append(bay.true_values(0))
    shift = ShiftFile.model_validate(asked)
    changed = {key: true[1][key] - true[0][key] for key in asked["values"]}
    return decide_shift(results[0], results[1], shift).told, changed


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
    bay = MISTAKES[mistake](rng, draw_bay(rng, family, with_label=mistake in LABELLED))
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
