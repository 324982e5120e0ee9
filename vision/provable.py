"""Kit + placements -> can it be proved at all, what limits it, and what would better it: before any photo.

What is required of two placements of one round is a value like any other. What is required from one round to
the next has both rounds' photos, and of the kit what does not weigh on both alike (kit_effects.py).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from vision.bay import Bay, lay_out
from vision.decide import acceptance_limits, largest_usable_u
from vision.forecast import Forecast, Phone, Station, forecast
from vision.kit import (
    FloorPlate,
    Kit,
    Placement,
    Plate,
    Relation,
    ScaleBar,
    Shift,
    Tolerance,
    Vehicle,
)
from vision.kit_effects import EACH_ROUNDS, kit_effects
from vision.layout import Layout
from vision.stations import choose_stations

# What a careful shop reaches with a steel rule on a printed ruler of 150 mm: 0.1 mm.
U_SCALE_BY_RULE = 0.0007
# A bar measured with a steel tape, and its length: common practice, no source.
BAR_MM, U_BAR_MM = 1000.0, 0.1
N_MORE_FLOOR_PLATES = 3
TOGETHER = "Everything that can be measured better, together."


@dataclass(frozen=True, eq=False)
class ValueOutlook:
    """What is to be expected of one required value.

    Attributes:
        u: In mm or degrees; None where the value would not be measured, and `says` why.
        largest_u: Above it nothing can be shown to conform.
        conforming: The lowest and highest result that would conform; None if there is none.
        budget: Cause -> share of the variance.
    """

    tolerance: Tolerance
    u: float | None
    largest_u: float
    conforming: tuple[float, float] | None
    budget: Mapping[str, float]
    says: str = ""

    @property
    def share_left(self) -> float:
        """Which part of the tolerance a result may use and still conform: 0 where nothing can."""
        if self.conforming is None:
            return 0.0
        low, high = self.conforming
        return (high - low) / (self.tolerance.minus + self.tolerance.plus)


@dataclass(frozen=True, eq=False)
class Betterment:
    """Something to improve, the u that each required value then has, and whether all could be proved."""

    says: str
    u: Mapping[str, float]
    proves: bool


@dataclass(frozen=True, eq=False)
class Outlook:
    """The answer: values, stations in the order to walk them, and betterments, the most helpful first.

    Values are named as in `Reported`: `0:distance_mm` is the first placement's. Betterments are worked out
    only where a value cannot be proved.
    """

    values: Mapping[str, ValueOutlook]
    bay: Bay
    stations: tuple[Station, ...]
    betterments: tuple[Betterment, ...]
    expected: Forecast

    @property
    def unshown_labels(self) -> tuple[int, ...]:
        """Labels that none of these photos shows: without them all stays undecided."""
        shown = {p for station in self.stations for p in station.plates}
        return tuple(p for p in self.bay.labels if p not in shown)

    @property
    def can_be_proved(self) -> bool:
        return self.values_can_be_proved and not self.unshown_labels

    @property
    def values_can_be_proved(self) -> bool:
        return all(value.conforming is not None for value in self.values.values())


@dataclass(frozen=True, eq=False)
class _Change:
    """`new_views` where other photos than before would be taken."""

    says: str
    kit: Callable[[Kit], Kit]
    new_views: bool = False
    more_photos: int = 0


def _silent(what: str, done: int, total: int) -> None:
    """No progress wanted."""


def outlook(
    kit: Kit,
    placements: Sequence[Placement],
    vehicle: Vehicle,
    layouts: Sequence[Layout],
    n_photos: int = 12,
    phone: Phone = Phone(),  # noqa: B008 (frozen)
    progress: Callable[[str, int, int], None] = _silent,
    relations: Sequence[Relation] = (),
    others: Sequence[Placement] = (),
) -> Outlook:
    """Whether this kit can prove these placements with so many photos from well-chosen places.

    Several placements are those of one round: the same photos are to serve them all, and `relations` of them.
    `others` are placements of other rounds, for which the same plates are to lie on the floor.

    Raises:
        NotEnoughError: It cannot measure a target at all, whatever the photos.
    """
    progress("looking for the best places to stand", 0, 1)
    bay = lay_out(kit, placements, vehicle, layouts, relations, others)
    stations = choose_stations(bay, n_photos, phone=phone)
    expected = forecast(bay, stations, phone)
    required = bay.required
    values = _values(required, expected)
    provable = all(value.conforming is not None for value in values.values())
    found: list[Betterment] = []
    if not provable:
        lacking = {k: v for k, v in values.items() if v.u is not None}
        changes = _changes(kit, layouts, n_photos)
        for n, change in enumerate(changes, start=1):
            progress("trying what would better it", n, len(changes))
            u = _changed(change, bay, kit, layouts, stations, phone)
            if any(u[k] < 0.98 * (v.u or 0) for k, v in lacking.items() if v.conforming is None and k in u):
                found.append(Betterment(change.says, MappingProxyType(u), _proves(required, u)))
        # Everything together is the last resort, however much it helps.
        found.sort(key=lambda b: (b.says == TOGETHER, _worst(required, b.u)))
    return Outlook(values, bay, in_walking_order(bay, stations), tuple(found), expected)


def _values(required: Mapping[str, Tolerance], expected: Forecast) -> Mapping[str, ValueOutlook]:
    values = {}
    for key, tolerance in required.items():
        u = expected.u.get(key)
        values[key] = ValueOutlook(
            tolerance,
            u,
            largest_usable_u(tolerance),
            acceptance_limits(u, tolerance) if u is not None else None,
            expected.budget.get(key, {}),
            expected.missing.get(key, ""),
        )
    return MappingProxyType(values)


def _proves(required: Mapping[str, Tolerance], u: Mapping[str, float]) -> bool:
    return all(key in u and u[key] <= largest_usable_u(t) for key, t in required.items())


def _worst(required: Mapping[str, Tolerance], u: Mapping[str, float]) -> float:
    return max(u.get(key, np.inf) / largest_usable_u(t) for key, t in required.items())


def _changed(
    change: _Change,
    before: Bay,
    kit: Kit,
    layouts: Sequence[Layout],
    stations: Sequence[Station],
    phone: Phone,
) -> dict[str, float]:
    """The u of each required value with the change; the photos stay where they were if they can."""
    kit, relations, others = change.kit(kit), before.relations, before.others
    bay = lay_out(kit, before.placements, before.vehicle, layouts, relations, others)
    if change.new_views:
        stations = choose_stations(bay, len(stations) + change.more_photos, phone=phone)
    expected = forecast(bay, stations, phone)
    return {key: expected.u[key] for key in bay.required if key in expected.u}


# --- from one round to the next -----------------------------------------------------------------------


def rounds_of(n_placements: int, shifts: Sequence[Shift]) -> tuple[tuple[int, ...], ...]:
    """Which placements stand in each round, by number: the later one of a shift a round after the earlier.

    A placement that no shift moves stands in all; a shift back to where another began asks for no more.
    """
    round_of: dict[int, int] = {}
    steps: list[tuple[int, int]] = []
    for first, second in (shift.of for shift in shifts):
        if first == second or first in _after(second, steps):
            continue
        steps.append((first, second))
        for i in (first, second):
            round_of.setdefault(i, 0)
        for _ in steps:  # no way is longer than all steps
            for one, other in steps:
                round_of[other] = max(round_of[other], round_of[one] + 1)
    rounds = sorted(set(round_of.values())) or [0]
    return tuple(tuple(i for i in range(n_placements) if round_of.get(i, k) == k) for k in rounds)


def _after(one: int, steps: Sequence[tuple[int, int]]) -> set[int]:
    """What these steps lead to from one, itself among them."""
    found = {one}
    for _ in steps:
        found |= {second for first, second in steps if first in found}
    return found


@dataclass(frozen=True, eq=False)
class RoundOutlook:
    """One round: which placements stand and which relations count there, by number among all, and the answer.

    The answer counts them anew, in this order.
    """

    standing: tuple[int, ...]
    relations: tuple[int, ...]
    outlook: Outlook


@dataclass(frozen=True, eq=False)
class ShiftOutlook:
    """A shift, between which rounds (numbers from 0), and what is to be expected of its values."""

    shift: Shift
    rounds: tuple[int, int]
    values: Mapping[str, ValueOutlook]

    @property
    def can_be_proved(self) -> bool:
        return all(value.conforming is not None for value in self.values.values())


@dataclass(frozen=True, eq=False)
class VisitOutlook:
    """All rounds of a visit, and what is required from one to the next."""

    rounds: tuple[RoundOutlook, ...]
    shifts: tuple[ShiftOutlook, ...]

    @property
    def can_be_proved(self) -> bool:
        in_rounds = all(one.outlook.can_be_proved for one in self.rounds)
        return in_rounds and all(one.can_be_proved for one in self.shifts)


def visit_outlook(
    kit: Kit,
    placements: Sequence[Placement],
    vehicle: Vehicle,
    layouts: Sequence[Layout],
    n_photos: int = 12,
    progress: Callable[[str, int, int], None] = _silent,
    relations: Sequence[Relation] = (),
    shifts: Sequence[Shift] = (),
) -> VisitOutlook:
    """As `outlook`, for all rounds that the shifts ask for; each has so many photos.

    Raises:
        NotEnoughError: As `outlook`.
    """
    rounds = []
    for standing in rounds_of(len(placements), shifts):
        there = [placements[i] for i in standing]
        related = standing_relations(standing, relations)
        asked = [one for _, one in related]
        found = outlook(
            kit,
            there,
            vehicle,
            layouts,
            n_photos,
            progress=progress,
            relations=asked,
            others=[one for i, one in enumerate(placements) if i not in standing],
        )
        rounds.append(RoundOutlook(standing, tuple(n for n, _ in related), found))
    return VisitOutlook(tuple(rounds), tuple(_shift_of(rounds, shift) for shift in shifts))


def _shift_of(rounds: Sequence[RoundOutlook], shift: Shift) -> ShiftOutlook:
    """Of its first placement's last round before the second's; of one placement, its round taken twice."""
    first, second = shift.of
    after = next(k for k, one in enumerate(rounds) if second in one.standing)
    stood = [k for k, one in enumerate(rounds) if first in one.standing]
    before = max((k for k in stood if k < after), default=after if after in stood else stood[0])
    sides = [(rounds[k], i) for k, i in ((before, first), (after, second))]
    at = [one.standing.index(i) for one, i in sides]
    values = shift_outlook(sides[0][0].outlook, sides[1][0].outlook, (at[0], at[1]), shift.values)
    return ShiftOutlook(shift, (before, after), values)


def standing_relations(
    standing: Sequence[int], relations: Sequence[Relation]
) -> tuple[tuple[int, Relation], ...]:
    """The relations whose both placements stand, with their numbers, and counted among those that stand."""
    place = {i: k for k, i in enumerate(standing)}
    return tuple(
        (n, replace(one, of=(place[one.of[0]], place[one.of[1]])))
        for n, one in enumerate(relations)
        if set(one.of) <= set(standing)
    )


def shift_outlook(
    before: Outlook, after: Outlook, of: tuple[int, int], required: Mapping[str, Tolerance]
) -> Mapping[str, ValueOutlook]:
    """What is to be expected of the required differences, later minus earlier, by value.

    Nothing of the kit is hung, laid or printed anew between the rounds, and each has photos of its own; the
    lens counts as anew too. Of what is left, the kit's part is told as one cause.

    Args:
        before, after: Of the rounds; the same one where the placement stands in both alike.
        of: The placement's number in each.
    """
    effects = [
        kit_effects(one.adjustment, one.plan, one.reported)
        for one in (before.expected.found, after.expected.found)
    ]
    out = {}
    for key, tolerance in required.items():
        names = [f"{index}:{key}" for index in of]
        sides = list(zip((before.expected, after.expected), names, effects, strict=True))
        lacks = next(((one, name) for one, name, _ in sides if name not in one.u), None)
        if lacks is not None:
            says = lacks[0].missing.get(lacks[1], "The target has no such value.")
            out[key] = ValueOutlook(tolerance, None, largest_usable_u(tolerance), None, {}, says)
            continue
        ours, theirs = (
            dict(zip(e.names, e.effects[e.keys.index(name)].tolist(), strict=True)) for _, name, e in sides
        )
        shared = sum(effect * theirs[name] for name, effect in ours.items() if name in theirs)
        variance = sum(one.u[name] ** 2 for one, name, _ in sides) - 2 * shared
        own = {
            cause: sum(f.u[name] ** 2 * f.budget[name].get(cause, 0.0) for f, name, _ in sides) / variance
            for cause in EACH_ROUNDS
        }
        u = float(np.sqrt(variance))
        budget = {**own, "kit": max(0.0, 1 - sum(own.values()))}
        limit = largest_usable_u(tolerance)
        out[key] = ValueOutlook(tolerance, u, limit, acceptance_limits(u, tolerance), budget)
    return MappingProxyType(out)


# --- what could be better -----------------------------------------------------------------------------


def _changes(kit: Kit, layouts: Sequence[Layout], n_photos: int) -> tuple[_Change, ...]:
    unmeasured = any(not plate.scale_is_measured for plate in kit.plates.values())
    changes = [
        _Change(
            "Measure the ruler printed on every plate with a steel rule and enter printed_scale."
            if unmeasured
            else "Measure the printed rulers twice as well (u_ruler_scale and u_printed_scale halved).",
            _better_scales,
        ),
        _Change("Check the plates' boards and choose flat ones (u_bow_mm halved).", _flatter),
        _Change(
            "Measure the clamps twice as well: u_standoff_mm, u_eccentricity_mm and u_tilt_deg halved "
            "(two positions of the wheel, half a turn apart, give eccentricity and tilt).",
            _better_clamps,
        ),
        _Change(
            "Measure twice as well where plates and target sit on the fixture, and how they are turned.",
            _better_fixture,
        ),
        _Change("Measure how flat the floor is (u_flatness_mm halved).", _better_floor),
    ]
    spare = _spare_plates(kit, layouts)
    if not kit.scale_bars and len(spare) >= 2:
        changes.append(
            _Change(
                f"Add a scale bar: two plates {BAR_MM:.0f} mm apart on a rigid bar, measured to "
                f"{U_BAR_MM:.1f} mm.",
                lambda kit: _with_bar(kit, spare),
                new_views=True,
            )
        )
    if len(spare) >= N_MORE_FLOOR_PLATES and len(kit.floor) <= 10 - N_MORE_FLOOR_PLATES:
        changes.append(
            _Change(
                f"Lay {N_MORE_FLOOR_PLATES} more floor plates.",
                lambda kit: _with_floor(kit, spare),
                new_views=True,
            )
        )
    more = n_photos // 2
    changes.append(_Change(f"Take {more} photos more.", lambda kit: kit, new_views=True, more_photos=more))
    changes.append(_Change(TOGETHER, _all_measured_better))
    return tuple(changes)


def _better_scales(kit: Kit) -> Kit:
    def better(plate: Plate) -> Plate:
        u = plate.u_printed_scale / 2 if plate.scale_is_measured else U_SCALE_BY_RULE
        return replace(plate, u_printed_scale=u, scale_is_measured=True)

    return replace(kit, u_ruler_scale=kit.u_ruler_scale / 2, plates=_each(kit.plates, better))


def _flatter(kit: Kit) -> Kit:
    return replace(kit, plates=_each(kit.plates, lambda p: replace(p, u_bow_mm=p.u_bow_mm / 2)))


def _better_clamps(kit: Kit) -> Kit:
    return replace(
        kit,
        clamps=_each(
            kit.clamps,
            lambda c: replace(
                c,
                u_standoff_mm=c.u_standoff_mm / 2,
                u_eccentricity_mm=c.u_eccentricity_mm / 2,
                u_tilt_rad=c.u_tilt_rad / 2,
            ),
        ),
    )


def _better_fixture(kit: Kit) -> Kit:
    def better(body):
        return replace(body, u_position_mm=body.u_position_mm / 2, u_rotation_rad=body.u_rotation_rad / 2)

    return replace(
        kit,
        fixtures=tuple(
            replace(f, mounts=tuple(map(better, f.mounts)), targets=tuple(map(better, f.targets)))
            for f in kit.fixtures
        ),
    )


def _better_floor(kit: Kit) -> Kit:
    return replace(kit, floor=tuple(replace(f, u_flatness_mm=f.u_flatness_mm / 2) for f in kit.floor))


def _all_measured_better(kit: Kit) -> Kit:
    for change in (_better_scales, _flatter, _better_clamps, _better_fixture, _better_floor):
        kit = change(kit)
    return kit


def _with_bar(kit: Kit, spare: Sequence[Plate]) -> Kit:
    one, other = spare[:2]
    bar = ScaleBar((one.number, other.number), BAR_MM, U_BAR_MM)
    return replace(kit, plates=_plus(kit, (one, other)), scale_bars=(bar,))


def _with_floor(kit: Kit, spare: Sequence[Plate]) -> Kit:
    more = tuple(spare[:N_MORE_FLOOR_PLATES])
    flatness_mm = max((f.u_flatness_mm for f in kit.floor), default=1.0)
    floor = tuple(FloorPlate(plate.number, flatness_mm) for plate in more)
    return replace(kit, plates=_plus(kit, more), floor=(*kit.floor, *floor))


def _each(items: Mapping, change: Callable) -> Mapping:
    return MappingProxyType({key: change(item) for key, item in items.items()})


def _plus(kit: Kit, plates: Sequence[Plate]) -> Mapping[int, Plate]:
    return MappingProxyType({**kit.plates, **{plate.number: plate for plate in plates}})


def _spare_plates(kit: Kit, layouts: Sequence[Layout]) -> tuple[Plate, ...]:
    """Three plates like the kit's first, with numbers that the kit does not have."""
    first = kit.plates[min(kit.plates)]
    layout = next(layout for layout in layouts if layout.name == first.layout)
    numbers = range(layout.first_plate, layout.first_plate + layout.n_plates)
    free = [n for n in numbers if n not in kit.plates][:N_MORE_FLOOR_PLATES]
    return tuple(replace(first, number=n, printed_scale_xy=(1.0, 1.0)) for n in free)


# --- the walk -----------------------------------------------------------------------------------------


def in_walking_order(bay: Bay, stations: Sequence[Station]) -> tuple[Station, ...]:
    """Once around the car, counter-clockwise from its rear, so that nobody walks twice."""
    middle = bay.body[0, :, :2].mean(0)

    def angle(station: Station) -> float:
        x, y = station.T_vehicle_camera[:2, 3] - middle
        return float(np.arctan2(-y, -x) % (2 * np.pi))

    return tuple(sorted(stations, key=angle))
