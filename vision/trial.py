"""A consistency test: what it looks at, and its two shapes, plain or a family of hypotheses."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, ndtri

from vision.adjust import Adjustment
from vision.frame import FramePlan
from vision.hypotheses import SaddleScores, Score
from vision.kit import Kit, ScaleBar, Vehicle
from vision.placement import Reported

# What lies so many u beyond its limit is found in 95 of 100 cases.
FOUND_95 = float(ndtri(0.95))
# What may be a consequence only: causes that explain anything of the misfit come first.
GAIN_OF_SYMPTOM = 0.0


@dataclass(frozen=True)
class Body:
    """What moves as one.

    Attributes:
        name: The fixture's or mat's name or the plate's number; empty for the vehicle.
    """

    kind: Literal["fixture", "mat", "vehicle", "plate"]
    name: str = ""

    @property
    def words(self) -> str:
        return f"{self.kind} {self.name}".strip()


@dataclass(frozen=True)
class ConsistencyTest:
    """One test and what it says.

    Attributes:
        ok: Passed.
        statistic, limit: Compared; for yes-no tests 0 or 1 against 0.
        gain: How much better the test's hypothesis describes the photos, less two per unknown; infinite
            for contradictions that need no statistics.
        moved: For movement, what moved; else None.
    """

    name: str
    ok: bool
    statistic: float
    limit: float
    says: str
    gain: float = 0.0
    moved: Body | None = None


@dataclass(frozen=True, eq=False)
class Case:
    """What the tests look at.

    Attributes:
        mounted: What mountcheck.adjust_as_hung says of the fixtures' plates.
    """

    adjustment: Adjustment
    plan: FramePlan
    reported: Reported
    kit: Kit
    vehicle: Vehicle
    scores: SaddleScores
    mounted: str

    @property
    def plates(self) -> tuple[int, ...]:
        return self.adjustment.network.observed.plates

    @property
    def bars(self) -> tuple[ScaleBar, ...]:
        """The scale bars of which both ends were seen."""
        return tuple(bar for bar in self.kit.scale_bars if set(bar.plates) <= set(self.plates))

    def groups_of(self, plates: Iterable[int]) -> NDArray:
        """Indices of the observed groups (one plate in one photo) of these plates."""
        index = [self.plates.index(p) for p in plates if p in self.plates]
        return np.flatnonzero(np.isin(self.adjustment.network.observed.plate, index))


def plain_test(name: str, problem: str, passed: str, gain: float = np.inf) -> ConsistencyTest:
    """A test that needs no statistics: it fails, with this gain, where there are words for a problem."""
    failed = bool(problem)
    return ConsistencyTest(name, not failed, float(failed), 0.0, problem or passed, gain if failed else 0.0)


@dataclass(frozen=True, eq=False)
class Tried:
    """One hypothesis of a family: its score, and the words if it is true.

    Attributes:
        is_likely_size: False where what it comes to is beyond what happens, and beyond what a linear score
            can tell: then something else is wrong, and this is a symptom.
    """

    score: Score
    says: str
    moved: Body | None = None
    is_likely_size: bool = True


def family(name: str, passed: str, tried: Sequence[Tried], level: float) -> Iterator[ConsistencyTest]:
    """One test over many hypotheses: the one with the largest gain stands for all (Bonferroni)."""
    usable = [t for t in tried if t.score.dof]
    if not usable:
        return

    def limit(t: Tried) -> float:
        return limit_of(level / len(usable), t.score.dof)

    def excess(t: Tried) -> float:
        return t.score.statistic / limit(t)

    worst = max(usable, key=excess)
    ok = worst.score.statistic <= limit(worst)
    if not ok:
        worst = max((t for t in usable if excess(t) > 1), key=lambda t: (t.is_likely_size, t.score.gain))
    score, says = worst.score, passed if ok else worst.says
    gain = score.gain if worst.is_likely_size else min(score.gain, GAIN_OF_SYMPTOM)
    yield ConsistencyTest(name, ok, score.statistic, limit(worst), says, gain, worst.moved)


def limit_of(level: float, dof: int) -> float:
    """What chi-square of so many degrees of freedom exceeds with the chance `level`."""
    return float(chdtri(max(dof, 1), level))


def spoken(name: str) -> str:
    """An identifier in words."""
    return name.replace("_", " ")
