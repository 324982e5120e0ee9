"""Photos taken so far -> what they come to, whether that is enough, and the next photo to take.

Uncertainties are those of the photos taken, and of one more, as if nothing were off (forecast.py). They
follow from who sees what from where and how well, never from where the target turned out to stand.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal

import numpy as np

from vision.bay import Bay, lay_out, required_values
from vision.errors import NotEnoughError
from vision.forecast import Phone, Reached, Shot, Station, reached, shots_at
from vision.kit import Kit, Placement, Relation, Vehicle
from vision.layout import Layout
from vision.lenses import Profile
from vision.parts import connected_parts
from vision.sightings import FoundPhoto
from vision.sofar import SoFar, bodies, missing_plates, plates_in, so_far, without_missing
from vision.stations import Search, reachable_stations
from vision.unseen import MOVEMENT, UNCHECKED_SHEETS, carried, unseen_moves

# Up to which part of a tolerance's half-width T a u is enough. Nothing conforms from 0.51 T on (decide.py);
# with 0.3 T results within 0.51 T of the middle do, so half of the tolerance is left for how the target
# stands. That is a measurement capability index of 1.7 (JCGM 106:2012, 7.6.3). Our own choice, no source.
ENOUGH_SHARE = 0.3
# A label that so many photos should have shown, and none does, is not there: it is asked for no more.
N_MISSED = 2
# The closing photo is taken from within so far of the first: a step and a half.
SAME_PLACE_MM = 1000.0
# How many photos ahead the first one is chosen with, and how many of the best are compared in full where
# sheets are still unchecked. Common practice, no source.
N_AHEAD, N_COMPARED = 5, 4
# A value that no photos bring to the u needed has what photos can give once it is within a tenth of the
# least that photos from everywhere would come to: the kit is then the limit. A dozen well-chosen photos come
# to within 2 to 6 % of that least. Our own choice, no source.
AT_LEAST = 1.1

Reason = Literal["first", "join", "measure", "sheets", "label", "closing"]


@dataclass(frozen=True, eq=False)
class Standing:
    """What photos that hang together come to.

    Attributes:
        u: By value, named as in `Reported`, unchecked sheets in it; empty while they cannot measure, and
            `missing` says why.
        budget: By value: cause -> share of the variance.
        unchecked_sheets: Plates whose printed scale these photos do not show.
    """

    u: Mapping[str, float]
    budget: Mapping[str, Mapping[str, float]]
    unchecked_sheets: tuple[int, ...]
    missing: str = ""
    found: Reached | None = None


@dataclass(frozen=True, eq=False)
class Ask:
    """The next photo: why, from where, what all photos come to with it, and which photo's view it repeats."""

    reason: Reason
    station: Station
    then: Standing
    repeats: str = ""


@dataclass(frozen=True, eq=False)
class Coaching:
    """Where a round stands and what comes next.

    Attributes:
        needed: The u of each required value that is enough.
        least: The u of each required value with photos from everywhere one can stand: what the kit allows.
            Infinite for a value that no photo measures.
        sofar: Where photos were taken, what hangs together, the bay as seen.
        now: What the photos that hang together come to.
        u_if_moved: The u by then, if something moved as far as these photos do not show it.
        is_closed: Whether a later photo repeats the first one's view.
        next: None where no more photos are asked for.
        unshown_labels: Of the targets' labels those that no photo shows so far, by plate number.
        absent_labels: Those of them that photos should have shown.
    """

    needed: Mapping[str, float]
    least: Mapping[str, float]
    sofar: SoFar
    now: Standing
    u_if_moved: Mapping[str, float]
    is_closed: bool
    next: Ask | None
    unshown_labels: tuple[int, ...] = ()
    absent_labels: tuple[int, ...] = ()

    @property
    def limited(self) -> tuple[str, ...]:
        """The required values that no photos make sure enough: there the kit is the limit."""
        return tuple(key for key, most in self.needed.items() if self.least[key] > most)

    @property
    def goal(self) -> Mapping[str, float]:
        """The u of each required value that photos are asked for: as needed, or what the kit allows."""
        return MappingProxyType(
            {key: max(most, AT_LEAST * self.least[key]) for key, most in self.needed.items()}
        )

    @property
    def is_over(self) -> bool:
        """Whether no more photos are asked for."""
        return self.next is None

    @property
    def is_enough(self) -> bool:
        """Whether it is over since every required value is sure enough, and every label is seen."""
        return self.is_over and not self.lacking and not self.unshown_labels

    @property
    def lacking(self) -> tuple[str, ...]:
        """The required values that are not sure enough."""
        return tuple(key for key, most in self.needed.items() if self.now.u.get(key, np.inf) > most)


NOTHING = Standing(MappingProxyType({}), MappingProxyType({}), (), "No photo shows a plate yet.")


def needed_u(
    placements: Sequence[Placement], share: float = ENOUGH_SHARE, relations: Sequence[Relation] = ()
) -> Mapping[str, float]:
    """The u of each required value that is enough."""
    required = required_values(placements, relations)
    return MappingProxyType({key: share * (t.minus + t.plus) / 2 for key, t in required.items()})


def coach(
    found: Sequence[FoundPhoto],
    kit: Kit,
    placements: Sequence[Placement],
    vehicle: Vehicle,
    layouts: Sequence[Layout],
    *,
    profiles: Sequence[Profile] = (),
    phone: Phone = Phone(),  # noqa: B008 (frozen)
    share: float = ENOUGH_SHARE,
    relations: Sequence[Relation] = (),
) -> Coaching:
    """What these photos come to and what to photograph next; without photos, what to start with.

    Args:
        placements: All that are checked in this round; photos are asked for that serve them together.
        phone: What the first photo is taken with; after that it is the phone of the latest.
        relations: What is required of two of the placements together.

    Raises:
        NotEnoughError: Whatever the photos, this kit cannot measure these placements.
    """
    sofar = so_far(found, lay_out(kit, placements, vehicle, layouts, relations), profiles)
    needed = needed_u(placements, share, relations)
    choice = _Choice.of(sofar, phone)
    now = standing(sofar, sofar.shots) if sofar.shots else NOTHING
    moved = if_moved(sofar.bay, now)
    closed = bool(sofar.shots) and is_closed(sofar)
    labels = _unshown_labels(sofar)
    here = Coaching(needed, choice.least(needed), sofar, now, moved, closed, None, *labels)
    if not sofar.shots:
        first = fullest_view(sofar.bay, [choice.stations[i] for i in choice.search.best(N_AHEAD)])
        return replace(here, next=Ask("first", first, NOTHING))
    if _worst(now.u, here.goal) > 1 or now.unchecked_sheets:
        return replace(here, next=_better(choice, here))
    if ask := _label(choice, here):
        return replace(here, next=ask)
    if closed and _worst(moved, here.goal) <= 1:
        return here
    return replace(here, next=_closing(here))


@dataclass(frozen=True, eq=False)
class _Choice:
    """What one can still photograph: stations, the photos to expect there, and the search among them.

    `n_taken` photos come before them in the search.
    """

    stations: Sequence[Station]
    shots: Sequence[Shot]
    search: Search
    n_taken: int

    @staticmethod
    def of(sofar: SoFar, phone: Phone) -> "_Choice":
        """With the latest photo's phone, if there is one.

        Raises:
            NotEnoughError: Nowhere can two plates be seen together.
        """
        taken, lens, lenses = sofar.shots, 0, sofar.lenses
        if taken:
            phone, lens = sofar.phone(), taken[-1].sighting.lens
        else:
            lenses = (phone.lens_prior,)
        stations = without_missing(reachable_stations(sofar.bay, phone), sofar)
        if not stations:
            raise NotEnoughError("From nowhere around the vehicle are two plates of the kit seen together.")
        shots = shots_at(sofar.bay, phone, stations, lens)
        return _Choice(stations, shots, Search(sofar.bay, lenses, [*taken, *shots]), len(taken))

    def least(self, needed: Mapping[str, float]) -> Mapping[str, float]:
        """The u of each required value with all these photos; infinite where none measures it."""
        least = dict(zip(self.search.keys, self.search.least_u, strict=True))
        return MappingProxyType({key: float(least.get(key, np.inf)) for key in needed})

    def ranked(self, among: Sequence[int]) -> list[int]:
        """Of these stations, the one first whose photo betters those taken most."""
        beside = self.search.best_beside(range(self.n_taken), [self.n_taken + i for i in among])
        return [i - self.n_taken for i in beside]


def fullest_view(bay: Bay, stations: Sequence[Station]) -> Station:
    """The station to begin and to close with: vehicle and fixtures together if possible, and most plates."""

    def fullness(station: Station) -> tuple[bool, int, int]:
        shown = sum(bool(body & set(station.plates)) for body in bodies(bay))
        return _shows_both(bay, station.plates), shown, len(station.plates)

    return max(stations, key=fullness)


def standing(sofar: SoFar, shots: Sequence[Shot]) -> Standing:
    """What the main part of these photos comes to."""
    bay = sofar.bay
    parts = connected_parts([shot.sighting for shot in shots], bay.kit)
    main = [shots[i] for i in parts[0].photos]
    lenses = sorted({shot.sighting.lens for shot in main})
    try:
        found = reached(bay, [sofar.lenses[k] for k in lenses], [_numbered(shot, lenses) for shot in main])
    except NotEnoughError as wrong:
        return replace(NOTHING, missing=str(wrong))
    return Standing(found.u, found.budget, tuple(s.plate for s in found.sheets), found=found)


def if_moved(bay: Bay, now: Standing) -> Mapping[str, float]:
    """The u of each value, if something moved as far as these photos do not show it; empty as `u` is."""
    if now.found is None:
        return now.u
    moves = unseen_moves(now.found.adjustment, now.found.plan, now.found.reported, bay.kit)
    return replace(now.found, reported=carried(now.found.reported, moves, MOVEMENT)).u


def _numbered(shot: Shot, lenses: Sequence[int]) -> Shot:
    """The photo with its lens counted among these."""
    return replace(shot, sighting=replace(shot.sighting, lens=lenses.index(shot.sighting.lens)))


def _worst(u: Mapping[str, float], needed: Mapping[str, float]) -> float:
    """The largest u in units of what is needed; infinite while a value that can be measured is not."""
    if not u:
        return np.inf
    return max((_ratio(u.get(key, np.inf), most) for key, most in needed.items()), default=0.0)


def _ratio(u: float, most: float) -> float:
    """What no photo measures is asked of none."""
    return 0.0 if np.isinf(most) else u / most


def _shows_both(bay: Bay, plates: Sequence[int]) -> bool:
    """Whether plates of the vehicle and of a fixture are among them."""
    vehicle, *fixtures = bodies(bay)
    return bool(vehicle & set(plates)) and any(fixture & set(plates) for fixture in fixtures)


# --- the next photo -----------------------------------------------------------------------------------------


def _better(choice: _Choice, here: Coaching) -> Ask:
    """The photo that betters the values most; while nothing can be measured, of those that join two parts."""
    among, reason = _worth_asking(here, choice.stations)
    compared = choice.ranked(among)[: N_COMPARED if reason == "sheets" else 1]
    taken = here.sofar.shots
    then = {i: standing(here.sofar, [*taken, choice.shots[i]]) for i in compared}
    best = min(
        compared, key=lambda i: (max(1.0, _worst(then[i].u, here.goal)), len(then[i].unchecked_sheets))
    )
    return Ask(reason, choice.stations[best], then[best])


def _worth_asking(here: Coaching, stations: Sequence[Station]) -> tuple[list[int], Reason]:
    """Which stations come into question, and what for."""
    everything, now, goal = list(range(len(stations))), here.now, here.goal
    if not now.u and len(here.sofar.parts) > 1:
        main, *others = (set(part.plates) for part in here.sofar.parts)
        other = set().union(*others)
        joining = [
            i for i in everything if main & set(stations[i].plates) and other & set(stations[i].plates)
        ]
        if joining:
            return joining, "join"
    lacking = max(goal, key=lambda key: _ratio(now.u.get(key, np.inf), goal[key]), default="")
    by_sheets = now.budget.get(lacking, {}).get(UNCHECKED_SHEETS, 0.0) > 0.5
    if now.unchecked_sheets and (by_sheets or _worst(now.u, goal) <= 1):
        showing = [i for i in everything if set(now.unchecked_sheets) & set(stations[i].plates)]
        return (showing or everything), "sheets"
    return everything, "measure"


def _unshown_labels(sofar: SoFar) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """The targets' labels that no photo shows, and those of them that several photos should show."""
    shown = {p for shot in sofar.shots for p in plates_in(shot)}
    unshown = tuple(p for p in sofar.bay.labels if p not in shown)
    if not unshown:
        return (), ()
    missed = [p for photo in missing_plates(sofar.bay, sofar.lenses, sofar.shots) for p in photo]
    return unshown, tuple(p for p in unshown if missed.count(p) >= N_MISSED)


def _label(choice: _Choice, here: Coaching) -> Ask | None:
    """The photo that shows a label of which there is none yet; none where no more can be asked for.

    It must hang together with the others, so it shows another plate that they show.
    """
    asked = set(here.unshown_labels) - set(here.absent_labels)
    if not asked:
        return None
    sofar, main = here.sofar, set(here.sofar.parts[0].plates)
    showing = [i for i, s in enumerate(choice.stations) if asked & set(s.plates) and main & set(s.plates)]
    if not showing:
        return None
    best = choice.ranked(showing)[0]
    return Ask("label", choice.stations[best], standing(sofar, [*sofar.shots, choice.shots[best]]))


def _opening(sofar: SoFar) -> Shot:
    """The first photo that shows vehicle and fixture together, or else the first."""
    return next((s for s in sofar.shots if _shows_both(sofar.bay, plates_in(s))), sofar.shots[0])


def is_closed(sofar: SoFar) -> bool:
    """Whether a photo after two others repeats the opening one: its place, and the bodies that it shows."""
    opening = _opening(sofar)
    first = sofar.shots.index(opening)
    shown = [body for body in bodies(sofar.bay) if body & set(plates_in(opening))]
    return any(
        np.linalg.norm(s.T_vehicle_camera[:3, 3] - opening.T_vehicle_camera[:3, 3]) < SAME_PLACE_MM
        and all(set(plates_in(s)) & body for body in shown)
        for s in sofar.shots[first + 2 :]
    )


def _closing(here: Coaching) -> Ask:
    """A photo from where one was taken: the opening one, or after that the one that shows moves best."""
    sofar, taken, phone = here.sofar, list(here.sofar.shots), here.sofar.phone()
    stations = sofar.stations()
    chosen = range(len(stations)) if here.is_closed else [taken.index(_opening(sofar))]
    shots = shots_at(sofar.bay, phone, stations, taken[-1].sighting.lens)
    then = {i: standing(sofar, [*taken, shots[i]]) for i in chosen}
    best = min(chosen, key=lambda i: _worst(if_moved(sofar.bay, then[i]), here.goal))
    return Ask("closing", stations[best], then[best], taken[best].sighting.name)
