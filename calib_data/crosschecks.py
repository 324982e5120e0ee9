"""What single figures cannot show: contradictions inside a kit, and between kit, vehicle and placement.

Each function yields the place in the file and what is wrong there with what to do, for
`reading.raise_problems`; the `doubts` are warnings.
"""

import math
from collections.abc import Iterator, Mapping

from calib_data.formats import FixtureFile, KitFile, PlacementFile, SetFile, ToleranceFile
from calib_data.reading import Problem
from vision.layout import Layout

AXLES = ("front_axle", "rear_axle")


def kit_problems(kit: KitFile, layouts: tuple[Layout, ...]) -> Iterator[Problem]:
    """Contradictions inside a kit."""
    yield from _plate_problems(kit, layouts)
    yield from _place_problems(kit)
    for i, bar in enumerate(kit.scale_bars):
        if bar.plates[0] == bar.plates[1]:
            yield (
                ("scale_bars", i, "plates"),
                (f"names plate {bar.plates[0]} twice. A bar lies between two plates: enter both numbers."),
            )
        if sorted(bar.plates) in [sorted(other.plates) for other in kit.scale_bars[:i]]:
            yield (
                ("scale_bars", i, "plates"),
                ("is a pair of plates that an earlier bar has. Enter the length once, or it counts twice."),
            )
    for name in kit.datum_plates:
        if name in AXLES:
            yield ("datum_plates", name), "has the name of an axle. Give the datum plate another name."


def _plate_problems(kit: KitFile, layouts: tuple[Layout, ...]) -> Iterator[Problem]:
    known = {layout.name.lower(): layout for layout in layouts}
    ranges = ", ".join(
        f"{n} (plates {la.first_plate} to {la.first_plate + la.n_plates - 1})" for n, la in known.items()
    )
    for key, plate in kit.plates.items():
        layout = known.get(plate.layout.lower())
        if layout is None:
            yield (
                ("plates", key, "layout"),
                (f'is "{plate.layout}", which is no known layout. Enter one of: {ranges}.'),
            )
        elif not layout.has_plate(int(key)):
            yield (
                ("plates", key, "layout"),
                (
                    f'is "{plate.layout}", but number {key} is not of that layout. The layouts are {ranges}: '
                    "read number and layout off the sheet again."
                ),
            )
        given = plate.printed_scale is not None or plate.printed_scale_xy is not None
        if given and plate.u_printed_scale is None:
            yield (
                ("plates", key, "u_printed_scale"),
                (
                    "is missing: it is the standard uncertainty of the printed scale. Half a millimetre on a "
                    "ruler of 150 mm is 0.003; a good steel rule gives 0.0005."
                ),
            )
        if not given and plate.u_printed_scale is not None:
            yield (
                ("plates", key, "printed_scale"),
                (
                    "is missing, though u_printed_scale is there. Measure the ruler and enter both, or neither."
                ),
            )
        if plate.printed_scale is not None and plate.printed_scale_xy is not None:
            mean = sum(plate.printed_scale_xy) / 2
            # 0.001: 0.15 mm on the sheet's ruler, what one reads with the eye.
            if abs(mean - plate.printed_scale) > 0.001:
                yield (
                    ("plates", key, "printed_scale"),
                    (
                        f"is {plate.printed_scale:g}, but the mean of printed_scale_xy is {mean:g}. "
                        "Measure again and enter one of the two."
                    ),
                )


def _uses(kit: KitFile) -> Iterator[tuple[tuple[str | int, ...], int]]:
    """Each place where a plate is mounted. A bar only measures between plates, it holds none."""
    for wheel_name, wheel in kit.wheels.items():
        yield ("wheels", wheel_name, "plate"), wheel.plate
    for name, fixture in kit.fixtures.items():
        for i, mount in enumerate(fixture.plates):
            yield ("fixtures", name, "plates", i, "plate"), mount.plate
    for i, floor in enumerate(kit.floor):
        yield ("floor", i, "plate"), floor.plate
    for name, datum in kit.datum_plates.items():
        yield ("datum_plates", name, "plate"), datum.plate


def _place_problems(kit: KitFile) -> Iterator[Problem]:
    taken: dict[int, tuple[str | int, ...]] = {}
    for where, plate in _uses(kit):
        yield from _unknown_plate(kit, where, plate)
        if plate in taken:
            other = ".".join(map(str, taken[plate][:-1]))
            yield (
                where,
                (
                    f"is {plate}, which {other} has too. A plate hangs in one place only: "
                    "read the numbers off the plates again."
                ),
            )
        taken.setdefault(plate, where)
    for i, bar in enumerate(kit.scale_bars):
        for plate in bar.plates:
            yield from _unknown_plate(kit, ("scale_bars", i, "plates"), plate)
    for i, floor in enumerate(kit.floor):
        sheet = kit.plates.get(str(floor.plate))
        if sheet is not None and sheet.thickness_mm is None:
            yield (
                ("plates", str(floor.plate), "thickness_mm"),
                (
                    f"is missing, and floor[{i}] lays this plate on the floor: heights count from its underside. "
                    "Measure sheet and board together and enter e.g. 3.0."
                ),
            )
    for name, fixture in kit.fixtures.items():
        yield from _same_place(name, fixture)


def _unknown_plate(kit: KitFile, where: tuple[str | int, ...], plate: int) -> Iterator[Problem]:
    if str(plate) not in kit.plates:
        owned = ", ".join(kit.plates)
        yield (
            where,
            (
                f"is {plate}, but the kit's plates are {owned}. Correct the number, or add plate "
                f"{plate} to plates."
            ),
        )


def _same_place(name: str, fixture: FixtureFile) -> Iterator[Problem]:
    for i, mount in enumerate(fixture.plates):
        for other in fixture.plates[:i]:
            if (mount.position_mm, mount.rotation_deg) == (other.position_mm, other.rotation_deg):
                yield (
                    ("fixtures", name, "plates", i, "position_mm"),
                    (
                        f"is that of plate {other.plate} too, and two plates cannot be in one place. "
                        "Measure both and correct the one that was copied."
                    ),
                )


def needs_for_measuring(kit: KitFile) -> Iterator[Problem]:
    """What a kit must have before a vehicle can be measured (MEASUREMENT.md, "Fewer clamps")."""
    missing = [name for name in ("rear_left", "rear_right") if name not in kit.wheels]
    if missing:
        yield (
            ("wheels",),
            (
                f"has no {' and no '.join(missing)}. Hang a plate on both rear wheels and enter "
                "them: without them the vehicle has no direction."
            ),
        )


def placement_problems(placement: PlacementFile, kit: KitFile) -> Iterator[Problem]:
    """What a placement names and the kit does not have, and tolerances out of all proportion."""
    fixture = kit.fixtures.get(placement.fixture)
    if fixture is None:
        yield ("fixture",), f'is "{placement.fixture}", but the kit has {_names(kit.fixtures, "fixture")}.'
    elif placement.target not in fixture.targets:
        yield (
            ("target",),
            (
                f'is "{placement.target}", but fixture "{placement.fixture}" has '
                f"{_names(fixture.targets, 'target')}."
            ),
        )
    if placement.datum not in AXLES and placement.datum not in kit.datum_plates:
        yield (
            ("datum",),
            (
                f'is "{placement.datum}": it must be "front_axle", "rear_axle" or a datum plate, '
                f"and the kit has {_names(kit.datum_plates, 'datum plate')}."
            ),
        )
    for key, tolerance in placement.values.items():
        if key.endswith("_deg"):
            yield from _angle_problems(("values", key), tolerance)


def _names(known: Mapping[str, object], what: str) -> str:
    if not known:
        return f"no {what}. Add it to the kit, or correct the name"
    return f"{what} {' and '.join(known)}. Correct the name, or add it to the kit"


def _angle_problems(where: tuple[str | int, ...], tolerance: ToleranceFile) -> Iterator[Problem]:
    if abs(tolerance.nominal) > 360:
        yield (*where, "nominal"), f"is {tolerance.nominal:g}, more than a full turn. Enter degrees."
    for side in ("minus", "plus"):
        width = getattr(tolerance, side)
        if width > 45:  # common practice, no source: the widest angle tolerances are 2 degrees
            yield (
                (*where, side),
                (
                    f"is {width:g}, which as degrees is no tolerance. "
                    f"If these are minutes of arc, enter {width / 60:.4g}."
                ),
            )


def placement_doubts(placement: PlacementFile) -> Iterator[Problem]:
    """Tolerances that look like another unit. Usual ones are 3 to 50 mm and 0.1 to 2 degrees."""
    for key, tolerance in placement.values.items():
        for side in ("minus", "plus"):
            width, where = getattr(tolerance, side), ("values", key, side)
            if key.endswith("_deg") and 5 < width <= 45:
                yield (
                    where,
                    (
                        f"is {width:g} degrees, which is unusually wide. "
                        f"If these are minutes of arc, enter {width / 60:.4g}."
                    ),
                )
            if key.endswith("_mm") and width < 0.1:
                yield (
                    where,
                    f"is {width:g} mm, narrower than anyone can set up. If these are metres, enter {width * 1000:g}.",
                )
        if key in ("distance_mm", "height_mm") and 0 < abs(tolerance.nominal) < 10:
            yield (
                ("values", key, "nominal"),
                (f"is {tolerance.nominal:g} mm. If these are metres, enter {tolerance.nominal * 1000:g}."),
            )


def kit_doubts(kit: KitFile) -> Iterator[Problem]:
    """What a kit may mean otherwise than it says."""
    for wheel_name, wheel in kit.wheels.items():
        if (any(wheel.eccentricity_mm) or any(wheel.tilt_deg)) and wheel.measured_on is None:
            yield (
                ("wheels", wheel_name, "measured_on"),
                (
                    "is missing beside a measured eccentricity or tilt. Enter the day, for the figures hold only "
                    "while the clamp sits as it was measured."
                ),
            )
    for name, fixture in kit.fixtures.items():
        for place, bodies in (
            ("plates", list(enumerate(fixture.plates))),
            ("targets", list(fixture.targets.items())),
        ):
            for key, body in bodies:
                if any(_is_right_angle_in_radians(a) for a in body.rotation_deg):
                    yield (
                        ("fixtures", name, place, key, "rotation_deg"),
                        (f"is {body.rotation_deg}. If these are radians, enter degrees."),
                    )


def _is_right_angle_in_radians(angle: float) -> bool:
    return any(abs(abs(angle) - right) < 0.0006 for right in (math.pi / 2, math.pi))


def set_problems(set_file: SetFile) -> Iterator[Problem]:
    """Contradictions inside a set file."""
    if set_file.placement is not None and set_file.placements is not None:
        yield ("placement",), "and placements are both there. Keep one of the two."
    names = set_file.photos or []
    for i, name in enumerate(names):
        if name in names[:i]:
            yield ("photos", i), f'is "{name}", which is listed before. Remove one of the two.'
