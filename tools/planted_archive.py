"""An archive of rounds with known faults: what a reviewer has to find among hundreds that are correct.

Half a year of a shop's rounds, each with its own vehicle, photographed with the shop's own phones and
kits, which stay the same in all rounds. All names are invented. A round is told by the archive's seed and
its index.

Faults, all of the trade (common practice, no source): sheets that swell month by month, a lens that no model
holds, a floor that slopes under a fixture that is set up with a spirit level, photos edited afterwards, and
photos of a vehicle other than the one declared.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.random import Generator

from tools.mistakes import all_sheets_scaled, fixture_levelled, lens_rippled, photo_cropped
from tools.photo_round import Phone, draw_phone, stand, take_photos
from tools.scene import Car, Care, SetUp, car_of, make_scene, pose
from tools.truth import Lens, Scene
from vision.photo import ExifFacts

KIT_DRIFT, PHONE_LENS, BAY_SLOPE = "kit-drift", "phone-lens", "bay-slope"
ALTERED_PHOTO, ANOTHER_VEHICLE = "altered-photo", "another-vehicle"
FAULTS = (KIT_DRIFT, PHONE_LENS, BAY_SLOPE, ALTERED_PHOTO, ANOTHER_VEHICLE)

FIRST_DAY, DAYS = datetime(2026, 1, 5), 180
SIZE_PX = (4032, 3024)
PHONES = (("Lumora", "L2"), ("Vireo", "Seven"), ("Lumora", "L3"), ("Oriole", "K1"), ("Vireo", "Eight"))
KITS = ("van 1", "van 2", "hall", "spare")
BAYS = ("bay 1", "bay 2", "bay 3", "yard")


@dataclass(frozen=True)
class Model:
    """A vehicle model as its data sheet has it."""

    name: str
    wheelbase_mm: float
    track_mm: tuple[float, float]
    radius_mm: tuple[float, float]


# Invented; lengths as cars have them.
MODELS = (
    Model("Alder 3", 2550, (1480, 1475), (305, 305)),
    Model("Alder 5", 2660, (1530, 1530), (315, 315)),
    Model("Birch", 2710, (1560, 1555), (320, 320)),
    Model("Cedar van", 2930, (1580, 1590), (330, 330)),
    Model("Hazel", 2450, (1460, 1455), (300, 300)),
    Model("Rowan", 2790, (1610, 1600), (335, 335)),
)

# The faults' sizes. Paper in damp air grows by 0.1 to 0.5 % (common practice, no source).
DRIFT_PER_MONTH = 0.0008
RIPPLE_PX = 0.12
SLOPE_DEG = 0.35
CROP = 1.06
SIZED = MappingProxyType(
    {
        KIT_DRIFT: (1000 * DRIFT_PER_MONTH, "per mille a month"),
        PHONE_LENS: (RIPPLE_PX, "px"),
        BAY_SLOPE: (SLOPE_DEG, "degrees"),
    }
)
N_SINGLE = 3  # rounds with a fault of their own


@dataclass(frozen=True)
class Planned:
    """One round of the archive.

    Attributes:
        phone, kit, bay, model: Places in the lists above.
        shown: The model of the vehicle that the photos show.
        faults: Those that this round has.
        size: Of the faults that have one (SIZED), by their usual sizes.
        set_up, person, repeat: Of a study; -1 in everyday rounds.
    """

    index: int
    seed: int
    taken: datetime
    phone: int
    kit: int
    bay: int
    model: int
    shown: int
    n_photos: int
    faults: frozenset[str]
    set_up: int = -1
    person: int = -1
    repeat: int = -1
    size: float = 1.0

    @property
    def months(self) -> float:
        return (self.taken - FIRST_DAY) / timedelta(days=30)

    @property
    def round_id(self) -> str:
        return round_id(self.index)

    @property
    def is_study(self) -> bool:
        return self.person >= 0


def round_id(index: int) -> str:
    """The folder of a round."""
    return f"round-{index:05d}"


@dataclass(frozen=True)
class PlantedArchive:
    """What the archive holds; `subject` says by fault which kit, phone, bay or rounds it was planted in."""

    name: str
    rounds: tuple[Planned, ...]
    subject: Mapping[str, Any]

    def of(self, rounds: Sequence[Planned]) -> "PlantedArchive":
        """Some of its rounds."""
        return replace(self, rounds=tuple(rounds))


# As many as the faults of single rounds need, each its own.
FEWEST_ROUNDS = 2 * N_SINGLE


def plan_archive(seed: int, n_rounds: int, faults: Collection[str] = (), size: float = 1.0) -> PlantedArchive:
    """Draw who measured what with what and when; the rounds' photos come from `scene_of`.

    Phone, kit and bay are drawn independently of each other, so that each can be told from the others.

    Args:
        size: Of the faults of SIZED, by their usual sizes; all else is drawn alike.
    """
    rng = np.random.default_rng([seed, 0])
    subject: dict[str, Any] = {
        KIT_DRIFT: int(rng.integers(len(KITS))),
        PHONE_LENS: int(rng.integers(len(PHONES))),
        BAY_SLOPE: int(rng.integers(len(BAYS))),
    }
    singles = rng.choice(n_rounds, FEWEST_ROUNDS, replace=False).tolist()
    subject[ALTERED_PHOTO], subject[ANOTHER_VEHICLE] = singles[:N_SINGLE], singles[N_SINGLE:]
    subject = {fault: subject[fault] for fault in faults}
    days = np.sort(rng.uniform(0, DAYS, n_rounds))
    rounds = tuple(replace(_plan(rng, seed, i, float(day), subject), size=size) for i, day in enumerate(days))
    return PlantedArchive(f"shop {seed}", rounds, MappingProxyType(subject))


def _plan(rng: Generator, seed: int, index: int, day: float, subject: Mapping[str, Any]) -> Planned:
    phone, kit, bay, model = (int(rng.integers(len(x))) for x in (PHONES, KITS, BAYS, MODELS))
    other = int((model + rng.integers(1, len(MODELS))) % len(MODELS))
    of_round = {KIT_DRIFT: kit, PHONE_LENS: phone, BAY_SLOPE: bay}
    has = {f for f, what in of_round.items() if subject.get(f) == what}
    has |= {f for f in (ALTERED_PHOTO, ANOTHER_VEHICLE) if index in subject.get(f, ())}
    return Planned(
        index,
        seed,
        FIRST_DAY + timedelta(days=day),
        phone,
        kit,
        bay,
        model,
        other if ANOTHER_VEHICLE in has else model,
        int(rng.integers(6, 9)),
        frozenset(has),
    )


def plan_study(seed: int, n_set_ups: int, n_persons: int, n_repeats: int) -> PlantedArchive:
    """Several set-ups, each photographed several times by several people: what repeats, and who differs.

    A set-up keeps vehicle, clamps, fixture and floor; each round has its own stations and photos.
    """
    rng = np.random.default_rng([seed, 1])
    rounds: list[Planned] = []
    for set_up in range(n_set_ups):
        model = int(rng.integers(len(MODELS)))
        for person in range(n_persons):
            for repeat in range(n_repeats):
                index = len(rounds)
                taken = FIRST_DAY + timedelta(days=set_up, minutes=20 * index)
                rounds.append(
                    Planned(index, seed, taken, 0, 0, 0, model, model, 8, frozenset(), set_up, person, repeat)
                )
    return PlantedArchive(f"study {seed}", tuple(rounds), MappingProxyType({}))


def scene_of(planned: Planned) -> Scene:
    """The round as it truly was, its faults in it."""
    p = planned
    rng = np.random.default_rng([p.seed, 6, p.set_up] if p.is_study else [p.seed, 2, p.index])
    model, shown = MODELS[p.model], MODELS[p.shown]
    distance_mm, car = float(rng.uniform(1800, 3000)), _car(rng, shown)
    at = pose([0, 0, 0])
    scene = make_scene(
        rng,
        target_distance_mm=distance_mm,
        n_photos=p.n_photos,
        size_px=SIZE_PX,
        care=Care(),
        car=car,
        set_up=SetUp(),
        T_world_vehicle=at if p.is_study else None,  # photos are taken again from it
        kit_rng=np.random.default_rng([p.seed, 3, p.kit]),
        phones=[phone_of(p.seed, p.phone)],
    )
    if p.is_study:
        again = np.random.default_rng([p.seed, 7, p.index])
        places_mm = stand(again, "chosen", p.n_photos, car.far_axle_mm, distance_mm)
        seen = scene.photos[0]
        photos = take_photos(
            again, Phone(), [phone_of(p.seed, p.phone)], SIZE_PX, at, places_mm, seen.plates,
            seen.boxes, True,
        )  # fmt: skip
        scene = replace(scene, photos=photos)
    vehicle = replace(
        scene.vehicle,
        label=model.name,
        wheelbase_mm=model.wheelbase_mm,
        track_front_mm=model.track_mm[0],
        track_rear_mm=model.track_mm[1],
        wheel_radius_front_mm=model.radius_mm[0],
        wheel_radius_rear_mm=model.radius_mm[1],
    )
    scene = replace(scene, vehicle=vehicle, kit=replace(scene.kit, name=KITS[p.kit]))
    return _with_faults(rng, _dated(scene, p.taken), p)


def _car(rng: Generator, model: Model) -> Car:
    """One car of a model: axles off by 1.5 mm (sd), wheels as tools.scene.draw_car has them."""
    steer, thrust = rng.normal(0, 0.3), rng.normal(0, 0.08)
    return car_of(
        model.wheelbase_mm,
        model.track_mm,
        model.radius_mm,
        headings_deg=rng.normal(0, 0.1, 4) * [-1, 1, -1, 1] + [steer, steer, thrust, thrust],
        cambers_deg=rng.normal(-0.7, 0.5, 4),
        jitter_mm=rng.normal(0, 1.5, (4, 3)),
    )


def phone_of(seed: int, phone: int) -> tuple[Lens, ExifFacts]:
    """One of the shop's phones: its lens and what its photos' EXIF says."""
    lens, facts = draw_phone(np.random.default_rng([seed, 4, phone]), Phone(), SIZE_PX, phone)
    make, model = PHONES[phone]
    return lens, replace(facts, make=make, model=model)


def _dated(scene: Scene, taken: datetime) -> Scene:
    photos = tuple(
        replace(
            photo,
            exif=replace(photo.exif, taken=(taken + timedelta(seconds=15 * i)).strftime("%Y-%m-%dT%H:%M:%S")),
        )
        for i, photo in enumerate(scene.photos)
    )
    return replace(scene, photos=photos)


def _with_faults(rng: Generator, scene: Scene, p: Planned) -> Scene:
    if KIT_DRIFT in p.faults:
        scene = all_sheets_scaled(scene, 1 + p.size * DRIFT_PER_MONTH * p.months).scene
    if PHONE_LENS in p.faults:
        scene = lens_rippled(scene, p.size * RIPPLE_PX).scene
    if BAY_SLOPE in p.faults:
        scene = fixture_levelled(scene, p.size * SLOPE_DEG).scene
    if ALTERED_PHOTO in p.faults:
        scene = photo_cropped(scene, int(rng.integers(len(scene.photos))), CROP).scene
    return scene


def with_fault(archive: PlantedArchive, fault: str) -> Iterator[Planned]:
    """The rounds that have a fault."""
    return (planned for planned in archive.rounds if fault in planned.faults)
