"""From which size on a mistake is found and named, and what the smaller ones do to the values.

`python -m tools.studies.mistakes_power --sets 300 --seed 21`
`python -m tools.studies.mistakes_power --only "fixture moved" --sizes 8 4`

A ladder: a few sets of every size, from the largest down to the first of which most go unseen; then all
sets of the smallest size that may still be proved, of the next larger one where it is not, and of every
size above that missed any. A size counts as proved where the exact one-sided 95 % lower bound of the share
that is found and named reaches POWER and none conforms, and so for every larger size tried.
"""

import argparse
import json
from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import partial

import numpy as np

from tools.mistakes import SIZED
from tools.studies.counting import lower_bound, run, study_words, table
from tools.studies.coverage import INTERVAL
from tools.studies.planted import CAUSES, Found, try_mistake

POWER = 0.97
# Of normal errors one value in a thousand is beyond this.
FAR = 3.3
N_FEW = 20
N_SHOWN = 6


def most_missed(n_sets: int) -> int:
    """How many of so many sets may be missed for the power still to be proved.

    All, where the sets are too few to prove anything: then all are looked at.
    """
    return max((k for k in range(n_sets) if lower_bound(n_sets - k, n_sets) >= POWER), default=n_sets)


@dataclass(frozen=True)
class Rung:
    """The sets of one size, in the order of their indices."""

    mistake: str
    size: float | None
    outcomes: tuple[Found, ...]

    @property
    def n_found(self) -> int:
        return sum(o.found for o in self.outcomes)

    @property
    def n_named(self) -> int:
        return sum(o.named for o in self.outcomes)

    @property
    def n_missed(self) -> int:
        return len(self.outcomes) - self.n_named

    @property
    def n_told(self) -> int:
        return sum(o.told and not o.found for o in self.outcomes)

    @property
    def n_conforming(self) -> int:
        return sum(o.conforming for o in self.outcomes)

    @property
    def is_proved(self) -> bool:
        return not self.n_conforming and lower_bound(self.n_named, len(self.outcomes)) >= POWER

    @property
    def unseen_z(self) -> np.ndarray:
        """|error| / u of the values of which nothing in the result warns."""
        return np.abs([z for o in self.outcomes if o.silent for z in o.z.values()])


# --- climbing ---------------------------------------------------------------------------------------------


def climb(name: str, sizes: Sequence[float | None], words: argparse.Namespace) -> list[Rung]:
    """The rungs of one mistake, largest first."""
    rungs: list[Rung] = []
    for size in sizes:
        rungs.append(longer(Rung(name, size, ()), min(words.few, words.sets), words))
        if 2 * rungs[-1].n_found < len(rungs[-1].outcomes):
            break
    for at in reversed(range(len(rungs))):
        rungs[at] = longer(rungs[at], words.sets, words)
        if rungs[at].is_proved:
            break
    return [longer(r, words.sets, words) if r.n_missed else r for r in rungs]


def longer(rung: Rung, n_sets: int, words: argparse.Namespace) -> Rung:
    """With more sets, so many in all, or as many as it takes to see that it cannot be proved with all."""
    outcomes, allowed = list(rung.outcomes), most_missed(words.sets)

    def is_lost() -> bool:
        enough = len(outcomes) >= min(words.few, n_sets)
        return enough and sum(not o.named for o in outcomes) > allowed

    tasks = range(len(outcomes), n_sets)
    one_set = partial(try_mistake, words.seed, rung.mistake, rung.size, stations=words.stations)
    with closing(run(one_set, words.jobs, tasks)) as more:
        while not is_lost() and (outcome := next(more, None)) is not None:
            outcomes.append(outcome)
    return Rung(rung.mistake, rung.size, tuple(outcomes))


def smallest(rungs: Sequence[Rung]) -> Rung | None:
    """The smallest size from which on the power is proved: no larger one that was tried contradicts it."""
    found = None
    for rung in rungs:
        if rung.n_conforming or (rung.n_missed and not rung.is_proved):
            break
        found = rung if rung.is_proved else found
    return found


# --- telling ----------------------------------------------------------------------------------------------

HEAD = (
    "mistake",
    "size",
    "sets",
    "found",
    "named",
    "lower bound",
    "not excluded",
    "conforming",
    "unseen: max |z|",
    "in 1.96 u",
    "in 3.3 u",
    "else named",
)


def row(rung: Rung) -> list[str]:
    n, z = len(rung.outcomes), rung.unseen_z
    others = Counter(o.first for o in rung.outcomes if not o.named)
    return [
        rung.mistake,
        "" if rung.size is None else f"{rung.size:g} {CAUSES[rung.mistake].unit}",
        str(n),
        f"{100 * rung.n_found / n:.1f} %",
        f"{100 * rung.n_named / n:.1f} %",
        f"{100 * lower_bound(rung.n_named, n):.1f} %",
        str(rung.n_told),
        str(rung.n_conforming),
        *([f"{z.max():.1f}", _per_cent(z < INTERVAL), _per_cent(z < FAR)] if len(z) else ["-"] * 3),
        "; ".join(f"{k} x {what}" for what, k in others.most_common(3)),
    ]


def _per_cent(inside: np.ndarray) -> str:
    return f"{100 * inside.mean():.1f} %"


def line(rung: Rung, seed: int, stations: str) -> str:
    """The same for a machine: JSON after the word `rung`."""
    z = rung.unseen_z
    facts = {
        "mistake": rung.mistake,
        "size": rung.size,
        "unit": "" if rung.size is None else CAUSES[rung.mistake].unit,
        "seed": seed,
        "stations": stations,
        "sets": len(rung.outcomes),
        "found": rung.n_found,
        "named": rung.n_named,
        "lower_bound": round(lower_bound(rung.n_named, len(rung.outcomes)), 4),
        "not_excluded": rung.n_told,
        "conforming": rung.n_conforming,
        "unseen_values": len(z),
        "unseen_max_z": round(float(z.max()), 2) if len(z) else None,
        "unseen_within_196": int((z < INTERVAL).sum()),
        "unseen_within_33": int((z < FAR).sum()),
        "not_named": [o.index for o in rung.outcomes if not o.named],
        "conforming_sets": [o.index for o in rung.outcomes if o.conforming],
    }
    return f"rung {json.dumps(facts)}"


def in_words(name: str, rungs: Sequence[Rung]) -> str:
    proved = smallest(rungs)
    if proved is None:
        return f"{name}: not proved with these sets"
    return f"{name}: always" if proved.size is None else f"{name}: from {row(proved)[1]}"


def show(rungs: Iterable[Rung], words: argparse.Namespace) -> None:
    for rung in rungs:
        missed = [o for o in rung.outcomes if not o.named or o.conforming][:N_SHOWN]
        examples = [f"    set {o.index} of {rung.size}: {o.first}: {o.says[:160]}" for o in missed]
        print("\n".join([*examples, line(rung, words.seed, words.stations)]), flush=True)
    print(table(HEAD, [row(rung) for rung in rungs]), flush=True)


def main() -> None:
    parser = study_words("The smallest mistakes that are found and named.", 300)
    parser.add_argument("--only", default="", help="mistakes whose name contains this")
    parser.add_argument("--few", type=int, default=N_FEW, help=f"sets of a size at first (default {N_FEW})")
    parser.add_argument("--stations", default="chosen", help="how the photos are taken: chosen or walk")
    parser.add_argument("--sizes", type=float, nargs="*", help="in place of the ladder's, largest first")
    words = parser.parse_args()
    proofs = []
    for name, cause in CAUSES.items():
        if words.only not in name:
            continue
        rungs = climb(name, (words.sizes or cause.sizes) if name in SIZED else (None,), words)
        show(rungs, words)
        proofs.append(in_words(name, rungs))
        print(f"{proofs[-1]}\n", flush=True)
    print("\n".join([f"Found and named with a power of {100 * POWER:g} % (lower 95 % bound):", *proofs]))


if __name__ == "__main__":
    main()
