"""Value + uncertainty + tolerance -> conforming, nonconforming or undecided.

ISO 14253-1 and JCGM 106:2012 as MEASUREMENT.md, "Decision", applies them: the probability that the
true value lies inside the tolerance, given value and u (normal, both limits exact, no prior
knowledge), decides. Conformity and nonconformity both have to be proved at 95 %; between lies
`undecided`. In the words here T is the half-width of a tolerance: above u = 0.51 T no value, not even
one in the middle, can be shown to conform.
"""

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri
from scipy.stats import multivariate_normal

from vision.kit import Tolerance

Verdict = Literal["none", "conforming", "undecided", "nonconforming"]  # from best to worst

# ISO 14253-1:2017 asks for 95 % by default, of whoever has to prove.
P_PROOF = 0.95


@dataclass(frozen=True)
class ValueDecision:
    """What one required value comes to.

    `p_conform` is None where the value was not measured; `says` then tells why and what to do.
    """

    decision: Verdict
    p_conform: float | None
    says: str = ""


@dataclass(frozen=True)
class PlacementDecision:
    """What one placement comes to.

    Attributes:
        decision: The overall verdict.
        values: The verdict of each required value, in the order required.
        p_conform_all: Probability that all required values are inside at once, from their joint
            covariance; None if one was not measured or nothing is required.
        p_conform_all_at_least: The bound 1 - sum(1 - p), which holds whatever the correlations
            (Bonferroni); a value not measured counts with p = 0. None if nothing is required.
        says: Why it is undecided where the values alone do not tell, and the joint risk, in words.
    """

    decision: Verdict
    values: Mapping[str, ValueDecision]
    p_conform_all: float | None
    p_conform_all_at_least: float | None
    says: tuple[str, ...]


def limits(tolerance: Tolerance) -> tuple[float, float]:
    """The smallest and the largest value allowed."""
    return tolerance.nominal - tolerance.minus, tolerance.nominal + tolerance.plus


def conformance_probability(value: float, u: float, tolerance: Tolerance) -> float:
    """Probability that the true value lies inside the tolerance (JCGM 106:2012, 7.4).

    p = Phi((upper - value) / u) - Phi((lower - value) / u). An infinite `minus` or `plus` is a
    tolerance with one limit.

    Raises:
        ValueError: The value is not a number, or u not a positive one.
    """
    if not (math.isfinite(value) and math.isfinite(u) and u > 0):
        raise ValueError(f"no probability from value {value} with u {u}")
    lower, upper = limits(tolerance)
    a, b = (lower - value) / u, (upper - value) / u
    if a > 0:  # below the lower limit: differences of small tails, not of numbers near 1
        return float(ndtr(-a) - ndtr(-b))
    if b < 0:
        return float(ndtr(b) - ndtr(a))
    return float(1 - (ndtr(a) + ndtr(-b)))


def decide_value(value: float, u: float, tolerance: Tolerance) -> ValueDecision:
    """The verdict on one measured value."""
    p = conformance_probability(value, u, tolerance)
    if p >= P_PROOF:
        return ValueDecision("conforming", p)
    if p <= 1 - P_PROOF:
        return ValueDecision("nonconforming", p)
    return ValueDecision("undecided", p)


def near_nominal(key: str, value: float, nominal: float) -> float:
    """The value to compare with its tolerance: an angle (`..._deg`) by the turn nearest to nominal.

    A yaw of -179.9 is 0.1 from a nominal of 180.
    """
    if not key.endswith("_deg"):
        return value
    return nominal + (value - nominal + 180) % 360 - 180


def worst(decisions: Iterable[Verdict]) -> Verdict:
    """The verdict on several together: nonconforming before undecided before conforming before none."""
    return max(decisions, key=get_args(Verdict).index, default="none")


def decide_placement(
    required: Mapping[str, Tolerance],
    keys: tuple[str, ...],
    values: NDArray,
    cov: NDArray,
    not_measured: Mapping[str, str],
    failed_tests: tuple[str, ...],
) -> PlacementDecision:
    """The verdict on one placement.

    Args:
        required: The tolerance of each required value.
        keys: Names of the measured values.
        values: (n,) in the order of `keys`, in the unit that each name ends with.
        cov: (n, n) their covariance, in the same units.
        not_measured: For values that could not be measured, why and what to do.
        failed_tests: What each failed consistency test says, or which unseen moves are not excluded. One
            is enough for `undecided` in place of `conforming`; nothing changes `nonconforming`.
    """
    decided = {
        key: _decide_required(key, tolerance, keys, values, cov, not_measured)
        for key, tolerance in required.items()
    }
    decision = worst(value.decision for value in decided.values())
    says: tuple[str, ...] = ()
    if decision == "conforming" and failed_tests:
        decision = "undecided"
        says = tuple(f"Undecided although the values conform: {test}" for test in failed_tests)
    if not required:
        return PlacementDecision(decision, decided, None, None, says)
    at_least = max(0.0, 1 - math.fsum(1 - (value.p_conform or 0.0) for value in decided.values()))
    p_all = _joint_probability(required, keys, values, cov) if set(required) <= set(keys) else None
    return PlacementDecision(decision, decided, p_all, at_least, (*says, *_joint_words(len(required), p_all)))


def undecided_by(decision: PlacementDecision, why: str) -> PlacementDecision:
    """The same values with nothing decided of them, either way, since they are not to be trusted.

    A failed test leaves `nonconforming` as it is, for photos that contradict each other still show that not
    all is well. What is known against the kit is another matter: value and u are computed from it.
    """
    if decision.decision == "none":
        return replace(decision, says=(why, *decision.says))
    values = {
        key: replace(value, decision="undecided", says=value.says or why)
        for key, value in decision.values.items()
    }
    return replace(decision, decision="undecided", values=values, says=(f"Undecided: {why}", *decision.says))


def largest_usable_u(tolerance: Tolerance) -> float:
    """The u above which no value can be shown to conform, not even one in the middle: 0.5102 T."""
    return (tolerance.minus + tolerance.plus) / 2 / float(ndtri((1 + P_PROOF) / 2))


def acceptance_limits(u: float, tolerance: Tolerance) -> tuple[float, float] | None:
    """The smallest and the largest result that would conform; None where u is too large for any.

    The exact form of ISO 14253-1's reduced zone: near u = T/2 the shortcut "1.645 u inside each
    limit" allows values whose other tail breaks the 95 %.
    """
    if u > largest_usable_u(tolerance):
        return None
    half_width = (tolerance.minus + tolerance.plus) / 2
    symmetric = Tolerance(0.0, half_width, half_width)

    def surplus(offset: float) -> float:
        return conformance_probability(offset, u, symmetric) - P_PROOF

    # At the largest usable u rounding may leave the middle itself a hair short of the proof.
    offset = 0.0 if surplus(0.0) <= 0 else float(brentq(surplus, 0.0, half_width, xtol=1e-12 * half_width))
    lower, upper = limits(tolerance)
    middle = (lower + upper) / 2
    return middle - offset, middle + offset


def deciding_u(value: float, u: float, tolerance: Tolerance) -> float:
    """The uncertainty at which an undecided value would just be decided, were the value to stay.

    0 for a value on a limit, which no measurement settles; u itself for a value already decided.
    """
    lower, upper = limits(tolerance)
    if value in (lower, upper):
        return 0.0
    if decide_value(value, u, tolerance).decision != "undecided":
        return u
    # As u falls to 0, p goes to 1 inside and to 0 outside, and passes its mark once on the way.
    mark = P_PROOF if lower < value < upper else 1 - P_PROOF
    nearest = min(abs(value - lower), abs(value - upper))

    def surplus(smaller_u: float) -> float:
        return conformance_probability(value, smaller_u, tolerance) - mark

    return float(brentq(surplus, 0.1 * nearest, u))  # ten u from the limit all is decided


def _decide_required(
    key: str,
    tolerance: Tolerance,
    keys: tuple[str, ...],
    values: NDArray,
    cov: NDArray,
    not_measured: Mapping[str, str],
) -> ValueDecision:
    if key not in keys:
        return ValueDecision("undecided", None, not_measured.get(key, "It is required but was not measured."))
    i = keys.index(key)
    value = near_nominal(key, float(values[i]), tolerance.nominal)
    return decide_value(value, float(np.sqrt(cov[i, i])), tolerance)


def _joint_probability(
    required: Mapping[str, Tolerance], keys: tuple[str, ...], values: NDArray, cov: NDArray
) -> float:
    """Probability of the whole box of tolerances, to about 1e-4, the same on every run."""
    i = np.array([keys.index(key) for key in required])
    u = np.sqrt(np.diag(cov)[i])
    lower, upper = np.transpose([limits(tolerance) for tolerance in required.values()])
    at = np.array([near_nominal(keys[k], float(values[k]), required[keys[k]].nominal) for k in i])
    box = multivariate_normal(cov=cov[np.ix_(i, i)] / np.outer(u, u), allow_singular=True, seed=0)
    box.abseps = 1e-4  # enough for a statement in per cent; 1e-5 takes seconds for six values
    p = box.cdf((upper - at) / u, lower_limit=(lower - at) / u)
    return float(np.clip(p, 0.0, 1.0))


def _joint_words(n_values: int, p_all: float | None) -> Iterator[str]:
    """What the values' own decisions promise for all together; one value is all there is."""
    if n_values == 1:
        return
    least = max(0.0, 1 - n_values * (1 - P_PROOF))
    rule = f"each of {n_values} values is decided by itself at {100 * P_PROOF:.0f} %"
    if p_all is None:
        yield f"Joint risk: {rule}; not all of them were measured, so nothing is said of them together."
    else:
        yield (
            f"Joint risk: {rule}, which by itself promises no more than {100 * least:.0f} % for all "
            f"together; here the probability that all are inside at once is {100 * p_all:.1f} %."
        )
