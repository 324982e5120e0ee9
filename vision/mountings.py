"""How alike clamps sit from one mounting to the next: seats found -> a pooled standard deviation."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Repeatability:
    """How one kind of miss (eccentricity in mm, tilt in degrees; per axis) repeats.

    Attributes:
        s: Pooled standard deviation about each clamp's own mean.
        dof: Its degrees of freedom.
        off: Root mean square of how far those means lie from what the kit declares.
    """

    s: float
    dof: int
    off: float

    @property
    def u(self) -> float:
        """What the kit may declare: how far a clamp sits from what it says, once it is hung anew."""
        return float(np.hypot(self.s, self.off))


def repeatability(misses: Sequence[NDArray], declared: Sequence[NDArray]) -> Repeatability | None:
    """The pooled standard deviation of some clamps' misses; None where no clamp was found twice.

    s^2 = sum (n_i - 1) s_i^2 / sum (n_i - 1), over clamps and axes (IUPAC, PAC 53 (1981) 1805, p. 1821,
    "pooled standard deviation"; JCGM 100:2008, 4.2.4 bases a standard uncertainty on such an estimate). What
    each check was itself uncertain by is in it, so it is rather too large than too small.

    Args:
        misses: For each clamp (n_i, 2), as found in n_i mountings.
        declared: For each clamp (2,), as the kit has it.
    """
    dof = sum(2 * (len(found) - 1) for found in misses)
    if dof == 0:
        return None
    squares = sum(float(((found - found.mean(0)) ** 2).sum()) for found in misses)
    off = [found.mean(0) - says for found, says in zip(misses, declared, strict=True)]
    return Repeatability(float(np.sqrt(squares / dof)), dof, float(np.sqrt(np.mean(np.square(off)))))
