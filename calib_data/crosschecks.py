"""What single figures cannot show: contradictions inside a file, and between kit and placement.

Each function yields problems for `reading.raise_problems`; the `doubts` are warnings.
"""

import math
from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from calib_data.formats import (
    CameraFile,
    KitFile,
    MatPlateFile,
    MountFile,
    PlacementFile,
    PlateFile,
    RelationFile,
    ResultFile,
    ResultPlacement,
    ResultValue,
    SetFile,
    ShiftFile,
    ToleranceFile,
)
from calib_data.reading import Problem, Where
from vision.kit import LYING_KEYS, PLUMB_KEYS, POLAR_KEYS, UPRIGHT_KEYS, WHEELS
from vision.layout import Layout

AXLES = ("front_axle", "rear_axle")


def kit_problems(kit: KitFile, layouts: tuple[Layout, ...]) -> Iterator[Problem]:
    """Contradictions inside a kit."""
    known = {layout.name.lower(): layout for layout in layouts}
    for key, plate in kit.plates.items():
        yield from _layout_problems(key, plate, known)
        yield from _scale_problems(key, plate)
    yield from _place_problems(kit)
    yield from _bar_problems(kit)
    for name in kit.datum_plates:
        if name in AXLES:
            says = "has the name of an axle. Give the datum plate another name."
            yield Problem(("datum_plates", name), says)
    for name in kit.datum_plates:
        if name in WHEELS:
            yield Problem(
                ("datum_plates", name), "has the name of a wheel. Give the datum plate another name."
            )
    for name in kit.mats:
        if name in kit.fixtures:
            yield Problem(("mats", name), "has the name of a fixture. Give the mat another name.")


def _layout_problems(key: str, plate: PlateFile, known: Mapping[str, Layout]) -> Iterator[Problem]:
    layout = known.get(plate.layout.lower())
    if layout is not None and layout.has_plate(int(key)):
        return
    ranges = ", ".join(
        f"{name} (plates {one.first_plate} to {one.first_plate + one.n_plates - 1})"
        for name, one in known.items()
    )
    wrong = "which is no known layout" if layout is None else f"but number {key} is not of that layout"
    yield Problem(
        ("plates", key, "layout"),
        f'is "{plate.layout}", {wrong}. The layouts are {ranges}: read both off the sheet again.',
    )


def _scale_problems(key: str, plate: PlateFile) -> Iterator[Problem]:
    both, xy = plate.printed_scale, plate.printed_scale_xy
    is_given = both is not None or xy is not None
    if is_given and plate.u_printed_scale is None:
        yield Problem(
            ("plates", key, "u_printed_scale"),
            "is missing: it is the standard uncertainty of the printed scale. Half a millimetre on a ruler "
            "of 150 mm is 0.003; a good steel rule gives 0.0005.",
        )
    if not is_given and plate.u_printed_scale is not None:
        yield Problem(
            ("plates", key, "printed_scale"),
            "is missing beside u_printed_scale. Measure the ruler and enter both, or leave both out.",
        )
    # 0.001: 0.15 mm on the sheet's ruler, what one reads with the eye.
    if both is not None and xy is not None and abs(sum(xy) / 2 - both) > 0.001:
        yield Problem(
            ("plates", key, "printed_scale"),
            f"is {both:g}, but the mean of printed_scale_xy is {sum(xy) / 2:g}. "
            "Measure again and enter one of the two.",
        )


def _uses(kit: KitFile) -> Iterator[tuple[Where, int]]:
    """Each place where a plate is mounted. A bar only measures between plates, it holds none."""
    for wheel_name, wheel in kit.wheels.items():
        yield ("wheels", wheel_name, "plate"), wheel.plate
    for name, fixture in kit.fixtures.items():
        for i, mount in enumerate(fixture.plates):
            yield ("fixtures", name, "plates", i, "plate"), mount.plate
        for target_name, target in fixture.targets.items():
            if target.label is not None:
                yield ("fixtures", name, "targets", target_name, "label", "plate"), target.label.plate
    for name, mat in kit.mats.items():
        for i, on_mat in enumerate(mat.plates):
            yield ("mats", name, "plates", i, "plate"), on_mat.plate
    for i, floor in enumerate(kit.floor):
        yield ("floor", i, "plate"), floor.plate
    for name, datum in kit.datum_plates.items():
        yield ("datum_plates", name, "plate"), datum.plate
    for i, level in enumerate(kit.levels):
        yield ("levels", i, "plate"), level.plate


def _place_problems(kit: KitFile) -> Iterator[Problem]:
    taken: dict[int, Where] = {}
    for where, plate in _uses(kit):
        yield from _unknown_plate(kit, where, plate)
        if plate in taken:
            other = ".".join(map(str, taken[plate][:-1]))
            yield Problem(
                where,
                f"is {plate}, which {other} has too. A plate is in one place only: "
                "read the numbers off the plates again.",
            )
        taken.setdefault(plate, where)
    for i, floor in enumerate(kit.floor):
        sheet = kit.plates.get(str(floor.plate))
        if sheet is not None and sheet.thickness_mm is None:
            yield Problem(
                ("plates", str(floor.plate), "thickness_mm"),
                f"is missing, and floor[{i}] lays this plate on the floor, where heights count from its "
                "underside. Measure sheet and board together and enter e.g. 3.0.",
            )
    for name, fixture in kit.fixtures.items():
        yield from _same_place(("fixtures", name), fixture.plates)
    for name, mat in kit.mats.items():
        yield from _same_place(("mats", name), mat.plates)


def _unknown_plate(kit: KitFile, where: Where, plate: int) -> Iterator[Problem]:
    if str(plate) not in kit.plates:
        yield Problem(
            where,
            f"is {plate}, but the kit's plates are {', '.join(kit.plates)}. "
            f'Correct the number, or add "{plate}" to plates.',
        )


def _same_place(where: Where, plates: Sequence[MountFile | MatPlateFile]) -> Iterator[Problem]:
    for i, mount in enumerate(plates):
        for other in plates[:i]:
            if (mount.position_mm, mount.rotation_deg) == (other.position_mm, other.rotation_deg):
                yield Problem(
                    (*where, "plates", i, "position_mm"),
                    f"is that of plate {other.plate} too, and two plates cannot be in one place. "
                    "Measure both and correct the one that was copied.",
                )


def _bar_problems(kit: KitFile) -> Iterator[Problem]:
    for i, bar in enumerate(kit.scale_bars):
        where = ("scale_bars", i, "plates")
        for plate in bar.plates:
            yield from _unknown_plate(kit, where, plate)
        if bar.plates[0] == bar.plates[1]:
            yield Problem(where, f"names plate {bar.plates[0]} twice. Enter the numbers of two plates.")
        if sorted(bar.plates) in [sorted(other.plates) for other in kit.scale_bars[:i]]:
            yield Problem(
                where, "is a pair that an earlier bar has. Enter a length once, or it counts twice."
            )


def needs_for_measuring(kit: KitFile) -> Iterator[Problem]:
    """What a kit must have before a vehicle can be measured (MEASUREMENT.md, "Fewer clamps")."""
    missing = [name for name in ("rear_left", "rear_right") if name not in kit.wheels]
    if missing:
        yield Problem(
            ("wheels",),
            f"has no {' and no '.join(missing)}. Hang a plate on each rear wheel and enter it here: "
            "without them the vehicle has no direction.",
        )


def placement_problems(placement: PlacementFile, kit: KitFile) -> Iterator[Problem]:
    """What a placement names and the kit does not have, and `lone_problems`."""
    fixture = kit.fixtures.get(placement.fixture) or kit.mats.get(placement.fixture)
    if fixture is None:
        there = _has("the kit", {**kit.fixtures, **kit.mats})
        yield Problem(("fixture",), f'is "{placement.fixture}", but {there}')
    elif placement.target not in fixture.targets:
        there = _has(f'fixture "{placement.fixture}"', fixture.targets)
        yield Problem(("target",), f'is "{placement.target}", but {there}')
    if placement.datum not in AXLES and placement.datum not in kit.datum_plates:
        there = _has("the kit's datum_plates", kit.datum_plates)
        yield Problem(
            ("datum",), f'is "{placement.datum}", which is neither "front_axle" nor "rear_axle", and {there}'
        )
    yield from _origin_problems(placement, kit)
    yield from _kind_problems(placement, is_mat=placement.fixture in kit.mats)
    for key in PLUMB_KEYS:
        if key in placement.values and not kit.levels:
            says = (
                "is against the plumb line, and the kit has no level plate to show it. Add one to the kit's "
                "levels, or take the value out."
            )
            yield Problem(("values", key), says)
    yield from lone_problems(placement)


def _origin_problems(placement: PlacementFile, kit: KitFile) -> Iterator[Problem]:
    origin = placement.origin
    if origin is not None and origin.at not in (*AXLES, *WHEELS, *kit.datum_plates):
        there = _has("the kit's datum_plates", kit.datum_plates)
        yield Problem(("origin", "at"), f'is "{origin.at}", which is no axle and no wheel, and {there}')


def lone_problems(placement: PlacementFile) -> Iterator[Problem]:
    """What is wrong with a placement whatever the kit."""
    yield from _start_problems(placement)
    yield from tolerance_problems(placement)


def _start_problems(placement: PlacementFile) -> Iterator[Problem]:
    origin = placement.origin
    if origin is None:
        for key in POLAR_KEYS:
            if key in placement.values:
                says = "counts from an origin. Enter where it starts as origin, or take the value out."
                yield Problem(("values", key), says)
    elif any(origin.offset_mm) and origin.u_mm is None:
        says = (
            "is missing beside offset_mm: it is the standard uncertainty of the offset, per axis. "
            "Enter e.g. 2.0."
        )
        yield Problem(("origin", "u_mm"), says)


def _kind_problems(placement: PlacementFile, is_mat: bool) -> Iterator[Problem]:
    """Angles of a mat asked of what stands, and the other way round."""
    others, what = ((*UPRIGHT_KEYS[3:], *PLUMB_KEYS), "lies") if is_mat else (LYING_KEYS, "stands")
    instead = ", ".join(LYING_KEYS if is_mat else UPRIGHT_KEYS[3:])
    for key in placement.values:
        if key in others:
            says = f"has no meaning for a target that {what}. Its own values are {instead}."
            yield Problem(("values", key), says)


def relation_problems(
    relation: RelationFile, placements: Sequence[PlacementFile], whose: str = "the set's"
) -> Iterator[Problem]:
    """What a relation names and the set does not have, and what does not go together.

    Args:
        whose: Of whom the placements are, in words.
    """
    by_name = {p.name: p for p in placements}
    for i, name in enumerate(relation.of):
        yield from _unknown_placement(("of", i), name, by_name, whose)
    if relation.of[0] == relation.of[1]:
        yield Problem(("of",), "names one placement twice. Enter the names of two placements.")
    lines = {by_name[name].reference_line for name in relation.of if name in by_name}
    if len(lines) > 1:
        says = "are counted from two reference lines. Let both placements use the same."
        yield Problem(("of",), says)
    for key, tolerance in relation.values.items():
        if key.endswith("_deg"):
            yield from _angle_problems(("values", key), tolerance)


def _unknown_placement(
    where: Where, name: str, by_name: Mapping[str, PlacementFile], whose: str
) -> Iterator[Problem]:
    if name not in by_name:
        there = " and ".join(f'"{known}"' for known in by_name) or "none"
        yield Problem(where, f'is "{name}", but {whose} placements are {there}. Correct the name.')


def tolerance_problems(placement: PlacementFile) -> Iterator[Problem]:
    """Tolerances out of all proportion, whatever the kit."""
    for key, tolerance in placement.values.items():
        if key.endswith("_deg"):
            yield from _angle_problems(("values", key), tolerance)


def shift_problems(shift: ShiftFile) -> Iterator[Problem]:
    """Contradictions inside a shift."""
    for key, tolerance in shift.values.items():
        if key.endswith("_deg"):
            yield from _angle_problems(("values", key), tolerance)
    for key in shift.step:
        if key not in shift.values:
            yield Problem(("step", key), "is a step of a value that is not required. Take it out.")


def shift_problems_among(
    shift: ShiftFile, placements: Sequence[PlacementFile], whose: str = "the set's"
) -> Iterator[Problem]:
    """What a shift names and is not there, and values whose difference would mean nothing.

    Args:
        whose: As of `relation_problems`.
    """
    by_name = {p.name: p for p in placements}
    for where, name in (("from", shift.from_), ("to", shift.to)):
        yield from _unknown_placement((where,), name, by_name, whose)
    both = [by_name[name] for name in (shift.from_, shift.to) if name in by_name]
    if len(both) < 2:
        return
    before, after = both
    if before.reference_line != after.reference_line:
        yield Problem(("to",), "is counted from another reference line. Let both placements use the same.")
    for key in shift.values:
        if key in POLAR_KEYS and (before.origin is None or before.origin != after.origin):
            says = "needs one origin in both placements. Enter it there, or take the value out."
            yield Problem(("values", key), says)
        elif key == "distance_mm" and before.datum != after.datum:
            says = (
                f'has no difference: "{before.name}" counts from {before.datum}, "{after.name}" from '
                f"{after.datum}. Let both placements use the same, or take the value out."
            )
            yield Problem(("values", key), says)


def shift_problems_with(
    shift: ShiftFile, placements: Sequence[PlacementFile], kit: KitFile
) -> Iterator[Problem]:
    """Values that a shift asks for and the kit's target cannot have, such as a heading of what stands."""
    for placement in placements:
        if placement.name in (shift.from_, shift.to):
            yield from placement_problems(placement.model_copy(update={"values": shift.values}), kit)


def _has(owner: str, known: Mapping[str, object]) -> str:
    names = " and ".join(f'"{name}"' for name in known) or "none"
    return f"{owner} has {names}. Correct the name, or add it to the kit."


def _angle_problems(where: Where, tolerance: ToleranceFile) -> Iterator[Problem]:
    if abs(tolerance.nominal) > 360:
        says = f"is {tolerance.nominal:g}, more than a full turn. Enter degrees."
        yield Problem((*where, "nominal"), says)
    for side, width in (("minus", tolerance.minus), ("plus", tolerance.plus)):
        if width > 45:  # common practice, no source: the widest angle tolerances are 2 degrees
            yield Problem(
                (*where, side),
                f"is {width:g}, which as degrees is no tolerance. "
                f"If these are minutes of arc, enter {width / 60:.4g}.",
            )


def placement_doubts(placement: PlacementFile) -> Iterator[Problem]:
    """Tolerances that look like another unit. Usual ones are 3 to 50 mm and 0.1 to 2 degrees."""
    for key, tolerance in placement.values.items():
        for side, width in (("minus", tolerance.minus), ("plus", tolerance.plus)):
            where = ("values", key, side)
            if key.endswith("_deg") and 5 < width <= 45:
                minutes = f"{width / 60:.4g}"
                yield Problem(
                    where, f"is {width:g} degrees, unusually wide. If minutes of arc, enter {minutes}."
                )
            if key.endswith("_mm") and width < 0.1:
                metres = f"{width * 1000:g} mm"
                yield Problem(
                    where, f"is {width:g} mm, unusually narrow. If these are metres, enter {metres}."
                )
        if key in ("distance_mm", "height_mm") and 0 < abs(tolerance.nominal) < 10:
            metres = f"{tolerance.nominal * 1000:g} mm"
            says = f"is {tolerance.nominal:g} mm. If these are metres, enter {metres}."
            yield Problem(("values", key, "nominal"), says)


def kit_doubts(kit: KitFile) -> Iterator[Problem]:
    """What a kit may mean otherwise than it says."""
    for wheel_name, wheel in kit.wheels.items():
        if (any(wheel.eccentricity_mm) or any(wheel.tilt_deg)) and wheel.measured_on is None:
            yield Problem(
                ("wheels", wheel_name, "measured_on"),
                "is missing beside a measured eccentricity or tilt. Enter the day: the figures hold only "
                "while the clamp sits as it was measured.",
            )
    for name, fixture in kit.fixtures.items():
        for i, mount in enumerate(fixture.plates):
            yield from _radian_doubts(("fixtures", name, "plates", i), mount.rotation_deg)
        for target_name, target in fixture.targets.items():
            yield from _radian_doubts(("fixtures", name, "targets", target_name), target.rotation_deg)
            if target.label is not None:
                where = ("fixtures", name, "targets", target_name, "label")
                yield from _radian_doubts(where, target.label.rotation_deg)


def _radian_doubts(where: Where, rotation_deg: list[float]) -> Iterator[Problem]:
    # 0.0006: half a right angle's fourth digit, as people type 1.571 or 3.1416.
    right_angles_rad = (math.pi / 2, math.pi)
    if any(abs(abs(angle) - right) < 0.0006 for angle in rotation_deg for right in right_angles_rad):
        yield Problem((*where, "rotation_deg"), f"is {rotation_deg}. If these are radians, enter degrees.")


def set_problems(set_file: SetFile) -> Iterator[Problem]:
    """Contradictions inside a set file."""
    if set_file.placement is not None and set_file.placements is not None:
        yield Problem(("placement",), "is there and placements too. Keep one of the two.")


def camera_problems(camera: CameraFile) -> Iterator[Problem]:
    """Contradictions inside a lens profile."""
    width, height = camera.size_px
    if camera.applies_to.make is None and camera.applies_to.model is None:
        says = (
            "states neither make nor model, so that it would fit any photo. Enter what the photos' EXIF says."
        )
        yield Problem(("applies_to",), says)
    if not 0.2 < camera.f_px / max(width, height) < 50:  # 136 degrees to 1.1 degrees of view
        yield Problem(
            ("f_px",),
            f"is {camera.f_px:g} for a photo of {width} x {height}. Make the profile anew from photos.",
        )
    for key, at, size in (("cx_px", camera.cx_px, width), ("cy_px", camera.cy_px, height)):
        if not 0 < at < size:
            says = f"is {at:g}, outside the photo of {width} x {height}. Make the profile anew from photos."
            yield Problem((key,), says)
    # 1e-10: k1, k2 and k3 may be known together to one part in 1e4 only, but never without end.
    n = len(camera.covariance)
    if not _is_covariance(camera.covariance, n, least=1e-10):
        yield Problem(
            ("covariance",),
            f"is no covariance: it must be {n} x {n}, symmetric, with variances above 0 and correlations "
            "within +-1. Make the profile anew from photos.",
        )


def result_problems(result: ResultFile) -> Iterator[Problem]:
    """Where a result contradicts itself; tests and the archive hold our own results against it."""
    for i, placement in enumerate(result.placements):
        yield from _placement_result_problems(("placements", i), placement)
    for key, fact in result.vehicle.items():
        if fact.value is None and not fact.says:
            yield Problem(("vehicle", key, "says"), "is missing: a value that is null needs its reason.")


def _placement_result_problems(where: Where, placement: ResultPlacement) -> Iterator[Problem]:
    for key, value in placement.values.items():
        yield from _value_problems((*where, "values", key), value)
    for key, shares in placement.budget.items():
        # 1e-3: shares printed with three digits or more.
        if abs(sum(shares.values()) - 1) > 1e-3:
            says = f"adds to {sum(shares.values()):g}. Shares of variance add to 1."
            yield Problem((*where, "budget", key), says)
    joint = placement.covariance
    if joint is not None and not _is_covariance(joint.matrix, len(joint.keys)):
        says = "is no covariance of its keys. It must be square in their number, symmetric and positive."
        yield Problem((*where, "covariance", "matrix"), says)


def _value_problems(where: Where, value: ResultValue) -> Iterator[Problem]:
    if value.value is None:
        if not value.says:
            yield Problem((*where, "says"), "is missing: a value that is null needs its reason.")
        if value.decision not in (None, "undecided"):
            yield Problem((*where, "decision"), "must be undecided where nothing was measured.")
        return
    if value.u is None or value.interval95 is None:
        yield Problem(where, "needs u and interval95 beside its value.")
    elif not value.interval95[0] <= value.value <= value.interval95[1]:
        yield Problem((*where, "interval95"), "does not hold the value. Its ends are low, high.")
    if value.decision is not None and None in (value.nominal, value.minus, value.plus, value.p_conform):
        yield Problem((*where, "decision"), "needs nominal, minus, plus and p_conform beside it.")


def _is_covariance(matrix: list[list[float]], n: int, least: float = -1e-6) -> bool:
    """Whether it is n by n and symmetric, with variances above 0.

    `least` bounds the correlation's smallest eigenvalue: -1e-6 is semi-definite to printed digits.
    """
    if len(matrix) != n or any(len(row) != n for row in matrix):
        return False
    C = np.array(matrix, float).reshape(n, n)
    variances = np.diag(C)
    if not np.all(variances > 0):
        return False
    correlation = C / np.sqrt(np.outer(variances, variances))
    # 1e-6: figures printed with seven digits or more.
    is_symmetric = np.allclose(correlation, correlation.T, rtol=0, atol=1e-6)
    return bool(is_symmetric and np.linalg.eigvalsh(correlation)[0] > least)
