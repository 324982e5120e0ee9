"""Measurement -> the result as JSON (FORMATS.md, "Result"), with all that a person or a drawing needs.

Plain numbers only, in mm and degrees. Figures are rounded to a millionth of their u: finer digits are
noise, and would differ from one machine's libraries to the next.

Beyond FORMATS.md a result carries `set`, `geometry` (for drawings), `states` (where something moved),
`kit_effects` and `unseen_moves` (for comparing rounds), `clamps` (those checked as they hang), `not_checked`,
`caution`, `warnings`, `made_with`, `distrusted` where something was known against the kit; a placement its
`says` and `joint` risk, a photo its `sha256` and `remarks` on the sharpness and exposure of single plates.
"""

import math
import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from calib_data.formats import RESULT
from calib_data.photoset import PhotoSet
from vision import geometry
from vision.decide import near_nominal
from vision.frame import FramePlan, Settled, settle, vehicle_frame
from vision.judge import Judged, JudgedPlacement, JudgedRelation
from vision.kit import EVERY_KEY, RELATION_KEYS, Kit, Tolerance
from vision.kit_effects import kit_effects
from vision.measure import Measurement
from vision.moved import LATER
from vision.photo import ExifFacts
from vision.placement import Reported
from vision.seated import checked_clamps_off
from vision.unseen import Unseen

# Half-width of a normal distribution's 95 % interval, in units of u (JCGM 100, table G.1, rounded there).
COVERAGE_95 = 1.959964
DIGITS_OF_U = 6
BUDGET_DECIMALS = 6
# What the numbers depend on, beside plumbsight's own version.
LIBRARIES = ("numpy", "scipy", "opencv-python-headless", "scikit-image", "pillow", "pillow-heif")

Json = dict[str, Any]


class PhotoFacts(Protocol):
    """What the record keeps of a photo: `vision.photo.Photo` and `vision.sightings.FoundPhoto` have it."""

    @property
    def name(self) -> str: ...
    @property
    def sha256(self) -> str: ...
    @property
    def exif(self) -> ExifFacts: ...


@dataclass(frozen=True)
class UnreadPhoto:
    """A photo that could not even be decoded, and why."""

    name: str
    says: str


def to_result(
    measurement: Measurement,
    photo_set: PhotoSet,
    photos: Sequence[PhotoFacts],
    unread: Sequence[UnreadPhoto] = (),
) -> Json:
    """The result of measuring a set.

    Args:
        photos: Those that were measured, by the names that the measurement knows them by, in the order
            in which the result is to list them.
        unread: Those that could not be read.
    """
    m = measurement
    return {
        "format": RESULT,
        "decision": m.decision,
        "set": _set(photo_set),
        "placements": [_placement(p) for p in m.placements],
        "relations": [_relation(r) for r in m.relations],
        "vehicle": {} if m.adjustment.is_contradictory else _facts(m.reported),
        "tests": [
            {
                "name": t.name,
                "ok": bool(t.ok),
                "statistic": _finite(t.statistic),
                "limit": _finite(t.limit),
                "says": t.says,
            }
            for t in m.tests
        ],
        "photos": [*_photos(m, photos), *({"file": p.name, "used": False, "says": p.says} for p in unread)],
        "cameras": _cameras(m, photos),
        "states": [
            {
                "says": s.says,
                "placements": [_placement(p) for p in s.placements],
                "relations": [_relation(r) for r in s.relations],
                "vehicle": _facts(s.reported),
            }
            for s in m.states
        ],
        "clamps": _clamps(m),
        "not_checked": list(m.not_checked),
        "caution": m.caution,
        "warnings": [*photo_set.warnings, *m.warnings],
        "geometry": _geometry(m, photo_set.kit),
        "kit_effects": _kit_effects(m, photo_set),
        "unseen_moves": [_unseen_move(one, m.reported) for one in m.moves],
        "made_with": made_with(),
    } | ({"distrusted": photo_set.distrusted} if photo_set.distrusted else {})


def made_with() -> Json:
    """The versions on which the numbers depend."""
    return {
        "plumbsight": _version("plumbsight"),
        "python": platform.python_version(),
        **{name: _version(name) for name in LIBRARIES},
    }


def _version(name: str) -> str:
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return "not installed"  # run from a checkout, or a library that another package brought


# --- numbers ------------------------------------------------------------------------------------


def _finite(number: float) -> float | None:
    return float(f"{number:.6g}") if math.isfinite(number) else None


def _decimals(u: float) -> int:
    """Decimals that a figure with this u deserves: down to a millionth of u."""
    return DIGITS_OF_U - math.floor(math.log10(u))


def _quantity(value: float, u: float) -> Json:
    decimals = _decimals(u)
    half = COVERAGE_95 * u
    return {
        "value": round(value, decimals),
        "u": round(u, decimals),
        "interval95": [round(value - half, decimals), round(value + half, decimals)],
    }


def _clamps(m: Measurement) -> Json:
    """By wheel, which check says how the clamp hangs, with what it found; empty where none was checked.

    One that hangs otherwise than at the check does not hold any more.
    """
    kit = m.adjustment.network.kit
    off = checked_clamps_off(m.adjustment, kit)
    return {
        wheel: {
            "says": clamp.seated.says,
            "holds": wheel not in off,
            "eccentricity_mm": list(clamp.eccentricity_mm),
            "u_eccentricity_mm": clamp.u_eccentricity_mm,
            "tilt_deg": np.degrees(clamp.tilt_rad).round(5).tolist(),
            "u_tilt_deg": round(float(np.degrees(clamp.u_tilt_rad)), 5),
        }
        for wheel, clamp in kit.clamps.items()
        if clamp.seated is not None
    }


def _facts(reported: Reported) -> Json:
    """The vehicle facts; placements' values have a number and a colon before their names."""
    keys = [key for key in reported.keys if ":" not in key]
    return {key: _quantity(reported.value(key), reported.u(key)) for key in keys}


# --- set, placements ----------------------------------------------------------------------------


def _set(photo_set: PhotoSet) -> Json:
    texts = (photo_set.set_text, photo_set.kit_text, *photo_set.placement_texts)
    out: Json = {
        "title": photo_set.title,
        "kit": photo_set.kit.name,
        "vehicle": photo_set.vehicle.label,
        "files": [{"name": text.name, "sha256": text.sha256} for text in texts if text is not None],
    }
    return out | ({"taken": photo_set.taken} if photo_set.taken else {})


def _placement(judged: JudgedPlacement) -> Json:
    required = judged.placement
    out: Json = {
        "name": required.name,
        "fixture": required.fixture,
        "target": required.target,
        "reference_line": required.reference_line,
        "datum": required.datum,
    }
    if required.facing_rad:
        out["facing_deg"] = _angle(required.facing_rad)
    if required.origin is not None:
        origin = required.origin
        out["origin"] = {
            "at": origin.at,
            "offset_mm": list(origin.offset_mm),
            "u_mm": origin.u_mm,
            "axis_deg": _angle(origin.axis_rad),
        }
    return out | _decided(judged, required.values, EVERY_KEY)


def _relation(judged: JudgedRelation) -> Json:
    out = {"name": judged.relation.name, "of": list(judged.of)}
    return out | _decided(judged, judged.relation.values, RELATION_KEYS)


def _angle(angle_rad: float) -> float:
    return round(math.degrees(angle_rad), 9)


def _decided(judged: Judged, required: Mapping[str, Tolerance], keys: Sequence[str]) -> Json:
    """Values, budget, advice and decision, of a placement or of two together."""
    decision = judged.decision
    shown = [key for key in keys if key in judged.keys or key in judged.missing]
    out: Json = {
        "decision": decision.decision,
        "values": {key: _value(judged, required, key) for key in shown},
        "budget": {
            key: {cause: round(share, BUDGET_DECIMALS) for cause, share in shares.items()}
            for key, shares in judged.budget.items()
        },
        "advice": list(judged.advice),
        "says": list(decision.says),
    }
    if judged.keys:
        out["covariance"] = {"keys": list(judged.keys), "matrix": _matrix(judged.covariance)}
    if decision.p_conform_all_at_least is not None:
        out["joint"] = {"p_conform_at_least": _probability(decision.p_conform_all_at_least)}
        if decision.p_conform_all is not None:
            out["joint"]["p_conform"] = _probability(decision.p_conform_all)
    return out


def _value(judged: Judged, required: Mapping[str, Tolerance], key: str) -> Json:
    tolerance, verdict = required.get(key), judged.decision.values.get(key)
    asked: Json = {}
    if tolerance is not None and verdict is not None:
        asked = {"nominal": tolerance.nominal, "minus": tolerance.minus, "plus": tolerance.plus}
        asked["decision"] = verdict.decision
    if key not in judged.keys:
        return {"value": None, "says": judged.missing[key], **asked}
    i = judged.keys.index(key)
    value, u = float(judged.values[i]), float(np.sqrt(judged.covariance[i, i]))
    if tolerance is None or verdict is None:
        return _quantity(value, u)
    # As it was decided: a yaw of -179.9 reads 180.1 where 180 is asked for.
    value = near_nominal(key, value, tolerance.nominal)
    assert verdict.p_conform is not None
    return {**_quantity(value, u), **asked, "p_conform": _probability(verdict.p_conform)}


def _probability(p: float) -> float:
    return float(f"{p:.9g}")


def _matrix(covariance: NDArray) -> list[list[float]]:
    """Each entry to a millionth of the product of its two u."""
    u = np.sqrt(np.diag(covariance))
    return [
        [round(float(entry), _decimals(float(u[i] * u[j]))) for j, entry in enumerate(row)]
        for i, row in enumerate(covariance)
    ]


# --- photos and cameras -------------------------------------------------------------------------


def _photos(m: Measurement, photos: Sequence[PhotoFacts]) -> list[Json]:
    notes = {note.name: note for note in m.notes}
    sightings = {sighting.name: sighting for sighting in m.sightings}
    rms_px = _rms_of_photos(m)
    out = []
    for photo in photos:
        note, sighting = notes[photo.name], sightings.get(photo.name)
        entry: Json = {"file": photo.name, "sha256": photo.sha256, "used": sighting is not None}
        if sighting is not None:
            entry["camera"] = sighting.lens
            entry["plates"] = sorted({d.plate % LATER for d in sighting.detections})
            entry["rms_px"] = round(rms_px[photo.name], 4)
            entry["remarks"] = [
                {"plate": d.plate % LATER, "says": d.says} for d in sighting.detections if d.says
            ]
        else:
            entry["plates"] = sorted(set(note.plates))
        out.append({**entry, "says": note.says})
    return out


def _rms_of_photos(m: Measurement) -> dict[str, float]:
    """Root mean square of the residuals, per coordinate, of each photo's points that were used."""
    block = m.adjustment.saddles
    o = block.observed
    squares = (block.residuals_px(m.adjustment.state) ** 2).sum(-1)
    out = {}
    for i, name in enumerate(o.photo_names):
        used = o.used & (o.photo == i)[:, None]
        out[name] = float(np.sqrt(squares[used].sum() / max(2 * int(used.sum()), 1)))
    return out


def _cameras(m: Measurement, photos: Sequence[PhotoFacts]) -> list[Json]:
    unknowns, state = m.adjustment.network.unknowns, m.adjustment.state
    exif_of = {photo.name: photo.exif for photo in photos}
    out = []
    for lens, index in enumerate(unknowns.lens_values()[:, 0]):
        column = state.value_column(int(index))
        u_f_px = float(np.sqrt(m.adjustment.covariance[column, column]))
        quantity = _quantity(float(state.values[index]), u_f_px)
        name = next(s.name for s in m.sightings if s.lens == lens)
        out.append(
            {
                "id": lens,
                "label": _camera_label(exif_of[name]),
                "f_px": quantity["value"],
                "u_f_px": quantity["u"],
            }
        )
    return out


def _camera_label(exif: ExifFacts) -> str:
    stated = [word for word in (exif.make, exif.model, exif.lens_model) if word]
    if exif.focal_35mm:
        stated.append(f"{exif.focal_35mm:g} mm equivalent")
    return ", ".join(stated) or "camera without EXIF"


def _kit_effects(m: Measurement, photo_set: PhotoSet) -> Json | None:
    """What the kit's errors do to each value, for comparing rounds; none where something moved."""
    if m.states:
        return None
    found = kit_effects(m.adjustment, m.plan, m.reported)
    u = [m.reported.u(key) for key in found.keys]
    return {
        "kit_sha256": photo_set.kit_text.sha256,
        "names": list(found.names),
        "effects": {
            key: [round(effect, _decimals(u[i])) for effect in found.effects[i].tolist()]
            for i, key in enumerate(found.keys)
        },
    }


def _unseen_move(one: Unseen, reported: Reported) -> Json:
    """A move that these photos do not exclude, and what it would do to each target's values."""
    assert one.body is not None
    at = [(i, key) for i, key in enumerate(reported.keys) if ":" in key]
    return {
        "what": one.body.words,
        "between": list(one.between),
        "effects": {
            key: [round(effect, _decimals(reported.u(key))) for effect in one.effects[:, i].tolist()]
            for i, key in at
        },
    }


# --- geometry for drawings ----------------------------------------------------------------------


def _geometry(m: Measurement, kit: Kit) -> Json:
    """Where everything stands in the vehicle frame of the first placement's reference line, in mm.

    Where something moved, as it stands now. Without a floor, Z counts from the rear wheel centres.
    """
    plan = m.plan
    line = plan.targets[0].placement.reference_line if plan.targets else _any_line(plan)
    at = settle(plan, m.adjustment.state.poses, np.zeros(len(plan.inputs)))
    T_vehicle_world = _vehicle_from_world(plan, at, line)
    T_vehicle = T_vehicle_world @ at.poses
    in_vehicle_mm = geometry.apply(T_vehicle_world, at.centres)
    frame = vehicle_frame(plan, at.centres, at.axes, at.points, np.zeros(len(plan.inputs)), line)
    targets = []
    for i, t in enumerate(plan.targets):
        T_vehicle_target = T_vehicle[t.fixture_pose] @ t.target.T_fixture_target
        entry: Json = {
            "fixture": t.placement.fixture,
            "target": t.placement.target,
            "T_vehicle_target": _tidy(T_vehicle_target),
            "datum_mm": _datum(m, i, T_vehicle_target) if t.placement.reference_line == line else None,
        }
        if t.is_mat:
            entry["kind"] = "mat"
        start = t.origin.point(frame, at) if t.origin is not None else None
        if start is not None:
            entry["origin_mm"] = _tidy(geometry.apply(T_vehicle_world, start[None])[0])
        targets.append(entry)
    return {
        "reference_line": line,
        "wheels": {
            w.wheel: {
                "centre_mm": _tidy(in_vehicle_mm[k]),
                "plate_origin_mm": _tidy(T_vehicle[w.pose][:3, 3]),
            }
            for k, w in enumerate(plan.wheels)
        },
        "plates": _plates(m, kit, T_vehicle),
        "targets": targets,
        "cameras": [
            {"file": s.name, "position_mm": _tidy(T_vehicle[i][:3, 3]), "axis": _tidy(T_vehicle[i][:3, 2])}
            for i, s in enumerate(m.sightings)
        ],
        "datum_mm": targets[0]["datum_mm"] if targets else None,
    }


def _any_line(plan: FramePlan) -> str:
    return "centreline" if plan.front_from else "thrust_line"


def _vehicle_from_world(plan: FramePlan, at: Settled, line: str) -> NDArray:
    """`T_vehicle_world`: X from the front axle (else from the rear one), Z from the floor."""
    frame = vehicle_frame(plan, at.centres, at.axes, at.points, np.zeros(len(plan.inputs)), line)
    forward, up = frame.R_world_vehicle[:, 0], frame.R_world_vehicle[:, 2]
    start = frame.rear if frame.front is None else frame.front
    origin = frame.rear + ((start - frame.rear) @ forward) * forward
    if frame.floor_offset is not None:
        origin = origin - (origin @ up + frame.floor_offset) * up
    return geometry.invert(geometry.transform(frame.R_world_vehicle, origin))


def _datum(m: Measurement, placement: int, T_vehicle_target: NDArray) -> list[float] | None:
    """Where a placement's distance starts, projected on the reference line."""
    if f"{placement}:distance_mm" not in m.reported.keys:
        return None
    x_mm = float(T_vehicle_target[0, 3]) - m.reported.value(f"{placement}:distance_mm")
    return [round(x_mm, 4), 0.0, 0.0]


def _plates(m: Measurement, kit: Kit, T_vehicle: NDArray) -> Json:
    o, u = m.adjustment.network.observed, m.adjustment.network.unknowns
    roles = plate_roles(kit)
    out = {}
    for k, number in enumerate(o.plates):
        if number + LATER in o.plates:
            continue  # where it was before it moved
        printed = number % LATER
        half_mm = float(o.half_mm[np.flatnonzero(o.plate == k)[0]])
        T = _tidy(T_vehicle[int(u.plate_pose(k))])
        out[str(printed)] = {
            "role": roles.get(printed, "spare"), "half_mm": round(half_mm, 4), "T_vehicle_plate": T
        }  # fmt: skip
    return out


def plate_roles(kit: Kit) -> Mapping[int, str]:
    """What each plate of a kit is mounted on, in words."""
    roles = {p: "scale bar" for bar in kit.scale_bars for p in bar.plates}
    roles |= {d.plate: f"datum {d.name}" for d in kit.datum_plates}
    roles |= {f.plate: "floor" for f in kit.floor}
    roles |= {t.label.plate: f"label {t.name}" for f in kit.fixtures for t in f.targets if t.label}
    roles |= {
        mount.plate: f"{'mat' if f.is_mat else 'fixture'} {f.name}"
        for f in kit.fixtures
        for mount in f.mounts
    }
    return roles | {c.plate: f"wheel {name.replace('_', ' ')}" for name, c in kit.clamps.items()}


def _tidy(numbers: NDArray) -> list:
    """Ten-millionths, for drawing."""
    return np.round(numbers, 7).tolist()
