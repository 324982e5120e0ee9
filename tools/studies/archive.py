"""Archives with every fault at once: is each found by name, and who else is accused?

`python -m tools.studies.archive --seeds 20 --rounds 120`

A kit whose sheets swell, a phone with a lens that no model holds, a bay with a sloped floor, three rounds
with an edited photo and three with another vehicle: which of them, drawn by the seed. A fault is found if the
findings of its kind name that kit, phone, bay or all three rounds. A false alarm is a round that is named
itself and has no fault, or a group that has none; the rounds' share is that of rounds without any fault.
`--sizes 1 0.5 0.25` tries smaller faults of kit, phone and bay, too. `--clean` plants nothing. `--keep
FOLDER` keeps the measured rounds, to try other statistics on them.
"""

import argparse
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from calib_data.review import findings
from calib_data.review.findings import Finding, find
from tools.planted_archive import (
    ALTERED_PHOTO,
    ANOTHER_VEHICLE,
    BAY_SLOPE,
    BAYS,
    FAULTS,
    KIT_DRIFT,
    KITS,
    PHONE_LENS,
    PHONES,
    SIZED,
    PlantedArchive,
    plan_archive,
    round_id,
)
from tools.studies.archive_rounds import kept
from tools.studies.counting import lower_bound, share, table

# By fault, the kind of finding that names it.
KIND = {
    KIT_DRIFT: findings.KIT_DRIFT,
    PHONE_LENS: findings.PHONE_LENS,
    BAY_SLOPE: findings.BAY_FLOOR,
    ALTERED_PHOTO: findings.ALTERED_PHOTO,
    ANOTHER_VEHICLE: findings.ANOTHER_VEHICLE,
}


@dataclass(frozen=True)
class Outcome:
    """What became of one archive.

    Attributes:
        found: Faults that were found by name.
        n_sound: Rounds without any fault; of those, how many are `accused` themselves.
        groups: Kinds and names of groups that are accused without a fault.
    """

    found: frozenset[str]
    n_sound: int
    accused: tuple[str, ...]
    groups: tuple[str, ...]


def names_of(archive: PlantedArchive, fault: str) -> set[str]:
    """Which kit, phone, bay or rounds have a fault, as findings name them."""
    what = archive.subject[fault]
    lists = {KIT_DRIFT: KITS, BAY_SLOPE: BAYS, PHONE_LENS: [" ".join(phone) for phone in PHONES]}
    return {lists[fault][what]} if fault in lists else {round_id(i) for i in what}


def judge(archive: PlantedArchive, found: Sequence[Finding]) -> Outcome:
    """Compare what is found with what was planted."""
    planted = {fault: names_of(archive, fault) for fault in archive.subject}
    by_name = frozenset(
        fault
        for fault, names in planted.items()
        if names <= {one.level for one in found if one.kind == KIND[fault]}
    )
    sound = {planned.round_id for planned in archive.rounds if not planned.faults}
    guilty = set().union(*planted.values()) if planted else set()
    groups = [one for one in found if one.factor != "round" and one.level not in guilty]
    accused = {one.level for one in found if one.factor == "round"} & sound
    return Outcome(by_name, len(sound), tuple(accused), tuple(f"{g.kind}: {g.level}" for g in groups))


def try_one(seed: int, n_rounds: int, faults: Sequence[str], keep: Path | None, size: float = 1.0) -> Outcome:
    archive = plan_archive(seed, n_rounds, faults, size)
    return judge(archive, find(kept(archive, keep)))


def main() -> None:
    words = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    words.add_argument("--seeds", type=int, default=20)
    words.add_argument("--first", type=int, default=1, help="the first seed")
    words.add_argument("--rounds", type=int, default=120)
    words.add_argument("--sizes", type=float, nargs="+", default=[1.0], help="times the faults' usual sizes")
    words.add_argument("--clean", action="store_true", help="plant nothing")
    words.add_argument("--keep", type=Path, metavar="FOLDER", help="keep the measured rounds there")
    given = words.parse_args()
    faults = () if given.clean else FAULTS
    for size in given.sizes:
        outcomes = []
        for seed in range(given.first, given.first + given.seeds):
            outcomes.append(try_one(seed, given.rounds, faults, given.keep, size))
            print(f"size {size:g}, seed {seed}: {_line(outcomes[-1], faults)}", file=sys.stderr, flush=True)
        print(report(outcomes, faults, size), flush=True)


def _line(one: Outcome, faults: Sequence[str]) -> str:
    missed = sorted(set(faults) - one.found)
    accused = [*one.accused, *one.groups]
    return f"missed {', '.join(missed) or 'nothing'}; falsely accused {', '.join(accused) or 'none'}"


def report(outcomes: Sequence[Outcome], faults: Sequence[str], size: float = 1.0) -> str:
    """Faults found by name, with bounds, and false alarms."""
    n = len(outcomes)
    rows = []
    for fault in faults:
        found = sum(fault in one.found for one in outcomes)
        usual, unit = SIZED.get(fault, (0.0, ""))
        words = f"{size * usual:.3g} {unit}" if usual else ""
        rows.append((fault, words, f"{found} of {n}", f"{100 * lower_bound(found, n):.1f} %"))
    sound = sum(one.n_sound for one in outcomes)
    accused = sum(len(one.accused) for one in outcomes)
    groups = Counter(words for one in outcomes for words in one.groups)
    lines = [table(("fault", "size", "found by name", "lower bound"), rows)] if rows else []
    lines.append(f"rounds without a fault that are accused: {accused} of {sound}, {share(accused, sound)}")
    words = ", ".join(f"{what} ({k})" for what, k in groups.items())
    lines.append(
        f"groups without a fault that are accused: {groups.total()} in {n} archives {words}".rstrip()
    )
    return "\n".join(lines)


if __name__ == "__main__":
    main()
