"""Kit + placements -> can it be proved at all, what limits it, and what would better it: before any photo."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np

from vision.bay import Bay, lay_out, required_values
from vision.decide import acceptance_limits, largest_usable_u
from vision.forecast import Forecast, Phone, Station, forecast
from vision.kit import FloorPlate, Kit, Placement, Plate, ScaleBar, Tolerance, Vehicle
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
) -> Outlook:
    """Whether this kit can prove these placements with so many photos from well-chosen places.

    Several placements are those of one round: the same photos are to serve them all.

    Raises:
        NotEnoughError: It cannot measure a target at all, whatever the photos.
    """
    progress("looking for the best places to stand", 0, 1)
    bay = lay_out(kit, placements, vehicle, layouts)
    stations = choose_stations(bay, n_photos, phone=phone)
    expected = forecast(bay, stations, phone)
    required = required_values(placements)
    values = _values(required, expected)
    provable = all(value.conforming is not None for value in values.values())
    found: list[Betterment] = []
    if not provable:
        lacking = {k: v for k, v in values.items() if v.u is not None}
        changes = _changes(kit, layouts, n_photos)
        for n, change in enumerate(changes, start=1):
            progress("trying what would better it", n, len(changes))
            u = _changed(change, kit, placements, vehicle, layouts, stations, phone)
            if any(u[k] < 0.98 * (v.u or 0) for k, v in lacking.items() if v.conforming is None and k in u):
                found.append(Betterment(change.says, MappingProxyType(u), _proves(required, u)))
        # Everything together is the last resort, however much it helps.
        found.sort(key=lambda b: (b.says == TOGETHER, _worst(required, b.u)))
    return Outlook(values, bay, in_walking_order(bay, stations), tuple(found))


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
    kit: Kit,
    placements: Sequence[Placement],
    vehicle: Vehicle,
    layouts: Sequence[Layout],
    stations: Sequence[Station],
    phone: Phone,
) -> dict[str, float]:
    """The u of each required value with the change; the photos stay where they were if they can."""
    bay = lay_out(change.kit(kit), placements, vehicle, layouts)
    if change.new_views:
        stations = choose_stations(bay, len(stations) + change.more_photos, phone=phone)
    expected = forecast(bay, stations, phone)
    return {key: expected.u[key] for key in required_values(placements) if key in expected.u}


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
