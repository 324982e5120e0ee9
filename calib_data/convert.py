"""File models -> vision's frozen values. The only place that knows both.

Degrees become radians and declared rotations become matrices here, once.
"""

import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from calib_data.formats import (
    CameraFile,
    FixtureFile,
    KitFile,
    LabelFile,
    LensFacts,
    MatFile,
    MountFile,
    OriginFile,
    PlacementFile,
    PlateFile,
    RelationFile,
    ShiftFile,
    TargetFile,
    VehicleFile,
    WheelFile,
)
from vision.camera import LENS_KEYS, N_LENS
from vision.geometry import rz_ry_rx, transform, yaw_pitch_roll
from vision.kit import (
    WHEELS,
    Clamp,
    DatumPlate,
    Fixture,
    FloorPlate,
    Kit,
    Label,
    LevelPlate,
    Mount,
    Origin,
    Placement,
    Plate,
    Relation,
    ScaleBar,
    Seated,
    Shift,
    Target,
    Tolerance,
    Vehicle,
)
from vision.lenses import U_LENS, Profile
from vision.photo import ExifFacts

Key = TypeVar("Key")
Value = TypeVar("Value")

U_UNMEASURED_SCALE = 0.03  # FORMATS.md: printed_scale absent means 1 with this u

# FORMATS.md, "Kit": at rotation zero a plate looks along the fixture's -x; plate x = fixture -y,
# plate y = fixture z. Columns are the plate's axes in the fixture.
R0_FIXTURE_PLATE = np.array([[0.0, 0.0, -1.0], [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
R0_FIXTURE_PLATE.flags.writeable = False
# KINDS.md, "Mats": a mark's x goes into the mat's back, its z along the mark, its y to the reader's left.
R_MAT_TARGET = np.array([[0.0, -1.0, 0.0], [0.0, 0.0, 1.0], [-1.0, 0.0, 0.0]])
R_MAT_TARGET.flags.writeable = False


def to_kit(file: KitFile) -> Kit:
    """The kit's frozen value; plates by number, wheels in WHEELS' order, fixtures by name.

    The file has passed `crosschecks.kit_problems` by now.
    """
    return Kit(
        name=file.name,
        u_ruler_scale=file.u_ruler_scale,
        plates=_fixed({n: _plate(n, file.plates[str(n)]) for n in sorted(map(int, file.plates))}),
        clamps=_fixed({wheel: _clamp(file.wheels[wheel]) for wheel in WHEELS if wheel in file.wheels}),
        fixtures=(
            *(_fixture(name, file.fixtures[name]) for name in sorted(file.fixtures)),
            *(_mat(name, file.mats[name]) for name in sorted(file.mats)),
        ),
        floor=tuple(FloorPlate(f.plate, f.u_flatness_mm) for f in sorted(file.floor, key=lambda f: f.plate)),
        scale_bars=tuple(
            ScaleBar((bar.plates[0], bar.plates[1]), bar.length_mm, bar.u_length_mm)
            for bar in sorted(file.scale_bars, key=lambda bar: sorted(bar.plates))
        ),
        datum_plates=tuple(
            DatumPlate(name, d.plate, _triple(d.offset_mm), d.u_mm)
            for name, d in sorted(file.datum_plates.items())
        ),
        levels=tuple(
            LevelPlate(one.plate, one.up, float(np.radians(one.u_deg)))
            for one in sorted(file.levels, key=lambda one: one.plate)
        ),
    )


def with_clamps(file: KitFile, clamps: Mapping[str, Clamp], measured_on: str) -> KitFile:
    """The kit with its clamps as they were found to sit: true until one of them is taken off.

    Args:
        measured_on: The day, as ISO 8601 writes it.
    """
    wheels = {
        wheel: old.model_copy(
            update={
                "eccentricity_mm": [round(v, 4) for v in clamps[wheel].eccentricity_mm],
                "tilt_deg": np.degrees(clamps[wheel].tilt_rad).round(5).tolist(),
                "u_eccentricity_mm": round(clamps[wheel].u_eccentricity_mm, 4),
                "u_tilt_deg": round(float(np.degrees(clamps[wheel].u_tilt_rad)), 5),
                "measured_on": measured_on,
            }
        )
        if wheel in clamps
        else old
        for wheel, old in file.wheels.items()
    }
    return file.model_copy(update={"wheels": wheels})


def with_fixture(file: KitFile, fixture: Fixture) -> KitFile:
    """The kit with this fixture in place of its entry of the same name; every u is rounded up."""
    plates = [
        MountFile(plate=m.plate, **_on_fixture(m.T_fixture_plate, R0_FIXTURE_PLATE, m))
        for m in fixture.mounts
    ]
    old = file.fixtures[fixture.name].targets if fixture.name in file.fixtures else {}
    # A label's place is the target's own affair: teaching where the target sits does not move it.
    targets = {
        t.name: TargetFile(
            **_on_fixture(t.T_fixture_target, np.eye(3), t),
            label=old[t.name].label if t.name in old else None,
        )
        for t in fixture.targets
    }
    entry = FixtureFile(plates=plates, targets=targets)
    return file.model_copy(update={"fixtures": {**file.fixtures, fixture.name: entry}})


def with_sheets(file: KitFile, sheets: Mapping[int, Plate], u_ruler_scale: float) -> KitFile:
    """The kit with these sheets' scales; every u is rounded up."""
    plates = dict(file.plates)
    for number, sheet in sheets.items():
        x, y = sheet.printed_scale_xy
        both = plates[str(number)].printed_scale_xy is not None
        scale: dict[str, Any] = {"printed_scale": round((x + y) / 2, 7)}
        if both:
            scale = {"printed_scale": None, "printed_scale_xy": [round(x, 7), round(y, 7)]}
        u = _rounded_up(sheet.u_printed_scale, 7)
        plates[str(number)] = plates[str(number)].model_copy(update={**scale, "u_printed_scale": u})
    return file.model_copy(update={"plates": plates, "u_ruler_scale": _rounded_up(u_ruler_scale, 7)})


def to_vehicle(file: VehicleFile) -> Vehicle:
    """What is declared about the vehicle; the models' field names are those of the frozen value."""
    return Vehicle(**{name: getattr(file, name) for name in VehicleFile.model_fields})


def to_placement(file: PlacementFile) -> Placement:
    """What is required of one target; values in the order of the file."""
    tolerances = {key: Tolerance(t.nominal, t.minus, t.plus) for key, t in file.values.items()}
    return Placement(
        file.name,
        file.fixture,
        file.target,
        file.reference_line,
        file.datum,
        _fixed({str(key): value for key, value in tolerances.items()}),
        math.radians(file.facing_deg),
        _origin(file.origin) if file.origin is not None else None,
    )


def to_relation(file: RelationFile, placements: Sequence[Placement]) -> Relation:
    """What is required of two placements together; the file has passed `crosschecks.relation_problems`."""
    names = [p.name for p in placements]
    tolerances = {str(key): Tolerance(t.nominal, t.minus, t.plus) for key, t in file.values.items()}
    return Relation(file.name, (names.index(file.of[0]), names.index(file.of[1])), _fixed(tolerances))


def to_shift(file: ShiftFile, placements: Sequence[Placement]) -> Shift:
    """What is required from one round to the next; the file has passed `crosschecks.shift_problems_among`."""
    names = [p.name for p in placements]
    tolerances = {str(key): Tolerance(t.nominal, t.minus, t.plus) for key, t in file.values.items()}
    return Shift(file.name, (names.index(file.from_), names.index(file.to)), _fixed(tolerances))


def to_profile(file: CameraFile) -> Profile:
    """A stored lens as the adjustment's prior.

    A file whose covariance leaves out aspect, the ninth of the lens vector's numbers, gets its general
    prior.
    """
    facts = file.applies_to
    covariance = np.diag(np.append(np.zeros(N_LENS - 1), U_LENS[-1] ** 2))
    n = len(file.covariance)
    covariance[:n, :n] = file.covariance
    lens = (file.f_px, file.cx_px, file.cy_px, file.k1, file.k2, file.p1, file.p2, file.k3, file.aspect)
    return Profile(
        exif=ExifFacts(**{name: getattr(facts, name) for name in type(facts).model_fields}),
        size_px=(file.size_px[0], file.size_px[1]),
        mean=_read_only(np.array(lens)),
        covariance=_read_only(covariance),
    )


def from_profile(profile: Profile, label: str, photos_sha256: Sequence[str]) -> CameraFile:
    """A lens profile as the file that `to_profile` reads."""
    facts = {name: getattr(profile.exif, name) for name in LensFacts.model_fields}
    lens = dict(zip(LENS_KEYS, profile.mean.tolist(), strict=True))
    # Symmetric to the last bit, whatever the solver's rounding.
    covariance = (profile.covariance + profile.covariance.T) / 2
    return CameraFile(
        format="plumbsight.camera/1",
        label=label,
        applies_to=LensFacts(**facts),
        size_px=list(profile.size_px),
        covariance=covariance.tolist(),
        n_photos=len(photos_sha256),
        made_from=list(photos_sha256),
        **lens,
    )


def _plate(number: int, file: PlateFile) -> Plate:
    both = file.printed_scale if file.printed_scale is not None else 1.0
    x, y = file.printed_scale_xy or (both, both)
    measured = file.u_printed_scale is not None
    return Plate(
        number=number,
        layout=file.layout.lower(),
        printed_scale_xy=(x, y),
        u_printed_scale=file.u_printed_scale if file.u_printed_scale is not None else U_UNMEASURED_SCALE,
        u_scale_difference=file.u_scale_difference,
        u_bow_mm=file.u_bow_mm,
        thickness_mm=file.thickness_mm or 0.0,
        scale_is_measured=measured,
    )


def _clamp(file: WheelFile) -> Clamp:
    tilt_x_rad, tilt_y_rad = np.radians(file.tilt_deg).tolist()
    return Clamp(
        plate=file.plate,
        standoff_mm=file.standoff_mm,
        u_standoff_mm=file.u_standoff_mm,
        u_eccentricity_mm=file.u_eccentricity_mm,
        u_tilt_rad=float(np.radians(file.u_tilt_deg)),
        eccentricity_mm=(file.eccentricity_mm[0], file.eccentricity_mm[1]),
        tilt_rad=(tilt_x_rad, tilt_y_rad),
        seated=Seated(np.array(file.seated.T_wheels_plate), file.seated.says) if file.seated else None,
    )


def _fixture(name: str, file: FixtureFile) -> Fixture:
    mounts = tuple(
        Mount(
            m.plate,
            T_fixture_plate(m.position_mm, m.rotation_deg),
            m.u_position_mm,
            float(np.radians(m.u_rotation_deg)),
        )
        for m in sorted(file.plates, key=lambda m: m.plate)
    )
    targets = tuple(
        Target(
            target,
            T_fixture_target(t.position_mm, t.rotation_deg),
            t.u_position_mm,
            float(np.radians(t.u_rotation_deg)),
            _label(t.label),
        )
        for target, t in sorted(file.targets.items())
    )
    return Fixture(name, mounts, targets)


def _label(file: LabelFile | None) -> Label | None:
    if file is None:
        return None
    T_target_plate = T_fixture_plate(file.position_mm, file.rotation_deg)
    return Label(file.plate, T_target_plate, file.u_position_mm, float(np.radians(file.u_rotation_deg)))


def _mat(name: str, file: MatFile) -> Fixture:
    """A mat as a fixture whose plates are held loosely: KINDS.md, "Mats"."""

    def in_plane(position_mm: list[float], rotation_deg: float, R: NDArray) -> NDArray:
        return _read_only(transform(_turn([0.0, 0.0, rotation_deg]) @ R, np.array([*position_mm, 0.0])))

    mounts = tuple(
        Mount(
            m.plate,
            in_plane(m.position_mm, m.rotation_deg, np.eye(3)),
            m.u_position_mm,
            math.radians(m.u_rotation_deg),
            file.u_flatness_mm,
        )
        for m in sorted(file.plates, key=lambda m: m.plate)
    )
    targets = tuple(
        Target(
            mark,
            in_plane(t.position_mm, t.rotation_deg, R_MAT_TARGET),
            t.u_position_mm,
            math.radians(t.u_rotation_deg),
        )
        for mark, t in sorted(file.targets.items())
    )
    return Fixture(name, mounts, targets, is_mat=True)


def _origin(file: OriginFile) -> Origin:
    x_mm, y_mm = file.offset_mm
    return Origin(file.at, (x_mm, y_mm), file.u_mm or 0.0, math.radians(file.axis_deg))


def T_fixture_plate(position_mm: list[float], rotation_deg: list[float]) -> NDArray:
    """A plate's pose on its fixture, (4, 4): FORMATS.md, `R_fixture_plate = Rz @ Ry @ Rx @ R0`."""
    return _read_only(transform(_turn(rotation_deg) @ R0_FIXTURE_PLATE, np.array(position_mm, float)))


def T_fixture_target(position_mm: list[float], rotation_deg: list[float]) -> NDArray:
    """A target's pose on its fixture, (4, 4): FORMATS.md, `R_fixture_target = Rz @ Ry @ Rx`."""
    return _read_only(transform(_turn(rotation_deg), np.array(position_mm, float)))


def _turn(rotation_deg: list[float]) -> NDArray:
    rx_rad, ry_rad, rz_rad = np.radians(np.array(rotation_deg, float))
    return rz_ry_rx(rz_rad, ry_rad, rx_rad)


def _on_fixture(T: NDArray, R_at_zero: NDArray, body: Mount | Target) -> dict[str, Any]:
    """FORMATS.md, written: R = Rz @ Ry @ Rx @ R0 as [rx, ry, rz]."""
    yaw, pitch, roll = yaw_pitch_roll(T[:3, :3] @ R_at_zero.T)
    return {
        "position_mm": [round(float(v), 4) + 0.0 for v in T[:3, 3]],
        "rotation_deg": [round(float(np.degrees(v)), 6) + 0.0 for v in (roll, pitch, yaw)],
        "u_position_mm": _rounded_up(body.u_position_mm, 4),
        "u_rotation_deg": _rounded_up(float(np.degrees(body.u_rotation_rad)), 5),
    }


def _rounded_up(value: float, digits: int) -> float:
    return round(math.ceil(value * 10**digits) / 10**digits, digits)


def _read_only(array: NDArray) -> NDArray:
    array.flags.writeable = False
    return array


def _fixed(items: dict[Key, Value]) -> Mapping[Key, Value]:
    return MappingProxyType(items)


def _triple(numbers: list[float]) -> tuple[float, float, float]:
    x, y, z = numbers
    return x, y, z
