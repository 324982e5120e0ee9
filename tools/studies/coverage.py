"""How often the 95 % interval holds the truth, and how often correct sets raise an alarm.

`python -m tools.studies.coverage --sets 1000 --jobs 2`

Every set is correct: all errors are drawn from the uncertainties declared. The goals: 93 to 97 % per value
where u holds nothing but these errors, and an alarm in at most 1 % of sets. Where u also stands for sheets
whose scale the photos do not show, it is too large for sets whose scales are right: these values are counted
by themselves.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from tools.studies.counting import run, share, study_words, table
from tools.studies.situations import Outcome, measure_situation
from vision.placement import VALUE_KEYS

INTERVAL = 1.959964  # half the 95 % interval in u
# True of its set, not a contradiction in it: nobody declared a second length.
NO_ALARM = ("scale has a second source",)


def alarms(outcome: Outcome) -> list[tuple[str, str]]:
    """The failed tests of a correct set, (name, words): each is a false alarm."""
    return [test for test in outcome.failed if test[0] not in NO_ALARM]


def z_of(outcomes: Sequence[Outcome], key: str) -> np.ndarray:
    return np.array([o.z[key] for o in outcomes if key in o.z])


def as_declared(outcome: Outcome) -> Outcome:
    """With u of what is declared alone, without what stands for sheets whose scale the photos do not show."""
    left = {key: float(np.sqrt(1 - share)) for key, share in outcome.unchecked.items()}
    z = {key: z / left[key] for key, z in outcome.z.items()}
    return replace(outcome, z=z, u={key: u * left[key] for key, u in outcome.u.items()})


def coverage_rows(outcomes: Sequence[Outcome]) -> list[list[str]]:
    rows = []
    for key in VALUE_KEYS:
        z = z_of(outcomes, key)
        if not len(z):
            continue
        inside = int((abs(z) <= INTERVAL).sum())
        of_key = [o for o in outcomes if key in o.z]
        u = np.median([o.u[key] for o in of_key])
        rms = f"{np.sqrt((z**2).mean()):.3f}"
        beyond = [str(int((abs(z) > limit).sum())) for limit in (3.3, 4.5)]
        growth = np.median([1 / np.sqrt(1 - o.unchecked[key]) for o in of_key])
        rows.append([key, str(len(z)), share(inside, len(z)), rms, *beyond, f"{u:.3f}", f"{growth:.2f}"])
    return rows


COVERAGE_HEAD = (
    "value",
    "sets",
    "in the 95 % interval",
    "rms z",
    "|z|>3.3",
    "|z|>4.5",
    "median u",
    "u grows by",
)


def summary(outcomes: Sequence[Outcome]) -> str:
    measured = [o for o in outcomes if o.is_measured]
    alarmed = [o for o in measured if alarms(o)]
    lines = [
        "u of what is declared, all sets:",
        table(COVERAGE_HEAD, coverage_rows([as_declared(o) for o in measured])),
        "",
        "u as reported, sets in which it stands for unchecked sheets too:",
        table(COVERAGE_HEAD, coverage_rows([o for o in measured if any(o.unchecked.values())])),
        "",
        f"sets measured: {len(measured)} of {len(outcomes)}",
        f"sets with a false alarm: {len(alarmed)}, {share(len(alarmed), len(measured))}",
    ]
    lines += [f"  {n} x {name}" for name, n in Counter(alarms(o)[0][0] for o in alarmed).most_common()]
    lines += [f"  set {o.index}: {name}: {says}" for o in alarmed for name, says in alarms(o)[:1]]
    far = [(o.index, key, z) for o in measured for key, z in o.z.items() if abs(z) > 3.3]
    lines += [f"far off: set {index}: {key} {z:+.1f} u" for index, key, z in far]
    lines += [f"not measured: set {o.index}: {o.says[:160]}" for o in outcomes if not o.is_measured]
    return "\n".join(lines)


def main() -> None:
    words = study_words("Coverage of the 95 % intervals and false alarms on correct sets.", 1000).parse_args()
    outcomes = list(run(partial(measure_situation, words.seed), words.jobs, range(words.sets)))
    print(summary(outcomes))


if __name__ == "__main__":
    main()
