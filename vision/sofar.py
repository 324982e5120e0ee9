"""Photos taken so far -> the bay as they show it, and each photo as it counts there.

Each part that hangs together is adjusted by itself and laid over the bay by the plates whose place is sure.
What no photo has shown yet stays in its nominal place.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from vision import geometry
from vision.adjust import Adjustment
from vision.bay import Bay, with_wheels_clear
from vision.errors import NotEnoughError
from vision.forecast import Limits, Phone, Shot, Station, projected, stations_at
from vision.initial import adjust_from_nothing
from vision.lenses import Profile, group_lenses, lens_priors
from vision.observe import Sighting
from vision.parameters import LensPrior
from vision.parts import Part, connected_parts
from vision.sightings import FoundPhoto, in_time_order, network_of, sightings_of

# How much a plate's axes tell of how things are turned, as a lever against distances between plates. A
# wheel's plate may be turned on its clamp, so its upright tells little. Common practice, no source.
LEVER_MM, TURNED_LEVER_MM = 500.0, 50.0
# What a photo should have shown like this, and did not, is not there: a little more than is counted on, for
# where the photo was taken is known.
SURELY = Limits(68.0, 32.0, 0.85)
# From within so far of a photo, another one shows no plate that the first did not show where it should.
NEAR_MM = 1000.0


@dataclass(frozen=True, eq=False)
class SoFar:
    """What has been photographed.

    Attributes:
        bay: With the plates and the fixtures where photos show them.
        shots: The photos that can count, in time order; residuals are left behind: nothing depends on them.
        parts: What hangs together, photos as indices into `shots`; the main part first.
        lenses: By a sighting's lens.
        noise_factor: By how much the main part's photos are noisier than their detections say.
    """

    bay: Bay
    shots: tuple[Shot, ...]
    parts: tuple[Part, ...]
    lenses: tuple[LensPrior, ...]
    noise_factor: float

    def phone(self) -> Phone:
        """What took the latest photo, for the next one."""
        latest = self.shots[-1].sighting
        usual = Phone()
        return replace(
            usual,
            size_px=latest.size_px,
            known_lens=self.lenses[latest.lens],
            noise_px=usual.noise_px * self.noise_factor,
            u_shift_px=usual.u_shift_px * self.noise_factor,
            u_affine_px=usual.u_affine_px * self.noise_factor,
        )

    def stations(self) -> tuple[Station, ...]:
        """Where the photos were taken."""
        return tuple(Station(s.T_vehicle_camera, plates_in(s)) for s in self.shots)


def plates_in(shot: Shot) -> tuple[int, ...]:
    """The plates that a photo shows."""
    return tuple(d.plate for d in shot.sighting.detections)


def so_far(found: Sequence[FoundPhoto], bay: Bay, profiles: Sequence[Profile] = ()) -> SoFar:
    """Where these photos were taken from, and where the plates in them stand."""
    found = in_time_order(found)
    exifs, sizes_px = [f.exif for f in found], [f.size_px for f in found]
    lens_of_photo = group_lenses(exifs, sizes_px) if found else ()
    priors = lens_priors(exifs, sizes_px, lens_of_photo, profiles) if found else ()
    sightings, _ = sightings_of(found, lens_of_photo, bay.kit)
    order: list[str] = [s.name for s in sightings]
    lenses: dict[int, LensPrior] = {}
    shots: dict[str, Shot] = {}
    noise: list[float] = []
    for part in connected_parts(sightings, bay.kit):
        theirs = [sightings[i] for i in part.photos]
        _, network = network_of(theirs, priors, bay.kit, bay.layouts)
        try:
            adjustment = adjust_from_nothing(network)
        except NotEnoughError:  # too little by itself: it will count with the photos to come
            continue
        noise.append(adjustment.noise_factor)
        for lens, prior in _lenses(theirs, adjustment).items():
            lenses.setdefault(lens, prior)
        T_vehicle_world = _laid_over(bay, adjustment)
        bay = _as_seen(bay, adjustment, T_vehicle_world)
        for shot in _shots(bay, theirs, adjustment, T_vehicle_world, lenses):
            shots[shot.sighting.name] = shot
    number = {lens: k for k, lens in enumerate(lenses)}
    kept = [
        replace(s, sighting=replace(s.sighting, lens=number[s.sighting.lens]))
        for s in (shots[name] for name in order if name in shots)
    ]
    parts = connected_parts([s.sighting for s in kept], bay.kit)
    known = tuple(lenses.values())
    return SoFar(_without_absent(bay, known, kept), tuple(kept), parts, known, max(noise[:1], default=1.0))


def _lenses(sightings: Sequence[Sighting], adjustment: Adjustment) -> dict[int, LensPrior]:
    """By lens, what was known of it beforehand, about the focal length that the photos show."""
    network, values = adjustment.network, adjustment.state.values
    out = {}
    for lens, photo in {s.lens: i for i, s in enumerate(sightings)}.items():
        k = int(network.observed.lens_of_photo[photo])
        mean = network.lens_priors[k].mean.copy()
        mean[0] = values[network.unknowns.lens_values()[k, 0]]
        out[lens] = LensPrior(mean, network.lens_priors[k].covariance)
    return out


def _laid_over(bay: Bay, adjustment: Adjustment) -> NDArray:
    """T_vehicle_world that brings plates to their nominal places, of those whose place is sure.

    Two wheels suffice; with fewer the fixture counts too, and what lies on the floor where there is neither.
    """
    u, o = adjustment.network.unknowns, adjustment.network.observed
    seen = {p: adjustment.state.poses[u.plate_pose(k)] for k, p in enumerate(o.plates)}
    vehicle, *fixtures = bodies(bay)
    sure = [p for p in seen if p in vehicle and p in bay.T_vehicle_plate]
    if len(sure) < 2:
        sure += [p for p in seen if any(p in fixture for fixture in fixtures)]
    sure = sure or [p for p in seen if p in bay.T_vehicle_plate]
    if not sure:
        return np.eye(4)
    there, here = (np.array([poses[p] for p in sure]) for poses in (bay.T_vehicle_plate, seen))
    lever = np.where([p in vehicle for p in sure], TURNED_LEVER_MM, LEVER_MM)[:, None]
    normals = np.array([seen[f.plate][:3, 2] for f in bay.kit.floor if f.plate in seen]).reshape(-1, 3)

    def arms(poses: NDArray, up: NDArray) -> NDArray:
        centred = poses[:, :3, 3] - poses[:, :3, 3].mean(0)
        return np.concatenate([centred, LEVER_MM * poses[:, :3, 2], lever * poses[:, :3, 1], LEVER_MM * up])

    nominal, found = arms(there, np.tile([0.0, 0, 1], (len(normals), 1))), arms(here, normals)
    R = Rotation.align_vectors(nominal, found)[0].as_matrix()
    return geometry.transform(R, there[:, :3, 3].mean(0) - R @ here[:, :3, 3].mean(0))


def bodies(bay: Bay) -> tuple[set[int], ...]:
    """Plates on the vehicle, and on each fixture."""
    vehicle = {c.plate for c in bay.kit.clamps.values()} | {d.plate for d in bay.kit.datum_plates}
    return vehicle, *({m.plate for m in f.mounts} for f in bay.kit.fixtures)


def _as_seen(bay: Bay, adjustment: Adjustment, T_vehicle_world: NDArray) -> Bay:
    """The bay with the plates and the fixtures of these photos where they stand."""
    u, o = adjustment.network.unknowns, adjustment.network.observed
    at = T_vehicle_world @ adjustment.state.poses
    plates = {p: at[int(u.plate_pose(k))] for k, p in enumerate(o.plates)}
    T_vehicle_fixture = dict(bay.T_vehicle_fixture)
    for k, index in enumerate(adjustment.network.fixtures()):
        fixture, T = bay.kit.fixtures[index], at[int(u.fixture_pose(k))]
        T_vehicle_fixture[fixture.name] = T
        # A plate of the fixture that no photo shows yet hangs where the others say; so does a label.
        plates = {m.plate: T @ m.T_fixture_plate for m in fixture.mounts} | plates
        labels = ((p, one) for p, one in bay.labels.items() if one.fixture == fixture.name)
        plates = {p: T @ one.T_fixture_plate for p, one in labels} | plates
    return with_wheels_clear(
        replace(
            bay,
            T_vehicle_plate=MappingProxyType({**bay.T_vehicle_plate, **plates}),
            T_vehicle_fixture=MappingProxyType(T_vehicle_fixture),
        )
    )


def _shots(
    bay: Bay,
    sightings: Sequence[Sighting],
    adjustment: Adjustment,
    T_vehicle_world: NDArray,
    lenses: dict[int, LensPrior],
) -> list[Shot]:
    """These photos as if they fitted perfectly: each point as sure as it is, where it should be."""
    factor, used = adjustment.noise_factor, iter(adjustment.network.observed.used)
    out = []
    for i, sighting in enumerate(sightings):
        T = T_vehicle_world @ adjustment.state.poses[i]
        detections = []
        for d in sighting.detections:
            kept = next(used)[: len(d.saddle_index)]
            index = d.saddle_index[kept]
            if not len(index):
                continue
            detections.append(
                replace(
                    d,
                    saddle_index=index,
                    saddles_px=projected(bay, lenses[sighting.lens], d.plate, index, T[None])[0, :-2],
                    cov_px2=d.cov_px2[kept] * factor**2,
                    u_shift_px=d.u_shift_px * factor,
                    u_affine_px=d.u_affine_px * factor,
                )
            )
        if detections:
            out.append(Shot(T, replace(sighting, detections=tuple(detections))))
    return out


# --- what should have been seen -----------------------------------------------------------------------------


def _without_absent(bay: Bay, lenses: Sequence[LensPrior], shots: Sequence[Shot]) -> Bay:
    """The bay without plates of the floor and of bars that two photos should have shown and none does."""
    seen = {p for s in shots for p in plates_in(s)}
    loose = {f.plate for f in bay.kit.floor} | {p for bar in bay.kit.scale_bars for p in bar.plates}
    missed = [p for photo in missing_plates(bay, lenses, shots) for p in photo]
    absent = {p for p in loose - seen if missed.count(p) > 1}
    kept = {p: T for p, T in bay.T_vehicle_plate.items() if p not in absent}
    return replace(bay, T_vehicle_plate=MappingProxyType(kept))


def missing_plates(bay: Bay, lenses: Sequence[LensPrior], shots: Sequence[Shot]) -> list[set[int]]:
    """Of each photo, the plates that it should show and does not."""
    out = []
    for shot in shots:
        phone = Phone(size_px=shot.sighting.size_px, known_lens=lenses[shot.sighting.lens])
        (expected,) = stations_at(bay, shot.T_vehicle_camera[None], phone, SURELY)
        out.append(set(expected.plates) - set(plates_in(shot)))
    return out


def without_missing(stations: Sequence[Station], sofar: SoFar) -> list[Station]:
    """The stations without what a photo from nearby did not show; those with fewer than two plates go."""
    missing = missing_plates(sofar.bay, sofar.lenses, sofar.shots)
    out = []
    for station in stations:
        place = station.T_vehicle_camera[:3, 3]
        gone = {
            p
            for shot, plates in zip(sofar.shots, missing, strict=True)
            if np.linalg.norm(shot.T_vehicle_camera[:3, 3] - place) < NEAR_MM
            for p in plates
        }
        plates = tuple(p for p in station.plates if p not in gone)
        if len(plates) > 1:
            out.append(replace(station, plates=plates))
    return out
