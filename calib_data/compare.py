"""Two rounds of one visit, side by side: what changed, and how sure that is.

What both rounds share cancels: the errors of prints, mounts, bars, clamps, floor and of what is declared are
the same in both, as long as nothing of the kit was hung, laid or printed anew between them; then each counts
with the difference of its two effects only (`kit_effects` in each result). The photos' own errors, and the
lens's, add. Nothing is taken to be shared by rounds that were measured with different kit files.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from calib_data.formats import VALUE_KEYS

COVERAGE_95 = 1.959964
# Chance that vehicle facts of an untouched vehicle are called moved, over all facts together.
FALSE_ALARM = 0.01

MOVED_WITHIN = (
    "Something moved between the photos of {which} round, so its values are no single state to compare with."
)


@dataclass(frozen=True)
class Difference:
    """One value in both rounds. A figure is None where one round did not measure it; `says` tells why.

    Attributes:
        u: Standard uncertainty of the difference; less than both together where they share causes.
        is_moved: Whether the difference is beyond what the uncertainties explain (vehicle facts only).
    """

    key: str
    before: float | None
    after: float | None
    difference: float | None
    u: float | None
    interval95: tuple[float, float] | None
    is_moved: bool
    says: str


@dataclass(frozen=True)
class ComparedPlacement:
    """One target, before and after."""

    name: str
    fixture: str
    target: str
    values: tuple[Difference, ...]


@dataclass(frozen=True)
class RoundsCompared:
    """What changed from one round to the other.

    Attributes:
        vehicle: The vehicle facts, which should stay: one that moved says that the vehicle, a clamp or the
            steering did.
        says: Sentences on the whole.
    """

    placements: tuple[ComparedPlacement, ...]
    vehicle: tuple[Difference, ...]
    shares_kit: bool
    says: tuple[str, ...]


def compare_results(before: dict[str, Any], after: dict[str, Any]) -> RoundsCompared:
    """Differences, after minus before, of two results (plumbsight.result/1) of one visit."""
    says = [
        MOVED_WITHIN.format(which=which)
        for which, result in (("the first", before), ("the second", after))
        if result.get("states")
    ]
    sides = Sides(before, after, is_comparable=not says)
    placements = tuple(_placements(sides))
    facts = sorted({*before["vehicle"], *after["vehicle"]}, key=_order_of(before, after))
    vehicle = tuple(
        sides.difference(key, before["vehicle"].get(key), after["vehicle"].get(key)) for key in facts
    )
    limit = _limit(sum(d.u is not None for d in vehicle))
    vehicle = tuple(_judged(d, limit) for d in vehicle)
    if not sides.shares_kit:
        says.append(
            "The rounds were measured with different kit files, so nothing is taken to be common to them."
        )
    if not sides.is_comparable:
        return RoundsCompared(placements, vehicle, sides.shares_kit, tuple(says))
    moved = [d.key for d in vehicle if d.is_moved]
    says.append(
        f"Between the rounds {', '.join(moved)} changed by more than the photos' uncertainty: the vehicle, a "
        "wheel's clamp or the steering moved. See that all stands as it should, and take the round again."
        if moved
        else "The vehicle's own measures agree in both rounds: nothing tells that it or a clamp moved."
    )
    return RoundsCompared(placements, vehicle, sides.shares_kit, tuple(says))


def _order_of(before: dict[str, Any], after: dict[str, Any]) -> Any:
    keys = [*before["vehicle"], *after["vehicle"]]
    return keys.index


def _placements(sides: "Sides") -> Any:
    after = {p["name"]: (k, p) for k, p in enumerate(sides.after["placements"])}
    for index, placement in enumerate(sides.before["placements"]):
        if placement["name"] not in after:
            continue
        other_index, other = after[placement["name"]]
        values = tuple(
            sides.difference(
                key,
                placement["values"].get(key),
                other["values"].get(key),
                f"{index}:{key}",
                f"{other_index}:{key}",
            )
            for key in VALUE_KEYS
            if key in placement["values"] or key in other["values"]
        )
        yield ComparedPlacement(placement["name"], placement["fixture"], placement["target"], values)


def _limit(n_tests: int) -> float:
    """In u, two-sided, for all tests together (Bonferroni)."""
    return float(norm.isf(FALSE_ALARM / 2 / max(n_tests, 1)))


def _judged(d: Difference, limit: float) -> Difference:
    if d.difference is None or d.u is None or abs(d.difference) <= limit * d.u:
        return d
    return Difference(
        d.key,
        d.before,
        d.after,
        d.difference,
        d.u,
        d.interval95,
        True,
        "changed by more than its uncertainty",
    )


class Sides:
    """Both results, and the effects of the kit's errors in each."""

    @classmethod
    def of(cls, before: dict[str, Any], after: dict[str, Any]) -> "Sides":
        """Comparable where nothing moved within either round."""
        return cls(before, after, is_comparable=not (before.get("states") or after.get("states")))

    def __init__(self, before: dict[str, Any], after: dict[str, Any], is_comparable: bool) -> None:
        self.before, self.after, self.is_comparable = before, after, is_comparable
        kits = [result.get("kit_effects") or {} for result in (before, after)]
        self.shares_kit = bool(kits[0]) and kits[0].get("kit_sha256") == kits[1].get("kit_sha256")
        self._effects = [_effects_by_key(kit) for kit in kits]

    def difference(
        self,
        key: str,
        before: Mapping[str, Any] | None,
        after: Mapping[str, Any] | None,
        key_before: str = "",
        key_after: str = "",
    ) -> Difference:
        """Args: key_before, key_after: As the effects call the value, where they do not call it `key`."""
        values = [None if side is None else side.get("value") for side in (before, after)]
        if values[0] is None or values[1] is None or before is None or after is None:
            missing = next(
                side or {} for side, value in zip((before, after), values, strict=True) if value is None
            )
            says = missing.get("says") or "This was not measured in one of the rounds."
            return Difference(key, values[0], values[1], None, None, None, False, says)
        if not self.is_comparable:
            says = "Not compared: something moved within a round."
            return Difference(key, values[0], values[1], None, None, None, False, says)
        change = values[1] - values[0]
        if key.endswith("_deg"):
            change = (change + 180) % 360 - 180
        u = self._joint_u(key_before or key, before["u"], key_after or key, after["u"])
        half = COVERAGE_95 * u
        return Difference(key, values[0], values[1], change, u, (change - half, change + half), False, "")

    def covariance(self, keys: Sequence[tuple[str, str]]) -> NDArray:
        """Joint covariance (k, k) of several values' differences, after minus before.

        Args:
            keys: For each value what the effects call it in both results, e.g. ("0:yaw_deg", "1:yaw_deg").
        """
        own = [
            _covariance(result, [pair[side] for pair in keys])
            for side, result in enumerate((self.before, self.after))
        ]
        total = own[0] + own[1]
        if not self.shares_kit:
            return total
        names = sorted({n for effects in self._effects for of_key in effects.values() for n in of_key})
        ours, theirs = (
            np.array([[self._effects[side].get(pair[side], {}).get(n, 0.0) for n in names] for pair in keys])
            for side in (0, 1)
        )
        common = ours @ theirs.T
        joint = total - common - common.T
        # What the figures' rounding leaves must not make a variance negative.
        values, vectors = np.linalg.eigh(joint)
        return (vectors * np.maximum(values, 1e-9 * values.max())) @ vectors.T

    def _joint_u(self, key_before: str, u_before: float, key_after: str, u_after: float) -> float:
        variance = u_before**2 + u_after**2
        if not self.shares_kit:
            return math.sqrt(variance)
        ours, theirs = self._effects[0].get(key_before, {}), self._effects[1].get(key_after, {})
        common = sum(effect * theirs[name] for name, effect in ours.items() if name in theirs)
        # (a - b)^2 = a^2 + b^2 - 2 a b for each common error; the rest of both variances is each round's own.
        return math.sqrt(max(variance - 2 * common, 0.0))


def _covariance(result: Mapping[str, Any], keys: Sequence[str]) -> NDArray:
    """Of values of one placement, as its result states it."""
    index = int(keys[0].split(":")[0])
    joint = result["placements"][index]["covariance"]
    at = [joint["keys"].index(key.split(":")[1]) for key in keys]
    return np.array(joint["matrix"], float)[np.ix_(at, at)]


def _effects_by_key(kit: Mapping[str, Any]) -> dict[str, dict[str, float]]:
    return {
        key: dict(zip(kit["names"], effects, strict=True)) for key, effects in kit.get("effects", {}).items()
    }
