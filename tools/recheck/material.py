"""What measuring a round again takes, whatever it was read from."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from calib_data.layouts import load_layouts
from calib_data.observations import ObservationsFile, from_observations, observations_problems
from calib_data.photoset import PhotoSet
from calib_data.reading import check, raise_problems
from calib_data.recheck import Finding
from calib_data.visit import Asked
from tools.recheck.sets import ArchivedSet, PhotoPlace, fingerprint_of
from vision.errors import SetError
from vision.sightings import FoundPhoto

Json = dict[str, Any]


@dataclass(frozen=True)
class WantedPhoto:
    """A photo of a round.

    Attributes:
        sha256: Of the file as it was stored; None: nobody wrote it down.
    """

    name: str
    sha256: str | None
    place: PhotoPlace


@dataclass(frozen=True, eq=False)
class ShiftsOfVisit:
    """What a visit requires from one round to another.

    Attributes:
        rounds: The visit's, as its record has them, without results.
        signed: What each shift came to, by name.
    """

    rounds: tuple[Json, ...]
    asked: Asked
    signed: Mapping[str, Json]


@dataclass(frozen=True, eq=False)
class RoundToMeasure:
    """One round.

    Attributes:
        facts: Columns of the results' table `round` that the archive tells.
        photo_set: Kit, vehicle and placements; its own photos are not looked at.
        stored: What was found then in its photos, by name, in the order of then.
        signed: The result that was signed.
        is_signed: Whether a record tells of it; with `signed` None, as one that could not be measured.
        findings: What reading it brought up.
        shifts: Of its visit; None: there are none.
        unreadable: Why it cannot be measured at all, for there is no whole description of it.
    """

    facts: Json
    photo_set: PhotoSet | None = None
    photos: tuple[WantedPhoto, ...] = ()
    stored: Mapping[str, FoundPhoto] = field(default_factory=lambda: MappingProxyType({}))
    signed: Json | None = None
    is_signed: bool = False
    findings: tuple[Finding, ...] = ()
    unreadable: str = ""
    shifts: ShiftsOfVisit | None = None


def plain_facts(one: ArchivedSet) -> Json:
    """What is known of a round that no record tells of."""
    return {"number": 1, "round_id": one.set_id, "is_last": True}


def kit_facts(kit: Json) -> Json:
    """What the results keep of a kit's file."""
    return {"kit_name": kit.get("name") or None, "kit_sha256": fingerprint_of(kit)}


def vehicle_facts(vehicle: Json) -> Json:
    """What the results keep of what is declared about a vehicle."""
    return {
        "vehicle_label": vehicle.get("label") or None,
        "vehicle_model": _text(vehicle.get("model")),
        "wheelbase_mm": vehicle.get("wheelbase_mm"),
        "u_wheelbase_mm": vehicle.get("u_wheelbase_mm"),
    }


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) and value else None  # no format has the key, so it may be anything


def found_then(observations: Json) -> Mapping[str, FoundPhoto]:
    """Observations (plumbsight.observations/1) by photo.

    Raises:
        SetError: They are wrong.
    """
    file, _ = check(ObservationsFile, observations, "the record's observations", SetError)
    raise_problems(observations_problems(file, load_layouts()), "the record's observations", SetError)
    return MappingProxyType({photo.name: photo for photo in from_observations(file)})
