"""How often something may be done: a bucket for each caller that fills up again with time."""

import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

# Callers that are remembered; who comes after that pushes out whoever was not heard of for longest.
MOST_CALLERS = 10_000


@dataclass(frozen=True)
class Rate:
    """So many at once, and so many a second in the long run."""

    at_once: int
    per_second: float


class Buckets:
    """One bucket for each caller; a full one holds `at_once`."""

    def __init__(self, rate: Rate, clock: Callable[[], float] = time.monotonic) -> None:
        self.rate = rate
        self._clock = clock
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, caller: str) -> float:
        """Take one; 0 if there was one, else the seconds until there is."""
        at = self._clock()
        left, seen_at = self._left.pop(caller, (float(self.rate.at_once), at))
        left = min(left + (at - seen_at) * self.rate.per_second, self.rate.at_once)
        wait = max(0.0, (1 - left) / self.rate.per_second)
        self._left[caller] = (left if wait else left - 1, at)
        if len(self._left) > MOST_CALLERS:
            self._left.popitem(last=False)
        return wait
